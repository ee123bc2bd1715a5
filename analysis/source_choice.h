/* source_choice.h: one source for each signal, and the statistics of its windows.
 *
 * Every (signal, instance) that is heard gets a slot. One provider (bus, address, message) fills
 * it: the configured one, else the first that gave a number; it stays until it has been silent for
 * longer than max(5 s, 5 of its periods). Two providers never mix: what the others send is set
 * aside.
 */
#ifndef SIGHTBOWL_ANALYSIS_SOURCE_CHOICE_H
#define SIGHTBOWL_ANALYSIS_SOURCE_CHOICE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/boat.h"
#include "analysis/facts.h"
#include "decoders/observation.h"
#include "decoders/signal.h"
#include "decoders/state_codec.h"

#define SLOTS_MAX 224

struct slot {
	uint16_t signal;
	uint16_t instance;
	uint8_t bus; /* the provider, when has_provider */
	uint8_t source;
	uint8_t message;
	bool has_provider;
	int16_t next;	  /* next slot of the same signal, -1 at the end */
	int64_t heard_ns; /* last number of the provider */
	float period_s;	  /* its nominal period: a running median */
	float resolution; /* one step of its coding; known in a window that has readings */
	double value;	  /* last number; NaN: before the state was loaded, in an earlier window */
	/* the present window */
	uint32_t count;
	double sum;
	double low;
	double high;
};

struct source_choice {
	const struct boat *boat; /* for the configured sources; borrowed */
	size_t count;
	int16_t first[SIGNAL_COUNT]; /* first slot of a signal, -1: none */
	struct slot slots[SLOTS_MAX];
	uint64_t set_aside; /* numbers of providers that are not in use */
	uint64_t no_slot;   /* numbers for which no slot was left */
	uint64_t changes;   /* times a silent provider was replaced */
};

void source_choice_init(struct source_choice *sc, const struct boat *boat);

/* Takes a number (state READING_VALID; t_ns is steady time). Returns its slot, or -1 when its
 * provider is not the one in use. ret_new is true when the slot is a new one. */
int source_choice_take(struct source_choice *sc, const struct observation *o, bool *ret_new);

/* The slot of a signal and instance, -1 when it was never heard. */
int source_choice_find(const struct source_choice *sc, enum signal_id signal, uint16_t instance);

/* Longest time between two numbers that still counts as observed: max(5 s, 5 periods). */
int64_t slot_gap_ns(const struct slot *slot);

/* Writes the present window's readings (at most SLOTS_MAX) and returns how many. */
size_t source_choice_window(const struct source_choice *sc, struct fact_reading *out);
/* Begins the next window. */
void source_choice_next_window(struct source_choice *sc);

void source_choice_save(const struct source_choice *sc, struct state_writer *w);
void source_choice_load(struct source_choice *sc, struct state_reader *r);

#endif
