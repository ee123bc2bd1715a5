#include "daemon/trouble_code_table.h"

#include "daemon/query_table.h"

static const struct table_column columns[] = {
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"source", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"spn", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"fmi", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"standing", TABLE_TEXT, QUANTITY_NONE, 0},
	{"lamp", TABLE_TEXT, QUANTITY_NONE, 0},
	{"occurrences", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"first_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"since_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"says", TABLE_TEXT, QUANTITY_NONE, 0},
};

static bool has_any(struct log_store *store)
{
	sqlite3_stmt *statement;
	bool any = false;

	if (sqlite3_prepare_v2(log_store_db(store), "SELECT 1 FROM trouble_codes", -1, &statement,
		    NULL) == SQLITE_OK) {
		any = sqlite3_step(statement) == SQLITE_ROW;
	}
	(void)sqlite3_finalize(statement); /* a failure found none */
	return any;
}

enum program_exit trouble_code_table_put(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	if (line->format == TABLE_PEOPLE && !has_any(store)) {
		return EXIT_DONE;
	}
	return query_table(line, table, log_store_db(store), "trouble_codes", columns,
		sizeof(columns) / sizeof(columns[0]),
		"SELECT engine, bus, source, spn, fmi, standing, lamp, occurrences, first_utc_ns, "
		"since_utc_ns, says FROM trouble_code_list WHERE ?3 IS NULL OR engine = ?3 "
		"ORDER BY standing = 'gone', standing = 'past', engine, since_utc_ns DESC, spn, fmi");
}
