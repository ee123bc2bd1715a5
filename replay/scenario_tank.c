#include "replay/scenario_tank.h"

#include <math.h>

#define EXPANSION_PER_K 0.00083 /* volume, diesel; linear, on purpose not the table's own form */
#define HEAT_KJ_KGK	2.0
#define HULL_KW_K	0.03
#define SENDER_LAG_S	8.0
#define WATER_PICKUP	0.0012 /* of the water lying, a litre of fuel, calm sea */

/* A tank that narrows towards its bottom. */
double scenario_tank_volume(double height)
{
	return 0.5 * height * height + 0.5 * height;
}

static double tank_height(double volume)
{
	return (sqrt(0.25 + 2 * volume) - 0.5);
}

void scenario_tank_init(
	struct scenario_tank *t, const struct scenario_options *options, struct scenario_random *r)
{
	*t = (struct scenario_tank){
		.capacity_l = options->tank_l,
		.density_15_kgl = options->density_15_kgl,
		.viscosity_40_mm2s = options->viscosity_40_mm2s,
		.cloud_point_c = options->cloud_point_c,
		.by_height = options->tank_by_height,
		.fuel_kg = 0.85 * options->tank_l * options->density_15_kgl,
		.temperature_c = options->sea_c,
		.dirt = 1,
	};
	scenario_wander_init(&t->dirt_wander, 0.18, 4 * 3600, r);
	scenario_wander_init(&t->slosh, 1, 3, r);
	t->level_pct = 85;
}

double scenario_tank_density_kgl(const struct scenario_tank *t, double c)
{
	return t->density_15_kgl / (1 + EXPANSION_PER_K * (c - 15));
}

struct scenario_fuel scenario_tank_fuel(const struct scenario_tank *t, double c)
{
	/* Vogel's form, not the one that the standards tabulate: ν falls to about a third from 0 to
	 * 40 °C. */
	double kinematic = t->viscosity_40_mm2s * exp(409 / (c + 105) - 409.0 / 145);
	double density = scenario_tank_density_kgl(t, c);

	return (struct scenario_fuel){
		.dynamic_mpas = kinematic * density,
		.density_kgl = density,
		.wax_k = c < t->cloud_point_c ? t->cloud_point_c - c : 0,
	};
}

double scenario_tank_litres_15(const struct scenario_tank *t)
{
	return t->fuel_kg / t->density_15_kgl;
}

double scenario_tank_share(const struct scenario_tank *t)
{
	double litres = t->fuel_kg / scenario_tank_density_kgl(t, t->temperature_c) + t->water_l;
	double share = litres / t->capacity_l;

	return share < 0 ? 0 : share > 1 ? 1 : share;
}

void scenario_tank_step(struct scenario_tank *t, double step_s, double sea_m, double hull_c,
	double return_kw, struct scenario_random *r)
{
	double heat_kj_k = (t->fuel_kg + 5) * HEAT_KJ_KGK;
	double settle_c = hull_c + return_kw / HULL_KW_K;
	double share = scenario_tank_share(t);
	double seen = t->by_height ? tank_height(share) : share;
	double slosh = scenario_wander_step(&t->slosh, step_s, r);

	t->temperature_c +=
		(settle_c - t->temperature_c) * (1 - exp(-step_s * HULL_KW_K / heat_kj_k));
	/* The sender's own bend, ±0.8 %, the heel's error and the slosh. */
	seen = 100 * seen + 0.8 * sin(6.5 * seen) + t->heel_pct + 2.2 * sea_m * slosh;
	if (!t->stuck) {
		t->level_pct += (seen - t->level_pct) * (1 - exp(-step_s / SENDER_LAG_S));
		t->level_pct = t->level_pct < 0 ? 0 : t->level_pct > 100 ? 100 : t->level_pct;
	}
}

double scenario_tank_dirt_out(
	struct scenario_tank *t, double step_s, double sea_m, struct scenario_random *r)
{
	double wander = scenario_wander_step(&t->dirt_wander, step_s, r);
	double low = exp(-scenario_tank_share(t) / 0.12);

	return t->dirt * (0.88 + 0.12 * sea_m + 0.6 * low) * exp(wander);
}

double scenario_tank_water_out(struct scenario_tank *t, double litres, double sea_m)
{
	double out = litres * t->water_l * WATER_PICKUP * (1 + 2 * sea_m);

	out = out > t->water_l ? t->water_l : out;
	t->water_l -= out;
	return out;
}

void scenario_tank_fill(
	struct scenario_tank *t, double kg, double fuel_c, double dirt, double water_l)
{
	double sum_kg = t->fuel_kg + kg;

	t->dirt = (t->dirt * t->fuel_kg + dirt * kg) / sum_kg;
	t->temperature_c = (t->temperature_c * t->fuel_kg + fuel_c * kg) / sum_kg;
	t->fuel_kg = sum_kg;
	t->water_l += water_l;
}
