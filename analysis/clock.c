#include "analysis/clock.h"

#include <string.h>

#define SECOND_NS INT64_C(1000000000)

/* A frame up to this much older than the one before it is late, not a step of the clock. */
#define LATE_NS (5 * SECOND_NS)
/* A session no longer than this may be a frame with a mangled time. */
#define GLITCH_NS SECOND_NS
/* A pause in all traffic this long ends a session: at least 5 s and 50 times the usual spacing. */
#define BREAK_LEAST_NS (5 * SECOND_NS)
#define BREAK_MOST_NS  (60 * SECOND_NS)
#define BREAK_SPACINGS 50.0
/* Steady time never passes this: about the year 2223. */
#define STEADY_MOST_NS (INT64_C(8000000000) * SECOND_NS)
/* The recorder's clock counts as right when it is this near the bus's. */
#define NEAR_NS (2 * SECOND_NS)
/* How long a seam waits for the bus's time before presumption settles it: long where the session
 * before had it (a receiver's cold start takes minutes), short elsewhere. */
#define WAIT_BUS_NS  (900 * SECOND_NS)
#define WAIT_NONE_NS (120 * SECOND_NS)
/* Bus times outside 2015 to 2099 are a receiver without a fix. */
#define BUS_TIME_FIRST_NS (INT64_C(1420070400) * SECOND_NS)
#define BUS_TIME_LAST_NS  (INT64_C(4102444800) * SECOND_NS)
/* A gap by engine meters is right to within this. */
#define METERS_NS (400 * SECOND_NS)
/* Another source of time is believed when the first has been silent this long. */
#define BUS_TIME_SILENT_NS (60 * SECOND_NS)

void clock_init(struct clock *c)
{
	memset(c, 0, sizeof(*c));
	c->raw_ns = CLOCK_NONE;
	c->steady_ns = CLOCK_NONE;
	c->spacing_ns = (double)BREAK_LEAST_NS / BREAK_SPACINGS;
}

static int64_t break_after_ns(const struct clock *c)
{
	double pause_ns = c->spacing_ns * BREAK_SPACINGS;

	if (pause_ns < (double)BREAK_LEAST_NS) {
		return BREAK_LEAST_NS;
	}
	return pause_ns > (double)BREAK_MOST_NS ? BREAK_MOST_NS : (int64_t)pause_ns;
}

static void start_session(struct clock *c, int64_t raw_ns, int64_t steady_ns, int64_t correction_ns)
{
	c->now = (struct clock_session){
		.session = ++c->last_session,
		.first_ns = steady_ns,
		.last_ns = steady_ns,
		.raw_first_ns = raw_ns,
		.raw_last_ns = raw_ns,
		.offset_ns = raw_ns + correction_ns - steady_ns,
		.basis = (uint8_t)(c->undated ? CLOCK_UNDATED : CLOCK_RECORDER),
	};
	c->raw_ns = raw_ns;
	c->steady_ns = steady_ns;
	c->time_provider = 0;
	c->begins = false;
	c->told_ns = 0;
}

static bool same_session(const struct clock *c, int64_t jump_ns)
{
	if (c->told_ns != 0 || (c->begins && (c->undated || c->now.basis == CLOCK_UNDATED))) {
		return false;
	}
	return jump_ns >= (c->begins ? 0 : -LATE_NS) && jump_ns <= break_after_ns(c);
}

bool clock_advance(struct clock *c, int64_t raw_ns)
{
	if (c->raw_ns == CLOCK_NONE) {
		return false;
	}
	int64_t jump_ns = raw_ns - c->raw_ns;
	if (!same_session(c, jump_ns)) {
		return false;
	}
	if (jump_ns > 0) {
		if (!c->begins) {
			c->spacing_ns += ((double)jump_ns - c->spacing_ns) / 256;
		}
		c->raw_ns = raw_ns;
		c->steady_ns += jump_ns;
	}
	c->begins = false;
	return true;
}

bool clock_is_glitch(const struct clock *c, int64_t raw_ns)
{
	if (!c->seam || c->raw_ns == CLOCK_NONE || c->step_known || c->told_ns != 0 || c->begins ||
		c->raw_ns - c->now.raw_first_ns > GLITCH_NS) {
		return false;
	}
	int64_t net_ns = raw_ns - c->before.raw_last_ns;
	return net_ns >= -LATE_NS && net_ns <= BREAK_MOST_NS;
}

void clock_open_session(struct clock *c, int64_t raw_ns)
{
	if (c->raw_ns == CLOCK_NONE) {
		start_session(c, raw_ns, raw_ns, 0);
		return;
	}
	bool glitch = clock_is_glitch(c, raw_ns);
	int64_t jump_ns = raw_ns - c->raw_ns;
	int64_t ahead_ns = jump_ns - c->told_ns;
	int64_t correction_ns = 0;
	int64_t window_end_ns = (c->steady_ns / WINDOW_NS + 1) * WINDOW_NS;
	if (ahead_ns < 0 || ahead_ns > STEADY_MOST_NS - c->steady_ns) {
		ahead_ns = 0; /* time does not go back; nor do mangled times drive it to its end */
	}
	int64_t steady_ns = c->steady_ns + ahead_ns;

	if (steady_ns < window_end_ns) {
		steady_ns = window_end_ns; /* no window belongs to two sessions */
	}
	c->now.last_ns = c->steady_ns;
	c->now.raw_last_ns = c->raw_ns;
	if (!glitch) {
		c->before = c->now;
		c->at_begin = c->begins;
		c->step_known = c->told_ns != 0;
		c->step_ns = c->told_ns;
	}
	c->seam = true;
	c->jump_ns = raw_ns - c->before.raw_last_ns;
	if (c->jump_ns > 0 && !c->step_known && !c->at_begin) {
		/* Presume a pause: the recorder's clock is still as wrong as it was. */
		correction_ns = c->before.offset_ns - (c->before.raw_last_ns - c->before.last_ns);
	}
	start_session(c, raw_ns, steady_ns, correction_ns);
}

void clock_tell_step(struct clock *c, int64_t step_ns)
{
	c->told_ns += step_ns;
}

void clock_tell_begin(struct clock *c, bool undated)
{
	c->begins = c->raw_ns != CLOCK_NONE;
	c->undated = undated;
}

bool clock_bus_time(struct clock *c, int64_t utc_ns, uint16_t provider)
{
	if (utc_ns < BUS_TIME_FIRST_NS || utc_ns > BUS_TIME_LAST_NS || c->now.session == 0) {
		return false;
	}
	uint16_t mark = (uint16_t)(provider + 1);
	if (c->time_provider != mark && c->time_provider != 0 &&
		c->steady_ns - c->time_heard_ns <= BUS_TIME_SILENT_NS) {
		return false;
	}
	c->time_provider = mark;
	c->time_heard_ns = c->steady_ns;
	if (c->now.basis == CLOCK_BUS) {
		/* Once is enough: within a session the recorder's clock did not jump, so a bus time
		 * that disagrees later is the receiver's trouble. */
		return false;
	}
	int64_t offset_ns = utc_ns - c->steady_ns;
	int64_t recorder_ns = c->now.raw_first_ns - c->now.first_ns;
	int64_t wrong_ns = offset_ns - recorder_ns;
	c->now.offset_ns = wrong_ns > -NEAR_NS && wrong_ns < NEAR_NS ? recorder_ns : offset_ns;
	c->now.basis = CLOCK_BUS;
	return true;
}

/* Engine meters are coarse: only what they cannot explain is a step. */
static bool far_apart(int64_t jump_ns, int64_t witness_ns)
{
	int64_t off_ns = jump_ns - witness_ns;

	return off_ns < -METERS_NS || off_ns > METERS_NS;
}

/* The clock was set by hand or by another clock. Whichever session knows the time by the bus gives
 * it to the other; where none does, a clock set ahead is right now. Returns whether the session
 * before got another offset. */
static bool relabel(struct clock *c, int64_t between_ns, int64_t gap_ns)
{
	if (c->before.basis == CLOCK_BUS && c->now.basis != CLOCK_BUS) {
		c->now.offset_ns = c->before.offset_ns - between_ns + gap_ns;
	} else if (c->before.basis == CLOCK_RECORDER && c->jump_ns > 0) {
		c->before.offset_ns = c->now.offset_ns + between_ns - gap_ns;
		return true;
	}
	return false;
}

bool clock_settle(struct clock *c, bool force, int64_t witness_ns, struct clock_seam *ret_seam)
{
	struct clock_seam seam = {.sure = true};

	if (!c->seam) {
		return false;
	}
	int64_t between_ns = c->now.first_ns - c->before.last_ns; /* as steady time has it */
	bool both = c->now.basis == CLOCK_BUS && c->before.basis == CLOCK_BUS;
	if (c->step_known) {
		seam.gap_ns = c->jump_ns - c->step_ns;
		seam.step_ns = c->step_ns;
		if (c->before.basis != CLOCK_BUS) {
			/* The same moment on both sides of the step: what the clock shows now also
			 * dates what came before. */
			c->before.offset_ns =
				c->now.offset_ns + between_ns - (seam.gap_ns > 0 ? seam.gap_ns : 0);
			c->before.basis = c->now.basis;
			seam.relabelled = true;
		}
	} else if (both) {
		seam.gap_ns = c->now.first_ns + c->now.offset_ns -
			      (c->before.last_ns + c->before.offset_ns);
		seam.step_ns = c->jump_ns - seam.gap_ns;
	} else {
		int64_t wait_ns = c->before.basis == CLOCK_BUS ? WAIT_BUS_NS : WAIT_NONE_NS;
		if (!force && c->steady_ns - c->now.first_ns < wait_ns) {
			return false;
		}
		seam.gap_ns = witness_ns >= 0 ? witness_ns : c->jump_ns;
		seam.step_ns = c->jump_ns < 0 ? c->jump_ns : 0;
		seam.sure = false;
		if (witness_ns >= 0 && far_apart(c->jump_ns, witness_ns)) {
			seam.step_ns = c->jump_ns - witness_ns;
			seam.relabelled = relabel(c, between_ns, witness_ns);
		}
	}
	if (seam.gap_ns < 0) {
		seam.gap_ns = 0;
	}
	if (c->at_begin || (seam.step_ns > -NEAR_NS && seam.step_ns < NEAR_NS)) {
		seam.step_ns = 0;
	}
	c->seam = false;
	*ret_seam = seam;
	return true;
}

int64_t clock_utc(const struct clock *c, int64_t steady_ns)
{
	return steady_ns + c->now.offset_ns;
}

void clock_session_fact(const struct clock_session *session, struct fact_session *ret_fact)
{
	*ret_fact = (struct fact_session){
		.session = session->session,
		.first_ns = session->first_ns,
		.last_ns = session->last_ns,
		.utc_offset_ns = session->offset_ns,
		.raw_first_ns = session->raw_first_ns,
		.raw_last_ns = session->raw_last_ns,
		.basis = (enum clock_basis)session->basis,
	};
}

static void save_session(const struct clock_session *s, struct state_writer *w)
{
	state_put_signed(w, s->session);
	state_put_signed(w, s->first_ns);
	state_put_signed(w, s->last_ns);
	state_put_signed(w, s->raw_first_ns);
	state_put_signed(w, s->raw_last_ns);
	state_put_signed(w, s->offset_ns);
	state_put_unsigned(w, s->basis);
}

static void load_session(struct clock_session *s, struct state_reader *r)
{
	s->session = state_get_signed(r);
	s->first_ns = state_get_signed(r);
	s->last_ns = state_get_signed(r);
	s->raw_first_ns = state_get_signed(r);
	s->raw_last_ns = state_get_signed(r);
	s->offset_ns = state_get_signed(r);
	s->basis = (uint8_t)state_get_unsigned(r, CLOCK_UNDATED);
}

void clock_save(const struct clock *c, struct state_writer *w)
{
	unsigned flags = (c->seam ? 1U : 0) | (c->step_known ? 2U : 0) | (c->begins ? 4U : 0) |
			 (c->undated ? 8U : 0) | (c->at_begin ? 16U : 0);

	state_put_signed(w, c->raw_ns);
	state_put_signed(w, c->steady_ns);
	state_put_double(w, c->spacing_ns);
	state_put_unsigned(w, flags);
	save_session(&c->now, w);
	if (c->seam) {
		save_session(&c->before, w);
		state_put_signed(w, c->jump_ns);
		state_put_signed(w, c->step_ns);
	}
	state_put_signed(w, c->told_ns);
	state_put_unsigned(w, c->time_provider);
	state_put_signed(w, c->time_heard_ns);
	state_put_signed(w, c->last_session);
}

void clock_load(struct clock *c, struct state_reader *r)
{
	clock_init(c);
	c->raw_ns = state_get_signed(r);
	c->steady_ns = state_get_signed(r);
	c->spacing_ns = state_get_double(r);
	uint64_t flags = state_get_unsigned(r, 31);
	c->seam = (flags & 1) != 0;
	c->step_known = (flags & 2) != 0;
	c->begins = (flags & 4) != 0;
	c->undated = (flags & 8) != 0;
	c->at_begin = (flags & 16) != 0;
	load_session(&c->now, r);
	if (c->seam) {
		load_session(&c->before, r);
		c->jump_ns = state_get_signed(r);
		c->step_ns = state_get_signed(r);
	}
	c->told_ns = state_get_signed(r);
	c->time_provider = (uint16_t)state_get_unsigned(r, UINT16_MAX);
	c->time_heard_ns = state_get_signed(r);
	c->last_session = state_get_signed(r);
}
