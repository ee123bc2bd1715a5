#include "daemon/log_series.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/log_entry.h"

#define SECOND_NS INT64_C(1000000000)
#define DAY_NS    (86400 * SECOND_NS)
/* What the log can hold: from 1970 to 2200. */
#define TIME_LEAST_NS INT64_C(0)
#define TIME_MOST_NS  (INT64_C(7258118400) * SECOND_NS)

/* A point that is being filled. */
struct bucket {
	int64_t count;
	double sum; /* of count × mean */
	double low;
	double high;
};

struct reading {
	sqlite3 *db;
	const struct series_question *question;
	int64_t since_ns;
	int64_t width_ns;
	size_t buckets;
	struct bucket *filled; /* buckets × signals */
	int slot[SERIES_SIGNALS_MAX]; /* -1: not in the log */
	double step[SERIES_SIGNALS_MAX];
};

const char *series_tier_name(enum series_tier tier)
{
	static const char *const names[] = {"10s", "minute", "day"};

	return names[tier];
}

static int64_t tier_ns(enum series_tier tier)
{
	static const int64_t widths[] = {10 * SECOND_NS, 60 * SECOND_NS, DAY_NS};

	return widths[tier];
}

static int failure_of(int rc)
{
	switch (rc & 0xFF) {
	case SQLITE_INTERRUPT:
		return -EINTR;
	case SQLITE_NOMEM:
		return -ENOMEM;
	case SQLITE_BUSY:
		return -EBUSY;
	default:
		return -EIO;
	}
}

static int find_slots(struct reading *reading, struct series *series)
{
	const struct series_question *question = reading->question;
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(reading->db,
		"SELECT slot, step, unit FROM slots WHERE signal = ?1 AND instance = ?2", -1, &statement,
		NULL);

	if (rc != SQLITE_OK) {
		return failure_of(rc);
	}
	for (size_t i = 0; i < question->signal_count; i++) {
		reading->slot[i] = -1;
		(void)sqlite3_reset(statement); /* repeats an error that ended the loop */
		(void)sqlite3_bind_text(statement, 1, question->signals[i].name, -1, SQLITE_STATIC);
		(void)sqlite3_bind_int64(statement, 2, question->signals[i].instance);
		rc = sqlite3_step(statement);
		if (rc == SQLITE_ROW) {
			const char *unit = (const char *)sqlite3_column_text(statement, 2);
			reading->slot[i] = sqlite3_column_int(statement, 0);
			reading->step[i] = sqlite3_column_double(statement, 1);
			series->known[i] = true;
			(void)sqlite3_snprintf(sizeof(series->unit[i]), series->unit[i], "%s",
				unit == NULL ? "" : unit);
		} else if (rc != SQLITE_DONE) {
			break;
		}
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	return rc == SQLITE_ROW || rc == SQLITE_DONE ? 0 : failure_of(rc);
}

static void add_row(struct reading *reading, int64_t utc_ns, const uint8_t *row, size_t size,
	size_t entry_bytes)
{
	size_t signals = reading->question->signal_count;
	int64_t at = (utc_ns - reading->since_ns) / reading->width_ns;
	struct bucket *buckets;

	/* A row that began just before the span is its first point's. */
	at = utc_ns < reading->since_ns ? 0 : at;
	if ((size_t)at >= reading->buckets) {
		return;
	}
	buckets = reading->filled + (size_t)at * signals;
	for (size_t i = 0; i < signals; i++) {
		size_t place = (size_t)reading->slot[i] * entry_bytes;
		if (reading->slot[i] < 0 || place + entry_bytes > size) {
			continue;
		}
		struct log_entry entry = log_entry_read(row + place, entry_bytes);
		double mean = entry.mean * reading->step[i];
		double low = (entry.mean - entry.below) * reading->step[i];
		double high = (entry.mean + entry.above) * reading->step[i];
		if (entry.count == 0) {
			continue;
		}
		if (buckets[i].count == 0 || low < buckets[i].low) {
			buckets[i].low = low;
		}
		if (buckets[i].count == 0 || high > buckets[i].high) {
			buckets[i].high = high;
		}
		buckets[i].count += entry.count;
		buckets[i].sum += entry.count * mean;
	}
}

/* Dated sessions that touch the span: number, offset, first and last steady time. */
static sqlite3_stmt *sessions_of(sqlite3 *db, int64_t since_ns, int64_t until_ns)
{
	sqlite3_stmt *statement;

	if (sqlite3_prepare_v2(db,
		    "SELECT session, utc_offset_ns, max(first_ns, ?1 - utc_offset_ns), "
		    "min(last_ns, ?2 - 1 - utc_offset_ns) FROM sessions WHERE basis <> 2 "
		    "AND last_ns + utc_offset_ns >= ?1 AND first_ns + utc_offset_ns < ?2 "
		    "ORDER BY first_ns + utc_offset_ns",
		    -1, &statement, NULL) != SQLITE_OK) {
		return NULL;
	}
	(void)sqlite3_bind_int64(statement, 1, since_ns);
	(void)sqlite3_bind_int64(statement, 2, until_ns);
	return statement;
}

/* How long the sessions lasted within the span. */
static int logged_ns(struct reading *reading, int64_t *ret_ns)
{
	const struct series_question *question = reading->question;
	sqlite3_stmt *sessions = sessions_of(reading->db, question->since_ns, question->until_ns);
	int64_t sum_ns = 0;
	int rc;

	if (sessions == NULL) {
		return failure_of(sqlite3_errcode(reading->db));
	}
	while ((rc = sqlite3_step(sessions)) == SQLITE_ROW) {
		sum_ns += sqlite3_column_int64(sessions, 3) - sqlite3_column_int64(sessions, 2) + 1;
	}
	(void)sqlite3_finalize(sessions); /* repeats rc */
	*ret_ns = sum_ns;
	return rc == SQLITE_DONE ? 0 : failure_of(rc);
}

/* Adds the windows or minutes of the span. */
static int add_steady(struct reading *reading, enum series_tier tier, int64_t since_ns,
	int64_t until_ns)
{
	sqlite3_stmt *sessions = sessions_of(reading->db, since_ns, until_ns);
	int64_t width_s = tier_ns(tier) / SECOND_NS;
	sqlite3_stmt *rows = NULL;
	int rc = SQLITE_ERROR;

	if (sessions == NULL) {
		return failure_of(sqlite3_errcode(reading->db));
	}
	rc = sqlite3_prepare_v2(reading->db, tier == SERIES_WINDOWS
		? "SELECT start_s, data FROM windows WHERE start_s BETWEEN ?1 AND ?2 AND session = ?3"
		: "SELECT start_s, data FROM minutes WHERE start_s BETWEEN ?1 AND ?2 AND session = ?3",
		-1, &rows, NULL);
	if (rc != SQLITE_OK) {
		goto finalize_sessions;
	}
	while ((rc = sqlite3_step(sessions)) == SQLITE_ROW) {
		int64_t offset_ns = sqlite3_column_int64(sessions, 1);
		int64_t first_s = sqlite3_column_int64(sessions, 2) / SECOND_NS;
		int64_t last_s = sqlite3_column_int64(sessions, 3) / SECOND_NS;
		(void)sqlite3_reset(rows); /* an error ended the loop */
		/* A row's start is whole widths, and what is over tells sessions apart. */
		(void)sqlite3_bind_int64(rows, 1, first_s / width_s * width_s);
		(void)sqlite3_bind_int64(rows, 2, last_s / width_s * width_s + width_s - 1);
		(void)sqlite3_bind_int64(rows, 3, sqlite3_column_int64(sessions, 0));
		while ((rc = sqlite3_step(rows)) == SQLITE_ROW) {
			int64_t start_s = sqlite3_column_int64(rows, 0) / width_s * width_s;
			const void *data = sqlite3_column_blob(rows, 1);
			add_row(reading, start_s * SECOND_NS + offset_ns, data,
				(size_t)sqlite3_column_bytes(rows, 1), LOG_ENTRY_BYTES);
		}
		if (rc != SQLITE_DONE) {
			break;
		}
	}
	(void)sqlite3_finalize(rows); /* repeats rc */
finalize_sessions:
	(void)sqlite3_finalize(sessions); /* repeats rc */
	return rc == SQLITE_DONE ? 0 : failure_of(rc);
}

/* Adds the days of the span, and minutes where the roll-up has not come yet. */
static int add_days(struct reading *reading)
{
	const struct series_question *question = reading->question;
	int64_t rolled_ns = question->since_ns;
	sqlite3_stmt *rows;
	int rc = sqlite3_prepare_v2(reading->db,
		"SELECT start_s, data FROM days WHERE start_s >= ?1 AND start_s < ?2 ORDER BY start_s", -1,
		&rows, NULL);

	if (rc != SQLITE_OK) {
		return failure_of(rc);
	}
	/* The day in which the span begins is in it. */
	(void)sqlite3_bind_int64(rows, 1, question->since_ns / DAY_NS * 86400);
	(void)sqlite3_bind_int64(rows, 2, question->until_ns / SECOND_NS);
	while ((rc = sqlite3_step(rows)) == SQLITE_ROW) {
		int64_t start_ns = sqlite3_column_int64(rows, 0) * SECOND_NS;
		const void *data = sqlite3_column_blob(rows, 1);
		add_row(reading, start_ns, data, (size_t)sqlite3_column_bytes(rows, 1),
			LOG_DAY_ENTRY_BYTES);
		rolled_ns = start_ns + DAY_NS;
	}
	(void)sqlite3_finalize(rows); /* repeats rc */
	if (rc != SQLITE_DONE) {
		return failure_of(rc);
	}
	/* Only the latest days can lack their row. */
	if (rolled_ns < question->until_ns - 3 * DAY_NS) {
		rolled_ns = question->until_ns - 3 * DAY_NS;
	}
	return rolled_ns >= question->until_ns
		? 0
		: add_steady(reading, SERIES_MINUTES, rolled_ns, question->until_ns);
}

static enum series_tier choose_tier(int64_t logged)
{
	if (logged / tier_ns(SERIES_WINDOWS) <= SERIES_ROWS_MAX) {
		return SERIES_WINDOWS;
	}
	return logged / tier_ns(SERIES_MINUTES) <= SERIES_ROWS_MAX ? SERIES_MINUTES : SERIES_DAYS;
}

static struct series_value value_of(const struct bucket *bucket)
{
	if (bucket->count == 0) {
		return (struct series_value){0, NAN, NAN, NAN};
	}
	return (struct series_value){
		.count = bucket->count > UINT32_MAX ? UINT32_MAX : (uint32_t)bucket->count,
		.mean = bucket->sum / (double)bucket->count,
		.low = bucket->low,
		.high = bucket->high,
	};
}

/* Turns the buckets that hold anything into points. */
static int keep_filled(struct reading *reading, struct series *series)
{
	size_t signals = reading->question->signal_count;

	series->start_ns = calloc(reading->buckets + 1, sizeof(*series->start_ns));
	series->values = calloc(reading->buckets * signals + 1, sizeof(*series->values));
	if (series->start_ns == NULL || series->values == NULL) {
		return -ENOMEM;
	}
	for (size_t b = 0; b < reading->buckets; b++) {
		const struct bucket *buckets = reading->filled + b * signals;
		struct series_value *values = series->values + series->count * signals;
		bool any = false;
		for (size_t i = 0; i < signals; i++) {
			any = any || buckets[i].count > 0;
			values[i] = value_of(&buckets[i]);
		}
		if (any) {
			series->start_ns[series->count++] =
				reading->since_ns + (int64_t)b * reading->width_ns;
		}
	}
	return 0;
}

int log_series_read(struct log_store *store, const struct series_question *question,
	struct series *ret_series)
{
	struct reading reading = {.db = log_store_db(store), .question = question};
	struct series series = {0};
	int64_t span_ns, logged = 0, tier_width_ns;
	int result;

	if (question->since_ns < TIME_LEAST_NS || question->until_ns > TIME_MOST_NS ||
		question->since_ns >= question->until_ns || question->points < 2 ||
		question->points > SERIES_POINTS_MAX || question->signal_count == 0 ||
		question->signal_count > SERIES_SIGNALS_MAX) {
		return -EINVAL;
	}
	result = find_slots(&reading, &series);
	if (result == 0) {
		result = logged_ns(&reading, &logged);
	}
	if (result != 0) {
		return result;
	}
	series.tier = choose_tier(logged);
	tier_width_ns = tier_ns(series.tier);
	/* Points lie on whole widths since 1970, so that they stay where they are as the span moves. */
	span_ns = question->until_ns - question->since_ns;
	reading.width_ns = (span_ns / (int64_t)question->points / tier_width_ns + 1) * tier_width_ns;
	reading.since_ns = question->since_ns / reading.width_ns * reading.width_ns;
	reading.buckets = (size_t)((question->until_ns - reading.since_ns - 1) / reading.width_ns) + 1;
	reading.filled = calloc(reading.buckets * question->signal_count, sizeof(*reading.filled));
	if (reading.filled == NULL) {
		return -ENOMEM;
	}
	series.width_ns = reading.width_ns;
	result = series.tier == SERIES_DAYS
		? add_days(&reading)
		: add_steady(&reading, series.tier, question->since_ns, question->until_ns);
	if (result == 0) {
		result = keep_filled(&reading, &series);
	}
	free(reading.filled);
	if (result != 0) {
		log_series_finish(&series);
		return result;
	}
	*ret_series = series;
	return 0;
}

int log_series_latest_minutes(struct log_store *store, const struct series_question *question,
	bool (*on_minute)(void *context, const struct series_value *values), void *context)
{
	struct reading reading = {.db = log_store_db(store), .question = question, .width_ns = 1,
		.buckets = 1};
	struct bucket buckets[SERIES_SIGNALS_MAX];
	struct series series = {0};
	sqlite3_stmt *rows;
	bool wanted = true;
	int result = find_slots(&reading, &series), rc;

	if (result != 0) {
		return result;
	}
	rc = sqlite3_prepare_v2(reading.db,
		"SELECT m.data, m.start_s / 60 * 60000000000 + e.utc_offset_ns FROM minutes AS m "
		"JOIN sessions AS e ON e.session = m.session WHERE e.basis <> 2 "
		"ORDER BY m.start_s DESC LIMIT ?1", -1, &rows, NULL);
	if (rc != SQLITE_OK) {
		return failure_of(rc);
	}
	(void)sqlite3_bind_int(rows, 1, SERIES_LATEST_MAX);
	reading.filled = buckets;
	while (wanted && (rc = sqlite3_step(rows)) == SQLITE_ROW) {
		struct series_value values[SERIES_SIGNALS_MAX];
		if (sqlite3_column_int64(rows, 1) < question->since_ns) {
			break;
		}
		memset(buckets, 0, sizeof(buckets));
		add_row(&reading, 0, sqlite3_column_blob(rows, 0),
			(size_t)sqlite3_column_bytes(rows, 0), LOG_ENTRY_BYTES);
		for (size_t i = 0; i < question->signal_count; i++) {
			values[i] = value_of(&buckets[i]);
		}
		wanted = on_minute(context, values);
	}
	(void)sqlite3_finalize(rows); /* repeats rc */
	return !wanted || rc == SQLITE_DONE || rc == SQLITE_ROW ? 0 : failure_of(rc);
}

void log_series_finish(struct series *series)
{
	if (series != NULL) {
		free(series->start_ns);
		free(series->values);
		series->start_ns = NULL;
		series->values = NULL;
	}
}
