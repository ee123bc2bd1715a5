/* temperature_table.h: the watched temperatures of each engine, as its last run left them, and their limits. */
#ifndef SIGHTBOWL_DAEMON_TEMPERATURE_TABLE_H
#define SIGHTBOWL_DAEMON_TEMPERATURE_TABLE_H

#include "daemon/command.h"

/* Writes the table temperatures: a row for each that the log holds of an engine. Returns EXIT_DONE, or
 * EXIT_FAILED, told, when something of it could not be read. */
enum program_exit temperature_table_put(
	const struct command_line *line, struct table *table, struct log_store *store);

#endif
