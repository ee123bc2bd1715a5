/* scenario_truth.h: keeps the truth while the season goes on. */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_TRUTH_H
#define SIGHTBOWL_REPLAY_SCENARIO_TRUTH_H

#include "replay/scenario_season.h"

/* Brings the record of a filter's element up to now. */
void scenario_truth_element(struct scenario_season *season, unsigned engine, unsigned filter);
/* Runs and trips after a step that ended now. */
void scenario_truth_step(
	struct scenario_season *season, double step_s, double ground_nm, bool missed);
/* Closes everything that is open. */
void scenario_truth_close(struct scenario_season *season);

/* As scenario_truth_write. */
int scenario_truth_print(
	const struct scenario_truth *truth, const struct scenario_options *options, FILE *out);

#endif
