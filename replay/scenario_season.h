/* scenario_season.h: the invented boat through her season: plan, sea, propulsion, tank, filters and
 * faults in one step, and the truth of it.
 *
 * The physics' own time: true UTC. Knows nothing of frames; scenario_sender.c looks at it.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_SEASON_H
#define SIGHTBOWL_REPLAY_SCENARIO_SEASON_H

#include "replay/scenario.h"
#include "replay/scenario_filter.h"
#include "replay/scenario_plan.h"
#include "replay/scenario_propulsion.h"
#include "replay/scenario_sea.h"
#include "replay/scenario_tank.h"

#define SEASON_STARVINGS_MAX 256

struct scenario_filter_state {
	const struct scenario_filter *options; /* NULL: none */
	struct scenario_media media;
	struct scenario_element_state element;
	size_t record;	 /* index of the truth's element */
	double fitted_h; /* engine hours of the season when it was fitted */
	double next_point_h;
	double loss_kpa; /* now */
	double seen_kpa; /* what its sensor has come to, without zero, drift and noise */
	double drift_kpa;
	bool dead;
	enum scenario_death death;
	double frozen_kpa; /* with SCENARIO_DEATH_FROZEN */
};

struct scenario_machine {
	struct scenario_engine_state state;
	struct scenario_wear wear;
	struct scenario_filter_state filters[SCENARIO_FILTERS_MAX];
	double fuel_c; /* at the filters */
	double return_c;
	double supply_lph;
	double burn_lph; /* at 15 °C */
	double hours;	 /* of this season */
	double total_kg;
	double bowl_l; /* water in the primary's bowl */
	bool wet;      /* its still level is at the probe */
	bool probe;    /* what the probe says, with slosh */
	bool open;     /* a run is open: the last of its engine */
	bool starving; /* a record of starving is open: the last of its engine */
	size_t starved;
	size_t run; /* index of the truth's run */
};

struct scenario_fault_state {
	bool begun;
	size_t record; /* index of the truth's onset */
	bool waits_for_fuel;
	double sludge_left_l; /* dirt still to come, in litres of the usual fuel */
	struct scenario_wear full; /* FOULING: at its size */
};

struct scenario_season {
	struct scenario_options options;
	struct scenario_plan plan;
	struct scenario_random random; /* physics */
	struct scenario_random habits; /* the crew's */
	size_t leg;
	int64_t now_ns;
	int64_t end_ns;
	bool over;
	struct scenario_sea sea;
	struct scenario_hull hull;
	struct scenario_tank tank;
	struct scenario_machine machines[SCENARIO_ENGINES_MAX];
	struct scenario_fault_state faults[SCENARIO_FAULTS_MAX];
	bool change_done[SCENARIO_CHANGES_MAX];
	struct scenario_wander probe_slosh;
	double room_c;
	double manoeuvre_left_s;
	double faults_left_s;
	double battery_ah;
	double battery_v;
	double battery_a;
	double fill_left_kg;
	double fill_kg_s;
	double fill_dirt;
	double fill_water_l;
	bool fill_begun;
	double leak_lph;
	double moving_s;
	bool trip_open;
	int64_t trip_seen_ns; /* last movement or engine */
	struct scenario_truth truth;
	/* The truth's arrays, heap, the season's own. */
	struct scenario_run *runs;
	struct scenario_trip *trips;
	struct scenario_element *elements;
	struct scenario_point *points;
	struct scenario_refuelling *refuellings;
	struct scenario_onset *onsets;
	struct scenario_water *waters;
	struct scenario_starving *starvings;
	size_t point_room;
	size_t element_room;
	size_t water_room;
};

/* Returns 0 or -ENOMEM; scenario_season_finish frees in either case. */
int scenario_season_init(struct scenario_season *season, const struct scenario_options *options);
void scenario_season_finish(struct scenario_season *season);

/* One step, ending at the latest at the end of the leg. After the last, over is set. missed: nobody
 * records meanwhile. */
void scenario_season_step(struct scenario_season *season, bool missed);

static inline const struct scenario_leg *scenario_season_leg(const struct scenario_season *season)
{
	return &season->plan.legs[season->leg];
}

#endif
