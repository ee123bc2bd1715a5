/* frozen_speed.h: an engine speed that stands still while the engine does not.
 *
 * A gateway that hangs goes on sending its last number. A speed that stands to the last bit for
 * five minutes while the fuel rate goes up by half, and by 1.5 L/h, is not being measured: no
 * window reads it until it moves again, and it is told as a lost source.
 */
#ifndef SIGHTBOWL_ANALYSIS_FROZEN_SPEED_H
#define SIGHTBOWL_ANALYSIS_FROZEN_SPEED_H

#include "analysis/window_view.h"
#include "decoders/state_codec.h"

/* Subjects of source-lost: this + engine; senders and filters' sensors lie below. */
#define FROZEN_SPEED_SUBJECT 0x20000U

struct frozen_speed {
	double rpm;	/* that stands; 0: none does */
	double low_lph; /* rates that it stood with; NaN: none heard */
	double high_lph;
	uint32_t windows; /* in a row, capped */
	bool frozen;
};

void frozen_speed_init(struct frozen_speed *f);

/* Takes the window that has ended, before anything else reads its speed; tells when the speed
 * freezes and when it moves again. Returns whether it is frozen. */
bool frozen_speed_window(struct frozen_speed *f, unsigned engine, const struct window_view *view);

void frozen_speed_save(const struct frozen_speed *f, struct state_writer *w);
void frozen_speed_load(struct frozen_speed *f, struct state_reader *r);

#endif
