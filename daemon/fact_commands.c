/* fact_commands.c: runs and trips: what the log holds, as it is. */
#include "daemon/commands.h"
#include "daemon/fact_tables.h"
#include "daemon/query_table.h"

/* A fact is in range when any of it lies there; facts without a date only when no range is given. */
#define IN_RANGE                                                                                   \
	"(?1 IS NULL OR end_utc_ns >= ?1) AND (?2 IS NULL OR start_utc_ns < ?2)"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const struct table_column run_columns[] = {
	{"run", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"trip", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"end_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"idle_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_estimated_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_uncertainty_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"mean_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"max_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"max_coolant_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
};

enum program_exit fact_table_runs(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "runs", run_columns,
		COUNT(run_columns),
		"SELECT run, trip, engine, start_utc_ns, end_utc_ns, engine_h, idle_h, fuel_l, "
		"fuel_estimated_l, fuel_uncertainty_l, mean_lph, max_lph, max_coolant_c "
		"FROM run_list WHERE " IN_RANGE " AND (?3 IS NULL OR engine = ?3) "
		"ORDER BY start_utc_ns, run");
}

static const struct table_column trip_columns[] = {
	{"trip", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"engine", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"end_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"engine_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"idle_h", TABLE_REAL, QUANTITY_HOURS, 2},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_estimated_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"fuel_uncertainty_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"mean_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"max_lph", TABLE_REAL, QUANTITY_FLOW, 2},
	{"distance_nm", TABLE_REAL, QUANTITY_DISTANCE, 1},
	{"l_per_nm", TABLE_REAL, QUANTITY_CONSUMPTION, 2},
	{"co2_kg", TABLE_REAL, QUANTITY_MASS, 1},
	{"max_coolant_c", TABLE_REAL, QUANTITY_TEMPERATURE, 0},
	{"events", TABLE_INTEGER, QUANTITY_NONE, 0},
};

enum program_exit fact_table_trips(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return query_table(line, table, log_store_db(store), "trips", trip_columns,
		COUNT(trip_columns),
		"SELECT trip, engine, start_utc_ns, end_utc_ns, engine_h, idle_h, fuel_l, "
		"fuel_estimated_l, fuel_uncertainty_l, mean_lph, max_lph, distance_nm, l_per_nm, "
		"co2_kg, max_coolant_c, events FROM trip_list WHERE " IN_RANGE
		" AND (?3 IS NULL OR engine = ?3) ORDER BY start_utc_ns, trip, engine");
}

static enum program_exit show(const struct command_line *line,
	enum program_exit (*put)(const struct command_line *line, struct table *table,
		struct log_store *store))
{
	struct log_store *store = NULL;
	struct table *table;
	enum program_exit status = command_open_log(line, &store);

	if (status != EXIT_DONE) {
		return status;
	}
	status = command_open_output(line, &table);
	if (status == EXIT_DONE) {
		status = command_close_output(line, table, put(line, table, store));
	}
	log_store_close(store);
	return status;
}

static enum program_exit run_runs(const struct command_line *line)
{
	return show(line, fact_table_runs);
}

static enum program_exit run_trips(const struct command_line *line)
{
	return show(line, fact_table_trips);
}

const struct command command_runs = {
	.name = "runs",
	.summary = "each engine run: hours, litres, rates",
	.arguments = "",
	.help = "Lists the engine runs of a log, from engine on to engine off. fuel_estimated_l is the part of\n"
		"fuel_l that was not measured by the rate but filled from counters or engine hours;\n"
		"fuel_uncertainty_l is a half width for about 95 %.\n\n"
		"  sightbowl runs --db boat.db\n"
		"  sightbowl runs --db boat.db --since 2026-06-01 --engine 0 --csv",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_RANGE | COMMAND_TAKES_ENGINE,
	.run = run_runs,
};

const struct command command_trips = {
	.name = "trips",
	.summary = "each trip: hours, litres, miles, CO2",
	.arguments = "",
	.help = "Lists the trips of a log: runs and movement that belong together, a row for each engine that\n"
		"ran. CO2 is 3.206 kg for each kg of fuel (IMO, marine gas oil), at the density that the\n"
		"configuration tells.\n\n"
		"  sightbowl trips --db boat.db\n"
		"  sightbowl trips --db boat.db --units us\n"
		"  sightbowl trips --db boat.db --json",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT |
		COMMAND_TAKES_RANGE | COMMAND_TAKES_ENGINE,
	.run = run_trips,
};
