#include "daemon/temperature_table.h"

#include <math.h>
#include <stdio.h>

#include "analysis/engine_watch.h"
#include "daemon/log_series.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static const struct table_column temperature_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"part", TABLE_TEXT, QUANTITY_NONE, 0},
	{"signal", TABLE_TEXT, QUANTITY_NONE, 0},
	{"value_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"limit_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"may_limit", TABLE_FLAG, QUANTITY_NONE, 0},
};

struct last_minute {
	bool has_speed; /* the log has the engine's speed */
	double value_c;
};

/* The latest minute in which the engine turned. */
static bool on_minute(void *context, const struct series_value *values)
{
	struct last_minute *last = context;

	if (values[0].count > 0 && (!last->has_speed || (values[1].count > 0 && values[1].mean > 0))) {
		last->value_c = values[0].mean;
	}
	return isnan(last->value_c);
}

/* NaN where nothing dated was heard in the engine's last run. */
static double last_value(struct log_store *store, const char *signal, unsigned engine, int64_t run_ns,
	bool has_speed)
{
	struct last_minute last = {.has_speed = has_speed, .value_c = NAN};
	struct series_question question = {
		.since_ns = run_ns, .until_ns = INT64_MAX, .points = 2, .signal_count = 2};

	(void)snprintf(question.signals[0].name, sizeof(question.signals[0].name), "%s", signal);
	(void)snprintf(question.signals[1].name, sizeof(question.signals[1].name), "%s",
		signal_get(SIGNAL_ENGINE_SPEED)->name);
	question.signals[0].instance = question.signals[1].instance = engine;
	(void)log_store_note_error(store, log_series_latest_minutes(store, &question, on_minute, &last));
	return last.value_c;
}

enum program_exit temperature_table_put(
	const struct command_line *line, struct table *table, struct log_store *store)
{
	sqlite3_stmt *heard = NULL;
	int rc = sqlite3_prepare_v2(log_store_db(store),
		"SELECT s.instance, (SELECT max(start_utc_ns) FROM run_list WHERE engine = s.instance), "
		"EXISTS(SELECT 1 FROM slots AS e WHERE e.signal = 'engine_speed_rpm' AND "
		"e.instance = s.instance) FROM slots AS s WHERE s.signal = ?1 AND (?2 < 0 OR "
		"s.instance = ?2) ORDER BY s.instance",
		-1, &heard, NULL);

	table_begin(table, "temperatures", temperature_columns, COUNT(temperature_columns));
	for (int i = 0; i < WATCHED_TEMPERATURES && rc == SQLITE_OK; i++) {
		struct watched_reading watched =
			engine_watch_reading(&line->settings.boat, (enum watched_temperature)i);
		const char *signal = signal_get(watched.signal)->name;
		(void)sqlite3_bind_text(heard, 1, signal, -1, SQLITE_STATIC);
		(void)sqlite3_bind_int(heard, 2, line->engine);
		while ((rc = sqlite3_step(heard)) == SQLITE_ROW) {
			unsigned engine = (unsigned)sqlite3_column_int(heard, 0);
			bool ran = sqlite3_column_type(heard, 1) != SQLITE_NULL;
			table_put_integer(table, engine);
			table_put_text(table, watched.name);
			table_put_text(table, signal);
			table_put_real(table, ran ? last_value(store, signal, engine,
				sqlite3_column_int64(heard, 1), sqlite3_column_int(heard, 2) != 0) : NAN);
			table_put_real(table, watched.limit_c);
			table_put_flag(table, watched.may_limit);
			table_end_row(table);
		}
		rc = rc == SQLITE_DONE ? sqlite3_reset(heard) : rc;
	}
	table_end(table);
	(void)sqlite3_finalize(heard); /* a failure is told below */
	return rc == SQLITE_OK ? EXIT_DONE
			       : command_failed(line, "cannot read the log: %s",
					 sqlite3_errmsg(log_store_db(store)));
}
