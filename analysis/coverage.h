/* coverage.h: which analyses a bus permits, what is missing, and which sensor would supply it.
 *
 * A table of analyses, each with the signals that it cannot do without and those that make it
 * better. Whether a signal is heard is asked of the caller. Pure.
 */
#ifndef SIGHTBOWL_ANALYSIS_COVERAGE_H
#define SIGHTBOWL_ANALYSIS_COVERAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/signal.h"

#define COVERAGE_NEEDS_MAX        3
#define COVERAGE_ALTERNATIVES_MAX 4

enum coverage_grade {
	COVERAGE_FULL,
	COVERAGE_PARTLY, /* it works, less well than it could */
	COVERAGE_NONE,
};

/* One of these signals. */
struct coverage_need {
	size_t count;
	uint16_t signals[COVERAGE_ALTERNATIVES_MAX]; /* enum signal_id; the best first */
	const char *supplied_by; /* what would bring it, for a person */
};

struct coverage_row {
	const char *analysis;
	bool of_engine; /* asked for each engine */
	size_t need_count;
	struct coverage_need needs[COVERAGE_NEEDS_MAX];
	size_t better_count;
	struct coverage_need better[COVERAGE_NEEDS_MAX];
};

size_t coverage_row_count(void);
const struct coverage_row *coverage_row_get(size_t index);

/* Asks for every signal of a need; returns the first that is heard, or -1. engine: the instance of
 * signals of engines. */
typedef bool coverage_heard(const void *context, enum signal_id signal, int instance);
int coverage_find(const struct coverage_need *need, int engine, coverage_heard *heard,
	const void *context);

enum coverage_grade coverage_grade(const struct coverage_row *row, int engine,
	coverage_heard *heard, const void *context);
/* "yes", "partly", "no" */
const char *coverage_grade_name(enum coverage_grade grade);

#endif
