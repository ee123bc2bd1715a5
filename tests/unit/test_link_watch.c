/* The kernel's own announcements of links, in a network namespace of the test's own where the machine
 * permits one, else only what every machine has. */
#include <errno.h>
#include <poll.h>
#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include <net/if.h>
#include <sys/ioctl.h>
#include <sys/socket.h>

#include <cmocka.h>

#include "daemon/link_watch.h"

static bool own_namespace;

static void bring(const char *name, bool up)
{
	struct ifreq request;
	int fd = socket(AF_INET, SOCK_DGRAM, 0);

	assert_true(fd >= 0);
	memset(&request, 0, sizeof(request));
	(void)snprintf(request.ifr_name, sizeof(request.ifr_name), "%s", name);
	assert_int_equal(ioctl(fd, SIOCGIFFLAGS, &request), 0);
	request.ifr_flags = (short)(up ? request.ifr_flags | IFF_UP : request.ifr_flags & ~IFF_UP);
	assert_int_equal(ioctl(fd, SIOCSIFFLAGS, &request), 0);
	assert_int_equal(close(fd), 0);
}

/* Reads until a link has changed, for at most 5 s. */
static int read_change(struct link_watch *watch)
{
	struct pollfd wait = {.fd = watch->fd, .events = POLLIN};
	int changed = 0;

	while (changed == 0 && poll(&wait, 1, 5000) > 0) {
		changed = link_watch_read(watch);
	}
	return changed;
}

static void what_is_there_and_what_is_not_is_told(void **state)
{
	struct link_watch watch;

	(void)state;
	assert_int_equal(link_watch_open(&watch), 0);
	assert_int_equal(link_watch_add(&watch, "lo"), 0);
	assert_int_equal(link_watch_add(&watch, "no-such-link"), 1);
	assert_int_equal(watch.links[0].state, LINK_MISSING);
	assert_int_equal(read_change(&watch), 1);
	assert_true(watch.links[0].changed);
	assert_int_not_equal(watch.links[0].state, LINK_MISSING);
	assert_false(watch.links[1].changed);
	assert_int_equal(watch.links[1].state, LINK_MISSING);
	link_watch_close(&watch);
	assert_int_equal(watch.fd, -1);
	link_watch_close(&watch); /* also fine */
}

static void a_name_that_is_taken_out_is_told_of_no_more(void **state)
{
	struct link_watch watch;

	(void)state;
	assert_int_equal(link_watch_open(&watch), 0);
	assert_int_equal(link_watch_add(&watch, "no-such-link"), 0);
	assert_int_equal(link_watch_add(&watch, "lo"), 1);
	link_watch_remove(&watch, 0);
	assert_int_equal(watch.count, 1);
	assert_string_equal(watch.links[0].name, "lo");
	assert_int_equal(read_change(&watch), 1);
	assert_int_not_equal(watch.links[0].state, LINK_MISSING);
	link_watch_remove(&watch, 0);
	assert_int_equal(link_watch_ask(&watch), 0);
	assert_int_equal(link_watch_read(&watch), 0);
	/* It can be asked for again. */
	assert_int_equal(link_watch_add(&watch, "lo"), 0);
	assert_int_equal(read_change(&watch), 1);
	link_watch_close(&watch);
}

static void up_and_down_are_announced(void **state)
{
	struct link_watch watch;

	(void)state;
	if (!own_namespace) {
		(void)fprintf(stderr, "SKIPPED: no network namespace is permitted here\n");
		skip();
	}
	assert_int_equal(link_watch_open(&watch), 0);
	assert_int_equal(link_watch_add(&watch, "lo"), 0);
	assert_int_equal(read_change(&watch), 1);
	assert_int_equal(watch.links[0].state, LINK_DOWN);
	watch.links[0].changed = false;
	for (int i = 0; i < 3; i++) {
		bring("lo", true);
		assert_int_equal(read_change(&watch), 1);
		assert_int_equal(watch.links[0].state, LINK_UP);
		watch.links[0].changed = false;
		bring("lo", false);
		assert_int_equal(read_change(&watch), 1);
		assert_int_equal(watch.links[0].state, LINK_DOWN);
		watch.links[0].changed = false;
	}
	/* Down and up between two readings is a change, too. */
	bring("lo", true);
	assert_int_equal(read_change(&watch), 1);
	watch.links[0].changed = false;
	bring("lo", false);
	bring("lo", true);
	assert_int_equal(read_change(&watch), 1);
	assert_int_equal(watch.links[0].state, LINK_UP);
	link_watch_close(&watch);
}

static void announcements_without_number_are_survived(void **state)
{
	struct link_watch watch;

	(void)state;
	if (!own_namespace) {
		(void)fprintf(stderr, "SKIPPED: no network namespace is permitted here\n");
		skip();
	}
	assert_int_equal(link_watch_open(&watch), 0);
	assert_int_equal(link_watch_add(&watch, "lo"), 0);
	/* More than the socket holds: some are lost (ENOBUFS), and asked for again. */
	for (int i = 0; i < 1500; i++) {
		bring("lo", i % 2 == 0);
	}
	bring("lo", true);
	assert_true(read_change(&watch) >= 0);
	while (read_change(&watch) > 0 && watch.links[0].state != LINK_UP) {
		watch.links[0].changed = false;
	}
	assert_int_equal(watch.links[0].state, LINK_UP);
	link_watch_close(&watch);
}

static void names_and_numbers_are_bounded(void **state)
{
	struct link_watch watch;
	char name[8];

	(void)state;
	assert_int_equal(link_watch_open(&watch), 0);
	assert_int_equal(link_watch_add(&watch, ""), -ENAMETOOLONG);
	assert_int_equal(link_watch_add(&watch, "sixteen-letters-"), -ENAMETOOLONG);
	for (int i = 0; i < LINK_WATCH_MOST; i++) {
		(void)snprintf(name, sizeof(name), "x%d", i);
		assert_int_equal(link_watch_add(&watch, name), i);
	}
	assert_int_equal(link_watch_add(&watch, "more"), -ENOSPC);
	link_watch_close(&watch);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_is_there_and_what_is_not_is_told),
		cmocka_unit_test(a_name_that_is_taken_out_is_told_of_no_more),
		cmocka_unit_test(up_and_down_are_announced),
		cmocka_unit_test(announcements_without_number_are_survived),
		cmocka_unit_test(names_and_numbers_are_bounded),
	};

	own_namespace = unshare(CLONE_NEWNET) == 0 || unshare(CLONE_NEWUSER | CLONE_NEWNET) == 0;
	return cmocka_run_group_tests(tests, NULL, NULL);
}
