/* scenario_tank.h: the invented boat's fuel: its properties, the tank, what is dirty and wet in it,
 * and the sender that tells its level. */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_TANK_H
#define SIGHTBOWL_REPLAY_SCENARIO_TANK_H

#include "replay/scenario.h"
#include "replay/scenario_filter.h"
#include "replay/scenario_random.h"

struct scenario_tank {
	double capacity_l;
	double density_15_kgl;
	double viscosity_40_mm2s;
	double cloud_point_c;
	bool by_height;
	double fuel_kg;
	double temperature_c;
	double dirt;	/* 1: the usual */
	double water_l; /* at its bottom */
	struct scenario_wander dirt_wander;
	struct scenario_wander slosh; /* of the level, share of the tank per metre of sea */
	double level_pct;	      /* as its sender gives it, lagged */
	double heel_pct;	      /* steady error by heel and trim */
	bool stuck;
};

void scenario_tank_init(
	struct scenario_tank *t, const struct scenario_options *options, struct scenario_random *r);

/* The fuel at a temperature. */
double scenario_tank_density_kgl(const struct scenario_tank *t, double c);
struct scenario_fuel scenario_tank_fuel(const struct scenario_tank *t, double c);

/* Litres at 15 °C, and at the tank's temperature as a share of what it holds. */
double scenario_tank_litres_15(const struct scenario_tank *t);
double scenario_tank_share(const struct scenario_tank *t);

/* One step: heat with the return and the hull, slosh, sender. return_kw: heat that the return
 * brings. */
void scenario_tank_step(struct scenario_tank *t, double step_s, double sea_m, double hull_c,
	double return_kw, struct scenario_random *r);

/* Dirt of what leaves the tank now (1: the usual), with what the sea stirs up. */
double scenario_tank_dirt_out(
	struct scenario_tank *t, double step_s, double sea_m, struct scenario_random *r);
/* Water that leaves with litres of fuel, L. */
double scenario_tank_water_out(struct scenario_tank *t, double litres, double sea_m);

void scenario_tank_fill(
	struct scenario_tank *t, double kg, double fuel_c, double dirt, double water_l);

#endif
