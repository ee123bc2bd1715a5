#include "analysis/burn_factors.h"

#include <math.h>
#include <string.h>

#define REFERENCE_RPM  2000.0 /* about which ln(rpm) is counted */
#define MINUTES_CAP    100000
#define ADVANCE_FAR    0.35 /* from the first: no propeller works there, or the log does not */
#define WATER_LEAST_KN 1.0  /* below, a log's wheel stands still */
#define START_S	       3600.0
#define MINUTES_OPEN   60    /* in which a sensor may still come up */
#define MINUTES_FREE   5     /* minutes that teach by their whole residual */
#define FAR	       3.0   /* deviations: later ones count for no more */
#define WELL_KNOWN     0.005 /* of what is expected: from here on it is not followed */
#define LACKING_MOST   600   /* minutes: a sensor that is gone for so long is done without */

/* Before anything is known: the share that each factor has, and its deviation. A propeller asks for
 * rate ∝ rpm^2.5 or so, and a third to a half less torque for each unit of advance; a kW into a
 * battery costs some 0.4 L/h through alternator and engine. Common practice, without a source. */
static const double first_value[BURN_FACTORS] = {0, 2.5, 0, -0.3, -0.1, 0.4, 0, 0.05};
static const double first_sd[BURN_FACTORS] = {3, 1, 2, 0.2, 0.1, 0.2, 0.5, 0.1};

static size_t pair(size_t i, size_t j)
{
	size_t low = i < j ? i : j;
	size_t high = i < j ? j : i;

	return low * BURN_FACTORS - low * (low + 1) / 2 + high;
}

void burn_factors_init(struct burn_factors *f)
{
	memset(f, 0, sizeof(*f));
	for (size_t i = 0; i < BURN_FACTORS; i++) {
		f->value[i] = state_single(first_value[i]);
		f->covariance[pair(i, i)] = state_single(first_sd[i] * first_sd[i]);
	}
}

bool burn_factors_see_advance(const struct burn_factors *f)
{
	return (f->known & 1U << BURN_FACTOR_ADVANCE) != 0;
}

static double advance_of(const struct burn_factors *f, double kn_rpm)
{
	return f->first_advance > 0 ? kn_rpm / f->first_advance - 1 : 0;
}

/* Fills what a minute has of each factor; returns the bits of those that it has. */
static uint32_t factors_of(
	const struct burn_factors *f, const struct burn_factors_minute *minute, double *ret_x)
{
	double x = log(minute->rpm / REFERENCE_RPM);
	uint32_t has = 1U << BURN_FACTOR_LEVEL | 1U << BURN_FACTOR_RPM | 1U << BURN_FACTOR_BEND;

	memset(ret_x, 0, BURN_FACTORS * sizeof(*ret_x));
	ret_x[BURN_FACTOR_LEVEL] = 1;
	ret_x[BURN_FACTOR_RPM] = x;
	ret_x[BURN_FACTOR_BEND] = x * x;
	if (minute->water_kn >= WATER_LEAST_KN) {
		has |= 1U << BURN_FACTOR_ADVANCE;
		ret_x[BURN_FACTOR_ADVANCE] = advance_of(f, minute->water_kn / minute->rpm);
	} else if (isnan(minute->water_kn) && minute->ground_kn >= WATER_LEAST_KN) {
		has |= 1U << BURN_FACTOR_GROUND;
		ret_x[BURN_FACTOR_GROUND] = advance_of(f, minute->ground_kn / minute->rpm);
	}
	if (!isnan(minute->battery_a) && !isnan(minute->battery_v)) {
		has |= 1U << BURN_FACTOR_CHARGE;
		ret_x[BURN_FACTOR_CHARGE] =
			minute->battery_a * minute->battery_v / 1000 / minute->rate_lph;
		return has;
	}
	has |= 1U << BURN_FACTOR_START;
	ret_x[BURN_FACTOR_START] = exp(-minute->running_s / START_S);
	if (!isnan(minute->battery_v)) {
		has |= 1U << BURN_FACTOR_VOLTAGE;
		ret_x[BURN_FACTOR_VOLTAGE] = f->first_v > 0 ? minute->battery_v - f->first_v : 0;
	}
	return has;
}

/* The first minute settles which factors are in use. */
static void begin(struct burn_factors *f, const struct burn_factors_minute *minute, uint32_t has)
{
	burn_factors_init(f);
	f->known = has;
	f->value[BURN_FACTOR_LEVEL] = state_single(log(minute->rate_lph));
	double kn = (has & 1U << BURN_FACTOR_GROUND) != 0 ? minute->ground_kn : minute->water_kn;
	f->first_advance = kn >= WATER_LEAST_KN ? state_single(kn / minute->rpm) : 0;
	f->first_v = isnan(minute->battery_v) ? 0 : state_single(minute->battery_v);
}

static void learn_minute(struct burn_factors *f, const double *spread, double off, double var)
{
	for (size_t i = 0; i < BURN_FACTORS; i++) {
		f->value[i] = state_single(f->value[i] + spread[i] / var * off);
		for (size_t j = i; j < BURN_FACTORS; j++) {
			double *at = &f->covariance[pair(i, j)];
			*at = state_single(*at - spread[i] * spread[j] / var);
		}
	}
	f->minutes += f->minutes < MINUTES_CAP ? 1 : 0;
}

bool burn_factors_take(struct burn_factors *f, const struct burn_factors_minute *minute, bool learn,
	double minute_var, struct burn_residual *ret_residual)
{
	double x[BURN_FACTORS];
	double spread[BURN_FACTORS] = {0};
	double expected = 0;
	double var = 0;
	uint32_t has;

	if (!(minute->rate_lph > 0) || !(minute->rpm > 0)) {
		return false;
	}
	has = factors_of(f, minute, x);
	bool comes_late = (has & ~f->known) != 0 && f->minutes < MINUTES_OPEN;
	if (f->minutes == 0 || comes_late || f->lacking >= LACKING_MOST) {
		begin(f, minute, has);
		has = factors_of(f, minute, x);
	}
	if ((f->known & ~has) != 0) {
		f->lacking++;
		return false;
	}
	f->lacking = 0;
	for (size_t i = 0; i < BURN_FACTORS; i++) {
		x[i] = (f->known & 1U << i) != 0 ? x[i] : 0;
	}
	if (fmax(fabs(x[BURN_FACTOR_ADVANCE]), fabs(x[BURN_FACTOR_GROUND])) > ADVANCE_FAR) {
		return false;
	}
	for (size_t i = 0; i < BURN_FACTORS; i++) {
		for (size_t j = 0; j < BURN_FACTORS; j++) {
			spread[i] += f->covariance[pair(i, j)] * x[j];
		}
		expected += f->value[i] * x[i];
		var += spread[i] * x[i];
	}
	var = fmax(var, 0);
	double off = log(minute->rate_lph) - expected;
	*ret_residual = (struct burn_residual){.off = off, .sd = sqrt(var)};
	if (learn && var > WELL_KNOWN * WELL_KNOWN) {
		double most = FAR * sqrt(var + minute_var);
		double held = f->minutes < MINUTES_FREE ? off : fmin(fmax(off, -most), most);
		learn_minute(f, spread, held, var + minute_var);
	}
	return true;
}

void burn_factors_save(const struct burn_factors *f, struct state_writer *w)
{
	state_put_unsigned(w, f->minutes);
	state_put_unsigned(w, f->lacking);
	if (f->minutes == 0) {
		return;
	}
	state_put_unsigned(w, f->known);
	state_put_float(w, (float)f->first_advance);
	state_put_float(w, (float)f->first_v);
	for (size_t i = 0; i < BURN_FACTORS; i++) {
		state_put_float(w, (float)f->value[i]);
	}
	for (size_t i = 0; i < BURN_FACTOR_PAIRS; i++) {
		state_put_float(w, (float)f->covariance[i]);
	}
}

void burn_factors_load(struct burn_factors *f, struct state_reader *r)
{
	burn_factors_init(f);
	f->minutes = (uint32_t)state_get_unsigned(r, MINUTES_CAP);
	f->lacking = (uint32_t)state_get_unsigned(r, LACKING_MOST);
	if (f->minutes == 0) {
		return;
	}
	f->known = (uint32_t)state_get_unsigned(r, (1U << BURN_FACTORS) - 1);
	f->first_advance = (double)state_get_float(r);
	f->first_v = (double)state_get_float(r);
	for (size_t i = 0; i < BURN_FACTORS; i++) {
		f->value[i] = (double)state_get_float(r);
	}
	for (size_t i = 0; i < BURN_FACTOR_PAIRS; i++) {
		f->covariance[i] = (double)state_get_float(r);
	}
}
