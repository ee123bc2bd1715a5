/* fact_tables.h: runs, trips and events of a log as tables, with the contract's columns. */
#ifndef SIGHTBOWL_DAEMON_FACT_TABLES_H
#define SIGHTBOWL_DAEMON_FACT_TABLES_H

#include "daemon/command.h"

/* Each writes one table to the output, limited to the line's range and engine. */
enum program_exit fact_table_runs(const struct command_line *line, struct table *table,
	struct log_store *store);
enum program_exit fact_table_trips(const struct command_line *line, struct table *table,
	struct log_store *store);
enum program_exit fact_table_events(const struct command_line *line, struct table *table,
	struct log_store *store);
/* Those that are not over, not answered by work in the book, and not on the shelf. */
enum program_exit fact_table_standing_events(const struct command_line *line,
	struct table *table, struct log_store *store);

#endif
