/* boat.h: what the skipper tells about the boat: engines, filters, tanks, limits.
 *
 * Everything has a default (boat_init); the configuration file only fills this in. Fixed bounds, no
 * pointers: it can be copied.
 */
#ifndef SIGHTBOWL_ANALYSIS_BOAT_H
#define SIGHTBOWL_ANALYSIS_BOAT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/filter_build.h"
#include "analysis/strapping.h"

#define BOAT_ENGINES_MAX 4
#define BOAT_FILTERS_MAX 12
#define BOAT_TANKS_MAX   8
#define BOAT_TANK_NUMBERS 16 /* a tank's number is below; NMEA 2000 has four bits for it */
#define BOAT_NAME_MAX    48
#define BOAT_PINS_MAX    16

enum boat_use {
	BOAT_USE_SAILING,      /* a displacement sailing boat: low power, few hours */
	BOAT_USE_DISPLACEMENT, /* a displacement motor boat or work boat */
	BOAT_USE_PLANING,      /* a planing power boat: high power, high return flow */
};

enum injection_kind {
	INJECTION_UNKNOWN,
	INJECTION_MECHANICAL,
	INJECTION_COMMON_RAIL,
};

enum supply_kind {
	SUPPLY_BURN, /* no return line: the filter passes what is burned */
	SUPPLY_PUMP, /* a pump proportional to engine speed: rate at a speed */
};

struct boat_engine {
	bool present;
	char label[BOAT_NAME_MAX]; /* "" : the number is its name */
	enum supply_kind supply;
	double pump_lph;     /* with SUPPLY_PUMP: at pump_rpm */
	double pump_rpm;
	double idle_rpm;     /* at or below: idle, where no gear is heard; default 1000 */
	enum injection_kind injection;
	int tank;            /* number of the tank that it draws from; -1: not told, any */
};

enum filter_sensor {
	SENSOR_NONE,
	SENSOR_SPN95,    /* fuel filter differential, pressure side */
	SENSOR_SPN1382,  /* suction-side filter differential */
	SENSOR_SPN1381,  /* supply pump intake pressure, absolute */
	SENSOR_PRESSURE, /* NMEA 2000 130314 of an instance */
};

enum filter_sensor_kind {
	SENSES_DIFFERENTIAL,
	SENSES_OUTLET_VACUUM,
};

struct boat_filter {
	char name[BOAT_NAME_MAX];    /* section name: primary, secondary … */
	unsigned engine;
	char stage[BOAT_NAME_MAX];   /* primary, secondary, … */
	char element[BOAT_NAME_MAX]; /* what is fitted, in the skipper's words */
	double micron;               /* NaN: not told (so for each NaN below) */
	double rated_lph;
	enum filter_sensor sensor;
	unsigned pressure_instance;
	enum filter_sensor_kind sensor_kind;
	double limit_kpa;
	double reference_lph;
	double change_h;
	double change_l;
	double change_months;
	bool has_fitted;
	int64_t fitted_ns;
	char set[BOAT_NAME_MAX];     /* change-over set that it is one of; "": none */
	double beta;                 /* beta ratio at its micron rating */
	enum filter_has separates_water; /* unknown: a primary does */
	double hose_bore_mm;         /* of the hose to it */
	double hose_length_m;
	struct filter_build build;   /* how it is built */
};

struct boat_tank {
	bool present;
	unsigned number;             /* N of [tank N] */
	char label[BOAT_NAME_MAX];
	double capacity_l;           /* NaN: as the strapping table or the bus says */
	double reserve_l;            /* NaN: not told */
	struct strapping strapping;  /* empty: level and volume are a straight line */
};

/* One source fixed for one signal ("configured" source choice). */
struct boat_pin {
	uint16_t signal;
	uint16_t instance;
	int bus;        /* number of the bus, -1 any */
	int source;     /* address, -1 any */
};

/* Limits of the engines' own readings; NaN: not told. */
struct boat_limits {
	double coolant_c;
	double oil_c;
	double exhaust_c;
	double fuel_pressure_kpa; /* least */
};

/* Work in the service book that the analysis goes by. */
enum boat_work_kind {
	WORK_ELEMENT, /* place: filter; a new element */
	WORK_DRAIN,   /* place: filter; its bowl drained */
	WORK_BURN,    /* place: engine; its burn map is to be learned anew */
	WORK_SWITCH,     /* place: filter of a set; it alone is in use */
	WORK_SWITCH_ALL, /* place: filter of a set; all of the set is in use */
};

struct boat_work {
	int64_t utc_ns;
	uint8_t kind;  /* enum boat_work_kind */
	uint8_t place; /* index of the filter, or the engine */
};

#define BOAT_WORKS_MAX 256

struct boat {
	char name[BOAT_NAME_MAX];
	enum boat_use use;
	double fuel_density_kgl;   /* kg/L at 15 °C; default 0.845 */
	size_t filter_count;
	struct boat_engine engines[BOAT_ENGINES_MAX];
	struct boat_filter filters[BOAT_FILTERS_MAX];
	struct boat_tank tanks[BOAT_TANKS_MAX];
	size_t pin_count;
	struct boat_pin pins[BOAT_PINS_MAX];
	struct boat_limits limits;
	size_t work_count;
	struct boat_work works[BOAT_WORKS_MAX]; /* by time; of more, the latest */
	double trip_pause_h;       /* a trip ends after this long without engine or movement; default 1 */
	double moving_kn;          /* movement: at least this speed, for a minute; default 1 */
};

/* One engine (instance 0) with a primary and a secondary filter, nothing measured, nothing told. */
void boat_init(struct boat *boat);

/* Is this the change of which the configuration tells when the element was fitted? It gives a day, or a time
 * from memory: a change within a day of it. */
bool boat_fitted_is(const struct boat_filter *filter, int64_t changed_ns);

/* What was told of the tank of a number; NULL: nothing. */
const struct boat_tank *boat_tank(const struct boat *boat, unsigned number);

/* The capacity: as told, else the strapping table's last volume, else NaN: as the bus says. */
double boat_tank_capacity(const struct boat_tank *tank);

/* What is left in a tank when its range ends: as told, else a tenth of its capacity, which the
 * pick-up may not reach when the boat moves. */
double boat_tank_reserve(const struct boat_tank *tank, double capacity_l);

#endif
