#include <string.h>

#include "analysis/temperature_watch.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

static const struct temperature_config config = {
	.limit_c = 95,
	.hysteresis_c = NAN,
	.hold_s = NAN,
	.drift_c = NAN,
	.warm_up_s = NAN,
	.least_c = NAN,
};

static struct temperature_window at(double mean_c, double load, double running_s)
{
	return (struct temperature_window){
		.mean_c = mean_c,
		.low_c = mean_c - 0.5,
		.high_c = mean_c + 0.5,
		.step_c = 1,
		.load = load,
		.sea_c = NAN,
		.running_s = running_s,
	};
}

static void a_limit_holds_and_has_hysteresis(void **state)
{
	struct temperature_watch t;
	struct batch_change change;

	(void)state;
	temperature_init(&t, &config);
	const struct {
		double c;
		enum temperature_news news;
	} steps[] = {{96, TEMPERATURE_QUIET}, {94, TEMPERATURE_QUIET}, {96, TEMPERATURE_QUIET},
		{97, TEMPERATURE_HIGH}, {98, TEMPERATURE_QUIET}, {93, TEMPERATURE_QUIET},
		{96, TEMPERATURE_QUIET}, {91, TEMPERATURE_QUIET}, {91, TEMPERATURE_QUIET},
		{91, TEMPERATURE_QUIET}, {91, TEMPERATURE_QUIET}, {91, TEMPERATURE_QUIET},
		{91, TEMPERATURE_HIGH_CLEARED}, {91, TEMPERATURE_QUIET}};
	for (size_t i = 0; i < sizeof(steps) / sizeof(steps[0]); i++) {
		struct temperature_window w = at(steps[i].c, NAN, 60);
		assert_int_equal(temperature_take(&t, &config, &w, &change), steps[i].news);
	}
}

static void without_a_limit_nothing_is_too_hot(void **state)
{
	struct temperature_config none = config;
	struct temperature_watch t;
	struct batch_change change;

	(void)state;
	none.limit_c = NAN;
	temperature_init(&t, &none);
	for (int i = 0; i < 100; i++) {
		struct temperature_window w = at(140, NAN, 60);
		assert_int_equal(temperature_take(&t, &none, &w, &change), TEMPERATURE_QUIET);
	}
}

/* Exhaust-like: 250 °C and 300 more at full load, sea water taking half a degree a degree; legs of
 * an hour; noise of 2 °C with a memory of five minutes. Returns news of drift by count. */
static void season(uint64_t seed, int hours, int fault_h, double fault_c, int *ret_hotter,
	int *ret_colder, double *ret_delay_h, double *ret_shift)
{
	struct temperature_config exhaust = config;
	struct temperature_watch t;
	struct scenario_random r;
	struct scenario_wander noise;

	exhaust.limit_c = NAN;
	exhaust.drift_c = 15;
	scenario_random_init(&r, seed, 0);
	scenario_wander_init(&noise, 4, 300, &r);
	temperature_init(&t, &exhaust);
	*ret_hotter = 0;
	*ret_colder = 0;
	double load = 0.5;
	for (int i = 0; i < hours * 360; i++) {
		if (i % 360 == 0) {
			load = scenario_random_between(&r, 0.3, 0.9);
		}
		double sea = 15 + 10 * sin(i / 360.0 / hours * 6.28);
		double c = 250 + 300 * load * load + 0.5 * (sea - 15) +
			   scenario_wander_step(&noise, 10, &r) +
			   (i >= fault_h * 360 ? fault_c : 0);
		struct temperature_window w = at(floor(c), load, 3600);
		w.sea_c = sea;
		struct batch_change change = {0};
		enum temperature_news news = temperature_take(&t, &exhaust, &w, &change);
		*ret_hotter += news == TEMPERATURE_HOTTER;
		*ret_colder += news == TEMPERATURE_COLDER;
		if (news == TEMPERATURE_HOTTER || news == TEMPERATURE_COLDER) {
			*ret_delay_h = i / 360.0 - fault_h;
			*ret_shift = change.shift;
			return;
		}
	}
}

/* An hour each at 50 % and at 70 %, 80 and 90 °C with the sea at 15 °C. */
static void the_usual_is_told_at_loads_that_were_learned(void **state)
{
	struct temperature_watch t;
	struct batch_change change;

	(void)state;
	temperature_init(&t, &config);
	for (int i = 0; i < 720; i++) {
		double load = i < 360 ? 0.52 : 0.72;
		struct temperature_window w = at(i < 360 ? 80 : 90, load, 3600);
		if (i == 180) {
			assert_true(isnan(temperature_usual(&t, 0.52, 15))); /* half an hour */
		}
		w.sea_c = 15;
		assert_int_equal(temperature_take(&t, &config, &w, &change), TEMPERATURE_QUIET);
	}
	near(temperature_usual(&t, 0.52, 15), 80, 0.01);
	near(temperature_usual(&t, 0.72, NAN), 90, 0.01);
	near(temperature_usual(&t, 0.54, 15), 81, 0.01); /* a degree for two hundredths of load */
	near(temperature_usual(&t, 0.52, 20), 81, 0.01); /* 0.2 °C a degree of sea, until it is learned */
	assert_true(isnan(temperature_usual(&t, 0.92, 15)));
	assert_true(isnan(temperature_usual(&t, 0.1, 15)));
	assert_true(isnan(temperature_usual(&t, NAN, 15)));
}

static void drift_at_equal_load_is_found(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 8; seed++) {
		int hotter;
		int colder;
		double delay = -1;
		double shift = 0;
		double fault = seed % 2 == 0 ? 20 : -20;
		season(seed, 120, 90, fault, &hotter, &colder, &delay, &shift);
		assert_int_equal(hotter, seed % 2 == 0);
		assert_int_equal(colder, seed % 2 == 1);
		assert_true(delay > 0 && delay < 5);
		near(shift, fault, 8);
	}
}

static void healthy_seasons_stay_quiet(void **state)
{
	int told = 0;

	(void)state;
	for (uint64_t seed = 20; seed < 30; seed++) { /* 3,000 h */
		int hotter;
		int colder;
		double delay;
		double shift;
		season(seed, 300, 300, 0, &hotter, &colder, &delay, &shift);
		told += hotter + colder;
	}
	assert_int_equal(told, 0);
}

/* Coolant of an engine that charges a battery at a light load: short runs that never warm up, and
 * now and then a long one that does. */
static void a_long_run_at_a_light_load_is_not_told_as_a_drift(void **state)
{
	struct temperature_config coolant = config;
	struct temperature_watch t;
	struct batch_change change;

	(void)state;
	coolant.limit_c = NAN;
	temperature_init(&t, &coolant);
	for (int run = 0; run < 60; run++) {
		int windows = run % 25 == 24 ? 1440 : 360;
		for (int i = 0; i < windows; i++) {
			double c = 80 - 58 * exp(-i / 160.0);
			struct temperature_window w =
				at(floor(c), 0.05 + 0.09 * exp(-i / 200.0), i * 10);
			assert_int_equal(
				temperature_take(&t, &coolant, &w, &change), TEMPERATURE_QUIET);
		}
	}
}

/* The sea's temperature comes in one window of three. */
static void a_sea_that_is_heard_now_and_then_is_no_drift(void **state)
{
	struct temperature_config exhaust = config;
	struct temperature_watch t;
	struct batch_change change;
	struct scenario_random r;

	(void)state;
	exhaust.limit_c = NAN;
	scenario_random_init(&r, 3, 0);
	temperature_init(&t, &exhaust);
	for (int i = 0; i < 60 * 360; i++) {
		double sea = 27 + 2 * sin(i / 3000.0);
		double c = 80 + 1.2 * (sea - 15) + scenario_random_normal(&r);
		struct temperature_window w = at(c, 0.5, 3600);
		w.step_c = 0.1;
		w.sea_c = (i / 360) % 3 == 0 ? sea : NAN;
		assert_int_equal(temperature_take(&t, &exhaust, &w, &change), TEMPERATURE_QUIET);
	}
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	struct temperature_watch whole;
	struct temperature_watch resumed;
	struct scenario_random r;

	(void)state;
	temperature_init(&whole, &config);
	temperature_init(&resumed, &config);
	scenario_random_init(&r, 1, 0);
	for (int i = 0; i < 40000; i++) {
		uint8_t bytes[256];
		struct state_writer writer;
		struct state_reader reader;
		double load = 0.4 + 0.3 * ((i / 400) % 3) / 2;
		struct temperature_window w =
			at(80 + 10 * load + scenario_random_normal(&r) + (i > 30000 ? 9 : 0), load,
				3600);
		w.sea_c = 12 + (i % 5000) * 0.002;
		struct batch_change a = {0};
		struct batch_change b = {0};
		assert_int_equal(temperature_take(&whole, &config, &w, &a),
			temperature_take(&resumed, &config, &w, &b));
		assert_memory_equal(&a, &b, sizeof(a));
		if (i % 17 != 0) {
			continue;
		}
		state_writer_init(&writer, bytes, sizeof(bytes));
		temperature_save(&resumed, &writer);
		assert_false(writer.failed);
		memset(&resumed, 0x77, sizeof(resumed));
		state_reader_init(&reader, bytes, writer.used);
		temperature_load(&resumed, &reader);
		assert_false(reader.failed);
		assert_int_equal(reader.used, writer.used);
	}
	assert_true(whole.drift.raised == 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_limit_holds_and_has_hysteresis),
		cmocka_unit_test(without_a_limit_nothing_is_too_hot),
		cmocka_unit_test(the_usual_is_told_at_loads_that_were_learned),
		cmocka_unit_test(drift_at_equal_load_is_found),
		cmocka_unit_test(healthy_seasons_stay_quiet),
		cmocka_unit_test(a_long_run_at_a_light_load_is_not_told_as_a_drift),
		cmocka_unit_test(a_sea_that_is_heard_now_and_then_is_no_drift),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
