#include "daemon/overview.h"

#include <math.h>
#include <stdio.h>
#include <time.h>

#include "daemon/query_table.h"
#include "daemon/range_table.h"
#include "daemon/temperature_table.h"
#include "daemon/utc_time.h"

#define HOUR_NS (INT64_C(3600) * NS_PER_S)
#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

int64_t overview_clock_ns(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_REALTIME, &now); /* always there */
	return (int64_t)now.tv_sec * NS_PER_S + now.tv_nsec;
}

/* One number of a query without arguments; NaN when it is NULL or fails. */
static double ask_number(struct log_store *store, const char *sql, int64_t bound)
{
	sqlite3_stmt *statement;
	double value = NAN;

	if (log_store_note(store, sqlite3_prepare_v2(log_store_db(store), sql, -1, &statement, NULL)) !=
		SQLITE_OK) {
		return NAN;
	}
	(void)sqlite3_bind_int64(statement, 1, bound); /* refused where there is no place */
	if (log_store_note(store, sqlite3_step(statement)) == SQLITE_ROW &&
		sqlite3_column_type(statement, 0) != SQLITE_NULL) {
		value = sqlite3_column_double(statement, 0);
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return value;
}

bool overview_as_of(struct log_store *store, int64_t clock_ns, int64_t *ret_ns)
{
	sqlite3_stmt *statement;
	bool found = false;

	if (log_store_note(store, sqlite3_prepare_v2(log_store_db(store),
			"SELECT max(end_utc_ns) FROM session_list", -1, &statement, NULL)) != SQLITE_OK) {
		return false;
	}
	if (log_store_note(store, sqlite3_step(statement)) == SQLITE_ROW &&
		sqlite3_column_type(statement, 0) != SQLITE_NULL) {
		int64_t end_ns = sqlite3_column_int64(statement, 0);
		*ret_ns = clock_ns > end_ns && clock_ns - end_ns <= HOUR_NS ? clock_ns : end_ns;
		found = true;
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return found;
}

int64_t overview_judged_ns(const struct settings *settings, struct log_store *store,
	int64_t clock_ns)
{
	sqlite3_stmt *statement;
	int64_t as_of_ns = clock_ns;
	bool live = false;

	int rc = sqlite3_prepare_v2(log_store_db(store), "SELECT NOT EXISTS (SELECT 1 FROM captures AS c "
		"WHERE s.raw_first_ns >= c.raw_first_ns AND s.raw_last_ns <= c.raw_last_ns) FROM sessions "
		"AS s ORDER BY session DESC LIMIT 1", -1, &statement, NULL);
	if (log_store_note(store, rc) == SQLITE_OK &&
		log_store_note(store, sqlite3_step(statement)) == SQLITE_ROW) {
		live = sqlite3_column_int(statement, 0) != 0;
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	if (overview_as_of(store, clock_ns, &as_of_ns) && live && !settings->played && clock_ns > as_of_ns) {
		as_of_ns = clock_ns;
	}
	return as_of_ns;
}

/* Midnight by the machine's own zone, at or before a time. */
static int64_t midnight_ns(int64_t utc_ns)
{
	time_t seconds = (time_t)(utc_ns / NS_PER_S);
	struct tm day;

	if (localtime_r(&seconds, &day) == NULL) {
		return utc_ns / (24 * HOUR_NS) * (24 * HOUR_NS);
	}
	day.tm_hour = 0;
	day.tm_min = 0;
	day.tm_sec = 0;
	day.tm_isdst = -1;
	return (int64_t)mktime(&day) * NS_PER_S;
}

/* ---- boat, engines, filters ---- */

static const struct table_column boat_columns[] = {
	{"name", TABLE_TEXT, QUANTITY_NONE, 0},
	{"units", TABLE_TEXT, QUANTITY_NONE, 0},
	{"as_of_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"log_start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"log_end_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"engine_on", TABLE_FLAG, QUANTITY_NONE, 0},
	{"clock", TABLE_TEXT, QUANTITY_NONE, 0},
};

static enum program_exit put_boat(const struct command_line *line, struct table *table,
	struct log_store *store, bool dated, int64_t as_of_ns)
{
	const struct settings *settings = &line->settings;
	sqlite3_stmt *statement;
	sqlite3 *db = log_store_db(store);
	int rc = sqlite3_prepare_v2(db,
		"SELECT (SELECT value FROM meta WHERE key = 'boat'), min(start_utc_ns), "
		"max(end_utc_ns), (SELECT count(*) FROM run_list WHERE " OVERVIEW_RUNNING_SQL "), "
		"(SELECT clock FROM session_list ORDER BY session DESC LIMIT 1) FROM session_list",
		-1, &statement, NULL);

	if (rc != SQLITE_OK || sqlite3_step(statement) != SQLITE_ROW) {
		(void)sqlite3_finalize(statement); /* told below */
		return command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
	}
	table_begin(table, "boat", boat_columns, COUNT(boat_columns));
	table_put_text(table, settings->boat.name[0] != '\0'
		? settings->boat.name
		: (const char *)sqlite3_column_text(statement, 0));
	table_put_text(table, settings->units == UNITS_US ? "us" : "metric");
	if (dated) {
		table_put_time(table, as_of_ns);
		table_put_time(table, sqlite3_column_int64(statement, 1));
		table_put_time(table, sqlite3_column_int64(statement, 2));
	} else {
		table_put_unknown(table);
		table_put_unknown(table);
		table_put_unknown(table);
	}
	table_put_flag(table, sqlite3_column_int(statement, 3) > 0);
	table_put_text(table, (const char *)sqlite3_column_text(statement, 4));
	table_end_row(table);
	table_end(table);
	(void)sqlite3_finalize(statement); /* read already */
	return EXIT_DONE;
}

static const struct table_column engine_columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"label", TABLE_TEXT, QUANTITY_NONE, 0},
	{"supply", TABLE_TEXT, QUANTITY_NONE, 0},
	{"pump_lph", TABLE_REAL, QUANTITY_FLOW, 1},
	{"pump_rpm", TABLE_REAL, QUANTITY_ENGINE_SPEED, 0},
};

static const struct table_column filter_columns[] = {
	{"filter", TABLE_TEXT, QUANTITY_NONE, 0},
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"stage", TABLE_TEXT, QUANTITY_NONE, 0},
	{"element", TABLE_TEXT, QUANTITY_NONE, 0},
	{"micron", TABLE_REAL, QUANTITY_SIZE, 0},
	{"sensor", TABLE_TEXT, QUANTITY_NONE, 0},
	{"limit_kpa", TABLE_REAL, QUANTITY_RESTRICTION, 1},
	{"change_h", TABLE_REAL, QUANTITY_HOURS, 0},
	{"change_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"change_months", TABLE_REAL, QUANTITY_MONTHS, 0},
	{"signal", TABLE_TEXT, QUANTITY_NONE, 0},
	{"instance", TABLE_INTEGER, QUANTITY_NONE, 0},
};

/* Instances of NMEA 2000 130314: source "fuel" of the pressure sources is in the upper byte, which
 * the configuration does not tell: the log's own slot with that number is looked for. */
const char *overview_filter_signal(struct log_store *store, const struct boat_filter *filter,
	unsigned *ret_instance)
{
	double instance;

	*ret_instance = filter->engine;
	switch (filter->sensor) {
	case SENSOR_SPN95:
		return "fuel_filter_kpa";
	case SENSOR_SPN1382:
		return "suction_filter_kpa";
	case SENSOR_SPN1381:
		return "fuel_intake_pressure_kpa";
	case SENSOR_PRESSURE:
		instance = ask_number(store, "SELECT max(instance) FROM slots WHERE "
			"signal = 'pressure_kpa' AND instance % 256 = ?1", filter->pressure_instance);
		if (isnan(instance)) {
			return NULL;
		}
		*ret_instance = (unsigned)instance;
		return "pressure_kpa";
	case SENSOR_NONE:
		break;
	}
	return NULL;
}

static void put_filter_signal(struct table *table, struct log_store *store,
	const struct boat_filter *filter)
{
	unsigned instance;
	const char *signal = overview_filter_signal(store, filter, &instance);

	table_put_text(table, signal);
	if (signal == NULL) {
		table_put_unknown(table);
	} else {
		table_put_integer(table, instance);
	}
}

static void put_configuration(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	static const char *const sensors[] = {"none", "spn95", "spn1382", "spn1381", "pressure"};
	const struct boat *boat = &line->settings.boat;

	table_begin(table, "engines", engine_columns, COUNT(engine_columns));
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		const struct boat_engine *engine = &boat->engines[i];
		if (!engine->present) {
			continue;
		}
		table_put_integer(table, i);
		table_put_text(table, engine->label[0] == '\0' ? NULL : engine->label);
		table_put_text(table, engine->supply == SUPPLY_PUMP ? "pump" : "burn");
		table_put_real(table, engine->supply == SUPPLY_PUMP ? engine->pump_lph : NAN);
		table_put_real(table, engine->supply == SUPPLY_PUMP ? engine->pump_rpm : NAN);
		table_end_row(table);
	}
	table_end(table);
	table_begin(table, "filters", filter_columns, COUNT(filter_columns));
	for (size_t i = 0; i < boat->filter_count; i++) {
		const struct boat_filter *filter = &boat->filters[i];
		table_put_text(table, filter->name);
		table_put_integer(table, filter->engine);
		table_put_text(table, filter->stage);
		table_put_text(table, filter->element[0] == '\0' ? NULL : filter->element);
		table_put_real(table, filter->micron);
		table_put_text(table, sensors[filter->sensor]);
		table_put_real(table, filter->limit_kpa);
		table_put_real(table, filter->change_h);
		table_put_real(table, filter->change_l);
		table_put_real(table, filter->change_months);
		put_filter_signal(table, store, filter);
		table_end_row(table);
	}
	table_end(table);
}

/* ---- litres ---- */

static const struct table_column burned_columns[] = {
	{"period", TABLE_TEXT, QUANTITY_NONE, 0},
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"trip", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_estimated_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_uncertainty_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"distance_nm", TABLE_REAL, QUANTITY_DISTANCE, 1},
};

/* today: the runs that began since midnight. Runs' uncertainties have common causes: they are added
 * as they are, which errs on the safe side. */
#define BURNED_SQL                                                                                 \
	"SELECT 'today', ?1, NULL, coalesce(sum(engine_h), 0), "                                   \
	"CASE WHEN count(*) = count(fuel_l) THEN coalesce(sum(fuel_l), 0) END, "                   \
	"coalesce(sum(fuel_estimated_l), 0), coalesce(sum(fuel_uncertainty_l), 0), NULL "          \
	"FROM run_list WHERE start_utc_ns >= ?1 UNION ALL "                                        \
	"SELECT * FROM (SELECT CASE WHEN max(open) THEN 'this trip' ELSE 'last trip' END, "        \
	"start_utc_ns, trip, sum(engine_h), sum(fuel_l), sum(fuel_estimated_l), "                  \
	"sum(fuel_uncertainty_l), max(distance_nm) FROM trip_list GROUP BY trip "                  \
	"ORDER BY trip DESC LIMIT 1) UNION ALL "                                                   \
	"SELECT 'the log', min(start_utc_ns), NULL, sum(engine_h), sum(fuel_l), "                  \
	"sum(fuel_estimated_l), sum(fuel_uncertainty_l), "                                         \
	"(SELECT sum(distance_nm) FROM trips) FROM run_list"

/* ---- signals ---- */

static const struct table_column signal_columns[] = {
	{"signal", TABLE_TEXT, QUANTITY_NONE, 0},
	{"instance", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"unit", TABLE_TEXT, QUANTITY_NONE, 0},
};

enum program_exit overview_tables(const struct command_line *line, struct table *table,
	struct log_store *store, int64_t clock_ns)
{
	struct command_line whole = *line;
	sqlite3 *db = log_store_db(store);
	int64_t as_of_ns = 0;
	bool dated = overview_as_of(store, clock_ns, &as_of_ns);
	enum program_exit status = put_boat(line, table, store, dated, as_of_ns);

	if (status != EXIT_DONE) {
		return status;
	}
	put_configuration(line, table, store);
	status = range_table_put(line, table, store, dated, as_of_ns);
	if (status != EXIT_DONE) {
		return status;
	}
	whole.has_until = false;
	whole.engine = -1;
	status = temperature_table_put(&whole, table, store);
	if (status != EXIT_DONE) {
		return status;
	}
	whole.has_since = true;
	whole.since_ns = dated ? midnight_ns(as_of_ns) : 0;
	status = query_table(&whole, table, db, "burned", burned_columns, COUNT(burned_columns),
		BURNED_SQL);
	if (status != EXIT_DONE) {
		return status;
	}
	return query_table(&whole, table, db, "signals", signal_columns, COUNT(signal_columns),
		"SELECT signal, instance, unit FROM slots ORDER BY signal, instance");
}
