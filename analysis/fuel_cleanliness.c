#include "analysis/fuel_cleanliness.h"

#include <assert.h>
#include <math.h>

/* ISO 4406, table 1: upper bound of each code, particles per ml (as reprinted in filter makers'
 * catalogues). */
static const double count_max[CLEANLINESS_CODE_MAX + 1] = {
	0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5, 10, 20, 40, 80, 160, 320, 640, 1300,
	2500, 5000, 10000, 20000, 40000, 80000, 160000, 320000, 640000, 1300000, 2500000,
};

/* The code counts nothing below 4 µm: the slope is carried on to 1 µm, which the finest fuel elements
 * hardly keep, and up to the largest size that stays in suspension in a tank: bounds of ours. */
static const double smallest_um = 1.0;
static const double largest_um = 40.0;
static const double solid_density_gcm3 = 2.65; /* silica, the main part of ISO 12103-1 test dust */
static const double pi = 3.14159265358979323846;

double cleanliness_count_max(unsigned code)
{
	assert(code <= CLEANLINESS_CODE_MAX);
	return count_max[code];
}

double cleanliness_efficiency(double beta)
{
	return beta > 1 ? (beta - 1) / beta : 0;
}

double cleanliness_beta_at(double size_um, double rating_um, double beta_at_rating)
{
	double ratio = size_um / rating_um;

	return 1 + (beta_at_rating - 1) * ratio * ratio * ratio * ratio;
}

bool cleanliness_catch(const struct cleanliness_code *code, double rating_um, double beta_at_rating,
	struct cleanliness_catch *ret_catch)
{
	const double sizes_um[3] = {4, 6, 14};
	double counts[3];
	double slopes[2];
	double all_um3 = 0;
	double kept_um3 = 0;
	double kept_um2 = 0;
	const unsigned steps = 400;
	double step = log(largest_um / smallest_um) / steps;

	if (code->at_4um > CLEANLINESS_CODE_MAX || code->at_6um > code->at_4um ||
		code->at_14um > code->at_6um || !(rating_um > 0) || !isfinite(rating_um) ||
		!(beta_at_rating >= 1) || !isfinite(beta_at_rating)) {
		return false;
	}
	counts[0] = count_max[code->at_4um];
	counts[1] = count_max[code->at_6um];
	counts[2] = count_max[code->at_14um];
	slopes[0] = log(counts[0] / counts[1]) / log(sizes_um[1] / sizes_um[0]);
	slopes[1] = log(counts[1] / counts[2]) / log(sizes_um[2] / sizes_um[1]);
	/* Number of particles larger than d: counts[1] (d / 6)^-slope, the slope of the side that d
	 * is on; the midpoint rule over ln d. */
	for (unsigned i = 0; i < steps; i++) {
		double size = smallest_um * exp((i + 0.5) * step);
		double slope = slopes[size < sizes_um[1] ? 0 : 1];
		double number = counts[1] * pow(size / sizes_um[1], -slope) * slope * step;
		double volume = number * pi / 6 * size * size * size;
		double beta = cleanliness_beta_at(size, rating_um, beta_at_rating);
		double kept = volume * cleanliness_efficiency(beta);

		all_um3 += volume;
		kept_um3 += kept;
		kept_um2 += kept * 6 / size;
	}
	/* µm³/ml × 1e-12 cm³/µm³ × g/cm³ × 1e6 (mg/g × ml/L); µm²/ml × 1e-12 m²/µm² × 1e3 ml/L */
	ret_catch->solids_mgl = all_um3 * 1e-6 * solid_density_gcm3;
	ret_catch->kept_mgl = kept_um3 * 1e-6 * solid_density_gcm3;
	ret_catch->kept_share = all_um3 > 0 ? kept_um3 / all_um3 : 0;
	ret_catch->kept_surface = kept_um2 * 1e-9;
	return true;
}
