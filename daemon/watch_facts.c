/* watch_facts.c: each fact goes to the log's queue first. Nothing can fail here: what a full queue
 * gives up is counted by live_log, a command that cannot be run is notify's news.
 */
#include "daemon/watch_facts.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "daemon/watch_parts.h"

static void on_session(void *context, const struct fact_session *fact)
{
	struct watch *w = context;

	w->queue_sink.on_session(w->queue_sink.context, fact);
	/* Of a session that is told again after another began: only the last one is of now. */
	if (fact->session >= w->session) {
		w->session = fact->session;
		w->has_bus_time = fact->basis == CLOCK_BUS;
		w->bus_ahead_ns = fact->utc_offset_ns - (fact->raw_first_ns - fact->first_ns);
	}
}

static void on_slot(void *context, const struct fact_slot *fact)
{
	struct watch *w = context;

	w->queue_sink.on_slot(w->queue_sink.context, fact);
}

static void on_window(void *context, const struct fact_window *fact)
{
	struct watch *w = context;

	w->queue_sink.on_window(w->queue_sink.context, fact);
}

static void on_run(void *context, const struct fact_run *fact)
{
	struct watch *w = context;

	w->queue_sink.on_run(w->queue_sink.context, fact);
}

static void on_run_withdrawn(void *context, int64_t run)
{
	struct watch *w = context;

	w->queue_sink.on_run_withdrawn(w->queue_sink.context, run);
}

static void on_trip(void *context, const struct fact_trip *fact)
{
	struct watch *w = context;

	w->queue_sink.on_trip(w->queue_sink.context, fact);
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	struct watch *w = context;

	w->queue_sink.on_trip_withdrawn(w->queue_sink.context, trip);
}

static bool is_shelved(const struct watch *w, int64_t event)
{
	for (size_t i = 0; i < w->shelved_count; i++) {
		if (w->shelved[i] == event) {
			return true;
		}
	}
	return false;
}

static void on_event(void *context, const struct fact_event *fact)
{
	struct watch *w = context;

	w->queue_sink.on_event(w->queue_sink.context, fact);
	if (w->notify != NULL) {
		notify_event(w->notify, fact, is_shelved(w, fact->event));
	}
}

static void on_filter(void *context, const struct fact_filter *fact)
{
	struct watch *w = context;

	w->queue_sink.on_filter(w->queue_sink.context, fact);
}

static void on_burn(void *context, const struct fact_burn *fact)
{
	struct watch *w = context;

	w->queue_sink.on_burn(w->queue_sink.context, fact);
}

static void on_tank(void *context, const struct fact_tank *fact)
{
	struct watch *w = context;

	w->queue_sink.on_tank(w->queue_sink.context, fact);
}

static void on_refuelling(void *context, const struct fact_refuelling *fact)
{
	struct watch *w = context;

	w->queue_sink.on_refuelling(w->queue_sink.context, fact);
}

static void on_fault(void *context, const struct fact_fault *fact)
{
	struct watch *w = context;

	w->queue_sink.on_fault(w->queue_sink.context, fact);
}

struct fact_sink watch_facts_sink(struct watch *w)
{
	return (struct fact_sink){
		.context = w,
		.on_session = on_session,
		.on_slot = on_slot,
		.on_window = on_window,
		.on_run = on_run,
		.on_run_withdrawn = on_run_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_trip_withdrawn,
		.on_event = on_event,
		.on_filter = on_filter,
		.on_burn = on_burn,
		.on_tank = on_tank,
		.on_refuelling = on_refuelling,
		.on_fault = on_fault,
	};
}
