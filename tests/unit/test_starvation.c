#include <string.h>

#include "analysis/starvation.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

static const struct starvation_config config = {.pressure_limit_kpa = NAN};

/* An engine with a mechanical pump: pressure rises with speed; the governor holds the speed within
 * 10 rpm. */
static struct starvation_window healthy(struct scenario_random *r, double rpm, double demand)
{
	double p = 100 + 0.05 * rpm + 4 * scenario_random_normal(r);
	double speed = rpm + 5 * scenario_random_normal(r);

	return (struct starvation_window){
		.rpm = speed,
		.rpm_low = speed - 8,
		.rpm_high = speed + 8,
		.demand_pct = demand,
		.demand_low_pct = demand - 0.4,
		.demand_high_pct = demand + 0.4,
		.pressure_kpa = p,
		.pressure_low_kpa = p - 8,
		.pressure_high_kpa = p + 8,
		.pressure_step_kpa = 4,
		.restriction_share = NAN,
		.running_s = 600,
	};
}

static void learn(struct starvation *s, struct scenario_random *r, bool pressure, bool demand)
{
	struct starvation_news news;

	starvation_init(s);
	for (int i = 0; i < 1500; i++) {
		int leg = (i / 60) % 3;
		struct starvation_window w = healthy(r, 1800 + 400 * leg, 40 + 20 * leg);
		if (!pressure) {
			w.pressure_kpa = w.pressure_low_kpa = w.pressure_high_kpa = NAN;
		}
		if (!demand) {
			w.demand_pct = w.demand_low_pct = w.demand_high_pct = NAN;
		}
		assert_false(starvation_take(s, &config, &w, &news));
	}
}

/* Feeds a fault until something is raised; returns windows, -1 for never. */
typedef void (*fault_fn)(struct starvation_window *w, int i);

static int until_raised(struct starvation *s, struct scenario_random *r, fault_fn fault,
	int windows, struct starvation_news *ret_news)
{
	for (int i = 0; i < windows; i++) {
		struct starvation_window w = healthy(r, 2200, 60);
		fault(&w, i);
		if (starvation_take(s, &config, &w, ret_news) && ret_news->starving_raised) {
			return i;
		}
	}
	return -1;
}

static void loaded_filter(struct starvation_window *w, int i)
{
	(void)i;
	w->pressure_kpa *= 0.4;
	w->pressure_low_kpa *= 0.4;
	w->pressure_high_kpa *= 0.4;
	w->restriction_share = 0.9;
}

static void loading_filter(struct starvation_window *w, int i)
{
	(void)i;
	w->pressure_kpa *= 0.65;
	w->pressure_low_kpa *= 0.65;
	w->pressure_high_kpa *= 0.65;
	w->restriction_share = 0.9;
}

static void sag_and_speed(struct starvation_window *w, int i)
{
	loading_filter(w, i);
	w->restriction_share = NAN;
	w->rpm *= 0.93;
	w->rpm_low *= 0.93;
	w->rpm_high *= 0.93;
}

static void air(struct starvation_window *w, int i)
{
	double swing = i % 2 == 0 ? 90 : 70;

	w->pressure_low_kpa -= swing;
	w->pressure_high_kpa += 20;
	w->pressure_kpa -= 20;
	w->rpm_low -= 90;
	w->rpm_high += 40;
	w->restriction_share = 0.2;
}

static void blind(struct starvation_window *w, int i)
{
	sag_and_speed(w, i);
	w->pressure_kpa = w->pressure_low_kpa = w->pressure_high_kpa = NAN;
	w->restriction_share = 0.85;
}

static void pressure_that_sags_behind_a_loaded_filter_is_starvation(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 1, 0);
	learn(&s, &r, true, true);
	int after = until_raised(&s, &r, loaded_filter, 100, &news);
	assert_in_range(after, 2, 5);
	assert_int_equal(news.kind, STARVATION_FILTER);
}

static void pressure_that_only_follows_a_loading_filter_is_the_filter_s_care(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 10, 0);
	learn(&s, &r, true, true);
	assert_int_equal(until_raised(&s, &r, loading_filter, 500, &news), -1);
	assert_false(s.pressure_low);
}

static void pressure_and_speed_that_sag_are_starvation_without_a_filter_sensor(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 2, 0);
	learn(&s, &r, true, true);
	for (int i = 0; i < 20; i++) {
		struct starvation_window w = healthy(&r, 2200, 60);
		assert_false(starvation_take(&s, &config, &w, &news));
	}
	int after = until_raised(&s, &r, sag_and_speed, 100, &news);
	assert_in_range(after, 2, 6);
	assert_int_equal(news.kind, STARVATION_UNKNOWN);
	near(news.rpm_sag_share, 0.07, 0.02);
}

static void pressure_that_flutters_while_the_speed_hunts_is_air(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 3, 0);
	learn(&s, &r, true, true);
	int after = until_raised(&s, &r, air, 100, &news);
	assert_in_range(after, 2, 8);
	assert_int_equal(news.kind, STARVATION_AIR);
}

/* Little by little, over two hours: a pressure that ends a sixth lower, a speed that comes to swing
 * by 3 %. Neither alone would be told. */
static double slow_air_share(int i)
{
	return i < 720 ? i / 720.0 : 1;
}

static void slow_air(struct starvation_window *w, int i)
{
	double share = slow_air_share(i);

	w->pressure_kpa -= 48 * share;
	w->pressure_low_kpa -= 50 * share;
	w->pressure_high_kpa -= 46 * share;
	w->rpm_low -= 33 * share;
	w->rpm_high += 33 * share;
	w->restriction_share = 0.2;
}

static void slow_air_without_demand(struct starvation_window *w, int i)
{
	slow_air(w, i);
	w->demand_pct = w->demand_low_pct = w->demand_high_pct = NAN;
}

static void a_rough_sea(struct starvation_window *w, int i)
{
	slow_air(w, i);
	w->pressure_kpa += 40 * slow_air_share(i);
	w->demand_pct = w->demand_low_pct = w->demand_high_pct = NAN;
}

static void a_pump_that_tires(struct starvation_window *w, int i)
{
	double rpm = w->rpm;

	slow_air_without_demand(w, i);
	w->rpm_low = rpm - 5;
	w->rpm_high = rpm + 5;
}

static void air_that_comes_little_by_little_is_told_with_and_without_a_demand(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	for (int demand = 0; demand < 2; demand++) {
		scenario_random_init(&r, 12, 0);
		learn(&s, &r, true, demand == 1);
		int after = until_raised(
			&s, &r, demand == 1 ? slow_air : slow_air_without_demand, 900, &news);
		assert_in_range(after, 100, 700);
		assert_int_equal(news.kind, STARVATION_AIR);
	}
}

static void a_restless_speed_or_a_lower_pressure_alone_is_nothing(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 13, 0);
	learn(&s, &r, true, false);
	assert_int_equal(until_raised(&s, &r, a_rough_sea, 1500, &news), -1);
	learn(&s, &r, true, false);
	assert_int_equal(until_raised(&s, &r, a_pump_that_tires, 1500, &news), -1);
}

static void without_pressure_a_loaded_filter_and_a_sagging_speed_tell(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 4, 0);
	learn(&s, &r, false, true);
	for (int i = 0; i < 20; i++) {
		struct starvation_window w = healthy(&r, 2200, 60);
		w.pressure_kpa = w.pressure_low_kpa = w.pressure_high_kpa = NAN;
		assert_false(starvation_take(&s, &config, &w, &news));
	}
	int after = until_raised(&s, &r, blind, 100, &news);
	assert_in_range(after, 2, 8);
	assert_int_equal(news.kind, STARVATION_FILTER);
}

static void a_moved_throttle_is_nothing(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	for (int demand = 0; demand < 2; demand++) {
		scenario_random_init(&r, 5, 0);
		learn(&s, &r, true, demand == 1);
		double rpm = 2200;
		for (int i = 0; i < 5000; i++) {
			if (scenario_random_share(&r) < 0.3) {
				rpm = scenario_random_between(&r, 1500, 2700);
			}
			struct starvation_window w = healthy(&r, rpm, rpm / 30);
			w.rpm_low -= 200;
			w.demand_low_pct -= 10;
			if (demand == 0) {
				w.demand_pct = w.demand_low_pct = w.demand_high_pct = NAN;
			}
			(void)starvation_take(&s, &config, &w, &news);
			assert_false(news.starving_raised);
			assert_false(news.pressure_low_raised);
		}
	}
}

static void it_clears_after_ten_quiet_minutes_unless_the_filter_is_loaded(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;
	int cleared = -1;

	(void)state;
	scenario_random_init(&r, 6, 0);
	learn(&s, &r, true, true);
	assert_true(until_raised(&s, &r, loaded_filter, 100, &news) >= 0);
	for (int i = 0; i < 400; i++) {
		struct starvation_window w = healthy(&r, 2200, 60);
		w.restriction_share = 0.9;
		assert_false(starvation_take(&s, &config, &w, &news));
	}
	for (int i = 0; i < 100 && cleared < 0; i++) {
		struct starvation_window w = healthy(&r, 2200, 60);
		w.restriction_share = 0.1; /* a new element */
		(void)starvation_take(&s, &config, &w, &news);
		cleared = news.starving_cleared ? i : -1;
	}
	assert_in_range(cleared, 0, 2);
}

static void pressure_low_has_a_limit_a_hold_and_hysteresis(void **state)
{
	const struct starvation_config told = {.pressure_limit_kpa = 150};
	static const double kpa[] = {200, 140, 200, 140, 140, 140, 170, 170};
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;
	int raised = -1;
	int cleared = -1;

	(void)state;
	scenario_random_init(&r, 7, 0);
	starvation_init(&s);
	for (int i = 0; i < 100; i++) {
		struct starvation_window w = healthy(&r, 2200, 60);
		w.pressure_kpa = w.pressure_low_kpa = w.pressure_high_kpa = i < 8 ? kpa[i] : 200;
		(void)starvation_take(&s, &told, &w, &news);
		raised = news.pressure_low_raised ? i : raised;
		cleared = news.pressure_low_cleared ? i : cleared;
	}
	assert_int_equal(raised, 5);
	assert_int_equal(cleared, 8 + 59); /* ten minutes above 1.25 times the limit */
	/* Without a limit, 40 % of the usual is too low. */
	learn(&s, &r, true, true);
	raised = -1;
	for (int i = 0; i < 10 && raised < 0; i++) {
		struct starvation_window w = healthy(&r, 2200, 60);
		w.pressure_kpa = w.pressure_low_kpa = w.pressure_high_kpa = 80;
		(void)starvation_take(&s, &config, &w, &news);
		raised = news.pressure_low_raised ? i : -1;
	}
	assert_int_equal(raised, 2);
	near(news.pressure_limit_kpa, 0.4 * 210, 3);
	near(starvation_pressure_pct(&s, 2200, 105), -50, 2);
}

/* Legs of ten minutes at three speeds, the pressure times share; returns windows until it is told
 * as sunk, -1 for never. */
static int until_sunk(struct starvation *s, struct scenario_random *r, double from_share,
	double to_share, int windows)
{
	struct starvation_news news;

	for (int i = 0; i < windows; i++) {
		struct starvation_window w = healthy(r, 1800 + 400 * (i / 60 % 3), NAN);
		w.pressure_kpa *= from_share + (to_share - from_share) * i / windows;
		w.pressure_low_kpa = w.pressure_kpa - 8;
		w.pressure_high_kpa = w.pressure_kpa + 8;
		(void)starvation_take(s, &config, &w, &news);
		assert_false(news.starving_raised || news.pressure_low_raised);
		if (news.sunk_raised) {
			return i;
		}
	}
	return -1;
}

static void a_pressure_that_has_sunk_is_told_before_it_is_usual(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 21, 0);
	learn(&s, &r, true, false);
	double usual = s.usual_kpa[8];
	int after = until_sunk(&s, &r, 0.7, 0.7, 3000);
	assert_in_range(after, 360, 1080); /* within three hours of running */
	assert_true(s.usual_kpa[8] > 0.96 * usual && s.once_kpa[8] > 0.96 * usual);
	/* Repaired: over after an hour, once. */
	int cleared = 0;
	for (int i = 0; i < 1000; i++) {
		struct starvation_window w = healthy(&r, 1800 + 400 * (i / 60 % 3), NAN);
		(void)starvation_take(&s, &config, &w, &news);
		cleared += news.sunk_cleared;
		assert_true(!news.sunk_cleared || i >= 359);
	}
	assert_int_equal(cleared, 1);
	assert_false(s.sunk || s.sinking);
}

/* 200 hours, in which the usual follows each step. */
static void a_lift_pump_that_fades_over_a_season_is_told(void **state)
{
	struct scenario_random r;
	struct starvation s;

	(void)state;
	scenario_random_init(&r, 22, 0);
	learn(&s, &r, true, false);
	int after = until_sunk(&s, &r, 1, 0.5, 72000);
	assert_in_range(after, 28800, 38000); /* from 80 % on, before it is at 73 % */
	learn(&s, &r, true, false);
	assert_int_equal(until_sunk(&s, &r, 1, 0.85, 72000), -1);
}

static void a_pressure_that_lacks_at_high_speed_only_is_told(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;
	bool told = false;

	(void)state;
	scenario_random_init(&r, 23, 0);
	learn(&s, &r, true, false);
	for (int i = 0; i < 4320 && !told; i++) {
		int leg = i / 60 % 3;
		struct starvation_window w = healthy(&r, 1800 + 400 * leg, NAN);
		w.pressure_kpa *= leg == 2 ? 0.65 : 1;
		(void)starvation_take(&s, &config, &w, &news);
		told = news.sunk_raised;
		assert_true(!told || i < 2800);
	}
	assert_true(told);
	/* Hours at lower speeds say nothing of it, one at that speed does. */
	for (int i = 0; i < 1500; i++) {
		struct starvation_window w = healthy(&r, i < 1100 ? 2200 : 2600, NAN);
		(void)starvation_take(&s, &config, &w, &news);
		assert_true(news.sunk_cleared == (i == 1100 + 359));
	}
}

static void what_a_loaded_filter_takes_for_days_is_not_told_as_sunk(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 24, 0);
	for (int loaded = 0; loaded < 2; loaded++) {
		unsigned told = 0;
		learn(&s, &r, true, false);
		for (int i = 0; i < 3000; i++) {
			struct starvation_window w = healthy(&r, 2200, NAN);
			w.pressure_kpa *= 0.7;
			w.restriction_share = loaded == 1 ? 0.75 : 0.65;
			(void)starvation_take(&s, &config, &w, &news);
			told += news.sunk_raised;
		}
		assert_int_equal(told, 1 - loaded);
	}
}

static void starting_is_nothing(void **state)
{
	struct scenario_random r;
	struct starvation s;
	struct starvation_news news;

	(void)state;
	scenario_random_init(&r, 8, 0);
	learn(&s, &r, true, true);
	for (int start = 0; start < 50; start++) {
		for (int i = 0; i < 10; i++) {
			struct starvation_window w =
				healthy(&r, i < 3 ? 300 * i : 2200, i < 3 ? 0 : 60);
			w.running_s = 10 * i;
			if (i < 3) {
				w.pressure_kpa = w.pressure_low_kpa = 10 * i;
				w.rpm_high += 900;
			}
			assert_false(starvation_take(&s, &config, &w, &news));
		}
	}
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	struct scenario_random r;
	struct starvation whole;
	struct starvation resumed;

	(void)state;
	scenario_random_init(&r, 9, 0);
	starvation_init(&whole);
	starvation_init(&resumed);
	for (int i = 0; i < 3000; i++) {
		uint8_t bytes[256];
		struct state_writer writer;
		struct state_reader reader;
		struct starvation_window w =
			healthy(&r, 1800 + 100 * ((i / 50) % 5), 50 + (i / 50) % 5);
		if (i > 2000 && i % 300 < 40) {
			air(&w, i);
		}
		w.pressure_kpa *= i > 1200 && i < 1900 ? 0.7 : 1;
		struct starvation_news a;
		struct starvation_news b;
		assert_int_equal(starvation_take(&whole, &config, &w, &a),
			starvation_take(&resumed, &config, &w, &b));
		assert_int_equal(a.starving_raised, b.starving_raised);
		assert_int_equal(a.sunk_raised, b.sunk_raised);
		assert_int_equal(a.sunk_cleared, b.sunk_cleared);
		state_writer_init(&writer, bytes, sizeof(bytes));
		starvation_save(&resumed, &writer);
		assert_false(writer.failed);
		assert_true(writer.used < 220);
		memset(&resumed, 0x11, sizeof(resumed));
		state_reader_init(&reader, bytes, writer.used);
		starvation_load(&resumed, &reader);
		assert_false(reader.failed);
		assert_int_equal(reader.used, writer.used);
	}
	assert_memory_equal(&whole.usual_kpa, &resumed.usual_kpa, sizeof(whole.usual_kpa));
	assert_memory_equal(&whole.once_kpa, &resumed.once_kpa, sizeof(whole.once_kpa));
	assert_true(whole.once_kpa[8] > 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(pressure_that_sags_behind_a_loaded_filter_is_starvation),
		cmocka_unit_test(pressure_that_only_follows_a_loading_filter_is_the_filter_s_care),
		cmocka_unit_test(
			pressure_and_speed_that_sag_are_starvation_without_a_filter_sensor),
		cmocka_unit_test(pressure_that_flutters_while_the_speed_hunts_is_air),
		cmocka_unit_test(air_that_comes_little_by_little_is_told_with_and_without_a_demand),
		cmocka_unit_test(a_restless_speed_or_a_lower_pressure_alone_is_nothing),
		cmocka_unit_test(without_pressure_a_loaded_filter_and_a_sagging_speed_tell),
		cmocka_unit_test(a_moved_throttle_is_nothing),
		cmocka_unit_test(it_clears_after_ten_quiet_minutes_unless_the_filter_is_loaded),
		cmocka_unit_test(pressure_low_has_a_limit_a_hold_and_hysteresis),
		cmocka_unit_test(a_pressure_that_has_sunk_is_told_before_it_is_usual),
		cmocka_unit_test(a_lift_pump_that_fades_over_a_season_is_told),
		cmocka_unit_test(a_pressure_that_lacks_at_high_speed_only_is_told),
		cmocka_unit_test(what_a_loaded_filter_takes_for_days_is_not_told_as_sunk),
		cmocka_unit_test(starting_is_nothing),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
