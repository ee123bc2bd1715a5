/* bus_watch.c: the happy path of a bus:
 *   1. the kernel says that the link is up (link_watch): the bus is opened and polled
 *   2. the poll says that frames wait: they are drained, at most DRAIN_BATCHES batches
 *   3. polling rests; the timer drains again, and polls again when nothing was there
 * What can go wrong:
 *   - the read fails (ENETDOWN, ENODEV): the bus is closed; step 1 when the kernel says so
 *   - it is not there or cannot be opened: told once, tried again each RETRY_MS
 *   - it comes and goes all the time (a loose plug): told at most NEWS_BURST times and
 *     then once a minute
 *   - error frames say bus-off: told; restarted after restart_ms where that is wished and permitted
 */
#include "daemon/bus_watch.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/bus_refusal.h"

#define DRAIN_BATCHES	   8  /* of BUS_BATCH frames: a quarter of a second of a full bus */
#define DRAIN_ROUNDS	   32 /* of so many batches: more frames than a socket's buffer holds */
#define RETRY_MS	   10000
#define CONDITION_PAUSE_MS 60000
/* News of a link that comes and goes: so many sentences at once, and one more after each of these.
 */
#define NEWS_BURST     8
#define NEWS_REFILL_MS 60000

struct watched {
	struct bus_watch *watch;
	char interface[LINK_NAME_MAX];
	uint64_t restart_ms;
	struct bus *bus;         /* NULL: not open */
	uv_poll_t *poll;         /* heap, of its own life: closing it takes a turn of the loop */
	uint64_t dropped_before; /* by earlier openings of the bus */
	bool told_restart;       /* that a restart failed */
	bool told_once;          /* a condition was told … */
	enum bus_condition told_condition;
	uint64_t told_ms;        /* … this one, at this time of the loop */
	uint64_t told_dropped;   /* of status.dropped */
	uint64_t told_dropped_ms;
	unsigned news;	    /* sentences that may be told now … */
	uint64_t news_ms;   /* … as of this time of the loop */
	uint64_t kept_back; /* sentences that were not told */
	uint64_t since_ms;  /* since when it is present or not as it is now */
	uint64_t heard_ms;  /* when frames came last, or it was opened; error frames do not count */
	uint64_t heard;	    /* frames that are no error frames … */
	uint64_t heard_when_off; /* … when the controller left the bus: one that is off hears
				    nothing */
	bool said_off; /* by its driver, when that was asked last, or by an error frame since */
	uv_timer_t rest;
	uv_timer_t restart;
	unsigned handles; /* open ones in this memory: it goes with the last */
	struct bus_status status;
};

struct bus_watch {
	struct bus_watch_listener listener;
	enum bus_filter filter;
	uv_loop_t *loop;
	struct link_watch links; /* in the order of buses */
	uv_poll_t link_poll;
	uv_timer_t retry;
	unsigned handles; /* as in struct watched */
	size_t count;
	struct watched *buses[LINK_WATCH_MOST]; /* while they are changed, old and new ones */
};

static void set_presence(struct watched *w, enum bus_presence presence)
{
	/* From missing to down and back it is as absent as before. */
	if ((w->status.presence == BUS_LISTENING) != (presence == BUS_LISTENING)) {
		w->since_ms = uv_now(w->watch->loop);
		w->heard_ms = w->since_ms;
	}
	w->status.presence = presence;
}

static void tell(struct watched *w, const char *sentence)
{
	w->watch->listener.on_news(w->watch->listener.context, &w->status, sentence);
}

static bool may_tell_news(struct watched *w)
{
	uint64_t now_ms = uv_now(w->watch->loop);
	uint64_t more = (now_ms - w->news_ms) / NEWS_REFILL_MS;

	if (w->news + more >= NEWS_BURST) {
		w->news = NEWS_BURST;
		w->news_ms = now_ms;
	} else {
		w->news += (unsigned)more;
		w->news_ms += more * NEWS_REFILL_MS;
	}
	if (w->news == 0) {
		return false;
	}
	w->news--;
	return true;
}

/* News of the link and of the controller's restarts. What is kept back is told, by its number and
 * as it then stands, when a minute is over (tell_kept_back). */
static void tell_news(struct watched *w, const char *sentence)
{
	if (w->kept_back > 0 || !may_tell_news(w)) {
		w->kept_back++;
		return;
	}
	tell(w, sentence);
}

static void describe_presence(const struct watched *w, char *sentence, size_t size);

static void tell_kept_back(struct watched *w)
{
	char sentence[400];
	size_t used;

	if (w->kept_back == 0 || !may_tell_news(w)) {
		return;
	}
	describe_presence(w, sentence, sizeof(sentence));
	used = strlen(sentence);
	(void)snprintf(sentence + used, sizeof(sentence) - used,
		"; %" PRIu64 " change%s before this %s not told singly: look for a loose plug",
		w->kept_back, w->kept_back == 1 ? "" : "s", w->kept_back == 1 ? "was" : "were");
	w->kept_back = 0;
	tell(w, sentence);
}

/* A bus that wavers must not fill the machine's journal: what has changed is told at once, what
 * changes soon after that is told later, as it then stands. */
static void tell_condition(struct watched *w)
{
	uint64_t now_ms = uv_now(w->watch->loop);
	char sentence[300];

	if (w->status.health.condition == w->told_condition ||
		(w->told_once && now_ms - w->told_ms < CONDITION_PAUSE_MS)) {
		return;
	}
	w->told_once = true;
	w->told_ms = now_ms;
	w->told_condition = w->status.health.condition;
	bus_health_describe(&w->status.health, sentence, sizeof(sentence));
	tell(w, sentence);
}

static void on_restart(uv_timer_t *timer);

static void see_to_restart(struct watched *w)
{
	if ((w->status.health.condition == BUS_CONDITION_OFF ||
		    w->status.controller.state == CONTROLLER_BUS_OFF) &&
		w->restart_ms > 0 && !uv_is_active((const uv_handle_t *)&w->restart)) {
		(void)uv_timer_start(&w->restart, on_restart, w->restart_ms, 0);
	}
}

static void ask_controller(struct watched *w)
{
	struct controller controller;
	bool was_off = w->status.health.condition == BUS_CONDITION_OFF;

	if (bus_controller(w->interface, &controller) != 0) {
		return;
	}
	if (controller.state != CONTROLLER_BUS_OFF) {
		w->said_off = false;
	} else if (!w->said_off) {
		w->said_off = true;
		w->heard_when_off = w->heard;
	} else if (w->heard != w->heard_when_off) {
		controller.state = CONTROLLER_UNKNOWN; /* it is back; its driver has not noticed */
	}
	w->status.controller = controller;
	tell_condition(w);
	/* Some drivers do not tell in error frames that they have recovered. */
	if (was_off &&
		(controller.state == CONTROLLER_ERROR_ACTIVE || w->heard != w->heard_when_off) &&
		bus_health_set(&w->status.health, BUS_CONDITION_ACTIVE)) {
		tell_condition(w);
	}
	see_to_restart(w); /* no error frame tells of what was so before */
}

static void on_restart(uv_timer_t *timer)
{
	struct watched *w = timer->data;
	char sentence[160];
	int result;

	ask_controller(w);
	if (w->bus == NULL || w->status.controller.state != CONTROLLER_BUS_OFF) {
		return;
	}
	result = bus_restart(w->interface);
	if (result == 0) {
		w->told_restart = false;
		tell_news(w, "the controller was restarted after bus-off");
		ask_controller(w);
	} else if (!w->told_restart) {
		w->told_restart = true;
		(void)snprintf(sentence, sizeof(sentence),
			"the controller is bus-off and cannot be restarted: %s", strerror(-result));
		tell_news(w, sentence);
	}
	/* It may be off again at once: look again later. */
	(void)uv_timer_start(timer, on_restart, w->restart_ms, 0);
}

static void take(struct watched *w, const struct frame *frames, size_t count)
{
	w->status.frames += count;
	for (size_t i = 0; i < count; i++) {
		if (frames[i].kind != FRAME_ERROR) {
			w->heard++;
			w->heard_ms = uv_now(w->watch->loop);
		} else if (bus_health_accept(&w->status.health, &frames[i]) &&
			w->status.health.condition == BUS_CONDITION_OFF) {
			w->said_off = true;
			w->heard_when_off = w->heard;
			see_to_restart(w);
		}
	}
	tell_condition(w);
	w->watch->listener.on_frames(w->watch->listener.context, frames, count);
}

static void on_poll_closed(uv_handle_t *handle)
{
	free(handle);
}

static void close_bus(struct watched *w)
{
	if (w->poll != NULL) {
		uv_close((uv_handle_t *)w->poll, on_poll_closed); /* stops it first */
		w->poll = NULL;
	}
	(void)uv_timer_stop(&w->rest);
	bus_close(w->bus);
	w->bus = NULL;
}

static void on_retry(uv_timer_t *timer);

static void lose(struct watched *w, enum bus_presence presence, const char *sentence)
{
	if (w->bus != NULL) {
		w->dropped_before = w->status.dropped;
		w->status.outages++;
		(void)uv_timer_stop(&w->restart);
		close_bus(w);
		/* Should the announcement that it is back be lost, it is found all the same. */
		(void)uv_timer_start(&w->watch->retry, on_retry, RETRY_MS, 0);
	}
	set_presence(w, presence);
	tell_news(w, sentence);
}

/* Drains a bus. Returns how many frames came, or a negative errno with the bus lost. */
static int drain(struct watched *w)
{
	struct frame frames[BUS_BATCH];
	int total = 0;
	int got = 0;

	for (int i = 0; i < DRAIN_BATCHES && w->bus != NULL; i++) {
		got = bus_read(w->bus, frames, BUS_BATCH);
		if (got <= 0) {
			break;
		}
		total += got;
		w->status.hardware_time = bus_has_hardware_time(w->bus);
		w->status.dropped = w->dropped_before + bus_dropped(w->bus);
		take(w, frames, (size_t)got);
		if (got < BUS_BATCH) {
			break;
		}
	}
	uint64_t now_ms = uv_now(w->watch->loop);
	if (w->status.dropped != w->told_dropped &&
		(w->told_dropped == 0 || now_ms - w->told_dropped_ms >= CONDITION_PAUSE_MS)) {
		char sentence[160];

		(void)snprintf(sentence, sizeof(sentence),
			"%" PRIu64 " frames were dropped: this machine was too busy to read them",
			w->status.dropped - w->told_dropped);
		w->told_dropped = w->status.dropped;
		w->told_dropped_ms = now_ms;
		tell(w, sentence);
	}
	if (got < 0) {
		lose(w, got == -ENODEV ? BUS_MISSING : BUS_DOWN,
			got == -ENODEV ? "the interface is gone; waiting for it"
				       : "the link went down; waiting for it");
		return got;
	}
	return total;
}

/* Reads everything that waits now. */
static void drain_whole(struct watched *w)
{
	for (int i = 0; i < DRAIN_ROUNDS && w->bus != NULL; i++) {
		if (drain(w) < DRAIN_BATCHES * BUS_BATCH) {
			return; /* no more there, or lost, which has been told */
		}
	}
}

static void on_frames_wait(uv_poll_t *poll, int status, int events);

static void on_rested(uv_timer_t *timer)
{
	struct watched *w = timer->data;
	int got = drain(w);

	if (got > 0) {
		(void)uv_timer_start(timer, on_rested, BUS_WATCH_REST_MS, 0);
	} else if (got == 0 && uv_poll_start(w->poll, UV_READABLE, on_frames_wait) != 0) {
		(void)uv_timer_start(timer, on_rested, BUS_WATCH_REST_MS, 0); /* else nobody reads it */
	}
}

static void on_frames_wait(uv_poll_t *poll, int status, int events)
{
	struct watched *w = poll->data;

	(void)status; /* an error of the socket comes out of reading it */
	(void)events;
	if (drain(w) >= 0) {
		(void)uv_poll_stop(poll);
		(void)uv_timer_start(&w->rest, on_rested, BUS_WATCH_REST_MS, 0);
	}
}

static int open_bus(struct watched *w)
{
	int result = bus_open(&w->bus, w->interface, w->status.number, w->watch->filter);

	if (result != 0) {
		w->bus = NULL;
		return result;
	}
	w->poll = malloc(sizeof(*w->poll));
	if (w->poll == NULL) {
		result = -ENOMEM;
		goto fail;
	}
	result = uv_poll_init(w->watch->loop, w->poll, bus_fd(w->bus));
	if (result != 0) {
		free(w->poll);
		w->poll = NULL;
		goto fail;
	}
	w->poll->data = w;
	result = uv_poll_start(w->poll, UV_READABLE, on_frames_wait);
	if (result != 0) {
		goto fail;
	}
	return 0;

fail:
	close_bus(w);
	return result;
}

static void describe_listening(const struct watched *w, char *sentence, size_t size)
{
	const struct controller *controller = &w->status.controller;

	if (controller->bit_rate == 0) {
		(void)snprintf(sentence, size, "listening");
		return;
	}
	(void)snprintf(sentence, size, "listening at %" PRIu32 " bit/s%s, controller %s",
		controller->bit_rate, controller->listen_only ? ", listen-only" : "",
		controller_state_name(controller->state));
}

/* How it stands, as the sentence that would be told if it came to stand so now. */
static void describe_presence(const struct watched *w, char *sentence, size_t size)
{
	switch (w->status.presence) {
	case BUS_LISTENING:
		describe_listening(w, sentence, size);
		break;
	case BUS_DOWN:
		(void)snprintf(sentence, size, "the link is down; waiting for it");
		break;
	case BUS_MISSING:
		(void)snprintf(sentence, size, "there is no such interface; waiting for it");
		break;
	case BUS_UNUSABLE:
		(void)snprintf(sentence, size, "cannot be opened: %s; trying again",
			bus_refusal(w->status.trouble));
		break;
	}
}

static void try_bus(struct watched *w)
{
	char sentence[300];
	int before = w->status.trouble;
	int result = open_bus(w);

	if (result == 0) {
		w->status.trouble = 0;
		set_presence(w, BUS_LISTENING);
		bus_health_init(&w->status.health);
		w->told_condition = w->status.health.condition;
		ask_controller(w);
		describe_presence(w, sentence, sizeof(sentence));
		tell_news(w, sentence);
		return;
	}
	/* The kernel says when a link comes up; the timer is for what it does not say. */
	(void)uv_timer_start(&w->watch->retry, on_retry, RETRY_MS, 0);
	if (result == -ENODEV || result == -ENETDOWN) {
		set_presence(w, result == -ENODEV ? BUS_MISSING : BUS_DOWN);
		return;
	}
	w->status.trouble = result;
	set_presence(w, BUS_UNUSABLE);
	if (result != before) {
		describe_presence(w, sentence, sizeof(sentence));
		tell_news(w, sentence);
	}
}

static void on_retry(uv_timer_t *timer)
{
	struct bus_watch *watch = timer->data;

	for (size_t i = 0; i < watch->count; i++) {
		if (watch->buses[i]->bus == NULL) {
			try_bus(watch->buses[i]);
		}
	}
}

static void on_link(struct watched *w, enum link_state state)
{
	/* What arrived before it went down is still read; that also finds that it was down. */
	bool lost = w->bus != NULL && drain(w) < 0;

	if (state == LINK_UP) {
		if (w->bus == NULL) {
			try_bus(w);
		}
		return;
	}
	enum bus_presence presence = state == LINK_DOWN ? BUS_DOWN : BUS_MISSING;
	if (lost || (w->bus == NULL && w->status.presence == presence)) {
		set_presence(w, presence);
		return; /* it has been told */
	}
	lose(w, presence,
		state == LINK_DOWN ? "the link is down; waiting for it"
				   : "there is no such interface; waiting for it");
}

static void on_links(uv_poll_t *poll, int status, int events)
{
	struct bus_watch *watch = poll->data;

	(void)status; /* an error of the socket comes out of reading it */
	(void)events;
	if (link_watch_read(&watch->links) <= 0) {
		return;
	}
	for (size_t i = 0; i < watch->count; i++) {
		if (watch->links.links[i].changed) {
			watch->links.links[i].changed = false;
			on_link(watch->buses[i], watch->links.links[i].state);
		}
	}
}

static void on_watch_handle_closed(uv_handle_t *handle)
{
	struct bus_watch *watch = handle->data;

	watch->handles--;
	if (watch->handles == 0) {
		free(watch);
	}
}

static void on_bus_handle_closed(uv_handle_t *handle)
{
	struct watched *w = handle->data;

	w->handles--;
	if (w->handles == 0) {
		free(w);
	}
}

/* Adds a bus that begin_bus is still to open. */
static int add_bus(struct bus_watch *watch, const struct bus_watch_want *want)
{
	struct watched *w = calloc(1, sizeof(*w));
	int result = w == NULL ? -ENOMEM : link_watch_add(&watch->links, want->interface);

	if (result < 0) {
		free(w);
		return result;
	}
	assert(want->number < FRAME_BUS_MAX);
	w->watch = watch;
	w->restart_ms = want->restart_ms;
	(void)snprintf(w->interface, sizeof(w->interface), "%s", want->interface);
	w->status.interface = w->interface;
	w->status.number = want->number;
	w->status.presence = BUS_MISSING;
	w->since_ms = uv_now(watch->loop);
	w->heard_ms = w->since_ms;
	w->status.controller.state = CONTROLLER_UNKNOWN;
	w->news = NEWS_BURST;
	w->news_ms = w->since_ms;
	bus_health_init(&w->status.health);
	/* These two cannot fail: they only fill in the handle. */
	(void)uv_timer_init(watch->loop, &w->rest);
	(void)uv_timer_init(watch->loop, &w->restart);
	w->rest.data = w;
	w->restart.data = w;
	w->handles = 2;
	watch->buses[watch->count++] = w;
	return 0;
}

static void remove_bus(struct bus_watch *watch, size_t index)
{
	struct watched *w = watch->buses[index];

	close_bus(w);
	uv_close((uv_handle_t *)&w->rest, on_bus_handle_closed);
	uv_close((uv_handle_t *)&w->restart, on_bus_handle_closed);
	link_watch_remove(&watch->links, index);
	watch->count--;
	memmove(&watch->buses[index], &watch->buses[index + 1],
		(watch->count - index) * sizeof(watch->buses[0]));
}

/* Opens a bus that is there already; any other is waited for, and told. */
static void begin_bus(struct bus_watch *watch, size_t index)
{
	struct watched *w = watch->buses[index];
	enum bus_presence presence;
	char sentence[300];

	try_bus(w);
	presence = w->status.presence;
	if (presence == BUS_MISSING || presence == BUS_DOWN) {
		describe_presence(w, sentence, sizeof(sentence));
		tell_news(w, sentence);
	}
	watch->links.links[index].state = presence == BUS_MISSING ? LINK_MISSING
					  : presence == BUS_DOWN  ? LINK_DOWN
								  : LINK_UP;
}

/* The place of an interface among the buses, -1: none. */
static int place_of(const struct bus_watch *watch, const char *interface)
{
	for (size_t i = 0; i < watch->count; i++) {
		if (strcmp(watch->buses[i]->interface, interface) == 0) {
			return (int)i;
		}
	}
	return -1;
}

int bus_watch_open(struct bus_watch **ret_watch, uv_loop_t *loop,
	const struct bus_watch_want *wants, size_t count, enum bus_filter filter,
	const struct bus_watch_listener *listener)
{
	struct bus_watch *watch = calloc(1, sizeof(*watch));
	int result;

	assert(count <= FRAME_BUS_MAX);
	if (watch == NULL) {
		return -ENOMEM;
	}
	watch->loop = loop;
	watch->filter = filter;
	watch->listener = *listener;
	result = link_watch_open(&watch->links);
	if (result != 0) {
		free(watch);
		return result;
	}
	result = uv_poll_init(loop, &watch->link_poll, watch->links.fd);
	if (result != 0) {
		link_watch_close(&watch->links);
		free(watch);
		return result;
	}
	(void)uv_timer_init(loop, &watch->retry);
	watch->retry.data = watch;
	watch->link_poll.data = watch;
	watch->handles = 2;
	for (size_t i = 0; i < count && result == 0; i++) {
		result = add_bus(watch, &wants[i]);
	}
	if (result == 0) {
		result = uv_poll_start(&watch->link_poll, UV_READABLE, on_links);
	}
	if (result != 0) {
		bus_watch_close(watch);
		return result;
	}
	for (size_t i = 0; i < watch->count; i++) {
		begin_bus(watch, i);
	}
	*ret_watch = watch;
	return 0;
}

/* Has the kernel pass on frames by another filter, on the first count buses; on all or on none. */
static int change_filter(struct bus_watch *watch, size_t count, enum bus_filter filter)
{
	int result = 0;

	for (size_t i = 0; i < count && filter != watch->filter && result == 0; i++) {
		if (watch->buses[i]->bus != NULL) {
			result = bus_set_filter(watch->buses[i]->bus, filter);
		}
	}
	for (size_t i = 0; i < count && result != 0; i++) {
		if (watch->buses[i]->bus != NULL) {
			/* Where even that fails, there are more frames than asked for. */
			(void)bus_set_filter(watch->buses[i]->bus, watch->filter);
		}
	}
	if (result == 0) {
		watch->filter = filter;
	}
	return result;
}

static void change_restart(struct watched *w, uint64_t restart_ms)
{
	if (w->restart_ms == restart_ms) {
		return;
	}
	w->restart_ms = restart_ms;
	(void)uv_timer_stop(&w->restart);
	see_to_restart(w);
}

int bus_watch_change(struct bus_watch *watch, const struct bus_watch_want *wants, size_t count,
	enum bus_filter filter)
{
	bool wanted[LINK_WATCH_MOST] = {false};
	size_t before = watch->count;
	int result = 0;

	assert(count <= FRAME_BUS_MAX);
	for (size_t i = 0; i < count && result == 0; i++) {
		int place = place_of(watch, wants[i].interface);

		if (place < 0) {
			result = add_bus(watch, &wants[i]);
		} else {
			assert(watch->buses[place]->status.number == wants[i].number);
			wanted[place] = true;
		}
	}
	if (result == 0) {
		result = change_filter(watch, before, filter);
	}
	if (result != 0) {
		while (watch->count > before) {
			remove_bus(watch, watch->count - 1);
		}
		return result;
	}
	for (size_t i = before; i-- > 0;) {
		if (!wanted[i]) {
			drain_whole(watch->buses[i]);
			remove_bus(watch, i);
			before--;
		}
	}
	for (size_t i = 0; i < count; i++) {
		change_restart(
			watch->buses[place_of(watch, wants[i].interface)], wants[i].restart_ms);
	}
	for (size_t i = before; i < watch->count; i++) {
		begin_bus(watch, i);
	}
	return 0;
}

void bus_watch_close(struct bus_watch *watch)
{
	if (watch == NULL) {
		return;
	}
	while (watch->count > 0) {
		remove_bus(watch, watch->count - 1);
	}
	uv_close((uv_handle_t *)&watch->link_poll, on_watch_handle_closed);
	uv_close((uv_handle_t *)&watch->retry, on_watch_handle_closed);
	link_watch_close(&watch->links);
}

void bus_watch_drain(struct bus_watch *watch)
{
	for (size_t i = 0; i < watch->count; i++) {
		drain_whole(watch->buses[i]);
	}
}

void bus_watch_ask(struct bus_watch *watch)
{
	for (size_t i = 0; i < watch->count; i++) {
		if (watch->buses[i]->bus != NULL) {
			ask_controller(watch->buses[i]);
		}
		tell_kept_back(watch->buses[i]);
	}
}

static enum bus_trouble absence(enum bus_presence presence)
{
	return presence == BUS_MISSING ? BUS_TROUBLE_MISSING
	     : presence == BUS_DOWN    ? BUS_TROUBLE_DOWN
				       : BUS_TROUBLE_UNUSABLE;
}

enum bus_trouble bus_watch_trouble(const struct bus_watch *watch, size_t index)
{
	const struct watched *w = watch->buses[index];
	uint64_t now_ms = uv_now(watch->loop);

	if (w->status.presence != BUS_LISTENING) {
		return now_ms - w->since_ms < BUS_WATCH_ABSENT_MS ? BUS_TROUBLE_NONE
								  : absence(w->status.presence);
	}
	if (w->status.health.condition == BUS_CONDITION_OFF ||
		w->status.controller.state == CONTROLLER_BUS_OFF) {
		return BUS_TROUBLE_OFF;
	}
	if (now_ms - w->heard_ms >= BUS_WATCH_SILENT_MS) {
		return BUS_TROUBLE_SILENT;
	}
	return w->status.controller.state == CONTROLLER_ERROR_PASSIVE ? BUS_TROUBLE_PASSIVE
								      : BUS_TROUBLE_NONE;
}

size_t bus_watch_count(const struct bus_watch *watch)
{
	return watch->count;
}

const struct bus_status *bus_watch_status(const struct bus_watch *watch, size_t index)
{
	return &watch->buses[index]->status;
}
