/* The messages of NMEA 2000 (PGNs from 65536 on).
 *
 * Payloads are drawn with their bytes numbered from 0; multi-byte fields are little-endian. The
 * top codes of a field are no numbers (decoders/field.h). SID is the number that ties together what
 * one sender measured at one moment; it is not read.
 *
 * No original of the standard was read: each row says what public evidence its layout rests on.
 */
#include <errno.h>

#include "decoders/field.h"
#include "decoders/message.h"

#define BYTE(n)       (8 * (n))
#define BIT(byte, n)  (8 * (byte) + (n))
#define FEEDS(signal_) .feeds = true, .signal = SIGNAL_##signal_
#define FIELDS(rows)  .fields = (rows), .field_count = sizeof(rows) / sizeof((rows)[0])

#define ZERO_CELSIUS_K 273.15
#define KN_PER_MS      (3600.0 / 1852)
#define DEG_PER_RAD    57.295779513082320877
#define NM_PER_M       (1.0 / 1852)

#define S_PER_DAY     86400.0
#define TICKS_PER_S   10000.0
#define DAY_BITS      16
#define TICK_BITS     32
#define DAYS_MAX      65533.0 /* the three codes from here on are no numbers */

#define SID_FIELD {.name = "SID", .first_bit = BYTE(0), .bits = 8}

/* Days since 1970-01-01 in 16 bits followed by, or following, the time of day in 1e-4 s in 32 bits.
 * One observation: seconds since 1970-01-01 UTC. */
static size_t read_moment(const struct message_row *row, const struct field_row *field,
	const struct message *message, unsigned day_bit, unsigned tick_bit, struct observation *out,
	size_t capacity)
{
	const struct field_row day_field = {.first_bit = (uint16_t)day_bit, .bits = DAY_BITS};
	const struct field_row tick_field = {.first_bit = (uint16_t)tick_bit, .bits = TICK_BITS};
	struct field_reading day;
	struct field_reading tick;

	if (capacity == 0 || !field_read(row, &day_field, message->data, message->length, &day) ||
		!field_read(row, &tick_field, message->data, message->length, &tick)) {
		return 0;
	}
	out[0] = (struct observation){
		.t_ns = message->t_ns,
		.signal = field->signal,
		.bus = message->bus,
		.source = message->source,
		.message = (uint8_t)message->row,
		.resolution = 1 / TICKS_PER_S,
	};
	if (day.state != READING_VALID) {
		out[0].state = (uint8_t)day.state;
	} else if (tick.state != READING_VALID) {
		out[0].state = (uint8_t)tick.state;
	} else {
		/* Up to one second more than a day: a leap second. */
		double second = tick.value / TICKS_PER_S;
		double value = day.value * S_PER_DAY + second;
		const struct signal *signal = signal_get((enum signal_id)field->signal);

		if (second < S_PER_DAY + 1 && value >= signal->low && value <= signal->high) {
			out[0].value = value;
		} else {
			out[0].state = READING_IMPLAUSIBLE;
		}
	}
	return 1;
}

static int write_moment(enum reading_state state, double value, unsigned day_bit, unsigned tick_bit,
	uint8_t *data, size_t capacity)
{
	uint64_t day = UINT16_MAX;
	uint64_t tick = UINT32_MAX;

	if (state == READING_ERROR) {
		day--;
		tick--;
	} else if (state == READING_VALID) {
		if (!(value >= 0 && value < DAYS_MAX * S_PER_DAY)) {
			return -ERANGE;
		}
		uint64_t ticks = (uint64_t)(value * TICKS_PER_S + 0.5);
		day = ticks / (uint64_t)(S_PER_DAY * TICKS_PER_S);
		tick = ticks % (uint64_t)(S_PER_DAY * TICKS_PER_S);
	} else if (state != READING_NOT_AVAILABLE) {
		return -ERANGE;
	}
	return field_put(data, capacity, day_bit, DAY_BITS, day) &&
			field_put(data, capacity, tick_bit, TICK_BITS, tick) ?
		0 :
		-ENOBUFS;
}

/* The first of the two fields is the one with the functions. */
static size_t day_first_read(const struct message_row *row, const struct field_row *field,
	const struct message *message, struct observation *out, size_t capacity)
{
	return read_moment(row, field, message, field->first_bit, field->first_bit + DAY_BITS, out,
		capacity);
}

static int day_first_write(const struct message_row *row, const struct field_row *field,
	enum reading_state state, double value, uint8_t *data, size_t capacity, size_t *length)
{
	(void)row;
	(void)length;
	return write_moment(state, value, field->first_bit, field->first_bit + DAY_BITS, data,
		capacity);
}

/* 126992 system time
 * | 0   | 1             | 2-3  | 4-7         |
 * | SID | source, 0-3   | days | time of day | */
static const struct field_row system_time_fields[] = {
	SID_FIELD,
	{.name = "time source", .first_bit = BYTE(1), .bits = 4, .kind = FIELD_STATE,
		.note = "0 GPS, 1 GLONASS, 2 radio, 3 caesium, 4 rubidium, 5 crystal"},
	{.name = "date and time", .first_bit = BYTE(2), .bits = DAY_BITS + TICK_BITS,
		.kind = FIELD_OWN, FEEDS(SYSTEM_TIME), .read = day_first_read,
		.write = day_first_write, .note = "16 bits of days, 32 bits of 1e-4 s"},
};

/* 126993 heartbeat
 * | 0-1      | 2       | 3                                     | 4-7      |
 * | interval | counter | controllers 1, 2 and equipment, 2 bits each | reserved | */
static const struct field_row heartbeat_fields[] = {
	{.name = "interval", .first_bit = BYTE(0), .bits = 16, .scale = 0.001, .unit = "s"},
	{.name = "counter", .first_bit = BYTE(2), .bits = 8},
	{.name = "controller 1 state", .first_bit = BIT(3, 0), .bits = 2, .kind = FIELD_STATE,
		.note = "0 error active, 1 error passive, 2 bus off"},
	{.name = "controller 2 state", .first_bit = BIT(3, 2), .bits = 2, .kind = FIELD_STATE,
		.note = "0 error active, 1 error passive, 2 bus off"},
	{.name = "equipment state", .first_bit = BIT(3, 4), .bits = 2, .kind = FIELD_STATE,
		.note = "0 operational, 1 fault"},
};

/* 126996 product information, 134 bytes
 * | 0-1     | 2-3     | 4-35  | 36-67    | 68-99         | 100-131 | 132           | 133  |
 * | version | product | model | software | model version | serial  | certification | load | */
static const struct field_row product_fields[] = {
	{.name = "protocol version", .first_bit = BYTE(0), .bits = 16, .scale = 0.001},
	{.name = "product code", .first_bit = BYTE(2), .bits = 16},
	{.name = "model", .first_bit = BYTE(4), .bits = BYTE(32), .kind = FIELD_TEXT},
	{.name = "software version", .first_bit = BYTE(36), .bits = BYTE(32), .kind = FIELD_TEXT},
	{.name = "model version", .first_bit = BYTE(68), .bits = BYTE(32), .kind = FIELD_TEXT},
	{.name = "serial number", .first_bit = BYTE(100), .bits = BYTE(32), .kind = FIELD_TEXT},
	{.name = "certification level", .first_bit = BYTE(132), .bits = 8, .kind = FIELD_STATE},
	{.name = "load equivalency", .first_bit = BYTE(133), .bits = 8, .scale = 50, .unit = "mA"},
};

/* 127245 rudder
 * | 0        | 1                    | 2-3           | 4-5      | 6-7      |
 * | instance | direction order, 0-2 | angle ordered | position | reserved | */
static const struct field_row rudder_fields[] = {
	{.name = "instance", .first_bit = BYTE(0), .bits = 8},
	{.name = "direction order", .first_bit = BYTE(1), .bits = 3, .kind = FIELD_STATE,
		.note = "0 none, 1 to starboard, 2 to port"},
	{.name = "angle ordered", .first_bit = BYTE(2), .bits = 16, .kind = FIELD_SIGNED,
		.scale = 1e-4 * DEG_PER_RAD, .unit = "deg"},
	{.name = "position", .first_bit = BYTE(4), .bits = 16, .kind = FIELD_SIGNED,
		.scale = 1e-4 * DEG_PER_RAD, FEEDS(RUDDER), .note = "1e-4 rad a bit"},
};

/* 127488 engine parameters, rapid update
 * | 0        | 1-2   | 3-4   | 5    | 6-7      |
 * | instance | speed | boost | trim | reserved | */
static const struct field_row engine_rapid_fields[] = {
	{.name = "engine instance", .first_bit = BYTE(0), .bits = 8,
		.note = "0 single or port, 1 starboard"},
	{.name = "engine speed", .first_bit = BYTE(1), .bits = 16, .scale = 0.25,
		FEEDS(ENGINE_SPEED)},
	{.name = "boost pressure", .first_bit = BYTE(3), .bits = 16, .scale = 0.1,
		FEEDS(BOOST_PRESSURE)},
	{.name = "tilt or trim", .first_bit = BYTE(5), .bits = 8, .kind = FIELD_SIGNED, .scale = 1,
		FEEDS(TRIM)},
};

/* 127489 engine parameters, dynamic, 26 bytes
 * | 0        | 1-2          | 3-4 | 5-6    | 7-8        | 9-10      | 11-14 | 15-16            |
 * | instance | oil pressure | oil | engine | alternator | fuel rate | hours | coolant pressure |
 * | 17-18         | 19       | 20-21    | 22-23    | 24   | 25     |
 * | fuel pressure | reserved | status 1 | status 2 | load | torque | */
static const struct field_row engine_dynamic_fields[] = {
	{.name = "engine instance", .first_bit = BYTE(0), .bits = 8,
		.note = "0 single or port, 1 starboard"},
	{.name = "oil pressure", .first_bit = BYTE(1), .bits = 16, .scale = 0.1,
		FEEDS(OIL_PRESSURE)},
	{.name = "oil temperature", .first_bit = BYTE(3), .bits = 16, .scale = 0.1,
		.offset = -ZERO_CELSIUS_K, FEEDS(OIL_TEMPERATURE)},
	{.name = "engine temperature", .first_bit = BYTE(5), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, FEEDS(COOLANT_TEMPERATURE)},
	{.name = "alternator voltage", .first_bit = BYTE(7), .bits = 16, .kind = FIELD_SIGNED,
		.scale = 0.01, FEEDS(ALTERNATOR_VOLTAGE)},
	{.name = "fuel rate", .first_bit = BYTE(9), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.1,
		FEEDS(FUEL_RATE),
		.note = "senders are known that mean not available by FFFF, which is -0.1: "
			"implausible"},
	{.name = "engine hours", .first_bit = BYTE(11), .bits = 32, .scale = 1.0 / 3600,
		FEEDS(ENGINE_HOURS), .note = "1 s a bit"},
	{.name = "coolant pressure", .first_bit = BYTE(15), .bits = 16, .scale = 0.1,
		FEEDS(COOLANT_PRESSURE)},
	{.name = "fuel pressure", .first_bit = BYTE(17), .bits = 16, .scale = 1,
		FEEDS(FUEL_PRESSURE)},
	{.name = "status 1", .first_bit = BYTE(20), .bits = 16, .kind = FIELD_BITS,
		FEEDS(ENGINE_STATUS_1),
		.note = "0 check engine, 1 over temperature, 2 low oil pressure, 3 low oil level, "
			"4 low fuel pressure, 5 low voltage, 6 low coolant, 7 water flow, "
			"8 water in fuel, 9 charge, 10 preheat, 11 high boost, 12 speed limit, "
			"13 EGR, 14 throttle sensor, 15 emergency stop"},
	{.name = "status 2", .first_bit = BYTE(22), .bits = 16, .kind = FIELD_BITS,
		FEEDS(ENGINE_STATUS_2),
		.note = "0 warning 1, 1 warning 2, 2 power reduced, 3 maintenance needed, "
			"4 communication error, 5 secondary throttle, 6 neutral start protect, "
			"7 shutting down"},
	{.name = "load", .first_bit = BYTE(24), .bits = 8, .kind = FIELD_SIGNED, .scale = 1,
		FEEDS(ENGINE_LOAD)},
	{.name = "torque", .first_bit = BYTE(25), .bits = 8, .kind = FIELD_SIGNED, .scale = 1,
		FEEDS(ENGINE_TORQUE)},
};

/* 127493 transmission parameters, dynamic
 * | 0        | 1         | 2-3          | 4-5             | 6      | 7        |
 * | instance | gear, 0-1 | oil pressure | oil temperature | status | reserved | */
static const struct field_row transmission_fields[] = {
	{.name = "engine instance", .first_bit = BYTE(0), .bits = 8},
	{.name = "gear", .first_bit = BYTE(1), .bits = 2, .kind = FIELD_STATE, FEEDS(GEAR),
		.note = "0 ahead, 1 neutral, 2 astern"},
	{.name = "oil pressure", .first_bit = BYTE(2), .bits = 16, .scale = 0.1,
		FEEDS(GEAR_OIL_PRESSURE)},
	{.name = "oil temperature", .first_bit = BYTE(4), .bits = 16, .scale = 0.1,
		.offset = -ZERO_CELSIUS_K, FEEDS(GEAR_OIL_TEMPERATURE)},
	{.name = "status", .first_bit = BYTE(6), .bits = 8, .kind = FIELD_BITS, FEEDS(GEAR_STATUS),
		.note = "0 check transmission, 1 over temperature, 2 low oil pressure, "
			"3 low oil level, 4 sail drive"},
};

/* 127496 trip parameters, vessel
 * | 0-3           | 4-7               | 8-9            | 10-13    |
 * | time to empty | distance to empty | fuel remaining | run time | */
static const struct field_row trip_vessel_fields[] = {
	{.name = "time to empty", .first_bit = BYTE(0), .bits = 32, .scale = 1.0 / 3600000,
		FEEDS(TIME_TO_EMPTY), .note = "1 ms a bit"},
	{.name = "distance to empty", .first_bit = BYTE(4), .bits = 32, .scale = 0.01 * NM_PER_M,
		FEEDS(DISTANCE_TO_EMPTY), .note = "0.01 m a bit"},
	{.name = "fuel remaining", .first_bit = BYTE(8), .bits = 16, .scale = 1,
		FEEDS(FUEL_REMAINING)},
	{.name = "trip run time", .first_bit = BYTE(10), .bits = 32, .scale = 1.0 / 3600000,
		FEEDS(TRIP_RUN_TIME), .note = "1 ms a bit"},
};

/* 127497 trip parameters, engine, 9 bytes
 * | 0        | 1-2       | 3-4          | 5-6          | 7-8           |
 * | instance | trip fuel | average rate | economy rate | rate, moment  | */
static const struct field_row trip_engine_fields[] = {
	{.name = "engine instance", .first_bit = BYTE(0), .bits = 8},
	{.name = "trip fuel used", .first_bit = BYTE(1), .bits = 16, .scale = 1, FEEDS(TRIP_FUEL)},
	{.name = "fuel rate, average", .first_bit = BYTE(3), .bits = 16, .kind = FIELD_SIGNED,
		.scale = 0.1, FEEDS(MEAN_FUEL_RATE)},
	{.name = "fuel rate, economy", .first_bit = BYTE(5), .bits = 16, .kind = FIELD_SIGNED,
		.scale = 0.1, .unit = "L/h"},
	{.name = "fuel rate, instantaneous economy", .first_bit = BYTE(7), .bits = 16,
		.kind = FIELD_SIGNED, .scale = 0.1, FEEDS(FUEL_RATE)},
};

/* 127498 engine parameters, static
 * | 0        | 1-2         | 3 …                                                         |
 * | instance | rated speed | identification number and software, of any length, not read | */
static const struct field_row engine_static_fields[] = {
	{.name = "engine instance", .first_bit = BYTE(0), .bits = 8},
	{.name = "rated engine speed", .first_bit = BYTE(1), .bits = 16, .scale = 0.25,
		FEEDS(RATED_SPEED)},
};

/* 127505 fluid level
 * | 0                       | 1-2   | 3-6      | 7        |
 * | instance 0-3, fluid 4-7 | level | capacity | reserved | */
static const struct field_row fluid_fields[] = {
	{.name = "instance", .first_bit = BIT(0, 0), .bits = 4},
	{.name = "fluid", .first_bit = BIT(0, 4), .bits = 4, .kind = FIELD_STATE,
		.note = "0 fuel, 1 water, 2 grey water, 3 live well, 4 oil, 5 black water, "
			"6 petrol"},
	{.name = "level", .first_bit = BYTE(1), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.004,
		FEEDS(TANK_LEVEL)},
	{.name = "capacity", .first_bit = BYTE(3), .bits = 32, .scale = 0.1, FEEDS(TANK_CAPACITY)},
};

/* 127508 battery status
 * | 0        | 1-2     | 3-4     | 5-6         | 7   |
 * | instance | voltage | current | temperature | SID | */
static const struct field_row battery_fields[] = {
	{.name = "battery instance", .first_bit = BYTE(0), .bits = 8},
	{.name = "voltage", .first_bit = BYTE(1), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.01,
		FEEDS(BATTERY_VOLTAGE)},
	{.name = "current", .first_bit = BYTE(3), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.1,
		FEEDS(BATTERY_CURRENT), .note = "negative: discharging"},
	{.name = "temperature", .first_bit = BYTE(5), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, FEEDS(BATTERY_TEMPERATURE)},
	{.name = "SID", .first_bit = BYTE(7), .bits = 8},
};

/* 128259 speed
 * | 0   | 1-2           | 3-4            | 5         | 6-7      |
 * | SID | through water | over ground    | reference | reserved | */
static const struct field_row speed_fields[] = {
	SID_FIELD,
	{.name = "speed through water", .first_bit = BYTE(1), .bits = 16, .scale = 0.01 * KN_PER_MS,
		FEEDS(WATER_SPEED), .note = "0.01 m/s a bit"},
	{.name = "speed over ground", .first_bit = BYTE(3), .bits = 16, .scale = 0.01 * KN_PER_MS,
		FEEDS(GROUND_SPEED), .note = "0.01 m/s a bit"},
	{.name = "water reference", .first_bit = BYTE(5), .bits = 8, .kind = FIELD_STATE,
		.note = "0 paddle wheel, 1 pitot tube, 2 doppler, 3 correlation, "
			"4 electromagnetic"},
};

/* 128267 water depth
 * | 0   | 1-4   | 5-6    | 7     |
 * | SID | depth | offset | range | */
static const struct field_row depth_fields[] = {
	SID_FIELD,
	{.name = "depth below the transducer", .first_bit = BYTE(1), .bits = 32, .scale = 0.01,
		FEEDS(DEPTH)},
	{.name = "transducer offset", .first_bit = BYTE(5), .bits = 16, .kind = FIELD_SIGNED,
		.scale = 0.001, .unit = "m",
		.note = "positive: to the waterline; negative: to the keel"},
	{.name = "greatest range", .first_bit = BYTE(7), .bits = 8, .scale = 10, .unit = "m"},
};

/* 129025 position, rapid update
 * | 0-3      | 4-7       |
 * | latitude | longitude | */
static const struct field_row position_fields[] = {
	{.name = "latitude", .first_bit = BYTE(0), .bits = 32, .kind = FIELD_SIGNED, .scale = 1e-7,
		FEEDS(LATITUDE)},
	{.name = "longitude", .first_bit = BYTE(4), .bits = 32, .kind = FIELD_SIGNED, .scale = 1e-7,
		FEEDS(LONGITUDE)},
};

/* 129026 course and speed over ground, rapid update
 * | 0   | 1              | 2-3    | 4-5   | 6-7      |
 * | SID | reference, 0-1 | course | speed | reserved | */
static const struct field_row course_fields[] = {
	SID_FIELD,
	{.name = "course reference", .first_bit = BYTE(1), .bits = 2, .kind = FIELD_STATE,
		.note = "0 true, 1 magnetic, 2 error"},
	{.name = "course over ground", .first_bit = BYTE(2), .bits = 16,
		.scale = 1e-4 * DEG_PER_RAD, FEEDS(COURSE), .note = "1e-4 rad a bit"},
	{.name = "speed over ground", .first_bit = BYTE(4), .bits = 16, .scale = 0.01 * KN_PER_MS,
		FEEDS(GROUND_SPEED), .note = "0.01 m/s a bit"},
};

/* 129029 GNSS position, 43 bytes and 4 more for each reference station
 * | 0   | 1-2  | 3-6  | 7-14     | 15-22     | 23-30    | 31                     | 32            |
 * | SID | days | time | latitude | longitude | altitude | system 0-3, method 4-7 | integrity 0-1 |
 * | 33         | 34-35 | 36-37 | 38-41 | 42       | 43-46 …            |
 * | satellites | HDOP  | PDOP  | geoid | stations | reference stations | */
static const struct field_row gnss_fields[] = {
	SID_FIELD,
	{.name = "date and time", .first_bit = BYTE(1), .bits = DAY_BITS + TICK_BITS,
		.kind = FIELD_OWN, FEEDS(GNSS_TIME), .read = day_first_read,
		.write = day_first_write, .note = "16 bits of days, 32 bits of 1e-4 s"},
	{.name = "latitude", .first_bit = BYTE(7), .bits = 64, .kind = FIELD_SIGNED, .scale = 1e-16,
		FEEDS(LATITUDE)},
	{.name = "longitude", .first_bit = BYTE(15), .bits = 64, .kind = FIELD_SIGNED,
		.scale = 1e-16, FEEDS(LONGITUDE)},
	{.name = "altitude", .first_bit = BYTE(23), .bits = 64, .kind = FIELD_SIGNED, .scale = 1e-6,
		FEEDS(ALTITUDE)},
	{.name = "system", .first_bit = BIT(31, 0), .bits = 4, .kind = FIELD_STATE},
	{.name = "method", .first_bit = BIT(31, 4), .bits = 4, .kind = FIELD_STATE,
		.note = "0 no fix"},
	{.name = "integrity", .first_bit = BIT(32, 0), .bits = 2, .kind = FIELD_STATE},
	{.name = "satellites used", .first_bit = BYTE(33), .bits = 8},
	{.name = "HDOP", .first_bit = BYTE(34), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.01},
	{.name = "PDOP", .first_bit = BYTE(36), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.01},
	{.name = "geoidal separation", .first_bit = BYTE(38), .bits = 32, .kind = FIELD_SIGNED,
		.scale = 0.01, .unit = "m"},
	{.name = "reference stations", .first_bit = BYTE(42), .bits = 8},
};

/* 129033 time and date
 * | 0-1  | 2-5         | 6-7          |
 * | days | time of day | local offset | */
static const struct field_row time_date_fields[] = {
	{.name = "date and time", .first_bit = BYTE(0), .bits = DAY_BITS + TICK_BITS,
		.kind = FIELD_OWN, FEEDS(GNSS_TIME), .read = day_first_read,
		.write = day_first_write, .note = "16 bits of days, 32 bits of 1e-4 s"},
	{.name = "local offset", .first_bit = BYTE(6), .bits = 16, .kind = FIELD_SIGNED, .scale = 1,
		.unit = "min"},
};

/* 130310 environmental parameters
 * | 0   | 1-2 | 3-4     | 5-6                  | 7        |
 * | SID | sea | outside | atmospheric pressure | reserved | */
static const struct field_row environment_fields[] = {
	SID_FIELD,
	{.name = "sea temperature", .first_bit = BYTE(1), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, FEEDS(SEA_TEMPERATURE)},
	{.name = "outside temperature", .first_bit = BYTE(3), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, FEEDS(AMBIENT_TEMPERATURE)},
	{.name = "atmospheric pressure", .first_bit = BYTE(5), .bits = 16, .scale = 0.1,
		FEEDS(BAROMETRIC_PRESSURE)},
};

#define TEMPERATURE_KINDS                                                                          \
	"0 sea, 1 outside, 2 inside, 3 engine room, 4 main cabin, 5 live well, 6 bait well, "      \
	"7 refrigeration, 8 heating, 9 dew point, 10 and 11 wind chill, 12 heat index, "           \
	"13 freezer, 14 exhaust gas, 15 shaft seal"

/* 130311 environmental parameters with sources
 * | 0   | 1                                      | 2-3         | 4-5      | 6-7         |
 * | SID | sources: temperature 0-5, humidity 6-7 | temperature | humidity | atmospheric | */
static const struct field_row environment_sources_fields[] = {
	SID_FIELD,
	{.name = "temperature source", .first_bit = BIT(1, 0), .bits = 6, .kind = FIELD_STATE,
		.note = TEMPERATURE_KINDS},
	{.name = "humidity source", .first_bit = BIT(1, 6), .bits = 2, .kind = FIELD_STATE,
		.note = "0 inside, 1 outside"},
	{.name = "temperature", .first_bit = BYTE(2), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, FEEDS(TEMPERATURE)},
	{.name = "humidity", .first_bit = BYTE(4), .bits = 16, .kind = FIELD_SIGNED, .scale = 0.004,
		FEEDS(HUMIDITY)},
	{.name = "atmospheric pressure", .first_bit = BYTE(6), .bits = 16, .scale = 0.1,
		FEEDS(BAROMETRIC_PRESSURE)},
};

/* 130312 temperature
 * | 0   | 1        | 2      | 3-4    | 5-6 | 7        |
 * | SID | instance | source | actual | set | reserved | */
static const struct field_row temperature_fields[] = {
	SID_FIELD,
	{.name = "instance", .first_bit = BYTE(1), .bits = 8},
	{.name = "source", .first_bit = BYTE(2), .bits = 8, .kind = FIELD_STATE,
		.note = TEMPERATURE_KINDS},
	{.name = "temperature", .first_bit = BYTE(3), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, FEEDS(TEMPERATURE)},
	{.name = "set temperature", .first_bit = BYTE(5), .bits = 16, .scale = 0.01,
		.offset = -ZERO_CELSIUS_K, .unit = "°C"},
};

/* 130314 actual pressure
 * | 0   | 1        | 2      | 3-6      | 7        |
 * | SID | instance | source | pressure | reserved | */
static const struct field_row pressure_fields[] = {
	SID_FIELD,
	{.name = "instance", .first_bit = BYTE(1), .bits = 8},
	{.name = "source", .first_bit = BYTE(2), .bits = 8, .kind = FIELD_STATE,
		.note = "0 atmospheric, 1 water, 2 steam, 3 compressed air, 4 hydraulic, 5 filter, "
			"6 altimeter setting, 7 oil, 8 fuel"},
	{.name = "pressure", .first_bit = BYTE(3), .bits = 32, .kind = FIELD_SIGNED,
		.scale = 0.0001, FEEDS(PRESSURE), .note = "0.1 Pa a bit"},
};

/* 130316 temperature, extended range
 * | 0   | 1        | 2      | 3-5    | 6-7 |
 * | SID | instance | source | actual | set | */
static const struct field_row temperature_extended_fields[] = {
	SID_FIELD,
	{.name = "instance", .first_bit = BYTE(1), .bits = 8},
	{.name = "source", .first_bit = BYTE(2), .bits = 8, .kind = FIELD_STATE,
		.note = TEMPERATURE_KINDS},
	{.name = "temperature", .first_bit = BYTE(3), .bits = 24, .scale = 0.001,
		.offset = -ZERO_CELSIUS_K, FEEDS(TEMPERATURE)},
	{.name = "set temperature", .first_bit = BYTE(6), .bits = 16, .scale = 0.1,
		.offset = -ZERO_CELSIUS_K, .unit = "°C"},
};

#define SINGLE .abbreviation = "", .family = FAMILY_NMEA2000, .travels = TRAVELS_SINGLE
#define FAST   .abbreviation = "", .family = FAMILY_NMEA2000, .travels = TRAVELS_FAST
#define BY_BYTE(n) .instance_rule = INSTANCE_BYTE, .instance_byte = (n)
#define BY_KIND(n) .instance_rule = INSTANCE_SOURCE_KIND, .instance_byte = (n)

#define TWO_AGREE "two public libraries agree"

const struct message_row message_nmea2000_rows[] = {
	{.pgn = 126992, .name = "system time", SINGLE, .length = 8, FIELDS(system_time_fields),
		.source = TWO_AGREE},
	{.pgn = 126993, .name = "heartbeat", SINGLE, .length = 8, FIELDS(heartbeat_fields),
		.source = "one public database with sample frames"},
	{.pgn = 126996, .name = "product information", FAST, .length = 134, FIELDS(product_fields),
		.source = "from memory; the way it travels from two public libraries"},
	{.pgn = 127245, .name = "rudder", SINGLE, BY_BYTE(0), .length = 8, FIELDS(rudder_fields),
		.source = "from memory"},
	{.pgn = 127488, .name = "engine parameters, rapid update", SINGLE, BY_BYTE(0), .length = 8,
		FIELDS(engine_rapid_fields), .source = TWO_AGREE},
	{.pgn = 127489, .name = "engine parameters, dynamic", FAST, BY_BYTE(0), .length = 26,
		FIELDS(engine_dynamic_fields), .source = TWO_AGREE},
	{.pgn = 127493, .name = "transmission parameters, dynamic", SINGLE, BY_BYTE(0), .length = 8,
		FIELDS(transmission_fields), .source = TWO_AGREE},
	{.pgn = 127496, .name = "trip parameters, vessel", FAST, .length = 14,
		FIELDS(trip_vessel_fields), .source = "one public database"},
	{.pgn = 127497, .name = "trip parameters, engine", FAST, BY_BYTE(0), .length = 9,
		FIELDS(trip_engine_fields), .source = TWO_AGREE},
	{.pgn = 127498, .name = "engine parameters, static", FAST, BY_BYTE(0),
		FIELDS(engine_static_fields), .source = "one public database"},
	{.pgn = 127505, .name = "fluid level", SINGLE, BY_BYTE(0), .length = 8,
		FIELDS(fluid_fields), .source = TWO_AGREE},
	{.pgn = 127508, .name = "battery status", SINGLE, BY_BYTE(0), .length = 8,
		FIELDS(battery_fields), .source = TWO_AGREE},
	{.pgn = 128259, .name = "speed", SINGLE, .length = 8, FIELDS(speed_fields),
		.source = TWO_AGREE},
	{.pgn = 128267, .name = "water depth", SINGLE, .length = 8, FIELDS(depth_fields),
		.source = "from memory"},
	{.pgn = 129025, .name = "position, rapid update", SINGLE, .length = 8,
		FIELDS(position_fields), .source = TWO_AGREE},
	{.pgn = 129026, .name = "course and speed over ground, rapid update", SINGLE, .length = 8,
		FIELDS(course_fields), .source = TWO_AGREE},
	{.pgn = 129029, .name = "GNSS position data", FAST, FIELDS(gnss_fields),
		.source = "from memory, agrees with a published frame and its decoding"},
	{.pgn = 129033, .name = "time and date", SINGLE, .length = 8, FIELDS(time_date_fields),
		.source = "from memory"},
	{.pgn = 130310, .name = "environmental parameters", SINGLE, .length = 8,
		FIELDS(environment_fields), .source = "from memory"},
	{.pgn = 130311, .name = "environmental parameters with sources", SINGLE,
		.instance_rule = INSTANCE_KIND, .instance_byte = 1, .length = 8,
		FIELDS(environment_sources_fields), .source = "from memory"},
	{.pgn = 130312, .name = "temperature", SINGLE, BY_KIND(1), .length = 8,
		FIELDS(temperature_fields), .source = TWO_AGREE},
	{.pgn = 130314, .name = "actual pressure", SINGLE, BY_KIND(1), .length = 8,
		FIELDS(pressure_fields), .source = TWO_AGREE},
	{.pgn = 130316, .name = "temperature, extended range", SINGLE, BY_KIND(1), .length = 8,
		FIELDS(temperature_extended_fields), .source = TWO_AGREE},
};

const size_t message_nmea2000_row_count =
	sizeof(message_nmea2000_rows) / sizeof(message_nmea2000_rows[0]);
