/* The season as a whole: same options, same bytes; sums that must close. */
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <jansson.h>

#include "replay/scenario.h"

#define DAY_NS (86400 * INT64_C(1000000000))

/* FNV-1a over what a recorder would have written. */
static uint64_t digest_frame(uint64_t digest, const struct frame *f)
{
	const uint8_t *bytes = (const uint8_t *)f;

	for (size_t i = 0; i < sizeof(*f); i++) {
		digest = (digest ^ bytes[i]) * UINT64_C(0x100000001B3);
	}
	return digest;
}

/* Runs a season to its end in batches of a size; returns it, for its truth. */
static struct scenario *run_season(const struct scenario_options *options, size_t batch,
	uint64_t *ret_digest, uint64_t *ret_count)
{
	static struct frame frames[997];
	struct scenario *s = NULL;
	uint64_t digest = UINT64_C(0xCBF29CE484222325);
	uint64_t count = 0;
	size_t n;

	assert_null(scenario_options_check(options));
	assert_int_equal(scenario_create(&s, options), 0);
	while ((n = scenario_next(s, frames, batch)) > 0) {
		for (size_t i = 0; i < n; i++) {
			digest = digest_frame(digest, &frames[i]);
		}
		count += n;
	}
	*ret_digest = digest;
	*ret_count = count;
	return s;
}

static struct scenario_options short_season(void)
{
	struct scenario_options o;

	scenario_options_init(&o);
	o.days = 6;
	o.engine_h = 8;
	o.engine_ms = 1000;
	return o;
}

static void same_options_give_the_same_frames_whatever_the_batches(void **state)
{
	struct scenario_options o = short_season();
	uint64_t digest[3];
	uint64_t count[3];

	(void)state;
	scenario_destroy(run_season(&o, 997, &digest[0], &count[0]));
	scenario_destroy(run_season(&o, 1, &digest[1], &count[1]));
	assert_true(digest[0] == digest[1] && count[0] == count[1]);
	o.seed++;
	scenario_destroy(run_season(&o, 997, &digest[2], &count[2]));
	assert_true(digest[0] != digest[2]);
}

static void the_truth_does_not_depend_on_how_it_is_heard(void **state)
{
	struct scenario_options plain = short_season();
	struct scenario_options rough = short_season();
	uint64_t digest;
	uint64_t count;
	struct scenario *a;
	struct scenario *b;

	(void)state;
	rough.protocol = SCENARIO_BOTH;
	rough.engine_ms = 400;
	rough.counters = SCENARIO_COUNTERS_FINE;
	rough.disturb = (struct scenario_disturbance){
		.loss = 0.05,
		.reorder = 0.01,
		.second_sender = true,
		.mirror = true,
		.dropout_per_h = 1,
		.dropout_mean_s = 30,
		.power_cycles = 3,
		.power_cycle_mean_s = 100,
		.clock = SCENARIO_CLOCK_RESUMED,
		.unknown_share = 0.5,
	};
	a = run_season(&plain, 997, &digest, &count);
	b = run_season(&rough, 997, &digest, &count);
	const struct scenario_truth *x = scenario_truth(a);
	const struct scenario_truth *y = scenario_truth(b);
	assert_int_equal(x->run_count, y->run_count);
	for (size_t i = 0; i < x->run_count; i++) {
		assert_true(x->runs[i].start_ns == y->runs[i].start_ns);
		assert_true(x->runs[i].fuel_l == y->runs[i].fuel_l);
	}
	assert_true(x->ground_nm == y->ground_nm);
	assert_true(x->tank_end_kg == y->tank_end_kg);
	assert_true(y->frames_lost > 0 && y->frames_unheard > 0 && y->frames_reordered > 0);
	scenario_destroy(a);
	scenario_destroy(b);
}

static void the_demo_season_is_what_it_promises(void **state)
{
	struct scenario_options o;
	uint64_t digest;
	uint64_t count;
	struct scenario *s;

	(void)state;
	/* The season is the same however thinly it is heard. */
	scenario_options_init(&o);
	o.engine_ms = 2000;
	o.instrument_ms = 10000;
	s = run_season(&o, 997, &digest, &count);
	const struct scenario_truth *t = scenario_truth(s);
	assert_true(t->engine_h[0] >= 60);
	assert_true(fabs(t->engine_h[0] - o.engine_h) < 0.05 * o.engine_h);
	assert_true(t->runs[t->run_count - 1].end_ns - t->runs[0].start_ns > 28 * DAY_NS);
	assert_true(t->trip_count >= 20);
	assert_true(t->ground_nm > 100);
	assert_true(t->refuelling_count >= 1);
	assert_true(t->onset_count == o.fault_count);
	assert_true(t->water_count >= 2);
	assert_true(t->waters[0].drained_ns < INT64_MAX);
	/* The primary was changed because of the dirty load. */
	bool changed = false;
	for (size_t i = 0; i < t->element_count; i++) {
		changed =
			changed || (t->elements[i].filter == 0 && t->elements[i].limit_in_service &&
					   t->elements[i].removed_ns < INT64_MAX);
	}
	assert_true(changed);
	scenario_destroy(s);
}

static void fuel_burned_leaked_and_left_is_what_was_there_and_taken(void **state)
{
	struct scenario_options o = short_season();
	uint64_t digest;
	uint64_t count;
	struct scenario *s;
	double runs_kg = 0;
	double runs_l = 0;
	double trips_l = 0;
	double runs_h = 0;

	(void)state;
	o.engines = 2;
	o.tank_l = 400;
	o.faults[0] = (struct scenario_fault){.kind = SCENARIO_FAULT_TANK_LEAK, .size = 0.4};
	o.fault_count = 1;
	s = run_season(&o, 997, &digest, &count);
	const struct scenario_truth *t = scenario_truth(s);
	double balance_kg = t->tank_start_kg + t->refuelled_kg - t->leaked_kg - t->fuel_kg[0] -
			    t->fuel_kg[1] - t->tank_end_kg;
	assert_true(fabs(balance_kg) < 1e-6);
	/* 0.4 L/h, day and night. */
	assert_true(fabs(t->leaked_kg - 0.4 * 24 * o.days * o.density_15_kgl) < 0.1);
	for (size_t i = 0; i < t->run_count; i++) {
		runs_kg += t->runs[i].fuel_kg;
		runs_l += t->runs[i].fuel_l;
		runs_h += t->runs[i].engine_h;
		double span_h = (double)(t->runs[i].end_ns - t->runs[i].start_ns) / 3600e9;
		assert_true(fabs(span_h - t->runs[i].engine_h) < 1e-6);
	}
	for (size_t i = 0; i < t->trip_count; i++) {
		trips_l += t->trips[i].fuel_l;
	}
	assert_true(fabs(runs_kg - t->fuel_kg[0] - t->fuel_kg[1]) < 1e-6);
	assert_true(fabs(runs_l - runs_kg / o.density_15_kgl) < 1e-6);
	assert_true(fabs(runs_l - trips_l) < 1e-6);
	assert_true(fabs(runs_h - t->engine_h[0] - t->engine_h[1]) < 1e-6);
	scenario_destroy(s);
}

static void the_shortest_and_the_longest_seasons_close_their_sums(void **state)
{
	static const struct {
		unsigned days;
		double engine_h;
		unsigned engines;
		double tank_l;
		double leak_lph;
	} cases[] = {{1, 1, 1, 150, 0}, {1, 13, 1, 150, 0}, {3, 40, 2, 300, 0},
		{400, 60, 1, 150, 0}, {12, 150, 1, 150, 0}, {4, 40, 1, 150, 50}};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct scenario_options o;
		uint64_t digest;
		uint64_t count;

		scenario_options_init_clean(&o);
		o.days = cases[i].days;
		o.engine_h = cases[i].engine_h;
		o.engines = cases[i].engines;
		o.tank_l = cases[i].tank_l;
		o.cruise_rpm = 2700;
		o.engine_ms = 2000;
		o.instrument_ms = 10000;
		o.step_ms = 1000;
		if (cases[i].leak_lph > 0) {
			o.faults[0] = (struct scenario_fault){
				.kind = SCENARIO_FAULT_TANK_LEAK, .size = cases[i].leak_lph};
			o.fault_count = 1;
		}
		struct scenario *s = run_season(&o, 997, &digest, &count);
		const struct scenario_truth *t = scenario_truth(s);
		double balance_kg = t->tank_start_kg + t->refuelled_kg - t->leaked_kg -
				    t->fuel_kg[0] - t->fuel_kg[1] - t->tank_end_kg;
		assert_true(count > 1000);
		assert_true(fabs(balance_kg) < 1e-6);
		assert_true(t->tank_end_kg >= 0);
		if (cases[i].leak_lph == 0) {
			assert_true(fabs(t->engine_h[0] / o.engine_h - 1) < 0.05);
		} else {
			/* An engine without fuel stops. */
			assert_true(t->engine_h[0] > 5 && t->engine_h[0] < 0.9 * o.engine_h);
		}
		scenario_destroy(s);
	}
}

static void what_is_heard_so_far_has_its_truth_so_far(void **state)
{
	struct scenario_options o = short_season();
	struct scenario *s = NULL;
	struct frame frame;
	double before_l = 0;
	size_t runs = 0;

	(void)state;
	assert_int_equal(scenario_create(&s, &o), 0);
	for (unsigned i = 0; i < 60000 && scenario_next(s, &frame, 1) == 1; i++) {
		const struct scenario_truth *t = scenario_truth(s);
		assert_true(t->fuel_l[0] >= before_l && t->run_count >= runs);
		before_l = t->fuel_l[0];
		runs = t->run_count;
		if (t->run_count > 0) {
			/* No more than a step ahead of the frame. */
			assert_true(t->runs[t->run_count - 1].end_ns - frame.t_ns <=
					    o.step_ms * INT64_C(1000000) ||
				    frame.t_ns > t->runs[t->run_count - 1].end_ns);
		}
	}
	assert_true(before_l > 0);
	scenario_destroy(s);
}

static void wrong_options_are_named(void **state)
{
	struct scenario_options o;
	struct scenario *s = NULL;

	(void)state;
	scenario_options_init(&o);
	o.days = 0;
	assert_string_equal(scenario_options_check(&o), "days");
	assert_true(scenario_create(&s, &o) < 0);
	assert_null(s);
	scenario_options_init(&o);
	o.disturb.loss = NAN;
	assert_non_null(scenario_options_check(&o));
	scenario_options_init(&o);
	o.engine[0].filters[0].sensor = SENSOR_SPN95;
	assert_non_null(scenario_options_check(&o));
	scenario_destroy(NULL);
}

static void drawn_boats_are_sound_and_sail_their_hours(void **state)
{
	static struct scenario_options o;
	unsigned burn_only = 0;
	unsigned by_protocol[3] = {0};

	(void)state;
	for (uint64_t number = 1; number <= 300; number++) {
		for (int kind = 0; kind < SCENARIO_FAULT_KINDS; kind++) {
			scenario_options_vary_fault(&o, number, (enum scenario_fault_kind)kind);
			const char *wrong = scenario_options_check(&o);
			if (wrong != NULL) {
				print_error("number %u, %s: %s\n", (unsigned)number,
					scenario_fault_name((enum scenario_fault_kind)kind), wrong);
			}
			assert_null(wrong);
		}
		burn_only += o.engine[0].supply == SUPPLY_BURN;
		by_protocol[o.protocol]++;
	}
	assert_true(burn_only > 30);
	assert_true(by_protocol[0] > 50 && by_protocol[1] > 50 && by_protocol[2] > 50);
	for (uint64_t number = 1; number <= 2; number++) {
		uint64_t digest;
		uint64_t count;

		scenario_options_vary(&o, number);
		o.engine_ms = 2000;
		o.instrument_ms = 10000;
		o.step_ms = 1000;
		struct scenario *s = run_season(&o, 997, &digest, &count);
		const struct scenario_truth *t = scenario_truth(s);
		assert_true(fabs(t->engine_h[0] / o.engine_h - 1) < 0.05);
		assert_int_equal(t->onset_count, 0);
		scenario_destroy(s);
	}
}

/* The truth is read by another library than the one that wrote it. */
static void a_season_is_written_as_a_capture_with_its_truth_beside_it(void **state)
{
	struct scenario_options o = short_season();
	char capture_path[] = "/tmp/sightbowl-scenario-XXXXXX";
	char truth_path[] = "/tmp/sightbowl-truth-XXXXXX";
	char error[200] = "";
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	struct scenario *s = NULL;
	struct frame written;
	struct frame read;

	(void)state;
	o.disturb.clock = SCENARIO_CLOCK_RESUMED;
	o.disturb.clock_set_after_s = 60;
	assert_true(close(mkstemp(capture_path)) == 0 && close(mkstemp(truth_path)) == 0);
	assert_int_equal(scenario_write(&o, capture_path, WRITE_CANDUMP, WRITE_ZSTD, truth_path,
				 error, sizeof(error)),
		0);
	assert_int_equal(
		capture_open(&capture, capture_path, &buses, NULL, error, sizeof(error)), 0);
	assert_int_equal(scenario_create(&s, &o), 0);
	while (scenario_next(s, &written, 1) == 1) {
		assert_int_equal(capture_read(capture, &read, 1), 1);
		assert_memory_equal(&written, &read, sizeof(read));
	}
	assert_int_equal(capture_read(capture, &read, 1), 0);
	const struct scenario_truth *t = scenario_truth(s);
	json_t *truth = json_load_file(truth_path, JSON_REJECT_DUPLICATES, NULL);
	assert_non_null(truth);
	assert_int_equal(json_array_size(json_object_get(truth, "runs")), t->run_count);
	assert_int_equal(json_array_size(json_object_get(truth, "trips")), t->trip_count);
	assert_int_equal(json_array_size(json_object_get(truth, "sessions")), t->session_count);
	for (size_t i = 0; i < t->run_count; i++) {
		json_t *run = json_array_get(json_object_get(truth, "runs"), i);
		struct tm tm = {0};
		unsigned ms = 0;

		assert_true(fabs(json_number_value(json_object_get(run, "fuel_l")) -
				    t->runs[i].fuel_l) < 1e-6);
		const char *utc = json_string_value(json_object_get(run, "start_utc"));
		assert_int_equal(sscanf(utc, "%d-%d-%dT%d:%d:%d.%uZ", &tm.tm_year, &tm.tm_mon,
					 &tm.tm_mday, &tm.tm_hour, &tm.tm_min, &tm.tm_sec, &ms),
			7);
		tm.tm_year -= 1900;
		tm.tm_mon -= 1;
		assert_true((int64_t)timegm(&tm) * 1000 + ms == t->runs[i].start_ns / 1000000);
	}
	json_decref(truth);
	capture_close(capture);
	scenario_destroy(s);
	assert_true(unlink(capture_path) == 0 && unlink(truth_path) == 0);

	assert_true(scenario_write(&o, "/nowhere/at/all", WRITE_CANDUMP, WRITE_PLAIN, NULL, error,
			    sizeof(error)) == -ENOENT);
	assert_non_null(strstr(error, "/nowhere/at/all"));
	o.days = 0;
	assert_true(scenario_write(&o, "/nowhere/at/all", WRITE_CANDUMP, WRITE_PLAIN, NULL, error,
			    sizeof(error)) == -EINVAL);
	assert_non_null(strstr(error, "days"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(same_options_give_the_same_frames_whatever_the_batches),
		cmocka_unit_test(the_truth_does_not_depend_on_how_it_is_heard),
		cmocka_unit_test(the_demo_season_is_what_it_promises),
		cmocka_unit_test(fuel_burned_leaked_and_left_is_what_was_there_and_taken),
		cmocka_unit_test(the_shortest_and_the_longest_seasons_close_their_sums),
		cmocka_unit_test(what_is_heard_so_far_has_its_truth_so_far),
		cmocka_unit_test(wrong_options_are_named),
		cmocka_unit_test(drawn_boats_are_sound_and_sail_their_hours),
		cmocka_unit_test(a_season_is_written_as_a_capture_with_its_truth_beside_it),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
