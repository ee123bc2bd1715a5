/* watch_reread.h: the configuration taken anew at SIGHUP, while the watch goes on.
 *
 * As a whole or not at all: of one that is wrong, or that cannot be followed, the reason is told
 * and everything stays as it was. Only a notify command that cannot be run is left out of the rest,
 * and a log's path that needs a restart; both are told. How SIGHUP comes is left to watch.c.
 */
#ifndef SIGHTBOWL_DAEMON_WATCH_REREAD_H
#define SIGHTBOWL_DAEMON_WATCH_REREAD_H

struct watch;

/* Wants it reread: now, or by w->reread (a timer that the caller has initialised and stops at the
 * end) as soon as its file has lain untouched for a moment. Wanted again before that, it is read
 * once. When the watch is ending nothing is done. The service manager hears RELOADING=1 and, taken
 * or not, READY=1. Files are read, and a folder for captures is tried, on the spot. */
void watch_reread_want(struct watch *w);

#endif
