#include "analysis/temperature_watch.h"

#include <math.h>
#include <stddef.h>

#define WINDOW_S        10
#define MINUTE_WINDOWS  6
#define HYSTERESIS_C    3.0
#define HOLD_S          20.0
#define DRIFT_C         6.0
#define WARM_UP_S       1200.0
#define FIRST_SD_C      1.5
#define LOAD_STEADY     0.08 /* from a window to the next */
#define SPREAD_C        4.0  /* within a steady window */
#define KNOWN           5.0  /* minutes that make a bin fit to be learned from */
#define NEAR_BINS       3
#define READY           40.0 /* minutes behind the usual before a residual counts */
#define FROZEN          300.0
#define MOST_C          12.0
#define LEAST_LOAD      0.15 /* lighter, it is still warming up for an hour */
#define SETTLED_SHARE   0.3 /* of the change that matters, between the two means */
#define SETTLED_MINUTES 4
#define QUICK_MINUTES   3.0
#define SLOW_MINUTES    10.0
#define SEA_BASE_C      15.0
#define SEA_GUESS       0.2   /* °C per °C; a thermostat takes most of it out */
#define SEA_WEIGHT      200.0 /* the guess weighs as much as minutes × °C² */
#define SEA_CAP         3000
#define ABOVE_CAP       100000

static double or_default(double value, double fallback)
{
	return isnan(value) ? fallback : value;
}

static struct batch_watch_config drift_config(const struct temperature_config *config)
{
	return (struct batch_watch_config){
		.change = or_default(config->drift_c, DRIFT_C),
		.first_sd = FIRST_SD_C,
		.most = MOST_C,
	};
}

void temperature_init(struct temperature_watch *t, const struct temperature_config *config)
{
	struct batch_watch_config drift = drift_config(config);

	*t = (struct temperature_watch){.last_load = -1, .sea_slope = state_single(SEA_GUESS)};
	batch_watch_init(&t->drift, &drift);
}

void temperature_reset(struct temperature_watch *t, const struct temperature_config *config)
{
	uint32_t revision = t->revision + 1;

	temperature_init(t, config);
	t->revision = revision;
}

double temperature_drift(const struct temperature_watch *t)
{
	return t->drift.batches > 0 ? t->drift.mean : NAN;
}

/* The limit: windows above it, and once raised windows well below it, must hold. */
static enum temperature_news watch_limit(struct temperature_watch *t,
	const struct temperature_config *config, const struct temperature_window *window)
{
	double hold = or_default(config->hold_s, HOLD_S);
	double hysteresis = or_default(config->hysteresis_c, HYSTERESIS_C);
	bool away = t->high ? window->mean_c < config->limit_c - hysteresis
			    : window->mean_c > config->limit_c;

	if (!away) {
		t->above_s = 0;
		return TEMPERATURE_QUIET;
	}
	t->above_s = t->above_s < ABOVE_CAP ? t->above_s + WINDOW_S : ABOVE_CAP;
	/* Clearing takes three times as long: a thermostat swings. */
	if (t->above_s < (t->high ? 3 * hold : hold)) {
		return TEMPERATURE_QUIET;
	}
	t->above_s = 0;
	t->high = !t->high;
	return t->high ? TEMPERATURE_HIGH : TEMPERATURE_HIGH_CLEARED;
}

/* A sea that is heard now and then goes on as it mostly was. */
static double sea_part(const struct temperature_watch *t, double sea_c)
{
	double known_c = isnan(sea_c) && t->sea_count > 0 ? t->sea_mean : sea_c;

	return isnan(known_c) ? 0 : t->sea_slope * (known_c - SEA_BASE_C);
}

static void learn_sea(struct temperature_watch *t, double sea_c, double residual)
{
	if (isnan(sea_c) || t->drift.raised != 0) {
		return;
	}
	if (t->sea_count < SEA_CAP) {
		t->sea_count++;
	}
	double keep = 1 - 1.0 / SEA_CAP;
	t->sea_mean = state_single(t->sea_mean + (sea_c - t->sea_mean) / t->sea_count);
	double swing = sea_c - t->sea_mean;
	t->sea_square = state_single(t->sea_square * keep + swing * swing);
	t->sea_product =
		state_single(t->sea_product * keep + swing * (residual + t->sea_slope * swing));
	double slope = (t->sea_product + SEA_WEIGHT * SEA_GUESS) / (t->sea_square + SEA_WEIGHT);
	double before = t->sea_slope;
	t->sea_slope = state_single(fmin(fmax(slope, 0), 1.5));
	/* What was usual at the sea's mean stays so. */
	for (size_t i = 0; i < TEMPERATURE_BINS; i++) {
		if (t->weight[i] > 0) {
			t->value[i] = state_single(
				t->value[i] -
				(t->sea_slope - before) * (t->sea_mean - SEA_BASE_C));
		}
	}
}

/* Rise of the temperature over load near a bin: from the known bins on either side, else from all.
 */
static double slope_near(const struct temperature_watch *t, size_t bin)
{
	size_t low = bin;
	size_t high = bin;
	double sum = 0;
	double x = 0;
	double y = 0;
	double xx = 0;
	double xy = 0;

	for (size_t i = 0; i < TEMPERATURE_BINS; i++) {
		double w = fmin(t->weight[i], KNOWN);
		if (w < KNOWN) {
			continue;
		}
		low = i < bin && i + NEAR_BINS >= bin ? i : low;
		high = i > bin && i <= bin + NEAR_BINS && high == bin ? i : high;
		sum += w;
		x += w * t->load[i];
		y += w * t->value[i];
	}
	if (low < bin && high > bin) {
		return (t->value[high] - t->value[low]) / (t->load[high] - t->load[low]);
	}
	for (size_t i = 0; i < TEMPERATURE_BINS && sum > 0; i++) {
		double w = fmin(t->weight[i], KNOWN);
		if (w >= KNOWN) {
			double off = t->load[i] - x / sum;
			xx += w * off * off;
			xy += w * off * (t->value[i] - y / sum);
		}
	}
	return xx > 0 ? xy / xx : 0;
}

/* At 15 °C of sea; 0 where the load's bin has nothing behind it. */
static double usual_at(const struct temperature_watch *t, double load, size_t *ret_bin)
{
	double at = fmin(fmax(load, 0), 1);
	size_t bin = (size_t)fmin(at * TEMPERATURE_BINS, TEMPERATURE_BINS - 1);

	*ret_bin = bin;
	return t->value[bin] + slope_near(t, bin) * (at - t->load[bin]);
}

double temperature_usual(const struct temperature_watch *t, double load, double sea_c)
{
	size_t bin;

	if (!(load >= LEAST_LOAD)) {
		return NAN;
	}
	double usual = usual_at(t, load, &bin);
	return t->weight[bin] >= READY ? usual + sea_part(t, sea_c) : NAN;
}

static enum temperature_news close_minute(struct temperature_watch *t,
	const struct temperature_config *config, const struct temperature_window *window,
	struct batch_change *ret_change)
{
	/* While it still goes somewhere (warming up, cooling down at idle) it says nothing of the
	 * load. */
	if (t->settled == 0) {
		t->quick_c = t->minute_c;
		t->slow_c = t->minute_c;
	}
	t->quick_c = state_single(t->quick_c + (t->minute_c - t->quick_c) / QUICK_MINUTES);
	t->slow_c = state_single(t->slow_c + (t->minute_c - t->slow_c) / SLOW_MINUTES);
	t->settled += t->settled < SETTLED_MINUTES ? 1 : 0;
	bool goes = fabs(t->quick_c - t->slow_c) >
		    fmax(SETTLED_SHARE * drift_config(config).change, window->step_c);
	if (goes || t->settled < SETTLED_MINUTES || t->minute_c < config->least_c) {
		return TEMPERATURE_QUIET;
	}
	double at = fmin(fmax(t->minute_load, 0), 1);
	size_t bin;
	double usual = usual_at(t, at, &bin);
	double reading = t->minute_c - sea_part(t, window->sea_c);
	double minutes = t->weight[bin];
	struct batch_watch_config drift = drift_config(config);
	double residual = minutes > 0 ? reading - usual : 0;

	if (t->drift.raised == 0 && minutes < FROZEN) {
		double most = minutes < KNOWN ? INFINITY : drift.change;
		double held = fmin(fmax(residual, -most), most);
		double gain = 1 / (minutes + 1);
		double moved = minutes > 0 ? t->value[bin] + gain * (held + usual - t->value[bin])
					   : reading;
		t->value[bin] = state_single(moved);
		t->load[bin] = state_single(t->load[bin] + gain * (at - t->load[bin]));
		t->weight[bin] = state_single(minutes + 1);
		t->revision++;
	}
	if (minutes < READY) {
		return TEMPERATURE_QUIET;
	}
	learn_sea(t, window->sea_c, residual);
	double own = window->step_c * window->step_c / 12;
	switch (batch_watch_minute(&t->drift, &drift, residual, or_default(own, 0), ret_change)) {
	case BATCH_UP:
		return TEMPERATURE_HOTTER;
	case BATCH_DOWN:
		return TEMPERATURE_COLDER;
	case BATCH_CLEARED:
		return TEMPERATURE_USUAL;
	case BATCH_QUIET:
		break;
	}
	return TEMPERATURE_QUIET;
}

enum temperature_news temperature_take(struct temperature_watch *t,
	const struct temperature_config *config, const struct temperature_window *window,
	struct batch_change *ret_change)
{
	if (isnan(window->mean_c)) {
		t->minute_windows = 0;
		t->settled = 0;
		return TEMPERATURE_QUIET;
	}
	enum temperature_news news = TEMPERATURE_QUIET;
	if (!isnan(config->limit_c)) {
		news = watch_limit(t, config, window);
	}
	bool steady = window->running_s >= or_default(config->warm_up_s, WARM_UP_S) &&
		      window->load >= LEAST_LOAD &&
		      fabs(window->load - t->last_load) <= LOAD_STEADY &&
		      window->high_c - window->low_c <= SPREAD_C;
	t->last_load = state_single(or_default(window->load, -1));
	if (!steady || isnan(window->load)) {
		t->minute_windows = 0;
		t->settled = 0;
		return news;
	}
	if (t->minute_windows == 0) {
		t->minute_c = 0;
		t->minute_load = 0;
	}
	t->minute_windows++;
	t->minute_c =
		state_single(t->minute_c + (window->mean_c - t->minute_c) / t->minute_windows);
	t->minute_load =
		state_single(t->minute_load + (window->load - t->minute_load) / t->minute_windows);
	if (t->minute_windows < MINUTE_WINDOWS) {
		return news;
	}
	t->minute_windows = 0;
	enum temperature_news more = close_minute(t, config, window, ret_change);
	return news != TEMPERATURE_QUIET ? news : more;
}

void temperature_save(const struct temperature_watch *t, struct state_writer *w)
{
	const double fields[] = {t->sea_slope, t->sea_square, t->sea_product, t->sea_mean,
		t->minute_c, t->quick_c, t->slow_c, t->minute_load, t->last_load};

	for (size_t i = 0; i < TEMPERATURE_BINS; i++) {
		state_put_unsigned(w, t->weight[i] > 0);
		if (t->weight[i] > 0) {
			state_put_float(w, (float)t->value[i]);
			state_put_float(w, (float)t->load[i]);
			state_put_float(w, (float)t->weight[i]);
		}
	}
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
	state_put_unsigned(w, t->sea_count);
	state_put_unsigned(w, t->minute_windows);
	state_put_unsigned(w, t->settled);
	state_put_unsigned(w, t->above_s);
	state_put_unsigned(w, t->high);
	state_put_unsigned(w, t->revision);
	batch_watch_save(&t->drift, w);
}

void temperature_load(struct temperature_watch *t, struct state_reader *r)
{
	double *fields[] = {&t->sea_slope, &t->sea_square, &t->sea_product, &t->sea_mean,
		&t->minute_c, &t->quick_c, &t->slow_c, &t->minute_load, &t->last_load};

	*t = (struct temperature_watch){0};
	for (size_t i = 0; i < TEMPERATURE_BINS; i++) {
		if (state_get_unsigned(r, 1) != 0) {
			t->value[i] = (double)state_get_float(r);
			t->load[i] = (double)state_get_float(r);
			t->weight[i] = (double)state_get_float(r);
		}
	}
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
	t->sea_count = (uint32_t)state_get_unsigned(r, SEA_CAP);
	t->minute_windows = (uint32_t)state_get_unsigned(r, MINUTE_WINDOWS);
	t->settled = (uint32_t)state_get_unsigned(r, SETTLED_MINUTES);
	t->above_s = (uint32_t)state_get_unsigned(r, ABOVE_CAP);
	t->high = state_get_unsigned(r, 1) != 0;
	t->revision = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	batch_watch_load(&t->drift, r);
}
