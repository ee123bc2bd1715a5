/* log_store_parts.h: what the files of log_store share among themselves; nobody else includes it. */
#ifndef SIGHTBOWL_DAEMON_LOG_STORE_PARTS_H
#define SIGHTBOWL_DAEMON_LOG_STORE_PARTS_H

#include "daemon/log_entry.h"
#include "daemon/log_schema.h"
#include "daemon/log_store.h"
#include "daemon/print_format.h"
#include "decoders/signal.h"

/* Runs that nobody saw, in whose time later frames showed what the engine really did. */
#define LOG_SEEN_RUNS                                                                              \
	"SELECT r.run FROM run_list AS r JOIN run_list AS o ON o.engine = r.engine "               \
	"AND o.run > r.run AND o.start_utc_ns >= r.start_utc_ns - 1000000000 "                     \
	"AND o.end_utc_ns <= r.end_utc_ns + 1000000000 "                                           \
	"WHERE r.engine_h > 0 AND r.unobserved_h >= 0.99 * r.engine_h "                            \
	"AND o.unobserved_h < 0.99 * o.engine_h"

/* Of the first ?2 rows those that lie before ?1: in steady time, and of these those older than ?3 in
 * UTC (a session without a date lies where it was put). */
#define LOG_DROP_OLD(table)                                                                        \
	"DELETE FROM " table " WHERE start_s IN (SELECT w.start_s FROM (SELECT start_s, session "  \
	"FROM " table " WHERE start_s < ?1 ORDER BY start_s LIMIT ?2) AS w "                       \
	"JOIN sessions AS e ON e.session = w.session WHERE w.start_s + "                           \
	"CASE e.basis WHEN 2 THEN 0 ELSE e.utc_offset_ns / 1000000000 END < ?3)"
#define LOG_FIRST_UTC(table)                                                                       \
	"SELECT w.start_s + e.utc_offset_ns / 1000000000 FROM " table " AS w JOIN sessions AS e "  \
	"ON e.session = w.session WHERE e.basis <> 2 ORDER BY w.start_s LIMIT 1"
#define LOG_DROP_FIRST(table)                                                                      \
	"DELETE FROM " table " WHERE start_s IN (SELECT start_s FROM " table                       \
	" WHERE start_s < ?1 ORDER BY start_s LIMIT ?2)"

/* STATEMENT(id, SQL). In MINUTES_OF_DAY the + keeps SQLite from building an index over all minutes of the
 * log's life (in memory, at each commit that ends a day), when the few of one day are found by their
 * key. */
#define LOG_STATEMENTS(STATEMENT)                                                                  \
	STATEMENT(BEGIN, "BEGIN IMMEDIATE")                                                        \
	STATEMENT(COMMIT, "COMMIT")                                                                \
	STATEMENT(PUT_META, "INSERT INTO meta VALUES(?1, ?2) ON CONFLICT(key) DO UPDATE SET "      \
		"value = ?2 WHERE value IS NOT ?2")                                                \
	STATEMENT(NEWEST, "SELECT max((last_ns + utc_offset_ns) / 1000000000) FROM sessions WHERE " \
		"basis = coalesce((SELECT 1 FROM sessions WHERE basis = 1 LIMIT 1), 0)")           \
	STATEMENT(LAST_MINUTE, "SELECT max(start_s) FROM minutes")                                 \
	STATEMENT(USED_BYTES, "SELECT (page_count - freelist_count) * page_size FROM "             \
		"pragma_page_count, pragma_freelist_count, pragma_page_size")                      \
	STATEMENT(ANY_WINDOW, "SELECT 1 FROM windows WHERE start_s < ?1 LIMIT 1")                  \
	STATEMENT(FILE_BYTES, "SELECT page_count * page_size FROM pragma_page_count, "             \
		"pragma_page_size")                                                                \
	STATEMENT(FIRST_WINDOW, LOG_FIRST_UTC("windows"))                                          \
	STATEMENT(FIRST_MINUTE, LOG_FIRST_UTC("minutes"))                                          \
	STATEMENT(DROP_OLD_WINDOWS, LOG_DROP_OLD("windows"))                                       \
	STATEMENT(DROP_OLD_MINUTES, LOG_DROP_OLD("minutes"))                                       \
	STATEMENT(DROP_FIRST_WINDOWS, LOG_DROP_FIRST("windows"))                                   \
	STATEMENT(DROP_FIRST_MINUTES, LOG_DROP_FIRST("minutes"))                                   \
	STATEMENT(GET_META, "SELECT value FROM meta WHERE key = ?1")                               \
	STATEMENT(LANE_SIGNALS, "SELECT l.lane_slot, s.signal FROM lane_slots AS l "               \
		"JOIN slots AS s ON s.slot = l.slot WHERE l.lane = ?1")                            \
	STATEMENT(FIND_SLOT, "SELECT slot FROM slots WHERE signal = ?1 AND instance = ?2")         \
	STATEMENT(ADD_SLOT, "INSERT INTO slots VALUES((SELECT coalesce(max(slot) + 1, 0) FROM "    \
		"slots), ?1, ?2, ?3, ?4) RETURNING slot")                                          \
	STATEMENT(PUT_LANE_SLOT, "INSERT INTO lane_slots VALUES(?1, ?2, ?3) "                      \
		"ON CONFLICT DO UPDATE SET slot = ?3 WHERE slot <> ?3")                            \
	STATEMENT(LANE_SLOTS, "SELECT l.lane_slot, l.slot, s.step FROM lane_slots AS l "           \
		"JOIN slots AS s ON s.slot = l.slot WHERE l.lane = ?1")                            \
	STATEMENT(GET_SESSION, "SELECT first_ns, last_ns, utc_offset_ns, basis FROM sessions "     \
		"WHERE session = ?1")                                                              \
	STATEMENT(PUT_SESSION, "INSERT OR REPLACE INTO sessions VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)")\
	STATEMENT(STALE_RANGE, "INSERT OR IGNORE INTO stale_days SELECT DISTINCT "                 \
		"(start_s + ?2) / 86400 * 86400 FROM minutes WHERE start_s BETWEEN ?3 AND ?4 "     \
		"AND session = ?1")                                                                \
	STATEMENT(FIND_WINDOWS, "SELECT start_s, session FROM windows WHERE start_s BETWEEN ?1 "   \
		"AND ?2")                                                                          \
	STATEMENT(FIND_MINUTES, "SELECT start_s, session FROM minutes WHERE start_s BETWEEN ?1 "   \
		"AND ?2")                                                                          \
	STATEMENT(PUT_WINDOW, "INSERT OR REPLACE INTO windows VALUES(?1, ?2, ?3)")                 \
	STATEMENT(PUT_MINUTE, "INSERT OR REPLACE INTO minutes VALUES(?1, ?2, ?3)")                 \
	STATEMENT(WINDOWS_OF_MINUTE, "SELECT data FROM windows WHERE start_s BETWEEN ?1 AND ?1 + " \
		"59 AND session = ?2")                                                             \
	STATEMENT(ADD_STALE_DAY, "INSERT OR IGNORE INTO stale_days VALUES(?1)")                    \
	STATEMENT(STALE_DAYS, "SELECT start_s FROM stale_days WHERE start_s < ?1 OR start_s < "    \
		"(SELECT max(start_s) FROM stale_days) LIMIT 1")                                   \
	STATEMENT(MINUTES_OF_DAY, "SELECT m.data FROM sessions AS e CROSS JOIN minutes AS m "      \
		"WHERE e.basis <> 2 "                                                              \
		"AND (e.first_ns - 60000000000 + e.utc_offset_ns) / 1000000000 < ?1 + 86400 "      \
		"AND (e.last_ns + e.utc_offset_ns) / 1000000000 >= ?1 "                            \
		"AND m.start_s BETWEEN ?1 - e.utc_offset_ns / 1000000000 - 60 "                    \
		"AND ?1 + 86460 - e.utc_offset_ns / 1000000000 AND +m.session = e.session "        \
		"AND (m.start_s / 60 * 60 + e.utc_offset_ns / 1000000000) / 86400 * 86400 = ?1")   \
	STATEMENT(PUT_DAY, "INSERT OR REPLACE INTO days VALUES(?1, ?2)")                           \
	STATEMENT(DROP_DAY, "DELETE FROM days WHERE start_s = ?1")                                 \
	STATEMENT(DROP_STALE_DAY, "DELETE FROM stale_days WHERE start_s = ?1")                     \
	STATEMENT(PUT_TRIP, "INSERT OR REPLACE INTO trips VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)")     \
	STATEMENT(DROP_TRIP, "DELETE FROM trips WHERE trip = ?1")                                  \
	STATEMENT(PUT_RUN, "INSERT OR REPLACE INTO runs VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, "   \
		"?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19)")                           \
	STATEMENT(DROP_RUN, "DELETE FROM runs WHERE run = ?1")                                     \
	STATEMENT(PUT_EVENT, "INSERT INTO events VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, " \
		"?11, ?12, ?13, ?14, NULL) ON CONFLICT(event) DO UPDATE SET kind = ?2, "           \
		"subject = ?3, severity = ?4, session = ?5, raised_ns = ?6, cleared_session = ?7, "\
		"cleared_ns = ?8, trip = ?9, value = ?10, \"limit\" = ?11, "                       \
		"unit = CASE WHEN ?14 = '' THEN unit ELSE ?12 END, "                             \
		"basis = CASE WHEN ?14 = '' THEN basis ELSE ?13 END, "                             \
		"message = CASE WHEN ?14 = '' THEN message ELSE ?14 END")                          \
	STATEMENT(PUT_FILTER, "INSERT INTO filter_states VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, "  \
		"?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17) ON CONFLICT DO UPDATE SET "           \
		"fitted_ns = ?2, session = ?3, t_ns = ?4, engine_h = ?5, litres = ?6, "            \
		"restriction_kpa = ?7, reference_kpa = ?8, reference_sd_kpa = ?9, "                \
		"reference_lph = ?10, limit_kpa = ?11, left_l_p10 = ?12, left_l_p50 = ?13, "       \
		"left_l_p90 = ?14, left_h_p10 = ?15, left_h_p50 = ?16, left_h_p90 = ?17")          \
	STATEMENT(FIND_FILTER, "SELECT filter FROM filters WHERE name = ?1")                       \
	STATEMENT(ADD_FILTER, "INSERT INTO filters SELECT CASE WHEN EXISTS (SELECT 1 FROM filters "\
		"WHERE filter = ?2) THEN (SELECT max(filter) + 1 FROM filters) ELSE ?2 END, ?1 "   \
		"RETURNING filter")                                                                \
	STATEMENT(PUT_FILTER_COURSE, "INSERT OR REPLACE INTO filter_course VALUES(?1, ?2, ?3, ?4, "\
		"?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)")                                         \
	STATEMENT(PUT_BURN, "INSERT OR REPLACE INTO burn_points VALUES(?1, ?2, ?3, ?4, ?5, ?6, "   \
		"?7, ?8, ?9, ?10, ?11)")                                                           \
	STATEMENT(PUT_TANK, "INSERT OR REPLACE INTO tank_states VALUES(?1, ?2, ?3, ?4, ?5, ?6, "   \
		"?7, ?8, ?9)")                                                                     \
	STATEMENT(PUT_REFUELLING, "INSERT OR REPLACE INTO refuellings VALUES(?1, ?2, ?3, ?4, ?5)") \
	STATEMENT(PUT_FAULT, "INSERT INTO trouble_codes VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, "\
		"?10, ?11, ?12, ?13, ?14) ON CONFLICT DO UPDATE SET conversion = ?6, "             \
		"occurrences = ?7, standing = ?8, lamps = ?9, session = ?12, t_ns = ?13, "         \
		"says = ?14 WHERE t_ns <= ?13")                                                    \
	STATEMENT(NUMBERS, "SELECT (SELECT max(session) FROM sessions), (SELECT max(run) FROM "    \
		"runs), (SELECT max(trip) FROM trips), (SELECT max(event) FROM events)")           \
	STATEMENT(PUT_FIRST_PART, "INSERT INTO checkpoints VALUES(?1, 0, ?2, ?3, ?4, ?5, ?6) "     \
		"ON CONFLICT DO UPDATE SET data = ?2, raw_ns = ?3, capture = ?4, frames = ?5, "    \
		"size = ?6")                                                                       \
	STATEMENT(PUT_PART, "INSERT INTO checkpoints(lane, part, data) VALUES(?1, ?2, ?3) "        \
		"ON CONFLICT DO UPDATE SET data = ?3 WHERE data <> ?3")                            \
	STATEMENT(PARTS, "SELECT data, raw_ns, capture, frames, size FROM checkpoints "            \
		"WHERE lane = ?1 ORDER BY part")                                                   \
	STATEMENT(DROP_PARTS, "DELETE FROM checkpoints WHERE lane = ?1 AND part >= ?2")            \
	STATEMENT(CAPTURES, "SELECT * FROM captures ORDER BY capture")                             \
	STATEMENT(PUT_CAPTURE, "INSERT OR REPLACE INTO captures VALUES(?1, ?2, ?3, ?4, ?5, ?6, "   \
		"?7, ?8, ?9, ?10, ?11, ?12)")                                                 \
	STATEMENT(LAST_CAPTURE, "SELECT coalesce(max(capture), 0) FROM captures")                  \
	STATEMENT(SESSION_STRETCHES, "SELECT first_ns, last_ns, utc_offset_ns, raw_first_ns, "     \
		"raw_last_ns, basis FROM sessions WHERE basis <> 2")                               \
	STATEMENT(RUN_STRETCHES, "SELECT start_utc_ns, end_utc_ns FROM run_list WHERE "            \
		"unobserved_h > 0.003 AND unobserved_h < 0.99 * engine_h AND "                     \
		"start_utc_ns IS NOT NULL AND end_utc_ns IS NOT NULL")                             \
	STATEMENT(DROP_SEEN_TRIPS, "DELETE FROM trips WHERE distance_nm IS NULL AND trip IN "      \
		"(SELECT trip FROM runs WHERE run IN (" LOG_SEEN_RUNS ")) AND NOT EXISTS (SELECT " \
		"1 FROM runs AS o WHERE o.trip = trips.trip AND o.run NOT IN (" LOG_SEEN_RUNS "))")\
	STATEMENT(DROP_SEEN_RUNS, "DELETE FROM runs WHERE run IN (" LOG_SEEN_RUNS ")")             \
	STATEMENT(CAPTURE_STRETCHES, "SELECT first_ns, last_ns FROM capture_stretches WHERE "      \
		"capture = ?1 ORDER BY first_ns")                                                  \
	STATEMENT(ADD_STRETCH, "INSERT INTO capture_stretches VALUES(?1, ?2, ?3)")                 \
	STATEMENT(DROP_STRETCHES, "DELETE FROM capture_stretches WHERE capture = ?1")              \
	STATEMENT(BUSES, "SELECT bus, name FROM buses ORDER BY bus")                               \
	STATEMENT(PUT_BUS, "INSERT OR IGNORE INTO buses VALUES(?1, ?2)")                           \
	STATEMENT(CLOSE_RUNS, "UPDATE runs SET open = 0 WHERE open")                               \
	STATEMENT(CLOSE_TRIPS, "UPDATE trips SET open = 0 WHERE open")

enum log_statement {
#define LOG_STATEMENT_ENUM(id, sql) LOG_##id,
	LOG_STATEMENTS(LOG_STATEMENT_ENUM)
#undef LOG_STATEMENT_ENUM
	LOG_STATEMENT_COUNT
};

#define LOG_LANE_MAX 16

struct lane_slot {
	bool known;
	uint16_t slot;
	double step;
};

struct log_store {
	sqlite3 *db;
	sqlite3_stmt *statements[LOG_STATEMENT_COUNT]; /* prepared when first needed */
	struct log_lock own_lock; /* not held by a reader, nor under a lock of the caller's */
	bool is_passing; /* see log_store_is_passing */
	bool bypasses_locks; /* log_bypass_begin's, until it is closed */
	bool older; /* db is a copy in memory of a log of an older version */
	bool in_transaction;
	int failure;        /* sticks: negative errno of a failed write */
	int unread;         /* likewise of a failed read (log_store_note) */
	char error[512];
	char path[1024];

	char lane[LOG_LANE_MAX];
	struct lane_slot slots[LOG_SLOTS_MAX]; /* by the lane's slot */
	int64_t minute;         /* steady; has windows that its row lacks; -1: none */
	int64_t minute_session;
	int64_t window_key;     /* of the last window written, with its window and session */
	int64_t window;
	int64_t window_session;
	int64_t session;        /* whose offset this is; 0: none */
	int64_t session_offset_ns;
	bool session_dated;
	struct log_rollup rollup;
	uint8_t row[LOG_SLOTS_MAX * LOG_DAY_ENTRY_BYTES];
};

/* The statement, prepared, reset and unbound; NULL when that failed (told and kept). */
sqlite3_stmt *log_statement(struct log_store *store, enum log_statement id);
/* Steps a statement that gives no rows, and resets it. */
int log_run(struct log_store *store, sqlite3_stmt *statement);
/* Steps one that gives at most one row: 1 with a row (reset it after reading), 0 without, or an
 * error. */
int log_step(struct log_store *store, sqlite3_stmt *statement);
/* Begins the transaction when none is open. */
int log_begin(struct log_store *store);
/* Keeps the sentence that log_store_error gives. */
PRINT_FORMAT(2, 3) void log_say(struct log_store *store, const char *format, ...);
/* Notes SQLite's last error as the store's and returns its negative errno. */
int log_sqlite_failure(struct log_store *store, int rc);

/* Writes the minute that windows were added to. */
int log_roll_up_minute(struct log_store *store);
/* Writes the rows of stale days: all, or those that later ones have followed. */
int log_roll_up_days(struct log_store *store, bool all);
int log_load_lane_slots(struct log_store *store);
/* Opens for reading without bringing an older version's tables to this one's. */
int log_open_as_it_is(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* Whether its making was cut: a writer makes it anew. */
bool log_is_cut(const char *path);
/* Takes over what the batch file holds, and commits it. */
int log_absorb_batch(struct log_store *store);

#endif
