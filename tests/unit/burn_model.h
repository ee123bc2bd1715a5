/* burn_model.h: an invented engine as its windows tell it: legs at a few speeds, load with a memory,
 * a burn that follows load and friction. The map and the watches know none of its curves. */
#ifndef SIGHTBOWL_TESTS_BURN_MODEL_H
#define SIGHTBOWL_TESTS_BURN_MODEL_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

#include "analysis/burn_map.h"
#include "replay/scenario_random.h"

struct burn_model {
	struct scenario_random random;
	struct scenario_wander load;
	double leg_starts_h;
	double leg_ends_h;
	double leg_rpm;
};

/* Shares by which the truth is changed. */
struct fault {
	double rate;  /* at a speed and load: the engine */
	double load;  /* at a speed: the hull; burn follows */
	double speed; /* through the water */
};

static inline void model_init(struct burn_model *m, uint64_t seed, double load_sd, double memory_s)
{
	scenario_random_init(&m->random, seed, 3);
	scenario_wander_init(&m->load, load_sd, memory_s, &m->random);
	m->leg_starts_h = 0;
	m->leg_ends_h = 0;
	m->leg_rpm = 0;
}

static inline double usual_load_pct(double rpm)
{
	return 70 * pow(rpm / 3000, 1.6);
}

/* What a load and friction burn at a speed; it bends, other than the watch believes. */
static inline double burn_effort(double load_pct)
{
	return (load_pct + 18) * (1 + load_pct / 700);
}

/* 20 L/h at 3000 rpm. */
static inline double usual_lph(double rpm)
{
	return 20 * rpm / 3000 * burn_effort(usual_load_pct(rpm)) / burn_effort(70);
}

static inline struct burn_window model_step(
	struct burn_model *m, double hour, const struct fault *fault, bool bus_has_all)
{
	static const double speeds[] = {1900, 2300, 2600, 2600, 2900};

	if (hour >= m->leg_ends_h) {
		m->leg_starts_h = hour;
		m->leg_ends_h = hour + scenario_random_between(&m->random, 0.5, 4);
		m->leg_rpm = speeds[scenario_random_bits(&m->random) % 5] +
			     scenario_random_between(&m->random, -40, 40);
	}
	double rpm = m->leg_rpm + 3 * scenario_random_normal(&m->random);
	double load = log1p(fault->load) + scenario_wander_step(&m->load, 10, &m->random);
	double load_pct = usual_load_pct(rpm) * exp(load);
	double rate = usual_lph(rpm) * burn_effort(load_pct) / burn_effort(usual_load_pct(rpm)) *
		      (1 + fault->rate) * (1 + 0.01 * scenario_random_normal(&m->random));
	return (struct burn_window){
		.rpm = rpm,
		.rpm_low = rpm - 10,
		.rpm_high = rpm + 10,
		.rate_lph = 0.1 * floor(rate / 0.1 + 0.5), /* NMEA 2000: 0.1 L/h */
		.rate_step_lph = 0.1,
		.load_pct = bus_has_all ? floor(load_pct + 0.5) : NAN,
		.water_kn = bus_has_all ? 8 * pow(rpm / 3000, 0.8) * (1 + fault->speed) *
						  (1 + 0.02 * scenario_random_normal(&m->random))
					: NAN,
		.ground_kn = 8 * pow(rpm / 3000, 0.8) + 1, /* a current */
		.coolant_c = 82,
		.running_s = 600 + (hour - m->leg_starts_h) * 3600,
		.engine_h = hour,
	};
}

static const struct fault none = {0};

/* Runs hours and stops at the first news. Returns the hours run. */
static inline double run_hours(struct burn *b, struct burn_model *m, double from_h, double hours,
	const struct fault *fault, bool all, int *ret_news, struct burn_finding *ret_finding)
{
	*ret_news = BURN_QUIET;
	for (int i = 0; i < (int)(hours * 360); i++) {
		double hour = i / 360.0;
		struct burn_window w = model_step(m, from_h + hour, fault, all);
		enum burn_news news = burn_take(b, &w, ret_finding);
		if (news != BURN_QUIET && news != BURN_STANDS) {
			*ret_news = (int)news;
			return hour;
		}
	}
	return hours;
}

#endif
