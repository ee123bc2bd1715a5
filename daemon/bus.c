#include "daemon/bus.h"

#include <assert.h>
#include <errno.h>
#include <time.h>

#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/netlink.h>
#include <linux/can/raw.h>
#include <linux/errqueue.h>
#include <linux/ethtool.h>
#include <linux/net_tstamp.h>
#include <linux/netlink.h>
#include <linux/rtnetlink.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <libsocketcan.h>

#include "daemon/receive_clock.h"

/* 0.5 MB hold some 600 frames in the kernel's accounting, a third of a second of a full bus at
 * 250 kbit/s: what a commit to a slow card may hold the loop up. More is asked for and taken where
 * the limit of net.core.rmem_max allows. */
#define SOCKET_BUFFER_BYTES (4 * 1024 * 1024)

#ifndef SO_TIMESTAMPING_NEW
#define SO_TIMESTAMPING_NEW 65
#endif

/* Room for the ancillary data of one frame: three times of two 64-bit words, and the drop counter. */
struct ancillary {
	_Alignas(struct cmsghdr) uint8_t bytes[CMSG_SPACE(sizeof(struct scm_timestamping64)) +
		CMSG_SPACE(sizeof(uint32_t))];
};

struct bus {
	int fd;
	uint8_t number;
	bool seen_dropped;
	bool hardware_time;
	uint32_t last_dropped; /* the kernel's counter, which wraps */
	uint64_t dropped;
	struct receive_clock clock;
	/* One slot a frame of the batch. canfd_frame is the larger kind: a raw socket never gives more. */
	struct canfd_frame raw[BUS_BATCH];
	struct iovec vectors[BUS_BATCH];
	struct ancillary ancillary[BUS_BATCH];
	struct mmsghdr messages[BUS_BATCH];
};

static int set_option(int fd, int level, int name, int value)
{
	return setsockopt(fd, level, name, &value, sizeof(value)) == 0 ? 0 : -errno;
}

/* The interface must be a CAN interface and up. */
static int check_interface(int fd, const char *interface)
{
	struct ifreq request;

	memset(&request, 0, sizeof(request));
	(void)snprintf(request.ifr_name, sizeof(request.ifr_name), "%s", interface);
	if (ioctl(fd, SIOCGIFHWADDR, &request) != 0) {
		return -errno;
	}
	if (request.ifr_hwaddr.sa_family != ARPHRD_CAN) {
		return -ENOTSUP;
	}
	if (ioctl(fd, SIOCGIFFLAGS, &request) != 0) {
		return -errno;
	}
	return (request.ifr_flags & IFF_UP) != 0 ? 0 : -ENETDOWN;
}

static int set_filter(int fd, enum bus_filter filter)
{
	static const struct can_filter filters[] = {
		[BUS_ALL_FRAMES] = {.can_id = 0, .can_mask = 0},
		[BUS_EXTENDED_FRAMES] = {.can_id = CAN_EFF_FLAG,
			.can_mask = CAN_EFF_FLAG | CAN_RTR_FLAG},
	};

	/* The kernel adds the new one before it takes the old one away, and passes a frame on once
	 * whatever number of filters it fits (net/can/raw.c). */
	return setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FILTER, &filters[filter], sizeof(filters[0])) ==
			       0
		       ? 0
		       : -errno;
}

static int set_options(int fd, enum bus_filter filter)
{
	can_err_mask_t errors = CAN_ERR_MASK;
	int result = set_filter(fd, filter);

	if (result != 0) {
		return result;
	}
	if (setsockopt(fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &errors, sizeof(errors)) != 0) {
		return -errno;
	}
	/* An old kernel gives no time, no drops or a smaller buffer: all can be done without. */
	result = set_option(fd, SOL_SOCKET, SO_TIMESTAMPING_NEW,
		SOF_TIMESTAMPING_SOFTWARE | SOF_TIMESTAMPING_RX_SOFTWARE |
			SOF_TIMESTAMPING_RAW_HARDWARE | SOF_TIMESTAMPING_RX_HARDWARE);
	if (result != 0) {
		(void)set_option(fd, SOL_SOCKET, SO_TIMESTAMPNS, 1);
	}
	(void)set_option(fd, SOL_SOCKET, SO_RXQ_OVFL, 1);
	if (set_option(fd, SOL_SOCKET, SO_RCVBUFFORCE, SOCKET_BUFFER_BYTES) != 0) {
		(void)set_option(fd, SOL_SOCKET, SO_RCVBUF, SOCKET_BUFFER_BYTES);
	}
	return 0;
}

int bus_open(struct bus **ret_bus, const char *interface, unsigned number, enum bus_filter filter)
{
	struct sockaddr_can address;
	struct bus *bus;
	int result;

	assert(number < FRAME_BUS_MAX);
	if (strlen(interface) >= IFNAMSIZ) {
		return -ENODEV;
	}
	bus = calloc(1, sizeof(*bus));
	if (bus == NULL) {
		return -ENOMEM;
	}
	bus->number = (uint8_t)number;
	bus->fd = socket(PF_CAN, SOCK_RAW | SOCK_NONBLOCK | SOCK_CLOEXEC, CAN_RAW);
	if (bus->fd < 0) {
		result = -errno;
		goto fail_free;
	}
	result = check_interface(bus->fd, interface);
	if (result != 0) {
		goto fail_close;
	}
	/* The filters come before the binding: no frame of another kind slips in between. */
	result = set_options(bus->fd, filter);
	if (result != 0) {
		goto fail_close;
	}
	memset(&address, 0, sizeof(address));
	address.can_family = AF_CAN;
	address.can_ifindex = (int)if_nametoindex(interface);
	/* Number 0 would bind to every bus of the machine. */
	if (address.can_ifindex == 0) {
		result = -ENODEV;
		goto fail_close;
	}
	if (bind(bus->fd, (const struct sockaddr *)&address, sizeof(address)) != 0) {
		result = -errno;
		goto fail_close;
	}
	for (size_t i = 0; i < BUS_BATCH; i++) {
		bus->vectors[i].iov_base = &bus->raw[i];
		bus->vectors[i].iov_len = sizeof(bus->raw[i]);
		bus->messages[i].msg_hdr.msg_iov = &bus->vectors[i];
		bus->messages[i].msg_hdr.msg_iovlen = 1;
		bus->messages[i].msg_hdr.msg_control = &bus->ancillary[i];
	}
	*ret_bus = bus;
	return 0;

fail_close:
	(void)close(bus->fd); /* nothing was written that a close could lose */
fail_free:
	free(bus);
	return result;
}

void bus_close(struct bus *bus)
{
	if (bus == NULL) {
		return;
	}
	(void)close(bus->fd); /* a reading socket: nothing to lose */
	free(bus);
}

int bus_set_filter(struct bus *bus, enum bus_filter filter)
{
	return set_filter(bus->fd, filter);
}

int bus_fd(const struct bus *bus)
{
	return bus->fd;
}

uint64_t bus_dropped(const struct bus *bus)
{
	return bus->dropped;
}

bool bus_has_hardware_time(const struct bus *bus)
{
	return bus->hardware_time;
}

static int64_t wall_ns(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_REALTIME, &now); /* cannot fail with this clock */
	return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static int64_t kernel_ns(const struct __kernel_timespec *time)
{
	return (int64_t)time->tv_sec * 1000000000 + (int64_t)time->tv_nsec;
}

static void take_drops(struct bus *bus, uint32_t counter)
{
	/* The first value counts from the socket's creation, so from 0. */
	bus->dropped += (uint32_t)(counter - (bus->seen_dropped ? bus->last_dropped : 0));
	bus->last_dropped = counter;
	bus->seen_dropped = true;
}

/* The frame's time; fallback_ns when the kernel gave none. */
static int64_t take_ancillary(struct bus *bus, struct msghdr *message, int64_t fallback_ns)
{
	int64_t software_ns = 0;
	int64_t hardware_ns = 0;

	for (struct cmsghdr *part = CMSG_FIRSTHDR(message); part != NULL;
		part = CMSG_NXTHDR(message, part)) {
		if (part->cmsg_level != SOL_SOCKET) {
			continue;
		}
		if (part->cmsg_type == SO_TIMESTAMPING_NEW) {
			struct scm_timestamping64 times;

			memcpy(&times, CMSG_DATA(part), sizeof(times));
			software_ns = kernel_ns(&times.ts[0]);
			hardware_ns = kernel_ns(&times.ts[2]);
		} else if (part->cmsg_type == SO_TIMESTAMPNS) {
			struct timespec time;

			memcpy(&time, CMSG_DATA(part), sizeof(time));
			software_ns = (int64_t)time.tv_sec * 1000000000 + time.tv_nsec;
		} else if (part->cmsg_type == SO_RXQ_OVFL) {
			uint32_t counter;

			memcpy(&counter, CMSG_DATA(part), sizeof(counter));
			take_drops(bus, counter);
		}
	}
	if (software_ns == 0) {
		software_ns = fallback_ns;
	}
	if (hardware_ns != 0) {
		bus->hardware_time = true;
		software_ns = receive_clock_wall(&bus->clock, hardware_ns, software_ns);
	}
	/* A capture holds whole microseconds: live and replayed it is to be the same. */
	return software_ns / 1000 * 1000;
}

static void take_frame(const struct canfd_frame *raw, size_t size, struct frame *ret_frame)
{
	ret_frame->spare = 0;
	ret_frame->len = 0;
	memset(ret_frame->data, 0, sizeof(ret_frame->data));
	if (size != CAN_MTU || raw->len > CAN_MAX_DLEN) {
		ret_frame->kind = FRAME_OTHER;
		ret_frame->id = size >= sizeof(raw->can_id) ? raw->can_id & CAN_EFF_MASK : 0;
		return;
	}
	if ((raw->can_id & CAN_ERR_FLAG) != 0) {
		ret_frame->kind = FRAME_ERROR;
		ret_frame->id = raw->can_id & CAN_ERR_MASK;
	} else if ((raw->can_id & CAN_RTR_FLAG) != 0) {
		ret_frame->kind = FRAME_REMOTE;
		ret_frame->id = raw->can_id &
			((raw->can_id & CAN_EFF_FLAG) != 0 ? CAN_EFF_MASK : CAN_SFF_MASK);
		return;
	} else if ((raw->can_id & CAN_EFF_FLAG) != 0) {
		ret_frame->kind = FRAME_EXTENDED;
		ret_frame->id = raw->can_id & CAN_EFF_MASK;
	} else {
		ret_frame->kind = FRAME_STANDARD;
		ret_frame->id = raw->can_id & CAN_SFF_MASK;
	}
	ret_frame->len = raw->len;
	memcpy(ret_frame->data, raw->data, raw->len);
}

int bus_read(struct bus *bus, struct frame *frames, size_t count)
{
	unsigned wanted = count < BUS_BATCH ? (unsigned)count : BUS_BATCH;
	int got;

	for (unsigned i = 0; i < wanted; i++) {
		bus->messages[i].msg_hdr.msg_controllen = sizeof(bus->ancillary[i].bytes);
		bus->messages[i].msg_hdr.msg_flags = 0;
	}
	do {
		got = recvmmsg(bus->fd, bus->messages, wanted, 0, NULL);
	} while (got < 0 && errno == EINTR);
	if (got < 0) {
		/* Without memory there is nothing to read now; the frames wait. */
		return errno == EAGAIN || errno == EWOULDBLOCK || errno == ENOMEM || errno == ENOBUFS
			? 0
			: -errno;
	}
	int64_t now_ns = wall_ns();
	for (int i = 0; i < got; i++) {
		frames[i].bus = bus->number;
		frames[i].t_ns = take_ancillary(bus, &bus->messages[i].msg_hdr, now_ns);
		take_frame(&bus->raw[i], bus->messages[i].msg_len, &frames[i]);
	}
	return got;
}

static enum controller_state controller_state_of(int state)
{
	switch (state) {
	case CAN_STATE_ERROR_ACTIVE:
		return CONTROLLER_ERROR_ACTIVE;
	case CAN_STATE_ERROR_WARNING:
		return CONTROLLER_ERROR_WARNING;
	case CAN_STATE_ERROR_PASSIVE:
		return CONTROLLER_ERROR_PASSIVE;
	case CAN_STATE_BUS_OFF:
		return CONTROLLER_BUS_OFF;
	case CAN_STATE_STOPPED:
		return CONTROLLER_STOPPED;
	case CAN_STATE_SLEEPING:
		return CONTROLLER_SLEEPING;
	default:
		return CONTROLLER_UNKNOWN;
	}
}

/* A virtual bus has no controller; libsocketcan would complain on standard error, or wait for ever. 1, 0,
 * or a negative errno. */
static int is_virtual(const char *interface)
{
	struct ethtool_drvinfo info = {.cmd = ETHTOOL_GDRVINFO};
	struct ifreq request;
	int result = 0;
	int fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);

	if (fd < 0) {
		return -errno;
	}
	memset(&request, 0, sizeof(request));
	(void)snprintf(request.ifr_name, sizeof(request.ifr_name), "%s", interface);
	request.ifr_data = (void *)&info;
	if (ioctl(fd, SIOCETHTOOL, &request) == 0) {
		result = strcmp(info.driver, "vcan") == 0 || strcmp(info.driver, "vxcan") == 0;
	} else if (errno != EOPNOTSUPP) {
		result = -errno; /* gone since it was named, or no memory */
	}
	(void)close(fd); /* nothing was written through it */
	return result;
}

/* The attribute of a type among those of a netlink message, NULL: none. */
static const struct rtattr *find_attribute(const void *attributes, size_t size, unsigned type)
{
	const uint8_t *at = attributes;

	while (size >= sizeof(struct rtattr)) {
		const struct rtattr *part = (const struct rtattr *)(const void *)at;
		size_t step = RTA_ALIGN((size_t)part->rta_len);

		if (part->rta_len < sizeof(*part) || part->rta_len > size) {
			return NULL;
		}
		if ((part->rta_type & NLA_TYPE_MASK) == type) {
			return part;
		}
		at += step;
		size -= step < size ? step : size;
	}
	return NULL;
}

/* A controller's error counters, as far as its driver has them. libsocketcan, asked for those of a driver
 * that has none (gs_usb), complains on standard error each time. */
static bool read_counters(const char *interface, struct can_berr_counter *ret_counters)
{
	struct {
		struct nlmsghdr header;
		struct ifinfomsg info;
	} request;
	_Alignas(struct nlmsghdr) uint8_t answer[8192];
	const struct nlmsghdr *header = (const struct nlmsghdr *)(const void *)answer;
	static const unsigned path[] = {IFLA_LINKINFO, IFLA_INFO_DATA, IFLA_CAN_BERR_COUNTER};
	const uint8_t *at = answer + NLMSG_SPACE(sizeof(struct ifinfomsg));
	ssize_t got = -1;
	size_t size;
	int fd = socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_ROUTE);

	if (fd < 0) {
		return false;
	}
	memset(&request, 0, sizeof(request));
	request.header.nlmsg_len = sizeof(request);
	request.header.nlmsg_type = RTM_GETLINK;
	request.header.nlmsg_flags = NLM_F_REQUEST;
	request.info.ifi_family = AF_UNSPEC;
	request.info.ifi_index = (int)if_nametoindex(interface);
	if (send(fd, &request, sizeof(request), 0) == (ssize_t)sizeof(request)) {
		got = recv(fd, answer, sizeof(answer), MSG_DONTWAIT); /* it is there when send returns */
	}
	(void)close(fd); /* a question's socket: nothing to lose */
	if (got < (ssize_t)NLMSG_SPACE(sizeof(struct ifinfomsg)) ||
		header->nlmsg_type != RTM_NEWLINK || header->nlmsg_len > (size_t)got) {
		return false;
	}
	size = header->nlmsg_len - NLMSG_SPACE(sizeof(struct ifinfomsg));
	for (size_t i = 0; i < sizeof(path) / sizeof(path[0]); i++) {
		const struct rtattr *part = find_attribute(at, size, path[i]);

		if (part == NULL) {
			return false;
		}
		at = (const uint8_t *)part + RTA_LENGTH(0);
		size = part->rta_len - RTA_LENGTH(0);
	}
	if (size < sizeof(*ret_counters)) {
		return false;
	}
	memcpy(ret_counters, at, sizeof(*ret_counters));
	return true;
}

int bus_controller(const char *interface, struct controller *ret_controller)
{
	struct controller controller = {.state = CONTROLLER_UNKNOWN};
	struct can_bittiming timing;
	struct can_berr_counter counters;
	struct can_ctrlmode mode;
	int virtual;
	int state;

	if (if_nametoindex(interface) == 0) {
		return -ENODEV;
	}
	virtual = is_virtual(interface);
	if (virtual < 0) {
		return virtual;
	}
	if (virtual) {
		*ret_controller = controller;
		return 0;
	}
	memset(&mode, 0, sizeof(mode));
	if (can_get_state(interface, &state) == 0) {
		controller.state = controller_state_of(state);
	}
	if (can_get_bittiming(interface, &timing) == 0) {
		controller.bit_rate = timing.bitrate;
	}
	if (read_counters(interface, &counters)) {
		controller.has_counters = true;
		controller.send_errors = counters.txerr;
		controller.receive_errors = counters.rxerr;
	}
	if (can_get_ctrlmode(interface, &mode) == 0) {
		controller.listen_only = (mode.flags & CAN_CTRLMODE_LISTENONLY) != 0;
	}
	*ret_controller = controller;
	return 0;
}

const char *controller_state_name(enum controller_state state)
{
	static const char *const names[] = {
		[CONTROLLER_ERROR_ACTIVE] = "error-active",
		[CONTROLLER_ERROR_WARNING] = "error-warning",
		[CONTROLLER_ERROR_PASSIVE] = "error-passive",
		[CONTROLLER_BUS_OFF] = "bus-off",
		[CONTROLLER_STOPPED] = "stopped",
		[CONTROLLER_SLEEPING] = "sleeping",
		[CONTROLLER_UNKNOWN] = "unknown",
	};

	return names[state];
}

int bus_restart(const char *interface)
{
	errno = 0;
	if (can_do_restart(interface) == 0) {
		return 0;
	}
	return errno != 0 ? -errno : -EPERM;
}
