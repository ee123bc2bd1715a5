/* Buses that do not live, as a boat has them. Expectations are the words of traffic_watch.h. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "analysis/traffic_watch.h"
#include "tests/unit/boat_traffic.h"

#define LOST  "source-lost"
#define FAULT "bus-fault"

/* Error frames of linux/can/error.h: class bits, data[1] the controller, data[2] the protocol. */
#define CLASS_CONTROLLER 0x004U
#define CLASS_PROTOCOL   0x008U
#define CLASS_BUS_OFF    0x040U
#define CLASS_RESTARTED  0x100U

static void error_frame(struct traffic_boat *b, uint32_t class_bits, uint8_t controller, uint8_t protocol)
{
	struct frame frame = {
		.t_ns = b->t_ns,
		.id = class_bits,
		.kind = FRAME_ERROR,
		.len = 8,
		.data = {0, controller, protocol},
	};

	traffic_frames(b, &frame, 1);
}

/* Errors at so many a second beside the boat's traffic. */
static void run_with_errors(struct traffic_boat *b, int seconds, int rate)
{
	for (int i = 0; i < seconds; i++) {
		for (int k = 0; k < rate; k++) {
			error_frame(b, CLASS_PROTOCOL, 0, 0x04);
		}
		traffic_run(b, 1);
	}
}

static void a_flood_of_errors_is_told_with_its_commonest_cause(void **state)
{
	struct traffic_boat b;
	const struct fact_event *event;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 60);
	run_with_errors(&b, 25, 50);
	assert_int_equal(b.told, 0); /* a burst is none */
	run_with_errors(&b, 20, 50);
	assert_int_equal(traffic_count(&b, FAULT), 1);
	event = traffic_last(&b, FAULT);
	assert_string_equal(event->subject, "bus can0");
	assert_int_equal(event->severity, SEVERITY_CAUTION);
	assert_true(event->value > 45 && event->value < 55);
	assert_string_equal(event->unit, "1/s");
	assert_non_null(strstr(event->message, "wrong bit rate"));
	assert_non_null(strstr(event->message, "terminators"));
	traffic_run(&b, 50);
	assert_true(traffic_is_up(&b, FAULT)); /* a minute of quiet clears it */
	traffic_run(&b, 30);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void a_few_errors_are_no_fault(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	run_with_errors(&b, 3600, 5);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void bus_off_is_told_at_once_and_cleared_by_traffic(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 63);
	error_frame(&b, CLASS_BUS_OFF, 0, 0);
	assert_true(traffic_is_up(&b, FAULT));
	assert_int_equal(traffic_last(&b, FAULT)->severity, SEVERITY_WARNING);
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "bus-off"));
	b.t_ns += 20 * TRAFFIC_S;
	traffic_run(&b, 30);
	assert_false(traffic_is_up(&b, FAULT));
	assert_int_equal(traffic_count(&b, FAULT), 2);
	traffic_end(&b);
}

static void bus_off_is_cleared_by_a_restart(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 63);
	error_frame(&b, CLASS_BUS_OFF, 0, 0);
	b.t_ns += TRAFFIC_S / 2;
	error_frame(&b, CLASS_RESTARTED, 0, 0);
	traffic_run(&b, 15);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void error_passive_is_told_when_it_stays(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 60);
	error_frame(&b, CLASS_CONTROLLER, 0x10, 0);
	traffic_run(&b, 5);
	error_frame(&b, CLASS_CONTROLLER, 0x40, 0);
	traffic_run(&b, 60);
	assert_int_equal(b.told, 0);
	error_frame(&b, CLASS_CONTROLLER, 0x10, 0);
	traffic_run(&b, 40);
	assert_true(traffic_is_up(&b, FAULT));
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "error-passive"));
	/* A driver that does not tell of recovery: two minutes without an error are one. */
	traffic_run(&b, 60);
	assert_true(traffic_is_up(&b, FAULT));
	b.every_s[SENDER_DEPTH] = 1;
	traffic_run(&b, 180);
	assert_true(!traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void a_graver_trouble_takes_the_events_place(void **state)
{
	struct traffic_boat b;
	int64_t number;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 60);
	run_with_errors(&b, 45, 50);
	number = traffic_last(&b, FAULT)->event;
	error_frame(&b, CLASS_BUS_OFF, 0, 0);
	assert_true(traffic_is_up(&b, FAULT));
	assert_int_equal(traffic_last(&b, FAULT)->event, number);
	assert_int_equal(traffic_last(&b, FAULT)->severity, SEVERITY_WARNING);
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "bus-off"));
	traffic_end(&b);
}

static void frames_of(struct traffic_boat *b, uint32_t id, int count)
{
	struct frame frame = {.t_ns = b->t_ns, .id = id, .kind = FRAME_EXTENDED, .len = 8};

	for (int i = 0; i < count; i++) {
		traffic_frames(b, &frame, 1);
	}
}

static void a_babbling_sender_is_named(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 60);
	for (int i = 0; i < 45; i++) {
		frames_of(&b, 0x18FF4277, 1200);
		traffic_run(&b, 1);
	}
	assert_true(traffic_is_up(&b, FAULT));
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "Address 119 on can0"));
	assert_true(traffic_last(&b, FAULT)->value > 1190);
	traffic_run(&b, 45);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void a_busy_sender_is_not_a_babbling_one(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	for (int i = 0; i < 600; i++) {
		frames_of(&b, 0x18FF4277, 500);
		frames_of(&b, 0x18FF4278, 500);
		traffic_run(&b, 1);
	}
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void a_storm_of_address_claims_is_told(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	/* Power-up: everybody claims, twice. */
	for (uint32_t i = 0; i < 25; i++) {
		frames_of(&b, 0x18EEFF00U + i, 2);
	}
	traffic_run(&b, 300);
	assert_int_equal(b.told, 0);
	for (int i = 0; i < 45; i++) {
		frames_of(&b, 0x18EEFF23, 5);
		traffic_run(&b, 1);
	}
	assert_true(traffic_is_up(&b, FAULT));
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "claimed"));
	traffic_run(&b, 90);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void a_bus_silent_beside_one_that_shows_the_engine_is_a_fault(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.on[SENDER_SECOND] = true;
	traffic_run(&b, 600);
	b.on[SENDER_SECOND] = false;
	traffic_run(&b, 90);
	assert_true(traffic_is_up(&b, FAULT));
	assert_string_equal(traffic_last(&b, FAULT)->subject, "bus 1");
	/* One cause, one event: its sender is not told as well. */
	traffic_run(&b, 600);
	assert_int_equal(traffic_count(&b, LOST), 0);
	assert_int_equal(traffic_count(&b, FAULT), 1);
	b.on[SENDER_SECOND] = true;
	traffic_run(&b, 60);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void a_bus_switched_off_with_the_engine_off_is_none(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.on[SENDER_SECOND] = true;
	traffic_run(&b, 600);
	b.rpm = 0;
	traffic_run(&b, 60);
	b.on[SENDER_SECOND] = false;
	traffic_run(&b, 600);
	b.rpm = 1800;
	traffic_run(&b, 600);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void silence_of_the_only_bus_is_told_by_word_when_the_engine_ran(void **state)
{
	struct traffic_boat b;
	int64_t said_ns;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 90);
	said_ns = b.t_ns + 29 * TRAFFIC_S;
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_SILENT, said_ns);
	assert_true(traffic_is_up(&b, FAULT));
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "though an engine runs"));
	/* 30 s behind the last frame. */
	assert_true(traffic_last(&b, FAULT)->raised_ns - pipeline_steady_ns(b.pipeline) ==
		said_ns - pipeline_raw_ns(b.pipeline));
	/* It stands however long it lasts, said again each second. */
	for (int i = 0; i < 1000; i++) {
		pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_SILENT, said_ns + i * TRAFFIC_S);
	}
	assert_int_equal(traffic_count(&b, FAULT), 1);
	b.t_ns = said_ns + 1000 * TRAFFIC_S;
	traffic_run(&b, 1);
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_NONE, b.t_ns);
	traffic_run(&b, 40);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void an_engine_last_heard_long_ago_may_have_been_stopped(void **state)
{
	static const int silent_s[] = {240, 400}; /* to either side of five minutes */
	struct traffic_boat b;

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		traffic_begin(&b);
		traffic_run(&b, 90);
		pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_SILENT, b.t_ns + silent_s[i] * TRAFFIC_S);
		assert_int_equal(b.told, 1 - i);
		traffic_end(&b);
	}
}

static void a_clock_that_is_set_meanwhile_does_not_shift_the_event(void **state)
{
	const int64_t year_ns = 365 * 86400 * TRAFFIC_S;
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 90);
	pipeline_clock_stepped(b.pipeline, year_ns);
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_SILENT, b.t_ns + 29 * TRAFFIC_S + year_ns);
	assert_true(traffic_is_up(&b, FAULT));
	assert_in_range(traffic_last(&b, FAULT)->raised_ns - pipeline_steady_ns(b.pipeline),
		29 * TRAFFIC_S, 31 * TRAFFIC_S);
	traffic_end(&b);
}

static void silence_of_a_bus_never_heard_or_switched_off_is_no_news(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	pipeline_bus_word(b.pipeline, 1, BUS_TROUBLE_SILENT, b.t_ns);
	assert_int_equal(b.told, 0);
	b.on[SENDER_SECOND] = true;
	traffic_run(&b, 600);
	b.rpm = 0;
	traffic_run(&b, 60);
	b.on[SENDER_SECOND] = false;
	traffic_run(&b, 60);
	b.rpm = 1800;
	traffic_run(&b, 60);
	pipeline_bus_word(b.pipeline, 1, BUS_TROUBLE_SILENT, b.t_ns);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void silence_after_idle_or_rest_is_the_key(void **state)
{
	static const double speeds_rpm[] = {0, 750};
	struct traffic_boat b;

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		traffic_begin(&b);
		traffic_run(&b, 60);
		b.rpm = speeds_rpm[i];
		traffic_run(&b, 20);
		for (int k = 30; k < 600; k++) {
			pipeline_bus_word(
				b.pipeline, 0, BUS_TROUBLE_SILENT, b.t_ns + k * TRAFFIC_S);
		}
		assert_int_equal(b.told, 0);
		traffic_end(&b);
	}
}

static void an_interface_that_goes_and_comes_is_one_event(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_DOWN, b.t_ns + 60 * TRAFFIC_S);
	assert_true(traffic_is_up(&b, FAULT));
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "ip link set can0 up"));
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_MISSING, b.t_ns + 61 * TRAFFIC_S);
	assert_true(traffic_is_up(&b, FAULT));
	assert_non_null(strstr(traffic_last(&b, FAULT)->message, "is gone"));
	assert_int_equal(traffic_last(&b, FAULT)->event, b.events[0].event);
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_NONE, b.t_ns + 200 * TRAFFIC_S);
	assert_false(traffic_is_up(&b, FAULT));
	/* Nobody was lost meanwhile. */
	b.t_ns += 200 * TRAFFIC_S;
	traffic_run(&b, 300);
	assert_int_equal(traffic_count(&b, LOST), 0);
	traffic_end(&b);
}

static void a_word_that_is_not_said_again_goes_with_two_minutes_of_traffic(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 60);
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_MISSING, b.t_ns);
	traffic_resume(&b); /* the program ended there; a capture is replayed behind it */
	traffic_run(&b, 100);
	assert_true(traffic_is_up(&b, FAULT));
	traffic_run(&b, 60);
	assert_false(traffic_is_up(&b, FAULT));
	traffic_end(&b);
}

static void before_the_first_frame_a_word_is_not_logged(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	pipeline_bus_word(b.pipeline, 0, BUS_TROUBLE_MISSING, b.t_ns);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void play(struct traffic_boat *b)
{
	b->on[SENDER_SECOND] = true;
	traffic_run(b, 333);
	run_with_errors(b, 47, 30);
	error_frame(b, CLASS_BUS_OFF, 0, 0);
	b->t_ns += 15 * TRAFFIC_S;
	traffic_run(b, 111);
	b->on[SENDER_SECOND] = false;
	traffic_run(b, 99);
	for (int i = 0; i < 45; i++) {
		frames_of(b, 0x18EEFF23, 5);
		frames_of(b, 0x18FF4277, 1200);
		traffic_run(b, 1);
	}
	b->on[SENDER_SECOND] = true;
	traffic_run(b, 120);
}

static void resumed_anywhere_it_tells_the_same(void **state)
{
	struct traffic_boat whole, resumed;

	(void)state;
	traffic_begin(&whole);
	traffic_begin(&resumed);
	resumed.resume = true;
	play(&whole);
	play(&resumed);
	/* Runs of one second never come to the checkpoint in the middle: once more between them. */
	traffic_resume(&resumed);
	play(&whole);
	play(&resumed);
	assert_true(whole.told >= 8);
	traffic_assert_same(&whole, &resumed);
	traffic_end(&whole);
	traffic_end(&resumed);
}

/* Cut behind the first frame of the bus that speaks first. */
static void what_a_hushed_bus_brought_outlives_a_checkpoint(void **state)
{
	static uint8_t bytes[TRAFFIC_STATE_MAX];
	struct traffic_watch before = {0}, after;
	struct traffic_bus *hushed = &before.buses[1];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	traffic_watch_init(&after);
	hushed->heard = TRAFFIC_HEARD_WINDOWS;
	hushed->engines = 2;
	hushed->clean = 5;
	hushed->rests[BUS_TROUBLE_SILENT] = 2;
	hushed->rests[BUS_TROUBLE_CLAIMS] = 3;
	traffic_watch_pause(&before);
	state_writer_init(&w, bytes, sizeof(bytes));
	traffic_watch_save(&before, &w);
	state_reader_init(&r, bytes, w.used);
	traffic_watch_load(&after, &r);
	assert_true(!w.failed && !r.failed && r.used == r.size);
	assert_int_equal(after.buses[1].heard, 0);
	assert_int_equal(after.buses[1].engines, 2);
	assert_int_equal(after.buses[1].clean, 5);
	assert_memory_equal(after.buses[1].rests, hushed->rests, sizeof(hushed->rests));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_flood_of_errors_is_told_with_its_commonest_cause),
		cmocka_unit_test(a_few_errors_are_no_fault),
		cmocka_unit_test(bus_off_is_told_at_once_and_cleared_by_traffic),
		cmocka_unit_test(bus_off_is_cleared_by_a_restart),
		cmocka_unit_test(error_passive_is_told_when_it_stays),
		cmocka_unit_test(a_graver_trouble_takes_the_events_place),
		cmocka_unit_test(a_babbling_sender_is_named),
		cmocka_unit_test(a_busy_sender_is_not_a_babbling_one),
		cmocka_unit_test(a_storm_of_address_claims_is_told),
		cmocka_unit_test(a_bus_silent_beside_one_that_shows_the_engine_is_a_fault),
		cmocka_unit_test(a_bus_switched_off_with_the_engine_off_is_none),
		cmocka_unit_test(silence_of_the_only_bus_is_told_by_word_when_the_engine_ran),
		cmocka_unit_test(an_engine_last_heard_long_ago_may_have_been_stopped),
		cmocka_unit_test(a_clock_that_is_set_meanwhile_does_not_shift_the_event),
		cmocka_unit_test(silence_of_a_bus_never_heard_or_switched_off_is_no_news),
		cmocka_unit_test(silence_after_idle_or_rest_is_the_key),
		cmocka_unit_test(an_interface_that_goes_and_comes_is_one_event),
		cmocka_unit_test(a_word_that_is_not_said_again_goes_with_two_minutes_of_traffic),
		cmocka_unit_test(before_the_first_frame_a_word_is_not_logged),
		cmocka_unit_test(resumed_anywhere_it_tells_the_same),
		cmocka_unit_test(what_a_hushed_bus_brought_outlives_a_checkpoint),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
