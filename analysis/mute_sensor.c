#include "analysis/mute_sensor.h"

#include <math.h>

#include "analysis/sentence.h"
#include "analysis/traffic_watch.h"

#define GIVEN_WINDOWS   30   /* five minutes of running: a reading to be missed */
#define KNOWN_WINDOWS   1080 /* three hours: how still it may stand has been seen */
#define GONE_WINDOWS    90   /* a quarter of an hour */
#define FROZEN_WINDOWS  120  /* 20 minutes … */
#define FROZEN_PAUSES   3    /* … or so many times the longest that it stood still before */
#define BACK_WINDOWS    6
#define MINUTE_WINDOWS  6
#define MOVE_STEPS      4    /* of the coding: so much must have been seen */
#define MOVE_LEAST_KPA  0.5
#define FLOW_RATIO      1.5
#define COUNT_CAP       100000

void mute_sensor_init(struct mute_sensor *m)
{
	*m = (struct mute_sensor){.low_lph = NAN, .high_lph = NAN};
}

static void count_up(uint32_t *count, uint32_t most)
{
	*count += *count < most ? 1 : 0;
}

static const char *reading_name(const struct boat_filter *filter)
{
	switch (filter->sensor) {
	case SENSOR_SPN95:
		return "fuel filter's differential pressure";
	case SENSOR_SPN1382:
		return "suction filter's differential pressure";
	case SENSOR_SPN1381:
		return "fuel intake pressure";
	case SENSOR_PRESSURE:
	case SENSOR_NONE:
		break;
	}
	return "filter's pressure";
}

static struct event_claim claim_of(unsigned index, const struct window_view *view)
{
	return (struct event_claim){
		.kind = EVENT_SOURCE_LOST,
		.subject = MUTE_SENSOR_SUBJECT + index,
		.name = view->boat->filters[index].name,
		.severity = SEVERITY_CAUTION,
		.value = NAN,
		.limit = NAN,
		.unit = "s",
		.basis = "measured",
	};
}

static void tell(struct mute_sensor *m, enum mute_state state, unsigned index,
	const struct window_view *view)
{
	const char *reading = reading_name(&view->boat->filters[index]);
	struct event_claim claim = claim_of(index, view);
	char text[240];
	struct sentence s;

	m->state = (uint8_t)state;
	m->back = 0;
	claim.value = (state == MUTE_GONE ? m->missing : m->held) * WINDOW_S;
	claim.message = text;
	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, state == MUTE_GONE ? "No " : "The ");
	sentence_words(&s, reading);
	if (state == MUTE_FROZEN) {
		sentence_words(&s, " has stood at ");
		sentence_number(&s, m->held_kpa, 1);
		sentence_words(&s, " kPa");
	}
	sentence_words(&s, " for ");
	sentence_number(&s, claim.value / 60, 0);
	sentence_words(&s, " min of running");
	if (state == MUTE_FROZEN) {
		sentence_words(&s, ", whatever the flow");
	}
	sentence_words(&s, ". Look at the sensor, its plug and supply. Meanwhile go by the "
			   "element's hours, litres and age.");
	window_claim(view, &claim, true);
}

static void tell_over(struct mute_sensor *m, unsigned index, const struct window_view *view)
{
	struct event_claim claim = claim_of(index, view);

	m->state = MUTE_HEARD;
	m->missing = 0;
	m->held = 0;
	m->back = 0;
	window_claim(view, &claim, false);
}

/* Whether the loss of the sender, or of its bus, is told already. */
static bool sender_is_lost(const struct slot *slot, const struct window_view *view)
{
	uint32_t sender = (uint32_t)slot->bus << 8 | slot->source;

	return event_life_find(view->events, EVENT_SOURCE_LOST, sender) != NULL ||
	       event_life_find(view->events, EVENT_BUS_FAULT, slot->bus) != NULL;
}

static void begin_held(struct mute_sensor *m, double value_kpa, const struct mute_window *window)
{
	m->held = 0;
	m->known = m->given >= KNOWN_WINDOWS;
	m->held_kpa = value_kpa;
	m->above_kpa = window->above_kpa;
	m->whole_kpa = window->whole_kpa;
	m->low_lph = NAN;
	m->high_lph = NAN;
	m->minute_windows = 0;
	m->minute_lph = 0;
}

static void take_flow(struct mute_sensor *m, double supply_lph)
{
	m->minute_lph += supply_lph;
	m->minute_windows++;
	if (m->minute_windows == MINUTE_WINDOWS) {
		double lph = m->minute_lph / MINUTE_WINDOWS;
		m->low_lph = fmin(m->low_lph, lph); /* the number where the other is NaN */
		m->high_lph = fmax(m->high_lph, lph);
		m->minute_windows = 0;
		m->minute_lph = 0;
	}
}

/* The restriction grows at least as the flow does. Whichever of the flows the number belonged to,
 * another one must have moved it by this share of its height above the zero, or by more. */
static bool must_have_moved(
	const struct mute_sensor *m, double step_kpa, const struct mute_window *window)
{
	double least_kpa = fmax(MOVE_STEPS * step_kpa, MOVE_LEAST_KPA);
	double swing_lph = m->high_lph - m->low_lph;

	return m->high_lph > FLOW_RATIO * m->low_lph &&
	       m->above_kpa * swing_lph / m->high_lph > least_kpa &&
	       m->whole_kpa * swing_lph / window->reference_lph > least_kpa;
}

static void follow(struct mute_sensor *m, unsigned index, const struct window_view *view,
	const struct slot *slot, const struct mute_window *window)
{
	double step_kpa = (double)slot->resolution;
	bool flows = window->running && window->supply_lph > 0;

	if (slot->low < slot->high || slot->low < m->held_kpa || slot->high > m->held_kpa ||
		m->held == 0) {
		bool moved = m->held > 0;
		if (m->state == MUTE_FROZEN && moved) {
			/* It is not told over for one number that slipped in, nor for what it shows of
			 * a line at rest. */
			if (!flows) {
				return;
			}
			count_up(&m->back, BACK_WINDOWS);
			if (m->back >= BACK_WINDOWS) {
				tell_over(m, index, view);
			}
			return;
		}
		if (moved && window->running && must_have_moved(m, step_kpa, window) &&
			m->held > m->longest) {
			m->longest = m->held;
		}
		m->held = 0;
		if (!flows || slot->low < slot->high) {
			return;
		}
		begin_held(m, slot->low, window);
	} else {
		m->back = 0;
	}
	if (!flows) {
		return;
	}
	count_up(&m->held, COUNT_CAP);
	take_flow(m, window->supply_lph);
	if (m->state == MUTE_HEARD && m->known && m->held >= FROZEN_WINDOWS &&
		m->held >= FROZEN_PAUSES * m->longest && must_have_moved(m, step_kpa, window)) {
		tell(m, MUTE_FROZEN, index, view);
	}
}

void mute_sensor_window(struct mute_sensor *m, unsigned index, const struct window_view *view,
	const struct mute_window *window)
{
	const struct slot *slot;

	if (window->slot < 0) {
		return;
	}
	slot = &view->sources->slots[window->slot];
	if (slot->count > 0) {
		m->missing = 0;
		m->given += window->running && m->given < KNOWN_WINDOWS ? 1 : 0;
		if (m->state == MUTE_GONE) {
			count_up(&m->back, BACK_WINDOWS);
			if (m->back >= BACK_WINDOWS) {
				tell_over(m, index, view);
			}
			return;
		}
		follow(m, index, view, slot, window);
		return;
	}
	if (m->state == MUTE_GONE) {
		m->back = 0;
	}
	if (!slot->has_provider || slot->bus >= FRAME_BUS_MAX || sender_is_lost(slot, view)) {
		m->missing = 0;
		if (m->state != MUTE_HEARD) {
			tell_over(m, index, view);
		}
		return;
	}
	if (!window->running || !(window->supply_lph > 0) || m->given < GIVEN_WINDOWS ||
		view->traffic->buses[slot->bus].frames[slot->source] == 0) {
		return;
	}
	count_up(&m->missing, COUNT_CAP);
	/* One that is sent seldom is waited for longer. */
	if (m->state == MUTE_HEARD && m->missing >= GONE_WINDOWS &&
		m->missing * WINDOW_S * 1e9 >= (double)slot_gap_ns(slot)) {
		tell(m, MUTE_GONE, index, view);
	}
}

void mute_sensor_save(const struct mute_sensor *m, struct state_writer *w)
{
	state_put_unsigned(w, m->state);
	state_put_unsigned(w, m->given);
	state_put_unsigned(w, m->missing);
	state_put_unsigned(w, m->back);
	state_put_unsigned(w, m->longest);
	state_put_unsigned(w, m->held);
	if (m->held == 0) {
		return;
	}
	state_put_unsigned(w, m->known);
	state_put_double(w, m->held_kpa);
	state_put_double(w, m->above_kpa);
	state_put_double(w, m->whole_kpa);
	state_put_double(w, m->low_lph);
	state_put_double(w, m->high_lph);
	state_put_unsigned(w, m->minute_windows);
	state_put_double(w, m->minute_lph);
}

void mute_sensor_load(struct mute_sensor *m, struct state_reader *r)
{
	mute_sensor_init(m);
	m->state = (uint8_t)state_get_unsigned(r, MUTE_FROZEN);
	m->given = (uint32_t)state_get_unsigned(r, KNOWN_WINDOWS);
	m->missing = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	m->back = (uint32_t)state_get_unsigned(r, BACK_WINDOWS);
	m->longest = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	m->held = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	if (m->held == 0) {
		return;
	}
	m->known = state_get_unsigned(r, 1) != 0;
	m->held_kpa = state_get_double(r);
	m->above_kpa = state_get_double(r);
	m->whole_kpa = state_get_double(r);
	m->low_lph = state_get_double(r);
	m->high_lph = state_get_double(r);
	m->minute_windows = (uint32_t)state_get_unsigned(r, MINUTE_WINDOWS - 1);
	m->minute_lph = state_get_double(r);
}
