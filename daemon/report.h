/* report.h: the printable report: one HTML file that needs nothing else.
 *
 * Of a span of time (a season), one trip, or one element's life. The rows are those of the tables'
 * own commands, the drawings those of the page. Opens from disk without a network, and its policy
 * forbids it to load anything.
 */
#ifndef SIGHTBOWL_DAEMON_REPORT_H
#define SIGHTBOWL_DAEMON_REPORT_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "daemon/command.h"

struct report_scope {
	int64_t trip;        /* this trip; 0: not one trip */
	const char *element; /* the life of the element in this filter; NULL: not one element */
	int64_t element_at_ns; /* the one that sat there at this time; 0: the one that sits there now */
	bool invented;       /* the boat and its season are invented: says so at the top */
};

/* Writes the report of the log to out: the scope, else the line's range (else all of the log). Prints
 * what goes wrong. */
enum program_exit report_write(const struct command_line *line, struct log_store *store,
	const struct report_scope *scope, FILE *out);

/* The same into a file, which is there whole or not at all. */
enum program_exit report_write_file(const struct command_line *line, struct log_store *store,
	const struct report_scope *scope, const char *path);

#endif
