#include "analysis/element_due.h"
#include "tests/unit/near.h"

#define DAY_NS INT64_C(86400000000000)
#define NOW_NS (20000 * DAY_NS)

static const struct element_use use = {.h_per_day = 2, .litres_per_h = 25};

static struct element_account counted(enum element_criterion by, double left_h)
{
	return (struct element_account){
		.due_by = by,
		.used_pct = 40,
		.left_h = left_h,
		.has_due = true,
		.due_ns = NOW_NS + (int64_t)(left_h / 2 * (double)DAY_NS),
	};
}

static const struct element_restriction measured = {
	.known = true,
	.restriction_kpa = 12,
	.limit_kpa = 30,
	.litres = 3000,
	.left_l_p10 = 750,
	.left_l_p50 = 1000,
	.left_l_p90 = 1500,
};

static void without_a_sensor_the_count_alone_speaks_and_says_so(void **state)
{
	struct element_account account = counted(ELEMENT_BY_HOURS, 120);
	struct element_restriction unknown = {.known = false};
	struct element_due due;

	(void)state;
	for (int i = 0; i < 2; i++) {
		element_due_judge(&account, i == 0 ? NULL : &unknown, 3000, &use, NOW_NS, &due);
		assert_string_equal(due.due_by, "hours");
		assert_string_equal(due.basis, "counted");
		near(due.left_h_p10, 120, 0);
		near(due.left_h_p90, 120, 0);
		near(due.used_pct, 40, 0);
		assert_string_equal(element_due_text(&due),
			"Nothing measures this element: hours, litres and age are counted.");
	}
}

static void restriction_comes_first_when_it_is_nearer(void **state)
{
	struct element_account account = counted(ELEMENT_BY_HOURS, 120);
	struct element_due due;

	(void)state;
	element_due_judge(&account, &measured, 3000, &use, NOW_NS, &due);
	assert_string_equal(due.due_by, "restriction");
	assert_string_equal(due.basis, "measured");
	near(due.left_h_p10, 30, 1e-9); /* 750 L at 25 L/h */
	near(due.left_h_p50, 40, 1e-9);
	near(due.left_h_p90, 60, 1e-9);
	near(due.used_pct, 75, 1e-9); /* 3000 of 4000 L */
	assert_true(due.has_due);
	assert_int_equal(due.due_ns, NOW_NS + 20 * DAY_NS); /* 40 h at 2 h a day */
}

static void a_barely_used_element_of_high_rating_is_due_by_its_age(void **state)
{
	struct element_account account = counted(ELEMENT_BY_MONTHS, 50);
	struct element_restriction slow = measured;
	struct element_due due;

	(void)state;
	slow.left_l_p10 = 5000;
	slow.left_l_p50 = 20000;
	slow.left_l_p90 = 60000;
	element_due_judge(&account, &slow, 3000, &use, NOW_NS, &due);
	assert_string_equal(due.due_by, "months");
	assert_string_equal(due.basis, "measured");
	near(due.left_h_p10, 50, 0);
	near(due.left_h_p50, 50, 0);
	near(due.used_pct, 40, 0);
	assert_int_equal(due.due_ns, account.due_ns);
	assert_string_equal(element_due_text(&due),
		"By the count; its measured restriction would allow longer.");
}

static void what_passed_since_the_forecast_is_taken_off(void **state)
{
	struct element_account none = {.used_pct = NAN, .left_h = NAN};
	struct element_due due;

	(void)state;
	element_due_judge(&none, &measured, 3500, &use, NOW_NS, &due);
	assert_string_equal(due.due_by, "restriction");
	near(due.left_h_p10, 10, 1e-9);
	near(due.left_h_p50, 20, 1e-9);
	near(due.used_pct, 87.5, 1e-9);
	element_due_judge(&none, &measured, 9000, &use, NOW_NS, &due);
	near(due.left_h_p90, 0, 0);
	assert_int_equal(due.due_ns, NOW_NS);
}

static void at_the_limit_it_is_used_up(void **state)
{
	struct element_account account = counted(ELEMENT_BY_HOURS, 120);
	struct element_restriction full = measured;
	struct element_due due;

	(void)state;
	full.restriction_kpa = 31;
	full.left_l_p10 = full.left_l_p50 = full.left_l_p90 = 0;
	element_due_judge(&account, &full, NAN, &use, NOW_NS, &due);
	assert_string_equal(due.due_by, "restriction");
	near(due.used_pct, 100, 1e-9);
	near(due.left_h_p50, 0, 0);
}

static void without_the_boat_s_use_there_are_no_hours(void **state)
{
	const struct element_use unknown = {.h_per_day = NAN, .litres_per_h = NAN};
	struct element_account none = {.used_pct = NAN, .left_h = NAN};
	struct element_due due;

	(void)state;
	element_due_judge(&none, &measured, 3000, &unknown, NOW_NS, &due);
	assert_string_equal(due.due_by, "restriction");
	assert_true(isnan(due.left_h_p50));
	assert_false(due.has_due);
	near(due.used_pct, 75, 1e-9);
	element_due_judge(&none, NULL, 3000, &unknown, NOW_NS, &due);
	assert_null(due.due_by);
	assert_null(due.basis);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(without_a_sensor_the_count_alone_speaks_and_says_so),
		cmocka_unit_test(restriction_comes_first_when_it_is_nearer),
		cmocka_unit_test(a_barely_used_element_of_high_rating_is_due_by_its_age),
		cmocka_unit_test(what_passed_since_the_forecast_is_taken_off),
		cmocka_unit_test(at_the_limit_it_is_used_up),
		cmocka_unit_test(without_the_boat_s_use_there_are_no_hours),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
