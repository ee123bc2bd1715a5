/* strapping.h: a tank's strapping table: what volume a level means.
 *
 * A tank is calibrated ("strapped") by filling it in known portions and reading the level after
 * each. Between the points the volume is a straight line; beyond them it is the outermost point's.
 */
#ifndef SIGHTBOWL_ANALYSIS_STRAPPING_H
#define SIGHTBOWL_ANALYSIS_STRAPPING_H

#include <stdbool.h>
#include <stddef.h>

#define STRAPPING_POINTS_MAX 16

struct strapping_point {
	double level_pct;
	double volume_l;
};

struct strapping {
	size_t count; /* below 2: there is no table */
	struct strapping_point points[STRAPPING_POINTS_MAX];
};

/* Two points or more, by rising level and volume? */
bool strapping_is_sound(const struct strapping *table);

/* The volume at a level. The table must be sound. */
double strapping_volume(const struct strapping *table, double level_pct);

#endif
