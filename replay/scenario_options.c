#include <math.h>
#include <string.h>

#include "replay/scenario.h"
#include "replay/scenario_propulsion.h"

#define CALENDAR_NS (INT64_C(1893456000) * 1000000000) /* 2030-01-01 */
#define DEMO_NS	    (INT64_C(1747008000) * 1000000000) /* 2025-05-12 */

void scenario_options_init_clean(struct scenario_options *options)
{
	*options = (struct scenario_options){
		.seed = 1,
		.protocol = SCENARIO_NMEA2000,
		.start_ns = DEMO_NS,
		.days = 45,
		.engine_h = 64,
		.engines = 1,
		.engine_ms = 500,
		.instrument_ms = 5000,
		.step_ms = 200,
		.motoring_share = 0.8,
		.cruise_rpm = 2050,
		.sea_c = 17,
		.air_c = 20,
		.cloud_point_c = -4,
		.wind_kn = 11,
		.tank_l = 190,
		.density_15_kgl = 0.838,
		.viscosity_40_mm2s = 2.9,
		.counters = SCENARIO_COUNTERS_COARSE,
		.counter_start_h = 2118.4,
		.counter_start_l = 5231.5,
		.drain_after_h = 12,
		.disturb = {.silent_at_key_off = true},
	};
	for (unsigned i = 0; i < SCENARIO_ENGINES_MAX; i++) {
		struct scenario_engine *e = &options->engine[i];

		e->supply = SUPPLY_PUMP;
		e->pump_lph = 34;
		e->pump_rpm = 2600;
		e->filters[0] = (struct scenario_filter){
			.present = true,
			.blocking = SCENARIO_MIXED,
			.micron = 10,
			.rated_lph = 110,
			.clean_kpa = 3.5,
			.limit_kpa = 20,
			.life_l = 3600,
			.change_at_limit = true,
			.sensor = SENSOR_PRESSURE,
			.sensor_kind = SENSES_OUTLET_VACUUM,
			.pressure_instance = 1 + 2 * i,
			.zero_kpa = 0.4,
			.noise_kpa = 0.15,
			.lag_s = 1.5,
		};
		e->filters[1] = (struct scenario_filter){
			.present = true,
			.blocking = SCENARIO_INTERMEDIATE,
			.micron = 2,
			.rated_lph = 80,
			.clean_kpa = 7,
			.limit_kpa = 28,
			.life_l = 9000,
			.change_at_limit = true,
			.sensor = SENSOR_PRESSURE,
			.sensor_kind = SENSES_DIFFERENTIAL,
			.pressure_instance = 2 + 2 * i,
			.zero_kpa = -0.3,
			.noise_kpa = 0.2,
			.lag_s = 1.5,
		};
	}
}

void scenario_options_rough(struct scenario_options *options)
{
	options->disturb = (struct scenario_disturbance){
		.loss = 0.05,
		.reorder = 0.01,
		.second_sender = true,
		.hollow_sender = true,
		.mirror = true,
		.dropout_per_h = 1,
		.dropout_mean_s = 60,
		.rate_dropout_per_h = 0.5,
		.rate_dropout_mean_s = 60,
		.power_cycles = 4,
		.power_cycle_mean_s = 180,
		.clock = SCENARIO_CLOCK_EPOCH,
		.clock_set_after_s = 90,
		.silent_at_key_off = true,
		.wrong_codes = true,
		.unknown_share = 0.2,
	};
}

void scenario_options_init(struct scenario_options *options)
{
	static const struct scenario_fault faults[] = {
		{.kind = SCENARIO_FAULT_BAD_FUEL, .at = 0.34, .size = 32},
		{.kind = SCENARIO_FAULT_WET_FUEL, .at = 0.34, .size = 0.35},
		{.kind = SCENARIO_FAULT_FOULING, .at = 0.55, .size = 8, .over_h = 18},
	};

	scenario_options_init_clean(options);
	memcpy(options->faults, faults, sizeof(faults));
	options->fault_count = sizeof(faults) / sizeof(faults[0]);
}

static bool within(double value, double low, double high)
{
	return value >= low && value <= high;
}

static const char *check_filter(const struct scenario_options *o, const struct scenario_filter *f)
{
	bool j1939 = f->sensor == SENSOR_SPN95 || f->sensor == SENSOR_SPN1382 ||
		     f->sensor == SENSOR_SPN1381;

	if (!within(f->clean_kpa, 0.1, 100) || !within(f->limit_kpa, 1.5 * f->clean_kpa, 400)) {
		return "filter: clean_kpa or limit_kpa";
	}
	if (!within(f->life_l, 1, 1e6)) {
		return "filter: life_l";
	}
	if (!within(f->lag_s, 0.01, 60) || !within(f->noise_kpa, 0, 50) ||
		!within(f->zero_kpa, -20, 20)) {
		return "filter: lag_s, noise_kpa or zero_kpa";
	}
	if ((unsigned)f->blocking > SCENARIO_COMPRESSIBLE_CAKE) {
		return "filter: blocking";
	}
	if ((o->protocol == SCENARIO_NMEA2000 && j1939) ||
		(o->protocol == SCENARIO_J1939 && f->sensor == SENSOR_PRESSURE)) {
		return "filter: sensor, which no message of this protocol carries";
	}
	if (f->pressure_instance > 252) {
		return "filter: pressure_instance";
	}
	return NULL;
}

static const char *check_faults(const struct scenario_options *o)
{
	static const double most[SCENARIO_FAULT_KINDS] = {
		[SCENARIO_FAULT_BAD_FUEL] = 1000,
		[SCENARIO_FAULT_WET_FUEL] = 20,
		[SCENARIO_FAULT_FOULING] = 30,
		[SCENARIO_FAULT_INJECTOR] = 50,
		[SCENARIO_FAULT_AIR] = 1,
		[SCENARIO_FAULT_SENSOR_DRIFT] = 100,
		[SCENARIO_FAULT_SENSOR_DEAD] = SCENARIO_DEATH_FROZEN,
		[SCENARIO_FAULT_COOLANT_CREEP] = 60,
		[SCENARIO_FAULT_TANK_LEAK] = 50,
		[SCENARIO_FAULT_TANK_STUCK] = 1e9,
		[SCENARIO_FAULT_SLUDGE] = 1,
	};

	if (o->fault_count > SCENARIO_FAULTS_MAX) {
		return "fault_count";
	}
	if (o->change_count > SCENARIO_CHANGES_MAX) {
		return "change_count";
	}
	for (size_t i = 0; i < o->fault_count; i++) {
		const struct scenario_fault *f = &o->faults[i];
		double least = f->kind == SCENARIO_FAULT_SENSOR_DRIFT ? -100 : 0;

		if ((unsigned)f->kind >= SCENARIO_FAULT_KINDS || f->engine >= o->engines ||
			f->filter >= SCENARIO_FILTERS_MAX) {
			return "fault: kind, engine or filter";
		}
		if ((f->kind == SCENARIO_FAULT_SENSOR_DRIFT ||
			    f->kind == SCENARIO_FAULT_SENSOR_DEAD) &&
			!o->engine[f->engine].filters[f->filter].present) {
			return "fault: of a filter that is not present";
		}
		if (!within(f->at, 0, 1) || !within(f->over_h, 0, 1e6) ||
			!within(f->size, least, most[f->kind])) {
			return "fault: at, size or over_h";
		}
	}
	for (size_t i = 0; i < o->change_count; i++) {
		const struct scenario_change *c = &o->changes[i];

		if (c->engine >= o->engines || c->filter >= SCENARIO_FILTERS_MAX ||
			!within(c->at, 0, 1)) {
			return "change";
		}
	}
	return NULL;
}

static const char *check_disturbance(const struct scenario_disturbance *d)
{
	if (!within(d->loss, 0, 0.9) || !within(d->loss_burst, 0, 1000)) {
		return "loss or loss_burst";
	}
	if (!within(d->reorder, 0, 0.5)) {
		return "reorder";
	}
	if (!within(d->dropout_per_h, 0, 100) || !within(d->rate_dropout_per_h, 0, 100) ||
		!within(d->dropout_mean_s, d->dropout_per_h > 0 ? 0.1 : 0, 1e5) ||
		!within(d->rate_dropout_mean_s, d->rate_dropout_per_h > 0 ? 0.1 : 0, 1e5)) {
		return "dropout";
	}
	if (d->power_cycles > 1000 || !within(d->power_cycle_mean_s, 0, 1e5)) {
		return "power_cycles or power_cycle_mean_s";
	}
	if ((unsigned)d->clock > SCENARIO_CLOCK_EPOCH || !within(d->clock_set_after_s, 0, 1e5)) {
		return "clock or clock_set_after_s";
	}
	if (!within(d->unknown_share, 0, 0.9)) {
		return "unknown_share";
	}
	return NULL;
}

static const char *check_boat(const struct scenario_options *o)
{
	if (o->engines < 1 || o->engines > SCENARIO_ENGINES_MAX) {
		return "engines";
	}
	if ((unsigned)o->protocol > SCENARIO_BOTH) {
		return "protocol";
	}
	if ((unsigned)o->counters > SCENARIO_COUNTERS_FINE || !within(o->counter_start_h, 0, 1e5) ||
		!within(o->counter_start_l, 0, 1e6)) {
		return "counters, counter_start_h or counter_start_l";
	}
	/* The longest day at full speed must not empty it. */
	if (!within(o->tank_l, 150.0 * o->engines, 20000)) {
		return "tank_l";
	}
	if (!within(o->load_dirt_sd, 0, 1)) {
		return "load_dirt_sd";
	}
	if (!within(o->density_15_kgl, 0.78, 0.9) || !within(o->viscosity_40_mm2s, 1, 8)) {
		return "density_15_kgl or viscosity_40_mm2s";
	}
	for (unsigned i = 0; i < o->engines; i++) {
		const struct scenario_engine *e = &o->engine[i];

		if (e->supply == SUPPLY_PUMP &&
			(!within(e->pump_lph, 5, 1000) || !within(e->pump_rpm, 500, 6000))) {
			return "engine: pump_lph or pump_rpm";
		}
		for (unsigned f = 0; f < SCENARIO_FILTERS_MAX; f++) {
			const char *wrong =
				e->filters[f].present ? check_filter(o, &e->filters[f]) : NULL;

			if (wrong != NULL) {
				return wrong;
			}
		}
	}
	return NULL;
}

const char *scenario_options_check(const struct scenario_options *o)
{
	const char *wrong;

	if (o->days < 1 || o->days > 400) {
		return "days";
	}
	if (!within(o->engine_h, 1, 5400)) {
		return "engine_h";
	}
	if (o->start_ns < 0 || o->start_ns > CALENDAR_NS * 2) {
		return "start_ns";
	}
	if (o->engine_ms < 20 || o->engine_ms > 2000 || o->instrument_ms < 20 ||
		o->instrument_ms > 10000) {
		return "engine_ms or instrument_ms";
	}
	if (o->step_ms < 20 || o->step_ms > 1000) {
		return "step_ms";
	}
	if (!within(o->motoring_share, 0, 1) || !within(o->cruise_rpm, 1400, 2800)) {
		return "motoring_share or cruise_rpm";
	}
	if (!within(o->sea_c, -1, 34) || !within(o->air_c, -10, 45) || !within(o->wind_kn, 0, 35) ||
		!within(o->cloud_point_c, -40, 15)) {
		return "sea_c, air_c, wind_kn or cloud_point_c";
	}
	if (!within(o->drain_after_h, 0, 1e5)) {
		return "drain_after_h";
	}
	wrong = check_boat(o);
	wrong = wrong != NULL ? wrong : check_faults(o);
	return wrong != NULL ? wrong : check_disturbance(&o->disturb);
}

double scenario_cruise_lph(const struct scenario_options *options)
{
	const struct scenario_wear none = {0};

	return scenario_propulsion_steady_kgh(
		       options->cruise_rpm, options->engines, &none, NULL, NULL) /
	       options->density_15_kgl;
}

double scenario_reference_lph(const struct scenario_options *options, unsigned engine)
{
	const struct scenario_engine *e = &options->engine[engine];

	return e->supply == SUPPLY_PUMP ? e->pump_lph * options->cruise_rpm / e->pump_rpm
					: scenario_cruise_lph(options);
}

void scenario_boat(const struct scenario_options *options, struct boat *ret_boat)
{
	static const char *const names[] = {"primary", "secondary"};

	boat_init(ret_boat);
	(void)strncpy(ret_boat->name, "Sedge Wren", sizeof(ret_boat->name) - 1);
	ret_boat->fuel_density_kgl = options->density_15_kgl;
	ret_boat->filter_count = 0;
	for (unsigned i = 0; i < options->engines; i++) {
		const struct scenario_engine *e = &options->engine[i];

		ret_boat->engines[i].present = true;
		ret_boat->engines[i].supply = e->supply;
		ret_boat->engines[i].pump_lph = e->pump_lph;
		ret_boat->engines[i].pump_rpm = e->pump_rpm;
		for (unsigned f = 0; f < SCENARIO_FILTERS_MAX; f++) {
			const struct scenario_filter *from = &e->filters[f];
			struct boat_filter *to = &ret_boat->filters[ret_boat->filter_count];

			if (!from->present) {
				continue;
			}
			ret_boat->filter_count++;
			*to = (struct boat_filter){
				.engine = i,
				.micron = from->micron,
				.rated_lph = from->rated_lph,
				.sensor = from->sensor,
				.pressure_instance = from->pressure_instance,
				.sensor_kind = from->sensor_kind,
				.limit_kpa = from->limit_kpa,
				.reference_lph = scenario_reference_lph(options, i),
				.change_h = NAN,
				.change_l = NAN,
				.change_months = NAN,
				.has_fitted = true,
				.fitted_ns = options->start_ns,
			};
			(void)snprintf(to->name, sizeof(to->name), "%s%s", names[f],
				i == 0 ? "" : " starboard");
			(void)snprintf(to->stage, sizeof(to->stage), "%s", names[f]);
			(void)snprintf(to->element, sizeof(to->element), "%g micron", from->micron);
		}
	}
	ret_boat->tanks[0].present = true;
	ret_boat->tanks[0].capacity_l = options->tank_l;
}
