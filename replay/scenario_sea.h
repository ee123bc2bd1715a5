/* scenario_sea.h: the invented waters: wind, waves, tide, air and the boat's way over the ground.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_SEA_H
#define SIGHTBOWL_REPLAY_SCENARIO_SEA_H

#include "replay/scenario.h"
#include "replay/scenario_plan.h"
#include "replay/scenario_propulsion.h"
#include "replay/scenario_random.h"

struct scenario_sea {
	double mean_wind_kn;
	double mean_air_c;
	double mean_sea_c;
	struct scenario_wander wind_wander; /* share, hours */
	struct scenario_wander gust;	    /* share, a minute or so */
	struct scenario_wander wind_turn;   /* rad */
	struct scenario_wander sea_wander;  /* K */
	struct scenario_wander air_wander;  /* K */
	struct scenario_wander baro_wander; /* kPa */
	struct scenario_wander helm;	    /* deg */
	double wind_kn;
	double wind_deg;
	double wave_m;	 /* significant height, with the wind's delay */
	double swell[2]; /* a narrow band of waves: a turning, fading, kicked arrow */
	double swell_step_s;
	double swell_turn[2];
	double swell_keep;
	double air_c;
	double sea_c;
	double baro_kpa;
	double heading_deg;
	double lat_deg;
	double lon_deg;
	double ground_ms;
	double course_deg;
	double depth_m;
	struct scenario_wander depth_wander;
};

void scenario_sea_init(struct scenario_sea *sea, const struct scenario_options *options,
	struct scenario_random *r);

/* One step; true_ns for the tide and the sun, leg for the bearing steered. */
void scenario_sea_step(struct scenario_sea *sea, const struct scenario_leg *leg, int64_t true_ns,
	double step_s, struct scenario_random *r);

/* What it does to the boat on this leg. */
struct scenario_push scenario_sea_push(const struct scenario_sea *sea,
	const struct scenario_leg *leg, double speed_ms, double room_c);

/* Moves the boat, at speed_ms through the water (0: moored, and no tide moves her). Returns the
 * nautical miles made good over the ground in this step. */
double scenario_sea_move(
	struct scenario_sea *sea, bool under_way, double speed_ms, int64_t true_ns, double step_s);

#endif
