/* listen_live.h: live buses heard for a while. */
#ifndef SIGHTBOWL_DAEMON_LISTEN_LIVE_H
#define SIGHTBOWL_DAEMON_LISTEN_LIVE_H

#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"
#include "replay/capture.h"

struct listen_live_listener {
	void *context;
	void (*on_frames)(void *context, const struct frame *frames, size_t count);
	/* What a bus does, for a person. */
	void (*on_news)(void *context, const char *interface, const char *sentence);
};

/* Hears the buses (their numbers are their places) for so many seconds, or until SIGINT or SIGTERM.
 * Returns 0 or a negative errno: -ENODEV when none of them could be listened to, which on_news told. */
int listen_live(const struct bus_names *buses, double seconds,
	const struct listen_live_listener *listener);

#endif
