#include "analysis/jump_watch.h"

#include <math.h>
#include <stddef.h>

#define MINUTE_READINGS 6
#define LEVEL_KEEP	0.95  /* of the level's weight, a minute: it follows within 20 */
#define LEVEL_READY	30    /* minutes before steps are looked for */
#define UP_MINUTES	4     /* in a row: a step */
#define DOWN_MINUTES	10    /* nothing hurries when there is less than was thought */
#define AWAY_SHARE	0.10  /* of the restriction: smaller steps are none */
#define AWAY_LIMIT	0.02  /* of the limit */
#define FAR		4.5   /* deviations */
#define FAR_COMMON	2.5   /* the same of what readings share, which has no tails of its own */
#define FAR_COARSE	1.25  /* sensor's steps that nothing carries the reading across */
#define NOISE_LEAST	0.002 /* of the limit */
#define SPREAD_FIRST	1.0
#define SPREAD_LEAST	0.2
#define SPREAD_GAIN	0.02 /* 1/50 a minute */
#define SPREAD_CLIP	3.0
#define MEAN_TO_SD	1.2533 /* √(π/2): mean to standard deviation, for normal noise */
#define FLOW_LEAST	0.01   /* share of the reference flow */
#define FLOW_SHARE	0.10   /* of the restriction, for a flow that differs by a factor of e */
#define ALIKE_MOST	0.98
#define ALIKE_GAIN	0.1 /* after a rest, temperatures have settled within some 20 minutes */
#define COUNT_CAP	1000000

void jump_watch_init(struct jump_watch *j)
{
	*j = (struct jump_watch){.spread = SPREAD_FIRST};
}

static void clear_minute(struct jump_watch *j)
{
	j->count = 0;
	j->minute_kpa = 0;
	j->noise_kpa = 0;
	j->common_kpa = 0;
	j->coarse_kpa = 0;
	j->log_flow = 0;
}

static void clear_away(struct jump_watch *j)
{
	j->away = 0;
	j->away_kpa = 0;
	j->away_l = 0;
}

void jump_watch_renew(struct jump_watch *j)
{
	double spread = j->spread;

	jump_watch_init(j);
	j->spread = spread;
}

void jump_watch_rested(struct jump_watch *j)
{
	clear_minute(j);
	clear_away(j);
	j->alike = 0;
}

bool jump_watch_doubts(const struct jump_watch *j)
{
	return j->away > 0;
}

/* The state is kept to single precision, so that what is saved is all there is. */
#define FIELDS(of)                                                                                 \
	{                                                                                          \
		&(of)->minute_kpa, &(of)->noise_kpa, &(of)->common_kpa, &(of)->coarse_kpa,         \
			&(of)->log_flow, &(of)->level_kpa, &(of)->weight, &(of)->level_common_kpa, \
			&(of)->level_log_flow, &(of)->alike, &(of)->spread, &(of)->away_kpa,       \
			&(of)->away_l                                                              \
	}

static void round_state(struct jump_watch *j)
{
	double *fields[] = FIELDS(j);

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
}

void jump_watch_move(struct jump_watch *j, double factor, double delta_kpa)
{
	j->minute_kpa = j->minute_kpa * factor + (j->count > 0 ? delta_kpa : 0);
	j->level_kpa = j->level_kpa * factor + (j->minutes > 0 ? delta_kpa : 0);
	j->noise_kpa *= factor;
	j->common_kpa *= factor;
	j->coarse_kpa *= factor;
	j->level_common_kpa *= factor;
	j->weight /= factor * factor;
	j->away_kpa *= factor;
	round_state(j);
}

/* The level begins anew at a minute. */
static void set_level(struct jump_watch *j, double kpa, double noise_kpa)
{
	j->level_kpa = kpa;
	j->weight = 1 / (noise_kpa * noise_kpa);
	j->level_common_kpa = j->common_kpa;
	j->level_log_flow = j->log_flow;
	j->minutes = 1;
	clear_away(j);
}

/* The level takes a minute that lies near it, by its precision; the spread follows. */
static void follow(struct jump_watch *j, double off, double noise_kpa)
{
	double precision = 1 / (noise_kpa * noise_kpa);
	double scatter = MEAN_TO_SD * fmin(fabs(off) / noise_kpa, SPREAD_CLIP * j->spread);
	double spread_gain = fmax(SPREAD_GAIN, 1.0 / (j->minutes + 1));

	j->weight = LEVEL_KEEP * j->weight + precision;
	double gain = precision / j->weight;
	j->level_kpa += gain * off;
	j->level_common_kpa += gain * (j->common_kpa - j->level_common_kpa);
	j->level_log_flow += gain * (j->log_flow - j->level_log_flow);
	j->spread += spread_gain * (scatter - j->spread);
	j->spread = fmax(j->spread, SPREAD_LEAST);
	j->minutes += j->minutes < COUNT_CAP ? 1 : 0;
	clear_away(j);
}

/* How far a minute may lie off the level before it is away from it. */
static double away_from(const struct jump_watch *j, double limit_kpa, double noise_kpa)
{
	double flow = FLOW_SHARE * fabs(j->level_kpa) * fabs(j->log_flow - j->level_log_flow);
	double far = FAR * hypot(j->spread * noise_kpa, flow);
	double before = j->level_common_kpa;
	double now = j->common_kpa;
	double shared = sqrt(fmax(before * before + now * now - 2 * j->alike * before * now, 0));
	double least = fmax(AWAY_SHARE * fabs(j->level_kpa), AWAY_LIMIT * limit_kpa);

	return fmax(fmax(far, FAR_COMMON * shared), fmax(FAR_COARSE * j->coarse_kpa, least));
}

static enum jump_news close_minute(
	struct jump_watch *j, double limit_kpa, double litres, struct jump_change *ret_change)
{
	double noise = fmax(j->noise_kpa, NOISE_LEAST * limit_kpa);
	double off = j->minute_kpa - j->level_kpa;

	if (j->minutes == 0) {
		set_level(j, j->minute_kpa, noise);
		j->alike = ALIKE_MOST;
		return JUMP_NONE;
	}
	bool away = j->minutes >= LEVEL_READY && fabs(off) > away_from(j, limit_kpa, noise);
	j->alike += ALIKE_GAIN * (ALIKE_MOST - j->alike);
	if (!away) {
		follow(j, off, noise);
		return JUMP_NONE;
	}
	if (j->away > 0 && off * j->away_kpa < 0) {
		clear_away(j);
	}
	if (j->away == 0) {
		j->away_l = litres;
	}
	j->away++;
	/* The step may have come in the midst of the first. */
	j->away_kpa = j->away <= 2 ? off : j->away_kpa + off;
	if (j->away < (off > 0 ? UP_MINUTES : DOWN_MINUTES)) {
		return JUMP_NONE;
	}
	/* No restriction is less than nothing: what lies below is the sensor's. */
	*ret_change = (struct jump_change){
		.before = off > 0 ? fmax(j->level_kpa, 0) : j->level_kpa,
		.after = j->level_kpa + j->away_kpa / (j->away - 1),
		.since_l = j->away_l,
	};
	set_level(j, ret_change->after, noise);
	return off > 0 ? JUMP_UP : JUMP_DOWN;
}

enum jump_news jump_watch_take(struct jump_watch *j, double limit_kpa, double litres,
	const struct restriction_reading *reading, struct jump_change *ret_change)
{
	enum jump_news news = JUMP_NONE;

	j->count++;
	j->minute_kpa += (reading->reference_kpa - j->minute_kpa) / j->count;
	j->noise_kpa += (reading->noise_kpa - j->noise_kpa) / j->count;
	j->common_kpa += (reading->common_kpa - j->common_kpa) / j->count;
	j->coarse_kpa += (reading->coarse_kpa - j->coarse_kpa) / j->count;
	j->log_flow += (log(fmax(reading->flow_share, FLOW_LEAST)) - j->log_flow) / j->count;
	if (j->count >= MINUTE_READINGS) {
		news = close_minute(j, limit_kpa, litres, ret_change);
		clear_minute(j);
	}
	round_state(j);
	return news;
}

void jump_watch_save(const struct jump_watch *j, struct state_writer *w)
{
	const double *fields[] = FIELDS(j);

	state_put_unsigned(w, j->count);
	state_put_unsigned(w, j->minutes);
	state_put_unsigned(w, j->away);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)*fields[i]);
	}
}

void jump_watch_load(struct jump_watch *j, struct state_reader *r)
{
	double *fields[] = FIELDS(j);

	j->count = (uint32_t)state_get_unsigned(r, MINUTE_READINGS);
	j->minutes = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	j->away = (uint32_t)state_get_unsigned(r, DOWN_MINUTES);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
}
