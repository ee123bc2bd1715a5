#include "analysis/economical.h"

#include <math.h>

#define LEAST_MINUTES 15.0 /* steady, behind the rate and behind the speed */
#define LEAST_POINTS  3
#define LEAST_SPREAD  1.2  /* highest of lowest engine speed that counts */
#define SPEED_SD      0.06 /* of ten minutes' boat speed at an engine speed: wind, sea, current */
#define SPEED_MINUTES 10.0 /* that hang together */

static bool counts(const struct economical_point *point)
{
	return point->rpm > 0 && point->rate_lph > 0 && point->speed_kn > 0 &&
	       point->rate_minutes >= LEAST_MINUTES && point->speed_minutes >= LEAST_MINUTES;
}

/* Does an engine's map say enough? */
static bool takes_part(const struct economical_point *points, size_t count, unsigned engine)
{
	double low = INFINITY;
	double high = 0;
	unsigned known = 0;

	for (size_t i = 0; i < count; i++) {
		if (points[i].engine == engine && counts(&points[i])) {
			low = fmin(low, points[i].rpm);
			high = fmax(high, points[i].rpm);
			known++;
		}
	}
	return known >= LEAST_POINTS && high >= LEAST_SPREAD * low;
}

/* All engines that take part, together at an engine speed; false where one of them is not known. */
static bool join(const struct economical_point *points, size_t count,
	const bool part[BOAT_ENGINES_MAX], double rpm, struct economical_speed *ret_speed)
{
	struct economical_speed speed = {.rpm = rpm};
	unsigned engines = 0;
	unsigned found = 0;
	double rate_var = 0;
	double speed_var = 0;

	for (unsigned e = 0; e < BOAT_ENGINES_MAX; e++) {
		engines += part[e] ? 1 : 0;
	}
	for (size_t i = 0; i < count; i++) {
		const struct economical_point *point = &points[i];
		if (point->rpm != rpm || !part[point->engine] || !counts(point)) {
			continue;
		}
		double sd = point->rate_sd_share * point->rate_lph;
		double kn_sd = SPEED_SD * sqrt(SPEED_MINUTES / point->speed_minutes);
		speed.engine_lph[point->engine] = point->rate_lph;
		speed.rate_lph += point->rate_lph;
		speed.speed_kn += point->speed_kn / engines;
		rate_var += isnan(sd) ? 0 : sd * sd;
		speed_var = fmax(speed_var, kn_sd * kn_sd); /* the same boat, so not independent */
		found++;
	}
	if (found < engines) {
		return false;
	}
	speed.l_per_nm = speed.rate_lph / speed.speed_kn;
	speed.l_per_nm_sd_share =
		sqrt(rate_var / (speed.rate_lph * speed.rate_lph) + speed_var);
	*ret_speed = speed;
	return true;
}

enum economical_state economical_find(
	const struct economical_point *points, size_t count, struct economical_speed *ret_speed)
{
	bool part[BOAT_ENGINES_MAX] = {false};
	bool any = false;
	bool speed_known = false;
	double least = INFINITY;
	double slowest_rpm = INFINITY;
	struct economical_speed best = {.rpm = 0};

	for (size_t i = 0; i < count; i++) {
		speed_known = speed_known || points[i].speed_kn > 0;
	}
	for (unsigned e = 0; e < BOAT_ENGINES_MAX; e++) {
		part[e] = takes_part(points, count, e);
		any = any || part[e];
	}
	if (!any) {
		return speed_known ? ECONOMICAL_THIN : ECONOMICAL_NO_SPEED;
	}
	for (size_t i = 0; i < count; i++) {
		struct economical_speed speed;
		if (!part[points[i].engine] || !counts(&points[i]) ||
			!join(points, count, part, points[i].rpm, &speed)) {
			continue;
		}
		slowest_rpm = fmin(slowest_rpm, speed.rpm);
		/* One deviation on top: a lucky reading of a thin point does not win. */
		double careful = speed.l_per_nm * (1 + speed.l_per_nm_sd_share);
		if (careful < least) {
			least = careful;
			best = speed;
		}
	}
	if (!(least < INFINITY)) {
		return ECONOMICAL_THIN;
	}
	best.slowest = best.rpm <= slowest_rpm;
	*ret_speed = best;
	return ECONOMICAL_FOUND;
}
