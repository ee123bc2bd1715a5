/* The messages whose PGN lies below 65536: SAE J1939, and the address claim that NMEA 2000 shares.
 *
 * Payloads are drawn with their bytes numbered from 0; SAE J1939-71 counts from 1. Fields of
 * several bytes are little-endian. Codes at the top of a field are no numbers (decoders/field.h), so
 * that an 8-bit field ends at 250, a 16-bit one at 64255, a 32-bit one at 4211081215.
 *
 * No original of the standard was read: each row says what public evidence its layout rests on.
 */
#include "decoders/fault_code.h"
#include "decoders/message.h"

#define BYTE(n)       (8 * (n))
#define BIT(byte, n)  (8 * (byte) + (n))
#define FEEDS(signal_) .feeds = true, .signal = SIGNAL_##signal_
#define FIELDS(rows)  .fields = (rows), .field_count = sizeof(rows) / sizeof((rows)[0])
#define KN_PER_KMH    (1.0 / 1.852)

/* 59904 and the other requests carry nothing for us; 60160 and 60416 are decoders/transport.c's. */

/* 60928 address claimed: a 64-bit NAME
 * | 0-2 (21 bits) | 2-3 (11 bits) | 4         | 5        | 6                |
 * | unique number | manufacturer  | 3 + 5     | function | spare 1, class 7 |
 * |               |               | instances |          |                  |
 * | 7                                                            |
 * | system instance 4, industry group 3, arbitrary address 1     | */
static const struct field_row address_claim_fields[] = {
	{.name = "unique number", .first_bit = 0, .bits = 21},
	{.name = "manufacturer code", .first_bit = 21, .bits = 11, .kind = FIELD_STATE},
	{.name = "ECU instance", .first_bit = BYTE(4), .bits = 3},
	{.name = "function instance", .first_bit = BIT(4, 3), .bits = 5},
	{.name = "function", .first_bit = BYTE(5), .bits = 8, .kind = FIELD_STATE},
	{.name = "device class", .first_bit = BIT(6, 1), .bits = 7, .kind = FIELD_STATE},
	{.name = "system instance", .first_bit = BYTE(7), .bits = 4},
	{.name = "industry group", .first_bit = BIT(7, 4), .bits = 3, .kind = FIELD_STATE,
		.note = "4 marine"},
	{.name = "arbitrary address capable", .first_bit = BIT(7, 7), .bits = 1,
		.kind = FIELD_STATE},
};

/* 61443 EEC2
 * | 0              | 1       | 2    | 3            | 4       | 5-7                           |
 * | switches 4 x 2 | pedal 1 | load | remote pedal | pedal 2 | not read                      | */
static const struct field_row eec2_fields[] = {
	{.name = "accelerator pedal low idle switch", .spn = 558, .first_bit = BIT(0, 0), .bits = 2,
		.kind = FIELD_STATE},
	{.name = "accelerator pedal kickdown switch", .spn = 559, .first_bit = BIT(0, 2), .bits = 2,
		.kind = FIELD_STATE},
	{.name = "road speed limit status", .spn = 1437, .first_bit = BIT(0, 4), .bits = 2,
		.kind = FIELD_STATE},
	{.name = "accelerator pedal 2 low idle switch", .spn = 2970, .first_bit = BIT(0, 6),
		.bits = 2, .kind = FIELD_STATE},
	{.name = "accelerator pedal position 1", .spn = 91, .first_bit = BYTE(1), .bits = 8,
		.scale = 0.4, FEEDS(PEDAL)},
	{.name = "percent load at current speed", .spn = 92, .first_bit = BYTE(2), .bits = 8,
		.scale = 1, FEEDS(ENGINE_LOAD)},
	{.name = "remote accelerator pedal position", .spn = 974, .first_bit = BYTE(3), .bits = 8,
		.scale = 0.4, .unit = "%"},
	{.name = "accelerator pedal position 2", .spn = 29, .first_bit = BYTE(4), .bits = 8,
		.scale = 0.4, .unit = "%"},
};

/* 61444 EEC1
 * | 0                  | 1             | 2             | 3-4   | 5  | 6       | 7             |
 * | mode 4, fraction 4 | demand torque | actual torque | speed | SA | starter | demand torque | */
static const struct field_row eec1_fields[] = {
	{.name = "engine torque mode", .spn = 899, .first_bit = BIT(0, 0), .bits = 4,
		.kind = FIELD_STATE},
	{.name = "actual engine torque, fraction", .spn = 4154, .first_bit = BIT(0, 4), .bits = 4,
		.scale = 0.125, .unit = "%", .note = "0 to 0.875; added to SPN 513"},
	{.name = "driver's demand torque", .spn = 512, .first_bit = BYTE(1), .bits = 8, .scale = 1,
		.offset = -125, FEEDS(DEMAND_TORQUE)},
	{.name = "actual engine torque", .spn = 513, .first_bit = BYTE(2), .bits = 8, .scale = 1,
		.offset = -125, FEEDS(ENGINE_TORQUE)},
	{.name = "engine speed", .spn = 190, .first_bit = BYTE(3), .bits = 16, .scale = 0.125,
		FEEDS(ENGINE_SPEED)},
	{.name = "source address of the controlling device", .spn = 1483, .first_bit = BYTE(5),
		.bits = 8, .kind = FIELD_STATE},
	{.name = "starter mode", .spn = 1675, .first_bit = BIT(6, 0), .bits = 4,
		.kind = FIELD_STATE, FEEDS(STARTER_MODE)},
	{.name = "engine demand torque", .spn = 2432, .first_bit = BYTE(7), .bits = 8, .scale = 1,
		.offset = -125, .unit = "%"},
};

/* 64777 HRLFC
 * | 0-3                        | 4-7                         |
 * | trip fuel, high resolution | total fuel, high resolution | */
static const struct field_row hrlfc_fields[] = {
	{.name = "trip fuel, high resolution", .spn = 5053, .first_bit = BYTE(0), .bits = 32,
		.scale = 0.001, FEEDS(TRIP_FUEL_FINE), .note = "SPN and place from memory"},
	{.name = "total fuel used, high resolution", .spn = 5054, .first_bit = BYTE(4), .bits = 32,
		.scale = 0.001, FEEDS(TOTAL_FUEL_FINE)},
};

/* 65130 EFS
 * | 0                | 1                           | 2                      | 3-7      |
 * | remote oil level | supply pump intake pressure | suction filter, across | not read | */
static const struct field_row efs_fields[] = {
	{.name = "remote oil level", .spn = 1380, .first_bit = BYTE(0), .bits = 8, .scale = 0.4,
		.unit = "%"},
	{.name = "fuel supply pump intake pressure", .spn = 1381, .first_bit = BYTE(1), .bits = 8,
		.scale = 2, FEEDS(FUEL_INTAKE_PRESSURE), .note = "absolute"},
	{.name = "fuel filter (suction side) differential pressure", .spn = 1382,
		.first_bit = BYTE(2), .bits = 8, .scale = 2, FEEDS(SUCTION_FILTER)},
};

/* 65226 DM1 and 65227 DM2, of any length
 * | 0                      | 1                      | 2-5        | 6-9        | …
 * | lamps: protect 0-1, amber 2-3, red stop 4-5, malfunction 6-7 | the same four as flash codes |
 * | fault code | fault code | …; a single code is filled with 0xFF to 8 bytes | */
#define LAMPS_NOTE                                                                                 \
	"from bit 0, two bits each: protect, amber warning, red stop, malfunction; then the same "  \
	"as flash codes (1 with 0 slow, 1 with 1 fast, 1 with 3 steady)"

static const struct field_row dm1_fields[] = {
	{.name = "lamps and their flashing", .first_bit = BYTE(0), .bits = 16, .kind = FIELD_BITS,
		FEEDS(FAULT_LAMPS), .note = LAMPS_NOTE},
	{.name = "active fault codes", .first_bit = BYTE(2), .bits = 32, .kind = FIELD_OWN,
		FEEDS(ACTIVE_FAULT), .read = fault_code_read, .write = fault_code_write,
		.note = "repeats; SPN | FMI << 19 | count << 24 | conversion << 31; 0 for none"},
};

static const struct field_row dm2_fields[] = {
	{.name = "lamps and their flashing", .first_bit = BYTE(0), .bits = 16, .kind = FIELD_BITS,
		.note = LAMPS_NOTE},
	{.name = "previously active fault codes", .first_bit = BYTE(2), .bits = 32,
		.kind = FIELD_OWN, FEEDS(PAST_FAULT), .read = fault_code_read,
		.write = fault_code_write,
		.note = "repeats; SPN | FMI << 19 | count << 24 | conversion << 31; 0 for none"},
};

/* 65243 EFL/P2
 * | 0-1                | 2-3         | 4-5                | 6-7         |
 * | injection pressure | rail 1      | timing rail        | rail 2      | */
static const struct field_row eflp2_fields[] = {
	{.name = "injection control pressure", .spn = 164, .first_bit = BYTE(0), .bits = 16,
		.scale = 1000.0 / 256, FEEDS(INJECTION_PRESSURE)},
	{.name = "injector metering rail 1 pressure", .spn = 157, .first_bit = BYTE(2), .bits = 16,
		.scale = 1000.0 / 256, FEEDS(RAIL_PRESSURE)},
	{.name = "injector timing rail 1 pressure", .spn = 156, .first_bit = BYTE(4), .bits = 16,
		.scale = 1000.0 / 256, FEEDS(TIMING_RAIL_PRESSURE)},
	{.name = "injector metering rail 2 pressure", .spn = 1349, .first_bit = BYTE(6), .bits = 16,
		.scale = 1000.0 / 256, FEEDS(RAIL2_PRESSURE)},
};

/* 65244 IO
 * | 0-3                  | 4-7              |
 * | total fuel when idle | total idle hours | */
static const struct field_row io_fields[] = {
	{.name = "total idle fuel used", .spn = 236, .first_bit = BYTE(0), .bits = 32, .scale = 0.5,
		FEEDS(IDLE_FUEL)},
	{.name = "total idle hours", .spn = 235, .first_bit = BYTE(4), .bits = 32, .scale = 0.05,
		FEEDS(IDLE_HOURS)},
};

/* 65253 HOURS
 * | 0-3         | 4-7               |
 * | total hours | total revolutions | */
static const struct field_row hours_fields[] = {
	{.name = "total engine hours", .spn = 247, .first_bit = BYTE(0), .bits = 32, .scale = 0.05,
		FEEDS(ENGINE_HOURS)},
	{.name = "total engine revolutions", .spn = 249, .first_bit = BYTE(4), .bits = 32,
		.scale = 1, FEEDS(TOTAL_REVOLUTIONS)},
};

/* 65257 LFC
 * | 0-3       | 4-7        |
 * | trip fuel | total fuel | */
static const struct field_row lfc_fields[] = {
	{.name = "trip fuel", .spn = 182, .first_bit = BYTE(0), .bits = 32, .scale = 0.5,
		FEEDS(TRIP_FUEL)},
	{.name = "total fuel used", .spn = 250, .first_bit = BYTE(4), .bits = 32, .scale = 0.5,
		FEEDS(TOTAL_FUEL)},
};

/* 65262 ET1
 * | 0       | 1    | 2-3 | 4-5       | 6           | 7          |
 * | coolant | fuel | oil | turbo oil | intercooler | thermostat | */
static const struct field_row et1_fields[] = {
	{.name = "coolant temperature", .spn = 110, .first_bit = BYTE(0), .bits = 8, .scale = 1,
		.offset = -40, FEEDS(COOLANT_TEMPERATURE)},
	{.name = "fuel temperature 1", .spn = 174, .first_bit = BYTE(1), .bits = 8, .scale = 1,
		.offset = -40, FEEDS(FUEL_TEMPERATURE)},
	{.name = "oil temperature 1", .spn = 175, .first_bit = BYTE(2), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, FEEDS(OIL_TEMPERATURE)},
	{.name = "turbo oil temperature", .spn = 176, .first_bit = BYTE(4), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, FEEDS(TURBO_OIL_TEMPERATURE)},
	{.name = "intercooler temperature", .spn = 52, .first_bit = BYTE(6), .bits = 8, .scale = 1,
		.offset = -40, FEEDS(INTERCOOLER_TEMPERATURE)},
	{.name = "intercooler thermostat opening", .spn = 1134, .first_bit = BYTE(7), .bits = 8,
		.scale = 0.4, .unit = "%"},
};

/* 65263 EFL/P1
 * | 0             | 1       | 2         | 3   | 4-5       | 6                | 7             |
 * | fuel delivery | blow-by | oil level | oil | crankcase | coolant pressure | coolant level | */
static const struct field_row eflp1_fields[] = {
	{.name = "fuel delivery pressure", .spn = 94, .first_bit = BYTE(0), .bits = 8, .scale = 4,
		FEEDS(FUEL_PRESSURE)},
	{.name = "extended crankcase blow-by pressure", .spn = 22, .first_bit = BYTE(1), .bits = 8,
		.scale = 0.05, .unit = "kPa"},
	{.name = "oil level", .spn = 98, .first_bit = BYTE(2), .bits = 8, .scale = 0.4,
		FEEDS(OIL_LEVEL)},
	{.name = "oil pressure", .spn = 100, .first_bit = BYTE(3), .bits = 8, .scale = 4,
		FEEDS(OIL_PRESSURE)},
	{.name = "crankcase pressure", .spn = 101, .first_bit = BYTE(4), .bits = 16,
		.scale = 1.0 / 128, .offset = -250, FEEDS(CRANKCASE_PRESSURE)},
	{.name = "coolant pressure", .spn = 109, .first_bit = BYTE(6), .bits = 8, .scale = 2,
		FEEDS(COOLANT_PRESSURE)},
	{.name = "coolant level", .spn = 111, .first_bit = BYTE(7), .bits = 8, .scale = 0.4,
		FEEDS(COOLANT_LEVEL)},
};

/* 65265 CCVS
 * | 0                | 1-2         | 3-7                           |
 * | switches 4 x 2   | wheel speed | cruise control, not read      | */
static const struct field_row ccvs_fields[] = {
	{.name = "two-speed axle switch", .spn = 69, .first_bit = BIT(0, 0), .bits = 2,
		.kind = FIELD_STATE},
	{.name = "parking brake switch", .spn = 70, .first_bit = BIT(0, 2), .bits = 2,
		.kind = FIELD_STATE},
	{.name = "cruise control pause switch", .spn = 1633, .first_bit = BIT(0, 4), .bits = 2,
		.kind = FIELD_STATE},
	{.name = "wheel-based vehicle speed", .spn = 84, .first_bit = BYTE(1), .bits = 16,
		.scale = KN_PER_KMH / 256, FEEDS(WHEEL_SPEED), .note = "1/256 km/h a bit"},
};

/* 65266 LFE
 * | 0-1       | 2-3             | 4-5             | 6          | 7          |
 * | fuel rate | economy, moment | economy, average | throttle 1 | throttle 2 | */
static const struct field_row lfe_fields[] = {
	{.name = "fuel rate", .spn = 183, .first_bit = BYTE(0), .bits = 16, .scale = 0.05,
		FEEDS(FUEL_RATE)},
	{.name = "instantaneous fuel economy", .spn = 184, .first_bit = BYTE(2), .bits = 16,
		.scale = 1.0 / 512, .unit = "km/L"},
	{.name = "average fuel economy", .spn = 185, .first_bit = BYTE(4), .bits = 16,
		.scale = 1.0 / 512, .unit = "km/L"},
	{.name = "throttle valve 1 position", .spn = 51, .first_bit = BYTE(6), .bits = 8,
		.scale = 0.4, FEEDS(THROTTLE)},
	{.name = "throttle valve 2 position", .spn = 3673, .first_bit = BYTE(7), .bits = 8,
		.scale = 0.4, .unit = "%"},
};

/* 65269 AMB
 * | 0          | 1-2   | 3-4         | 5         | 6-7  |
 * | barometric | cabin | ambient air | air inlet | road | */
static const struct field_row amb_fields[] = {
	{.name = "barometric pressure", .spn = 108, .first_bit = BYTE(0), .bits = 8, .scale = 0.5,
		FEEDS(BAROMETRIC_PRESSURE)},
	{.name = "cabin interior temperature", .spn = 170, .first_bit = BYTE(1), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, .unit = "°C"},
	{.name = "ambient air temperature", .spn = 171, .first_bit = BYTE(3), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, FEEDS(AMBIENT_TEMPERATURE)},
	{.name = "air inlet temperature", .spn = 172, .first_bit = BYTE(5), .bits = 8, .scale = 1,
		.offset = -40, .unit = "°C"},
	{.name = "road surface temperature", .spn = 79, .first_bit = BYTE(6), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, .unit = "°C"},
};

/* 65270 IC1
 * | 0                  | 1     | 2      | 3         | 4          | 5-6     | 7              |
 * | particulate filter | boost | intake | air inlet | air filter | exhaust | coolant filter | */
static const struct field_row ic1_fields[] = {
	{.name = "particulate filter inlet pressure", .spn = 81, .first_bit = BYTE(0), .bits = 8,
		.scale = 0.5, .unit = "kPa"},
	{.name = "boost pressure", .spn = 102, .first_bit = BYTE(1), .bits = 8, .scale = 2,
		FEEDS(BOOST_PRESSURE)},
	{.name = "intake manifold 1 temperature", .spn = 105, .first_bit = BYTE(2), .bits = 8,
		.scale = 1, .offset = -40, FEEDS(INTAKE_TEMPERATURE)},
	{.name = "air inlet pressure", .spn = 106, .first_bit = BYTE(3), .bits = 8, .scale = 2,
		FEEDS(AIR_INLET_PRESSURE), .note = "absolute"},
	{.name = "air filter 1 differential pressure", .spn = 107, .first_bit = BYTE(4), .bits = 8,
		.scale = 0.05, FEEDS(AIR_FILTER)},
	{.name = "exhaust gas temperature", .spn = 173, .first_bit = BYTE(5), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, FEEDS(EXHAUST_TEMPERATURE)},
	{.name = "coolant filter differential pressure", .spn = 112, .first_bit = BYTE(7),
		.bits = 8, .scale = 0.5, .unit = "kPa"},
};

/* 65271 VEP1
 * | 0           | 1                  | 2-3                | 4-5             | 6-7        |
 * | net current | alternator current | alternator voltage | battery voltage | key switch | */
static const struct field_row vep1_fields[] = {
	{.name = "net battery current", .spn = 114, .first_bit = BYTE(0), .bits = 8, .scale = 1,
		.offset = -125, .unit = "A"},
	{.name = "alternator current", .spn = 115, .first_bit = BYTE(1), .bits = 8, .scale = 1,
		FEEDS(ALTERNATOR_CURRENT)},
	{.name = "alternator voltage", .spn = 167, .first_bit = BYTE(2), .bits = 16, .scale = 0.05,
		FEEDS(ALTERNATOR_VOLTAGE)},
	{.name = "battery voltage", .spn = 168, .first_bit = BYTE(4), .bits = 16, .scale = 0.05,
		FEEDS(ENGINE_BATTERY_VOLTAGE)},
	{.name = "key switch voltage", .spn = 158, .first_bit = BYTE(6), .bits = 16, .scale = 0.05,
		.unit = "V"},
};

/* 65276 DD
 * | 0      | 1            | 2           | 3          | 4-5   | 6            | 7        |
 * | washer | fuel level 1 | fuel filter | oil filter | cargo | fuel level 2 | not read | */
static const struct field_row dd_fields[] = {
	{.name = "washer fluid level", .spn = 80, .first_bit = BYTE(0), .bits = 8, .scale = 0.4,
		.unit = "%"},
	{.name = "fuel level 1", .spn = 96, .first_bit = BYTE(1), .bits = 8, .scale = 0.4,
		FEEDS(FUEL_LEVEL_1)},
	{.name = "fuel filter differential pressure", .spn = 95, .first_bit = BYTE(2), .bits = 8,
		.scale = 2, FEEDS(FUEL_FILTER)},
	{.name = "oil filter differential pressure", .spn = 99, .first_bit = BYTE(3), .bits = 8,
		.scale = 0.5, FEEDS(OIL_FILTER)},
	{.name = "cargo ambient temperature", .spn = 169, .first_bit = BYTE(4), .bits = 16,
		.scale = 1.0 / 32, .offset = -273, .unit = "°C"},
	{.name = "fuel level 2", .spn = 38, .first_bit = BYTE(6), .bits = 8, .scale = 0.4,
		FEEDS(FUEL_LEVEL_2)},
};

/* 65279 WFI
 * | 0                   | 1-7      |
 * | water in fuel, 0-1  | not read | */
static const struct field_row wfi_fields[] = {
	{.name = "water in fuel indicator", .spn = 97, .first_bit = BIT(0, 0), .bits = 2,
		.kind = FIELD_STATE, FEEDS(WATER_IN_FUEL), .note = "0 no, 1 yes"},
};

#define ENGINE_ROW .family = FAMILY_J1939, .instance_rule = INSTANCE_SOURCE

const struct message_row message_j1939_rows[] = {
	{.pgn = 60928, .name = "ISO address claim", .abbreviation = "AC", .family = FAMILY_COMMON,
		.length = 8, FIELDS(address_claim_fields),
		.source = "SAE J1939-81 NAME; two public libraries agree"},
	{.pgn = 61443, .name = "electronic engine controller 2", .abbreviation = "EEC2", ENGINE_ROW,
		.length = 8, FIELDS(eec2_fields),
		.source = "SAE J1939-71; two public tables agree"},
	{.pgn = 61444, .name = "electronic engine controller 1", .abbreviation = "EEC1", ENGINE_ROW,
		.length = 8, FIELDS(eec1_fields),
		.source = "SAE J1939-71; six public tables agree on the speed, three on the rest"},
	{.pgn = 64777, .name = "high-resolution fuel consumption (liquid)", .abbreviation = "HRLFC",
		ENGINE_ROW, .length = 8, FIELDS(hrlfc_fields),
		.source = "SAE J1939-71; one public database for the total, the trip from memory"},
	{.pgn = 65130, .name = "engine fuel and lubrication systems", .abbreviation = "EFS",
		ENGINE_ROW, .length = 8, FIELDS(efs_fields),
		.source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65226, .name = "active diagnostic trouble codes", .abbreviation = "DM1", ENGINE_ROW,
		FIELDS(dm1_fields),
		.source = "SAE J1939-73, 5.7.1; the tests of two public decoders agree"},
	{.pgn = 65227, .name = "previously active diagnostic trouble codes", .abbreviation = "DM2",
		ENGINE_ROW, FIELDS(dm2_fields),
		.source = "SAE J1939-73, 5.7.2; the tests of two public decoders agree"},
	{.pgn = 65243, .name = "engine fluid level and pressure 2", .abbreviation = "EFL/P2",
		ENGINE_ROW, .length = 8, FIELDS(eflp2_fields),
		.source = "SAE J1939-71; three public tables agree"},
	{.pgn = 65244, .name = "idle operation", .abbreviation = "IO", ENGINE_ROW, .length = 8,
		FIELDS(io_fields), .source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65253, .name = "engine hours and revolutions", .abbreviation = "HOURS", ENGINE_ROW,
		.length = 8, FIELDS(hours_fields),
		.source = "SAE J1939-71; two public tables agree, checked on an open capture"},
	{.pgn = 65257, .name = "fuel consumption (liquid)", .abbreviation = "LFC", ENGINE_ROW,
		.length = 8, FIELDS(lfc_fields),
		.source = "SAE J1939-71; two public tables agree, checked on an open capture"},
	{.pgn = 65262, .name = "engine temperature 1", .abbreviation = "ET1", ENGINE_ROW,
		.length = 8, FIELDS(et1_fields), .source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65263, .name = "engine fluid level and pressure 1", .abbreviation = "EFL/P1",
		ENGINE_ROW, .length = 8, FIELDS(eflp1_fields),
		.source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65265, .name = "cruise control and vehicle speed", .abbreviation = "CCVS",
		ENGINE_ROW, .length = 8, FIELDS(ccvs_fields),
		.source = "SAE J1939-71; from memory, plausible on an open capture"},
	{.pgn = 65266, .name = "fuel economy (liquid)", .abbreviation = "LFE", ENGINE_ROW,
		.length = 8, FIELDS(lfe_fields),
		.source = "SAE J1939-71; two public tables agree, checked on an open capture"},
	{.pgn = 65269, .name = "ambient conditions", .abbreviation = "AMB", ENGINE_ROW, .length = 8,
		FIELDS(amb_fields), .source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65270, .name = "inlet and exhaust conditions 1", .abbreviation = "IC1", ENGINE_ROW,
		.length = 8, FIELDS(ic1_fields),
		.source = "SAE J1939-71; two or three public tables agree"},
	{.pgn = 65271, .name = "vehicle electrical power 1", .abbreviation = "VEP1", ENGINE_ROW,
		.length = 8, FIELDS(vep1_fields),
		.source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65276, .name = "dash display", .abbreviation = "DD", ENGINE_ROW, .length = 8,
		FIELDS(dd_fields), .source = "SAE J1939-71; two public tables agree"},
	{.pgn = 65279, .name = "water in fuel indicator", .abbreviation = "WFI", ENGINE_ROW,
		.length = 8, FIELDS(wfi_fields),
		.source = "SAE J1939-71; two public tables agree, states seen in an open capture"},
};

const size_t message_j1939_row_count = sizeof(message_j1939_rows) / sizeof(message_j1939_rows[0]);
