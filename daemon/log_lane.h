/* log_lane.h: a pipeline and the log that it writes to: opening where it stood, committing, ending.
 *
 * "main" goes on at the log's end, live or replayed. "earlier" takes captures from before the end or
 * from a hole; it is fresh each time, and its numbers never meet main's. One pipeline is in memory at
 * a time.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_LANE_H
#define SIGHTBOWL_DAEMON_LOG_LANE_H

#include "analysis/pipeline.h"
#include "daemon/config.h"
#include "daemon/log_store.h"

#define LANE_MAIN    "main"
#define LANE_EARLIER "earlier"

struct log_lane; /* opaque; heap */

enum log_lane_opening {
	LANE_NEW,     /* nothing was there */
	LANE_RESUMED, /* goes on where it stood */
	LANE_REBUILT, /* its checkpoint could not be understood: a fresh start behind the log's numbers;
		       * what was logged stays */
};

/* store and settings are borrowed until destroy; their buses are those of buses (numbers by name).
 * sink: gets the facts; log_store_sink's, or one that passes on to it. */
int log_lane_create(struct log_lane **ret_lane, struct log_store *store,
	const struct settings *settings, const struct bus_names *buses,
	const struct fact_sink *sink);
/* Forgets what is not committed. NULL is fine. */
void log_lane_destroy(struct log_lane *lane);

/* Opens a lane by name, from its checkpoint or anew. What was open in it is told the log as it stood, in
 * the open transaction. Returns 0 or a negative errno of the log. */
int log_lane_open(struct log_lane *lane, const char *name, enum log_lane_opening *ret_opening);
/* The name of the lane that is open; NULL: none. */
const char *log_lane_name(const struct log_lane *lane);
/* The capture that the lane stood in when it was opened or committed last (0: live), and behind how
 * many of its frames. */
int64_t log_lane_capture(const struct log_lane *lane, uint64_t *ret_frames);
/* Its pipeline, to feed. */
struct pipeline *log_lane_pipeline(struct log_lane *lane);

/* Commits all facts, with the open lane's state (when there is one) as standing behind so many frames
 * of a capture (0, 0: live). */
int log_lane_commit(struct log_lane *lane, int64_t capture, uint64_t frames);

/* Puts the lane aside: nothing is lost only if it was just committed. */
void log_lane_leave(struct log_lane *lane);
/* Ends what is open in it for good, forgets its checkpoint (both in the open transaction), and
 * leaves it. */
int log_lane_finish(struct log_lane *lane);

#endif
