#include "replay/scenario_crew.h"

#include <math.h>

#include "replay/scenario_truth.h"

#define FILL_SHARE  0.93
#define FILL_S	    360.0
#define RESERVE_L   12.0
#define EMPTY_KG    0.5 /* the pickup does not reach it */
#define BOWL_LEFT_L 0.003

/* No two elements are quite alike. */
static double element_variation(struct scenario_season *season)
{
	return 1 + 0.03 * scenario_random_normal(&season->habits);
}

void scenario_crew_fit(struct scenario_season *season, unsigned engine, unsigned filter)
{
	struct scenario_machine *machine = &season->machines[engine];
	struct scenario_filter_state *f = &machine->filters[filter];
	struct scenario_element *record;
	unsigned number = 1;

	if (season->truth.element_count == season->element_room) {
		return;
	}
	for (size_t i = 0; i < season->truth.element_count; i++) {
		number += season->elements[i].engine == engine &&
			  season->elements[i].filter == filter;
	}
	scenario_element_new(&f->element, &f->media, element_variation(season));
	f->record = season->truth.element_count++;
	f->fitted_h = machine->hours;
	f->next_point_h = 0;
	record = &season->elements[f->record];
	*record = (struct scenario_element){
		.engine = engine,
		.filter = filter,
		.number = number,
		.fitted_ns = season->now_ns,
		.removed_ns = INT64_MAX,
		.clean_kpa = scenario_element_reference_kpa(&f->element, &f->media),
		.limit_kpa = f->options->limit_kpa,
		.limit_l = NAN,
		.limit_h = NAN,
	};
	scenario_truth_element(season, engine, filter);
}

static void change_element(struct scenario_season *season, unsigned engine, unsigned filter)
{
	struct scenario_filter_state *f = &season->machines[engine].filters[filter];
	struct scenario_element *record = &season->elements[f->record];

	scenario_truth_element(season, engine, filter);
	record->removed_ns = season->now_ns;
	if (!record->limit_in_service) {
		record->limit_l = scenario_element_limit_l(&f->element, &f->media);
	}
	scenario_crew_fit(season, engine, filter);
}

static void evening(struct scenario_season *season)
{
	const struct scenario_options *o = &season->options;

	for (unsigned engine = 0; engine < o->engines; engine++) {
		for (unsigned filter = 0; filter < SCENARIO_FILTERS_MAX; filter++) {
			struct scenario_filter_state *f = &season->machines[engine].filters[filter];
			bool due = false;

			if (f->options == NULL) {
				continue;
			}
			if (f->options->change_at_limit) {
				due = season->elements[f->record].limit_in_service;
			}
			for (size_t i = 0; i < o->change_count; i++) {
				if (!season->change_done[i] && o->changes[i].engine == engine &&
					o->changes[i].filter == filter &&
					season->machines[0].hours >=
						o->changes[i].at * o->engine_h) {
					season->change_done[i] = true;
					due = true;
				}
			}
			if (due) {
				change_element(season, engine, filter);
			}
		}
	}
}

static void drain_bowls(struct scenario_season *season)
{
	for (size_t i = 0; i < season->truth.water_count; i++) {
		struct scenario_water *w = &season->waters[i];

		if (w->drained_ns == INT64_MAX && (double)(season->now_ns - w->wet_ns) >=
							  season->options.drain_after_h * 3600e9) {
			w->drained_ns = season->now_ns;
			season->machines[w->engine].bowl_l = BOWL_LEFT_L;
			season->machines[w->engine].wet = false;
		}
	}
}

static void open_onset(struct scenario_season *season, size_t fault)
{
	const struct scenario_fault *f = &season->options.faults[fault];

	season->faults[fault].record = season->truth.onset_count;
	season->onsets[season->truth.onset_count++] = (struct scenario_onset){
		.kind = f->kind,
		.engine = f->engine,
		.filter = f->filter,
		.start_ns = season->now_ns,
		.full_ns = f->over_h > 0 ? INT64_MAX : season->now_ns,
		.engine_h = season->machines[0].hours,
		.size = f->size,
	};
}

/* Most that the engines can burn until the next chance to take fuel, with a reserve. */
static double needed_l(const struct scenario_season *season)
{
	double hours = 0;

	for (size_t i = season->leg + 1; i < season->plan.leg_count; i++) {
		const struct scenario_leg *leg = &season->plan.legs[i];

		if (leg->kind == LEG_HALT || leg->kind == LEG_FUEL_DOCK) {
			break;
		}
		hours += scenario_leg_runs(leg->kind)
				 ? (double)(leg->end_ns - leg->start_ns) / 3600e9
				 : 0;
	}
	return RESERVE_L + 1.15 * season->truth.cruise_lph * season->options.engines * hours;
}

/* Whether to take fuel here, and what load it will be. */
static void consider_fuel(struct scenario_season *season, const struct scenario_leg *leg)
{
	const struct scenario_options *o = &season->options;
	double share = scenario_tank_share(&season->tank);
	double leg_s = (double)(leg->end_ns - leg->start_ns) / 1e9;
	double enough = leg->kind == LEG_FUEL_DOCK ? 0.45 : 0.2;
	bool forced = false;

	for (size_t i = 0; i < o->fault_count; i++) {
		forced = forced || season->faults[i].waits_for_fuel;
	}
	season->fill_left_kg = 0;
	enough = forced ? 0.8 : enough;
	if (share > 0.9 ||
		(share >= enough && scenario_tank_litres_15(&season->tank) >= needed_l(season))) {
		return;
	}
	season->fill_left_kg =
		(FILL_SHARE - share) * season->tank.capacity_l * season->tank.density_15_kgl;
	season->fill_kg_s = season->fill_left_kg / (leg_s - 150 < FILL_S ? leg_s - 150 : FILL_S);
	season->fill_begun = false;
	season->fill_dirt = 1;
	if (o->load_dirt_sd > 0) {
		season->fill_dirt = exp(o->load_dirt_sd * scenario_random_normal(&season->habits));
	}
	season->fill_water_l = 0;
}

void scenario_crew_begin_leg(struct scenario_season *season)
{
	const struct scenario_leg *leg = scenario_season_leg(season);

	season->manoeuvre_left_s = 0;
	season->fill_left_kg = 0;
	for (unsigned i = 0; i < season->options.engines; i++) {
		struct scenario_engine_state *e = &season->machines[i].state;

		e->set_rpm = leg->rpm > 0 ? leg->rpm - 14 * i : 0;
		e->gear = leg->kind == LEG_MOTOR || leg->kind == LEG_MOTOR_SAIL ? GEAR_AHEAD
										: GEAR_NEUTRAL;
	}
	if (leg->kind == LEG_ASLEEP) {
		evening(season);
	}
	if (leg->kind == LEG_HALT || leg->kind == LEG_FUEL_DOCK) {
		drain_bowls(season);
		consider_fuel(season, leg);
	}
}

static void take_fuel(struct scenario_season *season, const struct scenario_leg *leg, double step_s)
{
	const struct scenario_options *o = &season->options;
	struct scenario_refuelling *record;
	double kg = season->fill_kg_s * step_s;

	if (season->now_ns - leg->start_ns < 120 * INT64_C(1000000000)) {
		return;
	}
	if (!season->fill_begun) {
		season->fill_begun = true;
		for (size_t i = 0; i < o->fault_count; i++) {
			if (season->faults[i].waits_for_fuel) {
				season->faults[i].waits_for_fuel = false;
				open_onset(season, i);
				if (o->faults[i].kind == SCENARIO_FAULT_BAD_FUEL) {
					season->fill_dirt = o->faults[i].size;
				} else {
					season->fill_water_l = o->faults[i].size;
				}
			}
		}
		season->refuellings[season->truth.refuelling_count++] =
			(struct scenario_refuelling){
				.start_ns = season->now_ns,
				.tank_before_l = scenario_tank_litres_15(&season->tank),
				.dirt_factor = season->fill_dirt,
				.water_l = season->fill_water_l,
			};
	}
	kg = kg > season->fill_left_kg ? season->fill_left_kg : kg;
	scenario_tank_fill(
		&season->tank, kg, season->sea.sea_c + 2, season->fill_dirt, season->fill_water_l);
	season->fill_water_l = 0;
	season->fill_left_kg -= kg;
	season->truth.refuelled_kg += kg;
	record = &season->refuellings[season->truth.refuelling_count - 1];
	record->end_ns = season->now_ns + (int64_t)llround(step_s * 1e9);
	record->litres += kg / season->tank.density_15_kgl;
	record->tank_after_l = scenario_tank_litres_15(&season->tank);
}

static void manoeuvre(struct scenario_season *season, const struct scenario_leg *leg, double step_s)
{
	struct scenario_random *r = &season->habits;

	season->manoeuvre_left_s -= step_s;
	if (season->manoeuvre_left_s > 0) {
		return;
	}
	season->manoeuvre_left_s = scenario_random_between(r, 12, 50);
	for (unsigned i = 0; i < season->options.engines; i++) {
		struct scenario_engine_state *e = &season->machines[i].state;
		double lot = scenario_random_share(r);

		e->gear = lot < 0.6 ? GEAR_AHEAD : lot < 0.85 ? GEAR_NEUTRAL : GEAR_ASTERN;
		e->set_rpm = e->gear == GEAR_NEUTRAL
				     ? 0
				     : leg->rpm * scenario_random_between(r, 0.8, 1.3);
	}
}

void scenario_crew_step(struct scenario_season *season, double step_s)
{
	const struct scenario_leg *leg = scenario_season_leg(season);
	bool runs = scenario_leg_runs(leg->kind) && season->tank.fuel_kg > EMPTY_KG;

	for (unsigned i = 0; i < season->options.engines; i++) {
		struct scenario_engine_state *e = &season->machines[i].state;

		/* One after the other. */
		if (runs != e->running &&
			(!runs || season->now_ns - leg->start_ns >= i * 20 * INT64_C(1000000000))) {
			e->running = runs;
			e->since_s = 0;
		}
	}
	if (season->fill_left_kg > 0) {
		take_fuel(season, leg, step_s);
	}
	if (leg->kind == LEG_MANOEUVRE) {
		manoeuvre(season, leg, step_s);
	}
}

/* Whether the boat moves enough to bring up what lies in the tank: half an hour into a run, at
 * cruise. */
static bool stirs(const struct scenario_season *season, unsigned engine)
{
	const struct scenario_engine_state *e = &season->machines[engine].state;

	return e->firing && e->since_s > 1800 && scenario_season_leg(season)->kind == LEG_MOTOR;
}

static void begin_fault(struct scenario_season *season, size_t fault)
{
	const struct scenario_fault *f = &season->options.faults[fault];
	struct scenario_fault_state *state = &season->faults[fault];
	struct scenario_filter_state *filter = &season->machines[f->engine].filters[f->filter];

	state->begun = true;
	if (f->kind == SCENARIO_FAULT_BAD_FUEL || f->kind == SCENARIO_FAULT_WET_FUEL) {
		state->waits_for_fuel = true;
		return;
	}
	if (f->kind == SCENARIO_FAULT_SLUDGE) {
		if (filter->options == NULL || !stirs(season, f->engine)) {
			state->begun = false;
			return;
		}
		state->sludge_left_l = f->size * filter->media.life_l;
	}
	open_onset(season, fault);
	switch (f->kind) {
	case SCENARIO_FAULT_FOULING:
		scenario_propulsion_foul(season->options.cruise_rpm, season->options.engines,
			f->size / 100, &state->full);
		break;
	case SCENARIO_FAULT_SENSOR_DEAD:
		filter->dead = true;
		filter->death = (enum scenario_death)f->size;
		filter->frozen_kpa =
			filter->seen_kpa + filter->options->zero_kpa + filter->drift_kpa;
		break;
	case SCENARIO_FAULT_TANK_STUCK:
		season->tank.stuck = true;
		break;
	default:
		break;
	}
}

/* A twelfth of it each time: two minutes. */
static void pass_sludge(struct scenario_season *season, size_t fault)
{
	const struct scenario_fault *f = &season->options.faults[fault];
	struct scenario_machine *m = &season->machines[f->engine];
	struct scenario_filter_state *filter = &m->filters[f->filter];
	struct scenario_fault_state *state = &season->faults[fault];
	struct scenario_fuel fuel = scenario_tank_fuel(&season->tank, m->fuel_c);
	double part_l = f->size * filter->media.life_l / 12;

	if (!m->state.firing || state->sludge_left_l <= 0) {
		return;
	}
	part_l = part_l > state->sludge_left_l ? state->sludge_left_l : part_l;
	state->sludge_left_l -= part_l;
	scenario_element_foul(&filter->element, &filter->media, part_l, m->supply_lph, &fuel);
	scenario_truth_element(season, f->engine, f->filter);
}

static void grow_fault(struct scenario_season *season, size_t fault)
{
	const struct scenario_fault *f = &season->options.faults[fault];
	struct scenario_fault_state *state = &season->faults[fault];
	struct scenario_onset *onset = &season->onsets[state->record];
	struct scenario_wear *wear = &season->machines[f->engine].wear;
	double since_h = season->machines[0].hours - onset->engine_h;
	double grown = f->over_h > 0 ? since_h / f->over_h : 1;

	if (grown >= 1) {
		grown = 1;
		if (onset->full_ns == INT64_MAX) {
			onset->full_ns = season->now_ns;
		}
	}
	switch (f->kind) {
	case SCENARIO_FAULT_SLUDGE:
		pass_sludge(season, fault);
		break;
	case SCENARIO_FAULT_FOULING:
		/* The hull's part acts on the boat, the propeller's on each engine. */
		for (unsigned i = 0; i < season->options.engines; i++) {
			season->machines[i].wear.hull += grown * state->full.hull;
			season->machines[i].wear.propeller += grown * state->full.propeller;
		}
		break;
	case SCENARIO_FAULT_INJECTOR:
		wear->injector += grown * f->size / 100;
		break;
	case SCENARIO_FAULT_AIR:
		wear->air += grown * f->size;
		break;
	case SCENARIO_FAULT_COOLANT_CREEP:
		wear->coolant_c += grown * f->size;
		break;
	case SCENARIO_FAULT_SENSOR_DRIFT:
		season->machines[f->engine].filters[f->filter].drift_kpa =
			grown * f->size * since_h / 100;
		break;
	case SCENARIO_FAULT_TANK_LEAK:
		season->leak_lph += grown * f->size;
		break;
	default:
		break;
	}
}

void scenario_crew_faults(struct scenario_season *season)
{
	const struct scenario_options *o = &season->options;

	season->leak_lph = 0;
	for (unsigned i = 0; i < o->engines; i++) {
		season->machines[i].wear = (struct scenario_wear){0};
	}
	for (size_t i = 0; i < o->fault_count; i++) {
		const struct scenario_fault *f = &o->faults[i];
		bool fuel =
			f->kind == SCENARIO_FAULT_BAD_FUEL || f->kind == SCENARIO_FAULT_WET_FUEL;

		if (!season->faults[i].begun && season->machines[0].hours >= f->at * o->engine_h) {
			begin_fault(season, i);
		}
		if (season->faults[i].begun && !fuel) {
			grow_fault(season, i);
		}
	}
}
