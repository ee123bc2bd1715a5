#include "replay/scenario_propulsion.h"

#include <math.h>

/* All invented, but for physical constants; docs/scenario.md has the equations. */
#define PI		  3.14159265358979323846
#define WATER_KGM3	  1025.0
#define HULL_KG		  7500.0 /* an engine's share of the boat, with entrained water */
#define HULL_SKIN_NS2M2	  62.0	 /* N per (m/s)² */
#define HULL_WAVE_N	  2150.0 /* wave making at HULL_WAVE_MS */
#define HULL_WAVE_MS	  3.75
#define HULL_WAVE_POWER	  7.0
#define GEAR_RATIO	  2.15
#define GEAR_LOSS	  0.96
#define PROPELLER_M	  0.43
#define WAKE		  0.18
#define THRUST_LOSS	  0.12
#define KT_0		  0.302
#define KT_J		  0.405
#define KQ_0		  0.0322
#define KQ_J		  0.0310
#define SWEPT_M3	  0.0015 /* engine's displacement */
#define HEAT_KJ_KG	  42800.0
#define INDICATED	  0.462
#define HEAT_CAP_KJ_K	  55.0
#define COOLER_KW_K	  0.62
#define THERMOSTAT_C	  78.0
#define THERMOSTAT_WIDE_C 14.0
#define FEED_KPA	  150.0

double scenario_propulsion_most_kw(double rpm)
{
	double off = (rpm - 2000) / 2000;
	double share = rpm / ENGINE_RATED_RPM;

	return rpm <= 0 ? 0 : ENGINE_RATED_KW * share * (1.13 - 0.52 * off * off);
}

double scenario_propulsion_burn_kgh(
	double brake_kw, double rpm, double coolant_c, const struct scenario_wear *wear)
{
	double cold = coolant_c >= 80 ? 0 : 1 - exp(-(80 - coolant_c) / 35);
	double mean_bar = 0.72 + 0.30 * rpm / 1000 + 0.022 * (rpm / 1000) * (rpm / 1000);
	double friction_kw = mean_bar * (1 + 0.8 * cold) * 100 * SWEPT_M3 * rpm / 120;
	double most_kw = scenario_propulsion_most_kw(rpm);
	double load = most_kw > 0 ? brake_kw / most_kw : 0;
	double slow = 1 - rpm / ENGINE_RATED_RPM;
	double rich = load > 0.7 ? load - 0.7 : 0;
	double indicated = INDICATED * (1 - 0.09 * slow * slow - 0.55 * rich * rich - 0.05 * cold);

	return (brake_kw + friction_kw) * 3600 / (indicated * HEAT_KJ_KG) * (1 + wear->injector);
}

void scenario_propulsion_engine_init(
	struct scenario_engine_state *e, double c, struct scenario_random *r)
{
	*e = (struct scenario_engine_state){
		.gear = GEAR_NEUTRAL,
		.coolant_c = c,
		.oil_c = c,
		.exhaust_c = c,
		.since_s = 1e6,
	};
	scenario_wander_init(&e->governor, 2.5, 2, r);
	scenario_wander_init(&e->dose, 0.012, 0.8, r);
}

/* Torque at the shaft, as power at the engine, and thrust of one propeller. */
static double propeller_kw(double rpm, double speed_ms, enum scenario_gear gear, double wave,
	double torque_wear, double *ret_thrust_n)
{
	double turns = rpm / 60 / GEAR_RATIO;
	double square = WATER_KGM3 * turns * turns * PROPELLER_M * PROPELLER_M * PROPELLER_M;
	double advance;

	if (gear == GEAR_NEUTRAL || turns <= 0) {
		*ret_thrust_n = 0;
		return 0;
	}
	advance = speed_ms * (1 - WAKE) * (1 + wave) / (turns * PROPELLER_M);
	advance = advance < -0.3 ? -0.3 : advance > 0.75 ? 0.75 : advance;
	if (gear == GEAR_ASTERN) {
		*ret_thrust_n = -0.6 * KT_0 * square * PROPELLER_M;
		return 2 * PI * turns * 1.1 * KQ_0 * (1 + torque_wear) * square * PROPELLER_M *
		       PROPELLER_M / 1000 / GEAR_LOSS;
	}
	*ret_thrust_n = (KT_0 - KT_J * advance) * square * PROPELLER_M * (1 - THRUST_LOSS);
	return 2 * PI * turns * (KQ_0 - KQ_J * advance) * (1 + torque_wear) * square * PROPELLER_M *
	       PROPELLER_M / 1000 / GEAR_LOSS;
}

static void heat_engine(struct scenario_engine_state *e, const struct scenario_wear *wear,
	const struct scenario_push *push, double step_s)
{
	double fuel_kw = e->burn_kgh * HEAT_KJ_KG / 3600;
	double set_c = THERMOSTAT_C + wear->coolant_c * e->load;
	double open = (e->coolant_c - set_c) / THERMOSTAT_WIDE_C;
	double slope_kw_k = 0.03;
	double settle_c;

	/* Linear about the present point, so that any step is stable. */
	open = open < 0 ? 0 : open > 1 ? 1 : open;
	if (e->firing && open > 0) {
		slope_kw_k +=
			COOLER_KW_K * (open + (e->coolant_c - push->sea_c) / THERMOSTAT_WIDE_C);
		settle_c =
			e->coolant_c +
			((e->firing ? 0.29 * fuel_kw : 0) - 0.03 * (e->coolant_c - push->room_c) -
				COOLER_KW_K * open * (e->coolant_c - push->sea_c)) /
				slope_kw_k;
	} else {
		settle_c = push->room_c + (e->firing ? 0.29 * fuel_kw : 0) / slope_kw_k;
	}
	e->coolant_c += (settle_c - e->coolant_c) * (1 - exp(-step_s * slope_kw_k / HEAT_CAP_KJ_K));
	settle_c = e->firing ? e->coolant_c + 4 + 19 * e->load : e->coolant_c;
	e->oil_c += (settle_c - e->oil_c) * (1 - exp(-step_s / 320));
	settle_c =
		e->firing ? 95 + push->room_c + 330 * e->load + 300 * wear->injector : push->room_c;
	e->exhaust_c += (settle_c - e->exhaust_c) * (1 - exp(-step_s / (e->firing ? 25 : 600)));
}

double scenario_propulsion_pump_share(double suction_kpa)
{
	double boil = suction_kpa / 60;

	boil *= boil;
	return (1 - 0.0015 * suction_kpa) / (1 + boil * boil);
}

/* The feed falls with what the pump must suck against, and behind it with what the next filter
 * takes. */
static void feed_engine(struct scenario_engine_state *e, const struct scenario_wear *wear,
	double suction_kpa, double second_kpa, double step_s, struct scenario_random *r)
{
	double turning = e->rpm / 1500;
	double feed = FEED_KPA * (turning > 1 ? 1 : turning) *
			      scenario_propulsion_pump_share(suction_kpa) -
		      0.2 * suction_kpa - second_kpa;

	if (wear->air > 0 && e->firing) {
		feed -= wear->air * (14 + 9 * fabs(scenario_random_normal(r)) + 0.5 * suction_kpa);
	}
	feed = feed < 0 ? 0 : feed;
	e->feed_kpa += (feed - e->feed_kpa) * (1 - exp(-step_s / 1.5));
}

void scenario_propulsion_engine_step(struct scenario_engine_state *e,
	const struct scenario_hull *hull, const struct scenario_wear *wear,
	const struct scenario_push *push, double suction_kpa, double second_kpa, double step_s,
	struct scenario_random *r)
{
	double cold_rpm = e->coolant_c < 45 ? 120 * (45 - e->coolant_c) / 45 : 0;
	double aim = e->set_rpm > 0 ? e->set_rpm : ENGINE_IDLE_RPM + cold_rpm;
	double most_kw;

	e->since_s += step_s;
	e->burn_kgh = 0;
	e->thrust_n = 0;
	e->brake_kw = 0;
	e->load = 0;
	e->firing = e->running && e->since_s > 1.6;
	if (!e->running) {
		e->rpm = e->since_s < 2 ? e->rpm * exp(-step_s / 0.6) : 0;
		e->held_rpm = 0;
		e->sag_rpm = 0;
		e->alternator_kw = 0;
	} else if (!e->firing) {
		e->rpm = 210 + 15 * scenario_random_normal(r);
		e->held_rpm = 500;
	} else {
		double ramp = 160 * step_s;
		double drift = scenario_wander_step(&e->governor, step_s, r);
		double hunt = 0;

		e->held_rpm += aim > e->held_rpm + ramp	  ? ramp
			       : aim < e->held_rpm - ramp ? -ramp
							  : aim - e->held_rpm;
		if (wear->air > 0) {
			/* Hunting, with a period of some three seconds. */
			e->hunt_phase += 2 * PI * step_s / (3.1 + 0.4 * scenario_random_normal(r));
			hunt = wear->air * 55 * sin(e->hunt_phase) * (0.4 + 0.6 * suction_kpa / 15);
		}
		e->rpm = e->held_rpm - e->sag_rpm + drift + hunt;
		e->rpm = e->rpm < 400 ? 400 : e->rpm;
		e->brake_kw = propeller_kw(e->rpm, hull->speed_ms, e->gear, push->wave,
				      wear->propeller, &e->thrust_n) +
			      e->alternator_kw + 0.25 * e->rpm / ENGINE_RATED_RPM;
		most_kw = scenario_propulsion_most_kw(e->rpm);
		if (e->feed_kpa < ENGINE_STARVES_KPA && e->since_s > 8) {
			most_kw *= 0.1 + 0.9 * e->feed_kpa / ENGINE_STARVES_KPA;
		}
		if (e->brake_kw > most_kw) {
			/* It turns more slowly until it can carry the load. */
			double lack = e->brake_kw / most_kw - 1;

			e->sag_rpm += 0.4 * lack * e->rpm * (1 - exp(-step_s / 2));
			e->brake_kw = most_kw;
		} else {
			e->sag_rpm *= exp(-step_s / 2);
		}
		e->load = e->brake_kw / scenario_propulsion_most_kw(e->rpm);
		e->burn_kgh = scenario_propulsion_burn_kgh(e->brake_kw, e->rpm, e->coolant_c, wear);
		e->burn_kgh *= 1 + scenario_wander_step(&e->dose, step_s, r);
		if (e->since_s < 3.5) {
			e->burn_kgh *= 1.6; /* start fuel */
		}
	}
	e->oil_kpa = e->rpm <= 0 ? 0
				 : (110 + 0.11 * e->rpm) * (1.9 - 0.0105 * e->oil_c) *
					   (e->firing ? 1 : 0.3);
	heat_engine(e, wear, push, step_s);
	feed_engine(e, wear, suction_kpa, second_kpa, step_s, r);
}

/* Resistance at a speed, with its slope. */
static double hull_drag_n(double speed_ms, double wear, double *ret_slope)
{
	double size = fabs(speed_ms);
	double wave = HULL_WAVE_N * pow(size / HULL_WAVE_MS, HULL_WAVE_POWER);
	double skin = HULL_SKIN_NS2M2 * (1 + wear) * size;

	*ret_slope = 2 * skin + (size > 0.01 ? HULL_WAVE_POWER * wave / size : 0) + 10;
	return (skin * size + wave) * (speed_ms < 0 ? -1 : 1);
}

void scenario_propulsion_hull_step(struct scenario_hull *hull,
	const struct scenario_engine_state *engines, double hull_wear,
	const struct scenario_push *push, double step_s)
{
	double slope;
	double thrust = push->sails_n;
	double force;

	for (unsigned i = 0; i < hull->engines; i++) {
		thrust += engines[i].thrust_n;
	}
	/* Per engine: a boat with two is twice the boat. Linear about the present point. */
	thrust /= hull->engines;
	force = thrust - push->drag_n - hull_drag_n(hull->speed_ms, hull_wear, &slope);
	hull->speed_ms += force / slope * (1 - exp(-step_s * slope / HULL_KG));
	hull->speed_ms = hull->speed_ms < -1.5 ? -1.5 : hull->speed_ms;
}

double scenario_propulsion_steady_kgh(double rpm, unsigned engines,
	const struct scenario_wear *wear, double *ret_kw, double *ret_ms)
{
	struct scenario_hull hull = {.engines = engines, .speed_ms = 2};
	struct scenario_engine_state e[SCENARIO_ENGINES_MAX] = {{0}};
	const struct scenario_push calm = {0};
	double kw = 0;

	for (unsigned step = 0; step < 400; step++) {
		kw = propeller_kw(
			rpm, hull.speed_ms, GEAR_AHEAD, 0, wear->propeller, &e[0].thrust_n);
		e[1].thrust_n = e[0].thrust_n;
		scenario_propulsion_hull_step(&hull, e, wear->hull, &calm, 2);
	}
	kw += 0.3 + 0.25 * rpm / ENGINE_RATED_RPM;
	if (ret_kw != NULL) {
		*ret_kw = kw;
	}
	if (ret_ms != NULL) {
		*ret_ms = hull.speed_ms;
	}
	return scenario_propulsion_burn_kgh(kw, rpm, 85, wear);
}

void scenario_propulsion_foul(double rpm, unsigned engines, double rise, struct scenario_wear *wear)
{
	struct scenario_wear clean = {0};
	struct scenario_wear foul = {.hull = 2.5 * rise};
	double wanted =
		scenario_propulsion_steady_kgh(rpm, engines, &clean, NULL, NULL) * (1 + rise);
	double low = 0;
	double high = 4 * rise;

	for (unsigned i = 0; i < 40; i++) {
		foul.propeller = (low + high) / 2;
		if (scenario_propulsion_steady_kgh(rpm, engines, &foul, NULL, NULL) < wanted) {
			low = foul.propeller;
		} else {
			high = foul.propeller;
		}
	}
	wear->hull = foul.hull;
	wear->propeller = foul.propeller;
}
