/* burn_map.h: what this engine burns at a speed, learned, and whether that has changed.
 *
 * Warm, steady minutes teach a map over engine speed: fuel rate, and where the bus has them load
 * and speed through the water. Residuals of ten minutes together go to three watches, standardised
 * so that their memory fakes no alarm: burn at a speed (anything that costs fuel), burn at a speed
 * and load (the engine itself), and burn at a speed, advance and charge (propeller and engine,
 * whatever the weather: burn_factors.h). What else moved tells the causes apart. Rates in L/h,
 * speeds in rpm and kn.
 */
#ifndef SIGHTBOWL_ANALYSIS_BURN_MAP_H
#define SIGHTBOWL_ANALYSIS_BURN_MAP_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/batch_watch.h"
#include "analysis/burn_factors.h"
#include "decoders/state_codec.h"

#define BURN_NODES 56

/* By engine speed: what is learned when driving, in neutral, and whatever the gear. */
enum burn_quantity {
	BURN_RATE,
	BURN_LOAD,
	BURN_SPEED,   /* through the water */
	BURN_GROUND,  /* over ground: with the currents of all those hours in it */
	BURN_NEUTRAL, /* the rate in neutral; those before it are of driving */
	BURN_EFFORT,  /* the rate for each % of load and friction, in any gear */
	BURN_QUANTITIES
};

/* In odd company: ahead, but with other engines running, or standing, than usual. */
enum burn_gear {
	BURN_GEAR_UNKNOWN,
	BURN_AHEAD,
	BURN_IN_NEUTRAL,
	BURN_ASTERN,
	BURN_IN_ODD_COMPANY,
};

/* 10 s of one engine; NaN is unknown. */
struct burn_window {
	double rpm;
	double rpm_low;
	double rpm_high;
	double rate_lph;
	double rate_step_lph; /* one step of the coding */
	double load_pct;
	double water_kn;
	double ground_kn;
	double coolant_c;
	double battery_v;
	double battery_a; /* into the battery: > 0 */
	enum burn_gear gear;
	double running_s; /* since the engine was started */
	double engine_h;  /* engine hours so far, from any beginning */
};

/* The map in natural logarithms, by nodes evenly spaced in the logarithm of engine speed. */
struct burn_map {
	double value[BURN_QUANTITIES][BURN_NODES];
	double weight[BURN_QUANTITIES][BURN_NODES]; /* minutes behind it; 0: unknown */
	uint32_t version;                           /* counts resets */
	uint32_t revision;                          /* counts changes */
};

enum burn_watch_kind { BURN_AT_SPEED, BURN_AT_LOAD, BURN_AT_FACTORS, BURN_WATCHES };

/* What moves beside the burn, and tells its causes apart. */
enum burn_sign {
	BURN_SIGN_RATE,	   /* burn at a speed */
	BURN_SIGN_LOAD,	   /* load at a speed */
	BURN_SIGN_SPEED,   /* speed through the water at an engine speed */
	BURN_SIGN_ENGINE,  /* burn beside the load, driving */
	BURN_SIGN_IDLE,	   /* the same in neutral or at the lowest speeds; the burn where no load is
			      heard */
	BURN_SIGN_FACTORS, /* burn at a speed, advance and charge */
	BURN_SIGNS
};

/* The last half hour of a sign, as natural logarithm. */
struct burn_drift {
	double mean;
	double square;	  /* how far it lies off when nothing is told, squared */
	double at_h;	  /* engine hours at its last minute */
	uint32_t minutes; /* behind the mean, capped */
	uint32_t known;	  /* minutes behind the square, capped */
};

struct burn {
	struct burn_map map;
	struct burn_factors factors;
	struct batch_watch watches[BURN_WATCHES];
	double minute[BURN_QUANTITIES]; /* means of the minute so far */
	double minute_rpm;
	uint32_t minute_windows;
	uint32_t minute_counts[BURN_QUANTITIES];
	enum burn_gear minute_gear;
	double last_rpm;  /* of the window before */
	double load_zero; /* rate ∝ load + this, at a speed: what friction takes */
	double load_zero_var;
	struct burn_drift drifts[BURN_SIGNS];
	double warm_c; /* the coolant's usual temperature; 0 unknown */
	/* Engine hours at which each watch's sums, up and down, left zero; those of what is told. */
	double from_h[BURN_WATCHES][2];
	double told_from_h; /* or pending */
	int32_t pending;      /* burn at a speed is off, its load too: 1 high, -1 low, else 0 */
	double pending_h;     /* hours of watched minutes since it began, … */
	uint32_t pending_minutes; /* … and minutes since it has been pending, capped */
	uint32_t confirmed;   /* later runs in which it still was */
	uint32_t run_minutes; /* of this run, while pending, and their residuals' mean */
	double run_mean;
	bool waits;            /* burn beside the factors is high, to be confirmed by a run */
	uint32_t wait_minutes; /* of this run, while it waits, and their residuals' mean */
	double wait_mean;
	double last_running_s;
	double last_battery_v; /* of the window before */
	double last_battery_a;
	double top_rpm; /* highest speed in the map */
	uint32_t stood_minutes; /* of steady running since what is told began, capped */
};

/* Told once, whichever watch speaks first; cleared when neither holds it. Where load is heard, burn
 * at a speed is told only when two later runs confirm it: a day's weather is no change. What was
 * told and still stands is found anew with every tenth minute. */
enum burn_news { BURN_QUIET, BURN_HIGH, BURN_LOW, BURN_CLEARED, BURN_STANDS };

/* What the watches and the drifts say, in percent; NaN where unknown. */
struct burn_finding {
	enum burn_watch_kind watch; /* which watch spoke */
	double change_pct;	    /* burn against the map, since the watch's sum left zero */
	double since_h;		    /* hours of steady running since then */
	double from_h;		    /* the window's engine_h then */
	double off_pct[BURN_SIGNS]; /* the signs, in the last half hour, */
	double sd_pct[BURN_SIGNS];  /* how far each of them wanders without a change, … */
	double at_h[BURN_SIGNS];    /* … and engine_h at its last minute */
};

void burn_init(struct burn *b);

/* Forgets what was learned: the engine, its propeller or its sensor is another one. */
void burn_reset(struct burn *b);

/* Takes the next 10 s of a running engine. With news other than BURN_QUIET *ret_finding is filled.
 */
enum burn_news burn_take(
	struct burn *b, const struct burn_window *window, struct burn_finding *ret_finding);

/* What is known now; also without news. */
struct burn_finding burn_find(const struct burn *b);

/* A mapped quantity at a speed; NaN where it is not known. *ret_sd, if wanted: its standard
 * deviation as a share. */
double burn_map_at(
	const struct burn *b, enum burn_quantity quantity, double rpm, double *ret_share_sd);

/* Steady minutes behind the map at a speed, of the interpolation; capped, 0 where it is not known. */
double burn_map_minutes(const struct burn *b, enum burn_quantity quantity, double rpm);

/* Does a change go beyond what any engine does? Then the rate's own sensor is the likeliest. */
bool burn_is_wild(const struct burn_finding *finding);

/* The map need only be saved when map.revision has changed; the rest with every checkpoint. */
void burn_save_map(const struct burn *b, struct state_writer *w);
void burn_load_map(struct burn *b, struct state_reader *r);
void burn_save(const struct burn *b, struct state_writer *w);
void burn_load(struct burn *b, struct state_reader *r);

#endif
