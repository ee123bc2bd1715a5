/* coverage_table.h: which analyses are permitted by what was heard, as the table "coverage". */
#ifndef SIGHTBOWL_DAEMON_COVERAGE_TABLE_H
#define SIGHTBOWL_DAEMON_COVERAGE_TABLE_H

#include "analysis/coverage.h"
#include "daemon/command.h"

/* Writes the table; each engine that was heard has rows of its own. */
void coverage_table_put(struct table *table, coverage_heard *heard, const void *context);

/* The same of all that a log has heard. Prints what goes wrong. */
enum program_exit coverage_table_of_log(const struct command_line *line, struct table *table,
	struct log_store *store);

#endif
