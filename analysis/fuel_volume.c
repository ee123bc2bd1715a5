#include "analysis/fuel_volume.h"

#include <math.h>

/* Coefficient of expansion at 15 °C, 1/K: constants of table 54B by product group. The bound
 * between jet fuels and diesels is given as 838.5 or 839 by different public codes; both give the
 * same to 1e-5. */
static double expansion(double density15_kgm3)
{
	double rho = density15_kgm3;
	double k0;
	double k1;

	if (rho < 770) {
		k0 = 346.4228;
		k1 = 0.4388;
	} else if (rho < 788) {
		return -0.00336312 + 2680.3206 / (rho * rho);
	} else if (rho < 839) {
		k0 = 594.5418;
		k1 = 0;
	} else {
		k0 = 186.9696;
		k1 = 0.4862;
	}
	return (k0 + k1 * rho) / (rho * rho);
}

double fuel_volume_factor(double density15_kgm3, double at_c)
{
	if (!(density15_kgm3 >= 653 && density15_kgm3 <= 1075) || !(at_c >= -50 && at_c <= 150)) {
		return NAN;
	}
	double x = expansion(density15_kgm3) * (at_c - 15);
	return exp(-x * (1 + 0.8 * x));
}

double fuel_volume_density(double density15_kgm3, double at_c)
{
	return density15_kgm3 * fuel_volume_factor(density15_kgm3, at_c);
}
