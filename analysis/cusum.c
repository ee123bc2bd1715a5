#include "analysis/cusum.h"

#include <math.h>
#include <stddef.h>

#define NODES     40
#define COUNT_CAP 1000000
#define PI        3.14159265358979323846

void cusum_init(struct cusum *c, const struct cusum_config *config)
{
	double start = config->limit * config->head_start;

	*c = (struct cusum){.up = state_single(start), .down = state_single(start)};
}

enum cusum_signal cusum_add(struct cusum *c, const struct cusum_config *config, double value)
{
	/* Kept to single precision: what is saved is all there is. */
	c->up = state_single(fmax(c->up + value - config->slack, 0));
	c->down = state_single(fmax(c->down - value - config->slack, 0));
	c->up_count = c->up > 0 ? c->up_count + (c->up_count < COUNT_CAP) : 0;
	c->down_count = c->down > 0 ? c->down_count + (c->down_count < COUNT_CAP) : 0;
	if (c->up > config->limit) {
		return CUSUM_UP;
	}
	return c->down > config->limit ? CUSUM_DOWN : CUSUM_NONE;
}

double cusum_shift(const struct cusum *c, const struct cusum_config *config)
{
	if (c->up >= c->down) {
		return c->up_count > 0 ? config->slack + c->up / c->up_count : 0;
	}
	return c->down_count > 0 ? -config->slack - c->down / c->down_count : 0;
}

/* Nodes and weights of Gauss-Legendre on 0 to h, by Newton on the Legendre polynomial. */
static void legendre(double h, double *node, double *weight)
{
	for (int i = 0; i < NODES; i++) {
		double x = cos(PI * (i + 0.75) / (NODES + 0.5));
		double slope = 1;
		for (int round = 0; round < 50; round++) {
			double p = 1;
			double before = 0;
			for (int j = 1; j <= NODES; j++) {
				double next = ((2 * j - 1) * x * p - (j - 1) * before) / j;
				before = p;
				p = next;
			}
			slope = NODES * (x * p - before) / (x * x - 1);
			double step = p / slope;
			x -= step;
			if (fabs(step) < 1e-15) {
				break;
			}
		}
		node[i] = h * (1 - x) / 2;
		weight[i] = h / ((1 - x * x) * slope * slope);
	}
}

static double normal_cdf(double x)
{
	return 0.5 * erfc(-x / sqrt(2));
}

static double normal_pdf(double x)
{
	return exp(-0.5 * x * x) / sqrt(2 * PI);
}

/* Solves a·x = b in place, with pivots; b becomes x. */
static void solve(double a[NODES + 1][NODES + 1], double *b)
{
	for (int i = 0; i <= NODES; i++) {
		int pivot = i;
		for (int j = i + 1; j <= NODES; j++) {
			pivot = fabs(a[j][i]) > fabs(a[pivot][i]) ? j : pivot;
		}
		for (int j = 0; j <= NODES; j++) {
			double swap = a[i][j];
			a[i][j] = a[pivot][j];
			a[pivot][j] = swap;
		}
		double swap = b[i];
		b[i] = b[pivot];
		b[pivot] = swap;
		for (int j = i + 1; j <= NODES; j++) {
			double factor = a[j][i] / a[i][i];
			for (int m = i; m <= NODES; m++) {
				a[j][m] -= factor * a[i][m];
			}
			b[j] -= factor * b[i];
		}
	}
	for (int i = NODES; i >= 0; i--) {
		for (int j = i + 1; j <= NODES; j++) {
			b[i] -= a[i][j] * b[j];
		}
		b[i] /= a[i][i];
	}
}

/* Run length of the upper side started at 0 and at start: L(z) = 1 + L(0) Φ(k − z − δ) +
 * ∫ L(x) φ(x + k − z − δ) dx over 0 to h. Unknown 0 is L(0), the others L at the nodes. */
static void upper(
	double slack, double limit, double shift, double start, double *ret_zero, double *ret_start)
{
	double node[NODES];
	double weight[NODES];
	double a[NODES + 1][NODES + 1];
	double b[NODES + 1];

	legendre(limit, node, weight);
	for (int i = 0; i <= NODES; i++) {
		double z = i == 0 ? 0 : node[i - 1];
		b[i] = 1;
		a[i][0] = (i == 0 ? 1 : 0) - normal_cdf(slack - z - shift);
		for (int j = 1; j <= NODES; j++) {
			a[i][j] = (i == j ? 1 : 0) -
				  weight[j - 1] * normal_pdf(node[j - 1] + slack - z - shift);
		}
	}
	solve(a, b);
	*ret_zero = b[0];
	double at = 1 + b[0] * normal_cdf(slack - start - shift);
	for (int j = 1; j <= NODES; j++) {
		at += weight[j - 1] * b[j] * normal_pdf(node[j - 1] + slack - start - shift);
	}
	*ret_start = at;
}

double cusum_run_length_upper(const struct cusum_config *config, double shift)
{
	double zero;
	double start;

	upper(config->slack, config->limit, shift, config->limit * config->head_start, &zero,
		&start);
	return start;
}

double cusum_run_length(const struct cusum_config *config, double shift)
{
	double start = config->limit * config->head_start;
	double up_zero;
	double up_start;
	double down_zero;
	double down_start;

	upper(config->slack, config->limit, shift, start, &up_zero, &up_start);
	upper(config->slack, config->limit, -shift, start, &down_zero, &down_start);
	/* Lucas and Crosier (1982); without a head start it is 1/L = 1/L+ + 1/L-. */
	return (up_start * down_zero + down_start * up_zero - up_zero * down_zero) /
	       (up_zero + down_zero);
}

double cusum_run_length_siegmund(double slack, double limit, double shift)
{
	double b = limit + 1.166;
	double inverse = 0;

	for (int side = -1; side <= 1; side += 2) {
		double delta = side * shift - slack;
		double length = fabs(delta) < 1e-9 ? b * b
						   : (exp(-2 * delta * b) + 2 * delta * b - 1) /
							     (2 * delta * delta);
		inverse += 1 / length;
	}
	return 1 / inverse;
}

double cusum_limit(double slack, double run_length)
{
	double low = 0.01;
	double high = 20;

	for (int i = 0; i < 40; i++) {
		struct cusum_config config = {.slack = slack, .limit = (low + high) / 2};
		if (cusum_run_length(&config, 0) < run_length) {
			low = config.limit;
		} else {
			high = config.limit;
		}
	}
	return (low + high) / 2;
}

void cusum_save(const struct cusum *c, struct state_writer *w)
{
	state_put_float(w, (float)c->up);
	state_put_float(w, (float)c->down);
	state_put_unsigned(w, c->up_count);
	state_put_unsigned(w, c->down_count);
}

void cusum_load(struct cusum *c, struct state_reader *r)
{
	c->up = (double)state_get_float(r);
	c->down = (double)state_get_float(r);
	c->up_count = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	c->down_count = (uint32_t)state_get_unsigned(r, COUNT_CAP);
}
