#include "analysis/source_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

#define LOST_WINDOWS    6  /* a minute */
#define LOST_PAUSES     3  /* or so many of its own longest pauses */
#define LONGEST_MOST    30 /* who pauses longer than five minutes never becomes one to be missed */
#define ABSENT_WINDOWS  60 /* ten minutes: when the engine runs again without it */
#define STEADY_WINDOWS  1080 /* three engine hours make a sender a steady one … */
#define STEADY_SHARE    0.95 /* … when it was heard in this share of them */
#define BACK_WINDOWS    2
#define FORGET_WINDOWS  18000 /* 50 engine hours: it was taken off */
#define PARTED_LEAST    3U
#define PARTED_APART    2U /* windows */

/* Roles: a bit for each engine, then these. */
#define ROLE_ENGINES ((1U << BOAT_ENGINES_MAX) - 1)
#define ROLE_TANK    (1U << BOAT_ENGINES_MAX)
#define ROLE_SENSOR  (2U << BOAT_ENGINES_MAX)
#define ROLE_MOTION  (4U << BOAT_ENGINES_MAX)
#define ROLE_OTHER   (8U << BOAT_ENGINES_MAX)
#define ROLES_NEEDED (ROLE_ENGINES | ROLE_TANK | ROLE_SENSOR)

void source_watch_init(struct source_watch *s)
{
	memset(s, 0, sizeof(*s));
}

static uint8_t one_more(uint8_t count, uint8_t most)
{
	return (uint8_t)(count + (count < most));
}

static uint8_t role_of(const struct slot *slot)
{
	switch (signal_get((enum signal_id)slot->signal)->scope) {
	case SCOPE_ENGINE:
		return (uint8_t)(slot->instance < BOAT_ENGINES_MAX ? 1U << slot->instance
								   : (unsigned)ROLE_OTHER);
	case SCOPE_TANK:
		return ROLE_TANK;
	case SCOPE_PRESSURE:
	case SCOPE_TEMPERATURE:
		return ROLE_SENSOR;
	case SCOPE_BATTERY:
		return ROLE_OTHER;
	case SCOPE_VESSEL:
		break;
	}
	switch (slot->signal) {
	case SIGNAL_FUEL_LEVEL_1:
	case SIGNAL_FUEL_LEVEL_2:
		return ROLE_TANK;
	case SIGNAL_WATER_SPEED:
	case SIGNAL_GROUND_SPEED:
	case SIGNAL_WHEEL_SPEED:
	case SIGNAL_COURSE:
	case SIGNAL_LATITUDE:
	case SIGNAL_LONGITUDE:
		return ROLE_MOTION;
	default:
		return ROLE_OTHER;
	}
}

static struct source_node *find(struct source_watch *s, uint8_t bus, uint8_t address)
{
	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		struct source_node *n = &s->nodes[i];
		if (n->used && n->bus == bus && n->address == address) {
			return n;
		}
	}
	return NULL;
}

/* Room for a new sender: a free place, else that of one never heard for long and away the longest, else
 * that of one that was once aboard; NULL when all are in use. */
static struct source_node *room(struct source_watch *s)
{
	struct source_node *best = NULL;
	struct source_node *once = NULL;

	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		struct source_node *n = &s->nodes[i];
		if (!n->used) {
			return n;
		}
		if (n->heard < TRAFFIC_HEARD_WINDOWS && n->away > 0 &&
			(best == NULL || n->away > best->away)) {
			best = n;
		}
		if (n->away == UINT8_MAX && !n->lost) {
			once = n;
		}
	}
	return best != NULL ? best : once;
}

static struct source_node *find_or_add(struct source_watch *s, uint8_t bus, uint8_t address)
{
	struct source_node *n = find(s, bus, address);

	if (n == NULL) {
		n = room(s);
		if (n != NULL) {
			*n = (struct source_node){.used = true, .bus = bus, .address = address};
		}
	}
	return n;
}

void source_watch_claim(struct source_watch *s, const struct frame *frame)
{
	struct source_node *n = find_or_add(s, frame->bus, (uint8_t)frame->id);

	if (n != NULL) {
		n->identity = (uint32_t)frame->data[0] | (uint32_t)frame->data[1] << 8 |
			      (uint32_t)frame->data[2] << 16 | (uint32_t)frame->data[3] << 24;
	}
}

static void say_roles(const struct source_node *n, struct sentence *s)
{
	static const struct {
		uint8_t role;
		const char *words;
	} others[] = {
		{ROLE_TANK, "the tank's level"},
		{ROLE_SENSOR, "a pressure or temperature"},
		{ROLE_MOTION, "speed or position"},
		{ROLE_OTHER, "other readings"},
	};
	bool first = true;

	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if ((n->roles & 1U << i) != 0) {
			sentence_words(s, first ? "the readings of engine " : ", engine ");
			sentence_number(s, i, 0);
			first = false;
		}
	}
	for (size_t i = 0; i < sizeof(others) / sizeof(others[0]); i++) {
		if ((n->roles & others[i].role) != 0) {
			sentence_words(s, first ? "" : ", ");
			sentence_words(s, others[i].words);
			first = false;
		}
	}
}

/* Whether another has taken over everything that it gave. */
static bool is_replaced(const struct source_node *n, const struct source_choice *sources)
{
	for (size_t i = 0; i < sources->count; i++) {
		const struct slot *slot = &sources->slots[i];
		if (slot->has_provider && slot->bus == n->bus && slot->source == n->address) {
			return false;
		}
	}
	return true;
}

/* The words on a sender and the claim's fields that do not change over its life. */
struct loss {
	struct event_claim claim;
	char name[48];
	char text[240];
};

static void begin_loss(struct loss *loss, const struct source_node *n,
	const struct traffic_watch *traffic)
{
	char bus[32];
	struct sentence s;

	traffic_watch_name(traffic, n->bus, bus, sizeof(bus));
	sentence_begin(&s, loss->name, sizeof(loss->name));
	sentence_words(&s, "source ");
	sentence_number(&s, n->address, 0);
	sentence_words(&s, " on ");
	sentence_words(&s, bus);
	loss->text[0] = '\0';
	loss->claim = (struct event_claim){
		.kind = EVENT_SOURCE_LOST,
		.subject = (uint32_t)n->bus << 8 | n->address,
		.name = loss->name,
		.value = NAN,
		.limit = NAN,
		.unit = "s",
		.basis = "measured",
		.message = loss->text,
	};
}

static void tell_lost(const struct source_node *n, const struct traffic_watch *traffic,
	const struct window_view *view)
{
	bool replaced = is_replaced(n, view->sources);
	struct loss loss;
	struct sentence s;

	begin_loss(&loss, n, traffic);
	loss.claim.value = n->silent * WINDOW_S;
	loss.claim.severity = !replaced && (n->roles & ROLES_NEEDED) != 0 ? SEVERITY_CAUTION
									  : SEVERITY_ADVICE;
	sentence_begin(&s, loss.text, sizeof(loss.text));
	sentence_words(&s, "Nothing comes from ");
	sentence_words(&s, loss.name);
	sentence_words(&s, " though an engine runs: look at its power, fuse and plug. ");
	sentence_words(&s, replaced ? "Another source has taken over. "
			   : (n->roles & ROLE_ENGINES) != 0
				   ? "Litres and hours are estimated meanwhile, if they can be. "
				   : "");
	/* Last: should there be too much of it, the end is cut. */
	sentence_words(&s, "It gave ");
	say_roles(n, &s);
	sentence_words(&s, ".");
	window_claim(view, &loss.claim, true);
}

static void tell_found(const struct source_node *n, const struct traffic_watch *traffic,
	const struct window_view *view)
{
	struct loss loss;

	begin_loss(&loss, n, traffic);
	window_claim(view, &loss.claim, false);
}

static void learn_roles(
	struct source_watch *s, struct traffic_watch *traffic, const struct window_view *view)
{
	for (size_t i = 0; i < view->sources->count; i++) {
		const struct slot *slot = &view->sources->slots[i];
		struct source_node *n;

		if (slot->count == 0 || !slot->has_provider) {
			continue;
		}
		n = find_or_add(s, slot->bus, slot->source);
		if (n != NULL) {
			n->roles |= role_of(slot);
			traffic->buses[n->bus].engines |= n->roles & ROLE_ENGINES;
		}
	}
}

static bool is_missed(const struct source_node *n)
{
	return n->roles != 0 && n->heard >= TRAFFIC_HEARD_WINDOWS;
}

static bool is_steady(const struct source_node *n)
{
	return n->engine_windows >= STEADY_WINDOWS &&
	       n->engine_heard >= STEADY_SHARE * n->engine_windows &&
	       (n->roles & ROLES_NEEDED) != 0;
}

static unsigned limit_of(const struct source_node *n)
{
	unsigned own = LOST_PAUSES * (unsigned)n->longest;

	return n->excused ? ABSENT_WINDOWS : own > LOST_WINDOWS ? own : LOST_WINDOWS;
}

static void count_engine_time(struct source_node *n, bool heard)
{
	if (n->engine_windows == UINT16_MAX) {
		/* What it was like lately weighs most. */
		n->engine_windows /= 2;
		n->engine_heard /= 2;
	}
	n->engine_windows++;
	n->engine_heard = (uint16_t)(n->engine_heard + heard);
}

static void hear(struct source_node *n, const struct traffic_watch *traffic,
	const struct window_view *view)
{
	if (n->heard < TRAFFIC_HEARD_WINDOWS && n->away > LONGEST_MOST) {
		n->heard = 0; /* switched off, or too slow to be missed: it begins anew */
		n->longest = 0;
	} else if (n->heard < TRAFFIC_HEARD_WINDOWS && n->away > n->longest) {
		n->longest = n->away;
	}
	n->heard = one_more(n->heard, TRAFFIC_HEARD_WINDOWS);
	n->away = 0;
	if (!n->lost) {
		n->silent = 0;
		n->excused = false;
		return;
	}
	n->back = one_more(n->back, BACK_WINDOWS);
	if (n->back < BACK_WINDOWS) {
		return;
	}
	if (!n->parted) {
		tell_found(n, traffic, view);
	}
	n->lost = false;
	n->parted = false;
	n->silent = 0;
	n->excused = false;
	n->back = 0;
	n->gone = 0;
}

static void miss(struct source_node *n, bool runs)
{
	n->away = one_more(n->away, UINT8_MAX);
	n->back = 0;
	if (n->lost || !is_missed(n)) {
		return;
	}
	if (!runs) {
		/* The cause is known, or as good as known: it was switched off. */
		n->excused = true;
		n->silent = 0;
	} else if (!n->excused || is_steady(n)) {
		n->silent = one_more(n->silent, UINT8_MAX);
	}
}

static bool is_present(const struct source_node *n)
{
	return !n->lost && !n->excused && n->heard >= TRAFFIC_HEARD_WINDOWS && n->roles != 0;
}

/* Whether it fell silent about when another did that has been so for so many windows. */
static bool fell_with(const struct source_node *n, unsigned silent)
{
	return n->silent > 0 && n->silent + PARTED_APART >= silent &&
	       n->silent <= silent + PARTED_APART;
}

/* Senders that fell silent with this one, itself among them, and how many there were until then. */
static unsigned count_parted(
	const struct source_watch *s, const struct source_node *with, unsigned *ret_known)
{
	unsigned lost = 0;
	unsigned known = 0;

	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		const struct source_node *n = &s->nodes[i];
		bool present = n->used && n->bus == with->bus && is_present(n);

		known += present;
		lost += present && n->silent > 0 && n->silent + PARTED_APART >= with->silent &&
			n->silent <= with->silent + PARTED_APART;
	}
	*ret_known = known;
	return lost;
}

/* The same device under another address, heard now; NULL: none. */
static struct source_node *moved_to(struct source_watch *s, const struct source_node *from)
{
	for (size_t i = 0; i < SOURCE_NODES_MAX && from->identity != 0; i++) {
		struct source_node *n = &s->nodes[i];
		if (n->used && n != from && n->bus == from->bus &&
			n->identity == from->identity && n->away == 0) {
			return n;
		}
	}
	return NULL;
}

static void move(struct source_node *from, struct source_node *to)
{
	to->roles |= from->roles;
	to->heard = from->heard;
	to->longest = from->longest > to->longest ? from->longest : to->longest;
	to->engine_windows = from->engine_windows;
	to->engine_heard = from->engine_heard;
	*from = (struct source_node){.used = false};
}

static void part(struct source_watch *s, struct source_node *with, unsigned lost, unsigned known,
	struct traffic_watch *traffic, const struct window_view *view)
{
	unsigned silent = with->silent;

	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		struct source_node *n = &s->nodes[i];
		if (n->used && n->bus == with->bus && is_present(n) && fell_with(n, silent)) {
			n->lost = true;
			n->parted = true;
		}
	}
	s->parted[with->bus] = (uint8_t)lost;
	traffic_watch_part(traffic, with->bus, lost, known, view);
}

static void judge(struct source_watch *s, struct source_node *n, struct traffic_watch *traffic,
	const struct window_view *view)
{
	struct source_node *moved;
	unsigned known = 0;

	if (n->lost || n->silent < limit_of(n)) {
		return;
	}
	moved = moved_to(s, n);
	if (moved != NULL) {
		move(n, moved);
		return;
	}
	unsigned lost = n->excused ? 0 : count_parted(s, n, &known);
	if (lost >= PARTED_LEAST && 2 * lost >= known && s->parted[n->bus] == 0) {
		part(s, n, lost, known, traffic, view);
		return;
	}
	n->lost = true;
	tell_lost(n, traffic, view);
}

/* Half of those that parted are back: the others are lost each for itself. */
static void join(struct source_watch *s, unsigned bus, struct traffic_watch *traffic,
	const struct window_view *view)
{
	unsigned still = 0;

	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		still += s->nodes[i].used && s->nodes[i].bus == bus && s->nodes[i].parted;
	}
	if (2 * still > s->parted[bus]) {
		return;
	}
	s->parted[bus] = 0;
	traffic_watch_part(traffic, bus, 0, 0, view);
	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		struct source_node *n = &s->nodes[i];
		if (n->used && n->bus == bus && n->parted) {
			n->parted = false;
			tell_lost(n, traffic, view);
		}
	}
}

static void forget(struct source_node *n, const struct traffic_watch *traffic,
	const struct window_view *view)
{
	if (n->lost && !n->parted) {
		tell_found(n, traffic, view); /* no news of it any more */
	}
	*n = (struct source_node){.used = false};
}

void source_watch_window(
	struct source_watch *s, struct traffic_watch *traffic, const struct window_view *view)
{
	learn_roles(s, traffic, view);
	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		struct source_node *n = &s->nodes[i];
		const struct traffic_bus *bus = &traffic->buses[n->bus];
		bool heard = bus->frames[n->address] > 0;
		/* Another engine's running says nothing of this one's key. */
		bool runs = n->used && traffic_engine_runs(view, n->roles & ROLE_ENGINES);

		if (!n->used || bus->data_frames < TRAFFIC_ALIVE_FRAMES) {
			continue;
		}
		if (runs && is_missed(n)) {
			count_engine_time(n, heard);
		}
		if (heard) {
			hear(n, traffic, view);
		} else {
			miss(n, runs);
		}
		n->gone = (uint16_t)(n->gone + (n->lost && runs && n->gone < UINT16_MAX));
		if (n->gone >= FORGET_WINDOWS ||
			(n->away == UINT8_MAX && n->heard < TRAFFIC_HEARD_WINDOWS)) {
			forget(n, traffic, view);
		}
	}
	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		if (s->nodes[i].used) {
			judge(s, &s->nodes[i], traffic, view);
		}
	}
	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		if (s->parted[i] > 0) {
			join(s, i, traffic, view);
		}
	}
}

void source_watch_pause(struct source_watch *s)
{
	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		if (s->nodes[i].used && !s->nodes[i].lost) {
			s->nodes[i].silent = 0;
			s->nodes[i].excused = true;
		}
	}
}

void source_watch_save(const struct source_watch *s, struct state_writer *w)
{
	unsigned used = 0;

	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		used += s->nodes[i].used;
	}
	state_put_unsigned(w, used);
	for (size_t i = 0; i < SOURCE_NODES_MAX; i++) {
		const struct source_node *n = &s->nodes[i];
		if (!n->used) {
			continue;
		}
		state_put_unsigned(w, i);
		state_put_unsigned(w, (uint64_t)n->bus << 8 | n->address);
		state_put_unsigned(w, n->roles);
		state_put_unsigned(w, n->identity);
		state_put_unsigned(w, n->heard);
		state_put_unsigned(w, n->longest);
		state_put_unsigned(w, n->away);
		state_put_unsigned(w, n->silent);
		state_put_unsigned(w, n->back);
		state_put_unsigned(w, (unsigned)n->excused | (unsigned)n->lost << 1 |
					      (unsigned)n->parted << 2);
		state_put_unsigned(w, n->engine_windows);
		state_put_unsigned(w, (unsigned)n->engine_windows - n->engine_heard);
		state_put_unsigned(w, n->gone);
	}
	for (size_t i = 0; i < FRAME_BUS_MAX; i++) {
		state_put_unsigned(w, s->parted[i]);
	}
}

void source_watch_load(struct source_watch *s, struct state_reader *r)
{
	unsigned used = (unsigned)state_get_unsigned(r, SOURCE_NODES_MAX);

	source_watch_init(s);
	for (unsigned i = 0; i < used && !r->failed; i++) {
		struct source_node *n = &s->nodes[state_get_unsigned(r, SOURCE_NODES_MAX - 1)];
		unsigned place = (unsigned)state_get_unsigned(r, FRAME_BUS_MAX * 256 - 1);

		n->used = true;
		n->bus = (uint8_t)(place >> 8);
		n->address = (uint8_t)place;
		n->roles = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		n->identity = (uint32_t)state_get_unsigned(r, UINT32_MAX);
		n->heard = (uint8_t)state_get_unsigned(r, TRAFFIC_HEARD_WINDOWS);
		n->longest = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		n->away = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		n->silent = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		n->back = (uint8_t)state_get_unsigned(r, BACK_WINDOWS);
		unsigned flags = (unsigned)state_get_unsigned(r, 7);
		n->excused = (flags & 1) != 0;
		n->lost = (flags & 2) != 0;
		n->parted = (flags & 4) != 0;
		n->engine_windows = (uint16_t)state_get_unsigned(r, UINT16_MAX);
		n->engine_heard =
			(uint16_t)(n->engine_windows - state_get_unsigned(r, n->engine_windows));
		n->gone = (uint16_t)state_get_unsigned(r, UINT16_MAX);
	}
	for (size_t i = 0; i < FRAME_BUS_MAX; i++) {
		s->parted[i] = (uint8_t)state_get_unsigned(r, SOURCE_NODES_MAX);
	}
}
