#include "daemon/log_filters.h"

int log_filter_number(sqlite3 *db, const struct boat *boat, size_t index, int64_t *ret_number)
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db,
		"SELECT coalesce((SELECT filter FROM filters WHERE name = ?1), "
		"CASE WHEN EXISTS (SELECT 1 FROM filters WHERE filter = ?2) THEN -1 ELSE ?2 END)",
		-1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return rc;
	}
	(void)sqlite3_bind_text(statement, 1, boat->filters[index].name, -1, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 2, (int64_t)index);
	rc = sqlite3_step(statement);
	if (rc == SQLITE_ROW) {
		*ret_number = sqlite3_column_int64(statement, 0);
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	return rc == SQLITE_ROW ? SQLITE_OK : rc;
}
