/* temperature_watch.h: is a temperature too high, or not what it used to be at this load?
 *
 * A limit with hysteresis and a hold time; and a usual temperature by load, learned from warm,
 * steady minutes, whose residuals go to a batch watch. For coolant, exhaust, oil and fuel alike.
 * °C; load is a share, 0 to 1 (engine load, else engine speed over the highest).
 */
#ifndef SIGHTBOWL_ANALYSIS_TEMPERATURE_WATCH_H
#define SIGHTBOWL_ANALYSIS_TEMPERATURE_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/batch_watch.h"
#include "decoders/state_codec.h"

#define TEMPERATURE_BINS 20 /* of 5 % of load */

struct temperature_config {
	double limit_c;      /* NaN: none */
	double hysteresis_c; /* clears so far below; NaN: 3 */
	double hold_s;       /* above the limit for so long; NaN: 20 */
	double drift_c;      /* the change that matters; NaN: 6 */
	double warm_up_s;    /* of running, before minutes count; NaN: 1200 */
	double least_c;      /* colder minutes say nothing; NaN: all count */
};

/* 10 s; NaN is unknown. */
struct temperature_window {
	double mean_c;
	double low_c;
	double high_c;
	double step_c; /* one step of the coding */
	double load;
	double sea_c;     /* of what cools it: sea, else air; NaN: unknown */
	double running_s; /* since the engine was started; 0: it rests */
};

enum temperature_news {
	TEMPERATURE_QUIET,
	TEMPERATURE_HIGH, /* above the limit */
	TEMPERATURE_HIGH_CLEARED,
	TEMPERATURE_HOTTER, /* than usual at this load */
	TEMPERATURE_COLDER,
	TEMPERATURE_USUAL, /* again */
};

struct temperature_watch {
	/* By load: the usual, at 15 °C of sea where that is known; at which mean load; minutes
	 * behind. */
	double value[TEMPERATURE_BINS];
	double load[TEMPERATURE_BINS];
	double weight[TEMPERATURE_BINS];
	double sea_slope; /* °C per °C of sea */
	double sea_square;
	double sea_product;
	double sea_mean;
	uint32_t sea_count; /* minutes with a sea temperature, capped */
	double minute_c;    /* minute so far */
	double minute_load;
	double quick_c;     /* means of the last few minutes and of the last ten, at this load */
	double slow_c;
	uint32_t settled;   /* minutes at this load, capped */
	double last_load;
	uint32_t minute_windows;
	uint32_t above_s; /* seconds above, or once raised below, the limit */
	bool high;
	uint32_t revision; /* counts changes of the usual */
	struct batch_watch drift;
};

void temperature_init(struct temperature_watch *t, const struct temperature_config *config);

/* Takes the next 10 s. With a change of drift *ret_change says how many °C and since when. */
enum temperature_news temperature_take(struct temperature_watch *t,
	const struct temperature_config *config, const struct temperature_window *window,
	struct batch_change *ret_change);

/* How far the last hour was off the usual; NaN while nothing is usual yet. */
double temperature_drift(const struct temperature_watch *t);

/* What is usual at a load and with a sea (NaN: as it mostly was); NaN while that is not learned. */
double temperature_usual(const struct temperature_watch *t, double load, double sea_c);

/* Forgets the usual. */
void temperature_reset(struct temperature_watch *t, const struct temperature_config *config);

void temperature_save(const struct temperature_watch *t, struct state_writer *w);
void temperature_load(struct temperature_watch *t, struct state_reader *r);

#endif
