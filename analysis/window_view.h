/* window_view.h: what the sources in use said in the window that has just ended.
 *
 * The watches see the bus through this: one reading of a signal and instance, NaN where nothing was
 * heard in the window.
 */
#ifndef SIGHTBOWL_ANALYSIS_WINDOW_VIEW_H
#define SIGHTBOWL_ANALYSIS_WINDOW_VIEW_H

#include "analysis/engine_run.h"
#include "analysis/event_life.h"
#include "analysis/source_choice.h"

#define WINDOW_S 10.0

struct traffic_watch;

struct window_reading {
	double mean;
	double low;
	double high;
	double last;
	double step; /* of the coding */
};

struct window_view {
	const struct boat *boat;
	const struct source_choice *sources;
	const struct engine_log *engines; /* BOAT_ENGINES_MAX */
	const struct fact_sink *sink;
	struct event_life *events;
	const struct traffic_watch *traffic; /* the window's frames, by sender */
	struct event_moment now; /* the window's end */
	int64_t utc_ns;          /* the same in UTC, as far as known */
	int64_t trip;            /* 0: none */
	unsigned frozen_speeds;  /* a bit for each engine: its speed is not read (frozen_speed.h) */
};

/* The reading of a slot (source_choice.h) in the window; found −1: nothing was ever heard. */
struct window_reading window_read_slot(const struct window_view *view, int found);

struct window_reading window_read(
	const struct window_view *view, enum signal_id signal, uint16_t instance);

/* The same for the first instance whose low byte is number and whose kind (the high byte) is one of two:
 * free pressure and temperature sensors. Its slot (−1: never heard), or its reading. */
int window_find_kind(const struct window_view *view, enum signal_id signal, unsigned number,
	unsigned kind, unsigned other_kind);
struct window_reading window_read_kind(const struct window_view *view, enum signal_id signal,
	unsigned number, unsigned kind, unsigned other_kind);

/* Raises a care, or clears it. The claim's trip is filled in. */
void window_claim(const struct window_view *view, const struct event_claim *claim, bool holds);

#endif
