/* tally.h: errors and interval hits of forecasts, for the scoreboard's tables. */
#ifndef SIGHTBOWL_TESTS_TALLY_H
#define SIGHTBOWL_TESTS_TALLY_H

#include <math.h>
#include <stddef.h>
#include <stdlib.h>

#define TALLY_MAX 4096

struct tally {
	size_t count;
	size_t held;		  /* truths inside the interval */
	double errors[TALLY_MAX]; /* signed, as a share of the whole life */
};

static inline int tally_order(const void *a, const void *b)
{
	double x = *(const double *)a;
	double y = *(const double *)b;

	return (x > y) - (x < y);
}

/* The level quantile of n values, which are reordered. */
static inline double tally_quantile(double *values, size_t n, double level)
{
	qsort(values, n, sizeof(*values), tally_order);
	double at = level * (double)(n - 1);
	size_t low = (size_t)at;
	double part = at - (double)low;

	return low + 1 < n ? values[low] * (1 - part) + values[low + 1] * part : values[low];
}

static inline void tally_add(struct tally *t, double error, int held)
{
	t->errors[t->count++] = error;
	t->held += held ? 1 : 0;
}

/* Quantile of the errors without their sign. */
static inline double tally_error(const struct tally *t, double level)
{
	static double sizes[TALLY_MAX];

	for (size_t i = 0; i < t->count; i++) {
		sizes[i] = fabs(t->errors[i]);
	}
	return tally_quantile(sizes, t->count, level);
}

static inline double tally_bias(const struct tally *t)
{
	static double values[TALLY_MAX];

	for (size_t i = 0; i < t->count; i++) {
		values[i] = t->errors[i];
	}
	return tally_quantile(values, t->count, 0.5);
}

static inline double tally_share(const struct tally *t)
{
	return (double)t->held / (double)t->count;
}

#endif
