/* filter_build.h: how a filter is built and where it sits, as its owner describes it.
 *
 * What is not told is UNKNOWN (0), which is an answer of its own: the steps then say both ways. The
 * names are those of the configuration and of the command line.
 */
#ifndef SIGHTBOWL_ANALYSIS_FILTER_BUILD_H
#define SIGHTBOWL_ANALYSIS_FILTER_BUILD_H

#include <stdbool.h>
#include <stddef.h>

enum filter_bowl {
	FILTER_BOWL_UNKNOWN,
	FILTER_BOWL_CLEAR, /* see-through */
	FILTER_BOWL_METAL,
	FILTER_BOWL_NONE,
};

enum filter_drain {
	FILTER_DRAIN_UNKNOWN,
	FILTER_DRAIN_TAP, /* a tap, screw or valve at the bottom */
	FILTER_DRAIN_NONE,
};

enum filter_loading {
	FILTER_LOADING_UNKNOWN,
	FILTER_LOADING_TOP,     /* a cartridge, lifted out under a lid */
	FILTER_LOADING_BOTTOM,  /* a cartridge, lowered with its bowl */
	FILTER_LOADING_SPIN_ON, /* a can screwed on a head */
};

enum filter_height {
	FILTER_HEIGHT_UNKNOWN,
	FILTER_HEIGHT_ABOVE, /* above the tank's level: fuel falls back when it is opened */
	FILTER_HEIGHT_BELOW, /* below it: fuel runs out when it is opened */
};

enum filter_priming {
	FILTER_PRIMING_UNKNOWN,
	FILTER_PRIMING_HAND_PUMP, /* a hand pump on the filter head */
	FILTER_PRIMING_LEVER,     /* the hand lever of a mechanical lift pump */
	FILTER_PRIMING_BULB,      /* a squeeze bulb in the hose */
	FILTER_PRIMING_ELECTRIC,  /* an electric lift pump */
	FILTER_PRIMING_NONE,
};

enum filter_has { FILTER_HAS_UNKNOWN, FILTER_HAS, FILTER_HAS_NOT };

struct filter_build {
	enum filter_bowl bowl;
	enum filter_drain drain;
	enum filter_loading loading;
	enum filter_height height;
	enum filter_priming priming;
	enum filter_has shut_off;   /* a shut-off valve between tank and filter */
	enum filter_has vent;       /* a vent (bleed) screw at the top */
	enum filter_has probe;      /* a water probe with a plug */
	double volume_l;            /* fuel in it; NaN: not told */
};

/* One property of a filter and the names of its values, in the order of its enumerators; the name of
 * value 0 is "unknown". */
struct filter_build_property {
	const char *key;
	const char *const *names;
	size_t count;
};

/* The properties: bowl, drain, loading, height, priming, shut_off, vent, probe. */
size_t filter_build_properties(const struct filter_build_property **ret_properties);

void filter_build_init(struct filter_build *build);

/* Reads or sets a property by its index. value must be below the property's count. */
unsigned filter_build_get(const struct filter_build *build, size_t property);
void filter_build_set(struct filter_build *build, size_t property, unsigned value);

#endif
