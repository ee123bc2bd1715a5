#include "analysis/traffic_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

#define SECOND_NS INT64_C(1000000000)
/* An engine's word on its speed counts as fresh so long … */
#define FRESH_NS  (12 * SECOND_NS)
/* … and when it was above idle, so long. */
#define RUNS_NS   (300 * SECOND_NS)

/* Of a window; raised at the first, cleared below the second. A healthy bus has an error frame now
 * and then; senders claim their address at power-up, once or twice each; the busiest sender that a
 * boat has sends some 200 frames a second. Common practice, no source. */
#define ERRORS_RAISE 100
#define ERRORS_CLEAR 20
#define CLAIMS_RAISE 30
#define CLAIMS_CLEAR 10
#define BABBLE_RAISE 8000
#define BABBLE_CLEAR 4000

/* With so many windows of traffic and no error frame a controller is well again, whether its driver
 * says so or not; with fewer frames a window tells nothing. */
#define CLEAN_WINDOWS 12
#define CLEAN_FRAMES  50
#define WORD_WINDOWS  12
#define WORD_HEARD    6

/* Windows in a row that raise a trouble, and that clear it. */
struct hold {
	uint8_t raise;
	uint8_t clear;
	uint8_t severity;
};

static const struct hold holds[BUS_TROUBLE_COUNT] = {
	[BUS_TROUBLE_CLAIMS] = {3, 6, SEVERITY_CAUTION},
	[BUS_TROUBLE_BABBLING] = {3, 3, SEVERITY_CAUTION},
	[BUS_TROUBLE_ERRORS] = {3, 6, SEVERITY_CAUTION},
	[BUS_TROUBLE_PASSIVE] = {3, 3, SEVERITY_CAUTION},
	[BUS_TROUBLE_PARTED] = {1, 1, SEVERITY_WARNING},
	[BUS_TROUBLE_SILENT] = {6, 2, SEVERITY_WARNING},
	[BUS_TROUBLE_DOWN] = {1, 1, SEVERITY_WARNING},
	[BUS_TROUBLE_UNUSABLE] = {1, 1, SEVERITY_WARNING},
	[BUS_TROUBLE_MISSING] = {1, 1, SEVERITY_WARNING},
	[BUS_TROUBLE_OFF] = {1, 1, SEVERITY_WARNING},
};

void traffic_watch_init(struct traffic_watch *t)
{
	memset(t, 0, sizeof(*t));
}

void traffic_watch_name(const struct traffic_watch *t, unsigned bus, char *name, size_t size)
{
	const char *given =
		t->namer.on_name == NULL ? NULL : t->namer.on_name(t->namer.context, bus);
	struct sentence s;

	sentence_begin(&s, name, size);
	if (given != NULL) {
		sentence_words(&s, given);
	} else {
		sentence_words(&s, "bus ");
		sentence_number(&s, bus, 0);
	}
}

bool traffic_engine_runs(const struct window_view *view, unsigned engines)
{
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		const struct engine_log *e = &view->engines[i];
		int64_t age_ns = view->now.t_ns - e->evidence_ns;
		bool above_idle = e->rpm > view->boat->engines[i].idle_rpm; /* not for NaN */

		if ((engines == 0 || (engines & 1U << i) != 0) && e->running && e->on &&
			e->has_evidence &&
			(age_ns <= FRESH_NS || (above_idle && age_ns <= RUNS_NS))) {
			return true;
		}
	}
	return false;
}

static uint8_t one_more(uint8_t count, uint8_t most)
{
	return (uint8_t)(count + (count < most));
}

static bool stands(const struct traffic_bus *bus, enum bus_trouble trouble)
{
	return (bus->troubles & 1U << trouble) != 0;
}

static void set_trouble(struct traffic_bus *bus, enum bus_trouble trouble, bool on)
{
	uint16_t bit = (uint16_t)(1U << trouble);

	bus->troubles = (uint16_t)(on ? bus->troubles | bit : bus->troubles & ~bit);
	bus->holds[trouble] = 0;
	bus->rests[trouble] = 0;
}

static bool is_of_word(enum bus_trouble trouble)
{
	return trouble == BUS_TROUBLE_DOWN || trouble == BUS_TROUBLE_UNUSABLE ||
	       trouble == BUS_TROUBLE_MISSING;
}

static unsigned loudest(const struct traffic_bus *bus)
{
	unsigned address = 0;

	for (unsigned i = 1; i < 256; i++) {
		address = bus->frames[i] > bus->frames[address] ? i : address;
	}
	return address;
}

static void say_errors(const struct traffic_bus *bus, struct sentence *s)
{
	enum bus_error error;

	if (!bus_health_mostly(&bus->health, &error)) {
		return;
	}
	sentence_words(s, ", mostly: ");
	sentence_words(s, bus_error_text(error));
	if (bus_error_cause(error)[0] != '\0') {
		sentence_words(s, " (");
		sentence_words(s, bus_error_cause(error));
		sentence_words(s, ")");
	}
}

/* Two terminators of 120 ohm in parallel: ISO 11898-2. */
static void say(const struct traffic_bus *bus, enum bus_trouble trouble, const char *name,
	struct event_claim *claim, struct sentence *s)
{
	switch (trouble) {
	case BUS_TROUBLE_CLAIMS:
		claim->value = bus->claims;
		claim->limit = CLAIMS_RAISE;
		claim->unit = "in 10 s";
		sentence_words(s, "Addresses are claimed on ");
		sentence_words(s, name);
		sentence_words(s, " without end: two devices may want the same one, or one restarts "
				  "again and again. Unplug one device after another to find it.");
		break;
	case BUS_TROUBLE_BABBLING:
		claim->value = bus->frames[loudest(bus)] / WINDOW_S;
		claim->limit = BABBLE_RAISE / WINDOW_S;
		claim->unit = "1/s";
		sentence_words(s, "Address ");
		sentence_number(s, loudest(bus), 0);
		sentence_words(s, " on ");
		sentence_words(s, name);
		sentence_words(s, " sends ");
		sentence_number(s, claim->value, 0);
		sentence_words(s, " frames a second and crowds the others out. Unplug that device and "
				  "see whether the bus comes right.");
		break;
	case BUS_TROUBLE_ERRORS:
		claim->value = (double)bus->health.frames / WINDOW_S;
		claim->limit = ERRORS_RAISE / WINDOW_S;
		claim->unit = "1/s";
		sentence_number(s, claim->value, 0);
		sentence_words(s, " errors a second on ");
		sentence_words(s, name);
		say_errors(bus, s);
		sentence_words(s, ". Look at plugs and at both terminators (60 ohm between the data "
				  "wires, power off).");
		break;
	case BUS_TROUBLE_PASSIVE:
		sentence_words(s, name);
		sentence_words(s, " has so many errors that its controller is error-passive. Look at "
				  "plugs, both terminators (60 ohm between the data wires, power off) "
				  "and the bit rate.");
		break;
	case BUS_TROUBLE_SILENT:
		sentence_words(s, "Nothing is heard on ");
		sentence_words(s, name);
		sentence_words(s, " though an engine runs. Look at the bus's power and fuse, and at "
				  "the plug between the backbone and this computer.");
		break;
	case BUS_TROUBLE_DOWN:
		sentence_words(s, "The interface ");
		sentence_words(s, name);
		sentence_words(s, " is down: nothing is logged from it. Bring it up (ip link set ");
		sentence_words(s, name);
		sentence_words(s, " up type can bitrate 250000 listen-only on).");
		break;
	case BUS_TROUBLE_UNUSABLE:
		sentence_words(s, "The interface ");
		sentence_words(s, name);
		sentence_words(s, " cannot be opened: nothing is logged from it. The journal has the "
				  "reason; sightbowl check says what to do.");
		break;
	case BUS_TROUBLE_MISSING:
		sentence_words(s, "The interface ");
		sentence_words(s, name);
		sentence_words(s, " is gone: nothing is logged from it. Look at the adapter and its "
				  "plug; it is taken up again by itself.");
		break;
	case BUS_TROUBLE_OFF:
		sentence_words(s, "The controller of ");
		sentence_words(s, name);
		sentence_words(s, " has left the bus after too many errors (bus-off): nothing is heard. "
				  "Look for a short, a broken wire or a wrong bit rate, then restart "
				  "it (ip link set it down and up).");
		break;
	case BUS_TROUBLE_NONE:
	case BUS_TROUBLE_PARTED:
	case BUS_TROUBLE_COUNT:
		break;
	}
}

/* PARTED has its numbers from source_watch. */
static void say_parted(const char *name, unsigned lost, unsigned known, struct event_claim *claim,
	struct sentence *s)
{
	claim->value = lost;
	claim->limit = known;
	sentence_number(s, lost, 0);
	sentence_words(s, " of ");
	sentence_number(s, known, 0);
	sentence_words(s, " senders on ");
	sentence_words(s, name);
	sentence_words(s, " fell silent at once while an engine runs. Look where the backbone parts "
			  "them from the rest: a plug, a T-piece, a fuse.");
}

static enum bus_trouble gravest(const struct traffic_bus *bus)
{
	for (unsigned i = BUS_TROUBLE_COUNT - 1; i > BUS_TROUBLE_NONE; i--) {
		if (stands(bus, (enum bus_trouble)i)) {
			return (enum bus_trouble)i;
		}
	}
	return BUS_TROUBLE_NONE;
}

/* Tells what has changed. lost and known: of PARTED. */
static void tell(struct traffic_watch *t, unsigned number, unsigned lost, unsigned known,
	const struct window_view *view)
{
	struct traffic_bus *bus = &t->buses[number];
	enum bus_trouble now = gravest(bus);
	char name[32], subject[48], text[240];
	struct sentence s;
	struct event_claim claim = {
		.kind = EVENT_BUS_FAULT,
		.subject = number,
		.name = subject,
		.severity = (enum event_severity)holds[now].severity,
		.value = NAN,
		.limit = NAN,
		.unit = "",
		.basis = "measured",
		.message = text,
	};

	if (now == bus->told) {
		return;
	}
	traffic_watch_name(t, number, name, sizeof(name));
	sentence_begin(&s, subject, sizeof(subject));
	sentence_words(&s, "bus ");
	sentence_words(&s, strncmp(name, "bus ", 4) == 0 ? name + 4 : name);
	sentence_begin(&s, text, sizeof(text));
	if (bus->told != BUS_TROUBLE_NONE) {
		/* Another trouble is another thing to do: told again, under the same number. */
		window_claim(view, &claim, false);
	}
	bus->told = (uint8_t)now;
	if (now == BUS_TROUBLE_PARTED) {
		say_parted(name, lost, known, &claim, &s);
	} else {
		say(bus, now, name, &claim, &s);
	}
	if (now != BUS_TROUBLE_NONE) {
		window_claim(view, &claim, true);
	}
}

/* A trouble that is judged from window to window. */
static void judge(struct traffic_bus *bus, enum bus_trouble trouble, bool holds_now)
{
	const struct hold *hold = &holds[trouble];

	bus->holds[trouble] = holds_now ? one_more(bus->holds[trouble], hold->raise) : 0;
	bus->rests[trouble] = holds_now ? 0 : one_more(bus->rests[trouble], hold->clear);
	if (!stands(bus, trouble) && bus->holds[trouble] >= hold->raise) {
		set_trouble(bus, trouble, true);
	} else if (stands(bus, trouble) && bus->rests[trouble] >= hold->clear) {
		set_trouble(bus, trouble, false);
	}
}

static void judge_controller(struct traffic_bus *bus, const struct window_view *view)
{
	struct bus_health *health = &bus->health;
	bool said_now = health->frames > 0 && health->last_ns > view->now.t_ns - WINDOW_NS;
	bool clean = health->frames == 0 && bus->data_frames >= CLEAN_FRAMES;

	bus->clean = clean ? one_more(bus->clean, CLEAN_WINDOWS) : 0;
	/* A controller that is off hears nothing; one that is passive counts back with each good frame. */
	if (health->condition == BUS_CONDITION_OFF
			? bus->data_frames >= TRAFFIC_ALIVE_FRAMES && !said_now
			: bus->clean >= CLEAN_WINDOWS) {
		health->condition = BUS_CONDITION_ACTIVE;
	}
	judge(bus, BUS_TROUBLE_OFF,
		health->condition == BUS_CONDITION_OFF || bus->word == BUS_TROUBLE_OFF);
	judge(bus, BUS_TROUBLE_PASSIVE,
		health->condition == BUS_CONDITION_PASSIVE || bus->word == BUS_TROUBLE_PASSIVE);
	judge(bus, BUS_TROUBLE_ERRORS,
		health->frames >= (stands(bus, BUS_TROUBLE_ERRORS) ? ERRORS_CLEAR : ERRORS_RAISE));
}

/* Another bus is alive, or there would be no end of a window. */
static void judge_silence(struct traffic_bus *bus, bool others_alive, bool runs)
{
	bool alive = bus->data_frames > 0;

	if (alive) {
		bus->heard = one_more(bus->heard, TRAFFIC_HEARD_WINDOWS);
		bus->silent = 0;
		bus->excused = false;
	} else if (!runs && !stands(bus, BUS_TROUBLE_SILENT)) {
		bus->excused = true; /* switched off, as far as one can know */
		bus->silent = 0;
	} else if (others_alive && !bus->excused && bus->heard >= TRAFFIC_HEARD_WINDOWS) {
		bus->silent = one_more(bus->silent, UINT8_MAX);
	}
	judge(bus, BUS_TROUBLE_SILENT,
		bus->silent > 0 || bus->word == BUS_TROUBLE_SILENT ||
			(stands(bus, BUS_TROUBLE_SILENT) &&
				bus->data_frames < TRAFFIC_ALIVE_FRAMES));
}

static void let_word_go(struct traffic_bus *bus)
{
	if (bus->word == BUS_TROUBLE_NONE || bus->data_frames < TRAFFIC_ALIVE_FRAMES) {
		return;
	}
	bus->word_windows = one_more(bus->word_windows, WORD_WINDOWS);
	if (bus->word_windows >= WORD_WINDOWS) {
		if (is_of_word((enum bus_trouble)bus->word)) {
			set_trouble(bus, (enum bus_trouble)bus->word, false);
		}
		bus->word = BUS_TROUBLE_NONE;
	}
}

static void clear_window(struct traffic_bus *bus)
{
	if (bus->data_frames > 0) {
		memset(bus->frames, 0, sizeof(bus->frames));
		bus->data_frames = 0;
		bus->claims = 0;
	}
	if (bus->health.frames > 0) {
		enum bus_condition condition = bus->health.condition;

		bus_health_init(&bus->health);
		bus->health.condition = condition;
	}
}

void traffic_watch_window(struct traffic_watch *t, const struct window_view *view)
{
	uint32_t all = 0;

	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		all += t->buses[i].data_frames;
	}
	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		struct traffic_bus *bus = &t->buses[i];
		uint16_t busiest;

		if (bus->heard == 0 && bus->data_frames == 0 && bus->health.frames == 0 &&
			bus->troubles == 0) {
			continue; /* no bus, or none that was ever heard */
		}
		busiest = bus->data_frames >= BABBLE_CLEAR ? bus->frames[loudest(bus)] : 0;
		let_word_go(bus);
		judge_controller(bus, view);
		judge_silence(bus, all - bus->data_frames >= TRAFFIC_ALIVE_FRAMES,
			traffic_engine_runs(view, bus->engines));
		judge(bus, BUS_TROUBLE_BABBLING,
			busiest >= (stands(bus, BUS_TROUBLE_BABBLING) ? BABBLE_CLEAR : BABBLE_RAISE));
		judge(bus, BUS_TROUBLE_CLAIMS,
			bus->claims >= (stands(bus, BUS_TROUBLE_CLAIMS) ? CLAIMS_CLEAR : CLAIMS_RAISE));
		tell(t, i, 0, 0, view);
		clear_window(bus);
	}
}

void traffic_watch_error(
	struct traffic_watch *t, const struct frame *frame, const struct window_view *view)
{
	struct traffic_bus *bus = &t->buses[frame->bus];

	(void)bus_health_accept(&bus->health, frame); /* what it now says is judged here */
	if (bus->health.condition == BUS_CONDITION_OFF && !stands(bus, BUS_TROUBLE_OFF)) {
		set_trouble(bus, BUS_TROUBLE_OFF, true);
		tell(t, frame->bus, 0, 0, view);
	}
}

void traffic_watch_pause(struct traffic_watch *t)
{
	for (size_t i = 0; i < FRAME_BUS_MAX; i++) {
		t->buses[i].heard = 0;
		t->buses[i].silent = 0;
		t->buses[i].excused = false;
	}
}

void traffic_watch_word(struct traffic_watch *t, unsigned number, enum bus_trouble word,
	const struct window_view *view)
{
	struct traffic_bus *bus = &t->buses[number];

	if (word == BUS_TROUBLE_SILENT && bus->word != word &&
		(bus->heard < WORD_HEARD || bus->excused ||
			!traffic_engine_runs(view, bus->engines))) {
		word = BUS_TROUBLE_NONE;
	}
	if (is_of_word((enum bus_trouble)bus->word) && bus->word != word) {
		set_trouble(bus, (enum bus_trouble)bus->word, false);
	}
	bus->word = (uint8_t)word;
	bus->word_windows = 0;
	/* PASSIVE is held against the windows, as when frames say so. */
	if (word != BUS_TROUBLE_NONE && word != BUS_TROUBLE_PASSIVE && !stands(bus, word)) {
		set_trouble(bus, word, true);
	}
	tell(t, number, 0, 0, view);
}

void traffic_watch_part(struct traffic_watch *t, unsigned number, unsigned lost, unsigned known,
	const struct window_view *view)
{
	set_trouble(&t->buses[number], BUS_TROUBLE_PARTED, lost > 0);
	tell(t, number, lost, known, view);
}

/* A bus that was never heard; who was once has rested since, or holds. */
static bool is_blank(const struct traffic_bus *bus)
{
	for (size_t i = 0; i < BUS_TROUBLE_COUNT; i++) {
		if (bus->holds[i] > 0 || bus->rests[i] > 0) {
			return false;
		}
	}
	return bus->heard == 0 && bus->engines == 0 && bus->data_frames == 0 &&
	       bus->health.frames == 0 && bus->troubles == 0 && bus->word == BUS_TROUBLE_NONE &&
	       bus->health.condition == BUS_CONDITION_ACTIVE;
}

static void save_window(const struct traffic_bus *bus, struct state_writer *w)
{
	unsigned senders = 0;
	unsigned last = 0;

	for (unsigned i = 0; i < 256; i++) {
		senders += bus->frames[i] > 0;
	}
	state_put_unsigned(w, senders);
	for (unsigned i = 0; i < 256; i++) {
		if (bus->frames[i] > 0) {
			state_put_unsigned(w, i - last);
			state_put_unsigned(w, bus->frames[i]);
			last = i;
		}
	}
	state_put_unsigned(w, bus->data_frames);
	state_put_unsigned(w, bus->claims);
	state_put_unsigned(w, bus->health.frames);
	for (size_t i = 0; i < BUS_ERROR_COUNT && bus->health.frames > 0; i++) {
		state_put_unsigned(w, bus->health.counts[i]);
	}
	state_put_signed(w, bus->health.last_ns);
}

static void load_window(struct traffic_bus *bus, struct state_reader *r)
{
	unsigned senders = (unsigned)state_get_unsigned(r, 256);
	unsigned at = 0;

	for (unsigned i = 0; i < senders && !r->failed; i++) {
		at += (unsigned)state_get_unsigned(r, 255 - at);
		bus->frames[at] = (uint16_t)state_get_unsigned(r, UINT16_MAX);
	}
	bus->data_frames = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	bus->claims = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	bus->health.frames = state_get_unsigned(r, UINT64_MAX);
	for (size_t i = 0; i < BUS_ERROR_COUNT && bus->health.frames > 0; i++) {
		bus->health.counts[i] = state_get_unsigned(r, UINT64_MAX);
	}
	bus->health.last_ns = state_get_signed(r);
}

void traffic_watch_save(const struct traffic_watch *t, struct state_writer *w)
{
	unsigned used = 0;

	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		used |= is_blank(&t->buses[i]) ? 0 : 1U << i;
	}
	state_put_unsigned(w, used);
	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		const struct traffic_bus *bus = &t->buses[i];
		unsigned counted = 0;

		if ((used & 1U << i) == 0) {
			continue;
		}
		save_window(bus, w);
		state_put_unsigned(w, (unsigned)bus->health.condition);
		state_put_unsigned(w, bus->heard);
		state_put_unsigned(w, bus->silent);
		state_put_unsigned(w, bus->excused);
		state_put_unsigned(w, bus->engines);
		state_put_unsigned(w, bus->clean);
		state_put_unsigned(w, bus->troubles);
		state_put_unsigned(w, bus->told);
		state_put_unsigned(w, bus->word);
		state_put_unsigned(w, bus->word_windows);
		/* Most have long rested. */
		for (size_t k = 0; k < BUS_TROUBLE_COUNT; k++) {
			counted |= bus->holds[k] > 0 || bus->rests[k] < holds[k].clear ? 1U << k : 0;
		}
		state_put_unsigned(w, counted);
		for (size_t k = 0; k < BUS_TROUBLE_COUNT; k++) {
			if ((counted & 1U << k) != 0) {
				state_put_unsigned(w, bus->holds[k]);
				state_put_unsigned(w, bus->rests[k]);
			}
		}
	}
}

void traffic_watch_load(struct traffic_watch *t, struct state_reader *r)
{
	struct bus_namer namer = t->namer;
	unsigned used = (unsigned)state_get_unsigned(r, (1U << FRAME_BUS_MAX) - 1);

	traffic_watch_init(t);
	t->namer = namer;
	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		struct traffic_bus *bus = &t->buses[i];

		if ((used & 1U << i) == 0) {
			continue;
		}
		load_window(bus, r);
		bus->health.condition = (enum bus_condition)state_get_unsigned(r, BUS_CONDITION_OFF);
		bus->heard = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		bus->silent = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		bus->excused = state_get_unsigned(r, 1) != 0;
		bus->engines = (uint8_t)state_get_unsigned(r, (1U << BOAT_ENGINES_MAX) - 1);
		bus->clean = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		bus->troubles = (uint16_t)state_get_unsigned(r, (1U << BUS_TROUBLE_COUNT) - 1);
		bus->told = (uint8_t)state_get_unsigned(r, BUS_TROUBLE_COUNT - 1);
		bus->word = (uint8_t)state_get_unsigned(r, BUS_TROUBLE_COUNT - 1);
		bus->word_windows = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		unsigned counted = (unsigned)state_get_unsigned(r, (1U << BUS_TROUBLE_COUNT) - 1);
		for (size_t k = 0; k < BUS_TROUBLE_COUNT; k++) {
			bool is_counted = (counted & 1U << k) != 0;

			bus->holds[k] = (uint8_t)(is_counted ? state_get_unsigned(r, UINT8_MAX) : 0);
			bus->rests[k] = is_counted ? (uint8_t)state_get_unsigned(r, UINT8_MAX)
						   : holds[k].clear;
		}
	}
}
