#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/pipeline.h"
#include "decoders/encode.h"

#define S   INT64_C(1000000000)
#define MS  INT64_C(1000000)
#define MAY (INT64_C(1777622400) * S)

static uint64_t random_state;

static uint32_t random_bits(void)
{
	random_state = random_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
	return (uint32_t)(random_state >> 32);
}

/* Everything that the sink heard, folded so that two tellings can be compared, and the last of each
 * kind. */
struct told {
	uint64_t fold;
	uint64_t windows;
	int runs;
	int sessions;
	int events;
	struct fact_run run;
	struct fact_trip trip;
	struct fact_session session;
	struct fact_event event;
	double speed_mean;
	uint16_t speed_slot;
};

static void fold_double(struct told *t, double value)
{
	uint64_t bits;

	memcpy(&bits, &value, sizeof(bits));
	t->fold = (t->fold ^ bits) * UINT64_C(0x9E3779B97F4A7C15);
	t->fold ^= t->fold >> 29;
}

static void on_session(void *context, const struct fact_session *session)
{
	struct told *t = context;

	t->session = *session;
	t->sessions = session->session > t->sessions ? (int)session->session : t->sessions;
	fold_double(t, (double)session->first_ns);
	fold_double(t, (double)session->utc_offset_ns);
}

static void on_slot(void *context, const struct fact_slot *slot)
{
	struct told *t = context;

	if (slot->signal == SIGNAL_ENGINE_SPEED) {
		t->speed_slot = slot->slot;
	}
	fold_double(t, slot->slot * 1000.0 + slot->signal);
}

static void on_window(void *context, const struct fact_window *window)
{
	struct told *t = context;

	t->windows++;
	fold_double(t, (double)window->window);
	for (size_t i = 0; i < window->count; i++) {
		fold_double(t, window->readings[i].mean);
		fold_double(t, window->readings[i].low);
		fold_double(t, window->readings[i].high);
		fold_double(t, window->readings[i].count);
		if (window->readings[i].slot == t->speed_slot) {
			t->speed_mean = window->readings[i].mean;
		}
	}
}

static void on_run(void *context, const struct fact_run *run)
{
	struct told *t = context;

	t->run = *run;
	t->runs = run->run > t->runs ? (int)run->run : t->runs;
	fold_double(t, run->fuel_l);
	fold_double(t, run->engine_h);
	fold_double(t, run->fuel_uncertainty_l);
}

static void on_trip(void *context, const struct fact_trip *trip)
{
	struct told *t = context;

	t->trip = *trip;
	fold_double(t, (double)trip->end_ns);
	fold_double(t, trip->distance_nm);
}

static void on_event(void *context, const struct fact_event *event)
{
	struct told *t = context;

	t->event = *event;
	t->events++;
}

static struct fact_sink sink_of(struct told *t)
{
	return (struct fact_sink){
		.context = t,
		.on_session = on_session,
		.on_slot = on_slot,
		.on_window = on_window,
		.on_run = on_run,
		.on_trip = on_trip,
		.on_event = on_event,
	};
}

/* A recording of frames, built by the tests. */
struct tape {
	struct frame *frames;
	size_t count;
	size_t room;
	uint8_t sequence;
};

static void tape_put(struct tape *tape, uint32_t pgn, uint8_t source, uint8_t bus,
	uint16_t instance, int64_t t_ns, enum signal_id a, double va, enum signal_id b, double vb)
{
	int row = message_row_find(pgn);
	struct encode_value values[2] = {
		{.field = (uint16_t)encode_field_of((size_t)row, a), .value = va},
		{.field = (uint16_t)encode_field_of((size_t)row, b), .value = vb},
	};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	int length = encode_payload(
		(size_t)row, instance, values, a == b ? 1 : 2, payload, sizeof(payload));
	struct encode_header header = {
		.pgn = pgn,
		.priority = 3,
		.source = source,
		.destination = ADDRESS_GLOBAL,
		.bus = bus,
		.sequence = tape->sequence++ & 7,
		.t_ns = t_ns,
		.step_ns = 500000,
	};

	assert_true(length > 0);
	int n = encode_frames(encode_way_of((size_t)row, (size_t)length), &header, payload,
		(size_t)length, frames, ENCODE_FRAMES_MAX);
	assert_true(n > 0);
	while (tape->count + (size_t)n > tape->room) {
		tape->room = tape->room == 0 ? 4096 : tape->room * 2;
		tape->frames = realloc(tape->frames, tape->room * sizeof(struct frame));
		assert_non_null(tape->frames);
	}
	memcpy(tape->frames + tape->count, frames, (size_t)n * sizeof(struct frame));
	tape->count += (size_t)n;
}

/* An NMEA 2000 engine for some seconds: speed at 10 Hz, rate and hours at 2 Hz by fast packet,
 * speed over ground at 1 Hz, the time at 1 Hz. utc_ns: the true time; shift_ns: the recorder's
 * error. */
static void tape_engine(struct tape *tape, int64_t utc_ns, int seconds, double rpm, double lph,
	int64_t shift_ns, bool bus_time)
{
	for (int i = 0; i < seconds * 10; i++) {
		int64_t true_ns = utc_ns + i * 100 * MS;
		int64_t t_ns = true_ns + shift_ns;
		tape_put(tape, 127488, 10, 0, 0, t_ns, SIGNAL_ENGINE_SPEED, rpm,
			SIGNAL_ENGINE_SPEED, 0);
		if (i % 5 == 0) {
			tape_put(tape, 127489, 10, 0, 0, t_ns + 10 * MS, SIGNAL_FUEL_RATE,
				lph + i / 5 % 3 * 0.1, SIGNAL_ENGINE_HOURS,
				(double)((true_ns - MAY) / S) / 3600);
		}
		if (i % 10 == 0) {
			tape_put(tape, 129026, 20, 0, 0, t_ns + 20 * MS, SIGNAL_GROUND_SPEED,
				rpm > 1000 ? 5.4 : 0, SIGNAL_GROUND_SPEED, 0);
			if (bus_time) {
				tape_put(tape, 126992, 20, 0, 0, t_ns + 30 * MS, SIGNAL_SYSTEM_TIME,
					(double)(true_ns / MS) / 1000 + 0.03, SIGNAL_SYSTEM_TIME,
					0);
			}
		}
	}
}

static struct pipeline *start(struct told *t)
{
	struct pipeline *p = malloc(pipeline_size());
	struct pipeline_numbers none = {0};
	struct boat boat;
	struct fact_sink sink = sink_of(t);

	assert_non_null(p);
	memset(t, 0, sizeof(*t));
	boat_init(&boat);
	pipeline_init(p, &boat, &sink);
	pipeline_start(p, &none, false);
	return p;
}

static void near(double value, double expected, double tolerance)
{
	if (!(fabs(value - expected) <= tolerance)) {
		fail_msg("%.9g is not %.9g within %.3g", value, expected, tolerance);
	}
}

/* 20 min at 2000 rpm and 5.0, 5.1, 5.2 L/h in turn: 5.1 L/h · 1/3 h = 1.7 L; 5.4 kn · 1/3 h = 1.8
 * nm. */
static void frames_become_runs_and_trips(void **state)
{
	struct tape tape = {0};
	struct told t;
	struct pipeline *p = start(&t);

	(void)state;
	tape_engine(&tape, MAY, 60, 0, 0, 0, true);
	tape_engine(&tape, MAY + 60 * S, 1200, 2000, 5, 0, true);
	tape_engine(&tape, MAY + 1260 * S, 60, 0, 0, 0, true);
	pipeline_frames(p, tape.frames, tape.count);
	pipeline_finish(p);
	assert_int_equal(t.runs, 1);
	near(t.run.engine_h, 1200.0 / 3600, 0.0001);
	near(t.run.fuel_l, 1.7, 0.003);
	near(t.trip.distance_nm, 1.8, 0.02);
	assert_int_equal(t.events, 0);
	assert_int_equal(t.sessions, 1);
	assert_int_equal(t.session.basis, CLOCK_BUS);
	assert_true(t.session.utc_offset_ns == 0);
	assert_int_equal(t.windows, 132);
	free(tape.frames);
	free(p);
}

static void an_engine_heard_on_two_buses_counts_once(void **state)
{
	struct tape tape = {0};
	struct told t;
	struct pipeline *p = start(&t);

	(void)state;
	tape_engine(&tape, MAY, 600, 2000, 5, 0, true);
	for (size_t i = 0; i < tape.count; i++) {
		struct frame twin = tape.frames[i];
		twin.bus = 1;
		twin.t_ns += MS;
		pipeline_frames(p, &tape.frames[i], 1);
		pipeline_frames(p, &twin, 1);
	}
	pipeline_finish(p);
	assert_int_equal(t.runs, 1);
	near(t.run.fuel_l, 5.1 / 6, 0.002);
	free(tape.frames);
	free(p);
}

/* The recorder is 400 days late until, in the middle of the run, its clock is set. */
static void a_clock_that_is_set_in_a_run_changes_no_litre(void **state)
{
	struct tape right = {0};
	struct tape wrong = {0};
	struct told a;
	struct told b;
	struct pipeline *p = start(&a);
	struct pipeline *q = start(&b);
	int64_t late_ns = -400 * 86400 * S;

	(void)state;
	tape_engine(&right, MAY, 1200, 2000, 5, 0, true);
	tape_engine(&right, MAY + 1200 * S, 60, 0, 0, 0, true);
	tape_engine(&wrong, MAY, 600, 2000, 5, late_ns, true);
	tape_engine(&wrong, MAY + 600 * S, 600, 2000, 5, 0, true);
	tape_engine(&wrong, MAY + 1200 * S, 60, 0, 0, 0, true);
	pipeline_frames(p, right.frames, right.count);
	pipeline_frames(q, wrong.frames, wrong.count);
	pipeline_finish(p);
	pipeline_finish(q);
	assert_int_equal(b.runs, 1);
	near(b.run.engine_h, a.run.engine_h, 1.0 / 3600);
	near(b.run.fuel_l, a.run.fuel_l, 0.003);
	assert_int_equal(b.events, 1);
	assert_string_equal(b.event.kind, "clock-step");
	near(b.event.value, 400 * 86400, 1);
	assert_int_equal(b.sessions, 2);
	free(right.frames);
	free(wrong.frames);
	free(p);
	free(q);
}

/* Saved and loaded at random frames, also in the middle of fast packets, and fed in random batches:
 * what is told is the same to the last bit. */
static void a_pipeline_cut_anywhere_tells_the_same(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	struct tape tape = {0};
	struct told whole;
	struct told cut;
	struct pipeline *p = start(&whole);
	struct pipeline_numbers none = {0};
	struct boat boat;
	size_t at = 0;
	int cuts = 0;
	size_t largest = 0;

	(void)state;
	tape_engine(&tape, MAY, 30, 0, 0, 0, false);
	tape_engine(&tape, MAY + 30 * S, 400, 2000, 5, -77 * S, true);
	tape_engine(&tape, MAY + 900 * S, 400, 1500, 3, 0, true);
	tape_engine(&tape, MAY + 1300 * S, 60, 0, 0, 0, true);
	pipeline_frames(p, tape.frames, tape.count);
	pipeline_finish(p);
	free(p);

	random_state = 7;
	p = start(&cut);
	boat_init(&boat);
	while (at < tape.count) {
		size_t n = 1 + random_bits() % 97;
		n = n > tape.count - at ? tape.count - at : n;
		pipeline_frames(p, tape.frames + at, n);
		at += n;
		struct state_writer w;
		struct state_reader r;
		struct fact_sink sink = sink_of(&cut);
		state_writer_init(&w, bytes, sizeof(bytes));
		pipeline_save(p, &w);
		assert_false(w.failed);
		largest = w.used > largest ? w.used : largest;
		free(p);
		p = malloc(pipeline_size());
		assert_non_null(p);
		memset(p, 0xA5, pipeline_size());
		pipeline_init(p, &boat, &sink);
		state_reader_init(&r, bytes, w.used);
		assert_int_equal(pipeline_load(p, &r), 0);
		cuts++;
	}
	(void)none;
	pipeline_finish(p);
	assert_in_range(cuts, 200, 100000);
	assert_true(whole.fold == cut.fold);
	assert_int_equal(whole.windows, cut.windows);
	assert_true(whole.run.fuel_l == cut.run.fuel_l);
	assert_in_range(largest, 100, 4096);
	free(tape.frames);
	free(p);
}

struct latest {
	int numbers;
	double lph;
};

static void on_latest(
	void *context, uint16_t signal, uint16_t instance, double value, int64_t heard_ns)
{
	struct latest *latest = context;

	(void)instance;
	(void)heard_ns;
	latest->numbers++;
	latest->lph = signal == SIGNAL_FUEL_RATE ? value : latest->lph;
}

static void save_and_load(struct pipeline *p, struct told *t)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	struct fact_sink sink = sink_of(t);
	struct state_writer w;
	struct state_reader r;
	struct boat boat;

	boat_init(&boat);
	state_writer_init(&w, bytes, sizeof(bytes));
	pipeline_save(p, &w);
	pipeline_init(p, &boat, &sink);
	state_reader_init(&r, bytes, w.used);
	assert_int_equal(pipeline_load(p, &r), 0);
}

/* Stopped behind the first frame of a window, a speed: the rate of the window before is not zero. */
static void a_number_from_before_a_checkpoint_is_not_told_as_another(void **state)
{
	struct tape tape = {0};
	struct latest latest = {0, NAN};
	struct told t;
	struct pipeline *p = start(&t);

	(void)state;
	tape_engine(&tape, MAY, 60, 2000, 5, 0, true);
	tape_put(&tape, 127488, 10, 0, 0, MAY + 60 * S, SIGNAL_ENGINE_SPEED, 2000,
		SIGNAL_ENGINE_SPEED, 0);
	pipeline_frames(p, tape.frames, tape.count);
	pipeline_latest(p, &latest, on_latest);
	assert_true(latest.numbers >= 4 && fabs(latest.lph - 5.2) < 0.11);
	save_and_load(p, &t);
	latest = (struct latest){0, NAN};
	pipeline_latest(p, &latest, on_latest);
	assert_int_equal(latest.numbers, 1);
	assert_true(isnan(latest.lph));
	tape.count = 0;
	tape_engine(&tape, MAY + 60 * S, 1, 2000, 5, 0, true);
	pipeline_frames(p, tape.frames, tape.count);
	pipeline_latest(p, &latest, on_latest);
	assert_true(fabs(latest.lph - 5) < 0.11);
	free(tape.frames);
	free(p);
}

static void a_snapshot_changes_nothing_that_follows(void **state)
{
	struct tape tape = {0};
	struct told plain;
	struct told looked;
	struct told aside;
	struct pipeline *p = start(&plain);
	struct pipeline *q = start(&looked);

	(void)state;
	tape_engine(&tape, MAY, 200, 2000, 5, 0, true);
	tape_engine(&tape, MAY + 500 * S, 200, 2000, 5, 0, true);
	pipeline_frames(p, tape.frames, tape.count);
	for (size_t i = 0; i < tape.count; i += 53) {
		pipeline_frames(q, tape.frames + i, tape.count - i < 53 ? tape.count - i : 53);
		aside = looked;
		pipeline_snapshot(q);
		assert_true(aside.events == looked.events);
		looked = aside;
	}
	pipeline_finish(p);
	pipeline_finish(q);
	assert_true(plain.fold == looked.fold);
	free(tape.frames);
	free(p);
	free(q);
}

static void numbers_given_elsewhere_are_not_given_again(void **state)
{
	struct tape tape = {0};
	struct told t;
	struct pipeline *p = start(&t);
	struct pipeline_numbers taken = {.session = 3, .run = 7, .trip = 5, .event = 2}, given;

	(void)state;
	tape_engine(&tape, MAY, 600, 2000, 5, 0, true);
	tape_engine(&tape, MAY + 600 * S, 600, 0, 0, 0, true);
	pipeline_frames(p, tape.frames, tape.count / 4);
	pipeline_numbers_given(p, &given);
	assert_true(given.session == 1 && given.run == 1 && given.trip == 1 && given.event == 0);
	pipeline_numbers_taken(p, &taken);
	pipeline_frames(p, tape.frames + tape.count / 4, tape.count - tape.count / 4);
	assert_true(t.run.run == 1); /* what was open keeps its number */
	tape.count = 0;
	tape_engine(&tape, MAY + 90000 * S, 300, 2000, 5, 0, true);
	pipeline_frames(p, tape.frames, tape.count);
	pipeline_finish(p);
	assert_true(t.session.session == 4 && t.run.run == 8 && t.trip.trip == 6);
	free(tape.frames);
	free(p);
}

static void a_damaged_checkpoint_is_refused(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	struct tape tape = {0};
	struct told t;
	struct pipeline *p = start(&t);
	struct state_writer w;

	(void)state;
	tape_engine(&tape, MAY, 20, 2000, 5, 0, true);
	pipeline_frames(p, tape.frames, tape.count);
	state_writer_init(&w, bytes, sizeof(bytes));
	pipeline_save(p, &w);
	random_state = 99;
	for (int i = 0; i < 400; i++) {
		struct state_reader r;
		size_t size = i % 2 == 0 ? w.used : random_bits() % w.used;
		uint8_t *copy = malloc(size + 1);
		assert_non_null(copy);
		memcpy(copy, bytes, size);
		if (i % 2 == 0) {
			copy[random_bits() % size] ^= (uint8_t)(1U << random_bits() % 8);
		}
		state_reader_init(&r, copy, size);
		assert_true(pipeline_load(p, &r) < 0);
		free(copy);
	}
	pipeline_frames(p, tape.frames, tape.count); /* and it still works, from the start */
	free(tape.frames);
	free(p);
}

/* Any bytes in any order at any time: no crash, no hang, nothing but numbers. */
static void random_frames_do_no_harm(void **state)
{
	struct told t;
	struct pipeline *p = start(&t);
	int64_t t_ns = MAY;
	size_t rows = message_row_count();

	(void)state;
	random_state = 4;
	for (int i = 0; i < 300000; i++) {
		struct frame f = {.t_ns = t_ns, .kind = FRAME_EXTENDED};
		uint32_t dice = random_bits();
		uint32_t pgn = message_row_get(random_bits() % rows)->pgn;
		f.id = identifier_build(3, pgn, 255, (uint8_t)(dice & 3));
		f.len = (uint8_t)((dice >> 8) % 9);
		f.bus = (uint8_t)((dice >> 16) % FRAME_BUS_MAX);
		for (size_t k = 0; k < f.len; k++) {
			f.data[k] = (uint8_t)random_bits();
		}
		if (dice % 1000 == 0) {
			t_ns = (int64_t)((uint64_t)random_bits() << 31 | random_bits());
		} else {
			t_ns += dice % 50 * MS;
		}
		pipeline_frames(p, &f, 1);
	}
	pipeline_finish(p);
	assert_true(t.windows > 0);
	free(p);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_become_runs_and_trips),
		cmocka_unit_test(an_engine_heard_on_two_buses_counts_once),
		cmocka_unit_test(a_clock_that_is_set_in_a_run_changes_no_litre),
		cmocka_unit_test(a_pipeline_cut_anywhere_tells_the_same),
		cmocka_unit_test(a_number_from_before_a_checkpoint_is_not_told_as_another),
		cmocka_unit_test(a_snapshot_changes_nothing_that_follows),
		cmocka_unit_test(numbers_given_elsewhere_are_not_given_again),
		cmocka_unit_test(a_damaged_checkpoint_is_refused),
		cmocka_unit_test(random_frames_do_no_harm),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
