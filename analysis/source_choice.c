#include "analysis/source_choice.h"

#include <math.h>
#include <string.h>

#define GAP_LEAST_NS   INT64_C(5000000000)
#define GAP_PERIODS    5.0
#define PERIOD_LEAST_S 0.001F
#define PERIOD_MOST_S  60.0F
#define MEDIAN_STEP    1.02F

void source_choice_init(struct source_choice *sc, const struct boat *boat)
{
	memset(sc, 0, sizeof(*sc));
	sc->boat = boat;
	for (size_t i = 0; i < SIGNAL_COUNT; i++) {
		sc->first[i] = -1;
	}
}

int64_t slot_gap_ns(const struct slot *slot)
{
	double gap_ns = (double)slot->period_s * GAP_PERIODS * 1e9;

	return gap_ns > (double)GAP_LEAST_NS ? (int64_t)gap_ns : GAP_LEAST_NS;
}

int source_choice_find(const struct source_choice *sc, enum signal_id signal, uint16_t instance)
{
	int found = sc->first[signal];

	while (found >= 0 && sc->slots[found].instance != instance) {
		found = sc->slots[found].next;
	}
	return found;
}

static int add_slot(struct source_choice *sc, uint16_t signal, uint16_t instance)
{
	if (sc->count == SLOTS_MAX) {
		return -1;
	}
	int16_t added = (int16_t)sc->count++;
	sc->slots[added] = (struct slot){
		.signal = signal,
		.instance = instance,
		.next = sc->first[signal],
	};
	sc->first[signal] = added;
	return added;
}

/* Whether the configuration allows this provider for its signal. A pin without a bus allows any. */
static bool allowed(const struct source_choice *sc, const struct observation *o)
{
	for (size_t i = 0; i < sc->boat->pin_count; i++) {
		const struct boat_pin *pin = &sc->boat->pins[i];
		if (pin->signal != o->signal || pin->instance != o->instance) {
			continue;
		}
		if ((pin->source >= 0 && pin->source != o->source) ||
			(pin->bus >= 0 && pin->bus != o->bus)) {
			return false;
		}
	}
	return true;
}

/* A running median of the time between two numbers: it steps up or down by 2 %, so that lost
 * messages and bursts move it little. */
static void learn_period(struct slot *slot, int64_t dt_ns)
{
	float dt_s = (float)dt_ns * 1e-9F;

	if (dt_s <= 0 || dt_s > PERIOD_MOST_S) {
		return;
	}
	if (!(slot->period_s > 0)) {
		slot->period_s = dt_s;
	} else if (dt_s > slot->period_s) {
		slot->period_s *= MEDIAN_STEP;
	} else {
		slot->period_s *= 1 / MEDIAN_STEP;
	}
	if (slot->period_s < PERIOD_LEAST_S) {
		slot->period_s = PERIOD_LEAST_S;
	}
}

int source_choice_take(struct source_choice *sc, const struct observation *o, bool *ret_new)
{
	int found = source_choice_find(sc, (enum signal_id)o->signal, o->instance);
	bool is_new = found < 0;

	*ret_new = false;
	if (sc->boat->pin_count > 0 && !allowed(sc, o)) {
		sc->set_aside++;
		return -1;
	}
	if (is_new) {
		found = add_slot(sc, o->signal, o->instance);
		if (found < 0) {
			sc->no_slot++;
			return -1;
		}
	}
	struct slot *slot = &sc->slots[found];
	bool same = slot->has_provider && slot->source == o->source && slot->bus == o->bus &&
		    slot->message == o->message;
	if (same) {
		learn_period(slot, o->t_ns - slot->heard_ns);
	} else {
		if (slot->has_provider && o->t_ns - slot->heard_ns <= slot_gap_ns(slot)) {
			sc->set_aside++;
			return -1;
		}
		sc->changes += slot->has_provider ? 1 : 0;
		slot->has_provider = true;
		slot->bus = o->bus;
		slot->source = o->source;
		slot->message = o->message;
		slot->period_s = 0;
	}
	slot->heard_ns = o->t_ns;
	slot->value = o->value;
	slot->resolution = (float)o->resolution;
	if (slot->count++ == 0) {
		slot->sum = o->value;
		slot->low = o->value;
		slot->high = o->value;
	} else {
		slot->sum += o->value;
		slot->low = o->value < slot->low ? o->value : slot->low;
		slot->high = o->value > slot->high ? o->value : slot->high;
	}
	*ret_new = is_new;
	return found;
}

/* Means of states, counters, directions and positions say nothing: their last value stands. */
static bool averages(uint16_t signal)
{
	return signal_get((enum signal_id)signal)->use == USE_VALUE && signal != SIGNAL_COURSE &&
	       signal != SIGNAL_LATITUDE && signal != SIGNAL_LONGITUDE;
}

size_t source_choice_window(const struct source_choice *sc, struct fact_reading *out)
{
	size_t n = 0;

	for (size_t i = 0; i < sc->count; i++) {
		const struct slot *slot = &sc->slots[i];
		if (slot->count == 0) {
			continue;
		}
		bool mean = averages(slot->signal);
		out[n++] = (struct fact_reading){
			.slot = (uint16_t)i,
			.count = slot->count,
			.mean = mean ? slot->sum / slot->count : slot->value,
			.low = mean ? slot->low : slot->value,
			.high = mean ? slot->high : slot->value,
		};
	}
	return n;
}

void source_choice_next_window(struct source_choice *sc)
{
	for (size_t i = 0; i < sc->count; i++) {
		sc->slots[i].count = 0;
	}
}

void source_choice_save(const struct source_choice *sc, struct state_writer *w)
{
	int64_t last_ns = 0;

	state_put_unsigned(w, sc->count);
	for (size_t i = 0; i < sc->count; i++) {
		const struct slot *slot = &sc->slots[i];
		state_put_unsigned(w, slot->signal);
		state_put_unsigned(w, slot->instance);
		state_put_unsigned(
			w, (uint64_t)slot->bus << 16 | (uint64_t)slot->source << 8 | slot->message);
		state_put_signed(w, slot->heard_ns - last_ns);
		last_ns = slot->heard_ns;
		state_put_float(w, slot->period_s);
		state_put_unsigned(w, slot->count);
		if (slot->count > 0) {
			state_put_float(w, slot->resolution);
			state_put_double(w, slot->value);
			state_put_double(w, slot->sum);
			state_put_double(w, slot->low);
			state_put_double(w, slot->high);
		}
	}
	state_put_unsigned(w, sc->set_aside);
	state_put_unsigned(w, sc->no_slot);
	state_put_unsigned(w, sc->changes);
}

void source_choice_load(struct source_choice *sc, struct state_reader *r)
{
	int64_t last_ns = 0;
	size_t count = (size_t)state_get_unsigned(r, SLOTS_MAX);

	source_choice_init(sc, sc->boat);
	for (size_t i = 0; i < count && !r->failed; i++) {
		uint16_t signal = (uint16_t)state_get_unsigned(r, SIGNAL_COUNT - 1);
		uint16_t instance = (uint16_t)state_get_unsigned(r, UINT16_MAX);
		int added = add_slot(sc, signal, instance);
		struct slot *slot = &sc->slots[added];
		uint64_t provider = state_get_unsigned(r, 0xFFFFFF);
		slot->has_provider = true;
		slot->bus = (uint8_t)(provider >> 16);
		slot->source = (uint8_t)(provider >> 8);
		slot->message = (uint8_t)provider;
		last_ns += state_get_signed(r);
		slot->heard_ns = last_ns;
		slot->period_s = state_get_float(r);
		slot->count = (uint32_t)state_get_unsigned(r, UINT32_MAX);
		slot->value = NAN;
		if (slot->count > 0) {
			slot->resolution = state_get_float(r);
			slot->value = state_get_double(r);
			slot->sum = state_get_double(r);
			slot->low = state_get_double(r);
			slot->high = state_get_double(r);
		}
	}
	sc->set_aside = state_get_unsigned(r, UINT64_MAX);
	sc->no_slot = state_get_unsigned(r, UINT64_MAX);
	sc->changes = state_get_unsigned(r, UINT64_MAX);
}
