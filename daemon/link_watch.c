#include "daemon/link_watch.h"

#include <errno.h>
#include <linux/netlink.h>
#include <linux/rtnetlink.h>
#include <net/if.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define MESSAGE_BYTES 16384 /* more than the kernel puts into one datagram of link messages */

int link_watch_open(struct link_watch *watch)
{
	struct sockaddr_nl address = {.nl_family = AF_NETLINK, .nl_groups = RTMGRP_LINK};

	memset(watch, 0, sizeof(*watch));
	watch->fd = socket(AF_NETLINK, SOCK_RAW | SOCK_NONBLOCK | SOCK_CLOEXEC, NETLINK_ROUTE);
	if (watch->fd < 0) {
		return -errno;
	}
	if (bind(watch->fd, (const struct sockaddr *)&address, sizeof(address)) != 0) {
		int result = -errno;

		link_watch_close(watch);
		return result;
	}
	return 0;
}

void link_watch_close(struct link_watch *watch)
{
	if (watch->fd >= 0) {
		(void)close(watch->fd); /* a reading socket: nothing to lose */
	}
	watch->fd = -1;
}

int link_watch_ask(struct link_watch *watch)
{
	struct {
		struct nlmsghdr header;
		struct ifinfomsg info;
	} request;
	struct sockaddr_nl kernel = {.nl_family = AF_NETLINK};

	memset(&request, 0, sizeof(request));
	request.header.nlmsg_len = sizeof(request);
	request.header.nlmsg_type = RTM_GETLINK;
	request.header.nlmsg_flags = NLM_F_REQUEST | NLM_F_DUMP;
	request.info.ifi_family = AF_UNSPEC;
	if (sendto(watch->fd, &request, sizeof(request), 0, (const struct sockaddr *)&kernel,
		    sizeof(kernel)) < 0) {
		/* A dump that is under way answers this question too. */
		return errno == EBUSY ? 0 : -errno;
	}
	return 0;
}

int link_watch_add(struct link_watch *watch, const char *name)
{
	size_t length = strlen(name);
	int result;

	if (length == 0 || length >= LINK_NAME_MAX) {
		return -ENAMETOOLONG;
	}
	if (watch->count == LINK_WATCH_MOST) {
		return -ENOSPC;
	}
	memcpy(watch->links[watch->count].name, name, length + 1);
	watch->links[watch->count].state = LINK_MISSING;
	watch->links[watch->count].changed = false;
	result = link_watch_ask(watch);
	return result != 0 ? result : (int)watch->count++;
}

void link_watch_remove(struct link_watch *watch, size_t place)
{
	watch->count--;
	memmove(&watch->links[place], &watch->links[place + 1],
		(watch->count - place) * sizeof(watch->links[0]));
}

static void set_state(struct link_watch *watch, const char *name, enum link_state state)
{
	for (size_t i = 0; i < watch->count; i++) {
		if (strcmp(watch->links[i].name, name) == 0) {
			watch->links[i].changed |= watch->links[i].state != state;
			watch->links[i].state = state;
		}
	}
}

static enum link_state state_of(const struct nlmsghdr *header, const struct ifinfomsg *info)
{
	if (header->nlmsg_type == RTM_DELLINK) {
		return LINK_MISSING;
	}
	return (info->ifi_flags & IFF_UP) != 0 ? LINK_UP : LINK_DOWN;
}

/* One RTM_NEWLINK or RTM_DELLINK. */
static void take_link(struct link_watch *watch, struct nlmsghdr *header)
{
	struct ifinfomsg *info = NLMSG_DATA(header);
	int left;

	if (header->nlmsg_len < NLMSG_LENGTH(sizeof(*info))) {
		return;
	}
	left = (int)IFLA_PAYLOAD(header);
	struct rtattr *part = IFLA_RTA(info);
	while (RTA_OK(part, left)) {
		const char *name = RTA_DATA(part);
		/* RTA_NEXT in the open: the macro mixes signed and unsigned. */
		int size = (int)RTA_ALIGN(part->rta_len);

		if (part->rta_type == IFLA_IFNAME &&
			memchr(name, '\0', RTA_PAYLOAD(part)) != NULL) {
			set_state(watch, name, state_of(header, info));
		}
		left -= size;
		part = (struct rtattr *)(void *)((char *)part + size);
	}
}

int link_watch_read(struct link_watch *watch)
{
	_Alignas(struct nlmsghdr) char buffer[MESSAGE_BYTES];
	int changed = 0;

	for (;;) {
		ssize_t got = recv(watch->fd, buffer, sizeof(buffer), 0);

		if (got < 0 && errno == EINTR) {
			continue;
		}
		if (got < 0 && errno == ENOBUFS) {
			/* Announcements were lost: ask for all. */
			int result = link_watch_ask(watch);

			if (result != 0) {
				return result;
			}
			continue;
		}
		if (got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
			break;
		}
		if (got < 0) {
			return -errno;
		}
		unsigned left = (unsigned)got;
		for (struct nlmsghdr *header = (struct nlmsghdr *)(void *)buffer;
			NLMSG_OK(header, left); header = NLMSG_NEXT(header, left)) {
			if (header->nlmsg_type == RTM_NEWLINK || header->nlmsg_type == RTM_DELLINK) {
				take_link(watch, header);
			}
		}
	}
	for (size_t i = 0; i < watch->count; i++) {
		changed += watch->links[i].changed ? 1 : 0;
	}
	return changed;
}
