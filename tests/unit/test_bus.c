/* A raw CAN socket as the kernel gives it, against calls of the test's own: this machine may have no CAN.
 * Frames and ancillary data are laid out as linux/can/raw.h and socket(7) say. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <linux/can.h>
#include <linux/can/raw.h>
#include <linux/errqueue.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <sys/socket.h>

#include <cmocka.h>

#include "daemon/bus.h"

#ifndef SO_TIMESTAMPING_NEW
#define SO_TIMESTAMPING_NEW 65
#endif

#define NS INT64_C(1000000000)

static struct {
	int socket_error;
	bool there;
	unsigned short hardware;
	short flags;
	int bind_error;
	int bound_index;
	int descriptor;
	bool closed;
	size_t filters;
	struct can_filter filter;
	bool filtered_bound; /* the filter was set last when the socket was bound already */
	int filter_error;
	can_err_mask_t errors;
	bool no_timestamping;
	int read_error;
	int interrupted; /* so many calls are */
	/* what waits */
	size_t waiting;
	struct canfd_frame frames[BUS_BATCH + 8];
	size_t sizes[BUS_BATCH + 8];
	int64_t software_ns[BUS_BATCH + 8];
	int64_t hardware_ns[BUS_BATCH + 8];
	bool has_drops[BUS_BATCH + 8];
	uint32_t drops[BUS_BATCH + 8];
} k;

int socket(int domain, int type, int protocol)
{
	if (domain != PF_CAN) {
		errno = EAFNOSUPPORT;
		return -1;
	}
	assert_int_equal(type & 0xF, SOCK_RAW);
	assert_true((type & SOCK_NONBLOCK) != 0 && (type & SOCK_CLOEXEC) != 0);
	assert_int_equal(protocol, CAN_RAW);
	if (k.socket_error != 0) {
		errno = k.socket_error;
		return -1;
	}
	k.descriptor = eventfd(0, EFD_NONBLOCK);
	return k.descriptor;
}

int ioctl(int fd, unsigned long request, ...)
{
	va_list arguments;
	struct ifreq *ask;

	va_start(arguments, request);
	ask = va_arg(arguments, struct ifreq *);
	va_end(arguments);
	assert_int_equal(fd, k.descriptor);
	if (!k.there) {
		errno = ENODEV;
		return -1;
	}
	if (request == SIOCGIFHWADDR) {
		ask->ifr_hwaddr.sa_family = k.hardware;
	} else {
		assert_int_equal(request, SIOCGIFFLAGS);
		ask->ifr_flags = k.flags;
	}
	return 0;
}

unsigned if_nametoindex(const char *name)
{
	(void)name;
	return k.there ? 7 : 0;
}

int setsockopt(int fd, int level, int name, const void *value, socklen_t size)
{
	assert_int_equal(fd, k.descriptor);
	if (level == SOL_CAN_RAW && name == CAN_RAW_FILTER) {
		if (k.filter_error != 0) {
			errno = k.filter_error;
			return -1;
		}
		k.filtered_bound = k.bound_index != 0;
		k.filters = size / sizeof(k.filter);
		memcpy(&k.filter, value, sizeof(k.filter));
		return 0;
	}
	assert_int_equal(k.bound_index, 0); /* all else is set before the binding */
	if (level == SOL_CAN_RAW && name == CAN_RAW_ERR_FILTER) {
		memcpy(&k.errors, value, sizeof(k.errors));
	} else if (level == SOL_SOCKET && name == SO_TIMESTAMPING_NEW && k.no_timestamping) {
		errno = ENOPROTOOPT;
		return -1;
	}
	return 0;
}

/* The C library declares it with a union that is no ISO C. */
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wpedantic"
int bind(int fd, const struct sockaddr *address, socklen_t size)
{
	const struct sockaddr_can *can = (const struct sockaddr_can *)(const void *)address;

	(void)size;
	assert_int_equal(fd, k.descriptor);
	assert_int_equal(can->can_family, AF_CAN);
	if (k.bind_error != 0) {
		errno = k.bind_error;
		return -1;
	}
	k.bound_index = can->can_ifindex;
	return 0;
}
#pragma GCC diagnostic pop

static void put_control(struct msghdr *message, size_t *used, int type, const void *data, size_t size)
{
	struct cmsghdr *part = (struct cmsghdr *)(void *)((uint8_t *)message->msg_control + *used);

	assert_true(*used + CMSG_SPACE(size) <= message->msg_controllen);
	part->cmsg_level = SOL_SOCKET;
	part->cmsg_type = type;
	part->cmsg_len = CMSG_LEN(size);
	memcpy(CMSG_DATA(part), data, size);
	*used += CMSG_SPACE(size);
}

int recvmmsg(int fd, struct mmsghdr *messages, unsigned count, int flags, struct timespec *timeout)
{
	unsigned got = 0;

	(void)timeout;
	assert_int_equal(flags, 0);
	assert_int_equal(fd, k.descriptor);
	if (k.interrupted > 0) {
		k.interrupted--;
		errno = EINTR;
		return -1;
	}
	if (k.read_error != 0 || k.waiting == 0) {
		errno = k.read_error != 0 ? k.read_error : EAGAIN;
		return -1;
	}
	for (; got < count && got < k.waiting; got++) {
		struct msghdr *message = &messages[got].msg_hdr;
		struct scm_timestamping64 times = {{{0}}};
		size_t used = 0;

		assert_true(message->msg_iov[0].iov_len >= k.sizes[got]);
		memcpy(message->msg_iov[0].iov_base, &k.frames[got], k.sizes[got]);
		messages[got].msg_len = (unsigned)k.sizes[got];
		times.ts[0].tv_sec = k.software_ns[got] / NS;
		times.ts[0].tv_nsec = k.software_ns[got] % NS;
		times.ts[2].tv_sec = k.hardware_ns[got] / NS;
		times.ts[2].tv_nsec = k.hardware_ns[got] % NS;
		if (k.software_ns[got] != 0) {
			put_control(message, &used, SO_TIMESTAMPING_NEW, &times, sizeof(times));
		}
		if (k.has_drops[got]) {
			put_control(message, &used, SO_RXQ_OVFL, &k.drops[got], sizeof(uint32_t));
		}
		message->msg_controllen = used;
	}
	k.waiting -= got;
	memmove(k.frames, k.frames + got, k.waiting * sizeof(k.frames[0]));
	return (int)got;
}

static int begin(void **state)
{
	(void)state;
	memset(&k, 0, sizeof(k));
	k.descriptor = -1;
	k.there = true;
	k.hardware = ARPHRD_CAN;
	k.flags = IFF_UP;
	return 0;
}

static struct bus *open_bus(enum bus_filter filter)
{
	struct bus *bus = NULL;

	assert_int_equal(bus_open(&bus, "can0", 3, filter), 0);
	assert_int_equal(k.bound_index, 7);
	return bus;
}

static void put(uint32_t id, uint8_t length, int64_t software_ns)
{
	size_t i = k.waiting++;

	k.frames[i] = (struct canfd_frame){.can_id = id, .len = length};
	for (size_t n = 0; n < 8; n++) {
		k.frames[i].data[n] = (uint8_t)(n + 1);
	}
	k.sizes[i] = CAN_MTU;
	k.software_ns[i] = software_ns;
	k.hardware_ns[i] = 0;
	k.has_drops[i] = false;
}

static void each_obstacle_has_its_own_errno(void **state)
{
	struct bus *bus = NULL;

	(void)state;
	k.socket_error = EAFNOSUPPORT;
	assert_int_equal(bus_open(&bus, "can0", 0, BUS_ALL_FRAMES), -EAFNOSUPPORT);
	k.socket_error = EPERM;
	assert_int_equal(bus_open(&bus, "can0", 0, BUS_ALL_FRAMES), -EPERM);
	k.socket_error = 0;
	k.there = false;
	assert_int_equal(bus_open(&bus, "can0", 0, BUS_ALL_FRAMES), -ENODEV);
	k.there = true;
	k.hardware = ARPHRD_ETHER;
	assert_int_equal(bus_open(&bus, "eth0", 0, BUS_ALL_FRAMES), -ENOTSUP);
	k.hardware = ARPHRD_CAN;
	k.flags = 0;
	assert_int_equal(bus_open(&bus, "can0", 0, BUS_ALL_FRAMES), -ENETDOWN);
	k.flags = IFF_UP;
	k.bind_error = ENODEV;
	assert_int_equal(bus_open(&bus, "can0", 0, BUS_ALL_FRAMES), -ENODEV);
	assert_int_equal(bus_open(&bus, "a-name-beyond-all-bounds", 0, BUS_ALL_FRAMES), -ENODEV);
	assert_null(bus);
	bus_close(NULL);
}

static void extended_frames_are_filtered_by_the_kernel_and_errors_always_come(void **state)
{
	struct bus *bus;

	(void)state;
	bus = open_bus(BUS_EXTENDED_FRAMES);
	assert_int_equal(k.filters, 1);
	assert_int_equal(k.filter.can_id, CAN_EFF_FLAG);
	assert_int_equal(k.filter.can_mask, CAN_EFF_FLAG | CAN_RTR_FLAG);
	assert_int_equal(k.errors, CAN_ERR_MASK);
	assert_int_equal(bus_fd(bus), k.descriptor);
	bus_close(bus);
	(void)begin(NULL);
	bus = open_bus(BUS_ALL_FRAMES);
	assert_int_equal(k.filters, 1);
	assert_int_equal(k.filter.can_mask, 0); /* takes every identifier */
	assert_int_equal(k.errors, CAN_ERR_MASK);
	bus_close(bus);
}

static void the_filter_of_an_open_bus_is_changed_in_its_place(void **state)
{
	struct bus *bus = NULL;

	(void)state;
	assert_int_equal(bus_open(&bus, "can0", 0, BUS_ALL_FRAMES), 0);
	assert_false(k.filtered_bound);
	assert_int_equal(bus_set_filter(bus, BUS_EXTENDED_FRAMES), 0);
	assert_true(k.filtered_bound);
	assert_int_equal(k.filter.can_id, CAN_EFF_FLAG);
	assert_int_equal(bus_set_filter(bus, BUS_ALL_FRAMES), 0);
	assert_int_equal(k.filter.can_mask, 0);
	k.filter_error = ENOMEM;
	assert_int_equal(bus_set_filter(bus, BUS_EXTENDED_FRAMES), -ENOMEM);
	assert_int_equal(k.filter.can_mask, 0);
	bus_close(bus);
}

static void each_kind_of_frame_is_told_apart(void **state)
{
	struct bus *bus = open_bus(BUS_ALL_FRAMES);
	struct frame frames[BUS_BATCH];

	(void)state;
	put(0x0CF00400 | CAN_EFF_FLAG, 8, 5 * NS + 123456789);
	put(0x123, 3, 6 * NS);
	put(0x124 | CAN_RTR_FLAG, 4, 7 * NS);
	put(0x88 | CAN_ERR_FLAG, 8, 8 * NS);
	put(0x1, 8, 9 * NS);
	k.sizes[4] = CANFD_MTU; /* a CAN FD frame */
	put(0x125, 12, 10 * NS); /* a length that cannot be */
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), 6);
	assert_int_equal(frames[0].kind, FRAME_EXTENDED);
	assert_int_equal(frames[0].id, 0x0CF00400);
	assert_int_equal(frames[0].len, 8);
	assert_int_equal(frames[0].data[7], 8);
	assert_int_equal(frames[0].bus, 3);
	assert_true(frames[0].t_ns == 5 * NS + 123456000); /* whole microseconds */
	assert_int_equal(frames[1].kind, FRAME_STANDARD);
	assert_int_equal(frames[1].id, 0x123);
	assert_int_equal(frames[1].len, 3);
	assert_int_equal(frames[1].data[3], 0); /* beyond its length nothing */
	assert_int_equal(frames[2].kind, FRAME_REMOTE);
	assert_int_equal(frames[2].id, 0x124);
	assert_int_equal(frames[2].len, 0);
	assert_int_equal(frames[3].kind, FRAME_ERROR);
	assert_int_equal(frames[3].id, 0x88);
	assert_int_equal(frames[4].kind, FRAME_OTHER);
	assert_int_equal(frames[5].kind, FRAME_OTHER);
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), 0);
	bus_close(bus);
}

static void a_batch_is_bounded_by_what_was_asked_for(void **state)
{
	struct bus *bus = open_bus(BUS_ALL_FRAMES);
	struct frame frames[BUS_BATCH + 8];

	(void)state;
	for (int i = 0; i < BUS_BATCH + 8; i++) {
		put((uint32_t)i | CAN_EFF_FLAG, 8, NS);
	}
	assert_int_equal(bus_read(bus, frames, 5), 5);
	assert_int_equal(bus_read(bus, frames, BUS_BATCH + 8), BUS_BATCH);
	assert_int_equal(frames[0].id, 5);
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), 3);
	bus_close(bus);
}

static void an_interrupted_read_is_done_again_and_a_failed_one_told(void **state)
{
	struct bus *bus = open_bus(BUS_ALL_FRAMES);
	struct frame frames[BUS_BATCH];

	(void)state;
	put(1 | CAN_EFF_FLAG, 8, NS);
	k.interrupted = 3;
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), 1);
	k.read_error = ENETDOWN;
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), -ENETDOWN);
	k.read_error = ENODEV;
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), -ENODEV);
	bus_close(bus);
}

static void dropped_frames_are_counted_over_the_counters_wrap(void **state)
{
	static const uint32_t counters[] = {3, 3, 10, UINT32_MAX - 1, 4};
	static const uint64_t dropped[] = {3, 3, 10, UINT32_MAX - 1, (uint64_t)UINT32_MAX + 5};
	struct bus *bus = open_bus(BUS_ALL_FRAMES);
	struct frame frames[BUS_BATCH];

	(void)state;
	for (size_t i = 0; i < 5; i++) {
		put(1 | CAN_EFF_FLAG, 8, NS);
		k.has_drops[0] = true;
		k.drops[0] = counters[i];
		assert_int_equal(bus_read(bus, frames, BUS_BATCH), 1);
		assert_true(bus_dropped(bus) == dropped[i]);
	}
	bus_close(bus);
}

static void the_controllers_clock_is_put_to_the_wall_clock(void **state)
{
	struct bus *bus = open_bus(BUS_ALL_FRAMES);
	struct frame frames[BUS_BATCH];

	(void)state;
	put(1 | CAN_EFF_FLAG, 8, 1000 * NS);
	k.hardware_ns[0] = 5 * NS;
	put(1 | CAN_EFF_FLAG, 8, 1001 * NS + 30000000); /* handled 30 ms late */
	k.hardware_ns[1] = 6 * NS;
	assert_false(bus_has_hardware_time(bus));
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), 2);
	assert_true(bus_has_hardware_time(bus));
	int64_t apart_ns = frames[1].t_ns - frames[0].t_ns;
	/* The clocks may part by 0.2 ms a second; the rest of the lateness is none of the frame. */
	assert_true(apart_ns >= NS && apart_ns <= NS + 201000);
	assert_true(frames[0].t_ns > 999 * NS && frames[0].t_ns < 1001 * NS);
	bus_close(bus);
}

static void without_a_time_from_the_kernel_it_is_now(void **state)
{
	struct timespec before, after;
	struct frame frames[BUS_BATCH];
	struct bus *bus;

	(void)state;
	k.no_timestamping = true;
	bus = open_bus(BUS_ALL_FRAMES);
	(void)clock_gettime(CLOCK_REALTIME, &before);
	put(1 | CAN_EFF_FLAG, 8, 0);
	assert_int_equal(bus_read(bus, frames, BUS_BATCH), 1);
	(void)clock_gettime(CLOCK_REALTIME, &after);
	assert_true(frames[0].t_ns / 1000 >= (before.tv_sec * NS + before.tv_nsec) / 1000);
	assert_true(frames[0].t_ns <= after.tv_sec * NS + after.tv_nsec);
	bus_close(bus);
}

static void every_state_has_a_name(void **state)
{
	(void)state;
	for (int i = CONTROLLER_ERROR_ACTIVE; i <= CONTROLLER_UNKNOWN; i++) {
		assert_true(strlen(controller_state_name((enum controller_state)i)) > 5);
	}
}

static void a_missing_interface_has_no_controller(void **state)
{
	struct controller controller;

	(void)state;
	k.there = false;
	assert_int_equal(bus_controller("can0", &controller), -ENODEV);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup(each_obstacle_has_its_own_errno, begin),
		cmocka_unit_test_setup(
			extended_frames_are_filtered_by_the_kernel_and_errors_always_come, begin),
		cmocka_unit_test_setup(the_filter_of_an_open_bus_is_changed_in_its_place, begin),
		cmocka_unit_test_setup(each_kind_of_frame_is_told_apart, begin),
		cmocka_unit_test_setup(a_batch_is_bounded_by_what_was_asked_for, begin),
		cmocka_unit_test_setup(an_interrupted_read_is_done_again_and_a_failed_one_told, begin),
		cmocka_unit_test_setup(dropped_frames_are_counted_over_the_counters_wrap, begin),
		cmocka_unit_test_setup(the_controllers_clock_is_put_to_the_wall_clock, begin),
		cmocka_unit_test_setup(without_a_time_from_the_kernel_it_is_now, begin),
		cmocka_unit_test_setup(every_state_has_a_name, begin),
		cmocka_unit_test_setup(a_missing_interface_has_no_controller, begin),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
