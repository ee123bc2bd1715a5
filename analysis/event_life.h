/* event_life.h: the life of what the skipper must know: raised, acknowledged, shelved, cleared.
 *
 * The words are those of ISA-18.2 / IEC 62682. A care is a kind about a subject: one event for one
 * cause. Raising what is up already changes its values, not its number, and what comes back within ten
 * minutes is the same event again. A care is suppressed while its cause is known (the engine is off, the
 * source is lost, another care explains it). Acknowledging and shelving concern people: they change no
 * fact, so a replay gives the same events. Fixed size, no heap. Times are steady.
 */
#ifndef SIGHTBOWL_ANALYSIS_EVENT_LIFE_H
#define SIGHTBOWL_ANALYSIS_EVENT_LIFE_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/facts.h"
#include "decoders/state_codec.h"

#define EVENT_LIFE_MAX      192
#define EVENT_LIFE_STRANGERS 64 /* of them for the kinds that the bus itself numbers: faults, senders */

/* KIND(id, public name) */
#define EVENT_KINDS(KIND)                                                                          \
	KIND(RESTRICTION_RISING, "restriction-rising")                                             \
	KIND(RESTRICTION_JUMP, "restriction-jump")                                                 \
	KIND(RESTRICTION_HIGH, "restriction-high")                                                 \
	KIND(ELEMENT_DUE, "element-due")                                                           \
	KIND(WATER_IN_FUEL, "water-in-fuel")                                                       \
	KIND(WATER_RECURRING, "water-recurring")                                                   \
	KIND(BURN_HIGH, "burn-high")                                                               \
	KIND(BURN_LOW, "burn-low")                                                                 \
	KIND(STARVATION, "starvation")                                                             \
	KIND(FUEL_PRESSURE_LOW, "fuel-pressure-low")                                               \
	KIND(TANK_MISMATCH, "tank-mismatch")                                                       \
	KIND(TEMPERATURE_HIGH, "temperature-high")                                                 \
	KIND(ENGINE_FAULT, "engine-fault")                                                         \
	KIND(SOURCE_LOST, "source-lost")                                                           \
	KIND(BUS_FAULT, "bus-fault")                                                               \
	KIND(CLOCK_STEP, "clock-step")

enum event_kind {
#define EVENT_KIND_ENUM(id, name) EVENT_##id,
	EVENT_KINDS(EVENT_KIND_ENUM)
#undef EVENT_KIND_ENUM
	EVENT_KIND_COUNT
};

/* The kind's public name; static. */
const char *event_kind_name(enum event_kind kind);

/* What a detector says when a care holds. */
struct event_claim {
	enum event_kind kind;
	uint32_t subject;      /* tells apart subjects of a kind: the caller's own numbering */
	const char *name;      /* of the subject, for people; copied */
	enum event_severity severity;
	double value;          /* NaN: none (so limit) */
	double limit;
	const char *unit;      /* static */
	const char *basis;     /* static */
	const char *message;   /* copied */
	int64_t trip;          /* 0: none */
	bool retell; /* its message says something else: told again though its value stands */
};

enum event_standing {
	EVENT_FREE,       /* the slot is not used */
	EVENT_UP,
	EVENT_RECENT,     /* cleared a short while ago */
	EVENT_SUPPRESSED, /* its cause is known; nothing is told */
};

struct event_slot {
	uint8_t standing;    /* enum event_standing */
	uint8_t kind;
	uint8_t severity;
	bool acknowledged;
	uint32_t subject;
	int64_t event;       /* its number; 0: never told */
	int64_t session;     /* in which it was raised */
	int64_t raised_ns;
	int64_t cleared_ns;
	int64_t shelved_until_ns;
	int64_t trip;
	double value;        /* as told last */
	double limit;
};

struct event_life {
	int64_t last_event;  /* the greatest number given */
	struct event_slot slots[EVENT_LIFE_MAX];
};

struct event_moment {
	int64_t session;
	int64_t t_ns;
};

void event_life_init(struct event_life *life, int64_t last_event);

/* The care holds: raises it, or updates it when it is up (told again when it is worse, its value
 * has moved by a tenth, or the claim asks for it). Returns the event's number; 0 while it is
 * suppressed, or when there is no room: EVENT_LIFE_MAX cares are up or suppressed, or
 * EVENT_LIFE_STRANGERS of faults and lost sources, which whoever sends can make many of. sink may
 * lack on_event. */
int64_t event_life_raise(struct event_life *life, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink);

/* The care no longer holds; nothing happens when it is not up. Kind, subject, name, unit, basis and
 * message of the claim count. */
void event_life_clear(struct event_life *life, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink);

/* Its cause has become known: it is told cleared if it was up, and stays quiet until it is released. */
void event_life_suppress(struct event_life *life, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink);
/* Returns whether it was suppressed. */
bool event_life_release(struct event_life *life, enum event_kind kind, uint32_t subject);

/* Acknowledges an event that is up, by its number; false when there is none. Worse severity later takes
 * the acknowledgement back. */
bool event_life_acknowledge(struct event_life *life, int64_t event);

/* Shelves an event that is up until a time; false when there is none. */
bool event_life_shelve(struct event_life *life, int64_t event, int64_t until_ns);

/* The care's slot while it is up, else NULL; borrowed until the next change. */
const struct event_slot *event_life_find(
	const struct event_life *life, enum event_kind kind, uint32_t subject);

/* Should this event be shown as new: up, not acknowledged, not shelved? */
bool event_slot_calls(const struct event_slot *slot, int64_t now_ns);

void event_life_save(const struct event_life *life, struct state_writer *w);
void event_life_load(struct event_life *life, struct state_reader *r);

#endif
