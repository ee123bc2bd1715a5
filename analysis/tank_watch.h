/* tank_watch.h: the fuel tanks: what is in them, what was taken in, whether level and burn agree.
 */
#ifndef SIGHTBOWL_ANALYSIS_TANK_WATCH_H
#define SIGHTBOWL_ANALYSIS_TANK_WATCH_H

#include "analysis/tank.h"
#include "analysis/window_view.h"

struct tank_watch {
	bool begun;
	struct tank tank;
	double capacity_l;
	double burned_l;  /* burn of the engines that draw from it, at the last window with a level */
	int64_t heard_ns; /* steady time of that window's end */
	double mismatch_l;
	double mismatch_sd_l;
};

void tank_watch_init(struct tank_watch *t);

/* Takes the window that has ended. An engine draws from the tank that was told for it, else from
 * the only one that is heard; while an engine may draw from any of several tanks (heard), level and
 * burn are not held against each other. Returns the litres of a refuelling that it found; 0: none.
 */
double tank_watch_window(
	struct tank_watch *t, unsigned number, const struct window_view *view, unsigned heard);

/* False while no level has been heard. */
bool tank_watch_fact(const struct tank_watch *t, unsigned number, const struct boat *boat,
	int64_t session, struct fact_tank *ret_fact);

void tank_watch_save(const struct tank_watch *t, struct state_writer *w);
void tank_watch_load(struct tank_watch *t, struct state_reader *r);

#endif
