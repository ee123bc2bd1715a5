/* What is in the tanks and how far it goes, of a log that was filled by hand: each expected number
 * follows from the propeller law below by pencil. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>

#include "daemon/range_table.h"
#include "daemon/utc_time.h"
#include "decoders/signal.h"
#include "tests/unit/near.h"

#define MIDNIGHT (INT64_C(1748736000) * NS_PER_S) /* 2025-06-01T00:00:00Z */
#define HOUR_NS	 (INT64_C(3600) * NS_PER_S)

struct fixture {
	char folder[64];
	char path[96];
	struct command_line line;
	struct log_store *store;
	struct fact_sink sink;
};

static struct fixture fixture;

static int begin(void **state)
{
	char error[256];

	(void)state;
	memset(&fixture, 0, sizeof(fixture));
	(void)snprintf(fixture.folder, sizeof(fixture.folder), "/tmp/range-XXXXXX");
	if (mkdtemp(fixture.folder) == NULL) {
		return 1;
	}
	(void)snprintf(fixture.path, sizeof(fixture.path), "%s/boat.db", fixture.folder);
	settings_init(&fixture.line.settings);
	fixture.line.engine = -1;
	if (log_store_open(&fixture.store, fixture.path, error, sizeof(error)) != 0) {
		return 1;
	}
	fixture.sink = log_store_sink(fixture.store);
	return 0;
}

static int end(void **state)
{
	static const char *const endings[] = {"", "-wal", "-shm", ".lock"};

	(void)state;
	log_store_close(fixture.store);
	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		char name[112];
		(void)snprintf(name, sizeof(name), "%s%s", fixture.path, endings[i]);
		(void)remove(name); /* some are not there */
	}
	return rmdir(fixture.folder);
}

/* L/h = 1.6 + 0.8·(n/1400)³, 4 kn at 1000 rpm: least litres a mile at 1400 rpm, 2.4 L/h, 5.6 kn. */
static void put_map(unsigned engine, bool water, bool ground, double minutes)
{
	for (double rpm = 800; rpm <= 2600; rpm += 200) {
		double share = rpm / 1400;
		struct fact_burn point = {
			.engine = engine,
			.version = 0,
			.rpm = rpm,
			.rate_lph = 1.6 + 0.8 * share * share * share,
			.rate_sd_share = 0,
			.rate_minutes = minutes,
			.speed_kn = water ? 0.004 * rpm : NAN,
			.speed_minutes = water ? minutes : 0,
			.ground_kn = ground ? 0.005 * rpm : NAN,
			.ground_minutes = ground ? minutes : 0,
			.load_pct = NAN,
		};
		fixture.sink.on_burn(fixture.sink.context, &point);
	}
}

static void put_tank(unsigned number, double volume_l, double sd_l)
{
	struct fact_tank tank = {.tank = number, .session = 1, .t_ns = MIDNIGHT + HOUR_NS,
		.volume_l = volume_l, .volume_sd_l = sd_l, .volume_15_l = volume_l - 1, .fuel_c = NAN,
		.mismatch_l = NAN, .mismatch_sd_l = NAN};

	fixture.sink.on_tank(fixture.sink.context, &tank);
}

/* An hour: engines at 2,000 rpm burning 3 L/h each (no rate: only the speed), 7 kn over ground. */
static void put_hour(unsigned engines, bool rate, bool open, double distance_nm)
{
	struct fact_session session = {.session = 1, .first_ns = MIDNIGHT,
		.last_ns = MIDNIGHT + HOUR_NS, .basis = CLOCK_BUS};
	struct fact_trip trip = {.trip = 1, .start_session = 1, .end_session = 1, .open = open,
		.start_ns = MIDNIGHT, .end_ns = MIDNIGHT + HOUR_NS, .distance_nm = distance_nm};
	struct fact_reading readings[9];
	size_t count = 0;
	uint16_t slots = 0;

	fixture.sink.on_session(fixture.sink.context, &session);
	for (unsigned e = 0; e < engines; e++) {
		struct fact_slot speed = {slots, SIGNAL_ENGINE_SPEED, (uint16_t)e};
		fixture.sink.on_slot(fixture.sink.context, &speed);
		readings[count++] = (struct fact_reading){slots++, 10, 2000, 1990, 2010};
		if (rate) {
			struct fact_slot slot = {slots, SIGNAL_FUEL_RATE, (uint16_t)e};
			fixture.sink.on_slot(fixture.sink.context, &slot);
			readings[count++] = (struct fact_reading){slots++, 10, 3, 2.9, 3.1};
		}
	}
	struct fact_slot ground = {slots, SIGNAL_GROUND_SPEED, 0};
	fixture.sink.on_slot(fixture.sink.context, &ground);
	readings[count++] = (struct fact_reading){slots, 10, 7, 6.9, 7.1};
	for (int64_t n = 0; n < 360; n++) {
		struct fact_window window = {.window = MIDNIGHT / WINDOW_NS + n, .session = 1,
			.count = count, .readings = readings};
		fixture.sink.on_window(fixture.sink.context, &window);
	}
	fixture.sink.on_trip(fixture.sink.context, &trip);
	for (unsigned e = 0; e < engines; e++) {
		struct fact_run run = {.run = e + 1, .trip = 1, .engine = e, .start_session = 1,
			.end_session = 1, .start_ns = MIDNIGHT, .end_ns = MIDNIGHT + HOUR_NS, .open = open,
			.engine_h = 1, .fuel_l = rate ? 3 : NAN, .fuel_uncertainty_l = 0.02,
			.supply_l = 3, .mean_lph = 3, .max_lph = 3, .max_coolant_c = NAN};
		fixture.sink.on_run(fixture.sink.context, &run);
	}
}

static json_t *asked;

static void ask(void)
{
	char *bytes = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&bytes, &size);
	struct table *table;

	assert_int_equal(log_store_settle(fixture.store), 0);
	assert_int_equal(log_store_commit(fixture.store, NULL), 0);
	assert_int_equal(table_open(&table, out, TABLE_JSON, UNITS_METRIC), 0);
	range_table_put(&fixture.line, table, fixture.store, true, MIDNIGHT + HOUR_NS);
	assert_int_equal(table_close(table), 0);
	assert_int_equal(fclose(out), 0);
	json_decref(asked);
	asked = json_loadb(bytes, size, 0, NULL);
	free(bytes);
	assert_non_null(asked);
}

static const json_t *cell(const char *range, const char *column)
{
	const json_t *row;
	size_t index;

	json_array_foreach(json_object_get(asked, "range"), index, row) {
		if (strcmp(json_string_value(json_object_get(row, "range")), range) == 0) {
			return json_object_get(row, column);
		}
	}
	fail_msg("no range '%s'", range);
	return NULL;
}

static double number(const char *range, const char *column)
{
	const json_t *value = cell(range, column);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static void says(const char *range, const char *words)
{
	const char *basis = json_string_value(cell(range, "basis"));

	if (strstr(basis, words) == NULL) {
		fail_msg("%s: '%s' does not say '%s'", range, basis, words);
	}
}

static struct boat_tank *tell_tank(unsigned number_, double capacity_l, double reserve_l)
{
	struct boat_tank *tank = &fixture.line.settings.boat.tanks[number_];

	tank->present = true;
	tank->number = number_;
	tank->capacity_l = capacity_l;
	tank->reserve_l = reserve_l;
	return tank;
}

static void the_economical_speed_is_where_calculus_puts_it(void **state)
{
	(void)state;
	put_hour(1, true, true, 7);
	put_map(0, true, true, 120);
	put_tank(0, 90, 0);
	tell_tank(0, 120, 18);
	ask();
	near(number("economical", "rpm"), 1400, 0);
	near(number("economical", "rate_lph"), 2.4, 1e-9);
	near(number("economical", "speed_kn"), 5.6, 1e-9);
	near(number("economical", "l_per_nm"), 2.4 / 5.6, 1e-9);
	near(number("economical", "fuel_l"), 72, 1e-9);
	near(number("economical", "range_h"), 30, 1e-9);
	near(number("economical", "range_nm"), 168, 1e-9);
	/* 10 % of what lies ahead; the boat's speed 6 % over √12 of ten minutes: 1.73 %. Together 10.15 %,
	 * of which 1.28155. */
	near(number("economical", "range_h_p10"), 30 * (1 - 1.28155 * 0.101489), 1e-3);
	says("economical", "speed through the water");
	says("economical", "18 L kept back");
	near(number("present", "rpm"), 2000, 1e-6);
	near(number("present", "rate_lph"), 3, 1e-6);
	near(number("present", "range_h"), 24, 1e-6);
	near(number("present", "range_nm"), 168, 1e-6);
	says("present", "rate measured over the last ten minutes");
	says("present", "speed over ground");
	near(number("usual", "range_h"), 24, 1e-6);
	near(number("usual", "range_nm"), 168, 1e-6);
}

static void without_speed_through_the_water_the_ground_must_do(void **state)
{
	(void)state;
	put_hour(1, true, false, NAN);
	put_map(0, false, true, 120);
	ask();
	near(number("economical", "rpm"), 1400, 0);
	near(number("economical", "speed_kn"), 7, 1e-9);
	says("economical", "over ground, currents in it");
	says("economical", "no tank level was heard");
	assert_true(isnan(number("economical", "range_nm")));
	says("present", "no engine runs");
	assert_true(isnan(number("present", "rate_lph")));
	near(number("usual", "rate_lph"), 3, 1e-9);
	assert_true(isnan(number("usual", "range_nm")));
}

static void a_map_without_speed_or_with_little_behind_it_says_so(void **state)
{
	(void)state;
	put_hour(1, true, true, 7);
	put_tank(0, 90, 4);
	put_map(0, false, false, 120);
	ask();
	assert_true(isnan(number("economical", "rpm")));
	assert_true(isnan(number("economical", "range_h")));
	says("economical", "no speed of the boat");
	put_map(0, true, true, 12);
	ask();
	assert_true(isnan(number("economical", "rpm")));
	says("economical", "not known yet");
}

/* Where no rate is heard, the map knows it: at 2,000 rpm 1.6 + 0.8 · (10/7)³ = 3.9324 L/h. */
static void a_rate_that_is_not_heard_comes_from_the_map(void **state)
{
	(void)state;
	put_hour(1, false, true, 7);
	put_map(0, true, true, 120);
	put_tank(0, 100, 0);
	tell_tank(0, 120, NAN);
	ask();
	near(number("present", "rate_lph"), 3.932362, 1e-5);
	near(number("present", "fuel_l"), 88, 1e-9); /* a tenth of 120 L stays */
	near(number("present", "range_h"), 88 / 3.932362, 1e-4);
	says("present", "learned map");
	says("present", "12 L kept back (a tenth: no reserve is set)");
	/* Not even its capacity is known: a tenth of what is in it. */
	tell_tank(0, NAN, NAN);
	ask();
	near(number("present", "fuel_l"), 90, 1e-9);
}

static void twins_with_a_tank_each_go_as_far_as_the_emptier_one(void **state)
{
	struct boat *boat = &fixture.line.settings.boat;

	(void)state;
	boat->engines[1].present = true;
	boat->engines[0].tank = 0;
	boat->engines[1].tank = 1;
	put_hour(2, true, true, 7);
	put_map(0, true, true, 120);
	put_map(1, true, true, 120);
	put_tank(0, 90, 0);
	put_tank(1, 66, 0);
	tell_tank(0, 120, 18);
	tell_tank(1, 120, 18);
	ask();
	near(number("present", "rate_lph"), 6, 1e-6);
	near(number("present", "range_h"), 16, 1e-6); /* 48 L at 3 L/h */
	near(number("present", "range_nm"), 112, 1e-6);
	near(number("economical", "rate_lph"), 4.8, 1e-9);
	near(number("economical", "range_h"), 20, 1e-9);
	near(number("economical", "l_per_nm"), 4.8 / 5.6, 1e-9);
	near(number("usual", "rate_lph"), 6, 1e-9); /* of the boat, an hour of the clock */
	near(number("usual", "l_per_nm"), 6.0 / 7, 1e-9);
	near(number("usual", "range_h"), 16, 1e-9);
	says("present", "tank 1 comes to its reserve first");
	/* The same boat with both tanks open to both engines: 120 L at 6 L/h. */
	boat->engines[0].tank = -1;
	ask();
	near(number("present", "range_h"), 20, 1e-6);
}

static void a_tank_not_heard_while_engines_ran_has_no_range(void **state)
{
	(void)state;
	put_hour(1, true, true, 7);
	put_map(0, true, true, 120);
	struct fact_tank old = {.tank = 0, .session = 1, .t_ns = MIDNIGHT - HOUR_NS / 2, .volume_l = 90,
		.volume_sd_l = 3, .volume_15_l = 90, .fuel_c = NAN, .mismatch_l = NAN,
		.mismatch_sd_l = NAN};
	fixture.sink.on_tank(fixture.sink.context, &old);
	ask();
	assert_true(isnan(number("present", "range_h")));
	says("present", "what is in the tank is not known now");
	near(number("present", "rate_lph"), 3, 1e-6);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(the_economical_speed_is_where_calculus_puts_it, begin, end),
		cmocka_unit_test_setup_teardown(without_speed_through_the_water_the_ground_must_do, begin,
			end),
		cmocka_unit_test_setup_teardown(a_map_without_speed_or_with_little_behind_it_says_so, begin,
			end),
		cmocka_unit_test_setup_teardown(a_rate_that_is_not_heard_comes_from_the_map, begin, end),
		cmocka_unit_test_setup_teardown(twins_with_a_tank_each_go_as_far_as_the_emptier_one, begin,
			end),
		cmocka_unit_test_setup_teardown(a_tank_not_heard_while_engines_ran_has_no_range, begin, end),
	};
	int failed = cmocka_run_group_tests(tests, NULL, NULL);

	json_decref(asked);
	return failed;
}
