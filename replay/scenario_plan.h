/* scenario_plan.h: the season's plan: what the crew does when, leg after leg.
 *
 * Knows days, hours and habits; nothing of physics. Legs follow each other without a gap; where the
 * boat's instruments are off, nothing is sent.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_PLAN_H
#define SIGHTBOWL_REPLAY_SCENARIO_PLAN_H

#include "replay/scenario.h"

enum scenario_leg_kind {
	LEG_ASLEEP,    /* instruments off */
	LEG_HALT,      /* moored or anchored, instruments on, engine off */
	LEG_FUEL_DOCK, /* the same where fuel can be had */
	LEG_WARM_UP,   /* engine in neutral */
	LEG_MANOEUVRE, /* ahead and astern */
	LEG_MOTOR,
	LEG_SAIL, /* engine off */
	LEG_MOTOR_SAIL,
	LEG_CHARGE,    /* at anchor, fast idle in neutral */
	LEG_COOL_DOWN, /* engine in neutral */
};

struct scenario_leg {
	enum scenario_leg_kind kind;
	int64_t start_ns;
	int64_t end_ns;
	double rpm;   /* set speed; 0: idle speed */
	double sails; /* share of full sail power, 0 .. 1 */
	double bearing_deg;
	unsigned day;
};

struct scenario_plan {
	size_t leg_count;
	size_t run_count; /* starts of an engine, each engine */
	size_t halt_count;
	struct scenario_leg *legs; /* heap, the plan's own */
};

bool scenario_leg_runs(enum scenario_leg_kind kind); /* engine on */
bool scenario_leg_under_way(enum scenario_leg_kind kind);

/* Returns 0 or -ENOMEM. The options must have passed their check. */
int scenario_plan_create(struct scenario_plan *plan, const struct scenario_options *options);
void scenario_plan_finish(struct scenario_plan *plan);

#endif
