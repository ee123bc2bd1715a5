#include "analysis/tank.h"

#include <math.h>

#include "analysis/fuel_volume.h"

#define FAST_WINDOWS   6     /* a minute */
#define REST_WINDOWS   60    /* the level averages over so many at rest, … */
#define WAY_WINDOWS    180   /* … and under way, where heel and slosh move it */
#define FILL_SHARE     0.025 /* of the capacity: a rise of more at rest is a refuelling … */
#define FILL_WAY_SHARE 0.06  /* … and under way, after a silence only */
#define FILL_LEAST_L   3.0
#define FILL_WINDOWS   12 /* for so long: two minutes */
#define WAKE_WINDOWS   60
#define SILENCE_S      300.0
#define SETTLE_WINDOWS 30 /* nothing more came in for so long: it has ended */
#define SETTLE_SHARE   0.004
#define BASE_WEIGHT    90.0 /* windows of the account's beginning */
#define BASE_WAY       0.2  /* a window under way counts so much */
#define FULL_PCT       98.5 /* above, slosh is cut off and the level reads too low */
#define RECENT_REST    60.0
#define RECENT_WAY     720.0
#define SENDER_SHARE   0.04  /* of the capacity: what a straight line may be off, … */
#define TABLE_SHARE    0.015 /* … and a strapping table */
#define STEP_SHARE     0.01  /* of the capacity: repeatability */
#define HEEL_PCT       3.0   /* of level */
#define BURN_SHARE     0.03  /* of the fuel burned */
#define TANK_WINDOWS   720.0   /* a tank warms and cools over hours: two of running */
#define EXPANSION      0.00084 /* 1/K, of diesel fuel of 845 kg/m³ (ASTM D1250, table 54B) */
#define HEARD_SD_K     4.0     /* the tank beside the fuel that is drawn, … */
#define UNHEARD_SD_K   10.0    /* … and where no fuel temperature is heard: day, night, return */
#define MISMATCH_TIMES 2.5
#define MISMATCH_SHARE 0.04
#define MISMATCH_LEAST 5.0
#define DOUBT_WINDOWS  180 /* half an hour */
#define FALL_SHARE     0.25 /* of the capacity, gone from one window to the next: no fuel does that */
#define FALLS_TOLD     3
#define CALM_WINDOWS   720 /* two hours without, to believe the sender again */
#define COUNT_CAP      100000

void tank_init(struct tank *t)
{
	*t = (struct tank){.fuel_c = NAN};
}

double tank_volume_of_level(const struct tank_config *config, double level_pct)
{
	if (config->strapping.count < 2) {
		return config->capacity_l * fmin(fmax(level_pct, 0), 100) / 100;
	}
	return strapping_volume(&config->strapping, level_pct);
}

double tank_volume15(const struct tank_config *config, double volume_l, double fuel_c)
{
	double factor = fuel_volume_factor(config->density15_kgm3, fuel_c);

	return isnan(factor) ? volume_l : volume_l * factor;
}

double tank_volume(const struct tank *t, const struct tank_config *config, double *ret_sd_l)
{
	if (t->count == 0) {
		*ret_sd_l = NAN;
		return NAN;
	}
	double share = config->strapping.count < 2 ? SENDER_SHARE : TABLE_SHARE;
	double sender = config->capacity_l * hypot(share, STEP_SHARE);
	/* Slosh hangs together for a minute or so. */
	double slosh = t->slosh_l2 * FAST_WINDOWS / fmin(t->count, REST_WINDOWS);
	*ret_sd_l = sqrt(sender * sender + slosh);
	return t->level_l;
}

/* Starts the account of level against burn. */
static void open_account(struct tank *t)
{
	t->burned_l = 0;
	t->base_l = 0;
	t->base_weight = 0;
	t->base_rest = 0;
	t->recent_l = 0;
	t->rest_share = 0;
	t->doubt = 0;
	t->mismatch = 0;
}

static double mismatch_sd(const struct tank *t, const struct tank_config *config, double heel_l)
{
	double share = config->strapping.count < 2 ? SENDER_SHARE : TABLE_SHARE;
	/* A sender's curve is off little between levels near each other. */
	double way = fmin(1, 3 * t->burned_l / config->capacity_l);
	double sender = config->capacity_l * (share * way + STEP_SHARE);
	double heel = heel_l * hypot(1 - t->rest_share, 1 - t->base_rest);
	double burn = BURN_SHARE * t->burned_l;
	double warm = EXPANSION * (isnan(t->fuel_c) ? UNHEARD_SD_K : HEARD_SD_K) * t->level_l;
	double slosh = t->slosh_l2 / 4;

	return sqrt(sender * sender + heel * heel + burn * burn + warm * warm + slosh);
}

/* The tank follows the temperature of what is drawn from it, while fuel flows. */
static void follow_temperature(struct tank *t, const struct tank_window *window)
{
	if (isnan(window->fuel_c) || !window->running) {
		return;
	}
	if (isnan(t->fuel_c)) {
		t->fuel_c = window->fuel_c;
		if (t->mismatch == 0) {
			open_account(t); /* litres at 15 °C from here on */
		}
		return;
	}
	t->fuel_c += (window->fuel_c - t->fuel_c) / TANK_WINDOWS;
}

/* Level and burn together should stay what they were, in litres at 15 °C. */
static enum tank_state balance(struct tank *t, const struct tank_config *config,
	const struct tank_window *window, double volume, struct tank_news *news)
{
	double together = tank_volume15(config, volume, t->fuel_c) + t->burned_l;

	bool cut = window->level_pct > FULL_PCT || window->level_pct < 100 - FULL_PCT;
	if (cut && !window->at_rest) {
		return TANK_QUIET;
	}
	double rest = window->at_rest ? 1 : 0;
	if (t->base_weight < BASE_WEIGHT) {
		double weight = window->at_rest ? 1 : BASE_WAY;
		t->base_weight += weight;
		t->base_l += (together - t->base_l) * weight / t->base_weight;
		t->base_rest += (rest - t->base_rest) * weight / t->base_weight;
		t->recent_l = t->base_l;
		t->rest_share = t->base_rest;
		return TANK_QUIET;
	}
	double gain = 1 / (window->at_rest ? RECENT_REST : RECENT_WAY);
	t->recent_l += gain * (together - t->recent_l);
	t->rest_share += gain * (rest - t->rest_share);
	double off = t->recent_l - t->base_l;
	double slope = (tank_volume_of_level(config, window->level_pct + 1) -
			       tank_volume_of_level(config, window->level_pct - 1)) /
		       2;
	double sd = mismatch_sd(t, config, HEEL_PCT * slope);
	double least = fmax(MISMATCH_SHARE * config->capacity_l, MISMATCH_LEAST);
	double limit = fmax(MISMATCH_TIMES * sd, least);
	news->mismatch_l = off;
	news->mismatch_sd_l = sd;
	if (t->mismatch != 0) {
		t->doubt = fabs(off) < 0.6 * limit ? t->doubt + 1 : 0;
		if (t->doubt >= DOUBT_WINDOWS) {
			t->doubt = 0;
			t->mismatch = 0;
			return TANK_MISMATCH_CLEARED;
		}
		return TANK_QUIET;
	}
	t->doubt = fabs(off) > limit ? t->doubt + 1 : 0;
	if (t->doubt < DOUBT_WINDOWS) {
		return TANK_QUIET;
	}
	t->doubt = 0;
	t->mismatch = off > 0 ? 1 : -1;
	return off > 0 ? TANK_SURPLUS : TANK_MISSING;
}

/* Follows a refuelling to its end. */
static enum tank_state fill(
	struct tank *t, const struct tank_config *config, struct tank_news *news)
{
	double settle = fmax(SETTLE_SHARE * config->capacity_l, sqrt(t->slosh_l2 / FAST_WINDOWS));

	if (t->fast_l > t->fill_last_l + settle) {
		t->fill_last_l = t->fast_l;
		t->settled = 0;
	} else {
		t->settled++;
	}
	if (t->settled < SETTLE_WINDOWS) {
		return TANK_QUIET;
	}
	double share = config->strapping.count < 2 ? SENDER_SHARE : TABLE_SHARE;
	/* A sender that has come back brings only what is more than before it left. */
	bool back = t->fell_from_l > 0;
	double came = t->fast_l - (back ? t->fell_from_l : t->fill_from_l - t->fill_burned_l);
	t->filling = false;
	t->away = 0;
	t->settled = 0;
	t->level_l = t->fast_l;
	t->count = FAST_WINDOWS;
	t->fell_from_l = 0;
	if (came < fmax(FILL_SHARE * config->capacity_l, FILL_LEAST_L)) {
		t->recent_l = t->base_l;
		t->doubt = 0;
		return TANK_QUIET;
	}
	news->filled_l = came;
	news->filled_sd_l = hypot(share * came, STEP_SHARE * config->capacity_l);
	t->falls = 0;
	open_account(t); /* and with the old account what it told */
	return TANK_REFUELLED;
}

/* Does the sender say that a quarter of the tank has gone since the last window? */
static void notice_fall(struct tank *t, const struct tank_config *config,
	const struct tank_window *window, double volume)
{
	if (window->silent_s == 0 && t->last_l - volume > FALL_SHARE * config->capacity_l) {
		t->falls += t->falls < COUNT_CAP ? 1 : 0;
		t->fell_from_l = t->fell_from_l > 0 ? t->fell_from_l : t->last_l;
	}
	t->last_l = volume;
}

/* A sender that leaps tells neither litres taken in nor lost, until it has been calm. */
static enum tank_state leap(struct tank *t, const struct tank_config *config,
	const struct tank_window *window, double volume)
{
	uint32_t falls = t->falls;

	notice_fall(t, config, window, volume);
	t->doubt = t->falls > falls ? 0 : t->doubt + 1;
	t->level_l += (volume - t->level_l) / REST_WINDOWS;
	t->fast_l = volume;
	if (t->doubt < CALM_WINDOWS) {
		return TANK_QUIET;
	}
	t->falls = 0;
	t->fell_from_l = 0;
	t->level_l = volume;
	t->count = FAST_WINDOWS;
	open_account(t);
	return TANK_MISMATCH_CLEARED;
}

static enum tank_state take(struct tank *t, const struct tank_config *config,
	const struct tank_window *window, struct tank_news *news)
{
	double burned = isnan(window->burned_l) ? 0 : window->burned_l;

	if (isnan(window->burned_l) && window->running && t->mismatch == 0) {
		open_account(t); /* what went before cannot be held against the level any more */
	}
	t->level_l -= t->count > 0 ? burned : 0;
	t->fast_l -= t->count > 0 ? burned : 0;
	t->burned_l += burned;
	t->fill_burned_l += burned;
	t->fill_last_l -= burned;
	t->fell_from_l = fmax(t->fell_from_l - burned, 0);
	if (isnan(window->level_pct)) {
		return TANK_QUIET;
	}
	follow_temperature(t, window);
	double volume = tank_volume_of_level(config, window->level_pct);
	if (t->count == 0) {
		t->level_l = volume;
		t->fast_l = volume;
		t->count = 1;
		t->wake = WAKE_WINDOWS;
		t->last_l = volume;
		open_account(t);
		return TANK_QUIET;
	}
	if (t->falls >= FALLS_TOLD) {
		return leap(t, config, window, volume);
	}
	notice_fall(t, config, window, volume);
	if (t->falls >= FALLS_TOLD) {
		t->doubt = 0;
		t->filling = false;
		t->away = 0;
		t->mismatch = -1;
		return TANK_LEAPS;
	}
	if (window->silent_s >= SILENCE_S) {
		t->wake = 0;
		t->fast_l = volume;
		t->away = 0;
	}
	/* Heel is over: what was averaged under it counts for a minute only. */
	if (window->at_rest && !t->was_at_rest && t->count > FAST_WINDOWS) {
		t->count = FAST_WINDOWS;
	}
	t->was_at_rest = window->at_rest;
	t->wake = t->wake < WAKE_WINDOWS ? t->wake + 1 : WAKE_WINDOWS;
	t->fast_l += (volume - t->fast_l) / fmin(fmin(t->wake, t->count + 1), FAST_WINDOWS);
	if (t->filling) {
		return fill(t, config, news);
	}

	bool awake = t->wake < WAKE_WINDOWS;
	double share = window->at_rest ? FILL_SHARE : FILL_WAY_SHARE;
	double least = fmax(fmax(share * config->capacity_l, FILL_LEAST_L),
		2.5 * sqrt(t->slosh_l2 / FAST_WINDOWS));
	double rise = t->fast_l - t->level_l;
	if (rise > least && (window->at_rest || awake)) {
		if (t->away == 0) {
			t->fill_from_l = t->level_l;
			t->fill_burned_l = 0;
		}
		t->away++;
		if (t->away >= FILL_WINDOWS) {
			t->filling = true;
			t->settled = 0;
			t->fill_last_l = t->fast_l;
		}
		return TANK_QUIET;
	}
	t->away = 0;
	double off = volume - t->level_l;
	double slosh_gain = 1 / fmin(t->count + 1, WAY_WINDOWS);
	t->slosh_l2 += slosh_gain *
		       (fmin(off * off,
				25 * t->slosh_l2 + 1e-4 * config->capacity_l * config->capacity_l) -
			       t->slosh_l2);
	double most = window->at_rest ? REST_WINDOWS : WAY_WINDOWS;
	t->level_l += off / fmin(t->count + 1, most);
	t->count = t->count < COUNT_CAP ? t->count + 1 : COUNT_CAP;
	return balance(t, config, window, volume, news);
}

/* Kept to single precision: what is saved is all there is. */
static void round_state(struct tank *t)
{
	double *fields[] = {&t->level_l, &t->fast_l, &t->slosh_l2, &t->burned_l, &t->base_l,
		&t->recent_l, &t->rest_share, &t->base_rest, &t->base_weight, &t->fill_from_l,
		&t->fill_burned_l, &t->fill_last_l, &t->fuel_c, &t->last_l, &t->fell_from_l};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
}

enum tank_state tank_take(struct tank *t, const struct tank_config *config,
	const struct tank_window *window, struct tank_news *ret_news)
{
	struct tank_news news = {NAN, NAN, NAN, NAN};
	enum tank_state state = take(t, config, window, &news);

	round_state(t);
	*ret_news = news;
	return state;
}

struct tank_range tank_range(double volume_l, double volume_sd_l, double reserve_l, double rate_lph,
	double rate_share_sd, double speed_kn)
{
	double left = fmax(volume_l - reserve_l, 0);
	double sd = hypot(volume_sd_l / rate_lph, left / rate_lph * rate_share_sd);
	struct tank_range range = {.hours = left / rate_lph};

	/* 10 % edge of a normal distribution. */
	range.hours_low = fmax(range.hours - 1.2816 * sd, 0);
	range.miles = range.hours * speed_kn;
	range.miles_low = range.hours_low * speed_kn;
	return range;
}

void tank_save(const struct tank *t, struct state_writer *w)
{
	const double fields[] = {t->level_l, t->fast_l, t->slosh_l2, t->burned_l, t->base_l,
		t->recent_l, t->rest_share, t->base_rest, t->base_weight, t->fill_from_l,
		t->fill_burned_l, t->fill_last_l, t->fuel_c, t->last_l, t->fell_from_l};
	const uint32_t counts[] = {t->count, t->away, t->settled, t->wake, t->doubt, t->falls};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
	for (size_t i = 0; i < sizeof(counts) / sizeof(counts[0]); i++) {
		state_put_unsigned(w, counts[i]);
	}
	state_put_unsigned(w,
		(uint64_t)(t->mismatch + 1) << 2 | (t->was_at_rest ? 2 : 0) | (t->filling ? 1 : 0));
}

void tank_load(struct tank *t, struct state_reader *r)
{
	double *fields[] = {&t->level_l, &t->fast_l, &t->slosh_l2, &t->burned_l, &t->base_l,
		&t->recent_l, &t->rest_share, &t->base_rest, &t->base_weight, &t->fill_from_l,
		&t->fill_burned_l, &t->fill_last_l, &t->fuel_c, &t->last_l, &t->fell_from_l};
	uint32_t *counts[] = {
		&t->count, &t->away, &t->settled, &t->wake, &t->doubt, &t->falls};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
	for (size_t i = 0; i < sizeof(counts) / sizeof(counts[0]); i++) {
		*counts[i] = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	}
	uint64_t flags = state_get_unsigned(r, 11);
	t->filling = (flags & 1) != 0;
	t->was_at_rest = (flags & 2) != 0;
	t->mismatch = (int32_t)(flags >> 2) - 1;
}
