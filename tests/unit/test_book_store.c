/* The book in the log's file: what is written comes back, also beside a writer. */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/book_store.h"
#include "decoders/signal.h"
#include "tests/unit/log_folder.h"

#define NS INT64_C(1000000000)
/* 2026-06-01T08:00:00Z */
#define START_S INT64_C(1780300800)

static struct log_store *open_with(int (*open)(struct log_store **, const char *, char *, size_t))
{
	struct log_store *store = NULL;
	char error[512] = "";
	int result = open(&store, path, error, sizeof(error));

	assert_string_equal(error, "");
	assert_int_equal(result, 0);
	return store;
}

static struct book_entry entry_of(enum book_kind kind, int64_t done_s)
{
	struct book_entry entry;

	service_book_entry_init(&entry, kind);
	entry.done_ns = done_s * NS;
	entry.written_ns = (START_S + 1) * NS;
	return entry;
}

/* Every field that the kind takes, told. */
static struct book_entry full_entry(enum book_kind kind, int64_t done_s)
{
	struct book_entry entry = entry_of(kind, done_s);

	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		enum book_field field = (enum book_field)(1U << bit);

		if ((service_book_kind(kind)->takes & field) == 0) {
			continue;
		}
		if (service_book_is_text(field)) {
			assert_true(service_book_set_text(&entry, field, "Wäldchen, 'x' \"y\"\n--;"));
		} else {
			service_book_set_number(&entry, field, bit + 1);
		}
	}
	entry.engine_h = 1234.55;
	entry.latitude_deg = -12.25;
	strcpy(entry.reason, "why not");
	return entry;
}

static void assert_same(const struct book_entry *a, const struct book_entry *b)
{
	assert_int_equal(a->entry, b->entry);
	assert_int_equal(a->revision, b->revision);
	assert_int_equal(a->struck, b->struck);
	assert_int_equal(a->kind, b->kind);
	assert_int_equal(a->done_ns, b->done_ns);
	assert_int_equal(a->written_ns, b->written_ns);
	assert_int_equal(a->fields, b->fields);
	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		enum book_field field = (enum book_field)(1U << bit);

		if (service_book_is_text(field)) {
			assert_string_equal(service_book_text(a, field), service_book_text(b, field));
		} else if ((a->fields & field) != 0) {
			assert_true(service_book_number(a, field) == service_book_number(b, field));
		}
	}
	assert_true(a->engine_h == b->engine_h || (isnan(a->engine_h) && isnan(b->engine_h)));
	assert_true(isnan(a->longitude_deg) && isnan(b->longitude_deg));
	assert_string_equal(a->reason, b->reason);
}

static void entries_of_every_kind_come_back_as_they_were_written(void **state)
{
	struct log_store *store = open_with(log_store_open_beside);
	struct book_entry written[BOOK_KIND_COUNT];
	struct book_entry *found;
	size_t count;

	(void)state;
	for (unsigned kind = 0; kind < BOOK_KIND_COUNT; kind++) {
		written[kind] = full_entry((enum book_kind)kind, START_S + kind);
	}
	assert_int_equal(book_store_put(store, written, BOOK_KIND_COUNT), 0);
	log_store_close(store);
	store = open_with(log_store_open_reader);
	assert_int_equal(book_store_entries(log_store_db(store), &found, &count), 0);
	assert_int_equal(count, BOOK_KIND_COUNT);
	for (size_t i = 0; i < count; i++) {
		assert_int_equal(found[i].entry, i + 1);
		assert_int_equal(found[i].revision, 1);
		assert_same(&found[i], &written[i]);
	}
	free(found);
	log_store_close(store);
}

static void corrections_and_strikes_keep_the_history(void **state)
{
	struct log_store *store = open_with(log_store_open_beside);
	struct book_entry entry = entry_of(BOOK_DRAIN, START_S);
	struct book_entry *found;
	size_t count;

	(void)state;
	(void)service_book_set_text(&entry, BOOK_FILTER, "primary");
	assert_int_equal(book_store_put(store, &entry, 1), 0);
	service_book_set_number(&entry, BOOK_WATER, 0.2);
	assert_int_equal(book_store_put(store, &entry, 1), 0);
	assert_int_equal(entry.revision, 2);
	entry.struck = true;
	assert_int_equal(book_store_put(store, &entry, 1), 0);
	assert_int_equal(book_store_entries(log_store_db(store), &found, &count), 0);
	assert_int_equal(count, 0);
	free(found);
	entry.struck = false;
	assert_int_equal(book_store_put(store, &entry, 1), 0);
	assert_int_equal(book_store_entries(log_store_db(store), &found, &count), 0);
	assert_int_equal(count, 1);
	assert_int_equal(found[0].revision, 4);
	assert_true(found[0].water_l == 0.2);
	free(found);
	assert_int_equal(book_store_revisions(log_store_db(store), &found, &count), 0);
	assert_int_equal(count, 4);
	assert_int_equal(found[0].fields, BOOK_FILTER);
	assert_true(found[2].struck && !found[3].struck);
	free(found);
	log_store_close(store);
}

static void an_entry_that_is_not_there_is_not_corrected_and_nothing_is_written(void **state)
{
	struct log_store *store = open_with(log_store_open_beside);
	struct book_entry entries[2] = {entry_of(BOOK_NOTE, START_S), entry_of(BOOK_NOTE, START_S)};
	struct book_entry *found;
	size_t count;

	(void)state;
	entries[1].entry = 7;
	assert_int_equal(book_store_put(store, entries, 2), -ENOENT);
	assert_string_equal(log_store_error(store), "there is no entry 7 in the book");
	assert_int_equal(book_store_revisions(log_store_db(store), &found, &count), 0);
	assert_int_equal(count, 0);
	free(found);
	entries[0].entry = 0;
	assert_int_equal(book_store_put(store, entries, 1), 0); /* and it can be gone on with */
	assert_int_equal(entries[0].entry, 1);
	log_store_close(store);
}

static void put_session(struct log_store *store, int64_t session, int64_t first_s, int64_t last_s,
	int64_t offset_s)
{
	struct fact_sink sink = log_store_sink(store);
	struct fact_session fact = {
		.session = session,
		.first_ns = first_s * NS,
		.last_ns = last_s * NS,
		.utc_offset_ns = offset_s * NS,
		.raw_first_ns = first_s * NS,
		.raw_last_ns = last_s * NS,
		.basis = CLOCK_BUS,
	};

	sink.on_session(sink.context, &fact);
}

static void put_run(struct log_store *store, int64_t number, int64_t session, int64_t start_s,
	double hours, double lph)
{
	struct fact_sink sink = log_store_sink(store);
	struct fact_run run = {.run = number, .trip = 1, .engine = 0, .start_session = session,
		.end_session = session, .start_ns = start_s * NS,
		.end_ns = (start_s + (int64_t)(hours * 3600)) * NS, .engine_h = hours,
		.fuel_l = lph * hours, .supply_l = 10 * hours, .mean_lph = lph, .max_lph = lph,
		.max_coolant_c = NAN};

	sink.on_run(sink.context, &run);
}

static void *put_note(void *argument)
{
	int *ret_result = argument;
	struct log_store *store = NULL;
	struct book_entry entry = entry_of(BOOK_NOTE, START_S);
	char error[256];

	*ret_result = log_store_open_beside(&store, path, error, sizeof(error));
	if (*ret_result == 0) {
		*ret_result = book_store_put(store, &entry, 1);
	}
	log_store_close(store);
	return NULL;
}

static void the_book_is_written_while_the_log_is(void **state)
{
	struct log_store *writer = open_with(log_store_open);
	struct log_store *book;
	struct book_entry entry = entry_of(BOOK_NOTE, START_S);
	struct book_entry *found;
	size_t count;
	pthread_t thread;
	int result = -1;

	(void)state;
	put_session(writer, 1, START_S, START_S + 10, 0);
	assert_int_equal(log_store_commit(writer, NULL), 0);
	/* Between two commits of the writer. */
	book = open_with(log_store_open_beside);
	assert_int_equal(book_store_put(book, &entry, 1), 0);
	log_store_close(book);
	/* While one is open: it is waited for. */
	put_session(writer, 2, START_S + 20, START_S + 30, 0);
	assert_int_equal(pthread_create(&thread, NULL, put_note, &result), 0);
	(void)usleep(200000);
	assert_int_equal(log_store_commit(writer, NULL), 0);
	assert_int_equal(pthread_join(thread, NULL), 0);
	assert_int_equal(result, 0);
	put_session(writer, 3, START_S + 40, START_S + 50, 0);
	assert_int_equal(log_store_commit(writer, NULL), 0);
	assert_int_equal(book_store_entries(log_store_db(writer), &found, &count), 0);
	assert_int_equal(count, 2);
	free(found);
	log_store_close(writer);
}

static void an_old_log_has_an_empty_book_until_it_is_written(void **state)
{
	FILE *file = fopen(TEST_SOURCE_DIR "/unit/data/log_version_1.sql", "re");
	char *sql = calloc(1, 1 << 20);
	struct book_entry entry = entry_of(BOOK_NOTE, START_S);
	struct book_entry *found;
	struct log_store *store;
	size_t count;
	sqlite3 *db;

	(void)state;
	assert_non_null(file);
	assert_non_null(sql);
	assert_true(fread(sql, 1, (1 << 20) - 1, file) > 0);
	(void)fclose(file);
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
	free(sql);
	assert_int_equal(book_store_revisions(db, &found, &count), 0);
	assert_int_equal(count, 0);
	free(found);
	assert_int_equal(book_store_entry(db, 1, &entry), -ENOENT);
	assert_int_equal(sqlite3_close(db), SQLITE_OK);
	store = open_with(log_store_open_beside);
	entry = entry_of(BOOK_NOTE, START_S);
	assert_int_equal(book_store_put(store, &entry, 1), 0);
	assert_int_equal(book_store_entry(log_store_db(store), 1, &entry), 0);
	log_store_close(store);
}

static void an_import_is_whole_or_nothing_and_may_be_repeated(void **state)
{
	struct log_store *store = open_with(log_store_open_beside);
	struct book_entry entries[3];
	struct book_entry *found;
	size_t known = 99;
	size_t count;

	(void)state;
	for (int i = 0; i < 3; i++) {
		entries[i] = full_entry(BOOK_REFUEL, START_S + i);
		entries[i].entry = 5 + i / 2;
		entries[i].revision = 1 + i % 2;
	}
	assert_int_equal(book_store_import(store, entries, 2, &known), 0);
	assert_int_equal(known, 0);
	assert_int_equal(book_store_import(store, entries, 3, &known), 0);
	assert_int_equal(known, 2);
	entries[1].litres += 1;
	assert_int_equal(book_store_import(store, entries, 3, &known), -EEXIST);
	assert_string_equal(log_store_error(store),
		"entry 5, revision 2, is in the book with other contents");
	assert_int_equal(book_store_revisions(log_store_db(store), &found, &count), 0);
	assert_int_equal(count, 3);
	free(found);
	/* One without a number becomes a new entry behind all others. */
	entries[1] = full_entry(BOOK_NOTE, START_S);
	assert_int_equal(book_store_import(store, entries + 1, 2, &known), 0);
	assert_int_equal(known, 1);
	assert_int_equal(book_store_entry(log_store_db(store), 7, &entries[0]), 0);
	assert_int_equal(entries[0].kind, BOOK_NOTE);
	log_store_close(store);
}

/* A session whose steady clock is 1000 s off UTC; two runs, a counter and a track. Hand-worked: at
 * 08:30 the first run (08:00 to 10:00, 4 L/h) has run 0.5 h and burned 2 L; at 12:00 both have: 3 h
 * and 2 × 4 + 1 × 6 = 14 L. */
static void hours_litres_and_position_come_from_the_log(void **state)
{
	struct log_store *store = open_with(log_store_open);
	struct fact_sink sink = log_store_sink(store);
	const int64_t steady = START_S - 1000;
	struct book_entry entry;

	(void)state;
	put_session(store, 1, steady, steady + 11000, 1000);
	put_run(store, 1, 1, steady, 2, 4);
	put_run(store, 2, 1, steady + 7200, 1, 6);
	sink.on_slot(sink.context,
		&(struct fact_slot){.slot = 0, .signal = SIGNAL_LATITUDE, .instance = 0});
	sink.on_slot(sink.context,
		&(struct fact_slot){.slot = 1, .signal = SIGNAL_LONGITUDE, .instance = 0});
	for (int64_t s = 0; s < 10800; s += 60) {
		struct fact_reading readings[] = {
			{.slot = 0, .count = 1, .mean = -40.5 + (double)s / 36000},
			{.slot = 1, .count = 1, .mean = 172},
		};
		struct fact_window window = {.window = (steady + s) / 10, .session = 1, .count = 2,
			.readings = readings};

		readings[0].low = readings[0].high = readings[0].mean;
		readings[1].low = readings[1].high = readings[1].mean;
		sink.on_window(sink.context, &window);
	}
	assert_int_equal(log_store_commit(store, NULL), 0);

	entry = entry_of(BOOK_NOTE, START_S + 1800);
	assert_int_equal(book_store_fill(log_store_db(store), 0, &entry), 0);
	assert_true(fabs(entry.engine_h - 0.5) < 1e-9);
	assert_true(fabs(entry.engine_fuel_l - 2) < 1e-9);
	assert_true(fabs(entry.latitude_deg + 40.45) < 0.002); /* 1800 / 36000 north of the start */
	assert_true(fabs(entry.longitude_deg - 172) < 1e-4);
	entry = entry_of(BOOK_NOTE, START_S + 4 * 3600);
	assert_int_equal(book_store_fill(log_store_db(store), 0, &entry), 0);
	assert_true(fabs(entry.engine_h - 3) < 1e-9 && fabs(entry.engine_fuel_l - 14) < 1e-9);
	/* What was told stays; what is before the log, or of another engine, is not known. */
	entry = entry_of(BOOK_NOTE, START_S + 1800);
	entry.engine_h = 777;
	assert_int_equal(book_store_fill(log_store_db(store), 0, &entry), 0);
	assert_true(entry.engine_h == 777);
	entry = entry_of(BOOK_NOTE, START_S - 10);
	assert_int_equal(book_store_fill(log_store_db(store), 0, &entry), 0);
	assert_true(isnan(entry.engine_h) && isnan(entry.latitude_deg));
	entry = entry_of(BOOK_NOTE, START_S + 1800);
	assert_int_equal(book_store_fill(log_store_db(store), 1, &entry), 0);
	assert_true(isnan(entry.engine_h) && isnan(entry.engine_fuel_l));

	/* The engine's own meter goes before what was logged, with what was logged since it spoke: at
	 * 08:10, so a third of an hour by 08:30, and 2 h 50 min by the next year. */
	sink.on_slot(sink.context,
		&(struct fact_slot){.slot = 2, .signal = SIGNAL_ENGINE_HOURS, .instance = 0});
	struct fact_reading counter = {.slot = 2, .count = 1, .mean = 4321.5, .low = 4321.5,
		.high = 4321.5};
	sink.on_window(sink.context, &(struct fact_window){.window = (steady + 600) / 10, .session = 1,
					     .count = 1, .readings = &counter});
	assert_int_equal(log_store_commit(store, NULL), 0);
	entry = entry_of(BOOK_NOTE, START_S + 1800);
	assert_int_equal(book_store_fill(log_store_db(store), 0, &entry), 0);
	assert_true(fabs(entry.engine_h - (4321.5 + 1.0 / 3)) < 1.0 / 60); /* by the minute */
	entry = entry_of(BOOK_NOTE, START_S + 500 * INT64_C(86400));
	assert_int_equal(book_store_fill(log_store_db(store), 0, &entry), 0);
	assert_true(fabs(entry.engine_h - (4321.5 + 2 + 5.0 / 6)) < 1.0 / 60);

	struct supply_portion *portions;
	size_t count;
	assert_int_equal(book_store_portions(log_store_db(store), &portions, &count), 0);
	assert_int_equal(count, 2);
	assert_true(portions[0].dated && portions[0].start_ns == START_S * NS);
	assert_true(portions[0].end_ns == (START_S + 7200) * NS);
	assert_true(portions[0].supply_l == 20 && portions[0].engine_h == 2);
	free(portions);
	log_store_close(store);
}

static void events_are_acknowledged_and_shelved(void **state)
{
	struct log_store *writer = open_with(log_store_open);
	struct log_store *store;
	struct fact_sink sink = log_store_sink(writer);
	struct fact_event event = {.event = 3, .kind = "water-in-fuel", .subject = "primary",
		.severity = SEVERITY_WARNING, .session = 1, .raised_ns = START_S * NS, .value = NAN,
		.limit = NAN};
	struct book_event read;

	(void)state;
	put_session(writer, 1, START_S, START_S + 1, 0);
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_commit(writer, NULL), 0);
	store = open_with(log_store_open_beside);
	assert_int_equal(book_store_event(log_store_db(store), 3, &read), 0);
	assert_string_equal(read.kind, "water-in-fuel");
	assert_string_equal(read.subject, "primary");
	assert_true(read.has_raised && read.raised_ns == START_S * NS);
	assert_false(read.has_acknowledged || read.has_cleared || read.shelved);
	assert_int_equal(book_store_acknowledge(store, 3, 77), 0);
	assert_int_equal(book_store_acknowledge(store, 3, 88), 0); /* the first one stays */
	assert_int_equal(book_store_shelve(store, 3, 99), 0);
	assert_int_equal(book_store_shelve(store, 3, 111), 0);
	/* The writer's next word on the event takes nothing of it away. */
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_commit(writer, NULL), 0);
	assert_int_equal(book_store_event(log_store_db(store), 3, &read), 0);
	assert_true(read.has_acknowledged && read.acknowledged_ns == 77);
	assert_true(read.shelved && read.shelved_until_ns == 111);
	int64_t numbers[2] = {0, 0};
	size_t count = 0;
	assert_int_equal(book_store_shelved(log_store_db(store), 110, numbers, 2, &count), 0);
	assert_true(count == 1 && numbers[0] == 3);
	assert_int_equal(book_store_shelved(log_store_db(store), 111, numbers, 2, &count), 0);
	assert_int_equal(count, 0); /* its time is up */
	assert_int_equal(book_store_standing(log_store_db(store), numbers, 2, &count), 0);
	assert_true(count == 1 && numbers[0] == 3);
	assert_int_equal(book_store_shelve(store, 3, INT64_MIN), 0);
	assert_int_equal(book_store_event(log_store_db(store), 3, &read), 0);
	assert_false(read.shelved);
	assert_int_equal(book_store_acknowledge(store, 4, 77), -ENOENT);
	assert_string_equal(log_store_error(store), "there is no event 4 in the log");
	assert_int_equal(book_store_shelve(store, 4, 77), -ENOENT);
	event.has_cleared = true;
	event.cleared_session = 1;
	event.cleared_ns = (START_S + 1) * NS;
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_commit(writer, NULL), 0);
	assert_int_equal(book_store_standing(log_store_db(store), numbers, 2, &count), 0);
	assert_int_equal(count, 0);
	log_store_close(store);
	log_store_close(writer);
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup_teardown(name, NULL, empty_folder)
	const struct CMUnitTest tests[] = {
		CASE(entries_of_every_kind_come_back_as_they_were_written),
		CASE(corrections_and_strikes_keep_the_history),
		CASE(an_entry_that_is_not_there_is_not_corrected_and_nothing_is_written),
		CASE(the_book_is_written_while_the_log_is),
		CASE(an_old_log_has_an_empty_book_until_it_is_written),
		CASE(an_import_is_whole_or_nothing_and_may_be_repeated),
		CASE(hours_litres_and_position_come_from_the_log),
		CASE(events_are_acknowledged_and_shelved),
	};

	return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
