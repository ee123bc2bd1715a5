/* source_watch.h: senders that fall silent: event source-lost.
 *
 * A sender (bus and address) that gave numbers in use is missed when it is not heard for a minute in
 * which its bus is alive and an engine is known to run (its own, if it gives an engine's); a slow one, three times its own longest pause. What
 * falls silent while no engine runs was switched off, as far as one can know; only a sender that was
 * there for hours of engine time and feeds engine, tank or filter is then missed when the engine runs
 * again without it. Where half of a bus's senders go at once, that is one bus-fault (traffic_watch.h).
 * Time is counted in windows in which the bus was heard, so holes in a recording mean nothing.
 */
#ifndef SIGHTBOWL_ANALYSIS_SOURCE_WATCH_H
#define SIGHTBOWL_ANALYSIS_SOURCE_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/traffic_watch.h"
#include "analysis/window_view.h"
#include "decoders/frame.h"
#include "decoders/state_codec.h"

#define SOURCE_NODES_MAX 48

struct source_node {
	bool used;
	uint8_t bus;
	uint8_t address;
	uint8_t roles;     /* bits: what it gave */
	uint32_t identity; /* the first half of its NAME: maker and serial number; 0: not heard */
	uint8_t heard;     /* windows, up to those that make it one to be missed */
	uint8_t longest;   /* windows of its longest pause meanwhile */
	uint8_t away;      /* windows in a row without it, its bus alive … */
	uint8_t silent;    /* … and of these, those that count against it */
	uint8_t back;      /* windows in a row with it again, after it was lost */
	bool excused;      /* it fell silent while no engine was known to run */
	bool lost;
	bool parted;       /* … with others: told as a bus-fault */
	uint16_t engine_windows; /* in which an engine ran and its bus was alive … */
	uint16_t engine_heard;   /* … and it was heard */
	uint16_t gone;     /* windows of engine time since it was lost */
};

struct source_watch {
	struct source_node nodes[SOURCE_NODES_MAX];
	uint8_t parted[FRAME_BUS_MAX]; /* senders lost together; 0: none */
};

void source_watch_init(struct source_watch *s);

/* Takes an address claim (PGN 60928, 8 bytes): a sender that changes its address is not lost. */
void source_watch_claim(struct source_watch *s, const struct frame *frame);

/* A window has ended; before traffic_watch_window. */
void source_watch_window(
	struct source_watch *s, struct traffic_watch *traffic, const struct window_view *view);

/* All traffic paused for long, or its length is not known. */
void source_watch_pause(struct source_watch *s);

void source_watch_save(const struct source_watch *s, struct state_writer *w);
void source_watch_load(struct source_watch *s, struct state_reader *r);

#endif
