/* fuel_range.h: how far the fuel goes: tanks and engines together, down to the reserve.
 *
 * An engine draws from the tank that was told for it, or from any. While one may draw from any tank,
 * all tanks are one; else the range ends where the first tank in use comes to its reserve.
 */
#ifndef SIGHTBOWL_ANALYSIS_FUEL_RANGE_H
#define SIGHTBOWL_ANALYSIS_FUEL_RANGE_H

#include <stddef.h>

#include "analysis/tank.h"

struct range_tank {
	unsigned number;
	double volume_l; /* NaN: not known */
	double volume_sd_l;
	double reserve_l;
};

struct range_engine {
	int tank; /* number; -1: any */
	double rate_lph;
};

struct fuel_range {
	double fuel_l;    /* above the reserve, in the tanks in use; NaN: not known (so all below) */
	double reserve_l; /* of these tanks */
	struct tank_range range;
	int first_tank;   /* that comes to its reserve first; -1: all tanks are one */
};

/* Engines without a rate take no part. speed_kn NaN: not known. rate_share_sd: how well the rates are
 * known, as a share. */
struct fuel_range fuel_range_find(const struct range_tank *tanks, size_t tank_count,
	const struct range_engine *engines, size_t engine_count, double rate_share_sd,
	double speed_kn);

#endif
