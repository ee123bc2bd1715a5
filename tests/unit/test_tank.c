#include <string.h>

#include "analysis/tank.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

/* A wedge-shaped tank of 400 L: volume ∝ level². */
static struct tank_config wedge(bool with_table)
{
	struct tank_config config = {.capacity_l = 400, .density15_kgm3 = 845};

	if (with_table) {
		config.strapping.count = 11;
		for (size_t i = 0; i < 11; i++) {
			config.strapping.points[i] =
				(struct strapping_point){10.0 * (double)i, 4.0 * (double)(i * i)};
		}
	}
	return config;
}

/* The boat around the tank: slosh under way, heel that stays for an hour, a sender of 0.4 % steps.
 */
struct sea {
	struct scenario_random random;
	struct scenario_wander slosh;
	struct scenario_wander heel;
	double fuel_l;
	double step_pct;
};

static void sea_init(struct sea *s, uint64_t seed, double fuel_l, double step_pct)
{
	scenario_random_init(&s->random, seed, 4);
	scenario_wander_init(&s->slosh, 4, 15, &s->random);
	scenario_wander_init(&s->heel, 2.5, 3600, &s->random);
	s->fuel_l = fuel_l;
	s->step_pct = step_pct;
}

static struct tank_window sea_window(struct sea *s, double rate_lph, bool moving, bool wedge_shaped)
{
	double burned = rate_lph / 360;

	s->fuel_l -= burned;
	double level = wedge_shaped ? 100 * sqrt(s->fuel_l / 400) : s->fuel_l / 4;
	double slosh = scenario_wander_step(&s->slosh, 10, &s->random);
	double heel = scenario_wander_step(&s->heel, 10, &s->random);
	level += moving ? slosh + heel : 0.1 * slosh;
	return (struct tank_window){
		.level_pct = s->step_pct * floor(level / s->step_pct + 0.5),
		.burned_l = burned,
		.running = rate_lph > 0,
		.at_rest = !moving,
		.silent_s = 0,
		.fuel_c = NAN,
	};
}

static void a_level_becomes_a_volume_by_table_or_line(void **state)
{
	struct tank_config table = wedge(true);
	struct tank_config line = wedge(false);

	(void)state;
	near(tank_volume_of_level(&line, 25), 100, 1e-12);
	near(tank_volume_of_level(&line, 120), 400, 1e-12);
	near(tank_volume_of_level(&table, 50), 100, 1e-12);
	near(tank_volume_of_level(&table, 55), 122, 1e-12); /* between 100 and 144 */
	near(tank_volume_of_level(&table, -3), 0, 1e-12);
	near(tank_volume_of_level(&table, 105), 400, 1e-12);
	/* ASTM D1250 table 54B for 845 kg/m³, by a separate computation: 0.99161 at 25 °C. */
	near(tank_volume15(&table, 200, 25), 198.32, 0.01);
	near(tank_volume15(&table, 200, NAN), 200, 0);
}

static void slosh_is_filtered(void **state)
{
	struct tank_config config = wedge(false);
	struct tank_news news;
	struct tank t;
	struct sea s;
	double worst = 0;

	(void)state;
	tank_init(&t);
	sea_init(&s, 1, 300, 0.4);
	for (int i = 0; i < 3 * 360; i++) {
		struct tank_window w = sea_window(&s, 20, true, false);
		assert_int_equal(tank_take(&t, &config, &w, &news), TANK_QUIET);
		double sd;
		double volume = tank_volume(&t, &config, &sd);
		if (i > 360) {
			worst = fmax(worst, fabs(volume - s.fuel_l));
			assert_true(fabs(volume - s.fuel_l) < 3 * sd);
		}
	}
	assert_true(worst < 25); /* heel of 2.5 % stays in: 10 L and more */
}

/* Fills amount_l in ten minutes at rest, heard or unheard, and returns what is told. */
static double refuel(struct tank *t, struct sea *s, const struct tank_config *config,
	double amount_l, bool heard, bool wedge_shaped, double *ret_sd)
{
	double told = NAN;
	struct tank_news news;

	for (int i = 0; i < 60; i++) {
		s->fuel_l += amount_l / 60;
		struct tank_window w = sea_window(s, 0, false, wedge_shaped);
		if (heard && tank_take(t, config, &w, &news) == TANK_REFUELLED) {
			told = news.filled_l;
		}
	}
	for (int i = 0; i < 120; i++) {
		struct tank_window w = sea_window(s, 0, false, wedge_shaped);
		w.silent_s = !heard && i == 0 ? 900 : 0;
		if (tank_take(t, config, &w, &news) == TANK_REFUELLED) {
			told = news.filled_l;
			*ret_sd = news.filled_sd_l;
		}
	}
	return told;
}

static void refuellings_are_found_and_measured_heard_or_not(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 12; seed++) {
		struct tank_config config = wedge(seed % 2 == 0);
		struct tank_news news;
		struct tank t;
		struct sea s;
		double sd = NAN;
		double amount = 40 + 20 * (double)seed;
		tank_init(&t);
		sea_init(&s, seed, 120, seed % 3 == 0 ? 0.4 : 0.004);
		for (int i = 0; i < 720; i++) {
			struct tank_window w = sea_window(&s, 10, true, seed % 2 == 0);
			assert_int_equal(tank_take(&t, &config, &w, &news), TANK_QUIET);
		}
		for (int i = 0; i < 60; i++) {
			struct tank_window w = sea_window(&s, 0, false, seed % 2 == 0);
			assert_int_equal(tank_take(&t, &config, &w, &news), TANK_QUIET);
		}
		double told = refuel(&t, &s, &config, amount, seed % 4 < 2, seed % 2 == 0, &sd);
		near(told, amount, 8);
		assert_true(fabs(told - amount) < 3 * sd);
	}
}

static void healthy_weeks_tell_no_refuelling_and_no_mismatch(void **state)
{
	int told = 0;

	(void)state;
	for (uint64_t seed = 0; seed < 10; seed++) {
		struct tank_config config = wedge(seed % 2 == 0);
		struct tank_news news;
		struct tank t;
		struct sea s;
		tank_init(&t);
		sea_init(&s, 50 + seed, 390, 0.4);
		for (int i = 0; i < 40 * 360; i++) { /* 30 h at 12 L/h with nights at anchor */
			bool moving = (i / 1800) % 4 != 3;
			struct tank_window w =
				sea_window(&s, moving ? 12 : 0, moving, seed % 2 == 0);
			told += tank_take(&t, &config, &w, &news) != TANK_QUIET;
		}
	}
	assert_int_equal(told, 0);
}

static void a_leak_is_told_with_its_size(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 6; seed++) {
		struct tank_config config = wedge(true);
		struct tank_news news;
		enum tank_state found = TANK_QUIET;
		struct tank t;
		struct sea s;
		double lost = 0;
		tank_init(&t);
		sea_init(&s, 70 + seed, 390, 0.4);
		for (int i = 0; i < 40 * 360 && found == TANK_QUIET; i++) {
			bool moving = (i / 1800) % 4 != 3;
			if (i > 3600) {
				s.fuel_l -= 3.0 / 360; /* 3 L/h, day and night */
				lost += 3.0 / 360;
			}
			struct tank_window w = sea_window(&s, moving ? 6 : 0, moving, true);
			found = tank_take(&t, &config, &w, &news);
		}
		assert_int_equal(found, TANK_MISSING);
		assert_true(lost < 100);
		assert_true(fabs(-news.mismatch_l - lost) < 3 * news.mismatch_sd_l);
	}
}

static void a_stuck_sender_is_told(void **state)
{
	struct tank_config config = wedge(false);
	struct tank_news news;
	enum tank_state found = TANK_QUIET;
	struct tank t;
	double burned = 0;

	(void)state;
	tank_init(&t);
	for (int i = 0; i < 30 * 360 && found == TANK_QUIET; i++) {
		struct tank_window w = {.level_pct = 80, .burned_l = 10.0 / 360, .running = true};
		burned += 10.0 / 360;
		found = tank_take(&t, &config, &w, &news);
	}
	assert_int_equal(found, TANK_SURPLUS);
	assert_true(burned < 120);
}

static void a_mismatch_ends_with_a_refuelling(void **state)
{
	struct tank_config config = wedge(false);
	struct tank_news news;
	struct tank t;
	struct sea s;
	double sd;

	(void)state;
	tank_init(&t);
	sea_init(&s, 90, 350, 0.004);
	for (int i = 0; i < 3000; i++) {
		struct tank_window w = sea_window(&s, 0, false, false);
		s.fuel_l -= i > 600 ? 0.03 : 0;
		(void)tank_take(&t, &config, &w, &news);
	}
	assert_int_equal(t.mismatch, -1);
	near(refuel(&t, &s, &config, 100, true, false, &sd), 100, 6);
	assert_int_equal(t.mismatch, 0);
}

/* A broken wire: the level falls to nothing for some minutes and comes back, all day long. */
static void a_sender_that_leaps_makes_no_litres_and_is_told(void **state)
{
	struct tank_config config = wedge(true);
	struct tank_news news;
	struct tank t;
	struct sea s;
	int leaps = 0;
	int cleared = 0;

	(void)state;
	tank_init(&t);
	sea_init(&s, 77, 300, 0.4);
	for (int i = 0; i < 6000; i++) {
		struct tank_window w = sea_window(&s, 0, false, true);
		w.level_pct = i > 1000 && i < 3000 && i / 30 % 2 == 0 ? 0 : w.level_pct;
		enum tank_state state_now = tank_take(&t, &config, &w, &news);
		assert_true(state_now != TANK_REFUELLED && state_now != TANK_SURPLUS);
		leaps += state_now == TANK_LEAPS;
		cleared += state_now == TANK_MISMATCH_CLEARED;
		assert_true(state_now != TANK_LEAPS || i < 1200);
		assert_true(state_now != TANK_MISMATCH_CLEARED || i > 3600);
	}
	assert_int_equal(leaps, 1);
	assert_int_equal(cleared, 1);
	double sd_l;
	near(tank_volume(&t, &config, &sd_l), 300, 4);
}

/* It is away once, and what came in meanwhile is told without what it had shown before. */
static void a_sender_that_comes_back_brings_what_came_in_meanwhile(void **state)
{
	(void)state;
	for (int filled = 0; filled < 2; filled++) {
		struct tank_config config = wedge(true);
		struct tank_news news;
		struct tank t;
		struct sea s;
		double told_l = 0;
		tank_init(&t);
		sea_init(&s, 78, 200, 0.4);
		for (int i = 0; i < 3000; i++) {
			s.fuel_l += filled == 1 && i == 1200 ? 100 : 0;
			struct tank_window w = sea_window(&s, 0, false, true);
			w.level_pct = i > 1000 && i < 1500 ? 0 : w.level_pct;
			if (tank_take(&t, &config, &w, &news) == TANK_REFUELLED) {
				told_l += news.filled_l;
			}
		}
		near(told_l, 100 * filled, 4);
	}
}

/* 20 L are burned while it is away, and 100 L come in: it shows 80 L more, 100 L came in. */
static void what_is_burned_while_a_sender_is_away_came_in_too(void **state)
{
	struct tank_config config = wedge(true);
	struct tank_news news;
	struct tank t;
	struct sea s;
	double told_l = 0;

	(void)state;
	tank_init(&t);
	sea_init(&s, 79, 200, 0.4);
	for (int i = 0; i < 3000; i++) {
		s.fuel_l += i == 2000 ? 100 : 0;
		struct tank_window w = sea_window(&s, i > 1100 && i <= 1820 ? 10 : 0, false, true);
		w.level_pct = i > 1000 && i < 2300 ? 0 : w.level_pct;
		if (tank_take(&t, &config, &w, &news) == TANK_REFUELLED) {
			told_l += news.filled_l;
		}
	}
	near(told_l, 100, 4);
}

static void range_keeps_the_reserve(void **state)
{
	(void)state;
	struct tank_range r = tank_range(200, 10, 50, 15, 0.1, 6);
	near(r.hours, 10, 1e-12);
	near(r.miles, 60, 1e-12);
	/* 10/15 h and 1 h together: 1.2019 h; 1.2816 of them. */
	near(r.hours_low, 10 - 1.2816 * 1.20185, 1e-4);
	r = tank_range(40, 10, 50, 15, 0.1, NAN);
	near(r.hours, 0, 0);
	near(r.hours_low, 0, 0);
	assert_true(isnan(r.miles));
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	struct tank_config config = wedge(true);
	struct tank whole;
	struct tank resumed;
	struct sea s;

	(void)state;
	tank_init(&whole);
	tank_init(&resumed);
	sea_init(&s, 99, 200, 0.4);
	for (int i = 0; i < 6000; i++) {
		uint8_t bytes[128];
		struct state_writer writer;
		struct state_reader reader;
		struct tank_news a;
		struct tank_news b;
		bool moving = i % 1500 < 1000;
		s.fuel_l += i > 2600 && i < 2660 ? 3 : 0;
		struct tank_window w = sea_window(&s, moving ? 10 : 0, moving, true);
		w.level_pct = i > 4000 && i < 4600 && i / 50 % 2 == 0 ? 0 : w.level_pct;
		assert_int_equal(
			tank_take(&whole, &config, &w, &a), tank_take(&resumed, &config, &w, &b));
		assert_memory_equal(&a, &b, sizeof(a));
		state_writer_init(&writer, bytes, sizeof(bytes));
		tank_save(&resumed, &writer);
		assert_false(writer.failed);
		assert_true(writer.used < 88);
		memset(&resumed, 0x42, sizeof(resumed));
		state_reader_init(&reader, bytes, writer.used);
		tank_load(&resumed, &reader);
		assert_false(reader.failed);
		assert_int_equal(reader.used, writer.used);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_level_becomes_a_volume_by_table_or_line),
		cmocka_unit_test(slosh_is_filtered),
		cmocka_unit_test(refuellings_are_found_and_measured_heard_or_not),
		cmocka_unit_test(healthy_weeks_tell_no_refuelling_and_no_mismatch),
		cmocka_unit_test(a_leak_is_told_with_its_size),
		cmocka_unit_test(a_stuck_sender_is_told),
		cmocka_unit_test(a_mismatch_ends_with_a_refuelling),
		cmocka_unit_test(a_sender_that_leaps_makes_no_litres_and_is_told),
		cmocka_unit_test(a_sender_that_comes_back_brings_what_came_in_meanwhile),
		cmocka_unit_test(what_is_burned_while_a_sender_is_away_came_in_too),
		cmocka_unit_test(range_keeps_the_reserve),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
