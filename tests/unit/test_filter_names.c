/* A checkpoint knows filters by their names: another order in the configuration swaps no histories,
 * another name is another filter. */
#include "tests/unit/near.h"

#include "tests/unit/lying_boat.h"

static struct lying_boat boat;

static void begin(void)
{
	lying_begin(&boat);
	for (size_t i = 0; i < 2; i++) {
		boat.boat.filters[i].change_h = i == 0 ? 24 : 300;
	}
	lying_start(&boat);
}

static void swap(void)
{
	struct boat_filter first = boat.boat.filters[0];

	boat.boat.filters[0] = boat.boat.filters[1];
	boat.boat.filters[1] = first;
	lying_resume(&boat);
}

static void same(const struct fact_filter *a, const struct fact_filter *b)
{
	assert_string_equal(a->name, b->name);
	near(a->engine_h, b->engine_h, 1e-9);
	near(a->litres, b->litres, 1e-6);
	near(a->reference_kpa, b->reference_kpa, 1e-6);
	near(a->left_l_p50, b->left_l_p50, 1e-6 * a->left_l_p50);
}

static void another_order_swaps_no_histories(void **state)
{
	struct fact_filter whole[2];
	int events = 0;

	(void)state;
	for (int swaps = 0; swaps < 2; swaps++) {
		begin();
		for (int day = 0; day < 8; day++) {
			lying_days(&boat, 1, NULL);
			if (swaps == 1) {
				swap();
			}
		}
		pipeline_snapshot(boat.pipeline);
		/* 24 h are used up: one event, of the primary, wherever it stands. */
		assert_int_equal(lying_events(&boat, "element-due"), 1);
		assert_string_equal(lying_last(&boat, "element-due")->subject, "primary");
		assert_false(lying_last(&boat, "element-due")->has_cleared);
		if (swaps == 0) {
			memcpy(whole, boat.filters, sizeof(whole));
			events = lying_events(&boat, NULL);
		} else {
			same(&boat.filters[0], &whole[0]); /* swapped an even number of times */
			same(&boat.filters[1], &whole[1]);
			assert_int_equal(lying_events(&boat, NULL), events);
			assert_true(boat.filters[0].engine_h > 30);
		}
		lying_end(&boat);
	}
}

/* The secondary alone was changed: in another order that change is not gone by once more, nor is it
 * taken for one of the other. */
static void work_that_was_gone_by_stays_with_its_filter(void **state)
{
	struct boat_work work = {.kind = WORK_ELEMENT};

	(void)state;
	begin();
	lying_days(&boat, 2, NULL);
	work.place = 1;
	work.utc_ns = boat.t_ns;
	pipeline_tell_works(boat.pipeline, &work, 1);
	lying_days(&boat, 2, NULL);
	near(boat.filters[0].engine_h, 16, 0.1);
	near(boat.filters[1].engine_h, 8, 0.1);
	boat.boat.works[0] = work;
	boat.boat.works[0].place = 0; /* it stands first now */
	boat.boat.work_count = 1;
	swap();
	lying_days(&boat, 1, NULL);
	near(boat.filters[0].engine_h, 12, 0.1);
	near(boat.filters[1].engine_h, 20, 0.1);
	lying_end(&boat);
}

/* Wet for 2,000 s, in the midst of which the configuration is put into another order. */
static void wet(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	r->water = runs && since_s > 1000 && since_s < 3000 ? 1 : 0;
	if (since_s >= 2000 && since_s < 2000 + LYING_STEP_S) {
		b->boat.works[0].place = 0;
		swap();
	}
}

static void a_drain_of_days_ago_answers_no_water_of_today(void **state)
{
	struct boat_work work = {.kind = WORK_DRAIN, .place = 1};

	(void)state;
	begin();
	lying_days(&boat, 2, NULL);
	work.utc_ns = boat.t_ns;
	pipeline_tell_works(boat.pipeline, &work, 1);
	boat.boat.works[0] = work;
	boat.boat.work_count = 1;
	lying_days(&boat, 1, NULL);
	lying_days(&boat, 1, wet);
	/* Half an hour of dry readings, not the minute that a drain makes of it. */
	const struct fact_event *water = lying_last(&boat, "water-in-fuel");
	assert_non_null(water);
	assert_true(water->has_cleared);
	assert_true(water->cleared_ns - water->raised_ns > 3500 * LYING_S);
	lying_end(&boat);
}

static void another_name_is_another_filter(void **state)
{
	(void)state;
	begin();
	lying_days(&boat, 7, NULL);
	int64_t event = lying_last(&boat, "element-due")->event;
	strcpy(boat.boat.filters[0].name, "day filter");
	lying_resume(&boat);
	lying_days(&boat, 2, NULL);
	assert_string_equal(boat.filters[0].name, "day filter");
	near(boat.filters[0].engine_h, 8, 0.1);
	near(boat.filters[1].engine_h, 36, 0.1);
	/* What stood of the one that is gone is over, under its own name. */
	const struct fact_event *last = lying_last(&boat, "element-due");
	assert_true(last->event == event && last->has_cleared);
	assert_string_equal(last->subject, "primary");
	lying_end(&boat);
}

static void a_filter_that_is_added_ahead_takes_nothing(void **state)
{
	(void)state;
	begin();
	lying_days(&boat, 4, NULL);
	boat.boat.filters[2] = boat.boat.filters[1];
	boat.boat.filters[1] = boat.boat.filters[0];
	strcpy(boat.boat.filters[0].name, "strainer");
	strcpy(boat.boat.filters[0].stage, "strainer");
	boat.boat.filters[0].sensor = SENSOR_NONE;
	boat.boat.filter_count = 3;
	lying_resume(&boat);
	lying_days(&boat, 1, NULL);
	near(boat.filters[0].engine_h, 4, 0.1);
	near(boat.filters[1].engine_h, 20, 0.1);
	near(boat.filters[2].engine_h, 20, 0.1);
	assert_string_equal(boat.filters[2].name, "secondary");
	lying_end(&boat);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(another_order_swaps_no_histories),
		cmocka_unit_test(work_that_was_gone_by_stays_with_its_filter),
		cmocka_unit_test(a_drain_of_days_ago_answers_no_water_of_today),
		cmocka_unit_test(another_name_is_another_filter),
		cmocka_unit_test(a_filter_that_is_added_ahead_takes_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
