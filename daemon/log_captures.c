/* log_captures.c: what the log knows of captures, of the time that it covers, of buses and boat. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/log_store_parts.h"

#define NS_PER_DAY INT64_C(86400000000000)
#define NS_PER_S   INT64_C(1000000000)

static void read_digest(sqlite3_stmt *statement, int column, uint8_t digest[LOG_DIGEST_BYTES])
{
	int size = sqlite3_column_bytes(statement, column);
	const void *bytes = sqlite3_column_blob(statement, column);

	memset(digest, 0, LOG_DIGEST_BYTES);
	if (bytes != NULL && size == LOG_DIGEST_BYTES) {
		memcpy(digest, bytes, LOG_DIGEST_BYTES);
	}
}

int log_store_captures(struct log_store *store,
	bool (*on_capture)(void *context, const struct log_capture *capture), void *context)
{
	sqlite3_stmt *statement = log_statement(store, LOG_CAPTURES);
	int result;

	while ((result = log_step(store, statement)) > 0) {
		struct log_capture capture = {
			.capture = sqlite3_column_int64(statement, 0),
			.head_frames = (uint64_t)sqlite3_column_int64(statement, 2),
			.frames = (uint64_t)sqlite3_column_int64(statement, 4),
			.known = (uint64_t)sqlite3_column_int64(statement, 5),
			.raw_first_ns = sqlite3_column_int64(statement, 7),
			.raw_last_ns = sqlite3_column_int64(statement, 8),
			.undated = sqlite3_column_int(statement, 9) != 0,
			.complete = sqlite3_column_int(statement, 10) != 0,
			.behind_ns = sqlite3_column_int64(statement, 11),
		};
		const char *name = (const char *)sqlite3_column_text(statement, 1);
		(void)sqlite3_snprintf(sizeof(capture.name), capture.name, "%s",
			name == NULL ? "" : name);
		read_digest(statement, 3, capture.head_digest);
		read_digest(statement, 6, capture.digest);
		if (!on_capture(context, &capture)) {
			(void)sqlite3_reset(statement);
			return 0;
		}
	}
	return result;
}

int log_store_put_capture(struct log_store *store, struct log_capture *capture)
{
	sqlite3_stmt *statement;
	int result = log_begin(store);

	if (result != 0) {
		return result;
	}
	if (capture->capture == 0) {
		statement = log_statement(store, LOG_LAST_CAPTURE);
		result = log_step(store, statement);
		if (result <= 0) {
			return result;
		}
		capture->capture = sqlite3_column_int64(statement, 0) + 1;
		(void)sqlite3_reset(statement);
	}
	statement = log_statement(store, LOG_PUT_CAPTURE);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, capture->capture);
	(void)sqlite3_bind_text(statement, 2, capture->name, -1, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 3, (int64_t)capture->head_frames);
	(void)sqlite3_bind_blob(statement, 4, capture->head_digest, LOG_DIGEST_BYTES,
		SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 5, (int64_t)capture->frames);
	(void)sqlite3_bind_int64(statement, 6, (int64_t)capture->known);
	(void)sqlite3_bind_blob(statement, 7, capture->digest, LOG_DIGEST_BYTES, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 8, capture->raw_first_ns);
	(void)sqlite3_bind_int64(statement, 9, capture->raw_last_ns);
	(void)sqlite3_bind_int64(statement, 10, capture->undated);
	(void)sqlite3_bind_int64(statement, 11, capture->complete);
	(void)sqlite3_bind_int64(statement, 12, capture->behind_ns);
	return log_run(store, statement);
}

/* A growing list of stretches. */
struct stretch_list {
	struct log_stretch *stretches;
	size_t count;
	size_t size;
};

static int add_stretch(struct stretch_list *list, int64_t first_ns, int64_t last_ns)
{
	if (list->count == list->size) {
		size_t size = list->size == 0 ? 64 : list->size * 2;
		struct log_stretch *grown = realloc(list->stretches, size * sizeof(*grown));
		if (grown == NULL) {
			return -ENOMEM;
		}
		list->stretches = grown;
		list->size = size;
	}
	list->stretches[list->count++] = (struct log_stretch){first_ns, last_ns};
	return 0;
}

static int compare_stretches(const void *a, const void *b)
{
	const struct log_stretch *first = a, *second = b;

	return (first->first_ns > second->first_ns) - (first->first_ns < second->first_ns);
}

static void join_stretches(struct stretch_list *list)
{
	size_t kept = 0;

	if (list->count == 0) {
		return;
	}
	qsort(list->stretches, list->count, sizeof(*list->stretches), compare_stretches);
	for (size_t i = 1; i < list->count; i++) {
		if (list->stretches[i].first_ns <= list->stretches[kept].last_ns) {
			if (list->stretches[i].last_ns > list->stretches[kept].last_ns) {
				list->stretches[kept].last_ns = list->stretches[i].last_ns;
			}
		} else {
			list->stretches[++kept] = list->stretches[i];
		}
	}
	list->count = kept + 1;
}

/* Reads two columns a row from a statement that is bound. */
static int read_stretches(struct log_store *store, sqlite3_stmt *statement,
	struct stretch_list *list)
{
	int result;

	while ((result = log_step(store, statement)) > 0) {
		result = add_stretch(list, sqlite3_column_int64(statement, 0),
			sqlite3_column_int64(statement, 1));
		if (result != 0) {
			(void)sqlite3_reset(statement);
			return result;
		}
	}
	return result;
}

int log_store_stretches(struct log_store *store, struct log_stretch **ret_stretches,
	size_t *ret_count)
{
	sqlite3_stmt *statement = log_statement(store, LOG_SESSION_STRETCHES);
	struct stretch_list list = {NULL, 0, 0};
	int result;

	while ((result = log_step(store, statement)) > 0) {
		int64_t first_ns = sqlite3_column_int64(statement, 0);
		int64_t last_ns = sqlite3_column_int64(statement, 1);
		int64_t offset_ns = sqlite3_column_int64(statement, 2);
		int64_t raw_first_ns = sqlite3_column_int64(statement, 3);
		int64_t raw_last_ns = sqlite3_column_int64(statement, 4);
		int basis = sqlite3_column_int(statement, 5);
		int64_t stepped_ns = (raw_last_ns - raw_first_ns) - (last_ns - first_ns);
		bool near = offset_ns > -NS_PER_DAY && offset_ns < NS_PER_DAY;

		/* By the recorder's own clock where it did not step, else by the bus's time. */
		if (near && stepped_ns > -NS_PER_S && stepped_ns < NS_PER_S) {
			result = add_stretch(&list, raw_first_ns, raw_last_ns);
		} else if (basis == CLOCK_BUS) {
			result = add_stretch(&list, first_ns + offset_ns, last_ns + offset_ns);
		} else {
			result = 0;
		}
		if (result != 0) {
			(void)sqlite3_reset(statement);
			break;
		}
	}
	if (result == 0) {
		result = read_stretches(store, log_statement(store, LOG_RUN_STRETCHES), &list);
	}
	if (result != 0) {
		free(list.stretches);
		return result;
	}
	join_stretches(&list);
	*ret_stretches = list.stretches;
	*ret_count = list.count;
	return 0;
}

int log_store_withdraw_inferred(struct log_store *store)
{
	int result = log_begin(store);

	if (result == 0) {
		result = log_run(store, log_statement(store, LOG_DROP_SEEN_TRIPS));
	}
	return result == 0 ? log_run(store, log_statement(store, LOG_DROP_SEEN_RUNS)) : result;
}

int log_store_capture_stretches(struct log_store *store, int64_t capture,
	struct log_stretch **ret_stretches, size_t *ret_count)
{
	sqlite3_stmt *statement = log_statement(store, LOG_CAPTURE_STRETCHES);
	struct stretch_list list = {NULL, 0, 0};
	int result;

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, capture);
	result = read_stretches(store, statement, &list);
	if (result != 0) {
		free(list.stretches);
		return result;
	}
	*ret_stretches = list.stretches;
	*ret_count = list.count;
	return 0;
}

int log_store_put_capture_stretches(struct log_store *store, int64_t capture,
	const struct log_stretch *stretches, size_t count)
{
	sqlite3_stmt *statement;
	int result = log_begin(store);

	if (result != 0) {
		return result;
	}
	statement = log_statement(store, LOG_DROP_STRETCHES);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, capture);
	result = log_run(store, statement);
	for (size_t i = 0; result == 0 && i < count; i++) {
		statement = log_statement(store, LOG_ADD_STRETCH);
		if (statement == NULL) {
			return store->failure;
		}
		(void)sqlite3_bind_int64(statement, 1, capture);
		(void)sqlite3_bind_int64(statement, 2, stretches[i].first_ns);
		(void)sqlite3_bind_int64(statement, 3, stretches[i].last_ns);
		result = log_run(store, statement);
	}
	return result;
}

int log_store_buses(struct log_store *store, struct bus_names *ret_buses)
{
	sqlite3_stmt *statement = log_statement(store, LOG_BUSES);
	int result;

	ret_buses->count = 0;
	while ((result = log_step(store, statement)) > 0) {
		const char *name = (const char *)sqlite3_column_text(statement, 1);
		if (name != NULL && ret_buses->count < FRAME_BUS_MAX) {
			(void)sqlite3_snprintf(CAPTURE_BUS_NAME_MAX,
				ret_buses->names[ret_buses->count++], "%s", name);
		}
	}
	return result;
}

int log_store_put_buses(struct log_store *store, const struct bus_names *buses)
{
	int result = log_begin(store);

	for (size_t i = 0; result == 0 && i < buses->count; i++) {
		sqlite3_stmt *statement = log_statement(store, LOG_PUT_BUS);
		if (statement == NULL) {
			return store->failure;
		}
		(void)sqlite3_bind_int64(statement, 1, (int64_t)i);
		(void)sqlite3_bind_text(statement, 2, buses->names[i], -1, SQLITE_STATIC);
		result = log_run(store, statement);
	}
	return result;
}

int log_store_put_boat(struct log_store *store, const char *name, double fuel_density_kgl)
{
	int result = log_begin(store);

	for (int i = 0; result == 0 && i < 2; i++) {
		sqlite3_stmt *statement = log_statement(store, LOG_PUT_META);
		if (statement == NULL) {
			return store->failure;
		}
		(void)sqlite3_bind_text(statement, 1, i == 0 ? "boat" : "fuel_density_kgl", -1,
			SQLITE_STATIC);
		if (i == 0) {
			(void)sqlite3_bind_text(statement, 2, name, -1, SQLITE_STATIC);
		} else {
			(void)sqlite3_bind_double(statement, 2, fuel_density_kgl);
		}
		result = log_run(store, statement);
	}
	return result;
}
