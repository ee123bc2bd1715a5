#include "daemon/log_filters.h"

int64_t log_filter_number(sqlite3 *db, const struct boat *boat, size_t index)
{
	sqlite3_stmt *statement;
	int64_t number = -1;

	if (sqlite3_prepare_v2(db, "SELECT coalesce((SELECT filter FROM filters WHERE name = ?1), "
		    "CASE WHEN EXISTS (SELECT 1 FROM filters WHERE filter = ?2) THEN -1 ELSE ?2 END)", -1,
		    &statement, NULL) != SQLITE_OK) {
		return -1;
	}
	(void)sqlite3_bind_text(statement, 1, boat->filters[index].name, -1, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 2, (int64_t)index);
	if (sqlite3_step(statement) == SQLITE_ROW) {
		number = sqlite3_column_int64(statement, 0);
	}
	(void)sqlite3_finalize(statement); /* a failure left -1 */
	return number;
}
