#include "replay/scenario_season.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "replay/scenario_crew.h"
#include "replay/scenario_truth.h"

#define NS	    INT64_C(1000000000)
#define ASLEEP_NS   (60 * NS)
#define FAULTS_S    10.0  /* how often faults grow */
#define PROBE_L	    0.060 /* water in the bowl at which the probe is wet */
#define PICKUP_KW_K 0.003 /* fuel line through the engine room */
#define PUMP_LAG_S  2.0
#define BATTERY_AH  400.0

static int allocate(struct scenario_season *season)
{
	const struct scenario_options *o = &season->options;
	size_t engines = o->engines;
	size_t days = o->days;

	season->element_room = engines * SCENARIO_FILTERS_MAX * (days + 2);
	season->point_room =
		engines * SCENARIO_FILTERS_MAX * ((size_t)(o->engine_h * 1.5) + days + 64) +
		season->element_room;
	season->water_room = engines * (days + 2);
	season->runs = calloc((season->plan.run_count + 1) * engines, sizeof(*season->runs));
	season->trips = calloc(season->plan.leg_count + 1, sizeof(*season->trips));
	season->elements = calloc(season->element_room, sizeof(*season->elements));
	season->points = calloc(season->point_room, sizeof(*season->points));
	season->refuellings = calloc(season->plan.halt_count + 1, sizeof(*season->refuellings));
	season->onsets = calloc(SCENARIO_FAULTS_MAX, sizeof(*season->onsets));
	season->waters = calloc(season->water_room, sizeof(*season->waters));
	season->starvings = calloc(SEASON_STARVINGS_MAX, sizeof(*season->starvings));
	if (season->starvings == NULL || season->runs == NULL || season->trips == NULL ||
		season->elements == NULL || season->points == NULL || season->refuellings == NULL ||
		season->onsets == NULL || season->waters == NULL) {
		return -ENOMEM;
	}
	season->truth.runs = season->runs;
	season->truth.trips = season->trips;
	season->truth.elements = season->elements;
	season->truth.points = season->points;
	season->truth.refuellings = season->refuellings;
	season->truth.onsets = season->onsets;
	season->truth.waters = season->waters;
	season->truth.starvings = season->starvings;
	return 0;
}

static void init_machine(struct scenario_season *season, unsigned engine)
{
	const struct scenario_options *o = &season->options;
	const struct scenario_engine *options = &o->engine[engine];
	struct scenario_machine *m = &season->machines[engine];
	struct scenario_fuel warm = scenario_tank_fuel(&season->tank, 40);
	double reference_lph = scenario_reference_lph(o, engine);

	scenario_propulsion_engine_init(&m->state, o->air_c, &season->random);
	m->fuel_c = season->tank.temperature_c;
	m->return_c = m->fuel_c;
	season->truth.reference_lph[engine] = reference_lph;
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		if (options->filters[i].present) {
			m->filters[i].options = &season->options.engine[engine].filters[i];
			scenario_media_init(&m->filters[i].media, m->filters[i].options,
				reference_lph, warm.dynamic_mpas, warm.density_kgl);
			scenario_crew_fit(season, engine, i);
		}
	}
}

int scenario_season_init(struct scenario_season *season, const struct scenario_options *options)
{
	int r;

	memset(season, 0, sizeof(*season));
	season->options = *options;
	season->options.start_ns -=
		((options->start_ns % (86400 * NS)) + 86400 * NS) % (86400 * NS);
	season->now_ns = season->options.start_ns;
	season->end_ns = season->now_ns + (int64_t)options->days * 86400 * NS;
	scenario_random_init(&season->random, options->seed, 2);
	scenario_random_init(&season->habits, options->seed, 3);
	r = scenario_plan_create(&season->plan, &season->options);
	if (r < 0) {
		return r;
	}
	r = allocate(season);
	if (r < 0) {
		return r;
	}
	scenario_sea_init(&season->sea, options, &season->random);
	scenario_tank_init(&season->tank, options, &season->random);
	scenario_wander_init(&season->probe_slosh, 0.012, 2, &season->random);
	season->hull.engines = options->engines;
	season->room_c = options->air_c;
	season->battery_ah = 0.8 * BATTERY_AH;
	season->truth.cruise_lph = scenario_cruise_lph(options);
	season->truth.tank_start_kg = season->tank.fuel_kg;
	season->truth.tank_end_kg = season->tank.fuel_kg;
	for (unsigned i = 0; i < options->engines; i++) {
		init_machine(season, i);
	}
	scenario_crew_faults(season);
	scenario_crew_begin_leg(season);
	return 0;
}

void scenario_season_finish(struct scenario_season *season)
{
	scenario_plan_finish(&season->plan);
	free(season->runs);
	free(season->trips);
	free(season->elements);
	free(season->points);
	free(season->refuellings);
	free(season->onsets);
	free(season->waters);
	free(season->starvings);
}

/* Dirt and water through an engine's filters, and what their sensors come to. */
static void filter_fuel(struct scenario_season *season, unsigned engine, double dirt, double step_s)
{
	struct scenario_machine *m = &season->machines[engine];
	struct scenario_fuel fuel = scenario_tank_fuel(&season->tank, m->fuel_c);
	double litres = m->supply_lph * step_s / 3600;

	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		struct scenario_filter_state *f = &m->filters[i];
		double seen;

		if (f->options == NULL) {
			continue;
		}
		if (litres > 0) {
			/* The second filter is spared most of a bad load's dirt by the first. */
			scenario_element_pass(&f->element, &f->media, litres,
				i == 0 ? dirt : 1 + 0.25 * (dirt - 1), m->supply_lph, &fuel);
			scenario_truth_element(season, engine, i);
		}
		f->loss_kpa =
			scenario_element_loss_kpa(&f->element, &f->media, m->supply_lph, &fuel);
		seen = f->loss_kpa;
		if (f->media.line_kpa > 0) {
			/* The tank lies lower than the filter, the more so the emptier it is. */
			seen += scenario_line_loss_kpa(&f->media, m->supply_lph, &fuel) +
				fuel.density_kgl * 9.81 *
					(0.35 + 0.4 * (1 - scenario_tank_share(&season->tank)));
		}
		f->seen_kpa += (seen - f->seen_kpa) * (1 - exp(-step_s / f->options->lag_s));
	}
}

static void wet_bowl(struct scenario_season *season, unsigned engine, double litres, double step_s)
{
	struct scenario_machine *m = &season->machines[engine];
	double slosh = scenario_wander_step(&season->probe_slosh, step_s, &season->random);

	m->bowl_l += scenario_tank_water_out(&season->tank, litres, season->sea.wave_m);
	m->probe = m->bowl_l + slosh * season->sea.wave_m > PROBE_L;
	if (!m->wet && m->bowl_l >= PROBE_L && season->truth.water_count < season->water_room) {
		m->wet = true;
		season->waters[season->truth.water_count++] = (struct scenario_water){
			.engine = engine,
			.wet_ns = season->now_ns,
			.drained_ns = INT64_MAX,
		};
	}
}

/* Returns the heat that the return brings to the tank, kW. */
static double run_machine(struct scenario_season *season, unsigned engine,
	const struct scenario_push *push, double dirt, double step_s)
{
	const struct scenario_options *o = &season->options;
	const struct scenario_engine *options = &o->engine[engine];
	struct scenario_machine *m = &season->machines[engine];
	struct scenario_engine_state *e = &m->state;
	double suction = m->filters[0].loss_kpa + m->filters[0].media.line_kpa;
	double burned_kg;
	double heat_kw = 0;
	double density;
	double flow_kw_k;

	scenario_propulsion_engine_step(e, &season->hull, &m->wear, push, suction,
		m->filters[1].loss_kpa, step_s, &season->random);
	density = season->tank.density_15_kgl;
	m->burn_lph = e->burn_kgh / density;
	burned_kg = e->burn_kgh * step_s / 3600;
	if (burned_kg > season->tank.fuel_kg) {
		burned_kg = season->tank.fuel_kg;
	}
	if (options->supply == SUPPLY_PUMP) {
		double moved_lph = e->rpm * options->pump_lph / options->pump_rpm *
				   scenario_propulsion_pump_share(suction) *
				   (1 - 0.3 * m->wear.air);

		/* Hoses and bubbles give: the flow follows the pump with a lag. */
		m->supply_lph += (moved_lph - m->supply_lph) * (1 - exp(-step_s / PUMP_LAG_S));
		m->supply_lph = e->rpm <= 0 ? 0 : m->supply_lph;
		m->supply_lph = m->supply_lph < m->burn_lph ? m->burn_lph : m->supply_lph;
	} else {
		m->supply_lph = m->burn_lph;
	}
	season->tank.fuel_kg -= burned_kg;
	m->total_kg += burned_kg;
	if (e->firing) {
		m->hours += step_s / 3600;
	}
	/* The line takes up heat of the engine room, the more the slower the fuel moves. */
	flow_kw_k = m->supply_lph * density * 2.0 / 3600;
	if (flow_kw_k > 0) {
		double picked = 1 - exp(-PICKUP_KW_K / flow_kw_k);
		double aim = season->tank.temperature_c +
			     picked * (season->room_c - season->tank.temperature_c);

		m->fuel_c += (aim - m->fuel_c) * (1 - exp(-step_s / 150));
		m->return_c = m->fuel_c + 9 + 22 * e->load;
		heat_kw = (flow_kw_k - m->burn_lph * density * 2.0 / 3600) *
			  (m->return_c - season->tank.temperature_c);
		/* What returns is clean: a bad load's dirt becomes less. */
		season->tank.dirt =
			1 + (season->tank.dirt - 1) *
				    exp(-0.5 * (m->supply_lph - m->burn_lph) * step_s / 3600 /
					    (scenario_tank_litres_15(&season->tank) + 1));
	} else {
		m->fuel_c += (season->room_c - m->fuel_c) * (1 - exp(-step_s / 3000));
	}
	filter_fuel(season, engine, dirt, step_s);
	wet_bowl(season, engine, m->supply_lph * step_s / 3600, step_s);
	return heat_kw;
}

static void charge_battery(struct scenario_season *season, bool awake, double step_s)
{
	double amperes = awake ? -6 : -1.2;
	double full = season->battery_ah / BATTERY_AH;
	bool firing = false;

	for (unsigned i = 0; i < season->options.engines; i++) {
		struct scenario_engine_state *e = &season->machines[i].state;
		double most = 95 * (1 - exp(-e->rpm / 700));
		double takes = (1.01 - full) * 420;

		e->alternator_kw = 0;
		if (e->firing) {
			firing = true;
			takes = takes < most ? takes : most;
			amperes += takes;
			e->alternator_kw = 0.05 + takes * 14.1 / 0.58 / 1000;
		}
	}
	season->battery_ah += amperes * step_s / 3600;
	season->battery_ah = season->battery_ah > BATTERY_AH	     ? BATTERY_AH
			     : season->battery_ah < 0.2 * BATTERY_AH ? 0.2 * BATTERY_AH
								     : season->battery_ah;
	season->battery_a = amperes;
	season->battery_v = firing ? 13.3 + 0.9 * full : 11.9 + 0.85 * full;
}

static int64_t step_length(const struct scenario_season *season, const struct scenario_leg *leg)
{
	int64_t step_ns = leg->kind == LEG_ASLEEP ? ASLEEP_NS : NS;

	for (unsigned i = 0; i < season->options.engines; i++) {
		const struct scenario_engine_state *e = &season->machines[i].state;

		if (scenario_leg_runs(leg->kind) || e->running || e->since_s < 3) {
			step_ns = season->options.step_ms * (NS / 1000);
		}
	}
	return step_ns < leg->end_ns - season->now_ns ? step_ns : leg->end_ns - season->now_ns;
}

void scenario_season_step(struct scenario_season *season, bool missed)
{
	const struct scenario_leg *leg = scenario_season_leg(season);
	struct scenario_engine_state engines[SCENARIO_ENGINES_MAX];
	int64_t step_ns;
	double step_s;
	double ground_nm;
	double dirt;
	double heat_kw = 0;
	double room_kw = 0;
	double leaked_kg;
	struct scenario_push push;

	if (season->over) {
		return;
	}
	step_ns = step_length(season, leg);
	step_s = (double)step_ns / 1e9;
	scenario_sea_step(&season->sea, leg, season->now_ns, step_s, &season->random);
	scenario_crew_step(season, step_s);
	push = scenario_sea_push(&season->sea, leg, season->hull.speed_ms, season->room_c);
	dirt = scenario_tank_dirt_out(&season->tank, step_s, season->sea.wave_m, &season->random);
	for (unsigned i = 0; i < season->options.engines; i++) {
		heat_kw += run_machine(season, i, &push, dirt, step_s);
		engines[i] = season->machines[i].state;
		room_kw += engines[i].firing ? 6 + 16 * engines[i].load : 0;
	}
	if (scenario_leg_under_way(leg->kind)) {
		scenario_propulsion_hull_step(
			&season->hull, engines, season->machines[0].wear.hull, &push, step_s);
	} else {
		season->hull.speed_ms = 0;
	}
	ground_nm = scenario_sea_move(&season->sea, scenario_leg_under_way(leg->kind),
		season->hull.speed_ms, season->now_ns, step_s);
	leaked_kg = season->leak_lph * season->tank.density_15_kgl * step_s / 3600;
	leaked_kg = leaked_kg > season->tank.fuel_kg ? season->tank.fuel_kg : leaked_kg;
	season->tank.fuel_kg -= leaked_kg;
	season->truth.leaked_kg += leaked_kg;
	scenario_tank_step(&season->tank, step_s,
		scenario_leg_under_way(leg->kind) ? season->sea.wave_m : 0.12 * season->sea.wave_m,
		season->sea.sea_c, heat_kw, &season->random);
	season->tank.heel_pct = leg->sails > 0 ? 2.5 * leg->sails : 0;
	season->room_c +=
		(season->sea.air_c + room_kw - season->room_c) * (1 - exp(-step_s / 2400));
	charge_battery(season, leg->kind != LEG_ASLEEP, step_s);
	season->now_ns += step_ns;
	season->faults_left_s -= step_s;
	if (season->faults_left_s <= 0) {
		season->faults_left_s = FAULTS_S;
		scenario_crew_faults(season);
	}
	scenario_truth_step(season, step_s, ground_nm, missed);
	if (season->now_ns == leg->end_ns) {
		if (season->leg + 1 == season->plan.leg_count) {
			season->over = true;
			scenario_truth_close(season);
		} else {
			season->leg++;
			scenario_crew_begin_leg(season);
		}
	}
}
