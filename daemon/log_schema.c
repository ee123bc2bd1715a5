#include "daemon/log_schema.h"

#include <string.h>

/* All 256 bytes in order, as an SQL blob: a byte's value is its place in it, less one. */
#define OCTETS_OF(high)                                                                            \
	high "0" high "1" high "2" high "3" high "4" high "5" high "6" high "7" high "8" high "9"  \
	high "A" high "B" high "C" high "D" high "E" high "F"
#define OCTETS                                                                                     \
	"x'" OCTETS_OF("0") OCTETS_OF("1") OCTETS_OF("2") OCTETS_OF("3") OCTETS_OF("4")            \
	OCTETS_OF("5") OCTETS_OF("6") OCTETS_OF("7") OCTETS_OF("8") OCTETS_OF("9") OCTETS_OF("A")  \
	OCTETS_OF("B") OCTETS_OF("C") OCTETS_OF("D") OCTETS_OF("E") OCTETS_OF("F") "'"

#define OCTET(at) "(instr(octets, substr(entry, " #at ", 1)) - 1)"

/* A moment in UTC from nanoseconds; not known in a session without a date. */
#define UTC_TEXT(ns) "strftime('%Y-%m-%dT%H:%M:%SZ', (" ns ") / 1000000000, 'unixepoch')"

/* The view of a table of packed rows (log_entry.h). from: the rows with start_s, utc_ns, session,
 * data; bytes: of an entry; count: the expression of its count; mean: the place of its mean. */
#define READINGS_VIEW(name, from, bytes, count, m0, m1, m2, b0, b1, a0, a1)                        \
	"CREATE VIEW " name " AS "                                                                 \
	"SELECT " UTC_TEXT("utc_ns") " AS start_utc, signal, instance, unit, count, "              \
	"round(mean_steps * step, 6) AS mean, "                                                    \
	"round((mean_steps - below_steps) * step, 6) AS low, "                                     \
	"round((mean_steps + above_steps) * step, 6) AS high, session, start_s, utc_ns "           \
	"FROM (SELECT start_s, utc_ns, session, signal, instance, unit, step, "                    \
	count " AS count, "                                                                        \
	OCTET(m0) " + 256 * " OCTET(m1) " + 65536 * " OCTET(m2) " - CASE WHEN " OCTET(m2)          \
	" >= 128 THEN 16777216 ELSE 0 END AS mean_steps, "                                         \
	OCTET(b0) " + 256 * " OCTET(b1) " AS below_steps, "                                        \
	OCTET(a0) " + 256 * " OCTET(a1) " AS above_steps "                                         \
	"FROM (SELECT r.start_s AS start_s, r.utc_ns AS utc_ns, r.session AS session, "            \
	"s.signal AS signal, s.instance AS instance, s.unit AS unit, s.step AS step, "             \
	"substr(r.data, s.slot * " #bytes " + 1, " #bytes ") AS entry, " OCTETS " AS octets "      \
	"FROM (" from ") AS r CROSS JOIN slots AS s "                                              \
	"WHERE s.slot * " #bytes " < length(r.data))) WHERE count > 0;"

#define ROWS_OF(table, span)                                                                       \
	"SELECT w.start_s AS start_s, w.session AS session, w.data AS data, "                      \
	"CASE WHEN e.basis = 2 THEN NULL "                                                         \
	"ELSE w.start_s / " #span " * " #span " * 1000000000 + e.utc_offset_ns END AS utc_ns "     \
	"FROM " table " AS w JOIN sessions AS e ON e.session = w.session"

static const char *const version_1[] = {
	/* What the views need to know, one row a thing. */
	"CREATE TABLE meta(key TEXT PRIMARY KEY, value) WITHOUT ROWID;",
	"CREATE TABLE buses(bus INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);",
	"CREATE TABLE slots(slot INTEGER PRIMARY KEY, signal TEXT NOT NULL, "
	"instance INTEGER NOT NULL, unit TEXT NOT NULL, step REAL NOT NULL, "
	"UNIQUE(signal, instance));",
	/* A lane's own slot numbers → the log's. */
	"CREATE TABLE lane_slots(lane TEXT NOT NULL, lane_slot INTEGER NOT NULL, "
	"slot INTEGER NOT NULL, PRIMARY KEY(lane, lane_slot)) WITHOUT ROWID;",
	/* basis: 0 the recorder's clock, 1 the bus's time, 2 without a date. */
	"CREATE TABLE sessions(session INTEGER PRIMARY KEY, first_ns INTEGER NOT NULL, "
	"last_ns INTEGER NOT NULL, utc_offset_ns INTEGER NOT NULL, raw_first_ns INTEGER NOT NULL, "
	"raw_last_ns INTEGER NOT NULL, basis INTEGER NOT NULL);",
	/* start_s: steady seconds of the row's start, whole windows or minutes; what is over tells
	 * apart the rows of several sessions. */
	"CREATE TABLE windows(start_s INTEGER PRIMARY KEY, session INTEGER NOT NULL, "
	"data BLOB NOT NULL);",
	"CREATE TABLE minutes(start_s INTEGER PRIMARY KEY, session INTEGER NOT NULL, "
	"data BLOB NOT NULL);",
	/* start_s: UTC seconds of the day's start. */
	"CREATE TABLE days(start_s INTEGER PRIMARY KEY, data BLOB NOT NULL);",
	/* Days whose minutes changed since their row was written. */
	"CREATE TABLE stale_days(start_s INTEGER PRIMARY KEY);",
	"CREATE TABLE trips(trip INTEGER PRIMARY KEY, start_session INTEGER NOT NULL, "
	"end_session INTEGER NOT NULL, start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, "
	"open INTEGER NOT NULL, distance_nm REAL);",
	"CREATE TABLE runs(run INTEGER PRIMARY KEY, trip INTEGER NOT NULL, "
	"engine INTEGER NOT NULL, start_session INTEGER NOT NULL, end_session INTEGER NOT NULL, "
	"start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, open INTEGER NOT NULL, engine_h REAL, "
	"idle_h REAL, unobserved_h REAL, fuel_l REAL, fuel_estimated_l REAL, "
	"fuel_uncertainty_l REAL, fuel_unknown_h REAL, supply_l REAL, mean_lph REAL, max_lph REAL, "
	"max_coolant_c REAL);",
	"CREATE INDEX runs_by_trip ON runs(trip);",
	/* acknowledged_ns: UTC; the skipper's doing, so no lane ever writes it. */
	"CREATE TABLE events(event INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, "
	"severity TEXT NOT NULL, session INTEGER NOT NULL, raised_ns INTEGER NOT NULL, "
	"cleared_session INTEGER, cleared_ns INTEGER, trip INTEGER, value REAL, \"limit\" REAL, "
	"unit TEXT, basis TEXT, message TEXT, acknowledged_ns INTEGER);",
	"CREATE INDEX events_by_trip ON events(trip);",
	"CREATE TABLE captures(capture INTEGER PRIMARY KEY, name TEXT NOT NULL, "
	"head_frames INTEGER NOT NULL, head_digest BLOB NOT NULL, frames INTEGER NOT NULL, "
	"known INTEGER NOT NULL, digest BLOB NOT NULL, raw_first_ns INTEGER NOT NULL, "
	"raw_last_ns INTEGER NOT NULL, undated INTEGER NOT NULL, "
	"complete INTEGER NOT NULL, behind_ns INTEGER NOT NULL);",
	"CREATE TABLE capture_stretches(capture INTEGER NOT NULL, first_ns INTEGER NOT NULL, "
	"last_ns INTEGER NOT NULL, PRIMARY KEY(capture, first_ns)) WITHOUT ROWID;",
	/* A lane's state is cut into parts, a page each, so that only those that changed are
	 * written. What changes with every commit is in part 0. */
	"CREATE TABLE checkpoints(lane TEXT NOT NULL, part INTEGER NOT NULL, data BLOB NOT NULL, "
	"raw_ns INTEGER, capture INTEGER, frames INTEGER, size INTEGER, UNIQUE(lane, part));",

	READINGS_VIEW("readings_10s", ROWS_OF("windows", 10), 9, OCTET(1) " + 256 * " OCTET(2), 3, 4,
		5, 6, 7, 8, 9),
	READINGS_VIEW("readings_minute", ROWS_OF("minutes", 60), 9, OCTET(1) " + 256 * " OCTET(2), 3,
		4, 5, 6, 7, 8, 9),
	READINGS_VIEW("readings_day",
		"SELECT start_s, NULL AS session, data, start_s * 1000000000 AS utc_ns FROM days", 11,
		OCTET(1) " + 256 * " OCTET(2) " + 65536 * " OCTET(3) " + 16777216 * " OCTET(4), 5, 6,
		7, 8, 9, 10, 11),

	"CREATE VIEW run_list AS SELECT run, trip, engine, " UTC_TEXT("start_utc_ns") " AS start_utc, "
	UTC_TEXT("end_utc_ns") " AS end_utc, engine_h, idle_h, fuel_l, fuel_estimated_l, "
	"fuel_uncertainty_l, mean_lph, max_lph, max_coolant_c, unobserved_h, fuel_unknown_h, "
	"supply_l, open, start_utc_ns, end_utc_ns FROM (SELECT r.*, "
	"CASE WHEN a.basis <> 2 THEN r.start_ns + a.utc_offset_ns END AS start_utc_ns, "
	"CASE WHEN b.basis <> 2 THEN r.end_ns + b.utc_offset_ns END AS end_utc_ns "
	"FROM runs AS r LEFT JOIN sessions AS a ON a.session = r.start_session "
	"LEFT JOIN sessions AS b ON b.session = r.end_session);",

	/* One row a trip and engine. 3.206 t of CO2 a t of marine gas oil: IMO, MEPC.308(73), 2.2.1. */
	"CREATE VIEW trip_list AS SELECT trip, engine, " UTC_TEXT("start_utc_ns") " AS start_utc, "
	UTC_TEXT("end_utc_ns") " AS end_utc, engine_h, idle_h, fuel_l, fuel_estimated_l, "
	"fuel_uncertainty_l, mean_lph, max_lph, distance_nm, "
	"CASE WHEN distance_nm > 0 THEN fuel_l / distance_nm END AS l_per_nm, "
	"fuel_l * 3.206 * (SELECT value FROM meta WHERE key = 'fuel_density_kgl') AS co2_kg, "
	"max_coolant_c, (SELECT count(*) FROM events AS v WHERE v.trip = q.trip) AS events, "
	"unobserved_h, fuel_unknown_h, supply_l, open, start_utc_ns, end_utc_ns "
	"FROM (SELECT t.trip AS trip, r.engine AS engine, "
	"CASE WHEN a.basis <> 2 THEN t.start_ns + a.utc_offset_ns END AS start_utc_ns, "
	"CASE WHEN b.basis <> 2 THEN t.end_ns + b.utc_offset_ns END AS end_utc_ns, "
	"sum(r.engine_h) AS engine_h, sum(r.idle_h) AS idle_h, sum(r.fuel_l) AS fuel_l, "
	"sum(r.fuel_estimated_l) AS fuel_estimated_l, "
	"sum(r.fuel_uncertainty_l) AS fuel_uncertainty_l, "
	"sum(r.mean_lph * r.engine_h) / nullif(sum(CASE WHEN r.mean_lph IS NOT NULL "
	"THEN r.engine_h END), 0) AS mean_lph, max(r.max_lph) AS max_lph, "
	"t.distance_nm AS distance_nm, max(r.max_coolant_c) AS max_coolant_c, "
	"sum(r.unobserved_h) AS unobserved_h, sum(r.fuel_unknown_h) AS fuel_unknown_h, "
	"sum(r.supply_l) AS supply_l, t.open AS open "
	"FROM trips AS t LEFT JOIN runs AS r ON r.trip = t.trip "
	"LEFT JOIN sessions AS a ON a.session = t.start_session "
	"LEFT JOIN sessions AS b ON b.session = t.end_session GROUP BY t.trip, r.engine) AS q;",

	"CREATE VIEW event_list AS SELECT event, kind, subject, severity, "
	UTC_TEXT("raised_utc_ns") " AS raised_utc, " UTC_TEXT("acknowledged_ns")
	" AS acknowledged_utc, " UTC_TEXT("cleared_utc_ns") " AS cleared_utc, value, \"limit\", unit, "
	"basis, message, trip, raised_utc_ns, acknowledged_ns AS acknowledged_utc_ns, cleared_utc_ns "
	"FROM (SELECT v.*, CASE WHEN a.basis <> 2 THEN v.raised_ns + a.utc_offset_ns END "
	"AS raised_utc_ns, CASE WHEN b.basis <> 2 THEN v.cleared_ns + b.utc_offset_ns END "
	"AS cleared_utc_ns FROM events AS v LEFT JOIN sessions AS a ON a.session = v.session "
	"LEFT JOIN sessions AS b ON b.session = v.cleared_session);",

	"CREATE VIEW session_list AS SELECT session, CASE WHEN basis <> 2 THEN "
	UTC_TEXT("first_ns + utc_offset_ns") " END AS start_utc, CASE WHEN basis <> 2 THEN "
	UTC_TEXT("last_ns + utc_offset_ns") " END AS end_utc, (last_ns - first_ns) / 3.6e12 AS length_h, "
	"CASE basis WHEN 0 THEN 'recorder' WHEN 1 THEN 'bus' ELSE 'undated' END AS clock, "
	"CASE WHEN basis <> 2 THEN first_ns + utc_offset_ns END AS start_utc_ns, "
	"CASE WHEN basis <> 2 THEN last_ns + utc_offset_ns END AS end_utc_ns, first_ns, last_ns, "
	"utc_offset_ns FROM sessions;",

	"CREATE VIEW capture_list AS SELECT capture, name, frames, known, complete, "
	"CASE WHEN NOT undated THEN " UTC_TEXT("raw_first_ns") " END AS start_utc, "
	"CASE WHEN NOT undated THEN " UTC_TEXT("raw_last_ns") " END AS end_utc, "
	"CASE WHEN NOT undated THEN raw_first_ns END AS start_utc_ns, "
	"CASE WHEN NOT undated THEN raw_last_ns END AS end_utc_ns FROM captures;",
	NULL,
};

/* The service book: every revision of every entry, times in ns UTC, what was not told NULL. The
 * shelf: events about which nothing is to be told until then; no lane ever writes it. */
static const char *const version_2[] = {
	"CREATE TABLE book(entry INTEGER NOT NULL, revision INTEGER NOT NULL, "
	"struck INTEGER NOT NULL, kind TEXT NOT NULL, done_ns INTEGER NOT NULL, "
	"written_ns INTEGER NOT NULL, filter TEXT, engine INTEGER, tank INTEGER, item TEXT, "
	"micron REAL, rated_lph REAL, pieces REAL, seals TEXT, litres REAL, water_l REAL, "
	"looks TEXT, price REAL, place TEXT, waste_fuel_l REAL, waste_elements REAL, remark TEXT, "
	"engine_h REAL, engine_fuel_l REAL, latitude_deg REAL, longitude_deg REAL, reason TEXT, "
	"PRIMARY KEY(entry, revision)) WITHOUT ROWID;",
	"CREATE TABLE shelf(event INTEGER PRIMARY KEY, until_ns INTEGER NOT NULL);",

	"CREATE VIEW book_history AS SELECT entry, revision, struck, kind, " UTC_TEXT("done_ns")
	" AS done_utc, filter, engine, tank, item, micron, rated_lph, pieces, seals, litres, "
	"water_l, looks, price, place, waste_fuel_l, waste_elements, remark, engine_h, "
	"engine_fuel_l, latitude_deg, longitude_deg, reason, " UTC_TEXT("written_ns")
	" AS written_utc, done_ns AS done_utc_ns, written_ns AS written_utc_ns FROM book;",
	"CREATE VIEW book_list AS SELECT * FROM book_history AS b WHERE NOT struck "
	"AND revision = (SELECT max(revision) FROM book AS c WHERE c.entry = b.entry);",
	"CREATE VIEW shelf_list AS SELECT event, " UTC_TEXT("until_ns") " AS until_utc, "
	"until_ns AS until_utc_ns FROM shelf;",
	NULL,
};

/* What the watches say of filters, engines and tanks: the latest of each, and the courses that a chart
 * needs: an element's restriction at each milestone of its fit, and what was taken in. */
static const char *const version_3[] = {
	"CREATE TABLE filter_states(filter INTEGER PRIMARY KEY, fitted_ns INTEGER, session INTEGER, "
	"t_ns INTEGER, engine_h REAL, litres REAL, restriction_kpa REAL, reference_kpa REAL, "
	"reference_sd_kpa REAL, reference_lph REAL, limit_kpa REAL, left_l_p10 REAL, "
	"left_l_p50 REAL, left_l_p90 REAL, left_h_p10 REAL, left_h_p50 REAL, left_h_p90 REAL);",
	"CREATE TABLE filter_course(filter INTEGER, session INTEGER, t_ns INTEGER, "
	"fitted_ns INTEGER, engine_h REAL, litres REAL, restriction_kpa REAL, reference_kpa REAL, "
	"reference_sd_kpa REAL, limit_kpa REAL, left_l_p10 REAL, left_l_p50 REAL, left_l_p90 REAL, "
	"PRIMARY KEY(filter, session, t_ns)) WITHOUT ROWID;",
	"CREATE TABLE burn_points(engine INTEGER, rpm REAL, version INTEGER, rate_lph REAL, "
	"rate_sd_share REAL, speed_kn REAL, load_pct REAL, PRIMARY KEY(engine, rpm)) WITHOUT ROWID;",
	"CREATE TABLE tank_states(tank INTEGER PRIMARY KEY, session INTEGER, t_ns INTEGER, "
	"volume_l REAL, volume_sd_l REAL, mismatch_l REAL, mismatch_sd_l REAL);",
	"CREATE TABLE refuellings(tank INTEGER, session INTEGER, t_ns INTEGER, litres REAL, "
	"litres_sd REAL, PRIMARY KEY(tank, session, t_ns)) WITHOUT ROWID;",
	"CREATE VIEW refuelling_list AS SELECT tank, " UTC_TEXT("t_ns + utc_offset_ns")
	" AS noticed_utc, litres, litres_sd, t_ns + utc_offset_ns AS noticed_utc_ns "
	"FROM refuellings JOIN sessions USING (session);",
	"CREATE VIEW burn_curve AS SELECT engine, rpm, rate_lph, rate_sd_share, speed_kn, load_pct "
	"FROM burn_points AS b WHERE version = (SELECT max(version) FROM burn_points AS c "
	"WHERE c.engine = b.engine);",
	"CREATE VIEW filter_course_list AS SELECT filter, " UTC_TEXT("t_ns + utc_offset_ns")
	" AS at_utc, engine_h, litres, restriction_kpa, reference_kpa, reference_sd_kpa, limit_kpa, "
	"left_l_p10, left_l_p50, left_l_p90, fitted_ns, t_ns + utc_offset_ns AS at_utc_ns "
	"FROM filter_course JOIN sessions USING (session);",
	NULL,
};

/* What the range needs: minutes behind each point of the burn map and speed over ground there; the fuel
 * in a tank at 15 °C. */
static const char *const version_4[] = {
	"ALTER TABLE burn_points ADD COLUMN rate_minutes REAL;",
	"ALTER TABLE burn_points ADD COLUMN speed_minutes REAL;",
	"ALTER TABLE burn_points ADD COLUMN ground_kn REAL;",
	"ALTER TABLE burn_points ADD COLUMN ground_minutes REAL;",
	"ALTER TABLE tank_states ADD COLUMN volume_15_l REAL;",
	"ALTER TABLE tank_states ADD COLUMN fuel_c REAL;",
	"DROP VIEW burn_curve;",
	"CREATE VIEW burn_curve AS SELECT engine, rpm, rate_lph, rate_sd_share, rate_minutes, speed_kn, "
	"speed_minutes, ground_kn, ground_minutes, load_pct FROM burn_points AS b WHERE version = "
	"(SELECT max(version) FROM burn_points AS c WHERE c.engine = b.engine);",
	"CREATE VIEW tank_list AS SELECT tank, " UTC_TEXT("t_ns + utc_offset_ns")
	" AS measured_utc, volume_l, volume_sd_l, volume_15_l, fuel_c, mismatch_l, mismatch_sd_l, "
	"CASE WHEN basis <> 2 THEN t_ns + utc_offset_ns END AS measured_utc_ns "
	"FROM tank_states JOIN sessions USING (session);",
	NULL,
};

/* The engines' trouble codes, active and past, by their sender; the filters' names. */
static const char *const version_5[] = {
	"CREATE TABLE trouble_codes(engine INTEGER, bus INTEGER, source INTEGER, spn INTEGER, "
	"fmi INTEGER, conversion INTEGER, occurrences INTEGER, standing TEXT, lamps INTEGER, "
	"first_session INTEGER, first_ns INTEGER, session INTEGER, t_ns INTEGER, says TEXT, "
	"PRIMARY KEY(engine, bus, source, spn, fmi)) WITHOUT ROWID;",
	/* Lamps: two bits each, 01 is on. */
	"CREATE VIEW trouble_code_list AS SELECT c.engine AS engine, b.name AS bus, source, spn, fmi, "
	"says, standing, occurrences, "
	"CASE WHEN lamps IS NULL THEN NULL WHEN lamps >> 4 & 3 = 1 THEN 'red stop' "
	"WHEN lamps >> 2 & 3 = 1 THEN 'amber' WHEN lamps & 3 = 1 THEN 'protect' "
	"WHEN lamps >> 6 & 3 = 1 THEN 'malfunction' ELSE 'off' END AS lamp, "
	UTC_TEXT("first_utc_ns") " AS first_utc, " UTC_TEXT("since_utc_ns") " AS since_utc, "
	"first_utc_ns, since_utc_ns FROM (SELECT t.*, "
	"CASE WHEN f.basis <> 2 THEN t.first_ns + f.utc_offset_ns END AS first_utc_ns, "
	"CASE WHEN s.basis <> 2 THEN t.t_ns + s.utc_offset_ns END AS since_utc_ns "
	"FROM trouble_codes AS t LEFT JOIN sessions AS f ON f.session = t.first_session "
	"LEFT JOIN sessions AS s ON s.session = t.session) AS c "
	"LEFT JOIN buses AS b ON b.bus = c.bus;",
	/* Filters are known by their names, whatever their order in the configuration. */
	"CREATE TABLE filters(filter INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);",
	"DROP VIEW filter_course_list;",
	"CREATE VIEW filter_course_list AS SELECT filter, " UTC_TEXT("t_ns + utc_offset_ns")
	" AS at_utc, engine_h, litres, restriction_kpa, reference_kpa, reference_sd_kpa, limit_kpa, "
	"left_l_p10, left_l_p50, left_l_p90, fitted_ns, t_ns + utc_offset_ns AS at_utc_ns, name "
	"FROM filter_course JOIN sessions USING (session) LEFT JOIN filters USING (filter);",
	NULL,
};

/* versions[n]: the statements that make version n + 1 of version n. */
static const char *const *const versions[LOG_SCHEMA_VERSION] = {
	version_1, version_2, version_3, version_4, version_5};

static uint32_t read_big_endian(const uint8_t *bytes)
{
	return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 |
		(uint32_t)bytes[3];
}

/* SQLite's file format, 1.3: the magic string at 0, user version at 60, application id at 68. */
enum log_schema_kind log_schema_of_header(const uint8_t *header, size_t size)
{
	if (size == 0) {
		return LOG_IS_EMPTY;
	}
	if (size < LOG_HEADER_BYTES || memcmp(header, "SQLite format 3", 16) != 0 ||
		read_big_endian(header + 68) != LOG_APPLICATION_ID) {
		return LOG_IS_FOREIGN;
	}
	return read_big_endian(header + 60) > LOG_SCHEMA_VERSION ? LOG_IS_NEWER : LOG_IS_OURS;
}

static int read_number(sqlite3 *db, const char *sql, int *ret_number)
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return rc;
	}
	if (sqlite3_step(statement) == SQLITE_ROW) {
		*ret_number = sqlite3_column_int(statement, 0);
	}
	return sqlite3_finalize(statement);
}

int log_schema_kind(sqlite3 *db, enum log_schema_kind *ret_kind, int *ret_version)
{
	int application = 0, version = 0, objects = 0;
	int rc = read_number(db, "PRAGMA application_id", &application);

	if (rc == SQLITE_OK) {
		rc = read_number(db, "PRAGMA user_version", &version);
	}
	if (rc == SQLITE_OK) {
		rc = read_number(db, "SELECT count(*) FROM sqlite_schema", &objects);
	}
	if (rc != SQLITE_OK) {
		return rc;
	}
	*ret_version = version;
	if (application == LOG_APPLICATION_ID) {
		*ret_kind = version > LOG_SCHEMA_VERSION ? LOG_IS_NEWER : LOG_IS_OURS;
	} else if (application == 0 && version == 0 && objects == 0) {
		*ret_kind = LOG_IS_EMPTY;
	} else {
		*ret_kind = LOG_IS_FOREIGN;
	}
	return SQLITE_OK;
}

int log_schema_migrate(sqlite3 *db, int from_version)
{
	char pragma[128];
	int rc;

	if (from_version == LOG_SCHEMA_VERSION) {
		return SQLITE_OK;
	}
	rc = sqlite3_exec(db, "BEGIN EXCLUSIVE", NULL, NULL, NULL);
	for (int version = from_version; rc == SQLITE_OK && version < LOG_SCHEMA_VERSION; version++) {
		const char *const *statements = versions[version];
		for (size_t i = 0; rc == SQLITE_OK && statements[i] != NULL; i++) {
			rc = sqlite3_exec(db, statements[i], NULL, NULL, NULL);
		}
	}
	if (rc == SQLITE_OK) {
		(void)sqlite3_snprintf(sizeof(pragma), pragma,
			"PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT",
			LOG_APPLICATION_ID, LOG_SCHEMA_VERSION);
		rc = sqlite3_exec(db, pragma, NULL, NULL, NULL);
	}
	if (rc != SQLITE_OK && !sqlite3_get_autocommit(db)) {
		/* The first failure is what is told; a rollback that fails too changes nothing. */
		(void)sqlite3_exec(db, "ROLLBACK", NULL, NULL, NULL);
	}
	return rc;
}
