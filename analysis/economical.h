/* economical.h: the engine speed that burns the fewest litres a mile, of those that the boat runs.
 *
 * From points of the engines' learned maps (burn_map.h): rate and boat speed at an engine speed, with
 * the steady minutes behind each. Thin points do not count, and few of them say nothing. Engines that
 * drive the boat together turn together. Rates in L/h, speeds in rpm and kn.
 */
#ifndef SIGHTBOWL_ANALYSIS_ECONOMICAL_H
#define SIGHTBOWL_ANALYSIS_ECONOMICAL_H

#include <stdbool.h>
#include <stddef.h>

#include "analysis/boat.h"

/* NaN is unknown. Points of different engines belong together by the same rpm. */
struct economical_point {
	unsigned engine;
	double rpm;
	double rate_lph;
	double rate_sd_share;
	double rate_minutes;
	double speed_kn;
	double speed_minutes;
};

enum economical_state {
	ECONOMICAL_FOUND,
	ECONOMICAL_NO_SPEED, /* no speed of the boat is known at any engine speed */
	ECONOMICAL_THIN,     /* too few speeds are known well enough */
};

struct economical_speed {
	double rpm;
	double rate_lph;                      /* all engines together */
	double engine_lph[BOAT_ENGINES_MAX];  /* 0: takes no part */
	double speed_kn;
	double l_per_nm;
	double l_per_nm_sd_share;             /* standard deviation as a share */
	bool slowest; /* the slowest that counted: slower may need less still */
};

/* Least litres a mile among the speeds that count; where two are as good within what is known of
 * them, the one that is known better. *ret_speed is filled only when found. */
enum economical_state economical_find(
	const struct economical_point *points, size_t count, struct economical_speed *ret_speed);

#endif
