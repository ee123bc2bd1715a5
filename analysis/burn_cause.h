/* burn_cause.h: why an engine burns more or less than its own map says, by the odds of each cause.
 *
 * Each cause moves other things beside the burn, in proportion to it: the odds before anything is
 * seen, times how well what was seen fits each of them (docs/methods/burn_cause.md). Causes that
 * the evidence does not tell apart yet are said to be so. Sizes in percent, temperatures in °C.
 */
#ifndef SIGHTBOWL_ANALYSIS_BURN_CAUSE_H
#define SIGHTBOWL_ANALYSIS_BURN_CAUSE_H

#include <stdbool.h>

#include "analysis/burn_map.h"

enum burn_cause {
	BURN_CAUSE_HULL,      /* fouled hull or propeller, a line in the propeller */
	BURN_CAUSE_LOADING,   /* a heavier boat, a tow, weather or current against it */
	BURN_CAUSE_INJECTOR,  /* a leaking or worn injector, injection timing */
	BURN_CAUSE_FUEL,      /* fuel of less energy */
	BURN_CAUSE_AIR,	      /* air intake, turbocharger, exhaust back pressure */
	BURN_CAUSE_COLD,      /* the engine runs colder than it did */
	BURN_CAUSE_SUPPLY,    /* fuel does not get through: filter, air leak, lift pump */
	BURN_CAUSE_PROPELLER, /* it grips less: damaged, ventilating, slipping clutch */
	BURN_CAUSE_LIGHTER,   /* a lighter boat, a cleaned hull, weather or current with it */
	BURN_CAUSE_SENSOR,    /* the rate's own sensor or its calibration */
	BURN_CAUSES
};

/* What else is known, for the causes: NaN unknown. */
struct burn_signs {
	double coolant_drift_c;	  /* against what is usual at this load */
	double exhaust_drift_c;	  /* the same, if the load is heard */
	double fuel_pressure_pct; /* against what is usual at this speed */
	double restriction_share; /* greatest reference restriction of a filter, of its limit */
};

/* The causes that there are, the likeliest first, with their odds (they sum to 1). The first
 * `alike` of them are not told apart: 1 when the first stands alone. */
struct burn_verdict {
	unsigned count;
	unsigned alike;
	enum burn_cause causes[BURN_CAUSES];
	double odds[BURN_CAUSES];
};

/* high: burn is high, else low. */
struct burn_verdict burn_causes(
	const struct burn_finding *finding, const struct burn_signs *signs, bool high);

/* The cause in plain words; static. */
const char *burn_cause_text(enum burn_cause cause);

#endif
