#include "daemon/listen_live.h"

#include <errno.h>
#include <signal.h>

#include <uv.h>

#include "daemon/bus_watch.h"

struct live_ear {
	const struct listen_live_listener *listener;
	uv_timer_t end;
	uv_signal_t signals[2];
	struct bus_watch *watch;
};

static void on_frames(void *context, const struct frame *frames, size_t count)
{
	struct live_ear *ear = context;

	ear->listener->on_frames(ear->listener->context, frames, count);
}

static void on_news(void *context, const struct bus_status *status, const char *sentence)
{
	struct live_ear *ear = context;

	ear->listener->on_news(ear->listener->context, status->interface, sentence);
}

static void end(struct live_ear *ear)
{
	if (!uv_is_closing((const uv_handle_t *)&ear->end)) {
		bus_watch_close(ear->watch);
		uv_close((uv_handle_t *)&ear->end, NULL);
		uv_close((uv_handle_t *)&ear->signals[0], NULL);
		uv_close((uv_handle_t *)&ear->signals[1], NULL);
	}
}

static void on_end(uv_timer_t *timer)
{
	struct live_ear *ear = timer->data;

	bus_watch_drain(ear->watch);
	end(ear);
}

static void on_signal(uv_signal_t *handle, int number)
{
	(void)number;
	on_end(&((struct live_ear *)handle->data)->end);
}

/* Whether one of the buses is there, up and open. */
static bool hears(const struct bus_watch *watch)
{
	for (size_t i = 0; i < bus_watch_count(watch); i++) {
		if (bus_watch_status(watch, i)->presence == BUS_LISTENING) {
			return true;
		}
	}
	return false;
}

int listen_live(const struct bus_names *buses, double seconds,
	const struct listen_live_listener *listener)
{
	static const int numbers[2] = {SIGINT, SIGTERM};
	struct bus_watch_want wants[FRAME_BUS_MAX];
	struct live_ear ear = {.listener = listener};
	uv_loop_t loop;
	int result = uv_loop_init(&loop);

	if (result != 0) {
		return result;
	}
	for (size_t i = 0; i < buses->count; i++) {
		wants[i] = (struct bus_watch_want){
			.interface = buses->names[i], .number = (unsigned)i};
	}
	/* These only fill in handles: they cannot fail. */
	(void)uv_timer_init(&loop, &ear.end);
	ear.end.data = &ear;
	for (size_t i = 0; i < 2; i++) {
		(void)uv_signal_init(&loop, &ear.signals[i]);
		ear.signals[i].data = &ear;
		(void)uv_signal_start(&ear.signals[i], on_signal, numbers[i]);
	}
	result = bus_watch_open(&ear.watch, &loop, wants, buses->count, BUS_ALL_FRAMES,
		&(struct bus_watch_listener){&ear, on_frames, on_news});
	if (result == 0 && !hears(ear.watch)) {
		result = -ENODEV;
	}
	if (result == 0) {
		(void)uv_timer_start(&ear.end, on_end, (uint64_t)(seconds * 1000), 0);
	} else {
		end(&ear);
	}
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	(void)uv_loop_close(&loop); /* every handle has been closed */
	return result;
}
