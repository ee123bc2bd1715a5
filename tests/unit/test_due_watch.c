#include "analysis/due_watch.h"

#include <string.h>

#include "tests/unit/near.h"

#define DAY_NS	 INT64_C(86400000000000)
#define HOUR_NS	 INT64_C(3600000000000)
#define START_NS (20000 * DAY_NS)
#define TOLD_MAX 256

/* One filter of an engine that is run two hours a day and passes 25 L/h; an hour a step. */
struct bench {
	struct boat boat;
	struct event_life events;
	struct due_watch due;
	struct fact_event told[TOLD_MAX];
	size_t count;
	struct due_count counted;
	int64_t utc_ns;
	bool resume;
};

static void on_event(void *context, const struct fact_event *fact)
{
	struct bench *b = context;

	assert_true(b->count < TOLD_MAX);
	b->told[b->count++] = *fact;
}

static void bench_init(struct bench *b)
{
	memset(b, 0, sizeof(*b));
	boat_init(&b->boat);
	event_life_init(&b->events, 0);
	due_watch_init(&b->due);
	b->utc_ns = START_NS;
	b->counted = (struct due_count){.dated = true, .has_fitted = true, .fitted_ns = START_NS,
		.share = 1};
}

static struct window_view view_of(struct bench *b, struct fact_sink *sink)
{
	*sink = (struct fact_sink){.context = b, .on_event = on_event};
	return (struct window_view){
		.boat = &b->boat,
		.sink = sink,
		.events = &b->events,
		.now = {.session = 1, .t_ns = b->utc_ns},
		.utc_ns = b->utc_ns,
	};
}

static void window(struct bench *b)
{
	struct fact_sink sink;
	struct window_view view = view_of(b, &sink);

	due_watch_window(&b->due, 0, &view, &b->counted);
	if (b->resume) {
		uint8_t bytes[64];
		struct state_writer w;
		struct state_reader r;
		state_writer_init(&w, bytes, sizeof(bytes));
		due_watch_save(&b->due, &w);
		assert_false(w.failed);
		memset(&b->due, 0x42, sizeof(b->due));
		state_reader_init(&r, bytes, w.used);
		due_watch_load(&b->due, &r);
		assert_false(r.failed);
		assert_int_equal(r.used, w.used);
	}
}

static void run_hours(struct bench *b, int hours)
{
	for (int i = 0; i < hours; i++) {
		b->counted.element_h += 1;
		b->counted.engine_h += 1;
		b->counted.element_l += 25;
		b->counted.supply_l += 25;
		b->utc_ns += DAY_NS / 2;
		window(b);
	}
}

static const struct fact_event *last(const struct bench *b)
{
	assert_true(b->count > 0);
	return &b->told[b->count - 1];
}

static void nothing_is_told_without_anything_to_go_by(void **state)
{
	struct bench b;

	(void)state;
	bench_init(&b);
	run_hours(&b, 1000);
	assert_int_equal(b.count, 0);
}

static void hours_are_told_twenty_before_and_again_when_over(void **state)
{
	struct bench b;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].change_h = 200;
	run_hours(&b, 179);
	assert_int_equal(b.count, 0);
	run_hours(&b, 1);
	assert_int_equal(b.count, 1);
	assert_string_equal(last(&b)->kind, "element-due");
	assert_string_equal(last(&b)->subject, "primary");
	assert_string_equal(last(&b)->basis, "counted");
	assert_string_equal(last(&b)->unit, "%");
	assert_int_equal(last(&b)->severity, SEVERITY_ADVICE);
	near(last(&b)->value, 90, 1e-9);
	near(last(&b)->limit, 100, 0);
	assert_string_equal(last(&b)->message, "By hours it is due in 20 engine hours: 180 of 200 h are run. "
		"Nothing measures this element: hours, litres and age are counted.");
	run_hours(&b, 20);
	assert_int_equal(last(&b)->severity, SEVERITY_CAUTION);
	assert_string_equal(last(&b)->message, "By hours it is due: 200 of 200 h are run. Nothing measures this "
		"element: hours, litres and age are counted.");
	assert_int_equal(last(&b)->event, 1);
}

static void litres_are_told(void **state)
{
	struct bench b;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].change_l = 5000; /* 200 h at 25 L/h */
	b.boat.filters[0].change_h = 400;
	run_hours(&b, 179);
	assert_int_equal(b.count, 0);
	run_hours(&b, 1);
	assert_string_equal(last(&b)->message, "By litres it is due in 20 engine hours: 4500 of 5000 L have passed. "
		"Nothing measures this element: hours, litres and age are counted.");
}

/* An element of high rating that hardly runs: its age ends it, not what has passed. */
static void a_barely_used_element_is_due_by_age(void **state)
{
	struct bench b;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].rated_lph = 400;
	b.boat.filters[0].limit_kpa = 25;
	b.boat.filters[0].sensor = SENSOR_SPN95;
	b.boat.filters[0].change_h = 500;
	b.boat.filters[0].change_months = 12;
	struct fact_filter forecast = {.litres = 50, .reference_kpa = 2, .left_l_p10 = 8000,
		.left_l_p50 = 20000, .left_l_p90 = 50000};
	run_hours(&b, 2);
	due_watch_forecast(&b.due, &forecast);
	for (int day = 1; day < 351; day++) {
		b.utc_ns = START_NS + day * DAY_NS;
		window(&b);
	}
	assert_int_equal(b.count, 0);
	b.utc_ns = START_NS + 352 * DAY_NS; /* 12 months are 365.2425 days */
	window(&b);
	assert_int_equal(b.count, 1);
	assert_string_equal(last(&b)->message, "By age it is due in 13 days: 11.6 of 12.0 months have passed. "
		"By the count; its measured restriction would allow longer.");
	assert_string_equal(last(&b)->basis, "measured");
	b.utc_ns = START_NS + 366 * DAY_NS;
	window(&b);
	assert_int_equal(last(&b)->severity, SEVERITY_CAUTION);
}

static void age_is_not_judged_without_a_date(void **state)
{
	struct bench b;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].change_months = 1;
	b.counted.dated = false;
	run_hours(&b, 200);
	b.counted.dated = true;
	b.counted.has_fitted = false;
	run_hours(&b, 200);
	assert_int_equal(b.count, 0);
}

static void restriction_is_told_by_its_median_or_its_early_end(void **state)
{
	static const struct {
		double p10, p50;
	} cases[] = {{700, 800}, {350, 1500}};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		struct bench b;
		struct fact_filter forecast = {.litres = 0, .reference_kpa = 5, .left_l_p10 = 4000,
			.left_l_p50 = 6000, .left_l_p90 = 9000};
		bench_init(&b);
		b.boat.filters[0].sensor = SENSOR_SPN95;
		b.boat.filters[0].limit_kpa = 25;
		b.boat.filters[0].change_h = 400;
		due_watch_forecast(&b.due, &forecast);
		run_hours(&b, 10);
		forecast.litres = 250;
		forecast.reference_kpa = 12;
		forecast.left_l_p10 = cases[i].p10;
		forecast.left_l_p50 = cases[i].p50;
		due_watch_forecast(&b.due, &forecast);
		run_hours(&b, i == 0 ? 11 : 3);
		assert_int_equal(b.count, 0); /* 21 h likely, or 11 h early */
		run_hours(&b, 1);
		assert_int_equal(b.count, 1);
		assert_string_equal(last(&b)->message, i == 0
			? "By its restriction it may be due in 16 engine hours (likely 20)."
			: "By its restriction it may be due in 10 engine hours (likely 56).");
		assert_string_equal(last(&b)->basis, "measured");
		/* A fit that sees further takes it back, but not for a little. */
		forecast.litres = b.counted.element_l;
		forecast.left_l_p10 = 14 * 25;
		forecast.left_l_p50 = 29 * 25;
		due_watch_forecast(&b.due, &forecast);
		window(&b);
		assert_false(last(&b)->has_cleared);
		forecast.left_l_p10 = 16 * 25;
		forecast.left_l_p50 = 31 * 25;
		due_watch_forecast(&b.due, &forecast);
		window(&b);
		assert_true(last(&b)->has_cleared);
	}
}

/* What a forecast says before the restriction has risen is the guess that it began with. */
static void a_new_element_is_not_due_by_a_guess(void **state)
{
	struct bench b;
	struct fact_filter forecast = {.litres = 10, .reference_kpa = 5, .left_l_p10 = 50, .left_l_p50 = 400,
		.left_l_p90 = 9000};

	(void)state;
	bench_init(&b);
	b.boat.filters[0].sensor = SENSOR_SPN95;
	b.boat.filters[0].limit_kpa = 25;
	due_watch_forecast(&b.due, &forecast);
	run_hours(&b, 3);
	forecast.reference_kpa = 7.9; /* 14.5 % of the way from 5 to 25 kPa */
	due_watch_forecast(&b.due, &forecast);
	run_hours(&b, 3);
	assert_int_equal(b.count, 0);
	forecast.reference_kpa = 8.1;
	due_watch_forecast(&b.due, &forecast);
	run_hours(&b, 1);
	assert_int_equal(b.count, 1);
}

/* 200 h or 5000 L are allowed; ahead of them (from 180 h on) only where the restriction's early end is
 * within 20 h too. A date knows nothing of dirt, and is told ahead anyway. */
static void a_count_is_told_ahead_unless_a_measured_restriction_is_far(void **state)
{
	struct bench b;

	(void)state;
	for (int litres = 0; litres < 2; litres++) {
		for (int far = 0; far < 2; far++) {
			bench_init(&b);
			b.boat.filters[0].limit_kpa = 20;
			b.boat.filters[0].sensor = SENSOR_SPN95;
			b.boat.filters[0].change_h = litres ? NAN : 200;
			b.boat.filters[0].change_l = litres ? 5000 : NAN;
			struct fact_filter forecast = {.litres = 2500, .reference_kpa = 6,
				.left_l_p10 = far ? 2500 + 25 * 25 : 2500, .left_l_p50 = 9000,
				.left_l_p90 = 20000};
			run_hours(&b, 100);
			due_watch_forecast(&b.due, &forecast);
			run_hours(&b, 79);
			assert_int_equal(b.count, 0);
			run_hours(&b, 4);
			assert_int_equal(b.count > 0, !far);
			run_hours(&b, 17);
			assert_true(b.count > 0);
			assert_int_equal(last(&b)->severity, SEVERITY_CAUTION);
			near(last(&b)->value, 100, 1e-9);
		}
	}
	bench_init(&b);
	b.boat.filters[0].limit_kpa = 20;
	b.boat.filters[0].sensor = SENSOR_SPN95;
	b.boat.filters[0].change_months = 6;
	struct fact_filter fresh = {.litres = 0, .reference_kpa = 4, .left_l_p10 = 1e5,
		.left_l_p50 = 2e5, .left_l_p90 = 3e5};
	due_watch_forecast(&b.due, &fresh);
	run_hours(&b, 2 * 170);
	assert_int_equal(b.count, 1);
	assert_int_equal(last(&b)->severity, SEVERITY_ADVICE);
}

static void a_loaded_filter_has_its_own_event(void **state)
{
	struct bench b;
	struct fact_filter forecast = {.litres = 1250, .reference_kpa = 26};
	struct fact_sink sink;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].sensor = SENSOR_SPN95;
	b.boat.filters[0].limit_kpa = 25;
	struct window_view view = view_of(&b, &sink);
	struct event_claim high = {.kind = EVENT_RESTRICTION_HIGH, .subject = 0, .name = "primary",
		.unit = "kPa", .basis = "measured", .message = ""};
	window_claim(&view, &high, true);
	run_hours(&b, 50);
	due_watch_forecast(&b.due, &forecast);
	run_hours(&b, 1);
	assert_int_equal(b.count, 1);
}

static void one_that_is_told_ends_where_the_filter_is_loaded(void **state)
{
	struct bench b;
	struct fact_filter forecast = {.litres = 1250, .reference_kpa = 24, .left_l_p10 = 100,
		.left_l_p50 = 200, .left_l_p90 = 300};
	struct fact_filter fresh = {.litres = 0, .reference_kpa = 4, .left_l_p10 = 1e5,
		.left_l_p50 = 2e5, .left_l_p90 = 3e5};
	struct fact_sink sink;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].sensor = SENSOR_SPN95;
	b.boat.filters[0].limit_kpa = 25;
	run_hours(&b, 50);
	due_watch_forecast(&b.due, &fresh);
	due_watch_forecast(&b.due, &forecast);
	run_hours(&b, 1);
	assert_string_equal(last(&b)->kind, "element-due");
	assert_false(last(&b)->has_cleared);
	struct window_view view = view_of(&b, &sink);
	struct event_claim high = {.kind = EVENT_RESTRICTION_HIGH, .subject = 0, .name = "primary",
		.unit = "kPa", .basis = "measured", .message = ""};
	window_claim(&view, &high, true);
	run_hours(&b, 1);
	assert_string_equal(last(&b)->kind, "element-due");
	assert_true(last(&b)->has_cleared);
	size_t told = b.count;
	run_hours(&b, 10);
	assert_int_equal(b.count, told);
}

static void a_new_element_ends_it(void **state)
{
	struct bench b;
	struct fact_sink sink;

	(void)state;
	bench_init(&b);
	b.boat.filters[0].change_h = 100;
	run_hours(&b, 95);
	assert_false(last(&b)->has_cleared);
	struct window_view view = view_of(&b, &sink);
	due_watch_renew(&b.due, 0, &view);
	b.counted.element_h = b.counted.element_l = 0;
	assert_true(last(&b)->has_cleared);
	size_t told = b.count;
	run_hours(&b, 79);
	assert_int_equal(b.count, told);
	run_hours(&b, 2);
	assert_true(b.count > told);
	assert_int_equal(last(&b)->event, 2);
}

/* Whatever is allowed and however it is used: told once before it is over, never more than a few times,
 * and the same when the state goes through a checkpoint after every window. */
static void it_is_told_once_and_resumes_the_same(void **state)
{
	(void)state;
	for (unsigned seed = 0; seed < 60; seed++) {
		struct bench whole, resumed;
		bench_init(&whole);
		whole.boat.filters[0].change_h = 30 + 17 * (seed % 7);
		whole.boat.filters[0].change_l = 700 + 333 * (seed % 11);
		whole.boat.filters[0].change_months = 1 + seed % 5;
		whole.boat.filters[0].limit_kpa = 20;
		whole.boat.filters[0].sensor = seed % 2 ? SENSOR_SPN95 : SENSOR_NONE;
		resumed = whole;
		resumed.resume = true;
		for (unsigned hour = 0; hour < 200; hour++) {
			struct fact_filter forecast = {.litres = 25.0 * hour, .reference_kpa = 0.1 * hour,
				.left_l_p10 = fmax(4000 - 25.0 * hour + 40 * (hour * 7919 % 13), 0),
				.left_l_p50 = fmax(4800 - 25.0 * hour, 0), .left_l_p90 = 6000};
			if (seed % 2 && hour % 5 == 0) {
				due_watch_forecast(&whole.due, &forecast);
				due_watch_forecast(&resumed.due, &forecast);
			}
			run_hours(&whole, 1);
			run_hours(&resumed, 1);
		}
		assert_int_equal(whole.count, resumed.count);
		assert_memory_equal(whole.told, resumed.told, sizeof(whole.told[0]) * whole.count);
		assert_true(whole.count > 0);
		for (size_t i = 0; i < whole.count; i++) {
			assert_int_equal(whole.told[i].event, 1);
			assert_false(whole.told[i].has_cleared);
		}
		/* Where a restriction is measured and far, what is counted waits until it is used up. */
		if (seed % 2 == 0) {
			assert_true(whole.told[0].value < 100);
			assert_int_equal(whole.told[0].severity, SEVERITY_ADVICE);
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(nothing_is_told_without_anything_to_go_by),
		cmocka_unit_test(hours_are_told_twenty_before_and_again_when_over),
		cmocka_unit_test(litres_are_told),
		cmocka_unit_test(a_barely_used_element_is_due_by_age),
		cmocka_unit_test(age_is_not_judged_without_a_date),
		cmocka_unit_test(restriction_is_told_by_its_median_or_its_early_end),
		cmocka_unit_test(a_new_element_is_not_due_by_a_guess),
		cmocka_unit_test(a_count_is_told_ahead_unless_a_measured_restriction_is_far),
		cmocka_unit_test(a_loaded_filter_has_its_own_event),
		cmocka_unit_test(one_that_is_told_ends_where_the_filter_is_loaded),
		cmocka_unit_test(a_new_element_ends_it),
		cmocka_unit_test(it_is_told_once_and_resumes_the_same),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
