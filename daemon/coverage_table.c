#include "daemon/coverage_table.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/log_store.h"

#define SIGNALS_MAX 1024 /* slots of a log */
#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const struct table_column coverage_columns[] = {
	{"analysis", TABLE_TEXT, QUANTITY_NONE, 0},
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"covered", TABLE_TEXT, QUANTITY_NONE, 0},
	{"by", TABLE_TEXT, QUANTITY_NONE, 0},
	{"missing", TABLE_TEXT, QUANTITY_NONE, 0},
	{"supplied_by", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void append(char *list, size_t size, const char *word)
{
	size_t used = strlen(list);

	(void)snprintf(list + used, size - used, "%s%s", used == 0 ? "" : ", ", word);
}

static void put_coverage_row(struct table *table, coverage_heard *heard,
	const void *context, const struct coverage_row *row, int engine)
{
	char by[256] = "", missing[256] = "", supplied_by[512] = "";
	enum coverage_grade grade = coverage_grade(row, engine, heard, context);

	for (size_t i = 0; i < row->need_count + row->better_count; i++) {
		const struct coverage_need *need = i < row->need_count
			? &row->needs[i] : &row->better[i - row->need_count];
		int found = coverage_find(need, engine, heard, context);
		if (found >= 0) {
			append(by, sizeof(by), signal_get((enum signal_id)found)->name);
		} else {
			append(missing, sizeof(missing),
				signal_get((enum signal_id)need->signals[0])->name);
			append(supplied_by, sizeof(supplied_by), need->supplied_by);
		}
	}
	table_put_text(table, row->analysis);
	if (row->of_engine) {
		table_put_integer(table, engine);
	} else {
		table_put_unknown(table);
	}
	table_put_text(table, coverage_grade_name(grade));
	table_put_text(table, by[0] == '\0' ? NULL : by);
	table_put_text(table, missing[0] == '\0' ? NULL : missing);
	table_put_text(table, supplied_by[0] == '\0' ? NULL : supplied_by);
	table_end_row(table);
}

static bool engine_heard(coverage_heard *heard, const void *context, int engine)
{
	return heard(context, SIGNAL_ENGINE_SPEED, engine) ||
		heard(context, SIGNAL_FUEL_RATE, engine);
}

void coverage_table_put(struct table *table, coverage_heard *heard, const void *context)
{
	bool any = false;

	for (int engine = 0; engine < BOAT_ENGINES_MAX; engine++) {
		any = any || engine_heard(heard, context, engine);
	}
	table_begin(table, "coverage", coverage_columns, COUNT(coverage_columns));
	for (size_t i = 0; i < coverage_row_count(); i++) {
		const struct coverage_row *row = coverage_row_get(i);
		for (int engine = 0; engine < BOAT_ENGINES_MAX; engine++) {
			/* Without an engine on the bus, what one would need is still worth saying. */
			if (row->of_engine ? engine_heard(heard, context, engine) || (!any && engine == 0)
					   : engine == 0) {
				put_coverage_row(table, heard, context, row, engine);
			}
		}
	}
	table_end(table);
}

/* ---- of a log ---- */

struct log_signals {
	size_t count;
	struct {
		enum signal_id signal;
		int instance;
	} *heard;
};

static bool heard_in_log(const void *context, enum signal_id signal, int instance)
{
	const struct log_signals *signals = context;

	for (size_t i = 0; i < signals->count; i++) {
		if (signals->heard[i].signal == signal && (instance < 0 ||
			signal_get(signal)->scope != SCOPE_ENGINE ||
			signals->heard[i].instance == instance)) {
			return true;
		}
	}
	return false;
}

enum program_exit coverage_table_of_log(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	struct log_signals signals = {.count = 0};
	sqlite3 *db = log_store_db(store);
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db,
		/* The time is not logged as a signal: that the bus brought it shows in the sessions. */
		"SELECT signal, instance FROM slots UNION ALL "
		"SELECT 'system_time_s', 0 FROM session_list WHERE clock = 'bus' LIMIT 1024", -1, &statement, NULL);

	signals.heard = calloc(SIGNALS_MAX, sizeof(*signals.heard));
	while (signals.heard != NULL && rc == SQLITE_OK && signals.count < SIGNALS_MAX &&
		(rc = sqlite3_step(statement)) == SQLITE_ROW) {
		const char *name = (const char *)sqlite3_column_text(statement, 0);
		/* A signal of a newer version's log is none that this one asks for. */
		if (name != NULL && signal_find(name, &signals.heard[signals.count].signal)) {
			signals.heard[signals.count++].instance = sqlite3_column_int(statement, 1);
		}
		rc = SQLITE_OK;
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	if (signals.heard == NULL) {
		return command_failed(line, "no memory left");
	}
	if (rc == SQLITE_DONE || rc == SQLITE_OK) {
		coverage_table_put(table, heard_in_log, &signals);
		rc = SQLITE_DONE;
	}
	free(signals.heard);
	return rc == SQLITE_DONE ? EXIT_DONE
				 : command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
}
