/* restriction.h: pressure readings → reference restriction of a filter.
 *
 * The pressure lost across an element is laminar (∝ viscosity × flow) in the medium and ∝ density ×
 * flow² in ports and fittings; the sensor adds a zero of its own, and at an outlet the lift from
 * the tank. The three are told apart by how readings follow the flow, and by those with the engine
 * off. Each steady reading is put to the reference flow and 40 °C, with what is not known about it.
 * Restrictions in kPa, flows in L/h through the filter (supply flow: burn and return), temperatures
 * in °C.
 */
#ifndef SIGHTBOWL_ANALYSIS_RESTRICTION_H
#define SIGHTBOWL_ANALYSIS_RESTRICTION_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/viscosity.h"
#include "decoders/state_codec.h"

#define RESTRICTION_REFERENCE_C 40.0

enum restriction_sense {
	RESTRICTION_DIFFERENTIAL, /* the reading is the restriction */
	RESTRICTION_GAUGE,        /* at the outlet against the air: suction, with either sign */
	RESTRICTION_ABSOLUTE,     /* absolute pressure at the outlet */
};

struct restriction_config {
	enum restriction_sense sense;
	double reference_lph; /* NaN: the highest flow held for a minute so far */
	double density15_kgm3;
	struct viscosity fuel;
};

/* 10 s of one filter. NaN is unknown, in every field. */
struct restriction_window {
	bool running;        /* engine turning */
	double pressure_kpa; /* mean of the window, and its extremes */
	double pressure_low_kpa;
	double pressure_high_kpa;
	double pressure_step_kpa; /* one step of the coding */
	double air_kpa;           /* barometric; used for RESTRICTION_ABSOLUTE */
	double supply_lph;        /* mean of the window, and its extremes */
	double supply_low_lph;
	double supply_high_lph;
	double supply_step_lph; /* one step of the coding it comes from */
	double supply_sd_share; /* how well the flow is known, of itself, all of these days; not
				   NaN: 0 is for certain */
	double fuel_c;
	double fuel_sd_c; /* how well that is known; NaN: 2 °C */
};

enum restriction_state {
	RESTRICTION_READ,        /* a reading came out */
	RESTRICTION_RESTING,     /* engine off: the zero is learned */
	RESTRICTION_SETTLING,    /* flow not steady, or not for long enough */
	RESTRICTION_LOW_FLOW,    /* too little flow to tell anything */
	RESTRICTION_NO_FLOW,     /* flow not known */
	RESTRICTION_NO_PRESSURE, /* pressure not known */
	RESTRICTION_STUCK,       /* the sensor does not move although the flow does */
	RESTRICTION_IMPLAUSIBLE, /* no filter can give such a reading */
};

struct restriction_reading {
	double measured_kpa;  /* at the flow of the moment, the zero taken off */
	double reference_kpa; /* at reference flow and 40 °C */
	double noise_kpa;     /* standard deviation, independent from reading to reading */
	double common_kpa;    /* standard deviation of what the readings of these days share */
	double zero_kpa;      /* standard deviation of what all of this sensor's readings share */
	double coarse_kpa;    /* width over which the sensor shows one and the same value: as far as
				 its step is not crossed back and forth within 10 s */
	double flow_share;    /* flow / reference flow */
	double rescale; /* the reference flow has moved: multiply what was read before by this; else
			   1 */
	double shift_kpa; /* the zero is better known: add this to what was read before; else 0 */
};

struct restriction {
	double reference_lph; /* 0: none yet */
	double zero_kpa;      /* in the reading's own unit, turned so that it grows with suction */
	double laminar_kpa;   /* of the element at the reference, now; below 0: a new element, not
				 read yet */
	double fitting_kpa;   /* at the reference */
	double variance[6];   /* zero; zero, laminar; laminar; zero, fitting; laminar, fitting;
				 fitting */
	double zero_told_kpa; /* zero behind the readings so far */
	double lever;         /* by how much a reading moves with the zero, of late */
	double last_lph;      /* flow of the window before */
	double floor_lph;     /* least flow of the steady windows in a row */
	double held_kpa; /* raw value that does not move, and the flows that it did not move with */
	double held_low_lph;
	double held_high_lph;
	double grain_kpa;    /* least step that the reading was seen to move by; 0: none yet */
	double crossing;     /* share of windows, of late, in which it moved by a step */
	uint32_t rest_count; /* rest windows since the engine stopped, capped */
	uint32_t steady;     /* steady windows in a row, capped */
	uint32_t count;      /* readings behind the state, capped; 0: nothing known */
	uint32_t held_count;
	int32_t sign; /* votes: does the gauge fall (-) or rise (+) under suction */
	bool has_run; /* since the last rest */
	bool flat;    /* the last window of a run showed one and the same value */
};

/* Where no sensor tells the fuel's temperature: a guess for the filter's place and its deviation,
 * from the sea (which the tank follows) and the engine room, either NaN when unknown. warms: little
 * fuel flows (burn only), so it takes up the engine room's heat on its way. */
void restriction_guess_fuel(
	double sea_c, double room_c, bool warms, double *ret_fuel_c, double *ret_sd_c);

void restriction_init(struct restriction *r, const struct restriction_config *config);

/* Whether it is nothing but zeroes where something is always known: versions before went on from that when
 * they had been stopped before the engine was heard, and then read nothing, or the zero in the element's
 * place. */
bool restriction_is_void(const struct restriction *r);

/* Takes the next 10 s. With RESTRICTION_READ, *ret_reading is filled; otherwise it is untouched. */
enum restriction_state restriction_take(struct restriction *r,
	const struct restriction_config *config, const struct restriction_window *window,
	struct restriction_reading *ret_reading);

/* A new element: its own restriction is forgotten; zero, reference flow and fittings stay. */
void restriction_renew(struct restriction *r);

/* The flow that readings are put to; NaN while none is known. */
double restriction_reference_lph(const struct restriction *r);

/* How far a reading is surely above the sensor's zero, by what is known of that; NaN: nothing is. */
double restriction_above_zero(const struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window);
/* Restriction at the reference; NaN while the element has not been read. */
double restriction_whole(const struct restriction *r);

/* Share of the fittings in the reference restriction, 0 to 1, and its standard deviation. */
double restriction_fitting_share(const struct restriction *r, double *ret_sd);

void restriction_save(const struct restriction *r, struct state_writer *w);
/* Fills *r, or puts the reader into its failed state and leaves *r unspecified. */
void restriction_load(struct restriction *r, struct state_reader *reader);

#endif
