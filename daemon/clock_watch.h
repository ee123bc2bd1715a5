/* clock_watch.h: notices when the machine's wall clock is set.
 *
 * Frames carry wall-clock times. The machine's own steady clock tells whether the wall clock was
 * stepped between two looks; frames that were stamped before the step and read after it are put to
 * the clock as it is now. Pure: the readings of both clocks are arguments (clock_watch_now takes
 * them).
 */
#ifndef SIGHTBOWL_DAEMON_CLOCK_WATCH_H
#define SIGHTBOWL_DAEMON_CLOCK_WATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"

/* A clock that is slewed drifts by less than this between two looks; more is a step. */
#define CLOCK_WATCH_STEP_NS INT64_C(500000000)

/* 2025-01-01: a wall clock before the program was written is wrong. */
#define CLOCK_WATCH_WRITTEN_S INT64_C(1735689600)

/* Both clocks of the machine at one moment. */
struct clock_reading {
	int64_t wall_ns;   /* since 1970 */
	int64_t steady_ns; /* since the machine started, sleep included */
};

struct clock_watch {
	bool set;
	int64_t offset_ns;     /* wall less steady, at the last look */
	int64_t old_offset_ns; /* before the last step */
	int64_t stepped_ns;    /* steady time at which the last step was seen */
	bool stepped;
};

struct clock_reading clock_watch_now(void);

/* Looks at the clocks after frames were read (count may be 0), before anyone uses their times.
 * Returns the step in ns since the last look, 0 when there was none (or at the first look). */
int64_t clock_watch_look(struct clock_watch *watch, struct clock_reading now,
	struct frame *frames, size_t count);

#endif
