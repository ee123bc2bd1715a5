#include "analysis/event_life.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#define REOPEN_NS   INT64_C(600000000000) /* ten minutes */
#define VALUE_SHARE 0.1

static const char *const kind_names[EVENT_KIND_COUNT] = {
#define EVENT_KIND_NAME(id, name) [EVENT_##id] = name,
	EVENT_KINDS(EVENT_KIND_NAME)
#undef EVENT_KIND_NAME
};

const char *event_kind_name(enum event_kind kind)
{
	return kind_names[kind];
}

void event_life_init(struct event_life *life, int64_t last_event)
{
	memset(life, 0, sizeof(*life));
	life->last_event = last_event;
}

static struct event_slot *find(struct event_life *life, enum event_kind kind, uint32_t subject)
{
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		struct event_slot *slot = &life->slots[i];
		if (slot->standing != EVENT_FREE && slot->kind == kind &&
			slot->subject == subject) {
			return slot;
		}
	}
	return NULL;
}

/* Kinds whose subjects come from the bus, as many as somebody sends. */
static bool is_stranger(unsigned kind)
{
	return kind == EVENT_ENGINE_FAULT || kind == EVENT_SOURCE_LOST;
}

static bool has_room(const struct event_life *life, enum event_kind kind)
{
	size_t count = 0;

	for (size_t i = 0; i < EVENT_LIFE_MAX && is_stranger(kind); i++) {
		const struct event_slot *slot = &life->slots[i];
		bool used = slot->standing == EVENT_UP || slot->standing == EVENT_SUPPRESSED;
		count += used && is_stranger(slot->kind) ? 1 : 0;
	}
	return count < EVENT_LIFE_STRANGERS;
}

/* A slot for a new care: the one cleared longest ago if that cannot come back under its number any more
 * (so that no more are kept than needed), else a free one, else one cleared of late; NULL when all are in
 * use. */
static struct event_slot *free_slot(
	struct event_life *life, enum event_kind kind, const struct event_moment *now)
{
	struct event_slot *oldest = NULL;
	struct event_slot *unused = NULL;

	if (!has_room(life, kind)) {
		return NULL;
	}
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		struct event_slot *slot = &life->slots[i];
		if (slot->standing == EVENT_FREE && unused == NULL) {
			unused = slot;
		}
		if (slot->standing == EVENT_RECENT &&
			(oldest == NULL || slot->cleared_ns < oldest->cleared_ns)) {
			oldest = slot;
		}
	}
	if (unused != NULL && (oldest == NULL || now->t_ns - oldest->cleared_ns <= REOPEN_NS)) {
		return unused;
	}
	return oldest;
}

static void tell(const struct event_slot *slot, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink)
{
	struct fact_event fact = {
		.event = slot->event,
		.kind = kind_names[slot->kind],
		.severity = (enum event_severity)slot->severity,
		.session = slot->session,
		.raised_ns = slot->raised_ns,
		.has_cleared = slot->standing != EVENT_UP,
		.trip = slot->trip,
		.value = slot->value,
		.limit = slot->limit,
		.unit = claim->unit,
		.basis = claim->basis,
	};

	if (sink->on_event == NULL) {
		return;
	}
	if (fact.has_cleared) {
		fact.cleared_session = now->session;
		fact.cleared_ns = now->t_ns;
	}
	strncpy(fact.subject, claim->name, sizeof(fact.subject) - 1);
	strncpy(fact.message, claim->message, sizeof(fact.message) - 1);
	sink->on_event(sink->context, &fact);
}

static bool moved(double told, double value)
{
	if (isnan(told) || isnan(value)) {
		return isnan(told) != isnan(value);
	}
	return fabs(value - told) > VALUE_SHARE * fabs(told);
}

int64_t event_life_raise(struct event_life *life, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink)
{
	struct event_slot *slot = find(life, claim->kind, claim->subject);

	if (slot != NULL && slot->standing == EVENT_SUPPRESSED) {
		return 0;
	}
	if (slot != NULL && slot->standing == EVENT_UP) {
		bool worse = claim->severity > (enum event_severity)slot->severity;
		if (worse || claim->retell || moved(slot->value, claim->value)) {
			slot->acknowledged = slot->acknowledged && !worse;
			slot->severity = worse ? (uint8_t)claim->severity : slot->severity;
			slot->value = claim->value;
			slot->limit = claim->limit;
			tell(slot, now, claim, sink);
		}
		return slot->event;
	}
	bool again = slot != NULL && now->t_ns - slot->cleared_ns <= REOPEN_NS;
	if (slot == NULL) {
		slot = free_slot(life, claim->kind, now);
		if (slot == NULL) {
			return 0;
		}
	}
	if (!again) {
		*slot = (struct event_slot){
			.kind = (uint8_t)claim->kind,
			.subject = claim->subject,
			.event = ++life->last_event,
			.session = now->session,
			.raised_ns = now->t_ns,
			.trip = claim->trip,
		};
	}
	/* What comes back worse has not been acknowledged. */
	slot->acknowledged =
		slot->acknowledged && claim->severity <= (enum event_severity)slot->severity;
	slot->standing = EVENT_UP;
	slot->severity = (uint8_t)claim->severity;
	slot->value = claim->value;
	slot->limit = claim->limit;
	tell(slot, now, claim, sink);
	return slot->event;
}

void event_life_clear(struct event_life *life, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink)
{
	struct event_slot *slot = find(life, claim->kind, claim->subject);

	if (slot != NULL && slot->standing == EVENT_UP) {
		slot->standing = EVENT_RECENT;
		slot->cleared_ns = now->t_ns;
		tell(slot, now, claim, sink);
	}
}

void event_life_suppress(struct event_life *life, const struct event_moment *now,
	const struct event_claim *claim, const struct fact_sink *sink)
{
	struct event_slot *slot = find(life, claim->kind, claim->subject);

	if (slot == NULL) {
		slot = free_slot(life, claim->kind, now);
		if (slot == NULL) {
			return;
		}
		*slot = (struct event_slot){
			.kind = (uint8_t)claim->kind,
			.subject = claim->subject,
			.cleared_ns = now->t_ns - REOPEN_NS - 1,
			.value = NAN,
			.limit = NAN,
		};
	}
	bool was_up = slot->standing == EVENT_UP;
	slot->standing = EVENT_SUPPRESSED;
	if (was_up) {
		slot->cleared_ns = now->t_ns;
		tell(slot, now, claim, sink);
	}
}

bool event_life_release(struct event_life *life, enum event_kind kind, uint32_t subject)
{
	struct event_slot *slot = find(life, kind, subject);

	if (slot == NULL || slot->standing != EVENT_SUPPRESSED) {
		return false;
	}
	slot->standing = slot->event != 0 ? EVENT_RECENT : EVENT_FREE;
	return true;
}

static struct event_slot *up_by_number(struct event_life *life, int64_t event)
{
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		struct event_slot *slot = &life->slots[i];
		if (slot->standing == EVENT_UP && slot->event == event) {
			return slot;
		}
	}
	return NULL;
}

bool event_life_acknowledge(struct event_life *life, int64_t event)
{
	struct event_slot *slot = up_by_number(life, event);

	if (slot == NULL) {
		return false;
	}
	slot->acknowledged = true;
	return true;
}

bool event_life_shelve(struct event_life *life, int64_t event, int64_t until_ns)
{
	struct event_slot *slot = up_by_number(life, event);

	if (slot == NULL) {
		return false;
	}
	slot->shelved_until_ns = until_ns;
	return true;
}

const struct event_slot *event_life_find(
	const struct event_life *life, enum event_kind kind, uint32_t subject)
{
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		const struct event_slot *slot = &life->slots[i];
		if (slot->standing == EVENT_UP && slot->kind == kind && slot->subject == subject) {
			return slot;
		}
	}
	return NULL;
}

bool event_slot_calls(const struct event_slot *slot, int64_t now_ns)
{
	return slot->standing == EVENT_UP && !slot->acknowledged &&
	       now_ns >= slot->shelved_until_ns;
}

void event_life_save(const struct event_life *life, struct state_writer *w)
{
	uint64_t used = 0;

	state_put_signed(w, life->last_event);
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		used += life->slots[i].standing != EVENT_FREE;
	}
	state_put_unsigned(w, used);
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		const struct event_slot *slot = &life->slots[i];
		if (slot->standing == EVENT_FREE) {
			continue;
		}
		state_put_unsigned(w, i);
		state_put_unsigned(w, slot->standing);
		state_put_unsigned(w, slot->kind);
		state_put_unsigned(w, slot->severity);
		state_put_unsigned(w, slot->acknowledged);
		state_put_unsigned(w, slot->subject);
		state_put_signed(w, slot->event);
		state_put_signed(w, slot->session);
		state_put_signed(w, slot->raised_ns);
		state_put_signed(w, slot->cleared_ns);
		state_put_signed(w, slot->shelved_until_ns);
		state_put_signed(w, slot->trip);
		state_put_double(w, slot->value);
		state_put_double(w, slot->limit);
	}
}

void event_life_load(struct event_life *life, struct state_reader *r)
{
	memset(life, 0, sizeof(*life));
	life->last_event = state_get_signed(r);
	uint64_t used = state_get_unsigned(r, EVENT_LIFE_MAX);
	for (uint64_t n = 0; n < used; n++) {
		struct event_slot *slot = &life->slots[state_get_unsigned(r, EVENT_LIFE_MAX - 1)];
		slot->standing = (uint8_t)state_get_unsigned(r, EVENT_SUPPRESSED);
		slot->kind = (uint8_t)state_get_unsigned(r, EVENT_KIND_COUNT - 1);
		slot->severity = (uint8_t)state_get_unsigned(r, SEVERITY_WARNING);
		slot->acknowledged = state_get_unsigned(r, 1) != 0;
		slot->subject = (uint32_t)state_get_unsigned(r, UINT32_MAX);
		slot->event = state_get_signed(r);
		slot->session = state_get_signed(r);
		slot->raised_ns = state_get_signed(r);
		slot->cleared_ns = state_get_signed(r);
		slot->shelved_until_ns = state_get_signed(r);
		slot->trip = state_get_signed(r);
		slot->value = state_get_double(r);
		slot->limit = state_get_double(r);
	}
}
