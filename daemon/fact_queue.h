/* fact_queue.h: facts on their way to the log, as bytes in bounded memory.
 *
 * The analysis tells its facts here; the log takes them from here when it is committed. So they
 * outlive a commit that failed, and the same bytes go into the batch file (batch_file.h). Readings
 * are rounded to their signal's log step, as the log rounds them: what is played back makes the same
 * rows. Does no I/O.
 */
#ifndef SIGHTBOWL_DAEMON_FACT_QUEUE_H
#define SIGHTBOWL_DAEMON_FACT_QUEUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/facts.h"

#define FACT_QUEUE_SLOTS_MAX 1024

struct fact_queue {
	uint8_t *bytes;           /* heap */
	size_t used;
	size_t room;
	size_t limit;
	size_t kept;              /* how many of the first bytes are kept elsewhere by now */
	uint64_t dropped_windows; /* given up for want of room (so the next), since init */
	uint64_t dropped_facts;
	bool out_of_memory;       /* a fact was lost since the last fact_queue_clear */
	uint16_t signal[FACT_QUEUE_SLOTS_MAX]; /* by slot, + 1; 0: not known, its readings are not
						* rounded */
};

/* limit: bytes that are kept at most, 64 KiB or more. */
void fact_queue_init(struct fact_queue *queue, size_t limit);
void fact_queue_finish(struct fact_queue *queue);

/* The sink that fills it. When the limit is reached, the oldest windows go first, then the oldest
 * other facts; slots never go. */
struct fact_sink fact_queue_sink(struct fact_queue *queue);

/* Tells the signal of a slot that the analysis told of in an earlier life. */
void fact_queue_set_signal(struct fact_queue *queue, uint16_t slot, uint16_t signal);

/* Empties it: all of it is in the log. */
void fact_queue_clear(struct fact_queue *queue);

/* Tells a sink the facts in bytes. Returns 0, or -EPROTO when the bytes are damaged or another
 * version's (the sink has then been told those before the damage). */
int fact_queue_play(const uint8_t *bytes, size_t size, const struct fact_sink *sink);

#endif
