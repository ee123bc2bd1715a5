#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/bus_census.h"
#include "analysis/coverage.h"

#define MS INT64_C(1000000)

static struct frame frame_of(int64_t t_ns, uint32_t id, uint8_t bus, const char *data)
{
	struct frame frame = {.t_ns = t_ns, .id = id, .kind = FRAME_EXTENDED, .bus = bus, .len = 8};

	memcpy(frame.data, data, 8);
	return frame;
}

static struct bus_census *census_new(void)
{
	struct bus_census *census = malloc(sizeof(*census));

	assert_non_null(census);
	bus_census_init(census);
	return census;
}

/* 29 bits of identifier and 8 bytes: 131 bits, at most 160 with stuffing; 11 bits: 111 and 135
 * (Davis et al. 2007: 80 + 10 s and 55 + 10 s). */
static void frames_take_the_published_bits(void **state)
{
	struct frame frame = frame_of(0, 0, 0, "\0\0\0\0\0\0\0");

	(void)state;
	for (uint8_t bytes = 0; bytes <= 8; bytes++) {
		frame.len = bytes;
		frame.kind = FRAME_EXTENDED;
		assert_int_equal(census_bits_most(&frame), 80 + 10 * bytes);
		assert_int_equal(census_bits_least(&frame), 67 + 8 * bytes);
		frame.kind = FRAME_STANDARD;
		assert_int_equal(census_bits_most(&frame), 55 + 10 * bytes);
		assert_int_equal(census_bits_least(&frame), 47 + 8 * bytes);
	}
}

static void senders_messages_and_intervals_are_told_apart(void **state)
{
	struct bus_census *census = census_new();
	uint64_t messages = 0;

	(void)state;
	/* EEC1 from 0 each 20 ms, a second from 1 each 100 ms on another bus, a pause of a minute. */
	for (int i = 0; i < 1000; i++) {
		int64_t t_ns = (i < 500 ? 0 : 60000) * MS + i * 20 * MS;
		struct frame frame = frame_of(t_ns, 0x0CF00400, 0, "\xFF\x7D\x7D\xE0\x15\xFF\xF0\xFF");
		bus_census_add(census, &frame, 1);
		if (i % 5 == 0) {
			frame = frame_of(t_ns, 0x0CF00401, 1, "\xFF\x7D\x7D\xFF\xFF\xFF\xF0\xFF");
			bus_census_add(census, &frame, 1);
		}
	}
	assert_int_equal(census->source_count, 2);
	assert_int_equal(census->message_count, 2);
	for (size_t i = 0; i < CENSUS_MESSAGES_MAX; i++) {
		if (census->messages[i].used) {
			bool first = census->messages[i].source == 0;
			assert_int_equal(census->messages[i].pgn, 61444);
			assert_true(fabs(census_interval_ns(&census->messages[i]) -
				(double)((first ? 20 : 100) * MS)) < 1);
			messages += census->messages[i].count;
		}
	}
	assert_true(messages == 1200);
	/* 20 s of traffic, the pause left out; 50 frames a second of 131 to 160 bits. */
	assert_true(census->buses[0].heard_ns == 998 * 20 * MS);
	assert_true(census->buses[0].bits_least == 1000 * 131);
	assert_true(census->buses[0].busiest_bits == 50 * (131 + 160));
	/* 700 rpm (the published example), and on the other bus only 'not available'. */
	assert_true(bus_census_heard(census, SIGNAL_ENGINE_SPEED, 0));
	assert_false(bus_census_heard(census, SIGNAL_ENGINE_SPEED, 1));
	assert_true(bus_census_heard(census, SIGNAL_ENGINE_SPEED, -1));
	free(census);
}

/* The address claim of a public sample: unique number 1962638, manufacturer 1862, function 150,
 * class 50. */
static void a_source_tells_its_name(void **state)
{
	struct bus_census *census = census_new();
	struct frame frame = frame_of(0, 0x18EEFF00, 0, "\x8E\xF2\xDD\xE8\x00\x96\x64\x40");

	(void)state;
	bus_census_add(census, &frame, 1);
	assert_true(census->sources[0].has_name);
	assert_true(census->sources[0].name == UINT64_C(0x40649600E8DDF28E));
	assert_int_equal(census->sources[0].manufacturer, 1862);
	assert_int_equal(census->sources[0].function, 150);
	assert_int_equal(census->sources[0].device_class, 50);
	free(census);
}

static void a_flood_of_senders_is_counted_not_stored(void **state)
{
	struct bus_census *census = census_new();

	(void)state;
	for (uint32_t i = 0; i < 40000; i++) {
		struct frame frame = frame_of(i * MS, 0x18F00000 | (i * 2654435761U >> 8 & 0xFFFFFF),
			(uint8_t)(i % FRAME_BUS_MAX), "\0\0\0\0\0\0\0");
		bus_census_add(census, &frame, 1);
	}
	assert_true(census->message_count < CENSUS_MESSAGES_MAX);
	assert_true(census->source_count <= CENSUS_SOURCES_MAX);
	assert_true(census->no_room > 0);
	free(census);
}

/* A bus on which the listed signals are heard for engine 0. */
struct heard_signals {
	size_t count;
	enum signal_id signals[8];
};

static bool heard(const void *context, enum signal_id signal, int instance)
{
	const struct heard_signals *h = context;

	for (size_t i = 0; i < h->count; i++) {
		if (h->signals[i] == signal && instance <= 0) {
			return true;
		}
	}
	return false;
}

static const struct coverage_row *row_of(const char *analysis)
{
	for (size_t i = 0; i < coverage_row_count(); i++) {
		if (strcmp(coverage_row_get(i)->analysis, analysis) == 0) {
			return coverage_row_get(i);
		}
	}
	fail_msg("no analysis '%s'", analysis);
	return NULL;
}

static void coverage_follows_what_is_heard(void **state)
{
	struct heard_signals none = {0, {0}};
	struct heard_signals some = {3, {SIGNAL_FUEL_RATE, SIGNAL_TRIP_FUEL, SIGNAL_PRESSURE}};
	struct heard_signals speed = {1, {SIGNAL_ENGINE_SPEED}};

	(void)state;
	for (size_t i = 0; i < coverage_row_count(); i++) {
		assert_int_equal(coverage_grade(coverage_row_get(i), 0, heard, &none), COVERAGE_NONE);
	}
	assert_int_equal(coverage_grade(row_of("fuel burned"), 0, heard, &some), COVERAGE_FULL);
	assert_int_equal(coverage_grade(row_of("fuel burned"), 1, heard, &some), COVERAGE_NONE);
	assert_int_equal(coverage_grade(row_of("runs and hours"), 0, heard, &some), COVERAGE_PARTLY);
	assert_int_equal(coverage_grade(row_of("filter restriction"), 0, heard, &some),
		COVERAGE_PARTLY);
	assert_int_equal(coverage_grade(row_of("filter restriction"), 0, heard, &speed),
		COVERAGE_NONE);
	assert_int_equal(coverage_find(&row_of("fuel burned")->better[0], 0, heard, &some),
		SIGNAL_TRIP_FUEL);
}

static void every_coverage_row_says_what_would_help(void **state)
{
	(void)state;
	for (size_t i = 0; i < coverage_row_count(); i++) {
		const struct coverage_row *row = coverage_row_get(i);
		assert_in_range(row->need_count, 1, COVERAGE_NEEDS_MAX);
		for (size_t k = 0; k < row->need_count + row->better_count; k++) {
			const struct coverage_need *need = k < row->need_count
				? &row->needs[k] : &row->better[k - row->need_count];
			assert_in_range(need->count, 1, COVERAGE_ALTERNATIVES_MAX);
			assert_non_null(need->supplied_by);
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_take_the_published_bits),
		cmocka_unit_test(senders_messages_and_intervals_are_told_apart),
		cmocka_unit_test(a_source_tells_its_name),
		cmocka_unit_test(a_flood_of_senders_is_counted_not_stored),
		cmocka_unit_test(coverage_follows_what_is_heard),
		cmocka_unit_test(every_coverage_row_says_what_would_help),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
