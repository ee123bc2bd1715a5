/* watch.h: the daemon: buses → analysis → log, for years, unattended.
 *
 * One loop reads the buses, runs the analysis and does everything that is quick; what waits for a
 * disk is done on a worker, one thing at a time. Nothing that a bus, a disk or a clock does ends it.
 */
#ifndef SIGHTBOWL_DAEMON_WATCH_H
#define SIGHTBOWL_DAEMON_WATCH_H

#include <stdbool.h>
#include <stddef.h>

#include "daemon/config.h"

struct watch_options {
	const struct settings *settings; /* with log_path; borrowed */
	bool log_named;			 /* the log's path is not the configuration's */
	const char *config;		 /* its file, for SIGHUP; NULL: none */
	const char
		*buses[FRAME_BUS_MAX]; /* interfaces; 0 of them: the settings' buses, else can0 */
	size_t bus_count;
};

/* Watches until SIGTERM or SIGINT; then the log is complete. Messages go to standard error. Returns 0,
 * or a negative errno when it could not begin (told). */
int watch_run(const struct watch_options *options);

#endif
