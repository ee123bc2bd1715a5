/* check_command.c: whether configuration and log are fit for use, and what was understood. */
#include <errno.h>
#include <math.h>
#include <string.h>

#include "daemon/commands.h"
#include "daemon/log_store.h"
#include "daemon/machine_check.h"
#include "daemon/overview.h"
#include "daemon/utc_time.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const struct table_column check_columns[] = {
	{"subject", TABLE_TEXT, QUANTITY_NONE, 0},
	{"result", TABLE_TEXT, QUANTITY_NONE, 0},
	{"detail", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void put_check(struct table *table, const char *subject, const char *result,
	const char *detail)
{
	table_put_text(table, subject);
	table_put_text(table, result);
	table_put_text(table, detail);
	table_end_row(table);
}

/* "change after 250 h or 12 months" */
static void append_allowance(char *text, size_t size, double value, const char *unit, bool *first)
{
	size_t used = strlen(text);

	if (!isnan(value)) {
		(void)snprintf(text + used, size - used, "%s %g %s", *first ? "" : " or", value, unit);
		*first = false;
	}
}

/* When its element was fitted, by the configuration. Returns false when that has not come yet. */
static bool put_fitted(struct table *table, const struct boat_filter *filter)
{
	char subject[128], detail[320], when[UTC_TEXT_MAX];

	if (!filter->has_fitted || filter->fitted_ns <= overview_clock_ns()) {
		return true;
	}
	utc_format(filter->fitted_ns, when);
	(void)snprintf(subject, sizeof(subject), "filter %s", filter->name);
	(void)snprintf(detail, sizeof(detail), "fitted = %.10s has not come yet by this machine's clock: it "
		"counts from then on only. Write the day on which the element went in; an element that is to "
		"be changed later goes into the book when it is (book add change)", when);
	put_check(table, subject, "failed", detail);
	return false;
}

/* Returns false when the configuration tells what cannot be. */
static bool put_boat(struct table *table, const struct boat *boat)
{
	bool sound = true;
	static const char *const sensors[] = {
		[SENSOR_NONE] = "no sensor",
		[SENSOR_SPN95] = "sensor spn95",
		[SENSOR_SPN1382] = "sensor spn1382",
		[SENSOR_SPN1381] = "sensor spn1381",
		[SENSOR_PRESSURE] = "sensor pressure",
	};
	char subject[128], detail[320];

	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		const struct boat_engine *engine = &boat->engines[i];
		if (!engine->present) {
			continue;
		}
		(void)snprintf(subject, sizeof(subject), "engine %u", i);
		if (engine->supply == SUPPLY_PUMP) {
			(void)snprintf(detail, sizeof(detail), "%s%ssupply %g L/h at %g rpm",
				engine->label, engine->label[0] == '\0' ? "" : ", ",
				engine->pump_lph, engine->pump_rpm);
		} else {
			(void)snprintf(detail, sizeof(detail), "%s%ssupply as burned", engine->label,
				engine->label[0] == '\0' ? "" : ", ");
		}
		put_check(table, subject, "ok", detail);
	}
	for (size_t i = 0; i < boat->filter_count; i++) {
		const struct boat_filter *filter = &boat->filters[i];
		bool counted = !isnan(filter->change_h) || !isnan(filter->change_l) ||
			!isnan(filter->change_months);
		(void)snprintf(subject, sizeof(subject), "filter %s", filter->name);
		(void)snprintf(detail, sizeof(detail), "engine %u, %s%s", filter->engine,
			sensors[filter->sensor],
			counted ? ", change after"
				: "; tell change_h, change_l or change_months in its section: without "
				  "them nobody reminds of a change");
		bool first = true;
		append_allowance(detail, sizeof(detail), filter->change_h, "h", &first);
		append_allowance(detail, sizeof(detail), filter->change_l, "L", &first);
		append_allowance(detail, sizeof(detail), filter->change_months, "months", &first);
		put_check(table, subject, counted ? "ok" : "advice", detail);
		sound = put_fitted(table, filter) && sound;
	}
	return sound;
}

static void append_since(char *text, size_t size, const char *what, int64_t utc_s, double months)
{
	char stamp[UTC_TEXT_MAX];
	size_t used = strlen(text);

	if (utc_s != INT64_MIN) {
		utc_format(utc_s * NS_PER_S, stamp);
		(void)snprintf(text + used, size - used, "; %s since %.10s (kept for %g months)", what,
			stamp, months);
	}
}

/* What the log keeps of its readings, and how large it is and may become. */
static void put_kept(struct log_store *store, const struct log_settings *settings,
	struct table *table)
{
	struct log_kept kept;
	char text[400];

	if (log_store_kept(store, &kept) != 0) {
		put_check(table, "readings", "failed", log_store_error(store));
		return;
	}
	bool over = (double)kept.used_bytes > settings->size_mb * 1e6;
	(void)snprintf(text, sizeof(text), "%.1f of at most %g MB", (double)kept.file_bytes / 1e6,
		settings->size_mb);
	if (kept.file_bytes - kept.used_bytes > 1000000) {
		size_t used = strlen(text);
		(void)snprintf(text + used, sizeof(text) - used, ", %.1f of them free for what comes",
			(double)(kept.file_bytes - kept.used_bytes) / 1e6);
	}
	append_since(text, sizeof(text), "10 s windows", kept.windows_utc_s,
		settings->windows_months);
	append_since(text, sizeof(text), "minutes", kept.minutes_utc_s, settings->minutes_months);
	if (over) {
		size_t used = strlen(text);
		(void)snprintf(text + used, sizeof(text) - used,
			"; watch drops the oldest, some hours' worth at each commit");
	}
	put_check(table, "readings", over ? "advice" : "ok", text);
}

/* Returns false when the log is not fit for use. */
static bool put_log(const struct command_line *line, struct table *table)
{
	struct log_store *store;
	sqlite3_stmt *statement = NULL;
	char text[1400];
	bool sound = false;
	int result;

	result = log_store_open_reader(&store, line->log_path, text, 1200);
	if (result != 0) {
		size_t length = strlen(text);

		(void)snprintf(text + length, sizeof(text) - length,
			result == -ENOENT ? ": watch or replay makes it"
					  : "; name another log (--db FILE, or path in [log])");
		put_check(table, "log", result == -ENOENT ? "none" : "failed", text);
		return result == -ENOENT;
	}
	if (sqlite3_prepare_v2(log_store_db(store), "PRAGMA quick_check(1)", -1, &statement, NULL) ==
			SQLITE_OK &&
		sqlite3_step(statement) == SQLITE_ROW) {
		const char *said = (const char *)sqlite3_column_text(statement, 0);
		const char *line_end = said == NULL ? NULL : strchr(said, '\n');
		sound = said != NULL && strcmp(said, "ok") == 0;
		(void)snprintf(text, sizeof(text), "'%.900s' %s%.100s", line->log_path,
			sound ? "is sound"
			      : "is damaged: put it aside with its -wal and -batch files (sqlite3's "
				".recover saves what can be read) and let watch begin another; ",
			sound || said == NULL ? "" : line_end != NULL ? line_end + 1 : said);
	} else {
		(void)snprintf(text, sizeof(text), "'%.900s': %.100s", line->log_path,
			sqlite3_errmsg(log_store_db(store)));
	}
	(void)sqlite3_finalize(statement); /* its failure was told */
	put_check(table, "log", sound ? "ok" : "failed", text);
	if (sound) {
		put_kept(store, &line->settings.log, table);
	}
	log_store_close(store);
	return sound;
}

struct findings {
	struct table *table;
	bool failed;
};

static void on_finding(void *context, const char *subject, enum machine_finding finding,
	const char *sentence)
{
	static const char *const results[] = {
		[MACHINE_OK] = "ok",
		[MACHINE_ADVICE] = "advice",
		[MACHINE_FAILED] = "failed",
	};
	struct findings *findings = context;

	findings->failed |= finding == MACHINE_FAILED;
	put_check(findings->table, subject, results[finding], sentence);
}

/* Returns false when the machine is not fit for what the configuration says. */
static bool put_machine(const struct command_line *line, struct table *table)
{
	const struct settings *settings = &line->settings;
	struct findings findings = {.table = table};
	const struct machine_check_listener listener = {&findings, on_finding};

	for (size_t i = 0; i < settings->bus_count; i++) {
		machine_check_bus(settings->buses[i].name, &listener);
	}
	if (settings->bus_count == 0) {
		machine_check_bus("can0", &listener);
	}
	machine_check_clock(&listener);
	if (line->log_path != NULL) {
		machine_check_disk(line->log_path, &settings->log, &listener);
	}
	if (settings->log.capture_folder[0] != '\0') {
		machine_check_captures(settings->log.capture_folder, &listener);
	}
	return !findings.failed;
}

static enum program_exit run_check(const struct command_line *line)
{
	struct table *table;
	bool sound = true;
	enum program_exit status = command_open_output(line, &table);

	if (status != EXIT_DONE) {
		return status;
	}
	table_begin(table, "checks", check_columns, COUNT(check_columns));
	/* A wrong configuration has stopped the program before it came here. */
	put_check(table, "configuration", line->has_config ? "ok" : "none",
		line->has_config ? line->config
				 : "one engine with a primary and a secondary filter is assumed");
	sound = put_boat(table, &line->settings.boat);
	if (command_value(line, "--no-machine") == NULL) {
		sound = put_machine(line, table) && sound;
	}
	if (line->log_path != NULL) {
		sound = put_log(line, table) && sound;
	} else {
		put_check(table, "log", "none", "none is named: --db FILE, or [log] path");
	}
	table_end(table);
	return command_close_output(line, table, sound ? EXIT_DONE : EXIT_FAILED);
}

static const struct command_option check_options[] = {
	{"--no-machine", NULL, "leave out this machine: buses, clock, disk, folder of captures"},
	{NULL, NULL, NULL},
};

const struct command command_check = {
	.name = "check",
	.summary = "whether configuration, log and machine are fit for use",
	.arguments = "",
	.help = "Reads the configuration and says what it understood, or the file, the line and what was\n"
		"expected there; opens the log and checks that it is sound; looks at this machine: each bus, its bit\n"
		"rate and state, the clock, the disk, the folder of the captures. Run it as the user who runs watch:\n"
		"whether files can be written is told of the user who asks. What is not well is told with what to do.\n\n"
		"  sightbowl check --config boat.conf --db boat.db\n"
		"  sightbowl check --no-machine --config boat.conf",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT,
	.options = check_options,
	.run = run_check,
};
