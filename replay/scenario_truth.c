#include "replay/scenario_truth.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>

#define PAUSE_NS  (3600 * INT64_C(1000000000))
#define MOVING_MS (1852.0 / 3600)
#define MOVING_S  60.0

static const char *const fault_names[] = {
	[SCENARIO_FAULT_BAD_FUEL] = "bad-fuel",
	[SCENARIO_FAULT_WET_FUEL] = "wet-fuel",
	[SCENARIO_FAULT_FOULING] = "fouling",
	[SCENARIO_FAULT_INJECTOR] = "injector",
	[SCENARIO_FAULT_AIR] = "air",
	[SCENARIO_FAULT_SENSOR_DRIFT] = "sensor-drift",
	[SCENARIO_FAULT_SENSOR_DEAD] = "sensor-dead",
	[SCENARIO_FAULT_COOLANT_CREEP] = "coolant-creep",
	[SCENARIO_FAULT_TANK_LEAK] = "tank-leak",
	[SCENARIO_FAULT_TANK_STUCK] = "tank-stuck",
	[SCENARIO_FAULT_SLUDGE] = "sludge",
};

const char *scenario_fault_name(enum scenario_fault_kind kind)
{
	return fault_names[kind];
}

void scenario_truth_element(struct scenario_season *season, unsigned engine, unsigned filter)
{
	const struct scenario_machine *machine = &season->machines[engine];
	struct scenario_filter_state *f = &season->machines[engine].filters[filter];
	struct scenario_element *record = &season->elements[f->record];

	record->engine_h = machine->hours - f->fitted_h;
	record->litres_through = f->element.litres;
	record->dirt_l = f->element.dirt;
	record->reference_kpa = scenario_element_reference_kpa(&f->element, &f->media);
	if (!record->limit_in_service && record->reference_kpa >= record->limit_kpa) {
		record->limit_in_service = true;
		record->limit_l = record->litres_through;
		record->limit_h = record->engine_h;
	}
	if (record->engine_h >= f->next_point_h && season->truth.point_count < season->point_room) {
		f->next_point_h = floor(record->engine_h) + 1;
		season->points[season->truth.point_count++] = (struct scenario_point){
			.element = (unsigned)f->record,
			.t_ns = season->now_ns,
			.engine_h = record->engine_h,
			.litres_through = record->litres_through,
			.dirt_l = record->dirt_l,
			.reference_kpa = record->reference_kpa,
		};
	}
}

static void step_run(struct scenario_season *season, unsigned engine, double step_s, bool missed)
{
	struct scenario_machine *m = &season->machines[engine];
	const struct scenario_engine_state *e = &m->state;
	int64_t step_ns = (int64_t)llround(step_s * 1e9);
	struct scenario_run *run;
	double litres;

	if (e->firing && !m->open) {
		m->open = true;
		m->run = season->truth.run_count++;
		season->runs[m->run] = (struct scenario_run){
			.engine = engine,
			.start_ns = season->now_ns - step_ns,
			.max_coolant_c = e->coolant_c,
			.least_feed_kpa = e->feed_kpa,
		};
	}
	if (!m->open) {
		return;
	}
	run = &season->runs[m->run];
	if (!e->firing) {
		run->end_ns = season->now_ns - step_ns;
		m->open = false;
		return;
	}
	litres = m->burn_lph * step_s / 3600;
	run->end_ns = season->now_ns;
	run->engine_h += step_s / 3600;
	run->neutral_h += e->gear == GEAR_NEUTRAL ? step_s / 3600 : 0;
	run->slow_h += e->rpm <= 1000 ? step_s / 3600 : 0;
	run->fuel_kg += e->burn_kgh * step_s / 3600;
	run->fuel_l += litres;
	run->missed_l += missed ? litres : 0;
	run->supply_l += m->supply_lph * step_s / 3600;
	run->max_lph = m->burn_lph > run->max_lph ? m->burn_lph : run->max_lph;
	if (e->since_s < 30 || e->feed_kpa < run->least_feed_kpa) {
		run->least_feed_kpa = e->feed_kpa;
	}
	run->max_coolant_c = e->coolant_c > run->max_coolant_c ? e->coolant_c : run->max_coolant_c;
	season->truth.engine_h[engine] += step_s / 3600;
	season->truth.fuel_l[engine] += litres;
	season->truth.fuel_kg[engine] += e->burn_kgh * step_s / 3600;
}

static void step_starving(struct scenario_season *season, unsigned engine, double step_s)
{
	struct scenario_machine *m = &season->machines[engine];
	const struct scenario_engine_state *e = &m->state;
	struct scenario_starving *record;

	if (!e->firing || e->since_s < 15 || e->feed_kpa >= ENGINE_STARVES_KPA) {
		m->starving = false;
		return;
	}
	if (!m->starving) {
		if (season->truth.starving_count == SEASON_STARVINGS_MAX) {
			return;
		}
		m->starving = true;
		m->starved = season->truth.starving_count++;
		season->starvings[m->starved] = (struct scenario_starving){
			.engine = engine,
			.start_ns = season->now_ns - (int64_t)llround(step_s * 1e9),
			.least_kpa = e->feed_kpa,
		};
	}
	record = &season->starvings[m->starved];
	record->end_ns = season->now_ns;
	record->least_kpa = e->feed_kpa < record->least_kpa ? e->feed_kpa : record->least_kpa;
}

static void step_trip(struct scenario_season *season, double step_s, double ground_nm)
{
	int64_t step_ns = (int64_t)llround(step_s * 1e9);
	double water_nm = fabs(season->hull.speed_ms) * step_s / 1852;
	bool active = false;
	struct scenario_trip *trip;

	season->moving_s = season->sea.ground_ms >= MOVING_MS ? season->moving_s + step_s : 0;
	for (unsigned i = 0; i < season->options.engines; i++) {
		active = active || season->machines[i].state.firing;
	}
	active = active || season->moving_s >= MOVING_S;
	season->truth.ground_nm += ground_nm;
	season->truth.water_nm += water_nm;
	if (active && !season->trip_open) {
		season->trip_open = true;
		season->trips[season->truth.trip_count++] = (struct scenario_trip){
			.start_ns = season->now_ns - step_ns,
		};
	}
	if (!season->trip_open) {
		return;
	}
	trip = &season->trips[season->truth.trip_count - 1];
	if (active) {
		season->trip_seen_ns = season->now_ns;
		trip->end_ns = season->now_ns;
	}
	trip->ground_nm += ground_nm;
	trip->water_nm += water_nm;
	for (unsigned i = 0; i < season->options.engines; i++) {
		const struct scenario_machine *m = &season->machines[i];

		if (m->state.firing) {
			trip->engine_h += step_s / 3600;
			trip->fuel_l += m->burn_lph * step_s / 3600;
		}
	}
	if (season->now_ns - season->trip_seen_ns > PAUSE_NS) {
		season->trip_open = false;
	}
}

void scenario_truth_step(
	struct scenario_season *season, double step_s, double ground_nm, bool missed)
{
	for (unsigned i = 0; i < season->options.engines; i++) {
		step_run(season, i, step_s, missed);
		step_starving(season, i, step_s);
	}
	step_trip(season, step_s, ground_nm);
	season->truth.tank_end_kg = season->tank.fuel_kg;
}

void scenario_truth_close(struct scenario_season *season)
{
	for (unsigned engine = 0; engine < season->options.engines; engine++) {
		for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
			struct scenario_filter_state *f = &season->machines[engine].filters[i];

			if (f->options != NULL && !season->elements[f->record].limit_in_service) {
				season->elements[f->record].limit_l =
					scenario_element_limit_l(&f->element, &f->media);
			}
		}
	}
}

/* ---- the sidecar file ---- */

struct json {
	FILE *out;
	unsigned depth;
	bool first; /* of its object or array */
};

static void json_begin_item(struct json *j, const char *name)
{
	(void)fprintf(j->out, "%s\n", j->first ? "" : ",");
	for (unsigned i = 0; i < j->depth; i++) {
		(void)fputc('\t', j->out);
	}
	if (name != NULL) {
		(void)fprintf(j->out, "\"%s\": ", name);
	}
	j->first = false;
}

static void json_open(struct json *j, const char *name, char bracket)
{
	json_begin_item(j, name);
	(void)fputc(bracket, j->out);
	j->depth++;
	j->first = true;
}

static void json_close(struct json *j, char bracket)
{
	bool empty = j->first;

	j->depth--;
	if (!empty) {
		(void)fputc('\n', j->out);
		for (unsigned i = 0; i < j->depth; i++) {
			(void)fputc('\t', j->out);
		}
	}
	(void)fputc(bracket, j->out);
	j->first = false;
}

static void json_number(struct json *j, const char *name, double value)
{
	json_begin_item(j, name);
	if (isfinite(value)) {
		(void)fprintf(j->out, "%.10g", value);
	} else {
		(void)fputs("null", j->out);
	}
}

static void json_count(struct json *j, const char *name, uint64_t value)
{
	json_begin_item(j, name);
	(void)fprintf(j->out, "%" PRIu64, value);
}

static void json_bool(struct json *j, const char *name, bool value)
{
	json_begin_item(j, name);
	(void)fputs(value ? "true" : "false", j->out);
}

static void json_text(struct json *j, const char *name, const char *value)
{
	json_begin_item(j, name);
	(void)fprintf(j->out, "\"%s\"", value);
}

/* ISO 8601 UTC with milliseconds. */
static void json_time(struct json *j, const char *name, int64_t t_ns)
{
	int64_t seconds = t_ns / 1000000000;
	int64_t days;
	int64_t era;
	int64_t in_era;
	int64_t year_in_era;
	int64_t day;
	int64_t month;

	if (t_ns == INT64_MAX) {
		json_begin_item(j, name);
		(void)fputs("null", j->out);
		return;
	}
	/* Civil date of a day number, by eras of 400 years that begin on 1 March. */
	days = seconds / 86400 + 719468;
	era = days / 146097;
	in_era = days % 146097;
	year_in_era = (in_era - in_era / 1460 + in_era / 36524 - in_era / 146096) / 365;
	day = in_era - (365 * year_in_era + year_in_era / 4 - year_in_era / 100);
	month = (5 * day + 2) / 153;
	day = day - (153 * month + 2) / 5 + 1;
	month = month < 10 ? month + 3 : month - 9;
	json_begin_item(j, name);
	(void)fprintf(j->out,
		"\"%04" PRId64 "-%02" PRId64 "-%02" PRId64 "T%02" PRId64 ":%02" PRId64 ":%02" PRId64
		".%03" PRId64 "Z\"",
		era * 400 + year_in_era + (month <= 2), month, day, seconds / 3600 % 24,
		seconds / 60 % 60, seconds % 60, t_ns / 1000000 % 1000);
}

static void write_runs(struct json *j, const struct scenario_truth *t)
{
	json_open(j, "runs", '[');
	for (size_t i = 0; i < t->run_count; i++) {
		const struct scenario_run *r = &t->runs[i];

		json_open(j, NULL, '{');
		json_count(j, "engine", r->engine);
		json_time(j, "start_utc", r->start_ns);
		json_time(j, "end_utc", r->end_ns);
		json_number(j, "engine_h", r->engine_h);
		json_number(j, "neutral_h", r->neutral_h);
		json_number(j, "slow_h", r->slow_h);
		json_number(j, "fuel_kg", r->fuel_kg);
		json_number(j, "fuel_l", r->fuel_l);
		json_number(j, "missed_l", r->missed_l);
		json_number(j, "supply_l", r->supply_l);
		json_number(j, "max_lph", r->max_lph);
		json_number(j, "max_coolant_c", r->max_coolant_c);
		json_number(j, "least_feed_kpa", r->least_feed_kpa);
		json_close(j, '}');
	}
	json_close(j, ']');
	json_open(j, "trips", '[');
	for (size_t i = 0; i < t->trip_count; i++) {
		const struct scenario_trip *r = &t->trips[i];

		json_open(j, NULL, '{');
		json_time(j, "start_utc", r->start_ns);
		json_time(j, "end_utc", r->end_ns);
		json_number(j, "ground_nm", r->ground_nm);
		json_number(j, "water_nm", r->water_nm);
		json_number(j, "engine_h", r->engine_h);
		json_number(j, "fuel_l", r->fuel_l);
		json_close(j, '}');
	}
	json_close(j, ']');
}

static void write_elements(struct json *j, const struct scenario_truth *t)
{
	json_open(j, "elements", '[');
	for (size_t i = 0; i < t->element_count; i++) {
		const struct scenario_element *e = &t->elements[i];

		json_open(j, NULL, '{');
		json_count(j, "engine", e->engine);
		json_text(j, "filter", e->filter == 0 ? "primary" : "secondary");
		json_count(j, "number", e->number);
		json_time(j, "fitted_utc", e->fitted_ns);
		json_time(j, "removed_utc", e->removed_ns);
		json_number(j, "engine_h", e->engine_h);
		json_number(j, "litres_through", e->litres_through);
		json_number(j, "dirt_l", e->dirt_l);
		json_number(j, "clean_kpa", e->clean_kpa);
		json_number(j, "reference_kpa", e->reference_kpa);
		json_number(j, "limit_kpa", e->limit_kpa);
		json_number(j, "limit_l", e->limit_l);
		json_number(j, "limit_h", e->limit_h);
		json_bool(j, "limit_in_service", e->limit_in_service);
		json_open(j, "course", '[');
		for (size_t p = 0; p < t->point_count; p++) {
			if (t->points[p].element == i) {
				json_open(j, NULL, '{');
				json_time(j, "utc", t->points[p].t_ns);
				json_number(j, "engine_h", t->points[p].engine_h);
				json_number(j, "litres_through", t->points[p].litres_through);
				json_number(j, "dirt_l", t->points[p].dirt_l);
				json_number(j, "reference_kpa", t->points[p].reference_kpa);
				json_close(j, '}');
			}
		}
		json_close(j, ']');
		json_close(j, '}');
	}
	json_close(j, ']');
}

static void write_happenings(struct json *j, const struct scenario_truth *t)
{
	json_open(j, "refuellings", '[');
	for (size_t i = 0; i < t->refuelling_count; i++) {
		const struct scenario_refuelling *r = &t->refuellings[i];

		json_open(j, NULL, '{');
		json_time(j, "start_utc", r->start_ns);
		json_time(j, "end_utc", r->end_ns);
		json_number(j, "litres", r->litres);
		json_number(j, "tank_before_l", r->tank_before_l);
		json_number(j, "tank_after_l", r->tank_after_l);
		json_number(j, "dirt_factor", r->dirt_factor);
		json_number(j, "water_l", r->water_l);
		json_close(j, '}');
	}
	json_close(j, ']');
	json_open(j, "faults", '[');
	for (size_t i = 0; i < t->onset_count; i++) {
		const struct scenario_onset *o = &t->onsets[i];

		json_open(j, NULL, '{');
		json_text(j, "kind", scenario_fault_name(o->kind));
		json_count(j, "engine", o->engine);
		json_text(j, "filter", o->filter == 0 ? "primary" : "secondary");
		json_time(j, "start_utc", o->start_ns);
		json_time(j, "full_utc", o->full_ns);
		json_number(j, "engine_h", o->engine_h);
		json_number(j, "size", o->size);
		json_close(j, '}');
	}
	json_close(j, ']');
	json_open(j, "water", '[');
	for (size_t i = 0; i < t->water_count; i++) {
		json_open(j, NULL, '{');
		json_count(j, "engine", t->waters[i].engine);
		json_time(j, "wet_utc", t->waters[i].wet_ns);
		json_time(j, "drained_utc", t->waters[i].drained_ns);
		json_close(j, '}');
	}
	json_close(j, ']');
	json_open(j, "starving", '[');
	for (size_t i = 0; i < t->starving_count; i++) {
		json_open(j, NULL, '{');
		json_count(j, "engine", t->starvings[i].engine);
		json_time(j, "start_utc", t->starvings[i].start_ns);
		json_time(j, "end_utc", t->starvings[i].end_ns);
		json_number(j, "least_kpa", t->starvings[i].least_kpa);
		json_close(j, '}');
	}
	json_close(j, ']');
	json_open(j, "sessions", '[');
	for (size_t i = 0; i < t->session_count; i++) {
		const struct scenario_session *s = &t->sessions[i];

		json_open(j, NULL, '{');
		json_time(j, "on_utc", s->on_ns);
		json_time(j, "off_utc", s->off_ns);
		json_number(j, "clock_offset_s", (double)s->clock_offset_ns / 1e9);
		json_time(j, "set_utc", s->set_ns);
		json_bool(j, "lost_power", s->lost_power);
		json_close(j, '}');
	}
	json_close(j, ']');
}

static void write_sums(struct json *j, const struct scenario_truth *t, unsigned engines)
{
	json_open(j, "engines", '[');
	for (unsigned i = 0; i < engines; i++) {
		json_open(j, NULL, '{');
		json_number(j, "engine_h", t->engine_h[i]);
		json_number(j, "fuel_l", t->fuel_l[i]);
		json_number(j, "fuel_kg", t->fuel_kg[i]);
		json_number(j, "reference_lph", t->reference_lph[i]);
		json_close(j, '}');
	}
	json_close(j, ']');
	json_number(j, "cruise_lph", t->cruise_lph);
	json_number(j, "tank_start_kg", t->tank_start_kg);
	json_number(j, "tank_end_kg", t->tank_end_kg);
	json_number(j, "refuelled_kg", t->refuelled_kg);
	json_number(j, "leaked_kg", t->leaked_kg);
	json_number(j, "ground_nm", t->ground_nm);
	json_number(j, "water_nm", t->water_nm);
	json_count(j, "frames_sent", t->frames_sent);
	json_count(j, "frames_lost", t->frames_lost);
	json_count(j, "frames_unheard", t->frames_unheard);
	json_count(j, "frames_reordered", t->frames_reordered);
	json_count(j, "frames_unknown", t->frames_unknown);
}

int scenario_truth_print(
	const struct scenario_truth *t, const struct scenario_options *o, FILE *out)
{
	struct json j = {.out = out, .depth = 1, .first = true};

	(void)fputc('{', out);
	json_text(&j, "about",
		"ground truth of an invented season: boat, people and waters do not exist");
	json_text(&j, "boat", "Sedge Wren");
	json_text(&j, "skipper", "Oona Tarrick");
	json_text(&j, "waters", "Hathe Sound");
	json_count(&j, "seed", o->seed);
	json_number(&j, "tank_l", o->tank_l);
	json_number(&j, "density_15_kgl", o->density_15_kgl);
	json_number(&j, "viscosity_40_mm2s", o->viscosity_40_mm2s);
	json_number(&j, "cruise_rpm", o->cruise_rpm);
	write_sums(&j, t, o->engines);
	write_runs(&j, t);
	write_elements(&j, t);
	write_happenings(&j, t);
	(void)fputs("\n}\n", out);
	return ferror(out) ? -EIO : 0;
}
