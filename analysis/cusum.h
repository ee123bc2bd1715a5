/* cusum.h: the two-sided tabular cumulative sum, and how long it runs until it signals.
 *
 * Values, slack and limit are in one unit: that of the values, or their standard deviations. The
 * average run lengths are for independent standard normal values; whoever feeds correlated ones
 * must batch and scale them first.
 */
#ifndef SIGHTBOWL_ANALYSIS_CUSUM_H
#define SIGHTBOWL_ANALYSIS_CUSUM_H

#include <stdint.h>

#include "decoders/state_codec.h"

struct cusum_config {
	double slack;      /* k: half the shift that matters */
	double limit;      /* h */
	double head_start; /* share of the limit at which the sums start (fast initial response); 0
			      to < 1 */
};

enum cusum_signal { CUSUM_NONE, CUSUM_UP, CUSUM_DOWN };

struct cusum {
	double up;
	double down;
	uint32_t up_count; /* values since the sum was last zero */
	uint32_t down_count;
};

void cusum_init(struct cusum *c, const struct cusum_config *config);

/* Adds a value's distance from its target. Goes on signalling until the sum falls below the limit.
 */
enum cusum_signal cusum_add(struct cusum *c, const struct cusum_config *config, double value);

/* Shift that the present sums speak of (Page's estimate); 0 when both are zero. */
double cusum_shift(const struct cusum *c, const struct cusum_config *config);

/* Average run length of the two-sided scheme when values are normal with deviation 1 and the mean
 * is shift off; by the integral equation with Gauss-Legendre nodes. slack >= 0, 0 < limit <= 20. */
double cusum_run_length(const struct cusum_config *config, double shift);

/* The same of the upper side alone, and by Siegmund's approximation (no head start). */
double cusum_run_length_upper(const struct cusum_config *config, double shift);
double cusum_run_length_siegmund(double slack, double limit, double shift);

/* The limit at which the two-sided scheme without head start signals, without a shift, once in
 * run_length values on average. slack > 0, run_length from 5 to 1e6. */
double cusum_limit(double slack, double run_length);

void cusum_save(const struct cusum *c, struct state_writer *w);
void cusum_load(struct cusum *c, struct state_reader *r);

#endif
