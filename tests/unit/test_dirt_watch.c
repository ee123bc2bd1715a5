#include <string.h>

#include "analysis/dirt_watch.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

#define CLEAN_KPA  4.0
#define LIMIT_KPA  20.0
#define LIFE_H	   60.0
#define FLOW_LPH   30.0
#define LIFE_L	   (LIFE_H * FLOW_LPH)
#define WINDOWS_H  360
#define COMMON_KPA 0.3

static const struct dirt_config config = {.limit_kpa = LIMIT_KPA, .life_l = LIFE_L};

/* An element that blocks completely: P = P0 / (1 - a u), u the share of its life in usual fuel:
 * Hermia's closed form at constant flow, with P = limit at u = 1. The steepest of the laws. */
static double restriction(double u)
{
	double a = 1 - CLEAN_KPA / LIMIT_KPA;

	return CLEAN_KPA / fmax(1 - a * u, 0.05);
}

struct season {
	struct scenario_random random;
	struct dirt_watch watch;
	double noise; /* of an hour's readings, as a share: temperature, flow */
	double hour_off;
	double dirt; /* litres of the usual fuel */
	long window;
};

static void begin(struct season *s, uint64_t seed, double noise)
{
	memset(s, 0, sizeof(*s));
	scenario_random_init(&s->random, seed, 11);
	dirt_watch_init(&s->watch);
	s->noise = noise;
}

/* Runs hours of fuel with so many times the usual dirt. Returns the hours until it was told; < 0:
 * not. */
static double run(struct season *s, double hours, double dirt, struct dirt_change *ret_change)
{
	for (long i = 0; i < (long)(hours * WINDOWS_H); i++, s->window++) {
		double litres = (double)s->window * FLOW_LPH / WINDOWS_H;
		if (s->window % WINDOWS_H == 0) {
			s->hour_off = s->noise * scenario_random_normal(&s->random);
		}
		s->dirt += dirt * FLOW_LPH / WINDOWS_H;
		double kpa = restriction(s->dirt / LIFE_L) *
			     (1 + s->hour_off + 0.01 * scenario_random_normal(&s->random));
		if (dirt_watch_take(
			    &s->watch, &config, litres, kpa, 0.05, COMMON_KPA, ret_change)) {
			return (double)i / WINDOWS_H;
		}
	}
	return -1;
}

static double litres_of(const struct season *s)
{
	return (double)s->window * FLOW_LPH / WINDOWS_H;
}

static void the_usual_fuel_is_not_called_dirty_up_to_the_limit(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 40; seed++) {
		struct season s;
		struct dirt_change change;
		begin(&s, seed, 0.03);
		for (int load = 0; load < 5; load++) {
			/* Loads differ by a fifth, as the judge of a scoreboard would let pass. */
			double dirt = load % 2 == 0 ? 0.9 : 1.1;
			assert_true(run(&s, LIFE_H / 5, dirt, &change) < 0);
			dirt_watch_filled(&s.watch, litres_of(&s), 100);
		}
	}
}

static void a_bad_load_is_told_with_the_refuelling_within_three_hours(void **state)
{
	int soon = 0;

	(void)state;
	for (uint64_t seed = 0; seed < 20; seed++) {
		struct season s;
		struct dirt_change change;
		begin(&s, seed, 0.02);
		assert_true(run(&s, 30, 1, &change) < 0);
		double filled_at_l = litres_of(&s);
		dirt_watch_filled(&s.watch, filled_at_l, 150);
		double took = run(&s, 5, 5, &change);
		assert_true(took > 0);
		assert_true(change.filled_l == 150);
		assert_true(fabs(change.since_l - filled_at_l) < 1);
		/* Five times the dirt, and what the law bends upward beyond a straight line. */
		double ratio = change.after_kpa_l / change.before_kpa_l;
		assert_true(ratio > 4 && ratio < 10);
		soon += took <= 3;
	}
	assert_true(soon >= 18);
}

static void without_a_tank_it_is_told_later_and_with_no_refuelling(void **state)
{
	struct season s;
	struct dirt_change change;

	(void)state;
	begin(&s, 3, 0.02);
	assert_true(run(&s, 30, 1, &change) < 0);
	double took = run(&s, 8, 5, &change);
	assert_true(took > 1 && took < 5);
	assert_true(change.filled_l == 0);
}

static void it_is_told_once_and_its_refuelling_stays_known(void **state)
{
	struct season s;
	struct dirt_change change;

	(void)state;
	begin(&s, 4, 0.02);
	assert_true(run(&s, 25, 1, &change) < 0);
	double filled_at_l = litres_of(&s);
	dirt_watch_filled(&s.watch, filled_at_l, 150);
	assert_true(run(&s, 5, 4, &change) > 0);
	assert_true(run(&s, 4, 4, &change) < 0);
	assert_true(dirt_watch_taken_in(&s.watch, filled_at_l - 1, filled_at_l + 1) == 150);
	assert_true(dirt_watch_taken_in(&s.watch, filled_at_l + 1, litres_of(&s)) == 0);
	assert_true(dirt_watch_taken_in(&s.watch, 0, filled_at_l - 1) == 0);
	dirt_watch_filled(&s.watch, litres_of(&s), 80);
	assert_true(dirt_watch_taken_in(&s.watch, 0, litres_of(&s) + 1) == 80);
	assert_true(dirt_watch_taken_in(&s.watch, 0, filled_at_l + 1) == 150);
}

static void noise_of_its_own_size_hides_a_small_change(void **state)
{
	struct season s;
	struct dirt_change change;

	(void)state;
	begin(&s, 5, 0.15);
	assert_true(run(&s, 30, 1, &change) < 0);
	dirt_watch_filled(&s.watch, litres_of(&s), 150);
	assert_true(run(&s, 3, 2, &change) < 0);
}

/* A zero that becomes better known, or another reference flow, moves all readings: no dirt. */
static void moved_readings_are_no_dirt(void **state)
{
	struct season s;
	struct dirt_change change;

	(void)state;
	begin(&s, 6, 0.01);
	assert_true(run(&s, 30, 1, &change) < 0);
	dirt_watch_filled(&s.watch, litres_of(&s), 150);
	dirt_watch_move(&s.watch, &config, 1.5, 0);
	for (long i = 0; i < 3L * WINDOWS_H; i++, s.window++) {
		s.dirt += FLOW_LPH / WINDOWS_H;
		assert_false(dirt_watch_take(&s.watch, &config, litres_of(&s),
			1.5 * restriction(s.dirt / LIFE_L), 0.05, COMMON_KPA, &change));
	}
}

/* A sensor that was turned round for two hours and is put right: the way back is no dirt. */
static void no_line_runs_through_less_than_nothing(void **state)
{
	struct season s;
	struct dirt_change change;

	(void)state;
	begin(&s, 9, 0.02);
	assert_true(run(&s, 20, 1, &change) < 0);
	for (long i = 0; i < 2L * WINDOWS_H; i++, s.window++) {
		assert_false(dirt_watch_take(
			&s.watch, &config, litres_of(&s), -5, 0.05, COMMON_KPA, &change));
	}
	assert_true(run(&s, 10, 1, &change) < 0);
}

static void a_new_element_starts_anew(void **state)
{
	struct season s;
	struct dirt_change change;

	(void)state;
	begin(&s, 7, 0.02);
	assert_true(run(&s, 40, 1, &change) < 0);
	dirt_watch_renew(&s.watch);
	s.dirt = 0;
	s.window = 0;
	assert_true(run(&s, 40, 1, &change) < 0);
}

static void a_resumed_watch_goes_on_bit_for_bit(void **state)
{
	static uint8_t hot[64];
	static uint8_t line[512];
	struct season unbroken;
	struct season resumed;
	struct dirt_change change = {0};
	struct dirt_change same = {0};

	(void)state;
	begin(&unbroken, 8, 0.02);
	assert_true(run(&unbroken, 29.3, 1, &change) < 0);
	dirt_watch_filled(&unbroken.watch, litres_of(&unbroken), 150);
	assert_true(run(&unbroken, 0.7, 5, &change) < 0);
	resumed = unbroken;
	struct state_writer writer;
	struct state_writer line_writer;
	state_writer_init(&writer, hot, sizeof(hot));
	dirt_watch_save(&resumed.watch, &writer);
	state_writer_init(&line_writer, line, sizeof(line));
	dirt_watch_save_line(&resumed.watch, &line_writer);
	assert_false(writer.failed || line_writer.failed);
	dirt_watch_init(&resumed.watch);
	struct state_reader reader;
	state_reader_init(&reader, hot, writer.used);
	dirt_watch_load(&resumed.watch, &reader);
	assert_false(reader.failed);
	state_reader_init(&reader, line, line_writer.used);
	dirt_watch_load_line(&resumed.watch, &reader);
	assert_false(reader.failed);
	assert_int_equal(reader.used, line_writer.used);
	double took = run(&unbroken, 5, 5, &change);
	assert_true(took > 0);
	assert_true(run(&resumed, 5, 5, &same) == took);
	assert_memory_equal(&change, &same, sizeof(change));
	for (size_t cut = 0; cut < line_writer.used; cut++) {
		state_reader_init(&reader, line, cut);
		dirt_watch_load_line(&resumed.watch, &reader);
		assert_true(reader.failed);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_usual_fuel_is_not_called_dirty_up_to_the_limit),
		cmocka_unit_test(a_bad_load_is_told_with_the_refuelling_within_three_hours),
		cmocka_unit_test(without_a_tank_it_is_told_later_and_with_no_refuelling),
		cmocka_unit_test(it_is_told_once_and_its_refuelling_stays_known),
		cmocka_unit_test(noise_of_its_own_size_hides_a_small_change),
		cmocka_unit_test(moved_readings_are_no_dirt),
		cmocka_unit_test(no_line_runs_through_less_than_nothing),
		cmocka_unit_test(a_new_element_starts_anew),
		cmocka_unit_test(a_resumed_watch_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
