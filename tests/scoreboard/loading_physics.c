/* loading_physics: the forecast of an element's life on physics that it does not know exactly.
 *
 * Invented elements, seeded: the four laws and what is between and beside them (a compressible
 * cake, a medium that fills while a cake grows on it), dirt that differs from one fuel load to the
 * next, noise with a memory of minutes to an hour, a slow error such as an ill-known temperature
 * leaves, sensor steps of 0.1 to 2 kPa. Each is seen up to 25, 50 and 75 % of its life, once with a
 * guess at what elements live (right within a factor of two, mostly) and once with a history (right
 * within 20 %). Prints tables.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/jump_watch.h"
#include "analysis/loading.h"
#include "replay/scenario_random.h"
#include "tests/scoreboard/tally.h"

#define STAGES	    3
#define MINUTES_MAX 120000
#define PER_KIND    40

enum physics { CAKE, COMPRESSIBLE, INTERMEDIATE, STANDARD, COMPLETE, MIXED, BETWEEN, KINDS };

static const char *const names[KINDS] = {"cake", "compressible cake", "intermediate", "standard",
	"complete", "medium and cake", "between the laws"};

struct element {
	enum physics kind;
	double shape; /* 0.2 to 0.7: compressibility, exponent, share */
	double clean_kpa;
	double limit_kpa;
	double supply_lph;
	double life_l; /* with mean dirt */
	double step_kpa;
	double dirt_sd; /* of a fuel load, in natural logarithm */
	double load_l;	/* mean size of a fuel load */
	double noise_kpa;
	double memory_s;
};

static float kpa_seen[MINUTES_MAX];
static float litres_seen[MINUTES_MAX];

/* Restriction when the share u of the dirt that brings it to the limit has come. */
static double restriction_at(const struct element *e, double u)
{
	double ratio = e->limit_kpa / e->clean_kpa;
	double rise = e->limit_kpa - e->clean_kpa;

	switch (e->kind) {
	case CAKE:
		return e->clean_kpa + rise * u;
	case COMPRESSIBLE: /* resistance ∝ pressure^s: P ∝ V^(1/(1−s)) */
		return e->clean_kpa + rise * pow(u, 1 / (1 - e->shape));
	case INTERMEDIATE:
		return e->clean_kpa * pow(ratio, u);
	case STANDARD:
		return e->clean_kpa / pow(1 - (1 - 1 / sqrt(ratio)) * u, 2);
	case COMPLETE:
		return e->clean_kpa / (1 - (1 - 1 / ratio) * u);
	case MIXED:
		return e->shape * e->clean_kpa / (1 - (1 - 1 / ratio) * u) +
		       (1 - e->shape) * (e->clean_kpa + rise * (0.5 * u + 0.5 * u * u));
	case BETWEEN:
	case KINDS:
		break;
	}
	double n = 0.3 + 1.9 * e->shape + 0.0123; /* never 1 */
	return e->clean_kpa * pow(1 + (pow(ratio, 1 - n) - 1) * u, 1 / (1 - n));
}

static struct element invent(enum physics kind, struct scenario_random *r)
{
	static const double steps[] = {2, 0.5, 0.1};
	struct element e = {.kind = kind};

	e.shape = scenario_random_between(r, 0.2, 0.7);
	e.limit_kpa = scenario_random_between(r, 10, 50);
	e.clean_kpa = e.limit_kpa * scenario_random_between(r, 0.08, 0.33);
	e.supply_lph = scenario_random_between(r, 4, 64);
	e.life_l = e.supply_lph * scenario_random_between(r, 80, 480);
	e.step_kpa = steps[scenario_random_bits(r) % 3];
	e.dirt_sd = scenario_random_between(r, 0, 0.35);
	e.load_l = e.life_l / scenario_random_between(r, 6, 26);
	e.noise_kpa = e.limit_kpa * scenario_random_between(r, 0.01, 0.05);
	e.memory_s = scenario_random_between(r, 300, 3900);
	return e;
}

/* Lives the element to its limit, a minute at a time; returns the minutes. */
static size_t live(const struct element *e, struct scenario_random *r)
{
	struct scenario_wander noise;
	struct scenario_wander slow;
	double u = 0;
	double litres = 0;
	double dirt = exp(e->dirt_sd * scenario_random_normal(r));
	double next_load = e->load_l * scenario_random_between(r, 0.5, 1.5);
	size_t n = 0;

	scenario_wander_init(&noise, e->noise_kpa, e->memory_s, r);
	scenario_wander_init(&slow, 0.01 * e->limit_kpa, 60000, r);
	while (u < 1 && n < MINUTES_MAX) {
		if (litres > next_load) {
			dirt = exp(e->dirt_sd * scenario_random_normal(r));
			next_load += e->load_l * scenario_random_between(r, 0.5, 1.5);
		}
		litres += e->supply_lph / 60;
		u += dirt * e->supply_lph / 60 / e->life_l;
		double kpa = restriction_at(e, fmin(u, 1)) + scenario_wander_step(&noise, 60, r) +
			     scenario_wander_step(&slow, 60, r) +
			     0.5 * e->noise_kpa * scenario_random_normal(r);
		kpa_seen[n] = (float)(e->step_kpa * floor(kpa / e->step_kpa + 0.5));
		litres_seen[n] = (float)litres;
		n++;
	}
	return n;
}

/* A minute of readings that are alike. */
static enum jump_news take_minute(struct jump_watch *steps, double limit_kpa, double litres,
	const struct restriction_reading *reading)
{
	struct jump_change change;
	enum jump_news news = JUMP_NONE;

	for (int i = 0; i < 6 && news == JUMP_NONE; i++) {
		news = jump_watch_take(steps, limit_kpa, litres, reading, &change);
	}
	return news;
}

/* Follows one life; adds its three forecasts to the tallies, and what was told to told and stepped.
 */
static void follow(const struct element *e, size_t minutes, double life_guess_l, double guess_sd,
	struct tally *tallies, struct tally *totals, double *told, double *stepped)
{
	struct loading_config config = {.limit_kpa = e->limit_kpa,
		.life_l = life_guess_l,
		.life_log_sd = guess_sd,
		.minute = 1};
	struct loading loading;
	struct loading_change change;
	struct jump_watch steps;
	double life = (double)litres_seen[minutes - 1];
	int stage = 0;

	loading_init(&loading, &config);
	jump_watch_init(&steps);
	for (size_t i = 0; i < minutes; i++) {
		double litres = (double)litres_seen[i];
		struct loading_forecast f;
		if (stage < STAGES && litres >= life * (stage + 1) / (STAGES + 1) &&
			loading_forecast(&loading, &config, litres, &f)) {
			double left = life - litres;
			int held = left >= f.left_l_p10 && left <= f.left_l_p90;
			tally_add(&tallies[stage], (f.left_l_p50 - left) / life, held);
			tally_add(&totals[stage], (f.left_l_p50 - left) / life, held);
			stage++;
		}
		const struct restriction_reading reading = {.reference_kpa = (double)kpa_seen[i],
			.noise_kpa = e->step_kpa / sqrt(12),
			.coarse_kpa = e->step_kpa,
			.flow_share = 1};
		enum jump_news jump = take_minute(&steps, e->limit_kpa, litres, &reading);
		stepped[jump]++;
		if (jump != JUMP_NONE) {
			loading_step(&loading, litres, (double)kpa_seen[i]);
			continue;
		}
		loading_hold(&loading, jump_watch_doubts(&steps));
		told[loading_take(&loading, &config, litres, reading.reference_kpa,
			reading.noise_kpa, 0, &change)]++;
	}
}

static void print_row(const char *name, const struct tally *guess, const struct tally *history)
{
	printf("| %s |", name);
	for (int half = 0; half < 2; half++) {
		const struct tally *t = half == 0 ? guess : history;
		for (int stage = 0; stage < STAGES; stage++) {
			printf(" %.3f (to %.3f), %.0f %% |", tally_error(&t[stage], 0.5),
				tally_error(&t[stage], 0.9), 100 * tally_share(&t[stage]));
		}
	}
	printf("\n");
}

int main(void)
{
	static struct tally guess[KINDS][STAGES];
	static struct tally history[KINDS][STAGES];
	static struct tally all_guess[STAGES];
	static struct tally all_history[STAGES];
	double told[3] = {0};
	double stepped[3] = {0};
	double hours = 0;

	printf("Invented elements, %d of each kind: error of the forecast end of life as a share "
	       "of the "
	       "life, median (to the 90 %% quantile), and the share of truths inside the 80 %% "
	       "interval, at "
	       "25, 50 and 75 %% of the life.\n\n",
		PER_KIND);
	printf("| physics | guess 25 %% | guess 50 %% | guess 75 %% | history 25 %% | history 50 "
	       "%% | "
	       "history 75 %% |\n| --- | --- | --- | --- | --- | --- | --- |\n");
	for (int kind = 0; kind < KINDS; kind++) {
		for (uint64_t seed = 0; seed < PER_KIND; seed++) {
			struct scenario_random r;
			scenario_random_init(&r, seed, (uint64_t)kind);
			struct element e = invent((enum physics)kind, &r);
			size_t minutes = live(&e, &r);
			double life = (double)litres_seen[minutes - 1];
			hours += (double)minutes / 60;
			follow(&e, minutes, life * exp(0.7 * scenario_random_normal(&r)), 0.8,
				guess[kind], all_guess, told, stepped);
			follow(&e, minutes, life * exp(0.2 * scenario_random_normal(&r)), 0.25,
				history[kind], all_history, told, stepped);
		}
		print_row(names[kind], guess[kind], history[kind]);
	}
	print_row("all", all_guess, all_history);
	printf("\nTold without cause, per 1,000 engine hours of %.0f: jump %.2f, drop %.2f, faster "
	       "%.2f, "
	       "slower %.2f.\n",
		hours, stepped[JUMP_UP] / hours * 500, stepped[JUMP_DOWN] / hours * 500,
		told[LOADING_FASTER] / hours * 500, told[LOADING_SLOWER] / hours * 500);
	bool honest = tally_share(&all_guess[1]) > 0.75 && tally_share(&all_history[1]) > 0.75 &&
		      tally_error(&all_guess[1], 0.5) < 0.13 &&
		      tally_error(&all_history[1], 0.5) < 0.1;
	if (!honest) {
		fprintf(stderr, "at half life the forecast is worse than it may be\n");
	}
	return honest ? 0 : 1;
}
