/* book_log.c: what the log knows of the moment at which work was done. */
#include "daemon/book_store.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define NS_PER_HOUR 3.6e12
/* A position is taken from at most so long before; a meter's reading from any time. */
#define FIX_AGE_S INT64_C(86400)
#define ANY_AGE_S (100 * 366 * INT64_C(86400))

static int failure(sqlite3 *db)
{
	return (sqlite3_errcode(db) & 0xFF) == SQLITE_NOMEM ? -ENOMEM : -EIO;
}

/* The last mean of a signal in the minutes before a moment, no older than age_s, and when that was; NaN:
 * none. Sessions are few; each is looked into from its end backwards. */
static int last_reading(sqlite3 *db, const char *signal, unsigned instance, int64_t at_ns,
	int64_t age_s, double *ret_mean, int64_t *ret_ns)
{
	static const char sql[] =
		"SELECT m.mean, m.utc_ns FROM sessions AS e CROSS JOIN readings_minute AS m "
		"WHERE EXISTS (SELECT 1 FROM slots WHERE signal = ?1 AND instance = ?2) "
		"AND e.basis <> 2 AND e.first_ns + e.utc_offset_ns <= ?3 "
		"AND e.last_ns + e.utc_offset_ns >= ?3 - ?4 * 1000000000 "
		"AND m.session = e.session AND m.signal = ?1 AND m.instance = ?2 "
		"AND m.start_s BETWEEN (?3 - ?4 * 1000000000 - e.utc_offset_ns) / 1000000000 "
		"AND (?3 - e.utc_offset_ns) / 1000000000 "
		"ORDER BY e.last_ns + e.utc_offset_ns DESC, m.start_s DESC LIMIT 1";
	sqlite3_stmt *statement;
	int rc;

	if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK) {
		return failure(db);
	}
	(void)sqlite3_bind_text(statement, 1, signal, -1, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 2, instance);
	(void)sqlite3_bind_int64(statement, 3, at_ns);
	(void)sqlite3_bind_int64(statement, 4, age_s);
	rc = sqlite3_step(statement);
	*ret_mean = rc == SQLITE_ROW ? sqlite3_column_double(statement, 0) : NAN;
	*ret_ns = rc == SQLITE_ROW ? sqlite3_column_int64(statement, 1) : 0;
	(void)sqlite3_finalize(statement);
	return rc == SQLITE_ROW || rc == SQLITE_DONE ? 0 : failure(db);
}

/* Hours and litres of an engine that the log holds from before a moment; a run that the moment lies
 * in counts by its time. */
static int logged_before(sqlite3 *db, unsigned engine, int64_t at_ns, double *ret_h, double *ret_l)
{
	static const char sql[] =
		"SELECT sum(engine_h * part), sum(fuel_l * part) FROM (SELECT engine_h, fuel_l, "
		"CASE WHEN end_utc_ns <= ?2 THEN 1.0 ELSE "
		"(?2 - start_utc_ns) * 1.0 / (end_utc_ns - start_utc_ns) END AS part "
		"FROM run_list WHERE engine = ?1 AND start_utc_ns < ?2)";
	sqlite3_stmt *statement;
	int rc;

	if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK) {
		return failure(db);
	}
	(void)sqlite3_bind_int64(statement, 1, engine);
	(void)sqlite3_bind_int64(statement, 2, at_ns);
	*ret_h = NAN;
	*ret_l = NAN;
	rc = sqlite3_step(statement);
	if (rc == SQLITE_ROW && sqlite3_column_type(statement, 0) != SQLITE_NULL) {
		*ret_h = sqlite3_column_double(statement, 0);
	}
	if (rc == SQLITE_ROW && sqlite3_column_type(statement, 1) != SQLITE_NULL) {
		*ret_l = sqlite3_column_double(statement, 1);
	}
	(void)sqlite3_finalize(statement);
	return rc == SQLITE_ROW ? 0 : failure(db);
}

/* The engine's own meter at a moment: its last reading, and what was logged since. hours: what was logged
 * before the moment, which it is where the bus brings no meter. */
static int meter_before(sqlite3 *db, unsigned engine, int64_t at_ns, double hours, double *ret_h)
{
	double meter = NAN, before = NAN, litres = NAN;
	int64_t read_ns = 0;
	int result = last_reading(
		db, "engine_hours_h", engine, at_ns, ANY_AGE_S, &meter, &read_ns);

	if (result == 0 && !isnan(meter)) {
		result = logged_before(db, engine, read_ns, &before, &litres);
		meter += isnan(hours) ? 0 : hours - (isnan(before) ? 0 : before);
	}
	*ret_h = isnan(meter) ? hours : meter;
	return result;
}

int book_store_fill(sqlite3 *db, unsigned engine, struct book_entry *entry)
{
	int64_t fix_ns = 0;
	double hours = NAN;
	double litres = NAN;
	double latitude = NAN;
	double longitude = NAN;
	int result = logged_before(db, engine, entry->done_ns, &hours, &litres);

	if (result == 0 && isnan(entry->engine_h)) {
		result = meter_before(db, engine, entry->done_ns, hours, &entry->engine_h);
	}
	if (isnan(entry->engine_fuel_l)) {
		entry->engine_fuel_l = litres;
	}
	if (result == 0 && isnan(entry->latitude_deg) && isnan(entry->longitude_deg)) {
		result = last_reading(db, "latitude_deg", 0, entry->done_ns, FIX_AGE_S, &latitude,
			&fix_ns);
		if (result == 0) {
			result = last_reading(db, "longitude_deg", 0, entry->done_ns, FIX_AGE_S,
				&longitude, &fix_ns);
		}
		if (result == 0 && !isnan(latitude) && !isnan(longitude)) {
			entry->latitude_deg = latitude;
			entry->longitude_deg = longitude;
		}
	}
	return result;
}

int book_store_portions(sqlite3 *db, struct supply_portion **ret_portions, size_t *ret_count)
{
	static const char sql[] = "SELECT engine, start_utc_ns, end_utc_ns, engine_h, supply_l "
				  "FROM run_list ORDER BY run";
	struct supply_portion *portions = calloc(1, sizeof(*portions));
	sqlite3_stmt *statement;
	size_t count = 0;
	size_t room = 1;
	int result = 0;
	int rc;

	if (!portions) {
		return -ENOMEM;
	}
	if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) != SQLITE_OK) {
		free(portions);
		return failure(db);
	}
	while ((rc = sqlite3_step(statement)) == SQLITE_ROW) {
		if (count == room) {
			struct supply_portion *larger =
				realloc(portions, 2 * room * sizeof(*portions));

			if (!larger) {
				result = -ENOMEM;
				break;
			}
			portions = larger;
			room *= 2;
		}
		portions[count++] = (struct supply_portion){
			.engine = (unsigned)sqlite3_column_int(statement, 0),
			.dated = sqlite3_column_type(statement, 1) != SQLITE_NULL &&
				sqlite3_column_type(statement, 2) != SQLITE_NULL,
			.start_ns = sqlite3_column_int64(statement, 1),
			.end_ns = sqlite3_column_int64(statement, 2),
			.engine_h = sqlite3_column_double(statement, 3),
			.supply_l = sqlite3_column_type(statement, 4) == SQLITE_NULL
				? NAN
				: sqlite3_column_double(statement, 4),
		};
	}
	if (result == 0 && rc != SQLITE_DONE) {
		result = failure(db);
	}
	(void)sqlite3_finalize(statement);
	if (result != 0) {
		free(portions);
		return result;
	}
	*ret_portions = portions;
	*ret_count = count;
	return 0;
}
