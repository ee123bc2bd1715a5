/* link_watch.h: the machine's network links coming, going, up and down.
 *
 * Listens to the kernel's announcements (rtnetlink). Knows nothing of CAN: it says which interface
 * of the names that it was given is there and up.
 */
#ifndef SIGHTBOWL_DAEMON_LINK_WATCH_H
#define SIGHTBOWL_DAEMON_LINK_WATCH_H

#include <stdbool.h>
#include <stddef.h>

#define LINK_NAME_MAX   16 /* as the kernel bounds it */
#define LINK_WATCH_MOST 16

enum link_state {
	LINK_MISSING, /* no such interface */
	LINK_DOWN,    /* there, not up */
	LINK_UP,
};

struct link_watch {
	int fd;
	size_t count;
	struct {
		char name[LINK_NAME_MAX];
		enum link_state state;
		bool changed; /* since the last link_watch_read that told it */
	} links[LINK_WATCH_MOST];
};

/* Begins; every link is missing until link_watch_read has been called. Returns 0 or a negative
 * errno. */
int link_watch_open(struct link_watch *watch);
/* Also fine after a failed open and on zeroed memory with fd -1. */
void link_watch_close(struct link_watch *watch);

/* Adds a name; asks the kernel for the state of all links. Returns its place in links, or -ENOSPC,
 * -ENAMETOOLONG, or the kernel's refusal. */
int link_watch_add(struct link_watch *watch, const char *name);
/* Takes the name at a place out; those behind it move up. */
void link_watch_remove(struct link_watch *watch, size_t place);
/* Asks again, when announcements may have been missed. Answers come through link_watch_read. */
int link_watch_ask(struct link_watch *watch);

/* Takes what the kernel has said, without blocking. Returns how many links' changed is set now, or a
 * negative errno. */
int link_watch_read(struct link_watch *watch);

#endif
