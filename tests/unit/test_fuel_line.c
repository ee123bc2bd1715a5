#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "analysis/fuel_line.h"

/* Units from NIST SP 811, appendix B.8. */
static const double us_gal_l = 3.785411784;
static const double psi_kpa = 6.894757;
static const double foot_m = 0.3048;
static const double inch_mm = 25.4;

/* v [ft/s] = 0.408 Q [US gal/min] / d² [in]: Crane Technical Paper 410 (from memory; the constant is
 * printed to three figures). */
static void velocity_agrees_with_the_published_formula(void **state)
{
	(void)state;
	for (double q_gpm = 0.1; q_gpm < 20; q_gpm *= 3) {
		for (double d_in = 0.25; d_in < 2; d_in *= 2) {
			double published_mps = 0.408 * q_gpm / (d_in * d_in) * foot_m;
			double v = fuel_line_velocity_mps(q_gpm * us_gal_l * 60, d_in * inch_mm);

			assert_true(fabs(v / published_mps - 1) < 2e-3);
		}
	}
}

/* Laminar: psi lost in 100 ft = 0.0668 µ [cP] v [ft/s] / d² [in]: Crane Technical Paper 410 (from
 * memory; three figures). */
static void laminar_loss_agrees_with_the_published_formula(void **state)
{
	const double density = 0.84;
	const double kinematic = 4.0;

	(void)state;
	for (double q_gpm = 0.01; q_gpm < 0.3; q_gpm *= 2) {
		double d_in = 0.375;
		double flow_lph = q_gpm * us_gal_l * 60;
		double v_fps = fuel_line_velocity_mps(flow_lph, d_in * inch_mm) / foot_m;
		double published_kpa =
			0.0668 * kinematic * density * v_fps / (d_in * d_in) * psi_kpa;
		double loss = fuel_line_loss_kpa(flow_lph, d_in * inch_mm, 100 * foot_m, kinematic,
			density);

		assert_true(fuel_line_reynolds(flow_lph, d_in * inch_mm, kinematic) < 2300);
		assert_true(fabs(loss / published_kpa - 1) < 2e-3);
	}
}

/* Blasius at a Reynolds number of 100 000: friction factor 0.0178 (the smooth-pipe line of the Moody
 * chart gives 0.0180). */
static void turbulent_loss_follows_the_smooth_pipe_line(void **state)
{
	double bore_mm = 10;
	double viscosity = 1;
	double velocity = 1e5 * viscosity * 1e-6 / (bore_mm * 1e-3); /* 10 m/s */
	double flow_lph = velocity * 3.14159265358979 / 4 * 1e-4 * 3600 * 1e3;
	double loss = fuel_line_loss_kpa(flow_lph, bore_mm, 1, viscosity, 1.0);
	double friction = loss / (1 / 0.01 * velocity * velocity / 2);

	(void)state;
	assert_true(fabs(fuel_line_reynolds(flow_lph, bore_mm, viscosity) / 1e5 - 1) < 1e-9);
	assert_true(fabs(friction - 0.0180) < 0.0004);
}

static void loss_never_falls_as_the_flow_grows(void **state)
{
	double before = 0;

	(void)state;
	for (double flow = 1; flow < 3000; flow += 1) {
		double loss = fuel_line_loss_kpa(flow, 8, 3, 4, 0.84);

		assert_true(loss > before);
		before = loss;
	}
	assert_true(fuel_line_loss_kpa(0, 8, 3, 4, 0.84) == 0);
	assert_true(isnan(fuel_line_loss_kpa(NAN, 8, 3, 4, 0.84)));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(velocity_agrees_with_the_published_formula),
		cmocka_unit_test(laminar_loss_agrees_with_the_published_formula),
		cmocka_unit_test(turbulent_loss_follows_the_smooth_pipe_line),
		cmocka_unit_test(loss_never_falls_as_the_flow_grows),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
