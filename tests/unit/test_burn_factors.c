#include <string.h>

#include "analysis/burn_factors.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

#define MINUTE_VAR 0.0004

/* A boat: wind and sea slow it down and load its propeller, the battery takes what the last start
 * took. */
struct boat {
	struct scenario_random random;
	struct scenario_wander weather;
	double run_min;
	double rpm;
	double depth_kw; /* what the battery takes at the start of this run */
};

static void boat_init(struct boat *b, uint64_t seed, double weather_sd)
{
	scenario_random_init(&b->random, seed, 5);
	scenario_wander_init(&b->weather, weather_sd, 4 * 3600, &b->random);
	b->run_min = 1e9;
}

/* The propeller's torque is a straight line in its advance: K_Q = 0.0322 − 0.0310 J, with J = 0.34
 * in calm weather: d ln(torque) / d(advance, relative) = −0.0310 · 0.34 / (0.0322 − 0.0310 · 0.34)
 * = −0.487. */
static struct burn_factors_minute minute_of(struct boat *b, double more)
{
	if (b->run_min > 150) {
		b->run_min = 0;
		b->rpm = scenario_random_between(&b->random, 1800, 2300);
		b->depth_kw = scenario_random_between(&b->random, 0.2, 1.2);
	}
	double slower = scenario_wander_step(&b->weather, 60, &b->random);
	double advance = 0.34 * (1 - slower);
	double torque = (0.0322 - 0.0310 * advance) / (0.0322 - 0.0310 * 0.34);
	double charge_kw = b->depth_kw * exp(-b->run_min / 60);
	double rate = 4 * pow(b->rpm / 2000, 2.6) * torque * (1 + more) + 0.4 * charge_kw;

	b->run_min++;
	return (struct burn_factors_minute){
		.rate_lph = rate * (1 + 0.003 * scenario_random_normal(&b->random)),
		.rpm = b->rpm + 3 * scenario_random_normal(&b->random),
		.water_kn = 5.8 * b->rpm / 2000 * (1 - slower),
		.ground_kn = 5.8 * b->rpm / 2000 * (1 - slower) + 0.4,
		.battery_v = 14,
		.battery_a = charge_kw * 1000 / 14,
		.running_s = b->run_min * 60,
	};
}

/* Mean of what is left over in so many minutes, and its spread. */
static double left_over(struct burn_factors *f, struct boat *b, int minutes, double more,
	bool learn, double *ret_sd)
{
	struct burn_residual residual;
	double sum = 0;
	double square = 0;

	for (int i = 0; i < minutes; i++) {
		struct burn_factors_minute minute = minute_of(b, more);
		assert_true(burn_factors_take(f, &minute, learn, MINUTE_VAR, &residual));
		sum += residual.off;
		square += residual.off * residual.off;
	}
	*ret_sd = sqrt(square / minutes - sum / minutes * (sum / minutes));
	return sum / minutes;
}

static void weather_and_charging_leave_little_over(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 10; seed++) {
		struct burn_factors f;
		struct boat b;
		double sd;
		burn_factors_init(&f);
		boat_init(&b, seed, 0.06);
		(void)left_over(&f, &b, 900, 0, true, &sd);
		double off = left_over(&f, &b, 1800, 0, false, &sd);
		near(off, 0, 0.01);
		assert_true(sd < 0.012); /* of some 4 % that weather and charging make */
		assert_true(burn_factors_see_advance(&f));
	}
}

static void a_propeller_that_asks_for_more_is_seen_in_full(void **state)
{
	(void)state;
	for (uint64_t seed = 0; seed < 10; seed++) {
		struct burn_factors f;
		struct boat b;
		double sd;
		burn_factors_init(&f);
		boat_init(&b, seed, 0.06);
		(void)left_over(&f, &b, 900, 0, true, &sd);
		double before = left_over(&f, &b, 300, 0, false, &sd);
		double after = left_over(&f, &b, 300, 0.05, false, &sd);
		near(after - before, 0.047, 0.01); /* 5 % of what is not charging */
	}
}

static void what_is_well_known_is_not_followed(void **state)
{
	struct burn_factors f;
	struct boat b;
	double sd;

	(void)state;
	burn_factors_init(&f);
	boat_init(&b, 1, 0.06);
	(void)left_over(&f, &b, 3000, 0, true, &sd);
	near(left_over(&f, &b, 3000, 0.05, true, &sd), 0.047, 0.015);
}

static void a_minute_without_a_sensor_says_nothing_and_ten_hours_do_without(void **state)
{
	struct burn_factors f;
	struct boat b;
	struct burn_residual residual;
	double sd;

	(void)state;
	burn_factors_init(&f);
	boat_init(&b, 2, 0.06);
	(void)left_over(&f, &b, 900, 0, true, &sd);
	for (int i = 0; i < 600; i++) {
		struct burn_factors_minute minute = minute_of(&b, 0);
		minute.water_kn = NAN;
		assert_false(burn_factors_take(&f, &minute, true, MINUTE_VAR, &residual));
	}
	struct burn_factors_minute minute = minute_of(&b, 0);
	minute.water_kn = NAN;
	assert_true(burn_factors_take(&f, &minute, true, MINUTE_VAR, &residual));
	assert_false(burn_factors_see_advance(&f));
	assert_int_equal(f.minutes, 1);
}

static void a_log_that_stands_still_says_nothing(void **state)
{
	struct burn_factors f;
	struct boat b;
	struct burn_residual residual;
	double sd;

	(void)state;
	burn_factors_init(&f);
	boat_init(&b, 3, 0.06);
	(void)left_over(&f, &b, 900, 0, true, &sd);
	struct burn_factors_minute minute = minute_of(&b, 0);
	minute.water_kn = 0;
	assert_false(burn_factors_take(&f, &minute, true, MINUTE_VAR, &residual));
	minute.water_kn = 2;
	assert_false(burn_factors_take(&f, &minute, true, MINUTE_VAR, &residual));
	minute.rate_lph = 0;
	assert_false(burn_factors_take(&f, &minute, true, MINUTE_VAR, &residual));
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	static uint8_t bytes[512];
	struct burn_factors unbroken;
	struct burn_factors resumed;
	struct boat b;
	struct state_writer writer;
	struct state_reader reader;
	double sd;

	(void)state;
	burn_factors_init(&unbroken);
	boat_init(&b, 4, 0.06);
	(void)left_over(&unbroken, &b, 200, 0, true, &sd);
	state_writer_init(&writer, bytes, sizeof(bytes));
	burn_factors_save(&unbroken, &writer);
	assert_false(writer.failed);
	assert_true(writer.used < 200);
	memset(&resumed, 0x3C, sizeof(resumed));
	state_reader_init(&reader, bytes, writer.used);
	burn_factors_load(&resumed, &reader);
	assert_false(reader.failed);
	assert_int_equal(reader.used, writer.used);
	for (int i = 0; i < 500; i++) {
		struct burn_factors_minute minute = minute_of(&b, 0);
		struct burn_residual one;
		struct burn_residual other;
		assert_true(burn_factors_take(&unbroken, &minute, true, MINUTE_VAR, &one));
		assert_true(burn_factors_take(&resumed, &minute, true, MINUTE_VAR, &other));
		assert_memory_equal(&one, &other, sizeof(one));
	}
	for (size_t cut = 0; cut < writer.used; cut++) {
		state_reader_init(&reader, bytes, cut);
		burn_factors_load(&resumed, &reader);
		assert_true(reader.failed);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(weather_and_charging_leave_little_over),
		cmocka_unit_test(a_propeller_that_asks_for_more_is_seen_in_full),
		cmocka_unit_test(what_is_well_known_is_not_followed),
		cmocka_unit_test(a_minute_without_a_sensor_says_nothing_and_ten_hours_do_without),
		cmocka_unit_test(a_log_that_stands_still_says_nothing),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
