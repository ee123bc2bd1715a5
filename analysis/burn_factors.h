/* burn_factors.h: what else than the engine's speed explains a minute's burn.
 *
 * A propeller's torque at a speed depends on its advance alone, whatever wind, sea, sails or hull
 * make of the boat's way; and the battery takes what the alternator gives it. The logarithm of the
 * burn is a sum of these, learned minute by minute (recursive least squares): what is left over is
 * the propeller's and the engine's own change. Rates in L/h, speeds in rpm and kn. Fixed size, no
 * heap.
 */
#ifndef SIGHTBOWL_ANALYSIS_BURN_FACTORS_H
#define SIGHTBOWL_ANALYSIS_BURN_FACTORS_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/state_codec.h"

enum burn_factor {
	BURN_FACTOR_LEVEL,
	BURN_FACTOR_RPM, /* ln(rpm), and its square */
	BURN_FACTOR_BEND,
	BURN_FACTOR_ADVANCE, /* speed through the water for each turn, against the first; … */
	BURN_FACTOR_GROUND,  /* … where it is not heard, over ground: with the current in it */
	BURN_FACTOR_CHARGE,  /* power into the battery, kW for each L/h */
	BURN_FACTOR_VOLTAGE, /* where no battery current is heard: its voltage, against the first, …
			      */
	BURN_FACTOR_START, /* … and the time since the start: what starting took is charged again */
	BURN_FACTORS,
};
#define BURN_FACTOR_PAIRS (BURN_FACTORS * (BURN_FACTORS + 1) / 2)

/* A minute of driving; NaN is unknown. */
struct burn_factors_minute {
	double rate_lph;
	double rpm;
	double water_kn;
	double ground_kn;
	double battery_v;
	double battery_a; /* into the battery: > 0 */
	double running_s;
};

struct burn_factors {
	double value[BURN_FACTORS];
	double covariance[BURN_FACTOR_PAIRS]; /* row by row, from the diagonal on */
	double first_advance;		      /* kn for each rpm; 0: not heard yet */
	double first_v;
	uint32_t known;	  /* bits: the factors that are in use */
	uint32_t minutes; /* learned from, capped */
	uint32_t lacking; /* minutes in a row without one that is in use */
};

struct burn_residual {
	double off; /* of the burn's logarithm */
	double sd;  /* of what was expected */
};

void burn_factors_init(struct burn_factors *f);

/* Is there an advance in it? Then weather and sails are in it too. */
bool burn_factors_see_advance(const struct burn_factors *f);

/* Holds a minute against what was expected, then learns from it, if learn, as long as it is not
 * well known. minute_var: variance of minutes as means of many feel it. Returns false where nothing
 * can be said. */
bool burn_factors_take(struct burn_factors *f, const struct burn_factors_minute *minute, bool learn,
	double minute_var, struct burn_residual *ret_residual);

void burn_factors_save(const struct burn_factors *f, struct state_writer *w);
void burn_factors_load(struct burn_factors *f, struct state_reader *r);

#endif
