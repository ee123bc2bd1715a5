/* engine_run.h: engine on to engine off, with hours, idle, litres.
 *
 * The engine runs while its speed is 300 rpm or more (while its fuel rate is above zero where no
 * speed is heard); it is off when that has been untrue for 30 s, so that a stall and restart stay
 * one run. What is injected while the starter turns it, or while it runs down, has litres but no
 * engine time: it belongs to the run that follows, or that just ended. Idle is engine time without propulsion demand: gear in neutral where the gear is heard,
 * else engine speed at or below the engine's idle speed.
 *
 * When the engine is heard again after a silence, or behind a seam of the clock, the part before is
 * held until the engine's own hours and counter say what happened in between: the run went on, it
 * ended, or the engine ran unseen (which becomes a run of its own, wholly estimated).
 */
#ifndef SIGHTBOWL_ANALYSIS_ENGINE_RUN_H
#define SIGHTBOWL_ANALYSIS_ENGINE_RUN_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/boat.h"
#include "analysis/facts.h"
#include "analysis/fuel_account.h"
#include "analysis/trip.h"
#include "decoders/state_codec.h"

/* One run, or the part of it before a silence. */
struct run_part {
	int64_t run;
	int64_t trip;
	int64_t start_session;
	int64_t start_ns;
	int64_t end_session;
	int64_t end_ns;
	double engine_s;
	double idle_s;
	double unobserved_s;
	double pump_l;	      /* moved by a pump proportional to speed */
	double max_coolant_c; /* NaN: not heard */
	struct fuel_run fuel; /* for a part that is held; else the account's own is current */
};

/* What the engine's own meters said before and after a silence. */
struct engine_silence {
	bool open;
	bool heard_since;  /* the engine has spoken again */
	bool elsewhere;	   /* the engine was heard under another's number */
	bool gap_doubtful; /* its length is presumed: the meters know better */
	bool gap_known;	   /* false while a seam of the clock in it is not settled */
	int64_t gap_ns;	   /* what is known of its length … */
	int64_t anchor_ns; /* … up to this steady time, until it is heard again */
	int64_t since_ns;  /* steady time of its end */
	int64_t before_ns; /* steady time of its beginning, in before_session */
	int64_t before_session;
	bool hours_before_known;
	double hours_before_h;
	double hours_step_before_h;
	bool hours_after_known;
	double hours_after_h;
	double rpm_before; /* NaN: not heard */
	bool litres_before_known;
	double litres_before_l; /* where the counter stood, by the account */
	double litres_before_variance_l2;
	bool litres_after_known;
	double litres_after_l; /* the reading, less what this run burned until then */
	double reading_l;      /* the reading itself */
	int64_t reading_ns;
};

struct engine_log {
	unsigned engine;
	const struct boat *boat; /* borrowed, as are those below */
	const struct fact_sink *sink;
	struct trip_log *trips;
	int64_t *last_run; /* number given last, shared by all engines */
	const struct engine_log *all; /* BOAT_ENGINES_MAX; NULL: this one only */
	int64_t session;
	bool heard;
	int64_t heard_ns;
	/* evidence that it turns */
	bool has_evidence;
	bool on;
	int64_t evidence_ns;
	int64_t began_ns; /* the first evidence behind a gap, or of all */
	double rpm; /* NaN where the evidence is the fuel rate */
	bool has_speed;
	int64_t speed_ns;
	bool gear_heard;
	bool neutral;
	int64_t gear_ns;
	/* the engine's hour meter as read last, and what was seen to run since */
	bool has_hours;
	double hours_h;
	double hours_step_h;
	double seen_h;
	struct fuel_account fuel;
	bool running;
	int64_t off_ns; /* since when it is off within the run; CLOCK_NONE: on */
	struct run_part run;
	bool held_open;
	struct run_part held;
	struct engine_silence silence;
	double closed_h;   /* of runs that have ended */
	double closed_supply_l;
	double closed_burn_l;
};

/* The caller may set `all` afterwards: one engine that is heard under another's number for a while is
 * then counted once. */
void engine_log_init(struct engine_log *e, unsigned engine, const struct boat *boat,
	const struct fact_sink *sink, struct trip_log *trips, int64_t *last_run);

/* To be called before any reading of the engine is handed on: notices the end of a silence. */
void engine_log_hear(struct engine_log *e, int64_t t_ns);
/* Readings, at steady times. gap_ns: longest time between two that still counts as observed. */
void engine_log_speed(struct engine_log *e, int64_t t_ns, double rpm, int64_t gap_ns);
void engine_log_rate(
	struct engine_log *e, int64_t t_ns, double lph, double resolution, int64_t gap_ns);
void engine_log_counter(
	struct engine_log *e, int64_t t_ns, enum fuel_counter kind, double litres, double step_l);
void engine_log_hours(struct engine_log *e, int64_t t_ns, double hours_h, double step_h);
void engine_log_gear(struct engine_log *e, int64_t t_ns, bool neutral);
void engine_log_coolant(struct engine_log *e, double celsius);

/* A session begins behind a seam that is not settled; first_ns is its first steady time. */
void engine_log_session(struct engine_log *e, int64_t session, int64_t last_ns, int64_t first_ns);
/* The seam is settled with a gap between the sessions; sure: it is known, not presumed. */
void engine_log_settle(struct engine_log *e, int64_t t_ns, int64_t gap_ns, bool sure);
/* The length of a gap behind a seam by the meters of this engine, if it ran on both sides; else −1.
 */
int64_t engine_log_witness(const struct engine_log *e);
/* A trip has become part of another. */
void engine_log_retrip(struct engine_log *e, int64_t from, int64_t into);
/* Steady time has come to t_ns: what was waited for too long is decided. */
void engine_log_tick(struct engine_log *e, int64_t t_ns);

/* The engine's account over the whole log, what is open included: engine hours, and litres that its
 * supply moved through the filters (burn, or pump). Never falls but by a correction of the counter. */
double engine_log_hours_total(const struct engine_log *e);
double engine_log_supply_total(const struct engine_log *e);
double engine_log_burn_total(const struct engine_log *e);

/* Tells what is open as it stands; changes nothing. */
void engine_log_snapshot(const struct engine_log *e);
void engine_log_finish(struct engine_log *e);

void engine_log_save(const struct engine_log *e, struct state_writer *w);
void engine_log_load(struct engine_log *e, struct state_reader *r);

#endif
