/* element_table.h: the elements of a boat's filters as a table, with the contract's columns. */
#ifndef SIGHTBOWL_DAEMON_ELEMENT_TABLE_H
#define SIGHTBOWL_DAEMON_ELEMENT_TABLE_H

#include "daemon/command.h"

/* Writes the table: each element by filter and time, as of now_ns (UTC), limited to the line's
 * engine. Prints what goes wrong. */
enum program_exit element_table_put(const struct command_line *line, struct table *table,
	struct log_store *store, const struct boat *boat, int64_t now_ns);

/* UTC of the last that the log heard; 0 when it has no date. */
enum program_exit element_table_log_end(const struct command_line *line, struct log_store *store,
	int64_t *ret_end_ns);

#endif
