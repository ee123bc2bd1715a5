/* element_commands.c: elements: what has passed each element, and when it falls due. */
#include <string.h>

#include "daemon/commands.h"
#include "daemon/element_table.h"
#include "daemon/overview.h"
#include "daemon/service_account.h"
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

static void put_time(struct table *table, bool known, int64_t utc_ns)
{
	if (known) {
		table_put_time(table, utc_ns);
	} else {
		table_put_unknown(table);
	}
}

static void put_element(struct table *table, const struct boat *boat,
	const struct service_account *account, const struct element_fitting *fitting, int64_t now_ns)
{
	const struct boat_filter *filter = &boat->filters[fitting->filter];
	struct element_outlook outlook;

	service_account_outlook(account, boat, fitting, now_ns, &outlook);
	table_put_text(table, filter->name);
	table_put_text(table, filter->stage);
	table_put_text(table, fitting->element[0] == '\0' ? NULL : fitting->element);
	table_put_real(table, fitting->micron);
	put_time(table, fitting->has_fitted, fitting->fitted_ns);
	put_time(table, fitting->has_removed, fitting->removed_ns);
	table_put_real(table, fitting->engine_h);
	table_put_real(table, fitting->litres);
	table_put_real(table, outlook.restriction_kpa);
	table_put_real(table, outlook.reference_kpa);
	table_put_real(table, outlook.limit_kpa);
	table_put_real(table, outlook.account.used_pct);
	if (!fitting->has_removed) {
		table_put_real(table, outlook.left_h_p10);
		table_put_real(table, outlook.left_h_p50);
		table_put_real(table, outlook.left_h_p90);
		put_time(table, outlook.account.has_due, outlook.account.due_ns);
	} else {
		for (int i = 0; i < 4; i++) {
			table_put_unknown(table);
		}
	}
	table_put_text(table, outlook.due_by);
	table_put_text(table, outlook.basis);
	table_end_row(table);
}

enum program_exit element_table_put(const struct command_line *line, struct table *table,
	struct log_store *store, const struct boat *boat, int64_t now_ns)
{
	struct service_account account;
	int result = service_account_load(&account, log_store_db(store), boat);

	if (result != 0) {
		return command_failed(line, "cannot read the log: %s", strerror(-result));
	}
	table_begin(table, "elements", element_columns, COUNT(element_columns));
	for (size_t i = 0; i < account.fitting_count; i++) {
		const struct boat_filter *filter = &boat->filters[account.fittings[i].filter];

		if (line->engine < 0 || filter->engine == (unsigned)line->engine) {
			put_element(table, boat, &account, &account.fittings[i], now_ns);
		}
	}
	table_end(table);
	service_account_finish(&account);
	return EXIT_DONE;
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
	int64_t at_ns = overview_clock_ns();
	enum program_exit status;

	if (at != NULL && strcmp(at, "end") != 0 && strcmp(at, "now") != 0 &&
		!utc_parse(at, &at_ns)) {
		return command_misused(line, "--at: '%s' is no time; expected 2026-06-01, "
			"2026-06-01T08:30Z, now or end", at);
	}
	status = command_open_log(line, &store);
	if (status != EXIT_DONE) {
		return status;
	}
	if (at == NULL) {
		at_ns = overview_judged_ns(&line->settings, store, at_ns);
	} else if (strcmp(at, "end") == 0) {
		status = element_table_log_end(line, store, &at_ns);
	}
	if (status == EXIT_DONE) {
		status = command_open_output(line, &table);
	}
	if (status == EXIT_DONE) {
		status = command_close_output(line, table,
			element_table_put(line, table, store, &line->settings.boat, at_ns));
	}
	if (status == EXIT_DONE) {
		status = command_read(line, store);
	}
	log_store_close(store);
	return status;
}

static const struct command_option element_options[] = {
	{"--at", "TIME", "judge as of this time, now, or the end of the log (else as status does)"},
	{NULL, NULL, NULL},
};

const struct command command_elements = {
	.name = "elements",
	.summary = "each filter element: what passed it, when it falls due",
	.arguments = "",
	.help = "Lists the elements of the configuration's filters, past ones too, as the service book has\n"
		"them: hours and litres through each while it was fitted, how much of what is allowed\n"
		"(change_h, change_l, change_months) is used, and when it falls due by the boat's own use of the\n"
		"last 90 days. basis says what that rests on. Of one that was taken out: its restriction at the last,\n"
		"and what was used by then of what. A log that watch writes is judged as of now, one\n"
		"of replayed captures as of its end. What the engine's and the filter's makers prescribe comes\n"
		"first.\n\n"
		"  sightbowl elements --db boat.db --config boat.conf\n"
		"  sightbowl elements --db boat.db --config boat.conf --at 2026-09-01 --json",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_ENGINE,
	.options = element_options,
	.run = run_elements,
};
