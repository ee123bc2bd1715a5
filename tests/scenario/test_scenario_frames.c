/* What the frames say, decoded, against the model that they come from; and each disturbance. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "decoded.h"
#include "replay/scenario_season.h"

#define NS INT64_C(1000000000)

static struct decoded decoded; /* large */

static struct scenario_options short_season(enum scenario_protocol protocol)
{
	struct scenario_options o;

	scenario_options_init_clean(&o);
	o.protocol = protocol;
	o.days = 4;
	o.engine_h = 6;
	o.engine_ms = 1000;
	if (protocol == SCENARIO_J1939) {
		o.engine[0].filters[0].sensor = SENSOR_SPN1382;
		o.engine[0].filters[0].sensor_kind = SENSES_DIFFERENTIAL;
		o.engine[0].filters[1].sensor = SENSOR_SPN95;
	}
	return o;
}

/* ---- values ---- */

struct beside {
	struct scenario_season season; /* stepped beside the frames */
	uint64_t compared[SIGNAL_COUNT];
};

static void expect(struct beside *b, const struct observation *o, double value, double noise)
{
	double most = o->resolution / 2 + noise + 1e-9;

	if (fabs(o->value - value) > most) {
		print_error("%s: decoded %g, model %g, may differ by %g\n",
			signal_get((enum signal_id)o->signal)->name, o->value, value, most);
		fail();
	}
	b->compared[o->signal]++;
}

static void compare_with_model(void *context, const struct observation *o)
{
	struct beside *b = context;
	const struct scenario_machine *m = &b->season.machines[0];

	/* A message over several frames was made when its first frame was sent: single frames only.
	 */
	while (b->season.now_ns <= o->t_ns && !b->season.over) {
		scenario_season_step(&b->season, false);
	}
	if (o->state != READING_VALID) {
		return;
	}
	switch (o->signal) {
	case SIGNAL_ENGINE_SPEED:
		expect(b, o, m->state.rpm, 0);
		break;
	case SIGNAL_GEAR:
		expect(b, o, m->state.gear, 0);
		break;
	case SIGNAL_FUEL_RATE:
		if (o->resolution < 0.09) {
			expect(b, o, m->burn_lph, 0);
		}
		break;
	case SIGNAL_ENGINE_LOAD:
		if (b->season.options.protocol == SCENARIO_J1939) {
			expect(b, o, 100 * m->state.load, 0);
		}
		break;
	case SIGNAL_FUEL_TEMPERATURE:
		expect(b, o, m->fuel_c, 0);
		break;
	case SIGNAL_TANK_LEVEL:
	case SIGNAL_FUEL_LEVEL_1:
		expect(b, o, b->season.tank.level_pct, 0);
		break;
	case SIGNAL_BATTERY_VOLTAGE:
		expect(b, o, b->season.battery_v, 0);
		break;
	case SIGNAL_BATTERY_CURRENT:
		expect(b, o, b->season.battery_a, 0);
		break;
	case SIGNAL_SEA_TEMPERATURE:
		expect(b, o, b->season.sea.sea_c, 0);
		break;
	case SIGNAL_PRESSURE:
		/* 8: fuel, an outlet's vacuum; noise within six deviations and the module's step.
		 */
		if (o->instance >> 8 == 8) {
			expect(b, o, -(m->filters[0].seen_kpa + 0.4), 6 * 0.15 + 0.025);
		} else {
			expect(b, o, m->filters[1].seen_kpa - 0.3, 6 * 0.2 + 0.025);
		}
		break;
	case SIGNAL_SUCTION_FILTER:
		expect(b, o, m->filters[0].seen_kpa + 0.4, 6 * 0.15);
		break;
	case SIGNAL_FUEL_INTAKE_PRESSURE:
		/* Absolute: what the air leaves of the suction. */
		expect(b, o, b->season.sea.baro_kpa - (m->filters[0].seen_kpa + 0.4), 6 * 0.15);
		break;
	case SIGNAL_BAROMETRIC_PRESSURE:
		expect(b, o, b->season.sea.baro_kpa, 0);
		break;
	case SIGNAL_FUEL_FILTER:
		if (m->filters[1].seen_kpa > 2) {
			expect(b, o, m->filters[1].seen_kpa - 0.3, 6 * 0.2);
		}
		break;
	case SIGNAL_TOTAL_FUEL_FINE:
		/* Counters count whole steps. */
		expect(b, o, 5231.5 + m->total_kg / b->season.options.density_15_kgl - 0.0005,
			1e-6);
		break;
	default:
		break;
	}
}

static void frames_decode_to_the_models_values_of(
	const struct scenario_options *o, const enum signal_id *wanted, size_t count)
{
	static struct beside b;

	memset(&b, 0, sizeof(b));
	assert_int_equal(scenario_season_init(&b.season, o), 0);
	decoded_run(&decoded, o, compare_with_model, &b);
	for (size_t i = 0; i < count; i++) {
		if (b.compared[wanted[i]] < 100) {
			print_error("%s: compared %u times\n", signal_get(wanted[i])->name,
				(unsigned)b.compared[wanted[i]]);
			fail();
		}
	}
	/* A clean bus: nothing is lost, out of turn, without a row or implausible. */
	static const enum decoder_counter none[] = {DECODER_INCOMPLETE, DECODER_OUT_OF_SEQUENCE,
		DECODER_REPEATED, DECODER_ORPHANS, DECODER_TIMED_OUT, DECODER_NO_ROOM,
		DECODER_UNKNOWN, DECODER_SHORT, DECODER_IMPLAUSIBLE, DECODER_ERROR_VALUES,
		DECODER_RESERVED};
	for (size_t i = 0; i < sizeof(none) / sizeof(none[0]); i++) {
		assert_int_equal(decoded.decoder.counters[none[i]], 0);
	}
	assert_int_equal(decoded.back, 0);
	const struct scenario_truth *t = scenario_truth(decoded.scenario);
	assert_int_equal(t->frames_sent, decoded.frames + t->frames_unheard);
	scenario_destroy(decoded.scenario);
	scenario_season_finish(&b.season);
}

static void nmea2000_frames_decode_to_the_models_values(void **state)
{
	static const enum signal_id wanted[] = {SIGNAL_ENGINE_SPEED, SIGNAL_GEAR, SIGNAL_TANK_LEVEL,
		SIGNAL_BATTERY_VOLTAGE, SIGNAL_BATTERY_CURRENT, SIGNAL_SEA_TEMPERATURE,
		SIGNAL_PRESSURE};
	struct scenario_options o = short_season(SCENARIO_NMEA2000);

	(void)state;
	frames_decode_to_the_models_values_of(&o, wanted, sizeof(wanted) / sizeof(wanted[0]));
}

static void j1939_frames_decode_to_the_models_values(void **state)
{
	static const enum signal_id wanted[] = {SIGNAL_ENGINE_SPEED, SIGNAL_FUEL_RATE,
		SIGNAL_ENGINE_LOAD, SIGNAL_FUEL_TEMPERATURE, SIGNAL_FUEL_LEVEL_1,
		SIGNAL_SUCTION_FILTER, SIGNAL_FUEL_FILTER, SIGNAL_TOTAL_FUEL_FINE};
	struct scenario_options o = short_season(SCENARIO_J1939);

	(void)state;
	o.counters = SCENARIO_COUNTERS_FINE;
	frames_decode_to_the_models_values_of(&o, wanted, sizeof(wanted) / sizeof(wanted[0]));
}

static void an_intake_sensor_tells_absolute_pressure_beside_the_airs(void **state)
{
	static const enum signal_id wanted[] = {
		SIGNAL_FUEL_INTAKE_PRESSURE, SIGNAL_BAROMETRIC_PRESSURE};
	struct scenario_options o = short_season(SCENARIO_J1939);

	(void)state;
	o.engine[0].filters[0].sensor = SENSOR_SPN1381;
	o.engine[0].filters[0].sensor_kind = SENSES_OUTLET_VACUUM;
	frames_decode_to_the_models_values_of(&o, wanted, sizeof(wanted) / sizeof(wanted[0]));
}

/* ---- litres ---- */

struct integral {
	int64_t last_ns;
	double last_lph;
	double litres;
	double resolution;
};

static void integrate(void *context, const struct observation *o)
{
	struct integral *i = context;

	/* 127489 or LFE; 127497 carries the rate too, with the same step, once a second: it would
	 * not spoil the sum. */
	if (o->signal != SIGNAL_FUEL_RATE || o->state != READING_VALID) {
		return;
	}
	if (i->last_ns > 0 && o->t_ns - i->last_ns < 5 * NS) {
		i->litres += (i->last_lph + o->value) / 2 * (double)(o->t_ns - i->last_ns) / 3600e9;
	}
	i->last_ns = o->t_ns;
	i->last_lph = o->value;
	i->resolution = o->resolution;
}

static void the_frames_rate_adds_up_to_the_truth_within_its_rounding(void **state)
{
	/* Rounding to 0.1 L/h of a rate about 2.5 L/h leaves up to 2 % for one steady setting of
	 * the throttle; over many settings far less. J1939: 0.05 L/h, ten times a second. */
	static const struct {
		enum scenario_protocol protocol;
		double most;
	} cases[] = {{SCENARIO_NMEA2000, 0.004}, {SCENARIO_J1939, 0.002}};

	(void)state;
	for (size_t c = 0; c < 2; c++) {
		struct scenario_options o = short_season(cases[c].protocol);
		struct integral sum = {0};

		o.engine_ms = 100;
		o.engine_h = 12;
		o.days = 7;
		decoded_run(&decoded, &o, integrate, &sum);
		double true_l = scenario_truth(decoded.scenario)->fuel_l[0];
		print_message("%s: true %.3f L, frames %.3f L (%+.3f %%)\n",
			c == 0 ? "NMEA 2000" : "J1939", true_l, sum.litres,
			100 * (sum.litres / true_l - 1));
		assert_true(fabs(sum.litres / true_l - 1) < cases[c].most);
		scenario_destroy(decoded.scenario);
	}
}

/* ---- disturbances ---- */

struct hearing {
	uint64_t rates[256];  /* valid fuel rates by source */
	uint64_t hollow[256]; /* rates not available by source */
	uint64_t implausible;
	uint64_t errors;
	uint64_t by_bus[FRAME_BUS_MAX];
	uint64_t coarse;
	uint64_t fine;
	uint64_t trips;
	int64_t first_ns;
	int64_t last_speed_ns;
	int64_t longest_ns; /* between two engine speeds above 500 rpm */
	uint64_t speeds;
	uint64_t resting; /* engine speeds of 0 */
	uint64_t pressures;
	uint64_t lost_pressures;
	double last_vacuum;
	uint64_t same_now;    /* vacuum readings that repeat the one before, in a row */
	uint64_t same_in_row; /* most */
};

static void hear(void *context, const struct observation *o)
{
	struct hearing *h = context;

	h->first_ns = h->first_ns == 0 ? o->t_ns : h->first_ns;
	switch (o->signal) {
	case SIGNAL_FUEL_RATE:
		h->by_bus[o->bus]++;
		h->rates[o->source] += o->state == READING_VALID;
		h->hollow[o->source] += o->state == READING_NOT_AVAILABLE;
		h->implausible += o->state == READING_IMPLAUSIBLE;
		h->errors += o->state == READING_ERROR;
		break;
	case SIGNAL_TOTAL_FUEL:
		h->coarse++;
		break;
	case SIGNAL_TOTAL_FUEL_FINE:
		h->fine++;
		break;
	case SIGNAL_TRIP_FUEL:
		h->trips++;
		break;
	case SIGNAL_ENGINE_SPEED:
		h->speeds++;
		h->resting += o->state == READING_VALID && o->value == 0;
		if (o->state == READING_VALID && o->value > 500) {
			int64_t gap_ns = o->t_ns - h->last_speed_ns;

			h->longest_ns = gap_ns > h->longest_ns && gap_ns < 3000 * NS
						? gap_ns
						: h->longest_ns;
			h->last_speed_ns = o->t_ns;
		}
		break;
	case SIGNAL_PRESSURE:
	case SIGNAL_SUCTION_FILTER:
		h->pressures += o->state == READING_VALID;
		h->lost_pressures += o->state != READING_VALID;
		if (o->instance >> 8 == 8 && o->state == READING_VALID) {
			h->same_now = o->value == h->last_vacuum ? h->same_now + 1 : 0;
			h->same_in_row =
				h->same_now > h->same_in_row ? h->same_now : h->same_in_row;
			h->last_vacuum = o->value;
		}
		break;
	default:
		break;
	}
}

static struct hearing heard(const struct scenario_options *o)
{
	struct hearing h = {0};

	decoded_run(&decoded, o, hear, &h);
	return h;
}

static void frames_are_lost_as_asked(void **state)
{
	static const double bursts[] = {0, 8};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		struct scenario_options o = short_season(SCENARIO_NMEA2000);
		o.disturb.loss = 0.05;
		o.disturb.loss_burst = bursts[i];
		(void)heard(&o);
		const struct scenario_truth *t = scenario_truth(decoded.scenario);
		double tried = (double)(t->frames_sent - t->frames_unheard);
		double share = (double)t->frames_lost / tried;
		/* Four standard deviations of a share, more by the bursts' length. */
		double most = 4 * sqrt(0.05 * 0.95 / tried * (bursts[i] > 0 ? 2 * bursts[i] : 1));
		assert_true(fabs(share - 0.05) < most);
		assert_int_equal(
			decoded.frames, t->frames_sent - t->frames_unheard - t->frames_lost);
		assert_true(decoded.decoder.counters[DECODER_INCOMPLETE] > 0);
		scenario_destroy(decoded.scenario);
	}
}

static void reordered_frames_keep_their_own_times(void **state)
{
	struct scenario_options o = short_season(SCENARIO_NMEA2000);

	(void)state;
	o.disturb.reorder = 0.01;
	(void)heard(&o);
	const struct scenario_truth *t = scenario_truth(decoded.scenario);
	double share = (double)t->frames_reordered / (double)decoded.frames;
	assert_true(fabs(share - 0.01) < 0.002);
	/* Each is behind at least one later frame, unless that was another held one. */
	assert_true(
		decoded.back > t->frames_reordered / 2 && decoded.back <= 4 * t->frames_reordered);
	assert_int_equal(decoded.frames, t->frames_sent - t->frames_unheard);
	scenario_destroy(decoded.scenario);
}

static void second_and_hollow_senders_and_the_mirror_say_the_same_again(void **state)
{
	struct scenario_options o = short_season(SCENARIO_BOTH);

	(void)state;
	o.disturb.second_sender = true;
	o.disturb.hollow_sender = true;
	o.disturb.mirror = true;
	struct hearing h = heard(&o);
	assert_int_equal(scenario_buses(decoded.scenario)->count, 3);
	assert_string_equal(scenario_buses(decoded.scenario)->names[2], "can2");
	/* NMEA 2000 33 and 41, J1939 0 and 49 give the rate; 50 and 3 send without it. */
	assert_true(h.rates[33] > 1000 && h.rates[41] > 1000);
	assert_true(h.rates[0] > 1000 && h.rates[49] > 1000);
	assert_true(h.rates[3] == 0 && h.rates[50] == 0);
	assert_true(h.hollow[3] > 1000 && h.hollow[50] > 1000);
	assert_true(h.by_bus[0] > 1000);
	assert_int_equal(h.by_bus[0], h.by_bus[2]);
	scenario_destroy(decoded.scenario);
}

static void the_recorders_power_cuts_leave_gaps_and_sessions(void **state)
{
	struct scenario_options o = short_season(SCENARIO_NMEA2000);
	unsigned cut = 0;

	(void)state;
	o.disturb.power_cycles = 6;
	o.disturb.power_cycle_mean_s = 300;
	struct hearing h = heard(&o);
	const struct scenario_truth *t = scenario_truth(decoded.scenario);
	double missed_l = 0;
	for (size_t i = 0; i < t->session_count; i++) {
		cut += t->sessions[i].lost_power;
		assert_true(t->sessions[i].off_ns > t->sessions[i].on_ns);
		assert_true(i == 0 || t->sessions[i].on_ns > t->sessions[i - 1].off_ns);
	}
	for (size_t i = 0; i < t->run_count; i++) {
		missed_l += t->runs[i].missed_l;
	}
	assert_true(cut >= 4 && cut <= 6); /* a cut may fall into another one's darkness */
	assert_true(h.longest_ns > 60 * NS);
	assert_true(missed_l > 0.1 && missed_l < t->fuel_l[0] / 2);
	scenario_destroy(decoded.scenario);
}

static void sensors_drop_out_for_the_share_of_time_asked(void **state)
{
	struct scenario_options o = short_season(SCENARIO_J1939);

	(void)state;
	o.days = 20;
	o.engine_h = 60;
	o.engine_ms = 2000;
	o.instrument_ms = 10000;
	o.disturb.dropout_per_h = 6;
	o.disturb.dropout_mean_s = 120;
	o.disturb.rate_dropout_per_h = 3;
	o.disturb.rate_dropout_mean_s = 60;
	struct hearing h = heard(&o);
	/* Mean time between is from end to onset: 600 s of 720, and 1200 s of 1260. */
	double pressures = (double)h.lost_pressures / (double)(h.lost_pressures + h.pressures);
	double rates = (double)h.hollow[0] / (double)(h.hollow[0] + h.rates[0]);
	print_message("pressures %.3f, rates %.3f\n", pressures, rates);
	assert_true(fabs(pressures - 120.0 / 720) < 0.04);
	assert_true(fabs(rates - 60.0 / 1260) < 0.02);
	scenario_destroy(decoded.scenario);
}

static void the_engines_sender_is_silent_at_key_off_or_not(void **state)
{
	struct scenario_options o = short_season(SCENARIO_NMEA2000);
	struct hearing h;

	(void)state;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	/* A few when it runs out. */
	assert_true(h.resting < h.speeds / 500);
	o.disturb.silent_at_key_off = false;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	assert_true(h.resting > h.speeds / 10);
	assert_int_equal(h.implausible, 0);
	o.disturb.wrong_codes = true;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	/* -0.1 L/h with the engine off. */
	assert_true(h.implausible > 1000);
	o = short_season(SCENARIO_J1939);
	o.disturb.silent_at_key_off = false;
	o.disturb.wrong_codes = true;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	assert_true(h.errors > 1000 && h.implausible == 0);
}

static void a_dead_sensor_is_silent_or_empty_or_frozen(void **state)
{
	struct scenario_options o = short_season(SCENARIO_NMEA2000);
	struct hearing h;
	struct hearing whole;

	(void)state;
	o.faults[0] = (struct scenario_fault){.kind = SCENARIO_FAULT_SENSOR_DEAD, .at = 0.5};
	o.fault_count = 0;
	whole = heard(&o);
	scenario_destroy(decoded.scenario);
	o.fault_count = 1;
	o.faults[0].size = SCENARIO_DEATH_SILENT;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	/* One of two filters' sensors, for a part of the season. */
	assert_int_equal(h.lost_pressures, 0);
	assert_true((double)h.pressures > 0.5 * (double)whole.pressures &&
		    (double)h.pressures < 0.9 * (double)whole.pressures);
	o.faults[0].size = SCENARIO_DEATH_NOT_AVAILABLE;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	/* Noise and jitter share their random numbers: a frame more or less at the ends. */
	assert_true(llabs((int64_t)(h.pressures + h.lost_pressures - whole.pressures)) < 5);
	assert_true((double)h.lost_pressures > 0.1 * (double)whole.pressures);
	o.faults[0].size = SCENARIO_DEATH_FROZEN;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	assert_true(llabs((int64_t)(h.pressures - whole.pressures)) < 5);
	/* The same value again, which a live sensor with noise hardly ever gives so often in a row.
	 */
	assert_true(whole.same_in_row < 50);
	assert_true(h.same_in_row > 1000);
}

static void counters_are_sent_as_asked(void **state)
{
	struct scenario_options o = short_season(SCENARIO_J1939);
	struct hearing h;

	(void)state;
	o.counters = SCENARIO_COUNTERS_NONE;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	assert_true(h.coarse == 0 && h.fine == 0 && h.trips == 0);
	o.counters = SCENARIO_COUNTERS_COARSE;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	assert_true(h.coarse > 1000 && h.fine == 0 && h.trips > 1000);
	o.counters = SCENARIO_COUNTERS_FINE;
	h = heard(&o);
	scenario_destroy(decoded.scenario);
	assert_true(h.coarse > 1000 && h.fine > 1000);
}

static void other_makers_traffic_has_its_share_of_frames_and_messages(void **state)
{
	struct scenario_options o = short_season(SCENARIO_NMEA2000);

	(void)state;
	o.disturb.unknown_share = 0.6;
	(void)heard(&o);
	const struct scenario_truth *t = scenario_truth(decoded.scenario);
	double share = (double)t->frames_unknown / (double)t->frames_sent;
	assert_true(fabs(share - 0.6) < 0.01);
	assert_true(decoded.decoder.counters[DECODER_UNKNOWN] > decoded.frames / 2);
	assert_int_equal(decoded.back, 0);
	assert_int_equal(decoded.decoder.counters[DECODER_INCOMPLETE], 0);
	scenario_destroy(decoded.scenario);
}

/* ---- the recorder's clock ---- */

struct moments {
	int64_t least_ns; /* recorder's time less the bus's, when wrong */
	uint64_t right;
	uint64_t wrong;
};

static void compare_clocks(void *context, const struct observation *o)
{
	struct moments *m = context;
	int64_t off_ns;

	if (o->signal != SIGNAL_SYSTEM_TIME || o->state != READING_VALID) {
		return;
	}
	off_ns = o->t_ns - (int64_t)llround(o->value * 1e4) * 100000;
	if (llabs(off_ns) < NS / 2) {
		m->right++;
	} else {
		m->wrong++;
		m->least_ns = off_ns < m->least_ns ? off_ns : m->least_ns;
	}
}

static void a_clock_that_starts_wrong_is_set_right_by_a_step(void **state)
{
	static const enum scenario_clock clocks[] = {
		SCENARIO_CLOCK_RIGHT, SCENARIO_CLOCK_RESUMED, SCENARIO_CLOCK_EPOCH};

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct scenario_options o = short_season(SCENARIO_NMEA2000);
		struct moments m = {0};

		o.disturb.clock = clocks[i];
		o.disturb.clock_set_after_s = 300;
		decoded_run(&decoded, &o, compare_clocks, &m);
		const struct scenario_truth *t = scenario_truth(decoded.scenario);
		assert_true(m.right > 1000);
		if (i == 0) {
			assert_int_equal(m.wrong, 0);
		} else {
			uint64_t before = decoded.back;

			assert_true(m.wrong > 50 && m.wrong < m.right);
			assert_true(m.least_ns < -3600 * NS);
			/* Only starting from one old date makes time go back. */
			assert_true(i == 2 ? before >= t->session_count - 2 : before == 0);
		}
		scenario_destroy(decoded.scenario);
	}
}

static void two_engines_are_told_apart_on_both_protocols(void **state)
{
	struct scenario_options o = short_season(SCENARIO_BOTH);

	(void)state;
	o.engines = 2;
	o.tank_l = 380;
	struct hearing h = heard(&o);
	assert_true(h.rates[33] > 1000 && h.rates[34] > 1000);
	assert_true(h.rates[0] > 1000 && h.rates[1] > 1000);
	const struct scenario_truth *t = scenario_truth(decoded.scenario);
	assert_true(t->fuel_l[1] > 0.8 * t->fuel_l[0] && t->fuel_l[1] < t->fuel_l[0]);
	scenario_destroy(decoded.scenario);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(nmea2000_frames_decode_to_the_models_values),
		cmocka_unit_test(j1939_frames_decode_to_the_models_values),
		cmocka_unit_test(an_intake_sensor_tells_absolute_pressure_beside_the_airs),
		cmocka_unit_test(the_frames_rate_adds_up_to_the_truth_within_its_rounding),
		cmocka_unit_test(frames_are_lost_as_asked),
		cmocka_unit_test(reordered_frames_keep_their_own_times),
		cmocka_unit_test(second_and_hollow_senders_and_the_mirror_say_the_same_again),
		cmocka_unit_test(the_recorders_power_cuts_leave_gaps_and_sessions),
		cmocka_unit_test(sensors_drop_out_for_the_share_of_time_asked),
		cmocka_unit_test(the_engines_sender_is_silent_at_key_off_or_not),
		cmocka_unit_test(a_dead_sensor_is_silent_or_empty_or_frozen),
		cmocka_unit_test(counters_are_sent_as_asked),
		cmocka_unit_test(other_makers_traffic_has_its_share_of_frames_and_messages),
		cmocka_unit_test(a_clock_that_starts_wrong_is_set_right_by_a_step),
		cmocka_unit_test(two_engines_are_told_apart_on_both_protocols),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
