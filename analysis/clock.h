/* clock.h: steady time out of the recorder's clock and the bus's own time.
 *
 * A boat computer may start at a wrong date and be set right later. Everything that is measured or
 * integrated therefore lives in steady time, which only ever grows; steady time is cut into
 * sessions (stretches of unbroken traffic), and one offset a session turns it into UTC. The offset
 * is corrected when the bus brings the time, and so puts right what was logged before.
 *
 * Where the recorder's clock jumps, a session ends and a seam remains: was it a pause, or a step of
 * the clock? The seam is settled by the bus's own time on both sides, by the machine's word
 * (clock_stepped), or after a while by presumption: forward is a pause, backward is a step.
 */
#ifndef SIGHTBOWL_ANALYSIS_CLOCK_H
#define SIGHTBOWL_ANALYSIS_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/facts.h"
#include "decoders/state_codec.h"

#define CLOCK_NONE INT64_MIN

struct clock_session {
	int64_t session; /* 0: none */
	int64_t first_ns;
	int64_t last_ns;
	int64_t raw_first_ns;
	int64_t raw_last_ns;
	int64_t offset_ns; /* UTC less steady */
	uint8_t basis;	   /* enum clock_basis */
};

struct clock {
	int64_t raw_ns; /* greatest heard in this session; CLOCK_NONE before the first frame */
	int64_t steady_ns;
	double spacing_ns; /* smoothed time between frames */
	struct clock_session now;
	struct clock_session before; /* the session before the seam */
	bool seam;		     /* not settled yet */
	bool step_known;	     /* the machine told the size of the step at the seam … */
	int64_t step_ns;	     /* … and this is it */
	int64_t jump_ns;	     /* at the seam, by the recorder's clock */
	bool begins;		     /* a new capture begins with the next frame */
	bool undated;		     /* … and carries no date */
	bool at_begin;		     /* the seam is between two captures: no step is to be told */
	int64_t told_ns;	     /* step told by the machine, for the next frame */
	uint16_t time_provider; /* the one source of bus time that is believed, + 1; 0: none yet */
	int64_t time_heard_ns;
	int64_t last_session; /* number given last */
};

void clock_init(struct clock *c);

/* Takes the recorder's time of the next frame. Returns true when the session goes on: steady time
 * has moved. Returns false, with nothing changed, when the frame opens a session: settle a seam
 * that is still open (unless clock_is_glitch), then call clock_open_session. */
bool clock_advance(struct clock *c, int64_t raw_ns);

/* Opens a session with the frame that clock_advance refused. When there was one before, it is kept
 * in 'before' and a seam remains. */
void clock_open_session(struct clock *c, int64_t raw_ns);

/* Whether the present session is only a frame with a mangled time, which the frame at raw_ns
 * undoes: the seam then stays with the session before it. */
bool clock_is_glitch(const struct clock *c, int64_t raw_ns);

/* The machine's steady clock shows that the recorder's was stepped since the last frame. */
void clock_tell_step(struct clock *c, int64_t step_ns);

/* The next frame belongs to another capture, or the program was started anew. */
void clock_tell_begin(struct clock *c, bool undated);

/* Takes a time that the bus brought, from a provider (any number that tells sources apart). Returns
 * true when it changed the session's offset or basis. */
bool clock_bus_time(struct clock *c, int64_t utc_ns, uint16_t provider);

/* How a seam was settled. */
struct clock_seam {
	int64_t gap_ns;	 /* true time between the last frame before and the first frame behind */
	int64_t step_ns; /* the recorder's clock less true time; 0 where it was a plain pause */
	bool sure;	 /* known, not presumed */
	bool relabelled; /* the session before got another offset: tell it again */
};

/* Settles the seam if it can be settled now (force: by presumption if need be). witness_ns: the gap
 * by the meters of an engine that ran on both sides of it, < 0 where none did; used before
 * presumption. Returns false when there is no seam or it must wait. */
bool clock_settle(struct clock *c, bool force, int64_t witness_ns, struct clock_seam *ret_seam);

/* UTC of a steady time in the present session. */
int64_t clock_utc(const struct clock *c, int64_t steady_ns);

void clock_session_fact(const struct clock_session *session, struct fact_session *ret_fact);

void clock_save(const struct clock *c, struct state_writer *w);
void clock_load(struct clock *c, struct state_reader *r);

#endif
