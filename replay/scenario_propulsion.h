/* scenario_propulsion.h: hull, propeller and engine of the invented boat: from a throttle setting
 * and the sea to speed, power, fuel and heat.
 *
 * Knows forces and heat of one moment; nothing of the season, the tank's content or the bus.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_PROPULSION_H
#define SIGHTBOWL_REPLAY_SCENARIO_PROPULSION_H

#include <stdbool.h>

#include "replay/scenario.h"
#include "replay/scenario_random.h"

#define ENGINE_RATED_RPM   3000.0
#define ENGINE_RATED_KW	   30.0
#define ENGINE_IDLE_RPM	   850.0
#define ENGINE_STARVES_KPA 25.0 /* feed below this costs power */

/* What is wrong with the boat, as it stands now. */
struct scenario_wear {
	double hull;	  /* added to the hull's resistance, share */
	double propeller; /* added to the propeller's torque, share */
	double injector;  /* added to the burn, share */
	double air;	  /* 0 .. 1 */
	double coolant_c; /* at full load */
};

/* What the water and the wind do to the boat. */
struct scenario_push {
	double wave;   /* inflow to the propeller, share of speed, about 0 */
	double drag_n; /* of wind and waves */
	double sails_n;
	double room_c; /* around the engine */
	double sea_c;
};

enum scenario_gear { GEAR_AHEAD, GEAR_NEUTRAL, GEAR_ASTERN };

struct scenario_engine_state {
	bool running;
	bool firing;	/* burning fuel */
	double since_s; /* since the starter turned, or since it was stopped */
	enum scenario_gear gear;
	double set_rpm; /* throttle */
	double rpm;
	double held_rpm; /* governor's set speed, ramped */
	double sag_rpm;	 /* lost for want of power or fuel */
	double brake_kw;
	double load; /* torque, share of the greatest at this speed */
	double burn_kgh;
	double thrust_n;
	double alternator_kw;
	double coolant_c;
	double oil_c;
	double exhaust_c;
	double oil_kpa;
	double feed_kpa; /* fuel pressure at the injection pump, gauge */
	double hunt_phase;
	struct scenario_wander governor; /* speed, rpm */
	struct scenario_wander dose;	 /* fuel of a stroke, share */
};

struct scenario_hull {
	unsigned engines;
	double speed_ms; /* through the water */
};

/* Greatest brake power at a speed. */
double scenario_propulsion_most_kw(double rpm);

/* Fuel for a brake power, kg/h. */
double scenario_propulsion_burn_kgh(
	double brake_kw, double rpm, double coolant_c, const struct scenario_wear *wear);

/* What a lift pump still moves against suction, share: it slips a little, and gives less and less
 * where the fuel begins to boil. */
double scenario_propulsion_pump_share(double suction_kpa);

void scenario_propulsion_engine_init(
	struct scenario_engine_state *e, double c, struct scenario_random *r);

/* One step of an engine; suction_kpa: restriction ahead of its lift pump; second_kpa: behind it. */
void scenario_propulsion_engine_step(struct scenario_engine_state *e,
	const struct scenario_hull *hull, const struct scenario_wear *wear,
	const struct scenario_push *push, double suction_kpa, double second_kpa, double step_s,
	struct scenario_random *r);

/* One step of the hull under the engines' thrust. */
void scenario_propulsion_hull_step(struct scenario_hull *hull,
	const struct scenario_engine_state *engines, double hull_wear,
	const struct scenario_push *push, double step_s);

/* What a warm engine burns at a steady speed of shaft on calm water; ret_kw, ret_ms may be NULL. */
double scenario_propulsion_steady_kgh(double rpm, unsigned engines,
	const struct scenario_wear *wear, double *ret_kw, double *ret_ms);

/* Shares out a rise of the burn at a speed (0.05: 5 %) to hull and propeller. */
void scenario_propulsion_foul(
	double rpm, unsigned engines, double rise, struct scenario_wear *wear);

#endif
