#include "analysis/fuel_range.h"
#include "tests/unit/near.h"

static void tanks_of_any_engine_are_one(void **state)
{
	const struct range_tank tanks[] = {{0, 200, 6, 20}, {1, 100, 8, 10}};
	const struct range_engine engines[] = {{-1, 5}, {0, 4}, {-1, 0}};

	(void)state;
	struct fuel_range r = fuel_range_find(tanks, 2, engines, 3, 0.1, 7);
	near(r.fuel_l, 270, 1e-12);
	near(r.reserve_l, 30, 1e-12);
	near(r.range.hours, 30, 1e-12);
	near(r.range.miles, 210, 1e-12);
	/* 10/9 h of level and 3 h of rate together: 3.19915 h; 1.28155 of them at the 10 % edge. */
	near(r.range.hours_low, 30 - 1.28155 * 3.19915, 1e-3);
	assert_int_equal(r.first_tank, -1);
}

static void each_engine_has_its_own_tank(void **state)
{
	const struct range_tank tanks[] = {{0, 200, 6, 20}, {1, 100, 8, 10}};
	const struct range_engine engines[] = {{0, 5}, {1, 5}};

	(void)state;
	struct fuel_range r = fuel_range_find(tanks, 2, engines, 2, 0, 6);
	near(r.range.hours, 18, 1e-12); /* (100 - 10) / 5 */
	near(r.range.miles, 108, 1e-12);
	near(r.fuel_l, 270, 1e-12);
	assert_int_equal(r.first_tank, 1);
}

static void two_engines_share_a_tank_that_was_told(void **state)
{
	const struct range_tank tanks[] = {{0, 200, 6, 20}, {1, 100, 8, 10}};
	const struct range_engine engines[] = {{0, 5}, {0, 5}};

	(void)state;
	struct fuel_range r = fuel_range_find(tanks, 2, engines, 2, 0, NAN);
	near(r.range.hours, 18, 1e-12); /* (200 - 20) / 10 */
	assert_true(isnan(r.range.miles));
	near(r.fuel_l, 180, 1e-12);
}

static void below_the_reserve_there_is_no_range(void **state)
{
	const struct range_tank tanks[] = {{0, 15, 6, 20}, {1, 100, 8, 10}};
	const struct range_engine own[] = {{0, 5}};
	const struct range_engine any[] = {{-1, 5}};

	(void)state;
	near(fuel_range_find(tanks, 2, own, 1, 0.1, 6).range.hours, 0, 0);
	near(fuel_range_find(tanks, 2, own, 1, 0.1, 6).range.miles_low, 0, 0);
	/* The 5 L that are missing there are not taken from the other tank's 90 L. */
	near(fuel_range_find(tanks, 2, any, 1, 0, 6).range.hours, 18, 1e-12);
}

static void what_is_not_known_gives_no_range(void **state)
{
	const struct range_tank tanks[] = {{0, 200, 6, 20}, {1, NAN, NAN, 10}};
	const struct range_engine own[] = {{0, 5}};
	const struct range_engine any[] = {{-1, 5}};
	const struct range_engine lost[] = {{3, 5}};
	const struct range_engine still[] = {{0, 0}, {1, NAN}};

	(void)state;
	near(fuel_range_find(tanks, 2, own, 1, 0, 6).range.hours, 36, 1e-12);
	assert_true(isnan(fuel_range_find(tanks, 2, any, 1, 0, 6).range.hours));
	assert_true(isnan(fuel_range_find(tanks, 2, lost, 1, 0, 6).range.hours));
	assert_true(isnan(fuel_range_find(tanks, 2, still, 2, 0, 6).range.hours));
	assert_true(isnan(fuel_range_find(tanks, 0, any, 1, 0, 6).fuel_l));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(tanks_of_any_engine_are_one),
		cmocka_unit_test(each_engine_has_its_own_tank),
		cmocka_unit_test(two_engines_share_a_tank_that_was_told),
		cmocka_unit_test(below_the_reserve_there_is_no_range),
		cmocka_unit_test(what_is_not_known_gives_no_range),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
