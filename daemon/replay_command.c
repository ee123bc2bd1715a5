/* replay_command.c: captures into a log, or through a log in memory that is forgotten. */
#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/capture_replay.h"
#include "daemon/commands.h"
#include "daemon/fact_tables.h"
#include "daemon/query_table.h"
#include "daemon/utc_time.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static volatile sig_atomic_t stop_wanted;

static void on_signal(int number)
{
	(void)number;
	stop_wanted = 1;
}

/* A second signal ends the program at once, as signals do. */
static void stop_on_signals(void)
{
	struct sigaction action;

	memset(&action, 0, sizeof(action));
	action.sa_handler = on_signal;
	action.sa_flags = (int)SA_RESETHAND;
	(void)sigaction(SIGINT, &action, NULL); /* cannot fail with these numbers */
	(void)sigaction(SIGTERM, &action, NULL);
}

static const struct table_column capture_columns[] = {
	{"capture", TABLE_TEXT, QUANTITY_NONE, 0},
	{"format", TABLE_TEXT, QUANTITY_NONE, 0},
	{"compression", TABLE_TEXT, QUANTITY_NONE, 0},
	{"date", TABLE_TEXT, QUANTITY_NONE, 0},
	{"damaged", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"first_damage", TABLE_TEXT, QUANTITY_NONE, 0},
	{"cut", TABLE_FLAG, QUANTITY_NONE, 0},
	{"dropped", TABLE_INTEGER, QUANTITY_NONE, 0},
};

static const char *clock_name(enum capture_clock clock)
{
	switch (clock) {
	case CAPTURE_CLOCK_ABSOLUTE:
		return "recorded";
	case CAPTURE_CLOCK_STARTED:
		return "told";
	case CAPTURE_CLOCK_UNKNOWN:
		break;
	}
	return "unknown";
}

static void put_captures(struct table *table, const struct capture_replay *replay)
{
	table_begin(table, "captures", capture_columns, COUNT(capture_columns));
	for (size_t i = 0; i < replay->file_count; i++) {
		const struct replayed_file *file = &replay->files[i];
		char place[192];
		table_put_text(table, file->path);
		table_put_text(table, file->format);
		table_put_text(table, file->compression[0] == '\0' ? "none" : file->compression);
		table_put_text(table, clock_name(file->clock));
		table_put_integer(table, (int64_t)file->damage.count);
		if (file->damage.count == 0) {
			table_put_unknown(table);
		} else {
			if (file->damage.first_line > 0) {
				(void)snprintf(place, sizeof(place), "line %" PRIu64 ": %s",
					file->damage.first_line, file->damage.first_reason);
			} else {
				(void)snprintf(place, sizeof(place), "byte %" PRIu64 ": %s",
					file->damage.first_byte, file->damage.first_reason);
			}
			table_put_text(table, place);
		}
		table_put_flag(table, file->damage.cut);
		table_put_integer(table, (int64_t)file->dropped);
		table_end_row(table);
	}
	table_end(table);
}

static const struct table_column replay_columns[] = {
	{"frames", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"known", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"resumed_at", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"first_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"last_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"length_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"complete", TABLE_FLAG, QUANTITY_NONE, 0},
	{"seconds", TABLE_REAL, QUANTITY_NONE, 2},
	{"frames_per_s", TABLE_REAL, QUANTITY_NONE, 0},
};

static void put_replay(struct table *table, const struct capture_replay *replay)
{
	int64_t length_ns = replay->raw_last_ns - replay->raw_first_ns;
	uint64_t read = replay->frames - replay->resumed_at;

	table_begin(table, "replay", replay_columns, COUNT(replay_columns));
	table_put_integer(table, (int64_t)replay->frames);
	table_put_integer(table, (int64_t)replay->known);
	table_put_integer(table, (int64_t)replay->resumed_at);
	if (replay->undated) {
		table_put_unknown(table);
		table_put_unknown(table);
	} else {
		table_put_time(table, replay->raw_first_ns);
		table_put_time(table, replay->raw_last_ns);
	}
	table_put_real(table, (double)length_ns / 3.6e12);
	table_put_flag(table, replay->end == REPLAY_COMPLETE);
	table_put_real(table, replay->seconds);
	table_put_real(table, replay->seconds > 0 ? (double)read / replay->seconds : 0);
	table_end_row(table);
	table_end(table);
}

static const struct table_column engine_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"runs", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 3},
	{"idle_h", TABLE_REAL, QUANTITY_HOURS, 3},
	{"unobserved_h", TABLE_REAL, QUANTITY_HOURS, 3},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 3},
	{"fuel_estimated_l", TABLE_REAL, QUANTITY_VOLUME, 3},
	{"fuel_uncertainty_l", TABLE_REAL, QUANTITY_VOLUME, 3},
	{"fuel_unknown_h", TABLE_REAL, QUANTITY_HOURS, 3},
	{"mean_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"max_lph", TABLE_REAL, QUANTITY_FLOW, 2},
};

/* Sums over the runs that this replay told of. */
static enum program_exit put_engines(const struct command_line *line, struct table *table,
	struct log_store *store, const struct capture_replay *replay)
{
	char sql[768];

	(void)snprintf(sql, sizeof(sql),
		"SELECT engine, count(*), sum(engine_h), sum(idle_h), sum(unobserved_h), sum(fuel_l), "
		"sum(fuel_estimated_l), sum(fuel_uncertainty_l), sum(fuel_unknown_h), "
		"sum(mean_lph * engine_h) / nullif(sum(CASE WHEN mean_lph IS NOT NULL THEN engine_h "
		"END), 0), max(max_lph) FROM run_list WHERE run >= %" PRId64
		" AND (?3 IS NULL OR engine = ?3) GROUP BY engine",
		replay->first_run == 0 ? INT64_MAX : replay->first_run);
	return query_table(line, table, log_store_db(store), "engines", engine_columns,
		COUNT(engine_columns), sql);
}

static const struct table_column counter_columns[] = {
	{"counter", TABLE_TEXT, QUANTITY_NONE, 0},
	{"count", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"meaning", TABLE_TEXT, QUANTITY_NONE, 0},
};

/* People need not read what did not occur. */
static void put_counters(const struct command_line *line, struct table *table,
	const struct capture_replay *replay)
{
	table_begin(table, "counters", counter_columns, COUNT(counter_columns));
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		if (replay->counters[i] == 0 && line->format == TABLE_PEOPLE) {
			continue;
		}
		table_put_text(table, decoder_counter_name((enum decoder_counter)i));
		table_put_integer(table, (int64_t)replay->counters[i]);
		table_put_text(table, decoder_counter_text((enum decoder_counter)i));
		table_end_row(table);
	}
	table_end(table);
}

/* What one wants to see after a replay; of a log that is forgotten, all that it held. */
static enum program_exit show_summary(const struct command_line *line, struct log_store *store,
	const struct capture_replay *replay, bool forgotten)
{
	struct table *table;
	enum program_exit status = command_open_output(line, &table);

	if (status != EXIT_DONE) {
		return status;
	}
	if (forgotten) {
		status = fact_table_trips(line, table, store);
		if (status == EXIT_DONE) {
			status = fact_table_runs(line, table, store);
		}
		if (status == EXIT_DONE) {
			status = fact_table_events(line, table, store);
		}
	}
	if (status == EXIT_DONE) {
		status = put_engines(line, table, store, replay);
	}
	if (status == EXIT_DONE) {
		put_captures(table, replay);
		put_replay(table, replay);
		put_counters(line, table, replay);
	}
	return command_close_output(line, table, status);
}

/* Whether anything in the log has no date: the bus itself may have brought one. */
static bool has_undated(struct log_store *store)
{
	sqlite3_stmt *statement;
	bool found = sqlite3_prepare_v2(log_store_db(store), "SELECT 1 FROM session_list WHERE clock = "
		"'undated' LIMIT 1", -1, &statement, NULL) == SQLITE_OK &&
		sqlite3_step(statement) == SQLITE_ROW;

	(void)sqlite3_finalize(statement); /* a log that cannot be read is told of soon enough */
	return found;
}

static void say_what_was_noticed(const struct command_line *line, struct log_store *store,
	const struct capture_replay *replay)
{
	if (replay->rebuilt) {
		command_note(line, "%s", replay->error);
	}
	if (replay->undated && replay->file_count > 0 && has_undated(store)) {
		command_note(line, "'%s' carries no date: its times are unknown; --start TIME "
			"tells when it began", replay->files[0].path);
	}
	if (replay->copies > 0) {
		command_note(line, "%" PRIu64 " frames stand in more than one of the captures; each "
			"counts once", replay->copies);
	}
	for (size_t i = 0; i < replay->file_count; i++) {
		const struct replayed_file *file = &replay->files[i];
		if (file->damage.count > 0) {
			command_note(line, "'%s': %" PRIu64 " damaged %s skipped, %sat %s %" PRIu64
				": %s%s", file->path, file->damage.count,
				file->damage.count == 1 ? "place was" : "places were",
				file->damage.count == 1 ? "" : "the first ",
				file->damage.first_line > 0 ? "line" : "byte",
				file->damage.first_line > 0 ? file->damage.first_line
							    : file->damage.first_byte,
				file->damage.first_reason,
				file->damage.cut ? "; the file's end is missing or cannot be read" : "");
		} else if (file->damage.cut) {
			command_note(line, "'%s' ends in the middle of a frame; all before it was "
				"read", file->path);
		}
	}
}

static enum program_exit finish(const struct command_line *line, struct log_store *store,
	const struct capture_replay *replay, bool forgotten)
{
	enum program_exit status;

	if (replay->end == REPLAY_SAME || replay->end == REPLAY_NOTHING_NEW) {
		return command_failed(line, "'%s': %s", line->arguments[0], replay->error);
	}
	say_what_was_noticed(line, store, replay);
	status = show_summary(line, store, replay, forgotten);
	if (status != EXIT_DONE) {
		return status;
	}
	if (replay->end == REPLAY_STOPPED) {
		return command_failed(line, forgotten
			? "stopped after %" PRIu64 " frames"
			: "stopped after %" PRIu64 " frames, which are logged; the same command goes on "
			  "from there", replay->frames);
	}
	if (replay->end == REPLAY_READ_FAILED) {
		return command_failed(line, "%s", replay->error);
	}
	return EXIT_DONE;
}

static enum program_exit run_replay(const struct command_line *line)
{
	struct settings settings = line->settings;
	struct capture_replay_options options = {
		.paths = line->arguments,
		.count = line->argument_count,
		.settings = &settings,
		.stop = &stop_wanted,
	};
	const char *start = command_value(line, "--start");
	const char *commit = command_value(line, "--commit");
	bool forgotten = line->log_path == NULL;
	struct capture_replay *replay;
	enum program_exit status;
	char error[1024];

	if (start != NULL) {
		options.has_start = utc_parse(start, &options.start_ns);
		if (!options.has_start) {
			return command_misused(line, "--start: '%s' is no time; expected 2026-06-01 or "
				"2026-06-01T08:30Z", start);
		}
	}
	if (commit != NULL) {
		double seconds;
		if (units_parse(QUANTITY_NONE, commit, &seconds, error, sizeof(error)) != 0 ||
			seconds < 0.001 || seconds > 3600) {
			return command_misused(line, "--commit: expected seconds, 0.001 to 3600; got '%s'",
				commit);
		}
		options.commit_ns = (int64_t)(seconds * 1e9);
	}
	if (log_store_open(&options.store, forgotten ? LOG_IN_MEMORY : line->log_path, error,
		    sizeof(error)) != 0) {
		return command_failed(line, "%s", error);
	}
	replay = malloc(sizeof(*replay));
	if (replay == NULL) {
		log_store_close(options.store);
		return command_failed(line, "no memory left");
	}
	stop_on_signals();
	if (capture_replay_run(&options, replay) != 0) {
		status = command_failed(line, "%s", replay->error);
	} else {
		status = finish(line, options.store, replay, forgotten);
	}
	log_store_close(options.store);
	free(replay);
	return status;
}

static const struct command_option replay_options[] = {
	{"--start", "TIME", "when a capture without a date began"},
	{"--commit", "SECONDS", "make what was read durable this often (else each second)"},
	{NULL, NULL, NULL},
};

const struct command command_replay = {
	.name = "replay",
	.summary = "captures of a bus into a log, or just their account",
	.arguments = "CAPTURE…",
	.arguments_least = 1,
	.arguments_most = REPLAY_CAPTURES_MAX,
	.help = "Reads captures (candump's log or screen text, pcap, pcapng; plain, gzip or zstd; - is standard\n"
		"input), several in time order, and accounts for what the engines burned. With --db the result\n"
		"goes into that log, where a capture counts once: the same again is refused, one that was\n"
		"interrupted or has grown goes on where it stood, and of one that overlaps what is logged only\n"
		"what is new is added. Without --db nothing is kept.\n\n"
		"  sightbowl replay june.log.gz\n"
		"  sightbowl replay --db boat.db june.log.gz july.pcapng\n"
		"  sightbowl replay --start 2026-06-01T08:30Z screen.txt\n"
		"  zcat old.log.gz | sightbowl replay --json -",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_ENGINE,
	.options = replay_options,
	.run = run_replay,
};
