/* A filter's reading that is gone, or stands still. Expectations are the words of mute_sensor.h; the
 * filter is a pipe of laminar flow: its restriction is proportional to what passes it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/boat_traffic.h"

#define LOST     "source-lost"
#define MINUTE   60
#define HOUR     3600
#define PUMP_LPH 120.0 /* at 2400 rpm */
#define STEP_KPA 0.5   /* of SPN 95, SAE J1939-71 */

enum sensor_state { READS, SAYS_NOTHING, STANDS_STILL };

struct filter_boat {
	struct traffic_boat traffic;
	double full_kpa; /* at 2400 rpm */
	double held_kpa;
	enum sensor_state sensor;
	bool sender_on;
};

static void begin(struct filter_boat *b, double full_kpa)
{
	struct pipeline_numbers none = {0};
	struct boat_filter *filter;
	struct fact_sink sink;

	traffic_begin(&b->traffic);
	b->full_kpa = full_kpa;
	b->held_kpa = 0;
	b->sensor = READS;
	b->sender_on = true;
	b->traffic.boat.engines[0].present = true;
	b->traffic.boat.engines[0].supply = SUPPLY_PUMP;
	b->traffic.boat.engines[0].pump_lph = PUMP_LPH;
	b->traffic.boat.engines[0].pump_rpm = 2400;
	b->traffic.boat.filter_count = 1;
	filter = &b->traffic.boat.filters[0];
	strcpy(filter->name, "primary");
	filter->sensor = SENSOR_SPN95;
	filter->sensor_kind = SENSES_DIFFERENTIAL;
	filter->limit_kpa = 40;
	sink = traffic_sink(&b->traffic);
	pipeline_init(b->traffic.pipeline, &b->traffic.boat, &sink);
	pipeline_start(b->traffic.pipeline, &none, false);
	pipeline_name_buses(b->traffic.pipeline, &(struct bus_namer){NULL, traffic_name});
}

static void end(struct filter_boat *b)
{
	traffic_end(&b->traffic);
}

/* PGN 65276, address 40: SPN 95, or the same message with 'not available' in its place. */
static void send_reading(struct filter_boat *b)
{
	int row = message_row_find(65276);
	double kpa = b->sensor == STANDS_STILL ? b->held_kpa
					       : b->full_kpa * b->traffic.rpm / 2400;
	struct encode_value given = {
		.field = (uint16_t)encode_field_of((size_t)row, SIGNAL_FUEL_FILTER),
		.state = b->sensor == SAYS_NOTHING ? READING_NOT_AVAILABLE : READING_VALID,
		.value = round(kpa / STEP_KPA) * STEP_KPA,
	};
	struct encode_header header = {.pgn = 65276,
		.priority = 6,
		.source = 40,
		.destination = ADDRESS_GLOBAL,
		.t_ns = b->traffic.t_ns + 150000000};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	int length = encode_payload((size_t)row, 0, &given, 1, payload, sizeof(payload));

	assert_true(length > 0);
	assert_int_equal(encode_frames(ENCODE_SINGLE, &header, payload, (size_t)length, frames, 4), 1);
	traffic_frames(&b->traffic, frames, 1);
}

/* At sea: ten minutes each of slow and of fast, again and again, from the fast ones on. */
static void run(struct filter_boat *b, int seconds)
{
	for (int i = 0; i < seconds; i++) {
		if (b->traffic.rpm > 0) {
			b->traffic.rpm = i / (10 * MINUTE) % 2 == 0 ? 2400 : 800;
		}
		if (b->sender_on) {
			send_reading(b);
		}
		traffic_run(&b->traffic, 1);
	}
}

static void stop(struct filter_boat *b, int seconds)
{
	b->traffic.rpm = 0;
	run(b, seconds);
	b->traffic.rpm = 800;
}

/* Four hours of running, with a rest in the middle of it. */
static void get_known(struct filter_boat *b)
{
	run(b, 2 * HOUR);
	stop(b, 20 * MINUTE);
	run(b, 2 * HOUR);
	assert_null(traffic_last(&b->traffic, LOST));
}

static void a_reading_that_is_gone_is_told_and_taken_back(void **state)
{
	struct filter_boat b;
	const struct fact_event *event;

	(void)state;
	begin(&b, 20);
	run(&b, HOUR);
	b.sensor = SAYS_NOTHING;
	run(&b, 14 * MINUTE);
	assert_null(traffic_last(&b.traffic, LOST));
	run(&b, 2 * MINUTE);
	assert_int_equal(traffic_count(&b.traffic, LOST), 1);
	event = traffic_last(&b.traffic, LOST);
	assert_string_equal(event->subject, "primary");
	assert_int_equal(event->severity, SEVERITY_CAUTION);
	assert_true(event->value == 900);
	assert_non_null(strstr(event->message, "No fuel filter's differential pressure for 15 min"));
	assert_non_null(strstr(event->message, "hours, litres and age"));
	run(&b, 2 * HOUR);
	assert_int_equal(traffic_count(&b.traffic, LOST), 1); /* told once */
	b.sensor = READS;
	run(&b, 40); /* not for a moment's reading */
	b.sensor = SAYS_NOTHING;
	run(&b, MINUTE);
	assert_true(traffic_is_up(&b.traffic, LOST));
	b.sensor = READS;
	run(&b, 2 * MINUTE);
	assert_false(traffic_is_up(&b.traffic, LOST));
	assert_int_equal(traffic_count(&b.traffic, LOST), 2);
	end(&b);
}

static void nothing_is_missed_while_the_engine_is_off(void **state)
{
	struct filter_boat b;

	(void)state;
	begin(&b, 20);
	run(&b, HOUR);
	b.sensor = SAYS_NOTHING;
	stop(&b, 5 * HOUR);
	run(&b, 10 * MINUTE);
	assert_null(traffic_last(&b.traffic, LOST));
	end(&b);
}

static void what_never_gave_a_reading_is_not_missed(void **state)
{
	struct filter_boat b;

	(void)state;
	begin(&b, 20);
	b.sensor = SAYS_NOTHING;
	run(&b, 3 * HOUR);
	b.sensor = READS;
	run(&b, 2 * MINUTE);
	b.sensor = SAYS_NOTHING;
	run(&b, HOUR);
	assert_null(traffic_last(&b.traffic, LOST));
	end(&b);
}

static void a_sender_that_is_lost_is_the_only_word(void **state)
{
	struct filter_boat b;

	(void)state;
	begin(&b, 20);
	run(&b, HOUR);
	b.sender_on = false;
	b.traffic.on[SENDER_SENSOR] = false; /* which has the same address */
	run(&b, HOUR);
	assert_int_equal(traffic_count(&b.traffic, LOST), 1);
	assert_string_equal(traffic_last(&b.traffic, LOST)->subject, "source 40 on can0");
	end(&b);
}

static void a_reading_that_stands_still_is_told_and_taken_back(void **state)
{
	struct filter_boat b;
	const struct fact_event *event;

	(void)state;
	begin(&b, 20);
	get_known(&b);
	b.sensor = STANDS_STILL;
	b.held_kpa = 20;
	run(&b, 15 * MINUTE);
	assert_null(traffic_last(&b.traffic, LOST));
	run(&b, 45 * MINUTE);
	assert_int_equal(traffic_count(&b.traffic, LOST), 1);
	event = traffic_last(&b.traffic, LOST);
	assert_string_equal(event->subject, "primary");
	assert_non_null(strstr(event->message, "has stood at 20.0 kPa"));
	stop(&b, HOUR);
	run(&b, HOUR);
	assert_true(traffic_is_up(&b.traffic, LOST));
	b.sensor = READS;
	run(&b, 5 * MINUTE);
	/* By chance the same number still; then slow. */
	b.traffic.rpm = 800;
	run(&b, 15 * MINUTE);
	assert_false(traffic_is_up(&b.traffic, LOST));
	end(&b);
}

static void a_clean_element_below_a_step_is_never_told(void **state)
{
	static const double full_kpa[] = {0, 0.2, 0.6, 1.2, 2};
	struct filter_boat b;

	(void)state;
	for (size_t i = 0; i < sizeof(full_kpa) / sizeof(full_kpa[0]); i++) {
		begin(&b, full_kpa[i]);
		get_known(&b);
		run(&b, 8 * HOUR);
		assert_null(traffic_last(&b.traffic, LOST));
		end(&b);
	}
}

static void a_new_element_that_nobody_told_of_is_not_told(void **state)
{
	struct filter_boat b;

	(void)state;
	begin(&b, 25);
	get_known(&b);
	stop(&b, HOUR);
	b.full_kpa = 0.2; /* below half a step: reads 0 whatever the flow */
	run(&b, 8 * HOUR);
	assert_null(traffic_last(&b.traffic, LOST));
	end(&b);
}

static void a_steady_passage_is_not_told(void **state)
{
	struct filter_boat b;

	(void)state;
	begin(&b, 20);
	get_known(&b);
	for (int i = 0; i < 48; i++) {
		b.traffic.rpm = 2400;
		run(&b, 10 * MINUTE); /* run() begins fast: five hours and more of one flow */
	}
	assert_null(traffic_last(&b.traffic, LOST));
	end(&b);
}

static void a_checkpoint_changes_nothing(void **state)
{
	struct filter_boat whole;
	struct filter_boat resumed;
	struct filter_boat *both[] = {&whole, &resumed};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		struct filter_boat *b = both[i];
		begin(b, 20);
		run(b, 4 * HOUR);
		for (int minute = 0; minute < 150; minute++) {
			b->sensor = minute < 20    ? SAYS_NOTHING
				    : minute < 40  ? READS
				    : minute < 120 ? STANDS_STILL
						   : READS;
			b->held_kpa = 13;
			b->traffic.rpm = minute / 7 % 2 == 0 ? 2400 : 800;
			for (int s = 0; s < MINUTE; s++) {
				send_reading(b);
				traffic_run(&b->traffic, 1);
				if (i == 1 && s % 17 == 5) {
					traffic_resume(&b->traffic);
				}
			}
		}
	}
	assert_int_equal(whole.traffic.told, resumed.traffic.told);
	assert_int_equal(traffic_count(&whole.traffic, LOST), 4);
	for (size_t i = 0; i < whole.traffic.told; i++) {
		const struct fact_event *a = &whole.traffic.events[i];
		const struct fact_event *b = &resumed.traffic.events[i];
		assert_string_equal(a->kind, b->kind);
		assert_int_equal(a->event, b->event);
		assert_int_equal(a->raised_ns, b->raised_ns);
		assert_int_equal(a->has_cleared, b->has_cleared);
		assert_int_equal(a->cleared_ns, b->cleared_ns);
		assert_string_equal(a->message, b->message);
	}
	end(&whole);
	end(&resumed);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_reading_that_is_gone_is_told_and_taken_back),
		cmocka_unit_test(nothing_is_missed_while_the_engine_is_off),
		cmocka_unit_test(what_never_gave_a_reading_is_not_missed),
		cmocka_unit_test(a_sender_that_is_lost_is_the_only_word),
		cmocka_unit_test(a_reading_that_stands_still_is_told_and_taken_back),
		cmocka_unit_test(a_clean_element_below_a_step_is_never_told),
		cmocka_unit_test(a_new_element_that_nobody_told_of_is_not_told),
		cmocka_unit_test(a_steady_passage_is_not_told),
		cmocka_unit_test(a_checkpoint_changes_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
