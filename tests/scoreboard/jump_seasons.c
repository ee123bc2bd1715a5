/* jump_seasons.c: how soon a step of the restriction is told, by its size, and how often one that
 * is none.
 *
 *   jump_seasons [SEASONS [FIRST [ENGINE_HOURS]]]      (default 12 1300000 24)
 *
 * The scoreboard's boats (season_draw.h), each with sludge off the tank's bottom once in each
 * filter that has a sensor: a step of the element's true restriction within two minutes, which the
 * program hears of over the bus only. Judged as tests/scoreboard/judge.py judges: a delay is engine
 * time from the sludge's beginning to restriction-jump or restriction-high; a restriction-jump is
 * false where the truth rose by less than 5 % of the limit in the half engine hour before.
 * Thresholds may be set on these seasons. Exit status 1 when steps of 15 % of the limit or more are
 * told too seldom, or too many that are none. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "replay/scenario_random.h"
#include "tests/scoreboard/season_draw.h"
#include "tests/scoreboard/season_watch.h"
#include "tests/scoreboard/tally.h"

#define STEP_NS	   INT64_C(150000000000) /* the sludge has passed */
#define TOLD_MIN   15.0
#define MOST_MIN   120.0
#define FALSE_RISE 0.05
#define SIZES	   5

static const double least_share[SIZES + 1] = {0.05, 0.10, 0.15, 0.25, 0.40, INFINITY};

struct size_tally {
	unsigned chances;
	unsigned in_time;
	unsigned told;
	double delays_min[4096];
};

static struct size_tally tallies[SIZES];

static double engine_h_at(const struct scenario_truth *truth, int64_t t_ns)
{
	double sum_ns = 0;

	for (size_t i = 0; i < truth->run_count; i++) {
		const struct scenario_run *run = &truth->runs[i];
		int64_t end_ns = t_ns < run->end_ns ? t_ns : run->end_ns;
		sum_ns += end_ns > run->start_ns ? (double)(end_ns - run->start_ns) : 0;
	}
	return sum_ns / 3600e9;
}

/* The element that was in a filter, and its true restriction; NaN: none yet. */
static double restriction_at(const struct season_watch *w, unsigned filter, int64_t t_ns)
{
	const struct scenario_truth *truth = scenario_truth(w->scenario);
	double kpa = NAN;

	for (size_t i = 0; i < w->point_count && w->points[i].t_ns <= t_ns; i++) {
		if (truth->elements[w->points[i].element].filter == filter) {
			kpa = w->points[i].reference_kpa;
		}
	}
	return kpa;
}

/* Half an engine hour before, but not before the element was fitted. */
static int64_t half_an_hour_before(
	const struct scenario_truth *truth, unsigned filter, int64_t t_ns)
{
	int64_t from_ns = t_ns;
	double until_h = engine_h_at(truth, t_ns) - 0.5;

	while (from_ns > 0 && engine_h_at(truth, from_ns) > until_h && until_h > 0) {
		from_ns -= INT64_C(60000000000);
	}
	for (size_t i = 0; i < truth->element_count; i++) {
		const struct scenario_element *e = &truth->elements[i];
		if (e->filter == filter && e->fitted_ns <= t_ns && e->fitted_ns > from_ns) {
			from_ns = e->fitted_ns;
		}
	}
	return from_ns;
}

static bool concerns(
	const struct season_watch *w, const struct seen_event *e, const char *kind, unsigned filter)
{
	return strcmp(e->first.kind, kind) == 0 &&
	       strcmp(e->first.subject, w->boat.filters[filter].name) == 0;
}

static void judge_onset(const struct season_watch *w, const struct scenario_onset *onset)
{
	const struct scenario_truth *truth = scenario_truth(w->scenario);
	double limit = w->options->engine[0].filters[onset->filter].limit_kpa;
	double rise = restriction_at(w, onset->filter, onset->start_ns + STEP_NS) -
		      restriction_at(w, onset->filter, onset->start_ns);
	double delay_min = INFINITY;

	for (size_t i = 0; i < w->event_count; i++) {
		const struct seen_event *e = &w->events[i];
		if ((concerns(w, e, "restriction-jump", onset->filter) ||
			    concerns(w, e, "restriction-high", onset->filter)) &&
			e->raised_ns >= onset->start_ns) {
			double since_h = engine_h_at(truth, e->raised_ns) -
					 engine_h_at(truth, onset->start_ns);
			delay_min = fmin(delay_min, since_h * 60);
		}
	}
	for (int i = 0; i < SIZES; i++) {
		struct size_tally *t = &tallies[i];
		if (rise < least_share[i] * limit || rise >= least_share[i + 1] * limit ||
			t->chances >= sizeof(t->delays_min) / sizeof(t->delays_min[0])) {
			continue;
		}
		t->chances++;
		t->in_time += delay_min <= TOLD_MIN;
		if (delay_min <= MOST_MIN) {
			t->delays_min[t->told++] = delay_min;
		}
	}
}

/* How many restriction-jumps had nothing behind them. */
static unsigned count_false(const struct season_watch *w, uint64_t number)
{
	const struct scenario_truth *truth = scenario_truth(w->scenario);
	unsigned found = 0;

	for (size_t i = 0; i < w->event_count; i++) {
		const struct seen_event *e = &w->events[i];
		for (unsigned filter = 0; filter < SCENARIO_FILTERS_MAX; filter++) {
			if (!concerns(w, e, "restriction-jump", filter)) {
				continue;
			}
			int64_t before_ns = half_an_hour_before(truth, filter, e->raised_ns);
			double rise = restriction_at(w, filter, e->raised_ns) -
				      restriction_at(w, filter, before_ns);
			double limit = w->options->engine[0].filters[filter].limit_kpa;
			if (!(rise >= FALSE_RISE * limit)) {
				printf("season %" PRIu64 ", %.2f h, %s: %s\n", number,
					engine_h_at(truth, e->raised_ns), e->first.subject,
					e->first.message);
				found++;
			}
		}
	}
	return found;
}

static void draw(uint64_t number, double engine_h, struct scenario_options *o, struct boat *boat)
{
	struct scenario_random r;

	season_draw(number, o, boat);
	o->days = (unsigned)ceil(o->days * engine_h / o->engine_h);
	o->engine_h = engine_h;
	scenario_random_init(&r, number, 77);
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		if (o->engine[0].filters[i].sensor == SENSOR_NONE) {
			continue;
		}
		o->faults[o->fault_count++] = (struct scenario_fault){
			.kind = SCENARIO_FAULT_SLUDGE,
			.filter = i,
			.at = 0.45 * i + scenario_random_between(&r, 0.15, 0.45),
			.size = exp(scenario_random_between(&r, log(0.08), log(0.5))),
		};
	}
}

int main(int argc, char **argv)
{
	static struct season_watch w;
	static struct scenario_options options;
	static struct boat boat;
	uint64_t seasons = argc > 1 ? strtoull(argv[1], NULL, 10) : 12;
	uint64_t first = argc > 2 ? strtoull(argv[2], NULL, 10) : 1300000;
	double engine_h = argc > 3 ? strtod(argv[3], NULL) : 24;
	unsigned wrong = 0;
	double hours = 0;

	for (uint64_t i = 0; i < seasons; i++) {
		uint64_t number = first + 2 * i; /* even: no fault but ours */
		draw(number, engine_h, &options, &boat);
		if (season_watch_run(&w, &options, &boat) < 0) {
			fprintf(stderr, "season %" PRIu64 " fails\n", number);
			season_watch_finish(&w);
			return 2;
		}
		const struct scenario_truth *truth = scenario_truth(w.scenario);
		for (size_t k = 0; k < truth->onset_count; k++) {
			judge_onset(&w, &truth->onsets[k]);
		}
		wrong += count_false(&w, number);
		hours += truth->engine_h[0];
		season_watch_finish(&w);
	}
	unsigned great = 0;
	unsigned great_in_time = 0;
	printf("| step, of the limit | chances | told within 15 min | told | median delay |\n"
	       "| --- | --- | --- | --- | --- |\n");
	for (int i = 0; i < SIZES; i++) {
		struct size_tally *t = &tallies[i];
		printf("| from %.0f %% | %u | %u | %u | %.1f min |\n", 100 * least_share[i],
			t->chances, t->in_time, t->told,
			t->told > 0 ? tally_quantile(t->delays_min, t->told, 0.5) : NAN);
		great += least_share[i] >= 0.15 ? t->chances : 0;
		great_in_time += least_share[i] >= 0.15 ? t->in_time : 0;
	}
	printf("\n%u without a step in %.0f engine hours: %.2f in 1,000 h.\n", wrong, hours,
		1000 * wrong / hours);
	return great_in_time >= 0.75 * great && wrong * 250.0 <= hours ? 0 : 1;
}
