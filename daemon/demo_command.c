/* demo_command.c: an invented boat's season, written as a capture and replayed into a log. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "daemon/book_store.h"
#include "daemon/capture_replay.h"
#include "daemon/commands.h"
#include "daemon/demo_serve.h"
#include "daemon/element_table.h"
#include "daemon/fact_tables.h"
#include "daemon/report.h"
#include "daemon/utc_time.h"
#include "replay/scenario.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))
#define PATH_BYTES 512

struct demo {
	const struct command_line *line;
	struct scenario_options options;
	struct settings settings;
	char folder[PATH_BYTES];
	enum capture_writer_compression compression;
	char capture[PATH_BYTES + 32];
	char truth[PATH_BYTES + 32];
	char log[PATH_BYTES + 32];
	char config[PATH_BYTES + 32];
	char report[PATH_BYTES + 32];
	double speed; /* with --serve */
	struct log_store *store;
	struct capture_replay replay;
	size_t engine_count;
	double true_l[SCENARIO_ENGINES_MAX];
	double true_h[SCENARIO_ENGINES_MAX];
	struct book_entry book[128]; /* the skipper's service book */
	size_t book_count;
};

static bool whole_number(const char *text, unsigned long highest, unsigned long *ret_number)
{
	size_t digits = strspn(text, "0123456789");

	if (digits == 0 || digits > 9 || text[digits] != '\0') {
		return false;
	}
	*ret_number = strtoul(text, NULL, 10);
	return *ret_number <= highest;
}

/* The command line's wishes into the scenario's options. */
static enum program_exit choose_options(struct demo *demo)
{
	static const struct {
		const char *word;
		enum scenario_protocol protocol;
	} protocols[] = {{"nmea2000", SCENARIO_NMEA2000}, {"j1939", SCENARIO_J1939},
		{"both", SCENARIO_BOTH}};
	const struct command_line *line = demo->line;
	const char *seed = command_value(line, "--seed");
	const char *protocol = command_value(line, "--protocol");
	const char *loss = command_value(line, "--loss");
	const char *hours = command_value(line, "--hours");
	unsigned long number;
	char expected[128];

	scenario_options_init(&demo->options);
	if (seed != NULL) {
		if (!whole_number(seed, 999999999, &number)) {
			return command_misused(line, "--seed: expected a number, 0 to 999999999; got '%s'",
				seed);
		}
		demo->options.seed = number;
	}
	if (hours != NULL) {
		if (!whole_number(hours, 1000, &number) || number == 0) {
			return command_misused(line, "--hours: expected 1 to 1000; got '%s'", hours);
		}
		/* As many engine hours a day as the usual season has. */
		demo->options.days = 1 + (unsigned)((double)number *
			(double)demo->options.days / demo->options.engine_h);
		demo->options.engine_h = (double)number;
	}
	if (command_value(line, "--rough") != NULL) {
		scenario_options_rough(&demo->options);
	}
	if (loss != NULL) {
		double percent;
		if (units_parse(QUANTITY_NONE, loss, &percent, expected, sizeof(expected)) != 0 ||
			percent < 0 || percent > 50) {
			return command_misused(line, "--loss: expected 0 to 50; got '%s'", loss);
		}
		demo->options.disturb.loss = percent / 100;
	}
	if (protocol != NULL) {
		size_t i = 0;
		while (i < COUNT(protocols) && strcmp(protocols[i].word, protocol) != 0) {
			i++;
		}
		if (i == COUNT(protocols)) {
			return command_misused(line, "--protocol: expected nmea2000, j1939 or both; "
				"got '%s'", protocol);
		}
		demo->options.protocol = protocols[i].protocol;
		if (protocols[i].protocol == SCENARIO_J1939) {
			/* The filters' sensors report by this protocol's own messages. */
			for (size_t e = 0; e < SCENARIO_ENGINES_MAX; e++) {
				struct scenario_filter *filters = demo->options.engine[e].filters;
				filters[0].sensor = SENSOR_SPN1382;
				filters[0].sensor_kind = SENSES_DIFFERENTIAL;
				filters[1].sensor = SENSOR_SPN95;
				filters[1].sensor_kind = SENSES_DIFFERENTIAL;
			}
		}
	}
	static const char *const compressions[] = {
		[WRITE_PLAIN] = "none", [WRITE_GZIP] = "gzip", [WRITE_ZSTD] = "zstd"};
	const char *compression = command_value(line, "--compression");
	demo->compression = WRITE_ZSTD;
	if (compression != NULL) {
		size_t i = 0;
		while (i < COUNT(compressions) && strcmp(compressions[i], compression) != 0) {
			i++;
		}
		if (i == COUNT(compressions)) {
			return command_misused(line, "--compression: expected none, gzip or zstd; got "
				"'%s'", compression);
		}
		demo->compression = (enum capture_writer_compression)i;
	}
	const char *rates = command_value(line, "--rates");
	if (rates != NULL && strcmp(rates, "real") == 0) {
		demo->options.engine_ms = 20;
		demo->options.instrument_ms = 100;
	} else if (rates != NULL && strcmp(rates, "slow") != 0) {
		return command_misused(line, "--rates: expected slow or real; got '%s'", rates);
	}
	const char *wrong = scenario_options_check(&demo->options);
	if (wrong != NULL) {
		return command_misused(line, "no such season can be: %s", wrong);
	}
	return EXIT_DONE;
}

static enum program_exit choose_folder(struct demo *demo)
{
	const char *folder = command_value(demo->line, "--folder");

	if (folder != NULL) {
		if (strlen(folder) >= sizeof(demo->folder)) {
			return command_misused(demo->line, "--folder: the name is too long");
		}
		(void)snprintf(demo->folder, sizeof(demo->folder), "%s", folder);
		if (mkdir(folder, 0777) != 0 && errno != EEXIST) {
			return command_failed(demo->line, "cannot make folder '%s': %s", folder,
				strerror(errno));
		}
	} else {
		const char *parent = getenv("TMPDIR");
		(void)snprintf(demo->folder, sizeof(demo->folder), "%s/sightbowl-demo-XXXXXX",
			parent == NULL || *parent == '\0' || strlen(parent) > 400 ? "/tmp" : parent);
		if (mkdtemp(demo->folder) == NULL) {
			return command_failed(demo->line, "cannot make folder '%s': %s", demo->folder,
				strerror(errno));
		}
	}
	(void)snprintf(demo->capture, sizeof(demo->capture), "%s/season.log%s", demo->folder,
		demo->compression == WRITE_PLAIN ? "" : demo->compression == WRITE_GZIP ? ".gz" : ".zst");
	(void)snprintf(demo->truth, sizeof(demo->truth), "%s/truth.json", demo->folder);
	(void)snprintf(demo->log, sizeof(demo->log), "%s/boat.db", demo->folder);
	(void)snprintf(demo->config, sizeof(demo->config), "%s/boat.conf", demo->folder);
	(void)snprintf(demo->report, sizeof(demo->report), "%s/report.html", demo->folder);
	return EXIT_DONE;
}

static int write_truth(struct demo *demo, struct scenario *scenario)
{
	FILE *out = fopen(demo->truth, "we");
	int result;

	if (out == NULL) {
		return -errno;
	}
	result = scenario_truth_write(scenario, out);
	if (fclose(out) != 0 && result == 0) {
		result = -errno;
	}
	return result;
}

/* What the boat's skipper would allow an element. */
static void allow(struct boat *boat)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		boat->filters[i].change_h = 250;
		boat->filters[i].change_months = 12;
	}
}

static void write_filter(FILE *out, const struct boat_filter *filter)
{
	static const char *const sensors[] = {
		[SENSOR_NONE] = "none",
		[SENSOR_SPN95] = "spn95",
		[SENSOR_SPN1382] = "spn1382",
		[SENSOR_SPN1381] = "spn1381",
		[SENSOR_PRESSURE] = "pressure",
	};
	char fitted[UTC_TEXT_MAX];

	utc_format(filter->fitted_ns, fitted);
	(void)fprintf(out, "\n[filter %s]\nengine = %u\nstage = %s\nelement = %s\nmicron = %g\n"
		"rated_lph = %g\nsensor = %s", filter->name, filter->engine, filter->stage,
		filter->element, filter->micron, filter->rated_lph, sensors[filter->sensor]);
	if (filter->sensor == SENSOR_PRESSURE) {
		(void)fprintf(out, " %u", filter->pressure_instance);
	}
	(void)fprintf(out, "\nsensor_kind = %s\nlimit_kpa = %g\nreference_lph = %.6g\nchange_h = %g\n"
		"change_months = %g\nfitted = %s\n",
		filter->sensor_kind == SENSES_OUTLET_VACUUM ? "outlet-vacuum" : "differential",
		filter->limit_kpa, filter->reference_lph, filter->change_h, filter->change_months,
		fitted);
}

/* The configuration that the boat's skipper would have. */
static enum program_exit write_config(const struct demo *demo)
{
	const struct boat *boat = &demo->settings.boat;
	FILE *out = fopen(demo->config, "we");

	if (out == NULL) {
		return command_failed(demo->line, "cannot write '%s': %s", demo->config,
			strerror(errno));
	}
	(void)fprintf(out, "; An invented boat.\n[boat]\nname = %s\nfuel_density_kgl = %g\n\n[log]\n"
		"path = %s\n", boat->name, boat->fuel_density_kgl, demo->log);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		const struct boat_engine *engine = &boat->engines[i];
		if (engine->present) {
			(void)fprintf(out, "\n[engine %u]\nsupply = pump %g L/h at %g rpm\n", i,
				engine->pump_lph, engine->pump_rpm);
		}
	}
	for (size_t i = 0; i < boat->filter_count; i++) {
		write_filter(out, &boat->filters[i]);
	}
	(void)fprintf(out, "\n[tank 0]\ncapacity_l = %g\n", boat->tanks[0].capacity_l);
	/* Every write before it shows in the stream's state. */
	bool failed = ferror(out) != 0;
	if (fclose(out) != 0 || failed) {
		return command_failed(demo->line, "cannot write '%s'", demo->config);
	}
	return EXIT_DONE;
}

static int book_add(struct demo *demo, struct book_entry *entry)
{
	if (demo->book_count == COUNT(demo->book)) {
		return -ENOSPC;
	}
	entry->written_ns = entry->done_ns;
	demo->book[demo->book_count++] = *entry;
	return 0;
}

static void name_filter(const struct demo *demo, unsigned engine, unsigned place, char *name,
	size_t size)
{
	const struct boat *boat = &demo->settings.boat;

	for (size_t i = 0, seen = 0; i < boat->filter_count; i++) {
		if (boat->filters[i].engine == engine && seen++ == place) {
			(void)snprintf(name, size, "%s", boat->filters[i].name);
			return;
		}
	}
	name[0] = '\0';
}

/* The skipper's service book of the season: elements changed, bowls drained, fuel taken in. */
static int write_book(struct demo *demo, const struct scenario_truth *truth)
{
	struct book_entry entry;
	int result = 0;

	for (size_t i = 0; i < truth->element_count && result == 0; i++) {
		const struct scenario_element *element = &truth->elements[i];
		if (element->number == 1) {
			continue; /* fitted before the season: the configuration's */
		}
		service_book_entry_init(&entry, BOOK_CHANGE);
		name_filter(demo, element->engine, element->filter, entry.filter,
			sizeof(entry.filter));
		entry.fields |= BOOK_FILTER;
		entry.done_ns = element->fitted_ns;
		result = book_add(demo, &entry);
	}
	for (size_t i = 0; i < truth->water_count && result == 0; i++) {
		const struct scenario_water *water = &truth->waters[i];
		if (water->drained_ns == INT64_MAX) {
			continue;
		}
		service_book_entry_init(&entry, BOOK_DRAIN);
		name_filter(demo, water->engine, 0, entry.filter, sizeof(entry.filter));
		entry.fields |= BOOK_FILTER;
		entry.done_ns = water->drained_ns;
		result = book_add(demo, &entry);
	}
	for (size_t i = 0; i < truth->refuelling_count && result == 0; i++) {
		service_book_entry_init(&entry, BOOK_REFUEL);
		service_book_set_number(&entry, BOOK_LITRES, round(truth->refuellings[i].litres));
		entry.done_ns = truth->refuellings[i].end_ns;
		result = book_add(demo, &entry);
	}
	return result;
}

/* Writes the capture and its truth, and keeps what the engines really burned. */
static enum program_exit write_season(struct demo *demo)
{
	static struct frame frames[1024];
	struct scenario *scenario = NULL;
	struct capture_writer *writer = NULL;
	const struct scenario_truth *truth;
	int result = scenario_create(&scenario, &demo->options);
	size_t count;

	if (result == 0) {
		result = capture_writer_open(&writer, demo->capture, WRITE_CANDUMP,
			demo->compression, scenario_buses(scenario));
	}
	while (result == 0 && (count = scenario_next(scenario, frames, COUNT(frames))) > 0) {
		for (size_t i = 0; i < count && result == 0; i++) {
			result = capture_writer_put(writer, &frames[i]);
		}
	}
	int closed = capture_writer_close(writer);
	result = result == 0 ? closed : result;
	if (result == 0) {
		result = write_truth(demo, scenario);
	}
	if (result == 0) {
		truth = scenario_truth(scenario);
		demo->engine_count = demo->options.engines;
		for (size_t i = 0; i < demo->engine_count; i++) {
			demo->true_l[i] = truth->fuel_l[i];
			demo->true_h[i] = truth->engine_h[i];
		}
		result = write_book(demo, truth);
	}
	scenario_destroy(scenario);
	return result == 0 ? EXIT_DONE
			   : command_failed(demo->line, "cannot write the season into '%s': %s",
				     demo->folder, strerror(-result));
}

static enum program_exit replay_season(struct demo *demo)
{
	const char *paths[] = {demo->capture};
	struct capture_replay_options options = {
		.paths = paths,
		.count = 1,
		.settings = &demo->settings,
	};
	char error[1024];

	if (log_store_open(&demo->store, demo->log, error, sizeof(error)) != 0) {
		return command_failed(demo->line, "%s", error);
	}
	options.store = demo->store;
	if (demo->book_count > 0 && book_store_put(demo->store, demo->book, demo->book_count) != 0) {
		return command_failed(demo->line, "%s", log_store_error(demo->store));
	}
	if (capture_replay_run(&options, &demo->replay) != 0) {
		return command_failed(demo->line, "%s", demo->replay.error);
	}
	if (demo->replay.end != REPLAY_COMPLETE) {
		return command_failed(demo->line, "'%s': %s", demo->capture, demo->replay.error);
	}
	return EXIT_DONE;
}

static const struct table_column account_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"runs", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"true_engine_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_uncertainty_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"true_fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"error_pct", TABLE_REAL, QUANTITY_NONE, 3},
};

/* What the log says beside what the model knows. */
static enum program_exit put_account(struct demo *demo, struct table *table)
{
	sqlite3 *db = log_store_db(demo->store);
	sqlite3_stmt *statement;
	int rc = SQLITE_ROW;

	if (sqlite3_prepare_v2(db, "SELECT count(*), sum(engine_h), sum(fuel_l), "
		"sum(fuel_uncertainty_l) FROM run_list WHERE engine = ?1", -1, &statement,
		NULL) != SQLITE_OK) {
		return command_failed(demo->line, "cannot read the log: %s", sqlite3_errmsg(db));
	}
	table_begin(table, "account", account_columns, COUNT(account_columns));
	for (size_t i = 0; i < demo->engine_count && rc == SQLITE_ROW; i++) {
		(void)sqlite3_bind_int64(statement, 1, (int64_t)i);
		rc = sqlite3_step(statement); /* sums are always one row */
		if (rc == SQLITE_ROW) {
			double fuel_l = sqlite3_column_double(statement, 2);
			table_put_integer(table, (int64_t)i);
			table_put_integer(table, sqlite3_column_int64(statement, 0));
			table_put_real(table, sqlite3_column_double(statement, 1));
			table_put_real(table, demo->true_h[i]);
			table_put_real(table, fuel_l);
			table_put_real(table, sqlite3_column_double(statement, 3));
			table_put_real(table, demo->true_l[i]);
			table_put_real(table, demo->true_l[i] > 0
				? (fuel_l / demo->true_l[i] - 1) * 100 : NAN);
			table_end_row(table);
		}
		(void)sqlite3_reset(statement);
	}
	table_end(table);
	(void)sqlite3_finalize(statement); /* repeats rc */
	return rc == SQLITE_ROW ? EXIT_DONE
				: command_failed(demo->line, "cannot read the log: %s", sqlite3_errmsg(db));
}

static enum program_exit show_season(struct demo *demo)
{
	struct table *table;
	int64_t end_ns = 0;
	enum program_exit status = command_open_output(demo->line, &table);

	if (status != EXIT_DONE) {
		return status;
	}
	status = fact_table_trips(demo->line, table, demo->store);
	if (status == EXIT_DONE) {
		status = element_table_log_end(demo->line, demo->store, &end_ns);
	}
	if (status == EXIT_DONE) {
		status = element_table_put(demo->line, table, demo->store, &demo->settings.boat, end_ns);
	}
	if (status == EXIT_DONE) {
		status = fact_table_events(demo->line, table, demo->store);
	}
	if (status == EXIT_DONE) {
		status = put_account(demo, table);
	}
	return command_close_output(demo->line, table, status);
}

/* The season's report, of the invented boat's settings. */
static enum program_exit write_report(struct demo *demo, struct log_store *store)
{
	const struct report_scope scope = {.invented = true};
	struct command_line *line = malloc(sizeof(*line));
	enum program_exit status;

	if (line == NULL) {
		return command_failed(demo->line, "no memory left");
	}
	*line = *demo->line;
	line->settings = demo->settings;
	line->log_path = demo->log;
	status = report_write_file(line, store, &scope, demo->report);
	free(line);
	return status;
}

static void on_season_over(void *context, struct log_store *store)
{
	struct demo *demo = context;

	if (write_report(demo, store) == EXIT_DONE) {
		(void)printf("The season is over; its report is %s\n", demo->report);
		(void)fflush(stdout); /* somebody may be waiting for it */
	}
}

static enum program_exit choose_serving(struct demo *demo)
{
	const char *speed = command_value(demo->line, "--speed");
	const char *port = command_value(demo->line, "--port");
	unsigned long number = 1500;

	if (speed != NULL && (!whole_number(speed, 100000, &number) || number == 0)) {
		return command_misused(demo->line, "--speed: expected 1 to 100000; got '%s'", speed);
	}
	demo->speed = (double)number;
	if (port != NULL) {
		if (!whole_number(port, 65535, &number)) {
			return command_misused(demo->line, "--port: expected 0 to 65535; got '%s'", port);
		}
		demo->settings.web.port = (unsigned)number;
	}
	return EXIT_DONE;
}

static enum program_exit serve_season(struct demo *demo)
{
	const struct demo_serve wanted = {
		.line = demo->line,
		.options = &demo->options,
		.settings = &demo->settings,
		.log = demo->log,
		.speed = demo->speed,
		.on_over = on_season_over,
		.context = demo,
	};

	demo->settings.played = true;
	return demo_serve_run(&wanted);
}

static void say_where(const struct demo *demo)
{
	const char *program = demo->line->program;

	(void)printf("\n%llu frames in %.1f s (%.1f million/s). The boat and its season are invented; "
		     "the account table\ncompares the log with what the model knows.\n\n"
		     "Kept in %s: the capture, the log, the boat's\nconfiguration, and truth.json, what "
		     "really happened.\nThe season's report, for a browser or a printer: %s\n\nLook further:\n\n"
		     "  %s status --config %s\n"
		     "  %s runs --config %s --units us\n"
		     "  %s page --config %s\n"
		     "  %s listen %s\n"
		     "  %s replay --db %s %s\n"
		     "      (refused: it is in there already)\n",
		(unsigned long long)demo->replay.frames, demo->replay.seconds,
		(double)demo->replay.frames / demo->replay.seconds / 1e6, demo->folder,
		demo->report, program, demo->config, program, demo->config, program, demo->config, program, demo->capture, program, demo->log,
		demo->capture);
}

static enum program_exit run_demo(const struct command_line *line)
{
	struct demo *demo = calloc(1, sizeof(*demo));
	enum program_exit status;

	if (demo == NULL) {
		return command_failed(line, "no memory left");
	}
	demo->line = line;
	demo->settings = line->settings;
	status = choose_options(demo);
	if (status == EXIT_DONE) {
		status = choose_serving(demo);
	}
	if (status == EXIT_DONE) {
		status = choose_folder(demo);
	}
	if (status == EXIT_DONE && command_value(line, "--serve") != NULL) {
		scenario_boat(&demo->options, &demo->settings.boat);
		allow(&demo->settings.boat);
		status = write_config(demo);
		if (status == EXIT_DONE) {
			status = serve_season(demo);
		}
		free(demo);
		return status;
	}
	if (status == EXIT_DONE) {
		scenario_boat(&demo->options, &demo->settings.boat);
		allow(&demo->settings.boat);
		if (line->format == TABLE_PEOPLE) {
			(void)printf("An invented season: %.0f engine hours in %u days …\n\n",
				demo->options.engine_h, demo->options.days);
			(void)fflush(stdout);
		}
		status = write_config(demo);
		if (status == EXIT_DONE) {
			status = write_season(demo);
		}
	}
	if (status == EXIT_DONE && command_value(line, "--write-only") == NULL) {
		status = replay_season(demo);
		if (status == EXIT_DONE) {
			status = show_season(demo);
		}
		if (status == EXIT_DONE) {
			status = write_report(demo, demo->store);
		}
		if (status == EXIT_DONE && line->format == TABLE_PEOPLE) {
			say_where(demo);
		}
	}
	log_store_close(demo->store);
	free(demo);
	return status;
}

static const struct command_option demo_options[] = {
	{"--folder", "FOLDER", "where its files go (else a new folder for temporary files)"},
	{"--hours", "N", "engine hours of the season"},
	{"--seed", "N", "another season, another number"},
	{"--protocol", "WORD", "what the bus carries: nmea2000, j1939, both"},
	{"--rates", "WORD", "of the messages: slow (a small capture), or real, as senders have them"},
	{"--loss", "PERCENT", "share of frames that the recorder misses"},
	{"--rough", NULL, "all that goes wrong on real buses at once: loss, senders, clock, power …"},
	{"--compression", "WORD", "of the capture: none, gzip, zstd"},
	{"--serve", NULL, "play the season on the page instead, faster than life"},
	{"--speed", "N", "how many times faster (else 1500); silence is skipped"},
	{"--port", "N", "of the page; 0 takes any free one"},
	{"--write-only", NULL, "write the capture and its truth, replay nothing"},
	{NULL, NULL, NULL},
};

const struct command command_demo = {
	.name = "demo",
	.summary = "an invented season, replayed, with its account",
	.arguments = "",
	.help = "Invents a season of an invented boat, writes it as a capture together with the truth that only\n"
		"the model knows, replays it into a log, shows what the log says of it, and writes its report.\n"
		"With --serve the season plays on the boat's page instead.\n\n"
		"  sightbowl demo\n"
		"  sightbowl demo --protocol j1939 --loss 5 --seed 7\n"
		"  sightbowl demo --rough\n"
		"  sightbowl demo --serve\n"
		"  sightbowl demo --folder season --write-only",
	.takes = COMMAND_TAKES_FORMAT,
	.options = demo_options,
	.run = run_demo,
};
