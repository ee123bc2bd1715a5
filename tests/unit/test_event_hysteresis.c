/* Readings that hover at a limit, bits and codes that flicker: each kind of event is told a few times, not with every
 * reading; and the same through checkpoints. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "replay/scenario_random.h"
#include "tests/unit/boat_traffic.h"

#define STATUS_OVER_TEMPERATURE	 0x0002
#define STATUS_LOW_FUEL_PRESSURE 0x0010
#define STATUS_WATER_IN_FUEL	 0x0100

struct engine_says {
	double coolant_c;
	double pressure_kpa;
	unsigned status;
	unsigned sequence;
};

/* NMEA 2000 127489: what a gateway sends each second. */
static void send_dynamic(struct traffic_boat *b, struct engine_says *e)
{
	int row = message_row_find(127489);
	const struct encode_value given[] = {
		{.field = (uint16_t)encode_field_of((size_t)row, SIGNAL_COOLANT_TEMPERATURE),
			.value = e->coolant_c},
		{.field = (uint16_t)encode_field_of((size_t)row, SIGNAL_FUEL_PRESSURE),
			.value = e->pressure_kpa},
		{.field = (uint16_t)encode_field_of((size_t)row, SIGNAL_FUEL_RATE), .value = 6},
		{.field = (uint16_t)encode_field_of((size_t)row, SIGNAL_ENGINE_STATUS_1),
			.value = e->status},
	};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	struct encode_header header = {
		.pgn = 127489,
		.priority = 2,
		.source = b->address[SENDER_ENGINE],
		.destination = ADDRESS_GLOBAL,
		.sequence = (uint8_t)(e->sequence++ % 8),
		.t_ns = b->t_ns + 500000000,
		.step_ns = 1000000,
	};
	int length = encode_payload((size_t)row, 0, given, sizeof(given) / sizeof(given[0]), payload,
		sizeof(payload));

	assert_true(length > 0);
	int n = encode_frames(ENCODE_FAST, &header, payload, (size_t)length, frames, ENCODE_FRAMES_MAX);
	assert_true(n > 0);
	traffic_frames(b, frames, (size_t)n);
}

static void second(struct traffic_boat *b, struct engine_says *e)
{
	send_dynamic(b, e);
	traffic_run(b, 1);
}

static void engine_begin(struct traffic_boat *b, struct engine_says *e)
{
	traffic_begin(b);
	struct fact_sink sink = traffic_sink(b);
	struct pipeline_numbers none = {0};
	b->boat.limits.coolant_c = 95;
	b->boat.limits.fuel_pressure_kpa = 150;
	pipeline_init(b->pipeline, &b->boat, &sink);
	pipeline_start(b->pipeline, &none, false);
	*e = (struct engine_says){.coolant_c = 80, .pressure_kpa = 300};
	for (int i = 0; i < 1200; i++) {
		second(b, e);
	}
	assert_int_equal(traffic_count(b, "temperature-high"), 0);
	assert_int_equal(traffic_count(b, "fuel-pressure-low"), 0);
}

static void readings_that_hover_at_their_limit_do_not_flutter(void **state)
{
	(void)state;
	for (int resume = 0; resume < 2; resume++) {
		struct traffic_boat b;
		struct engine_says e;
		struct scenario_random random;
		engine_begin(&b, &e);
		b.resume = resume == 1;
		scenario_random_init(&random, 5, 1);
		for (int i = 0; i < (resume ? 1200 : 7200); i++) {
			e.coolant_c = 95 + 0.8 * scenario_random_normal(&random);
			e.pressure_kpa = 150 + 3 * scenario_random_normal(&random);
			second(&b, &e);
		}
		assert_true(traffic_count(&b, "temperature-high") <= 4);
		assert_true(traffic_count(&b, "fuel-pressure-low") <= 8);
		traffic_end(&b);
	}
}

static void bits_that_flicker_stand_until_they_are_gone(void **state)
{
	static const struct {
		unsigned bit;
		const char *kind;
	} words[] = {{STATUS_OVER_TEMPERATURE, "temperature-high"},
		{STATUS_LOW_FUEL_PRESSURE, "fuel-pressure-low"}};

	(void)state;
	for (size_t k = 0; k < 2; k++) {
		for (int resume = 0; resume < 2; resume++) {
			struct traffic_boat b;
			struct engine_says e;
			struct scenario_random random;
			engine_begin(&b, &e);
			b.resume = resume == 1;
			scenario_random_init(&random, 6 + k, 1);
			for (int i = 0; i < 900; i++) {
				e.status = scenario_random_bits(&random) % 3 == 0 ? words[k].bit : 0;
				second(&b, &e);
			}
			assert_int_equal(traffic_count(&b, words[k].kind), 1);
			assert_true(traffic_is_up(&b, words[k].kind));
			e.status = 0;
			for (int i = 0; i < 25; i++) {
				second(&b, &e);
			}
			assert_true(traffic_is_up(&b, words[k].kind));
			for (int i = 0; i < 25; i++) {
				second(&b, &e);
			}
			assert_false(traffic_is_up(&b, words[k].kind));
			assert_int_equal(traffic_count(&b, words[k].kind), 2);
			traffic_end(&b);
		}
	}
}

static void water_that_sloshes_by_the_probe_is_not_told(void **state)
{
	struct traffic_boat b;
	struct engine_says e;

	(void)state;
	engine_begin(&b, &e);
	for (int i = 0; i < 3600; i++) {
		e.status = i % 40 < 25 ? STATUS_WATER_IN_FUEL : 0;
		second(&b, &e);
	}
	assert_int_equal(traffic_count(&b, "water-in-fuel"), 0);
	e.status = STATUS_WATER_IN_FUEL;
	for (int i = 0; i < 33; i++) {
		second(&b, &e);
	}
	assert_int_equal(traffic_count(&b, "water-in-fuel"), 1);
	traffic_end(&b);
}

/* The engine says so itself, and its reading shows it: one cause, one event that stands. */
static void a_reading_explains_the_engines_own_word(void **state)
{
	struct traffic_boat b;
	struct engine_says e;
	size_t standing = 0;

	(void)state;
	engine_begin(&b, &e);
	e.status = STATUS_OVER_TEMPERATURE;
	second(&b, &e);
	assert_int_equal(traffic_count(&b, "temperature-high"), 1);
	e.coolant_c = 104;
	for (int i = 0; i < 300; i++) {
		second(&b, &e);
	}
	for (size_t i = 0; i < b.told; i++) {
		bool last = true;
		for (size_t k = i + 1; k < b.told; k++) {
			last = last && b.events[k].event != b.events[i].event;
		}
		if (last && strcmp(b.events[i].kind, "temperature-high") == 0 && !b.events[i].has_cleared) {
			assert_string_equal(b.events[i].subject, "engine 0 coolant");
			standing++;
		}
	}
	assert_int_equal(standing, 1);
	/* It cools, but the engine still says so: its word stands again. */
	e.coolant_c = 80;
	for (int i = 0; i < 300; i++) {
		second(&b, &e);
	}
	assert_true(traffic_is_up(&b, "temperature-high"));
	assert_string_equal(traffic_last(&b, "temperature-high")->subject, "engine 0");
	traffic_end(&b);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(readings_that_hover_at_their_limit_do_not_flutter),
		cmocka_unit_test(bits_that_flicker_stand_until_they_are_gone),
		cmocka_unit_test(water_that_sloshes_by_the_probe_is_not_told),
		cmocka_unit_test(a_reading_explains_the_engines_own_word),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
