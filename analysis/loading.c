#include "analysis/loading.h"

#include <math.h>
#include <stddef.h>

#define MINUTE_READINGS 6
#define BATCH_MINUTES   30   /* a batch is at least this long … */
#define BATCH_SHARE     0.01 /* … and this much of the expected life, unless it leaves the fit */
#define BATCH_FAR       2.5
#define COUNT_CAP       1000000
#define P_LEAST         0.01 /* of the scale: the logarithm's floor */
#define P_MOST          4.0
#define FADE            1.0 /* of a life: evidence about laws and paces fades over that much */
#define TAIL            4.0 /* degrees of freedom of the innovations' likelihood */
#define HUBER           2.5
/* Of the variance that readings of some days share, what differs from one batch to the next; the rest
 * stays as it is, and bends no course. */
#define COMMON_SHARE    0.1
/* Of the first restriction: ports, fittings and hose, which do not load, where there are such. */
#define FIXED_SHARE     0.3
/* A cake that gives way under pressure, α = α₀·Pˢ: s is 0 (stiff) to some 0.8 (very soft). */
#define CAKE_GIVES      0.5
#define MODEL_SD        0.05 /* of the slope: what no law knows about the future */
#define LIMIT_SD        0.03 /* of the restriction: what flow, zero and temperature leave unknown */
#define LIVES_SD        0.2  /* from element to element, in natural logarithm */
#define LAW_LEAST       (-2.5)
#define SLOPE_FLOOR     0.25 /* of the mean slope that the expected life needs */
#define NOISE_GAIN      0.05
#define LAG_FIRST       0.4 /* correlation of batches before it is known */
#define LAG_MOST	0.8
#define JUMP_SLOPE_SD   0.5 /* what a jump leaves unknown of the slope */
#define WATCH_SLACK     0.75
#define WATCH_MOST      4.0 /* one batch alone does not make a change of slope */
#define WATCH_SUM       10.0
#define WATCH_HOLD      2.0
#define WATCH_READY     6    /* batches before slopes are watched */
#define SLOPE_RATIO     2.0  /* less is not told */
#define SLOPE_SOONER    1.3  /* and it must bring the limit nearer by this than was expected */
#define SLOPE_KNOWN     0.35 /* relative deviation of a slope just found */
#define WEIGHT_LEAST    (-60.0)
#define LN2             0.69314718055994531
#define GRID            160
#define GRID_LEAST      1e-4 /* of the expected life */
#define GRID_MOST       30.0

/* A law's course through the restriction. Beforehand a law's courses are as likely as each other. */
struct course {
	enum loading_law law;
	double n;
	double fixed; /* share of the first restriction that does not load */
	double log_share; /* of its law's probability, ln */
};

static const struct course courses[LOADING_COURSES] = {
	{LOADING_CAKE, 0, 0, -LN2}, /* straight, whatever does not load */
	{LOADING_CAKE, CAKE_GIVES, 0, -LN2},
	{LOADING_INTERMEDIATE, 1, 0, -LN2},
	{LOADING_INTERMEDIATE, 1, FIXED_SHARE, -LN2},
	{LOADING_STANDARD, 1.5, 0, -LN2},
	{LOADING_STANDARD, 1.5, FIXED_SHARE, -LN2},
	{LOADING_COMPLETE, 2, 0, -LN2},
	{LOADING_COMPLETE, 2, FIXED_SHARE, -LN2},
};
/* Liquid filters bend upward: cake, which bends least, is less likely beforehand. */
static const double law_log_prior[LOADING_LAWS] = {-1, 0, 0, 0};
/* How dirt arrives. level: what differs from load to load and evens out, as the deviation of the
 * progress along the axis over a life; drift: what does not, as a deviation of the slope over a
 * life. */
static const double pace_level[LOADING_PACES] = {0.02, 0.06, 0.06};
static const double pace_drift[LOADING_PACES] = {0.03, 0.1, 2.0};

/* Litres over which the walks are measured: the life at the present pace of loading. */
static double span_of(const struct loading_fit *fit)
{
	return fmax(fit->life_l - fit->start_l, 1e-3 * fit->life_l);
}

enum loading_law loading_track_law(size_t track)
{
	return courses[track / LOADING_PACES].law;
}

double loading_track_exponent(size_t track)
{
	return courses[track / LOADING_PACES].n;
}

/* What does not load of the restriction, of the scale. */
static double fixed_of(const struct loading_fit *fit, size_t track)
{
	return courses[track / LOADING_PACES].fixed * fmax(fit->base_kpa, 0) / fit->scale_kpa;
}

/* What is thought of a track beforehand, ln. */
static double prior_of(const struct loading_fit *fit, size_t track)
{
	const struct course *course = &courses[track / LOADING_PACES];

	return fit->law_log[course->law] + course->log_share;
}

/* The axis on which a law is a straight line, for p = (P − F) / scale; and back. */
static double axis(double n, double p)
{
	double inside = fmin(fmax(p, P_LEAST), P_MOST);

	return n == 1 ? log(inside) : (pow(inside, 1 - n) - 1) / (1 - n);
}

static double axis_back(double n, double y)
{
	double p;

	if (n == 1) {
		p = exp(y);
	} else {
		double base = 1 + (1 - n) * y;
		if (base <= 0) {
			return n > 1 ? P_MOST : P_LEAST;
		}
		p = pow(base, 1 / (1 - n));
	}
	return fmin(fmax(p, P_LEAST), P_MOST);
}

static void fit_start(struct loading_fit *fit)
{
	fit->life_l = state_single(exp(fit->lives_log));
	for (size_t i = 0; i < LOADING_BANK; i++) {
		fit->tracks[i].log_weight = state_single(prior_of(fit, i));
	}
}

void loading_init(struct loading *l, const struct loading_config *config)
{
	*l = (struct loading){0};
	l->fit.scale_kpa = state_single(config->limit_kpa);
	l->fit.lives_log = state_single(log(config->life_l));
	double spread = config->life_log_sd * config->life_log_sd - LIVES_SD * LIVES_SD;
	l->fit.lives_log_var = state_single(fmax(spread, 0));
	for (size_t i = 0; i < LOADING_LAWS; i++) {
		l->fit.law_log[i] = law_log_prior[i];
	}
	fit_start(&l->fit);
}

static void weigh(const struct loading_fit *fit, double *ret_weights)
{
	double most = -INFINITY;
	double sum = 0;

	for (size_t i = 0; i < LOADING_BANK; i++) {
		most = fmax(most, fit->tracks[i].log_weight);
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		ret_weights[i] = exp(fit->tracks[i].log_weight - most);
		sum += ret_weights[i];
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		ret_weights[i] /= sum;
	}
}

struct prediction {
	double kpa;
	double var; /* without a batch's own noise */
	double slope_kpa_l;
};

/* The bank's mean at litres; paces below paces only. */
static struct prediction predict(const struct loading_fit *fit, const double *weight, size_t first,
	size_t past, double litres)
{
	double dv = litres - fit->v_l;
	double sum = 0;
	double mean = 0;
	double square = 0;
	double slope = 0;

	for (size_t i = 0; i < LOADING_BANK; i++) {
		size_t pace = i % LOADING_PACES;
		if (pace < first || pace >= past) {
			continue;
		}
		const struct loading_track *t = &fit->tracks[i];
		double w = weight[i] + 1e-9;
		double loaded = axis_back(loading_track_exponent(i), t->y + t->k * dv);
		double p = loaded + fixed_of(fit, i);
		double h = pow(loaded, loading_track_exponent(i));
		sum += w;
		mean += w * p;
		square += w * (p * p + h * h * (t->yy + 2 * dv * t->yk + dv * dv * t->kk));
		slope += w * h * t->k;
	}
	mean /= sum;
	return (struct prediction){
		.kpa = mean * fit->scale_kpa,
		.var = fmax(square / sum - mean * mean, 0) * fit->scale_kpa * fit->scale_kpa,
		.slope_kpa_l = slope / sum * fit->scale_kpa,
	};
}

/* Starts every track at the restriction p (of the scale), with an open slope. */
static void start(struct loading_fit *fit, double p, double var)
{
	for (size_t i = 0; i < LOADING_BANK; i++) {
		struct loading_track *t = &fit->tracks[i];
		double n = loading_track_exponent(i);
		double fixed = fixed_of(fit, i);
		double h = pow(fmax(p - fixed, P_LEAST), n);
		double need = axis(n, 1.2 - fixed) - axis(n, p - fixed);
		need /= fit->life_l;
		t->y = axis(n, p - fixed);
		t->yy = var / (h * h);
		t->yk = 0;
		t->k = 0;
		t->kk = 9 * need * need;
	}
}

/* One law and pace meets a batch: p and var of the scale. Returns its log likelihood. */
static double meet(const struct loading_fit *fit, size_t i, struct loading_track *t, double dv,
	double p, double var)
{
	double n = loading_track_exponent(i);
	double span = span_of(fit);
	double fixed = fixed_of(fit, i);
	double floor = SLOPE_FLOOR * fmax(axis(n, 1 - fixed) - t->y, 0.05) / span;
	double size = fmax(fabs(t->k), floor);
	double drift = pace_drift[i % LOADING_PACES] * size;
	double level = pace_level[i % LOADING_PACES] * size;

	t->y += t->k * dv;
	t->yy += dv * (2 * t->yk + dv * t->kk) + level * level * dv * span;
	t->yk += dv * t->kk;
	t->kk += drift * drift * dv / span;
	double expected = axis_back(n, t->y);
	double h = pow(expected, n);
	double prior = h * h * t->yy;
	double sum = prior + var;
	double innovation = p - fixed - expected;
	double far2 = innovation * innovation / sum;
	double likelihood = -0.5 * log(sum) - 0.5 * (TAIL + 1) * log1p(far2 / TAIL);
	if (far2 > HUBER * HUBER) {
		sum = prior + var * sqrt(far2) / HUBER;
	}
	double gain_y = h * t->yy;
	double gain_k = h * t->yk;
	t->y += gain_y * innovation / sum;
	t->k += gain_k * innovation / sum;
	t->yy -= gain_y * gain_y / sum;
	t->yk -= gain_y * gain_k / sum;
	t->kk -= gain_k * gain_k / sum;
	t->y = fmin(fmax(t->y, axis(n, P_LEAST)), axis(n, P_MOST));
	return likelihood;
}

/* The state is kept to single precision, so that what is saved is all there is. */
static void round_fit(struct loading_fit *fit)
{
	double *fields[] = {&fit->scale_kpa, &fit->base_kpa, &fit->v_l, &fit->life_l, &fit->asked_l,
		&fit->lives_log, &fit->lives_log_var, &fit->law_log[0], &fit->law_log[1],
		&fit->law_log[2], &fit->law_log[3], &fit->start_l, &fit->noise_var, &fit->lag_var,
		&fit->lag_cross, &fit->last_kpa, &fit->faster, &fit->slower, &fit->watch_l,
		&fit->watch_kpa, &fit->watch_slope};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		struct loading_track *t = &fit->tracks[i];
		t->y = state_single(t->y);
		t->k = state_single(t->k);
		t->yy = state_single(t->yy);
		t->yk = state_single(t->yk);
		t->kk = state_single(t->kk);
		t->log_weight = state_single(t->log_weight);
	}
}

static void round_batch(struct loading_batch *b)
{
	double *fields[] = {&b->v_l, &b->p_kpa, &b->scatter_kpa, &b->square_kpa2, &b->noise_kpa,
		&b->common_kpa, &b->minute_kpa};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
}

/* Follows how much batches scatter about the steady paces, and how they hang together. */
static void learn_noise(
	struct loading_fit *fit, double innovation, double prior_var, double var, double residual)
{
	double clipped = fmin(innovation * innovation, 9 * (prior_var + var));
	double excess = fmax(clipped - prior_var, 0.1 * fit->noise_var);
	double most = 3 * sqrt(fit->noise_var + prior_var);
	double held = fmin(fmax(residual, -most), most);

	if (fit->batches == 1) {
		fit->lag_var = fit->noise_var;
		fit->lag_cross = LAG_FIRST * fit->noise_var;
	} else {
		fit->lag_var += NOISE_GAIN * (held * held - fit->lag_var);
		fit->lag_cross += NOISE_GAIN * (held * fit->last_kpa - fit->lag_cross);
	}
	fit->last_kpa = held;
	if (fmax(fit->faster, fit->slower) > WATCH_HOLD && excess > fit->noise_var) {
		return; /* something else than noise may be going on */
	}
	fit->noise_var += NOISE_GAIN * (excess - fit->noise_var);
	fit->noise_var = fmax(fit->noise_var, 1e-8 * fit->scale_kpa * fit->scale_kpa);
}

/* Variance of a batch as the bank should take it: correlated batches tell less than they seem to.
 */
static double batch_var(const struct loading_fit *fit, const struct loading_batch *b)
{
	double lag = fit->lag_var > 0 ? fit->lag_cross / fit->lag_var : LAG_FIRST;
	double own = b->noise_kpa * b->noise_kpa / b->count;

	lag = fmin(fmax(lag, 0), LAG_MOST);
	return fmax(fit->noise_var, own) * (1 + lag) / (1 - lag) +
	       b->common_kpa * b->common_kpa * COMMON_SHARE;
}

/* Sums what the even pace missed; when that is much, and the slopes differ by a factor, it is told.
 * The slope before is what the fit said when the sum left zero. */
static enum loading_news watch_slope(struct loading_fit *fit, const double *weight, double u,
	const struct prediction *even, double kpa, struct loading_change *ret_change)
{
	double step = fmin(fmax(u, -WATCH_MOST), WATCH_MOST);

	if (fit->faster == 0 && fit->slower == 0) {
		fit->watch_l = fit->v_l;
		fit->watch_kpa = even->kpa;
		fit->watch_slope = even->slope_kpa_l;
	}
	fit->faster = fmax(fit->faster + step - WATCH_SLACK, 0);
	fit->slower = fmax(fit->slower - step - WATCH_SLACK, 0);
	if (fit->batches < WATCH_READY || fmax(fit->faster, fit->slower) < WATCH_SUM) {
		return LOADING_QUIET;
	}
	bool faster = fit->faster > fit->slower;
	struct prediction free = predict(fit, weight, LOADING_PACES - 1, LOADING_PACES, fit->v_l);
	double least = 0.05 * fit->scale_kpa / fit->life_l;
	double way = fit->v_l - fit->watch_l;
	double direct = way > 0 ? (kpa - fit->watch_kpa) / way : free.slope_kpa_l;
	double before = fmax(fit->watch_slope, least);
	double found = faster ? fmax(free.slope_kpa_l, direct) : fmin(free.slope_kpa_l, direct);
	double after = fmax(found, least);
	double room = fmax(fit->scale_kpa - kpa, 0);
	double left = fmax(fit->life_l - fit->v_l, 0);
	bool told = faster ? after > SLOPE_RATIO * before && after * left > SLOPE_SOONER * room
			   : before > SLOPE_RATIO * after;
	if (told) {
		*ret_change = (struct loading_change){
			.before = before, .after = after, .since_l = fit->watch_l};
	}
	/* The steady paces take over what has been found. */
	for (size_t i = 0; i < LOADING_BANK; i++) {
		struct loading_track *t = &fit->tracks[i];
		double p = free.kpa / fit->scale_kpa - fixed_of(fit, i);
		double h = pow(fmax(p, P_LEAST), loading_track_exponent(i));
		t->y = axis(loading_track_exponent(i), p);
		t->k = (told ? after : free.slope_kpa_l) / (fit->scale_kpa * h);
		t->yy = free.var / (fit->scale_kpa * fit->scale_kpa * h * h);
		t->yk = 0;
		/* A fall is not the laws' business, but whoever reads it must not be held up. */
		double fall = (after - found) / (fit->scale_kpa * h);
		t->kk = told ? SLOPE_KNOWN * SLOPE_KNOWN * t->k * t->k + fall * fall
			     : fmax(t->kk, 0.25 * t->k * t->k);
		t->log_weight *= 0.5;
	}
	fit->asked_l = 0;
	fit->faster = 0;
	fit->slower = 0;
	if (!told) {
		return LOADING_QUIET;
	}
	fit->batches = 1;
	fit->start_l = fit->v_l;
	return faster ? LOADING_FASTER : LOADING_SLOWER;
}

static void forget_weights(struct loading_fit *fit)
{
	double most = -INFINITY;

	for (size_t i = 0; i < LOADING_BANK; i++) {
		most = fmax(most, fit->tracks[i].log_weight);
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		fit->tracks[i].log_weight = fmax(fit->tracks[i].log_weight - most, WEIGHT_LEAST);
	}
}

static enum loading_news close_batch(
	struct loading *l, const struct loading_config *config, struct loading_change *ret_change)
{
	struct loading_fit *fit = &l->fit;
	struct loading_batch *b = &l->batch;
	double scale2 = fit->scale_kpa * fit->scale_kpa;
	enum loading_news news = LOADING_QUIET;

	if (fit->batches == 0) {
		/* Until batches can be compared, one is taken to scatter as its readings do. */
		fit->noise_var = fmax(b->square_kpa2 / fmax(b->scatter_minutes, 1),
			b->noise_kpa * b->noise_kpa / b->count);
		fit->noise_var = fmax(fit->noise_var, 1e-6 * scale2);
		fit->v_l = b->v_l;
		fit->base_kpa = b->p_kpa;
		start(fit, b->p_kpa / fit->scale_kpa, batch_var(fit, b) / scale2);
		fit->batches = 1;
	} else {
		double weight[LOADING_BANK];
		double dv = fmax(b->v_l - fit->v_l, 1e-6 * fit->life_l);
		double keep = exp(-dv / (FADE * fit->life_l));
		double var = batch_var(fit, b);
		weigh(fit, weight);
		struct prediction all = predict(fit, weight, 0, LOADING_PACES, b->v_l);
		struct prediction steady = predict(fit, weight, 0, LOADING_PACES - 1, b->v_l);
		struct prediction even = predict(fit, weight, 0, 1, b->v_l);
		for (size_t i = 0; i < LOADING_BANK; i++) {
			struct loading_track *t = &fit->tracks[i];
			double likelihood =
				meet(fit, i, t, dv, b->p_kpa / fit->scale_kpa, var / scale2);
			t->log_weight = t->log_weight * keep + (1 - keep) * prior_of(fit, i) +
					likelihood;
		}
		forget_weights(fit);
		learn_noise(fit, b->p_kpa - all.kpa, all.var, var, b->p_kpa - steady.kpa);
		fit->v_l = b->v_l;
		if (fit->batches < COUNT_CAP) {
			fit->batches++;
		}
		weigh(fit, weight);
		double u = (b->p_kpa - even.kpa) / sqrt(even.var + var);
		news = watch_slope(fit, weight, u, &even, b->p_kpa, ret_change);
	}
	/* The expected life only scales the walks: asking now and then is enough. */
	struct loading_forecast forecast;
	if ((fit->batches < 8 || fit->v_l >= fit->asked_l) &&
		loading_forecast(l, config, fit->v_l, &forecast)) {
		fit->life_l = fit->v_l + fmax(forecast.left_l_p50, 1e-3 * exp(fit->lives_log));
		fit->asked_l = fit->v_l + 0.02 * fit->life_l;
	}
	round_fit(fit);
	l->revision++;
	return news;
}

static void clear_batch(struct loading_batch *b)
{
	b->count = 0;
	b->v_l = 0;
	b->p_kpa = 0;
	b->scatter_minutes = 0;
	b->scatter_kpa = 0;
	b->square_kpa2 = 0;
	b->noise_kpa = 0;
	b->common_kpa = 0;
}

void loading_step(struct loading *l, double litres, double kpa)
{
	struct loading_fit *fit = &l->fit;

	clear_batch(&l->batch);
	l->batch.minute_count = 0;
	l->batch.minute_kpa = 0;
	if (fit->batches == 0) {
		return;
	}
	/* Every law goes on from the new restriction, with its slope in some doubt. */
	double dv = litres - fit->v_l;
	for (size_t i = 0; i < LOADING_BANK; i++) {
		struct loading_track *t = &fit->tracks[i];
		double p = kpa / fit->scale_kpa - fixed_of(fit, i);
		double h = pow(fmax(p, P_LEAST), loading_track_exponent(i));
		t->y = axis(loading_track_exponent(i), p);
		t->yy = fit->noise_var / (fit->scale_kpa * fit->scale_kpa * h * h);
		t->yk = 0;
		t->kk += JUMP_SLOPE_SD * JUMP_SLOPE_SD * t->k * t->k;
		t->log_weight *= 0.5;
	}
	fit->v_l += fmax(dv, 0);
	fit->batches = 1;
	fit->faster = 0;
	fit->slower = 0;
	fit->asked_l = 0;
	round_fit(fit);
	l->revision++;
}

void loading_hold(struct loading *l, bool hold)
{
	l->batch.held = hold;
}

static bool batch_full(const struct loading *l, uint32_t size, uint32_t minute, double litres)
{
	const struct loading_fit *fit = &l->fit;
	const struct loading_batch *b = &l->batch;
	double weight[LOADING_BANK];

	if (b->count < size * minute || b->minute_count != 0) {
		return false;
	}
	if (fit->batches == 0 || litres - fit->v_l >= BATCH_SHARE * fit->life_l) {
		return true;
	}
	weigh(fit, weight);
	struct prediction all = predict(fit, weight, 0, LOADING_PACES, b->v_l);
	double off = b->p_kpa - all.kpa;
	return off * off > BATCH_FAR * BATCH_FAR * (all.var + batch_var(fit, b));
}

enum loading_news loading_take(struct loading *l, const struct loading_config *config,
	double litres, double reference_kpa, double noise_kpa, double common_kpa,
	struct loading_change *ret_change)
{
	struct loading_batch *b = &l->batch;
	uint32_t minute = config->minute > 0 ? config->minute : MINUTE_READINGS;
	uint32_t size = config->batch > 0 ? config->batch : BATCH_MINUTES;
	enum loading_news news = LOADING_QUIET;

	b->count++;
	double off = reference_kpa - b->p_kpa;
	b->v_l += (litres - b->v_l) / b->count;
	b->p_kpa += off / b->count;
	b->noise_kpa += (noise_kpa - b->noise_kpa) / b->count;
	b->common_kpa += (common_kpa - b->common_kpa) / b->count;
	b->minute_count++;
	b->minute_kpa += (reference_kpa - b->minute_kpa) / b->minute_count;
	if (b->minute_count >= minute) {
		b->scatter_minutes++;
		double apart = b->minute_kpa - b->scatter_kpa;
		b->scatter_kpa += apart / b->scatter_minutes;
		b->square_kpa2 += apart * (b->minute_kpa - b->scatter_kpa);
		b->minute_count = 0;
		b->minute_kpa = 0;
	}
	if (!b->held && batch_full(l, size, minute, litres)) {
		news = close_batch(l, config, ret_change);
		clear_batch(b);
	}
	round_batch(b);
	return news;
}

void loading_rescale(struct loading *l, double factor)
{
	struct loading_fit *fit = &l->fit;
	struct loading_batch *b = &l->batch;
	double square = factor * factor;

	/* On each axis P → f·P is y → f^(1−n)·y + g(f): the laws stay straight. */
	for (size_t i = 0; i < LOADING_BANK; i++) {
		struct loading_track *t = &fit->tracks[i];
		double n = loading_track_exponent(i);
		double stretch = pow(factor, 1 - n);
		double shift = n == 1 ? log(factor) : (stretch - 1) / (1 - n);
		if (fit->batches > 0) {
			t->y = stretch * t->y + shift;
			t->k *= stretch;
			t->yy *= stretch * stretch;
			t->yk *= stretch * stretch;
			t->kk *= stretch * stretch;
		}
	}
	fit->base_kpa *= factor;
	fit->noise_var *= square;
	fit->lag_var *= square;
	fit->lag_cross *= square;
	fit->last_kpa *= factor;
	fit->asked_l = 0;
	b->p_kpa *= factor;
	b->scatter_kpa *= factor;
	b->square_kpa2 *= square;
	b->noise_kpa *= factor;
	b->common_kpa *= factor;
	b->minute_kpa *= factor;
	round_fit(fit);
	round_batch(b);
	l->revision++;
}

double loading_restriction(const struct loading *l, double litres, double *ret_sd_kpa)
{
	double weight[LOADING_BANK];

	if (l->fit.batches == 0) {
		*ret_sd_kpa = NAN;
		return NAN;
	}
	weigh(&l->fit, weight);
	struct prediction now = predict(&l->fit, weight, 0, LOADING_PACES, litres);
	*ret_sd_kpa = sqrt(now.var);
	return now.kpa;
}

void loading_shift(struct loading *l, double delta_kpa)
{
	struct loading_fit *fit = &l->fit;
	struct loading_batch *b = &l->batch;

	/* The rise a litre stays what it was; on a bent axis that is another slope. */
	const struct loading_fit old = *fit;
	fit->base_kpa += fit->batches > 0 ? delta_kpa : 0;
	for (size_t i = 0; i < LOADING_BANK && fit->batches > 0; i++) {
		struct loading_track *t = &fit->tracks[i];
		double n = loading_track_exponent(i);
		double before = axis_back(n, t->y);
		double by = delta_kpa / fit->scale_kpa + fixed_of(&old, i) - fixed_of(fit, i);
		double after = fmin(fmax(before + by, P_LEAST), P_MOST);
		double stretch = pow(before / after, n);
		t->y = axis(n, after);
		t->k *= stretch;
		t->yy *= stretch * stretch;
		t->yk *= stretch * stretch;
		t->kk *= stretch * stretch;
	}
	fit->watch_kpa += delta_kpa;
	b->p_kpa += b->count > 0 ? delta_kpa : 0;
	b->scatter_kpa += b->scatter_minutes > 0 ? delta_kpa : 0;
	b->minute_kpa += b->minute_count > 0 ? delta_kpa : 0;
	round_fit(fit);
	round_batch(b);
	l->revision++;
}

/* Probability that the limit is passed within left litres, by one track, given that it rises. */
static double passed(
	const struct loading_fit *fit, size_t i, double limit, double litres, double left)
{
	const struct loading_track *t = &fit->tracks[i];
	double span = span_of(fit);
	double dv = litres - fit->v_l + left;
	double share = fmin(left / span, 2);
	double drift = pace_drift[i % LOADING_PACES] * t->k;
	double level = pace_level[i % LOADING_PACES] * t->k;
	double model = MODEL_SD * t->k;
	double slope_var = fmax(t->kk + drift * drift * share / 3 + model * model, 1e-30);
	double var = t->yy + 2 * dv * t->yk + dv * dv * slope_var + level * level * left * span;
	double room = limit - fixed_of(fit, i);
	double scale = LIMIT_SD * limit * pow(room, -loading_track_exponent(i));
	var += scale * scale;
	double need = axis(loading_track_exponent(i), room) - t->y - t->k * dv;
	double rises = 0.5 * erfc(-t->k / sqrt(2 * slope_var));
	double reached = 0.5 * erfc(need / sqrt(2 * fmax(var, 1e-30)));

	return fmin(reached / fmax(rises, 1e-9), 1);
}

/* Reads the quantiles off a density over the grid of left litres. */
static void read_quantiles(const double *density, const double *left, struct loading_forecast *f)
{
	static const double levels[] = {0.1, 0.5, 0.9};
	double *quantiles[] = {&f->left_l_p10, &f->left_l_p50, &f->left_l_p90};
	double sum = 0;
	double run = 0;
	size_t q = 0;

	for (size_t j = 0; j < GRID; j++) {
		sum += density[j];
	}
	for (size_t j = 0; j < GRID && q < 3; j++) {
		double next = run + density[j] / sum;
		while (q < 3 && (next >= levels[q] || j == GRID - 1)) {
			double low = j > 0 ? left[j - 1] : 0;
			double part = fmin((levels[q] - run) / (next - run), 1);
			*quantiles[q] = low + part * (left[j] - low);
			q++;
		}
		run = next;
	}
}

bool loading_forecast(const struct loading *l, const struct loading_config *config, double litres,
	struct loading_forecast *ret_forecast)
{
	const struct loading_fit *fit = &l->fit;
	double weight[LOADING_BANK];
	double density[GRID];
	double left[GRID];
	struct loading_forecast f = {0};

	if (fit->batches == 0) {
		return false;
	}
	weigh(fit, weight);
	struct prediction now = predict(fit, weight, 0, LOADING_PACES, litres);
	f.restriction_kpa = now.kpa;
	f.restriction_sd_kpa = sqrt(now.var);
	f.slope_kpa_l = now.slope_kpa_l;
	for (size_t i = 0; i < LOADING_BANK; i++) {
		f.law_weight[loading_track_law(i)] += weight[i];
	}
	if (now.kpa >= config->limit_kpa) {
		*ret_forecast = f;
		return true;
	}
	double usual_l = exp(fit->lives_log);
	double lives_sd = sqrt(fit->lives_log_var + LIVES_SD * LIVES_SD);
	double limit = config->limit_kpa / fit->scale_kpa;
	double step = log(GRID_MOST / GRID_LEAST) / (GRID - 1);
	double before = 0;
	double most = -INFINITY;
	for (size_t j = 0; j < GRID; j++) {
		double reached = 0;
		left[j] = GRID_LEAST * usual_l * exp(step * (double)j);
		for (size_t i = 0; i < LOADING_BANK; i++) {
			if (weight[i] > 1e-4) {
				reached += weight[i] * passed(fit, i, limit, litres, left[j]);
			}
		}
		reached = fmax(reached, before);
		/* Times what elements live: a normal density of ln(life), turned to the grid's
		 * ln(left). */
		double life = litres + left[j];
		double z = (log(life) - fit->lives_log) / lives_sd;
		density[j] = log(reached - before + 1e-7) - 0.5 * z * z + log(left[j] / life);
		most = fmax(most, density[j]);
		before = reached;
	}
	for (size_t j = 0; j < GRID; j++) {
		density[j] = exp(density[j] - most);
	}
	read_quantiles(density, left, &f);
	*ret_forecast = f;
	return true;
}

void loading_renew(struct loading *l, const struct loading_config *config, double litres)
{
	struct loading_fit *fit = &l->fit;
	struct loading next = {.revision = l->revision + 1};
	struct loading_forecast f;

	next.fit.scale_kpa = state_single(config->limit_kpa);
	next.fit.lives_log = fit->lives_log;
	next.fit.lives_log_var = fit->lives_log_var;
	for (size_t i = 0; i < LOADING_LAWS; i++) {
		next.fit.law_log[i] = fit->law_log[i];
	}
	if (loading_forecast(l, config, litres, &f)) {
		double low = litres + f.left_l_p10;
		double high = litres + f.left_l_p90;
		/* From the 10 % to the 90 % quantile a normal distribution has 2.563 deviations. */
		double sd = log(high / low) / 2.563;
		double gain =
			fit->lives_log_var / (fit->lives_log_var + sd * sd + LIVES_SD * LIVES_SD);
		double lived = log(litres + f.left_l_p50);
		next.fit.lives_log += gain * (lived - fit->lives_log);
		next.fit.lives_log_var *= 1 - gain;
		for (size_t i = 0; i < LOADING_LAWS; i++) {
			double weight = log(fmax(f.law_weight[i] * LOADING_LAWS, 1e-6));
			double both = 0.5 * fit->law_log[i] + 0.5 * weight;
			next.fit.law_log[i] = state_single(fmax(both, LAW_LEAST));
		}
	}
	next.fit.lives_log = state_single(next.fit.lives_log);
	next.fit.lives_log_var = state_single(next.fit.lives_log_var);
	fit_start(&next.fit);
	*l = next;
}

void loading_save_fit(const struct loading *l, struct state_writer *w)
{
	const struct loading_fit *fit = &l->fit;
	const double fields[] = {fit->scale_kpa, fit->base_kpa, fit->v_l, fit->life_l, fit->asked_l,
		fit->lives_log, fit->lives_log_var, fit->law_log[0], fit->law_log[1],
		fit->law_log[2], fit->law_log[3], fit->start_l, fit->noise_var, fit->lag_var,
		fit->lag_cross, fit->last_kpa, fit->faster, fit->slower, fit->watch_l,
		fit->watch_kpa, fit->watch_slope};

	state_put_unsigned(w, l->revision);
	state_put_unsigned(w, fit->batches);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		const struct loading_track *t = &fit->tracks[i];
		const double parts[] = {t->y, t->k, t->yy, t->yk, t->kk, t->log_weight};
		for (size_t j = 0; j < sizeof(parts) / sizeof(parts[0]); j++) {
			state_put_float(w, (float)parts[j]);
		}
	}
}

void loading_load_fit(struct loading *l, struct state_reader *r)
{
	struct loading_fit *fit = &l->fit;
	double *fields[] = {&fit->scale_kpa, &fit->base_kpa, &fit->v_l, &fit->life_l, &fit->asked_l,
		&fit->lives_log, &fit->lives_log_var, &fit->law_log[0], &fit->law_log[1],
		&fit->law_log[2], &fit->law_log[3], &fit->start_l, &fit->noise_var, &fit->lag_var,
		&fit->lag_cross, &fit->last_kpa, &fit->faster, &fit->slower, &fit->watch_l,
		&fit->watch_kpa, &fit->watch_slope};

	l->revision = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	fit->batches = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		struct loading_track *t = &fit->tracks[i];
		double *parts[] = {&t->y, &t->k, &t->yy, &t->yk, &t->kk, &t->log_weight};
		for (size_t j = 0; j < sizeof(parts) / sizeof(parts[0]); j++) {
			*parts[j] = (double)state_get_float(r);
		}
	}
}

void loading_save_batch(const struct loading *l, struct state_writer *w)
{
	const struct loading_batch *b = &l->batch;
	const double fields[] = {b->v_l, b->p_kpa, b->scatter_kpa, b->square_kpa2, b->noise_kpa,
		b->common_kpa, b->minute_kpa};

	state_put_unsigned(w, b->count);
	state_put_unsigned(w, b->minute_count);
	state_put_unsigned(w, b->scatter_minutes);
	state_put_unsigned(w, b->held);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
}

void loading_load_batch(struct loading *l, struct state_reader *r)
{
	struct loading_batch *b = &l->batch;
	double *fields[] = {&b->v_l, &b->p_kpa, &b->scatter_kpa, &b->square_kpa2, &b->noise_kpa,
		&b->common_kpa, &b->minute_kpa};

	b->count = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	b->minute_count = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	b->scatter_minutes = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	b->held = state_get_unsigned(r, 1) != 0;
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
}
