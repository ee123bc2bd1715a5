#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/state_codec.h"

static void values_come_back_bit_for_bit(void **state)
{
	static const int64_t integers[] = {0, 1, -1, 63, 64, -64, -65, INT64_MAX, INT64_MIN};
	static const double doubles[] = {0.0, -0.0, 0.1, -1e300, 5e-324, INFINITY, NAN};
	static const float floats[] = {0.0F, -0.0F, 0.1F, -1e30F, 1e-45F, INFINITY, NAN};
	uint8_t bytes[512];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	state_writer_init(&w, bytes, sizeof(bytes));
	for (size_t i = 0; i < sizeof(integers) / sizeof(integers[0]); i++) {
		state_put_signed(&w, integers[i]);
		state_put_unsigned(&w, (uint64_t)integers[i]);
	}
	for (size_t i = 0; i < sizeof(doubles) / sizeof(doubles[0]); i++) {
		state_put_double(&w, doubles[i]);
	}
	for (size_t i = 0; i < sizeof(floats) / sizeof(floats[0]); i++) {
		state_put_float(&w, floats[i]);
	}
	assert_false(w.failed);

	state_reader_init(&r, bytes, w.used);
	for (size_t i = 0; i < sizeof(integers) / sizeof(integers[0]); i++) {
		assert_true(state_get_signed(&r) == integers[i]);
		assert_true(state_get_unsigned(&r, UINT64_MAX) == (uint64_t)integers[i]);
	}
	for (size_t i = 0; i < sizeof(doubles) / sizeof(doubles[0]); i++) {
		double value = state_get_double(&r);
		assert_memory_equal(&value, &doubles[i], sizeof(value));
	}
	for (size_t i = 0; i < sizeof(floats) / sizeof(floats[0]); i++) {
		float value = state_get_float(&r);
		assert_memory_equal(&value, &floats[i], sizeof(value));
	}
	assert_false(r.failed);
	assert_int_equal(r.used, r.size);
}

static void single_precision_is_what_a_float_keeps(void **state)
{
	double pair[2] = {0.1, 1.0 / 3};
	uint8_t bytes[8];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	pair[0] = state_single(pair[0] + 1);
	pair[1] = state_single(pair[1] + 1);
	state_writer_init(&w, bytes, sizeof(bytes));
	state_put_float(&w, (float)(0.1 + 1));
	state_put_float(&w, (float)(1.0 / 3 + 1));
	state_reader_init(&r, bytes, sizeof(bytes));
	assert_true(pair[0] == (double)state_get_float(&r));
	assert_true(pair[1] == (double)state_get_float(&r));
	assert_true(pair[0] != 0.1 + 1);
}

static void bytes_are_little_endian_everywhere(void **state)
{
	static const uint8_t expected[] = {0xAC, 0x02, 0, 0, 0, 0, 0, 0, 0xF0, 0x3F};
	uint8_t bytes[sizeof(expected)];
	struct state_writer w;

	(void)state;
	state_writer_init(&w, bytes, sizeof(bytes));
	state_put_unsigned(&w, 300);
	state_put_double(&w, 1.0);
	assert_false(w.failed);
	assert_memory_equal(bytes, expected, sizeof(expected));
}

static void a_full_writer_fails_and_stays_failed(void **state)
{
	uint8_t bytes[4];
	struct state_writer w;

	(void)state;
	state_writer_init(&w, bytes, sizeof(bytes));
	state_put_double(&w, 1.0);
	assert_true(w.failed);
	state_put_unsigned(&w, 1);
	assert_true(w.failed);
	assert_int_equal(w.used, 0);
}

static void every_cut_reader_fails_without_reading_past_the_end(void **state)
{
	uint8_t bytes[32];
	struct state_writer w;

	(void)state;
	state_writer_init(&w, bytes, sizeof(bytes));
	state_put_unsigned(&w, UINT64_MAX);
	state_put_double(&w, 2.5);
	for (size_t size = 0; size < w.used; size++) {
		uint8_t exact[32];
		struct state_reader r;
		memcpy(exact, bytes, size);
		state_reader_init(&r, exact, size);
		(void)state_get_unsigned(&r, UINT64_MAX);
		(void)state_get_double(&r);
		assert_true(r.failed);
	}
}

static void a_value_over_the_limit_fails(void **state)
{
	uint8_t bytes[] = {200, 1};
	struct state_reader r;

	(void)state;
	state_reader_init(&r, bytes, sizeof(bytes));
	assert_int_equal(state_get_unsigned(&r, 199), 0);
	assert_true(r.failed);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(values_come_back_bit_for_bit),
		cmocka_unit_test(single_precision_is_what_a_float_keeps),
		cmocka_unit_test(bytes_are_little_endian_everywhere),
		cmocka_unit_test(a_full_writer_fails_and_stays_failed),
		cmocka_unit_test(every_cut_reader_fails_without_reading_past_the_end),
		cmocka_unit_test(a_value_over_the_limit_fails),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
