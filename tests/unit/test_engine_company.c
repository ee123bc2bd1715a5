#include "tests/unit/near.h"

#include "tests/unit/lying_boat.h"

static struct lying_boat boat;

/* Two engines, a tank for each. */
static void begin(void)
{
	lying_begin(&boat);
	for (int i = 0; i < 2; i++) {
		boat.boat.engines[i].present = true;
		boat.boat.engines[i].tank = i;
	}
	lying_start(&boat);
}

/* Engine 1 beside engine 0: the same speed and rate, by its own sender. Without load on the bus. */
static void send_other(struct lying_boat *b, const struct lying_readings *r)
{
	lying_send_one(b, 61444, 1, 0, SIGNAL_ENGINE_SPEED, r->rpm);
	lying_send_one(b, 65266, 1, 0, SIGNAL_FUEL_RATE, r->rate_lph);
	lying_send_one(b, 65262, 1, 0, SIGNAL_COOLANT_TEMPERATURE, r->coolant_c);
}

static void both_run(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)runs, (void)since_s;
	r->load_pct = NAN;
	send_other(b, r);
}

/* One propeller alone drives the boat more slowly and is loaded more at the same engine speed. */
static void one_runs(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	struct lying_readings other = {.coolant_c = 40};

	(void)runs, (void)since_s;
	send_other(b, &other);
	r->load_pct = NAN;
	r->rate_lph *= 1.3;
	r->speed_kn *= 0.65;
}

static void one_leaks(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	both_run(b, r, runs, since_s);
	r->rate_lph *= 1.1;
}

/* To run on one engine for days is no fouled hull; and a change is found when both run again. */
static void one_engine_alone_burns_more_and_that_is_no_change(void **state)
{
	(void)state;
	begin();
	lying_days(&boat, 10, both_run);
	lying_days(&boat, 5, one_runs);
	assert_int_equal(lying_events(&boat, "burn-high"), 0);
	lying_days(&boat, 3, both_run);
	assert_int_equal(lying_events(&boat, "burn-low"), 0);
	assert_int_equal(lying_events(&boat, NULL), 0);
	lying_days(&boat, 3, one_leaks);
	assert_int_equal(lying_events(&boat, "burn-high"), 1);
	assert_string_equal(lying_last(&boat, "burn-high")->subject, "engine 0");
	lying_end(&boat);
}

static void other_stands(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	struct lying_readings other = {.coolant_c = 40};

	(void)runs, (void)since_s;
	send_other(b, &other);
	r->load_pct = NAN;
}

static void other_helps(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	both_run(b, r, runs, since_s);
	r->rate_lph *= 0.88;
}

/* Engine 1 is heard after ten days, and seldom runs: it takes load off. The days alone count. */
static void an_engine_that_appears_late_is_odd_company(void **state)
{
	(void)state;
	begin();
	lying_days(&boat, 10, other_stands);
	lying_days(&boat, 1, other_helps);
	lying_days(&boat, 1, other_stands);
	lying_days(&boat, 1, other_helps);
	lying_days(&boat, 3, other_stands);
	assert_int_equal(lying_events(&boat, NULL), 0);
	lying_end(&boat);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_engine_alone_burns_more_and_that_is_no_change),
		cmocka_unit_test(an_engine_that_appears_late_is_odd_company),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
