/* The configuration's date of an element, before the log, within it and after its end, with and
 * without the book. */
#include "tests/unit/near.h"

#include "tests/unit/lying_boat.h"

#define DAY_PERIOD_NS ((int64_t)((LYING_DAY_H + 18.5) * 3600) * LYING_S) /* of lying_days */

static struct lying_boat boat;

static void begin(double fitted_days)
{
	lying_begin(&boat);
	boat.boat.filters[0].has_fitted = true;
	boat.boat.filters[0].fitted_ns =
		LYING_BEGIN + (int64_t)(fitted_days * (double)DAY_PERIOD_NS);
	lying_start(&boat);
}

static void counted(double primary_h, double secondary_h)
{
	near(boat.filters[0].engine_h, primary_h, 0.05);
	near(boat.filters[1].engine_h, secondary_h, 0.05);
}

static void a_date_before_the_log_is_the_element_that_is_in(void **state)
{
	(void)state;
	begin(-20);
	lying_days(&boat, 4, NULL);
	counted(16, 16);
	assert_true(boat.filters[0].fitted_ns == boat.boat.filters[0].fitted_ns);
	assert_true(boat.filters[1].fitted_ns == INT64_MIN);
	lying_end(&boat);
}

static void a_date_within_the_log_begins_a_new_element_whole_or_resumed(void **state)
{
	struct fact_filter whole = {0};

	(void)state;
	for (unsigned resume = 0; resume < 2; resume++) {
		begin(3);
		boat.resume = resume * 11;
		lying_days(&boat, 2, NULL);
		counted(8, 8);
		assert_true(boat.filters[0].fitted_ns == INT64_MIN);
		lying_days(&boat, 3, NULL);
		counted(8, 20);
		assert_true(boat.filters[0].fitted_ns == boat.boat.filters[0].fitted_ns);
		/* What its sensor showed before the date is of the element before. */
		assert_true(boat.filters[0].litres < boat.filters[1].litres / 2);
		if (resume == 0) {
			whole = boat.filters[0];
		} else {
			const struct fact_filter *resumed = &boat.filters[0];
			assert_true(resumed->t_ns == whole.t_ns);
			assert_true(resumed->fitted_ns == whole.fitted_ns);
			near(resumed->engine_h, whole.engine_h, 0);
			near(resumed->litres, whole.litres, 0);
			near(resumed->reference_kpa, whole.reference_kpa, 0);
			near(resumed->left_l_p50, whole.left_l_p50, 0);
		}
		lying_end(&boat);
	}
}

/* Written into the configuration of a log that goes on: from then on it counts, as a late entry
 * does. */
static void a_date_that_is_told_later_counts_once(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 3, NULL);
	boat.boat.filters[0].has_fitted = true;
	boat.boat.filters[0].fitted_ns = boat.t_ns - DAY_PERIOD_NS;
	lying_resume(&boat);
	lying_days(&boat, 2, NULL);
	counted(8, 20);
	lying_resume(&boat); /* it was gone by: not once more */
	lying_days(&boat, 1, NULL);
	counted(12, 24);
	lying_end(&boat);
}

static void the_books_entry_of_the_same_day_wins(void **state)
{
	(void)state;
	for (int hours = -6; hours <= 6; hours += 12) {
		begin(3);
		struct boat_work work = {.kind = WORK_ELEMENT,
			.place = 0,
			.utc_ns = boat.boat.filters[0].fitted_ns + hours * 3600 * LYING_S};
		pipeline_tell_works(boat.pipeline, &work, 1);
		lying_days(&boat, 5, NULL);
		/* Six hours later lies behind that day's four. */
		counted(hours < 0 ? 8 : 4, 20);
		assert_true(boat.filters[0].fitted_ns == work.utc_ns);
		lying_end(&boat);
	}
}

static void a_date_that_has_not_come_changes_nothing(void **state)
{
	(void)state;
	begin(4000);
	lying_days(&boat, 4, NULL);
	counted(16, 16);
	assert_true(boat.filters[0].fitted_ns == INT64_MIN);
	lying_end(&boat);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_date_before_the_log_is_the_element_that_is_in),
		cmocka_unit_test(a_date_within_the_log_begins_a_new_element_whole_or_resumed),
		cmocka_unit_test(a_date_that_is_told_later_counts_once),
		cmocka_unit_test(the_books_entry_of_the_same_day_wins),
		cmocka_unit_test(a_date_that_has_not_come_changes_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
