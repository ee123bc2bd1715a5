#include "daemon/units.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Factors: NIST SP 811 (2008), appendix B.8, and the definitions behind them where they are exact
 * (US gallon 231 cubic inches, imperial gallon 4.54609 L, nautical mile 1852 m, inch 25.4 mm). */
#define LITRES_PER_US_GALLON 3.785411784
#define LITRES_PER_UK_GALLON 4.54609
#define KPA_PER_INHG         3.386389 /* conventional */
#define KPA_PER_PSI          6.894757
#define KPA_PER_MMHG         0.1333224
#define KPA_PER_INH2O        0.2490889 /* conventional */
#define KG_PER_LB            0.45359237
#define KM_PER_MILE          1.609344
#define KM_PER_NM            1.852

struct unit_row {
	enum quantity quantity;
	const char *unit;
	double factor; /* own unit = written × factor + offset */
	double offset;
};

/* The first row of each quantity is its own unit. */
static const struct unit_row units[] = {
	{QUANTITY_VOLUME, "L", 1, 0},
	{QUANTITY_VOLUME, "l", 1, 0},
	{QUANTITY_VOLUME, "mL", 0.001, 0},
	{QUANTITY_VOLUME, "gal", LITRES_PER_US_GALLON, 0},
	{QUANTITY_VOLUME, "US gal", LITRES_PER_US_GALLON, 0},
	{QUANTITY_VOLUME, "imp gal", LITRES_PER_UK_GALLON, 0},
	{QUANTITY_FLOW, "L/h", 1, 0},
	{QUANTITY_FLOW, "l/h", 1, 0},
	{QUANTITY_FLOW, "L/min", 60, 0},
	{QUANTITY_FLOW, "gal/h", LITRES_PER_US_GALLON, 0},
	{QUANTITY_FLOW, "US gal/h", LITRES_PER_US_GALLON, 0},
	{QUANTITY_FLOW, "imp gal/h", LITRES_PER_UK_GALLON, 0},
	{QUANTITY_RESTRICTION, "kPa", 1, 0},
	{QUANTITY_RESTRICTION, "Pa", 0.001, 0},
	{QUANTITY_RESTRICTION, "mbar", 0.1, 0},
	{QUANTITY_RESTRICTION, "hPa", 0.1, 0},
	{QUANTITY_RESTRICTION, "bar", 100, 0},
	{QUANTITY_RESTRICTION, "psi", KPA_PER_PSI, 0},
	{QUANTITY_RESTRICTION, "inHg", KPA_PER_INHG, 0},
	{QUANTITY_RESTRICTION, "mmHg", KPA_PER_MMHG, 0},
	{QUANTITY_RESTRICTION, "inH2O", KPA_PER_INH2O, 0},
	{QUANTITY_PRESSURE, "kPa", 1, 0},
	{QUANTITY_PRESSURE, "Pa", 0.001, 0},
	{QUANTITY_PRESSURE, "MPa", 1000, 0},
	{QUANTITY_PRESSURE, "mbar", 0.1, 0},
	{QUANTITY_PRESSURE, "hPa", 0.1, 0},
	{QUANTITY_PRESSURE, "bar", 100, 0},
	{QUANTITY_PRESSURE, "psi", KPA_PER_PSI, 0},
	{QUANTITY_PRESSURE, "inHg", KPA_PER_INHG, 0},
	{QUANTITY_PRESSURE, "mmHg", KPA_PER_MMHG, 0},
	{QUANTITY_TEMPERATURE, "°C", 1, 0},
	{QUANTITY_TEMPERATURE, "C", 1, 0},
	{QUANTITY_TEMPERATURE, "K", 1, -273.15},
	{QUANTITY_TEMPERATURE, "°F", 1 / 1.8, -32 / 1.8},
	{QUANTITY_TEMPERATURE, "F", 1 / 1.8, -32 / 1.8},
	{QUANTITY_CONSUMPTION, "L/nm", 1, 0},
	{QUANTITY_CONSUMPTION, "gal/nm", LITRES_PER_US_GALLON, 0},
	{QUANTITY_CONSUMPTION, "US gal/nm", LITRES_PER_US_GALLON, 0},
	{QUANTITY_DISTANCE, "nm", 1, 0},
	{QUANTITY_DISTANCE, "km", 1 / KM_PER_NM, 0},
	{QUANTITY_DISTANCE, "mi", KM_PER_MILE / KM_PER_NM, 0},
	{QUANTITY_SPEED, "kn", 1, 0},
	{QUANTITY_SPEED, "km/h", 1 / KM_PER_NM, 0},
	{QUANTITY_SPEED, "mph", KM_PER_MILE / KM_PER_NM, 0},
	{QUANTITY_SPEED, "m/s", 3.6 / KM_PER_NM, 0},
	{QUANTITY_MASS, "kg", 1, 0},
	{QUANTITY_MASS, "lb", KG_PER_LB, 0},
	{QUANTITY_DENSITY, "kg/L", 1, 0},
	{QUANTITY_DENSITY, "kg/l", 1, 0},
	{QUANTITY_DENSITY, "kg/m3", 0.001, 0},
	{QUANTITY_DENSITY, "lb/gal", KG_PER_LB / LITRES_PER_US_GALLON, 0},
	{QUANTITY_HOURS, "h", 1, 0},
	{QUANTITY_HOURS, "min", 1.0 / 60, 0},
	{QUANTITY_HOURS, "s", 1.0 / 3600, 0},
	{QUANTITY_HOURS, "days", 24, 0},
	{QUANTITY_MONTHS, "months", 1, 0},
	{QUANTITY_MONTHS, "month", 1, 0},
	{QUANTITY_MONTHS, "years", 12, 0},
	{QUANTITY_MONTHS, "year", 12, 0},
	{QUANTITY_SIZE, "µm", 1, 0},
	{QUANTITY_SIZE, "um", 1, 0},
	{QUANTITY_SIZE, "micron", 1, 0},
	{QUANTITY_SIZE, "microns", 1, 0},
	{QUANTITY_ENGINE_SPEED, "rpm", 1, 0},
};

#define UNIT_ROWS (sizeof(units) / sizeof(units[0]))

static void say_expected(enum quantity quantity, char *ret_error, size_t error_size)
{
	size_t used = 0;
	const char *before = "";

	if (error_size == 0) {
		return;
	}
	used = (size_t)snprintf(ret_error, error_size, "a number");
	for (size_t i = 0; i < UNIT_ROWS && used < error_size; i++) {
		if (units[i].quantity == quantity) {
			used += (size_t)snprintf(ret_error + used, error_size - used, "%s%s",
				*before == '\0' ? ", alone or with a unit: " : before,
				units[i].unit);
			before = ", ";
		}
	}
}

int units_parse(enum quantity quantity, const char *text, double *ret_value, char *ret_error,
	size_t error_size)
{
	char *end;
	double number;

	/* strtod also takes hexadecimal, "inf" and "nan"; a person's number starts with a digit. */
	const char *first = text + strspn(text, " \t");
	const char *digits = first + strspn(first, "+-");
	if (digits - first > 1 || strspn(digits, ".0123456789") == 0 ||
		strncmp(digits, "0x", 2) == 0 || strncmp(digits, "0X", 2) == 0) {
		goto refuse;
	}
	number = strtod(first, &end);
	if (end == first || !isfinite(number)) {
		goto refuse;
	}
	end += strspn(end, " \t");
	if (*end == '\0') {
		*ret_value = number;
		return 0;
	}
	for (size_t i = 0; i < UNIT_ROWS; i++) {
		if (units[i].quantity == quantity && strcmp(units[i].unit, end) == 0) {
			*ret_value = number * units[i].factor + units[i].offset;
			return 0;
		}
	}
refuse:
	say_expected(quantity, ret_error, error_size);
	return -EINVAL;
}

bool units_parse_system(const char *text, enum unit_system *ret_system)
{
	if (strcmp(text, "metric") == 0) {
		*ret_system = UNITS_METRIC;
		return true;
	}
	if (strcmp(text, "us") == 0) {
		*ret_system = UNITS_US;
		return true;
	}
	return false;
}

struct unit_display units_display(enum quantity quantity, enum unit_system system)
{
	static const struct unit_display metric[QUANTITY_COUNT] = {
		[QUANTITY_NONE] = {"", "", 1, 0},
		[QUANTITY_VOLUME] = {"L", "l", 1, 0},
		[QUANTITY_FLOW] = {"L/h", "lph", 1, 0},
		[QUANTITY_RESTRICTION] = {"kPa", "kpa", 1, 0},
		[QUANTITY_PRESSURE] = {"kPa", "kpa", 1, 0},
		[QUANTITY_TEMPERATURE] = {"°C", "c", 1, 0},
		[QUANTITY_CONSUMPTION] = {"L/nm", "l_per_nm", 1, 0},
		[QUANTITY_DISTANCE] = {"nm", "nm", 1, 0},
		[QUANTITY_SPEED] = {"kn", "kn", 1, 0},
		[QUANTITY_MASS] = {"kg", "kg", 1, 0},
		[QUANTITY_DENSITY] = {"kg/L", "kgl", 1, 0},
		[QUANTITY_HOURS] = {"h", "h", 1, 0},
		[QUANTITY_MONTHS] = {"months", "months", 1, 0},
		[QUANTITY_SIZE] = {"µm", "micron", 1, 0},
		[QUANTITY_ENGINE_SPEED] = {"rpm", "rpm", 1, 0},
	};
	static const struct unit_display us[QUANTITY_COUNT] = {
		[QUANTITY_VOLUME] = {"US gal", "gal", 1 / LITRES_PER_US_GALLON, 0},
		[QUANTITY_FLOW] = {"US gal/h", "gph", 1 / LITRES_PER_US_GALLON, 0},
		[QUANTITY_RESTRICTION] = {"inHg", "inhg", 1 / KPA_PER_INHG, 0},
		[QUANTITY_PRESSURE] = {"psi", "psi", 1 / KPA_PER_PSI, 0},
		[QUANTITY_TEMPERATURE] = {"°F", "f", 1.8, 32},
		[QUANTITY_CONSUMPTION] = {"US gal/nm", "gal_per_nm", 1 / LITRES_PER_US_GALLON, 0},
		[QUANTITY_MASS] = {"lb", "lb", 1 / KG_PER_LB, 0},
	};

	if (system == UNITS_US && us[quantity].unit != NULL) {
		return us[quantity];
	}
	return metric[quantity];
}
