/* spare_forecast.h: how many elements a filter will need over a stretch of use.
 *
 * Counted from the early end of what is forecast (p10), so that the spare is aboard in time. What is
 * not known is NaN and limits nothing; when nothing is known that is said, not taken for none.
 */
#ifndef SIGHTBOWL_ANALYSIS_SPARE_FORECAST_H
#define SIGHTBOWL_ANALYSIS_SPARE_FORECAST_H

#include <stdbool.h>

/* A stretch of use to come, in engine hours and in months; either may be NaN. */
struct spare_horizon {
	double hours;
	double months;
};

struct spare_place {
	double left_h;      /* engine hours that the present element lasts at least */
	double left_months; /* until its age limit */
	double life_h;      /* engine hours that a new one lasts at least */
	double life_months; /* age limit of a new one */
};

struct spare_need {
	bool known;
	unsigned changes;    /* within the horizon; at most 1000 */
	double first_share;  /* of the horizon until the first change; may exceed 1; NaN: not known */
	double first_h;      /* the same in engine hours and months; NaN: not known */
	double first_months;
};

struct spare_need spare_forecast(const struct spare_place *place,
	const struct spare_horizon *horizon);

#endif
