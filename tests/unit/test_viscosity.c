#include <errno.h>

#include "analysis/viscosity.h"
#include "tests/unit/near.h"

/* A published worked sheet of ASTM D341 (oil of 32 mm²/s at 40 °C and 5.4 at 100 °C): 8.5 at 80 °C.
 * With T = t + 273.15 the constants are A 9.53082, B 3.74658 (the sheet's own use t + 273). */
static void two_point_line_gives_the_worked_sheet(void **state)
{
	struct viscosity line;

	(void)state;
	assert_int_equal(viscosity_from_two(&line, 32, 40, 5.4, 100), 0);
	near(line.a, 9.53082, 2e-5);
	near(line.b, 3.74658, 2e-5);
	near(viscosity_at(&line, 80), 8.5, 0.05);
	near(viscosity_at(&line, 40), 32, 1e-9);
	near(viscosity_at(&line, 100), 5.4, 1e-9);
}

static void order_of_the_points_does_not_matter(void **state)
{
	struct viscosity one;
	struct viscosity other;

	(void)state;
	assert_int_equal(viscosity_from_two(&one, 4.4, 20, 1.2, 90), 0);
	assert_int_equal(viscosity_from_two(&other, 1.2, 90, 4.4, 20), 0);
	near(one.a, other.a, 1e-9);
	near(one.b, other.b, 1e-9);
}

/* ASTM D341's own Z below 2 mm²/s, by hand at 1 mm²/s: 1.7 + e^-3.82 = 1.72193. The standard's
 * inverse is an approximation of its own: it comes back within 0.5 %. */
static void thin_fuels_use_the_corrected_z_and_come_back(void **state)
{
	(void)state;
	near(viscosity_z(1.0), 1.7 + 0.0219278, 1e-6);
	near(viscosity_z(2.5), 3.2, 1e-12);
	for (double nu = 0.3; nu < 6; nu += 0.05) {
		near(viscosity_from_z(viscosity_z(nu)) / nu, 1, 0.005);
	}
}

/* EN 590 allows 2.00 to 4.50 mm²/s at 40 °C: the default diesel is inside, and like every diesel it
 * is thicker when cold. That it has 4 to 4.6 mm²/s at 20 °C and 1.0 to 1.3 at 100 °C: common
 * practice, no source. */
static void the_default_diesel_is_a_diesel(void **state)
{
	struct viscosity diesel = viscosity_diesel();
	double before = INFINITY;

	(void)state;
	near(viscosity_at(&diesel, 40), VISCOSITY_DIESEL_MM2S, 1e-9);
	assert_true(VISCOSITY_DIESEL_MM2S > 2.0 && VISCOSITY_DIESEL_MM2S < 4.5);
	near(viscosity_at(&diesel, 20), 4.3, 0.3);
	near(viscosity_at(&diesel, 100), 1.15, 0.15);
	for (double t = -20; t <= 120; t += 1) {
		double nu = viscosity_at(&diesel, t);
		assert_true(nu < before);
		before = nu;
	}
}

static void impossible_points_are_refused(void **state)
{
	struct viscosity line = {1, 2};

	(void)state;
	assert_int_equal(viscosity_from_two(&line, 4, 40, 8, 100), -EDOM);
	assert_int_equal(viscosity_from_two(&line, 4, 40, 3, 40), -EDOM);
	assert_int_equal(viscosity_from_two(&line, 0.1, 40, 0.05, 100), -EDOM);
	assert_int_equal(viscosity_from_two(&line, NAN, 40, 1, 100), -EDOM);
	assert_int_equal(viscosity_from_one(&line, 3, -200), -EDOM);
	assert_int_equal(viscosity_from_one(&line, -3, 40), -EDOM);
	near(line.a, 1, 0);
	near(line.b, 2, 0);
	assert_true(isnan(viscosity_at(&line, NAN)));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(two_point_line_gives_the_worked_sheet),
		cmocka_unit_test(order_of_the_points_does_not_matter),
		cmocka_unit_test(thin_fuels_use_the_corrected_z_and_come_back),
		cmocka_unit_test(the_default_diesel_is_a_diesel),
		cmocka_unit_test(impossible_points_are_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
