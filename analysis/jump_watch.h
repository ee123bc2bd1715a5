/* jump_watch.h: has a filter's restriction stepped?
 *
 * Minutes of readings are held against a level that follows within twenty. How far a minute may lie
 * off it is put together from what determines it: the reading's own noise, which low flow carries
 * up, times what is learned of it; what the readings of some days share, of which little moves
 * within a run; what differs between flows; and the sensor's step, as far as nothing carries the
 * reading across it. Some minutes in a row beyond that, to one side, are a step. Bounded state,
 * constant work a reading. kPa at the reference (restriction.h).
 */
#ifndef SIGHTBOWL_ANALYSIS_JUMP_WATCH_H
#define SIGHTBOWL_ANALYSIS_JUMP_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/restriction.h"
#include "decoders/state_codec.h"

struct jump_watch {
	/* The minute that is being gathered: readings, and their means. */
	uint32_t count;
	double minute_kpa;
	double noise_kpa;
	double common_kpa;
	double coarse_kpa;
	double log_flow; /* of the share of the reference flow, ln */
	/* Where the minutes have been of late. */
	uint32_t minutes; /* behind the level, capped; 0: there is none */
	double level_kpa;
	double weight; /* precision of the minutes behind it, 1/kPa² */
	double level_common_kpa;
	double level_log_flow;
	double alike; /* correlation of what the level's readings share with what those of now do */
	double spread; /* of the minutes about the level, in deviations of a reading's noise */
	/* Minutes in a row far from it, the sum of what all but the first of them are off by, and
	 * litres at the first. */
	uint32_t away;
	double away_kpa;
	double away_l;
};

enum jump_news {
	JUMP_NONE,
	JUMP_UP,
	JUMP_DOWN, /* changed, drained, or thawed */
};

struct jump_change {
	double before; /* kPa */
	double after;
	double since_l; /* litres through the element where it began */
};

void jump_watch_init(struct jump_watch *j);

/* Readings that follow have no level to be held against: another element, or another flow through
 * it. What was learned of the sensor's spread stays. */
void jump_watch_renew(struct jump_watch *j);

/* The engine has stood: temperature and zero may be others than they were. */
void jump_watch_rested(struct jump_watch *j);

/* Takes one steady reading, moved as jump_watch_move says. litres: through the element so far;
 * limit_kpa > 0. *ret_change is filled unless the news is JUMP_NONE. */
enum jump_news jump_watch_take(struct jump_watch *j, double limit_kpa, double litres,
	const struct restriction_reading *reading, struct jump_change *ret_change);

/* Minutes lie off the level now, which may become a step: nothing should be concluded from them
 * yet. */
bool jump_watch_doubts(const struct jump_watch *j);

/* What was read before is to be multiplied by factor (> 0), and delta added to it. */
void jump_watch_move(struct jump_watch *j, double factor, double delta_kpa);

void jump_watch_save(const struct jump_watch *j, struct state_writer *w);
/* Fills *j, or puts the reader into its failed state. */
void jump_watch_load(struct jump_watch *j, struct state_reader *r);

#endif
