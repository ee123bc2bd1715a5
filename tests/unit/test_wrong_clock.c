#include "tests/unit/near.h"

#include "tests/unit/lying_boat.h"

#define DAY_NS (86400 * LYING_S)

static struct lying_boat boat;

/* The bus knows the time: so much later than the recorder's clock. */
static int64_t bus_ahead_ns;

static void bus_tells_the_time(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)r, (void)runs;
	if (since_s > -500 && b->t_ns / LYING_S % 10 == 0) {
		lying_send_one(b, 126992, 30, 0, SIGNAL_SYSTEM_TIME,
			(double)((b->t_ns + bus_ahead_ns) / LYING_S));
	}
}

/* A computer without a clock begins in 1970, and the first windows are dated before the bus has
 * told the time. Hours a day are counted from the true first day: hours come first, not age. */
static void a_clock_that_begins_in_1970_slows_no_use(void **state)
{
	(void)state;
	lying_begin(&boat);
	boat.boat.filters[0].change_h = 40;
	boat.boat.filters[0].change_months = 24;
	boat.boat.filters[0].has_fitted = true;
	boat.boat.filters[0].fitted_ns = LYING_BEGIN - DAY_NS;
	lying_start(&boat);
	boat.t_ns = DAY_NS;
	bus_ahead_ns = LYING_BEGIN - DAY_NS;
	lying_days(&boat, 11, bus_tells_the_time); /* 44 h: used up */
	const struct fact_event *due = lying_last(&boat, "element-due");
	assert_non_null(due);
	assert_non_null(strstr(due->message, "By hours"));
	lying_end(&boat);
}

/* The recorder's clock was far ahead when an element was entered. Under the right time the next one
 * still counts, and nothing older comes back. */
static void work_entered_under_a_clock_far_ahead_hides_no_later_work(void **state)
{
	int64_t ahead_ns = 80 * 365 * DAY_NS;
	struct boat_work works[2] = {
		{.kind = WORK_ELEMENT, .utc_ns = LYING_BEGIN - 30 * DAY_NS},
		{.kind = WORK_ELEMENT},
	};

	(void)state;
	lying_begin(&boat);
	pipeline_tell_works(boat.pipeline, works, 1);
	lying_days(&boat, 1, NULL);
	boat.t_ns += ahead_ns;
	works[1].utc_ns = boat.t_ns;
	pipeline_tell_works(boat.pipeline, works, 2);
	lying_days(&boat, 2, NULL);
	near(boat.filters[0].engine_h, 8, 0.1);
	boat.t_ns -= ahead_ns;
	bus_ahead_ns = 0;
	lying_days(&boat, 2, bus_tells_the_time);
	near(boat.filters[0].engine_h, 16, 0.1);
	works[1].utc_ns = boat.t_ns;
	pipeline_tell_works(boat.pipeline, works, 2);
	lying_days(&boat, 1, bus_tells_the_time);
	near(boat.filters[0].engine_h, 4, 0.1);
	lying_end(&boat);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_clock_that_begins_in_1970_slows_no_use),
		cmocka_unit_test(work_entered_under_a_clock_far_ahead_hides_no_later_work),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
