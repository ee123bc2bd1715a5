/* listen_command.c: what a bus carries, live or in a capture, and so what can be known of the boat. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/bus_census.h"
#include "analysis/fault_text.h"
#include "daemon/commands.h"
#include "daemon/coverage_table.h"
#include "daemon/listen_live.h"
#include "daemon/progress.h"
#include "decoders/fault_code.h"
#include "replay/capture.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))
#define CAPTURES_MAX   256
#define BATCH          4096
#define SECONDS_USUAL  15
#define BUS_BIT_RATE   250000.0 /* NMEA 2000, and J1939 aboard */

struct listening {
	const struct command_line *line;
	struct bus_names buses;
	struct bus_census census;
	struct frame frames[BATCH];
	struct capture *captures[CAPTURES_MAX];
	size_t capture_count;
	struct capture_merge *merge;
	bool failed; /* a capture could not be read to its end */
};

static enum program_exit open_captures(struct listening *l)
{
	char error[512] = "";

	for (size_t i = 0; i < l->line->argument_count; i++) {
		if (capture_open(&l->captures[i], l->line->arguments[i], &l->buses, NULL, error,
			    sizeof(error)) != 0) {
			return command_failed(l->line, "%s", error);
		}
		l->capture_count = i + 1;
	}
	if (capture_merge_open(&l->merge, l->captures, l->capture_count) != 0) {
		return command_failed(l->line, "no memory left");
	}
	return EXIT_DONE;
}

static void hear_captures(struct listening *l)
{
	struct progress progress;
	uint64_t heard = 0;

	progress_init(&progress, "listen");
	for (;;) {
		int64_t got = capture_merge_read(l->merge, l->frames, BATCH);
		if (got == 0) {
			break;
		}
		if (got < 0) {
			const struct capture *failed = capture_merge_failed(l->merge);
			progress_clear(&progress);
			command_note(l->line, "cannot read '%s' further: %s",
				failed == NULL ? "?" : capture_path(failed), strerror((int)-got));
			l->failed = true;
			continue;
		}
		bus_census_add(&l->census, l->frames, (size_t)got);
		heard += (uint64_t)got;
		progress_show(&progress, heard,
			l->capture_count == 1 ? capture_position(l->captures[0]) : 0,
			l->capture_count == 1 ? capture_size(l->captures[0]) : 0);
	}
	progress_clear(&progress);
	for (size_t i = 0; i < l->capture_count; i++) {
		const struct capture_damage *damage = capture_damage(l->captures[i]);
		if (damage->count > 0) {
			command_note(l->line, "'%s': %llu damaged places were skipped",
				capture_path(l->captures[i]), (unsigned long long)damage->count);
		}
	}
}

static void on_live_frames(void *context, const struct frame *frames, size_t count)
{
	struct listening *l = context;

	bus_census_add(&l->census, frames, count);
}

static void on_live_news(void *context, const char *interface, const char *sentence)
{
	struct listening *l = context;

	command_note(l->line, "%s: %s", interface, sentence);
}

/* The interfaces named by --bus, else the configuration's, else the usual one. */
static void name_buses(struct listening *l)
{
	const struct settings *settings = &l->line->settings;

	for (size_t i = 0; i < l->line->option_count; i++) {
		if (strcmp(l->line->options[i].name, "--bus") == 0) {
			const char *name = l->line->options[i].value;
			/* One without a number left is not heard; there are eight. */
			(void)bus_names_find(&l->buses, name, strlen(name));
		}
	}
	for (size_t i = 0; l->buses.count == 0 && i < settings->bus_count; i++) {
		(void)bus_names_find(&l->buses, settings->buses[i].name,
			strlen(settings->buses[i].name));
	}
	if (l->buses.count == 0) {
		(void)bus_names_find(&l->buses, "can0", strlen("can0"));
	}
}

static enum program_exit hear_live(struct listening *l)
{
	const char *value = command_value(l->line, "--seconds");
	char *end = NULL;
	double seconds = value == NULL ? SECONDS_USUAL : strtod(value, &end);
	int result;

	if (value != NULL && (end == value || *end != '\0' || !(seconds > 0 && seconds <= 86400))) {
		return command_misused(l->line, "--seconds %s: expected a number, above 0 to 86400",
			value);
	}
	name_buses(l);
	result = listen_live(&l->buses, seconds,
		&(struct listen_live_listener){l, on_live_frames, on_live_news});
	if (result == -ENODEV) {
		return command_failed(l->line, "none of the buses can be listened to");
	}
	return result == 0 ? EXIT_DONE
			   : command_failed(l->line, "cannot listen: %s", strerror(-result));
}

static const struct table_column bus_columns[] = {
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"frames", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"heard_s", TABLE_REAL, QUANTITY_NONE, 1},
	{"frames_per_s", TABLE_REAL, QUANTITY_NONE, 1},
	{"load_least_pct", TABLE_REAL, QUANTITY_NONE, 1},
	{"load_most_pct", TABLE_REAL, QUANTITY_NONE, 1},
	{"busiest_second_pct", TABLE_REAL, QUANTITY_NONE, 1},
};

static void put_buses(const struct listening *l, struct table *table)
{
	table_begin(table, "buses", bus_columns, COUNT(bus_columns));
	for (size_t i = 0; i < l->buses.count; i++) {
		const struct census_bus *bus = &l->census.buses[i];
		double heard_s = (double)bus->heard_ns * 1e-9;
		double whole = heard_s > 0 ? BUS_BIT_RATE * heard_s / 100 : NAN;
		if (bus->frames == 0) {
			continue;
		}
		table_put_text(table, l->buses.names[i]);
		table_put_integer(table, (int64_t)bus->frames);
		table_put_real(table, heard_s);
		table_put_real(table, heard_s > 0 ? (double)bus->frames / heard_s : NAN);
		table_put_real(table, (double)bus->bits_least / whole);
		table_put_real(table, (double)bus->bits_most / whole);
		table_put_real(table, (double)bus->busiest_bits / 2 / (BUS_BIT_RATE / 100));
		table_end_row(table);
	}
	table_end(table);
}

static const struct table_column source_columns[] = {
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"source", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"frames", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"messages", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"name", TABLE_TEXT, QUANTITY_NONE, 0},
	{"manufacturer_code", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"function", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"device_class", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"model", TABLE_TEXT, QUANTITY_NONE, 0},
	{"software", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void put_source(const struct listening *l, struct table *table,
	const struct census_source *source)
{
	char name[24];

	table_put_text(table, l->buses.names[source->bus]);
	table_put_integer(table, source->address);
	table_put_integer(table, (int64_t)source->frames);
	table_put_integer(table, (int64_t)source->messages);
	if (source->has_name) {
		(void)snprintf(name, sizeof(name), "%016llX", (unsigned long long)source->name);
		table_put_text(table, name);
		table_put_integer(table, source->manufacturer);
		table_put_integer(table, source->function);
		table_put_integer(table, source->device_class);
	} else {
		for (int i = 0; i < 4; i++) {
			table_put_unknown(table);
		}
	}
	table_put_text(table, source->model[0] == '\0' ? NULL : source->model);
	table_put_text(table, source->software[0] == '\0' ? NULL : source->software);
	table_end_row(table);
}

static void put_sources(const struct listening *l, struct table *table)
{
	table_begin(table, "sources", source_columns, COUNT(source_columns));
	for (unsigned bus = 0; bus < FRAME_BUS_MAX; bus++) {
		for (unsigned address = 0; address < 256; address++) {
			uint16_t at = l->census.source_at[bus][address];
			if (at != 0) {
				put_source(l, table, &l->census.sources[at - 1]);
			}
		}
	}
	table_end(table);
}

static const struct table_column message_columns[] = {
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"source", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"pgn", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"message", TABLE_TEXT, QUANTITY_NONE, 0},
	{"decoded", TABLE_FLAG, QUANTITY_NONE, 0},
	{"bytes", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"count", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"interval_ms", TABLE_REAL, QUANTITY_NONE, 0},
};

static int compare_messages(const void *a, const void *b)
{
	const struct census_message *first = a, *second = b;

	if (first->used != second->used) {
		return first->used ? -1 : 1;
	}
	if (first->bus != second->bus) {
		return first->bus < second->bus ? -1 : 1;
	}
	if (first->pgn != second->pgn) {
		return first->pgn < second->pgn ? -1 : 1;
	}
	return (first->source > second->source) - (first->source < second->source);
}

/* Sorts the census's rows: nothing is added to it afterwards. */
static void put_messages(struct listening *l, struct table *table)
{
	qsort(l->census.messages, CENSUS_MESSAGES_MAX, sizeof(l->census.messages[0]),
		compare_messages);
	table_begin(table, "messages", message_columns, COUNT(message_columns));
	for (size_t i = 0; i < l->census.message_count; i++) {
		const struct census_message *message = &l->census.messages[i];
		table_put_text(table, l->buses.names[message->bus]);
		table_put_integer(table, message->source);
		table_put_integer(table, message->pgn);
		table_put_text(table, message->row < 0
			? NULL : message_row_get((size_t)message->row)->name);
		table_put_flag(table, message->row >= 0);
		table_put_integer(table, message->length);
		table_put_integer(table, (int64_t)message->count);
		table_put_real(table, census_interval_ns(message) * 1e-6);
		table_end_row(table);
	}
	table_end(table);
}

static const struct table_column signal_columns[] = {
	{"signal", TABLE_TEXT, QUANTITY_NONE, 0},
	{"instance", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"source", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"pgn", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"numbers", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"not_available", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"errors", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"reserved", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"implausible", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"low", TABLE_REAL, QUANTITY_NONE, 3},
	{"last", TABLE_REAL, QUANTITY_NONE, 3},
	{"high", TABLE_REAL, QUANTITY_NONE, 3},
	{"unit", TABLE_TEXT, QUANTITY_NONE, 0},
};

static int compare_signals(const void *a, const void *b)
{
	const struct census_signal *first = a, *second = b;

	if (first->signal != second->signal) {
		return first->signal < second->signal ? -1 : 1;
	}
	if (first->instance != second->instance) {
		return first->instance < second->instance ? -1 : 1;
	}
	return (first->bus << 8 | first->source) - (second->bus << 8 | second->source);
}

static void put_signals(struct listening *l, struct table *table)
{
	qsort(l->census.signals, l->census.signal_count, sizeof(l->census.signals[0]),
		compare_signals);
	table_begin(table, "signals", signal_columns, COUNT(signal_columns));
	for (size_t i = 0; i < l->census.signal_count; i++) {
		const struct census_signal *s = &l->census.signals[i];
		const struct signal *signal = signal_get((enum signal_id)s->signal);
		bool has_numbers = s->counts[READING_VALID] > 0;
		table_put_text(table, signal->name);
		table_put_integer(table, s->instance);
		table_put_text(table, l->buses.names[s->bus]);
		table_put_integer(table, s->source);
		table_put_integer(table, message_row_get(s->message)->pgn);
		for (unsigned state = READING_VALID; state <= READING_IMPLAUSIBLE; state++) {
			table_put_integer(table, (int64_t)s->counts[state]);
		}
		table_put_real(table, has_numbers ? s->low : NAN);
		table_put_real(table, has_numbers ? s->last : NAN);
		table_put_real(table, has_numbers ? s->high : NAN);
		table_put_text(table, signal->unit[0] == '\0' ? NULL : signal->unit);
		table_end_row(table);
	}
	table_end(table);
}

static const struct table_column code_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"source", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"spn", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"fmi", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"standing", TABLE_TEXT, QUANTITY_NONE, 0},
	{"occurrences", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"lists", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"says", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void put_codes(const struct listening *l, struct table *table)
{
	if (l->census.code_count == 0 && l->line->format == TABLE_PEOPLE) {
		return;
	}
	table_begin(table, "trouble_codes", code_columns, COUNT(code_columns));
	for (size_t i = 0; i < l->census.code_count; i++) {
		const struct census_code *code = &l->census.codes[i];
		char says[160];
		(void)fault_text_describe(
			code->spn, code->fmi, code->conversion, says, sizeof(says));
		table_put_integer(table, code->engine);
		table_put_text(table, l->buses.names[code->bus]);
		table_put_integer(table, code->source);
		table_put_integer(table, code->spn);
		table_put_integer(table, code->fmi);
		table_put_text(table, code->active ? "active" : "past");
		if (code->occurrences == FAULT_CODE_COUNT_UNKNOWN) {
			table_put_unknown(table);
		} else {
			table_put_integer(table, code->occurrences);
		}
		table_put_integer(table, (int64_t)code->lists);
		table_put_text(table, says);
		table_end_row(table);
	}
	table_end(table);
}

static bool heard(const void *context, enum signal_id signal, int instance)
{
	return bus_census_heard(context, signal, instance);
}

static const struct table_column counter_columns[] = {
	{"counter", TABLE_TEXT, QUANTITY_NONE, 0},
	{"count", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"meaning", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void put_counters(const struct listening *l, struct table *table)
{
	table_begin(table, "counters", counter_columns, COUNT(counter_columns));
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		if (l->census.decoder.counters[i] == 0 && l->line->format == TABLE_PEOPLE) {
			continue;
		}
		table_put_text(table, decoder_counter_name((enum decoder_counter)i));
		table_put_integer(table, (int64_t)l->census.decoder.counters[i]);
		table_put_text(table, decoder_counter_text((enum decoder_counter)i));
		table_end_row(table);
	}
	table_end(table);
}

static enum program_exit show(struct listening *l)
{
	struct table *table;
	enum program_exit status = command_open_output(l->line, &table);

	if (status != EXIT_DONE) {
		return status;
	}
	put_buses(l, table);
	put_sources(l, table);
	put_messages(l, table);
	put_signals(l, table);
	put_codes(l, table);
	put_counters(l, table);
	coverage_table_put(table, heard, &l->census);
	if (l->census.no_room > 0) {
		command_note(l->line, "more was heard than there is room to tell apart");
	}
	return command_close_output(l->line, table, l->failed ? EXIT_FAILED : EXIT_DONE);
}

static enum program_exit run_listen(const struct command_line *line)
{
	struct listening *l = calloc(1, sizeof(*l));
	enum program_exit status;

	if (l == NULL) {
		return command_failed(line, "no memory left");
	}
	l->line = line;
	bus_census_init(&l->census);
	if (line->argument_count == 0) {
		status = hear_live(l);
	} else {
		status = open_captures(l);
		if (status == EXIT_DONE) {
			hear_captures(l);
		}
	}
	if (status == EXIT_DONE) {
		status = show(l);
	}
	if (l->merge != NULL) {
		capture_merge_close(l->merge);
	} else {
		for (size_t i = 0; i < l->capture_count; i++) {
			capture_close(l->captures[i]);
		}
	}
	free(l);
	return status;
}

static const struct command_option listen_options[] = {
	{"--bus", "NAME", "a CAN interface; may be given several times (else the configuration's\n"
		"[bus NAME], else can0)"},
	{"--seconds", "N", "how long to listen to live buses; 15 where not given"},
	{NULL, NULL, NULL},
};

const struct command command_listen = {
	.name = "listen",
	.summary = "what a bus carries, and so what can be known",
	.arguments = "[CAPTURE…]",
	.arguments_least = 0,
	.arguments_most = CAPTURES_MAX,
	.help = "Tells of captures, or without one of the live bus, what it hears; it never sends, so it cannot ask.\n"
		"The buses and how full they are (at 250 kbit/s, without and with the most stuffed bits), who\n"
		"sends and what each says it is, every message with its interval, every signal with the numbers\n"
		"and the other states that it brought, trouble codes, active and past, and the coverage: which\n"
		"analyses this permits, what is missing, and what would supply it.\n\n"
		"  sightbowl listen --bus can0 --seconds 60\n"
		"  sightbowl listen june.log.gz\n"
		"  sightbowl listen --json june.log.gz",
	.takes = COMMAND_TAKES_FORMAT | COMMAND_TAKES_CONFIG,
	.options = listen_options,
	.run = run_listen,
};
