/* boat_windows.h: windows of 10 s of one running engine, for what watches filters and engines. */
#ifndef SIGHTBOWL_TESTS_BOAT_WINDOWS_H
#define SIGHTBOWL_TESTS_BOAT_WINDOWS_H

#include <string.h>

#include "analysis/window_view.h"

#define BOAT_WINDOW_NS INT64_C(10000000000)

struct boat_windows {
	struct boat boat;
	struct source_choice sources;
	struct engine_log engines[BOAT_ENGINES_MAX];
	struct event_life events;
	struct fact_sink sink;
	struct window_view view;
	int raised[EVENT_KIND_COUNT]; /* times each kind was told as up, and as over */
	int cleared[EVENT_KIND_COUNT];
	struct fact_event last;
};

static inline void boat_windows_on_event(void *context, const struct fact_event *event)
{
	struct boat_windows *b = context;

	b->last = *event;
	for (int kind = 0; kind < EVENT_KIND_COUNT; kind++) {
		if (strcmp(event->kind, event_kind_name((enum event_kind)kind)) == 0) {
			b->raised[kind] += event->has_cleared ? 0 : 1;
			b->cleared[kind] += event->has_cleared ? 1 : 0;
		}
	}
}

/* The default boat: one engine, a primary and a secondary filter. Not to be moved: it points into
 * itself. */
static inline void boat_windows_init(struct boat_windows *b)
{
	memset(b, 0, sizeof(*b));
	boat_init(&b->boat);
	source_choice_init(&b->sources, &b->boat);
	event_life_init(&b->events, 0);
	b->engines[0] = (struct engine_log){.heard = true, .running = true, .on = true};
	b->sink = (struct fact_sink){.context = b, .on_event = boat_windows_on_event};
	b->view = (struct window_view){
		.boat = &b->boat,
		.sources = &b->sources,
		.engines = b->engines,
		.sink = &b->sink,
		.events = &b->events,
		.now = {.session = 1},
	};
}

static inline void boat_windows_next(struct boat_windows *b)
{
	source_choice_next_window(&b->sources);
	b->view.now.t_ns += BOAT_WINDOW_NS;
}

/* One reading of the present window. */
static inline void boat_windows_hear(
	struct boat_windows *b, enum signal_id signal, double value, double step)
{
	struct observation heard = {
		.t_ns = b->view.now.t_ns,
		.value = value,
		.signal = (uint16_t)signal,
		.resolution = step,
	};
	bool is_new;

	(void)source_choice_take(&b->sources, &heard, &is_new);
}

#endif
