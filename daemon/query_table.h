/* query_table.h: the result of a query as a table of the output, column by column. */
#ifndef SIGHTBOWL_DAEMON_QUERY_TABLE_H
#define SIGHTBOWL_DAEMON_QUERY_TABLE_H

#include <sqlite3.h>

#include "daemon/command.h"

/* Writes the table: the query's columns are the table's, in order; times are ns UTC; NULL is not
 * known. The query may hold ?1 since, ?2 until (ns UTC), ?3 engine, ?4 signal; each NULL where it was
 * not given. Prints what goes wrong. */
enum program_exit query_table(const struct command_line *line, struct table *table, sqlite3 *db,
	const char *name, const struct table_column *columns, size_t count, const char *sql);

#endif
