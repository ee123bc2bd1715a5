/* trouble_code_table.h: the engines' trouble codes as the log has them, active and past, as a table. */
#ifndef SIGHTBOWL_DAEMON_TROUBLE_CODE_TABLE_H
#define SIGHTBOWL_DAEMON_TROUBLE_CODE_TABLE_H

#include "daemon/command.h"

/* Writes the table trouble_codes, limited to the line's engine; for people only when there is any. Prints
 * what goes wrong. */
enum program_exit trouble_code_table_put(const struct command_line *line, struct table *table,
	struct log_store *store);

#endif
