/* event_commands.c: what needed the skipper's eye, and what the skipper says to it. */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/event_answer.h"
#include "daemon/book_store.h"
#include "daemon/book_write.h"
#include "daemon/commands.h"
#include "daemon/fact_tables.h"
#include "daemon/utc_time.h"

static const struct table_column event_columns[] = {
	{"event", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"kind", TABLE_TEXT, QUANTITY_NONE, 0},
	{"subject", TABLE_TEXT, QUANTITY_NONE, 0},
	{"severity", TABLE_TEXT, QUANTITY_NONE, 0},
	{"raised_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"acknowledged_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"cleared_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"value", TABLE_REAL, QUANTITY_NONE, 2},
	{"limit", TABLE_REAL, QUANTITY_NONE, 2},
	{"unit", TABLE_TEXT, QUANTITY_NONE, 0},
	{"basis", TABLE_TEXT, QUANTITY_NONE, 0},
	{"message", TABLE_TEXT, QUANTITY_NONE, 0},
};

/* What a person did about it. */
static const struct table_column handling_columns[] = {
	{"event", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"kind", TABLE_TEXT, QUANTITY_NONE, 0},
	{"subject", TABLE_TEXT, QUANTITY_NONE, 0},
	{"raised_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"acknowledged_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"answered_by", TABLE_INTEGER, QUANTITY_NONE, 0}, /* an entry of the service book */
	{"shelved_until_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"cleared_utc", TABLE_TIME, QUANTITY_NONE, 0},
};

/* Which events, and what of them. */
enum event_view { VIEW_ALL, VIEW_STANDING, VIEW_HANDLING };

enum event_column { EVENT, KIND, SUBJECT, SEVERITY, RAISED, ACKNOWLEDGED, CLEARED, VALUE, LIMIT, UNIT,
	BASIS, MESSAGE, SHELVED };

static bool is_known(sqlite3_stmt *statement, enum event_column column)
{
	return sqlite3_column_type(statement, (int)column) != SQLITE_NULL;
}

static void put_time(struct table *table, bool known, int64_t utc_ns)
{
	if (known) {
		table_put_time(table, utc_ns);
	} else {
		table_put_unknown(table);
	}
}

static const char *text_of(sqlite3_stmt *statement, enum event_column column)
{
	return (const char *)sqlite3_column_text(statement, (int)column);
}

static double real_of(sqlite3_stmt *statement, enum event_column column)
{
	return is_known(statement, column) ? sqlite3_column_double(statement, (int)column) : NAN;
}

/* When it was acknowledged: an event that work answered counts as acknowledged from then on. */
static void put_acknowledged(struct table *table, sqlite3_stmt *statement,
	const struct book_entry *answer)
{
	bool acknowledged = is_known(statement, ACKNOWLEDGED);
	int64_t at_ns = sqlite3_column_int64(statement, ACKNOWLEDGED);

	if (answer && (!acknowledged || answer->done_ns < at_ns)) {
		acknowledged = true;
		at_ns = answer->done_ns;
	}
	put_time(table, acknowledged, at_ns);
}

static void put_event(struct table *table, sqlite3_stmt *statement, const struct book_entry *answer)
{
	table_put_integer(table, sqlite3_column_int64(statement, EVENT));
	table_put_text(table, text_of(statement, KIND));
	table_put_text(table, text_of(statement, SUBJECT));
	table_put_text(table, text_of(statement, SEVERITY));
	put_time(table, is_known(statement, RAISED), sqlite3_column_int64(statement, RAISED));
	put_acknowledged(table, statement, answer);
	put_time(table, is_known(statement, CLEARED), sqlite3_column_int64(statement, CLEARED));
	table_put_real(table, real_of(statement, VALUE));
	table_put_real(table, real_of(statement, LIMIT));
	table_put_text(table, text_of(statement, UNIT));
	table_put_text(table, text_of(statement, BASIS));
	table_put_text(table, text_of(statement, MESSAGE));
	table_end_row(table);
}

static void put_handling(struct table *table, sqlite3_stmt *statement,
	const struct book_entry *answer)
{
	table_put_integer(table, sqlite3_column_int64(statement, EVENT));
	table_put_text(table, text_of(statement, KIND));
	table_put_text(table, text_of(statement, SUBJECT));
	put_time(table, is_known(statement, RAISED), sqlite3_column_int64(statement, RAISED));
	put_acknowledged(table, statement, answer);
	if (answer) {
		table_put_integer(table, answer->entry);
	} else {
		table_put_unknown(table);
	}
	put_time(table, is_known(statement, SHELVED), sqlite3_column_int64(statement, SHELVED));
	put_time(table, is_known(statement, CLEARED), sqlite3_column_int64(statement, CLEARED));
	table_end_row(table);
}

/* Standing: not over, not answered by work, and not on the shelf now. */
static bool stands(sqlite3_stmt *statement, const struct book_entry *answer, int64_t now_ns)
{
	return !is_known(statement, CLEARED) && !answer &&
		!(is_known(statement, SHELVED) && sqlite3_column_int64(statement, SHELVED) > now_ns);
}

static enum program_exit put_events(const struct command_line *line, struct table *table,
	struct log_store *store, enum event_view view)
{
	sqlite3 *db = log_store_db(store);
	bool has_shelf = sqlite3_table_column_metadata(db, NULL, "shelf", NULL, NULL, NULL, NULL, NULL,
				 NULL) == SQLITE_OK;
	int64_t now_ns = book_write_now_ns();
	char *sql = sqlite3_mprintf(
		"SELECT event, kind, subject, severity, raised_utc_ns, acknowledged_utc_ns, "
		"cleared_utc_ns, value, \"limit\", unit, basis, message, %s FROM event_list AS e "
		"WHERE (?1 IS NULL OR coalesce(cleared_utc_ns, 9223372036854775807) >= ?1) "
		"AND (?2 IS NULL OR raised_utc_ns < ?2) ORDER BY raised_utc_ns, event",
		has_shelf ? "(SELECT until_ns FROM shelf AS s WHERE s.event = e.event)" : "NULL");
	sqlite3_stmt *statement = NULL;
	struct book_entry *entries;
	size_t count;
	int rc;
	int result = book_store_entries(db, &entries, &count);

	if (result != 0 || !sql) {
		sqlite3_free(sql);
		return book_write_unread(line, result != 0 ? result : -ENOMEM);
	}
	rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);
	sqlite3_free(sql);
	if (line->has_since) {
		(void)sqlite3_bind_int64(statement, 1, line->since_ns);
	}
	if (line->has_until) {
		(void)sqlite3_bind_int64(statement, 2, line->until_ns);
	}
	if (view == VIEW_HANDLING) {
		table_begin(table, "event_handling", handling_columns,
			sizeof(handling_columns) / sizeof(handling_columns[0]));
	} else {
		table_begin(table, "events", event_columns,
			sizeof(event_columns) / sizeof(event_columns[0]));
	}
	while (rc == SQLITE_OK || rc == SQLITE_ROW) {
		const struct book_entry *answer = NULL;

		rc = sqlite3_step(statement);
		if (rc != SQLITE_ROW) {
			break;
		}
		if (is_known(statement, RAISED)) {
			answer = event_answer(&line->settings.boat, entries, count,
				text_of(statement, KIND), text_of(statement, SUBJECT),
				sqlite3_column_int64(statement, RAISED));
		}
		if (view == VIEW_HANDLING) {
			put_handling(table, statement, answer);
		} else if (view == VIEW_ALL || stands(statement, answer, now_ns)) {
			put_event(table, statement, answer);
		}
	}
	table_end(table);
	(void)sqlite3_finalize(statement); /* repeats rc */
	free(entries);
	return rc == SQLITE_DONE ? EXIT_DONE
				 : command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
}

enum program_exit fact_table_events(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return put_events(line, table, store, VIEW_ALL);
}

enum program_exit fact_table_standing_events(const struct command_line *line,
	struct table *table, struct log_store *store)
{
	return put_events(line, table, store, VIEW_STANDING);
}

static enum program_exit list_events(const struct command_line *line, enum event_view view)
{
	struct log_store *store = NULL;
	struct table *table;
	enum program_exit status = command_open_log(line, &store);

	if (status != EXIT_DONE) {
		return status;
	}
	status = command_open_output(line, &table);
	if (status == EXIT_DONE) {
		status = command_close_output(line, table, put_events(line, table, store, view));
	}
	log_store_close(store);
	return status;
}

/* --for: how long an event is shelved. */
static enum program_exit take_duration(const struct command_line *line, int64_t *ret_ns)
{
	const char *text = command_value(line, "--for");
	char expected[256];
	double hours = 24;

	if (text && (units_parse(QUANTITY_HOURS, text, &hours, expected, sizeof(expected)) != 0 ||
			    !(hours > 0 && hours <= 366 * 24))) {
		return command_misused(line, "--for: expected hours or days, up to 366 days; got '%s'",
			text);
	}
	*ret_ns = (int64_t)(hours * 3600) * NS_PER_S;
	return EXIT_DONE;
}

static enum program_exit handle(const struct command_line *line, struct log_store *store,
	int64_t event, int64_t shelve_ns)
{
	const char *action = line->arguments[0];
	char when[UTC_TEXT_MAX];
	int64_t now = book_write_now_ns();
	int result;

	if (strcmp(action, "acknowledge") == 0) {
		result = book_store_acknowledge(store, event, now);
	} else {
		result = book_store_shelve(store, event,
			strcmp(action, "shelve") == 0 ? now + shelve_ns : INT64_MIN);
	}
	if (result != 0) {
		return command_failed(line, "%s",
			log_store_error(store)[0] != '\0' ? log_store_error(store) : strerror(-result));
	}
	if (strcmp(action, "shelve") == 0) {
		utc_format(now + shelve_ns, when);
		(void)printf("event %" PRId64 " shelved until %s\n", event, when);
	} else {
		(void)printf("event %" PRId64 " %s\n", event,
			strcmp(action, "acknowledge") == 0 ? "acknowledged" : "taken off the shelf");
	}
	return EXIT_DONE;
}

static enum program_exit run_events(const struct command_line *line)
{
	const char *action = line->argument_count > 0 ? line->arguments[0] : "list";
	struct log_store *store;
	int64_t shelve_ns = 0;
	enum program_exit status;

	if (strcmp(action, "list") == 0) {
		return list_events(line,
			command_value(line, "--standing") != NULL ? VIEW_STANDING : VIEW_ALL);
	}
	if (strcmp(action, "handling") == 0) {
		return list_events(line, VIEW_HANDLING);
	}
	if (strcmp(action, "acknowledge") != 0 && strcmp(action, "shelve") != 0 &&
		strcmp(action, "unshelve") != 0) {
		return command_misused(line, "'%s' is nothing to do with events; expected list, "
			"handling, acknowledge, shelve or unshelve", action);
	}
	if (line->argument_count < 2) {
		return command_misused(line, "%s: which event? Give its number", action);
	}
	for (size_t i = 1; i < line->argument_count; i++) {
		char *end;

		errno = 0;
		if (strtoll(line->arguments[i], &end, 10) < 1 || errno != 0 || *end != '\0') {
			return command_misused(line, "%s: '%s' is no event's number", action,
				line->arguments[i]);
		}
	}
	status = take_duration(line, &shelve_ns);
	status = status == EXIT_DONE ? book_write_open(line, &store) : status;
	if (status != EXIT_DONE) {
		return status;
	}
	for (size_t i = 1; status == EXIT_DONE && i < line->argument_count; i++) {
		status = handle(line, store, strtoll(line->arguments[i], NULL, 10), shelve_ns);
	}
	log_store_close(store);
	return status;
}

static const struct command_option event_options[] = {
	{"--standing", NULL, "list: only what is not over, not answered by work, and not shelved"},
	{"--for", "TIME", "shelve: how long, such as '12 h' or '3 days' (else 24 h)"},
	{NULL, NULL, NULL},
};

const struct command command_events = {
	.name = "events",
	.summary = "what needed the skipper's eye",
	.arguments = "[list | handling | acknowledge N… | shelve N… | unshelve N…]",
	.arguments_least = 0,
	.arguments_most = 32,
	.help = "Lists the events of a log: what was noticed, when, by what evidence, and whether it is over.\n"
		"An event without cleared_utc still stands. Acknowledge what was seen; shelve what is not to be\n"
		"told of for a time. Work in the service book that is a remedy (a drain for water, a change for\n"
		"an element that is due) answers an event, which counts as acknowledged from then on; handling\n"
		"says which entry answered it, and what is on the shelf.\n\n"
		"  sightbowl events --db boat.db\n"
		"  sightbowl events --db boat.db --since 2026-06-01 --json\n"
		"  sightbowl events --standing --db boat.db --config boat.conf\n"
		"  sightbowl events handling --db boat.db --config boat.conf\n"
		"  sightbowl events acknowledge 12 13 --db boat.db\n"
		"  sightbowl events shelve 12 --for '3 days' --db boat.db",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_RANGE,
	.options = event_options,
	.run = run_events,
};
