#include "daemon/query_table.h"

#include <assert.h>

static void put_cell(struct table *table, enum table_type type, sqlite3_stmt *statement, int column)
{
	if (sqlite3_column_type(statement, column) == SQLITE_NULL) {
		table_put_unknown(table);
		return;
	}
	switch (type) {
	case TABLE_INTEGER:
		table_put_integer(table, sqlite3_column_int64(statement, column));
		break;
	case TABLE_REAL:
		table_put_real(table, sqlite3_column_double(statement, column));
		break;
	case TABLE_TEXT:
		table_put_text(table, (const char *)sqlite3_column_text(statement, column));
		break;
	case TABLE_TIME:
		table_put_time(table, sqlite3_column_int64(statement, column));
		break;
	case TABLE_FLAG:
		table_put_flag(table, sqlite3_column_int(statement, column) != 0);
		break;
	}
}

enum program_exit query_table(const struct command_line *line, struct table *table, sqlite3 *db,
	const char *name, const struct table_column *columns, size_t count, const char *sql)
{
	const char *signal = command_value(line, "--signal");
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
	}
	assert((size_t)sqlite3_column_count(statement) == count);
	/* Binding a place that the query does not have is refused, which is fine. */
	if (line->has_since) {
		(void)sqlite3_bind_int64(statement, 1, line->since_ns);
	}
	if (line->has_until) {
		(void)sqlite3_bind_int64(statement, 2, line->until_ns);
	}
	if (line->engine >= 0) {
		(void)sqlite3_bind_int(statement, 3, line->engine);
	}
	if (signal != NULL) {
		(void)sqlite3_bind_text(statement, 4, signal, -1, SQLITE_STATIC);
	}
	table_begin(table, name, columns, count);
	while ((rc = sqlite3_step(statement)) == SQLITE_ROW) {
		for (size_t i = 0; i < count; i++) {
			put_cell(table, columns[i].type, statement, (int)i);
		}
		table_end_row(table);
	}
	table_end(table);
	(void)sqlite3_finalize(statement); /* repeats rc */
	if (rc != SQLITE_DONE) {
		return command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
	}
	return EXIT_DONE;
}
