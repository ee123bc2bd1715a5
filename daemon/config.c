#include "daemon/config.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <ini.h>

#include "analysis/facts.h"
#include "daemon/print_format.h"
#include "daemon/utc_time.h"
#include "decoders/decoder.h"
#include "decoders/signal.h"

#define SEEN_MAX 256

/* What is being read, and the first thing found wrong. */
struct reading {
	struct settings *settings;
	const char *path;
	FILE *file;
	int line;      /* of the last line handed to inih, from 1 */
	int long_line; /* the first line that is too long, 0: none */
	char *error;
	size_t error_size;
	int error_line; /* 0: nothing wrong yet */
	bool own_engines; /* the file has [engine] sections, so the default one is gone */
	bool own_filters;
	size_t seen_count; /* "section\nkey" of every key so far, so that none is given twice */
	char *seen[SEEN_MAX];
};

struct value_row {
	const char *key;
	/* Reads value into its place; returns 0 or -EINVAL after refuse(). */
	int (*read)(struct reading *reading, const struct value_row *row, void *base,
		const char *value);
	size_t offset;
	size_t size; /* of a text's buffer */
	enum quantity quantity;
	double low;
	double high;
};

/* Keeps the first complaint, as "file:line: what". */
PRINT_FORMAT(2, 3) static int refuse(struct reading *reading, const char *format, ...)
{
	va_list arguments;
	int used;

	if (reading->error_line != 0) {
		return -EINVAL;
	}
	reading->error_line = reading->line;
	used = snprintf(reading->error, reading->error_size, "%s:%d: ", reading->path,
		reading->line);
	if (used >= 0 && (size_t)used < reading->error_size) {
		va_start(arguments, format);
		(void)vsnprintf(reading->error + used, reading->error_size - (size_t)used, format,
			arguments);
		va_end(arguments);
	}
	return -EINVAL;
}

static int read_text(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	if (strlen(value) >= row->size) {
		return refuse(reading, "%s: expected at most %zu bytes", row->key, row->size - 1);
	}
	memcpy((char *)base + row->offset, value, strlen(value) + 1);
	return 0;
}

static int read_number(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	char expected[256];
	double number;

	if (units_parse(row->quantity, value, &number, expected, sizeof(expected)) != 0) {
		return refuse(reading, "%s: expected %s; got '%s'", row->key, expected, value);
	}
	if (!(number >= row->low && number <= row->high)) {
		return refuse(reading, "%s: expected %g to %g %s; got '%s'", row->key, row->low,
			row->high, units_display(row->quantity, UNITS_METRIC).unit, value);
	}
	memcpy((char *)base + row->offset, &number, sizeof(number));
	return 0;
}

static int read_units(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct settings *settings = base;

	if (!units_parse_system(value, &settings->units)) {
		return refuse(reading, "%s: expected metric or us; got '%s'", row->key, value);
	}
	return 0;
}

static int read_protocol(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	static const struct {
		const char *word;
		enum decoder_protocol protocol;
	} words[] = {{"both", DECODE_BOTH}, {"nmea2000", DECODE_NMEA2000}, {"j1939", DECODE_J1939}};
	struct bus_setting *bus = base;

	for (size_t i = 0; i < sizeof(words) / sizeof(words[0]); i++) {
		if (strcmp(value, words[i].word) == 0) {
			bus->protocol = (uint8_t)words[i].protocol;
			return 0;
		}
	}
	return refuse(reading, "%s: expected both, nmea2000 or j1939; got '%s'", row->key, value);
}

/* A whole number, nothing before or behind it. */
static bool whole_number(const char *text, unsigned highest, unsigned *ret_number)
{
	size_t digits = strspn(text, "0123456789");

	if (digits == 0 || digits > 6 || text[digits] != '\0') {
		return false;
	}
	*ret_number = (unsigned)strtoul(text, NULL, 10);
	return *ret_number <= highest;
}

/* burn | pump RATE at RPM */
static int read_supply(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_engine *engine = base;
	char rate[64], expected[256];
	const char *at = strstr(value, " at ");

	if (strcmp(value, "burn") == 0) {
		engine->supply = SUPPLY_BURN;
		return 0;
	}
	if (strncmp(value, "pump ", 5) == 0 && at != NULL && at > value + 5 &&
		(size_t)(at - value - 5) < sizeof(rate)) {
		size_t length = (size_t)(at - value - 5);
		memcpy(rate, value + 5, length);
		rate[length] = '\0';
		while (length > 0 && rate[length - 1] == ' ') {
			rate[--length] = '\0';
		}
		if (units_parse(QUANTITY_FLOW, rate, &engine->pump_lph, expected,
			    sizeof(expected)) == 0 &&
			units_parse(QUANTITY_ENGINE_SPEED, at + 4, &engine->pump_rpm, expected,
				sizeof(expected)) == 0 &&
			engine->pump_lph > 0 && engine->pump_rpm > 0) {
			engine->supply = SUPPLY_PUMP;
			return 0;
		}
	}
	return refuse(reading, "%s: expected burn, or pump RATE at RPM, such as "
		"'pump 60 L/h at 2400 rpm'; got '%s'", row->key, value);
}

static int read_engine_number(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_filter *filter = base;

	if (!whole_number(value, BOAT_ENGINES_MAX - 1, &filter->engine)) {
		return refuse(reading, "%s: expected an engine's number, 0 to %d; got '%s'",
			row->key, BOAT_ENGINES_MAX - 1, value);
	}
	return 0;
}

static int read_engine_tank(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_engine *engine = base;
	unsigned number;

	if (!whole_number(value, BOAT_TANK_NUMBERS - 1, &number)) {
		return refuse(reading, "%s: expected a tank's number, 0 to %d; got '%s'", row->key,
			BOAT_TANK_NUMBERS - 1, value);
	}
	engine->tank = (int)number;
	return 0;
}

/* One point, LEVEL VOLUME: level in percent, volume with or without its unit. */
static bool read_strapping_point(const char *text, size_t length, struct strapping_point *ret_point)
{
	char point[64], expected[256];
	char *volume;

	if (length >= sizeof(point)) {
		return false;
	}
	memcpy(point, text, length);
	point[length] = '\0';
	ret_point->level_pct = strtod(point, &volume);
	if (volume == point || *volume != ' ' || !(ret_point->level_pct >= -10) ||
		!(ret_point->level_pct <= 131)) {
		return false;
	}
	volume += strspn(volume, " ");
	return units_parse(QUANTITY_VOLUME, volume, &ret_point->volume_l, expected,
		       sizeof(expected)) == 0 &&
		ret_point->volume_l >= 0 && ret_point->volume_l <= 1000000;
}

/* LEVEL VOLUME, LEVEL VOLUME, … */
static int read_strapping(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_tank *tank = base;
	struct strapping table = {.count = 0};
	const char *at = value;
	bool understood = true, more = true;

	while (understood && more) {
		at += strspn(at, " ");
		size_t length = strcspn(at, ",");
		more = at[length] == ',';
		understood = table.count < STRAPPING_POINTS_MAX &&
			read_strapping_point(at, length, &table.points[table.count]);
		table.count++;
		at += length + (more ? 1 : 0);
	}
	if (!understood || !strapping_is_sound(&table)) {
		return refuse(reading, "%s: expected 2 to %d points of level (%%) and volume, both rising, "
			"such as '0 0 L, 25 40 L, 100 240 L'; got '%s'", row->key, STRAPPING_POINTS_MAX,
			value);
	}
	tank->strapping = table;
	return 0;
}

static int read_sensor(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	static const struct {
		const char *word;
		enum filter_sensor sensor;
	} words[] = {{"none", SENSOR_NONE}, {"spn95", SENSOR_SPN95}, {"spn1382", SENSOR_SPN1382},
		{"spn1381", SENSOR_SPN1381}};
	struct boat_filter *filter = base;

	for (size_t i = 0; i < sizeof(words) / sizeof(words[0]); i++) {
		if (strcmp(value, words[i].word) == 0) {
			filter->sensor = words[i].sensor;
			return 0;
		}
	}
	if (strncmp(value, "pressure ", 9) == 0 &&
		whole_number(value + 9 + strspn(value + 9, " "), 252,
			&filter->pressure_instance)) {
		filter->sensor = SENSOR_PRESSURE;
		return 0;
	}
	return refuse(reading, "%s: expected none, spn95, spn1382, spn1381 or pressure N; got '%s'",
		row->key, value);
}

static int read_sensor_kind(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_filter *filter = base;

	if (strcmp(value, "differential") == 0) {
		filter->sensor_kind = SENSES_DIFFERENTIAL;
	} else if (strcmp(value, "outlet-vacuum") == 0) {
		filter->sensor_kind = SENSES_OUTLET_VACUUM;
	} else {
		return refuse(reading, "%s: expected differential or outlet-vacuum; got '%s'",
			row->key, value);
	}
	return 0;
}

static int read_use(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	static const char *const words[] = {
		[BOAT_USE_SAILING] = "sailing",
		[BOAT_USE_DISPLACEMENT] = "displacement",
		[BOAT_USE_PLANING] = "planing",
	};
	struct settings *settings = base;

	for (unsigned i = 0; i < sizeof(words) / sizeof(words[0]); i++) {
		if (strcmp(value, words[i]) == 0) {
			settings->boat.use = (enum boat_use)i;
			return 0;
		}
	}
	return refuse(reading, "%s: expected sailing, displacement or planing; got '%s'", row->key,
		value);
}

static int read_injection(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_engine *engine = base;

	if (strcmp(value, "mechanical") == 0) {
		engine->injection = INJECTION_MECHANICAL;
	} else if (strcmp(value, "common-rail") == 0) {
		engine->injection = INJECTION_COMMON_RAIL;
	} else {
		return refuse(reading, "%s: expected mechanical or common-rail; got '%s'", row->key,
			value);
	}
	return 0;
}

static int read_separator(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_filter *filter = base;

	if (strcmp(value, "yes") == 0) {
		filter->separates_water = FILTER_HAS;
	} else if (strcmp(value, "no") == 0) {
		filter->separates_water = FILTER_HAS_NOT;
	} else {
		return refuse(reading, "%s: expected yes or no; got '%s'", row->key, value);
	}
	return 0;
}

/* How the filter is built: the property whose key this row has. */
static int read_build(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	const struct filter_build_property *properties;
	size_t count = filter_build_properties(&properties);
	struct boat_filter *filter = base;
	char words[128] = "";

	for (size_t p = 0; p < count; p++) {
		if (strcmp(properties[p].key, row->key) != 0) {
			continue;
		}
		for (unsigned i = 0; i < properties[p].count; i++) {
			size_t used = strlen(words);

			if (strcmp(value, properties[p].names[i]) == 0) {
				filter_build_set(&filter->build, p, i);
				return 0;
			}
			(void)snprintf(words + used, sizeof(words) - used, "%s%s",
				used == 0 ? "" : ", ", properties[p].names[i]);
		}
	}
	return refuse(reading, "%s: expected one of %s; got '%s'", row->key, words, value);
}

static int read_fitted(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct boat_filter *filter = base;

	if (!utc_parse(value, &filter->fitted_ns)) {
		return refuse(reading, "%s: expected a date, such as 2026-04-30 or "
			"2026-04-30T09:15Z; got '%s'", row->key, value);
	}
	filter->has_fitted = true;
	return 0;
}

/* ADDRESS:PORT, an IPv6 address in brackets; or none. */
static int read_listen(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct web_settings *web = base;
	const char *colon = strrchr(value, ':');
	bool bracket = value[0] == '[';
	size_t length;

	if (strcmp(value, "none") == 0) {
		web->address[0] = '\0';
		return 0;
	}
	if (colon == NULL || colon <= value + bracket || (bracket && colon[-1] != ']') ||
		(size_t)(colon - value) >= sizeof(web->address) ||
		!whole_number(colon + 1, 65535, &web->port)) {
		return refuse(reading, "%s: expected ADDRESS:PORT, such as 127.0.0.1:8790, or none; "
			"got '%s'", row->key, value);
	}
	length = (size_t)(colon - value) - (bracket ? 2 : 0);
	memcpy(web->address, value + bracket, length);
	web->address[length] = '\0';
	return 0;
}

static int read_write(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	struct web_settings *web = base;

	if (strcmp(value, "yes") != 0 && strcmp(value, "no") != 0) {
		return refuse(reading, "%s: expected yes or no; got '%s'", row->key, value);
	}
	web->write = strcmp(value, "yes") == 0;
	return 0;
}

static int read_severity(struct reading *reading, const struct value_row *row, void *base,
	const char *value)
{
	static const char *const words[] = {
		[SEVERITY_ADVICE] = "advice",
		[SEVERITY_CAUTION] = "caution",
		[SEVERITY_WARNING] = "warning",
	};
	struct settings *settings = base;

	for (unsigned i = 0; i < sizeof(words) / sizeof(words[0]); i++) {
		if (strcmp(value, words[i]) == 0) {
			settings->notify_severity = i;
			return 0;
		}
	}
	return refuse(reading, "%s: expected advice, caution or warning; got '%s'", row->key,
		value);
}

#define TEXT(key_, type, member)                                                                   \
	{                                                                                          \
		.key = key_, .read = read_text, .offset = offsetof(type, member),                  \
		.size = sizeof(((type *)NULL)->member)                                             \
	}
#define NUMBER(key_, type, member, quantity_, low_, high_)                                         \
	{                                                                                          \
		.key = key_, .read = read_number, .offset = offsetof(type, member),                \
		.quantity = quantity_, .low = low_, .high = high_                                  \
	}
#define OWN(key_, reader)                                                                          \
	{                                                                                          \
		.key = key_, .read = reader                                                        \
	}
#define END                                                                                        \
	{                                                                                          \
		.key = NULL                                                                        \
	}

static const struct value_row boat_rows[] = {
	TEXT("name", struct settings, boat.name),
	OWN("units", read_units),
	OWN("use", read_use),
	NUMBER("fuel_density_kgl", struct settings, boat.fuel_density_kgl, QUANTITY_DENSITY, 0.7, 1),
	NUMBER("trip_pause_h", struct settings, boat.trip_pause_h, QUANTITY_HOURS, 0.05, 48),
	NUMBER("moving_kn", struct settings, boat.moving_kn, QUANTITY_SPEED, 0.1, 20),
	END,
};
static const struct value_row bus_rows[] = {
	OWN("protocol", read_protocol),
	NUMBER("restart_s", struct bus_setting, restart_s, QUANTITY_NONE, 0, 3600),
	END,
};
static const struct value_row engine_rows[] = {
	TEXT("label", struct boat_engine, label),
	OWN("supply", read_supply),
	NUMBER("idle_rpm", struct boat_engine, idle_rpm, QUANTITY_ENGINE_SPEED, 100, 4000),
	OWN("injection", read_injection),
	OWN("tank", read_engine_tank),
	END,
};
static const struct value_row filter_rows[] = {
	OWN("engine", read_engine_number),
	TEXT("stage", struct boat_filter, stage),
	TEXT("element", struct boat_filter, element),
	NUMBER("micron", struct boat_filter, micron, QUANTITY_SIZE, 0.1, 1000),
	NUMBER("rated_lph", struct boat_filter, rated_lph, QUANTITY_FLOW, 1, 100000),
	OWN("sensor", read_sensor),
	OWN("sensor_kind", read_sensor_kind),
	NUMBER("limit_kpa", struct boat_filter, limit_kpa, QUANTITY_RESTRICTION, 0.1, 500),
	NUMBER("reference_lph", struct boat_filter, reference_lph, QUANTITY_FLOW, 0.1, 100000),
	NUMBER("change_h", struct boat_filter, change_h, QUANTITY_HOURS, 1, 100000),
	NUMBER("change_l", struct boat_filter, change_l, QUANTITY_VOLUME, 1, 10000000),
	NUMBER("change_months", struct boat_filter, change_months, QUANTITY_MONTHS, 0.1, 600),
	OWN("fitted", read_fitted),
	TEXT("set", struct boat_filter, set),
	NUMBER("beta", struct boat_filter, beta, QUANTITY_NONE, 1, 1000000),
	OWN("separates_water", read_separator),
	OWN("bowl", read_build),
	OWN("drain", read_build),
	OWN("loading", read_build),
	OWN("height", read_build),
	OWN("priming", read_build),
	OWN("shut_off", read_build),
	OWN("vent", read_build),
	OWN("probe", read_build),
	NUMBER("volume_l", struct boat_filter, build.volume_l, QUANTITY_VOLUME, 0.01, 1000),
	NUMBER("hose_bore_mm", struct boat_filter, hose_bore_mm, QUANTITY_NONE, 1, 200),
	NUMBER("hose_length_m", struct boat_filter, hose_length_m, QUANTITY_NONE, 0.01, 200),
	END,
};
static const struct value_row tank_rows[] = {
	TEXT("label", struct boat_tank, label),
	NUMBER("capacity_l", struct boat_tank, capacity_l, QUANTITY_VOLUME, 1, 1000000),
	NUMBER("reserve_l", struct boat_tank, reserve_l, QUANTITY_VOLUME, 0, 1000000),
	OWN("strapping", read_strapping),
	END,
};
static const struct value_row limit_rows[] = {
	NUMBER("coolant_c", struct boat_limits, coolant_c, QUANTITY_TEMPERATURE, 30, 200),
	NUMBER("oil_c", struct boat_limits, oil_c, QUANTITY_TEMPERATURE, 30, 250),
	NUMBER("exhaust_c", struct boat_limits, exhaust_c, QUANTITY_TEMPERATURE, 30, 1500),
	NUMBER("fuel_pressure_kpa", struct boat_limits, fuel_pressure_kpa, QUANTITY_PRESSURE, 1,
		100000),
	END,
};
static const struct value_row log_rows[] = {
	TEXT("path", struct settings, log_path),
	NUMBER("size_mb", struct settings, log.size_mb, QUANTITY_NONE, 10, 1000000),
	NUMBER("windows_months", struct settings, log.windows_months, QUANTITY_MONTHS, 1, 1200),
	NUMBER("minutes_months", struct settings, log.minutes_months, QUANTITY_MONTHS, 1, 1200),
	TEXT("capture_folder", struct settings, log.capture_folder),
	NUMBER("capture_mb", struct settings, log.capture_mb, QUANTITY_NONE, 1, 1000000),
	NUMBER("capture_days", struct settings, log.capture_days, QUANTITY_NONE, 1, 36500),
	END,
};
static const struct value_row web_rows[] = {
	OWN("listen", read_listen),
	TEXT("password", struct web_settings, password_hash),
	OWN("write", read_write),
	TEXT("names", struct web_settings, names),
	END,
};
static const struct value_row notify_rows[] = {
	TEXT("command", struct settings, notify_command),
	OWN("severity", read_severity),
	END,
};

static void *find_settings(struct reading *reading, const char *name)
{
	(void)name;
	return reading->settings;
}
static void *find_web(struct reading *reading, const char *name)
{
	(void)name;
	return &reading->settings->web;
}

static void *find_limits(struct reading *reading, const char *name)
{
	(void)name;
	return &reading->settings->boat.limits;
}

static void *find_bus(struct reading *reading, const char *name)
{
	struct settings *settings = reading->settings;

	for (size_t i = 0; i < settings->bus_count; i++) {
		if (strcmp(settings->buses[i].name, name) == 0) {
			return &settings->buses[i];
		}
	}
	if (strlen(name) >= sizeof(settings->buses[0].name)) {
		(void)refuse(reading, "[bus %s]: expected an interface's name of at most %zu bytes",
			name, sizeof(settings->buses[0].name) - 1);
		return NULL;
	}
	if (settings->bus_count == FRAME_BUS_MAX) {
		(void)refuse(reading, "[bus %s]: expected at most %d buses", name, FRAME_BUS_MAX);
		return NULL;
	}
	struct bus_setting *bus = &settings->buses[settings->bus_count++];
	memset(bus, 0, sizeof(*bus));
	memcpy(bus->name, name, strlen(name));
	return bus;
}

static void *find_engine(struct reading *reading, const char *name)
{
	struct boat *boat = &reading->settings->boat;
	unsigned number;

	if (!whole_number(name, BOAT_ENGINES_MAX - 1, &number)) {
		(void)refuse(reading, "[engine %s]: expected a number, 0 to %d", name,
			BOAT_ENGINES_MAX - 1);
		return NULL;
	}
	if (!reading->own_engines) {
		boat->engines[0].present = false;
		reading->own_engines = true;
	}
	boat->engines[number].present = true;
	return &boat->engines[number];
}

static void *find_filter(struct reading *reading, const char *name)
{
	struct boat *boat = &reading->settings->boat;

	if (!reading->own_filters) {
		boat->filter_count = 0;
		reading->own_filters = true;
	}
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(boat->filters[i].name, name) == 0) {
			return &boat->filters[i];
		}
	}
	if (strlen(name) >= BOAT_NAME_MAX) {
		(void)refuse(reading, "[filter %s]: expected a name of at most %d bytes", name,
			BOAT_NAME_MAX - 1);
		return NULL;
	}
	if (boat->filter_count == BOAT_FILTERS_MAX) {
		(void)refuse(reading, "[filter %s]: expected at most %d filters", name,
			BOAT_FILTERS_MAX);
		return NULL;
	}
	/* A filter starts from the default one, under its own name. */
	struct boat fresh;
	boat_init(&fresh);
	struct boat_filter *filter = &boat->filters[boat->filter_count++];
	*filter = fresh.filters[0];
	memset(filter->name, 0, sizeof(filter->name));
	memset(filter->stage, 0, sizeof(filter->stage));
	memcpy(filter->name, name, strlen(name));
	memcpy(filter->stage, name, strlen(name));
	return filter;
}

static void *find_tank(struct reading *reading, const char *name)
{
	struct boat *boat = &reading->settings->boat;
	unsigned number;

	if (!whole_number(name, BOAT_TANK_NUMBERS - 1, &number)) {
		(void)refuse(reading, "[tank %s]: expected a number, 0 to %d", name,
			BOAT_TANK_NUMBERS - 1);
		return NULL;
	}
	for (size_t i = 0; i < BOAT_TANKS_MAX; i++) {
		if (boat->tanks[i].present && boat->tanks[i].number == number) {
			return &boat->tanks[i];
		}
	}
	for (size_t i = 0; i < BOAT_TANKS_MAX; i++) {
		if (!boat->tanks[i].present) {
			boat->tanks[i].present = true;
			boat->tanks[i].number = number;
			return &boat->tanks[i];
		}
	}
	(void)refuse(reading, "[tank %s]: expected at most %d tanks", name, BOAT_TANKS_MAX);
	return NULL;
}

static const struct section_row {
	const char *word;
	const char *argument; /* NULL: takes none */
	const struct value_row *rows;
	/* Finds or makes what the section describes; NULL after refuse(). */
	void *(*find)(struct reading *reading, const char *name);
	bool sources; /* takes 'source SIGNAL = BUS ADDRESS' */
} sections[] = {
	{"boat", NULL, boat_rows, find_settings, true},
	{"bus", "NAME", bus_rows, find_bus, false},
	{"engine", "N", engine_rows, find_engine, true},
	{"filter", "NAME", filter_rows, find_filter, false},
	{"tank", "N", tank_rows, find_tank, true},
	{"limits", NULL, limit_rows, find_limits, false},
	{"log", NULL, log_rows, find_settings, false},
	{"web", NULL, web_rows, find_web, false},
	{"notify", NULL, notify_rows, find_settings, false},
};
#define SECTION_ROWS (sizeof(sections) / sizeof(sections[0]))

/* source SIGNAL = BUS ADDRESS, either of them "any": one source for one signal of the section's
 * engine or tank (fuel tanks), or of the boat. */
static int read_source(struct reading *reading, const struct section_row *section,
	const char *name, const char *signal_name, const char *value)
{
	struct settings *settings = reading->settings;
	struct boat *boat = &settings->boat;
	enum signal_scope scope = strcmp(section->word, "engine") == 0 ? SCOPE_ENGINE
		: strcmp(section->word, "tank") == 0                   ? SCOPE_TANK
								       : SCOPE_VESSEL;
	const char *blank = strchr(value, ' ');
	enum signal_id id;
	unsigned instance = 0, address = 0;
	struct boat_pin pin = {.bus = -1, .source = -1};

	if (!signal_find(signal_name, &id) || signal_get(id)->scope != scope) {
		return refuse(reading, "source %s: expected the name of a signal of this section",
			signal_name);
	}
	if (blank == NULL || (size_t)(blank - value) >= sizeof(settings->pin_bus[0]) ||
		!(strcmp(blank + 1, "any") == 0 || whole_number(blank + 1, 253, &address))) {
		return refuse(reading, "source %s: expected BUS ADDRESS, such as 'can0 17' or "
			"'any 17'; got '%s'", signal_name, value);
	}
	if (boat->pin_count == BOAT_PINS_MAX) {
		return refuse(reading, "source %s: expected at most %d sources", signal_name,
			BOAT_PINS_MAX);
	}
	(void)whole_number(name, 15, &instance);
	pin.signal = (uint16_t)id;
	pin.instance = (uint16_t)instance;
	if (strcmp(blank + 1, "any") != 0) {
		pin.source = (int)address;
	}
	if (strncmp(value, "any ", 4) != 0) {
		memcpy(settings->pin_bus[boat->pin_count], value, (size_t)(blank - value));
	}
	boat->pins[boat->pin_count++] = pin;
	return 0;
}

static bool seen_before(struct reading *reading, const char *section, const char *key)
{
	char both[256];

	(void)snprintf(both, sizeof(both), "%s\n%s", section, key);
	for (size_t i = 0; i < reading->seen_count; i++) {
		if (strcmp(reading->seen[i], both) == 0) {
			return true;
		}
	}
	if (reading->seen_count < SEEN_MAX) {
		char *copy = strdup(both);
		if (copy != NULL) {
			reading->seen[reading->seen_count++] = copy;
		}
	}
	return false;
}

static void refuse_section(struct reading *reading, const char *section)
{
	char list[256] = "";
	size_t used = 0;

	for (size_t i = 0; i < SECTION_ROWS && used < sizeof(list); i++) {
		used += (size_t)snprintf(list + used, sizeof(list) - used, "%s[%s%s%s]",
			i == 0 ? "" : " ", sections[i].word, sections[i].argument == NULL ? "" : " ",
			sections[i].argument == NULL ? "" : sections[i].argument);
	}
	(void)refuse(reading, "[%s]: no such section; expected one of %s", section, list);
}

static void refuse_key(struct reading *reading, const struct section_row *section, const char *key)
{
	char list[400] = "";
	size_t used = 0;

	for (size_t i = 0; section->rows[i].key != NULL && used < sizeof(list); i++) {
		used += (size_t)snprintf(list + used, sizeof(list) - used, "%s%s",
			i == 0 ? "" : ", ", section->rows[i].key);
	}
	(void)refuse(reading, "%s: no such key in [%s]; expected one of %s%s", key, section->word,
		list, section->sources ? ", source SIGNAL" : "");
}

/* The row of a section and what it describes; NULL after refuse(). */
static const struct section_row *find_section(struct reading *reading, const char *section,
	const char **ret_name, void **ret_base)
{
	size_t word = strcspn(section, " ");
	const char *name = section + word + strspn(section + word, " ");
	const struct section_row *row = NULL;

	for (size_t i = 0; i < SECTION_ROWS; i++) {
		if (strlen(sections[i].word) == word &&
			strncmp(sections[i].word, section, word) == 0) {
			row = &sections[i];
		}
	}
	if (row == NULL || (row->argument == NULL) != (*name == '\0')) {
		refuse_section(reading, section);
		return NULL;
	}
	*ret_name = name;
	*ret_base = row->find(reading, name);
	return *ret_base == NULL ? NULL : row;
}

/* inih calls this for each key. Returns 1, or 0 when it was wrong. */
static int on_key(void *user, const char *section, const char *key, const char *value)
{
	struct reading *reading = user;
	const char *name;
	void *base;
	const struct section_row *row = find_section(reading, section, &name, &base);

	if (row == NULL) {
		return 0;
	}
	if (seen_before(reading, section, key)) {
		(void)refuse(reading, "%s: given twice in [%s]", key, section);
		return 0;
	}
	if (row->sources && strncmp(key, "source ", 7) == 0) {
		return read_source(reading, row, name, key + 7, value) == 0;
	}
	for (const struct value_row *v = row->rows; v->key != NULL; v++) {
		if (strcmp(v->key, key) == 0) {
			if (*value == '\0') {
				(void)refuse(reading, "%s: expected a value", key);
				return 0;
			}
			return v->read(reading, v, base, value) == 0;
		}
	}
	refuse_key(reading, row, key);
	return 0;
}

/* inih passes a section on with its first key only; an empty [engine 1] counts too. */
static void notice_section(struct reading *reading, const char *line)
{
	const char *at = strncmp(line, "\xEF\xBB\xBF", 3) == 0 ? line + 3 : line;
	char section[INI_MAX_LINE];
	const char *name;
	void *base;

	if (*at == '[' && strchr(at, ']') != NULL) {
		size_t length = (size_t)(strchr(at, ']') - at) - 1;
		memcpy(section, at + 1, length);
		section[length] = '\0';
		(void)find_section(reading, section, &name, &base);
	}
}

/* inih's line reader: counts lines, and notices sections and a line that would not fit. */
static char *next_line(char *line, int size, void *stream)
{
	struct reading *reading = stream;

	if (fgets(line, size, reading->file) == NULL) {
		return NULL;
	}
	reading->line++;
	if (strchr(line, '\n') == NULL && strlen(line) + 1 >= (size_t)size &&
		reading->long_line == 0) {
		reading->long_line = reading->line;
	}
	notice_section(reading, line);
	return line;
}

/* A change-over set is two filters or more of one engine, and is not called like a filter. */
static const char *wrong_set(const struct boat *boat, const struct boat_filter *filter)
{
	unsigned members = 0;

	for (size_t i = 0; i < boat->filter_count; i++) {
		const struct boat_filter *other = &boat->filters[i];

		if (strcmp(other->name, filter->set) == 0) {
			return "is also the name of a filter";
		}
		if (strcmp(other->set, filter->set) == 0) {
			members++;
			if (other->engine != filter->engine) {
				return "has filters of two engines";
			}
		}
	}
	return members < 2 ? "has no other filter" : NULL;
}

/* What no single line shows: filters of engines that are not there, sets that are none, a page open to
 * everybody. */
static int check_whole(const struct settings *settings, const char *path, char *ret_error,
	size_t error_size)
{
	for (size_t i = 0; i < settings->boat.filter_count; i++) {
		const struct boat_filter *filter = &settings->boat.filters[i];
		if (!settings->boat.engines[filter->engine].present) {
			(void)snprintf(ret_error, error_size,
				"%s: [filter %s] belongs to engine %u, but there is no [engine %u]",
				path, filter->name, filter->engine, filter->engine);
			return -EINVAL;
		}
		const char *set_wrong = filter->set[0] == '\0'
			? NULL
			: wrong_set(&settings->boat, filter);
		if (set_wrong != NULL) {
			(void)snprintf(ret_error, error_size, "%s: [filter %s]: its set '%s' %s", path,
				filter->name, filter->set, set_wrong);
			return -EINVAL;
		}
	}
	const char *wrong = web_settings_check(&settings->web);
	if (wrong != NULL) {
		(void)snprintf(ret_error, error_size, "%s: [web] %s", path, wrong);
		return -EINVAL;
	}
	return 0;
}

void settings_init(struct settings *settings)
{
	memset(settings, 0, sizeof(*settings));
	boat_init(&settings->boat);
	settings->log = (struct log_settings){
		.size_mb = 1000,
		.windows_months = 36,
		.minutes_months = 120,
		.capture_mb = 500,
		.capture_days = 30,
	};
	settings->notify_severity = SEVERITY_CAUTION;
	web_settings_init(&settings->web);
}

void settings_number_buses(struct settings *settings, struct bus_names *buses)
{
	for (size_t i = 0; i < settings->bus_count; i++) {
		/* One that gets no number cannot be heard either. */
		(void)bus_names_find(buses, settings->buses[i].name,
			strlen(settings->buses[i].name));
	}
	for (size_t i = 0; i < settings->boat.pin_count; i++) {
		const char *name = settings->pin_bus[i];
		int number = *name == '\0' ? -1 : bus_names_find(buses, name, strlen(name));
		settings->boat.pins[i].bus = number == -ENOSPC ? FRAME_BUS_MAX : number;
	}
}

int config_read(struct settings *settings, const char *path, char *ret_error, size_t error_size)
{
	struct reading reading = {
		.settings = settings,
		.path = path,
		.error = ret_error,
		.error_size = error_size,
	};
	int result;

	reading.file = fopen(path, "re");
	if (reading.file == NULL) {
		result = -errno;
		(void)snprintf(ret_error, error_size, "cannot read configuration '%s': %s", path,
			strerror(-result));
		return result;
	}
	int wrong = ini_parse_stream(next_line, &reading, on_key, &reading);
	if (ferror(reading.file) != 0) {
		result = -errno;
		(void)snprintf(ret_error, error_size, "cannot read configuration '%s': %s", path,
			strerror(-result));
		goto close_file;
	}
	result = 0;
	if (reading.long_line > 0 && (wrong == 0 || reading.long_line <= wrong)) {
		(void)snprintf(ret_error, error_size, "%s:%d: expected a line of at most %d bytes",
			path, reading.long_line, INI_MAX_LINE - 2);
		result = -EINVAL;
	} else if (wrong < 0) {
		(void)snprintf(ret_error, error_size, "cannot read configuration '%s': no memory",
			path);
		result = -ENOMEM;
	} else if (wrong > 0 || reading.error_line > 0) {
		if (wrong > 0 && (reading.error_line == 0 || wrong < reading.error_line)) {
			(void)snprintf(ret_error, error_size,
				"%s:%d: expected [section] or key = value", path, wrong);
		}
		result = -EINVAL;
	} else {
		result = check_whole(settings, path, ret_error, error_size);
	}
close_file:
	for (size_t i = 0; i < reading.seen_count; i++) {
		free(reading.seen[i]);
	}
	(void)fclose(reading.file);
	return result;
}
