#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/fuel_account.h"

#define SECOND_NS INT64_C(1000000000)
#define GAP_NS	  (5 * SECOND_NS)
#define PI	  3.14159265358979323846

static void near(double value, double expected, double tolerance)
{
	if (!(fabs(value - expected) <= tolerance)) {
		fail_msg("%.9g is not %.9g within %.3g", value, expected, tolerance);
	}
}

/* Closed forms of the integral over an hour: c, (a + b) / 2, and for a + b sin² the mean a + b / 2.
 */
static void constant_ramp_and_sine_agree_with_their_closed_forms(void **state)
{
	(void)state;
	for (int shape = 0; shape < 3; shape++) {
		struct fuel_account f;
		fuel_account_init(&f);
		fuel_account_begin(&f);
		for (int i = 0; i <= 36000; i++) {
			double x = i / 36000.0;
			double lph = shape == 0	  ? 4.2
				     : shape == 1 ? 1 + 6 * x
						  : 2 + 3 * pow(sin(20 * PI * x), 2);
			fuel_account_rate(&f, i * SECOND_NS / 10, lph, 0, GAP_NS, true);
		}
		near(fuel_run_litres(&f.run), shape == 0 ? 4.2 : shape == 1 ? 4.0 : 3.5, 1e-6);
		near(f.run.covered_s, 3600, 1e-6);
		near(f.run.max_lph, shape == 0 ? 4.2 : shape == 1 ? 7.0 : 5.0, 1e-9);
	}
}

/* Readings at uneven times: 10 min at 2 L/h read each second, 10 min at 8 L/h read each 4 s. By
 * hand: 2/6 + 8/6 L and one turn of (2 + 8)/2 · 4 s. */
static void the_integral_is_weighted_by_time_not_by_count(void **state)
{
	struct fuel_account f;

	(void)state;
	fuel_account_init(&f);
	fuel_account_begin(&f);
	for (int i = 0; i <= 600; i++) {
		fuel_account_rate(&f, i * SECOND_NS, 2, 0, GAP_NS, true);
	}
	for (int i = 1; i <= 150; i++) {
		fuel_account_rate(&f, (600 + 4 * i) * SECOND_NS, 8, 0, GAP_NS, true);
	}
	near(fuel_run_litres(&f.run), 2.0 / 6 + (2 + 8) / 2.0 * 4 / 3600 + 8.0 * 596 / 3600, 1e-9);
}

/* Half an hour at 3 L/h, a gap of 20 min with the engine running, 10 min at 3 L/h. */
static void a_gap_is_neither_zero_nor_bridged(void **state)
{
	struct fuel_account f;

	(void)state;
	fuel_account_init(&f);
	fuel_account_begin(&f);
	for (int i = 0; i <= 1800; i++) {
		fuel_account_rate(&f, i * SECOND_NS, 3, 0, GAP_NS, true);
	}
	for (int i = 3000; i <= 3600; i++) {
		fuel_account_rate(&f, i * SECOND_NS, 3, 0, GAP_NS, true);
	}
	near(fuel_run_litres(&f.run), 2.0, 1e-9);
	near(f.run.covered_s, 2400, 1e-9);
	fuel_account_end(&f, 3600);
	/* 20 min at the 3 L/h that this run itself showed, told as estimated, a quarter in doubt.
	 */
	near(fuel_run_litres(&f.run), 3.0, 1e-9);
	near(f.run.estimated_l, 1.0, 1e-9);
	near(fuel_run_uncertainty(&f.run), 2 * 0.25, 0.02);
}

static void a_gap_without_anything_to_go_by_stays_unknown(void **state)
{
	struct fuel_account f;

	(void)state;
	fuel_account_init(&f);
	fuel_account_begin(&f);
	fuel_account_end(&f, 1200);
	assert_true(isnan(fuel_run_litres(&f.run)));
	assert_true(isnan(fuel_run_uncertainty(&f.run)));
	near(f.run.unknown_s, 1200, 0);
}

/* 2 L/h, but 6 L/h in a gap of half an hour; a 0.5 L counter saw it: 1 + 3 + 1 L. */
static void a_gap_is_filled_from_the_counter(void **state)
{
	struct fuel_account f;

	(void)state;
	fuel_account_init(&f);
	fuel_account_begin(&f);
	for (int i = 0; i <= 5400; i++) {
		bool gap = i > 1800 && i < 3600;
		double truth = i <= 1800   ? 2.0 * i / 3600
			       : i <= 3600 ? 1 + 6.0 * (i - 1800) / 3600
					   : 4 + 2.0 * (i - 3600) / 3600;
		if (!gap) {
			fuel_account_rate(&f, i * SECOND_NS, 2, 0.05, GAP_NS, true);
			fuel_account_counter(&f, i * SECOND_NS, COUNTER_TOTAL,
				floor((100.3 + truth) / 0.5) * 0.5, 0.5, i);
		}
	}
	fuel_account_end(&f, 5400);
	near(fuel_run_litres(&f.run), 5.0, 0.25);
	near(f.run.estimated_l, 3.0, 0.3);
	near(f.run.filled_s, 1800, 5);
	assert_true(fabs(fuel_run_litres(&f.run) - 5.0) <= fuel_run_uncertainty(&f.run));
}

/* A rate that reads 4 % low, and a counter that does not: over 8 h and many edges the total is the
 * counter's. */
static void long_totals_follow_the_counter(void **state)
{
	static const double steps[] = {0.5, 0.001};

	(void)state;
	for (size_t k = 0; k < 2; k++) {
		struct fuel_account f;
		fuel_account_init(&f);
		fuel_account_begin(&f);
		for (int i = 0; i <= 8 * 3600; i++) {
			double truth = 5.0 * i / 3600;
			fuel_account_rate(&f, i * SECOND_NS, 4.8, 0.1, GAP_NS, true);
			fuel_account_counter(&f, i * SECOND_NS,
				k == 0 ? COUNTER_TOTAL : COUNTER_TOTAL_FINE,
				floor((7.21 + truth) / steps[k]) * steps[k], steps[k], i);
		}
		/* 40 L; the first edge comes after 0.29 L, which the rate alone measured. */
		near(fuel_run_litres(&f.run), 40.0, 0.03);
		/* A steady 4 % is twice what the filter takes for one standard deviation. */
		assert_true(
			fabs(fuel_run_litres(&f.run) - 40.0) <= 1.5 * fuel_run_uncertainty(&f.run));
		near(f.run.estimated_l, 0, 0);
	}
}

static void a_counter_set_back_to_zero_loses_nothing(void **state)
{
	struct fuel_account f;

	(void)state;
	fuel_account_init(&f);
	fuel_account_begin(&f);
	for (int i = 0; i <= 7200; i++) {
		double truth = 6.0 * i / 3600;
		double base = i < 4000 ? 250 : -6.0 * 4000 / 3600;
		fuel_account_rate(&f, i * SECOND_NS, 6, 0.05, GAP_NS, true);
		fuel_account_counter(
			&f, i * SECOND_NS, COUNTER_TRIP, floor((base + truth) / 0.5) * 0.5, 0.5, i);
	}
	near(fuel_run_litres(&f.run), 12, 0.05);
	assert_int_equal(f.resets, 1);
}

static void a_stuck_counter_is_not_believed(void **state)
{
	struct fuel_account f;

	(void)state;
	fuel_account_init(&f);
	fuel_account_begin(&f);
	for (int i = 0; i <= 7200; i++) {
		fuel_account_rate(&f, i * SECOND_NS, 6, 0.05, GAP_NS, true);
		fuel_account_counter(
			&f, i * SECOND_NS, COUNTER_TOTAL, i < 7000 ? 88.0 : 150.0, 0.5, i);
	}
	near(fuel_run_litres(&f.run), 12, 0.01);
}

static uint64_t random_state;

static double uniform(void)
{
	random_state = random_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
	return (double)(random_state >> 11) / 9007199254740992.0;
}

/* 300 runs with a wandering rate, coded in steps of 0.1 L/h: the stated uncertainty (coverage
 * factor 2) must hold the error about 95 % of the time or more, and not be blown up either. */
static void stated_uncertainty_covers_the_quantisation(void **state)
{
	int covered = 0;
	double error2 = 0;
	double stated2 = 0;

	(void)state;
	random_state = 20250607;
	for (int run = 0; run < 300; run++) {
		struct fuel_account f;
		double lph = 2 + 4 * uniform();
		double truth = 0;
		fuel_account_init(&f);
		fuel_account_begin(&f);
		for (int i = 0; i <= 3600; i++) {
			double next = lph + 0.004 * (uniform() - 0.5);
			fuel_account_rate(
				&f, i * SECOND_NS, floor(lph / 0.1 + 0.5) * 0.1, 0.1, GAP_NS, true);
			truth += i < 3600 ? (lph + next) / 2 / 3600 : 0;
			lph = next;
		}
		fuel_account_end(&f, 3600);
		double error = fuel_run_litres(&f.run) - truth;
		double stated = fuel_run_uncertainty(&f.run);
		covered += fabs(error) <= stated ? 1 : 0;
		error2 += error * error;
		stated2 += stated * stated;
	}
	assert_in_range(covered, 276, 300); /* 92 % at least */
	assert_true(sqrt(stated2 / 300) < 6 * sqrt(error2 / 300));
}

static void state_goes_through_a_checkpoint_bit_for_bit(void **state)
{
	struct fuel_account a;
	struct fuel_account b;
	uint8_t bytes[512];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	fuel_account_init(&a);
	fuel_account_begin(&a);
	for (int i = 0; i < 1000; i++) {
		if (i == 517) {
			state_writer_init(&w, bytes, sizeof(bytes));
			fuel_account_save(&a, &w);
			assert_false(w.failed);
			state_reader_init(&r, bytes, w.used);
			fuel_account_load(&b, &r);
			assert_false(r.failed);
			assert_int_equal(r.used, r.size);
			a = b;
		}
		fuel_account_rate(&a, i * SECOND_NS, 3 + i % 7 * 0.1, 0.1, GAP_NS, true);
		fuel_account_counter(&a, i * SECOND_NS, COUNTER_TOTAL, 10 + i / 200 * 0.5, 0.5, i);
	}
	struct fuel_account c;
	fuel_account_init(&c);
	fuel_account_begin(&c);
	for (int i = 0; i < 1000; i++) {
		fuel_account_rate(&c, i * SECOND_NS, 3 + i % 7 * 0.1, 0.1, GAP_NS, true);
		fuel_account_counter(&c, i * SECOND_NS, COUNTER_TOTAL, 10 + i / 200 * 0.5, 0.5, i);
	}
	assert_true(a.run.observed_l == c.run.observed_l && a.run.error_l == c.run.error_l &&
		    a.run.variance_l2 == c.run.variance_l2 && a.offset_l == c.offset_l);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(constant_ramp_and_sine_agree_with_their_closed_forms),
		cmocka_unit_test(the_integral_is_weighted_by_time_not_by_count),
		cmocka_unit_test(a_gap_is_neither_zero_nor_bridged),
		cmocka_unit_test(a_gap_without_anything_to_go_by_stays_unknown),
		cmocka_unit_test(a_gap_is_filled_from_the_counter),
		cmocka_unit_test(long_totals_follow_the_counter),
		cmocka_unit_test(a_counter_set_back_to_zero_loses_nothing),
		cmocka_unit_test(a_stuck_counter_is_not_believed),
		cmocka_unit_test(stated_uncertainty_covers_the_quantisation),
		cmocka_unit_test(state_goes_through_a_checkpoint_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
