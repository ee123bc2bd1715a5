#include "daemon/range_table.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analysis/economical.h"
#include "analysis/fuel_range.h"
#include "daemon/log_series.h"
#include "daemon/utc_time.h"

#define HOUR_NS   (INT64_C(3600) * NS_PER_S)
#define MINUTE_NS (INT64_C(60) * NS_PER_S)
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* What lies ahead is not what was: wind, sea and current move the burn by a tenth or more. Common
 * practice, without a source. */
#define AHEAD_SHARE 0.1
#define USUAL_SHARE 0.15
/* Trips that make up so many hours say what is usual. */
#define USUAL_H 20.0
#define POINTS_MAX 256

struct tank_now {
	bool told;       /* in the configuration */
	bool known;      /* a level was heard */
	const char *label;
	double level_pct;
	double capacity_l;
	double fuel_l;
	double fuel_sd_l;
	double fuel_15_l;
	double fuel_c;
	double reserve_l;
	bool reserve_told;
	bool stale;      /* an engine has run since the level was heard last */
	int64_t measured_ns;
};

struct range_inputs {
	const struct boat *boat;
	struct log_store *store;
	bool dated;
	int64_t as_of_ns;
	struct tank_now tanks[BOAT_TANK_NUMBERS];
};

static double column_real(sqlite3_stmt *statement, int column)
{
	return sqlite3_column_type(statement, column) == SQLITE_NULL
		? NAN
		: sqlite3_column_double(statement, column);
}

/* ---- tanks ---- */

/* The last ten minutes' mean of a tank's level, and its capacity as the bus tells it; NaN where it
 * tells none. Slosh is what the mean is for. */
static void last_level(const struct range_inputs *in, unsigned number, double *ret_level_pct,
	double *ret_capacity_l, int64_t *ret_measured_ns)
{
	struct series_question question = {
		.since_ns = in->as_of_ns - 24 * HOUR_NS,
		.until_ns = in->as_of_ns + MINUTE_NS,
		.points = 144,
		.signal_count = 3,
		.signals = {{"tank_level_pct", number}, {"tank_capacity_l", number},
			{"fuel_level_1_pct", 0}},
	};
	struct series series;

	if (question.since_ns < 0) {
		question.since_ns = 0;
	}
	if (number == 1) {
		(void)snprintf(question.signals[2].name, sizeof(question.signals[2].name),
			"fuel_level_2_pct");
	} else if (number > 1) {
		question.signal_count = 2; /* J1939 tells two tanks apart */
	}
	if (log_store_note_error(in->store, log_series_read(in->store, &question, &series)) != 0) {
		return;
	}
	for (size_t i = series.count; i > 0; i--) {
		const struct series_value *values = &series.values[question.signal_count * (i - 1)];
		const struct series_value *level = values[0].count > 0 || number > 1 ? &values[0]
										     : &values[2];
		if (isnan(*ret_level_pct) && level->count > 0) {
			*ret_level_pct = level->mean;
			*ret_measured_ns = series.start_ns[i - 1] + series.width_ns;
		}
		if (isnan(*ret_capacity_l) && values[1].count > 0) {
			*ret_capacity_l = values[1].mean;
		}
	}
	if (*ret_measured_ns > in->as_of_ns) {
		*ret_measured_ns = in->as_of_ns;
	}
	log_series_finish(&series);
}

static bool prepare(struct log_store *store, const char *sql, sqlite3_stmt **ret_statement)
{
	return log_store_note(store, sqlite3_prepare_v2(log_store_db(store), sql, -1, ret_statement,
		NULL)) == SQLITE_OK;
}

static bool has_row(struct log_store *store, sqlite3_stmt *statement)
{
	return log_store_note(store, sqlite3_step(statement)) == SQLITE_ROW;
}

/* Whether the log has any level of a tank: else a day of it would be looked into for nothing. */
static bool has_level(struct log_store *store, unsigned number)
{
	sqlite3_stmt *statement;
	bool found = false;

	if (prepare(store, "SELECT 1 FROM slots WHERE (signal = 'tank_level_pct' AND instance = ?1) OR "
		    "(signal = 'fuel_level_1_pct' AND ?1 = 0) OR (signal = 'fuel_level_2_pct' AND ?1 = 1)",
		    &statement)) {
		(void)sqlite3_bind_int64(statement, 1, number);
		found = has_row(store, statement);
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return found;
}

/* What the tank's watch has made of the levels: slosh filtered, with its deviation. */
static void read_state(const struct range_inputs *in, unsigned number, struct tank_now *tank)
{
	sqlite3_stmt *statement;

	if (!prepare(in->store, "SELECT volume_l, volume_sd_l, coalesce(volume_15_l, volume_l), "
		    "fuel_c, measured_utc_ns FROM tank_list WHERE tank = ?1", &statement)) {
		return; /* a log of a version before: what the level says must do */
	}
	(void)sqlite3_bind_int64(statement, 1, number);
	if (has_row(in->store, statement)) {
		tank->known = true;
		tank->fuel_l = column_real(statement, 0);
		tank->fuel_sd_l = column_real(statement, 1);
		tank->fuel_15_l = column_real(statement, 2);
		tank->fuel_c = column_real(statement, 3);
		if (sqlite3_column_type(statement, 4) != SQLITE_NULL) {
			tank->measured_ns = sqlite3_column_int64(statement, 4);
		}
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
}

/* Whether an engine ran an hour or more after a moment. */
static bool ran_since(struct log_store *store, int64_t utc_ns)
{
	sqlite3_stmt *statement;
	bool ran = false;

	if (prepare(store, "SELECT 1 FROM run_list WHERE end_utc_ns > ?1 LIMIT 1", &statement)) {
		(void)sqlite3_bind_int64(statement, 1, utc_ns + HOUR_NS);
		ran = has_row(store, statement);
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return ran;
}

static void read_tank(const struct range_inputs *in, unsigned number, struct tank_now *tank)
{
	const struct boat_tank *told = boat_tank(in->boat, number);

	*tank = (struct tank_now){
		.told = told != NULL,
		.label = told == NULL || told->label[0] == '\0' ? NULL : told->label,
		.level_pct = NAN,
		.capacity_l = NAN,
		.fuel_l = NAN,
		.fuel_sd_l = NAN,
		.fuel_15_l = NAN,
		.fuel_c = NAN,
		.reserve_told = told != NULL && !isnan(told->reserve_l),
	};
	if (in->dated && has_level(in->store, number)) {
		last_level(in, number, &tank->level_pct, &tank->capacity_l, &tank->measured_ns);
	}
	tank->known = !isnan(tank->level_pct);
	if (!isnan(boat_tank_capacity(told))) {
		tank->capacity_l = boat_tank_capacity(told);
	}
	read_state(in, number, tank);
	if (isnan(tank->fuel_l) && tank->capacity_l > 0 && tank->known) {
		struct tank_config config = {.capacity_l = tank->capacity_l};
		if (told != NULL) {
			config.strapping = told->strapping;
		}
		tank->fuel_l = tank_volume_of_level(&config, tank->level_pct);
	}
	tank->reserve_l = boat_tank_reserve(told, tank->capacity_l);
	if (isnan(tank->reserve_l)) {
		tank->reserve_l = 0.1 * tank->fuel_l; /* how much it holds is not known either */
	}
	tank->stale = tank->measured_ns > 0 && ran_since(in->store, tank->measured_ns);
}

static const struct table_column tank_columns[] = {
	{"tank", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"label", TABLE_TEXT, QUANTITY_NONE, 0},
	{"level_pct", TABLE_REAL, QUANTITY_NONE, 1},
	{"capacity_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"fuel_sd_l", TABLE_REAL, QUANTITY_VOLUME, 1},
	{"fuel_15_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"fuel_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"reserve_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"measured_utc", TABLE_TIME, QUANTITY_NONE, 0},
};

static void put_tanks(struct table *table, const struct range_inputs *in)
{
	table_begin(table, "tanks", tank_columns, COUNT(tank_columns));
	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		const struct tank_now *tank = &in->tanks[i];
		if (!tank->told && !tank->known) {
			continue;
		}
		table_put_integer(table, i);
		table_put_text(table, tank->label);
		table_put_real(table, tank->level_pct);
		table_put_real(table, tank->capacity_l);
		table_put_real(table, tank->fuel_l);
		table_put_real(table, tank->fuel_sd_l);
		table_put_real(table, isnan(tank->fuel_c) ? NAN : tank->fuel_15_l);
		table_put_real(table, tank->fuel_c);
		table_put_real(table, tank->reserve_l);
		if (tank->measured_ns > 0) {
			table_put_time(table, tank->measured_ns);
		} else {
			table_put_unknown(table);
		}
		table_end_row(table);
	}
	table_end(table);
}

/* ---- how far ---- */

/* A speed of the boat and what it burns there. */
struct cruise {
	const char *name;
	double rpm;
	double engine_lph[BOAT_ENGINES_MAX]; /* NaN or 0: takes no part */
	double rate_lph;
	double speed_kn;
	double l_per_nm;
	double rate_share_sd;
	char basis[240]; /* how it is known, or why it is not */
};

static void cruise_init(struct cruise *cruise, const char *name)
{
	*cruise = (struct cruise){
		.name = name, .rpm = NAN, .rate_lph = NAN, .speed_kn = NAN, .l_per_nm = NAN};
}

static void say(struct cruise *cruise, const char *words)
{
	size_t used = strlen(cruise->basis);

	(void)snprintf(cruise->basis + used, sizeof(cruise->basis) - used, "%s%s",
		used > 0 ? "; " : "", words);
}

struct curve_point {
	struct economical_point over_water;
	struct economical_point over_ground;
};

/* The learned maps of all engines. Returns how many points. */
static size_t read_curve(struct log_store *store, struct curve_point points[POINTS_MAX])
{
	sqlite3_stmt *statement;
	size_t count = 0;

	if (!prepare(store, "SELECT engine, rpm, rate_lph, rate_sd_share, rate_minutes, speed_kn, "
		    "speed_minutes, ground_kn, ground_minutes FROM burn_curve ORDER BY engine, rpm",
		    &statement)) {
		return 0;
	}
	while (count < POINTS_MAX && has_row(store, statement)) {
		int64_t engine = sqlite3_column_int64(statement, 0);
		struct economical_point point = {
			.rpm = column_real(statement, 1),
			.rate_lph = column_real(statement, 2),
			.rate_sd_share = column_real(statement, 3),
			.rate_minutes = column_real(statement, 4),
			.speed_kn = column_real(statement, 5),
			.speed_minutes = column_real(statement, 6),
		};
		if (engine < 0 || engine >= BOAT_ENGINES_MAX) {
			continue;
		}
		point.engine = (unsigned)engine;
		points[count].over_water = point;
		point.speed_kn = column_real(statement, 7);
		point.speed_minutes = column_real(statement, 8);
		points[count++].over_ground = point;
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return count;
}

static enum economical_state find_economical(const struct curve_point *points, size_t count,
	bool over_water, struct economical_speed *ret_speed)
{
	struct economical_point own[POINTS_MAX];

	for (size_t i = 0; i < count; i++) {
		own[i] = over_water ? points[i].over_water : points[i].over_ground;
	}
	return economical_find(own, count, ret_speed);
}

static void economical_cruise(const struct curve_point *points, size_t count, struct cruise *cruise)
{
	struct economical_speed speed;
	bool over_water = true;
	enum economical_state by_water = find_economical(points, count, true, &speed);
	enum economical_state state = by_water;

	cruise_init(cruise, "economical");
	if (state != ECONOMICAL_FOUND) {
		over_water = false;
		state = find_economical(points, count, false, &speed);
	}
	if (state != ECONOMICAL_FOUND) {
		say(cruise, by_water == ECONOMICAL_THIN || state == ECONOMICAL_THIN
				? "not known yet: the learned map needs three steady speeds, a fifth apart, "
				  "of a quarter of an hour each"
				: "not known: the learned map has no speed of the boat, through the water "
				  "or over ground");
		return;
	}
	cruise->rpm = speed.rpm;
	memcpy(cruise->engine_lph, speed.engine_lph, sizeof(cruise->engine_lph));
	cruise->rate_lph = speed.rate_lph;
	cruise->speed_kn = speed.speed_kn;
	cruise->l_per_nm = speed.l_per_nm;
	cruise->rate_share_sd = hypot(AHEAD_SHARE, speed.l_per_nm_sd_share);
	say(cruise, "learned: least litres a mile of the speeds that this boat runs");
	say(cruise, over_water ? "speed through the water" : "speed over ground, currents in it");
	if (speed.slowest) {
		say(cruise, "the slowest speed known: a slower one may need less");
	}
}

/* Count-weighted mean of a signal over a series; NaN where nothing was heard. */
static double mean_of(const struct series *series, size_t signals, size_t which)
{
	double sum = 0, heard = 0;

	for (size_t i = 0; i < series->count; i++) {
		const struct series_value *value = &series->values[i * signals + which];
		if (value->count > 0) {
			sum += value->mean * value->count;
			heard += value->count;
		}
	}
	return heard > 0 ? sum / heard : NAN;
}

static void running_engines(const struct range_inputs *in, bool running[BOAT_ENGINES_MAX])
{
	sqlite3_stmt *statement;

	if (!prepare(in->store, "SELECT DISTINCT engine FROM run_list WHERE open AND end_utc_ns > "
		    "(SELECT max(end_utc_ns) FROM session_list) - ?1", &statement)) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, MINUTE_NS);
	while (has_row(in->store, statement)) {
		int64_t engine = sqlite3_column_int64(statement, 0);
		if (engine >= 0 && engine < BOAT_ENGINES_MAX) {
			running[engine] = true;
		}
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
}

/* The map's rate at an engine speed, a straight line between its points; NaN outside. */
static double rate_by_map(const struct curve_point *points, size_t count, unsigned engine, double rpm)
{
	for (size_t i = 1; i < count; i++) {
		const struct economical_point *a = &points[i - 1].over_water;
		const struct economical_point *b = &points[i].over_water;
		if (a->engine == engine && b->engine == engine && rpm >= a->rpm && rpm <= b->rpm) {
			double share = (rpm - a->rpm) / (b->rpm - a->rpm);
			return a->rate_lph + share * (b->rate_lph - a->rate_lph);
		}
	}
	return NAN;
}

/* The last ten minutes of the engines that run, and of the boat's speed. */
static void read_present(const struct range_inputs *in, const bool running[BOAT_ENGINES_MAX],
	double rpm[BOAT_ENGINES_MAX], double rate_lph[BOAT_ENGINES_MAX], struct cruise *cruise)
{
	static const struct {
		const char *signal;
		const char *words;
	} speeds[] = {{"ground_speed_kn", "speed over ground"},
		{"water_speed_kn", "speed through the water"}, {"wheel_speed_kn", "speed as J1939 tells"}};
	struct series_question question = {
		.since_ns = in->as_of_ns - 10 * MINUTE_NS,
		.until_ns = in->as_of_ns + MINUTE_NS,
		.points = 2,
		.signal_count = COUNT(speeds),
	};
	struct series series;

	for (size_t i = 0; i < COUNT(speeds); i++) {
		(void)snprintf(question.signals[i].name, sizeof(question.signals[i].name), "%s",
			speeds[i].signal);
	}
	if (log_store_note_error(in->store, log_series_read(in->store, &question, &series)) == 0) {
		for (size_t i = 0; i < COUNT(speeds) && isnan(cruise->speed_kn); i++) {
			cruise->speed_kn = mean_of(&series, COUNT(speeds), i);
			if (!isnan(cruise->speed_kn)) {
				say(cruise, speeds[i].words);
			}
		}
		log_series_finish(&series);
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		rpm[i] = rate_lph[i] = NAN;
		if (!running[i]) {
			continue;
		}
		question.signal_count = 2;
		question.signals[0].instance = question.signals[1].instance = i;
		(void)snprintf(question.signals[0].name, sizeof(question.signals[0].name),
			"engine_speed_rpm");
		(void)snprintf(question.signals[1].name, sizeof(question.signals[1].name), "fuel_rate_lph");
		if (log_store_note_error(in->store, log_series_read(in->store, &question, &series)) == 0) {
			rpm[i] = mean_of(&series, 2, 0);
			rate_lph[i] = mean_of(&series, 2, 1);
			log_series_finish(&series);
		}
	}
}

static void present_cruise(const struct range_inputs *in, const struct curve_point *points,
	size_t count, struct cruise *cruise)
{
	bool running[BOAT_ENGINES_MAX] = {false};
	double rpm[BOAT_ENGINES_MAX], rate_lph[BOAT_ENGINES_MAX];
	unsigned engines = 0;
	bool learned = false;

	cruise_init(cruise, "present");
	if (in->dated) {
		running_engines(in, running);
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engines += running[i] ? 1 : 0;
	}
	if (engines == 0) {
		say(cruise, "no engine runs");
		return;
	}
	read_present(in, running, rpm, rate_lph, cruise);
	cruise->rpm = 0;
	cruise->rate_lph = 0;
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (!running[i]) {
			continue;
		}
		if (isnan(rate_lph[i])) {
			rate_lph[i] = rate_by_map(points, count, i, rpm[i]);
			learned = true;
		}
		cruise->engine_lph[i] = rate_lph[i];
		cruise->rate_lph += rate_lph[i];
		cruise->rpm += rpm[i] / engines;
	}
	cruise->rate_share_sd = AHEAD_SHARE;
	if (!(cruise->rate_lph > 0)) {
		cruise->rate_lph = NAN;
		say(cruise, "an engine runs whose fuel rate is neither heard nor learned");
		return;
	}
	if (cruise->speed_kn < in->boat->moving_kn) {
		cruise->speed_kn = NAN;
		say(cruise, "the boat does not move");
	}
	cruise->l_per_nm = cruise->rate_lph / cruise->speed_kn;
	say(cruise, learned ? "rate by the learned map at the engine speed of the last ten minutes"
			    : "rate measured over the last ten minutes");
}

/* Trips that make up the last USUAL_H hours under engine; the miles only of those that were under
 * engine all the way. */
#define USUAL_SQL                                                                                  \
	"WITH t AS (SELECT trip, sum(fuel_l) AS fuel_l, count(*) = count(fuel_l) AS known, "       \
	"max(engine_h) AS h, max(distance_nm) AS nm, (max(end_utc_ns) - min(start_utc_ns)) / "     \
	"3.6e12 AS length_h FROM trip_list WHERE engine_h > 0 GROUP BY trip), u AS (SELECT *, "    \
	"sum(h) OVER (ORDER BY trip DESC) - h AS newer_h, nm > 0 AND h >= 0.9 * length_h AS moved " \
	"FROM t WHERE known) SELECT sum(fuel_l) / sum(h), sum(CASE WHEN moved THEN fuel_l END) / "  \
	"sum(CASE WHEN moved THEN nm END), min(trip), sum(h) FROM u WHERE newer_h < ?1"

static void usual_cruise(const struct range_inputs *in, struct cruise *cruise)
{
	sqlite3_stmt *statement;
	int64_t first_trip = 0;
	double hours = NAN;

	cruise_init(cruise, "usual");
	cruise->rate_share_sd = USUAL_SHARE;
	if (prepare(in->store, USUAL_SQL, &statement)) {
		(void)sqlite3_bind_double(statement, 1, USUAL_H);
		if (has_row(in->store, statement)) {
			cruise->rate_lph = column_real(statement, 0);
			cruise->l_per_nm = column_real(statement, 1);
			first_trip = sqlite3_column_int64(statement, 2);
			hours = column_real(statement, 3);
		}
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	if (!(cruise->rate_lph > 0)) {
		cruise->rate_lph = NAN;
		say(cruise, "not known: no burn is in the log");
		return;
	}
	cruise->speed_kn = cruise->rate_lph / cruise->l_per_nm;
	if (prepare(in->store, "SELECT engine, sum(fuel_l) FROM trip_list WHERE trip >= ?1 AND "
		    "engine_h > 0 GROUP BY engine", &statement)) {
		(void)sqlite3_bind_int64(statement, 1, first_trip);
		while (has_row(in->store, statement)) {
			int64_t engine = sqlite3_column_int64(statement, 0);
			if (engine >= 0 && engine < BOAT_ENGINES_MAX) {
				cruise->engine_lph[engine] = column_real(statement, 1) / hours;
			}
		}
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	(void)snprintf(cruise->basis, sizeof(cruise->basis),
		"counted: mean burn of the last %.0f hours under engine%s", hours,
		isnan(cruise->l_per_nm) ? "; no trip of them was under engine all the way" : "");
}

/* What is kept back, and what the range cannot say. */
static void say_tanks(const struct range_inputs *in, const struct fuel_range *found,
	struct cruise *cruise)
{
	char words[96];
	bool told = true, any = false;

	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		const struct tank_now *tank = &in->tanks[i];
		any = any || tank->told || tank->known;
		told = told && (tank->reserve_told || (!tank->told && !tank->known));
	}
	if (!any) {
		say(cruise, "no tank level was heard");
	} else if (isnan(found->range.hours) && !isnan(cruise->rate_lph)) {
		say(cruise, "what is in the tank is not known now");
	} else if (!isnan(found->range.hours)) {
		(void)snprintf(words, sizeof(words), "%.0f L kept back%s", found->reserve_l,
			told ? "" : " (a tenth: no reserve is set)");
		say(cruise, words);
		if (found->first_tank >= 0) {
			(void)snprintf(words, sizeof(words), "tank %d comes to its reserve first",
				found->first_tank);
			say(cruise, words);
		}
	}
}

static const struct table_column range_columns[] = {
	{"range", TABLE_TEXT, QUANTITY_NONE, 0},
	{"rpm", TABLE_REAL, QUANTITY_ENGINE_SPEED, 0},
	{"rate_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"speed_kn", TABLE_REAL, QUANTITY_SPEED, 1},
	{"l_per_nm", TABLE_REAL, QUANTITY_CONSUMPTION, 2},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"reserve_l", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"range_h", TABLE_REAL, QUANTITY_HOURS, 0},
	{"range_h_p10", TABLE_REAL, QUANTITY_HOURS, 0},
	{"range_nm", TABLE_REAL, QUANTITY_DISTANCE, 0},
	{"range_nm_p10", TABLE_REAL, QUANTITY_DISTANCE, 0},
	{"basis", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void put_cruise(struct table *table, const struct range_inputs *in, struct cruise *cruise)
{
	struct range_tank tanks[BOAT_TANK_NUMBERS];
	struct range_engine engines[BOAT_ENGINES_MAX];
	size_t count = 0;

	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		const struct tank_now *tank = &in->tanks[i];
		if (tank->told || tank->known) {
			tanks[count++] = (struct range_tank){
				.number = i,
				.volume_l = tank->stale ? NAN : tank->fuel_l,
				.volume_sd_l = tank->fuel_sd_l,
				.reserve_l = tank->reserve_l,
			};
		}
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engines[i] = (struct range_engine){in->boat->engines[i].tank, cruise->engine_lph[i]};
	}
	struct fuel_range found = fuel_range_find(tanks, count, engines, BOAT_ENGINES_MAX,
		cruise->rate_share_sd, cruise->speed_kn);
	if (isnan(cruise->rate_lph)) {
		found = (struct fuel_range){NAN, NAN, {NAN, NAN, NAN, NAN}, -1};
	}
	say_tanks(in, &found, cruise);
	table_put_text(table, cruise->name);
	table_put_real(table, cruise->rpm);
	table_put_real(table, cruise->rate_lph);
	table_put_real(table, cruise->speed_kn);
	table_put_real(table, cruise->l_per_nm);
	table_put_real(table, found.fuel_l);
	table_put_real(table, found.reserve_l);
	table_put_real(table, found.range.hours);
	table_put_real(table, found.range.hours_low);
	table_put_real(table, found.range.miles);
	table_put_real(table, found.range.miles_low);
	table_put_text(table, cruise->basis);
	table_end_row(table);
}

static void put_range(struct table *table, const struct range_inputs *in)
{
	struct curve_point points[POINTS_MAX];
	struct cruise present, economical, usual;
	size_t count = read_curve(in->store, points);

	present_cruise(in, points, count, &present);
	economical_cruise(points, count, &economical);
	usual_cruise(in, &usual);
	table_begin(table, "range", range_columns, COUNT(range_columns));
	put_cruise(table, in, &present);
	put_cruise(table, in, &economical);
	put_cruise(table, in, &usual);
	table_end(table);
}

enum program_exit range_table_put(const struct command_line *line, struct table *table,
	struct log_store *store, bool dated, int64_t as_of_ns)
{
	struct range_inputs in = {
		.boat = &line->settings.boat,
		.store = store,
		.dated = dated,
		.as_of_ns = as_of_ns,
	};

	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		read_tank(&in, i, &in.tanks[i]);
	}
	put_tanks(table, &in);
	put_range(table, &in);
	return command_read(line, store);
}
