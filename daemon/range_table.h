/* range_table.h: what is in the tanks and how far it goes, as tables.
 *
 * How far: at the present speed, at the most economical one of the learned map, and at the usual burn
 * of late; always down to a reserve, and with the reason in words, also where it is not known.
 */
#ifndef SIGHTBOWL_DAEMON_RANGE_TABLE_H
#define SIGHTBOWL_DAEMON_RANGE_TABLE_H

#include <stdbool.h>
#include <stdint.h>

#include "daemon/command.h"

/* Writes the tables tanks and range, as of a moment. dated: the log holds anything with a date.
 * Returns EXIT_DONE, or EXIT_FAILED, told, when something of it could not be read. */
enum program_exit range_table_put(const struct command_line *line, struct table *table,
	struct log_store *store, bool dated, int64_t as_of_ns);

#endif
