/* status_command.c: how things stand: the log, the engines, the elements, what needs an eye. */
#include <stdlib.h>
#include <sys/stat.h>

#include "daemon/commands.h"
#include "daemon/element_table.h"
#include "daemon/fact_tables.h"
#include "daemon/overview.h"
#include "daemon/query_table.h"
#include "daemon/range_table.h"
#include "daemon/trouble_code_table.h"
#include "daemon/verdict.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const struct table_column log_columns[] = {
	{"log", TABLE_TEXT, QUANTITY_NONE, 0},
	{"boat", TABLE_TEXT, QUANTITY_NONE, 0},
	{"first_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"last_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"clock", TABLE_TEXT, QUANTITY_NONE, 0},
	{"sessions", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"captures", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"trips", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"runs", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"standing_events", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"bytes", TABLE_INTEGER, QUANTITY_NONE, 0},
};

static bool query_row(sqlite3 *db, const char *sql, sqlite3_stmt **ret_statement)
{
	return sqlite3_prepare_v2(db, sql, -1, ret_statement, NULL) == SQLITE_OK &&
		sqlite3_step(*ret_statement) == SQLITE_ROW;
}

static void put_time_or_unknown(struct table *table, sqlite3_stmt *statement, int column)
{
	if (sqlite3_column_type(statement, column) == SQLITE_NULL) {
		table_put_unknown(table);
	} else {
		table_put_time(table, sqlite3_column_int64(statement, column));
	}
}

static enum program_exit put_log(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	sqlite3 *db = log_store_db(store);
	sqlite3_stmt *statement = NULL;
	struct stat file;
	enum program_exit status = EXIT_DONE;

	if (query_row(db, "SELECT (SELECT nullif(value, '') FROM meta WHERE key = 'boat'), "
		"min(start_utc_ns), max(end_utc_ns), (SELECT clock FROM session_list ORDER BY "
		"session DESC LIMIT 1), count(*), (SELECT count(*) FROM capture_list), "
		"(SELECT count(DISTINCT trip) FROM trip_list), (SELECT count(*) FROM run_list), "
		"(SELECT count(*) FROM event_list WHERE cleared_utc_ns IS NULL) FROM session_list",
		&statement)) {
		table_begin(table, "log", log_columns, COUNT(log_columns));
		table_put_text(table, line->log_path);
		table_put_text(table, (const char *)sqlite3_column_text(statement, 0));
		put_time_or_unknown(table, statement, 1);
		put_time_or_unknown(table, statement, 2);
		table_put_text(table, (const char *)sqlite3_column_text(statement, 3));
		for (int i = 4; i <= 8; i++) {
			table_put_integer(table, sqlite3_column_int64(statement, i));
		}
		if (stat(line->log_path, &file) == 0) {
			table_put_integer(table, (int64_t)file.st_size);
		}
		table_end_row(table);
		table_end(table);
	} else {
		status = command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
	}
	(void)sqlite3_finalize(statement); /* its failure was told */
	return status;
}

static const struct table_column engine_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"running", TABLE_FLAG, QUANTITY_NONE, 0},
	{"runs", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"idle_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_estimated_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_uncertainty_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"mean_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"last_run_utc", TABLE_TIME, QUANTITY_NONE, 0},
};

static enum program_exit put_engines(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "engines", engine_columns,
		COUNT(engine_columns),
		"SELECT engine, max(" OVERVIEW_RUNNING_SQL "), count(*), sum(engine_h), sum(idle_h), sum(fuel_l), "
		"sum(fuel_estimated_l), sum(fuel_uncertainty_l), sum(mean_lph * engine_h) / "
		"nullif(sum(CASE WHEN mean_lph IS NOT NULL THEN engine_h END), 0), max(end_utc_ns) "
		"FROM run_list WHERE ?3 IS NULL OR engine = ?3 GROUP BY engine");
}

static enum program_exit put_tables(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	int64_t clock_ns = overview_clock_ns();
	int64_t as_of_ns = 0;
	enum program_exit status = EXIT_DONE;

	if (line->format != TABLE_PEOPLE) {
		status = verdict_table_put(line, table, store);
	}
	if (status == EXIT_DONE) {
		status = put_log(line, table, store);
	}
	if (status == EXIT_DONE) {
		status = put_engines(line, table, store);
	}
	if (status == EXIT_DONE) {
		status = trouble_code_table_put(line, table, store);
	}
	if (status == EXIT_DONE) {
		status = element_table_put(line, table, store, &line->settings.boat,
			overview_judged_ns(&line->settings, store, clock_ns));
	}
	if (status == EXIT_DONE) {
		bool dated = overview_as_of(store, clock_ns, &as_of_ns);
		status = range_table_put(line, table, store, dated, as_of_ns);
	}
	return status == EXIT_DONE ? fact_table_standing_events(line, table, store) : status;
}

/* The verdict in words, before the tables. */
static enum program_exit say_verdict(const struct command_line *line, struct log_store *store)
{
	struct verdict *verdict;
	enum program_exit status = verdict_of_log(line, store, &verdict);

	if (status == EXIT_DONE) {
		verdict_print(verdict, stdout);
		free(verdict);
	}
	return status;
}

static enum program_exit run_status(const struct command_line *line)
{
	struct log_store *store = NULL;
	struct table *table;
	enum program_exit status = command_open_log(line, &store);

	if (status != EXIT_DONE) {
		return status;
	}
	if (line->format == TABLE_PEOPLE) {
		status = say_verdict(line, store);
	}
	if (status == EXIT_DONE) {
		status = command_read(line, store);
	}
	if (status == EXIT_DONE) {
		status = command_open_output(line, &table);
	}
	if (status == EXIT_DONE) {
		status = command_close_output(line, table, put_tables(line, table, store));
	}
	log_store_close(store);
	return status;
}

const struct command command_status = {
	.name = "status",
	.summary = "is the fuel system all right, and why: evidence, log, elements, tanks, events",
	.arguments = "",
	.help = "Says whether the fuel system is all right and why we think so: what stands, each filter against\n"
		"its limit, water, tanks, engines, what falls due next, and what nothing measures; with the basis\n"
		"and since when. Then the tables behind it: what the log holds, the engines' totals, trouble codes,\n"
		"the elements (as of now in a log that was written live, else as of the log's end), the tanks and\n"
		"how far they go, and the events that still stand.\n\n"
		"  sightbowl status --db boat.db --config boat.conf\n"
		"  sightbowl status --db boat.db --json",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_ENGINE,
	.run = run_status,
};
