#include "analysis/coverage.h"

#define SIGNALS_1(a)          .count = 1, .signals = {SIGNAL_##a}
#define SIGNALS_2(a, b)       .count = 2, .signals = {SIGNAL_##a, SIGNAL_##b}
#define SIGNALS_3(a, b, c)    .count = 3, .signals = {SIGNAL_##a, SIGNAL_##b, SIGNAL_##c}
#define SIGNALS_4(a, b, c, d) .count = 4, .signals = {SIGNAL_##a, SIGNAL_##b, SIGNAL_##c, SIGNAL_##d}

#define ENGINE_SPEED_BY "the engine's own gateway, or a speed sender (NMEA 2000 127488, J1939 EEC1)"
#define FUEL_RATE_BY    "the engine's own gateway, or a fuel flow meter (NMEA 2000 127489, J1939 LFE)"
#define RESTRICTION_BY                                                                             \
	"a pressure sensor across the filter, or a vacuum sensor behind it (NMEA 2000 130314, J1939 "\
	"SPN 95, 1382 or 1381)"
#define SPEED_BY "a satellite receiver or a log (NMEA 2000 129026, 128259)"

static const struct coverage_row rows[] = {
	{
		.analysis = "fuel burned",
		.of_engine = true,
		.need_count = 1,
		.needs = {{SIGNALS_1(FUEL_RATE), .supplied_by = FUEL_RATE_BY}},
		.better_count = 1,
		.better = {{SIGNALS_4(TOTAL_FUEL_FINE, TOTAL_FUEL, TRIP_FUEL_FINE, TRIP_FUEL),
			.supplied_by = "an engine that sends its fuel counters (J1939 LFC or HRLFC, NMEA "
				       "2000 127497)"}},
	},
	{
		.analysis = "runs and hours",
		.of_engine = true,
		.need_count = 1,
		.needs = {{SIGNALS_2(ENGINE_SPEED, FUEL_RATE), .supplied_by = ENGINE_SPEED_BY}},
		.better_count = 1,
		.better = {{SIGNALS_1(ENGINE_HOURS),
			.supplied_by = "an engine that sends its hours (NMEA 2000 127489, J1939 HOURS)"}},
	},
	{
		.analysis = "idle hours",
		.of_engine = true,
		.need_count = 1,
		.needs = {{SIGNALS_1(ENGINE_SPEED), .supplied_by = ENGINE_SPEED_BY}},
		.better_count = 1,
		.better = {{SIGNALS_1(GEAR), .supplied_by = "the gear's position (NMEA 2000 127493)"}},
	},
	{
		.analysis = "distance and fuel a mile",
		.need_count = 1,
		.needs = {{SIGNALS_3(GROUND_SPEED, WATER_SPEED, WHEEL_SPEED), .supplied_by = SPEED_BY}},
	},
	{
		.analysis = "filter restriction",
		.of_engine = true,
		.need_count = 2,
		.needs = {{SIGNALS_4(FUEL_FILTER, SUCTION_FILTER, FUEL_INTAKE_PRESSURE, PRESSURE),
				  .supplied_by = RESTRICTION_BY},
			{SIGNALS_2(ENGINE_SPEED, FUEL_RATE), .supplied_by = ENGINE_SPEED_BY}},
		.better_count = 1,
		.better = {{SIGNALS_1(FUEL_TEMPERATURE),
			.supplied_by = "a fuel temperature sensor (J1939 ET1, NMEA 2000 130316)"}},
	},
	{
		.analysis = "change of burn",
		.of_engine = true,
		.need_count = 2,
		.needs = {{SIGNALS_1(FUEL_RATE), .supplied_by = FUEL_RATE_BY},
			{SIGNALS_1(ENGINE_SPEED), .supplied_by = ENGINE_SPEED_BY}},
		.better_count = 1,
		.better = {{SIGNALS_2(ENGINE_LOAD, ENGINE_TORQUE),
			.supplied_by = "an engine that sends its load (NMEA 2000 127489, J1939 EEC2)"}},
	},
	{
		.analysis = "starvation and air",
		.of_engine = true,
		.need_count = 2,
		.needs = {{SIGNALS_2(FUEL_PRESSURE, FUEL_INTAKE_PRESSURE),
				  .supplied_by = "a fuel pressure sensor (NMEA 2000 127489, J1939 EFL/P1)"},
			{SIGNALS_1(ENGINE_SPEED), .supplied_by = ENGINE_SPEED_BY}},
		.better_count = 1,
		.better = {{SIGNALS_2(PEDAL, DEMAND_TORQUE),
			.supplied_by = "an engine that sends the helm's demand (J1939 EEC2, EEC1)"}},
	},
	{
		.analysis = "water in fuel",
		.of_engine = true,
		.need_count = 1,
		.needs = {{SIGNALS_2(WATER_IN_FUEL, ENGINE_STATUS_1),
			.supplied_by = "a water probe in the filter's bowl, wired to the engine (J1939 WFI, "
				       "NMEA 2000 127489)"}},
	},
	{
		.analysis = "tank against burn",
		.need_count = 1,
		.needs = {{SIGNALS_2(TANK_LEVEL, FUEL_LEVEL_1),
			.supplied_by = "a tank sender (NMEA 2000 127505, J1939 DD)"}},
		.better_count = 1,
		.better = {{SIGNALS_1(TANK_CAPACITY),
			.supplied_by = "the tank's capacity, in the configuration"}},
	},
	{
		.analysis = "coolant temperature",
		.of_engine = true,
		.need_count = 1,
		.needs = {{SIGNALS_1(COOLANT_TEMPERATURE),
			.supplied_by = "an engine that sends it (NMEA 2000 127489, J1939 ET1)"}},
	},
	{
		.analysis = "engine faults",
		.of_engine = true,
		.need_count = 1,
		.needs = {{SIGNALS_3(ACTIVE_FAULT, FAULT_LAMPS, ENGINE_STATUS_1),
			.supplied_by = "an engine that sends its faults (J1939 DM1, NMEA 2000 127489)"}},
	},
	{
		.analysis = "date and time",
		.need_count = 1,
		.needs = {{SIGNALS_2(SYSTEM_TIME, GNSS_TIME),
			.supplied_by = "a satellite receiver (NMEA 2000 126992, 129029, 129033)"}},
	},
};

size_t coverage_row_count(void)
{
	return sizeof(rows) / sizeof(rows[0]);
}

const struct coverage_row *coverage_row_get(size_t index)
{
	return &rows[index];
}

int coverage_find(const struct coverage_need *need, int engine, coverage_heard *heard,
	const void *context)
{
	for (size_t i = 0; i < need->count; i++) {
		enum signal_id id = (enum signal_id)need->signals[i];
		bool of_engine = signal_get(id)->scope == SCOPE_ENGINE;
		if (heard(context, id, of_engine ? engine : -1)) {
			return (int)id;
		}
	}
	return -1;
}

enum coverage_grade coverage_grade(const struct coverage_row *row, int engine,
	coverage_heard *heard, const void *context)
{
	for (size_t i = 0; i < row->need_count; i++) {
		if (coverage_find(&row->needs[i], engine, heard, context) < 0) {
			return COVERAGE_NONE;
		}
	}
	for (size_t i = 0; i < row->better_count; i++) {
		if (coverage_find(&row->better[i], engine, heard, context) < 0) {
			return COVERAGE_PARTLY;
		}
	}
	return COVERAGE_FULL;
}

const char *coverage_grade_name(enum coverage_grade grade)
{
	static const char *const names[] = {
		[COVERAGE_FULL] = "yes",
		[COVERAGE_PARTLY] = "partly",
		[COVERAGE_NONE] = "no",
	};

	return names[grade];
}
