/* signal.h: every quantity that the program takes from a bus, one row each.
 *
 * A signal is protocol-neutral: the fuel rate is one signal, whether an NMEA 2000 or a J1939 message
 * brings it. Its row fixes the public name (which ends in the unit), what its instance number means,
 * the range outside which a value is implausible (a state of its own, never a number), and the step
 * to which the log rounds it. New signals are added at the end of their group; names never change.
 */
#ifndef SIGHTBOWL_DECODERS_SIGNAL_H
#define SIGHTBOWL_DECODERS_SIGNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum signal_scope {
	SCOPE_ENGINE,      /* instance = engine number */
	SCOPE_TANK,        /* instance = fluid type << 4 | tank number (fuel is type 0) */
	SCOPE_BATTERY,     /* instance = battery number */
	SCOPE_PRESSURE,    /* instance = pressure source << 8 | number (NMEA 2000 130314) */
	SCOPE_TEMPERATURE, /* instance = temperature source << 8 | number (130312, 130316) */
	SCOPE_VESSEL,      /* one a boat; instance 0 */
};

enum signal_use {
	USE_VALUE,   /* a quantity: windows keep its mean, least and greatest */
	USE_COUNTER, /* grows for the life of the engine or trip */
	USE_STATE,   /* an enumeration or a set of bits: never averaged */
	USE_TIME,    /* a moment: seconds since 1970-01-01 UTC; goes to the clock, not to the log */
};

/* SIGNAL(id, name, unit, scope, use, low, high, log step)
 * low and high bound what is plausible aboard, inclusive. The log step also bounds what the log can
 * hold: 2^23 steps either side of zero. */
#define SIGNALS(SIGNAL)                                                                            \
	/* engine: speed, load, demand */                                                          \
	SIGNAL(ENGINE_SPEED, "engine_speed_rpm", "rpm", ENGINE, VALUE, 0, 8032, 0.125)             \
	SIGNAL(ENGINE_LOAD, "engine_load_pct", "%", ENGINE, VALUE, 0, 250, 0.1)                    \
	SIGNAL(ENGINE_TORQUE, "engine_torque_pct", "%", ENGINE, VALUE, -125, 125, 0.1)             \
	SIGNAL(DEMAND_TORQUE, "demand_torque_pct", "%", ENGINE, VALUE, -125, 125, 0.1)             \
	SIGNAL(PEDAL, "pedal_pct", "%", ENGINE, VALUE, 0, 100, 0.1)                                \
	SIGNAL(THROTTLE, "throttle_pct", "%", ENGINE, VALUE, 0, 100, 0.1)                          \
	SIGNAL(RATED_SPEED, "rated_speed_rpm", "rpm", ENGINE, VALUE, 0, 8032, 0.25)                \
	SIGNAL(STARTER_MODE, "starter_mode", "", ENGINE, STATE, 0, 15, 1)                          \
	/* engine: fuel */                                                                         \
	SIGNAL(FUEL_RATE, "fuel_rate_lph", "L/h", ENGINE, VALUE, 0, 3212.75, 0.005)                \
	SIGNAL(MEAN_FUEL_RATE, "mean_fuel_rate_lph", "L/h", ENGINE, VALUE, 0, 3212.75, 0.01)       \
	SIGNAL(TRIP_FUEL, "trip_fuel_l", "L", ENGINE, COUNTER, 0, 2105540607.5, 0.5)               \
	SIGNAL(TOTAL_FUEL, "total_fuel_l", "L", ENGINE, COUNTER, 0, 2105540607.5, 0.5)             \
	SIGNAL(TRIP_FUEL_FINE, "trip_fuel_fine_l", "L", ENGINE, COUNTER, 0, 4211081.215, 0.5)      \
	SIGNAL(TOTAL_FUEL_FINE, "total_fuel_fine_l", "L", ENGINE, COUNTER, 0, 4211081.215, 0.5)    \
	SIGNAL(IDLE_FUEL, "idle_fuel_l", "L", ENGINE, COUNTER, 0, 2105540607.5, 0.5)               \
	SIGNAL(FUEL_PRESSURE, "fuel_pressure_kpa", "kPa", ENGINE, VALUE, 0, 65530, 0.1)            \
	SIGNAL(FUEL_INTAKE_PRESSURE, "fuel_intake_pressure_kpa", "kPa", ENGINE, VALUE, 0, 500,     \
		0.01) /* absolute, at the supply pump's intake */                                  \
	SIGNAL(FUEL_FILTER, "fuel_filter_kpa", "kPa", ENGINE, VALUE, 0, 500, 0.01)                 \
	SIGNAL(SUCTION_FILTER, "suction_filter_kpa", "kPa", ENGINE, VALUE, 0, 500, 0.01)           \
	SIGNAL(RAIL_PRESSURE, "rail_pressure_kpa", "kPa", ENGINE, VALUE, 0, 251000, 1)             \
	SIGNAL(TIMING_RAIL_PRESSURE, "timing_rail_pressure_kpa", "kPa", ENGINE, VALUE, 0, 251000,  \
		1)                                                                                 \
	SIGNAL(INJECTION_PRESSURE, "injection_pressure_kpa", "kPa", ENGINE, VALUE, 0, 251000, 1)   \
	SIGNAL(RAIL2_PRESSURE, "rail2_pressure_kpa", "kPa", ENGINE, VALUE, 0, 251000, 1)           \
	SIGNAL(FUEL_TEMPERATURE, "fuel_temperature_c", "°C", ENGINE, VALUE, -30, 120, 0.01)        \
	SIGNAL(WATER_IN_FUEL, "water_in_fuel", "", ENGINE, STATE, 0, 1, 1)                         \
	/* engine: counters of time */                                                             \
	SIGNAL(ENGINE_HOURS, "engine_hours_h", "h", ENGINE, COUNTER, 0, 210554060.75, 0.05)        \
	SIGNAL(IDLE_HOURS, "idle_hours_h", "h", ENGINE, COUNTER, 0, 210554060.75, 0.05)            \
	SIGNAL(TOTAL_REVOLUTIONS, "total_revolutions_kr", "1000 r", ENGINE, COUNTER, 0,            \
		4211081215, 1000)                                                                  \
	/* engine: temperatures and pressures */                                                   \
	SIGNAL(COOLANT_TEMPERATURE, "coolant_temperature_c", "°C", ENGINE, VALUE, -40, 160, 0.01)  \
	SIGNAL(OIL_TEMPERATURE, "oil_temperature_c", "°C", ENGINE, VALUE, -40, 300, 0.01)          \
	SIGNAL(EXHAUST_TEMPERATURE, "exhaust_temperature_c", "°C", ENGINE, VALUE, -60, 1735, 0.05) \
	SIGNAL(INTAKE_TEMPERATURE, "intake_temperature_c", "°C", ENGINE, VALUE, -40, 210, 0.01)    \
	SIGNAL(INTERCOOLER_TEMPERATURE, "intercooler_temperature_c", "°C", ENGINE, VALUE, -40,     \
		210, 0.01)                                                                         \
	SIGNAL(TURBO_OIL_TEMPERATURE, "turbo_oil_temperature_c", "°C", ENGINE, VALUE, -40, 400,    \
		0.01)                                                                              \
	SIGNAL(OIL_PRESSURE, "oil_pressure_kpa", "kPa", ENGINE, VALUE, 0, 1500, 0.05)              \
	SIGNAL(COOLANT_PRESSURE, "coolant_pressure_kpa", "kPa", ENGINE, VALUE, 0, 1000, 0.05)      \
	SIGNAL(BOOST_PRESSURE, "boost_pressure_kpa", "kPa", ENGINE, VALUE, 0, 600, 0.05)           \
	SIGNAL(AIR_INLET_PRESSURE, "air_inlet_pressure_kpa", "kPa", ENGINE, VALUE, 0, 600, 0.05)   \
	SIGNAL(AIR_FILTER, "air_filter_kpa", "kPa", ENGINE, VALUE, 0, 25, 0.01)                    \
	SIGNAL(OIL_FILTER, "oil_filter_kpa", "kPa", ENGINE, VALUE, 0, 250, 0.05)                   \
	SIGNAL(CRANKCASE_PRESSURE, "crankcase_pressure_kpa", "kPa", ENGINE, VALUE, -250, 255,      \
		0.01)                                                                              \
	SIGNAL(OIL_LEVEL, "oil_level_pct", "%", ENGINE, VALUE, 0, 100, 0.1)                        \
	SIGNAL(COOLANT_LEVEL, "coolant_level_pct", "%", ENGINE, VALUE, 0, 100, 0.1)                \
	/* engine: electrics, state, faults */                                                     \
	SIGNAL(ALTERNATOR_VOLTAGE, "alternator_v", "V", ENGINE, VALUE, -1, 70, 0.01)               \
	SIGNAL(ALTERNATOR_CURRENT, "alternator_a", "A", ENGINE, VALUE, -125, 250, 0.1)             \
	SIGNAL(ENGINE_BATTERY_VOLTAGE, "engine_battery_v", "V", ENGINE, VALUE, 0, 70, 0.01)        \
	SIGNAL(TRIM, "trim_pct", "%", ENGINE, VALUE, -125, 125, 1)                                 \
	SIGNAL(ENGINE_STATUS_1, "engine_status_1", "", ENGINE, STATE, 0, 65535, 1)                 \
	SIGNAL(ENGINE_STATUS_2, "engine_status_2", "", ENGINE, STATE, 0, 65535, 1)                 \
	SIGNAL(GEAR, "gear", "", ENGINE, STATE, 0, 2, 1) /* 0 ahead, 1 neutral, 2 astern */        \
	SIGNAL(GEAR_OIL_PRESSURE, "gear_oil_pressure_kpa", "kPa", ENGINE, VALUE, 0, 6553, 0.1)     \
	SIGNAL(GEAR_OIL_TEMPERATURE, "gear_oil_temperature_c", "°C", ENGINE, VALUE, -40, 300,      \
		0.01)                                                                              \
	SIGNAL(GEAR_STATUS, "gear_status", "", ENGINE, STATE, 0, 255, 1)                           \
	SIGNAL(FAULT_LAMPS, "fault_lamps", "", ENGINE, STATE, 0, 65535, 1)                         \
	SIGNAL(ACTIVE_FAULT, "active_fault", "", ENGINE, STATE, 0, 4294967295, 1)                  \
	SIGNAL(PAST_FAULT, "past_fault", "", ENGINE, STATE, 0, 4294967295, 1)                      \
	/* tanks and batteries */                                                                  \
	SIGNAL(TANK_LEVEL, "tank_level_pct", "%", TANK, VALUE, -10, 131, 0.01)                     \
	SIGNAL(TANK_CAPACITY, "tank_capacity_l", "L", TANK, VALUE, 0, 100000, 0.1)                 \
	SIGNAL(BATTERY_VOLTAGE, "battery_v", "V", BATTERY, VALUE, -1, 100, 0.01)                   \
	SIGNAL(BATTERY_CURRENT, "battery_a", "A", BATTERY, VALUE, -3276, 3276, 0.1)                \
	SIGNAL(BATTERY_TEMPERATURE, "battery_temperature_c", "°C", BATTERY, VALUE, -40, 120, 0.01) \
	/* free pressure and temperature sensors */                                                \
	SIGNAL(PRESSURE, "pressure_kpa", "kPa", PRESSURE, VALUE, -200, 200000, 0.05)               \
	SIGNAL(TEMPERATURE, "temperature_c", "°C", TEMPERATURE, VALUE, -60, 1735, 0.01)            \
	/* the boat and its surroundings */                                                        \
	SIGNAL(RUDDER, "rudder_deg", "deg", VESSEL, VALUE, -180, 180, 0.1)                         \
	SIGNAL(WATER_SPEED, "water_speed_kn", "kn", VESSEL, VALUE, 0, 100, 0.01)                   \
	SIGNAL(GROUND_SPEED, "ground_speed_kn", "kn", VESSEL, VALUE, 0, 100, 0.01)                 \
	SIGNAL(WHEEL_SPEED, "wheel_speed_kn", "kn", VESSEL, VALUE, 0, 135.6, 0.01)                 \
	SIGNAL(COURSE, "course_deg", "deg", VESSEL, VALUE, 0, 360, 0.1)                            \
	SIGNAL(LATITUDE, "latitude_deg", "deg", VESSEL, VALUE, -90, 90, 0.000025)                  \
	SIGNAL(LONGITUDE, "longitude_deg", "deg", VESSEL, VALUE, -180, 180, 0.000025)              \
	SIGNAL(ALTITUDE, "altitude_m", "m", VESSEL, VALUE, -500, 9000, 0.1)                        \
	SIGNAL(BAROMETRIC_PRESSURE, "barometric_pressure_kpa", "kPa", VESSEL, VALUE, 50, 115,      \
		0.01)                                                                              \
	SIGNAL(AMBIENT_TEMPERATURE, "ambient_temperature_c", "°C", VESSEL, VALUE, -60, 70, 0.01)   \
	SIGNAL(SEA_TEMPERATURE, "sea_temperature_c", "°C", VESSEL, VALUE, -10, 60, 0.01)           \
	SIGNAL(HUMIDITY, "humidity_pct", "%", VESSEL, VALUE, 0, 100, 0.1)                          \
	SIGNAL(FUEL_LEVEL_1, "fuel_level_1_pct", "%", VESSEL, VALUE, 0, 100, 0.1)                  \
	SIGNAL(FUEL_LEVEL_2, "fuel_level_2_pct", "%", VESSEL, VALUE, 0, 100, 0.1)                  \
	SIGNAL(TIME_TO_EMPTY, "time_to_empty_h", "h", VESSEL, VALUE, 0, 1193, 0.01)                \
	SIGNAL(DISTANCE_TO_EMPTY, "distance_to_empty_nm", "nm", VESSEL, VALUE, 0, 23190, 0.01)     \
	SIGNAL(FUEL_REMAINING, "fuel_remaining_l", "L", VESSEL, VALUE, 0, 65532, 1)                \
	SIGNAL(TRIP_RUN_TIME, "trip_run_time_h", "h", VESSEL, COUNTER, 0, 1193, 0.01)              \
	SIGNAL(SYSTEM_TIME, "system_time_s", "s", VESSEL, TIME, 0, 5662310400, 1)                  \
	SIGNAL(GNSS_TIME, "gnss_time_s", "s", VESSEL, TIME, 0, 5662310400, 1)                      \
	SIGNAL(DEPTH, "depth_m", "m", VESSEL, VALUE, 0, 12000, 0.01)

enum signal_id {
#define SIGNAL_ENUM(id, name, unit, scope, use, low, high, step) SIGNAL_##id,
	SIGNALS(SIGNAL_ENUM)
#undef SIGNAL_ENUM
	SIGNAL_COUNT
};

struct signal {
	const char *name; /* ends in its unit; unique */
	const char *unit; /* "" where there is none */
	enum signal_scope scope;
	enum signal_use use;
	double low;      /* least plausible value */
	double high;     /* greatest plausible value */
	double log_step; /* the log rounds to multiples of this */
};

/* The row of a signal; id must be below SIGNAL_COUNT. */
const struct signal *signal_get(enum signal_id id);

/* Finds a signal by name. Returns false when there is none of that name. */
bool signal_find(const char *name, enum signal_id *ret_id);

#endif
