/* due_watch.h: when the element in a filter falls due, as an event, by whatever comes first.
 *
 * Holds what the log counts of the element (hours, litres, age) against what is allowed, together with
 * the forecast that its restriction gave last (element_due.h). One event an element: raised as advice
 * when the end is near, worse when it has come; over when a new element is fitted.
 */
#ifndef SIGHTBOWL_ANALYSIS_DUE_WATCH_H
#define SIGHTBOWL_ANALYSIS_DUE_WATCH_H

#include "analysis/element_due.h"
#include "analysis/window_view.h"

struct due_watch {
	bool forecast;     /* the restriction has given one for this element */
	int64_t first_ns;  /* UTC of the first dated window; INT64_MIN: none yet */
	double litres;     /* through the element when the forecast was made */
	double reference_kpa;
	double clean_kpa;  /* the least that was fitted of this element */
	double left_l_p10;
	double left_l_p50;
	double left_l_p90;
};

void due_watch_init(struct due_watch *d);

/* The restriction has given a forecast. */
void due_watch_forecast(struct due_watch *d, const struct fact_filter *fact);

/* What the log has counted by now. */
struct due_count {
	bool dated;        /* the UTC of the view is known */
	bool has_fitted;
	int64_t fitted_ns;
	double element_h;  /* of this element, as far as the log goes back */
	double element_l;
	double engine_h;   /* of its engine, the whole log */
	double supply_l;
	double share;      /* of the supply that passes its filter now; 0: out of use */
};

/* Takes the window that has ended. */
void due_watch_window(struct due_watch *d, unsigned index, const struct window_view *view,
	const struct due_count *count);

/* What was dated from a UTC to another was dated wrong, by so much. */
void due_watch_redate(struct due_watch *d, int64_t from_ns, int64_t until_ns, int64_t by_ns);

/* A new element: nothing is known of it. */
void due_watch_renew(struct due_watch *d, unsigned index, const struct window_view *view);

void due_watch_save(const struct due_watch *d, struct state_writer *w);
void due_watch_load(struct due_watch *d, struct state_reader *r);

#endif
