/* What the log keeps and gives back, and what it refuses. Files live in a folder of their own. */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <sched.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/log_schema.h"
#include "daemon/log_store.h"
#include "decoders/signal.h"
#include "tests/unit/log_folder.h"

#define NS INT64_C(1000000000)
/* 2026-06-01T08:00:00Z */
#define START_S INT64_C(1780300800)

static struct log_store *open_log(void)
{
	struct log_store *store = NULL;
	char error[512] = "";
	int result = log_store_open(&store, path, error, sizeof(error));

	assert_string_equal(error, "");
	assert_int_equal(result, 0);
	return store;
}

/* A text of whatever a query gives, a line a row. The caller frees. */
static char *query(sqlite3 *db, const char *sql)
{
	char *text = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&text, &size);
	sqlite3_stmt *statement;

	assert_non_null(out);
	int rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);
	if (rc != SQLITE_OK) {
		fail_msg("%s: %s", sql, sqlite3_errmsg(db));
	}
	while ((rc = sqlite3_step(statement)) == SQLITE_ROW) {
		for (int i = 0; i < sqlite3_column_count(statement); i++) {
			const char *cell = (const char *)sqlite3_column_text(statement, i);
			if (sqlite3_column_type(statement, i) == SQLITE_BLOB) {
				const uint8_t *bytes = sqlite3_column_blob(statement, i);
				(void)fputs(i == 0 ? "" : "|", out);
				for (int b = 0; b < sqlite3_column_bytes(statement, i); b++) {
					(void)fprintf(out, "%02x", bytes[b]);
				}
			} else {
				(void)fprintf(out, "%s%s", i == 0 ? "" : "|", cell == NULL ? "" : cell);
			}
		}
		(void)fputc('\n', out);
	}
	assert_int_equal(rc, SQLITE_DONE);
	assert_int_equal(sqlite3_finalize(statement), SQLITE_OK);
	assert_int_equal(fclose(out), 0);
	return text;
}

static void assert_query(struct log_store *store, const char *sql, const char *expected)
{
	char *text = query(log_store_db(store), sql);

	assert_string_equal(text, expected);
	free(text);
}

/* Everything that a log holds. */
static char *dump(struct log_store *store)
{
	static const char *const tables[] = {"meta", "buses", "slots", "lane_slots", "sessions",
		"windows", "minutes", "days", "stale_days", "trips", "runs", "events", "captures",
		"capture_stretches", "checkpoints"};
	char *whole = calloc(1, 1);

	for (size_t i = 0; i < sizeof(tables) / sizeof(tables[0]); i++) {
		char sql[64], *text, *joined = NULL;
		(void)snprintf(sql, sizeof(sql), "SELECT * FROM %s", tables[i]);
		text = query(log_store_db(store), sql);
		assert_true(asprintf(&joined, "%s%s:\n%s", whole, tables[i], text) > 0);
		free(text);
		free(whole);
		whole = joined;
	}
	return whole;
}

static void put_session(struct log_store *store, int64_t session, int64_t first_s, int64_t last_s,
	int64_t offset_s, enum clock_basis basis)
{
	struct fact_sink sink = log_store_sink(store);
	struct fact_session fact = {
		.session = session,
		.first_ns = first_s * NS,
		.last_ns = last_s * NS,
		.utc_offset_ns = offset_s * NS,
		.raw_first_ns = first_s * NS,
		.raw_last_ns = last_s * NS,
		.basis = basis,
	};

	sink.on_session(sink.context, &fact);
}

static void put_slot(struct log_store *store, uint16_t slot, enum signal_id id, uint16_t instance)
{
	struct fact_sink sink = log_store_sink(store);
	struct fact_slot fact = {.slot = slot, .signal = (uint16_t)id, .instance = instance};

	sink.on_slot(sink.context, &fact);
}

static void put_window(struct log_store *store, int64_t window, int64_t session,
	const struct fact_reading *readings, size_t count)
{
	struct fact_sink sink = log_store_sink(store);
	struct fact_window fact = {
		.window = window,
		.session = session,
		.count = count,
		.readings = readings,
	};

	sink.on_window(sink.context, &fact);
}

/* One window of an invented engine: speed in slot 0, fuel rate in slot 2, latitude in slot 1. */
static void put_engine_window(struct log_store *store, int64_t window, int64_t session)
{
	double rpm = 1500 + (double)(window % 97);
	struct fact_reading readings[] = {
		{.slot = 0, .count = 100, .mean = rpm, .low = rpm - 12.5, .high = rpm + 20},
		{.slot = 1, .count = 10, .mean = -41.25, .low = -41.250025, .high = -41.25},
		{.slot = 2, .count = (uint32_t)(5 + window % 3), .mean = 3.7 + (double)(window % 7),
			.low = 3.5, .high = 11},
	};

	put_window(store, window, session, readings, 3);
}

static void put_engine_slots(struct log_store *store)
{
	put_slot(store, 0, SIGNAL_ENGINE_SPEED, 0);
	put_slot(store, 1, SIGNAL_LATITUDE, 0);
	put_slot(store, 2, SIGNAL_FUEL_RATE, 1);
}

static void a_reading_comes_back_from_the_view_in_utc(void **state)
{
	struct log_store *store = open_log();

	(void)state;
	put_session(store, 1, START_S - 7200, START_S - 7100, 7200, CLOCK_BUS);
	put_engine_slots(store);
	put_engine_window(store, (START_S - 7200) / 10, 1);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT start_utc, signal, instance, unit, count, mean, low, high "
		"FROM readings_10s",
		"2026-06-01T08:00:00Z|engine_speed_rpm|0|rpm|100|1522.0|1509.5|1542.0\n"
		"2026-06-01T08:00:00Z|latitude_deg|0|deg|10|-41.25|-41.250025|-41.25\n"
		"2026-06-01T08:00:00Z|fuel_rate_lph|1|L/h|5|8.7|3.5|11.0\n");
	assert_query(store, "SELECT start_utc, mean FROM readings_minute WHERE signal = "
		"'engine_speed_rpm'", "2026-06-01T08:00:00Z|1522.0\n");
	log_store_close(store);
}

/* The view's means against sums that SQLite makes over the finer view. */
static void minutes_and_days_are_rolled_up_from_what_is_stored(void **state)
{
	struct log_store *store = open_log();

	(void)state;
	put_session(store, 1, START_S, START_S + 86400, 0, CLOCK_RECORDER);
	put_engine_slots(store);
	for (int64_t i = 0; i < 8640; i += 1 + (i % 5 == 0)) {
		put_engine_window(store, START_S / 10 + i, 1);
	}
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT count(*) > 1400 FROM minutes", "1\n");
	/* The first day was over; the second is not until it is settled. */
	assert_query(store, "SELECT count(*) FROM days", "1\n");
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT count(*), (SELECT count(*) FROM stale_days) FROM days", "2|0\n");
	assert_query(store,
		"SELECT count(*) > 4000, max(abs(m.count - w.n)), max(abs(m.mean - w.mean) / s.step) <= "
		"0.5001, max(abs(m.low - w.low)), max(abs(m.high - w.high)) FROM readings_minute AS m "
		"JOIN (SELECT start_s / 60 AS minute, signal, sum(count) AS n, "
		"sum(count * mean) / sum(count) AS mean, min(low) AS low, max(high) AS high "
		"FROM readings_10s GROUP BY minute, signal) AS w "
		"ON w.minute = m.start_s / 60 AND w.signal = m.signal "
		"JOIN slots AS s ON s.signal = m.signal", "1|0|1|0.0|0.0\n");
	assert_query(store,
		"SELECT count(*), max(abs(m.count - w.n)), max(abs(m.mean - w.mean) / s.step) <= 1, "
		"max(abs(m.low - w.low)), max(abs(m.high - w.high)) FROM readings_day AS m "
		"JOIN (SELECT start_s / 86400 AS day, signal, sum(count) AS n, "
		"sum(count * mean) / sum(count) AS mean, min(low) AS low, max(high) AS high "
		"FROM readings_10s GROUP BY day, signal) AS w "
		"ON w.day = m.start_s / 86400 AND w.signal = m.signal "
		"JOIN slots AS s ON s.signal = m.signal", "6|0|1|0.0|0.0\n");
	log_store_close(store);
}

static void a_window_seen_in_part_is_replaced_with_its_minute(void **state)
{
	struct log_store *store = open_log();
	struct fact_reading reading = {.slot = 0, .count = 3, .mean = 800, .low = 790, .high = 810};

	(void)state;
	put_session(store, 1, START_S, START_S + 5, 0, CLOCK_RECORDER);
	put_engine_slots(store);
	put_window(store, START_S / 10, 1, &reading, 1);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	reading.count = 9;
	reading.mean = 805;
	put_window(store, START_S / 10, 1, &reading, 1);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT count, mean FROM readings_10s UNION ALL SELECT count, mean FROM "
		"readings_minute UNION ALL SELECT count, mean FROM readings_day",
		"9|805.0\n9|805.0\n9|805.0\n");
	log_store_close(store);
}

static void two_sessions_in_one_window_keep_a_row_each(void **state)
{
	struct log_store *store = open_log();
	struct fact_reading reading = {.slot = 0, .count = 1, .mean = 100, .low = 100, .high = 100};

	(void)state;
	put_session(store, 1, START_S, START_S + 2, 0, CLOCK_RECORDER);
	put_session(store, 2, START_S + 4, START_S + 9, 0, CLOCK_RECORDER);
	put_engine_slots(store);
	put_window(store, START_S / 10, 1, &reading, 1);
	reading.mean = reading.low = reading.high = 200;
	put_window(store, START_S / 10, 2, &reading, 1);
	reading.mean = reading.low = reading.high = 300;
	put_window(store, START_S / 10, 1, &reading, 1);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT start_utc, session, mean FROM readings_10s",
		"2026-06-01T08:00:00Z|1|300.0\n2026-06-01T08:00:00Z|2|200.0\n");
	assert_query(store, "SELECT start_utc, session, mean FROM readings_minute",
		"2026-06-01T08:00:00Z|1|300.0\n2026-06-01T08:00:00Z|2|200.0\n");
	assert_query(store, "SELECT count, mean, low, high FROM readings_day",
		"2|250.0|200.0|300.0\n");
	log_store_close(store);
}

static void a_session_that_is_dated_later_moves_its_days(void **state)
{
	struct log_store *store = open_log();

	(void)state;
	/* The recorder woke up in 2000; then the bus brought the time. */
	put_session(store, 1, 946684800, 946684900, 0, CLOCK_RECORDER);
	put_engine_slots(store);
	put_engine_window(store, 946684800 / 10, 1);
	put_engine_window(store, 946684860 / 10, 1);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT DISTINCT start_utc FROM readings_day", "2000-01-01T00:00:00Z\n");
	put_session(store, 1, 946684800, 946684950, START_S - 946684800, CLOCK_BUS);
	put_engine_window(store, 946684920 / 10, 1);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT DISTINCT start_utc FROM readings_day", "2026-06-01T00:00:00Z\n");
	assert_query(store, "SELECT min(start_utc), max(start_utc) FROM readings_10s",
		"2026-06-01T08:00:00Z|2026-06-01T08:02:00Z\n");
	log_store_close(store);
}

static void an_undated_session_has_no_utc(void **state)
{
	struct log_store *store = open_log();
	struct fact_sink sink = log_store_sink(store);
	struct fact_run run = {.run = 1, .trip = 1, .start_session = 1, .end_session = 1,
		.start_ns = 5 * NS, .end_ns = 65 * NS, .engine_h = 1.0 / 60, .fuel_l = NAN};

	(void)state;
	put_session(store, 1, 0, 65, 0, CLOCK_UNDATED);
	put_engine_slots(store);
	put_engine_window(store, 1, 1);
	sink.on_run(sink.context, &run);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT run, start_utc, end_utc, fuel_l FROM run_list", "1|||\n");
	assert_query(store, "SELECT DISTINCT start_utc FROM readings_10s", "\n");
	assert_query(store, "SELECT count(*) FROM days", "0\n");
	log_store_close(store);
}

static void facts_come_back_from_their_views(void **state)
{
	struct log_store *store = open_log();
	struct fact_sink sink = log_store_sink(store);
	struct boat boat;
	struct fact_run run = {.run = 1, .trip = 1, .engine = 0, .start_session = 1, .end_session = 1,
		.start_ns = START_S * NS, .end_ns = (START_S + 1800) * NS, .engine_h = 0.5,
		.idle_h = 0.1, .fuel_l = 2, .fuel_estimated_l = 0.25, .fuel_uncertainty_l = 0.01,
		.supply_l = 30, .mean_lph = 4, .max_lph = 9, .max_coolant_c = 82};
	struct fact_trip trip = {.trip = 1, .start_session = 1, .end_session = 1,
		.start_ns = START_S * NS, .end_ns = (START_S + 5400) * NS, .open = true,
		.distance_nm = 5};
	struct fact_event event = {.event = 1, .kind = "temperature-high", .subject = "engine 0",
		.severity = SEVERITY_WARNING, .session = 1, .raised_ns = (START_S + 60) * NS,
		.trip = 1, .value = 101, .limit = 98, .unit = "°C", .basis = "measured",
		.message = "coolant 101 °C"};

	(void)state;
	boat_init(&boat);
	boat.fuel_density_kgl = 0.84;
	put_session(store, 1, START_S, START_S + 5400, 0, CLOCK_RECORDER);
	assert_int_equal(log_store_put_boat(store, boat.name, boat.fuel_density_kgl), 0);
	sink.on_trip(sink.context, &trip);
	sink.on_run(sink.context, &run);
	run.run = 2;
	run.start_ns = (START_S + 3600) * NS;
	run.end_ns = (START_S + 5400) * NS;
	run.mean_lph = NAN;
	run.max_coolant_c = 101;
	sink.on_run(sink.context, &run);
	run.run = 3;
	sink.on_run(sink.context, &run);
	sink.on_run_withdrawn(sink.context, 3);
	trip.trip = 2;
	trip.distance_nm = NAN;
	sink.on_trip(sink.context, &trip);
	sink.on_event(sink.context, &event);
	event.has_cleared = true;
	event.cleared_session = 1;
	event.cleared_ns = (START_S + 120) * NS;
	/* What clears it has nothing to show: the evidence stays that of the raising. */
	event.basis = "counted";
	event.message[0] = '\0';
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT run, trip, engine, start_utc, end_utc, engine_h, idle_h, fuel_l, "
		"fuel_estimated_l, fuel_uncertainty_l, mean_lph, max_lph, max_coolant_c FROM run_list",
		"1|1|0|2026-06-01T08:00:00Z|2026-06-01T08:30:00Z|0.5|0.1|2.0|0.25|0.01|4.0|9.0|82.0\n"
		"2|1|0|2026-06-01T09:00:00Z|2026-06-01T09:30:00Z|0.5|0.1|2.0|0.25|0.01||9.0|101.0\n");
	/* 4 L × 0.84 kg/L × 3.206 (IMO MEPC.308(73)) = 10.77216 kg */
	assert_query(store, "SELECT trip, engine, start_utc, end_utc, engine_h, fuel_l, mean_lph, "
		"distance_nm, l_per_nm, round(co2_kg, 5), max_coolant_c, events FROM trip_list",
		"1|0|2026-06-01T08:00:00Z|2026-06-01T09:30:00Z|1.0|4.0|4.0|5.0|0.8|10.77216|101.0|1\n"
		"2||2026-06-01T08:00:00Z|2026-06-01T09:30:00Z||||||||0\n");
	assert_query(store, "SELECT event, kind, subject, severity, raised_utc, acknowledged_utc, "
		"cleared_utc, value, \"limit\", unit, basis, message FROM event_list",
		"1|temperature-high|engine 0|warning|2026-06-01T08:01:00Z||2026-06-01T08:02:00Z|101.0|"
		"98.0|°C|measured|coolant 101 °C\n");
	struct pipeline_numbers numbers;
	assert_int_equal(log_store_numbers(store, &numbers), 0);
	assert_true(numbers.session == 1 && numbers.run == 2 && numbers.trip == 2 &&
		numbers.event == 1);
	assert_int_equal(log_store_close_open_facts(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT sum(open) FROM trips", "0\n");
	log_store_close(store);
}

static void an_acknowledgement_survives_what_the_analysis_writes(void **state)
{
	struct log_store *store = open_log();
	struct fact_sink sink = log_store_sink(store);
	struct fact_event event = {.event = 1, .kind = "source-lost", .subject = "engine 0",
		.severity = SEVERITY_CAUTION, .session = 1, .raised_ns = START_S * NS, .value = NAN,
		.limit = NAN};

	(void)state;
	put_session(store, 1, START_S, START_S + 1, 0, CLOCK_RECORDER);
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(sqlite3_exec(log_store_db(store), "UPDATE events SET acknowledged_ns = "
		"1780300860000000000", NULL, NULL, NULL), SQLITE_OK);
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT acknowledged_utc FROM event_list", "2026-06-01T08:01:00Z\n");
	log_store_close(store);
}

static void lanes_number_their_slots_alone(void **state)
{
	struct log_store *store = open_log();
	struct fact_reading reading = {.slot = 0, .count = 1, .mean = 7, .low = 7, .high = 7};

	(void)state;
	put_session(store, 1, START_S, START_S + 10, 0, CLOCK_RECORDER);
	put_session(store, 2, START_S - 1000, START_S - 900, 0, CLOCK_RECORDER);
	put_engine_slots(store);
	put_window(store, START_S / 10, 1, &reading, 1);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_store_set_lane(store, "earlier"), 0);
	put_slot(store, 0, SIGNAL_FUEL_RATE, 1);
	put_window(store, START_S / 10 - 100, 2, &reading, 1);
	assert_int_equal(log_store_commit(store, NULL), 0);
	log_store_close(store);
	/* The mapping is still there after reopening. */
	store = open_log();
	put_window(store, START_S / 10 + 1, 1, &reading, 1);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT start_s, signal, mean FROM readings_10s",
		"1780299800|fuel_rate_lph|7.0\n1780300800|engine_speed_rpm|7.0\n"
		"1780300810|engine_speed_rpm|7.0\n");
	assert_query(store, "SELECT count(*) FROM slots", "3\n");
	log_store_close(store);
}

static void a_checkpoint_comes_back_whole_and_shrinks(void **state)
{
	struct log_store *store = open_log();
	struct log_checkpoint back, checkpoint = {.lane = "main", .raw_ns = 5, .capture = 3,
		.frames = 77};
	uint8_t bytes[5000], *state_bytes;

	(void)state;
	assert_int_equal(log_store_checkpoint(store, "main", &back, &state_bytes), -ENOENT);
	for (size_t i = 0; i < sizeof(bytes); i++) {
		bytes[i] = (uint8_t)(i * 7 + i / 256);
	}
	static const size_t sizes[] = {5000, 960, 961, 0, 1920, 1};
	for (size_t i = 0; i < sizeof(sizes) / sizeof(sizes[0]); i++) {
		checkpoint.lane = i % 2 == 0 ? "main" : "earlier";
		checkpoint.state = bytes;
		checkpoint.size = sizes[i];
		assert_int_equal(log_store_commit(store, &checkpoint), 0);
		bytes[100] ^= 1;
		log_store_close(store);
		store = open_log();
		assert_int_equal(log_store_checkpoint(store, checkpoint.lane, &back, &state_bytes), 0);
		bytes[100] ^= 1;
		assert_int_equal(back.size, sizes[i]);
		assert_memory_equal(state_bytes, bytes, sizes[i]);
		assert_true(back.raw_ns == 5 && back.capture == 3 && back.frames == 77);
		free(state_bytes);
	}
	assert_int_equal(log_store_drop_checkpoint(store, "main"), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_store_checkpoint(store, "main", &back, &state_bytes), -ENOENT);
	assert_int_equal(log_store_checkpoint(store, "earlier", &back, &state_bytes), 0);
	assert_int_equal(back.size, 1);
	free(state_bytes);
	assert_query(store, "SELECT count(*) FROM checkpoints", "1\n");
	log_store_close(store);
}

static bool keep_capture(void *context, const struct log_capture *capture)
{
	memcpy(context, capture, sizeof(*capture));
	return true;
}

static void captures_and_their_stretches_are_kept(void **state)
{
	struct log_store *store = open_log();
	struct log_capture back, capture = {.name = "june.log", .head_frames = 4096,
		.head_digest = {1, 2, 3}, .frames = 9000, .digest = {9, 8}, .raw_first_ns = 5,
		.raw_last_ns = 10, .undated = true, .behind_ns = INT64_MIN};
	static const struct log_stretch stretches[] = {{1, 5}, {10, 20}};
	struct log_stretch *found;
	size_t count;

	(void)state;
	assert_int_equal(log_store_put_capture(store, &capture), 0);
	assert_true(capture.capture == 1);
	assert_int_equal(log_store_put_capture_stretches(store, 1, stretches, 2), 0);
	capture.complete = true;
	assert_int_equal(log_store_put_capture(store, &capture), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	memset(&back, 0, sizeof(back));
	assert_int_equal(log_store_captures(store, keep_capture, &back), 0);
	assert_string_equal(back.name, "june.log");
	assert_true(back.complete && back.undated && back.behind_ns == INT64_MIN &&
		back.frames == 9000);
	assert_memory_equal(back.digest, capture.digest, LOG_DIGEST_BYTES);
	assert_memory_equal(back.head_digest, capture.head_digest, LOG_DIGEST_BYTES);
	assert_int_equal(log_store_capture_stretches(store, 1, &found, &count), 0);
	assert_int_equal(count, 2);
	assert_memory_equal(found, stretches, sizeof(stretches));
	free(found);
	log_store_close(store);
}

static void the_covered_time_joins_sessions_and_mistrusts_wrong_clocks(void **state)
{
	struct log_store *store = open_log();
	struct fact_sink sink = log_store_sink(store);
	struct log_stretch *found;
	size_t count;
	/* A clock that stepped from 2000 to 2026 inside its session. */
	struct fact_session stepped = {.session = 5, .first_ns = 946684800 * NS,
		.last_ns = 946684900 * NS, .utc_offset_ns = (START_S + 5000 - 946684800) * NS,
		.raw_first_ns = 946684800 * NS, .raw_last_ns = (START_S + 5100) * NS,
		.basis = CLOCK_BUS};

	(void)state;
	put_session(store, 1, START_S, START_S + 100, 0, CLOCK_RECORDER);
	put_session(store, 2, START_S + 50, START_S + 200, 5, CLOCK_BUS);
	put_session(store, 3, START_S + 1000, START_S + 2000, 0, CLOCK_RECORDER);
	put_session(store, 4, 0, 500, 0, CLOCK_UNDATED);
	sink.on_session(sink.context, &stepped);
	put_session(store, 6, 1000, 2000, 40 * 86400, CLOCK_RECORDER);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_int_equal(log_store_stretches(store, &found, &count), 0);
	assert_int_equal(count, 3);
	assert_true(found[0].first_ns == START_S * NS && found[0].last_ns == (START_S + 200) * NS);
	assert_true(found[1].first_ns == (START_S + 1000) * NS);
	assert_true(found[2].first_ns == (START_S + 5000) * NS &&
		found[2].last_ns == (START_S + 5100) * NS);
	free(found);
	log_store_close(store);
}

/* Feeds one step of an invented story; every step may be the last before a cut. */
static void put_step(struct log_store *store, int64_t step)
{
	struct fact_sink sink = log_store_sink(store);
	int64_t session = step < 700 ? 1 : 2;
	int64_t first_s = session == 1 ? START_S + 50000 : START_S + 90000;
	int64_t at_s = first_s + 10 * (session == 1 ? step : step - 700);
	struct fact_run run = {.run = session, .trip = 1, .start_session = session,
		.end_session = session, .start_ns = first_s * NS, .end_ns = at_s * NS, .open = true,
		.fuel_l = (double)step / 10};

	put_session(store, session, first_s, at_s, session == 2 && step > 900 ? 3600 : 0, CLOCK_BUS);
	if (step == 0) {
		put_engine_slots(store);
	}
	put_engine_window(store, at_s / 10, session);
	sink.on_run(sink.context, &run);
	if (step % 100 == 99) {
		sink.on_run_withdrawn(sink.context, session);
	}
}

static int commit_step(struct log_store *store, int64_t step)
{
	char state[128];
	int size = snprintf(state, sizeof(state), "step %" PRId64, step);
	struct log_checkpoint checkpoint = {.lane = "main", .state = (const uint8_t *)state,
		.size = (size_t)size, .raw_ns = step};

	return log_store_commit(store, &checkpoint);
}

static char *dump_of_story(struct log_store *store)
{
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	return dump(store);
}

static void a_log_cut_at_many_points_ends_like_one_that_was_not(void **state)
{
	struct log_store *store = open_log();
	int64_t last_step = 1000;
	unsigned seed = 1;

	for (int64_t step = 0; step < last_step; step++) {
		put_step(store, step);
		if (step % 3 == 2) {
			assert_int_equal(commit_step(store, step), 0);
		}
	}
	assert_int_equal(commit_step(store, last_step - 1), 0);
	char *expected = dump_of_story(store);
	log_store_close(store);
	(void)empty_folder(state);

	store = open_log();
	for (int64_t step = 0; step < last_step;) {
		put_step(store, step);
		seed = seed * 1103515245 + 12345;
		if (seed >> 16 & 1) {
			assert_int_equal(commit_step(store, step), 0);
		}
		step++;
		if ((seed >> 17 & 7) == 0) {
			/* Cut: whatever was not committed is gone. */
			struct log_checkpoint checkpoint;
			uint8_t *bytes;
			log_store_close(store);
			store = open_log();
			int result = log_store_checkpoint(store, "main", &checkpoint, &bytes);
			step = result == 0 ? checkpoint.raw_ns + 1 : 0;
			if (result == 0) {
				free(bytes);
			}
		}
	}
	assert_int_equal(commit_step(store, last_step - 1), 0);
	char *cut = dump_of_story(store);
	assert_string_equal(cut, expected);
	free(cut);
	free(expected);
	log_store_close(store);
}

static void a_second_writer_is_refused_and_readers_are_not(void **state)
{
	struct log_store *store = open_log(), *second = NULL, *reader = NULL;
	char error[512], expected[512];

	(void)state;
	put_session(store, 1, START_S, START_S + 10, 0, CLOCK_RECORDER);
	assert_int_equal(log_store_commit(store, NULL), 0);
	put_session(store, 2, START_S + 20, START_S + 30, 0, CLOCK_RECORDER);
	assert_int_equal(log_store_open(&second, path, error, sizeof(error)), -EBUSY);
	(void)snprintf(expected, sizeof(expected), "log '%s' is being written by another sightbowl "
		"(process %ld)", path, (long)getpid());
	assert_string_equal(error, expected);
	assert_int_equal(log_store_open_reader(&reader, path, error, sizeof(error)), 0);
	assert_query(reader, "SELECT count(*) FROM sessions", "1\n");
	/* Nor does a reader in the middle of reading stop the writer. */
	assert_int_equal(sqlite3_exec(log_store_db(reader), "BEGIN; SELECT * FROM sessions", NULL,
		NULL, NULL), SQLITE_OK);
	assert_int_equal(log_store_commit(store, NULL), 0);
	log_store_close(reader);
	log_store_close(store);
	store = open_log();
	assert_query(store, "SELECT count(*) FROM sessions", "2\n");
	log_store_close(store);
}

static void write_file(const char *text, size_t size)
{
	FILE *file = fopen(path, "w");

	assert_non_null(file);
	assert_int_equal(fwrite(text, 1, size, file), size);
	assert_int_equal(fclose(file), 0);
}

static char *read_file(size_t *ret_size)
{
	FILE *file = fopen(path, "r");
	char *bytes = malloc(1 << 20);

	assert_non_null(file);
	assert_non_null(bytes);
	*ret_size = fread(bytes, 1, 1 << 20, file);
	assert_int_equal(fclose(file), 0);
	return bytes;
}

/* Refused for writing and for reading, with the file and its folder as they were. */
static void assert_refused(int expected, const char *says)
{
	struct log_store *store = NULL;
	char error[512], wanted[512], name[96];
	size_t before_size, after_size;
	char *before = read_file(&before_size);

	(void)snprintf(wanted, sizeof(wanted), says, path);
	assert_int_equal(log_store_open(&store, path, error, sizeof(error)), expected);
	assert_string_equal(error, wanted);
	assert_int_equal(log_store_open_reader(&store, path, error, sizeof(error)), expected);
	assert_string_equal(error, wanted);
	assert_null(store);
	char *after = read_file(&after_size);
	assert_int_equal(after_size, before_size);
	assert_memory_equal(after, before, before_size);
	(void)snprintf(name, sizeof(name), "%s.lock", path);
	assert_int_not_equal(access(name, F_OK), 0);
	free(before);
	free(after);
}

static void a_file_that_is_no_log_is_refused_untouched(void **state)
{
	static const char sentence[] = "'%s' is not a log of this program; it was not touched";
	char noise[4096];
	sqlite3 *db;

	write_file("dear diary", 10);
	assert_refused(-EMEDIUMTYPE, sentence);
	memset(noise, 'x', sizeof(noise));
	write_file(noise, sizeof(noise));
	assert_refused(-EMEDIUMTYPE, sentence);
	(void)empty_folder(state);
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_exec(db, "CREATE TABLE recipes(name); PRAGMA user_version = 1", NULL,
		NULL, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_close(db), SQLITE_OK);
	assert_refused(-EMEDIUMTYPE, sentence);
}

static void a_newer_log_is_refused_untouched(void **state)
{
	struct log_store *store = open_log();

	(void)state;
	assert_int_equal(sqlite3_exec(log_store_db(store), "PRAGMA user_version = 99", NULL, NULL,
		NULL), SQLITE_OK);
	log_store_close(store);
	char name[96];
	(void)snprintf(name, sizeof(name), "%s.lock", path);
	assert_int_equal(unlink(name), 0);
	assert_refused(-ENOTSUP, "log '%s' was written by a newer version of this program; "
		"it was not touched");
}

static void places_where_no_log_can_be_are_named(void **state)
{
	struct log_store *store = NULL;
	char error[512], expected[512];

	(void)state;
	assert_int_equal(log_store_open(&store, folder, error, sizeof(error)), -EISDIR);
	(void)snprintf(expected, sizeof(expected), "'%s' is a folder, not a log", folder);
	assert_string_equal(error, expected);
	assert_int_equal(log_store_open(&store, "/nowhere/boat.db", error, sizeof(error)), -ENOENT);
	assert_string_equal(error, "cannot write log '/nowhere/boat.db': No such file or directory");
	assert_int_equal(log_store_open_reader(&store, path, error, sizeof(error)), -ENOENT);
	(void)snprintf(expected, sizeof(expected), "there is no log '%s'", path);
	assert_string_equal(error, expected);
	assert_int_equal(access(path, F_OK), -1);
}

/* Runs a check in a child with a file system of its own on the folder. Exit 77: not permitted. */
static int in_own_file_system(const char *options, int (*check)(void))
{
	int status;
	pid_t child = fork();

	assert_true(child >= 0);
	if (child == 0) {
		if (unshare(CLONE_NEWNS) != 0 ||
			mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0 ||
			mount("tmpfs", folder, "tmpfs", 0, options) != 0) {
			_exit(77);
		}
		_exit(check());
	}
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFEXITED(status));
	return WEXITSTATUS(status);
}

static void assert_or_skip(int status)
{
	if (status == 77) {
		print_message("SKIPPED: needs the right to mount a file system\n");
		skip();
	}
	assert_int_equal(status, 0);
}

/* These run in a child: each failure has a number of its own. */
static int a_full_disk(void)
{
	struct log_store *store;
	char error[512];
	int64_t committed = -1;

	if (log_store_open(&store, path, error, sizeof(error)) != 0) {
		return 1;
	}
	for (int64_t step = 0; step < 100000; step++) {
		put_step(store, step);
		if (step % 3 == 2) {
			int result = commit_step(store, step);
			if (result != 0) {
				if (result != -ENOSPC || strstr(log_store_error(store), "no room left") == NULL) {
					return 2;
				}
				break;
			}
			committed = step;
		}
	}
	/* It stays failed, and what was committed is still there. */
	if (log_store_commit(store, NULL) != -ENOSPC) {
		return 3;
	}
	log_store_close(store);
	if (log_store_open_reader(&store, path, error, sizeof(error)) != 0) {
		return 4;
	}
	char *text = query(log_store_db(store), "SELECT raw_ns FROM checkpoints WHERE part = 0");
	char *check = query(log_store_db(store), "PRAGMA integrity_check");
	if (committed < 100 || strtoll(text, NULL, 10) != committed) {
		return 5;
	}
	if (strcmp(check, "ok\n") != 0) {
		return 6;
	}
	free(text);
	free(check);
	log_store_close(store);
	return 0;
}

static void a_disk_that_fills_up_loses_nothing_committed(void **state)
{
	(void)state;
	assert_or_skip(in_own_file_system("size=1600k", a_full_disk));
}

static int a_read_only_folder(void)
{
	struct log_store *store;
	char error[512], expected[512];

	if (log_store_open(&store, path, error, sizeof(error)) != 0) {
		return 1;
	}
	put_step(store, 0);
	if (commit_step(store, 0) != 0) {
		return 2;
	}
	log_store_close(store);
	if (mount(NULL, folder, NULL, MS_REMOUNT | MS_RDONLY, NULL) != 0) {
		return 77;
	}
	if (log_store_open(&store, path, error, sizeof(error)) != -EROFS) {
		return 3;
	}
	(void)snprintf(expected, sizeof(expected), "cannot write log '%s': its folder is read-only "
		"(Read-only file system)", path);
	if (strcmp(error, expected) != 0) {
		return 4;
	}
	/* Reading it is no trouble. */
	if (log_store_open_reader(&store, path, error, sizeof(error)) != 0) {
		return 5;
	}
	char *text = query(log_store_db(store), "SELECT count(*) FROM windows");
	if (strcmp(text, "1\n") != 0) {
		return 6;
	}
	free(text);
	log_store_close(store);
	return 0;
}

static void a_read_only_folder_is_named_and_can_be_read(void **state)
{
	(void)state;
	assert_or_skip(in_own_file_system("size=2m", a_read_only_folder));
}

/* What a writer leaves: one that was killed, that without the index of its write-ahead log (as a
 * copy may be), one that ended. */
enum left {
	LEFT_BY_A_KILL,
	LEFT_WITHOUT_INDEX,
	LEFT_IN_ORDER,
};

/* A log of two windows, the second in the write-ahead log where there is one. */
static void leave_log(enum left left)
{
	int status;
	pid_t child = fork();

	assert_true(child >= 0);
	if (child == 0) {
		struct log_store *store = open_log();

		put_step(store, 0);
		assert_int_equal(commit_step(store, 0), 0);
		log_store_close(store);
		store = open_log();
		put_step(store, 1);
		assert_int_equal(commit_step(store, 1), 0);
		if (left == LEFT_IN_ORDER) {
			log_store_close(store);
		}
		_exit(0);
	}
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_int_equal(status, 0);
	if (left == LEFT_WITHOUT_INDEX) {
		char name[100];

		(void)snprintf(name, sizeof(name), "%s-shm", path);
		assert_int_equal(unlink(name), 0);
	}
}

static int read_both(void)
{
	struct log_store *store;
	char error[512];

	if (log_store_open_reader(&store, path, error, sizeof(error)) != 0) {
		(void)fprintf(stderr, "%s\n", error);
		return 2;
	}
	char *text = query(log_store_db(store), "SELECT count(*) FROM windows");
	int result = strcmp(text, "2\n") == 0 ? 0 : 3;

	free(text);
	log_store_close(store);
	return result;
}

static void limit_files(rlim_t bytes)
{
	struct rlimit limit;

	assert_int_equal(getrlimit(RLIMIT_FSIZE, &limit), 0);
	limit.rlim_cur = bytes == RLIM_INFINITY ? limit.rlim_max : bytes;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
}

static void where_nothing_can_be_written_a_log_is_read_all_the_same(void **state)
{
	(void)signal(SIGXFSZ, SIG_IGN);
	for (enum left left = LEFT_BY_A_KILL; left <= LEFT_IN_ORDER; left++) {
		struct log_store *store;

		leave_log(left);
		limit_files(0); /* each write fails with EFBIG */
		int result = read_both();
		int again = read_both(); /* whatever the first one left */
		limit_files(RLIM_INFINITY);
		assert_int_equal(result, 0);
		assert_int_equal(again, 0);
		store = open_log();
		assert_query(store, "SELECT count(*) FROM windows", "2\n");
		put_step(store, 2);
		assert_int_equal(commit_step(store, 2), 0);
		log_store_close(store);
		(void)empty_folder(state);
	}
}

static enum left left_behind;

static int a_full_disk_is_read(void)
{
	char ballast[80];
	uint8_t block[4096] = {1};
	ssize_t written;

	leave_log(left_behind);
	(void)snprintf(ballast, sizeof(ballast), "%s/ballast", folder);
	int fd = open(ballast, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
	if (fd < 0) {
		return 1;
	}
	do {
		written = write(fd, block, sizeof(block));
	} while (written > 0);
	int filled = errno;
	(void)close(fd); /* what could not be written is wanted */
	if (filled != ENOSPC) {
		return 4;
	}
	int result = read_both();
	return result != 0 ? result : read_both();
}

static int a_read_only_disk_is_read(void)
{
	leave_log(left_behind);
	return mount(NULL, folder, NULL, MS_REMOUNT | MS_RDONLY, NULL) != 0 ? 77 : read_both();
}

static void a_full_or_read_only_disk_hides_nothing(void **state)
{
	(void)state;
	for (left_behind = LEFT_BY_A_KILL; left_behind <= LEFT_IN_ORDER; left_behind++) {
		assert_or_skip(in_own_file_system("size=1m", a_full_disk_is_read));
		assert_or_skip(in_own_file_system("size=1m", a_read_only_disk_is_read));
	}
}

/* All connections of a process share an index: a reader that was opened while nothing could be
 * written says that it must not stay, and once it has gone a writer can write. */
static int a_reader_then_a_writer(void)
{
	struct log_store *reader, *store;
	char error[512];

	leave_log(left_behind);
	if (mount(NULL, folder, NULL, MS_REMOUNT | MS_RDONLY, NULL) != 0) {
		return 77;
	}
	if (log_store_open_reader(&reader, path, error, sizeof(error)) != 0) {
		return 2;
	}
	free(query(log_store_db(reader), "SELECT count(*) FROM windows"));
	if (!log_store_is_passing(reader)) {
		return 3;
	}
	log_store_close(reader);
	if (mount(NULL, folder, NULL, MS_REMOUNT, NULL) != 0) {
		return 77;
	}
	if (log_store_open(&store, path, error, sizeof(error)) != 0) {
		return 4;
	}
	put_step(store, 2);
	if (commit_step(store, 2) != 0) {
		(void)fprintf(stderr, "%s\n", log_store_error(store));
		return 5;
	}
	if (log_store_open_reader(&reader, path, error, sizeof(error)) != 0 ||
		log_store_is_passing(reader)) {
		return 6;
	}
	log_store_close(reader);
	log_store_close(store);
	return 0;
}

/* Whether this process holds a lock of the log, as another one sees it. */
static bool is_locked(void)
{
	pid_t child = fork();
	int status;

	assert_true(child >= 0);
	if (child == 0) {
		struct flock lock = {.l_type = F_WRLCK, .l_whence = SEEK_SET};
		int fd = open(path, O_RDWR | O_CLOEXEC);

		_exit(fd < 0 || fcntl(fd, F_GETLK, &lock) != 0 ? 2 : lock.l_type != F_UNLCK);
	}
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFEXITED(status) && WEXITSTATUS(status) < 2);
	return WEXITSTATUS(status) == 1;
}

/* The locks of a file are all its process's: closing a reader that takes none would give back the
 * writer's, and the next program that closes the log would remove the WAL that is being written. */
static int a_writer_waits_for_a_reader(void)
{
	struct log_store *reader, *store;
	char error[512];
	int result;

	leave_log(LEFT_WITHOUT_INDEX);
	if (mount(NULL, folder, NULL, MS_REMOUNT | MS_RDONLY, NULL) != 0) {
		return 77;
	}
	if (log_store_open_reader(&reader, path, error, sizeof(error)) != 0) {
		return 2;
	}
	free(query(log_store_db(reader), "SELECT count(*) FROM windows"));
	if (mount(NULL, folder, NULL, MS_REMOUNT, NULL) != 0) {
		return 77;
	}
	result = log_store_open(&store, path, error, sizeof(error));
	log_store_close(reader);
	if (result == -EBUSY && strstr(error, "is still read") != NULL) {
		result = log_store_open(&store, path, error, sizeof(error));
	}
	if (result != 0) {
		return 3;
	}
	result = is_locked() ? 0 : 4;
	log_store_close(store);
	return result;
}

static void a_reader_that_takes_no_locks_takes_none_from_a_writer(void **state)
{
	(void)state;
	assert_or_skip(in_own_file_system("size=2m", a_writer_waits_for_a_reader));
}

static void a_reader_of_a_read_only_disk_does_not_stay(void **state)
{
	(void)state;
	for (left_behind = LEFT_BY_A_KILL; left_behind <= LEFT_IN_ORDER; left_behind++) {
		assert_or_skip(in_own_file_system("size=2m", a_reader_then_a_writer));
	}
}

/* An hour of 30 signals, committed now and then as the daemon does (the half minutes between lie in
 * the batch file, 0.55 MB an hour); the bounds are promised to owners of memory cards: less than 150 kB
 * of growth, less than 1 MB handed to the disk with the batch file's. */
static int pages_logged;

static int on_wal(void *context, sqlite3 *db, const char *name, int pages)
{
	(void)context;
	(void)db;
	(void)name;
	pages_logged = pages;
	return SQLITE_OK;
}

static void an_engine_hour_of_30_signals_stays_small(void **state)
{
	struct log_store *store = open_log();
	struct fact_reading readings[30];
	struct stat before, after;
	uint8_t hot[400] = {0};

	(void)state;
	put_session(store, 1, START_S, START_S, 0, CLOCK_RECORDER);
	for (uint16_t i = 0; i < 30; i++) {
		put_slot(store, i, SIGNAL_ENGINE_SPEED, i);
		readings[i] = (struct fact_reading){.slot = i, .count = 100, .mean = 100 + i,
			.low = 90, .high = 200};
	}
	assert_int_equal(log_store_commit(store, NULL), 0);
	log_store_close(store);
	assert_int_equal(stat(path, &before), 0);

	store = open_log();
	(void)sqlite3_wal_hook(log_store_db(store), on_wal, NULL); /* and no automatic copying */
	for (int64_t i = 0; i < 360; i++) {
		put_window(store, START_S / 10 + i, 1, readings, 30);
		if (i % 120 == 119) {
			struct log_checkpoint checkpoint = {.lane = "main", .state = hot,
				.size = sizeof(hot), .raw_ns = i};
			hot[i % 100] = (uint8_t)i;
			put_session(store, 1, START_S, START_S + i * 10, 0, CLOCK_RECORDER);
			assert_int_equal(log_store_commit(store, &checkpoint), 0);
		}
	}
	int logged = pages_logged * (LOG_PAGE_BYTES + 24);
	log_store_close(store);
	assert_int_equal(stat(path, &after), 0);
	int growth = (int)(after.st_size - before.st_size);
	print_message("one hour: grew %d bytes, %d bytes through the WAL in 3 commits\n", growth,
		logged);
	assert_true(growth < 150000);
	assert_true(logged + growth < 400000);
}

/* The Nth allocation that SQLite asks for fails, once, for every N up to 400 and every seventh from
 * there, until none does. */
static sqlite3_mem_methods real_memory;
static int allocations_left = -1;

static bool allocation_fails(void)
{
	return allocations_left >= 0 && allocations_left-- == 0;
}

static void *failing_malloc(int size)
{
	return allocation_fails() ? NULL : real_memory.xMalloc(size);
}

static void *failing_realloc(void *memory, int size)
{
	return allocation_fails() ? NULL : real_memory.xRealloc(memory, size);
}

static int cache_bytes(struct log_store *store)
{
	int now = 0;
	int most = 0;

	assert_int_equal(sqlite3_db_status(log_store_db(store), SQLITE_DBSTATUS_CACHE_USED, &now,
				 &most, 0),
		SQLITE_OK);
	return now;
}

static void a_limited_cache_stays_below_its_limit(void **state)
{
	(void)state;
	struct log_store *store = open_log();

	assert_query(store, "CREATE TABLE filling (bytes BLOB)", "");
	assert_query(store,
		"WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 500) "
		"INSERT INTO filling SELECT randomblob(3000) FROM n",
		"");
	assert_true(cache_bytes(store) > 1024 * 1024);
	log_store_close(store);

	store = open_log();
	log_store_limit_cache(store, 256);
	assert_query(store, "SELECT count(*), total(length(bytes)) FROM filling", "500|1500000.0\n");
	assert_query(store, "INSERT INTO filling SELECT bytes FROM filling", "");
	assert_true(cache_bytes(store) < 256 * 1024 * 5 / 4); /* it counts its own bookkeeping too */
	log_store_close(store);
}

static void rolling_up_a_day_takes_no_memory_for_all_the_others(void **state)
{
	(void)state;
	struct log_store *store = open_log();

	/* A hundred days, a minute each minute; all is steady time at an offset of 0. */
	assert_query(store, "INSERT INTO sessions VALUES(1, 0, 8640000000000000, 0, 0, 8640000000000000, 0)",
		"");
	assert_query(store,
		"WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 143998) "
		"INSERT INTO minutes SELECT i * 60, 1, zeroblob(20) FROM n WHERE i / 1440 <> 50",
		"");
	assert_query(store, "INSERT INTO stale_days VALUES(50 * 86400)", "");
	log_store_close(store);

	store = open_log();
	log_store_limit_cache(store, 64);
	int64_t before = sqlite3_memory_used();
	(void)sqlite3_memory_highwater(1);
	assert_int_equal(log_store_settle(store), 0);
	assert_true(sqlite3_memory_highwater(0) - before < 512 * 1024);
	assert_int_equal(log_store_commit(store, NULL), 0);
	assert_query(store, "SELECT count(*) FROM stale_days", "0\n");
	log_store_close(store);
}

static void no_failed_allocation_costs_what_was_committed(void **state)
{
	sqlite3_mem_methods failing;
	struct log_store *store;
	char error[512];
	int fault = 0, failures = 0;

	(void)state;
	assert_int_equal(sqlite3_shutdown(), SQLITE_OK);
	assert_int_equal(sqlite3_config(SQLITE_CONFIG_GETMALLOC, &real_memory), SQLITE_OK);
	failing = real_memory;
	failing.xMalloc = failing_malloc;
	failing.xRealloc = failing_realloc;
	assert_int_equal(sqlite3_config(SQLITE_CONFIG_MALLOC, &failing), SQLITE_OK);
	assert_int_equal(sqlite3_config(SQLITE_CONFIG_LOOKASIDE, 0, 0), SQLITE_OK);

	store = open_log();
	for (int64_t step = 0; step < 30; step++) {
		put_step(store, step);
	}
	assert_int_equal(commit_step(store, 29), 0);
	log_store_close(store);
	bool done = false;
	while (!done) {
		struct log_checkpoint checkpoint;
		uint8_t *bytes;
		fault += fault < 400 ? 1 : 7;
		allocations_left = fault;
		int result = log_store_open(&store, path, error, sizeof(error));
		if (result == 0) {
			for (int64_t step = 30; step < 40; step++) {
				put_step(store, step);
			}
			result = commit_step(store, 39);
			done = result == 0 && allocations_left >= 0;
			allocations_left = -1;
			log_store_close(store);
		}
		allocations_left = -1;
		assert_true(result == 0 || result == -ENOMEM);
		failures += result != 0;
		store = open_log();
		assert_int_equal(log_store_checkpoint(store, "main", &checkpoint, &bytes), 0);
		assert_true(checkpoint.raw_ns == (result == 0 ? 39 : 29));
		free(bytes);
		if (result == 0 && !done) {
			/* It did without: put the earlier state back for the next round. */
			assert_int_equal(commit_step(store, 29), 0);
		}
		log_store_close(store);
		assert_true(fault < 20000);
	}
	print_message("%d allocations failed one by one, %d of them told\n", fault, failures);
	assert_true(failures > 50);
	assert_int_equal(sqlite3_shutdown(), SQLITE_OK);
	assert_int_equal(sqlite3_config(SQLITE_CONFIG_MALLOC, &real_memory), SQLITE_OK);
}

/* tests/unit/data/log_version_1.sql is a log as the first release writes it. */
static void a_log_of_version_1_opens(void **state)
{
	FILE *file = fopen(TEST_SOURCE_DIR "/unit/data/log_version_1.sql", "r");
	char *sql = calloc(1, 1 << 20);
	sqlite3 *db;

	(void)state;
	assert_non_null(file);
	assert_non_null(sql);
	assert_true(fread(sql, 1, (1 << 20) - 1, file) > 0);
	fclose(file);
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_close(db), SQLITE_OK);
	free(sql);

	struct log_store *store = open_log();
	assert_query(store, "PRAGMA user_version", "5\n");
	assert_query(store, "SELECT count(*) FROM book_list", "0\n");
	assert_query(store, "SELECT run, start_utc, fuel_l FROM run_list",
		"1|2026-06-01T21:53:20Z|60.0\n");
	assert_query(store, "SELECT start_utc, signal, mean FROM readings_day WHERE signal = "
		"'fuel_rate_lph'", "2026-06-01T00:00:00Z|fuel_rate_lph|6.7\n");
	assert_query(store, "SELECT count(*), round(sum(mean), 3) FROM readings_10s WHERE signal = "
		"'engine_speed_rpm'", "601|929968.0\n");
	struct log_checkpoint checkpoint;
	uint8_t *bytes;
	assert_int_equal(log_store_checkpoint(store, "main", &checkpoint, &bytes), 0);
	assert_memory_equal(bytes, "step 600", 8);
	free(bytes);
	put_step(store, 601);
	assert_int_equal(commit_step(store, 601), 0);
	log_store_close(store);
}

int main(int argc, char **argv)
{
	/* Writes the fixture of the current version: test_log_store --fixture FILE. */
	if (argc == 3 && strcmp(argv[1], "--fixture") == 0) {
		struct log_store *store;
		char error[512];
		if (log_store_open(&store, argv[2], error, sizeof(error)) != 0) {
			return 1;
		}
		for (int64_t step = 0; step <= 600; step++) {
			put_step(store, step);
		}
		(void)log_store_settle(store);
		int result = commit_step(store, 600);
		log_store_close(store);
		return result != 0;
	}
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_teardown(a_reading_comes_back_from_the_view_in_utc, empty_folder),
		cmocka_unit_test_teardown(minutes_and_days_are_rolled_up_from_what_is_stored,
			empty_folder),
		cmocka_unit_test_teardown(a_window_seen_in_part_is_replaced_with_its_minute,
			empty_folder),
		cmocka_unit_test_teardown(two_sessions_in_one_window_keep_a_row_each, empty_folder),
		cmocka_unit_test_teardown(a_session_that_is_dated_later_moves_its_days, empty_folder),
		cmocka_unit_test_teardown(an_undated_session_has_no_utc, empty_folder),
		cmocka_unit_test_teardown(facts_come_back_from_their_views, empty_folder),
		cmocka_unit_test_teardown(an_acknowledgement_survives_what_the_analysis_writes,
			empty_folder),
		cmocka_unit_test_teardown(lanes_number_their_slots_alone, empty_folder),
		cmocka_unit_test_teardown(a_checkpoint_comes_back_whole_and_shrinks, empty_folder),
		cmocka_unit_test_teardown(captures_and_their_stretches_are_kept, empty_folder),
		cmocka_unit_test_teardown(the_covered_time_joins_sessions_and_mistrusts_wrong_clocks,
			empty_folder),
		cmocka_unit_test_teardown(a_log_cut_at_many_points_ends_like_one_that_was_not,
			empty_folder),
		cmocka_unit_test_teardown(a_second_writer_is_refused_and_readers_are_not,
			empty_folder),
		cmocka_unit_test_teardown(a_file_that_is_no_log_is_refused_untouched, empty_folder),
		cmocka_unit_test_teardown(a_newer_log_is_refused_untouched, empty_folder),
		cmocka_unit_test_teardown(places_where_no_log_can_be_are_named, empty_folder),
		cmocka_unit_test_teardown(a_disk_that_fills_up_loses_nothing_committed, empty_folder),
		cmocka_unit_test_teardown(a_read_only_folder_is_named_and_can_be_read, empty_folder),
		cmocka_unit_test_teardown(where_nothing_can_be_written_a_log_is_read_all_the_same,
			empty_folder),
		cmocka_unit_test_teardown(a_full_or_read_only_disk_hides_nothing,
			empty_folder),
		cmocka_unit_test_teardown(a_reader_that_takes_no_locks_takes_none_from_a_writer,
			empty_folder),
		cmocka_unit_test_teardown(a_reader_of_a_read_only_disk_does_not_stay,
			empty_folder),
		cmocka_unit_test_teardown(an_engine_hour_of_30_signals_stays_small, empty_folder),
		cmocka_unit_test_teardown(a_limited_cache_stays_below_its_limit, empty_folder),
		cmocka_unit_test_teardown(
			rolling_up_a_day_takes_no_memory_for_all_the_others, empty_folder),
		cmocka_unit_test_teardown(a_log_of_version_1_opens, empty_folder),
		cmocka_unit_test_teardown(no_failed_allocation_costs_what_was_committed, empty_folder),
	};

	return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
