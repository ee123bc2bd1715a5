/* scenario_crew.h: what the invented boat's crew does besides steering: gear and throttle, taking
 * fuel, draining the bowl, changing elements; and what goes wrong aboard, and when. */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_CREW_H
#define SIGHTBOWL_REPLAY_SCENARIO_CREW_H

#include "replay/scenario_season.h"

/* At the start of each leg. */
void scenario_crew_begin_leg(struct scenario_season *season);
/* Each step. */
void scenario_crew_step(struct scenario_season *season, double step_s);
/* Faults: begin when their hour has come, grow. */
void scenario_crew_faults(struct scenario_season *season);
/* Fits a new element and opens its record. The filter must be present. */
void scenario_crew_fit(struct scenario_season *season, unsigned engine, unsigned filter);

#endif
