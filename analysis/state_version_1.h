/* state_version_1.h: the watches of a checkpoint as the first version wrote it, understood.
 *
 * What that version did not know is learned anew, within hours: the sensor's zero apart from the
 * element, friction beside the load, how batches scatter over three hours. Everything that took
 * litres to learn is carried over: burn map, usual temperatures and pressures, course of the
 * elements and what earlier ones lived.
 */
#ifndef SIGHTBOWL_ANALYSIS_STATE_VERSION_1_H
#define SIGHTBOWL_ANALYSIS_STATE_VERSION_1_H

#include "analysis/engine_watch.h"
#include "analysis/fault_watch.h"
#include "analysis/filter_watch.h"
#include "analysis/tank_watch.h"

#define STATE_VERSION_1_TANKS 8

/* Fill a watch that has been initialised (watched set), or put the reader into its failed state.
 * engine_h: the engine's hours in this log by then. */
void state_version_1_engine(struct engine_watch *w, struct fault_watch *faults, unsigned engine,
	double engine_h, struct state_reader *r);
void state_version_1_filter(struct filter_watch *f, struct state_reader *r);
void state_version_1_tank(struct tank_watch *t, struct state_reader *r);

#endif
