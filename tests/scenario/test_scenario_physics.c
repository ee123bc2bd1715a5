/* The model's physics against published rules and closed forms, and its faults against their sizes.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "replay/scenario_filter.h"
#include "replay/scenario_propulsion.h"
#include "replay/scenario_random.h"
#include "replay/scenario_season.h"

#define CRUISE 2050.0

static const struct scenario_wear new_boat;

/* ---- random numbers ---- */

static void the_generator_gives_its_published_numbers(void **state)
{
	/* xoshiro256** from the state 1, 2, 3, 4: the test vector that public implementations carry
	 * (from memory). */
	static const uint64_t expected[] = {11520, 0, 1509978240, UINT64_C(1215971899390074240)};
	struct scenario_random r = {.words = {1, 2, 3, 4}};

	(void)state;
	for (size_t i = 0; i < 4; i++) {
		assert_true(scenario_random_bits(&r) == expected[i]);
	}
}

static void wandering_values_have_their_spread_and_memory(void **state)
{
	static const double steps[] = {0.2, 3, 20};

	(void)state;
	for (size_t s = 0; s < 3; s++) {
		struct scenario_random r;
		struct scenario_wander w;
		double square = 0;
		double product = 0;
		double before;
		size_t count = 400000;

		scenario_random_init(&r, 7, s);
		scenario_wander_init(&w, 2, 10, &r);
		before = w.value;
		for (size_t i = 0; i < count; i++) {
			double now = scenario_wander_step(&w, steps[s], &r);

			square += now * now;
			product += now * before;
			before = now;
		}
		/* Deviation 2, and exp(-step / memory) from one step to the next. */
		assert_true(fabs(square / (double)count - 4) < 0.35);
		assert_true(fabs(product / square - exp(-steps[s] / 10)) < 0.01);
	}
}

/* ---- propulsion ---- */

static void power_follows_the_propeller_law(void **state)
{
	double low_kw;
	double high_kw;
	double off_kw;

	(void)state;
	/* P ∝ n³ (40 CFR 1042, appendix II, cycle E3: 63 % speed 25 % power). A displacement hull
	 * near its own wave asks for a little more. */
	for (double rpm = 1400; rpm <= 2800; rpm += 200) {
		(void)scenario_propulsion_steady_kgh(rpm, 1, &new_boat, &low_kw, NULL);
		(void)scenario_propulsion_steady_kgh(rpm + 100, 1, &new_boat, &high_kw, NULL);
		off_kw = 0.3 + 0.25 * rpm / 3000; /* alternator and pumps */
		double exponent =
			log((high_kw - off_kw) / (low_kw - off_kw)) / log((rpm + 100) / rpm);
		assert_true(exponent > 2.7 && exponent < 3.4);
	}
}

static void the_engine_can_carry_its_propeller_and_is_of_its_class(void **state)
{
	double kw;
	double ms;
	double cruise_lph;

	(void)state;
	(void)scenario_propulsion_steady_kgh(3000, 1, &new_boat, &kw, &ms);
	assert_true(kw > 0.8 * ENGINE_RATED_KW && kw <= 1.02 * ENGINE_RATED_KW);
	assert_true(ms * 3600 / 1852 > 6.5 && ms * 3600 / 1852 < 8);
	cruise_lph = scenario_propulsion_steady_kgh(CRUISE, 1, &new_boat, NULL, &ms) / 0.838;
	assert_true(cruise_lph > 1 && cruise_lph < 3);
	assert_true(ms * 3600 / 1852 > 5.5);
	/* Idle, with nothing to drive. */
	assert_true(
		scenario_propulsion_burn_kgh(0.3, ENGINE_IDLE_RPM, 85, &new_boat) / 0.838 < 0.7);
}

static void specific_consumption_is_what_boats_engines_have(void **state)
{
	(void)state;
	/* 0.325 to 0.450 lb/hp·h, 198 to 274 g/kWh: a public article on boat engines. From half
	 * load. */
	for (double rpm = 1400; rpm <= 3000; rpm += 100) {
		for (double load = 0.5; load <= 1.001; load += 0.1) {
			double kw = load * scenario_propulsion_most_kw(rpm);
			double grams =
				1000 * scenario_propulsion_burn_kgh(kw, rpm, 85, &new_boat) / kw;
			assert_true(grams > 198 && grams < 274);
		}
	}
	/* Cold it burns more, and with nothing to do it burns, so that g/kWh have no bound. */
	assert_true(scenario_propulsion_burn_kgh(5, 2000, 20, &new_boat) >
		    1.05 * scenario_propulsion_burn_kgh(5, 2000, 85, &new_boat));
}

static void fouling_raises_the_burn_at_cruise_by_its_size_and_costs_speed(void **state)
{
	static const double rises[] = {0.02, 0.05, 0.10};
	double clean_ms;
	double foul_ms;
	double clean = scenario_propulsion_steady_kgh(CRUISE, 1, &new_boat, NULL, &clean_ms);

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct scenario_wear wear = {0};

		scenario_propulsion_foul(CRUISE, 1, rises[i], &wear);
		double foul = scenario_propulsion_steady_kgh(CRUISE, 1, &wear, NULL, &foul_ms);
		assert_true(fabs(foul / clean - 1 - rises[i]) < 1e-4);
		assert_true(foul_ms < clean_ms);
	}
}

/* ---- filters ---- */

static struct scenario_media media_of(enum scenario_blocking blocking)
{
	struct scenario_filter filter = {
		.blocking = blocking,
		.clean_kpa = 4,
		.limit_kpa = 24,
		.life_l = 1000,
		.sensor_kind = SENSES_DIFFERENTIAL,
	};
	struct scenario_media media;

	scenario_media_init(&media, &filter, 25, 2.4, 0.82);
	return media;
}

static void each_law_is_its_closed_form_and_mixed_dirt_is_none_of_them(void **state)
{
	const struct scenario_fuel fuel = {.dynamic_mpas = 2.4, .density_kgl = 0.82};

	(void)state;
	for (int blocking = SCENARIO_MIXED; blocking <= SCENARIO_COMPRESSIBLE_CAKE; blocking++) {
		struct scenario_media media = media_of((enum scenario_blocking)blocking);
		struct scenario_element_state e;
		/* Of the medium alone: what is left of reference without the housing's 0.6 kPa. */
		double last = (24 - 0.6) / (4 - 0.6);
		double worst[4] = {0};

		scenario_element_new(&e, &media, 1);
		assert_true(fabs(scenario_element_reference_kpa(&e, &media) - 4) < 1e-9);
		while (e.litres < 1000) {
			scenario_element_pass(&e, &media, 2, 1, 25, &fuel);
			double part = e.litres / 1000;
			double ratio =
				(scenario_element_reference_kpa(&e, &media) - 0.6) / (4 - 0.6);
			/* Constant flow: complete P0/P = 1 − KV, standard √(P0/P) = 1 − KV/2,
			 * intermediate ln(P/P0) = KV, cake P/P0 = 1 + KV (Hermia's four laws). */
			double forms[4] = {
				1 / (1 - part * (1 - 1 / last)),
				1 / pow(1 - part * (1 - 1 / sqrt(last)), 2),
				pow(last, part),
				1 + part * (last - 1),
			};
			for (size_t i = 0; i < 4; i++) {
				double off = fabs(ratio / forms[i] - 1);
				worst[i] = off > worst[i] ? off : worst[i];
			}
		}
		assert_true(fabs(scenario_element_reference_kpa(&e, &media) - 24) < 0.35);
		for (int i = 0; i < 4; i++) {
			bool same = blocking == SCENARIO_COMPLETE + i;
			assert_true(same ? worst[i] < 0.02 : worst[i] > 0.02);
		}
	}
}

static void an_element_goes_on_to_its_limit_beyond_its_service(void **state)
{
	const struct scenario_fuel fuel = {.dynamic_mpas = 2.4, .density_kgl = 0.82};
	struct scenario_media media = media_of(SCENARIO_MIXED);
	struct scenario_element_state e;

	(void)state;
	scenario_element_new(&e, &media, 1);
	assert_true(fabs(scenario_element_limit_l(&e, &media) - 1000) < 5);
	/* Dirt of 10 times the usual for 50 L takes 450 L off its life. */
	for (unsigned i = 0; i < 50; i++) {
		scenario_element_pass(&e, &media, 1, 10, 25, &fuel);
	}
	assert_true(fabs(scenario_element_limit_l(&e, &media) - 550) < 25);
	/* Asking changed nothing. */
	assert_true(e.litres == 50);
	/* A tougher medium than any dirt can fill within 20 lives. */
	media.dirt_scale = 1e-9;
	assert_true(isnan(scenario_element_limit_l(&e, &media)));
}

static void restriction_follows_flow_viscosity_and_wax(void **state)
{
	struct scenario_fuel fuel = {.dynamic_mpas = 2.4, .density_kgl = 0.82};
	struct scenario_media media = media_of(SCENARIO_MIXED);
	struct scenario_element_state e;
	double reference;

	(void)state;
	scenario_element_new(&e, &media, 1);
	reference = scenario_element_loss_kpa(&e, &media, 25, &fuel);
	assert_true(fabs(reference - 4) < 1e-9);
	assert_true(scenario_element_loss_kpa(&e, &media, 0, &fuel) == 0);
	/* 3.4 kPa laminar, 0.6 kPa by the flow's square. */
	assert_true(fabs(scenario_element_loss_kpa(&e, &media, 12.5, &fuel) - 1.85) < 1e-9);
	fuel.dynamic_mpas = 4.8;
	assert_true(fabs(scenario_element_loss_kpa(&e, &media, 25, &fuel) - 7.4) < 1e-9);
	fuel.dynamic_mpas = 2.4;
	fuel.wax_k = 6;
	assert_true(scenario_element_loss_kpa(&e, &media, 25, &fuel) > 1.3 * reference);
	/* Wax stays on the element in the cold and goes when it is warm again. */
	for (unsigned i = 0; i < 20; i++) {
		scenario_element_pass(&e, &media, 1, 0, 25, &fuel);
	}
	fuel.wax_k = 0;
	double waxed = scenario_element_loss_kpa(&e, &media, 25, &fuel);
	assert_true(waxed > 1.2 * reference);
	assert_true(scenario_element_reference_kpa(&e, &media) < 1.001 * reference);
	for (unsigned i = 0; i < 60; i++) {
		scenario_element_pass(&e, &media, 1, 0, 25, &fuel);
	}
	assert_true(scenario_element_loss_kpa(&e, &media, 25, &fuel) < 1.02 * reference);
}

static void viscosity_and_density_are_those_of_diesel_fuel(void **state)
{
	struct scenario_options o;
	struct scenario_tank tank;
	struct scenario_random r;

	(void)state;
	scenario_options_init_clean(&o);
	scenario_random_init(&r, 1, 1);
	scenario_tank_init(&tank, &o, &r);
	/* EN 590: 2.00 to 4.50 mm²/s at 40 °C, 820 to 845 kg/m³ at 15 °C. */
	assert_true(o.viscosity_40_mm2s > 2 && o.viscosity_40_mm2s < 4.5);
	assert_true(scenario_tank_density_kgl(&tank, 15) == o.density_15_kgl);
	double forty = scenario_tank_fuel(&tank, 40).dynamic_mpas /
		       scenario_tank_fuel(&tank, 40).density_kgl;
	double twenty = scenario_tank_fuel(&tank, 20).dynamic_mpas /
			scenario_tank_fuel(&tank, 20).density_kgl;
	assert_true(fabs(forty - o.viscosity_40_mm2s) < 1e-9);
	/* 20 °C: half as much again (common practice, no source). */
	assert_true(twenty / forty > 1.4 && twenty / forty < 1.7);
	/* Volume: 0.84 ‰ a kelvin at 845 kg/m³ by the API tables, somewhat more when lighter. */
	double growth =
		scenario_tank_density_kgl(&tank, 15) / scenario_tank_density_kgl(&tank, 35) - 1;
	assert_true(growth / 20 > 0.00080 && growth / 20 < 0.00088);
	/* Strapping: empty, full, and less than half full at half height. */
	assert_true(scenario_tank_volume(0) == 0 && scenario_tank_volume(1) == 1);
	assert_true(scenario_tank_volume(0.5) < 0.45);
}

/* ---- faults, in whole seasons ---- */

static struct scenario_season season;

static struct scenario_options fault_season(enum scenario_fault_kind kind, double size)
{
	struct scenario_options o;

	scenario_options_init_clean(&o);
	o.days = 12;
	o.engine_h = 24;
	o.faults[0] = (struct scenario_fault){.kind = kind, .at = 0.5, .size = size};
	o.fault_count = 1;
	return o;
}

/* Means over warm, steady steps under engine, before the fault and after it. */
struct means {
	double rpm_share; /* standard deviation of speed about its setting, rpm */
	double burn; /* actual over what a clean warm engine would burn at this power's speed */
	double coolant_c;
	double exhaust_c;
	double feed_kpa;
	double count;
};

static void gather(struct means *m)
{
	const struct scenario_engine_state *e = &season.machines[0].state;
	double off = e->rpm - e->held_rpm;

	m->rpm_share += off * off;
	m->burn += e->burn_kgh /
		   scenario_propulsion_burn_kgh(e->brake_kw, e->rpm, e->coolant_c, &new_boat);
	m->coolant_c += e->coolant_c;
	m->exhaust_c += e->exhaust_c;
	m->feed_kpa += e->feed_kpa;
	m->count++;
}

static void finish_means(struct means *m)
{
	m->rpm_share = sqrt(m->rpm_share / m->count);
	m->burn /= m->count;
	m->coolant_c /= m->count;
	m->exhaust_c /= m->count;
	m->feed_kpa /= m->count;
}

static void run_fault(const struct scenario_options *o, struct means *before, struct means *after)
{
	memset(before, 0, sizeof(*before));
	memset(after, 0, sizeof(*after));
	assert_null(scenario_options_check(o));
	assert_int_equal(scenario_season_init(&season, o), 0);
	while (!season.over) {
		const struct scenario_engine_state *e = &season.machines[0].state;

		scenario_season_step(&season, false);
		if (e->firing && e->coolant_c > 76 &&
			scenario_season_leg(&season)->kind == LEG_MOTOR &&
			fabs(e->held_rpm - e->set_rpm) < 1) {
			gather(season.truth.onset_count > 0 ? after : before);
		}
	}
	finish_means(before);
	finish_means(after);
	assert_true(before->count > 10000 && after->count > 10000);
	assert_int_equal(season.truth.onset_count, 1);
	assert_true(season.onsets[0].kind == o->faults[0].kind);
	/* Fuel is taken when the chance comes; all else begins on the hour, looked at every 10 s.
	 */
	if (o->faults[0].kind != SCENARIO_FAULT_WET_FUEL &&
		o->faults[0].kind != SCENARIO_FAULT_BAD_FUEL) {
		assert_true(fabs(season.onsets[0].engine_h - 12) < 0.01);
	}
	scenario_season_finish(&season);
}

static void a_leaking_injector_burns_its_size_more_and_hotter(void **state)
{
	struct scenario_options o = fault_season(SCENARIO_FAULT_INJECTOR, 7);
	struct means before;
	struct means after;

	(void)state;
	run_fault(&o, &before, &after);
	assert_true(fabs(before.burn - 1) < 0.002);
	assert_true(fabs(after.burn - 1.07) < 0.002);
	assert_true(after.exhaust_c > before.exhaust_c + 5);
}

static void air_makes_the_engine_hunt_and_its_feed_sag(void **state)
{
	struct scenario_options o = fault_season(SCENARIO_FAULT_AIR, 0.6);
	struct means before;
	struct means after;

	(void)state;
	run_fault(&o, &before, &after);
	assert_true(before.rpm_share < 4);
	assert_true(after.rpm_share > 3 * before.rpm_share);
	assert_true(after.feed_kpa < before.feed_kpa - 10);
}

static void coolant_creeps_with_load(void **state)
{
	struct scenario_options o = fault_season(SCENARIO_FAULT_COOLANT_CREEP, 20);
	struct means before;
	struct means after;

	(void)state;
	run_fault(&o, &before, &after);
	/* 20 °C at full load; under way the load is some 0.4. */
	assert_true(
		after.coolant_c - before.coolant_c > 5 && after.coolant_c - before.coolant_c < 12);
}

static void a_blocked_filter_starves_the_engine(void **state)
{
	struct scenario_options o;
	double lowest_feed = 100;
	double most_sag = 0;

	(void)state;
	scenario_options_init_clean(&o);
	o.days = 12;
	o.engine_h = 40;
	o.engine[0].filters[0].change_at_limit = false;
	o.engine[0].filters[0].life_l = 200;
	assert_int_equal(scenario_season_init(&season, &o), 0);
	while (!season.over) {
		const struct scenario_engine_state *e = &season.machines[0].state;

		scenario_season_step(&season, false);
		if (scenario_season_leg(&season)->kind == LEG_MOTOR && e->firing) {
			lowest_feed = e->feed_kpa < lowest_feed ? e->feed_kpa : lowest_feed;
			most_sag = e->sag_rpm > most_sag ? e->sag_rpm : most_sag;
		}
	}
	assert_true(lowest_feed < 12 && most_sag > 100);
	assert_true(season.truth.starving_count > 0);
	assert_true(season.starvings[0].least_kpa < ENGINE_STARVES_KPA);
	assert_true(season.starvings[0].start_ns > season.runs[0].start_ns);
	assert_true(season.elements[0].limit_in_service);
	assert_true(season.elements[0].limit_l > 160 && season.elements[0].limit_l < 240);
	scenario_season_finish(&season);
}

static void a_dirty_load_shortens_the_elements_life_and_wet_fuel_wets_the_probe(void **state)
{
	struct scenario_options o = fault_season(SCENARIO_FAULT_BAD_FUEL, 40);

	(void)state;
	o.days = 24;
	o.engine_h = 50;
	o.faults[0].at = 0.2;
	o.faults[1] =
		(struct scenario_fault){.kind = SCENARIO_FAULT_WET_FUEL, .at = 0.2, .size = 0.6};
	o.fault_count = 2;
	assert_int_equal(scenario_season_init(&season, &o), 0);
	while (!season.over) {
		scenario_season_step(&season, false);
	}
	const struct scenario_truth *t = &season.truth;
	assert_int_equal(t->onset_count, 2);
	bool found = false;
	for (size_t i = 0; i < t->refuelling_count; i++) {
		if (t->refuellings[i].dirt_factor == 40) {
			found = true;
			assert_true(t->refuellings[i].water_l == 0.6);
			assert_true(t->refuellings[i].start_ns == t->onsets[0].start_ns);
			assert_true(fabs(t->refuellings[i].tank_after_l -
					    t->refuellings[i].tank_before_l -
					    t->refuellings[i].litres) < 1);
		}
	}
	assert_true(found);
	assert_true(t->elements[0].limit_l < 0.6 * o.engine[0].filters[0].life_l);
	assert_true(t->water_count >= 2);
	for (size_t i = 0; i < t->water_count; i++) {
		assert_true(t->waters[i].wet_ns > t->onsets[1].start_ns);
		if (t->waters[i].drained_ns < INT64_MAX) {
			double hours =
				(double)(t->waters[i].drained_ns - t->waters[i].wet_ns) / 3600e9;
			assert_true(hours >= o.drain_after_h);
		}
	}
	scenario_season_finish(&season);
}

static void elements_are_changed_when_asked_and_keep_their_course(void **state)
{
	struct scenario_options o;

	(void)state;
	scenario_options_init_clean(&o);
	o.days = 12;
	o.engine_h = 24;
	o.changes[0] = (struct scenario_change){.filter = 1, .at = 0.5};
	o.change_count = 1;
	assert_int_equal(scenario_season_init(&season, &o), 0);
	while (!season.over) {
		scenario_season_step(&season, false);
	}
	const struct scenario_truth *t = &season.truth;
	assert_int_equal(t->starving_count, 0);
	assert_int_equal(t->element_count, 3);
	assert_int_equal(t->elements[2].filter, 1);
	assert_int_equal(t->elements[2].number, 2);
	assert_true(t->elements[1].removed_ns == t->elements[2].fitted_ns);
	assert_true(t->elements[0].removed_ns == INT64_MAX);
	assert_true(t->elements[1].engine_h >= 12);
	double sum_l = t->elements[1].litres_through + t->elements[2].litres_through;
	assert_true(fabs(sum_l - t->elements[0].litres_through) < 1e-6);
	double supply_l = 0;
	for (size_t i = 0; i < t->run_count; i++) {
		supply_l += t->runs[i].supply_l;
	}
	/* What went through while no run was open: the starter turning the pump. */
	assert_true(sum_l - supply_l >= 0 && sum_l - supply_l < 0.001 * supply_l);
	double last = 0;
	size_t points = 0;
	for (size_t i = 0; i < t->point_count; i++) {
		if (t->points[i].element == 0) {
			assert_true(t->points[i].reference_kpa >= last - 1e-9);
			last = t->points[i].reference_kpa;
			points++;
		}
	}
	assert_true(points >= 24 && points <= 26);
	scenario_season_finish(&season);
}

static void a_drifting_sensor_a_stuck_sender_and_a_leak_have_their_sizes(void **state)
{
	struct scenario_options o = fault_season(SCENARIO_FAULT_SENSOR_DRIFT, 8);
	double level_pct = NAN;

	(void)state;
	o.faults[1] = (struct scenario_fault){.kind = SCENARIO_FAULT_TANK_STUCK, .at = 0.5};
	o.faults[2] =
		(struct scenario_fault){.kind = SCENARIO_FAULT_TANK_LEAK, .at = 0.5, .size = 0.3};
	o.fault_count = 3;
	assert_int_equal(scenario_season_init(&season, &o), 0);
	while (!season.over) {
		scenario_season_step(&season, false);
		if (season.truth.onset_count == 3) {
			level_pct = isnan(level_pct) ? season.tank.level_pct : level_pct;
			assert_true(season.tank.level_pct == level_pct);
		}
	}
	/* 8 kPa in 100 hours, from 12 h on. */
	double hours = season.machines[0].hours - season.onsets[0].engine_h;
	assert_true(fabs(season.machines[0].filters[0].drift_kpa - 0.08 * hours) < 0.01);
	double days = (double)(season.now_ns - season.onsets[2].start_ns) / 86400e9;
	assert_true(fabs(season.truth.leaked_kg - 0.3 * 24 * days * o.density_15_kgl) < 0.1);
	scenario_season_finish(&season);
}

static void the_sender_tells_volume_or_height(void **state)
{
	struct scenario_options o;

	(void)state;
	for (int by_height = 0; by_height < 2; by_height++) {
		double worst = 0;

		scenario_options_init_clean(&o);
		o.days = 12;
		o.engine_h = 24;
		o.tank_by_height = by_height == 1;
		assert_int_equal(scenario_season_init(&season, &o), 0);
		while (!season.over) {
			scenario_season_step(&season, false);
			if (scenario_season_leg(&season)->kind == LEG_ASLEEP) {
				double seen = season.tank.level_pct / 100;
				double volume = by_height ? scenario_tank_volume(seen) : seen;
				double off = fabs(volume - scenario_tank_share(&season.tank));

				worst = off > worst ? off : worst;
			}
		}
		/* In harbour: its own bend of 0.8 %, a rest of swell. */
		assert_true(worst > 0.004 && worst < 0.025);
		scenario_season_finish(&season);
	}
}

static void sludge_brings_its_dirt_in_two_minutes_and_loads_differ_when_told(void **state)
{
	struct scenario_options o = fault_season(SCENARIO_FAULT_SLUDGE, 0.25);
	const struct scenario_element_state *e = &season.machines[0].filters[0].element;
	double dirt_before = NAN;
	double litres_before = 0;
	int64_t told_ns = INT64_MAX;

	(void)state;
	o.load_dirt_sd = 0.3;
	/* A drop of water, so that fuel is taken at all. */
	o.faults[1] =
		(struct scenario_fault){.kind = SCENARIO_FAULT_WET_FUEL, .at = 0.1, .size = 0.001};
	o.fault_count = 2;
	assert_int_equal(scenario_season_init(&season, &o), 0);
	while (!season.over && season.now_ns < told_ns) {
		scenario_season_step(&season, false);
		if (season.faults[0].sludge_left_l > 0 && isnan(dirt_before)) {
			assert_true(season.machines[0].state.since_s > 1800);
			/* The first twelfth is in. */
			dirt_before = e->dirt - season.machines[0].filters[0].media.life_l / 48;
			litres_before = e->litres;
			told_ns = season.now_ns + INT64_C(150000000000);
		}
	}
	double came_l = e->dirt - dirt_before;
	double usual_l = 2 * (e->litres - litres_before);
	double sludge_l = 0.25 * season.machines[0].filters[0].media.life_l;
	assert_true(came_l > 0.999 * sludge_l && came_l < sludge_l + usual_l + 1);
	while (!season.over) {
		scenario_season_step(&season, false);
	}
	double product = 1;
	for (size_t i = 0; i < season.truth.refuelling_count; i++) {
		assert_true(season.refuellings[i].dirt_factor > 0.3);
		product *= season.refuellings[i].dirt_factor;
	}
	assert_true(season.truth.refuelling_count > 0 && product != 1);
	scenario_season_finish(&season);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_generator_gives_its_published_numbers),
		cmocka_unit_test(wandering_values_have_their_spread_and_memory),
		cmocka_unit_test(power_follows_the_propeller_law),
		cmocka_unit_test(the_engine_can_carry_its_propeller_and_is_of_its_class),
		cmocka_unit_test(specific_consumption_is_what_boats_engines_have),
		cmocka_unit_test(fouling_raises_the_burn_at_cruise_by_its_size_and_costs_speed),
		cmocka_unit_test(each_law_is_its_closed_form_and_mixed_dirt_is_none_of_them),
		cmocka_unit_test(an_element_goes_on_to_its_limit_beyond_its_service),
		cmocka_unit_test(restriction_follows_flow_viscosity_and_wax),
		cmocka_unit_test(viscosity_and_density_are_those_of_diesel_fuel),
		cmocka_unit_test(a_leaking_injector_burns_its_size_more_and_hotter),
		cmocka_unit_test(air_makes_the_engine_hunt_and_its_feed_sag),
		cmocka_unit_test(coolant_creeps_with_load),
		cmocka_unit_test(a_blocked_filter_starves_the_engine),
		cmocka_unit_test(
			a_dirty_load_shortens_the_elements_life_and_wet_fuel_wets_the_probe),
		cmocka_unit_test(sludge_brings_its_dirt_in_two_minutes_and_loads_differ_when_told),
		cmocka_unit_test(a_drifting_sensor_a_stuck_sender_and_a_leak_have_their_sizes),
		cmocka_unit_test(the_sender_tells_volume_or_height),
		cmocka_unit_test(elements_are_changed_when_asked_and_keep_their_course),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
