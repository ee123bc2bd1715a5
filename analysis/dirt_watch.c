#include "analysis/dirt_watch.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#define BATCH_READINGS 60
#define COUNT_CAP      1000000
#define P_LEAST	       0.05 /* of the limit: below, a logarithm magnifies the zero's error alone */
#define VAR_FIRST      0.0016 /* 4 % */
#define VAR_LEAST      0.0001
#define VAR_GAIN       0.03
#define VAR_FAR	       9.0  /* deviations², beyond which a batch teaches the noise no more */
#define HANGS	       6.0  /* batches that share one error: an hour */
#define SLOPE_SD       5.0  /* of the slope beforehand, as a share: the tank may be dirty already */
#define SLOPE_FLOOR    0.25 /* of the mean slope that the expected life needs */
#define DRIFT	       0.3  /* of the slope, in DRIFT_BATCHES: what dirt does from load to load */
#define DRIFT_BATCHES  90.0
#define READY	       6  /* batches behind the line before it is kept */
#define HOUR_BATCHES   12 /* from one start to the next, where no refuelling is known */
#define AGE_MOST       90 /* batches: later the line says little */
#define HITS_FILLED    3  /* batches in a row */
#define HITS_HOURLY    6
#define RATIO_FILLED   1.5 /* of the dirt: no more than that is usual */
#define RATIO_HOURLY   2.0
#define FAR_FILLED     3.0 /* deviations */
#define FAR_HOURLY     4.0
#define TOLD_RATIO     2.0
#define TOLD_SD	       0.5 /* of the slope just found, as a share */
#define K_VAR_OPEN     1e6 /* per litre²: a start that is remembered, but held against nothing */
#define BEND_MOST      0.8 /* of the way to a complete block: beyond it nothing can be said */

void dirt_watch_init(struct dirt_watch *d)
{
	memset(d, 0, sizeof(*d));
	d->var = state_single(VAR_FIRST);
}

void dirt_watch_renew(struct dirt_watch *d)
{
	double var = d->var;

	dirt_watch_init(d);
	d->var = var;
}

static double log_of(const struct dirt_config *config, double kpa)
{
	return log(fmax(kpa, P_LEAST * config->limit_kpa));
}

/* The mean slope that takes an element from a restriction to its limit within its expected life. */
static double usual_slope(const struct dirt_config *config, double y)
{
	return fmax(log(config->limit_kpa) - y, 0.3) / config->life_l;
}

/* The state is kept to single precision, so that what is saved is all there is. */
static void round_line(struct dirt_watch *d)
{
	double *fields[] = {&d->at_l, &d->y, &d->k, &d->yy, &d->yk, &d->kk, &d->var};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
}

static void round_start(struct dirt_start *s)
{
	double *fields[] = {&s->v_l, &s->y, &s->y_var, &s->k, &s->k_var, &s->var, &s->filled_l};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = state_single(*fields[i]);
	}
}

static void clear_batch(struct dirt_watch *d)
{
	d->count = 0;
	d->weight = 0;
	d->v_l = 0;
	d->p_kpa = 0;
	d->noise_var = 0;
	d->common_var = 0;
}

/* Keeps the line as it is at litres, in the place of the oldest of its kind. */
static void keep_line(struct dirt_watch *d, double litres, double filled_l, double common_var)
{
	size_t first = filled_l > 0 ? 0 : DIRT_FILLINGS;
	size_t past = filled_l > 0 ? DIRT_FILLINGS : DIRT_STARTS;
	size_t place = first;
	double dv = fmax(litres - d->at_l, 0);

	for (size_t i = first; i < past; i++) {
		if (d->starts[i].batches == 0) {
			place = i;
			break;
		}
		if (d->starts[i].batches > d->starts[place].batches) {
			place = i;
		}
	}
	d->starts[place] = (struct dirt_start){
		.v_l = litres,
		.y = d->y + d->k * dv,
		.y_var = d->yy + 2 * dv * d->yk + dv * dv * d->kk,
		.k = d->k,
		.k_var = d->kk,
		.var = d->var + 0.5 * common_var,
		.filled_l = filled_l,
		.batches = 1,
	};
	round_start(&d->starts[place]);
}

void dirt_watch_filled(struct dirt_watch *d, double litres, double filled_l)
{
	double common_var = d->common_var;

	clear_batch(d); /* of the old fuel */
	if (d->batches >= READY && filled_l > 0) {
		keep_line(d, litres, filled_l, common_var);
	}
}

double dirt_watch_taken_in(const struct dirt_watch *d, double from_l, double until_l)
{
	double last_l = from_l;
	double filled_l = 0;

	for (size_t i = 0; i < DIRT_FILLINGS; i++) {
		const struct dirt_start *s = &d->starts[i];
		if (s->batches > 0 && s->v_l >= last_l && s->v_l <= until_l) {
			last_l = s->v_l;
			filled_l = s->filled_l;
		}
	}
	return filled_l;
}

/* Has this start's dirt become more than usual? y, own_var: of this batch. What has happened since
 * must not count as noise. */
static bool is_dirtier(const struct dirt_start *s, const struct dirt_config *config, double litres,
	double y, double own_var)
{
	bool filled = s->filled_l > 0;
	double ratio = filled ? RATIO_FILLED : RATIO_HOURLY;
	double k = fmax(s->k, SLOPE_FLOOR * usual_slope(config, s->y));
	double bend = ratio * k * (litres - s->v_l);

	if (litres <= s->v_l || bend > BEND_MOST) {
		return false;
	}
	/* Under complete blocking, P ∝ 1 / (1 − k V): no law bends upward more. */
	double usual = -log1p(-bend);
	double lever = ratio * (litres - s->v_l) / (1 - bend);
	double sd = sqrt(s->var + own_var + s->y_var + lever * lever * s->k_var);

	return y - s->y - usual > (filled ? FAR_FILLED : FAR_HOURLY) * sd &&
	       y - s->y > TOLD_RATIO * k * (litres - s->v_l);
}

/* Holds the batch against what was kept; the start that it speaks against, or NULL. */
static const struct dirt_start *judge(
	struct dirt_watch *d, const struct dirt_config *config, double y, double own_var)
{
	const struct dirt_start *found = NULL;

	for (size_t i = 0; i < DIRT_STARTS; i++) {
		struct dirt_start *s = &d->starts[i];
		if (s->batches == 0) {
			continue;
		}
		s->batches++;
		if (s->batches > AGE_MOST) {
			s->batches = 0;
			continue;
		}
		s->hits = is_dirtier(s, config, d->v_l, y, own_var) ? s->hits + 1 : 0;
		if (s->hits >= (s->filled_l > 0 ? HITS_FILLED : HITS_HOURLY) && found == NULL) {
			found = s;
		}
	}
	return found;
}

/* Goes on from what was found. The refuellings stay known, for what the fit may find of the same
 * fuel, but the lines from before them are no measure any more. */
static void take_over(struct dirt_watch *d, double y, double var, double k)
{
	d->y = y;
	d->k = k;
	d->yy = var;
	d->yk = 0;
	d->kk = TOLD_SD * TOLD_SD * k * k;
	d->batches = 1;
	d->hour = 0;
	for (size_t i = 0; i < DIRT_STARTS; i++) {
		struct dirt_start *s = &d->starts[i];
		if (i < DIRT_FILLINGS && s->batches > 0) {
			s->hits = 0;
			s->k_var = K_VAR_OPEN;
		} else {
			*s = (struct dirt_start){0};
		}
	}
}

static void follow(
	struct dirt_watch *d, const struct dirt_config *config, double dv, double y, double own_var)
{
	double size = fmax(fabs(d->k), SLOPE_FLOOR * usual_slope(config, d->y));

	d->y += d->k * dv;
	d->yy += dv * (2 * d->yk + dv * d->kk);
	d->yk += dv * d->kk;
	d->kk += DRIFT * DRIFT * size * size / DRIFT_BATCHES;
	double off = y - d->y;
	double sum = d->yy + HANGS * (d->var + own_var);
	double expected = d->yy + d->var + own_var;
	double square = fmin(off * off, VAR_FAR * expected);
	double held = fmin(fmax(off, -3 * sqrt(expected)), 3 * sqrt(expected));
	double gain_y = d->yy / sum;
	double gain_k = d->yk / sum;
	d->y += gain_y * held;
	d->k += gain_k * held;
	d->kk -= gain_k * d->yk;
	d->yk -= gain_y * d->yk;
	d->yy -= gain_y * d->yy;
	d->var = fmax(d->var + VAR_GAIN * (square - d->yy - own_var - d->var), VAR_LEAST);
}

static bool close_batch(
	struct dirt_watch *d, const struct dirt_config *config, struct dirt_change *ret_change)
{
	double y = log_of(config, d->p_kpa);
	double own_var = d->noise_var;
	bool told = false;

	if (d->batches == 0) {
		d->y = y;
		d->k = usual_slope(config, y);
		d->yy = HANGS * (d->var + own_var);
		d->yk = 0;
		d->kk = SLOPE_SD * SLOPE_SD * d->k * d->k;
	} else {
		const struct dirt_start *s = judge(d, config, y, own_var + 0.5 * d->common_var);
		double dv = fmax(d->v_l - d->at_l, 0);
		if (s != NULL) {
			double since_l = d->v_l - s->v_l;
			double k = (y - s->y) / since_l;
			*ret_change = (struct dirt_change){
				.before_kpa_l = d->p_kpa *
						fmax(s->k, SLOPE_FLOOR * usual_slope(config, s->y)),
				.after_kpa_l = d->p_kpa * k,
				.since_l = s->v_l,
				.filled_l = s->filled_l,
			};
			take_over(d, y, d->var + own_var, k);
			told = true;
		} else {
			follow(d, config, dv, y, own_var);
		}
	}
	d->at_l = d->v_l;
	d->batches = d->batches < COUNT_CAP ? d->batches + 1 : COUNT_CAP;
	d->hour++;
	if (d->hour >= HOUR_BATCHES && d->batches >= READY) {
		keep_line(d, d->at_l, 0, d->common_var);
		d->hour = 0;
	}
	round_line(d);
	return told;
}

bool dirt_watch_take(struct dirt_watch *d, const struct dirt_config *config, double litres,
	double reference_kpa, double noise_kpa, double common_kpa, struct dirt_change *ret_change)
{
	/* A slow pump's readings are far less sure: what the zero leaves open grows with 1 / flow.
	 */
	double weight =
		1 / fmax(noise_kpa * noise_kpa, 1e-6 * config->limit_kpa * config->limit_kpa);
	double share = noise_kpa / fmax(reference_kpa, P_LEAST * config->limit_kpa);
	double shared = common_kpa / fmax(reference_kpa, P_LEAST * config->limit_kpa);
	bool told = false;

	d->count++;
	d->weight = state_single(d->weight + weight);
	d->v_l = state_single(d->v_l + (litres - d->v_l) / d->count);
	d->p_kpa = state_single(d->p_kpa + (reference_kpa - d->p_kpa) * weight / d->weight);
	d->noise_var =
		state_single(d->noise_var + (share * share - d->noise_var) * weight / d->weight);
	d->common_var = state_single(d->common_var + (shared * shared - d->common_var) / d->count);
	if (d->count >= BATCH_READINGS && d->p_kpa < P_LEAST * config->limit_kpa) {
		dirt_watch_renew(d); /* next to nothing, or less: no line runs through that */
	} else if (d->count >= BATCH_READINGS) {
		told = close_batch(d, config, ret_change);
		clear_batch(d);
	}
	return told;
}

/* The rise a litre is multiplied too; a moved restriction makes another slope of its logarithm of
 * it. */
static void move_line(
	const struct dirt_config *config, double factor, double delta_kpa, double *y, double *k)
{
	double before = *y + log(factor);

	*y = state_single(log_of(config, exp(before) + delta_kpa));
	*k = state_single(*k * exp(before - *y));
}

void dirt_watch_move(
	struct dirt_watch *d, const struct dirt_config *config, double factor, double delta_kpa)
{
	if (d->count > 0) {
		d->p_kpa = state_single(d->p_kpa * factor + delta_kpa);
	}
	if (d->batches > 0) {
		move_line(config, factor, delta_kpa, &d->y, &d->k);
	}
	for (size_t i = 0; i < DIRT_STARTS; i++) {
		struct dirt_start *s = &d->starts[i];
		if (s->batches > 0) {
			move_line(config, factor, delta_kpa, &s->y, &s->k);
		}
	}
}

void dirt_watch_save(const struct dirt_watch *d, struct state_writer *w)
{
	const double fields[] = {d->weight, d->v_l, d->p_kpa, d->noise_var, d->common_var};

	state_put_unsigned(w, d->count);
	if (d->count == 0) {
		return;
	}
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
}

void dirt_watch_load(struct dirt_watch *d, struct state_reader *r)
{
	double *fields[] = {&d->weight, &d->v_l, &d->p_kpa, &d->noise_var, &d->common_var};

	d->count = (uint32_t)state_get_unsigned(r, BATCH_READINGS - 1);
	if (d->count == 0) {
		return;
	}
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
}

void dirt_watch_save_line(const struct dirt_watch *d, struct state_writer *w)
{
	const double fields[] = {d->var, d->at_l, d->y, d->k, d->yy, d->yk, d->kk};

	state_put_unsigned(w, d->batches);
	state_put_unsigned(w, d->hour);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
	for (size_t i = 0; i < DIRT_STARTS; i++) {
		const struct dirt_start *s = &d->starts[i];
		const double parts[] = {
			s->v_l, s->y, s->y_var, s->k, s->k_var, s->var, s->filled_l};
		state_put_unsigned(w, s->batches);
		if (s->batches == 0) {
			continue;
		}
		state_put_unsigned(w, s->hits);
		for (size_t j = 0; j < sizeof(parts) / sizeof(parts[0]); j++) {
			state_put_float(w, (float)parts[j]);
		}
	}
}

void dirt_watch_load_line(struct dirt_watch *d, struct state_reader *r)
{
	double *fields[] = {&d->var, &d->at_l, &d->y, &d->k, &d->yy, &d->yk, &d->kk};

	d->batches = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	d->hour = (uint32_t)state_get_unsigned(r, HOUR_BATCHES);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
	for (size_t i = 0; i < DIRT_STARTS; i++) {
		struct dirt_start *s = &d->starts[i];
		double *parts[] = {
			&s->v_l, &s->y, &s->y_var, &s->k, &s->k_var, &s->var, &s->filled_l};
		s->batches = (uint32_t)state_get_unsigned(r, AGE_MOST);
		if (s->batches == 0) {
			continue;
		}
		s->hits = (uint32_t)state_get_unsigned(r, HITS_HOURLY);
		for (size_t j = 0; j < sizeof(parts) / sizeof(parts[0]); j++) {
			*parts[j] = (double)state_get_float(r);
		}
	}
}
