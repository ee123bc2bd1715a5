#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/fact_queue.h"
#include "decoders/signal.h"

/* A sink that writes each fact down in words, so that two tellings can be compared. */
struct written {
	size_t used;
	size_t windows;
	size_t events;
	size_t slots;
	int64_t first_window;
	int64_t last_window;
	char text[16384];
};

static void note(struct written *w, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void note(struct written *w, const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	int n = vsnprintf(w->text + w->used, sizeof(w->text) - w->used, format, arguments);
	va_end(arguments);
	if (n > 0 && w->used + (size_t)n < sizeof(w->text)) {
		w->used += (size_t)n;
	}
}

static void on_session(void *context, const struct fact_session *f)
{
	note(context, "session %lld %lld %lld %lld %lld %lld %d\n", (long long)f->session,
		(long long)f->first_ns, (long long)f->last_ns, (long long)f->utc_offset_ns,
		(long long)f->raw_first_ns, (long long)f->raw_last_ns, (int)f->basis);
}

static void on_slot(void *context, const struct fact_slot *f)
{
	((struct written *)context)->slots++;
	note(context, "slot %u %u %u\n", f->slot, f->signal, f->instance);
}

static void on_window(void *context, const struct fact_window *f)
{
	struct written *w = context;

	w->first_window = w->windows == 0 ? f->window : w->first_window;
	w->last_window = f->window;
	w->windows++;
	note(w, "window %lld %lld\n", (long long)f->window, (long long)f->session);
	for (size_t i = 0; i < f->count; i++) {
		note(w, "  %u %u %.17g %.17g %.17g\n", f->readings[i].slot, f->readings[i].count,
			f->readings[i].mean, f->readings[i].low, f->readings[i].high);
	}
}

static void on_run(void *context, const struct fact_run *f)
{
	note(context, "run %lld %lld %u %lld %lld %lld %lld %d %.17g %.17g %.17g %.17g %.17g %.17g "
		      "%.17g %.17g %.17g %.17g %.17g\n",
		(long long)f->run, (long long)f->trip, f->engine, (long long)f->start_session,
		(long long)f->end_session, (long long)f->start_ns, (long long)f->end_ns, f->open,
		f->engine_h, f->idle_h, f->unobserved_h, f->fuel_l, f->fuel_estimated_l,
		f->fuel_uncertainty_l, f->fuel_unknown_h, f->supply_l, f->mean_lph, f->max_lph,
		f->max_coolant_c);
}

static void on_run_withdrawn(void *context, int64_t run)
{
	note(context, "run withdrawn %lld\n", (long long)run);
}

static void on_trip(void *context, const struct fact_trip *f)
{
	note(context, "trip %lld %lld %lld %lld %lld %d %.17g\n", (long long)f->trip,
		(long long)f->start_session, (long long)f->end_session, (long long)f->start_ns,
		(long long)f->end_ns, f->open, f->distance_nm);
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	note(context, "trip withdrawn %lld\n", (long long)trip);
}

static void on_event(void *context, const struct fact_event *f)
{
	((struct written *)context)->events++;
	note(context, "event %lld %s %s %d %lld %lld %d %lld %lld %lld %.17g %.17g %s %s %s\n",
		(long long)f->event, f->kind, f->subject, (int)f->severity, (long long)f->session,
		(long long)f->raised_ns, f->has_cleared, (long long)f->cleared_session,
		(long long)f->cleared_ns, (long long)f->trip, f->value, f->limit, f->unit, f->basis,
		f->message);
}

static struct fact_sink sink_of(struct written *w)
{
	memset(w, 0, sizeof(*w));
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
	};
}

static void tell_all(const struct fact_sink *sink)
{
	const struct fact_reading readings[] = {
		{0, 100, 1850.5, 1849.75, 1900.25},
		{3, 1, -3.0, -3.0, -3.0},
		{7, 65536, 1e12, -1e12, 1e13},
	};

	sink->on_session(sink->context,
		&(struct fact_session){1, -5, INT64_MAX, INT64_MIN, 1, 2, CLOCK_UNDATED});
	sink->on_slot(sink->context,
		&(struct fact_slot){.slot = 7, .signal = SIGNAL_ENGINE_HOURS, .instance = 3});
	sink->on_window(sink->context, &(struct fact_window){42, 1, 3, readings});
	sink->on_run(sink->context, &(struct fact_run){.run = 5, .trip = 6, .engine = 3,
		.start_session = 1, .end_session = 2, .start_ns = 10, .end_ns = 20, .open = true,
		.engine_h = 0.1, .idle_h = 0.2, .unobserved_h = 0.3, .fuel_l = NAN,
		.fuel_estimated_l = 0.4, .fuel_uncertainty_l = INFINITY, .fuel_unknown_h = 0.5,
		.supply_l = 0.6, .mean_lph = 0.7, .max_lph = 0.8, .max_coolant_c = -0.0});
	sink->on_run_withdrawn(sink->context, 77);
	sink->on_trip(sink->context, &(struct fact_trip){1, 2, 3, 4, 5, false, 12.5});
	sink->on_trip_withdrawn(sink->context, -1);
	sink->on_event(sink->context, &(struct fact_event){.event = 9, .kind = "bus-fault",
		.subject = "bus can0", .severity = SEVERITY_WARNING, .session = 1, .raised_ns = 2,
		.has_cleared = true, .cleared_session = 3, .cleared_ns = 4, .trip = 5, .value = 1.5,
		.limit = NAN, .unit = "", .basis = "measured", .message = "It says \"so\"."});
}

static void facts_come_back_as_they_were_told(void **state)
{
	static struct written direct;
	static struct written queued;
	struct fact_queue queue;
	struct fact_sink sink = sink_of(&direct);

	(void)state;
	tell_all(&sink);
	fact_queue_init(&queue, 1 << 20);
	sink = fact_queue_sink(&queue);
	tell_all(&sink);
	sink = sink_of(&queued);
	assert_int_equal(fact_queue_play(queue.bytes, queue.used, &sink), 0);
	assert_string_equal(queued.text, direct.text);
	fact_queue_clear(&queue);
	assert_int_equal(queue.used, 0);
	fact_queue_finish(&queue);
}

static void readings_are_rounded_to_the_log_step(void **state)
{
	static struct written w;
	struct fact_queue queue;
	struct fact_sink sink;
	double step = signal_get(SIGNAL_ENGINE_SPEED)->log_step;
	const struct fact_reading reading = {
		4, 9, 1000.3 * step, 999.6 * step, 1002.4 * step};
	char wanted[200];

	(void)state;
	fact_queue_init(&queue, 1 << 20);
	fact_queue_set_signal(&queue, 4, SIGNAL_ENGINE_SPEED);
	sink = fact_queue_sink(&queue);
	sink.on_window(sink.context, &(struct fact_window){1, 1, 1, &reading});
	sink = sink_of(&w);
	assert_int_equal(fact_queue_play(queue.bytes, queue.used, &sink), 0);
	(void)snprintf(wanted, sizeof(wanted), "window 1 1\n  4 9 %.17g %.17g %.17g\n", 1000 * step,
		1000 * step, 1002 * step);
	assert_string_equal(w.text, wanted);
	fact_queue_finish(&queue);
}

static void oldest_windows_go_first_when_it_is_full(void **state)
{
	static struct written w;
	struct fact_queue queue;
	struct fact_sink sink;
	const struct fact_reading reading = {0, 1, 1.5, 1.25, 1.75};

	(void)state;
	fact_queue_init(&queue, 64 * 1024);
	sink = fact_queue_sink(&queue);
	sink.on_slot(sink.context, &(struct fact_slot){.slot = 0, .signal = 0, .instance = 0});
	tell_all(&sink);
	for (int64_t i = 0; i < 10000; i++) {
		sink.on_window(sink.context, &(struct fact_window){1000 + i, 1, 1, &reading});
		assert_true(queue.used <= queue.limit + 64 * 1024);
	}
	assert_true(queue.dropped_windows > 0);
	assert_int_equal(queue.dropped_facts, 0);
	sink = sink_of(&w);
	assert_int_equal(fact_queue_play(queue.bytes, queue.used, &sink), 0);
	assert_int_equal(w.windows + queue.dropped_windows, 10001);
	assert_int_equal(w.last_window, 10999);
	assert_int_equal(w.last_window - w.first_window + 1, w.windows);
	assert_int_equal(w.events, 1);
	assert_int_equal(w.slots, 2);
	fact_queue_finish(&queue);
}

static void other_facts_go_when_there_are_no_windows_and_slots_stay(void **state)
{
	static struct written w;
	struct fact_queue queue;
	struct fact_sink sink;

	(void)state;
	fact_queue_init(&queue, 64 * 1024);
	sink = fact_queue_sink(&queue);
	sink.on_slot(sink.context, &(struct fact_slot){.slot = 0, .signal = 0, .instance = 0});
	for (int64_t i = 0; i < 20000; i++) {
		sink.on_trip(sink.context, &(struct fact_trip){i, 2, 3, 4, 5, false, 12.5});
	}
	assert_true(queue.used <= queue.limit + 64 * 1024);
	assert_true(queue.dropped_facts > 0);
	sink = sink_of(&w);
	assert_int_equal(fact_queue_play(queue.bytes, queue.used, &sink), 0);
	assert_int_equal(w.slots, 1);
	fact_queue_finish(&queue);
}

static void what_is_kept_elsewhere_is_still_known_after_dropping(void **state)
{
	struct fact_queue queue;
	struct fact_sink sink;
	const struct fact_reading reading = {0, 1, 1.5, 1.25, 1.75};
	size_t tail;

	(void)state;
	fact_queue_init(&queue, 64 * 1024);
	sink = fact_queue_sink(&queue);
	while (queue.used < 60000) {
		sink.on_window(sink.context, &(struct fact_window){1, 1, 1, &reading});
	}
	queue.kept = queue.used;
	while (queue.dropped_windows == 0) {
		tail = queue.used - queue.kept;
		sink.on_window(sink.context, &(struct fact_window){2, 1, 1, &reading});
	}
	/* Only windows of the kept part were dropped, so the rest is as long as before, plus one. */
	assert_true(queue.used - queue.kept > tail);
	assert_true(queue.used - queue.kept < tail + 100);
	fact_queue_finish(&queue);
}

/* Every cut of a queue, and every byte of it damaged, is survived; whole facts before it are told. */
static void damaged_bytes_are_refused_without_harm(void **state)
{
	static struct written w;
	struct fact_queue queue;
	struct fact_sink sink;
	uint8_t *copy;

	(void)state;
	fact_queue_init(&queue, 1 << 20);
	sink = fact_queue_sink(&queue);
	tell_all(&sink);
	for (size_t size = 1; size < queue.used; size++) {
		copy = malloc(size);
		assert_non_null(copy);
		memcpy(copy, queue.bytes, size);
		sink = sink_of(&w);
		int result = fact_queue_play(copy, size, &sink);
		assert_true(result == 0 || result == -EPROTO);
		free(copy);
	}
	copy = malloc(queue.used);
	assert_non_null(copy);
	for (size_t at = 0; at < queue.used; at++) {
		for (unsigned value = 0; value < 256; value += 51) {
			memcpy(copy, queue.bytes, queue.used);
			copy[at] = (uint8_t)value;
			sink = sink_of(&w);
			(void)fact_queue_play(copy, queue.used, &sink);
		}
	}
	free(copy);
	fact_queue_finish(&queue);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(facts_come_back_as_they_were_told),
		cmocka_unit_test(readings_are_rounded_to_the_log_step),
		cmocka_unit_test(oldest_windows_go_first_when_it_is_full),
		cmocka_unit_test(other_facts_go_when_there_are_no_windows_and_slots_stay),
		cmocka_unit_test(what_is_kept_elsewhere_is_still_known_after_dropping),
		cmocka_unit_test(damaged_bytes_are_refused_without_harm),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
