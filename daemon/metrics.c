#include "daemon/metrics.h"

#include <errno.h>
#include <string.h>

/* A family of metrics: the query gives the value, then one column a label. */
struct family {
	const char *name;
	const char *type;  /* counter or gauge */
	const char *unit;  /* "" for none; the name ends in it */
	const char *help;
	const char *labels[4]; /* NULL behind the last */
	const char *sql;
};

static const struct family families[] = {
	{"sightbowl_fuel_litres", "counter", "litres", "Fuel that the engine burned, in the log.",
		{"engine", NULL}, "SELECT sum(fuel_l), engine FROM runs GROUP BY engine ORDER BY engine"},
	{"sightbowl_fuel_estimated_litres", "counter", "litres",
		"Part of the fuel that was estimated, not measured by the rate.", {"engine", NULL},
		"SELECT sum(fuel_estimated_l), engine FROM runs GROUP BY engine ORDER BY engine"},
	{"sightbowl_supply_litres", "counter", "litres",
		"Fuel that passed the engine's filters, in the log.", {"engine", NULL},
		"SELECT sum(supply_l), engine FROM runs GROUP BY engine ORDER BY engine"},
	{"sightbowl_engine_seconds", "counter", "seconds", "Time that the engine ran, in the log.",
		{"engine", NULL},
		"SELECT sum(engine_h) * 3600, engine FROM runs GROUP BY engine ORDER BY engine"},
	{"sightbowl_engine_running", "gauge", "", "1 while the engine runs, as last logged.",
		{"engine", NULL},
		"SELECT max(open), engine FROM runs GROUP BY engine ORDER BY engine"},
	{"sightbowl_events_standing", "gauge", "", "Events that are not cleared.",
		{"severity", NULL},
		"SELECT (SELECT count(*) FROM events WHERE severity = s.column1 AND cleared_ns IS NULL), "
		"s.column1 FROM (VALUES ('warning'), ('caution'), ('advice')) AS s"},
	{"sightbowl_events_raised", "counter", "", "Events raised, in the log.", {"kind", NULL},
		"SELECT count(*), kind FROM events GROUP BY kind ORDER BY kind"},
	{"sightbowl_log_end_seconds", "gauge", "seconds",
		"Time of the log's end, in seconds since 1970 UTC.", {NULL},
		"SELECT max(end_utc_ns) / 1e9 FROM session_list"},
	{"sightbowl_signal", "gauge", "", "Mean of a signal in the last 10 s window that was logged.",
		{"signal", "instance", "unit", NULL},
		"SELECT mean, signal, instance, unit FROM readings_10s WHERE start_s = "
		"(SELECT max(start_s) FROM windows) ORDER BY signal, instance"},
};

/* A label's value: backslash, quote and line end are written as the format asks. */
static void put_label(FILE *out, const char *text)
{
	for (const char *at = text == NULL ? "" : text; *at != '\0'; at++) {
		if (*at == '\\' || *at == '"') {
			(void)fputc('\\', out);
			(void)fputc(*at, out);
		} else if (*at == '\n') {
			(void)fputs("\\n", out);
		} else {
			(void)fputc(*at, out);
		}
	}
}

static int put_family(sqlite3 *db, const struct family *family, FILE *out)
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db, family->sql, -1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return -EIO;
	}
	(void)fprintf(out, "# TYPE %s %s\n", family->name, family->type);
	if (family->unit[0] != '\0') {
		(void)fprintf(out, "# UNIT %s %s\n", family->name, family->unit);
	}
	(void)fprintf(out, "# HELP %s %s\n", family->name, family->help);
	while ((rc = sqlite3_step(statement)) == SQLITE_ROW) {
		if (sqlite3_column_type(statement, 0) == SQLITE_NULL) {
			continue; /* not known: no sample */
		}
		(void)fprintf(out, "%s%s", family->name,
			strcmp(family->type, "counter") == 0 ? "_total" : "");
		for (int i = 0; family->labels[i] != NULL; i++) {
			(void)fprintf(out, "%s%s=\"", i == 0 ? "{" : ",", family->labels[i]);
			put_label(out, (const char *)sqlite3_column_text(statement, i + 1));
			(void)fputc('"', out);
		}
		(void)fprintf(out, "%s %.12g\n", family->labels[0] == NULL ? "" : "}",
			sqlite3_column_double(statement, 0) + 0.0);
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	return rc == SQLITE_DONE ? 0 : -EIO;
}

int metrics_write(const struct command_line *line, struct log_store *store, FILE *out)
{
	(void)line;
	for (size_t i = 0; i < sizeof(families) / sizeof(families[0]); i++) {
		int result = put_family(log_store_db(store), &families[i], out);
		if (result != 0) {
			return result;
		}
	}
	(void)fputs("# EOF\n", out);
	return 0;
}
