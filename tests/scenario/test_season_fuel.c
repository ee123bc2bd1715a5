/* The whole way from an invented season's frames to its litres, against the season's own ground truth
 * (taken from the model's state, never from the frames). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/pipeline.h"
#include "replay/scenario.h"

#define RUNS_MAX     512
#define SESSIONS_MAX 4096
#define MINUTE_NS    INT64_C(60000000000)

struct account {
	struct fact_run runs[RUNS_MAX];
	int64_t offsets_ns[SESSIONS_MAX];
	double miles[RUNS_MAX];
};

static void on_session(void *context, const struct fact_session *session)
{
	struct account *a = context;

	assert_in_range(session->session, 1, SESSIONS_MAX - 1);
	a->offsets_ns[session->session] = session->utc_offset_ns;
}

static void on_run(void *context, const struct fact_run *run)
{
	struct account *a = context;

	assert_in_range(run->run, 1, RUNS_MAX - 1);
	a->runs[run->run] = *run;
}

static void on_run_withdrawn(void *context, int64_t run)
{
	struct account *a = context;

	a->runs[run].run = 0;
}

static void on_trip(void *context, const struct fact_trip *trip)
{
	struct account *a = context;

	assert_in_range(trip->trip, 1, RUNS_MAX - 1);
	a->miles[trip->trip] = isnan(trip->distance_nm) ? 0 : trip->distance_nm;
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	struct account *a = context;

	a->miles[trip] = 0;
}

struct verdict {
	double error_share;      /* of the season's litres */
	double hours_share;      /* error of the season's engine hours */
	double miles_share;
	double sum_l;
	double true_l;
	double uncertainty_l;    /* of the season, runs being independent */
	int runs;
	int true_runs;
	int matched;             /* runs whose start and end are right to a minute */
	int covered;             /* … and whose litres are within the stated uncertainty */
};

static void judge_runs(const struct account *a, const struct scenario_truth *truth, struct verdict *v)
{
	for (size_t i = 0; i < truth->run_count; i++) {
		const struct scenario_run *t = &truth->runs[i];
		for (int k = 1; k < RUNS_MAX; k++) {
			const struct fact_run *r = &a->runs[k];
			if (r->run == 0 || r->engine != t->engine ||
				llabs(r->start_ns + a->offsets_ns[r->start_session] -
					t->start_ns) > MINUTE_NS ||
				llabs(r->end_ns + a->offsets_ns[r->end_session] - t->end_ns) >
					MINUTE_NS) {
				continue;
			}
			v->matched++;
			v->covered += fabs(r->fuel_l - t->fuel_l) <= r->fuel_uncertainty_l ? 1 : 0;
			break;
		}
	}
}

static struct verdict account_season(const struct scenario_options *options)
{
	static struct frame frames[8192];
	struct account *a = calloc(1, sizeof(*a));
	struct pipeline *p = malloc(pipeline_size());
	struct pipeline_numbers none = {0};
	struct fact_sink sink = {
		.context = a,
		.on_session = on_session,
		.on_run = on_run,
		.on_run_withdrawn = on_run_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_trip_withdrawn,
	};
	struct verdict v = {0};
	struct scenario *season;
	struct boat boat;
	size_t n;
	double hours = 0;
	double true_hours = 0;
	double miles = 0;
	double variance = 0;

	assert_non_null(a);
	assert_non_null(p);
	const char *wrong = scenario_options_check(options);
	if (wrong != NULL) {
		fail_msg("%s", wrong);
	}
	assert_int_equal(scenario_create(&season, options), 0);
	scenario_boat(options, &boat);
	pipeline_init(p, &boat, &sink);
	pipeline_start(p, &none, false);
	while ((n = scenario_next(season, frames, sizeof(frames) / sizeof(frames[0]))) > 0) {
		pipeline_frames(p, frames, n);
	}
	pipeline_finish(p);
	const struct scenario_truth *truth = scenario_truth(season);
	for (int i = 0; i < RUNS_MAX; i++) {
		const struct fact_run *r = &a->runs[i];
		miles += a->miles[i];
		if (r->run != 0) {
			v.runs++;
			v.sum_l += isnan(r->fuel_l) ? 0 : r->fuel_l;
			hours += r->engine_h;
			variance += isnan(r->fuel_uncertainty_l)
				? 0
				: r->fuel_uncertainty_l * r->fuel_uncertainty_l;
		}
	}
	for (int i = 0; i < SCENARIO_ENGINES_MAX; i++) {
		v.true_l += truth->fuel_l[i];
		true_hours += truth->engine_h[i];
	}
	v.true_runs = (int)truth->run_count;
	v.uncertainty_l = sqrt(variance);
	v.error_share = v.sum_l / v.true_l - 1;
	v.hours_share = hours / true_hours - 1;
	v.miles_share = miles / truth->ground_nm - 1;
	judge_runs(a, truth, &v);
	scenario_destroy(season);
	free(p);
	free(a);
	return v;
}

static const char *const protocol_names[] = {"NMEA 2000", "J1939", "both"};

static void options_of(
	struct scenario_options *o, enum scenario_protocol protocol, enum scenario_counters counters)
{
	scenario_options_init_clean(o);
	o->protocol = protocol;
	o->counters = counters;
	if (protocol == SCENARIO_J1939) {
		/* These are the sensors that its messages carry. */
		o->engine[0].filters[0].sensor = SENSOR_SPN1382;
		o->engine[0].filters[0].sensor_kind = SENSES_DIFFERENTIAL;
		o->engine[0].filters[1].sensor = SENSOR_SPN95;
		o->engine[0].filters[1].sensor_kind = SENSES_DIFFERENTIAL;
	}
}

static void print_verdict(const char *what, const struct verdict *v)
{
	print_message("%-44s %8.3f L of %8.3f L, %+.3f %% (stated ±%.3f %%), hours %+.3f %%, "
		      "miles %+.2f %%, runs %d of %d, %d timed right, %d within their uncertainty\n",
		what, v->sum_l, v->true_l, v->error_share * 100, v->uncertainty_l / v->true_l * 100,
		v->hours_share * 100, v->miles_share * 100, v->runs, v->true_runs, v->matched,
		v->covered);
}

/* 5 % of the frames lost: the season's litres are right to 0.2 %, and each run's stated uncertainty
 * holds its error (at least 90 % of the runs; it is stated as about 95 %). */
static void litres_are_right_with_one_frame_in_twenty_lost(void **state)
{
	static const enum scenario_counters counters[] = {
		SCENARIO_COUNTERS_NONE, SCENARIO_COUNTERS_COARSE, SCENARIO_COUNTERS_FINE};

	(void)state;
	for (int protocol = SCENARIO_NMEA2000; protocol <= SCENARIO_J1939; protocol++) {
		for (int k = 0; k < (protocol == SCENARIO_NMEA2000 ? 2 : 3); k++) {
			struct scenario_options o;
			options_of(&o, (enum scenario_protocol)protocol, counters[k]);
			o.disturb.loss = 0.05;
			struct verdict v = account_season(&o);
			print_verdict(protocol_names[protocol], &v);
			assert_true(fabs(v.error_share) <= 0.002);
			assert_true(fabs(v.sum_l - v.true_l) <= v.uncertainty_l);
			assert_int_equal(v.runs, v.true_runs);
			assert_int_equal(v.matched, v.true_runs);
			assert_true(v.covered >= 0.9 * v.true_runs);
			assert_true(fabs(v.hours_share) <= 0.001);
			assert_true(fabs(v.miles_share) <= 0.01);
		}
	}
}

static void litres_are_right_with_everything_wrong_at_once(void **state)
{
	(void)state;
	for (int protocol = SCENARIO_NMEA2000; protocol <= SCENARIO_BOTH; protocol++) {
		struct scenario_options o;
		options_of(&o, (enum scenario_protocol)protocol, SCENARIO_COUNTERS_FINE);
		scenario_options_rough(&o);
		struct verdict v = account_season(&o);
		print_verdict(protocol_names[protocol], &v);
		assert_true(fabs(v.error_share) <= 0.002);
		assert_true(fabs(v.sum_l - v.true_l) <= v.uncertainty_l + 0.0005 * v.true_l);
		assert_true(abs(v.runs - v.true_runs) <= 2);
		assert_true(v.matched >= 0.9 * v.true_runs);
		assert_true(v.covered >= 0.8 * v.matched);
	}
}

static void two_engines_are_two_accounts(void **state)
{
	struct scenario_options o;

	(void)state;
	options_of(&o, SCENARIO_NMEA2000, SCENARIO_COUNTERS_NONE);
	o.engines = 2;
	o.days = 15;
	o.engine_h = 20;
	o.tank_l = 400;
	o.disturb.loss = 0.05;
	struct verdict v = account_season(&o);
	print_verdict("two engines", &v);
	assert_true(fabs(v.error_share) <= 0.002);
	assert_int_equal(v.runs, v.true_runs);
	assert_int_equal(v.matched, v.true_runs);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(litres_are_right_with_one_frame_in_twenty_lost),
		cmocka_unit_test(litres_are_right_with_everything_wrong_at_once),
		cmocka_unit_test(two_engines_are_two_accounts),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
