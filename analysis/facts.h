/* facts.h: what the analysis says, and to whom.
 *
 * Facts are upserts: a fact with the number of an earlier one replaces it. Times are steady log time
 * (see clock.h): they never step; a session's offset turns them into UTC. The receiver must not call
 * back into the analysis.
 */
#ifndef SIGHTBOWL_ANALYSIS_FACTS_H
#define SIGHTBOWL_ANALYSIS_FACTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WINDOW_NS INT64_C(10000000000)

/* How sure a session's UTC is. */
enum clock_basis {
	CLOCK_RECORDER, /* the recorder's clock, nothing to check it by */
	CLOCK_BUS,      /* the bus's own time (126992, 129033, 129029) */
	CLOCK_UNDATED,  /* a capture without a date */
};

/* A stretch of unbroken traffic. utc = steady time + utc_offset_ns for the whole stretch, also for
 * what was logged before the bus brought the time. */
struct fact_session {
	int64_t session;        /* number, from 1 */
	int64_t first_ns;       /* steady */
	int64_t last_ns;        /* steady */
	int64_t utc_offset_ns;
	int64_t raw_first_ns;   /* by the recorder's clock */
	int64_t raw_last_ns;
	enum clock_basis basis;
};

/* One signal in one window. */
struct fact_reading {
	uint16_t slot;     /* dense number of (signal, instance) in this log, given by fact_slot */
	uint32_t count;
	double mean;
	double low;
	double high;
};

struct fact_window {
	int64_t window;    /* steady time / 10 s */
	int64_t session;
	size_t count;
	const struct fact_reading *readings; /* by ascending slot; borrowed for the call */
};

struct fact_slot {
	uint16_t slot;
	uint16_t signal;
	uint16_t instance;
};

/* Engine on to engine off. */
struct fact_run {
	int64_t run;
	int64_t trip;
	unsigned engine;
	int64_t start_session;
	int64_t end_session;
	int64_t start_ns;
	int64_t end_ns;
	bool open;             /* not ended yet: end is the last time heard */
	double engine_h;
	double idle_h;
	double unobserved_h;   /* part of engine_h in which nothing was heard */
	double fuel_l;         /* NaN: not known */
	double fuel_estimated_l;   /* part of fuel_l not integrated from the rate */
	double fuel_uncertainty_l; /* half width, coverage factor 2 (about 95 %) */
	double fuel_unknown_h;     /* engine time for which no fuel could even be estimated */
	double supply_l;       /* through the engine's filters: burn, or pump */
	double mean_lph;       /* NaN: not known (so below) */
	double max_lph;
	double max_coolant_c;
};

struct fact_trip {
	int64_t trip;
	int64_t start_session;
	int64_t end_session;
	int64_t start_ns;
	int64_t end_ns;
	bool open;
	double distance_nm;    /* NaN: no speed or position heard */
};

/* A filter's state as measured; told when it has changed by a batch, and at each snapshot. */
struct fact_filter {
	unsigned filter;       /* index in the boat's filters */
	char name[48];         /* its name, by which a log knows it; "": a log's of an earlier version */
	int64_t session;
	int64_t t_ns;          /* steady */
	int64_t fitted_ns;     /* UTC of its element's fitting; INT64_MIN: not known */
	bool milestone;        /* the fit has learned: a point of the element's course */
	double engine_h;       /* of the element, as far as the log goes back */
	double litres;         /* through it, likewise */
	double restriction_kpa; /* last steady reading (NaN: none, so below) */
	double reference_kpa;  /* as fitted, at reference flow and 40 °C */
	double reference_sd_kpa;
	double reference_lph;  /* the flow it is put to */
	double limit_kpa;
	double left_l_p10;     /* litres to the limit */
	double left_l_p50;
	double left_l_p90;
	double left_h_p10;     /* the same at the mean supply flow so far */
	double left_h_p50;
	double left_h_p90;
};

/* A point of an engine's learned map. Minutes are whole, the speed over ground is in single precision, so that
 * what a live log packs them into is what a replay logs. */
struct fact_burn {
	unsigned engine;
	uint32_t version; /* counts resets: points of an older version are of no more use */
	double rpm;
	double rate_lph;
	double rate_sd_share; /* standard deviation as a share */
	double rate_minutes;  /* steady minutes behind the rate */
	double speed_kn;      /* through the water at this engine speed; NaN: not known */
	double speed_minutes;
	double ground_kn;     /* over ground; NaN: not known */
	double ground_minutes;
	double load_pct;      /* NaN: not known */
};

/* Fuel in a tank. */
struct fact_tank {
	unsigned tank;      /* number */
	int64_t session;
	int64_t t_ns;
	double volume_l;
	double volume_sd_l;
	double volume_15_l; /* the same fuel at 15 °C; as volume_l while fuel_c is not known */
	double fuel_c;      /* of the fuel that is drawn, over hours; NaN: not known */
	double mismatch_l;  /* burned less gone since the last refuelling; NaN: not known */
	double mismatch_sd_l;
};

/* Fuel that was taken in. */
struct fact_refuelling {
	unsigned tank;
	int64_t session;
	int64_t t_ns;       /* when it was noticed */
	double litres;
	double litres_sd;
};

enum event_severity { SEVERITY_ADVICE, SEVERITY_CAUTION, SEVERITY_WARNING };

struct fact_event {
	int64_t event;
	const char *kind;      /* one of DESIGN's kinds; static */
	char subject[48];      /* engine 0, primary, bus can0 … */
	enum event_severity severity;
	int64_t session;
	int64_t raised_ns;
	bool has_cleared;
	int64_t cleared_session;
	int64_t cleared_ns;
	int64_t trip;          /* 0: none */
	double value;          /* NaN: none (so limit) */
	double limit;
	const char *unit;      /* static */
	const char *basis;     /* measured, counted, estimated; static */
	char message[240];     /* "": as told before */
};

enum fault_standing {
	FAULT_ACTIVE,
	FAULT_PAST, /* no longer active, or in its sender's memory of such */
	FAULT_GONE, /* its sender's memory no longer has it */
};

/* A trouble code of a sender; told when its standing, its count or its lamps have changed. */
struct fact_fault {
	unsigned engine;
	uint8_t bus;
	uint8_t source;
	uint32_t spn;
	uint8_t fmi;
	uint8_t conversion; /* SPN conversion method */
	int occurrences;    /* -1: not told */
	enum fault_standing standing;
	uint8_t lamps;      /* of the message of active codes that listed it last; 0xFF: none did */
	int64_t first_session; /* in which it was heard first; 0: not known */
	int64_t first_ns;
	int64_t session;
	int64_t t_ns;       /* since when it stands so */
};

struct fact_sink {
	void *context;
	void (*on_session)(void *context, const struct fact_session *session);
	void (*on_slot)(void *context, const struct fact_slot *slot);
	void (*on_window)(void *context, const struct fact_window *window);
	void (*on_run)(void *context, const struct fact_run *run);
	void (*on_run_withdrawn)(void *context, int64_t run); /* merged into an earlier one */
	void (*on_trip)(void *context, const struct fact_trip *trip);
	void (*on_trip_withdrawn)(void *context, int64_t trip);
	void (*on_event)(void *context, const struct fact_event *event);
	void (*on_filter)(void *context, const struct fact_filter *filter);
	void (*on_burn)(void *context, const struct fact_burn *point);
	void (*on_tank)(void *context, const struct fact_tank *tank);
	void (*on_refuelling)(void *context, const struct fact_refuelling *refuelling);
	void (*on_fault)(void *context, const struct fact_fault *fault);
};

#endif
