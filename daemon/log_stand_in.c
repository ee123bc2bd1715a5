/* log_stand_in.c: what a beginning needs of a log that cannot be written, in a log in memory.
 *
 * Whoever begins on it comes to the state that the log itself would have given: the batch file is
 * absorbed, what was open is told, numbers are behind those that are taken. What it is told is forgotten
 * with it.
 */
#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "daemon/log_store_parts.h"

/* Whole tables, and the last rows of those that are numbered: the next number is behind theirs. All
 * are as the first version had them. */
static const struct copy {
	const char *select;
	const char *insert;
} copies[] = {
	{"SELECT key, value FROM meta", "INSERT INTO meta VALUES(?1, ?2)"},
	{"SELECT bus, name FROM buses", "INSERT INTO buses VALUES(?1, ?2)"},
	{"SELECT slot, signal, instance, unit, step FROM slots",
		"INSERT INTO slots VALUES(?1, ?2, ?3, ?4, ?5)"},
	{"SELECT lane, lane_slot, slot FROM lane_slots",
		"INSERT INTO lane_slots VALUES(?1, ?2, ?3)"},
	{"SELECT lane, part, data, raw_ns, capture, frames, size FROM checkpoints",
		"INSERT INTO checkpoints VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)"},
	{"SELECT session, first_ns, last_ns, utc_offset_ns, raw_first_ns, raw_last_ns, basis "
		"FROM sessions ORDER BY session DESC LIMIT 100",
		"INSERT INTO sessions VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)"},
	{"SELECT trip, start_session, end_session, start_ns, end_ns, open FROM trips "
		"ORDER BY trip DESC LIMIT 100",
		"INSERT INTO trips(trip, start_session, end_session, start_ns, end_ns, open) "
		"VALUES(?1, ?2, ?3, ?4, ?5, ?6)"},
	{"SELECT run, trip, engine, start_session, end_session, start_ns, end_ns, open FROM runs "
		"ORDER BY run DESC LIMIT 100",
		"INSERT INTO runs(run, trip, engine, start_session, end_session, start_ns, end_ns, "
		"open) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)"},
	{"SELECT event, kind, subject, severity, session, raised_ns FROM events "
		"ORDER BY event DESC LIMIT 100",
		"INSERT INTO events(event, kind, subject, severity, session, raised_ns) "
		"VALUES(?1, ?2, ?3, ?4, ?5, ?6)"},
};

static int copy_rows(struct log_store *from, struct log_store *to, const struct copy *copy)
{
	sqlite3_stmt *select = NULL, *insert = NULL;
	int result = 0;
	int rc = sqlite3_prepare_v2(from->db, copy->select, -1, &select, NULL);

	if (rc != SQLITE_OK) {
		return log_sqlite_failure(from, rc);
	}
	rc = sqlite3_prepare_v2(to->db, copy->insert, -1, &insert, NULL);
	if (rc != SQLITE_OK) {
		result = log_sqlite_failure(to, rc);
	}
	while (result == 0 && (rc = sqlite3_step(select)) == SQLITE_ROW) {
		for (int i = 0; i < sqlite3_column_count(select); i++) {
			(void)sqlite3_bind_value(insert, i + 1, sqlite3_column_value(select, i));
		}
		if (sqlite3_step(insert) != SQLITE_DONE) {
			result = log_sqlite_failure(to, SQLITE_NOMEM);
		}
		(void)sqlite3_reset(insert); /* its failure was taken */
	}
	if (result == 0 && rc != SQLITE_DONE) {
		result = log_sqlite_failure(from, rc);
	}
	(void)sqlite3_finalize(select); /* their failures were taken */
	(void)sqlite3_finalize(insert);
	return result;
}

int log_store_open_stand_in(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size)
{
	struct log_store *source = NULL, *store = NULL;
	int result = log_is_cut(path)
		? -ENOENT
		: log_open_as_it_is(&source, path, ret_error, error_size);

	if (result == 0 || result == -ENOENT) {
		result = log_store_open(&store, LOG_IN_MEMORY, ret_error, error_size);
	}
	if (result != 0 || source == NULL) {
		goto close_source;
	}
	for (size_t i = 0; i < sizeof(copies) / sizeof(copies[0]) && result == 0; i++) {
		result = copy_rows(source, store, &copies[i]);
		if (result != 0) {
			(void)snprintf(ret_error, error_size, "%s",
				source->failure != 0 ? source->error : store->error);
		}
	}
	if (result == 0) {
		/* From here on its batch file is the log's. */
		(void)snprintf(store->path, sizeof(store->path), "%s", path);
		result = log_load_lane_slots(store);
		if (result == 0) {
			result = log_absorb_batch(store);
		}
		if (result != 0) {
			(void)snprintf(ret_error, error_size, "%s", store->error);
		}
	}
	if (result != 0) {
		log_store_close(store);
		store = NULL;
	}
close_source:
	log_store_close(source);
	if (result == 0) {
		*ret_store = store;
	}
	return result;
}
