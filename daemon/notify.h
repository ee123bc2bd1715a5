/* notify.h: runs the skipper's command when an event is raised or cleared.
 *
 * The command runs on its own, beside the log: nothing waits for it. No shell takes part: its words
 * are handed over as they are, then "raised" or "cleared", then one sentence, which always begins
 * with the severity; more is in its environment (SIGHTBOWL_*). One runs at a time; it gets so many
 * seconds and is then ended with all that it started. So many may run in so long; what comes on top
 * waits, the oldest of what does not fit is dropped and counted, and the next sentence says how many
 * there were. A message whose command cannot be started waits, and is tried again.
 */
#ifndef SIGHTBOWL_DAEMON_NOTIFY_H
#define SIGHTBOWL_DAEMON_NOTIFY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <uv.h>

#include "analysis/facts.h"

struct notify; /* opaque; heap */

struct notify_limits {
	unsigned burst;      /* so many at once … */
	uint64_t refill_ms;  /* … and one more after each of these */
	uint64_t patience_ms; /* how long one may run before it is asked to end */
	uint64_t grace_ms;    /* and from there until it is made to */
	uint64_t retry_ms;    /* after a start that failed */
};

/* 6 at once, one more every 100 s, 30 s each, 5 s of grace, tried again after 10 s. */
struct notify_limits notify_limits_default(void);

struct notify_counts {
	uint64_t started;
	uint64_t failed;  /* could not be started, or ended with a status other than 0 */
	uint64_t ended;   /* made to end because they took too long */
	uint64_t dropped; /* too many at once */
};

/* Splits a command into words at blanks; "double quotes" hold a word together, and \" and \\ stand
 * for themselves inside them. Returns the words, ended by NULL, for the caller to free() in one go, or
 * NULL when there is no word or a quote is left open. */
char **notify_words(const char *command);

/* The loop is borrowed until notify_close has been called and the loop has run out. Returns 0,
 * -EINVAL (no usable command), or -ENOMEM. */
int notify_open(struct notify **ret_notify, uv_loop_t *loop, const char *command,
	enum event_severity least, const struct notify_limits *limits);

/* Another command and severity from now on: what waits is told by it, what runs is left to end, and
 * what was told stays so. Returns 0, or -EINVAL or -ENOMEM with nothing changed. */
int notify_change(struct notify *notify, const char *command, enum event_severity least);

/* An event that stands in the log, which may lag behind: unless it was heard of since the program
 * started, it was told before. */
void notify_known(struct notify *notify, int64_t event);

/* An event as it now stands; may be called with the same one again and again. shelved: nothing is
 * told of it now. Does not block. */
void notify_event(struct notify *notify, const struct fact_event *event, bool shelved);

struct notify_counts notify_counts(const struct notify *notify);

/* A sentence when something changed: the command cannot be started, can be again, or ended badly; else
 * NULL. Borrowed until the next call. NULL is fine. */
const char *notify_news(struct notify *notify);
/* How many messages wait; notify_close drops them. NULL is fine. */
size_t notify_waiting(const struct notify *notify);

/* Ends what runs (asks, then makes it) and frees once the loop has run out. NULL is fine. */
void notify_close(struct notify *notify);

#endif
