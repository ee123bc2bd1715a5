/* service_tables.h: the service book and what follows from it as tables of the output. */
#ifndef SIGHTBOWL_DAEMON_SERVICE_TABLES_H
#define SIGHTBOWL_DAEMON_SERVICE_TABLES_H

#include "daemon/command.h"

/* Each writes one table: "book" (the entries in force, within the line's range), "spares" (with the
 * needs of the next three months), "waste". Prints what goes wrong. */
enum program_exit service_table_book(const struct command_line *line, struct table *table,
	struct log_store *store);
enum program_exit service_table_spares(const struct command_line *line, struct table *table,
	struct log_store *store);
enum program_exit service_table_waste(const struct command_line *line, struct table *table,
	struct log_store *store);

#endif
