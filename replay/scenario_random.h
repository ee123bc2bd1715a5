/* scenario_random.h: the scenario's own random numbers: xoshiro256** (Blackman and Vigna) seeded by
 * splitmix64, one stream a subject, so that a disturbance never changes the season's physics. */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_RANDOM_H
#define SIGHTBOWL_REPLAY_SCENARIO_RANDOM_H

#include <stdbool.h>
#include <stdint.h>

struct scenario_random {
	uint64_t words[4];
	double spare;
	bool has_spare;
};

/* Streams of one seed are independent for every practical purpose. */
void scenario_random_init(struct scenario_random *r, uint64_t seed, uint64_t stream);
uint64_t scenario_random_bits(struct scenario_random *r);
/* 0 <= share < 1 */
double scenario_random_share(struct scenario_random *r);
double scenario_random_between(struct scenario_random *r, double low, double high);
/* Mean 0, standard deviation 1. */
double scenario_random_normal(struct scenario_random *r);
double scenario_random_exponential(struct scenario_random *r, double mean);

/* A value that wanders about 0 with a memory: an Ornstein-Uhlenbeck process, exact for any step. */
struct scenario_wander {
	double deviation; /* standard deviation in the long run */
	double memory_s;
	double value;
	double step_s; /* keep and kick are for this step */
	double keep;
	double kick;
};

/* Starts anywhere in its long-run spread. */
void scenario_wander_init(
	struct scenario_wander *w, double deviation, double memory_s, struct scenario_random *r);
double scenario_wander_step(struct scenario_wander *w, double step_s, struct scenario_random *r);

#endif
