/* fault_watch.h: the engines' trouble codes: those that are active (DM1), and those that were
 * (DM2).
 *
 * A list of codes by sender, each with its standing. A code that is active is an event
 * (engine-fault), one for an engine and a code whoever lists it. One that is over, or that its
 * sender keeps in its memory only, is no event: it is a fact, with how often it occurred, and the
 * same fact as while it was active. Fixed size, no heap.
 */
#ifndef SIGHTBOWL_ANALYSIS_FAULT_WATCH_H
#define SIGHTBOWL_ANALYSIS_FAULT_WATCH_H

#include "analysis/fault_text.h"
#include "analysis/window_view.h"
#include "decoders/fault_code.h"
#include "decoders/observation.h"

#define FAULT_CODES_MAX	 32 /* of all engines and senders */
#define FAULT_EVENTS_MAX 8  /* of an engine: told one by one */

/* The bus of a code of which a checkpoint of the first version does not say who listed it: the next
 * to list it is that sender, and it is over when nobody does. */
#define FAULT_BUS_UNKNOWN 0xFF

struct fault_place {
	uint32_t code; /* SPN | FMI << 19; 0: free */
	uint8_t engine;
	uint8_t bus;
	uint8_t source;
	uint8_t standing;   /* enum fault_standing */
	uint8_t count;	    /* occurrences */
	uint8_t conversion; /* SPN conversion method */
	uint8_t lamps;	    /* of the last DM1 that listed it */
	bool is_event;	    /* told one by one */
	bool told;	    /* the sink knows it as it is */
	int64_t first_session;
	int64_t first_ns;
	/* The last list that had it, and its sender's last list: of active codes while it is
	 * active, else of past ones. */
	int64_t heard_ns;
	int64_t list_ns;
};

struct fault_watch {
	struct fault_place places[FAULT_CODES_MAX];
	struct fault_lists {
		bool more;	 /* codes beyond those that are told one by one */
		int64_t more_ns; /* one of them was heard last */
		int64_t list_ns; /* any sender's last list of active codes */
	} lists[BOAT_ENGINES_MAX];
};

void fault_watch_init(struct fault_watch *f);

/* A code of DM1 or DM2, or their word that there is none (no number: nothing happens), at a steady
 * time; view's moment must be that of the reading. lamps: of the same message (fault_text.h). */
void fault_watch_take(struct fault_watch *f, const struct window_view *view,
	const struct observation *o, uint8_t lamps);

/* Takes the window that has ended: what its sender lists no longer is over, and what is new is
 * told. */
void fault_watch_window(struct fault_watch *f, const struct window_view *view);

void fault_watch_save(const struct fault_watch *f, struct state_writer *w);
void fault_watch_load(struct fault_watch *f, struct state_reader *r);

#endif
