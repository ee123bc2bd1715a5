#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/pipeline.h"
#include "tests/unit/lying_boat.h"
#include "tests/unit/near.h"

/* tests/unit/data/state_version_1.bin is a checkpoint as the program wrote it when its states were
 * of version 1 (commit 5fabe4b): the season of scenario_options_vary(4), stopped in a run
 * after 40.3 engine hours. The numbers below are what that program told in the same instant. */
static const double told_left_l[2] = {1538.785, 1172.023};
static const double told_kpa[2] = {5.4673, 14.0390};
static const double told_rpm[] = {1200, 1400, 1800, 2000, 2200};
static const double told_lph[] = {0.6015, 0.7074, 2.1435, 2.7265, 3.4811};

struct told {
	struct fact_filter filters[2];
	struct fact_burn points[8];
	size_t point_count;
	struct fact_run run;
};

static void on_filter(void *context, const struct fact_filter *filter)
{
	struct told *t = context;

	t->filters[filter->filter] = *filter;
}

static void on_burn(void *context, const struct fact_burn *point)
{
	struct told *t = context;

	assert_in_range(t->point_count, 0, 7);
	t->points[t->point_count++] = *point;
}

static void on_run(void *context, const struct fact_run *run)
{
	struct told *t = context;

	t->run = *run;
}

static size_t read_state(uint8_t *bytes, size_t room)
{
	FILE *file = fopen(TEST_SOURCE_DIR "/unit/data/state_version_1.bin", "rb");

	assert_non_null(file);
	size_t size = fread(bytes, 1, room, file);
	fclose(file);
	assert_in_range(size, 5000, room - 1);
	return size;
}

static void tell_boat(struct boat *boat, bool second_has_sensor)
{
	boat_init(boat);
	boat->engines[0].supply = SUPPLY_PUMP;
	boat->engines[0].pump_lph = 59.37;
	boat->engines[0].pump_rpm = 2600;
	boat->filters[0].sensor = SENSOR_SPN1382;
	boat->filters[0].limit_kpa = 19.22;
	boat->filters[0].reference_lph = 46.546;
	boat->filters[1].sensor = second_has_sensor ? SENSOR_SPN95 : SENSOR_NONE;
	boat->filters[1].limit_kpa = 21.95;
	boat->filters[1].reference_lph = 46.546;
}

static struct pipeline *pipeline_of(struct told *t, bool second_has_sensor)
{
	const struct fact_sink sink = {
		.context = t, .on_filter = on_filter, .on_burn = on_burn, .on_run = on_run};
	struct pipeline *p = malloc(pipeline_size());
	struct boat boat;

	assert_non_null(p);
	memset(t, 0, sizeof(*t));
	tell_boat(&boat, second_has_sensor);
	pipeline_init(p, &boat, &sink);
	return p;
}

static void what_was_learned_is_carried_over(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	size_t size = read_state(bytes, sizeof(bytes));
	struct state_reader reader;
	struct told t;
	struct pipeline *p = pipeline_of(&t, true);

	(void)state;
	state_reader_init(&reader, bytes, size);
	assert_int_equal(pipeline_load(p, &reader), 0);
	pipeline_snapshot(p);
	assert_int_equal(t.run.run, 53);
	assert_true(t.run.open);
	near(t.run.engine_h, 0.737569, 1e-6);
	near(t.run.fuel_l, 0.647971, 1e-6);
	for (size_t i = 0; i < 2; i++) {
		near(t.filters[i].engine_h, 40.314374, 1e-6);
		near(t.filters[i].litres, 1353.163387, 1e-6);
		near(t.filters[i].reference_lph, 46.546, 1e-3);
		near(t.filters[i].reference_kpa, told_kpa[i], 1e-3);
		/* The same course; how certain its end is, is reckoned otherwise now. */
		near(t.filters[i].left_l_p50, told_left_l[i], 0.1 * told_left_l[i]);
		assert_true(t.filters[i].left_l_p10 < t.filters[i].left_l_p50);
		assert_true(t.filters[i].left_l_p90 > t.filters[i].left_l_p50);
	}
	assert_int_equal(t.point_count, 5);
	for (size_t i = 0; i < 5; i++) {
		near(t.points[i].rpm, told_rpm[i], 0);
		near(t.points[i].rate_lph, told_lph[i], 1e-3);
	}
	free(p);
}

/* Unknown ones are alike; the gaps in a struct say nothing. */
static bool alike(double a, double b)
{
	return memcmp(&a, &b, sizeof(a)) == 0 || (isnan(a) && isnan(b));
}

static bool told_the_same(const struct told *a, const struct told *b)
{
	bool same = a->point_count == b->point_count && a->run.run == b->run.run &&
		    a->run.trip == b->run.trip && a->run.open == b->run.open &&
		    a->run.start_ns == b->run.start_ns && a->run.end_ns == b->run.end_ns &&
		    alike(a->run.engine_h, b->run.engine_h) &&
		    alike(a->run.idle_h, b->run.idle_h) && alike(a->run.fuel_l, b->run.fuel_l) &&
		    alike(a->run.fuel_uncertainty_l, b->run.fuel_uncertainty_l) &&
		    alike(a->run.supply_l, b->run.supply_l) &&
		    alike(a->run.max_lph, b->run.max_lph) &&
		    alike(a->run.max_coolant_c, b->run.max_coolant_c);

	for (size_t i = 0; i < 2; i++) {
		const struct fact_filter *f = &a->filters[i];
		const struct fact_filter *g = &b->filters[i];
		same = same && f->t_ns == g->t_ns && f->fitted_ns == g->fitted_ns &&
		       strcmp(f->name, g->name) == 0 && alike(f->engine_h, g->engine_h) &&
		       alike(f->litres, g->litres) &&
		       alike(f->restriction_kpa, g->restriction_kpa) &&
		       alike(f->reference_kpa, g->reference_kpa) &&
		       alike(f->reference_sd_kpa, g->reference_sd_kpa) &&
		       alike(f->left_l_p10, g->left_l_p10) && alike(f->left_l_p50, g->left_l_p50) &&
		       alike(f->left_l_p90, g->left_l_p90) && alike(f->left_h_p50, g->left_h_p50);
	}
	for (size_t i = 0; i < a->point_count; i++) {
		const struct fact_burn *p = &a->points[i];
		const struct fact_burn *q = &b->points[i];
		same = same && p->version == q->version && alike(p->rpm, q->rpm) &&
		       alike(p->rate_lph, q->rate_lph) &&
		       alike(p->rate_sd_share, q->rate_sd_share) &&
		       alike(p->rate_minutes, q->rate_minutes) && alike(p->speed_kn, q->speed_kn) &&
		       alike(p->ground_kn, q->ground_kn) && alike(p->load_pct, q->load_pct);
	}
	return same;
}

static void it_is_saved_as_the_present_version_and_goes_on(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	static uint8_t again[PIPELINE_STATE_MAX];
	size_t size = read_state(bytes, sizeof(bytes));
	struct state_reader reader;
	struct state_writer writer;
	struct told before;
	struct told after;
	struct pipeline *p = pipeline_of(&before, true);

	(void)state;
	state_reader_init(&reader, bytes, size);
	assert_int_equal(pipeline_load(p, &reader), 0);
	state_writer_init(&writer, again, sizeof(again));
	pipeline_save(p, &writer);
	assert_false(writer.failed);
	assert_int_equal(again[0], 12);
	pipeline_snapshot(p);
	free(p);
	p = pipeline_of(&after, true);
	state_reader_init(&reader, again, writer.used);
	assert_int_equal(pipeline_load(p, &reader), 0);
	pipeline_snapshot(p);
	assert_true(told_the_same(&before, &after));
	free(p);
}

static void a_filter_that_has_lost_its_sensor_keeps_its_element(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	size_t size = read_state(bytes, sizeof(bytes));
	struct state_reader reader;
	struct told t;
	struct pipeline *p = pipeline_of(&t, false);

	(void)state;
	state_reader_init(&reader, bytes, size);
	assert_int_equal(pipeline_load(p, &reader), 0);
	pipeline_snapshot(p);
	near(t.filters[0].reference_kpa, told_kpa[0], 1e-3);
	near(t.filters[1].litres, 1353.163387, 1e-6);
	assert_true(isnan(t.filters[1].reference_kpa));
	free(p);
}

/* That version did not keep when a change began. The engine burns a quarter more from the resume on. */
static void a_change_of_burn_is_not_counted_from_the_logs_beginning(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	static struct lying_boat boat;
	size_t size = read_state(bytes, sizeof(bytes));
	struct state_reader reader;
	const struct fact_event *high = NULL;
	double told_h = 0;

	(void)state;
	memset(&boat, 0, sizeof(boat));
	scenario_random_init(&boat.random, 5, 1);
	boat.pipeline = malloc(pipeline_size());
	assert_non_null(boat.pipeline);
	tell_boat(&boat.boat, true);
	struct fact_sink sink = lying_sink(&boat);
	pipeline_init(boat.pipeline, &boat.boat, &sink);
	state_reader_init(&reader, bytes, size);
	assert_int_equal(pipeline_load(boat.pipeline, &reader), 0);
	boat.t_ns = pipeline_raw_ns(boat.pipeline) + LYING_STEP_S * LYING_S;
	double hours = 0;
	for (; hours < 6 && high == NULL; hours += LYING_STEP_S / 3600.0) {
		double rpm = 2000 + 4 * scenario_random_normal(&boat.random);
		lying_send_one(&boat, 61444, 0, 0, SIGNAL_ENGINE_SPEED, rpm);
		lying_send_one(&boat, 65266, 0, 0, SIGNAL_FUEL_RATE, 1.25 * told_lph[3]);
		lying_feed(&boat);
		boat.t_ns += LYING_STEP_S * LYING_S;
		high = lying_last(&boat, "burn-high");
	}
	assert_non_null(high);
	const char *says = strstr(high->message, " for ");
	assert_non_null(says);
	assert_int_equal(sscanf(says, " for %lf engine hours", &told_h), 1);
	assert_true(told_h > 0 && told_h < hours + 0.1);
	lying_end(&boat);
}

static void damage_and_cuts_are_refused(void **state)
{
	static uint8_t bytes[PIPELINE_STATE_MAX];
	size_t size = read_state(bytes, sizeof(bytes));
	struct told t;
	struct pipeline *p = pipeline_of(&t, true);

	(void)state;
	for (size_t at = 0; at < size; at += 17) {
		struct state_reader reader;
		uint8_t *copy = malloc(size);
		assert_non_null(copy);
		memcpy(copy, bytes, size);
		copy[at] ^= 0x10;
		state_reader_init(&reader, copy, size);
		assert_true(pipeline_load(p, &reader) < 0);
		free(copy);
		copy = malloc(at + 1); /* its end is where a reader must not go beyond */
		assert_non_null(copy);
		memcpy(copy, bytes, at);
		state_reader_init(&reader, copy, at);
		assert_true(pipeline_load(p, &reader) < 0);
		free(copy);
	}
	free(p);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_was_learned_is_carried_over),
		cmocka_unit_test(it_is_saved_as_the_present_version_and_goes_on),
		cmocka_unit_test(a_filter_that_has_lost_its_sensor_keeps_its_element),
		cmocka_unit_test(a_change_of_burn_is_not_counted_from_the_logs_beginning),
		cmocka_unit_test(damage_and_cuts_are_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
