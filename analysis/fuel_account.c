#include "analysis/fuel_account.h"

#include <math.h>
#include <string.h>

#define HOUR_NS 3.6e12

/* Errors held common to a whole run: a tenth of a step of the coding, a quarter percent of the
 * rate. */
#define COMMON_STEPS 0.1
#define COMMON_SHARE 0.0025
/* The share that an edge shows counts with this weight. */
#define SHARE_WEIGHT 0.2
/* Engine time without a rate that is not worth a fill: the edges of a run, not a gap. */
#define SLACK_S 5.0
/* Prior for a gap's burn: anything up to twice the greatest rate seen, or 20 L/h. */
#define GAP_LEAST_LPH 20.0
/* Standard uncertainty of a fill by learned burn, as a share. */
#define LEARNED_SHARE 0.25
/* The ends of a run are known to within this. */
#define EDGE_S 2.0
/* The same for a fill by the burn learned at the engine's speed. */
#define SPEED_SHARE 0.15
#define BIN_RPM	    250.0
/* A bin is worth its word after half a minute, and forgets over about five hours. */
#define BIN_LEAST_H (30.0F / 3600)
#define BIN_MOST_H  5.0F
/* A counter that stands still while this many of its steps were burned is stuck. */
#define STUCK_STEPS 3.0
/* Learned burn forgets over about this many engine hours. */
#define LEARNED_MOST_H	50.0
#define LEARNED_LEAST_H 0.05
/* A rate this old still goes with the engine's speed. */
#define LEARN_NS INT64_C(2000000000)

static void begin_run(struct fuel_run *run)
{
	memset(run, 0, sizeof(*run));
	run->max_lph = -1;
}

void fuel_account_init(struct fuel_account *f)
{
	memset(f, 0, sizeof(*f));
	begin_run(&f->run);
	f->counter = COUNTER_NONE;
	f->share = COMMON_SHARE;
	f->seat_l = -1;
}

static void grow_common(struct fuel_run *run, double litres)
{
	double before = run->common_l;

	run->common_l += litres;
	run->variance_l2 += run->common_l * run->common_l - before * before;
}

static void end_stretch(struct fuel_account *f, int64_t t_ns)
{
	double stretch_h = (double)(t_ns - f->stretch_ns) / HOUR_NS;

	f->run.variance_l2 += f->rate_step_lph * f->rate_step_lph / 12 * stretch_h * stretch_h;
	f->stretch_ns = t_ns;
}

double fuel_account_expectation(const struct fuel_account *f, double rpm)
{
	if (!isnan(rpm) && rpm >= 0) {
		size_t bin = rpm < BIN_RPM * FUEL_BINS ? (size_t)(rpm / BIN_RPM) : FUEL_BINS - 1;
		if (f->bin_h[bin] >= BIN_LEAST_H) {
			return (double)f->bin_lph[bin];
		}
	}
	return fuel_account_learned(f);
}

void fuel_combine(double *litres, double *variance_l2, double other_l, double other_variance_l2)
{
	double sum = *variance_l2 + other_variance_l2;

	if (sum > 0) {
		*litres += *variance_l2 / sum * (other_l - *litres);
		*variance_l2 *= other_variance_l2 / sum;
	}
}

static void learn_bin(struct fuel_account *f, double dt_s, double rpm)
{
	size_t bin = rpm < BIN_RPM * FUEL_BINS ? (size_t)(rpm / BIN_RPM) : FUEL_BINS - 1;
	float dt_h = (float)(dt_s / 3600);

	f->bin_h[bin] += dt_h;
	if (f->bin_h[bin] > BIN_MOST_H) {
		f->bin_h[bin] = BIN_MOST_H;
	}
	f->bin_lph[bin] += dt_h / f->bin_h[bin] * ((float)f->rate_lph - f->bin_lph[bin]);
}

void fuel_account_speed(struct fuel_account *f, int64_t t_ns, double dt_s, double rpm)
{
	double lph = fuel_account_expectation(f, rpm);

	if (!isnan(lph)) {
		f->expected_l += lph * dt_s / 3600;
		f->expected_s += dt_s;
	}
	if (f->has_rate && rpm >= 0 && dt_s > 0 && t_ns - f->rate_ns <= LEARN_NS) {
		learn_bin(f, dt_s, rpm);
	}
}

static void forget_expected(struct fuel_account *f)
{
	f->expected_l = 0;
	f->expected_s = 0;
}

/* A gap: what was expected in it becomes a fill. */
static void fill_expected(struct fuel_account *f)
{
	double doubt_l = SPEED_SHARE * f->expected_l;

	if (f->expected_s > 0) {
		fuel_run_fill(&f->run, f->expected_l, doubt_l * doubt_l, f->expected_s);
		f->gap_variance_l2 += doubt_l * doubt_l;
		f->edge_whole = false;
	}
	forget_expected(f);
}

void fuel_account_rate(struct fuel_account *f, int64_t t_ns, double lph, double resolution,
	int64_t gap_ns, enum fuel_share share)
{
	bool counts = share == FUEL_RUNS;
	int64_t dt_ns = t_ns - f->rate_ns;
	bool bridged = f->has_rate && dt_ns >= 0 && dt_ns <= gap_ns;

	if (bridged && share != FUEL_STANDS) {
		double dt_h = (double)dt_ns / HOUR_NS;
		double litres = (f->rate_lph + lph) / 2 * dt_h;
		f->run.observed_l += litres;
		f->run.covered_s += counts ? (double)dt_ns * 1e-9 : 0;
		f->since_edge_l += litres;
		grow_common(&f->run, (COMMON_STEPS * resolution + f->share * lph) * dt_h);
		if (lph != f->rate_lph) {
			end_stretch(f, t_ns);
			/* The turn lies somewhere in the interval. */
			double turn_l = (lph - f->rate_lph) * dt_h;
			f->run.variance_l2 += turn_l * turn_l / 12;
		}
		forget_expected(f);
	} else {
		f->stretch_ns = t_ns;
		if (counts && f->has_rate && !bridged) {
			fill_expected(f);
		}
		forget_expected(f);
	}
	if (counts && lph > f->run.max_lph) {
		f->run.max_lph = lph;
	}
	f->has_rate = true;
	f->rate_ns = t_ns;
	f->rate_lph = lph;
	f->rate_step_lph = resolution;
	f->rate_gap_ns = gap_ns;
}

double fuel_account_learned(const struct fuel_account *f)
{
	return f->learned_h >= LEARNED_LEAST_H ? f->learned_l / f->learned_h : NAN;
}

static double uncovered_s(const struct fuel_run *run, double engine_s)
{
	double s = engine_s - run->covered_s - run->filled_s - run->unknown_s;

	return s > 0 ? s : 0;
}

/* Knows nothing of the counter but this reading: the offset takes all the doubt. */
static void seat(struct fuel_account *f, double measured_l, double variance_l2)
{
	f->offset_l = measured_l - f->run.observed_l - f->run.error_l;
	f->offset_variance_l2 = variance_l2 + f->run.variance_l2;
	f->covariance_l2 = -f->run.variance_l2;
	f->counter_fresh = true;
	f->since_edge_l = 0;
	f->edge_whole = true;
	f->seat_l = -1;
}

/* What an edge shows of the rate's common error: more than was held, and the doubt grows, also that
 * of the litres before the first edge, which no edge can check. */
static void learn_share(struct fuel_account *f, double innovation_l)
{
	if (f->seat_l < 0) {
		f->seat_l = f->since_edge_l;
		return;
	}
	if (!f->edge_whole || f->since_edge_l < f->counter_step_l / 2) {
		return;
	}
	double before = f->share;
	double shown = fabs(innovation_l) / f->since_edge_l;
	f->share += SHARE_WEIGHT * (shown - f->share);
	if (f->share < COMMON_SHARE) {
		f->share = COMMON_SHARE;
	}
	if (f->share > before) {
		f->run.variance_l2 +=
			(f->share * f->share - before * before) * f->seat_l * f->seat_l;
	}
}

/* The measurement observed + E + B = measured. */
static void measure(struct fuel_account *f, double measured_l, double variance_l2)
{
	double innovation = measured_l - f->run.observed_l - f->run.error_l - f->offset_l;
	double to_e = f->run.variance_l2 + f->covariance_l2;
	double to_b = f->covariance_l2 + f->offset_variance_l2;
	double s = to_e + to_b + variance_l2;

	if (s <= 0) {
		return;
	}
	double gap_share = f->run.variance_l2 > 0 ? f->gap_variance_l2 / f->run.variance_l2 : 0;
	f->run.estimated_l += fmin(gap_share, 1) * to_e / s * innovation;
	f->gap_variance_l2 = 0;
	f->run.error_l += to_e / s * innovation;
	f->offset_l += to_b / s * innovation;
	f->run.variance_l2 -= to_e * to_e / s;
	f->offset_variance_l2 -= to_b * to_b / s;
	f->covariance_l2 -= to_e * to_b / s;
	f->run.variance_l2 = f->run.variance_l2 > 0 ? f->run.variance_l2 : 0;
	f->offset_variance_l2 = f->offset_variance_l2 > 0 ? f->offset_variance_l2 : 0;
}

void fuel_account_reseat(
	struct fuel_account *f, int64_t t_ns, enum fuel_counter kind, double litres, double step_l)
{
	f->counter = (uint8_t)kind;
	f->counter_l = litres;
	f->counter_step_l = step_l;
	f->counter_ns = t_ns;
	seat(f, litres + step_l / 2, step_l * step_l / 12);
}

/* Fills the engine time that had no rate from the counter's reading. */
static void fill_from_counter(
	struct fuel_account *f, double measured_l, double variance_l2, double gap_s)
{
	double most_lph = f->run.max_lph * 2 > GAP_LEAST_LPH ? f->run.max_lph * 2 : GAP_LEAST_LPH;
	double prior_l = most_lph * gap_s / 3600;

	f->run.variance_l2 += prior_l * prior_l;
	f->gap_variance_l2 += prior_l * prior_l;
	measure(f, measured_l, variance_l2);
	f->run.filled_s += gap_s;
	f->since_edge_l = 0;
	f->edge_whole = false;
}

void fuel_account_counter(struct fuel_account *f, int64_t t_ns, enum fuel_counter kind,
	double litres, double step_l, double engine_s)
{
	if (kind > f->counter) {
		if (f->counter != COUNTER_NONE && t_ns - f->counter_ns <= INT64_C(60000000000)) {
			return; /* a finer one is heard */
		}
	}
	if (kind != f->counter || !f->counter_fresh || step_l != f->counter_step_l ||
		litres < f->counter_l) {
		f->resets += kind == f->counter && f->counter_fresh ? 1 : 0;
		fuel_account_reseat(f, t_ns, kind, litres, step_l);
		return;
	}
	if (f->has_rate && t_ns - f->rate_ns > f->rate_gap_ns) {
		fill_expected(f);
	} else if (f->has_rate && t_ns - f->rate_ns > LEARN_NS) {
		return; /* a gap, or a message lost: the next rate tells */
	}
	double dt_h = (double)(t_ns - f->counter_ns) / HOUR_NS;
	double risen_l = litres - f->counter_l;
	double gap_s = uncovered_s(&f->run, engine_s);
	double rate_l = (f->has_rate ? f->rate_lph : 0) * dt_h;

	if (gap_s > SLACK_S) {
		fill_from_counter(f, litres + step_l / 2, step_l * step_l / 12, gap_s);
	} else if (risen_l > 0) {
		/* An edge: the counter stood exactly at litres some time since its last message. */
		end_stretch(f, f->rate_ns);
		double past_l = rate_l < step_l ? rate_l : step_l;
		double variance = past_l * past_l / 12 + 1e-6 * step_l * step_l;
		double doubt_l = 2 * step_l + f->since_edge_l / 2;
		double innovation =
			litres + past_l / 2 - f->run.observed_l - f->run.error_l - f->offset_l;
		if (f->edge_whole && fabs(innovation) > doubt_l) {
			f->resets++;
			fuel_account_reseat(f, t_ns, kind, litres, step_l);
			return;
		}
		learn_share(f, innovation);
		measure(f, litres + past_l / 2, variance);
		f->since_edge_l = 0;
		f->edge_whole = true;
		f->run.common_l = 0;
	} else if (f->since_edge_l > STUCK_STEPS * step_l) {
		/* Stuck: whatever it says next, its offset is not known. */
		f->counter_fresh = false;
	}
	f->counter_l = litres;
	f->counter_ns = t_ns;
}

bool fuel_account_expected(const struct fuel_account *f, double *ret_l, double *ret_variance_l2)
{
	if (f->counter == COUNTER_NONE || !f->counter_fresh) {
		return false;
	}
	*ret_l = f->run.observed_l + f->run.error_l + f->offset_l;
	*ret_variance_l2 = f->run.variance_l2 + 2 * f->covariance_l2 + f->offset_variance_l2;
	if (*ret_variance_l2 < 0) {
		*ret_variance_l2 = 0;
	}
	return true;
}

void fuel_account_begin(struct fuel_account *f)
{
	double offset_l;
	double variance_l2;

	if (fuel_account_expected(f, &offset_l, &variance_l2)) {
		f->offset_l = offset_l;
		f->offset_variance_l2 = variance_l2;
	}
	f->covariance_l2 = 0;
	begin_run(&f->run);
	forget_expected(f);
	f->gap_variance_l2 = 0;
	f->seat_l = f->seat_l < 0 ? -1 : 0;
	f->stretch_ns = f->rate_ns;
}

void fuel_account_start(struct fuel_account *f)
{
	double cranked_l = f->run.observed_l;

	fuel_account_begin(f);
	f->run.observed_l = cranked_l;
	f->offset_l -= cranked_l;
}

void fuel_account_end_stretch(struct fuel_account *f)
{
	if (f->has_rate) {
		end_stretch(f, f->rate_ns);
	}
}

void fuel_account_learn(struct fuel_account *f)
{
	f->learned_l += f->run.observed_l;
	f->learned_h += f->run.covered_s / 3600;
	if (f->learned_h > LEARNED_MOST_H) {
		f->learned_l *= LEARNED_MOST_H / f->learned_h;
		f->learned_h = LEARNED_MOST_H;
	}
}

void fuel_account_end(struct fuel_account *f, double engine_s)
{
	double burn_lph = fuel_account_learned(f);

	fuel_account_end_stretch(f);
	if (f->expected_s > SLACK_S) {
		fill_expected(f);
	}
	double gap_s = uncovered_s(&f->run, engine_s);
	if (isnan(burn_lph) && f->run.covered_s >= LEARNED_LEAST_H * 3600) {
		burn_lph = f->run.observed_l / (f->run.covered_s / 3600);
	}
	if (gap_s <= SLACK_S) {
		return;
	}
	if (isnan(burn_lph)) {
		f->run.unknown_s += gap_s;
		return;
	}
	double litres = burn_lph * gap_s / 3600;
	double doubt_l = LEARNED_SHARE * litres;
	fuel_run_fill(&f->run, litres, doubt_l * doubt_l, gap_s);
}

void fuel_run_fill(struct fuel_run *run, double litres, double variance_l2, double engine_s)
{
	run->error_l += litres;
	run->estimated_l += litres;
	run->variance_l2 += variance_l2;
	run->filled_s += engine_s;
}

void fuel_run_join(struct fuel_run *into, const struct fuel_run *from)
{
	into->observed_l += from->observed_l;
	into->error_l += from->error_l;
	into->variance_l2 += from->variance_l2;
	into->estimated_l += from->estimated_l;
	into->covered_s += from->covered_s;
	into->filled_s += from->filled_s;
	into->unknown_s += from->unknown_s;
	into->max_lph = from->max_lph > into->max_lph ? from->max_lph : into->max_lph;
}

double fuel_run_litres(const struct fuel_run *run)
{
	if (run->covered_s <= 0 && run->filled_s <= 0) {
		return NAN;
	}
	double litres = run->observed_l + run->error_l;
	return litres > 0 ? litres : 0;
}

double fuel_run_uncertainty(const struct fuel_run *run)
{
	double engine_s = run->covered_s + run->filled_s;

	if (engine_s <= 0) {
		return NAN;
	}
	/* A second's burn at either end: when it began and ended is known to a reading. */
	double edge_l = (run->observed_l + run->error_l) / engine_s * EDGE_S;
	return 2 * sqrt(run->variance_l2 + 2 * edge_l * edge_l / 12);
}

void fuel_run_save(const struct fuel_run *run, struct state_writer *w)
{
	state_put_double(w, run->observed_l);
	state_put_double(w, run->error_l);
	state_put_double(w, run->variance_l2);
	state_put_double(w, run->estimated_l);
	state_put_double(w, run->covered_s);
	state_put_double(w, run->filled_s);
	state_put_double(w, run->unknown_s);
	state_put_double(w, run->max_lph);
	state_put_double(w, run->common_l);
}

void fuel_run_load(struct fuel_run *run, struct state_reader *r)
{
	run->observed_l = state_get_double(r);
	run->error_l = state_get_double(r);
	run->variance_l2 = state_get_double(r);
	run->estimated_l = state_get_double(r);
	run->covered_s = state_get_double(r);
	run->filled_s = state_get_double(r);
	run->unknown_s = state_get_double(r);
	run->max_lph = state_get_double(r);
	run->common_l = state_get_double(r);
}

void fuel_account_save(const struct fuel_account *f, struct state_writer *w)
{
	fuel_run_save(&f->run, w);
	state_put_unsigned(
		w, (f->has_rate ? 1U : 0) | (f->counter_fresh ? 2U : 0) | (f->edge_whole ? 4U : 0));
	if (f->has_rate) {
		state_put_signed(w, f->rate_ns);
		state_put_double(w, f->rate_lph);
		state_put_double(w, f->rate_step_lph);
		state_put_signed(w, f->rate_gap_ns);
		state_put_signed(w, f->rate_ns - f->stretch_ns);
	}
	state_put_unsigned(w, f->counter);
	if (f->counter != COUNTER_NONE) {
		state_put_double(w, f->counter_l);
		state_put_double(w, f->counter_step_l);
		state_put_signed(w, f->counter_ns);
		state_put_double(w, f->offset_l);
		state_put_double(w, f->covariance_l2);
		state_put_double(w, f->offset_variance_l2);
		state_put_double(w, f->since_edge_l);
		state_put_double(w, f->seat_l);
		state_put_double(w, f->share);
	}
	state_put_unsigned(w, f->resets);
	state_put_double(w, f->expected_l);
	state_put_double(w, f->expected_s);
	state_put_double(w, f->gap_variance_l2);
	state_put_double(w, f->learned_l);
	state_put_double(w, f->learned_h);
	for (size_t i = 0; i < FUEL_BINS; i++) {
		state_put_float(w, f->bin_h[i]);
		if (f->bin_h[i] > 0) {
			state_put_float(w, f->bin_lph[i]);
		}
	}
}

void fuel_account_load(struct fuel_account *f, struct state_reader *r)
{
	fuel_account_init(f);
	fuel_run_load(&f->run, r);
	uint64_t flags = state_get_unsigned(r, 7);
	f->has_rate = (flags & 1) != 0;
	f->counter_fresh = (flags & 2) != 0;
	f->edge_whole = (flags & 4) != 0;
	if (f->has_rate) {
		f->rate_ns = state_get_signed(r);
		f->rate_lph = state_get_double(r);
		f->rate_step_lph = state_get_double(r);
		f->rate_gap_ns = state_get_signed(r);
		f->stretch_ns = f->rate_ns - state_get_signed(r);
	}
	f->counter = (uint8_t)state_get_unsigned(r, COUNTER_NONE);
	if (f->counter != COUNTER_NONE) {
		f->counter_l = state_get_double(r);
		f->counter_step_l = state_get_double(r);
		f->counter_ns = state_get_signed(r);
		f->offset_l = state_get_double(r);
		f->covariance_l2 = state_get_double(r);
		f->offset_variance_l2 = state_get_double(r);
		f->since_edge_l = state_get_double(r);
		f->seat_l = state_get_double(r);
		f->share = state_get_double(r);
	}
	f->resets = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	f->expected_l = state_get_double(r);
	f->expected_s = state_get_double(r);
	f->gap_variance_l2 = state_get_double(r);
	f->learned_l = state_get_double(r);
	f->learned_h = state_get_double(r);
	for (size_t i = 0; i < FUEL_BINS; i++) {
		f->bin_h[i] = state_get_float(r);
		if (f->bin_h[i] > 0) {
			f->bin_lph[i] = state_get_float(r);
		}
	}
}
