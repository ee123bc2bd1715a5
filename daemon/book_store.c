#include "daemon/book_store.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/log_store_parts.h"

/* The book's columns behind entry, revision, struck, kind, done_ns, written_ns: first those of
 * enum book_field in the order of its bits, then these. */
enum fixed_column { ENTRY, REVISION, STRUCK, KIND, DONE, WRITTEN, FIRST_FIELD };
#define ENGINE_H      (FIRST_FIELD + BOOK_FIELD_COUNT)
#define ENGINE_FUEL   (ENGINE_H + 1)
#define LATITUDE      (ENGINE_H + 2)
#define LONGITUDE     (ENGINE_H + 3)
#define REASON        (ENGINE_H + 4)
#define COLUMN_COUNT  (ENGINE_H + 5)
#define COLUMNS                                                                                    \
	"entry, revision, struck, kind, done_ns, written_ns, filter, engine, tank, item, micron, " \
	"rated_lph, pieces, seals, litres, water_l, looks, price, place, waste_fuel_l, "           \
	"waste_elements, remark, engine_h, engine_fuel_l, latitude_deg, longitude_deg, reason"

/* Before version 2 a log had no book. */
static bool has_book(sqlite3 *db)
{
	return sqlite3_table_column_metadata(db, NULL, "book", NULL, NULL, NULL, NULL, NULL, NULL) ==
		SQLITE_OK;
}

/* A failure of reading: there is no store to keep a sentence in. */
static int read_failure(sqlite3 *db)
{
	int rc = sqlite3_errcode(db) & 0xFF;

	return rc == SQLITE_NOMEM ? -ENOMEM
		: rc == SQLITE_BUSY ? -EBUSY
		: rc == SQLITE_CORRUPT || rc == SQLITE_NOTADB ? -EUCLEAN
							      : -EIO;
}

static double column_real(sqlite3_stmt *statement, int column)
{
	return sqlite3_column_type(statement, column) == SQLITE_NULL
		? NAN
		: sqlite3_column_double(statement, column);
}

static void copy_text(char *out, size_t size, sqlite3_stmt *statement, int column)
{
	const char *text = (const char *)sqlite3_column_text(statement, column);

	(void)snprintf(out, size, "%s", text ? text : "");
}

static void read_entry(sqlite3_stmt *statement, struct book_entry *entry)
{
	const char *kind_name = (const char *)sqlite3_column_text(statement, KIND);
	enum book_kind kind = BOOK_NOTE; /* what a later version calls otherwise is shown as a note */

	(void)(kind_name && service_book_find_kind(kind_name, &kind));
	service_book_entry_init(entry, kind);
	entry->entry = sqlite3_column_int64(statement, ENTRY);
	entry->revision = sqlite3_column_int64(statement, REVISION);
	entry->struck = sqlite3_column_int(statement, STRUCK) != 0;
	entry->done_ns = sqlite3_column_int64(statement, DONE);
	entry->written_ns = sqlite3_column_int64(statement, WRITTEN);
	for (int bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		enum book_field field = (enum book_field)(1U << bit);
		int column = FIRST_FIELD + bit;

		if (sqlite3_column_type(statement, column) == SQLITE_NULL) {
			continue;
		}
		if (service_book_is_text(field)) {
			char text[BOOK_TEXT_MAX];

			copy_text(text, sizeof(text), statement, column);
			(void)service_book_set_text(entry, field, text);
		} else {
			service_book_set_number(entry, field,
				sqlite3_column_double(statement, column));
		}
	}
	entry->engine_h = column_real(statement, ENGINE_H);
	entry->engine_fuel_l = column_real(statement, ENGINE_FUEL);
	entry->latitude_deg = column_real(statement, LATITUDE);
	entry->longitude_deg = column_real(statement, LONGITUDE);
	copy_text(entry->reason, sizeof(entry->reason), statement, REASON);
}

/* Makes room for one more element behind count. */
static void *grow(void *array, size_t count, size_t *room, size_t size)
{
	void *larger;

	if (count < *room) {
		return array;
	}
	*room = *room == 0 ? 32 : *room * 2;
	larger = realloc(array, *room * size);
	if (!larger) {
		free(array);
	}
	return larger;
}

int book_store_revisions(sqlite3 *db, struct book_entry **ret_entries, size_t *ret_count)
{
	struct book_entry *entries = NULL;
	sqlite3_stmt *statement;
	size_t count = 0;
	size_t room = 0;
	int result = 0;
	int rc;

	entries = grow(NULL, 0, &room, sizeof(*entries)); /* never NULL, also for an empty book */
	if (!entries) {
		return -ENOMEM;
	}
	if (!has_book(db)) {
		*ret_entries = entries;
		*ret_count = 0;
		return 0;
	}
	if (sqlite3_prepare_v2(db, "SELECT " COLUMNS " FROM book ORDER BY entry, revision", -1,
		    &statement, NULL) != SQLITE_OK) {
		free(entries);
		return read_failure(db);
	}
	while ((rc = sqlite3_step(statement)) == SQLITE_ROW) {
		entries = grow(entries, count, &room, sizeof(*entries));
		if (!entries) {
			result = -ENOMEM;
			break;
		}
		read_entry(statement, &entries[count++]);
	}
	if (result == 0 && rc != SQLITE_DONE) {
		result = read_failure(db);
		free(entries);
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	if (result == 0) {
		*ret_entries = entries;
		*ret_count = count;
	}
	return result;
}

int book_store_entries(sqlite3 *db, struct book_entry **ret_entries, size_t *ret_count)
{
	size_t count;
	int result = book_store_revisions(db, ret_entries, &count);

	if (result != 0) {
		return result;
	}
	count = service_book_in_force(*ret_entries, count, false);
	if (count > 0) {
		qsort(*ret_entries, count, sizeof(**ret_entries), service_book_compare_done);
	}
	*ret_count = count;
	return 0;
}

/* Reads one row: 0, -ENOENT or another error. */
static int read_one(sqlite3 *db, const char *sql, int64_t first, int64_t second,
	struct book_entry *ret_entry)
{
	sqlite3_stmt *statement;
	int result;
	int rc;

	if (!has_book(db)) {
		return -ENOENT;
	}
	if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK) {
		return read_failure(db);
	}
	(void)sqlite3_bind_int64(statement, 1, first);
	(void)sqlite3_bind_int64(statement, 2, second); /* refused where there is no ?2 */
	rc = sqlite3_step(statement);
	result = rc == SQLITE_ROW ? 0 : rc == SQLITE_DONE ? -ENOENT : read_failure(db);
	if (rc == SQLITE_ROW) {
		read_entry(statement, ret_entry);
	}
	(void)sqlite3_finalize(statement);
	return result;
}

int book_store_entry(sqlite3 *db, int64_t number, struct book_entry *ret_entry)
{
	return read_one(db,
		"SELECT " COLUMNS " FROM book WHERE entry = ?1 ORDER BY revision DESC LIMIT 1", number, 0,
		ret_entry);
}

static void bind_real(sqlite3_stmt *statement, int column, double value)
{
	if (!isnan(value)) {
		(void)sqlite3_bind_double(statement, column + 1, value);
	}
}

static void bind_entry(sqlite3_stmt *statement, const struct book_entry *entry)
{
	(void)sqlite3_bind_int64(statement, ENTRY + 1, entry->entry);
	(void)sqlite3_bind_int64(statement, REVISION + 1, entry->revision);
	(void)sqlite3_bind_int(statement, STRUCK + 1, entry->struck);
	(void)sqlite3_bind_text(statement, KIND + 1, service_book_kind(entry->kind)->name, -1,
		SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, DONE + 1, entry->done_ns);
	(void)sqlite3_bind_int64(statement, WRITTEN + 1, entry->written_ns);
	for (int bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		enum book_field field = (enum book_field)(1U << bit);
		int column = FIRST_FIELD + bit;

		if ((entry->fields & field) == 0) {
			continue;
		}
		if (service_book_is_text(field)) {
			(void)sqlite3_bind_text(statement, column + 1,
				service_book_text(entry, field), -1, SQLITE_TRANSIENT);
		} else if (field == BOOK_ENGINE || field == BOOK_TANK) {
			(void)sqlite3_bind_int64(statement, column + 1,
				(int64_t)service_book_number(entry, field));
		} else {
			bind_real(statement, column, service_book_number(entry, field));
		}
	}
	bind_real(statement, ENGINE_H, entry->engine_h);
	bind_real(statement, ENGINE_FUEL, entry->engine_fuel_l);
	bind_real(statement, LATITUDE, entry->latitude_deg);
	bind_real(statement, LONGITUDE, entry->longitude_deg);
	if (entry->reason[0] != '\0') {
		(void)sqlite3_bind_text(statement, REASON + 1, entry->reason, -1, SQLITE_STATIC);
	}
}

/* Runs a statement of a write that gives no rows. */
static int run_write(struct log_store *store, sqlite3_stmt *statement)
{
	int rc = sqlite3_step(statement);

	(void)sqlite3_reset(statement); /* repeats rc */
	(void)sqlite3_clear_bindings(statement);
	return rc == SQLITE_DONE ? 0 : log_sqlite_failure(store, rc);
}

static int prepare_insert(struct log_store *store, sqlite3_stmt **ret_statement)
{
	int rc = sqlite3_prepare_v2(log_store_db(store),
		"INSERT INTO book(" COLUMNS ") VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, "
		"?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
		-1, ret_statement, NULL);

	static_assert(COLUMN_COUNT == 27, "a place for each column");
	return rc == SQLITE_OK ? 0 : log_sqlite_failure(store, rc);
}

/* Ends what log_begin began: commits when all went well. */
static int end_write(struct log_store *store, int result)
{
	if (result == 0) {
		return log_store_commit(store, NULL);
	}
	/* What went wrong is what is told. */
	(void)sqlite3_exec(log_store_db(store), "ROLLBACK", NULL, NULL, NULL);
	store->in_transaction = false;
	return result;
}

static int number_entry(struct log_store *store, struct book_entry *entry)
{
	sqlite3 *db = log_store_db(store);
	struct book_entry last;
	int result;

	if (entry->entry != 0) {
		result = book_store_entry(db, entry->entry, &last);
		if (result == 0) {
			entry->revision = last.revision + 1;
		} else if (result == -ENOENT) {
			(void)snprintf(store->error, sizeof(store->error),
				"there is no entry %lld in the book", (long long)entry->entry);
		}
		return result;
	}
	result = read_one(db, "SELECT " COLUMNS " FROM book ORDER BY entry DESC LIMIT 1", 0, 0, &last);
	if (result == 0 || result == -ENOENT) {
		entry->entry = result == 0 ? last.entry + 1 : 1;
		entry->revision = 1;
		result = 0;
	}
	return result;
}

int book_store_put(struct log_store *store, struct book_entry *entries, size_t count)
{
	sqlite3_stmt *insert = NULL;
	int result = log_begin(store);

	if (result != 0) {
		return result;
	}
	result = prepare_insert(store, &insert);
	for (size_t i = 0; result == 0 && i < count; i++) {
		result = number_entry(store, &entries[i]);
		if (result == 0) {
			bind_entry(insert, &entries[i]);
			result = run_write(store, insert);
		}
	}
	(void)sqlite3_finalize(insert);
	return end_write(store, result);
}

/* Figures come back from a file with ten digits. */
static bool same_number(double a, double b)
{
	return a == b || (isnan(a) && isnan(b)) || fabs(a - b) <= 1e-9 * fabs(a);
}

static bool same_entry(const struct book_entry *a, const struct book_entry *b)
{
	bool same = a->struck == b->struck && a->kind == b->kind && a->done_ns == b->done_ns &&
		a->fields == b->fields && same_number(a->engine_h, b->engine_h) &&
		same_number(a->engine_fuel_l, b->engine_fuel_l) &&
		same_number(a->latitude_deg, b->latitude_deg) &&
		same_number(a->longitude_deg, b->longitude_deg) && strcmp(a->reason, b->reason) == 0;

	for (unsigned bit = 0; same && bit < BOOK_FIELD_COUNT; bit++) {
		enum book_field field = (enum book_field)(1U << bit);

		same = service_book_is_text(field)
			? strcmp(service_book_text(a, field), service_book_text(b, field)) == 0
			: same_number(service_book_number(a, field), service_book_number(b, field));
	}
	return same;
}

static int import_revision(struct log_store *store, sqlite3_stmt *insert,
	const struct book_entry *entry, size_t *known)
{
	struct book_entry there;
	int result = read_one(log_store_db(store),
		"SELECT " COLUMNS " FROM book WHERE entry = ?1 AND revision = ?2", entry->entry,
		entry->revision, &there);

	if (result == -ENOENT) {
		bind_entry(insert, entry);
		return run_write(store, insert);
	}
	if (result == 0 && !same_entry(&there, entry)) {
		(void)snprintf(store->error, sizeof(store->error),
			"entry %lld, revision %lld, is in the book with other contents",
			(long long)entry->entry, (long long)entry->revision);
		return -EEXIST;
	}
	*known += result == 0;
	return result;
}

int book_store_import(struct log_store *store, const struct book_entry *entries, size_t count,
	size_t *ret_known)
{
	sqlite3_stmt *insert = NULL;
	size_t known = 0;
	int result = log_begin(store);

	if (result != 0) {
		return result;
	}
	result = prepare_insert(store, &insert);
	for (size_t i = 0; result == 0 && i < count; i++) {
		if (entries[i].entry != 0) {
			result = import_revision(store, insert, &entries[i], &known);
		}
	}
	/* New ones get numbers behind those. */
	for (size_t i = 0; result == 0 && i < count; i++) {
		struct book_entry fresh = entries[i];

		if (fresh.entry == 0) {
			result = number_entry(store, &fresh);
			if (result == 0) {
				bind_entry(insert, &fresh);
				result = run_write(store, insert);
			}
		}
	}
	(void)sqlite3_finalize(insert);
	if (result == 0) {
		*ret_known = known;
	}
	return end_write(store, result);
}

int book_store_event(sqlite3 *db, int64_t number, struct book_event *ret_event)
{
	sqlite3_stmt *statement;
	const char *sql = has_book(db)
		? "SELECT event, kind, subject, raised_utc_ns, acknowledged_utc_ns, cleared_utc_ns, "
		  "(SELECT until_ns FROM shelf AS s WHERE s.event = e.event) "
		  "FROM event_list AS e WHERE event = ?1"
		: "SELECT event, kind, subject, raised_utc_ns, acknowledged_utc_ns, cleared_utc_ns, NULL "
		  "FROM event_list WHERE event = ?1";
	int result;
	int rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return read_failure(db);
	}
	(void)sqlite3_bind_int64(statement, 1, number);
	rc = sqlite3_step(statement);
	result = rc == SQLITE_ROW ? 0 : rc == SQLITE_DONE ? -ENOENT : read_failure(db);
	if (rc == SQLITE_ROW) {
		*ret_event = (struct book_event){
			.event = sqlite3_column_int64(statement, 0),
			.has_raised = sqlite3_column_type(statement, 3) != SQLITE_NULL,
			.raised_ns = sqlite3_column_int64(statement, 3),
			.has_acknowledged = sqlite3_column_type(statement, 4) != SQLITE_NULL,
			.acknowledged_ns = sqlite3_column_int64(statement, 4),
			.has_cleared = sqlite3_column_type(statement, 5) != SQLITE_NULL,
			.shelved = sqlite3_column_type(statement, 6) != SQLITE_NULL,
			.shelved_until_ns = sqlite3_column_int64(statement, 6),
		};
		copy_text(ret_event->kind, sizeof(ret_event->kind), statement, 1);
		copy_text(ret_event->subject, sizeof(ret_event->subject), statement, 2);
	}
	(void)sqlite3_finalize(statement);
	return result;
}

/* One statement with two numbers, in a transaction of its own. */
static int write_numbers(struct log_store *store, const char *sql, int64_t first, int64_t second)
{
	sqlite3_stmt *statement = NULL;
	int result = log_begin(store);
	int rc;

	if (result != 0) {
		return result;
	}
	rc = sqlite3_prepare_v2(log_store_db(store), sql, -1, &statement, NULL);
	if (rc != SQLITE_OK) {
		result = log_sqlite_failure(store, rc);
	} else {
		(void)sqlite3_bind_int64(statement, 1, first);
		(void)sqlite3_bind_int64(statement, 2, second);
		result = run_write(store, statement);
	}
	(void)sqlite3_finalize(statement);
	return end_write(store, result);
}

/* The event must be there: -ENOENT with its sentence. */
static int find_event(struct log_store *store, int64_t event)
{
	struct book_event found;
	int result = book_store_event(log_store_db(store), event, &found);

	if (result == -ENOENT) {
		(void)snprintf(store->error, sizeof(store->error), "there is no event %lld in the log",
			(long long)event);
	}
	return result;
}

int book_store_acknowledge(struct log_store *store, int64_t event, int64_t at_ns)
{
	int result = find_event(store, event);

	return result != 0
		? result
		: write_numbers(store,
			  "UPDATE events SET acknowledged_ns = ?2 WHERE event = ?1 AND "
			  "acknowledged_ns IS NULL",
			  event, at_ns);
}

int book_store_shelve(struct log_store *store, int64_t event, int64_t until_ns)
{
	int result = find_event(store, event);

	if (result != 0) {
		return result;
	}
	if (until_ns == INT64_MIN) {
		return write_numbers(store, "DELETE FROM shelf WHERE event = ?1", event, 0);
	}
	return write_numbers(store,
		"INSERT INTO shelf VALUES(?1, ?2) ON CONFLICT(event) DO UPDATE SET until_ns = ?2", event,
		until_ns);
}

static int read_numbers(sqlite3 *db, const char *sql, int64_t now_ns, int64_t *ret_events, size_t max,
	size_t *ret_count)
{
	sqlite3_stmt *statement;
	size_t count = 0;
	int rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return read_failure(db);
	}
	(void)sqlite3_bind_int64(statement, 1, now_ns); /* refused where there is no ?1 */
	while (count < max && (rc = sqlite3_step(statement)) == SQLITE_ROW) {
		ret_events[count++] = sqlite3_column_int64(statement, 0);
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	if (rc != SQLITE_OK && rc != SQLITE_ROW && rc != SQLITE_DONE) {
		return read_failure(db);
	}
	*ret_count = count;
	return 0;
}

int book_store_standing(sqlite3 *db, int64_t *ret_events, size_t max, size_t *ret_count)
{
	return read_numbers(db,
		"SELECT event FROM event_list WHERE cleared_utc_ns IS NULL ORDER BY event DESC", 0,
		ret_events, max, ret_count);
}

int book_store_shelved(
	sqlite3 *db, int64_t now_ns, int64_t *ret_events, size_t max, size_t *ret_count)
{
	if (!has_book(db)) {
		*ret_count = 0;
		return 0;
	}
	return read_numbers(db, "SELECT event FROM shelf WHERE until_ns > ?1 ORDER BY event DESC",
		now_ns, ret_events, max, ret_count);
}
