/* service_notice.h: tells the service manager that the program is ready, alive, ending.
 *
 * The protocol is one datagram of KEY=VALUE lines to the socket named by NOTIFY_SOCKET (sd_notify(3)),
 * spoken here directly. Without a service manager every call does nothing.
 */
#ifndef SIGHTBOWL_DAEMON_SERVICE_NOTICE_H
#define SIGHTBOWL_DAEMON_SERVICE_NOTICE_H

#include <stdint.h>

/* Sends text, e.g. "READY=1" or "STATUS=waiting for can0". Returns 1 when it was sent, 0 when there
 * is no service manager, or a negative errno. Never blocks. */
int service_notice(const char *text);

/* Sends a sentence as "STATUS=", which the service manager shows: its first line, at most 500
 * bytes. Returns as service_notice does. */
int service_notice_status(const char *sentence);

/* How often the service manager wants to hear "WATCHDOG=1", in ms: half of what it waits; 0: not at
 * all, or not from this process. */
uint64_t service_notice_watchdog_ms(void);

#endif
