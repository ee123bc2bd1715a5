/* Boats, uses, climates and faults drawn by a number, for statistics over many seasons. */
#include <math.h>

#include "replay/scenario.h"
#include "replay/scenario_random.h"

static unsigned draw(struct scenario_random *r, unsigned count)
{
	return (unsigned)(scenario_random_bits(r) % count);
}

static void vary_sensor(struct scenario_filter *f, bool primary, enum scenario_protocol protocol,
	struct scenario_random *r)
{
	unsigned lot = draw(r, 3);

	if (protocol == SCENARIO_NMEA2000 || (protocol == SCENARIO_BOTH && lot == 0)) {
		f->sensor = SENSOR_PRESSURE;
		f->sensor_kind =
			primary && draw(r, 2) == 0 ? SENSES_OUTLET_VACUUM : SENSES_DIFFERENTIAL;
		f->noise_kpa = scenario_random_between(r, 0.05, 0.3);
	} else {
		f->sensor = !primary ? SENSOR_SPN95 : lot == 1 ? SENSOR_SPN1381 : SENSOR_SPN1382;
		f->sensor_kind =
			f->sensor == SENSOR_SPN1381 ? SENSES_OUTLET_VACUUM : SENSES_DIFFERENTIAL;
		f->noise_kpa = scenario_random_between(r, 0.2, 0.6);
	}
	f->zero_kpa = scenario_random_between(r, -0.8, 0.8);
	f->lag_s = scenario_random_between(r, 0.5, 3);
}

static void vary_engine(struct scenario_options *o, struct scenario_random *r)
{
	struct scenario_engine *e = &o->engine[0];
	double supply_lph;

	e->supply = draw(r, 4) == 0 ? SUPPLY_BURN : SUPPLY_PUMP;
	e->pump_lph = scenario_random_between(r, 20, 60);
	supply_lph = scenario_reference_lph(o, 0);
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		struct scenario_filter *f = &e->filters[i];

		f->blocking = (enum scenario_blocking)draw(r, SCENARIO_COMPRESSIBLE_CAKE + 1);
		vary_sensor(f, i == 0, o->protocol, r);
		/* A J1939 code is 2 kPa: such sensors belong to higher restrictions. */
		f->clean_kpa = i == 0 ? scenario_random_between(r, 2, 4.5)
				      : scenario_random_between(r, 4, 8);
		f->limit_kpa = i == 0 ? scenario_random_between(r, 14, 22)
				      : scenario_random_between(r, 20, 30);
		/* From a third of the season to three of it. */
		f->life_l = supply_lph * o->engine_h * 0.75 *
			    exp(scenario_random_between(r, log(0.33), log(i == 0 ? 1.6 : 3)));
	}
}

void scenario_options_vary(struct scenario_options *options, uint64_t number)
{
	struct scenario_random r;
	struct scenario_options *o = options;

	scenario_options_init_clean(o);
	scenario_random_init(&r, number, 7);
	o->seed = number;
	o->engine_h = scenario_random_between(&r, 60, 220);
	/* From a cruise of hours a day to a liveaboard's now and then. */
	o->days = (unsigned)ceil(o->engine_h / scenario_random_between(&r, 0.8, 3.2));
	o->protocol = (enum scenario_protocol)draw(&r, 3);
	o->motoring_share = scenario_random_between(&r, 0.55, 1);
	o->cruise_rpm = scenario_random_between(&r, 1750, 2350);
	o->sea_c = scenario_random_between(&r, 4, 30);
	o->air_c = o->sea_c + scenario_random_between(&r, -1, 6);
	o->cloud_point_c = scenario_random_between(&r, -8, 4);
	o->wind_kn = scenario_random_between(&r, 5, 16);
	o->tank_l = scenario_random_between(&r, 160, 500);
	o->tank_by_height = draw(&r, 4) == 0;
	o->density_15_kgl = scenario_random_between(&r, 0.82, 0.845);
	o->viscosity_40_mm2s = scenario_random_between(&r, 2.2, 3.8);
	o->counters = (enum scenario_counters)draw(&r, 3);
	o->counter_start_h = scenario_random_between(&r, 50, 6000);
	o->counter_start_l = 2.2 * o->counter_start_h;
	o->engine_ms = 500;
	o->instrument_ms = 5000;
	o->disturb.silent_at_key_off = draw(&r, 2) == 0;
	vary_engine(o, &r);
}

void scenario_options_vary_fault(
	struct scenario_options *options, uint64_t number, enum scenario_fault_kind kind)
{
	struct scenario_random r;
	struct scenario_fault fault = {.kind = kind};

	scenario_options_vary(options, number);
	scenario_random_init(&r, number, 8);
	fault.at = scenario_random_between(&r, 0.3, 0.6);
	switch (kind) {
	case SCENARIO_FAULT_BAD_FUEL:
		fault.size = scenario_random_between(&r, 8, 40);
		break;
	case SCENARIO_FAULT_WET_FUEL:
		fault.size = scenario_random_between(&r, 0.3, 2);
		break;
	case SCENARIO_FAULT_FOULING:
		fault.size = scenario_random_between(&r, 2, 10);
		fault.over_h = scenario_random_between(&r, 5, 30);
		break;
	case SCENARIO_FAULT_INJECTOR:
		fault.size = scenario_random_between(&r, 3, 10);
		fault.over_h = draw(&r, 2) == 0 ? 0 : 5;
		break;
	case SCENARIO_FAULT_AIR:
		fault.size = scenario_random_between(&r, 0.4, 1);
		fault.over_h = 2;
		break;
	case SCENARIO_FAULT_SENSOR_DRIFT:
		fault.size = scenario_random_between(&r, 3, 12) * (draw(&r, 2) == 0 ? -1 : 1);
		break;
	case SCENARIO_FAULT_SENSOR_DEAD:
		fault.size = draw(&r, SCENARIO_DEATH_FROZEN + 1);
		break;
	case SCENARIO_FAULT_COOLANT_CREEP:
		fault.size = scenario_random_between(&r, 15, 40);
		fault.over_h = scenario_random_between(&r, 5, 30);
		break;
	case SCENARIO_FAULT_TANK_LEAK:
		fault.size = scenario_random_between(&r, 0.1, 1);
		break;
	case SCENARIO_FAULT_SLUDGE:
		fault.size = scenario_random_between(&r, 0.1, 0.5);
		break;
	case SCENARIO_FAULT_TANK_STUCK:
	case SCENARIO_FAULT_KINDS:
		break;
	}
	options->faults[0] = fault;
	options->fault_count = 1;
}
