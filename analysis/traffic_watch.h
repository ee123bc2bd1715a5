/* traffic_watch.h: whether the buses live: event bus-fault.
 *
 * Counts frames by bus and sender; error frames, floods, senders that fill the bus, address claims
 * without end, and a bus that falls silent while an engine on it is known to run are judged at the end of each
 * window, from the frames alone. What the frames cannot tell (the interface is gone, nothing comes at
 * all) the live side says in a word. One event a bus, for the gravest of its troubles. Single senders are
 * source_watch.h's.
 */
#ifndef SIGHTBOWL_ANALYSIS_TRAFFIC_WATCH_H
#define SIGHTBOWL_ANALYSIS_TRAFFIC_WATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/bus_health.h"
#include "analysis/bus_trouble.h"
#include "analysis/window_view.h"
#include "decoders/frame.h"
#include "decoders/state_codec.h"

#define TRAFFIC_ALIVE_FRAMES 10 /* data frames of a window in which a bus is alive */
#define TRAFFIC_HEARD_WINDOWS 30 /* heard so long, a bus or a sender is one to be missed */

struct traffic_bus {
	/* the present window */
	uint16_t frames[256]; /* by sender's address; stays at its greatest */
	uint32_t data_frames;
	uint32_t claims;
	struct bus_health health; /* counts of this window; the condition goes on */
	/* over windows */
	uint8_t heard;  /* windows with traffic, since the last long pause */
	uint8_t silent; /* windows in a row without, an engine running */
	bool excused;   /* it fell silent while no engine was known to run */
	uint8_t engines; /* bits: those of which it brings readings */
	uint8_t clean;  /* windows in a row with traffic and without an error frame */
	uint8_t holds[BUS_TROUBLE_COUNT]; /* windows in a row in which it held … */
	uint8_t rests[BUS_TROUBLE_COUNT]; /* … and in which it did not */
	uint16_t troubles;     /* bits: those that stand */
	uint8_t told;          /* enum bus_trouble; the one in the event */
	uint8_t word;          /* enum bus_trouble, of the live side … */
	uint8_t word_windows;  /* … and windows with traffic since it was said */
};

struct traffic_watch {
	struct bus_namer namer;
	struct traffic_bus buses[FRAME_BUS_MAX];
};

void traffic_watch_init(struct traffic_watch *t);

/* Counts a data frame (kind FRAME_EXTENDED) whose bus is below FRAME_BUS_MAX. */
static inline void traffic_watch_count(struct traffic_watch *t, const struct frame *frame)
{
	struct traffic_bus *bus = &t->buses[frame->bus];
	uint16_t *frames = &bus->frames[frame->id & 0xFF];

	*frames = (uint16_t)(*frames + (*frames != UINT16_MAX));
	bus->data_frames++;
	bus->claims += (frame->id & 0x3FF0000) == 0x0EE0000; /* PGN 60928, to anybody */
}

/* Takes an error frame (kind FRAME_ERROR); bus-off is told at once: nothing may follow it. */
void traffic_watch_error(
	struct traffic_watch *t, const struct frame *frame, const struct window_view *view);

/* A window has ended. Call source_watch_window before: it reads the counts, which this clears. */
void traffic_watch_window(struct traffic_watch *t, const struct window_view *view);

/* All traffic paused for long, or its length is not known: silence before it means nothing. */
void traffic_watch_pause(struct traffic_watch *t);

/* The live side's word on a bus: NONE (well), SILENT, DOWN, UNUSABLE, MISSING, PASSIVE or OFF. Say it again while
 * it holds: traffic of two minutes outlives it. SILENT counts only for a bus that was heard for a minute, and
 * when an engine on it (where it has none: any) is known to run. */
void traffic_watch_word(struct traffic_watch *t, unsigned bus, enum bus_trouble word,
	const struct window_view *view);

/* Half of the senders of a bus fell silent at once (lost of known), or that is over (lost 0). */
void traffic_watch_part(struct traffic_watch *t, unsigned bus, unsigned lost, unsigned known,
	const struct window_view *view);

/* Whether one of these engines (bits; 0: any) is known to run at the view's time: heard to turn just now; or
 * above idle when it was heard last, at most five minutes ago (a key that is turned off finds it at
 * idle). */
bool traffic_engine_runs(const struct window_view *view, unsigned engines);

/* The name of a bus: the daemon's, else "bus 0". size at least 1. */
void traffic_watch_name(const struct traffic_watch *t, unsigned bus, char *name, size_t size);

void traffic_watch_save(const struct traffic_watch *t, struct state_writer *w);
/* Keeps the namer. */
void traffic_watch_load(struct traffic_watch *t, struct state_reader *r);

#endif
