#include "analysis/restriction.h"

#include <math.h>
#include <stddef.h>

#define WINDOWS_SETTLED 3 /* steady windows in a row before one counts: 20 to 30 s */
#define WINDOWS_MINUTE  6
#define REST_SETTLED    4    /* after a stop the line's pressure decays: leave 40 s out */
#define ZERO_MOST       60   /* windows that the zero averages over */
#define ZERO_KEPT       3    /* of which this many count against a new rest's */
#define SPREAD_SHARE    0.08 /* flow extremes in a steady window, of the mean */
#define DRIFT_SHARE     0.04 /* flow change between steady windows */
#define LOW_SHARE       0.25 /* of the reference flow: below, the signal drowns */
#define REFERENCE_GAIN  0.02 /* the reference flow moves in steps of at least this */
#define FITTING_SHARE   0.15 /* of a reference restriction, before it is learned */
#define FITTING_SD      0.12
#define FITTING_MOST    0.6
#define LAMINAR_WALK    0.01 /* of the restriction, per square root of an hour */
#define MODEL_SHARE     0.03 /* what the two-term law may be off between flows */
#define HUBER           2.0
#define UNKNOWN_C       30.0 /* fuel at the filter of a running engine, nothing known */
#define UNKNOWN_SD_C    12.0
#define KNOWN_SD_C      2.0
#define AIR_KPA         101.3
#define AIR_SD_KPA      1.5 /* weather */
#define STUCK_WINDOWS   30
#define STUCK_STEPS     4.0
#define COUNT_CAP       100000

void restriction_init(struct restriction *r, const struct restriction_config *config)
{
	*r = (struct restriction){.last_lph = NAN, .held_kpa = NAN};
	if (config->reference_lph > 0) {
		r->reference_lph = state_single(config->reference_lph);
	}
}

void restriction_renew(struct restriction *r)
{
	/* The fittings stay as they are; the next readings set the element's own part anew. */
	r->laminar_var = 0;
	r->cross_var = 0;
	r->laminar_kpa = -1;
}

double restriction_reference_lph(const struct restriction *r)
{
	return r->reference_lph > 0 ? r->reference_lph : NAN;
}

double restriction_fitting_share(const struct restriction *r, double *ret_sd)
{
	double whole = r->laminar_kpa + r->fitting_kpa;

	if (r->split_count == 0 || !(whole > 0)) {
		*ret_sd = FITTING_SD;
		return FITTING_SHARE;
	}
	*ret_sd = sqrt(r->fitting_var) / whole;
	return fmin(fmax(r->fitting_kpa / whole, 0), FITTING_MOST);
}

/* The sensor's reading turned so that it grows with restriction; its zero still in it. */
static double raw_value(const struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	switch (config->sense) {
	case RESTRICTION_ABSOLUTE:
		return isnan(window->air_kpa) ? AIR_KPA - window->pressure_kpa
					      : window->air_kpa - window->pressure_kpa;
	case RESTRICTION_GAUGE:
		return r->sign > 0 ? window->pressure_kpa : -window->pressure_kpa;
	case RESTRICTION_DIFFERENTIAL:
		break;
	}
	return window->pressure_kpa;
}

static double zero_of(const struct restriction *r, const struct restriction_config *config)
{
	if (r->zero_count == 0) {
		return 0;
	}
	return config->sense == RESTRICTION_GAUGE && r->sign <= 0 ? -r->zero_kpa : r->zero_kpa;
}

static double zero_sd(const struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	double step = fmax(window->pressure_step_kpa, 0.01);

	if (r->zero_count == 0) {
		double weather = config->sense == RESTRICTION_ABSOLUTE && isnan(window->air_kpa)
					 ? AIR_SD_KPA
					 : 0;
		return sqrt(step * step + weather * weather);
	}
	return step / sqrt(12);
}

/* Rest: the zero is kept for the gauge's own sign, so that it survives a change of mind about it.
 */
static void rest(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	if (r->rest_count < COUNT_CAP) {
		r->rest_count++;
	}
	r->steady = 0;
	r->last_lph = NAN;
	if (r->has_run && r->rest_count <= REST_SETTLED) {
		return;
	}
	double value = config->sense == RESTRICTION_GAUGE ? window->pressure_kpa
							  : raw_value(r, config, window);
	if (r->has_run && r->zero_count > ZERO_KEPT) {
		r->zero_count = ZERO_KEPT;
	}
	r->has_run = false;
	if (r->zero_count < ZERO_MOST) {
		r->zero_count++;
	}
	r->zero_kpa += (value - r->zero_kpa) / r->zero_count;
}

static void vote_sign(struct restriction *r, const struct restriction_window *window)
{
	double moved = window->pressure_kpa - (r->zero_count > 0 ? r->zero_kpa : 0);

	if (fabs(moved) < 2 * window->pressure_step_kpa || moved == 0) {
		return;
	}
	if (moved > 0 && r->sign < 50) {
		r->sign++;
	} else if (moved < 0 && r->sign > -50) {
		r->sign--;
	}
}

/* Is this a steady window, and for long enough? Keeps the least flow of the row. */
static bool settled(struct restriction *r, const struct restriction_window *window)
{
	double flow = window->supply_lph;
	double step = fmax(window->supply_step_lph, 0);
	double spread = window->supply_high_lph - window->supply_low_lph;
	bool calm = spread <= SPREAD_SHARE * flow + 2 * step;
	bool same = fabs(flow - r->last_lph) <= DRIFT_SHARE * flow + step;

	if (!calm) {
		r->steady = 0;
	} else if (r->steady == 0 || !same) {
		r->steady = 1;
		r->floor_lph = flow;
	} else {
		r->floor_lph = fmin(r->floor_lph, flow);
		if (r->steady < COUNT_CAP) {
			r->steady++;
		}
	}
	r->last_lph = flow;
	return r->steady >= WINDOWS_SETTLED;
}

/* The reference flow follows the highest flow held for a minute; returns what that does to
 * restrictions read before. */
static double raise_reference(struct restriction *r, const struct restriction_config *config)
{
	if (config->reference_lph > 0 || r->steady < WINDOWS_MINUTE ||
		r->floor_lph <= r->reference_lph * (1 + REFERENCE_GAIN)) {
		return 1;
	}
	double ratio = r->reference_lph > 0 ? r->floor_lph / r->reference_lph : 1;
	double sd;
	double share = restriction_fitting_share(r, &sd);
	double rescale = ratio * (1 - share) + ratio * ratio * share;
	r->reference_lph = r->floor_lph;
	r->laminar_kpa *= ratio;
	r->fitting_kpa *= ratio * ratio;
	r->laminar_var *= ratio * ratio;
	r->cross_var *= ratio * ratio * ratio;
	r->fitting_var *= ratio * ratio * ratio * ratio;
	return rescale;
}

/* One step of a Kalman filter on (laminar, fitting): the element's own part wanders, the fittings'
 * does not; a reading far off counts less (Huber). */
static void learn_split(struct restriction *r, double measured, double noise, double laminar_gain,
	double fitting_gain)
{
	double level =
		measured / (laminar_gain * (1 - FITTING_SHARE) + fitting_gain * FITTING_SHARE);

	if (r->split_count == 0) {
		double scale = fmax(level, noise);
		r->laminar_kpa = (1 - FITTING_SHARE) * level;
		r->fitting_kpa = FITTING_SHARE * level;
		r->fitting_var = FITTING_SD * FITTING_SD * scale * scale;
		r->laminar_var = r->fitting_var + scale * scale + noise * noise;
		r->cross_var = -r->fitting_var;
	} else if (r->laminar_kpa < 0) {
		r->laminar_kpa = fmax((measured - fitting_gain * r->fitting_kpa) / laminar_gain, 0);
		r->laminar_var = r->fitting_var + level * level + noise * noise;
		r->cross_var = -r->fitting_var;
	}
	if (r->split_count < COUNT_CAP) {
		r->split_count++;
	}
	double whole = fabs(r->laminar_kpa + r->fitting_kpa);
	r->laminar_var += LAMINAR_WALK * LAMINAR_WALK * whole * whole / 360;
	double predicted = laminar_gain * r->laminar_kpa + fitting_gain * r->fitting_kpa;
	double model = MODEL_SHARE * predicted;
	double gain_l = laminar_gain * r->laminar_var + fitting_gain * r->cross_var;
	double gain_f = laminar_gain * r->cross_var + fitting_gain * r->fitting_var;
	double innovation = measured - predicted;
	double prior = laminar_gain * gain_l + fitting_gain * gain_f;
	double sum = prior + noise * noise + model * model;
	double far = fabs(innovation) / sqrt(sum);
	if (far > HUBER) {
		sum = prior + (noise * noise + model * model) * far / HUBER;
	}
	r->laminar_kpa += gain_l * innovation / sum;
	r->fitting_kpa += gain_f * innovation / sum;
	r->laminar_var -= gain_l * gain_l / sum;
	r->cross_var -= gain_l * gain_f / sum;
	r->fitting_var -= gain_f * gain_f / sum;
	r->laminar_kpa = fmax(r->laminar_kpa, 0);
	r->fitting_kpa = fmax(r->fitting_kpa, 0);
}

/* A value that stays to the last bit while the flow goes from rest to full is not being measured,
 * unless the restriction is too small for the sensor to see. */
static bool stuck(struct restriction *r, const struct restriction_window *window)
{
	double flow = window->running ? window->supply_lph : 0;
	double step = fmax(window->pressure_step_kpa, 0.001);

	if (!(fabs(window->pressure_kpa - r->held_kpa) < 0.1 * step)) {
		r->held_kpa = window->pressure_kpa;
		r->held_count = 0;
		r->held_low_lph = flow;
		r->held_high_lph = flow;
		return false;
	}
	if (r->held_count < COUNT_CAP) {
		r->held_count++;
	}
	r->held_low_lph = fmin(r->held_low_lph, flow);
	r->held_high_lph = fmax(r->held_high_lph, flow);
	if (r->held_count < STUCK_WINDOWS || r->split_count == 0 || !(r->reference_lph > 0)) {
		return false;
	}
	double share = (r->held_high_lph - r->held_low_lph) / r->reference_lph;
	return share * (r->laminar_kpa + r->fitting_kpa) > STUCK_STEPS * step && share > 0.4;
}

/* Relative change of dynamic viscosity per °C. */
static double viscosity_slope(const struct viscosity *fuel, double at_c)
{
	return log(viscosity_at(fuel, at_c + 1) / viscosity_at(fuel, at_c - 1)) / 2;
}

/* The state is kept to single precision, so that what is saved is all there is. */
static void round_state(struct restriction *r)
{
	double *fields[] = {&r->reference_lph, &r->zero_kpa, &r->last_lph, &r->floor_lph,
		&r->laminar_kpa, &r->fitting_kpa, &r->laminar_var, &r->cross_var, &r->fitting_var,
		&r->held_kpa, &r->held_low_lph, &r->held_high_lph};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
}

static enum restriction_state take(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window, struct restriction_reading *ret_reading)
{
	if (isnan(window->pressure_kpa)) {
		r->steady = 0;
		return RESTRICTION_NO_PRESSURE;
	}
	bool is_stuck = stuck(r, window);
	if (!window->running) {
		if (is_stuck) {
			return RESTRICTION_STUCK;
		}
		rest(r, config, window);
		return RESTRICTION_RESTING;
	}
	r->rest_count = 0;
	r->has_run = true;
	if (isnan(window->supply_lph)) {
		r->steady = 0;
		return RESTRICTION_NO_FLOW;
	}
	if (!settled(r, window)) {
		return RESTRICTION_SETTLING;
	}
	double rescale = raise_reference(r, config);
	if (!(r->reference_lph > 0)) {
		return RESTRICTION_SETTLING;
	}
	double share = window->supply_lph / r->reference_lph;
	if (share < LOW_SHARE && rescale == 1) {
		return RESTRICTION_LOW_FLOW;
	}
	if (is_stuck) {
		return RESTRICTION_STUCK;
	}
	if (config->sense == RESTRICTION_GAUGE) {
		vote_sign(r, window);
	}

	double fuel_c = window->fuel_c;
	double fuel_sd = isnan(window->fuel_sd_c) ? KNOWN_SD_C : window->fuel_sd_c;
	if (isnan(fuel_c)) {
		fuel_c = UNKNOWN_C;
		fuel_sd = UNKNOWN_SD_C;
	}
	/* Volume factors cancel but for a per mille; the density ratio is linear enough. */
	double density = 1 - 0.00084 * (fuel_c - RESTRICTION_REFERENCE_C);
	double viscosity = viscosity_at(&config->fuel, fuel_c) /
			   viscosity_at(&config->fuel, RESTRICTION_REFERENCE_C);
	double laminar_gain = viscosity * density * share;
	double fitting_gain = density * share * share;

	double measured = raw_value(r, config, window) - zero_of(r, config);
	double spread = window->pressure_high_kpa - window->pressure_low_kpa;
	double step = fmax(window->pressure_step_kpa, 0);
	double noise = sqrt(step * step / 12 + spread * spread / 36);
	learn_split(r, measured, fmax(noise, 0.01), laminar_gain, fitting_gain);

	double fitting = r->fitting_kpa;
	double fitting_most = FITTING_MOST * fmax(r->laminar_kpa + r->fitting_kpa, 0);
	fitting = fmin(fitting, fitting_most);
	double laminar = (measured - fitting_gain * fitting) / laminar_gain;
	double flow_error = (window->supply_high_lph - window->supply_low_lph) / 6 +
			    fmax(window->supply_step_lph, 0) / sqrt(12);
	double by_flow = (fabs(laminar) + 2 * fitting) * flow_error / window->supply_lph;
	double by_zero = zero_sd(r, config, window) / laminar_gain;
	double by_split = sqrt(r->fitting_var) * (1 - fitting_gain / laminar_gain);
	double by_temperature = laminar * viscosity_slope(&config->fuel, fuel_c) * fuel_sd;
	*ret_reading = (struct restriction_reading){
		.measured_kpa = measured,
		.reference_kpa = laminar + fitting,
		.noise_kpa = hypot(noise / laminar_gain, by_flow),
		.common_kpa = sqrt(
			by_zero * by_zero + by_split * by_split + by_temperature * by_temperature),
		.flow_share = share,
		.rescale = rescale,
	};
	return RESTRICTION_READ;
}

enum restriction_state restriction_take(struct restriction *r,
	const struct restriction_config *config, const struct restriction_window *window,
	struct restriction_reading *ret_reading)
{
	enum restriction_state state = take(r, config, window, ret_reading);

	round_state(r);
	return state;
}

void restriction_save(const struct restriction *r, struct state_writer *w)
{
	state_put_float(w, (float)r->reference_lph);
	state_put_float(w, (float)r->zero_kpa);
	state_put_unsigned(w, r->zero_count);
	state_put_unsigned(w, r->rest_count);
	state_put_unsigned(w, r->has_run);
	state_put_signed(w, r->sign);
	state_put_float(w, (float)r->last_lph);
	state_put_float(w, (float)r->floor_lph);
	state_put_unsigned(w, r->steady);
	state_put_float(w, (float)r->laminar_kpa);
	state_put_float(w, (float)r->fitting_kpa);
	state_put_float(w, (float)r->laminar_var);
	state_put_float(w, (float)r->cross_var);
	state_put_float(w, (float)r->fitting_var);
	state_put_unsigned(w, r->split_count);
	state_put_float(w, (float)r->held_kpa);
	state_put_unsigned(w, r->held_count);
	state_put_float(w, (float)r->held_low_lph);
	state_put_float(w, (float)r->held_high_lph);
}

void restriction_load(struct restriction *r, struct state_reader *reader)
{
	*r = (struct restriction){0};
	r->reference_lph = state_get_float(reader);
	r->zero_kpa = state_get_float(reader);
	r->zero_count = (uint32_t)state_get_unsigned(reader, ZERO_MOST);
	r->rest_count = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->has_run = state_get_unsigned(reader, 1) != 0;
	int64_t sign = state_get_signed(reader);
	if (sign < -50 || sign > 50) {
		reader->failed = true;
		sign = 0;
	}
	r->sign = (int32_t)sign;
	r->last_lph = state_get_float(reader);
	r->floor_lph = state_get_float(reader);
	r->steady = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->laminar_kpa = state_get_float(reader);
	r->fitting_kpa = state_get_float(reader);
	r->laminar_var = state_get_float(reader);
	r->cross_var = state_get_float(reader);
	r->fitting_var = state_get_float(reader);
	r->split_count = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->held_kpa = state_get_float(reader);
	r->held_count = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->held_low_lph = state_get_float(reader);
	r->held_high_lph = state_get_float(reader);
}
