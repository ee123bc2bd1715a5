/* dirt_watch.h: has the fuel become dirtier? What a litre does to one element, before and after.
 *
 * Ten minutes of readings make a batch. The logarithm of the reference restriction follows a
 * straight line over litres, learned with its noise; each refuelling, and every other hour or so,
 * the line is kept as a start. Later batches are held against the kept lines: what has risen since
 * beyond one and a half times what the steepest of the blocking laws allows the same dirt, and
 * beyond the noise, is dirtier fuel. Restrictions in kPa, litres through the element. Fixed size,
 * no heap.
 */
#ifndef SIGHTBOWL_ANALYSIS_DIRT_WATCH_H
#define SIGHTBOWL_ANALYSIS_DIRT_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/state_codec.h"

#define DIRT_FILLINGS 3 /* refuellings that are remembered */
#define DIRT_HOURLY   5 /* other starts */
#define DIRT_STARTS   (DIRT_FILLINGS + DIRT_HOURLY)

struct dirt_config {
	double limit_kpa; /* > 0 */
	double life_l;	  /* > 0: what elements live here, or a guess */
};

/* The line as it was: the logarithm of the restriction at litres, and its slope, with variances. */
struct dirt_start {
	double v_l;
	double y;
	double y_var;
	double k;
	double k_var;
	double var;	  /* of a batch about the line, and what its readings shared */
	double filled_l;  /* by the refuelling; 0: none */
	uint32_t batches; /* since then; 0: this place is free */
	uint32_t hits;	  /* batches in a row that speak of dirtier fuel */
};

struct dirt_watch {
	/* the batch so far */
	uint32_t count;
	double weight;
	double v_l;
	double p_kpa;
	double noise_var;  /* of a reading, relative: its own, … */
	double common_var; /* … and of what readings under the same conditions share */
	/* the line */
	uint32_t batches; /* behind it, capped */
	double at_l;
	double y;
	double k;
	double yy;
	double yk;
	double kk;
	double var;    /* of a batch about the line */
	uint32_t hour; /* batches since the last start that is no refuelling */
	struct dirt_start starts[DIRT_STARTS]; /* refuellings first */
};

struct dirt_change {
	double before_kpa_l; /* rise a litre that the line kept foretold at the present restriction,
				… */
	double after_kpa_l;  /* … and the mean one since then */
	double since_l;	     /* litres through the element where it began */
	double filled_l;     /* by the refuelling that it began with; 0: with none that is known */
};

void dirt_watch_init(struct dirt_watch *d);

/* A new element: all starts anew but what is known of the noise. */
void dirt_watch_renew(struct dirt_watch *d);

/* Takes one steady reading. litres: through the element so far; must not fall. noise_kpa: its
 * standard deviation, which readings in a row share; common_kpa: of what all readings at such a
 * flow and temperature share. Returns true when the fuel has become dirtier, once; then *ret_change
 * is filled. */
bool dirt_watch_take(struct dirt_watch *d, const struct dirt_config *config, double litres,
	double reference_kpa, double noise_kpa, double common_kpa, struct dirt_change *ret_change);

/* The tank was filled when so many litres had passed. */
void dirt_watch_filled(struct dirt_watch *d, double litres, double filled_l);

/* Litres of the last refuelling that is remembered between these two litres through the element; 0:
 * of none. */
double dirt_watch_taken_in(const struct dirt_watch *d, double from_l, double until_l);

/* What was read before is to be multiplied by factor (> 0), and then moved by delta. */
void dirt_watch_move(
	struct dirt_watch *d, const struct dirt_config *config, double factor, double delta_kpa);

/* What changes with each reading, and what changes once in ten minutes. */
void dirt_watch_save(const struct dirt_watch *d, struct state_writer *w);
void dirt_watch_load(struct dirt_watch *d, struct state_reader *r);
void dirt_watch_save_line(const struct dirt_watch *d, struct state_writer *w);
void dirt_watch_load_line(struct dirt_watch *d, struct state_reader *r);

#endif
