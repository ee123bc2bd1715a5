#include <string.h>

#include "analysis/jump_watch.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

#define LIMIT_KPA 20.0
#define READINGS  6 /* a minute */
#define L_MINUTE  0.5

static struct jump_watch watch;
static struct jump_change change;

static struct restriction_reading reading(double kpa, double noise_kpa)
{
	return (struct restriction_reading){
		.reference_kpa = kpa, .noise_kpa = noise_kpa, .flow_share = 1};
}

/* A minute of readings that are alike. */
static enum jump_news take(int minute, const struct restriction_reading *r)
{
	enum jump_news news = JUMP_NONE;

	for (int i = 0; i < READINGS && news == JUMP_NONE; i++) {
		news = jump_watch_take(&watch, LIMIT_KPA, minute * L_MINUTE, r, &change);
	}
	return news;
}

/* Minutes until something is told, at most so many; 0: nothing. */
static int until_told(int most, const struct restriction_reading *r, enum jump_news expected)
{
	for (int i = 1; i <= most; i++) {
		enum jump_news news = take(i, r);
		if (news != JUMP_NONE) {
			assert_int_equal(news, expected);
			return i;
		}
	}
	return 0;
}

static void begin(int minutes, double kpa, double noise_kpa)
{
	const struct restriction_reading r = reading(kpa, noise_kpa);

	jump_watch_init(&watch);
	assert_int_equal(until_told(minutes, &r, JUMP_NONE), 0);
}

static void a_step_up_is_told_after_four_minutes_a_step_down_after_ten(void **state)
{
	(void)state;
	begin(60, 10, 0.1);
	struct restriction_reading r = reading(12, 0.1);
	assert_int_equal(until_told(60, &r, JUMP_UP), 4);
	near(change.before, 10, 1e-6);
	near(change.after, 12, 1e-6);
	near(change.since_l, L_MINUTE, 1e-6);
	assert_int_equal(until_told(60, &r, JUMP_UP), 0); /* once */
	r = reading(10, 0.1);
	assert_int_equal(until_told(60, &r, JUMP_DOWN), 10);
	near(change.before, 12, 1e-6);
	near(change.after, 10, 1e-6);
}

/* The minute in which it came lies between; it is not averaged in. */
static void the_minute_of_the_step_does_not_make_it_smaller(void **state)
{
	(void)state;
	begin(60, 10, 0.1);
	struct restriction_reading half = reading(12, 0.1);
	struct restriction_reading whole = reading(14, 0.1);
	assert_int_equal(take(1, &half), JUMP_NONE);
	assert_int_equal(until_told(60, &whole, JUMP_UP), 3);
	near(change.after, 14, 1e-6);
}

/* A sensor that shows nothing before there is 3 kPa more than its zero. */
static void a_step_counts_from_nothing(void **state)
{
	(void)state;
	begin(60, -3, 0.1);
	struct restriction_reading r = reading(1, 0.1);
	assert_int_equal(until_told(60, &r, JUMP_UP), 4);
	near(change.before, 0, 0);
	near(change.after, 1, 1e-6);
}

/* By a tenth of the restriction, and by 2 % of the limit (0.4 kPa), more or less by a hundredth. */
static void less_than_a_tenth_or_a_fiftieth_of_the_limit_is_no_step(void **state)
{
	static const double levels[] = {15, 2};
	static const double least[] = {1.5, 0.4};

	(void)state;
	for (int i = 0; i < 2; i++) {
		begin(60, levels[i], 0.01);
		struct restriction_reading r = reading(levels[i] + 0.98 * least[i], 0.01);
		assert_int_equal(until_told(6, &r, JUMP_NONE), 0);
		begin(60, levels[i], 0.01);
		r = reading(levels[i] + 1.02 * least[i], 0.01);
		assert_int_equal(until_told(6, &r, JUMP_UP), 4);
	}
}

/* An hour at low flow, where readings scatter five times as much, and the minutes with them. What
 * was learned there hid, in kPa, what came at cruising speed. */
static void what_low_flow_scatters_hides_no_step_at_cruising_flow(void **state)
{
	int told = 0;

	(void)state;
	for (uint64_t seed = 1; seed <= 200; seed++) {
		struct scenario_random r;
		scenario_random_init(&r, seed, 1);
		jump_watch_init(&watch);
		for (int i = 0; i < 123; i++) {
			bool idle = i < 120;
			double noise = idle ? 1.0 : 0.2;
			struct restriction_reading one =
				reading(10 + noise * scenario_random_normal(&r), noise);
			assert_int_equal(take(i, &one), JUMP_NONE);
		}
		for (int i = 0; i < 6; i++) {
			struct restriction_reading one =
				reading(12.2 + 0.2 * scenario_random_normal(&r), 0.2);
			enum jump_news news = take(123 + i, &one);
			told += news == JUMP_UP;
			if (news != JUMP_NONE) {
				break;
			}
		}
	}
	assert_true(told >= 190);
}

/* 30 % at two fifths of the flow: what is not known between flows; at the same flow it is a step.
 */
static void another_flow_is_not_taken_for_a_step(void **state)
{
	(void)state;
	for (int same = 0; same < 2; same++) {
		begin(60, 10, 0.05);
		struct restriction_reading r = reading(13, 0.1);
		r.flow_share = same ? 1 : 0.4;
		assert_int_equal(until_told(6, &r, JUMP_UP), same ? 4 : 0);
	}
}

/* What readings share, 1.2 kPa of 10: after a rest (another temperature) 30 % more say nothing, in
 * the midst of a run 15 % are a step. */
static void what_readings_share_explains_a_step_after_a_rest_only(void **state)
{
	(void)state;
	for (int rested = 0; rested < 2; rested++) {
		struct restriction_reading r = reading(10, 0.05);
		r.common_kpa = 1.2;
		jump_watch_init(&watch);
		assert_int_equal(until_told(90, &r, JUMP_NONE), 0);
		if (rested) {
			jump_watch_rested(&watch);
		}
		r.reference_kpa = rested ? 13 : 11.5;
		assert_int_equal(until_told(4, &r, JUMP_UP), rested ? 0 : 4);
	}
}

/* Without the fuel's temperature all readings share a doubt; the level found then keeps it for the
 * first minutes in which the temperature is known again. */
static void a_level_keeps_the_doubt_in_which_it_was_found(void **state)
{
	(void)state;
	for (int known = 60; known < 90; known++) {
		jump_watch_init(&watch);
		for (int i = 0; i < known + 10; i++) {
			struct restriction_reading r = reading(i < known ? 17 : 20, 0.05);
			r.common_kpa = i < known ? 3 : 0.1;
			assert_int_equal(take(i, &r), JUMP_NONE);
		}
	}
}

/* Four minutes in a row, each away with the probability 0.2 whatever the others are: the mean run
 * length is (1 − p⁴) / ((1 − p) · p⁴) = 780 minutes (W. Feller, An Introduction to Probability
 * Theory and Its Applications, vol. 1, XIII.7, recurrence time of success runs). Only the clear
 * minutes before the watch is ready come on top. */
static void runs_of_far_minutes_come_as_seldom_as_feller_says(void **state)
{
	struct scenario_random r;
	double sum = 0;
	int trials = 3000;

	(void)state;
	scenario_random_init(&r, 4, 1);
	for (int trial = 0; trial < trials; trial++) {
		begin(30, 10, 0.05);
		for (int i = 1;; i++) {
			struct restriction_reading one =
				reading(scenario_random_share(&r) < 0.2 ? 14 : 10, 0.05);
			if (take(i, &one) != JUMP_NONE) {
				sum += i;
				break;
			}
		}
	}
	/* A geometric tail: its deviation is its mean. Four of the mean's. */
	near(sum / trials, 780, 4 * 780 / sqrt(trials));
}

/* Restrictions that wander with a memory of 2 to 160 minutes, by 3 to 10 % of themselves: together
 * less than one in 5,000 h is told that is worth telling (6 % of the limit). */
static void noise_with_memory_is_seldom_a_step(void **state)
{
	static const double sds_kpa[] = {0.3, 0.5, 0.7, 1.0};
	static const double memories_min[] = {2, 5, 10, 20, 40, 80, 160};
	int told = 0;

	(void)state;
	for (size_t i = 0; i < 28; i++) { /* 42,000 h */
		struct scenario_random r;
		double keep = exp(-1 / memories_min[i % 7]);
		double x = 0;
		scenario_random_init(&r, i, 5);
		jump_watch_init(&watch);
		for (int minute = 0; minute < 90000; minute++) {
			x = keep * x +
			    sqrt(1 - keep * keep) * sds_kpa[i / 7] * scenario_random_normal(&r);
			struct restriction_reading one = reading(10 + x, 0.04);
			told += take(minute, &one) == JUMP_UP &&
				change.after - change.before >= 0.06 * LIMIT_KPA;
		}
	}
	print_message("%d steps told in 42,000 h of noise with memory\n", told);
	assert_in_range(told, 0, 4);
}

/* A second way to the same level: all minutes so far with their weights, none of them recursive. */
static void the_level_is_the_mean_by_precision_fading_by_a_twentieth_a_minute(void **state)
{
	double kpa[200];
	double noise[200];
	struct scenario_random r;

	(void)state;
	scenario_random_init(&r, 9, 1);
	jump_watch_init(&watch);
	for (int n = 0; n < 200; n++) {
		noise[n] = scenario_random_between(&r, 0.05, 0.5);
		kpa[n] = 10 + noise[n] * scenario_random_normal(&r);
		struct restriction_reading one = reading(kpa[n], noise[n]);
		assert_int_equal(take(n, &one), JUMP_NONE);
		double sum = 0;
		double weights = 0;
		for (int i = 0; i <= n; i++) {
			double w = pow(0.95, n - i) / (noise[i] * noise[i]);
			sum += w * kpa[i];
			weights += w;
		}
		near(watch.level_kpa, sum / weights, 1e-4);
	}
}

static double below(double z)
{
	return 0.5 * erfc(-z / sqrt(2));
}

/* What a rounding sensor of step 1 shows on average of a pressure with normal noise. */
static double shown(double kpa, double sd_kpa)
{
	double sum = 0;

	for (int code = -8; code <= 12; code++) {
		sum += code *
		       (below((code + 0.5 - kpa) / sd_kpa) - below((code - 0.5 - kpa) / sd_kpa));
	}
	return sum;
}

/* The widest error of a difference between two pressures as shown, and the share of windows of so
 * many samples in which the code changes, over all places between two codes. The second is what the
 * reading tells of the first: five quarters of the step's share that no window crosses is more than
 * the first, for all noises and counts. */
static void windows_that_cross_a_step_say_how_far_it_misleads(void **state)
{
	(void)state;
	for (int samples = 5; samples <= 20; samples *= 2) {
		for (double sd = 0.02; sd < 0.6; sd *= 1.3) {
			double low = 0;
			double high = 0;
			double crossing = 0;
			for (int i = 0; i < 200; i++) {
				double kpa = i / 200.0;
				double alike = 0;
				for (int code = -8; code <= 12; code++) {
					double p = below((code + 0.5 - kpa) / sd) -
						   below((code - 0.5 - kpa) / sd);
					alike += pow(p, samples);
				}
				crossing += (1 - alike) / 200;
				low = fmin(low, shown(kpa, sd) - kpa);
				high = fmax(high, shown(kpa, sd) - kpa);
			}
			assert_true(1.25 * (1 - fmin(crossing, 0.4)) > high - low);
		}
	}
}

/* A sensor of 2 kPa steps that turns only when the pressure is past the next code's place by
 * hysteresis, over a pressure that wanders by no more than 0.15 kPa in five minutes: through the
 * readings themselves. */
static void a_coarse_sensor_that_changes_its_code_has_not_stepped(void **state)
{
	static const double hysteresis_kpa[] = {0, 0.3, 0.8};
	static const double noises_kpa[] = {0, 0.05, 0.2, 0.6};
	static const double message_steps_kpa[] = {2, 0.0001}; /* as its message says, or not */
	const struct restriction_config config = {.sense = RESTRICTION_DIFFERENTIAL,
		.reference_lph = 40,
		.density15_kgm3 = 840,
		.fuel = viscosity_diesel()};

	(void)state;
	for (int k = 0; k < 24; k++) { /* 100 h each */
		struct restriction restriction;
		struct scenario_random r;
		double code = 8;
		int news = 0;
		scenario_random_init(&r, (uint64_t)k, 3);
		restriction_init(&restriction, &config);
		jump_watch_init(&watch);
		for (int i = 0; i < 36000; i++) {
			double kpa = 9 + 2 * sin(i / 1500.0) + 1.2 * sin(i / 577.0);
			double sum = 0;
			struct restriction_window w = {.running = true,
				.pressure_low_kpa = INFINITY,
				.pressure_high_kpa = -INFINITY,
				.pressure_step_kpa = message_steps_kpa[k / 12],
				.supply_lph = 40,
				.supply_low_lph = 40,
				.supply_high_lph = 40,
				.supply_step_lph = 0.05,
				.fuel_c = 40,
				.fuel_sd_c = 1.5};
			for (int s = 0; s < 5; s++) {
				double now = kpa + noises_kpa[k % 4] * scenario_random_normal(&r);
				if (fabs(now - code) > 1 + hysteresis_kpa[k / 4 % 3]) {
					code = 2 * round(now / 2);
				}
				sum += code / 5;
				w.pressure_low_kpa = fmin(w.pressure_low_kpa, code);
				w.pressure_high_kpa = fmax(w.pressure_high_kpa, code);
			}
			w.pressure_kpa = sum;
			struct restriction_reading one;
			if (restriction_take(&restriction, &config, &w, &one) == RESTRICTION_READ) {
				jump_watch_move(&watch, one.rescale, one.shift_kpa);
				news += jump_watch_take(&watch, LIMIT_KPA, i, &one, &change) !=
					JUMP_NONE;
			}
		}
		if (news != 0) {
			print_error("noise %g, hysteresis %g, step told %g: %d\n",
				noises_kpa[k % 4], hysteresis_kpa[k / 4 % 3],
				message_steps_kpa[k / 12], news);
		}
		assert_int_equal(news, 0);
	}
}

static void what_is_moved_says_the_same(void **state)
{
	(void)state;
	begin(60, 10, 0.1);
	struct restriction_reading r = reading(13, 0.1);
	assert_int_equal(until_told(3, &r, JUMP_NONE), 0);
	assert_true(jump_watch_doubts(&watch));
	jump_watch_move(&watch, 2, 1);
	r = reading(27, 0.2);
	assert_int_equal(take(4, &r), JUMP_UP);
	near(change.before, 21, 1e-4);
	near(change.after, 27, 1e-4);
}

static void a_new_element_has_no_level(void **state)
{
	(void)state;
	begin(60, 18, 0.1);
	jump_watch_renew(&watch);
	struct restriction_reading r = reading(4, 0.1);
	assert_int_equal(until_told(60, &r, JUMP_NONE), 0);
	r = reading(6, 0.1);
	assert_int_equal(until_told(6, &r, JUMP_UP), 4);
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	struct jump_watch resumed;
	struct scenario_random r;
	uint8_t bytes[128];
	int told = 0;

	(void)state;
	scenario_random_init(&r, 3, 1);
	jump_watch_init(&watch);
	jump_watch_init(&resumed);
	for (int i = 0; i < 6000; i++) {
		struct restriction_reading one =
			reading(10 + i / 1000 * 2 + 0.2 * scenario_random_normal(&r), 0.1);
		one.common_kpa = 0.3;
		one.flow_share = scenario_random_between(&r, 0.8, 1.1);
		struct jump_change other = {0};
		change = (struct jump_change){0};
		if (i % 700 == 0) {
			jump_watch_rested(&watch);
			jump_watch_rested(&resumed);
		}
		enum jump_news news = jump_watch_take(&watch, LIMIT_KPA, i, &one, &change);
		assert_int_equal(jump_watch_take(&resumed, LIMIT_KPA, i, &one, &other), news);
		assert_memory_equal(&change, &other, sizeof(change));
		told += news != JUMP_NONE;
		struct state_writer w;
		struct state_reader reader;
		state_writer_init(&w, bytes, sizeof(bytes));
		jump_watch_save(&resumed, &w);
		assert_false(w.failed);
		assert_true(w.used < 64);
		memset(&resumed, 0x5A, sizeof(resumed));
		state_reader_init(&reader, bytes, w.used);
		jump_watch_load(&resumed, &reader);
		assert_false(reader.failed);
		assert_int_equal(reader.used, w.used);
		for (size_t cut = 0; i == 7 && cut < w.used; cut++) {
			struct jump_watch scratch;
			state_reader_init(&reader, bytes, cut);
			jump_watch_load(&scratch, &reader);
			assert_true(reader.failed);
		}
	}
	assert_true(told >= 3);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_step_up_is_told_after_four_minutes_a_step_down_after_ten),
		cmocka_unit_test(the_minute_of_the_step_does_not_make_it_smaller),
		cmocka_unit_test(a_step_counts_from_nothing),
		cmocka_unit_test(less_than_a_tenth_or_a_fiftieth_of_the_limit_is_no_step),
		cmocka_unit_test(what_low_flow_scatters_hides_no_step_at_cruising_flow),
		cmocka_unit_test(another_flow_is_not_taken_for_a_step),
		cmocka_unit_test(what_readings_share_explains_a_step_after_a_rest_only),
		cmocka_unit_test(a_level_keeps_the_doubt_in_which_it_was_found),
		cmocka_unit_test(runs_of_far_minutes_come_as_seldom_as_feller_says),
		cmocka_unit_test(noise_with_memory_is_seldom_a_step),
		cmocka_unit_test(the_level_is_the_mean_by_precision_fading_by_a_twentieth_a_minute),
		cmocka_unit_test(windows_that_cross_a_step_say_how_far_it_misleads),
		cmocka_unit_test(a_coarse_sensor_that_changes_its_code_has_not_stepped),
		cmocka_unit_test(what_is_moved_says_the_same),
		cmocka_unit_test(a_new_element_has_no_level),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
