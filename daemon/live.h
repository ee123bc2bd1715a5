/* live.h: the last value of every signal, for whoever watches the page.
 *
 * Fixed size. Each value remembers when it last changed, in a count of changes, so that a client is
 * only sent what is new to it.
 */
#ifndef SIGHTBOWL_DAEMON_LIVE_H
#define SIGHTBOWL_DAEMON_LIVE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/pipeline.h"

#define LIVE_VALUES_MAX 224

struct live_value {
	uint16_t signal;
	uint16_t instance;
	double value;
	int64_t heard_ns; /* steady */
	bool stale;       /* not heard for LIVE_STALE_NS */
	uint64_t changed; /* the count at its last change */
};

#define LIVE_STALE_NS INT64_C(10000000000)

struct live {
	uint64_t changes;
	size_t count;
	struct live_value values[LIVE_VALUES_MAX];
};

void live_init(struct live *live);

/* Takes over what the pipeline last heard. now_ns: steady time; a value heard longer ago than
 * LIVE_STALE_NS is no longer one. */
void live_update(struct live *live, const struct pipeline *pipeline, int64_t now_ns);

/* Sets one value; what live_update does for each. */
void live_put(struct live *live, uint16_t signal, uint16_t instance, double value,
	int64_t heard_ns, int64_t now_ns);

/* Writes what changed after *sequence (0: everything) as one JSON object, "signal:instance" → number,
 * null when it is no longer heard; *sequence becomes the present count. Values are in their signal's
 * unit. Returns the bytes written, 0 when nothing changed; what did not fit comes next time. */
size_t live_write(const struct live *live, uint64_t *sequence, char *out, size_t size);

#endif
