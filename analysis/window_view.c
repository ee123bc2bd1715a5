#include "analysis/window_view.h"

#include <math.h>

struct window_reading window_read_slot(const struct window_view *view, int found)
{
	struct window_reading nothing = {NAN, NAN, NAN, NAN, NAN};

	if (found < 0 || view->sources->slots[found].count == 0) {
		return nothing;
	}
	const struct slot *slot = &view->sources->slots[found];
	return (struct window_reading){
		.mean = slot->sum / slot->count,
		.low = slot->low,
		.high = slot->high,
		.last = slot->value,
		.step = (double)slot->resolution,
	};
}

struct window_reading window_read(
	const struct window_view *view, enum signal_id signal, uint16_t instance)
{
	bool frozen = signal == SIGNAL_ENGINE_SPEED && instance < BOAT_ENGINES_MAX &&
		      (view->frozen_speeds & 1U << instance) != 0;

	return window_read_slot(
		view, frozen ? -1 : source_choice_find(view->sources, signal, instance));
}

int window_find_kind(const struct window_view *view, enum signal_id signal, unsigned number,
	unsigned kind, unsigned other_kind)
{
	int found = source_choice_find(view->sources, signal, (uint16_t)(kind << 8 | number));

	if (found < 0) {
		found = source_choice_find(
			view->sources, signal, (uint16_t)(other_kind << 8 | number));
	}
	return found;
}

struct window_reading window_read_kind(const struct window_view *view, enum signal_id signal,
	unsigned number, unsigned kind, unsigned other_kind)
{
	return window_read_slot(view, window_find_kind(view, signal, number, kind, other_kind));
}

void window_claim(const struct window_view *view, const struct event_claim *claim, bool holds)
{
	struct event_claim filled = *claim;

	filled.trip = view->trip;
	if (holds) {
		(void)event_life_raise(view->events, &view->now, &filled, view->sink);
	} else {
		filled.message = ""; /* what it was stays in the log */
		event_life_clear(view->events, &view->now, &filled, view->sink);
	}
}
