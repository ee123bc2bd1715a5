/* trip.h: runs and movement that belong together, and the distance made good in them.
 *
 * A trip begins with an engine run or with a minute of movement; it ends when neither has been seen
 * for the boat's trip pause. Distance is the integral of speed over ground, else through water,
 * else of the wheels (the captures of vehicles), in windows of 10 s that move at all.
 */
#ifndef SIGHTBOWL_ANALYSIS_TRIP_H
#define SIGHTBOWL_ANALYSIS_TRIP_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/boat.h"
#include "analysis/facts.h"
#include "decoders/state_codec.h"

struct trip_part {
	int64_t trip;
	int64_t start_session;
	int64_t start_ns;
	int64_t end_session; /* of the last activity */
	int64_t end_ns;
	int64_t active_ns; /* last activity in the present session's steady time, for the pause */
	double distance_nm;
	bool has_distance;
};

struct trip_log {
	const struct boat *boat;      /* borrowed */
	const struct fact_sink *sink; /* borrowed */
	int64_t last_trip;	      /* number given last */
	bool open;
	struct trip_part now;
	bool held_open; /* a trip from before a seam that is not settled */
	struct trip_part held;
	int64_t session;
	/* movement */
	uint32_t moving_windows; /* in a row */
	int64_t moving_since_ns;
	double moving_nm; /* made in them while no trip is open */
	bool speed_heard;
	double speed_kn; /* of the last window with a speed */
	int64_t speed_window;
};

void trip_log_init(struct trip_log *t, const struct boat *boat, const struct fact_sink *sink);

/* An engine runs (or movement is seen) at a steady time: opens a trip or keeps it open. Returns its
 * number. */
int64_t trip_log_active(struct trip_log *t, int64_t t_ns);

/* A window has ended: its mean speed (NaN: none heard). */
void trip_log_window(struct trip_log *t, int64_t window, double speed_kn);

/* A session begins behind a seam, with first_ns its first steady time. */
void trip_log_session(struct trip_log *t, int64_t session, int64_t first_ns);

/* The seam is settled: last_ns is the steady end of the session before, gap_ns the true time
 * between. Returns the number of a trip that turned out to be part of an earlier one (ret_into), or
 * 0. */
int64_t trip_log_settle(
	struct trip_log *t, int64_t last_ns, int64_t first_ns, int64_t gap_ns, int64_t *ret_into);

/* A trip of its own for a run that nobody saw, between two steady times. */
int64_t trip_log_unseen(struct trip_log *t, int64_t start_session, int64_t start_ns,
	int64_t end_session, int64_t end_ns);

/* Tells what is open as it stands; changes nothing. */
void trip_log_snapshot(const struct trip_log *t);
void trip_log_finish(struct trip_log *t);

void trip_log_save(const struct trip_log *t, struct state_writer *w);
void trip_log_load(struct trip_log *t, struct state_reader *r);

#endif
