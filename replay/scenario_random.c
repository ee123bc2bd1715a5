#include "replay/scenario_random.h"

#include <math.h>

static uint64_t splitmix(uint64_t *state)
{
	uint64_t z = (*state += UINT64_C(0x9E3779B97F4A7C15));

	z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
	z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
	return z ^ (z >> 31);
}

void scenario_random_init(struct scenario_random *r, uint64_t seed, uint64_t stream)
{
	uint64_t state = seed;

	/* The stream's number goes through the mixer of its own, so that seed 1 stream 2 and seed 2
	 * stream 1 have nothing in common. */
	state = splitmix(&state) ^ (stream * UINT64_C(0xD1342543DE82EF95) + 1);
	for (unsigned i = 0; i < 4; i++) {
		r->words[i] = splitmix(&state);
	}
	r->spare = 0;
	r->has_spare = false;
}

static uint64_t rotate(uint64_t x, unsigned by)
{
	return (x << by) | (x >> (64 - by));
}

uint64_t scenario_random_bits(struct scenario_random *r)
{
	uint64_t *s = r->words;
	uint64_t result = rotate(s[1] * 5, 7) * 9;
	uint64_t shifted = s[1] << 17;

	s[2] ^= s[0];
	s[3] ^= s[1];
	s[1] ^= s[2];
	s[0] ^= s[3];
	s[2] ^= shifted;
	s[3] = rotate(s[3], 45);
	return result;
}

double scenario_random_share(struct scenario_random *r)
{
	return (double)(scenario_random_bits(r) >> 11) * 0x1p-53;
}

double scenario_random_between(struct scenario_random *r, double low, double high)
{
	return low + (high - low) * scenario_random_share(r);
}

double scenario_random_normal(struct scenario_random *r)
{
	double x;
	double y;
	double square;
	double scale;

	/* Marsaglia's polar method gives two at a time. */
	if (r->has_spare) {
		r->has_spare = false;
		return r->spare;
	}
	do {
		x = 2 * scenario_random_share(r) - 1;
		y = 2 * scenario_random_share(r) - 1;
		square = x * x + y * y;
	} while (square >= 1 || square <= 0);
	scale = sqrt(-2 * log(square) / square);
	r->spare = y * scale;
	r->has_spare = true;
	return x * scale;
}

double scenario_random_exponential(struct scenario_random *r, double mean)
{
	return -mean * log(1 - scenario_random_share(r));
}

void scenario_wander_init(
	struct scenario_wander *w, double deviation, double memory_s, struct scenario_random *r)
{
	*w = (struct scenario_wander){
		.deviation = deviation,
		.memory_s = memory_s,
		.value = deviation * scenario_random_normal(r),
	};
}

double scenario_wander_step(struct scenario_wander *w, double step_s, struct scenario_random *r)
{
	if (step_s != w->step_s) {
		w->step_s = step_s;
		w->keep = exp(-step_s / w->memory_s);
		w->kick = w->deviation * sqrt(1 - w->keep * w->keep);
	}
	w->value = w->keep * w->value + w->kick * scenario_random_normal(r);
	return w->value;
}
