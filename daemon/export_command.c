/* export_command.c: everything in the log, for other programs. */
#include <string.h>

#include "daemon/commands.h"
#include "daemon/element_table.h"
#include "daemon/fact_tables.h"
#include "daemon/query_table.h"
#include "decoders/signal.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const struct table_column reading_columns[] = {
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"signal", TABLE_TEXT, QUANTITY_NONE, 0},
	{"instance", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"unit", TABLE_TEXT, QUANTITY_NONE, 0},
	{"count", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"mean", TABLE_REAL, QUANTITY_NONE, 3},
	{"low", TABLE_REAL, QUANTITY_NONE, 3},
	{"high", TABLE_REAL, QUANTITY_NONE, 3},
};

/* Session by session, by time, so that only the rows of the range are touched. seconds: of a row. */
#define READINGS(view, seconds)                                                                    \
	"SELECT r.utc_ns, r.signal, r.instance, r.unit, r.count, r.mean, r.low, r.high "           \
	"FROM (SELECT session, first_ns / 1000000000 AS first_s, last_ns / 1000000000 AS last_s, " \
	"utc_offset_ns / 1000000000 AS offset_s FROM session_list ORDER BY first_ns LIMIT -1) AS e "\
	"CROSS JOIN " view " AS r WHERE r.session = e.session "                                    \
	"AND r.start_s BETWEEN max(e.first_s - " seconds ", coalesce(?1 / 1000000000 - e.offset_s " \
	"- " seconds ", e.first_s - " seconds ")) AND min(e.last_s + " seconds                     \
	", coalesce(?2 / 1000000000 - e.offset_s + " seconds ", e.last_s + " seconds ")) "         \
	"AND (?1 IS NULL OR r.utc_ns + " seconds " * 1000000000 > ?1) "                            \
	"AND (?2 IS NULL OR r.utc_ns < ?2) AND (?4 IS NULL OR r.signal = ?4)"

static enum program_exit put_windows(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "windows", reading_columns,
		COUNT(reading_columns), READINGS("readings_10s", "10"));
}

static enum program_exit put_minutes(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "minutes", reading_columns,
		COUNT(reading_columns), READINGS("readings_minute", "60"));
}

static enum program_exit put_days(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "days", reading_columns,
		COUNT(reading_columns),
		"SELECT utc_ns, signal, instance, unit, count, mean, low, high FROM readings_day "
		"WHERE (?1 IS NULL OR start_s > ?1 / 1000000000 - 86400) "
		"AND (?2 IS NULL OR start_s < ?2 / 1000000000) AND (?4 IS NULL OR signal = ?4)");
}

static const struct table_column session_columns[] = {
	{"session", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"end_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"length_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"clock", TABLE_TEXT, QUANTITY_NONE, 0},
};

static enum program_exit put_sessions(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "sessions", session_columns,
		COUNT(session_columns),
		"SELECT session, start_utc_ns, end_utc_ns, length_h, clock FROM session_list "
		"WHERE (?1 IS NULL OR end_utc_ns >= ?1) AND (?2 IS NULL OR start_utc_ns < ?2) "
		"ORDER BY start_utc_ns, session");
}

static const struct table_column capture_columns[] = {
	{"capture", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"name", TABLE_TEXT, QUANTITY_NONE, 0},
	{"frames", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"known", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"complete", TABLE_FLAG, QUANTITY_NONE, 0},
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"end_utc", TABLE_TIME, QUANTITY_NONE, 0},
};

static enum program_exit put_captures(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "captures", capture_columns,
		COUNT(capture_columns),
		"SELECT capture, name, frames, known, complete, start_utc_ns, end_utc_ns "
		"FROM capture_list WHERE (?1 IS NULL OR end_utc_ns >= ?1) "
		"AND (?2 IS NULL OR start_utc_ns < ?2) ORDER BY capture");
}

static const struct {
	const char *name;
	enum program_exit (*put)(const struct command_line *line, struct table *table,
		struct log_store *store);
	bool has_signal;
} exports[] = {
	{"windows", put_windows, true},
	{"minutes", put_minutes, true},
	{"days", put_days, true},
	{"runs", fact_table_runs, false},
	{"trips", fact_table_trips, false},
	{"events", fact_table_events, false},
	{"sessions", put_sessions, false},
	{"captures", put_captures, false},
};

static enum program_exit run_export(const struct command_line *line)
{
	struct command_line asked = *line;
	const char *signal = command_value(line, "--signal");
	struct log_store *store = NULL;
	struct table *table;
	enum signal_id id;
	enum program_exit status;
	size_t i = 0;

	while (i < COUNT(exports) && strcmp(exports[i].name, line->arguments[0]) != 0) {
		i++;
	}
	if (i == COUNT(exports)) {
		return command_misused(line, "there is no '%s' to export; expected windows, minutes, "
			"days, runs, trips, events, sessions or captures", line->arguments[0]);
	}
	if (signal != NULL && !exports[i].has_signal) {
		return command_misused(line, "--signal goes with windows, minutes and days only");
	}
	if (signal != NULL && !signal_find(signal, &id)) {
		return command_misused(line, "--signal: there is no signal '%s'", signal);
	}
	if (asked.format == TABLE_PEOPLE) {
		asked.format = TABLE_CSV;
	}
	status = command_open_log(line, &store);
	if (status != EXIT_DONE) {
		return status;
	}
	status = command_open_output(&asked, &table);
	if (status == EXIT_DONE) {
		status = command_close_output(&asked, table, exports[i].put(&asked, table, store));
	}
	log_store_close(store);
	return status;
}

static const struct command_option export_options[] = {
	{"--signal", "NAME", "of windows, minutes and days: this signal only"},
	{NULL, NULL, NULL},
};

const struct command command_export = {
	.name = "export",
	.summary = "readings and facts of a log, for other programs",
	.arguments = "WHAT",
	.arguments_least = 1,
	.arguments_most = 1,
	.help = "Writes as CSV (or JSON) what the log holds: windows (10 s), minutes or days of readings, each\n"
		"with how many values there were, their mean, least and greatest; or runs, trips, events,\n"
		"sessions, captures.\n\n"
		"  sightbowl export minutes --db boat.db --signal fuel_rate_lph --since 2026-06-01 > june.csv\n"
		"  sightbowl export runs --db boat.db --json",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_RANGE | COMMAND_TAKES_ENGINE,
	.options = export_options,
	.run = run_export,
};
