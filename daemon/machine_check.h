/* machine_check.h: whether the machine is fit for the daemon: buses, clock, disk, folder of captures; and what to do. */
#ifndef SIGHTBOWL_DAEMON_MACHINE_CHECK_H
#define SIGHTBOWL_DAEMON_MACHINE_CHECK_H

#include <stdbool.h>

#include "daemon/config.h"

enum machine_finding {
	MACHINE_OK,
	MACHINE_ADVICE, /* it works, but something would be better */
	MACHINE_FAILED, /* it cannot work so */
};

/* Gets each finding: what was looked at, how it stands, and where it does not stand well, what to do. */
struct machine_check_listener {
	void *context;
	void (*on_finding)(void *context, const char *subject, enum machine_finding finding,
		const char *sentence);
};

/* Looks at an interface. Asks the kernel only. */
void machine_check_bus(const char *interface, const struct machine_check_listener *listener);
/* Looks at the wall clock. */
void machine_check_clock(const struct machine_check_listener *listener);
/* Looks at the folder that raw frames are kept in: whether this user can write it, or watch will make
 * it. */
void machine_check_captures(const char *capture_folder,
	const struct machine_check_listener *listener);
/* Looks at the disk under the log: room, this user's right to write the log's files, and how its file system counts the time of a
 * write. */
void machine_check_disk(const char *log_path, const struct log_settings *log,
	const struct machine_check_listener *listener);

#endif
