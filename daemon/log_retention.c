/* log_retention.c: the oldest of what is kept in fine goes first, a few rows at each commit.
 *
 * What is dropped lies at the front of its table, so whole pages come free, and what is logged in the
 * same transaction goes there. The file does not shrink, it stops growing.
 */
#include "daemon/log_store_parts.h"

/* Rows a commit of each kind, where much is to be dropped: an hour logs 360 windows and 60 minutes, so
 * this gains on any bus, and takes some milliseconds. A clock that is years ahead for a day costs
 * no more than that, either. */
#define ROWS_A_COMMIT 2000
/* Where the file is just at its bound: a little more than comes in. */
#define ROWS_A_LITTLE 400
/* Room for what is logged until the next commit, and for its pages that are not quite full. */
#define SLACK_BYTES   (1024 * 1024)
/* The last days' readings stay whatever their size: roll-ups may still need them. */
#define UNTOUCHED_S   (2 * 86400)

static int number_of(struct log_store *store, enum log_statement id, int64_t before_s,
	int64_t otherwise, int64_t *ret_number)
{
	sqlite3_stmt *statement = log_statement(store, id);
	int64_t number = otherwise;
	int result;

	if (statement == NULL) {
		return store->failure;
	}
	if (sqlite3_bind_parameter_count(statement) > 0) {
		(void)sqlite3_bind_int64(statement, 1, before_s);
	}
	result = log_step(store, statement);
	if (result < 0) {
		return result;
	}
	if (result > 0) {
		if (sqlite3_column_type(statement, 0) != SQLITE_NULL) {
			number = sqlite3_column_int64(statement, 0);
		}
		(void)sqlite3_reset(statement);
	}
	*ret_number = number;
	return 0;
}

static int drop_rows(struct log_store *store, enum log_statement id, int rows, int64_t before_s,
	int64_t utc_s)
{
	sqlite3_stmt *statement = log_statement(store, id);

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, before_s);
	(void)sqlite3_bind_int(statement, 2, rows);
	if (sqlite3_bind_parameter_count(statement) > 2) {
		(void)sqlite3_bind_int64(statement, 3, utc_s);
	}
	return log_run(store, statement);
}

static int drop_old(struct log_store *store, const struct log_retention *retention, int64_t before_s)
{
	int64_t newest_s;
	int result = number_of(store, LOG_NEWEST, 0, INT64_MIN, &newest_s);

	if (result != 0 || newest_s == INT64_MIN) {
		return result;
	}
	result = drop_rows(store, LOG_DROP_OLD_WINDOWS, ROWS_A_COMMIT, before_s,
		newest_s - retention->windows_s);
	return result != 0 ? result
			   : drop_rows(store, LOG_DROP_OLD_MINUTES, ROWS_A_COMMIT, before_s,
				     newest_s - retention->minutes_s);
}

static int drop_much(struct log_store *store, const struct log_retention *retention,
	int64_t before_s)
{
	int64_t bound = retention->most_bytes - SLACK_BYTES;
	int64_t used, windows;
	int result = number_of(store, LOG_USED_BYTES, 0, 0, &used);

	if (result != 0 || used <= bound) {
		return result;
	}
	int rows = used > bound + SLACK_BYTES / 2 ? ROWS_A_COMMIT : ROWS_A_LITTLE;
	result = number_of(store, LOG_ANY_WINDOW, before_s, 0, &windows);
	return result != 0 ? result
			   : drop_rows(store,
				     windows > 0 ? LOG_DROP_FIRST_WINDOWS : LOG_DROP_FIRST_MINUTES,
				     rows, before_s, 0);
}

int log_store_retain(struct log_store *store, const struct log_retention *retention)
{
	int64_t last_s;
	int result = log_begin(store);

	if (result == 0) {
		result = number_of(store, LOG_LAST_MINUTE, 0, INT64_MIN, &last_s);
	}
	if (result != 0 || last_s == INT64_MIN) {
		return result;
	}
	result = drop_old(store, retention, last_s - UNTOUCHED_S);
	return result != 0 ? result : drop_much(store, retention, last_s - UNTOUCHED_S);
}

int log_store_kept(struct log_store *store, struct log_kept *ret_kept)
{
	struct log_kept kept;
	int result = number_of(store, LOG_FILE_BYTES, 0, 0, &kept.file_bytes);

	if (result == 0) {
		result = number_of(store, LOG_USED_BYTES, 0, 0, &kept.used_bytes);
	}
	if (result == 0) {
		result = number_of(store, LOG_FIRST_WINDOW, 0, INT64_MIN, &kept.windows_utc_s);
	}
	if (result == 0) {
		result = number_of(store, LOG_FIRST_MINUTE, 0, INT64_MIN, &kept.minutes_utc_s);
	}
	if (result == 0) {
		*ret_kept = kept;
	}
	return result;
}
