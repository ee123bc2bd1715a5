/* The life of buses on the loop, against a bus and links of the test's own: this file has its own bus.h
 * and link_watch.h functions, which the linker takes instead of the program's. Time can be set on. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/bus_watch.h"

#define BUSES 2

/* ---- the buses as they are ---- */

static struct {
	const char *name;
	enum link_state link;
	bool announced; /* that the link changed, not read yet */
	int refuse; /* what opening it returns when it is up; 0: it opens */
	struct controller controller;
	uint64_t dropped;
	size_t waiting;  /* frames */
	struct frame frame;
	int event;       /* becomes readable when frames wait; -1: not open */
	unsigned opened;
	unsigned restarts;
	int restart_result;
	bool restart_leaves_off; /* as the driver says */
	enum bus_filter filter;
	unsigned filter_changes;
	int filter_result;
	int add_result; /* what watching its link returns */
} given[BUSES];

static int links_event = -1;
static uint64_t skipped_ms;

uint64_t uv_now(const uv_loop_t *loop)
{
	(void)loop;
	return uv_hrtime() / 1000000 + skipped_ms;
}

struct bus {
	size_t index;
};

static size_t index_of(const char *interface)
{
	for (size_t i = 0; i < BUSES; i++) {
		if (given[i].name != NULL && strcmp(given[i].name, interface) == 0) {
			return i;
		}
	}
	fail_msg("nobody asked for %s", interface);
	return 0;
}

int bus_open(struct bus **ret_bus, const char *interface, unsigned number, enum bus_filter filter)
{
	size_t i = index_of(interface);

	(void)number;
	if (given[i].link != LINK_UP) {
		return given[i].link == LINK_DOWN ? -ENETDOWN : -ENODEV;
	}
	if (given[i].refuse != 0) {
		return given[i].refuse;
	}
	*ret_bus = malloc(sizeof(**ret_bus));
	assert_non_null(*ret_bus);
	(*ret_bus)->index = i;
	given[i].event = eventfd(0, EFD_NONBLOCK);
	given[i].filter = filter;
	given[i].opened++;
	return 0;
}

void bus_close(struct bus *bus)
{
	if (bus != NULL) {
		(void)close(given[bus->index].event);
		given[bus->index].event = -1;
		free(bus);
	}
}

int bus_set_filter(struct bus *bus, enum bus_filter filter)
{
	if (given[bus->index].filter_result == 0) {
		given[bus->index].filter = filter;
		given[bus->index].filter_changes++;
	}
	return given[bus->index].filter_result;
}

int bus_fd(const struct bus *bus)
{
	return given[bus->index].event;
}

int bus_read(struct bus *bus, struct frame *frames, size_t count)
{
	size_t i = bus->index;
	uint64_t number;
	size_t got = given[i].waiting < count ? given[i].waiting : count;

	(void)!read(given[i].event, &number, sizeof(number));
	if (given[i].link != LINK_UP) {
		return given[i].link == LINK_DOWN ? -ENETDOWN : -ENODEV;
	}
	for (size_t k = 0; k < got; k++) {
		frames[k] = given[i].frame;
	}
	given[i].waiting -= got;
	return (int)got;
}

uint64_t bus_dropped(const struct bus *bus)
{
	return given[bus->index].dropped;
}

bool bus_has_hardware_time(const struct bus *bus)
{
	(void)bus;
	return false;
}

int bus_controller(const char *interface, struct controller *ret_controller)
{
	*ret_controller = given[index_of(interface)].controller;
	return 0;
}

const char *controller_state_name(enum controller_state state)
{
	return state == CONTROLLER_ERROR_ACTIVE ? "error-active" : "other";
}

int bus_restart(const char *interface)
{
	size_t i = index_of(interface);

	given[i].restarts++;
	if (given[i].restart_result == 0 && !given[i].restart_leaves_off) {
		given[i].controller.state = CONTROLLER_ERROR_ACTIVE;
	}
	return given[i].restart_result;
}

int link_watch_open(struct link_watch *watch)
{
	memset(watch, 0, sizeof(*watch));
	links_event = eventfd(0, EFD_NONBLOCK);
	watch->fd = links_event;
	return links_event < 0 ? -errno : 0;
}

void link_watch_close(struct link_watch *watch)
{
	(void)close(watch->fd);
	watch->fd = -1;
}

int link_watch_add(struct link_watch *watch, const char *name)
{
	int result = given[index_of(name)].add_result;

	if (result != 0) {
		return result;
	}
	(void)snprintf(watch->links[watch->count].name, LINK_NAME_MAX, "%s", name);
	return (int)watch->count++;
}

void link_watch_remove(struct link_watch *watch, size_t place)
{
	watch->count--;
	memmove(&watch->links[place], &watch->links[place + 1],
		(watch->count - place) * sizeof(watch->links[0]));
}

int link_watch_ask(struct link_watch *watch)
{
	(void)watch;
	return 0;
}

int link_watch_read(struct link_watch *watch)
{
	uint64_t number;
	int changed = 0;

	(void)!read(watch->fd, &number, sizeof(number));
	for (size_t i = 0; i < watch->count; i++) {
		size_t at = index_of(watch->links[i].name);
		enum link_state now = given[at].link;
		watch->links[i].changed |= given[at].announced;
		given[at].announced = false;
		watch->links[i].state = now;
		changed += watch->links[i].changed;
	}
	return changed;
}

/* ---- the test's side ---- */

static struct {
	uv_loop_t loop;
	struct bus_watch *watch;
	size_t frames;
	size_t news;
	char last[400];
} t;

static void on_frames(void *context, const struct frame *frames, size_t count)
{
	(void)context;
	(void)frames;
	assert_true(count <= BUS_BATCH);
	t.frames += count;
}

static void on_news(void *context, const struct bus_status *status, const char *sentence)
{
	(void)context;
	t.news++;
	(void)snprintf(t.last, sizeof(t.last), "%s: %s", status->interface, sentence);
}

static int begin(void **state)
{
	(void)state;
	memset(&t, 0, sizeof(t));
	memset(given, 0, sizeof(given));
	skipped_ms = 0;
	for (size_t i = 0; i < BUSES; i++) {
		given[i].event = -1;
		given[i].frame = (struct frame){.t_ns = 1, .kind = FRAME_EXTENDED, .len = 8};
		given[i].controller = (struct controller){
			.state = CONTROLLER_ERROR_ACTIVE, .bit_rate = 250000};
	}
	given[0].name = "can0";
	given[1].name = "can1";
	return uv_loop_init(&t.loop);
}

static int end(void **state)
{
	(void)state;
	bus_watch_close(t.watch);
	(void)uv_run(&t.loop, UV_RUN_DEFAULT);
	return uv_loop_close(&t.loop) == 0 && given[0].event == -1 && given[1].event == -1 ? 0 : -1;
}

static void watch(size_t count, uint64_t restart_ms)
{
	const struct bus_watch_want wants[BUSES] = {
		{.interface = "can0", .number = 0, .restart_ms = restart_ms},
		{.interface = "can1", .number = 1},
	};
	const struct bus_watch_listener listener = {NULL, on_frames, on_news};

	assert_int_equal(bus_watch_open(&t.watch, &t.loop, wants, count, BUS_ALL_FRAMES, &listener), 0);
}

static void on_pause(uv_timer_t *timer)
{
	uv_close((uv_handle_t *)timer, NULL);
}

/* Lets the loop run for so long. */
static void run_ms(uint64_t ms)
{
	uv_timer_t timer;

	uv_update_time(&t.loop);
	(void)uv_timer_init(&t.loop, &timer);
	(void)uv_timer_start(&timer, on_pause, ms, 0);
	while (!uv_is_closing((uv_handle_t *)&timer)) {
		(void)uv_run(&t.loop, UV_RUN_ONCE);
	}
	(void)uv_run(&t.loop, UV_RUN_NOWAIT);
}

static void wake(int event)
{
	const uint64_t one = 1;

	assert_int_equal(write(event, &one, sizeof(one)), sizeof(one));
}

static void change_link(size_t i, enum link_state link)
{
	given[i].announced |= given[i].link != link;
	given[i].link = link;
	wake(links_event);
	run_ms(5);
}

static void send_frames(size_t i, size_t count)
{
	given[i].waiting += count;
	wake(given[i].event);
}

static void error_frame(size_t i, uint32_t class_bits, uint8_t controller)
{
	given[i].frame = (struct frame){.t_ns = 2, .kind = FRAME_ERROR, .id = class_bits, .len = 8,
		.data = {0, controller}};
	send_frames(i, 1);
	run_ms(BUS_WATCH_REST_MS + 20);
	given[i].frame = (struct frame){.t_ns = 1, .kind = FRAME_EXTENDED, .len = 8};
}

static void what_is_missing_is_told_and_opened_when_it_comes(void **state)
{
	(void)state;
	watch(1, 0);
	assert_string_equal(t.last, "can0: there is no such interface; waiting for it");
	assert_int_equal(bus_watch_status(t.watch, 0)->presence, BUS_MISSING);
	change_link(0, LINK_DOWN);
	assert_string_equal(t.last, "can0: the link is down; waiting for it");
	assert_int_equal(bus_watch_status(t.watch, 0)->presence, BUS_DOWN);
	change_link(0, LINK_UP);
	assert_string_equal(t.last, "can0: listening at 250000 bit/s, controller error-active");
	assert_int_equal(bus_watch_status(t.watch, 0)->presence, BUS_LISTENING);
	assert_int_equal(t.news, 3);
}

static void listen_only_is_told(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[0].controller.listen_only = true;
	watch(1, 0);
	assert_non_null(strstr(t.last, ", listen-only,"));
}

static void what_cannot_be_opened_is_told_once(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[0].refuse = -EPERM;
	watch(1, 0);
	assert_non_null(strstr(t.last, "cannot be opened"));
	assert_int_equal(bus_watch_status(t.watch, 0)->presence, BUS_UNUSABLE);
	assert_int_equal(bus_watch_status(t.watch, 0)->trouble, -EPERM);
	change_link(0, LINK_DOWN);
	change_link(0, LINK_UP);
	size_t before = t.news;
	change_link(0, LINK_DOWN);
	change_link(0, LINK_UP);
	assert_true(t.news - before <= 2); /* down; the same refusal is no news */
	given[0].refuse = 0;
	change_link(0, LINK_DOWN);
	change_link(0, LINK_UP);
	assert_int_equal(bus_watch_status(t.watch, 0)->presence, BUS_LISTENING);
}

static void a_kernel_without_can_is_told_with_what_to_do(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	for (int i = 0; i < 2; i++) {
		given[0].refuse = i == 0 ? -EAFNOSUPPORT : -EPROTONOSUPPORT;
		watch(1, 0);
		assert_non_null(strstr(t.last, "can0: cannot be opened: this kernel has no CAN: "));
		assert_non_null(strstr(t.last, "'modprobe can_raw'"));
		assert_non_null(strstr(t.last, "CONFIG_CAN_RAW; trying again"));
		bus_watch_close(t.watch);
		t.watch = NULL;
	}
}

static void every_frame_is_handed_on_in_batches(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	send_frames(0, 10 * BUS_BATCH + 7);
	run_ms(4 * BUS_WATCH_REST_MS);
	assert_int_equal(t.frames, 10 * BUS_BATCH + 7);
	assert_int_equal(bus_watch_status(t.watch, 0)->frames, 10 * BUS_BATCH + 7);
	send_frames(0, 1);
	run_ms(2 * BUS_WATCH_REST_MS);
	assert_int_equal(t.frames, 10 * BUS_BATCH + 8);
	/* Without waiting for the loop. */
	given[0].waiting = 3;
	bus_watch_drain(t.watch);
	assert_int_equal(t.frames, 10 * BUS_BATCH + 11);
}

static void a_link_that_goes_is_an_outage_and_comes_back(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	for (unsigned i = 1; i <= 3; i++) {
		given[0].link = LINK_DOWN;
		given[0].announced = true;
		wake(given[0].event); /* reading may fail before the announcement is read */
		run_ms(5);
		assert_non_null(strstr(t.last, "waiting for it"));
		assert_int_equal(bus_watch_status(t.watch, 0)->outages, i);
		change_link(0, LINK_UP);
		assert_non_null(strstr(t.last, "listening"));
	}
	assert_int_equal(given[0].opened, 4);
}

static void one_bus_does_not_wait_for_the_other(void **state)
{
	(void)state;
	given[1].link = LINK_UP;
	watch(2, 0);
	send_frames(1, 5);
	run_ms(20);
	assert_int_equal(t.frames, 5);
	assert_int_equal(bus_watch_status(t.watch, 0)->presence, BUS_MISSING);
	assert_int_equal(bus_watch_count(t.watch), 2);
}

static void dropped_frames_are_told_at_most_once_a_minute(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	size_t before = t.news;
	for (int i = 1; i <= 5; i++) {
		given[0].dropped = (uint64_t)i * 10;
		send_frames(0, 1);
		run_ms(2 * BUS_WATCH_REST_MS);
	}
	assert_int_equal(t.news, before + 1);
	assert_non_null(strstr(t.last, "10 frames were dropped"));
	skipped_ms += 61000;
	send_frames(0, 1);
	run_ms(20);
	assert_int_equal(t.news, before + 2);
	assert_non_null(strstr(t.last, "40 frames were dropped"));
	/* A bus that comes back counts on. */
	change_link(0, LINK_DOWN);
	given[0].dropped = 0;
	change_link(0, LINK_UP);
	given[0].dropped = 2;
	send_frames(0, 1);
	run_ms(20);
	assert_int_equal(bus_watch_status(t.watch, 0)->dropped, 52);
}

static void a_bus_that_wavers_is_told_at_most_once_a_minute(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	size_t before = t.news;
	for (int i = 0; i < 4; i++) {
		error_frame(0, 0x4, 0x10); /* passive */
		error_frame(0, 0x4, 0x40); /* active */
	}
	assert_int_equal(t.news, before + 1);
	assert_non_null(strstr(t.last, "error-passive"));
}

static void bus_off_is_restarted_where_that_is_wished(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[0].controller.state = CONTROLLER_BUS_OFF;
	watch(1, 20);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_OFF);
	error_frame(0, 0x40, 0);
	run_ms(60);
	assert_int_equal(given[0].restarts, 1);
	assert_int_equal(bus_watch_status(t.watch, 0)->health.condition, BUS_CONDITION_ACTIVE);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
}

static void a_controller_that_is_off_when_it_is_first_asked_is_restarted(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[0].controller.state = CONTROLLER_BUS_OFF;
	watch(1, 20);
	run_ms(60);
	assert_int_equal(given[0].restarts, 1);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
}

static void bus_off_is_left_alone_where_it_is_not(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	given[0].controller.state = CONTROLLER_BUS_OFF;
	error_frame(0, 0x40, 0);
	run_ms(60);
	assert_int_equal(given[0].restarts, 0);
	assert_non_null(strstr(t.last, "bus-off"));
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_OFF);
	/* A controller that the kernel restarted by itself is seen when it is asked. */
	given[0].controller.state = CONTROLLER_ERROR_ACTIVE;
	bus_watch_ask(t.watch);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
}

static void a_restart_that_is_refused_is_told_once_and_tried_again(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 15);
	given[0].controller.state = CONTROLLER_BUS_OFF;
	given[0].restart_result = -EPERM;
	error_frame(0, 0x40, 0);
	run_ms(100);
	assert_true(given[0].restarts >= 2);
	assert_non_null(strstr(t.last, "cannot be restarted: Operation not permitted"));
	size_t before = t.news;
	run_ms(60);
	assert_int_equal(t.news, before);
	given[0].restart_result = 0;
	run_ms(60);
	assert_int_equal(bus_watch_status(t.watch, 0)->health.condition, BUS_CONDITION_ACTIVE);
}

static void a_controller_that_hears_is_not_off_whatever_its_driver_says(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 20);
	given[0].controller.state = CONTROLLER_BUS_OFF;
	given[0].restart_leaves_off = true;
	error_frame(0, 0x40, 0);
	run_ms(60);
	assert_true(given[0].restarts >= 1);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_OFF);
	send_frames(0, 1);
	run_ms(120);
	unsigned restarts = given[0].restarts;
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	assert_int_equal(bus_watch_status(t.watch, 0)->health.condition, BUS_CONDITION_ACTIVE);
	run_ms(60);
	bus_watch_ask(t.watch);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	assert_int_equal(given[0].restarts, restarts); /* each would cost frames */
	/* The next time that it goes off. */
	error_frame(0, 0x40, 0);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_OFF);
	run_ms(60);
	assert_true(given[0].restarts > restarts);
}

static void absence_is_a_trouble_after_a_minute(void **state)
{
	(void)state;
	watch(1, 0);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	skipped_ms += BUS_WATCH_ABSENT_MS - 5000;
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	skipped_ms += 5000;
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_MISSING);
	change_link(0, LINK_DOWN); /* there, but as absent as before */
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_DOWN);
	given[0].refuse = -EPERM;
	change_link(0, LINK_UP);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_UNUSABLE);
	given[0].refuse = 0;
	change_link(0, LINK_DOWN);
	change_link(0, LINK_UP);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	change_link(0, LINK_MISSING); /* gone again: a minute anew */
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
}

static void silence_is_a_trouble_after_half_a_minute(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	skipped_ms += BUS_WATCH_SILENT_MS - 5000;
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	skipped_ms += 5000;
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_SILENT);
	error_frame(0, 0x88, 0); /* which is not the bus's traffic */
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_SILENT);
	send_frames(0, 1);
	run_ms(BUS_WATCH_REST_MS + 20);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_NONE);
	given[0].controller.state = CONTROLLER_ERROR_PASSIVE;
	bus_watch_ask(t.watch);
	assert_int_equal(bus_watch_trouble(t.watch, 0), BUS_TROUBLE_PASSIVE);
}

static int change(bool can0, bool can1, enum bus_filter filter)
{
	struct bus_watch_want wants[BUSES];
	size_t count = 0;

	if (can1) {
		wants[count++] = (struct bus_watch_want){.interface = "can1", .number = 1};
	}
	if (can0) {
		wants[count++] = (struct bus_watch_want){.interface = "can0", .number = 0};
	}
	return bus_watch_change(t.watch, wants, count, filter);
}

static void a_bus_that_stays_keeps_its_socket_and_what_waits_on_it(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[1].link = LINK_UP;
	watch(1, 0);
	send_frames(0, 100);
	assert_int_equal(change(true, true, BUS_ALL_FRAMES), 0);
	assert_int_equal(bus_watch_count(t.watch), 2);
	assert_string_equal(t.last, "can1: listening at 250000 bit/s, controller error-active");
	send_frames(0, 50);
	send_frames(1, 7);
	run_ms(2 * BUS_WATCH_REST_MS);
	assert_int_equal(given[0].opened, 1);
	assert_int_equal(t.frames, 157);
	assert_int_equal(bus_watch_status(t.watch, 0)->frames, 150);
	assert_int_equal(given[0].filter_changes, 0);
}

static void a_bus_that_goes_is_read_to_its_end(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[1].link = LINK_UP;
	watch(2, 0);
	size_t before = t.news;
	given[0].waiting = 5000; /* more than one look at it takes */
	given[1].waiting = 3;
	assert_int_equal(change(false, true, BUS_ALL_FRAMES), 0);
	assert_int_equal(t.frames, 5000);
	assert_int_equal(given[0].event, -1);
	assert_int_equal(t.news, before); /* what is wished is no news */
	assert_int_equal(bus_watch_count(t.watch), 1);
	assert_string_equal(bus_watch_status(t.watch, 0)->interface, "can1");
	wake(given[1].event);
	run_ms(20);
	assert_int_equal(t.frames, 5003);
	/* The one that stays has moved up: its link is told of all the same. */
	change_link(1, LINK_DOWN);
	assert_string_equal(t.last, "can1: the link went down; waiting for it");
	given[0].link = LINK_DOWN;
	assert_int_equal(change(true, true, BUS_ALL_FRAMES), 0);
	assert_string_equal(t.last, "can0: the link is down; waiting for it");
	change_link(0, LINK_UP);
	assert_string_equal(t.last, "can0: listening at 250000 bit/s, controller error-active");
}

static void all_that_waits_is_drained_at_the_end(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	given[0].waiting = 5000;
	bus_watch_drain(t.watch);
	assert_int_equal(t.frames, 5000);
}

static void the_filter_changes_on_the_open_socket(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[1].link = LINK_UP;
	watch(1, 0);
	assert_int_equal(change(true, true, BUS_EXTENDED_FRAMES), 0);
	assert_int_equal(given[0].filter, BUS_EXTENDED_FRAMES);
	assert_int_equal(given[1].filter, BUS_EXTENDED_FRAMES);
	assert_int_equal(given[0].opened, 1);
	/* One that comes back later gets the present one. */
	change_link(0, LINK_DOWN);
	change_link(0, LINK_UP);
	assert_int_equal(given[0].filter, BUS_EXTENDED_FRAMES);
}

static void a_change_that_fails_changes_nothing(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	given[1].link = LINK_UP;
	watch(1, 0);
	size_t before = t.news;
	send_frames(0, 3);
	given[1].add_result = -ENOBUFS;
	assert_int_equal(change(false, true, BUS_EXTENDED_FRAMES), -ENOBUFS);
	given[1].add_result = 0;
	given[0].filter_result = -ENOMEM;
	assert_int_equal(change(true, true, BUS_EXTENDED_FRAMES), -ENOMEM);
	assert_int_equal(t.frames, 0);
	assert_int_equal(bus_watch_count(t.watch), 1);
	assert_int_equal(given[1].opened, 0);
	assert_int_equal(given[0].filter, BUS_ALL_FRAMES);
	assert_int_equal(t.news, before);
	run_ms(20);
	assert_int_equal(t.frames, 3);
}

static void a_link_that_comes_and_goes_is_told_with_how_often(void **state)
{
	(void)state;
	given[0].link = LINK_UP;
	watch(1, 0);
	for (int i = 0; i < 50; i++) {
		change_link(0, LINK_DOWN);
		change_link(0, LINK_UP);
	}
	assert_int_equal(t.news, 8);
	assert_int_equal(bus_watch_status(t.watch, 0)->outages, 50);
	bus_watch_ask(t.watch);
	assert_int_equal(t.news, 8); /* a minute is not over */
	skipped_ms += 60000;
	bus_watch_ask(t.watch);
	assert_int_equal(t.news, 9);
	assert_string_equal(t.last,
		"can0: listening at 250000 bit/s, controller error-active; 93 changes "
		"before this were not told singly: look for a loose plug");
	change_link(0, LINK_DOWN);
	assert_int_equal(t.news, 9);
	skipped_ms += 60000;
	bus_watch_ask(t.watch);
	assert_int_equal(t.news, 10);
	assert_non_null(
		strstr(t.last, "can0: the link is down; waiting for it; 1 change before this was"));
	/* After a quiet time each is told again. */
	skipped_ms += 600000;
	bus_watch_ask(t.watch);
	assert_int_equal(t.news, 10);
	change_link(0, LINK_UP);
	assert_string_equal(t.last, "can0: listening at 250000 bit/s, controller error-active");
	change_link(0, LINK_MISSING);
	assert_int_equal(t.news, 12);
}

static void a_restart_time_that_is_set_later_counts(void **state)
{
	const struct bus_watch_want want = {.interface = "can0", .number = 0, .restart_ms = 20};

	(void)state;
	given[0].link = LINK_UP;
	given[0].controller.state = CONTROLLER_BUS_OFF;
	watch(1, 0);
	run_ms(60);
	assert_int_equal(given[0].restarts, 0);
	assert_int_equal(bus_watch_change(t.watch, &want, 1, BUS_ALL_FRAMES), 0);
	run_ms(60);
	assert_int_equal(given[0].restarts, 1);
	given[0].restart_leaves_off = true;
	given[0].controller.state = CONTROLLER_BUS_OFF;
	bus_watch_ask(t.watch);
	assert_int_equal(change(true, false, BUS_ALL_FRAMES), 0); /* with none */
	run_ms(60);
	assert_int_equal(given[0].restarts, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
#define ON_A_LOOP(test) cmocka_unit_test_setup_teardown(test, begin, end)
		ON_A_LOOP(what_is_missing_is_told_and_opened_when_it_comes),
		ON_A_LOOP(listen_only_is_told),
		ON_A_LOOP(what_cannot_be_opened_is_told_once),
		ON_A_LOOP(a_kernel_without_can_is_told_with_what_to_do),
		ON_A_LOOP(every_frame_is_handed_on_in_batches),
		ON_A_LOOP(a_link_that_goes_is_an_outage_and_comes_back),
		ON_A_LOOP(one_bus_does_not_wait_for_the_other),
		ON_A_LOOP(dropped_frames_are_told_at_most_once_a_minute),
		ON_A_LOOP(a_bus_that_wavers_is_told_at_most_once_a_minute),
		ON_A_LOOP(bus_off_is_restarted_where_that_is_wished),
		ON_A_LOOP(a_controller_that_is_off_when_it_is_first_asked_is_restarted),
		ON_A_LOOP(bus_off_is_left_alone_where_it_is_not),
		ON_A_LOOP(a_restart_that_is_refused_is_told_once_and_tried_again),
		ON_A_LOOP(a_controller_that_hears_is_not_off_whatever_its_driver_says),
		ON_A_LOOP(absence_is_a_trouble_after_a_minute),
		ON_A_LOOP(silence_is_a_trouble_after_half_a_minute),
		ON_A_LOOP(a_bus_that_stays_keeps_its_socket_and_what_waits_on_it),
		ON_A_LOOP(a_bus_that_goes_is_read_to_its_end),
		ON_A_LOOP(all_that_waits_is_drained_at_the_end),
		ON_A_LOOP(the_filter_changes_on_the_open_socket),
		ON_A_LOOP(a_change_that_fails_changes_nothing),
		ON_A_LOOP(a_link_that_comes_and_goes_is_told_with_how_often),
		ON_A_LOOP(a_restart_time_that_is_set_later_counts),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
