/* restriction.h: pressure readings → reference restriction of a filter.
 *
 * The pressure lost across an element is laminar (∝ viscosity × flow) in the medium and ∝ density ×
 * flow² in ports and fittings. Each steady reading is put to the reference flow and 40 °C, with
 * what is not known about it: the part that differs from reading to reading, and the part common to
 * all of them. The zero is learned with the engine off, the fittings' share where the flow varies.
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
};

struct restriction_reading {
	double measured_kpa;  /* at the flow of the moment */
	double reference_kpa; /* at reference flow and 40 °C */
	double noise_kpa;     /* standard deviation, independent from reading to reading */
	double common_kpa;    /* standard deviation of what all readings of these days share */
	double flow_share;    /* flow / reference flow */
	double rescale; /* the reference flow has moved: multiply what was read before by this; else
			   1 */
};

struct restriction {
	double reference_lph; /* 0: none yet */
	double zero_kpa;      /* valid with zero_count */
	uint32_t zero_count;  /* rest windows it stands on, capped */
	uint32_t rest_count;  /* rest windows since the engine stopped, capped */
	bool has_run;         /* since this rest began the zero has not been renewed yet */
	int32_t sign;         /* votes: does the gauge fall (-) or rise (+) under suction */
	double last_lph;      /* flow of the window before */
	double floor_lph;     /* least flow of the steady windows in a row */
	uint32_t steady;      /* steady windows in a row, capped */
	double laminar_kpa;   /* at the reference, now */
	double fitting_kpa;   /* at the reference */
	double laminar_var;
	double cross_var;
	double fitting_var;
	uint32_t split_count; /* readings behind the split, capped */
	double held_kpa;      /* raw value that does not move */
	uint32_t held_count;
	double held_low_lph;
	double held_high_lph;
};

void restriction_init(struct restriction *r, const struct restriction_config *config);

/* Takes the next 10 s. With RESTRICTION_READ, *ret_reading is filled; otherwise it is untouched. */
enum restriction_state restriction_take(struct restriction *r,
	const struct restriction_config *config, const struct restriction_window *window,
	struct restriction_reading *ret_reading);

/* A new element: its own restriction is forgotten; zero, reference flow and fittings stay. */
void restriction_renew(struct restriction *r);

/* The flow that readings are put to; NaN while none is known. */
double restriction_reference_lph(const struct restriction *r);

/* Share of the fittings in the reference restriction, 0 to 1, and its standard deviation. */
double restriction_fitting_share(const struct restriction *r, double *ret_sd);

void restriction_save(const struct restriction *r, struct state_writer *w);
/* Fills *r, or puts the reader into its failed state and leaves *r unspecified. */
void restriction_load(struct restriction *r, struct state_reader *reader);

#endif
