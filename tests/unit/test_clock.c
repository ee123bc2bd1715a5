#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/clock.h"

#define S   INT64_C(1000000000)
#define DAY (86400 * S)
/* 2026-05-01T08:00:00Z */
#define MAY (INT64_C(1777622400) * S)

/* Feeds one frame; returns true when it opened a session. Settles as the pipeline does. */
static bool feed(struct clock *c, int64_t raw_ns, struct clock_seam *ret_seam, bool *ret_settled)
{
	bool opened = false;

	*ret_settled = false;
	if (!clock_advance(c, raw_ns)) {
		if (c->seam && !clock_is_glitch(c, raw_ns)) {
			*ret_settled = clock_settle(c, true, -1, ret_seam);
		}
		clock_open_session(c, raw_ns);
		opened = true;
	}
	if (clock_settle(c, false, -1, ret_seam)) {
		*ret_settled = true;
	}
	return opened;
}

static void run_second_by_second(struct clock *c, int64_t from_ns, int seconds)
{
	struct clock_seam seam;
	bool settled;

	for (int i = 0; i < seconds * 10; i++) {
		(void)feed(c, from_ns + i * S / 10, &seam, &settled);
	}
}

static void steady_time_is_the_recorders_while_nothing_jumps(void **state)
{
	struct clock c;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 100);
	assert_true(c.steady_ns == MAY + 100 * S - S / 10);
	assert_int_equal(c.now.session, 1);
	assert_true(clock_utc(&c, c.steady_ns) == c.raw_ns);
}

static void a_late_frame_does_not_turn_time_back(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 10);
	int64_t before_ns = c.steady_ns;
	assert_false(feed(&c, c.raw_ns - 20000000, &seam, &settled));
	assert_true(c.steady_ns == before_ns);
	assert_int_equal(c.now.session, 1);
}

static void a_wrong_date_is_put_right_by_the_bus_also_for_what_came_before(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;
	int64_t wrong = MAY - 900 * DAY;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, wrong, 50);
	assert_true(clock_bus_time(&c, MAY + 50 * S, 3));
	assert_int_equal(c.now.basis, CLOCK_BUS);
	assert_true(clock_utc(&c, c.now.first_ns) == MAY + S / 10);
	/* The machine's clock is set: the frame after 0.1 s says May. */
	assert_true(feed(&c, MAY + 50 * S + S / 10, &seam, &settled));
	assert_false(settled);
	assert_true(clock_bus_time(&c, MAY + 50 * S + S / 10, 3));
	assert_true(clock_settle(&c, false, -1, &seam));
	assert_true(seam.gap_ns == S / 10);
	assert_true(seam.step_ns == 900 * DAY + S / 10); /* the bus is a tenth ahead */
	assert_true(clock_utc(&c, c.steady_ns) == MAY + 50 * S + S / 10);
}

static void a_pause_is_a_pause_when_the_bus_says_so(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 50);
	(void)clock_bus_time(&c, c.raw_ns, 3);
	assert_true(feed(&c, MAY + 3 * DAY, &seam, &settled));
	(void)clock_bus_time(&c, MAY + 3 * DAY, 3);
	assert_true(clock_settle(&c, false, -1, &seam));
	assert_true(seam.step_ns == 0);
	assert_true(seam.gap_ns == 3 * DAY - 50 * S + S / 10);
}

/* A boat computer without a battery goes on from the moment at which it was switched off, three
 * days ago; the bus tells it ten minutes later. */
static void a_clock_that_stood_still_is_found_by_the_bus(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 50);
	(void)clock_bus_time(&c, c.raw_ns, 3);
	assert_true(feed(&c, MAY + 80 * S, &seam, &settled));
	run_second_by_second(&c, MAY + 80 * S, 600);
	assert_true(c.seam);
	(void)clock_bus_time(&c, c.raw_ns + 3 * DAY, 3);
	assert_true(clock_settle(&c, false, -1, &seam));
	assert_true(seam.gap_ns == 3 * DAY + 30 * S + S / 10);
	assert_true(seam.step_ns == -3 * DAY);
}

static void without_the_buss_time_forward_is_a_pause_and_backward_a_step(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 50);
	assert_true(feed(&c, MAY + DAY, &seam, &settled));
	run_second_by_second(&c, MAY + DAY, 119);
	assert_true(c.seam);
	assert_false(feed(&c, MAY + DAY + 120 * S, &seam, &settled));
	assert_true(settled);
	assert_true(seam.gap_ns == DAY - 50 * S + S / 10 && seam.step_ns == 0);

	assert_true(feed(&c, MAY + 60 * S, &seam, &settled));
	int64_t back_ns = MAY + 60 * S - (MAY + DAY + 120 * S);
	assert_true(clock_settle(&c, true, -1, &seam));
	assert_true(seam.gap_ns == 0 && seam.step_ns == back_ns);
	assert_true(c.now.first_ns > c.before.last_ns);
	assert_true(c.now.first_ns / WINDOW_NS > c.before.last_ns / WINDOW_NS);
}

/* No bus brings the time. The clock was set ahead by 40 days in mid-run; the engine's meters say
 * that no time passed, so it was a step, and what came before gets the right date. */
static void an_engine_that_ran_on_both_sides_is_a_witness(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 50);
	assert_true(feed(&c, MAY + 40 * DAY + 50 * S, &seam, &settled));
	assert_true(clock_settle(&c, true, 0, &seam));
	assert_true(seam.gap_ns == 0 && !seam.sure && seam.relabelled);
	assert_true(seam.step_ns == 40 * DAY + S / 10);
	assert_true(c.before.last_ns + c.before.offset_ns == MAY + 40 * DAY + 50 * S);
}

static void one_mangled_time_leaves_no_trace(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 50);
	int64_t last_ns = c.raw_ns;
	assert_true(feed(&c, MAY + 4000 * DAY, &seam, &settled));
	assert_true(feed(&c, last_ns + S / 10, &seam, &settled));
	assert_true(clock_settle(&c, true, -1, &seam));
	assert_true(seam.gap_ns == S / 10 && seam.step_ns == 0);
}

static void a_step_that_the_machine_tells_needs_no_bus(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY - 40 * DAY, 50);
	clock_tell_step(&c, 40 * DAY);
	assert_true(feed(&c, MAY + 51 * S, &seam, &settled));
	assert_true(settled);
	assert_true(seam.step_ns == 40 * DAY);
	assert_true(seam.gap_ns == S + S / 10);
	assert_true(seam.relabelled);
	/* What was logged at the wrong date has the right one now. */
	assert_true(c.before.last_ns + c.before.offset_ns == MAY + 50 * S - S / 10);
	assert_false(feed(&c, MAY + 52 * S, &seam, &settled));
}

static void a_receiver_without_a_fix_is_not_believed(void **state)
{
	struct clock c;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 5);
	assert_false(clock_bus_time(&c, INT64_C(315964800) * S, 3)); /* 1980-01-06 */
	assert_int_equal(c.now.basis, CLOCK_RECORDER);
	assert_true(clock_bus_time(&c, c.raw_ns + S, 3)); /* near enough: the recorder's stands */
	assert_true(c.now.offset_ns == 0);
	assert_false(clock_bus_time(&c, c.raw_ns + 90 * DAY, 3)); /* lies later: no effect */
	assert_true(c.now.offset_ns == 0);
}

static void captures_one_after_the_other_are_not_steps(void **state)
{
	struct clock c;
	struct clock_seam seam;
	bool settled;

	(void)state;
	clock_init(&c);
	run_second_by_second(&c, MAY, 5);
	clock_tell_begin(&c, false);
	assert_false(feed(&c, c.raw_ns + S / 2, &seam, &settled)); /* the rest of a rotated file */
	clock_tell_begin(&c, true);
	assert_true(feed(&c, 0, &seam, &settled)); /* a capture without a date */
	assert_int_equal(c.now.basis, CLOCK_UNDATED);
	assert_true(clock_settle(&c, true, -1, &seam));
	assert_true(seam.step_ns == 0);
}

static void the_state_survives_a_checkpoint(void **state)
{
	struct clock a;
	struct clock b;
	struct clock_seam seam;
	bool settled;
	uint8_t bytes[512];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	clock_init(&a);
	run_second_by_second(&a, MAY, 20);
	(void)feed(&a, MAY + DAY, &seam, &settled);
	state_writer_init(&w, bytes, sizeof(bytes));
	clock_save(&a, &w);
	assert_false(w.failed);
	state_reader_init(&r, bytes, w.used);
	clock_load(&b, &r);
	assert_false(r.failed);
	assert_int_equal(r.used, r.size);
	assert_true(b.seam && b.jump_ns == a.jump_ns && b.before.last_ns == a.before.last_ns);
	assert_true(b.spacing_ns == a.spacing_ns && b.steady_ns == a.steady_ns);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(steady_time_is_the_recorders_while_nothing_jumps),
		cmocka_unit_test(a_late_frame_does_not_turn_time_back),
		cmocka_unit_test(a_wrong_date_is_put_right_by_the_bus_also_for_what_came_before),
		cmocka_unit_test(a_pause_is_a_pause_when_the_bus_says_so),
		cmocka_unit_test(a_clock_that_stood_still_is_found_by_the_bus),
		cmocka_unit_test(without_the_buss_time_forward_is_a_pause_and_backward_a_step),
		cmocka_unit_test(an_engine_that_ran_on_both_sides_is_a_witness),
		cmocka_unit_test(one_mangled_time_leaves_no_trace),
		cmocka_unit_test(a_step_that_the_machine_tells_needs_no_bus),
		cmocka_unit_test(a_receiver_without_a_fix_is_not_believed),
		cmocka_unit_test(captures_one_after_the_other_are_not_steps),
		cmocka_unit_test(the_state_survives_a_checkpoint),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
