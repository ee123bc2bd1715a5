/* scenario.h: an invented boat's season as CAN frames, together with its exact ground truth.
 *
 * Boat, people, waters and every constant are invented (docs/scenario.md has the equations). The
 * physics runs on a state of its own: hull, propeller, engine, heat, tank, dirt in the filters.
 * What the senders on the bus see of it is sampled, lagged, noisy and rounded; the truth is taken
 * from the model's state, never from the frames. The same options give the same season, bit for bit
 * on one machine; the season's physics does not depend on protocol, rates or disturbances, so the
 * same seed can be heard in several ways. No clock, no files, and no allocation but in
 * scenario_create.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_H
#define SIGHTBOWL_REPLAY_SCENARIO_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "analysis/boat.h"
#include "decoders/frame.h"
#include "replay/capture_writer.h"

#define SCENARIO_ENGINES_MAX 2
#define SCENARIO_FILTERS_MAX 2 /* of an engine: 0 primary, suction side; 1 secondary */
#define SCENARIO_FAULTS_MAX  16

enum scenario_protocol {
	SCENARIO_NMEA2000, /* everything on bus 0 */
	SCENARIO_J1939,	   /* engine, tank and speed on bus 0; no position and no time */
	SCENARIO_BOTH,	   /* NMEA 2000 on bus 0, the engines' J1939 on bus 1, the same values */
};

/* How an element loads up; all but MIXED are one mechanism on equal pores. */
enum scenario_blocking {
	SCENARIO_MIXED, /* pores of many sizes, fine and coarse dirt, a cake that compresses */
	SCENARIO_COMPLETE,
	SCENARIO_STANDARD,
	SCENARIO_INTERMEDIATE,
	SCENARIO_CAKE,
	SCENARIO_COMPRESSIBLE_CAKE,
};

enum scenario_counters {
	SCENARIO_COUNTERS_NONE,
	SCENARIO_COUNTERS_COARSE, /* J1939 LFC, 0.5 L; NMEA 2000 127497, 1 L (a trip counter) */
	SCENARIO_COUNTERS_FINE,	  /* J1939 HRLFC, 0.001 L; NMEA 2000 as above */
};

/* What the recorder's clock says after it was switched on, until it is set right. */
enum scenario_clock {
	SCENARIO_CLOCK_RIGHT,
	SCENARIO_CLOCK_RESUMED, /* goes on from where it was switched off */
	SCENARIO_CLOCK_EPOCH,	/* starts at one and the same old date each time */
};

/* How a sensor dies. */
enum scenario_death {
	SCENARIO_DEATH_SILENT, /* its message is no more sent; in a shared one: not available */
	SCENARIO_DEATH_NOT_AVAILABLE, /* the code for not available */
	SCENARIO_DEATH_FROZEN,	      /* its last value for ever */
};

enum scenario_fault_kind {
	SCENARIO_FAULT_BAD_FUEL,     /* size: dirt of the load, times the usual */
	SCENARIO_FAULT_WET_FUEL,     /* size: litres of water in the load */
	SCENARIO_FAULT_FOULING,	     /* size: burn at cruising speed, % more (hull and propeller) */
	SCENARIO_FAULT_INJECTOR,     /* size: burn, % more, whatever the load */
	SCENARIO_FAULT_AIR,	     /* size: 0 .. 1 */
	SCENARIO_FAULT_SENSOR_DRIFT, /* of a filter's sensor; size: kPa in 100 engine hours */
	SCENARIO_FAULT_SENSOR_DEAD,  /* of a filter's sensor; size: enum scenario_death */
	SCENARIO_FAULT_COOLANT_CREEP, /* size: °C at full load */
	SCENARIO_FAULT_TANK_LEAK,     /* size: L/h, engine on or off */
	SCENARIO_FAULT_TANK_STUCK,    /* the tank's sender stays where it is */
	SCENARIO_FAULT_SLUDGE, /* off the tank's bottom, within minutes of the next cruise; size:
				* dirt of so many lives of the engine's primary */
	SCENARIO_FAULT_KINDS,
};

/* "bad-fuel", … */
const char *scenario_fault_name(enum scenario_fault_kind kind);

struct scenario_fault {
	enum scenario_fault_kind kind;
	unsigned engine;
	unsigned filter;
	double at; /* onset, as a share of the engine hours wanted, 0 .. 1; a load of fuel is taken
		    * at the first halt after it */
	double size;
	double over_h; /* engine hours that it takes to grow to its size; 0: at once */
};

struct scenario_filter {
	bool present;
	enum scenario_blocking blocking;
	double micron;
	double rated_lph;
	double clean_kpa;     /* new element with housing, at reference flow and viscosity */
	double limit_kpa;     /* limit on the reference restriction */
	double life_l;	      /* litres of the usual fuel until the limit is reached */
	bool change_at_limit; /* the skipper changes it at the end of the day in which it reached
				 the limit */
	enum filter_sensor sensor;
	enum filter_sensor_kind
		sensor_kind; /* an outlet vacuum is sent as a negative gauge pressure */
	unsigned pressure_instance;
	double zero_kpa;  /* sensor's zero offset */
	double noise_kpa; /* its noise, standard deviation */
	double lag_s;	  /* its lag, first order */
};

struct scenario_engine {
	enum supply_kind supply;
	double pump_lph; /* with SUPPLY_PUMP: at pump_rpm, new and without restriction */
	double pump_rpm;
	struct scenario_filter filters[SCENARIO_FILTERS_MAX];
};

/* A change of an element whatever its state. */
struct scenario_change {
	unsigned engine;
	unsigned filter;
	double at; /* as in struct scenario_fault; done at the end of that day */
};
#define SCENARIO_CHANGES_MAX 8

struct scenario_disturbance {
	double loss;	      /* share of frames lost, 0 .. 1 */
	double loss_burst;    /* mean frames in a row of a loss; 0 or 1: single frames */
	double reorder;	      /* share of frames delivered after later ones, with their own time */
	bool second_sender;   /* the engine's data sent again by another source */
	bool hollow_sender;   /* a source that sends the engine's messages, all not available */
	bool mirror;	      /* bus 0 recorded a second time, as the last bus */
	double dropout_per_h; /* sensors of filters, temperatures and tank: drop-outs an hour … */
	double dropout_mean_s;	   /* … and their mean length */
	double rate_dropout_per_h; /* the same for the fuel rate itself */
	double rate_dropout_mean_s;
	unsigned power_cycles; /* the recorder loses power this many times while an engine runs … */
	double power_cycle_mean_s; /* … and its mean time away */
	enum scenario_clock clock;
	double clock_set_after_s; /* after switching on; mean, never when 0 */
	bool silent_at_key_off;	  /* the engine's sender stops when the engine stops */
	bool wrong_codes; /* codes for 'not available' as careless senders write them (−0.1 L/h) */
	double unknown_share; /* share of all frames that are traffic of other makers' messages, 0
				 .. 0.9 */
};

struct scenario_options {
	uint64_t seed;
	enum scenario_protocol protocol;
	int64_t start_ns; /* UTC; the season starts at midnight of this day */
	unsigned days;	  /* 1 .. 400 */
	double engine_h; /* engine hours wanted; within 5 % unless the days are too short for it (14
			    h a day) */
	unsigned engines;	/* 1 or 2 */
	unsigned engine_ms;	/* engine messages come no faster than this; 20: the rates of real
				   senders */
	unsigned instrument_ms; /* the same for all others; 100: the rates of real senders */
	unsigned step_ms;	/* model step with an engine running, 20 .. 1000 */
	double motoring_share;	/* of engine hours on passage under engine; rest motor-sailing and
				 * charging,  0 .. 1 */
	double cruise_rpm;	/* mean choice for a passage, 1400 .. 2800 */
	double sea_c;		/* sea temperature, −1 .. 34 */
	double air_c;		/* mean air temperature */
	double cloud_point_c;	/* below it wax thickens the fuel */
	double wind_kn;		/* mean */
	double tank_l;
	bool tank_by_height; /* its sender tells height, not volume: a strapping table is needed */
	double density_15_kgl;
	double viscosity_40_mm2s;
	double load_dirt_sd; /* dirt of the usual loads of fuel, standard deviation of its natural
				logarithm; 0: all alike */
	enum scenario_counters counters;
	double counter_start_h; /* engine hours and litres at the season's start */
	double counter_start_l;
	struct scenario_engine engine[SCENARIO_ENGINES_MAX];
	size_t fault_count;
	struct scenario_fault faults[SCENARIO_FAULTS_MAX];
	size_t change_count;
	struct scenario_change changes[SCENARIO_CHANGES_MAX];
	double drain_after_h; /* the skipper drains the bowl at the first halt this long after the
				 probe is wet */
	struct scenario_disturbance disturb;
};

/* The demo season: 64 engine hours in 45 days, one engine, NMEA 2000, moderate rates; a dirty load
 * of fuel, an element change, water and a drain, a hull that fouls. */
void scenario_options_init(struct scenario_options *options);
/* The same boat and season with nothing wrong: no fault, no disturbance. */
void scenario_options_init_clean(struct scenario_options *options);
/* All that goes wrong on real buses, at once: loss, reordering, a second and a hollow sender, the bus heard
 * twice, sensors and the rate dropping out, power cuts in mid-run, a computer without a clock, an engine
 * that falls silent at key-off, careless codes, other makers' traffic. */
void scenario_options_rough(struct scenario_options *options);
/* Another boat, use and climate drawn by a number (which becomes the seed): protocol, pump or burn
 * only, blocking laws, sensors, lives, temperatures of the fuel from 5 to 45 °C, 60 to 220 engine
 * hours. Healthy: nothing wrong. Else one thing is, of the kind that the caller gives. Both
 * elements are changed at their limit. No disturbances, thin rates. */
void scenario_options_vary(struct scenario_options *options, uint64_t number);
void scenario_options_vary_fault(
	struct scenario_options *options, uint64_t number, enum scenario_fault_kind kind);
/* Returns NULL when all is within its range, else the name of the first wrong option. */
const char *scenario_options_check(const struct scenario_options *options);
/* Steady burn of each engine at cruise_rpm on calm water, clean and warm; and the flow to which an
 * engine's reference restrictions are put: the supply at that speed. */
double scenario_cruise_lph(const struct scenario_options *options);
double scenario_reference_lph(const struct scenario_options *options, unsigned engine);
/* What the skipper of this boat would write into the configuration. */
void scenario_boat(const struct scenario_options *options, struct boat *ret_boat);

struct scenario; /* opaque; heap */

/* Plans the season. Returns 0, -EINVAL (scenario_options_check says why) or -ENOMEM. */
int scenario_create(struct scenario **ret_scenario, const struct scenario_options *options);
/* NULL is fine. */
void scenario_destroy(struct scenario *s);

/* Fills frames in the order in which the recorder heard them; returns how many, 0 when the season
 * is over. Times are the recorder's, whole microseconds. */
size_t scenario_next(struct scenario *s, struct frame *frames, size_t count);

/* The names of the buses: can0, can1 … as many as the season uses. */
const struct bus_names *scenario_buses(const struct scenario *s);

/* ---- ground truth; times are true UTC; exact for what scenario_next has told, whole at its end
 * ---- */

struct scenario_run {
	unsigned engine;
	int64_t start_ns; /* first step with the engine firing */
	int64_t end_ns;	  /* it stops firing */
	double engine_h;
	double neutral_h; /* part of engine_h with the gear in neutral: charging, warming up */
	double slow_h;	  /* part of engine_h at 1000 rpm or below */
	double fuel_kg;
	double fuel_l;	 /* at 15 °C, as the engine's own rate counts it */
	double missed_l; /* part of fuel_l burned while the recorder was off */
	double supply_l; /* through the engine's filters */
	double max_lph;
	double max_coolant_c;
	double least_feed_kpa; /* at the injection pump, half a minute after the start and later */
};

/* Runs and movement (1 kn or more, for a minute) without a pause of an hour. */
struct scenario_trip {
	int64_t start_ns;
	int64_t end_ns;
	double ground_nm;
	double water_nm;
	double engine_h;
	double fuel_l;
};

struct scenario_element {
	unsigned engine;
	unsigned filter;
	unsigned number; /* 1, 2 … in its filter */
	int64_t fitted_ns;
	int64_t removed_ns; /* INT64_MAX: still fitted */
	double engine_h;
	double litres_through;
	double dirt_l;	      /* dirt that came in, in litres of the usual fuel */
	double clean_kpa;     /* reference restriction when new */
	double reference_kpa; /* and at the end, as a perfect sensor of this kind would give it at
			       * reference flow, reference viscosity and with its zero known */
	double limit_kpa;
	double limit_l; /* litres through it when the limit was, or would be, reached: beyond the
			 * end of its service the model goes on with the usual fuel; NaN: more than
			 * 20 lives */
	double limit_h; /* engine hours of it; NaN when not reached in service */
	bool limit_in_service;
};

/* An element's course: a point each engine hour. */
struct scenario_point {
	unsigned element; /* index of its struct scenario_element */
	int64_t t_ns;
	double engine_h; /* of this element */
	double litres_through;
	double dirt_l; /* as in its struct scenario_element */
	double reference_kpa;
};

struct scenario_refuelling {
	int64_t start_ns;
	int64_t end_ns;
	double litres; /* at 15 °C */
	double tank_before_l;
	double tank_after_l;
	double dirt_factor; /* 1: the usual fuel */
	double water_l;
};

/* A fault as it came. */
struct scenario_onset {
	enum scenario_fault_kind kind;
	unsigned engine;
	unsigned filter;
	int64_t start_ns;
	int64_t full_ns; /* grown to its size; INT64_MAX: not within the season */
	double engine_h; /* engine hours of the season at the onset */
	double size;
};

/* The probe in the primary filter's bowl. */
struct scenario_water {
	unsigned engine;
	int64_t wet_ns;	    /* the water's still level reaches the probe */
	int64_t drained_ns; /* INT64_MAX: not drained */
};

/* An engine that truly lacked fuel: its feed was below what it needs. Also in a healthy season a
 * filter far beyond its limit, or cold thick fuel, can do this. */
struct scenario_starving {
	unsigned engine;
	int64_t start_ns;
	int64_t end_ns;
	double least_kpa;
};

/* The recorder switched on and off. Its own clock: true time + offset, 0 after set_ns. */
struct scenario_session {
	int64_t on_ns;
	int64_t off_ns;
	int64_t clock_offset_ns;
	int64_t set_ns;	 /* INT64_MAX: not set in this session */
	bool lost_power; /* it ended by a power cut, with an engine running */
};

struct scenario_truth {
	double engine_h[SCENARIO_ENGINES_MAX];
	double fuel_l[SCENARIO_ENGINES_MAX];
	double fuel_kg[SCENARIO_ENGINES_MAX];
	double cruise_lph; /* as scenario_cruise_lph */
	double reference_lph[SCENARIO_ENGINES_MAX];
	double tank_start_kg; /* mass balance: start + refuelled - burned - leaked = end */
	double tank_end_kg;
	double refuelled_kg;
	double leaked_kg;
	double ground_nm;
	double water_nm;
	uint64_t frames_sent;	 /* on the buses */
	uint64_t frames_lost;	 /* by loss */
	uint64_t frames_unheard; /* while the recorder was off */
	uint64_t frames_reordered;
	uint64_t frames_unknown; /* of other makers' messages, among those sent */
	size_t run_count;
	const struct scenario_run *runs;
	size_t trip_count;
	const struct scenario_trip *trips;
	size_t element_count;
	const struct scenario_element *elements;
	size_t point_count;
	const struct scenario_point *points;
	size_t refuelling_count;
	const struct scenario_refuelling *refuellings;
	size_t onset_count;
	const struct scenario_onset *onsets;
	size_t water_count;
	const struct scenario_water *waters;
	size_t starving_count; /* at most 256 are kept */
	const struct scenario_starving *starvings;
	size_t session_count;
	const struct scenario_session *sessions;
};

/* Borrowed until the next call of scenario_next or scenario_destroy. */
const struct scenario_truth *scenario_truth(struct scenario *s);

/* The truth, the options that matter and the boat as one JSON object. Returns 0 or a negative
 * errno. */
int scenario_truth_write(struct scenario *s, FILE *out);

/* The whole season into a capture file and its truth into a JSON file (NULL: none). On failure
 * ret_error, of error_size bytes, holds a sentence. Returns 0 or a negative errno. */
int scenario_write(const struct scenario_options *options, const char *capture_path,
	enum capture_writer_format format, enum capture_writer_compression compression,
	const char *truth_path, char *ret_error, size_t error_size);

/* The tank's strapping for tank_by_height: volume share of a height share, both 0 .. 1. */
double scenario_tank_volume(double height);

#endif
