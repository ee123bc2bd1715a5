#include "daemon/temperature_table.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analysis/engine_watch.h"
#include "analysis/pipeline.h"
#include "daemon/log_lane.h"
#include "daemon/log_series.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static const struct table_column temperature_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"part", TABLE_TEXT, QUANTITY_NONE, 0},
	{"signal", TABLE_TEXT, QUANTITY_NONE, 0},
	{"value_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"usual_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"limit_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"may_limit", TABLE_FLAG, QUANTITY_NONE, 0},
};

enum { OF_VALUE, OF_SPEED, OF_LOAD, OF_SEA, SIGNALS };

struct last_minute {
	bool has_speed; /* the log has the engine's speed */
	double means[SIGNALS];
};

/* The latest minute in which the engine turned. */
static bool on_minute(void *context, const struct series_value *values)
{
	struct last_minute *last = context;

	if (values[OF_VALUE].count == 0 ||
		(last->has_speed && (values[OF_SPEED].count == 0 || !(values[OF_SPEED].mean > 0)))) {
		return true;
	}
	for (size_t i = 0; i < SIGNALS; i++) {
		last->means[i] = values[i].count > 0 ? values[i].mean : NAN;
	}
	return false;
}

/* All NaN where nothing dated was heard since run_ns, when the engine's last run began. */
static void read_last(struct log_store *store, enum signal_id signal, unsigned engine, int64_t run_ns,
	struct last_minute *last)
{
	const enum signal_id asked[SIGNALS] = {
		signal, SIGNAL_ENGINE_SPEED, SIGNAL_ENGINE_LOAD, SIGNAL_SEA_TEMPERATURE};
	struct series_question question = {
		.since_ns = run_ns, .until_ns = INT64_MAX, .points = 2, .signal_count = SIGNALS};

	for (size_t i = 0; i < SIGNALS; i++) {
		(void)snprintf(question.signals[i].name, sizeof(question.signals[i].name), "%s",
			signal_get(asked[i])->name);
		question.signals[i].instance = asked[i] == SIGNAL_SEA_TEMPERATURE ? 0 : engine;
	}
	(void)log_store_note_error(store, log_series_latest_minutes(store, &question, on_minute, last));
}

/* What the analysis has learned, from the log's checkpoint; NULL where there is none that is understood: then
 * nothing is known to be usual. The caller frees it. */
static struct pipeline *learned(const struct command_line *line, struct log_store *store)
{
	const struct fact_sink nobody = {0};
	struct pipeline *p = malloc(pipeline_size());
	struct log_checkpoint checkpoint;
	struct state_reader reader;
	uint8_t *state = NULL;
	bool known = false;

	if (p != NULL && log_store_checkpoint(store, LANE_MAIN, &checkpoint, &state) == 0) {
		pipeline_init(p, &line->settings.boat, &nobody);
		state_reader_init(&reader, state, checkpoint.size);
		known = pipeline_load(p, &reader) == 0;
	}
	free(state);
	if (!known) {
		free(p);
		return NULL;
	}
	return p;
}

static void put_row(struct table *table, struct log_store *store, const struct pipeline *p,
	enum watched_temperature which, const struct watched_reading *watched, sqlite3_stmt *heard)
{
	struct last_minute last = {.has_speed = sqlite3_column_int(heard, 2) != 0,
		.means = {NAN, NAN, NAN, NAN}};
	unsigned engine = (unsigned)sqlite3_column_int(heard, 0);
	double usual_c = NAN;

	if (sqlite3_column_type(heard, 1) != SQLITE_NULL) {
		read_last(store, watched->signal, engine, sqlite3_column_int64(heard, 1), &last);
	}
	if (p != NULL && engine < BOAT_ENGINES_MAX) {
		usual_c = pipeline_usual_c(p, engine, which, last.means[OF_LOAD], last.means[OF_SPEED],
			last.means[OF_SEA]);
	}
	table_put_integer(table, engine);
	table_put_text(table, watched->name);
	table_put_text(table, signal_get(watched->signal)->name);
	table_put_real(table, last.means[OF_VALUE]);
	table_put_real(table, usual_c);
	table_put_real(table, watched->limit_c);
	table_put_flag(table, watched->may_limit);
	table_end_row(table);
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

	struct pipeline *p = learned(line, store);
	table_begin(table, "temperatures", temperature_columns, COUNT(temperature_columns));
	for (int i = 0; i < WATCHED_TEMPERATURES && rc == SQLITE_OK; i++) {
		struct watched_reading watched =
			engine_watch_reading(&line->settings.boat, (enum watched_temperature)i);
		(void)sqlite3_bind_text(
			heard, 1, signal_get(watched.signal)->name, -1, SQLITE_STATIC);
		(void)sqlite3_bind_int(heard, 2, line->engine);
		while ((rc = sqlite3_step(heard)) == SQLITE_ROW) {
			put_row(table, store, p, (enum watched_temperature)i, &watched, heard);
		}
		rc = rc == SQLITE_DONE ? sqlite3_reset(heard) : rc;
	}
	table_end(table);
	free(p);
	(void)sqlite3_finalize(heard); /* a failure is told below */
	return rc == SQLITE_OK ? EXIT_DONE
			       : command_failed(line, "cannot read the log: %s",
					 sqlite3_errmsg(log_store_db(store)));
}
