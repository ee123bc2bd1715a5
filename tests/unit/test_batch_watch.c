#include <string.h>

#include "analysis/batch_watch.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

static const struct batch_watch_config config = {.change = 0.05, .first_sd = 0.035, .most = 0.15};

/* Minutes of noise with the given memory, and a shift from a minute on; returns the first news
 * after it, and counts what came before. */
static enum batch_news season(uint64_t seed, double sd, double memory_s, int minutes, int shift_at,
	double shift, int *ret_false, int *ret_delay, struct batch_change *ret_change)
{
	struct scenario_random r;
	struct scenario_wander noise;
	struct batch_watch watch;

	scenario_random_init(&r, seed, 8);
	scenario_wander_init(&noise, sd, memory_s, &r);
	batch_watch_init(&watch, &config);
	*ret_false = 0;
	for (int i = 0; i < minutes; i++) {
		double x = scenario_wander_step(&noise, 60, &r) + (i >= shift_at ? shift : 0);
		enum batch_news news = batch_watch_minute(&watch, &config, x, 0, ret_change);
		if (news == BATCH_UP || news == BATCH_DOWN) {
			if (i >= shift_at) {
				*ret_delay = i - shift_at;
				return news;
			}
			++*ret_false;
		}
	}
	return BATCH_QUIET;
}

static void memory_fakes_no_alarm(void **state)
{
	static const double memory_s[] = {60, 300, 1200, 3600};
	int told = 0;

	(void)state;
	for (uint64_t seed = 0; seed < 20; seed++) { /* 10,000 h */
		int before;
		int delay;
		struct batch_change change;
		(void)season(
			seed, 0.03, memory_s[seed % 4], 30000, 30000, 0, &before, &delay, &change);
		told += before;
	}
	assert_true(told <= 10); /* fewer than one in 1,000 h */
}

static void a_shift_is_found_and_measured(void **state)
{
	(void)state;
	for (int sign = -1; sign <= 1; sign += 2) {
		int found = 0;
		for (uint64_t seed = 0; seed < 20; seed++) {
			int before;
			int delay = 0;
			struct batch_change change = {0};
			enum batch_news news = season(100 + seed, 0.03, 120, 9000, 6000,
				sign * 0.05, &before, &delay, &change);
			assert_int_equal(news, sign > 0 ? BATCH_UP : BATCH_DOWN);
			near(change.shift, sign * 0.05, 0.04); /* of the first batches only */
			found += delay <= 180;
		}
		assert_true(found >= 19);
	}
}

static void coarse_minutes_count_for_less(void **state)
{
	struct batch_watch fine;
	struct batch_watch coarse;
	struct batch_change change;

	(void)state;
	batch_watch_init(&fine, &config);
	batch_watch_init(&coarse, &config);
	for (int i = 0; i < 100; i++) {
		(void)batch_watch_minute(&fine, &config, 0, 0, &change);
		(void)batch_watch_minute(&coarse, &config, 0, 0.1, &change);
	}
	assert_int_equal(fine.batches, 10);
	assert_int_equal(coarse.batches, 0);
}

static void it_clears_when_the_shift_has_gone(void **state)
{
	struct batch_watch watch;
	struct batch_change change;
	int up = 0;
	int cleared = 0;

	(void)state;
	batch_watch_init(&watch, &config);
	for (int i = 0; i < 6000; i++) {
		double x = 0.01 * ((i % 7) - 3) / 3.0 + (i >= 2000 && i < 3000 ? 0.08 : 0);
		enum batch_news news = batch_watch_minute(&watch, &config, x, 0, &change);
		up += news == BATCH_UP;
		cleared += news == BATCH_CLEARED;
		assert_true(news != BATCH_DOWN);
		assert_true(news != BATCH_CLEARED || (i > 3050 && i < 3400));
	}
	assert_int_equal(up, 1);
	assert_int_equal(cleared, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(memory_fakes_no_alarm),
		cmocka_unit_test(a_shift_is_found_and_measured),
		cmocka_unit_test(coarse_minutes_count_for_less),
		cmocka_unit_test(it_clears_when_the_shift_has_gone),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
