#include "analysis/spare_forecast.h"

#include <math.h>

/* The share of the horizon after which the first of two limits is reached; infinite when neither is
 * known. fmin passes over NaN. */
static double first_limit(double hours, double months, const struct spare_horizon *horizon)
{
	return fmin(INFINITY, fmin(hours / horizon->hours, months / horizon->months));
}

struct spare_need spare_forecast(const struct spare_place *place,
	const struct spare_horizon *horizon)
{
	const double most = 1000;
	double first = first_limit(place->left_h, place->left_months, horizon);
	double next = first_limit(place->life_h, place->life_months, horizon);
	struct spare_need need = {
		.known = isfinite(first),
		.first_share = NAN,
		.first_h = NAN,
		.first_months = NAN,
	};

	if (!need.known) {
		return need;
	}
	first = first > 0 ? first : 0;
	need.first_share = first;
	need.first_h = first * horizon->hours;
	need.first_months = first * horizon->months;
	if (first <= 1) {
		double more = next > 0 ? floor((1 - first) / next) : 0;

		need.changes = 1 + (unsigned)fmin(more, most - 1);
	}
	return need;
}
