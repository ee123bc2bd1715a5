#include "analysis/starvation.h"

#include <math.h>
#include <stddef.h>

#define BIN_RPM       250.0
#define STARTED_S     30.0 /* after a start pressure and speed settle */
#define USUAL_READY   60.0 /* windows before a pressure is usual */
#define USUAL_MOST    2000.0
#define YIELD_WINDOWS 7200.0 /* of running: a usual pressure follows one far below it in 20 hours */
#define YIELD_TOLD    0.03 /* of the usual: no more is given away before it is told */
#define SOUND_WINDOWS 360 /* an hour at a speed at which it had sunk, or above, to be sound again */
#define LOW_SHARE     0.4 /* of the usual: too low, where no limit is told */
#define LOW_WINDOWS   3
#define LOW_CLEAR     1.25  /* of the limit, to clear */
#define CLEAR_WINDOWS 60    /* ten minutes without, to clear */
#define DEEP_SHARE    0.45  /* of the usual pressure: deep */
#define SAG_KPA_SHARE 0.8   /* of the usual pressure: sagging */
#define SAG_RPM_SHARE STARVATION_SAGS /* speed lost at a steady demand */
#define HUNT_SHARE    0.035 /* spread of the speed: hunting, … */
#define HUNT_RPM      40.0
#define HUNT_TIMES    3.0  /* … and so many times the usual spread */
#define FLUTTER_SHARE 0.25 /* spread of the pressure, of the usual */
/* A spread of the speed that says something only together with the pressure, … */
#define EASY_SPREAD   STARVATION_HUNTS
#define EASY_RPM      20.0
#define EASY_TIMES    3.0  /* … so many times the usual */
#define EASY_SAG      0.94 /* of the usual pressure */
#define SPEED_STEADY  0.02 /* from a window to the next: nobody moves the throttle */
#define LOADED_SHARE  0.7  /* of a filter's limit */
#define EASED_SHARE   0.6  /* a filter loaded more than this keeps a starvation up */
#define DEMAND_STEADY 3.0  /* % within a window and against the level */
#define LEVEL_WINDOWS 6    /* at one demand before a speed is the level */
#define HUNT_READY    60
#define COUNT_CAP     100000

enum evidence { SAG_PRESSURE, SAG_SPEED, HUNTING, FLUTTER, EASY_HUNTING, EASY_SAGGING };

/* How many of the last six windows have it. */
struct minute {
	unsigned sag_pressure;
	unsigned sag_speed;
	unsigned hunting;
	unsigned flutter;
	unsigned easy_hunting;
	unsigned easy_sagging;
	bool deep; /* this window's pressure */
	bool flutters;
	bool demand_steady;
};

void starvation_init(struct starvation *s)
{
	*s = (struct starvation){.level_demand = NAN};
}

static size_t bin_of(double rpm)
{
	return (size_t)fmin(fmax(rpm / BIN_RPM, 0), STARVATION_BINS - 1);
}

double starvation_pressure_pct(const struct starvation *s, double rpm, double pressure_kpa)
{
	size_t bin = bin_of(rpm);

	if (!(rpm > 0) || s->weight[bin] < USUAL_READY || !(s->usual_kpa[bin] > 0)) {
		return NAN;
	}
	return 100 * (pressure_kpa / s->usual_kpa[bin] - 1);
}

/* Marks this window in the history of a kind of evidence; returns how many of the last six have it.
 */
static unsigned mark(struct starvation *s, enum evidence kind, bool seen)
{
	unsigned shift = 8 * (unsigned)kind;
	uint64_t bits = (s->history >> shift) & 0x3F;
	unsigned count = 0;

	bits = (bits << 1 | (seen ? 1 : 0)) & 0x3F;
	s->history = (s->history & ~((uint64_t)0xFF << shift)) | bits << shift;
	for (; bits != 0; bits &= bits - 1) {
		count++;
	}
	return count;
}

/* The speed that this demand gave so far; NaN while that is not known or the demand moves. */
static double follow_level(
	struct starvation *s, const struct starvation_window *w, bool *ret_steady)
{
	double demand = w->demand_pct;

	*ret_steady = w->demand_high_pct - w->demand_low_pct <= DEMAND_STEADY;
	if (!*ret_steady || !(fabs(demand - s->level_demand) <= DEMAND_STEADY)) {
		s->level_demand = state_single(*ret_steady ? demand : NAN);
		s->level_rpm = state_single(w->rpm);
		s->level_windows = 1;
		*ret_steady = false;
		return NAN;
	}
	double level = s->level_windows >= LEVEL_WINDOWS ? s->level_rpm : NAN;
	if (!(w->rpm < level * (1 - SAG_RPM_SHARE / 2))) { /* a sag does not become the level */
		s->level_windows = s->level_windows < 60 ? s->level_windows + 1 : 60;
		s->level_rpm =
			state_single(s->level_rpm + (w->rpm - s->level_rpm) / s->level_windows);
	}
	return level;
}

static void learn_pressure(struct starvation *s, const struct starvation_window *w)
{
	size_t bin = bin_of(w->rpm);
	double *usual = &s->usual_kpa[bin];
	double *weight = &s->weight[bin];

	/* What lies far below the usual is what is to be told, not learned. But an engine that goes on for
	 * days is right: what was usual may have been a sensor's lie, then at all speeds. */
	if (*weight >= USUAL_READY && w->pressure_kpa < SAG_KPA_SHARE * *usual) {
		double yield = 1 + (w->pressure_kpa / *usual - 1) / YIELD_WINDOWS;
		for (size_t i = 0; i < STARVATION_BINS; i++) {
			s->usual_kpa[i] = state_single(s->usual_kpa[i] * yield);
		}
		return;
	}
	*weight = state_single(fmin(*weight + 1, USUAL_MOST));
	*usual = state_single(*usual + (w->pressure_kpa - *usual) / *weight);
	if (*weight >= USUAL_READY) {
		s->once_kpa[bin] = fmax(s->once_kpa[bin], *usual);
	}
}

/* Is the pressure far below what it was at this speed, and on the way to become usual? The highest usual ones
 * are held against it, so that a pump that fades over a season does not take its measure along. */
static void watch_sinking(
	struct starvation *s, const struct starvation_window *w, struct starvation_news *news)
{
	size_t bin = bin_of(w->rpm);
	double once = s->once_kpa[bin];

	if (!(s->weight[bin] >= USUAL_READY) || !(once > 0)) {
		return;
	}
	news->once_kpa = once;
	double lost = 1 - w->pressure_kpa / once;
	if (lost > 1 - SAG_KPA_SHARE) {
		bool filters = w->restriction_share >= LOADED_SHARE; /* its own care tells it */
		double yield = 1 - lost / YIELD_WINDOWS;
		for (size_t i = 0; i < STARVATION_BINS; i++) {
			s->once_kpa[i] = state_single(s->once_kpa[i] * yield);
		}
		s->yielded = state_single(s->yielded + (filters ? 0 : lost / YIELD_WINDOWS));
		s->sunk_bin = s->sinking && s->sunk_bin < bin ? s->sunk_bin : (uint32_t)bin;
		s->sinking = true;
		s->sound_windows = 0;
		if (!s->sunk && s->yielded >= YIELD_TOLD && !s->starving && !s->pressure_low) {
			s->sunk = true;
			news->sunk_raised = true;
		}
		return;
	}
	/* What lacks at a high speed seldom does at a low one. */
	if (!s->sinking || bin < s->sunk_bin || ++s->sound_windows < SOUND_WINDOWS) {
		return;
	}
	news->sunk_cleared = s->sunk;
	s->sinking = false;
	s->sunk = false;
	s->yielded = 0;
}

static void watch_pressure(struct starvation *s, const struct starvation_window *w, double limit,
	bool known, struct starvation_news *news)
{
	double away =
		s->pressure_low ? w->pressure_kpa - LOW_CLEAR * limit : limit - w->pressure_kpa;

	s->low_windows = away > 0 ? s->low_windows + (s->low_windows < COUNT_CAP) : 0;
	if (!s->pressure_low && s->low_windows >= LOW_WINDOWS && !known) {
		s->pressure_low = true;
		s->low_windows = 0;
		news->pressure_low_raised = true;
	} else if (s->pressure_low && s->low_windows >= CLEAR_WINDOWS) {
		s->pressure_low = false;
		s->low_windows = 0;
		news->pressure_low_cleared = true;
	}
}

/* Puts the evidence of the last minute together. A pressure that only follows a loading filter down
 * is the filter's care; here it must be deep, or the speed must answer to it. */
static bool judge(
	const struct minute *m, const struct starvation_window *w, enum starvation_kind *ret_kind)
{
	bool loaded = w->restriction_share >= LOADED_SHARE;
	bool has_pressure = !isnan(w->pressure_kpa);
	bool speed = m->sag_speed >= 3 || m->hunting >= 4;

	if (m->sag_pressure >= 3 && (speed || (loaded && m->deep))) {
		*ret_kind = loaded            ? STARVATION_FILTER
			    : m->flutter >= 3 ? STARVATION_AIR
					      : STARVATION_UNKNOWN;
		return true;
	}
	if (m->flutter >= 4 && m->hunting >= 3) {
		*ret_kind = loaded ? STARVATION_UNKNOWN : STARVATION_AIR;
		return true;
	}
	if (m->easy_hunting == 6 && m->easy_sagging == 6) {
		*ret_kind = loaded ? STARVATION_UNKNOWN : STARVATION_AIR;
		return true;
	}
	if (!has_pressure && loaded && speed) {
		*ret_kind = STARVATION_FILTER;
		return true;
	}
	if (!has_pressure && m->demand_steady && m->sag_speed >= 3 && m->hunting >= 3) {
		*ret_kind = STARVATION_UNKNOWN;
		return true;
	}
	return false;
}

/* Looks at one window; learns the usual spread of the speed on the way. */
static struct minute look(struct starvation *s, const struct starvation_window *w, double usual,
	struct starvation_news *news)
{
	bool usual_known = !isnan(usual);
	bool steady;
	double last_rpm = s->level_windows > 0 ? s->level_rpm : NAN;
	double level = follow_level(s, w, &steady);
	double spread = (w->rpm_high - w->rpm_low) / w->rpm;
	double least = fmax(HUNT_SHARE, HUNT_RPM / w->rpm);
	bool wild = spread > fmax(least, HUNT_TIMES * s->usual_hunt);
	bool may_hunt = steady && s->hunt_windows >= HUNT_READY; /* else the helm may move it */
	double sagged = SAG_KPA_SHARE * usual - 2 * fmax(w->pressure_step_kpa, 0);
	double swing = w->pressure_high_kpa - w->pressure_low_kpa;
	/* Where no demand is heard, a speed whose mean stays is nobody's hand. */
	bool untouched = isnan(w->demand_pct)
				 ? fabs(w->rpm - last_rpm) <= SPEED_STEADY * last_rpm
				 : steady;
	bool restless = s->hunt_windows >= HUNT_READY &&
			spread > fmax(fmax(EASY_SPREAD, EASY_RPM / w->rpm),
					 EASY_TIMES * s->usual_hunt);
	double easy = EASY_SAG * usual - 0.5 * fmax(w->pressure_step_kpa, 0);
	struct minute m = {.demand_steady = steady};

	news->rpm_hunt_share = spread;
	news->rpm_sag_share = 1 - w->rpm / level;
	m.sag_speed = mark(s, SAG_SPEED, news->rpm_sag_share > SAG_RPM_SHARE);
	m.hunting = mark(s, HUNTING, wild && may_hunt);
	m.sag_pressure = mark(s, SAG_PRESSURE, usual_known && w->pressure_kpa < sagged);
	m.deep = usual_known && w->pressure_kpa < DEEP_SHARE * usual;
	m.flutters =
		usual_known && swing > FLUTTER_SHARE * usual && swing > 3 * w->pressure_step_kpa;
	m.flutter = mark(s, FLUTTER, m.flutters);
	m.easy_hunting = mark(s, EASY_HUNTING, restless && untouched);
	m.easy_sagging = mark(s, EASY_SAGGING, usual_known && w->pressure_kpa < easy);
	if (untouched && !wild && !restless && s->hunt_windows < COUNT_CAP) {
		s->hunt_windows++;
		/* Slowly, so that air that comes over hours does not become the usual. */
		double gain = 1.0 / fmin(s->hunt_windows, 4000);
		s->usual_hunt = state_single(s->usual_hunt + gain * (spread - s->usual_hunt));
	}
	return m;
}

bool starvation_take(struct starvation *s, const struct starvation_config *config,
	const struct starvation_window *w, struct starvation_news *ret_news)
{
	struct starvation_news news = {.kind = STARVATION_UNKNOWN,
		.pressure_kpa = w->pressure_kpa,
		.pressure_limit_kpa = NAN,
		.usual_kpa = NAN,
		.once_kpa = NAN,
		.rpm_sag_share = NAN,
		.rpm_hunt_share = NAN};

	if (!(w->rpm > 0) || w->running_s < STARTED_S) {
		s->history = 0;
		s->low_windows = 0;
		s->level_demand = state_single(NAN);
		s->level_windows = 0;
		*ret_news = news;
		return false;
	}
	size_t bin = bin_of(w->rpm);
	bool known = s->weight[bin] >= USUAL_READY && s->usual_kpa[bin] > 0;
	double usual = known ? s->usual_kpa[bin] : NAN;
	news.usual_kpa = usual;
	struct minute m = look(s, w, usual, &news);
	news.starves = judge(&m, w, &news.kind);

	s->calm = news.starves ? 0 : s->calm + (s->calm < COUNT_CAP);
	if (news.starves && !s->starving) {
		s->starving = true;
		news.starving_raised = true;
	} else if (s->starving && s->calm >= CLEAR_WINDOWS &&
		   !(w->restriction_share >= EASED_SHARE)) {
		s->starving = false;
		news.starving_cleared = true;
	}
	if (!isnan(w->pressure_kpa)) {
		bool learned = isnan(config->pressure_limit_kpa);
		double limit = learned ? LOW_SHARE * usual : config->pressure_limit_kpa;
		news.pressure_limit_kpa = limit;
		news.pressure_lacks = w->pressure_kpa < limit;
		/* Starvation explains a pressure that is only unusually low. */
		watch_pressure(s, w, limit, learned && s->starving, &news);
		watch_sinking(s, w, &news);
		/* A speed that is restless for a minute may come of the pressure. */
		if (!s->starving && (!s->pressure_low || learned) && !m.flutters &&
			m.easy_hunting < 6) {
			learn_pressure(s, w);
		}
	}
	*ret_news = news;
	return news.starving_raised || news.starving_cleared || news.pressure_low_raised ||
	       news.pressure_low_cleared || news.sunk_raised || news.sunk_cleared;
}

void starvation_save(const struct starvation *s, struct state_writer *w)
{
	for (size_t i = 0; i < STARVATION_BINS; i++) {
		state_put_unsigned(w, s->weight[i] > 0);
		if (s->weight[i] > 0) {
			state_put_float(w, (float)s->usual_kpa[i]);
			state_put_float(w, (float)s->weight[i]);
			state_put_float(w, (float)s->once_kpa[i]);
		}
	}
	state_put_float(w, (float)s->usual_hunt);
	state_put_unsigned(w, s->hunt_windows);
	state_put_float(w, (float)s->level_rpm);
	state_put_float(w, (float)s->level_demand);
	state_put_unsigned(w, s->level_windows);
	state_put_unsigned(w, s->history);
	state_put_unsigned(w, s->calm);
	state_put_unsigned(w, s->low_windows);
	state_put_unsigned(w, (s->starving ? 1U : 0U) | (s->pressure_low ? 2U : 0U) |
				      (s->sunk ? 4U : 0U) | (s->sinking ? 8U : 0U));
	if (s->sinking) {
		state_put_float(w, (float)s->yielded);
		state_put_unsigned(w, s->sunk_bin);
		state_put_unsigned(w, s->sound_windows);
	}
}

void starvation_load(struct starvation *s, struct state_reader *r)
{
	*s = (struct starvation){0};
	for (size_t i = 0; i < STARVATION_BINS; i++) {
		if (state_get_unsigned(r, 1) != 0) {
			s->usual_kpa[i] = (double)state_get_float(r);
			s->weight[i] = (double)state_get_float(r);
			s->once_kpa[i] = (double)state_get_float(r);
		}
	}
	s->usual_hunt = (double)state_get_float(r);
	s->hunt_windows = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	s->level_rpm = (double)state_get_float(r);
	s->level_demand = (double)state_get_float(r);
	s->level_windows = (uint32_t)state_get_unsigned(r, 60);
	s->history = state_get_unsigned(r, UINT64_MAX);
	s->calm = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	s->low_windows = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	uint64_t flags = state_get_unsigned(r, 15);
	s->starving = (flags & 1) != 0;
	s->pressure_low = (flags & 2) != 0;
	s->sunk = (flags & 4) != 0;
	s->sinking = (flags & 8) != 0;
	if (s->sinking) {
		s->yielded = (double)state_get_float(r);
		s->sunk_bin = (uint32_t)state_get_unsigned(r, STARVATION_BINS - 1);
		s->sound_windows = (uint32_t)state_get_unsigned(r, SOUND_WINDOWS);
	}
}
