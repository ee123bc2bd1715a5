#include "analysis/restriction.h"

#include <math.h>
#include <stddef.h>

#define WINDOWS_SETTLED 3 /* steady windows in a row before one counts: 20 to 30 s */
#define WINDOWS_MINUTE  6
#define REST_SETTLED    4    /* after a stop the line's pressure decays: leave 40 s out */
#define SPREAD_SHARE    0.08 /* flow extremes in a steady window, of the mean */
#define DRIFT_SHARE     0.04 /* flow change between steady windows */
#define LOW_SHARE       0.25 /* of the reference flow: below, the signal drowns */
#define REFERENCE_GAIN  0.02 /* the reference flow moves in steps of at least this */
#define FITTING_SHARE   0.15 /* of a reference restriction, before it is learned */
#define FITTING_SD      0.12
#define FITTING_MOST    0.6
#define LAMINAR_WALK    0.06 /* of the restriction, per square root of an hour */
#define MODEL_SHARE     0.03 /* what the two-term law may be off between flows */
#define ALIKE           60.0 /* windows in a row share their errors: ten minutes are one reading */
#define HUBER           2.0
#define ZERO_SD_KPA     0.4 /* of a differential sensor */
#define LIFT_KPA        3.0 /* at an outlet the fuel is lifted from the tank, more or less */
#define LIFT_SD_KPA     3.0
#define AIR_KPA         101.3
#define AIR_SD_KPA      1.5  /* weather */
#define ZERO_WALK_KPA   0.05 /* per square root of an hour */
#define ZERO_START_KPA  0.15 /* from one run to the next: drift, tank level … */
#define AIR_START_KPA   0.7  /* … and weather */
#define REST_SD_KPA     0.1
#define ALIKE_REST      12.0
#define REST_LONG       30   /* windows: by then the line of an outlet has come to rest, too */
#define REST_FAR        4.0  /* deviations: a zero so far off has moved … */
#define REST_OPEN       100.0 /* … and is followed at once */
#define ZERO_MOST_KPA   10.0 /* a differential sensor further off at rest is out of order, … */
#define LIFT_MOST_KPA   25.0 /* … as is one at an outlet, beside the usual lift */
#define SUCTION_MOST_KPA 95.0 /* no pump sucks harder than the air presses */
#define HEAD_MOST_KPA   60.0 /* nor lies a tank 7 m above its filter */
#define BELOW_LEAST_KPA 0.5  /* a restriction less than nothing by more is none */
#define LEVER_GAIN      0.002
#define SHIFT_LEAST_KPA 0.1
#define SHIFT_SHARE     0.02
#define UNKNOWN_C       30.0 /* fuel at the filter of a running engine, nothing known */
#define UNKNOWN_SD_C    12.0
#define KNOWN_SD_C      1.5
#define TANK_ABOVE_C    4.0  /* above the sea */
#define ROOM_ABOVE_C    14.0 /* of a running engine, above the tank */
#define GUESS_SD_C      4.0
#define GUESS_ONE_SD_C  6.0
#define WAX_C           6.0  /* below, wax may thicken the fuel beyond its line */
#define WAX_SHARE       0.05 /* a degree */
#define STUCK_WINDOWS   30
#define STUCK_STEPS     4.0
#define CROSSING_GAIN	 (1.0 / 1080) /* three engine hours of windows */
#define CROSSING_MOST	 0.4 /* one place of the scale may be crossed more often than others */
#define GRAIN_LEAST_KPA 1e-4
#define GRAIN_MOST_KPA  2.0 /* the coarsest step of a message */
#define SURE_SDS        3
#define COUNT_CAP       100000

enum { ZERO, LAMINAR, FITTING, PARTS };

/* Where the variance of two parts is kept. */
static size_t pair(size_t i, size_t j)
{
	size_t high = i > j ? i : j;
	size_t low = i > j ? j : i;

	return high * (high + 1) / 2 + low;
}

void restriction_guess_fuel(
	double sea_c, double room_c, bool warms, double *ret_fuel_c, double *ret_sd_c)
{
	/* The tank lies some degrees above the sea, the more the more fuel comes back warm. */
	double share = warms ? 0.75 : 0.3;

	if (!isnan(sea_c) && !isnan(room_c)) {
		double tank_c = sea_c + TANK_ABOVE_C;
		*ret_fuel_c = tank_c + share * fmax(room_c - tank_c, 0);
		*ret_sd_c = GUESS_SD_C;
	} else if (!isnan(sea_c)) {
		*ret_fuel_c = sea_c + TANK_ABOVE_C + share * ROOM_ABOVE_C;
		*ret_sd_c = GUESS_ONE_SD_C;
	} else if (!isnan(room_c)) {
		*ret_fuel_c = room_c - (1 - share) * ROOM_ABOVE_C;
		*ret_sd_c = GUESS_ONE_SD_C;
	} else {
		*ret_fuel_c = UNKNOWN_C;
		*ret_sd_c = UNKNOWN_SD_C;
	}
}

void restriction_init(struct restriction *r, const struct restriction_config *config)
{
	*r = (struct restriction){.last_lph = NAN, .held_kpa = NAN, .laminar_kpa = -1};
	if (config->reference_lph > 0) {
		r->reference_lph = state_single(config->reference_lph);
	}
}

void restriction_renew(struct restriction *r)
{
	/* Zero and fittings stay as they are; the next reading sets the element's own part anew. */
	r->laminar_kpa = -1;
}

bool restriction_is_void(const struct restriction *r)
{
	/* An element that is read is never known to the last bit. */
	return r->laminar_kpa == 0 && r->fitting_kpa == 0 &&
	       r->variance[pair(LAMINAR, LAMINAR)] == 0;
}

double restriction_reference_lph(const struct restriction *r)
{
	return r->reference_lph > 0 ? r->reference_lph : NAN;
}

double restriction_fitting_share(const struct restriction *r, double *ret_sd)
{
	double whole = r->laminar_kpa + r->fitting_kpa;

	if (r->count == 0 || r->laminar_kpa < 0 || !(whole > 0)) {
		*ret_sd = FITTING_SD;
		return FITTING_SHARE;
	}
	*ret_sd = sqrt(r->variance[pair(FITTING, FITTING)]) / whole;
	return fmin(fmax(r->fitting_kpa / whole, 0), FITTING_MOST);
}

/* The sensor's reading turned so that it grows with restriction; its zero still in it. */
static double raw_value(const struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	switch (config->sense) {
	case RESTRICTION_ABSOLUTE:
		return (isnan(window->air_kpa) ? AIR_KPA : window->air_kpa) - window->pressure_kpa;
	case RESTRICTION_GAUGE:
		return r->sign > 0 ? window->pressure_kpa : -window->pressure_kpa;
	case RESTRICTION_DIFFERENTIAL:
		break;
	}
	return window->pressure_kpa;
}

/* What is thought of the zero before anything is read: its mean, and its variance. */
static double zero_guess(const struct restriction_config *config,
	const struct restriction_window *window, double *ret_var)
{
	bool outlet = config->sense != RESTRICTION_DIFFERENTIAL;
	bool weather = config->sense == RESTRICTION_ABSOLUTE && isnan(window->air_kpa);
	double sd = outlet ? LIFT_SD_KPA : ZERO_SD_KPA;

	*ret_var = sd * sd + (weather ? AIR_SD_KPA * AIR_SD_KPA : 0);
	return outlet ? LIFT_KPA : 0;
}

double restriction_above_zero(const struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	return r->count == 0 ? NAN
			     : raw_value(r, config, window) - r->zero_kpa -
				       SURE_SDS * sqrt(fmax(r->variance[pair(ZERO, ZERO)], 0));
}

double restriction_whole(const struct restriction *r)
{
	return r->count == 0 || r->laminar_kpa < 0 ? NAN : r->laminar_kpa + r->fitting_kpa;
}

static void begin(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	r->zero_kpa = zero_guess(config, window, &r->variance[pair(ZERO, ZERO)]);
	r->zero_told_kpa = r->zero_kpa;
	r->count = 1;
}

/* One step of a Kalman filter on (zero, laminar, fitting): a reading far off counts less (Huber).
 */
static void meet(struct restriction *r, const double *gain, double value, double noise_var)
{
	double *parts[PARTS] = {&r->zero_kpa, &r->laminar_kpa, &r->fitting_kpa};
	double lever[PARTS] = {0};
	double prior = 0;
	double off = value;

	for (size_t i = 0; i < PARTS; i++) {
		for (size_t j = 0; j < PARTS; j++) {
			lever[i] += r->variance[pair(i, j)] * gain[j];
		}
		prior += gain[i] * lever[i];
		off -= gain[i] * *parts[i];
	}
	double sum = prior + noise_var;
	double far = fabs(off) / sqrt(sum);
	if (far > HUBER) {
		sum = prior + noise_var * far / HUBER;
	}
	for (size_t i = 0; i < PARTS; i++) {
		*parts[i] += lever[i] * off / sum;
		for (size_t j = i; j < PARTS; j++) {
			r->variance[pair(i, j)] -= lever[i] * lever[j] / sum;
		}
	}
	r->fitting_kpa = fmax(r->fitting_kpa, 0);
}

/* From one run to the next. */
static double zero_walk(
	const struct restriction_config *config, const struct restriction_window *window)
{
	bool weather = config->sense == RESTRICTION_ABSOLUTE && isnan(window->air_kpa);

	return weather ? AIR_START_KPA : ZERO_START_KPA;
}

/* Takes what the zero has moved by out of what the readings before are told to move by, but for what was
 * not known of it: a zero that was known, and wanders, was right in its time. */
static void keep_before(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window, double zero_before, double var_before)
{
	double walk = zero_walk(config, window);
	double learned = var_before > 0 ? fmax(1 - 0.5 * walk * walk / var_before, 0) : 0;

	r->zero_told_kpa += (1 - learned) * (r->zero_kpa - zero_before);
}

static void rest(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window, double last_kpa)
{
	const double gain[PARTS] = {1, 0, 0};
	double step = fmax(window->pressure_step_kpa, 0);

	r->rest_count += r->rest_count < COUNT_CAP ? 1 : 0;
	r->steady = 0;
	r->last_lph = NAN;
	r->flat = false;
	if (r->has_run && r->rest_count <= REST_SETTLED) {
		return;
	}
	double raw = raw_value(r, config, window);
	double guess_var;
	double guess = zero_guess(config, window, &guess_var);
	bool outlet = config->sense != RESTRICTION_DIFFERENTIAL;
	if (fabs(raw - guess) > (outlet ? LIFT_MOST_KPA : ZERO_MOST_KPA)) {
		return; /* no zero is so far off */
	}
	if (r->count == 0) {
		begin(r, config, window);
	}
	r->has_run = false;
	double held = r->laminar_kpa;
	double before = r->zero_kpa;
	double noise_var = ALIKE_REST * (step * step / 12 + REST_SD_KPA * REST_SD_KPA);
	double *var = &r->variance[pair(ZERO, ZERO)];
	double known_var = *var;
	bool moved = fabs(raw - before) > REST_FAR * sqrt(*var + noise_var / ALIKE_REST);
	/* A number that stands to the last bit, or has only just come, may be no reading. */
	bool alive = r->held_count == 0 && fabs(raw - last_kpa) < 0.25 * fabs(raw - before);
	if (moved && alive && (!outlet || r->rest_count > REST_LONG)) {
		*var += REST_OPEN * (raw - before) * (raw - before);
	}
	meet(r, gain, raw, noise_var);
	keep_before(r, config, window, before, moved ? 0 : known_var);
	if (held < 0) {
		r->laminar_kpa = -1; /* still not read */
	}
}

/* Which way a gauge goes: by its first readings, against its zero where that is known. */
static void vote_sign(struct restriction *r, const struct restriction_window *window)
{
	double zero_p = r->sign > 0 ? r->zero_kpa : -r->zero_kpa;
	double sd = sqrt(r->variance[pair(ZERO, ZERO)]);
	bool known = r->count > 0 && sd < 0.5 * LIFT_SD_KPA;
	double moved = window->pressure_kpa - (known ? zero_p : 0);
	int32_t before = r->sign;

	if (fabs(moved) < 2 * fmax(window->pressure_step_kpa, 0) || moved == 0) {
		return;
	}
	r->sign += moved > 0 ? (r->sign < 50 ? 1 : 0) : (r->sign > -50 ? -1 : 0);
	if ((before > 0) != (r->sign > 0) && r->count > 0) {
		/* Everything so far was read upside down; the zero only needs turning. */
		r->zero_kpa = known ? -r->zero_kpa : LIFT_KPA;
		r->zero_told_kpa = r->zero_kpa;
		r->laminar_kpa = -1;
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
		r->steady += r->steady < COUNT_CAP ? 1 : 0;
	}
	r->last_lph = flow;
	return r->steady >= WINDOWS_SETTLED;
}

/* The reference flow is the one that was told, from whenever it is; else it follows the highest flow held
 * for a minute. Returns what that does to restrictions read before. */
static double follow_reference(struct restriction *r, const struct restriction_config *config)
{
	bool told = config->reference_lph > 0;
	double lph = told ? state_single(config->reference_lph) : r->floor_lph;
	bool stays = told ? lph == r->reference_lph
			  : r->steady < WINDOWS_MINUTE ||
				    lph <= r->reference_lph * (1 + REFERENCE_GAIN);

	if (stays) {
		return 1;
	}
	double ratio = r->reference_lph > 0 ? lph / r->reference_lph : 1;
	const double scale[PARTS] = {1, ratio, ratio * ratio};
	double sd;
	double share = restriction_fitting_share(r, &sd);
	double rescale = ratio * (1 - share) + ratio * ratio * share;
	r->reference_lph = lph;
	r->laminar_kpa *= r->laminar_kpa > 0 ? scale[LAMINAR] : 1;
	r->fitting_kpa *= scale[FITTING];
	for (size_t i = 0; i < PARTS; i++) {
		for (size_t j = i; j < PARTS; j++) {
			r->variance[pair(i, j)] *= scale[i] * scale[j];
		}
	}
	return rescale;
}

/* What a reading says of zero, element and fittings. The element's own part wanders, the zero a
 * little, the fittings' part stays. */
static void learn(struct restriction *r, double raw, double noise, const double *gain)
{
	double *variance = r->variance;

	if (r->laminar_kpa < 0) {
		bool first = r->fitting_kpa == 0 && variance[pair(FITTING, FITTING)] == 0;
		double above = fmax(raw - r->zero_kpa, noise);
		if (first) {
			double level = above / (gain[LAMINAR] * (1 - FITTING_SHARE) +
						       gain[FITTING] * FITTING_SHARE);
			double sd = FITTING_SD * level;
			r->fitting_kpa = FITTING_SHARE * level;
			variance[pair(FITTING, FITTING)] = sd * sd;
		}
		r->laminar_kpa = fmax((above - gain[FITTING] * r->fitting_kpa) / gain[LAMINAR], 0);
		double open = 2 * (r->laminar_kpa + r->fitting_kpa) + noise +
			      2 * sqrt(variance[pair(ZERO, ZERO)]);
		variance[pair(LAMINAR, LAMINAR)] = open * open;
		variance[pair(ZERO, LAMINAR)] = 0;
		variance[pair(LAMINAR, FITTING)] = 0;
	}
	r->count += r->count < COUNT_CAP ? 1 : 0;
	double whole = r->laminar_kpa + r->fitting_kpa;
	variance[pair(LAMINAR, LAMINAR)] += LAMINAR_WALK * LAMINAR_WALK * whole * whole / 360;
	variance[pair(ZERO, ZERO)] += ZERO_WALK_KPA * ZERO_WALK_KPA / 360;
	double model = MODEL_SHARE * fabs(raw - r->zero_kpa);
	meet(r, gain, raw, ALIKE * (noise * noise + model * model));
	r->laminar_kpa = fmax(r->laminar_kpa, 0);
}

/* A value that stays to the last bit while the flow goes from rest to full is not being measured,
 * unless the restriction is too small for the sensor to see. What lies further off than any zero is
 * restriction for the most part, or nothing. */
static bool stuck(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	double guess_var;
	double guess = zero_guess(config, window, &guess_var);
	double flow = window->running ? window->supply_lph : 0;
	double step = fmax(window->pressure_step_kpa, 0.001);

	if (!(fabs(window->pressure_kpa - r->held_kpa) < 0.1 * step)) {
		r->held_kpa = window->pressure_kpa;
		r->held_count = 0;
		r->held_low_lph = flow;
		r->held_high_lph = flow;
		return false;
	}
	r->held_count += r->held_count < COUNT_CAP ? 1 : 0;
	r->held_low_lph = fmin(r->held_low_lph, flow);
	r->held_high_lph = fmax(r->held_high_lph, flow);
	double full = r->reference_lph > 0 ? r->reference_lph : r->held_high_lph;
	if (r->held_count < STUCK_WINDOWS || !(full > 0)) {
		return false;
	}
	double share = (r->held_high_lph - r->held_low_lph) / full;
	double whole = r->laminar_kpa < 0 ? 0 : r->laminar_kpa + r->fitting_kpa;
	double off = fabs(raw_value(r, config, window) - guess) - SURE_SDS * sqrt(guess_var);
	return share * fmax(whole, off) > STUCK_STEPS * step && share > 0.4;
}

/* Where a coarse step is crossed back and forth within a window, its mean lies between; where it
 * never is, a reading may stand for any pressure of the step's width. A sensor may be coarser than
 * its message. */
static void watch_steps(
	struct restriction *r, const struct restriction_window *window, double last_kpa)
{
	double step = fmax(window->pressure_step_kpa, 0);
	double spread = window->pressure_high_kpa - window->pressure_low_kpa;
	bool crossed = spread > fmax(0.5 * step, GRAIN_LEAST_KPA);
	double moved = crossed ? spread : r->flat ? fabs(window->pressure_kpa - last_kpa) : 0;

	if (moved > GRAIN_LEAST_KPA) {
		double grain = fmax(moved, step);
		r->grain_kpa = fmin(r->grain_kpa > 0 ? r->grain_kpa : GRAIN_MOST_KPA, grain);
	}
	r->flat = !crossed;
	r->crossing += CROSSING_GAIN * ((crossed ? 1 : 0) - r->crossing);
}

/* Relative change of dynamic viscosity per °C. */
static double viscosity_slope(const struct viscosity *fuel, double at_c)
{
	return log(viscosity_at(fuel, at_c + 1) / viscosity_at(fuel, at_c - 1)) / 2;
}

/* The zero moves a little from run to run. */
static void start_run(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window)
{
	double walk = zero_walk(config, window);

	if (r->count == 0) {
		begin(r, config, window);
	} else {
		/* It wanders, but never further than it could be when nothing was known of it. */
		const double gain[PARTS] = {1, 0, 0};
		double most;
		double guess = zero_guess(config, window, &most);
		double *var = &r->variance[pair(ZERO, ZERO)];
		double laminar = r->laminar_kpa;
		*var += walk * walk;
		meet(r, gain, guess, fmax(most * most / (walk * walk), most));
		r->laminar_kpa = laminar < 0 ? -1 : r->laminar_kpa;
	}
	r->has_run = true;
}

/* How far the readings so far would move by what has been learned of the zero. */
static double shift(struct restriction *r)
{
	double moved = r->zero_told_kpa - r->zero_kpa;
	double least = fmax(SHIFT_LEAST_KPA, SHIFT_SHARE * (r->laminar_kpa + r->fitting_kpa));

	if (fabs(moved) < least) {
		return 0;
	}
	r->zero_told_kpa = r->zero_kpa;
	return moved * r->lever;
}

static enum restriction_state take(struct restriction *r, const struct restriction_config *config,
	const struct restriction_window *window, struct restriction_reading *ret_reading)
{
	if (isnan(window->pressure_kpa)) {
		r->steady = 0;
		return RESTRICTION_NO_PRESSURE;
	}
	double whole = raw_value(r, config, window);
	struct restriction_window last = *window;
	last.pressure_kpa = r->held_kpa;
	if (config->sense != RESTRICTION_DIFFERENTIAL &&
		(whole > SUCTION_MOST_KPA || whole < -HEAD_MOST_KPA)) {
		r->steady = 0;
		return RESTRICTION_IMPLAUSIBLE;
	}
	bool is_stuck = stuck(r, config, window);
	if (!window->running) {
		if (is_stuck) {
			return RESTRICTION_STUCK;
		}
		rest(r, config, window, raw_value(r, config, &last));
		return RESTRICTION_RESTING;
	}
	if (!r->has_run || r->count == 0) {
		start_run(r, config, window);
	}
	r->rest_count = 0;
	watch_steps(r, window, last.pressure_kpa);
	if (isnan(window->supply_lph)) {
		r->steady = 0;
		return RESTRICTION_NO_FLOW;
	}
	if (!settled(r, window)) {
		return RESTRICTION_SETTLING;
	}
	/* Without a reading nobody would be told that the flow has moved. */
	double rescale = is_stuck && r->reference_lph > 0 ? 1 : follow_reference(r, config);
	if (!(r->reference_lph > 0)) {
		return RESTRICTION_SETTLING;
	}
	if (is_stuck) {
		return RESTRICTION_STUCK;
	}
	if (config->sense == RESTRICTION_GAUGE) {
		vote_sign(r, window);
	}

	double share = window->supply_lph / r->reference_lph;
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
	const double gain[PARTS] = {1, viscosity * density * share, density * share * share};

	double raw = raw_value(r, config, window);
	double spread = window->pressure_high_kpa - window->pressure_low_kpa;
	double step = fmax(window->pressure_step_kpa, 0);
	double noise = sqrt(step * step / 12 + spread * spread / 36);
	double zero_before = r->zero_kpa;
	double var_before = r->variance[pair(ZERO, ZERO)];
	learn(r, raw, fmax(noise, 0.01), gain);
	keep_before(r, config, window, zero_before, var_before);
	if (share < LOW_SHARE && rescale == 1) {
		return RESTRICTION_LOW_FLOW;
	}

	double fitting_most = FITTING_MOST * (r->laminar_kpa + r->fitting_kpa);
	double fitting = fmin(r->fitting_kpa, fitting_most);
	double measured = raw - r->zero_kpa;
	double zero_var = r->variance[pair(ZERO, ZERO)];
	if (measured < -fmax(SURE_SDS * sqrt(zero_var), BELOW_LEAST_KPA) - SURE_SDS * noise) {
		return RESTRICTION_IMPLAUSIBLE; /* the zero may follow; the element has none of it */
	}
	double laminar = (measured - gain[FITTING] * fitting) / gain[LAMINAR];
	double flow_error = (window->supply_high_lph - window->supply_low_lph) / 6 +
			    fmax(window->supply_step_lph, 0) / sqrt(12);
	double by_flow = (fabs(laminar) + 2 * fitting) * flow_error / window->supply_lph;
	double by_temperature = laminar * viscosity_slope(&config->fuel, fuel_c) * fuel_sd;
	double by_supply = (fabs(laminar) + 2 * fitting) * window->supply_sd_share;
	double by_wax = laminar * WAX_SHARE * fmax(WAX_C - fuel_c, 0);
	double split = 1 - gain[FITTING] / gain[LAMINAR];
	/* The zero counts for more at low flow: what it adds beyond the usual is no constant. */
	double beyond = 1 / gain[LAMINAR] - (r->lever > 0 ? r->lever : 1 / gain[LAMINAR]);
	double by_parts = zero_var * beyond * beyond -
			  2 * r->variance[pair(ZERO, FITTING)] * split * beyond +
			  r->variance[pair(FITTING, FITTING)] * split * split;
	r->lever += ((1 / gain[LAMINAR]) - r->lever) * (r->lever > 0 ? LEVER_GAIN : 1);
	*ret_reading = (struct restriction_reading){
		.measured_kpa = measured,
		.reference_kpa = laminar + fitting,
		.noise_kpa = hypot(noise / gain[LAMINAR], by_flow),
		.common_kpa = sqrt(by_temperature * by_temperature + by_supply * by_supply +
				   by_wax * by_wax + fmax(by_parts, 0)),
		.zero_kpa = sqrt(zero_var) / gain[LAMINAR],
		.coarse_kpa = (1 - fmin(r->crossing, CROSSING_MOST)) * fmax(step, r->grain_kpa) /
			      gain[LAMINAR],
		.flow_share = share,
		.rescale = rescale,
		.shift_kpa = shift(r),
	};
	return RESTRICTION_READ;
}

/* The state is kept to single precision, so that what is saved is all there is. */
#define FIELDS(of)                                                                             \
	{                                                                                      \
		&(of)->reference_lph, &(of)->zero_kpa, &(of)->laminar_kpa, &(of)->fitting_kpa, \
			&(of)->variance[0], &(of)->variance[1], &(of)->variance[2],            \
			&(of)->variance[3], &(of)->variance[4], &(of)->variance[5],            \
			&(of)->zero_told_kpa, &(of)->lever, &(of)->last_lph, &(of)->floor_lph, \
			&(of)->held_kpa, &(of)->held_low_lph, &(of)->held_high_lph,            \
			&(of)->grain_kpa, &(of)->crossing                                      \
	}

enum restriction_state restriction_take(struct restriction *r,
	const struct restriction_config *config, const struct restriction_window *window,
	struct restriction_reading *ret_reading)
{
	enum restriction_state state = take(r, config, window, ret_reading);
	double *fields[] = FIELDS(r);

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
	return state;
}

void restriction_save(const struct restriction *r, struct state_writer *w)
{
	const double *fields[] = FIELDS(r);

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)*fields[i]);
	}
	state_put_unsigned(w, r->rest_count);
	state_put_unsigned(w, r->steady);
	state_put_unsigned(w, r->count);
	state_put_unsigned(w, r->held_count);
	state_put_signed(w, r->sign);
	state_put_unsigned(w, r->has_run);
	state_put_unsigned(w, r->flat);
}

void restriction_load(struct restriction *r, struct state_reader *reader)
{
	*r = (struct restriction){0};
	double *fields[] = FIELDS(r);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(reader);
	}
	r->rest_count = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->steady = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->count = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	r->held_count = (uint32_t)state_get_unsigned(reader, COUNT_CAP);
	int64_t sign = state_get_signed(reader);
	if (sign < -50 || sign > 50) {
		reader->failed = true;
		sign = 0;
	}
	r->sign = (int32_t)sign;
	r->has_run = state_get_unsigned(reader, 1) != 0;
	r->flat = state_get_unsigned(reader, 1) != 0;
}
