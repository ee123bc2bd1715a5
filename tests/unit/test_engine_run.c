#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/engine_run.h"

#define S	 INT64_C(1000000000)
#define GAP_NS	 (5 * S)
#define RUNS_MAX 64

/* A boat with one engine whose facts are kept by number. */
struct bench {
	struct boat boat;
	struct fact_sink sink;
	struct trip_log trips;
	struct engine_log engine;
	int64_t last_run;
	struct fact_run runs[RUNS_MAX];
	struct fact_trip trip_facts[RUNS_MAX];
	bool run_known[RUNS_MAX];
	bool trip_known[RUNS_MAX];
};

static void on_run(void *context, const struct fact_run *run)
{
	struct bench *b = context;

	assert_in_range(run->run, 1, RUNS_MAX - 1);
	b->runs[run->run] = *run;
	b->run_known[run->run] = true;
}

static void on_run_withdrawn(void *context, int64_t run)
{
	struct bench *b = context;

	b->run_known[run] = false;
}

static void on_trip(void *context, const struct fact_trip *trip)
{
	struct bench *b = context;

	assert_in_range(trip->trip, 1, RUNS_MAX - 1);
	b->trip_facts[trip->trip] = *trip;
	b->trip_known[trip->trip] = true;
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	struct bench *b = context;

	b->trip_known[trip] = false;
}

static void bench_init(struct bench *b)
{
	memset(b, 0, sizeof(*b));
	boat_init(&b->boat);
	b->sink = (struct fact_sink){
		.context = b,
		.on_run = on_run,
		.on_run_withdrawn = on_run_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_trip_withdrawn,
	};
	trip_log_init(&b->trips, &b->boat, &b->sink);
	engine_log_init(&b->engine, 0, &b->boat, &b->sink, &b->trips, &b->last_run);
	b->trips.session = 1;
	b->engine.session = 1;
}

static int run_count(const struct bench *b)
{
	int n = 0;

	for (int i = 0; i < RUNS_MAX; i++) {
		n += b->run_known[i] ? 1 : 0;
	}
	return n;
}

static void near(double value, double expected, double tolerance)
{
	if (!(fabs(value - expected) <= tolerance)) {
		fail_msg("%.9g is not %.9g within %.3g", value, expected, tolerance);
	}
}

/* The engine's own meters, kept by the test. */
struct meters {
	double hours_h;
	double total_l;
	double hours_step_h; /* 0: sends none */
	double total_step_l; /* 0: sends none */
};

/* The engine as heard once a second, from one second to another (the last excluded). */
static void hear(struct bench *b, struct meters *m, int from_s, int to_s, double rpm, double lph)
{
	for (int t = from_s; t < to_s; t++) {
		int64_t t_ns = t * S;
		engine_log_hear(&b->engine, t_ns);
		engine_log_speed(&b->engine, t_ns, rpm, GAP_NS);
		engine_log_rate(&b->engine, t_ns, lph, 0.05, GAP_NS);
		if (m->hours_step_h > 0) {
			engine_log_hours(&b->engine, t_ns,
				floor(m->hours_h / m->hours_step_h + 1e-9) * m->hours_step_h,
				m->hours_step_h);
		}
		if (m->total_step_l > 0) {
			engine_log_counter(&b->engine, t_ns, COUNTER_TOTAL,
				floor(m->total_l / m->total_step_l + 1e-9) * m->total_step_l,
				m->total_step_l);
		}
		if (rpm >= 300) {
			m->hours_h += 1.0 / 3600;
			m->total_l += lph / 3600;
		}
	}
}

/* Time passes unheard, the engine turning or not. */
static void unheard(struct meters *m, int seconds, double lph)
{
	if (lph > 0) {
		m->hours_h += seconds / 3600.0;
		m->total_l += lph * seconds / 3600;
	}
}

/* By hand: off 60 s, 1800 s at 2000 rpm and 4 L/h, 600 s at 900 rpm and 1 L/h, off. Time between
 * two readings belongs half to a side that is off: 1 s in all. */
static void a_run_has_its_hours_idle_and_litres(void **state)
{
	struct bench b;
	struct meters m = {.hours_h = 100};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 60, 0, 0);
	hear(&b, &m, 60, 1860, 2000, 4);
	hear(&b, &m, 1860, 2460, 900, 1);
	hear(&b, &m, 2460, 2600, 0, 0);
	assert_int_equal(run_count(&b), 1);
	const struct fact_run *run = &b.runs[1];
	assert_false(run->open);
	assert_true(run->start_ns == 60 * S && run->end_ns == 2459 * S);
	near(run->engine_h, 2400.0 / 3600, 1.0 / 3600);
	near(run->idle_h, 600.0 / 3600, 1.0 / 3600);
	near(run->fuel_l, 4 * 0.5 + 1.0 / 6, 0.003);
	near(run->max_lph, 4, 0);
	near(run->fuel_estimated_l, 0, 0);
	near(run->mean_lph, run->fuel_l / run->engine_h, 1e-12);
}

static void cranking_and_a_stall_do_not_make_runs_of_their_own(void **state)
{
	struct bench b;
	struct meters m = {0};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 10, 0, 0);
	hear(&b, &m, 10, 15, 180, 0.5); /* cranks, does not fire */
	hear(&b, &m, 15, 60, 0, 0);
	assert_int_equal(run_count(&b), 0);
	hear(&b, &m, 60, 100, 800, 1);
	hear(&b, &m, 100, 120, 0, 0); /* stalls, restarted after 20 s */
	hear(&b, &m, 120, 700, 800, 1);
	hear(&b, &m, 700, 760, 0, 0);
	assert_int_equal(run_count(&b), 1);
	near(b.runs[1].engine_h * 3600, 40 + 580, 2);
	near(b.runs[1].fuel_l, 620.0 / 3600, 0.001);
}

/* By hand, a reading a second: 5 s of cranking at 0.9 L/h in vain (its own interval, 0 to 0.9, and
 * four whole ones: 4.5 s), 3 s that catch (0 to 0.9, two whole, then 0.9 to 1.8: 4 s), 600 s at 1.8
 * L/h (599 whole intervals), and 4 s of running down at 0.36 L/h (1.8 to 0.36, three whole, 0.36 to
 * 0 is after it stood). The rate that is told from then on, with the engine standing, is none. */
static void what_is_injected_while_cranking_belongs_to_the_run_that_follows(void **state)
{
	struct bench b;
	struct meters m = {0};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 10, 0, 0);
	hear(&b, &m, 10, 15, 180, 0.9);
	hear(&b, &m, 15, 60, 0, 0);
	assert_int_equal(run_count(&b), 0);
	hear(&b, &m, 60, 63, 180, 0.9);
	hear(&b, &m, 63, 663, 800, 1.8);
	hear(&b, &m, 663, 667, 120, 0.36);
	hear(&b, &m, 667, 900, 0, 7);
	assert_int_equal(run_count(&b), 1);
	double by_hand_l = (0.9 * 4.5 + 0.9 * 2.5 + 1.35 + 1.8 * 599 + 1.08 + 0.36 * 3) / 3600;
	near(b.runs[1].fuel_l, by_hand_l, 1e-9);
	near(b.runs[1].fuel_estimated_l, 0, 0);
	near(b.runs[1].engine_h * 3600, 600, 1);
}

static void gear_in_neutral_is_idle_at_any_speed_and_in_gear_is_not(void **state)
{
	struct bench b;
	struct meters m = {0};

	(void)state;
	bench_init(&b);
	for (int t = 0; t < 1200; t++) {
		engine_log_hear(&b.engine, t * S);
		engine_log_gear(&b.engine, t * S, t < 600);
		engine_log_speed(&b.engine, t * S, t < 600 ? 1500 : 850, GAP_NS);
	}
	hear(&b, &m, 1200, 1300, 0, 0);
	near(b.runs[1].idle_h * 3600, 600, 2);
	near(b.runs[1].engine_h * 3600, 1200, 2);
	assert_true(isnan(b.runs[1].fuel_l)); /* no rate, no counter: not known, not 0 */
}

/* 300 s unheard in the middle of a run; the 1 s hour meter says that it ran through, the 0.5 L
 * counter that it burned 6 L/h meanwhile. By hand 0.5 + 0.5 + 0.5 L = 1.5 L. */
static void the_run_goes_on_through_a_silence_if_the_meters_say_so(void **state)
{
	struct bench b;
	struct meters m = {
		.hours_h = 512, .total_l = 1000.2, .hours_step_h = 1.0 / 3600, .total_step_l = 0.5};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 3);
	unheard(&m, 300, 6);
	hear(&b, &m, 900, 1500, 2000, 3);
	hear(&b, &m, 1500, 1600, 0, 0);
	assert_int_equal(run_count(&b), 1);
	near(b.runs[1].engine_h * 3600, 1500, 3);
	near(b.runs[1].unobserved_h * 3600, 301, 3);
	near(b.runs[1].fuel_l, 1.5, 0.3);
	near(b.runs[1].fuel_estimated_l, 0.5, 0.3);
	assert_true(fabs(b.runs[1].fuel_l - 1.5) <= b.runs[1].fuel_uncertainty_l);
	assert_int_equal(b.last_run, 1);
}

static void the_run_ended_in_a_silence_if_the_meters_stood(void **state)
{
	struct bench b;
	struct meters m = {.hours_h = 512, .hours_step_h = 1.0 / 3600};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 3);
	unheard(&m, 300, 0);
	hear(&b, &m, 900, 1500, 2000, 3);
	hear(&b, &m, 1500, 1600, 0, 0);
	assert_int_equal(run_count(&b), 2);
	near(b.runs[1].engine_h * 3600, 600, 2);
	near(b.runs[2].engine_h * 3600, 600, 2);
	near(b.runs[1].fuel_l + b.runs[2].fuel_l, 1.0, 0.01);
	assert_true(b.runs[1].trip == b.runs[2].trip);
}

/* Two hours unseen while the logger was off, 5 L/h by the counter: a run of its own, all estimated.
 */
static void what_ran_unseen_is_a_run_of_its_own(void **state)
{
	struct bench b;
	struct meters m = {
		.hours_h = 40, .total_l = 200, .hours_step_h = 0.05, .total_step_l = 0.5};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 1800, 2000, 4);
	hear(&b, &m, 1800, 1900, 0, 0);
	unheard(&m, 7200, 5);
	hear(&b, &m, 20000, 20060, 0, 0);
	hear(&b, &m, 20060, 20660, 2000, 4);
	hear(&b, &m, 20660, 20700, 0, 0);
	assert_int_equal(run_count(&b), 3);
	near(b.runs[1].fuel_l, 2, 0.02);
	near(b.runs[2].engine_h, 2, 0.06);
	near(b.runs[2].fuel_l, 10, 0.5);
	near(b.runs[2].fuel_estimated_l, b.runs[2].fuel_l, 0);
	near(b.runs[2].unobserved_h, b.runs[2].engine_h, 0);
	near(b.runs[3].fuel_l, 600.0 * 4 / 3600, 0.02);
	/* Nothing lost, nothing twice: the sum is the engine's own counter. */
	near(b.runs[1].fuel_l + b.runs[2].fuel_l + b.runs[3].fuel_l, m.total_l - 200, 0.3);
}

/* It ran on for four minutes after the logger was switched off, by its 1 s hour meter: part of the run that was
 * heard, which then ends when it ended. So what another capture tells of these minutes is not counted again. */
static void what_ran_on_a_little_ends_when_it_ended(void **state)
{
	struct bench b;
	struct meters m = {.hours_h = 40, .hours_step_h = 1.0 / 3600};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 4);
	unheard(&m, 240, 4);
	hear(&b, &m, 3600, 3700, 0, 0);
	assert_int_equal(run_count(&b), 1);
	near(b.runs[1].engine_h * 3600, 840, 3);
	near(b.runs[1].unobserved_h * 3600, 240, 3);
	near((double)(b.runs[1].end_ns - b.runs[1].start_ns) * 1e-9, 840, 3);
}

static void without_a_counter_the_unseen_is_filled_from_hours_and_learned_burn(void **state)
{
	struct bench b;
	struct meters m = {.hours_h = 40, .hours_step_h = 0.05};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 3600, 2000, 4);
	unheard(&m, 3600, 4);
	hear(&b, &m, 7200, 10800, 2000, 4);
	hear(&b, &m, 10800, 10900, 0, 0);
	assert_int_equal(run_count(&b), 1);
	near(b.runs[1].engine_h, 3, 0.06);
	near(b.runs[1].fuel_l, 12, 0.3);
	near(b.runs[1].fuel_estimated_l, 4, 0.3);
	assert_true(b.runs[1].fuel_uncertainty_l > 1);
}

static void a_new_engine_computer_is_not_a_thousand_hours(void **state)
{
	struct bench b;
	struct meters m = {
		.hours_h = 40, .total_l = 900, .hours_step_h = 0.05, .total_step_l = 0.5};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 4);
	m.hours_h = 2000;
	m.total_l = 90000;
	hear(&b, &m, 4000, 4600, 2000, 4);
	hear(&b, &m, 4600, 4700, 0, 0);
	assert_int_equal(run_count(&b), 2);
	near(b.runs[1].fuel_l + b.runs[2].fuel_l, 2 * 600 * 4.0 / 3600, 0.03);
	near(b.runs[1].engine_h + b.runs[2].engine_h, 1200.0 / 3600, 0.002);
}

/* The engine's sender falls silent at key-off, in mid-run as far as the bus shows; other traffic goes on. */
/* The meter is read, then no more for three hours of running (J1939 sends it when somebody asks), and
 * again after a night. What was seen to run is not unseen; what did run unseen still is, to 2 % of the
 * three hours. */
static void a_meter_that_is_heard_seldom_counts_nothing_twice(void **state)
{
	(void)state;
	for (int unseen_s = 0; unseen_s <= 7200; unseen_s += 7200) {
		struct bench b;
		struct meters m = {.hours_h = 500, .hours_step_h = 0.05};
		int t = 60;

		bench_init(&b);
		hear(&b, &m, t, t + 20, 2000, 4);
		m.hours_step_h = 0;
		hear(&b, &m, t + 20, t + 10800, 2000, 4);
		t += 10800;
		hear(&b, &m, t, t + 60, 0, 0);
		unheard(&m, unseen_s, unseen_s > 0 ? 4 : 0);
		t += 43200;
		m.hours_step_h = 0.05;
		hear(&b, &m, t, t + 60, 0, 0);
		hear(&b, &m, t + 60, t + 660, 2000, 4);
		hear(&b, &m, t + 660, t + 720, 0, 0);
		engine_log_finish(&b.engine);
		assert_int_equal(run_count(&b), unseen_s > 0 ? 3 : 2);
		near(engine_log_hours_total(&b.engine), (10800 + unseen_s + 600) / 3600.0, 0.12);
	}
}

static void a_run_whose_engine_falls_silent_is_closed_within_the_hour(void **state)
{
	struct bench b;
	struct meters m = {.hours_h = 40, .hours_step_h = 0.05};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 4);
	for (int64_t t = 600; t < 3 * 3600; t += 10) {
		engine_log_tick(&b.engine, t * S);
	}
	assert_int_equal(run_count(&b), 1);
	assert_false(b.runs[1].open);
	assert_true(b.runs[1].end_ns == 599 * S);
	near(b.runs[1].fuel_l, 600 * 4.0 / 3600, 0.01);

	/* The same with a new session, recorder off and on, before the hour is over. */
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 4);
	engine_log_session(&b.engine, 2, 610 * S, 1000 * S);
	engine_log_settle(&b.engine, 1000 * S, 390 * S, true);
	for (int64_t t = 1000; t < 3 * 3600; t += 10) {
		engine_log_tick(&b.engine, t * S);
	}
	assert_false(b.runs[1].open);
}

static void trips_are_divided_by_the_pause(void **state)
{
	struct bench b;
	struct meters m = {0};

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 600, 2000, 3);
	hear(&b, &m, 600, 3000, 0, 0);
	hear(&b, &m, 3000, 3600, 2000, 3);
	hear(&b, &m, 3600, 8000, 0, 0);
	hear(&b, &m, 8000, 8600, 2000, 3);
	engine_log_finish(&b.engine);
	trip_log_finish(&b.trips);
	assert_int_equal(run_count(&b), 3);
	assert_int_equal(b.runs[1].trip, 1);
	assert_int_equal(b.runs[2].trip, 1);
	assert_int_equal(b.runs[3].trip, 2);
	assert_true(b.trip_facts[1].end_ns == 3599 * S && !b.trip_facts[1].open);
}

/* 30 min at 6 kn by hand: 3 nm, whether the first minute was known to be movement or not. */
static void movement_alone_is_a_trip_with_its_distance(void **state)
{
	struct bench b;

	(void)state;
	bench_init(&b);
	for (int64_t w = 0; w < 60; w++) {
		trip_log_window(&b.trips, w, 0.2);
	}
	for (int64_t w = 60; w < 240; w++) {
		trip_log_window(&b.trips, w, 6);
	}
	for (int64_t w = 240; w < 1000; w++) {
		trip_log_window(&b.trips, w, 0.1);
	}
	assert_true(b.trip_known[1] && !b.trip_facts[1].open);
	near(b.trip_facts[1].distance_nm, 3.0, 1e-9);
	assert_true(b.trip_facts[1].start_ns == 60 * WINDOW_NS);
	assert_true(b.trip_facts[1].end_ns == 240 * WINDOW_NS);
}

/* The clock is stepped in the middle of a run: one run, one trip, nothing counted twice. */
static void a_step_of_the_clock_does_not_cut_the_run(void **state)
{
	struct bench b;
	struct meters m = {.hours_h = 7, .hours_step_h = 1.0 / 3600};
	int64_t into = 0;

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 1000, 2000, 3);
	int from = 100000;
	trip_log_session(&b.trips, 2, from * S);
	engine_log_session(&b.engine, 2, 999 * S, from * S);
	hear(&b, &m, from, from + 30, 2000, 3);
	int64_t withdrawn = trip_log_settle(&b.trips, 999 * S, from * S, S, &into);
	assert_int_equal(withdrawn, 2);
	engine_log_retrip(&b.engine, withdrawn, into);
	engine_log_settle(&b.engine, (from + 29) * S, S, true);
	hear(&b, &m, from + 30, from + 800, 2000, 3);
	hear(&b, &m, from + 800, from + 900, 0, 0);
	assert_int_equal(run_count(&b), 1);
	assert_int_equal(b.last_run, 1);
	assert_int_equal(b.runs[1].trip, 1);
	assert_int_equal(b.runs[1].start_session, 1);
	assert_int_equal(b.runs[1].end_session, 2);
	near(b.runs[1].engine_h * 3600, 1800, 2);
	near(b.runs[1].fuel_l, 1.5, 0.01);
}

/* The engine's speed is told each second; something else of it was heard last before a seam, and first
 * behind it. */
static void no_time_is_lost_between_the_last_speed_and_a_seam(void **state)
{
	const int64_t tenth = S / 10;
	struct bench b;
	struct meters m = {0};
	int64_t into = 0;

	(void)state;
	bench_init(&b);
	hear(&b, &m, 0, 100, 2000, 3); /* the last at 99 s */
	engine_log_hear(&b.engine, 994 * tenth);
	trip_log_session(&b.trips, 2, 5000 * S);
	engine_log_session(&b.engine, 2, 995 * tenth, 5000 * S);
	engine_log_hear(&b.engine, 5000 * S + tenth);
	int64_t withdrawn = trip_log_settle(&b.trips, 995 * tenth, 5000 * S, 2 * tenth, &into);
	engine_log_retrip(&b.engine, withdrawn, into);
	engine_log_settle(&b.engine, 5000 * S + tenth, 2 * tenth, true);
	hear(&b, &m, 5001, 5102, 2000, 3);
	engine_log_snapshot(&b.engine);
	/* 99 s, then 0.5 s to the seam, 0.2 s in it, 1 s behind it, then 100 s. */
	near(b.runs[1].engine_h * 3600, 99 + 0.5 + 0.2 + 1 + 100, 0.001);
	near(b.runs[1].unobserved_h * 3600, 0.5 + 0.2 + 1, 0.001);
	near(b.runs[1].fuel_l, 3 * 200.7 / 3600, 0.002);
}

static void a_pump_moves_its_flow_in_proportion_to_speed(void **state)
{
	struct bench b;
	struct meters m = {0};

	(void)state;
	bench_init(&b);
	b.boat.engines[0].supply = SUPPLY_PUMP;
	b.boat.engines[0].pump_lph = 30;
	b.boat.engines[0].pump_rpm = 3000;
	hear(&b, &m, 0, 3600, 2000, 4);
	hear(&b, &m, 3600, 3700, 0, 0);
	near(b.runs[1].supply_l, 20, 0.02);
	near(b.runs[1].fuel_l, 4, 0.01);
}

/* Cut into pieces at every fifth second, saved and loaded between them: the same facts to the last
 * bit. */
static void through_a_checkpoint(struct bench *b)
{
	uint8_t bytes[2048];
	struct state_writer w;
	struct state_reader r;

	state_writer_init(&w, bytes, sizeof(bytes));
	engine_log_save(&b->engine, &w);
	trip_log_save(&b->trips, &w);
	assert_false(w.failed);
	memset(&b->trips, 0xAA, sizeof(b->trips));
	trip_log_init(&b->trips, &b->boat, &b->sink);
	engine_log_init(&b->engine, 0, &b->boat, &b->sink, &b->trips, &b->last_run);
	state_reader_init(&r, bytes, w.used);
	engine_log_load(&b->engine, &r);
	trip_log_load(&b->trips, &r);
	assert_false(r.failed);
	assert_int_equal(r.used, r.size);
}

static void a_resumed_log_tells_the_same(void **state)
{
	struct bench whole;
	struct bench pieces;

	(void)state;
	for (int k = 0; k < 2; k++) {
		struct bench *b = k == 0 ? &whole : &pieces;
		struct meters m = {.hours_h = 512,
			.total_l = 1000.2,
			.hours_step_h = 0.05,
			.total_step_l = 0.5};
		bench_init(b);
		for (int t = 0; t < 3000; t += 5) {
			bool on = t >= 100 && t < 2500;
			if (t == 1000) {
				unheard(&m, 400, 3);
				t += 400;
			}
			hear(b, &m, t, t + 5, on ? 1800 : 0, on ? 2.5 + t % 50 * 0.05 : 0);
			if (k == 1) {
				through_a_checkpoint(b);
			}
		}
		engine_log_finish(&b->engine);
		trip_log_finish(&b->trips);
	}
	assert_int_equal(run_count(&whole), 1);
	const struct fact_run *a = &whole.runs[1];
	const struct fact_run *b = &pieces.runs[1];
	assert_true(a->start_ns == b->start_ns && a->end_ns == b->end_ns);
	assert_true(a->engine_h == b->engine_h && a->unobserved_h == b->unobserved_h);
	assert_true(a->fuel_l == b->fuel_l && a->fuel_estimated_l == b->fuel_estimated_l);
	assert_true(a->fuel_uncertainty_l == b->fuel_uncertainty_l);
	assert_true(whole.trip_facts[1].end_ns == pieces.trip_facts[1].end_ns);
}

/* Half an hour unheard behind a clock that then says a second: the hour meter knows better, also
 * when the log was closed and opened before it spoke. */
static void a_doubtful_gap_is_still_doubtful_after_a_checkpoint(void **state)
{
	(void)state;
	for (int resumed = 0; resumed < 2; resumed++) {
		struct bench b;
		struct meters m = {.hours_h = 7, .hours_step_h = 1.0 / 3600};
		bench_init(&b);
		hear(&b, &m, 0, 1000, 2000, 3);
		unheard(&m, 1800, 3);
		engine_log_session(&b.engine, 1, 999 * S, 1000 * S);
		engine_log_settle(&b.engine, 1000 * S, S, false);
		if (resumed) {
			through_a_checkpoint(&b);
		}
		hear(&b, &m, 1001, 1600, 2000, 3);
		hear(&b, &m, 1600, 1700, 0, 0);
		assert_int_equal(run_count(&b), 1);
		near(b.runs[1].engine_h * 3600, 3400, 5);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_run_has_its_hours_idle_and_litres),
		cmocka_unit_test(cranking_and_a_stall_do_not_make_runs_of_their_own),
		cmocka_unit_test(what_is_injected_while_cranking_belongs_to_the_run_that_follows),
		cmocka_unit_test(gear_in_neutral_is_idle_at_any_speed_and_in_gear_is_not),
		cmocka_unit_test(the_run_goes_on_through_a_silence_if_the_meters_say_so),
		cmocka_unit_test(the_run_ended_in_a_silence_if_the_meters_stood),
		cmocka_unit_test(what_ran_unseen_is_a_run_of_its_own),
		cmocka_unit_test(what_ran_on_a_little_ends_when_it_ended),
		cmocka_unit_test(
			without_a_counter_the_unseen_is_filled_from_hours_and_learned_burn),
		cmocka_unit_test(a_new_engine_computer_is_not_a_thousand_hours),
		cmocka_unit_test(a_meter_that_is_heard_seldom_counts_nothing_twice),
		cmocka_unit_test(a_run_whose_engine_falls_silent_is_closed_within_the_hour),
		cmocka_unit_test(trips_are_divided_by_the_pause),
		cmocka_unit_test(movement_alone_is_a_trip_with_its_distance),
		cmocka_unit_test(a_step_of_the_clock_does_not_cut_the_run),
		cmocka_unit_test(no_time_is_lost_between_the_last_speed_and_a_seam),
		cmocka_unit_test(a_pump_moves_its_flow_in_proportion_to_speed),
		cmocka_unit_test(a_resumed_log_tells_the_same),
		cmocka_unit_test(a_doubtful_gap_is_still_doubtful_after_a_checkpoint),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
