#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "analysis/spare_forecast.h"

static struct spare_need need_of(double left_h, double left_months, double life_h,
	double life_months, double hours, double months)
{
	struct spare_place place = {left_h, left_months, life_h, life_months};
	struct spare_horizon horizon = {hours, months};

	return spare_forecast(&place, &horizon);
}

/* Worked by hand: 200 h to come, 30 h left, then every 80 h: at 30, 110, 190. */
static void changes_by_hours_are_counted(void **state)
{
	struct spare_need need = need_of(30, NAN, 80, NAN, 200, NAN);

	(void)state;
	assert_true(need.known);
	assert_int_equal(need.changes, 3);
	assert_true(fabs(need.first_h - 30) < 1e-9 && isnan(need.first_months));
}

/* Worked by hand: 36 months at 10 h a month; the present one has 50 h (5 months) or 3 months left, a
 * new one 200 h (20 months) or 12 months: changes at month 3, 15, 27. */
static void age_and_hours_run_side_by_side(void **state)
{
	struct spare_need need = need_of(50, 3, 200, 12, 360, 36);

	(void)state;
	assert_int_equal(need.changes, 3);
	assert_true(fabs(need.first_months - 3) < 1e-9 && fabs(need.first_h - 30) < 1e-9);
}

static void an_element_that_outlasts_the_horizon_needs_none(void **state)
{
	struct spare_need need = need_of(500, NAN, 500, NAN, 200, 6);

	(void)state;
	assert_true(need.known);
	assert_int_equal(need.changes, 0);
	assert_true(need.first_share > 1);
}

static void an_overdue_element_is_needed_at_once(void **state)
{
	struct spare_need need = need_of(-5, NAN, 500, NAN, 200, NAN);

	(void)state;
	assert_int_equal(need.changes, 1);
	assert_true(need.first_share == 0 && need.first_h == 0);
}

static void nothing_known_is_not_none(void **state)
{
	(void)state;
	assert_false(need_of(NAN, NAN, NAN, NAN, 200, 6).known);
	/* Hours are known, but what to come is told in months only and the boat's use is not known. */
	assert_false(need_of(50, NAN, 50, NAN, NAN, 6).known);
}

static void a_life_of_nothing_does_not_run_away(void **state)
{
	(void)state;
	assert_int_equal(need_of(0, NAN, 1e-9, NAN, 200, NAN).changes, 1000);
	assert_int_equal(need_of(0, NAN, 0, NAN, 200, NAN).changes, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(changes_by_hours_are_counted),
		cmocka_unit_test(age_and_hours_run_side_by_side),
		cmocka_unit_test(an_element_that_outlasts_the_horizon_needs_none),
		cmocka_unit_test(an_overdue_element_is_needed_at_once),
		cmocka_unit_test(nothing_known_is_not_none),
		cmocka_unit_test(a_life_of_nothing_does_not_run_away),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
