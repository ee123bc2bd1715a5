/* element_commands.c: elements: what has passed each element, and when it falls due. */
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "analysis/element_account.h"
#include "analysis/service_ledger.h"
#include "daemon/commands.h"
#include "daemon/element_table.h"
#include "daemon/utc_time.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const struct table_column element_columns[] = {
	{"filter", TABLE_TEXT, QUANTITY_NONE, 0},
	{"stage", TABLE_TEXT, QUANTITY_NONE, 0},
	{"element", TABLE_TEXT, QUANTITY_NONE, 0},
	{"micron", TABLE_REAL, QUANTITY_SIZE, 0},
	{"fitted_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"removed_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 1},
	{"litres_through", TABLE_REAL, QUANTITY_VOLUME, 0},
	{"restriction_kpa", TABLE_REAL, QUANTITY_RESTRICTION, 1},
	{"reference_kpa", TABLE_REAL, QUANTITY_RESTRICTION, 1},
	{"limit_kpa", TABLE_REAL, QUANTITY_RESTRICTION, 1},
	{"used_pct", TABLE_REAL, QUANTITY_NONE, 0},
	{"left_h_p10", TABLE_REAL, QUANTITY_HOURS, 0},
	{"left_h_p50", TABLE_REAL, QUANTITY_HOURS, 0},
	{"left_h_p90", TABLE_REAL, QUANTITY_HOURS, 0},
	{"due_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"due_by", TABLE_TEXT, QUANTITY_NONE, 0},
	{"basis", TABLE_TEXT, QUANTITY_NONE, 0},
};

/* What the table is made of. */
struct element_data {
	struct supply_portion *portions;
	size_t portion_count;
	bool has_first;
	int64_t first_ns; /* of the log */
	struct element_fitting *fittings;
	size_t fitting_count;
};

static bool add_portion(struct element_data *data, size_t *size, sqlite3_stmt *statement)
{
	if (data->portion_count == *size) {
		size_t grown_size = *size == 0 ? 256 : *size * 2;
		struct supply_portion *grown = realloc(data->portions,
			grown_size * sizeof(*grown));
		if (grown == NULL) {
			return false;
		}
		data->portions = grown;
		*size = grown_size;
	}
	data->portions[data->portion_count++] = (struct supply_portion){
		.engine = (unsigned)sqlite3_column_int(statement, 0),
		.dated = sqlite3_column_type(statement, 1) != SQLITE_NULL &&
			sqlite3_column_type(statement, 2) != SQLITE_NULL,
		.start_ns = sqlite3_column_int64(statement, 1),
		.end_ns = sqlite3_column_int64(statement, 2),
		.engine_h = sqlite3_column_double(statement, 3),
		.supply_l = sqlite3_column_type(statement, 4) == SQLITE_NULL
			? NAN : sqlite3_column_double(statement, 4),
	};
	return true;
}

static enum program_exit load_runs(const struct command_line *line, sqlite3 *db,
	struct element_data *data)
{
	sqlite3_stmt *statement;
	size_t size = 0;
	int rc = sqlite3_prepare_v2(db, "SELECT engine, start_utc_ns, end_utc_ns, engine_h, supply_l "
		"FROM run_list ORDER BY start_utc_ns, run", -1, &statement, NULL);

	while (rc == SQLITE_OK || rc == SQLITE_ROW) {
		rc = sqlite3_step(statement);
		if (rc == SQLITE_ROW && !add_portion(data, &size, statement)) {
			(void)sqlite3_finalize(statement);
			return command_failed(line, "no memory left");
		}
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	if (rc == SQLITE_DONE) {
		rc = sqlite3_prepare_v2(db, "SELECT min(start_utc_ns) FROM session_list", -1,
			&statement, NULL);
		if (rc == SQLITE_OK && (rc = sqlite3_step(statement)) == SQLITE_ROW) {
			data->has_first = sqlite3_column_type(statement, 0) != SQLITE_NULL;
			data->first_ns = sqlite3_column_int64(statement, 0);
			rc = SQLITE_DONE;
		}
		(void)sqlite3_finalize(statement);
	}
	return rc == SQLITE_DONE ? EXIT_DONE
				 : command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
}

static enum program_exit lay_out(const struct command_line *line, const struct boat *boat,
	struct element_data *data)
{
	data->fittings = calloc(LEDGER_FITTINGS(boat->filter_count, 0) + 1, sizeof(*data->fittings));
	if (data->fittings == NULL) {
		return command_failed(line, "no memory left");
	}
	data->fitting_count = service_ledger_fittings(boat, NULL, 0, data->fittings);
	for (size_t i = 0; i < data->portion_count; i++) {
		service_ledger_pass(boat, NULL, 0, &data->portions[i], data->fittings,
			data->fitting_count, NULL);
	}
	return EXIT_DONE;
}

static void put_element(struct table *table, const struct boat *boat,
	const struct element_data *data, const struct element_fitting *fitting, int64_t now_ns)
{
	const struct boat_filter *filter = &boat->filters[fitting->filter];
	struct element_use use = element_use_of(data->portions, data->portion_count,
		filter->engine, data->has_first ? data->first_ns : now_ns, now_ns);
	struct element_account account;

	element_account_judge(filter, fitting, &use, now_ns, &account);
	table_put_text(table, filter->name);
	table_put_text(table, filter->stage);
	table_put_text(table, fitting->element[0] == '\0' ? NULL : fitting->element);
	table_put_real(table, fitting->micron);
	if (fitting->has_fitted) {
		table_put_time(table, fitting->fitted_ns);
	} else {
		table_put_unknown(table);
	}
	if (fitting->has_removed) {
		table_put_time(table, fitting->removed_ns);
	} else {
		table_put_unknown(table);
	}
	table_put_real(table, fitting->engine_h);
	table_put_real(table, fitting->litres);
	table_put_unknown(table); /* restriction_kpa, reference_kpa: nothing was measured */
	table_put_unknown(table);
	table_put_real(table, filter->limit_kpa);
	if (!fitting->has_removed) {
		table_put_real(table, account.used_pct);
		table_put_unknown(table); /* a count has no spread */
		table_put_real(table, account.left_h);
		table_put_unknown(table);
		if (account.has_due) {
			table_put_time(table, account.due_ns);
		} else {
			table_put_unknown(table);
		}
		table_put_text(table, element_criterion_name(account.due_by));
	} else {
		for (int i = 0; i < 6; i++) {
			table_put_unknown(table);
		}
	}
	table_put_text(table, "counted");
	table_end_row(table);
}

enum program_exit element_table_put(const struct command_line *line, struct table *table,
	struct log_store *store, const struct boat *boat, int64_t now_ns)
{
	struct element_data data = {.portions = NULL};
	enum program_exit status = load_runs(line, log_store_db(store), &data);

	if (status == EXIT_DONE) {
		status = lay_out(line, boat, &data);
	}
	if (status == EXIT_DONE) {
		table_begin(table, "elements", element_columns, COUNT(element_columns));
		for (size_t i = 0; i < data.fitting_count; i++) {
			const struct boat_filter *filter = &boat->filters[data.fittings[i].filter];
			if (line->engine < 0 || filter->engine == (unsigned)line->engine) {
				put_element(table, boat, &data, &data.fittings[i], now_ns);
			}
		}
		table_end(table);
	}
	free(data.portions);
	free(data.fittings);
	return status;
}

enum program_exit element_table_log_end(const struct command_line *line, struct log_store *store,
	int64_t *ret_end_ns)
{
	sqlite3 *db = log_store_db(store);
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db, "SELECT max(end_utc_ns) FROM session_list", -1, &statement,
		NULL);

	if (rc == SQLITE_OK) {
		rc = sqlite3_step(statement);
	}
	*ret_end_ns = rc == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
	(void)sqlite3_finalize(statement);
	return rc == SQLITE_ROW ? EXIT_DONE
				: command_failed(line, "cannot read the log: %s", sqlite3_errmsg(db));
}

static enum program_exit run_elements(const struct command_line *line)
{
	const char *at = command_value(line, "--at");
	struct log_store *store = NULL;
	struct table *table;
	struct timespec now;
	int64_t now_ns;
	enum program_exit status;

	(void)clock_gettime(CLOCK_REALTIME, &now); /* cannot fail on Linux */
	now_ns = (int64_t)now.tv_sec * NS_PER_S + now.tv_nsec;
	if (at != NULL && strcmp(at, "end") != 0 && !utc_parse(at, &now_ns)) {
		return command_misused(line, "--at: '%s' is no time; expected 2026-06-01, "
			"2026-06-01T08:30Z or end", at);
	}
	status = command_open_log(line, &store);
	if (status != EXIT_DONE) {
		return status;
	}
	if (at != NULL && strcmp(at, "end") == 0) {
		status = element_table_log_end(line, store, &now_ns);
	}
	if (status == EXIT_DONE) {
		status = command_open_output(line, &table);
	}
	if (status == EXIT_DONE) {
		status = command_close_output(line, table,
			element_table_put(line, table, store, &line->settings.boat, now_ns));
	}
	log_store_close(store);
	return status;
}

static const struct command_option element_options[] = {
	{"--at", "TIME", "judge as of this time, or 'end' of the log, instead of now"},
	{NULL, NULL, NULL},
};

const struct command command_elements = {
	.name = "elements",
	.summary = "each filter element: what passed it, when it falls due",
	.arguments = "",
	.help = "Lists the elements of the configuration's filters: hours and litres through each since it was\n"
		"fitted, how much of what is allowed (change_h, change_l, change_months) is used, and when it\n"
		"falls due by the boat's own use of the last 90 days. basis says what that rests on. What the\n"
		"engine's and the filter's makers prescribe comes first.\n\n"
		"  sightbowl elements --db boat.db --config boat.conf\n"
		"  sightbowl elements --db boat.db --config boat.conf --at 2026-09-01 --json",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_ENGINE,
	.options = element_options,
	.run = run_elements,
};
