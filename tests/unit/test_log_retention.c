#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/log_store.h"
#include "decoders/signal.h"
#include "tests/unit/log_folder.h"

#define NS      INT64_C(1000000000)
#define DAY_S   INT64_C(86400)
#define YEAR_S  (365 * DAY_S)
#define START_S (INT64_C(1420070400)) /* 2015-01-01 */
#define NEVER   INT64_MAX

static struct log_store *open_log(const char *name)
{
	struct log_store *store = NULL;
	char error[512] = "";

	assert_int_equal(log_store_open(&store, name, error, sizeof(error)), 0);
	return store;
}

static int64_t ask(struct log_store *store, const char *sql)
{
	sqlite3_stmt *statement;
	int64_t answer;

	assert_int_equal(sqlite3_prepare_v2(log_store_db(store), sql, -1, &statement, NULL),
		SQLITE_OK);
	assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
	answer = sqlite3_column_int64(statement, 0);
	assert_int_equal(sqlite3_finalize(statement), SQLITE_OK);
	return answer;
}

static void put_slots(struct log_store *store)
{
	static const enum signal_id signals[] = {
		SIGNAL_ENGINE_SPEED, SIGNAL_FUEL_RATE, SIGNAL_LATITUDE};
	struct fact_sink sink = log_store_sink(store);

	for (uint16_t i = 0; i < 3; i++) {
		sink.on_slot(sink.context, &(struct fact_slot){.slot = i, .signal = (uint16_t)signals[i]});
	}
}

/* A session of so many windows, a run and an event in it. */
static void put_sail(struct log_store *store, int64_t number, int64_t first_s, int64_t windows,
	int64_t offset_s, enum clock_basis basis)
{
	struct fact_sink sink = log_store_sink(store);

	sink.on_session(sink.context, &(struct fact_session){
		.session = number,
		.first_ns = first_s * NS,
		.last_ns = (first_s + windows * 10) * NS,
		.utc_offset_ns = offset_s * NS,
		.raw_first_ns = first_s * NS,
		.raw_last_ns = (first_s + windows * 10) * NS,
		.basis = basis,
	});
	for (int64_t i = 0; i < windows; i++) {
		struct fact_reading readings[] = {
			{.slot = 0, .count = 100, .mean = 1500, .low = 1490, .high = 1510},
			{.slot = 1, .count = 10, .mean = 4 + (double)(i % 5), .low = 3, .high = 11},
			{.slot = 2, .count = 10, .mean = 52.25, .low = 52.25, .high = 52.25},
		};

		sink.on_window(sink.context, &(struct fact_window){
			.window = first_s / 10 + i,
			.session = number,
			.count = 3,
			.readings = readings,
		});
	}
	sink.on_trip(sink.context, &(struct fact_trip){.trip = number, .start_session = number,
		.end_session = number, .start_ns = first_s * NS, .end_ns = (first_s + 10) * NS});
	sink.on_run(sink.context, &(struct fact_run){.run = number, .trip = number,
		.start_session = number, .end_session = number, .start_ns = first_s * NS,
		.end_ns = (first_s + 10) * NS});
}

/* Commits until nothing more is dropped; each commit drops at most 2000 rows of a kind. */
static int retain(struct log_store *store, const struct log_retention *retention)
{
	int64_t before = -1, now = ask(store, "SELECT count(*) FROM windows");
	int commits = 0;

	while (now != before) {
		before = now;
		assert_int_equal(log_store_retain(store, retention), 0);
		assert_int_equal(log_store_commit(store, NULL), 0);
		now = ask(store, "SELECT count(*) FROM windows");
		assert_in_range(before - now, 0, 2000);
		commits++;
	}
	return commits;
}

static void readings_go_at_their_age_and_facts_stay(void **state)
{
	struct log_store *store = open_log(LOG_IN_MEMORY);
	const struct log_retention retention = {3 * YEAR_S, 5 * YEAR_S, NEVER};
	int64_t last_s = START_S;
	int64_t days;

	(void)state;
	put_slots(store);
	/* Ten years: a sail of 200 windows each fortnight. */
	for (int64_t i = 0; i < 261; i++) {
		last_s = START_S + i * 14 * DAY_S;
		put_sail(store, i + 1, last_s, 200, 0, CLOCK_BUS);
	}
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	days = ask(store, "SELECT count(*) FROM days");
	assert_int_equal(days, 261);
	assert_true(retain(store, &retention) > 15);

	/* Windows older than three years behind the last session's end, and no others. */
	int64_t oldest_s = last_s + 2000 - 3 * YEAR_S;
	int64_t kept = 0;
	for (int64_t i = 0; i < 261; i++) {
		for (int64_t w = 0; w < 200; w++) {
			kept += START_S + i * 14 * DAY_S + w * 10 >= oldest_s;
		}
	}
	assert_int_equal(ask(store, "SELECT count(*) FROM windows"), kept);
	assert_true(ask(store, "SELECT min(start_s) FROM windows") >= oldest_s);
	assert_true(ask(store, "SELECT min(start_s) FROM minutes") >= last_s + 2000 - 5 * YEAR_S);
	assert_true(ask(store, "SELECT min(start_s) FROM minutes") < last_s - 4 * YEAR_S);
	assert_int_equal(ask(store, "SELECT count(*) FROM days"), days);
	assert_int_equal(ask(store, "SELECT count(*) FROM runs"), 261);
	assert_int_equal(ask(store, "SELECT count(*) FROM trips"), 261);
	assert_int_equal(ask(store, "SELECT count(*) FROM sessions"), 261);

	struct log_kept told;
	assert_int_equal(log_store_kept(store, &told), 0);
	assert_int_equal(told.windows_utc_s, ask(store, "SELECT min(start_s) FROM windows"));
	assert_int_equal(told.minutes_utc_s, ask(store, "SELECT min(start_s) FROM minutes"));
	assert_true(told.used_bytes < told.file_bytes);
	log_store_close(store);
}

static void the_file_stays_below_its_bound(void **state)
{
	struct log_store *store = open_log(path);
	const struct log_retention retention = {100 * YEAR_S, 100 * YEAR_S, 4000000};
	const int64_t sails = 300;
	struct log_kept kept;

	(void)state;
	put_slots(store);
	for (int64_t i = 0; i < sails; i++) {
		put_sail(store, i + 1, START_S + i * 7 * DAY_S, 360, 0, CLOCK_BUS);
		assert_int_equal(log_store_retain(store, &retention), 0);
		assert_int_equal(log_store_commit(store, NULL), 0);
		assert_int_equal(log_store_kept(store, &kept), 0);
		assert_true(kept.file_bytes <= retention.most_bytes);
	}
	/* It is not much smaller than it may be. */
	assert_true(kept.file_bytes > retention.most_bytes / 2);
	/* The oldest windows went, their minutes stayed. */
	assert_true(ask(store, "SELECT min(start_s) FROM windows") > START_S + 7 * DAY_S);
	assert_int_equal(ask(store, "SELECT count(*) FROM minutes"), sails * 60);
	assert_int_equal(ask(store, "SELECT count(*) FROM runs"), sails);
	assert_int_equal(ask(store, "SELECT integrity_check = 'ok' FROM pragma_integrity_check"), 1);
	log_store_close(store);
}

static void minutes_follow_when_there_are_no_windows_left(void **state)
{
	struct log_store *store = open_log(LOG_IN_MEMORY);
	const struct log_retention retention = {100 * YEAR_S, 100 * YEAR_S, 1};

	(void)state;
	put_slots(store);
	for (int64_t i = 0; i < 50; i++) {
		put_sail(store, i + 1, START_S + i * 7 * DAY_S, 360, 0, CLOCK_BUS);
	}
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	(void)retain(store, &retention);
	(void)retain(store, &retention); /* now the minutes */
	(void)retain(store, &retention);
	/* The last sail is younger than two days: nothing of it goes. */
	assert_int_equal(ask(store, "SELECT count(*) FROM windows"), 360);
	assert_int_equal(ask(store, "SELECT count(*) FROM minutes"), 60);
	assert_int_equal(ask(store, "SELECT count(*) FROM days"), 50);
	log_store_close(store);
}

static void a_clock_that_is_ahead_is_not_believed_against_the_bus(void **state)
{
	struct log_store *store = open_log(LOG_IN_MEMORY);
	const struct log_retention retention = {3 * YEAR_S, 5 * YEAR_S, NEVER};

	(void)state;
	put_slots(store);
	put_sail(store, 1, START_S, 100, 0, CLOCK_BUS);
	/* Fifty years ahead, nobody to say otherwise. */
	put_sail(store, 2, START_S + 50 * YEAR_S, 100, 0, CLOCK_RECORDER);
	assert_int_equal(log_store_commit(store, NULL), 0);
	(void)retain(store, &retention);
	assert_int_equal(ask(store, "SELECT count(*) FROM windows"), 200);
	log_store_close(store);
}

/* It began with a clock in 1970, which the bus then put right: its readings are not old. */
static void age_goes_by_utc_and_not_by_the_steady_time(void **state)
{
	struct log_store *store = open_log(LOG_IN_MEMORY);
	const struct log_retention retention = {3 * YEAR_S, 5 * YEAR_S, NEVER};

	(void)state;
	put_slots(store);
	put_sail(store, 1, 1000, 100, START_S, CLOCK_BUS);
	put_sail(store, 2, START_S + 30 * DAY_S, 100, 0, CLOCK_BUS);
	put_sail(store, 3, START_S + 60 * DAY_S, 100, 0, CLOCK_UNDATED);
	assert_int_equal(log_store_commit(store, NULL), 0);
	(void)retain(store, &retention);
	assert_int_equal(ask(store, "SELECT count(*) FROM windows"), 300);
	log_store_close(store);
}

static void a_reader_is_not_disturbed(void **state)
{
	struct log_store *store = open_log(path);
	const struct log_retention retention = {YEAR_S + DAY_S, YEAR_S + DAY_S, NEVER};
	struct log_store *reader = NULL;
	char error[512];

	(void)state;
	put_slots(store);
	for (int64_t i = 0; i < 4; i++) {
		put_sail(store, i + 1, START_S + i * YEAR_S, 500, 0, CLOCK_BUS);
	}
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_store_open_reader(&reader, path, error, sizeof(error)), 0);
	assert_int_equal(sqlite3_exec(log_store_db(reader), "BEGIN", NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(ask(reader, "SELECT count(*) FROM windows"), 2000);
	(void)retain(store, &retention);
	assert_int_equal(ask(store, "SELECT count(*) FROM windows"), 1000);
	assert_int_equal(ask(reader, "SELECT count(*) FROM windows"), 2000);
	assert_int_equal(sqlite3_exec(log_store_db(reader), "COMMIT", NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(ask(reader, "SELECT count(*) FROM windows"), 1000);
	log_store_close(reader);
	log_store_close(store);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(readings_go_at_their_age_and_facts_stay),
		cmocka_unit_test_teardown(the_file_stays_below_its_bound, empty_folder),
		cmocka_unit_test(minutes_follow_when_there_are_no_windows_left),
		cmocka_unit_test(a_clock_that_is_ahead_is_not_believed_against_the_bus),
		cmocka_unit_test(age_goes_by_utc_and_not_by_the_steady_time),
		cmocka_unit_test_teardown(a_reader_is_not_disturbed, empty_folder),
	};

	return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
