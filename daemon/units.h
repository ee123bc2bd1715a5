/* units.h: the units that people write and read, and the contract's own.
 *
 * Inside the program every quantity has one unit (L, L/h, kPa, °C …). This module reads values that
 * carry another unit in the configuration, and turns values into a person's units for tables.
 * Nothing else converts.
 */
#ifndef SIGHTBOWL_DAEMON_UNITS_H
#define SIGHTBOWL_DAEMON_UNITS_H

#include <stdbool.h>
#include <stddef.h>

enum quantity {
	QUANTITY_NONE,         /* a plain number; takes no unit */
	QUANTITY_VOLUME,       /* L */
	QUANTITY_FLOW,         /* L/h */
	QUANTITY_RESTRICTION,  /* kPa, of a filter: inches of mercury to many skippers */
	QUANTITY_PRESSURE,     /* kPa, of everything else */
	QUANTITY_TEMPERATURE,  /* °C */
	QUANTITY_CONSUMPTION,  /* L/nm */
	QUANTITY_DISTANCE,     /* nautical miles */
	QUANTITY_SPEED,        /* kn */
	QUANTITY_MASS,         /* kg */
	QUANTITY_DENSITY,      /* kg/L */
	QUANTITY_HOURS,        /* h */
	QUANTITY_MONTHS,       /* months */
	QUANTITY_SIZE,         /* µm */
	QUANTITY_ENGINE_SPEED, /* rpm */
	QUANTITY_COUNT
};

enum unit_system {
	UNITS_METRIC, /* the contract's units, as they are */
	UNITS_US,     /* US gallons, inHg for filters, psi, °F, lb */
};

/* Reads "12", "12 kPa", "3.5inHg" into the quantity's own unit. Returns 0, or -EINVAL with a
 * sentence in ret_error that says what was expected. NaN and infinity are refused. */
int units_parse(enum quantity quantity, const char *text, double *ret_value, char *ret_error,
	size_t error_size);

/* Reads "metric" or "us". */
bool units_parse_system(const char *text, enum unit_system *ret_system);

/* The unit in which a system shows a quantity. */
struct unit_display {
	const char *unit;   /* as printed; "" for a plain number */
	const char *suffix; /* how a column's name ends in it; "" where names carry none */
	double factor;      /* shown = value × factor + offset */
	double offset;
};
struct unit_display units_display(enum quantity quantity, enum unit_system system);

#endif
