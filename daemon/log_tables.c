#include "daemon/log_tables.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/coverage_table.h"
#include "daemon/element_table.h"
#include "daemon/fact_tables.h"
#include "daemon/overview.h"
#include "daemon/query_table.h"
#include "daemon/service_tables.h"
#include "daemon/trouble_code_table.h"
#include "daemon/verdict.h"

static enum program_exit put_overview(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return overview_tables(line, table, store, overview_clock_ns());
}

static enum program_exit put_elements(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return element_table_put(line, table, store, &line->settings.boat,
		overview_judged_ns(&line->settings, store, overview_clock_ns()));
}

static enum program_exit put_refuellings(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	static const struct table_column columns[] = {
		{"tank", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"noticed_utc", TABLE_TIME, QUANTITY_NONE, 0},
		{"litres", TABLE_REAL, QUANTITY_VOLUME, 1},
		{"litres_sd", TABLE_REAL, QUANTITY_VOLUME, 1},
	};

	return query_table(line, table, log_store_db(store), "refuellings", columns,
		sizeof(columns) / sizeof(columns[0]),
		"SELECT tank, noticed_utc_ns, litres, litres_sd FROM refuelling_list WHERE "
		"(?1 IS NULL OR noticed_utc_ns >= ?1) AND (?2 IS NULL OR noticed_utc_ns < ?2) "
		"ORDER BY noticed_utc_ns, tank");
}

const struct log_table log_tables[] = {
	{"book", service_table_book},
	{"coverage", coverage_table_of_log},
	{"elements", put_elements},
	{"events", fact_table_events},
	{"overview", put_overview},
	{"refuellings", put_refuellings},
	{"runs", fact_table_runs},
	{"spares", service_table_spares},
	{"trips", fact_table_trips},
	{"trouble_codes", trouble_code_table_put},
	{"verdict", verdict_table_put},
	{"waste", service_table_waste},
};
const size_t log_table_count = sizeof(log_tables) / sizeof(log_tables[0]);

const struct log_table *log_table_find(const char *name, size_t length)
{
	for (size_t i = 0; i < log_table_count; i++) {
		if (strlen(log_tables[i].name) == length &&
			strncmp(log_tables[i].name, name, length) == 0) {
			return &log_tables[i];
		}
	}
	return NULL;
}

enum program_exit log_table_put(const struct log_table *row, const struct command_line *line,
	struct table *table, struct log_store *store)
{
	enum program_exit status = row->put(line, table, store);

	return status == EXIT_DONE ? command_read(line, store) : status;
}

json_t *log_table_json(const struct log_table *row, const struct command_line *line,
	struct log_store *store)
{
	struct command_line *own = malloc(sizeof(*own));
	struct table *table;
	json_t *object = NULL;
	char *bytes = NULL;
	size_t size = 0;
	FILE *out;

	if (own == NULL) {
		return NULL;
	}
	*own = *line;
	own->format = TABLE_JSON;
	out = open_memstream(&bytes, &size);
	if (out == NULL) {
		goto free_own;
	}
	if (table_open(&table, out, TABLE_JSON, UNITS_METRIC) != 0) {
		(void)fclose(out); /* nothing was written */
		goto free_bytes;
	}
	enum program_exit status = log_table_put(row, own, table, store);
	bool written = table_close(table) == 0;
	if (fclose(out) == 0 && written && status == EXIT_DONE) {
		object = json_loadb(bytes, size, 0, NULL);
	}
free_bytes:
	free(bytes);
free_own:
	free(own);
	return object;
}
