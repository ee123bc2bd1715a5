/* fuel_account.h: litres burned, from the rate and the engine's own cumulative counter.
 *
 * The rate is integrated as it comes (trapezoid, time-weighted); it gives the shape. A cumulative
 * counter, where the engine sends one, gives the length: both are fused by a Kalman filter with two
 * states, the error of the integral in this run (E) and the counter's offset (B), which is measured
 * at each edge of the counter. What was not observed (a gap) is neither zero nor bridged: it is
 * filled from the counter, else from engine time and the burn learned so far, and told as
 * estimated.
 *
 * Uncertainty: a reading that stands still carries one quantisation error for as long as it stands
 * (variance q²/12 times the stretch squared), stretches are independent; a tenth of a step and 0.25
 * % of the rate are held to be common to a whole run. Where the counter shows the rate to be
 * further out than that, the share it shows is used from then on. See docs/methods/fuel.md.
 */
#ifndef SIGHTBOWL_ANALYSIS_FUEL_ACCOUNT_H
#define SIGHTBOWL_ANALYSIS_FUEL_ACCOUNT_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/state_codec.h"

/* Counters, the finest first. */
enum fuel_counter {
	COUNTER_TOTAL_FINE, /* J1939 SPN 5054, 0.001 L */
	COUNTER_TOTAL,	    /* SPN 250, 0.5 L */
	COUNTER_TRIP_FINE,  /* SPN 5053 */
	COUNTER_TRIP,	    /* SPN 182, 0.5 L; NMEA 2000 127497, 1 L */
	COUNTER_KINDS,
	COUNTER_NONE = COUNTER_KINDS,
};

/* What one run burned. */
struct fuel_run {
	double observed_l;  /* integral of the rate */
	double error_l;	    /* E: to be added to it */
	double variance_l2; /* of E */
	double estimated_l; /* part of the sum that fills gaps */
	double covered_s;   /* engine time under the integral */
	double filled_s;    /* engine time filled by estimate */
	double unknown_s;   /* engine time that could not even be estimated */
	double max_lph;	    /* < 0: no rate heard */
	double common_l;    /* error held common since the counter's last edge */
};

/* Burn learned at engine speeds: a bin each 250 rpm. */
#define FUEL_BINS 16

struct fuel_account {
	struct fuel_run run;
	/* the rate */
	bool has_rate;
	int64_t rate_ns;
	double rate_lph;
	double rate_step_lph;
	int64_t rate_gap_ns; /* longest time to the next that still counts as observed */
	int64_t stretch_ns;  /* since when the rate has stood still */
	/* the counter */
	uint8_t counter;    /* enum fuel_counter in use */
	bool counter_fresh; /* its offset is known */
	double counter_l;   /* last reading */
	double counter_step_l;
	int64_t counter_ns;
	double offset_l;      /* B: counter less fuel of this run */
	double covariance_l2; /* of E and B */
	double offset_variance_l2;
	double since_edge_l; /* integral since the last edge */
	bool edge_whole;     /* … all of it observed */
	double seat_l;	 /* integral between the first reading and the first edge behind it; < 0: no
			  * edge yet */
	double share;	 /* common error as a share of the rate: 0.25 %, or what edges showed */
	uint32_t resets; /* times the counter went back or jumped beyond reason */
	/* expected by learned burn since the last rate, for the case that a gap has begun */
	double expected_l;
	double expected_s;	/* engine time for which a burn is known */
	double gap_variance_l2; /* of the fills since the counter's last edge */
	/* learned burn: over all, and by engine speed */
	double learned_l;
	double learned_h;
	float bin_lph[FUEL_BINS];
	float bin_h[FUEL_BINS];
};

void fuel_account_init(struct fuel_account *f);

/* What the engine did while a rate was told. */
enum fuel_share {
	FUEL_STANDS, /* stood: the rate counts for nothing */
	FUEL_RUNS,   /* ran: litres and engine time of its run */
	FUEL_CRANKS, /* turned by the starter, or running down: litres without engine time */
};

/* A reading of the rate (L/h, coded in steps of resolution) at a steady time, and what the engine
 * did in the interval that it ends. gap_ns: longest time that still counts as observed. */
void fuel_account_rate(struct fuel_account *f, int64_t t_ns, double lph, double resolution,
	int64_t gap_ns, enum fuel_share share);

/* A reading of a cumulative counter. engine_s: engine time of the run so far. */
void fuel_account_counter(struct fuel_account *f, int64_t t_ns, enum fuel_counter kind,
	double litres, double step_l, double engine_s);

/* Where the counter stands by the account, and how sure that is; false when it is not known. */
bool fuel_account_expected(const struct fuel_account *f, double *ret_l, double *ret_variance_l2);

/* Puts the counter's offset anew from a reading: what lay between was accounted for elsewhere. */
void fuel_account_reseat(
	struct fuel_account *f, int64_t t_ns, enum fuel_counter kind, double litres, double step_l);

/* A run is over: the next one's litres start at 0, the counter's offset is carried over. */
void fuel_account_begin(struct fuel_account *f);
/* The next run has started: what was cranked since the last one is its own. */
void fuel_account_start(struct fuel_account *f);

/* The engine has run on for dt_s at a speed (NaN: not known) that goes with the rate, where that is
 * known: learns from it, and keeps what to expect should the rate fall silent. */
void fuel_account_speed(struct fuel_account *f, int64_t t_ns, double dt_s, double rpm);

/* Ends the stretch over which the rate stood still. */
void fuel_account_end_stretch(struct fuel_account *f);
/* Learns the mean burn from what the run observed; once a run or part. */
void fuel_account_learn(struct fuel_account *f);
/* Fills what is left unobserved of engine_s by the burn learned so far (the run's own included,
 * where nothing was learned before). */
void fuel_account_end(struct fuel_account *f, double engine_s);

/* The burn learned so far, L/h; NaN when nothing was learned. */
double fuel_account_learned(const struct fuel_account *f);
/* The burn to expect at an engine speed (NaN: any), L/h; NaN when nothing was learned. */
double fuel_account_expectation(const struct fuel_account *f, double rpm);

/* Two independent estimates of the same litres become one, weighted by their variances. */
void fuel_combine(double *litres, double *variance_l2, double other_l, double other_variance_l2);

/* Adds litres that were not observed to a run. */
void fuel_run_fill(struct fuel_run *run, double litres, double variance_l2, double engine_s);
/* Two parts of one run. */
void fuel_run_join(struct fuel_run *into, const struct fuel_run *from);
/* Litres of a run; NaN when nothing is known. */
double fuel_run_litres(const struct fuel_run *run);
/* Half width with coverage factor 2; NaN when nothing is known. */
double fuel_run_uncertainty(const struct fuel_run *run);

void fuel_run_save(const struct fuel_run *run, struct state_writer *w);
void fuel_run_load(struct fuel_run *run, struct state_reader *r);
void fuel_account_save(const struct fuel_account *f, struct state_writer *w);
void fuel_account_load(struct fuel_account *f, struct state_reader *r);

#endif
