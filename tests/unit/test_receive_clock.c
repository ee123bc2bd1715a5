#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "daemon/receive_clock.h"

#define S  INT64_C(1000000000)
#define MS INT64_C(1000000)
#define EPOCH (INT64_C(1780000000) * S)

static int64_t late_ns(uint32_t *seed, int64_t most_ns)
{
	*seed = *seed * 1664525 + 1013904223;
	return (int64_t)(*seed >> 8) * most_ns / (1 << 24);
}

static void times_are_even_though_interrupts_are_late(void **state)
{
	struct receive_clock clock = {0};
	uint32_t seed = 7;

	(void)state;
	/* A frame each 10 ms; the interrupt up to 5 ms late; clocks that part by 50 ns a ms. */
	for (int64_t i = 0; i < 100000; i++) {
		int64_t true_ns = EPOCH + i * 10 * MS;
		int64_t controller_ns = 12345 + i * 10 * MS + i * 500;
		int64_t kernel_ns = true_ns + late_ns(&seed, 5 * MS);
		int64_t wall_ns = receive_clock_wall(&clock, controller_ns, kernel_ns);

		assert_true(wall_ns <= kernel_ns);
		if (i > 1000) {
			assert_true(wall_ns - true_ns < MS);
			assert_true(wall_ns - true_ns > -MS);
		}
	}
}

static void step_of_either_clock_is_followed_at_once(void **state)
{
	struct receive_clock clock = {0};

	(void)state;
	assert_int_equal(receive_clock_wall(&clock, 5 * S, EPOCH), EPOCH);
	/* The wall clock is set an hour on. */
	assert_int_equal(receive_clock_wall(&clock, 6 * S, EPOCH + 3601 * S), EPOCH + 3601 * S);
	/* The controller is restarted and counts from 0. */
	assert_int_equal(receive_clock_wall(&clock, 0, EPOCH + 3602 * S), EPOCH + 3602 * S);
	/* And the wall clock is set back. */
	assert_int_equal(receive_clock_wall(&clock, S, EPOCH), EPOCH);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(times_are_even_though_interrupts_are_late),
		cmocka_unit_test(step_of_either_clock_is_followed_at_once),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
