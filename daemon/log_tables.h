/* log_tables.h: every table of the contract by its name, however it is asked for.
 *
 * The commands, the API and the report all take their rows from here, so that they cannot differ.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_TABLES_H
#define SIGHTBOWL_DAEMON_LOG_TABLES_H

#include <stddef.h>

#include <jansson.h>

#include "daemon/command.h"

struct log_table {
	const char *name;
	/* Writes one or more tables, limited to the line's range and engine. */
	enum program_exit (*put)(const struct command_line *line, struct table *table,
		struct log_store *store);
};

extern const struct log_table log_tables[];
extern const size_t log_table_count;

/* name need not be terminated. NULL when there is none. */
const struct log_table *log_table_find(const char *name, size_t length);

/* Writes a table; what of the log could not be read is a failure, too. */
enum program_exit log_table_put(const struct log_table *row, const struct command_line *line,
	struct table *table, struct log_store *store);
/* The object that --json prints: each table's name → its rows. The caller's to decref; NULL when the
 * log could not be read or there is no memory. */
json_t *log_table_json(const struct log_table *row, const struct command_line *line,
	struct log_store *store);

#endif
