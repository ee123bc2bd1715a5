#include "analysis/fault_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

#define CODE_MASK 0xFFFFFFU /* of a code's value: SPN and FMI */
/* A sender repeats its list each second; one that is cut or lost now and then is no news. */
#define GONE_NS INT64_C(15000000000)
/* A code that was heard this long ago makes room for another. */
#define OLD_NS (INT64_C(86400) * 1000000000)

void fault_watch_init(struct fault_watch *f)
{
	memset(f, 0, sizeof(*f));
}

static uint32_t subject_of(unsigned engine, uint32_t code)
{
	return (uint32_t)engine << 24 | code;
}

static uint32_t spn_of(uint32_t code)
{
	return code & FAULT_CODE_SPN_NONE;
}

static unsigned fmi_of(uint32_t code)
{
	return code >> 19 & 31;
}

static void claim(const struct window_view *view, unsigned engine, uint32_t code,
	enum event_severity severity, const char *text, bool holds)
{
	char name[16];
	struct sentence s;
	struct event_claim claim = {
		.kind = EVENT_ENGINE_FAULT,
		.subject = subject_of(engine, code),
		.name = name,
		.severity = severity,
		.value = code == 0 ? (double)NAN : (double)spn_of(code),
		.limit = NAN,
		.unit = "",
		.basis = "measured",
		.message = text,
	};

	sentence_begin(&s, name, sizeof(name));
	sentence_words(&s, "engine ");
	sentence_number(&s, engine, 0);
	window_claim(view, &claim, holds);
}

static void claim_code(const struct window_view *view, const struct fault_place *place,
	enum event_severity severity, bool holds)
{
	char text[240];
	char what[160];
	struct sentence s;

	(void)fault_text_describe(
		spn_of(place->code), fmi_of(place->code), place->conversion, what, sizeof(what));
	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, what);
	sentence_words(&s, " ");
	sentence_words(&s, fault_text_next_step(fmi_of(place->code)));
	sentence_words(&s, " See the engine maker's manual.");
	claim(view, place->engine, place->code, severity, text, holds);
}

static void claim_more(
	const struct window_view *view, unsigned engine, enum event_severity severity, bool holds)
{
	char text[240];
	struct sentence s;

	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, "More trouble codes are active than the ");
	sentence_number(&s, FAULT_EVENTS_MAX, 0);
	sentence_words(&s, " that are told one by one: read the engine's own list.");
	claim(view, engine, 0, severity > SEVERITY_CAUTION ? severity : SEVERITY_CAUTION, text,
		holds);
}

static bool is_of_sender(const struct fault_place *place, const struct observation *o)
{
	bool same = place->bus == o->bus && place->source == o->source;

	return place->code != 0 && place->engine == o->instance &&
	       (same || place->bus == FAULT_BUS_UNKNOWN);
}

static struct fault_place *find(struct fault_watch *f, const struct observation *o, uint32_t code)
{
	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		if (is_of_sender(&f->places[i], o) && f->places[i].code == code) {
			return &f->places[i];
		}
	}
	return NULL;
}

/* A free place, else that of the code that matters least; NULL when each one does. */
static struct fault_place *make_room(struct fault_watch *f, int64_t now_ns)
{
	struct fault_place *least = NULL;

	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		struct fault_place *place = &f->places[i];
		if (place->code == 0) {
			return place;
		}
		if (place->standing != FAULT_ACTIVE && now_ns - place->heard_ns > OLD_NS &&
			(least == NULL || place->heard_ns < least->heard_ns)) {
			least = place;
		}
	}
	return least;
}

static struct fault_place *begin(struct fault_watch *f, const struct window_view *view,
	const struct observation *o, uint32_t code)
{
	struct fault_place *place = make_room(f, view->now.t_ns);

	if (place != NULL) {
		*place = (struct fault_place){
			.code = code,
			.engine = (uint8_t)o->instance,
			.bus = o->bus,
			.source = o->source,
			.standing = FAULT_GONE,
			.count = FAULT_CODE_COUNT_UNKNOWN,
			.lamps = FAULT_LAMPS_UNKNOWN,
			.first_session = view->now.session,
			.first_ns = view->now.t_ns,
		};
	}
	return place;
}

/* Listed by other senders, too, or told one by one for one of them. */
static const struct fault_place *twin_of(const struct fault_watch *f, const struct fault_place *one)
{
	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		const struct fault_place *place = &f->places[i];
		if (place != one && place->code == one->code && place->engine == one->engine &&
			place->standing == FAULT_ACTIVE && place->is_event) {
			return place;
		}
	}
	return NULL;
}

static unsigned events_of(const struct fault_watch *f, unsigned engine)
{
	unsigned count = 0;

	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		const struct fault_place *place = &f->places[i];
		count += place->code != 0 && place->engine == engine && place->is_event &&
			 twin_of(f, place) == NULL;
	}
	return count;
}

/* Tells it as an event, and again when it has become worse: a lamp may come on long after the code.
 */
static void raise(struct fault_watch *f, const struct window_view *view, struct fault_place *place,
	enum event_severity severity)
{
	const struct event_slot *up = event_life_find(
		view->events, EVENT_ENGINE_FAULT, subject_of(place->engine, place->code));

	if (!place->is_event && twin_of(f, place) == NULL &&
		events_of(f, place->engine) >= FAULT_EVENTS_MAX) {
		f->lists[place->engine].more = true;
		f->lists[place->engine].more_ns = view->now.t_ns;
		claim_more(view, place->engine, severity, true);
		return;
	}
	if (!place->is_event || (up != NULL && severity > (enum event_severity)up->severity)) {
		place->is_event = true;
		claim_code(view, place, severity, true);
	}
}

static void take_active(struct fault_watch *f, const struct window_view *view,
	struct fault_place *place, uint8_t lamps)
{
	place->told = place->told && place->standing == FAULT_ACTIVE && place->lamps == lamps;
	place->standing = FAULT_ACTIVE;
	place->lamps = lamps;
	place->heard_ns = view->now.t_ns;
	place->list_ns = view->now.t_ns;
	raise(f, view, place, fault_text_severity(lamps, fmi_of(place->code)));
}

static void take_past(const struct window_view *view, struct fault_place *place)
{
	if (place->standing == FAULT_ACTIVE) {
		return; /* many an engine keeps in its memory what is active, too */
	}
	place->told = place->told && place->standing == FAULT_PAST;
	place->standing = FAULT_PAST;
	place->heard_ns = view->now.t_ns;
	place->list_ns = view->now.t_ns;
}

static void take_list(struct fault_watch *f, const struct observation *o, int64_t now_ns)
{
	bool active = o->signal == SIGNAL_ACTIVE_FAULT;

	if (active) {
		f->lists[o->instance].list_ns = now_ns;
	}
	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		struct fault_place *place = &f->places[i];
		if (is_of_sender(place, o) && active == (place->standing == FAULT_ACTIVE)) {
			place->list_ns = now_ns;
		}
	}
}

void fault_watch_take(struct fault_watch *f, const struct window_view *view,
	const struct observation *o, uint8_t lamps)
{
	struct fault_code code;

	if (o->instance >= BOAT_ENGINES_MAX) {
		return;
	}
	take_list(f, o, view->now.t_ns);
	if (!fault_code_from_value(o->value, &code)) {
		return;
	}
	uint32_t same = (uint32_t)o->value & CODE_MASK;
	struct fault_place *place = find(f, o, same);
	if (place == NULL) {
		place = begin(f, view, o, same);
	}
	if (place == NULL) {
		if (o->signal == SIGNAL_ACTIVE_FAULT) {
			f->lists[o->instance].more = true;
			f->lists[o->instance].more_ns = view->now.t_ns;
			claim_more(view, o->instance, fault_text_severity(lamps, code.fmi), true);
		}
		return;
	}
	if (code.count != FAULT_CODE_COUNT_UNKNOWN && code.count != place->count) {
		place->count = code.count;
		place->told = false;
	}
	place->conversion = code.conversion;
	if (o->signal == SIGNAL_ACTIVE_FAULT) {
		if (place->bus == FAULT_BUS_UNKNOWN) {
			place->bus = o->bus;
			place->source = o->source;
			place->told = false;
		}
		take_active(f, view, place, lamps);
	} else {
		take_past(view, place);
	}
}

static void tell(struct fault_place *place, const struct window_view *view)
{
	struct fact_fault fact = {
		.engine = place->engine,
		.bus = place->bus,
		.source = place->source,
		.spn = spn_of(place->code),
		.fmi = (uint8_t)fmi_of(place->code),
		.conversion = place->conversion,
		.occurrences = place->count == FAULT_CODE_COUNT_UNKNOWN ? -1 : place->count,
		.standing = (enum fault_standing)place->standing,
		.lamps = place->lamps,
		.first_session = place->first_session,
		.first_ns = place->first_ns,
		.session = view->now.session,
		.t_ns = view->now.t_ns,
	};

	place->told = true;
	if (view->sink->on_fault != NULL) {
		view->sink->on_fault(view->sink->context, &fact);
	}
}

/* Its sender goes on sending lists, and they no longer have it. */
static void end(struct fault_watch *f, struct fault_place *place, const struct window_view *view)
{
	if (place->standing == FAULT_ACTIVE) {
		if (place->is_event && twin_of(f, place) == NULL) {
			claim_code(view, place, SEVERITY_CAUTION, false);
		}
		if (place->bus == FAULT_BUS_UNKNOWN) {
			*place = (struct fault_place){0}; /* nobody's, and so no fact */
			return;
		}
		place->is_event = false;
		place->standing = FAULT_PAST;
		place->heard_ns = place->list_ns;
	} else {
		place->standing = FAULT_GONE;
	}
	place->told = false;
}

void fault_watch_window(struct fault_watch *f, const struct window_view *view)
{
	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		struct fault_place *place = &f->places[i];
		int64_t patience_ns = place->standing == FAULT_ACTIVE ? GONE_NS : 0;
		if (place->code == 0) {
			continue;
		}
		if (place->standing != FAULT_GONE &&
			place->list_ns - place->heard_ns > patience_ns) {
			end(f, place, view);
		}
		if (place->code != 0 && !place->told) {
			tell(place, view);
		}
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		struct fault_lists *lists = &f->lists[i];
		if (lists->more && lists->list_ns - lists->more_ns > GONE_NS) {
			lists->more = false;
			claim_more(view, i, SEVERITY_CAUTION, false);
		}
	}
}

void fault_watch_save(const struct fault_watch *f, struct state_writer *w)
{
	uint64_t used = 0;
	uint64_t more = 0;

	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		used |= f->places[i].code != 0 ? UINT64_C(1) << i : 0;
	}
	state_put_unsigned(w, used);
	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		const struct fault_place *place = &f->places[i];
		if (place->code == 0) {
			continue;
		}
		state_put_unsigned(w, place->code);
		state_put_unsigned(w, place->engine);
		state_put_unsigned(w, place->bus);
		state_put_unsigned(w, place->source);
		state_put_unsigned(w, place->standing);
		state_put_unsigned(w, place->count);
		state_put_unsigned(w, place->conversion);
		state_put_unsigned(w, place->lamps);
		state_put_unsigned(w, (place->is_event ? 1U : 0U) | (place->told ? 2U : 0U));
		state_put_signed(w, place->first_session);
		state_put_signed(w, place->first_ns);
		state_put_signed(w, place->heard_ns);
		state_put_signed(w, place->list_ns);
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		more |= f->lists[i].more ? 1U << i : 0;
	}
	state_put_unsigned(w, more);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (f->lists[i].more) {
			state_put_signed(w, f->lists[i].more_ns);
			state_put_signed(w, f->lists[i].list_ns);
		}
	}
}

void fault_watch_load(struct fault_watch *f, struct state_reader *r)
{
	fault_watch_init(f);
	uint64_t used = state_get_unsigned(r, UINT32_MAX);
	for (size_t i = 0; i < FAULT_CODES_MAX; i++) {
		struct fault_place *place = &f->places[i];
		if ((used & UINT64_C(1) << i) == 0) {
			continue;
		}
		place->code = (uint32_t)state_get_unsigned(r, CODE_MASK);
		place->engine = (uint8_t)state_get_unsigned(r, BOAT_ENGINES_MAX - 1);
		place->bus = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		place->source = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		place->standing = (uint8_t)state_get_unsigned(r, FAULT_GONE);
		place->count = (uint8_t)state_get_unsigned(r, FAULT_CODE_COUNT_UNKNOWN);
		place->conversion = (uint8_t)state_get_unsigned(r, 1);
		place->lamps = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		uint64_t flags = state_get_unsigned(r, 3);
		place->is_event = (flags & 1) != 0;
		place->told = (flags & 2) != 0;
		place->first_session = state_get_signed(r);
		place->first_ns = state_get_signed(r);
		place->heard_ns = state_get_signed(r);
		place->list_ns = state_get_signed(r);
	}
	uint64_t more = state_get_unsigned(r, (1U << BOAT_ENGINES_MAX) - 1);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if ((more & 1U << i) != 0) {
			f->lists[i].more = true;
			f->lists[i].more_ns = state_get_signed(r);
			f->lists[i].list_ns = state_get_signed(r);
		}
	}
}
