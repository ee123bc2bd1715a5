/* starvation.h: does the engine get the fuel that it asks for?
 *
 * Fuel pressure against what is usual at this speed, and engine speed that sags or hunts at a
 * steady demand. A loaded filter makes it starvation; pressure that flutters with a clean one
 * points to air. Speeds in rpm, pressures in kPa, shares 0 to 1.
 */
#ifndef SIGHTBOWL_ANALYSIS_STARVATION_H
#define SIGHTBOWL_ANALYSIS_STARVATION_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/state_codec.h"

#define STARVATION_BINS 16

struct starvation_config {
	double pressure_limit_kpa; /* fuel pressure that is too low; NaN: 60 % of the usual */
};

/* 10 s of a running engine; NaN is unknown. */
struct starvation_window {
	double rpm;
	double rpm_low;
	double rpm_high;
	double demand_pct; /* pedal, throttle or demanded torque, and its extremes */
	double demand_low_pct;
	double demand_high_pct;
	double pressure_kpa;
	double pressure_low_kpa;
	double pressure_high_kpa;
	double pressure_step_kpa; /* one step of the coding */
	double restriction_share; /* greatest reference restriction of a filter before it, of its
				     limit */
	double running_s;
};

enum starvation_kind {
	STARVATION_FILTER,  /* fuel does not get through */
	STARVATION_AIR,     /* air gets in */
	STARVATION_UNKNOWN, /* one of both */
};

/* Two cares with a life of their own each. */
/* Shares of the speed from which on a sag, and a swing within a window, are worth telling. */
#define STARVATION_SAGS	 0.04
#define STARVATION_HUNTS 0.012

struct starvation_news {
	bool starving_raised;
	bool starving_cleared;
	bool starves;              /* the last minute has the evidence, told before or not */
	enum starvation_kind kind; /* with starves */
	bool pressure_low_raised;
	bool pressure_low_cleared;
	bool pressure_lacks; /* this window is below the limit, told before or not */
	double pressure_kpa; /* mean of the last half minute, and the limit that holds; NaN unknown
			      */
	double pressure_limit_kpa;
	bool sunk_raised;      /* it is far below what it was, and has been for long */
	bool sunk_cleared;
	double usual_kpa;      /* pressure at this speed; NaN unknown */
	double once_kpa;       /* the highest that was usual at this speed; NaN unknown */
	double rpm_sag_share;  /* speed lost at this demand */
	double rpm_hunt_share; /* spread of the speed */
};

struct starvation {
	double usual_kpa[STARVATION_BINS]; /* by engine speed, 250 rpm each */
	double weight[STARVATION_BINS];    /* windows behind it */
	double once_kpa[STARVATION_BINS];  /* the highest that was usual; follows a low one slowly */
	bool sinking;           /* the pressure was far below it within the last sound hour */
	bool sunk;              /* and for so long that it is told */
	double yielded;         /* share by which the highest usual has followed since */
	uint32_t sunk_bin;      /* the lowest speed at which it was */
	uint32_t sound_windows; /* without, since, at such a speed or above */
	double usual_hunt;                 /* spread of the speed at steady running, as a share */
	uint32_t hunt_windows;
	double level_rpm; /* speed at the present demand; without one, of the last window */
	double level_demand;
	uint32_t level_windows;
	uint64_t history;     /* evidence of the last windows, eight bits a kind */
	uint32_t calm;        /* windows in a row without evidence */
	uint32_t low_windows; /* in a row below, or once raised above, the limit */
	bool starving;
	bool pressure_low;
};

void starvation_init(struct starvation *s);

/* Takes the next 10 s; returns true when something is raised or cleared. *ret_news is always
 * filled. */
bool starvation_take(struct starvation *s, const struct starvation_config *config,
	const struct starvation_window *window, struct starvation_news *ret_news);

/* Fuel pressure against the usual at this speed, in percent; NaN while that is not known. */
double starvation_pressure_pct(const struct starvation *s, double rpm, double pressure_kpa);

void starvation_save(const struct starvation *s, struct state_writer *w);
void starvation_load(struct starvation *s, struct state_reader *r);

#endif
