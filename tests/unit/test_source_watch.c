/* Senders that fall silent, as a boat has them. Expectations are the words of source_watch.h. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/boat_traffic.h"

#define LOST "source-lost"
#define FAULT "bus-fault"

static void a_sender_silent_while_the_engine_runs_is_lost_and_found(void **state)
{
	struct traffic_boat b;
	const struct fact_event *event;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.on[SENDER_TANK] = false;
	traffic_run(&b, 50);
	assert_int_equal(traffic_count(&b, LOST), 0);
	traffic_run(&b, 30);
	assert_int_equal(traffic_count(&b, LOST), 1);
	event = traffic_last(&b, LOST);
	assert_string_equal(event->subject, "source 20 on can0");
	assert_int_equal(event->severity, SEVERITY_CAUTION);
	assert_string_equal(event->unit, "s");
	assert_true(event->value == 60);
	assert_non_null(strstr(event->message, "the tank's level"));
	assert_non_null(strstr(event->message, "power, fuse and plug"));
	traffic_run(&b, 1200);
	assert_int_equal(traffic_count(&b, LOST), 1); /* told once */
	b.on[SENDER_TANK] = true;
	traffic_run(&b, 40);
	assert_int_equal(traffic_count(&b, LOST), 2);
	assert_true(traffic_last(&b, LOST)->has_cleared);
	assert_int_equal(traffic_count(&b, FAULT), 0);
	traffic_end(&b);
}

static void a_flapping_sender_keeps_its_number_within_ten_minutes(void **state)
{
	struct traffic_boat b;
	int64_t first;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.on[SENDER_TANK] = false;
	traffic_run(&b, 90);
	first = traffic_last(&b, LOST)->event;
	b.on[SENDER_TANK] = true;
	traffic_run(&b, 60);
	assert_false(traffic_is_up(&b, LOST));
	b.on[SENDER_TANK] = false;
	traffic_run(&b, 90);
	assert_true(traffic_is_up(&b, LOST));
	assert_int_equal(traffic_last(&b, LOST)->event, first);
	traffic_end(&b);
}

static void what_is_switched_off_with_the_engine_off_is_not_lost(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.rpm = 0;
	traffic_run(&b, 60);
	b.on[SENDER_POSITION] = false;
	traffic_run(&b, 900);
	b.rpm = 1800;
	traffic_run(&b, 900);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void the_key_turned_at_idle_loses_nothing(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.rpm = 800;
	traffic_run(&b, 30);
	b.on[SENDER_ENGINE] = false;
	b.on[SENDER_SENSOR] = false; /* on the same key */
	traffic_run(&b, 1800);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void one_of_two_engines_may_be_shut_down(void **state)
{
	static const double last_rpm[] = {0, 700};
	struct traffic_boat b;

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		traffic_begin(&b);
		b.on[SENDER_OTHER_ENGINE] = true;
		traffic_run(&b, 600);
		b.other_rpm = last_rpm[i];
		traffic_run(&b, 30);
		b.on[SENDER_OTHER_ENGINE] = false;
		traffic_run(&b, 3600);
		assert_int_equal(b.told, 0);
		/* But not at speed. */
		b.on[SENDER_OTHER_ENGINE] = true;
		b.other_rpm = 1800;
		traffic_run(&b, 60);
		b.on[SENDER_OTHER_ENGINE] = false;
		traffic_run(&b, 90);
		assert_true(traffic_is_up(&b, LOST));
		assert_string_equal(traffic_last(&b, LOST)->subject, "source 11 on can0");
		traffic_end(&b);
	}
}

static void the_engines_sender_silent_at_speed_is_lost(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.on[SENDER_ENGINE] = false;
	traffic_run(&b, 90);
	assert_true(traffic_is_up(&b, LOST));
	assert_string_equal(traffic_last(&b, LOST)->subject, "source 10 on can0");
	assert_non_null(strstr(traffic_last(&b, LOST)->message, "engine 0"));
	traffic_end(&b);
}

static void holes_in_all_traffic_mean_nothing(void **state)
{
	static const int holes_s[] = {8, 30, 59, 61, 400, 7200};
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	for (int i = 0; i < 60; i++) {
		traffic_run(&b, i % 17);
		b.t_ns += holes_s[i % 6] * TRAFFIC_S;
	}
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void a_recorder_awake_one_second_in_ten_raises_nothing(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.every_s[SENDER_TANK] = 3;
	for (int i = 0; i < 2000; i++) {
		traffic_run(&b, 1);
		b.t_ns += 9 * TRAFFIC_S;
	}
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void a_slow_sender_is_given_three_of_its_pauses(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.every_s[SENDER_TANK] = 60;
	traffic_run(&b, 3600);
	assert_int_equal(b.told, 0);
	b.on[SENDER_TANK] = false; /* it was last heard a minute ago */
	traffic_run(&b, 80);
	assert_int_equal(b.told, 0);
	traffic_run(&b, 60);
	assert_true(traffic_is_up(&b, LOST));
	traffic_end(&b);
}

static void a_sender_that_pauses_for_six_minutes_is_never_missed(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.every_s[SENDER_TANK] = 360;
	b.rpm = 0;
	traffic_run(&b, 20 * 3600);
	b.rpm = 1800;
	traffic_run(&b, 20 * 3600);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void a_night_without_it_at_the_beginning_makes_no_sender_a_slow_one(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 120);
	b.on[SENDER_TANK] = false;
	b.rpm = 0;
	traffic_run(&b, 8 * 3600);
	b.on[SENDER_TANK] = true;
	b.rpm = 1800;
	traffic_run(&b, 600);
	b.on[SENDER_TANK] = false;
	traffic_run(&b, 90);
	assert_true(traffic_is_up(&b, LOST));
	traffic_end(&b);
}

static void guests_of_many_years_leave_room_for_the_boats_own(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.on[SENDER_DEPTH] = false;
	b.rpm = 0;
	for (int i = 0; i < 100; i++) {
		b.address[SENDER_SENSOR] = (uint8_t)(100 + i);
		traffic_run(&b, 400);
		b.on[SENDER_SENSOR] = false;
		traffic_run(&b, 3000);
		b.on[SENDER_SENSOR] = true;
	}
	b.on[SENDER_DEPTH] = true;
	b.rpm = 1800;
	traffic_run(&b, 600);
	b.on[SENDER_DEPTH] = false;
	traffic_run(&b, 90);
	assert_int_equal(traffic_count(&b, LOST), 1);
	assert_string_equal(traffic_last(&b, LOST)->subject, "source 50 on can0");
	traffic_end(&b);
}

static void a_sender_seen_for_a_moment_is_not_missed(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	b.on[SENDER_DEPTH] = false;
	traffic_run(&b, 600);
	b.on[SENDER_DEPTH] = true;
	traffic_run(&b, 120);
	b.on[SENDER_DEPTH] = false;
	traffic_run(&b, 1200);
	assert_int_equal(b.told, 0);
	traffic_end(&b);
}

static void half_the_senders_at_once_are_one_bus_fault(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.on[SENDER_TANK] = false;
	b.on[SENDER_POSITION] = false;
	b.on[SENDER_SENSOR] = false;
	traffic_run(&b, 90);
	assert_int_equal(traffic_count(&b, LOST), 0);
	assert_int_equal(traffic_count(&b, FAULT), 1);
	assert_string_equal(traffic_last(&b, FAULT)->subject, "bus can0");
	assert_int_equal(traffic_last(&b, FAULT)->severity, SEVERITY_WARNING);
	assert_true(traffic_last(&b, FAULT)->value == 3);
	assert_true(traffic_last(&b, FAULT)->limit == 5);
	/* Two of them come back: the fault is gone, the third is lost for itself. */
	b.on[SENDER_TANK] = true;
	b.on[SENDER_POSITION] = true;
	traffic_run(&b, 40);
	assert_false(traffic_is_up(&b, FAULT));
	assert_int_equal(traffic_count(&b, LOST), 1);
	assert_string_equal(traffic_last(&b, LOST)->subject, "source 40 on can0");
	traffic_end(&b);
}

static void claim(struct traffic_boat *b, uint8_t address, uint32_t identity)
{
	struct frame frame = {
		.t_ns = b->t_ns,
		.id = identifier_build(6, 60928, ADDRESS_GLOBAL, address),
		.kind = FRAME_EXTENDED,
		.len = 8,
		.data = {(uint8_t)identity, (uint8_t)(identity >> 8), (uint8_t)(identity >> 16),
			(uint8_t)(identity >> 24), 0, 130, 50, 0xC0},
	};

	traffic_frames(b, &frame, 1);
}

static void a_sender_that_changes_its_address_is_not_lost(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	claim(&b, 20, 0x12345678);
	traffic_run(&b, 600);
	b.address[SENDER_TANK] = 99;
	claim(&b, 99, 0x12345678);
	traffic_run(&b, 600);
	assert_int_equal(b.told, 0);
	/* It is known by its new address, at once. */
	b.on[SENDER_TANK] = false;
	traffic_run(&b, 90);
	assert_string_equal(traffic_last(&b, LOST)->subject, "source 99 on can0");
	traffic_end(&b);
}

static void a_loss_made_good_by_another_source_is_only_advice(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.address[SENDER_TANK] = 21; /* another sender of the same tank, from now on */
	traffic_run(&b, 120);
	assert_true(traffic_is_up(&b, LOST));
	assert_string_equal(traffic_last(&b, LOST)->subject, "source 20 on can0");
	assert_int_equal(traffic_last(&b, LOST)->severity, SEVERITY_ADVICE);
	assert_non_null(strstr(traffic_last(&b, LOST)->message, "taken over"));
	traffic_end(&b);
}

static void a_steady_sensor_that_stays_away_at_the_next_start_is_missed(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 4 * 3600);
	b.rpm = 0;
	traffic_run(&b, 60);
	b.t_ns += 90 * 86400 * TRAFFIC_S; /* a winter */
	b.on[SENDER_SENSOR] = false;
	b.on[SENDER_POSITION] = false; /* no analysis of fuel hangs on it */
	b.rpm = 1500;
	traffic_run(&b, 570);
	assert_int_equal(traffic_count(&b, LOST), 0);
	traffic_run(&b, 60);
	assert_int_equal(traffic_count(&b, LOST), 1);
	assert_string_equal(traffic_last(&b, LOST)->subject, "source 40 on can0");
	traffic_end(&b);
}

static void a_lost_sender_stays_told_when_the_engine_stops_and_starts(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.on[SENDER_SENSOR] = false;
	traffic_run(&b, 120);
	b.rpm = 0;
	traffic_run(&b, 900);
	b.rpm = 1800;
	traffic_run(&b, 900);
	assert_int_equal(traffic_count(&b, LOST), 1);
	assert_true(traffic_is_up(&b, LOST));
	traffic_end(&b);
}

static void a_sender_taken_off_for_good_is_forgotten(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	traffic_run(&b, 600);
	b.on[SENDER_DEPTH] = false;
	traffic_run(&b, 120);
	assert_true(traffic_is_up(&b, LOST));
	for (size_t i = 0; i < TRAFFIC_SENDERS; i++) {
		b.every_s[i] = 2; /* enough, and the test is quicker */
	}
	traffic_run(&b, 49 * 3600);
	assert_true(traffic_is_up(&b, LOST));
	traffic_run(&b, 3600);
	assert_false(traffic_is_up(&b, LOST));
	traffic_end(&b);
}

static void senders_without_number_leave_room_for_the_boats_own(void **state)
{
	struct traffic_boat b;

	(void)state;
	traffic_begin(&b);
	for (int i = 0; i < 250; i++) {
		claim(&b, (uint8_t)i, 0x1000U + (uint32_t)i);
	}
	traffic_run(&b, 900);
	b.on[SENDER_TANK] = false;
	traffic_run(&b, 90);
	assert_true(traffic_is_up(&b, LOST));
	traffic_end(&b);
}

/* The same course of things, with what it told. */
static void play(struct traffic_boat *b)
{
	traffic_run(b, 457);
	b->on[SENDER_TANK] = false;
	traffic_run(b, 143);
	b->on[SENDER_TANK] = true;
	traffic_run(b, 61);
	b->on[SENDER_TANK] = false;
	b->on[SENDER_POSITION] = false;
	b->on[SENDER_SENSOR] = false;
	traffic_run(b, 200);
	b->on[SENDER_POSITION] = true;
	b->on[SENDER_TANK] = true;
	traffic_run(b, 100);
	b->on[SENDER_ENGINE] = false;
	traffic_run(b, 100);
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
	assert_true(whole.told >= 6);
	traffic_assert_same(&whole, &resumed);
	traffic_end(&whole);
	traffic_end(&resumed);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_sender_silent_while_the_engine_runs_is_lost_and_found),
		cmocka_unit_test(a_flapping_sender_keeps_its_number_within_ten_minutes),
		cmocka_unit_test(what_is_switched_off_with_the_engine_off_is_not_lost),
		cmocka_unit_test(the_key_turned_at_idle_loses_nothing),
		cmocka_unit_test(one_of_two_engines_may_be_shut_down),
		cmocka_unit_test(the_engines_sender_silent_at_speed_is_lost),
		cmocka_unit_test(holes_in_all_traffic_mean_nothing),
		cmocka_unit_test(a_recorder_awake_one_second_in_ten_raises_nothing),
		cmocka_unit_test(a_slow_sender_is_given_three_of_its_pauses),
		cmocka_unit_test(a_sender_that_pauses_for_six_minutes_is_never_missed),
		cmocka_unit_test(a_night_without_it_at_the_beginning_makes_no_sender_a_slow_one),
		cmocka_unit_test(guests_of_many_years_leave_room_for_the_boats_own),
		cmocka_unit_test(a_sender_seen_for_a_moment_is_not_missed),
		cmocka_unit_test(half_the_senders_at_once_are_one_bus_fault),
		cmocka_unit_test(a_sender_that_changes_its_address_is_not_lost),
		cmocka_unit_test(a_loss_made_good_by_another_source_is_only_advice),
		cmocka_unit_test(a_steady_sensor_that_stays_away_at_the_next_start_is_missed),
		cmocka_unit_test(a_lost_sender_stays_told_when_the_engine_stops_and_starts),
		cmocka_unit_test(a_sender_taken_off_for_good_is_forgotten),
		cmocka_unit_test(senders_without_number_leave_room_for_the_boats_own),
		cmocka_unit_test(resumed_anywhere_it_tells_the_same),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
