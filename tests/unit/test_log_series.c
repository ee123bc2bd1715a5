#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "daemon/log_series.h"
#include "decoders/signal.h"
#include "tests/unit/near.h"

#define SECOND INT64_C(1000000000)
#define HOUR   (3600 * SECOND)
/* 2025-06-01T00:00:00Z, and an offset that is no whole minute, as a bus's time gives. */
#define MIDNIGHT (INT64_C(1748736000) * SECOND)
#define OFFSET   (INT64_C(1000000007) * SECOND)

static struct log_store *store;

/* A session of so many hours from a UTC time on, in which the burn of window n is value(n) L/h, 1 below
 * and 2 above. */
static void log_session(int64_t number, int64_t start_ns, unsigned hours, double (*value)(int64_t n))
{
	struct fact_sink sink = log_store_sink(store);
	int64_t steady_ns = start_ns - OFFSET;
	struct fact_session session = {.session = number, .first_ns = steady_ns,
		.last_ns = steady_ns + hours * HOUR - SECOND, .utc_offset_ns = OFFSET,
		.basis = CLOCK_BUS};
	struct fact_slot slot = {.slot = 0, .signal = SIGNAL_FUEL_RATE, .instance = 0};

	sink.on_session(sink.context, &session);
	sink.on_slot(sink.context, &slot);
	for (int64_t n = 0; n < (int64_t)hours * 360; n++) {
		double mean = value(n);
		struct fact_reading reading = {.slot = 0, .count = 10, .mean = mean, .low = mean - 1,
			.high = mean + 2};
		struct fact_window window = {.window = steady_ns / WINDOW_NS + n, .session = number,
			.count = 1, .readings = &reading};
		sink.on_window(sink.context, &window);
	}
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
}

static double three(int64_t n)
{
	(void)n;
	return 3;
}

static double ramp(int64_t n)
{
	return 2 + (double)n * 0.005;
}

static int open_store(void **state)
{
	char error[256] = "";

	(void)state;
	if (log_store_open(&store, LOG_IN_MEMORY, error, sizeof(error)) != 0) {
		print_error("%s\n", error);
		return 1;
	}
	return 0;
}

static int close_store(void **state)
{
	(void)state;
	log_store_close(store);
	return 0;
}

static struct series_question ask(int64_t since_ns, int64_t until_ns, size_t points)
{
	return (struct series_question){.since_ns = since_ns, .until_ns = until_ns, .points = points,
		.signal_count = 1, .signals = {{"fuel_rate_lph", 0}}};
}

static void a_short_span_gives_windows_as_they_are(void **state)
{
	struct series_question question = ask(MIDNIGHT, MIDNIGHT + HOUR, 1000);
	struct series series;

	(void)state;
	log_session(1, MIDNIGHT, 2, ramp);
	assert_int_equal(log_series_read(store, &question, &series), 0);
	assert_int_equal(series.tier, SERIES_WINDOWS);
	assert_true(series.known[0]);
	assert_string_equal(series.unit[0], "L/h");
	assert_true(series.width_ns == 10 * SECOND);
	/* Steady windows do not begin where UTC's do: the first may be cut. */
	assert_in_range(series.count, 360, 361);
	for (size_t i = 1; i < series.count; i++) {
		assert_true(series.start_ns[i] > series.start_ns[i - 1]);
		near(series.values[i].high - series.values[i].low, 3, 1e-9);
	}
	log_series_finish(&series);
}

static void points_are_bounded_and_weighted_by_count(void **state)
{
	struct series_question question = ask(MIDNIGHT, MIDNIGHT + 2 * HOUR, 12);
	struct series series;
	double sum = 0;
	uint32_t count = 0;

	(void)state;
	log_session(1, MIDNIGHT, 2, ramp);
	assert_int_equal(log_series_read(store, &question, &series), 0);
	assert_in_range(series.count, 11, 13);
	for (size_t i = 0; i < series.count; i++) {
		sum += series.values[i].mean * series.values[i].count;
		count += series.values[i].count;
	}
	assert_int_equal(count, 7200);
	/* The mean of 2 + 0.005 n, n = 0 .. 719. */
	near(sum / count, 2 + 0.005 * 719 / 2, 0.003);
	near(series.values[0].low, 1, 0.006);
	log_series_finish(&series);
}

static void a_long_span_takes_minutes_then_days(void **state)
{
	struct series_question minutes = ask(MIDNIGHT - HOUR, MIDNIGHT + 100 * HOUR, 500);
	struct series_question days = ask(MIDNIGHT - 3650 * 24 * HOUR, MIDNIGHT + 3650 * 24 * HOUR, 800);
	struct series series;

	(void)state;
	log_session(1, MIDNIGHT, 60, three);
	assert_int_equal(log_series_read(store, &minutes, &series), 0);
	assert_int_equal(series.tier, SERIES_MINUTES);
	near(series.values[series.count / 2].mean, 3, 1e-9);
	near(series.values[series.count / 2].low, 2, 1e-9);
	near(series.values[series.count / 2].high, 5, 1e-9);
	log_series_finish(&series);
	log_session(2, MIDNIGHT + 100 * HOUR, 250, three);
	assert_int_equal(log_series_read(store, &days, &series), 0);
	assert_int_equal(series.tier, SERIES_DAYS);
	assert_in_range(series.count, 1, 16);
	uint32_t count = 0;
	for (size_t i = 0; i < series.count; i++) {
		count += series.values[i].count;
		near(series.values[i].mean, 3, 1e-9);
	}
	assert_int_equal(count, 310 * 3600); /* ten numbers a window: not one is lost or doubled */
	log_series_finish(&series);
}

static void a_time_in_which_nothing_was_logged_has_no_point(void **state)
{
	struct series_question question = ask(MIDNIGHT, MIDNIGHT + 24 * HOUR, 1000);
	struct series series;

	(void)state;
	log_session(1, MIDNIGHT, 1, three);
	log_session(2, MIDNIGHT + 20 * HOUR, 1, three);
	assert_int_equal(log_series_read(store, &question, &series), 0);
	for (size_t i = 0; i < series.count; i++) {
		int64_t hour = (series.start_ns[i] + series.width_ns / 2 - MIDNIGHT) / HOUR;
		assert_true(hour <= 1 || (hour >= 19 && hour <= 21));
		assert_true(series.values[i].count > 0);
	}
	log_series_finish(&series);
}

static void an_undated_session_is_left_out(void **state)
{
	struct fact_sink sink = log_store_sink(store);
	struct fact_session session = {.session = 1, .first_ns = 0, .last_ns = HOUR,
		.basis = CLOCK_UNDATED};
	struct fact_slot slot = {.slot = 0, .signal = SIGNAL_FUEL_RATE, .instance = 0};
	struct fact_reading reading = {.slot = 0, .count = 1, .mean = 5, .low = 5, .high = 5};
	struct fact_window window = {.window = 3, .session = 1, .count = 1, .readings = &reading};
	struct series_question question = ask(0, MIDNIGHT, 100);
	struct series series;

	(void)state;
	sink.on_session(sink.context, &session);
	sink.on_slot(sink.context, &slot);
	sink.on_window(sink.context, &window);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_series_read(store, &question, &series), 0);
	assert_int_equal(series.count, 0);
	log_series_finish(&series);
}

static void a_signal_that_was_never_heard_is_told_apart(void **state)
{
	struct series_question question = ask(MIDNIGHT, MIDNIGHT + HOUR, 100);
	struct series series;

	(void)state;
	log_session(1, MIDNIGHT, 1, three);
	question.signal_count = 2;
	(void)snprintf(question.signals[1].name, sizeof(question.signals[1].name), "oil_pressure_kpa");
	assert_int_equal(log_series_read(store, &question, &series), 0);
	assert_true(series.known[0]);
	assert_false(series.known[1]);
	assert_int_equal(series.values[1].count, 0);
	assert_true(isnan(series.values[1].mean));
	log_series_finish(&series);
}

static void wrong_questions_are_refused(void **state)
{
	struct series series;
	struct series_question wrong[] = {
		ask(MIDNIGHT, MIDNIGHT, 100),
		ask(MIDNIGHT + 1, MIDNIGHT, 100),
		ask(-1, MIDNIGHT, 100),
		ask(0, INT64_MAX, 100),
		ask(INT64_MIN, INT64_MAX, 100),
		ask(0, MIDNIGHT, 1),
		ask(0, MIDNIGHT, SERIES_POINTS_MAX + 1),
	};

	(void)state;
	for (size_t i = 0; i < sizeof(wrong) / sizeof(wrong[0]); i++) {
		assert_int_equal(log_series_read(store, &wrong[i], &series), -EINVAL);
	}
	wrong[0] = ask(0, MIDNIGHT, 100);
	wrong[0].signal_count = 0;
	assert_int_equal(log_series_read(store, &wrong[0], &series), -EINVAL);
}

static int stop_at_once(void *context)
{
	(void)context;
	return 1;
}

static void a_question_that_is_stopped_says_so(void **state)
{
	struct series_question question = ask(MIDNIGHT, MIDNIGHT + 30 * HOUR, 100);
	struct series series;

	(void)state;
	log_session(1, MIDNIGHT, 30, three);
	sqlite3_progress_handler(log_store_db(store), 1000, stop_at_once, NULL);
	assert_int_equal(log_series_read(store, &question, &series), -EINTR);
	sqlite3_progress_handler(log_store_db(store), 0, NULL, NULL);
}

struct minutes {
	size_t count;
	size_t most;
	double sum;
};

static bool on_minute(void *context, const struct series_value *values)
{
	struct minutes *minutes = context;

	minutes->sum += values[0].mean;
	return ++minutes->count < minutes->most;
}

static void the_latest_minutes_come_first(void **state)
{
	struct series_question question = ask(INT64_MIN, 0, 0);
	struct minutes part = {.most = SIZE_MAX};
	struct minutes one = {.most = 1}, all = {.most = SIZE_MAX};

	(void)state;
	log_session(1, MIDNIGHT, 2, ramp);
	assert_int_equal(log_series_latest_minutes(store, &question, on_minute, &one), 0);
	assert_int_equal(one.count, 1);
	near(one.sum, 2 + 0.005 * 717, 0.03);
	assert_int_equal(log_series_latest_minutes(store, &question, on_minute, &all), 0);
	assert_in_range(all.count, 120, 121);
	question.since_ns = MIDNIGHT + HOUR;
	assert_int_equal(log_series_latest_minutes(store, &question, on_minute, &part), 0);
	assert_in_range(part.count, 59, 61);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
#define CASE(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)
		CASE(a_short_span_gives_windows_as_they_are),
		CASE(points_are_bounded_and_weighted_by_count),
		CASE(a_long_span_takes_minutes_then_days),
		CASE(a_time_in_which_nothing_was_logged_has_no_point),
		CASE(an_undated_session_is_left_out),
		CASE(a_signal_that_was_never_heard_is_told_apart),
		CASE(wrong_questions_are_refused),
		CASE(a_question_that_is_stopped_says_so),
		CASE(the_latest_minutes_come_first),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
