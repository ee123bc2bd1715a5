#include <string.h>

#include "analysis/water.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

#define SECOND_NS INT64_C(1000000000)

/* Readings every period_ms with the same state; returns the first news and when, from the first on.
 */
static enum water_news feed(struct water *w, int64_t *t_ns, int64_t period_ms, double seconds,
	bool wet, double *ret_after_s)
{
	int64_t from = *t_ns;
	int64_t period = period_ms * (SECOND_NS / 1000);

	for (; *t_ns - from < (int64_t)(seconds * 1e9); *t_ns += period) {
		enum water_news news = water_take(w, *t_ns, wet, (double)*t_ns / 3.6e12);
		if (news != WATER_QUIET) {
			*ret_after_s = (double)(*t_ns - from) / 1e9;
			*t_ns += period;
			return news;
		}
	}
	return WATER_QUIET;
}

static void a_steady_indication_is_told_at_thirty_seconds(void **state)
{
	static const int64_t periods_ms[] = {100, 500, 1000, 2000, 5000, 10000};

	(void)state;
	for (size_t i = 0; i < 6; i++) {
		struct water w;
		int64_t t = 5 * SECOND_NS;
		double after = -1;
		water_init(&w);
		assert_int_equal(feed(&w, &t, periods_ms[i], 600, false, &after), WATER_QUIET);
		assert_int_equal(feed(&w, &t, periods_ms[i], 100, true, &after), WATER_FOUND);
		assert_true(after >= 28.9 && after <= 30.01);
		assert_int_equal(feed(&w, &t, periods_ms[i], 3600, true, &after), WATER_QUIET);
	}
}

static void slosh_shorter_than_thirty_seconds_is_never_told(void **state)
{
	static const int64_t periods_ms[] = {100, 500, 10000};

	(void)state;
	for (uint64_t seed = 0; seed < 30; seed++) {
		struct scenario_random r;
		struct water w;
		int64_t period = periods_ms[seed % 3] * 1000000;
		int64_t change = 0;
		bool wet = false;
		scenario_random_init(&r, seed, 0);
		water_init(&w);
		for (int64_t t = 0; t < 7200 * SECOND_NS; t += period) {
			if (t >= change) {
				wet = !wet;
				double s = wet ? scenario_random_between(&r, 0.2, 29.5)
					       : scenario_random_between(&r, 0.2, 10);
				change += (int64_t)(s * 1e9);
				change = change <= t ? t + period : change;
			}
			/* A sender may be up to 5 % early or late. */
			int64_t jitter = (int64_t)(scenario_random_between(&r, -0.05, 0.05) *
						   (double)period);
			assert_int_equal(water_take(&w, t + jitter, wet, 0), WATER_QUIET);
		}
	}
}

static void a_late_fourth_reading_of_a_slow_sender_tells(void **state)
{
	struct water w;

	(void)state;
	water_init(&w);
	for (int i = 0; i < 10; i++) {
		(void)water_take(&w, i * 10 * SECOND_NS, false, 0);
	}
	assert_int_equal(water_take(&w, 100 * SECOND_NS, true, 0), WATER_QUIET);
	assert_int_equal(water_take(&w, 110 * SECOND_NS, true, 0), WATER_QUIET);
	assert_int_equal(water_take(&w, 120 * SECOND_NS, true, 0), WATER_QUIET);
	assert_int_equal(water_take(&w, 130 * SECOND_NS - 300000000, true, 0), WATER_FOUND);
}

static void silence_proves_nothing(void **state)
{
	struct water w;
	double after = 0;
	int64_t t = 0;

	(void)state;
	water_init(&w);
	assert_int_equal(feed(&w, &t, 500, 20, true, &after), WATER_QUIET);
	t += 3600 * SECOND_NS;
	assert_int_equal(feed(&w, &t, 500, 25, true, &after), WATER_QUIET);
	assert_int_equal(feed(&w, &t, 500, 10, true, &after), WATER_FOUND);
}

static void water_after_a_drain_is_recurring(void **state)
{
	struct water w;
	double after = 0;
	int64_t t = 0;

	(void)state;
	water_init(&w);
	assert_int_equal(feed(&w, &t, 500, 60, true, &after), WATER_FOUND);
	water_drained(&w, (double)t / 3.6e12);
	assert_int_equal(feed(&w, &t, 500, 600, false, &after), WATER_CLEARED);
	near(after, 60, 1);
	assert_int_equal(feed(&w, &t, 500, 20 * 3600, false, &after), WATER_QUIET);
	assert_int_equal(feed(&w, &t, 500, 60, true, &after), WATER_RECURRING);
	/* Not drained: it is the same water. */
	assert_int_equal(feed(&w, &t, 500, 1700, false, &after), WATER_QUIET);
	assert_int_equal(feed(&w, &t, 500, 600, true, &after), WATER_QUIET);
	assert_int_equal(feed(&w, &t, 500, 3600, false, &after), WATER_CLEARED);
	near(after, 1800, 1);
	assert_int_equal(feed(&w, &t, 500, 60, true, &after), WATER_FOUND);
	/* Long after a drain it is new water. */
	water_drained(&w, (double)t / 3.6e12);
	assert_int_equal(feed(&w, &t, 500, 600, false, &after), WATER_CLEARED);
	assert_int_equal(feed(&w, &t, 10000, 101 * 3600, false, &after), WATER_QUIET);
	assert_int_equal(feed(&w, &t, 500, 60, true, &after), WATER_FOUND);
	assert_int_equal(w.times, 4);
}

static void each_piece_of_news_names_the_next_step(void **state)
{
	(void)state;
	assert_non_null(strstr(water_next_step(WATER_FOUND), "drain the bowl"));
	assert_non_null(strstr(water_next_step(WATER_RECURRING), "Drain it again"));
	assert_string_equal(water_next_step(WATER_QUIET), "");
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	struct water whole;
	struct water resumed;
	struct scenario_random r;

	(void)state;
	water_init(&whole);
	water_init(&resumed);
	scenario_random_init(&r, 5, 0);
	bool wet = false;
	for (int64_t t = 0; t < 20000 * SECOND_NS; t += SECOND_NS) {
		uint8_t bytes[64];
		struct state_writer writer;
		struct state_reader reader;
		if (scenario_random_share(&r) < 0.01) {
			wet = !wet;
		}
		if (t == 5000 * SECOND_NS) {
			water_drained(&whole, 1.4);
			water_drained(&resumed, 1.4);
		}
		double h = (double)t / 3.6e12;
		assert_int_equal(water_take(&whole, t, wet, h), water_take(&resumed, t, wet, h));
		state_writer_init(&writer, bytes, sizeof(bytes));
		water_save(&resumed, &writer);
		assert_false(writer.failed);
		assert_true(writer.used <= 40);
		memset(&resumed, 0, sizeof(resumed));
		state_reader_init(&reader, bytes, writer.used);
		water_load(&resumed, &reader);
		assert_false(reader.failed);
		assert_int_equal(reader.used, writer.used);
		assert_int_equal(whole.wet_ns, resumed.wet_ns);
		assert_int_equal(whole.dry_ns, resumed.dry_ns);
	}
	assert_true(whole.times > 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_steady_indication_is_told_at_thirty_seconds),
		cmocka_unit_test(slosh_shorter_than_thirty_seconds_is_never_told),
		cmocka_unit_test(a_late_fourth_reading_of_a_slow_sender_tells),
		cmocka_unit_test(silence_proves_nothing),
		cmocka_unit_test(water_after_a_drain_is_recurring),
		cmocka_unit_test(each_piece_of_news_names_the_next_step),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
