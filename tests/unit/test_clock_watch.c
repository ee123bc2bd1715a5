#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "daemon/clock_watch.h"

#define S  INT64_C(1000000000)
#define MS INT64_C(1000000)

static const struct clock_reading start = {1000 * S, 50 * S};

static void first_look_is_no_step(void **state)
{
	struct clock_watch watch = {0};
	struct frame frame = {.t_ns = 1};

	(void)state;
	assert_int_equal(clock_watch_look(&watch, start, &frame, 1), 0);
	assert_int_equal(frame.t_ns, 1);
}

static void slewed_clock_is_no_step(void **state)
{
	struct clock_watch watch = {0};
	struct clock_reading now = start;

	(void)state;
	for (int i = 0; i < 1000; i++) {
		/* 500 ppm, what the kernel slews at most, looked at each second. */
		now.steady_ns += S;
		now.wall_ns += S + S / 2000;
		assert_int_equal(clock_watch_look(&watch, now, NULL, 0), 0);
	}
}

static void check_step(int64_t step_ns)
{
	struct clock_watch watch = {0};
	struct clock_reading now = start;
	struct frame frames[10];

	(void)clock_watch_look(&watch, now, NULL, 0);
	/* Ten frames, 20 ms apart; the clock is set between the fourth and the fifth; then a look. */
	for (int i = 0; i < 10; i++) {
		frames[i].t_ns = start.wall_ns + (i + 1) * 20 * MS + (i >= 4 ? step_ns : 0);
	}
	now.steady_ns += 201 * MS;
	now.wall_ns += 201 * MS + step_ns;
	assert_int_equal(clock_watch_look(&watch, now, frames, 5), step_ns);
	/* The rest comes from another bus, a moment later. */
	now.steady_ns += MS;
	now.wall_ns += MS;
	assert_int_equal(clock_watch_look(&watch, now, frames + 5, 5), 0);
	for (int i = 0; i < 10; i++) {
		assert_int_equal(frames[i].t_ns, start.wall_ns + (i + 1) * 20 * MS + step_ns);
	}
	/* Long after the step an old stamp is an old stamp. */
	now.steady_ns += 60 * S;
	now.wall_ns += 60 * S;
	assert_int_equal(clock_watch_look(&watch, now, frames, 10), 0);
	assert_int_equal(frames[0].t_ns, start.wall_ns + 20 * MS + step_ns);
}

static void frames_from_before_a_step_on_are_put_to_the_new_clock(void **state)
{
	(void)state;
	check_step(S);
	check_step(86400 * S);
	check_step(INT64_C(20000) * 86400 * S);
}

static void frames_from_before_a_step_back_are_put_to_the_new_clock(void **state)
{
	(void)state;
	check_step(-S);
	check_step(-999 * S);
}

static void step_without_frames_is_told(void **state)
{
	struct clock_watch watch = {0};
	struct clock_reading now = start;

	(void)state;
	(void)clock_watch_look(&watch, now, NULL, 0);
	now.wall_ns += 10 * S;
	now.steady_ns += 3 * S;
	assert_int_equal(clock_watch_look(&watch, now, NULL, 0), 7 * S);
}

static void clocks_of_this_machine_go_on(void **state)
{
	struct clock_reading first = clock_watch_now();
	struct clock_reading second = clock_watch_now();

	(void)state;
	assert_true(first.wall_ns > 0);
	assert_true(second.steady_ns >= first.steady_ns);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(first_look_is_no_step),
		cmocka_unit_test(slewed_clock_is_no_step),
		cmocka_unit_test(frames_from_before_a_step_on_are_put_to_the_new_clock),
		cmocka_unit_test(frames_from_before_a_step_back_are_put_to_the_new_clock),
		cmocka_unit_test(step_without_frames_is_told),
		cmocka_unit_test(clocks_of_this_machine_go_on),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
