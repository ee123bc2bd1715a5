#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/log_entry.h"

static void an_entry_is_laid_out_as_documented(void **state)
{
	static const uint8_t expected[] = {0x2C, 0x01, 0xFE, 0xFF, 0xFF, 0x03, 0x00, 0x04, 0x01};
	struct log_entry entry = log_entry_make(300, -1.0, -2.5, 129.0, 0.5);
	uint8_t bytes[LOG_ENTRY_BYTES];

	(void)state;
	log_entry_write(&entry, bytes, sizeof(bytes));
	assert_memory_equal(bytes, expected, sizeof(expected));
}

static void entries_of_both_widths_come_back(void **state)
{
	static const struct log_entry entries[] = {
		{1, 0, 0, 0},
		{65535, 8388607, 65535, 65535},
		{2, -8388608, 1, 2},
	};
	uint8_t bytes[LOG_DAY_ENTRY_BYTES];

	(void)state;
	for (size_t i = 0; i < sizeof(entries) / sizeof(entries[0]); i++) {
		for (size_t width = LOG_ENTRY_BYTES; width <= LOG_DAY_ENTRY_BYTES; width += 2) {
			log_entry_write(&entries[i], bytes, width);
			struct log_entry back = log_entry_read(bytes, width);
			assert_int_equal(back.count, entries[i].count);
			assert_int_equal(back.mean, entries[i].mean);
			assert_int_equal(back.below, entries[i].below);
			assert_int_equal(back.above, entries[i].above);
		}
	}
}

static void what_does_not_fit_is_held_at_the_greatest_that_does(void **state)
{
	uint8_t bytes[LOG_ENTRY_BYTES];
	struct log_entry entry = log_entry_make(70000, 1e12, -1e12, INFINITY, 1);

	(void)state;
	assert_int_equal(entry.mean, 8388607);
	assert_int_equal(entry.below, 65535);
	assert_int_equal(entry.above, 0);
	log_entry_write(&entry, bytes, sizeof(bytes));
	assert_int_equal(log_entry_read(bytes, sizeof(bytes)).count, 65535);
	assert_int_equal(log_entry_make(5, NAN, 0, 0, 1).count, 0);
	/* A least value above the mean, as rounding can make it, is the mean. */
	assert_int_equal(log_entry_make(5, 1.0, 1.2, 0.9, 0.1).below, 0);
	assert_int_equal(log_entry_make(5, 1.0, 1.2, 0.9, 0.1).above, 0);
}

/* Compared with the plain sums over the same entries, in floating point. */
static void a_rollup_weighs_means_by_count_and_keeps_the_extremes(void **state)
{
	struct log_rollup *rollup = malloc(sizeof(*rollup));
	uint8_t row[3 * LOG_ENTRY_BYTES], out[3 * LOG_DAY_ENTRY_BYTES];
	double sum = 0, count = 0, low = INFINITY, high = -INFINITY;
	unsigned seed = 7;

	(void)state;
	assert_non_null(rollup);
	log_rollup_init(rollup);
	for (int i = 0; i < 1440; i++) {
		seed = seed * 1103515245 + 12345;
		struct log_entry entry = {
			.count = seed >> 16 & 0xFFF,
			.mean = (int32_t)(seed >> 8 & 0xFFFFF) - 500000,
			.below = (uint16_t)(seed & 0xFF),
			.above = (uint16_t)(seed >> 4 & 0xFF),
		};
		struct log_entry none = {.count = 0};
		log_entry_write(&none, row, LOG_ENTRY_BYTES);
		log_entry_write(&entry, row + LOG_ENTRY_BYTES, LOG_ENTRY_BYTES);
		log_rollup_add(rollup, row, 2 * LOG_ENTRY_BYTES);
		if (entry.count > 0) {
			sum += (double)entry.count * entry.mean;
			count += entry.count;
			low = fmin(low, entry.mean - entry.below);
			high = fmax(high, entry.mean + entry.above);
		}
	}
	assert_int_equal(log_rollup_write(rollup, out, LOG_DAY_ENTRY_BYTES),
		2 * LOG_DAY_ENTRY_BYTES);
	assert_int_equal(log_entry_read(out, LOG_DAY_ENTRY_BYTES).count, 0);
	struct log_entry merged = log_entry_read(out + LOG_DAY_ENTRY_BYTES, LOG_DAY_ENTRY_BYTES);
	assert_true(merged.count == count);
	assert_true(merged.mean == round(sum / count));
	assert_true(merged.below == fmin(merged.mean - low, 65535));
	assert_true(merged.above == fmin(high - merged.mean, 65535));
	free(rollup);
}

static void an_empty_rollup_writes_nothing(void **state)
{
	struct log_rollup *rollup = malloc(sizeof(*rollup));
	uint8_t row[LOG_ENTRY_BYTES] = {0}, out[LOG_ENTRY_BYTES];

	(void)state;
	assert_non_null(rollup);
	log_rollup_init(rollup);
	assert_int_equal(log_rollup_write(rollup, out, LOG_ENTRY_BYTES), 0);
	log_rollup_add(rollup, row, sizeof(row));
	assert_int_equal(log_rollup_write(rollup, out, LOG_ENTRY_BYTES), 0);
	free(rollup);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(an_entry_is_laid_out_as_documented),
		cmocka_unit_test(entries_of_both_widths_come_back),
		cmocka_unit_test(what_does_not_fit_is_held_at_the_greatest_that_does),
		cmocka_unit_test(a_rollup_weighs_means_by_count_and_keeps_the_extremes),
		cmocka_unit_test(an_empty_rollup_writes_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
