#include "analysis/fuel_volume.h"
#include "tests/unit/near.h"

/* No printed value of table 54B was found; these come from a separate computation of ASTM D1250's
 * formula with the constants that several public codes agree on. */
static void factors_match_a_separate_computation(void **state)
{
	static const double at_c[] = {0, 20, 25, 30, 40, 60};
	static const struct {
		double density;
		double factor[6];
	} rows[] = {
		{820, {1.01321, 0.99557, 0.99113, 0.98669, 0.97776, 0.95978}},
		{830, {1.01289, 0.99568, 0.99135, 0.98701, 0.97829, 0.96075}},
		{840, {1.01261, 0.99578, 0.99154, 0.98730, 0.97878, 0.96163}},
		{845, {1.01251, 0.99581, 0.99161, 0.98740, 0.97894, 0.96193}},
		{850, {1.01241, 0.99584, 0.99167, 0.98749, 0.97911, 0.96223}},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		for (size_t j = 0; j < 6; j++) {
			near(fuel_volume_factor(rows[i].density, at_c[j]), rows[i].factor[j], 6e-6);
		}
		near(fuel_volume_factor(rows[i].density, 15), 1, 0);
	}
}

/* A published linear coefficient for diesel: 0.00084 1/K near 15 °C. */
static void slope_near_the_base_is_the_published_coefficient(void **state)
{
	(void)state;
	near((fuel_volume_factor(845, 10) - fuel_volume_factor(845, 20)) / 10, 0.00084, 1e-5);
}

/* The product groups meet within a tenth of a per mille at 40 °C. */
static void groups_join(void **state)
{
	static const double bounds[] = {770, 788, 839};

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		near(fuel_volume_factor(bounds[i] - 0.01, 40),
			fuel_volume_factor(bounds[i] + 0.01, 40), 2e-4);
	}
}

static void outside_its_range_there_is_no_factor(void **state)
{
	(void)state;
	assert_true(isnan(fuel_volume_factor(500, 20)));
	assert_true(isnan(fuel_volume_factor(845, 200)));
	assert_true(isnan(fuel_volume_factor(845, NAN)));
	assert_true(isnan(fuel_volume_density(NAN, 20)));
	near(fuel_volume_density(845, 40), 845 * 0.97894, 0.01);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(factors_match_a_separate_computation),
		cmocka_unit_test(slope_near_the_base_is_the_published_coefficient),
		cmocka_unit_test(groups_join),
		cmocka_unit_test(outside_its_range_there_is_no_factor),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
