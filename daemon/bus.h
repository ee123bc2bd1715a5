/* bus.h: one CAN bus: a raw socket that only ever listens.
 *
 * Knows SocketCAN: batches, the kernel's receive times, its count of dropped frames, error frames,
 * and what the controller says of itself by netlink. There is no function here that sends, and the
 * socket's own sending side is shut by a filter of nothing but reading calls: the program cannot
 * transmit. Links that come and go are link_watch.h's; what error frames mean is bus_health.h's.
 */
#ifndef SIGHTBOWL_DAEMON_BUS_H
#define SIGHTBOWL_DAEMON_BUS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"

#define BUS_BATCH 64 /* most frames of one bus_read */

struct bus; /* opaque; heap */

/* Which frames the kernel is to pass on. */
enum bus_filter {
	BUS_ALL_FRAMES,
	BUS_EXTENDED_FRAMES, /* 29-bit data frames and error frames only: what the analysis can use */
};

/* Opens interface as bus number (0 .. FRAME_BUS_MAX - 1). Returns 0 or a negative errno: -ENODEV no
 * such interface, -ENETDOWN it is down, -EPERM or -EACCES not permitted, -EAFNOSUPPORT a
 * kernel without CAN, -ENOTSUP the interface is no CAN interface. Does not block. */
int bus_open(struct bus **ret_bus, const char *interface, unsigned number, enum bus_filter filter);
/* NULL is fine. */
void bus_close(struct bus *bus);

/* Changes what the kernel passes on, while frames come: those that both filters pass come without a
 * break, each once. Returns 0 or a negative errno; it then filters as before. */
int bus_set_filter(struct bus *bus, enum bus_filter filter);

/* For polling; readable when frames wait or the link failed. */
int bus_fd(const struct bus *bus);

/* Reads what waits, at most count or BUS_BATCH frames, without blocking. Times are the kernel's, in
 * ns since 1970 by the machine's wall clock, cut to whole microseconds. Returns how many (0: none wait) or a negative errno:
 * -ENETDOWN the link went down, -ENODEV the interface is gone; close the bus then. */
int bus_read(struct bus *bus, struct frame *frames, size_t count);

/* Frames that the kernel dropped because this program did not read in time, since bus_open. */
uint64_t bus_dropped(const struct bus *bus);

/* Whether receive times come from the controller's own clock. */
bool bus_has_hardware_time(const struct bus *bus);

/* What the controller says of itself. */
enum controller_state {
	CONTROLLER_ERROR_ACTIVE,
	CONTROLLER_ERROR_WARNING,
	CONTROLLER_ERROR_PASSIVE,
	CONTROLLER_BUS_OFF,
	CONTROLLER_STOPPED,
	CONTROLLER_SLEEPING,
	CONTROLLER_UNKNOWN, /* a virtual bus, or a driver that does not say */
};

struct controller {
	enum controller_state state;
	uint32_t bit_rate;     /* 0: not known */
	bool has_counters;
	uint16_t send_errors;
	uint16_t receive_errors;
	bool listen_only;
};

/* Asks the kernel by netlink; may block for a moment. What is not known is left unknown; returns 0,
 * or -ENODEV when the interface is not there. */
int bus_controller(const char *interface, struct controller *ret_controller);
/* In words: "error-active" … */
const char *controller_state_name(enum controller_state state);

/* Restarts a controller that is bus-off. Returns 0 or a negative errno; -EPERM without CAP_NET_ADMIN. */
int bus_restart(const char *interface);

#endif
