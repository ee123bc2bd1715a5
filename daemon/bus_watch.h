/* bus_watch.h: several buses on one event loop, waited for, read, and spoken about.
 *
 * A bus that is missing, down or unplugged is waited for. One that comes and goes again and again
 * is told so, not each time: a few sentences at once, then one a minute. Frames are taken in
 * batches: after a read a bus is left alone for BUS_WATCH_REST_MS, so that a full bus costs twenty
 * wake-ups a second and not two thousand. All callbacks come from the loop.
 */
#ifndef SIGHTBOWL_DAEMON_BUS_WATCH_H
#define SIGHTBOWL_DAEMON_BUS_WATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <uv.h>

#include "analysis/bus_health.h"
#include "analysis/bus_trouble.h"
#include "daemon/bus.h"
#include "daemon/link_watch.h"
#include "decoders/frame.h"

#define BUS_WATCH_REST_MS   50
#define BUS_WATCH_ABSENT_MS 60000 /* an interface may take its time at the start */
#define BUS_WATCH_SILENT_MS 30000

enum bus_presence {
	BUS_MISSING,   /* no such interface */
	BUS_DOWN,      /* there, not up */
	BUS_UNUSABLE,  /* up, but it cannot be opened: see status.trouble */
	BUS_LISTENING,
};

/* What a bus does and carries, as it stands. */
struct bus_status {
	const char *interface;
	unsigned number;
	enum bus_presence presence;
	int trouble;             /* negative errno of the last opening, 0 */
	uint64_t frames;         /* heard since the watch began */
	uint64_t dropped;        /* by the kernel */
	uint64_t outages;        /* times that it went from listening to anything else */
	bool hardware_time;
	struct controller controller;
	struct bus_health health;
};

struct bus_watch_listener {
	void *context;
	/* Frames of one bus, in order. */
	void (*on_frames)(void *context, const struct frame *frames, size_t count);
	/* Something about a bus changed; sentence is for a person. */
	void (*on_news)(void *context, const struct bus_status *status, const char *sentence);
};

struct bus_watch_want {
	const char *interface;
	unsigned number;         /* 0 .. FRAME_BUS_MAX - 1, each once */
	uint64_t restart_ms;     /* restart the controller so long after bus-off; 0: leave it off */
};

struct bus_watch; /* opaque; heap */

/* Begins to watch. Interfaces' names are copied. Returns 0 or a negative errno (no netlink, no
 * memory, a name too long for an interface). */
int bus_watch_open(struct bus_watch **ret_watch, uv_loop_t *loop,
	const struct bus_watch_want *wants, size_t count, enum bus_filter filter,
	const struct bus_watch_listener *listener);
/* Stops at once; the memory goes when the loop has run its closing callbacks. NULL is fine. */
void bus_watch_close(struct bus_watch *watch);

/* Watches these buses from now on, through this filter. One that was watched before and is wanted
 * goes on as it is, its socket open, without a frame being lost; one that is not wanted any more is
 * read to its end and closed; a new one is opened or waited for, and told. Returns 0, or a negative
 * errno (-ENOMEM, -ENAMETOOLONG, netlink's) with everything as it was and no frame read. A bus
 * keeps its number. */
int bus_watch_change(struct bus_watch *watch, const struct bus_watch_want *wants, size_t count,
	enum bus_filter filter);

/* Reads all that waits now, without waiting for the loop. */
void bus_watch_drain(struct bus_watch *watch);

/* Asks the controllers of the buses that are up how they are (netlink; takes a moment), and tells
 * how a link stands that came and went too often for each time to be told. Call it each half minute
 * or so. */
void bus_watch_ask(struct bus_watch *watch);

/* What is wrong with a bus, as far as frames do not tell it: DOWN, UNUSABLE or MISSING when it has been so
 * for BUS_WATCH_ABSENT_MS, SILENT when nothing was heard for BUS_WATCH_SILENT_MS, OFF and PASSIVE as the
 * controller says itself; NONE: nothing. */
enum bus_trouble bus_watch_trouble(const struct bus_watch *watch, size_t index);

size_t bus_watch_count(const struct bus_watch *watch);
const struct bus_status *bus_watch_status(const struct bus_watch *watch, size_t index);

#endif
