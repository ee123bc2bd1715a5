/* metrics.h: the boat in figures for a monitoring system, as OpenMetrics text. */
#ifndef SIGHTBOWL_DAEMON_METRICS_H
#define SIGHTBOWL_DAEMON_METRICS_H

#include <stdio.h>

#include "daemon/command.h"

#define METRICS_TYPE "application/openmetrics-text; version=1.0.0; charset=utf-8"

/* Writes them all, ended by # EOF. Returns 0 or -EIO when the log could not be read. */
int metrics_write(const struct command_line *line, struct log_store *store, FILE *out);

#endif
