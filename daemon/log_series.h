/* log_series.h: signals over a span of time, from the tier of the log that suits the span.
 *
 * Whatever the span, an hour or ten years, a bounded number of rows is read and a bounded number of
 * points comes out: 10 s rows where those are few enough, else minutes, else days (and minutes for
 * the days that have no roll-up yet).
 */
#ifndef SIGHTBOWL_DAEMON_LOG_SERIES_H
#define SIGHTBOWL_DAEMON_LOG_SERIES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "daemon/log_store.h"

#define SERIES_SIGNALS_MAX 8
#define SERIES_POINTS_MAX  2000
#define SERIES_ROWS_MAX    15000 /* most rows of a tier before the next coarser one is taken */

enum series_tier {
	SERIES_WINDOWS, /* 10 s */
	SERIES_MINUTES,
	SERIES_DAYS,
};

const char *series_tier_name(enum series_tier tier); /* "10s", "minute", "day" */

/* What is asked. */
struct series_question {
	int64_t since_ns; /* UTC, included */
	int64_t until_ns; /* UTC, excluded; after since_ns */
	size_t points;    /* most points wanted, 2 to SERIES_POINTS_MAX */
	size_t signal_count;
	struct {
		char name[48];
		unsigned instance;
	} signals[SERIES_SIGNALS_MAX];
};

struct series_value {
	uint32_t count; /* of numbers heard; 0: none, the rest means nothing */
	double mean;
	double low;
	double high;
};

struct series {
	enum series_tier tier;
	int64_t width_ns;   /* of a point */
	size_t count;       /* of points */
	bool known[SERIES_SIGNALS_MAX]; /* the log has this signal */
	char unit[SERIES_SIGNALS_MAX][16];
	int64_t *start_ns;  /* UTC of each point, ascending; points without any value are left out */
	struct series_value *values; /* count × signal_count, a point after the other */
};

/* Reads. Undated sessions are left out: nobody knows where in time they belong. Returns 0, -EINVAL
 * (a span or count out of range), -ENOMEM, -EINTR (the connection's progress handler stopped it) or
 * another negative errno. */
int log_series_read(struct log_store *store, const struct series_question *question,
	struct series *ret_series);
/* Calls on_minute with the values of the question's signals (its points do not count) in each dated
 * minute from since_ns on, the latest first, at most SERIES_LATEST_MAX of them; stops when it returns
 * false. Errors as log_series_read's. */
#define SERIES_LATEST_MAX 60000
int log_series_latest_minutes(struct log_store *store, const struct series_question *question,
	bool (*on_minute)(void *context, const struct series_value *values), void *context);
/* NULL and zeroed are fine. */
void log_series_finish(struct series *series);

#endif
