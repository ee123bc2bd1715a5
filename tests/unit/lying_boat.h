/* lying_boat.h: days of an invented boat as frames into a pipeline, with a hand between its sensors
 * and the bus. Each day the key is turned, ten minutes later the engine runs four hours at a few
 * speeds, and twenty minutes after it the bus falls silent until the next morning. */
#ifndef SIGHTBOWL_TESTS_LYING_BOAT_H
#define SIGHTBOWL_TESTS_LYING_BOAT_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/event_life.h"
#include "analysis/pipeline.h"
#include "decoders/encode.h"
#include "replay/scenario_random.h"

#define LYING_S	       INT64_C(1000000000)
#define LYING_BEGIN    (INT64_C(1777622400) * LYING_S) /* 2026-05-01T08:00:00Z */
#define LYING_STEP_S   5
#define LYING_DAY_H    4.0
#define LYING_EVENTS   512
#define LYING_RUNS     64
#define LYING_TANK_L   500.0
#define LYING_PUMP_LPH 80.0 /* at 2500 rpm */

/* What the sensors send. NaN: not available. */
struct lying_readings {
	double rpm;
	double rate_lph;
	double load_pct;
	double coolant_c;
	double fuel_c;
	double fuel_kpa;
	double suction_kpa; /* secondary: SPN 1382, steps of 2 kPa */
	double vacuum_kpa;  /* primary: a gauge at its outlet, below 0 under suction */
	double level_pct;
	double speed_kn;
	double status_1; /* NMEA 2000 engine status bits */
	double water;	 /* SPN 97 */
};

struct lying_boat;
/* Changes what is sent; since_s: of running, below 0 and above four hours the engine is off. */
typedef void lying_hand(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s);

struct lying_boat {
	struct pipeline *pipeline;
	struct boat boat;
	struct scenario_random random;
	int64_t t_ns;
	double supply_l; /* through the filters */
	double tank_l;
	double load_noise;
	double drift;	 /* for the hand's own use */
	bool endless;	 /* something told was neither a number nor unknown */
	double burned_l; /* in truth */
	/* A hand on the frames of a step, where set. */
	void (*on_frames)(struct lying_boat *b);
	struct fact_run runs[LYING_RUNS]; /* by number − 1; run 0: none, or withdrawn */
	int64_t utc_offset_ns; /* of the last session */
	unsigned refuellings;
	double refuelled_l;
	unsigned resume; /* through a checkpoint after so many steps; 0: never */
	unsigned fed;
	size_t told;
	struct fact_event events[LYING_EVENTS];
	struct fact_filter filters[BOAT_FILTERS_MAX];
	struct fact_tank tank;
	size_t count;
	struct frame frames[256];
};

static inline void lying_number(struct lying_boat *b, double value)
{
	b->endless = b->endless || isinf(value);
}

static inline void lying_on_event(void *context, const struct fact_event *event)
{
	struct lying_boat *b = context;

	lying_number(b, event->value);
	lying_number(b, event->limit);
	assert_true(b->told < LYING_EVENTS);
	b->events[b->told++] = *event;
}

static inline void lying_on_filter(void *context, const struct fact_filter *f)
{
	struct lying_boat *b = context;

	b->filters[f->filter] = *f;
	lying_number(b, f->reference_kpa);
	lying_number(b, f->reference_sd_kpa);
	lying_number(b, f->left_l_p10);
	lying_number(b, f->left_l_p50);
	lying_number(b, f->left_l_p90);
	assert_false(f->left_l_p10 > f->left_l_p50 || f->left_l_p50 > f->left_l_p90);
}

static inline void lying_on_tank(void *context, const struct fact_tank *tank)
{
	struct lying_boat *b = context;

	b->tank = *tank;
	lying_number(b, tank->volume_l);
	lying_number(b, tank->volume_sd_l);
	lying_number(b, tank->mismatch_l);
}

static inline void lying_on_refuelling(void *context, const struct fact_refuelling *refuelling)
{
	struct lying_boat *b = context;

	b->refuellings++;
	b->refuelled_l += refuelling->litres;
	lying_number(b, refuelling->litres_sd);
}

static inline void lying_on_burn(void *context, const struct fact_burn *point)
{
	struct lying_boat *b = context;

	lying_number(b, point->rate_lph);
	lying_number(b, point->rate_sd_share);
	lying_number(b, point->speed_kn);
	lying_number(b, point->load_pct);
}

static inline void lying_on_run(void *context, const struct fact_run *run)
{
	struct lying_boat *b = context;

	assert_true(run->run >= 1 && run->run <= LYING_RUNS);
	b->runs[run->run - 1] = *run;
	lying_number(b, run->fuel_l);
	lying_number(b, run->fuel_uncertainty_l);
	lying_number(b, run->mean_lph);
}

static inline void lying_on_run_withdrawn(void *context, int64_t run)
{
	struct lying_boat *b = context;

	b->runs[run - 1].run = 0;
}

static inline void lying_on_session(void *context, const struct fact_session *session)
{
	struct lying_boat *b = context;

	b->utc_offset_ns = session->utc_offset_ns;
}

static inline struct fact_sink lying_sink(struct lying_boat *b)
{
	return (struct fact_sink){
		.context = b,
		.on_session = lying_on_session,
		.on_run = lying_on_run,
		.on_run_withdrawn = lying_on_run_withdrawn,
		.on_event = lying_on_event,
		.on_filter = lying_on_filter,
		.on_tank = lying_on_tank,
		.on_refuelling = lying_on_refuelling,
		.on_burn = lying_on_burn,
	};
}

/* Begins with the boat as it is told now. */
static inline void lying_start(struct lying_boat *b)
{
	struct pipeline_numbers none = {0};
	struct fact_sink sink = lying_sink(b);

	pipeline_init(b->pipeline, &b->boat, &sink);
	pipeline_start(b->pipeline, &none, false);
}

static inline void lying_begin(struct lying_boat *b)
{
	struct boat_filter *filter;

	memset(b, 0, sizeof(*b));
	scenario_random_init(&b->random, 5, 1);
	b->pipeline = malloc(pipeline_size());
	assert_non_null(b->pipeline);
	b->t_ns = LYING_BEGIN;
	b->tank_l = 400;
	boat_init(&b->boat);
	b->boat.engines[0].supply = SUPPLY_PUMP;
	b->boat.engines[0].pump_lph = LYING_PUMP_LPH;
	b->boat.engines[0].pump_rpm = 2500;
	b->boat.limits.coolant_c = 95;
	filter = &b->boat.filters[0];
	filter->sensor = SENSOR_PRESSURE;
	filter->pressure_instance = 2;
	filter->sensor_kind = SENSES_OUTLET_VACUUM;
	filter->limit_kpa = 30;
	filter->change_h = 300;
	filter = &b->boat.filters[1];
	filter->sensor = SENSOR_SPN1382;
	filter->limit_kpa = 60;
	filter->change_h = 300;
	b->boat.tanks[0].present = true;
	b->boat.tanks[0].capacity_l = LYING_TANK_L;
	lying_start(b);
}

static inline void lying_end(struct lying_boat *b)
{
	free(b->pipeline);
}

static inline struct encode_value lying_field(int row, enum signal_id signal, double value)
{
	return (struct encode_value){
		.field = (uint16_t)encode_field_of((size_t)row, signal),
		.state = (uint8_t)(isnan(value) ? READING_NOT_AVAILABLE : READING_VALID),
		.value = isnan(value) ? 0 : value,
	};
}

/* A message with one field, or two. */
static inline void lying_send(struct lying_boat *b, uint32_t pgn, uint8_t source, uint16_t instance,
	enum signal_id a, double value_a, enum signal_id c, double value_c)
{
	int row = message_row_find(pgn);
	struct encode_value values[2] = {
		lying_field(row, a, value_a), lying_field(row, c, value_c)};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct encode_header header = {
		.pgn = pgn,
		.priority = 3,
		.source = source,
		.destination = ADDRESS_GLOBAL,
		.t_ns = b->t_ns + (int64_t)b->count * 1000000,
		.step_ns = 500000,
		.sequence = (uint8_t)(b->t_ns / (LYING_STEP_S * LYING_S) & 7),
	};
	int length = encode_payload(
		(size_t)row, instance, values, a == c ? 1 : 2, payload, sizeof(payload));
	int n;

	assert_true(length > 0);
	n = encode_frames(encode_way_of((size_t)row, (size_t)length), &header, payload,
		(size_t)length, b->frames + b->count,
		sizeof(b->frames) / sizeof(b->frames[0]) - b->count);
	assert_true(n > 0);
	b->count += (size_t)n;
}

static inline void lying_send_one(struct lying_boat *b, uint32_t pgn, uint8_t source,
	uint16_t instance, enum signal_id signal, double value)
{
	lying_send(b, pgn, source, instance, signal, value, signal, value);
}

static inline void lying_resume(struct lying_boat *b)
{
	uint8_t *bytes = malloc(PIPELINE_STATE_MAX);
	struct fact_sink sink = lying_sink(b);
	struct state_writer w;
	struct state_reader r;

	assert_non_null(bytes);
	state_writer_init(&w, bytes, PIPELINE_STATE_MAX);
	pipeline_save(b->pipeline, &w);
	assert_false(w.failed);
	pipeline_init(b->pipeline, &b->boat, &sink);
	state_reader_init(&r, bytes, w.used);
	assert_int_equal(pipeline_load(b->pipeline, &r), 0);
	free(bytes);
}

static inline void lying_feed(struct lying_boat *b)
{
	if (b->on_frames != NULL) {
		b->on_frames(b);
	}
	pipeline_frames(b->pipeline, b->frames, b->count);
	b->count = 0;
	if (b->resume > 0 && ++b->fed % b->resume == 0) {
		lying_resume(b);
	}
}

static inline void lying_send_all(struct lying_boat *b, const struct lying_readings *r)
{
	lying_send_one(b, 61444, 0, 0, SIGNAL_ENGINE_SPEED, r->rpm);
	lying_send_one(b, 61443, 0, 0, SIGNAL_ENGINE_LOAD, r->load_pct);
	lying_send_one(b, 65266, 0, 0, SIGNAL_FUEL_RATE, r->rate_lph);
	lying_send(b, 65262, 0, 0, SIGNAL_COOLANT_TEMPERATURE, r->coolant_c,
		SIGNAL_FUEL_TEMPERATURE, r->fuel_c);
	lying_send_one(b, 65263, 0, 0, SIGNAL_FUEL_PRESSURE, r->fuel_kpa);
	lying_send_one(b, 65130, 0, 0, SIGNAL_SUCTION_FILTER, r->suction_kpa);
	lying_send_one(b, 130314, 40, 5 << 8 | 2, SIGNAL_PRESSURE, r->vacuum_kpa);
	lying_send_one(b, 127505, 20, 0, SIGNAL_TANK_LEVEL, r->level_pct);
	lying_send_one(b, 129026, 30, 0, SIGNAL_GROUND_SPEED, r->speed_kn);
	lying_send_one(b, 127489, 12, 0, SIGNAL_ENGINE_STATUS_1, r->status_1);
	if (b->t_ns / LYING_S % 10 == 0) {
		lying_send_one(b, 65279, 0, 0, SIGNAL_WATER_IN_FUEL, r->water);
	}
	lying_feed(b);
}

/* What is true, and what true sensors say of it. */
static inline struct lying_readings lying_truth(
	struct lying_boat *b, bool runs, double since_s, double leg_rpm)
{
	double noise = scenario_random_normal(&b->random);
	struct lying_readings r = {.coolant_c = 60, .fuel_c = 40};

	if (runs) {
		b->load_noise += -b->load_noise * LYING_STEP_S / 300 +
				 0.03 * sqrt(2.0 * LYING_STEP_S / 300) * noise;
		r.rpm = leg_rpm + 4 * scenario_random_normal(&b->random);
		r.load_pct = 70 * pow(leg_rpm / 2500, 1.5) * (1 + b->load_noise);
		r.rate_lph = 16 * pow(leg_rpm / 2500, 2.4) * (1 + b->load_noise);
		r.coolant_c = fmin(20 + since_s / 10, 80 + r.load_pct / 30);
		r.speed_kn = 7 * pow(leg_rpm / 2500, 0.9);
		r.fuel_kpa = 240;
		b->supply_l += LYING_PUMP_LPH * leg_rpm / 2500 * LYING_STEP_S / 3600;
		b->tank_l -= r.rate_lph * LYING_STEP_S / 3600;
		b->burned_l += r.rate_lph * LYING_STEP_S / 3600;
	}
	double flow = r.rpm / 2500;
	double loaded = 8 * (1 + b->supply_l / 12000);
	double lost_kpa = loaded * (0.85 * flow + 0.15 * flow * flow);
	r.vacuum_kpa = -2 - lost_kpa + 0.1 * scenario_random_normal(&b->random);
	r.suction_kpa = 2 * lost_kpa;
	r.level_pct = 100 * b->tank_l / LYING_TANK_L +
		      (runs ? 0.5 : 0.05) * scenario_random_normal(&b->random);
	return r;
}

static inline void lying_days(struct lying_boat *b, int days, lying_hand *hand)
{
	static const double speeds[] = {1800, 2200, 2500, 2000, 2300, 900};

	for (int day = 0; day < days; day++) {
		double leg_ends_s = 0;
		double rpm = 0;
		for (double t = -600; t < LYING_DAY_H * 3600 + 1200; t += LYING_STEP_S) {
			bool runs = t >= 0 && t < LYING_DAY_H * 3600;
			if (runs && t >= leg_ends_s) {
				leg_ends_s = t + scenario_random_between(&b->random, 900, 3300);
				rpm = speeds[scenario_random_bits(&b->random) % 6];
			}
			struct lying_readings r = lying_truth(b, runs, t, rpm);
			if (hand != NULL) {
				hand(b, &r, runs, t);
			}
			lying_send_all(b, &r);
			b->t_ns += LYING_STEP_S * LYING_S;
		}
		if (b->tank_l < 150) {
			b->tank_l += 300;
		}
		b->t_ns += 18 * 3600 * LYING_S;
	}
	pipeline_snapshot(b->pipeline);
}

/* Of the primary at the reference flow and 40 °C, where the fuel is; twice that of the secondary.
 */
static inline double lying_true_kpa(const struct lying_boat *b)
{
	return 8 * (1 + b->supply_l / 12000);
}

/* Litres and hours of all runs of an engine; −1: of any. */
static inline double lying_fuel_l(const struct lying_boat *b, int engine)
{
	double litres = 0;

	for (size_t i = 0; i < LYING_RUNS; i++) {
		bool counts = b->runs[i].run != 0 && (engine < 0 || b->runs[i].engine == (unsigned)engine);
		litres += counts && !isnan(b->runs[i].fuel_l) ? b->runs[i].fuel_l : 0;
	}
	return litres;
}

static inline double lying_hours(const struct lying_boat *b, int engine)
{
	double hours = 0;

	for (size_t i = 0; i < LYING_RUNS; i++) {
		bool counts = b->runs[i].run != 0 && (engine < 0 || b->runs[i].engine == (unsigned)engine);
		hours += counts ? b->runs[i].engine_h : 0;
	}
	return hours;
}

/* Events of a kind, each counted once; NULL: of any. */
static inline int lying_events(const struct lying_boat *b, const char *kind)
{
	int count = 0;

	for (size_t i = 0; i < b->told; i++) {
		bool again = false;
		for (size_t k = 0; k < i; k++) {
			again = again || b->events[k].event == b->events[i].event;
		}
		count += !again && (kind == NULL || strcmp(b->events[i].kind, kind) == 0);
	}
	return count;
}

/* Of a kind, the last told; NULL: none. */
static inline const struct fact_event *lying_last(const struct lying_boat *b, const char *kind)
{
	for (size_t i = b->told; i > 0; i--) {
		if (strcmp(b->events[i - 1].kind, kind) == 0) {
			return &b->events[i - 1];
		}
	}
	return NULL;
}

#endif
