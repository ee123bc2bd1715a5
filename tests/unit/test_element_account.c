#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/element_account.h"

#define DAY (INT64_C(86400) * 1000000000)
#define NOW (INT64_C(20605) * DAY) /* 2026-06-01 */

static struct boat_filter filter_allowing(double hours, double litres, double months)
{
	struct boat boat;

	boat_init(&boat);
	boat.filters[0].change_h = hours;
	boat.filters[0].change_l = litres;
	boat.filters[0].change_months = months;
	return boat.filters[0];
}

static struct element_fitting fitting_with(double hours, double litres, int64_t days_ago)
{
	return (struct element_fitting){
		.has_fitted = days_ago >= 0,
		.fitted_ns = NOW - days_ago * DAY,
		.engine_h = hours,
		.litres = litres,
	};
}

/* 200 h of 250 used, 2 h a day: 50 h are left for 25 days. */
static void hours_fall_due_by_the_boats_own_use(void **state)
{
	struct boat_filter filter = filter_allowing(250, NAN, NAN);
	struct element_fitting fitting = fitting_with(200, 0, 100);
	struct element_use use = {.h_per_day = 2, .litres_per_h = 30};
	struct element_account account;

	(void)state;
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_HOURS);
	assert_true(account.used_pct == 80);
	assert_true(account.left_h == 50);
	assert_true(account.has_due && account.due_ns == NOW + 25 * DAY);
	assert_string_equal(element_criterion_name(account.due_by), "hours");
}

/* 1 000 of 4 000 L used, 60 L a day: 3 000 L are left for 50 days and 100 h; the hours' 75 days and the
 * months' 265 come later. */
static void the_criterion_that_comes_first_decides(void **state)
{
	struct boat_filter filter = filter_allowing(250, 4000, 12);
	struct element_fitting fitting = fitting_with(100, 1000, 100);
	struct element_use use = {.h_per_day = 2, .litres_per_h = 30};
	struct element_account account;

	(void)state;
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_LITRES);
	assert_true(account.used_pct == 25);
	assert_true(account.left_h == 100);
	assert_true(account.due_ns == NOW + 50 * DAY);
}

/* A year is 365.2425 days: 100 days of it are used, 265.2425 are left. */
static void months_run_while_the_boat_lies_idle(void **state)
{
	struct boat_filter filter = filter_allowing(250, NAN, 12);
	struct element_fitting fitting = fitting_with(10, 100, 100);
	struct element_use use = {.h_per_day = 0, .litres_per_h = NAN};
	struct element_account account;

	(void)state;
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_MONTHS);
	assert_true(fabs(account.used_pct - 100 / 3.652425) < 1e-9);
	assert_true(fabs((double)(account.due_ns - NOW) / (double)DAY - 265.2425) < 1e-6);
	assert_true(isnan(account.left_h));
}

static void an_overdue_element_is_due_now_or_before(void **state)
{
	struct boat_filter filter = filter_allowing(250, NAN, 12);
	struct element_fitting fitting = fitting_with(300, 100, 100);
	struct element_use use = {.h_per_day = 2, .litres_per_h = 30};
	struct element_account account;

	(void)state;
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_HOURS);
	assert_true(account.used_pct == 120);
	assert_true(account.left_h == 0);
	assert_true(account.due_ns == NOW);
	fitting = fitting_with(0, 0, 400);
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_MONTHS);
	assert_true(account.due_ns < NOW);
}

static void what_is_not_told_is_not_judged(void **state)
{
	struct boat_filter filter = filter_allowing(NAN, NAN, 12);
	struct element_fitting fitting = fitting_with(300, 100, -1);
	struct element_use use = {.h_per_day = 2, .litres_per_h = 30};
	struct element_account account;

	(void)state;
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_NOTHING);
	assert_true(isnan(account.used_pct) && isnan(account.left_h) && !account.has_due);
	assert_null(element_criterion_name(account.due_by));
	/* Without use there is no date, but the share is known. */
	filter = filter_allowing(1000, 400, NAN);
	use.h_per_day = 0;
	element_account_judge(&filter, &fitting, &use, NOW, &account);
	assert_int_equal(account.due_by, ELEMENT_BY_HOURS);
	assert_true(account.used_pct == 30 && !account.has_due && account.left_h == 700);
}

static void use_is_taken_from_the_last_90_days(void **state)
{
	struct supply_portion portions[] = {
		{.engine = 0, .dated = true, .start_ns = NOW - 200 * DAY, .engine_h = 500,
			.supply_l = 10000},
		{.engine = 0, .dated = true, .start_ns = NOW - 80 * DAY, .engine_h = 45,
			.supply_l = NAN},
		{.engine = 0, .dated = true, .start_ns = NOW - 8 * DAY, .engine_h = 45,
			.supply_l = 900},
		{.engine = 1, .dated = true, .start_ns = NOW - 8 * DAY, .engine_h = 45,
			.supply_l = 9000},
		{.engine = 0, .dated = false, .start_ns = NOW - 8 * DAY, .engine_h = 45,
			.supply_l = 9000},
		{.engine = 0, .dated = true, .start_ns = NOW + DAY, .engine_h = 5, .supply_l = 100},
	};
	struct element_use use = element_use_of(portions, 6, 0, NOW - 300 * DAY, NOW);

	(void)state;
	assert_true(use.h_per_day == 1);
	assert_true(fabs(use.litres_per_h - 11000.0 / 550) < 1e-12);
	/* A log of three weeks counts for three weeks, one of a day for a week. */
	use = element_use_of(portions, 6, 0, NOW - 21 * DAY, NOW);
	assert_true(fabs(use.h_per_day - 45.0 / 21) < 1e-12);
	use = element_use_of(portions + 5, 1, 0, NOW + DAY, NOW + 2 * DAY);
	assert_true(fabs(use.h_per_day - 5.0 / 7) < 1e-12);
	use = element_use_of(portions, 0, 0, NOW, NOW);
	assert_true(use.h_per_day == 0 && isnan(use.litres_per_h));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(hours_fall_due_by_the_boats_own_use),
		cmocka_unit_test(the_criterion_that_comes_first_decides),
		cmocka_unit_test(months_run_while_the_boat_lies_idle),
		cmocka_unit_test(an_overdue_element_is_due_now_or_before),
		cmocka_unit_test(what_is_not_told_is_not_judged),
		cmocka_unit_test(use_is_taken_from_the_last_90_days),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
