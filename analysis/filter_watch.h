/* filter_watch.h: one filter: how loaded its element is, how long it has left, what befell it.
 *
 * Brings together the readings (restriction.h), the steps (jump_watch.h), the fit and its forecast
 * (loading.h) and what the skipper told of element and limits. Litres and hours are counted from
 * the element's fitting, or from the beginning of the log where that came later.
 */
#ifndef SIGHTBOWL_ANALYSIS_FILTER_WATCH_H
#define SIGHTBOWL_ANALYSIS_FILTER_WATCH_H

#include "analysis/dirt_watch.h"
#include "analysis/jump_watch.h"
#include "analysis/loading.h"
#include "analysis/mute_sensor.h"
#include "analysis/restriction.h"
#include "analysis/window_view.h"

struct filter_watch {
	bool watched; /* it has a sensor */
	bool begun;   /* a window with its engine has been seen */
	struct restriction restriction;
	struct jump_watch steps;
	struct loading loading;
	struct dirt_watch dirt;
	struct mute_sensor mute;
	int64_t fitted_ns; /* UTC of the element's fitting; INT64_MIN: before the log, or not told
			    */
	double litres_before; /* engine's account when it was fitted */
	double hours_before;
	double measured_kpa; /* last steady reading; NaN: none yet */
	double reference_kpa;
	int64_t read_ns;	/* its steady time */
	uint8_t cares;		/* bits of what is up: jump, rising */
	uint32_t provider;	/* who sends its sensor's value: bus and address */
	uint32_t provider_windows; /* with a reading, since that was another one; capped */
	uint32_t jump_windows;	/* until a jump that was found is told; 0: none waits */
	struct jump_change jump;
	bool rested;		/* its engine has stood since the last reading */
	uint32_t told_revision; /* of the fit, when it was told as a milestone last */
};

void filter_watch_init(struct filter_watch *f, const struct boat_filter *filter);

/* Takes the window that has ended. share: of its engine's supply that passes it now; engine_h and supply_l:
 * engine hours in use, and litres passed, so far (filter_pass.h). */
void filter_watch_window(struct filter_watch *f, unsigned index, const struct window_view *view,
	double share, double engine_h, double supply_l);

/* After all filters have taken the window: what stepped up in several filters of an engine at once, by
 * much the same factor, has one cause that is no filter's (cold, thick fuel; another flow): it is not
 * told as a jump. */
void filter_watch_compare(struct filter_watch *filters, const struct boat *boat);

/* The tank that its engine draws from was filled; supply_l: litres passed so far. */
void filter_watch_filled(struct filter_watch *f, double supply_l, double filled_l);

/* Another filter of its engine got a new element: a loaded one may have throttled the flow through both, so
 * what this one reads from now on is no jump from what it read. */
void filter_watch_freed(struct filter_watch *f);

/* A new element was fitted at a moment (UTC). The life of the old one teaches, if it was near its
 * end. */
void filter_watch_renew(struct filter_watch *f, unsigned index, const struct window_view *view,
	int64_t fitted_ns, double engine_h, double supply_l);

/* What is known now, for the sink; false when there is nothing to tell. */
bool filter_watch_fact(const struct filter_watch *f, unsigned index, const struct boat *boat,
	double engine_h, double supply_l, double use_lph, struct fact_filter *ret_fact);

/* Greatest restriction as a share of the limit; NaN unknown. */
double filter_watch_share(const struct filter_watch *f, const struct boat_filter *filter);

/* Goes on from what was kept of this filter. Its element stays fitted even when the configuration has
 * given it a sensor, or taken it away, in between; what was measured then starts afresh, as it does where
 * an earlier version kept nothing of it (restriction_is_void). */
void filter_watch_resume(struct filter_watch *f, const struct filter_watch *kept);

/* What changes with every window, and what changes with every batch only (kept apart, so that a
 * checkpoint rewrites little). The second is to be loaded after the first. */
void filter_watch_save(const struct filter_watch *f, struct state_writer *w);
void filter_watch_load(struct filter_watch *f, struct state_reader *r);
void filter_watch_save_fit(const struct filter_watch *f, struct state_writer *w);
void filter_watch_load_fit(struct filter_watch *f, struct state_reader *r);

#endif
