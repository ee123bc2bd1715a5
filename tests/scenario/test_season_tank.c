/* The tank of invented seasons, from the frames to litres, against the season's own ground truth: a
 * sender that tells height in a tank that narrows, sea and heel, refuellings while nobody listens. */
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

#define FILLS_MAX 64
#define HOUR_NS	  INT64_C(3600000000000)

struct tank_told {
	struct fact_refuelling fills[FILLS_MAX];
	size_t fill_count;
	struct fact_tank tank;
	unsigned mismatches;
};

static void on_refuelling(void *context, const struct fact_refuelling *fact)
{
	struct tank_told *told = context;

	assert_true(told->fill_count < FILLS_MAX);
	told->fills[told->fill_count++] = *fact;
}

static void on_tank(void *context, const struct fact_tank *fact)
{
	((struct tank_told *)context)->tank = *fact;
}

static void on_event(void *context, const struct fact_event *fact)
{
	if (strcmp(fact->kind, "tank-mismatch") == 0 && !fact->has_cleared) {
		((struct tank_told *)context)->mismatches++;
	}
}

/* The boat's strapping table: eleven heights of the tank's own shape. */
static void strap(struct boat *boat, double tank_l)
{
	struct strapping *table = &boat->tanks[0].strapping;

	table->count = 11;
	for (size_t i = 0; i < table->count; i++) {
		double height = (double)i / 10;
		table->points[i].level_pct = 100 * height;
		table->points[i].volume_l = tank_l * scenario_tank_volume(height) + 1e-9 * (double)i;
	}
}

struct outcome {
	size_t true_fills;
	size_t found;
	double worst_fill_l; /* of those found, against the truth */
	size_t within;       /* two of the stated deviations */
	double end_error_l;
	double end_sd_l;
	double expansion_l; /* volume in the tank above that at 15 °C */
	double fuel_c;
	unsigned mismatches;
	size_t told_fills;
};

static struct outcome sail(const struct scenario_options *options, bool with_table)
{
	static struct frame frames[8192];
	struct tank_told *told = calloc(1, sizeof(*told));
	struct pipeline *p = malloc(pipeline_size());
	struct pipeline_numbers none = {0};
	struct fact_sink sink = {
		.context = told,
		.on_refuelling = on_refuelling,
		.on_tank = on_tank,
		.on_event = on_event,
	};
	struct outcome o = {0};
	struct scenario *season;
	struct boat boat;
	size_t n;

	assert_non_null(told);
	assert_non_null(p);
	assert_null(scenario_options_check(options));
	assert_int_equal(scenario_create(&season, options), 0);
	scenario_boat(options, &boat);
	if (with_table) {
		strap(&boat, options->tank_l);
	}
	pipeline_init(p, &boat, &sink);
	pipeline_start(p, &none, false);
	while ((n = scenario_next(season, frames, sizeof(frames) / sizeof(frames[0]))) > 0) {
		pipeline_frames(p, frames, n);
	}
	pipeline_finish(p);
	const struct scenario_truth *truth = scenario_truth(season);
	o.true_fills = truth->refuelling_count;
	o.told_fills = told->fill_count;
	o.mismatches = told->mismatches;
	/* Refuellings are told in their order; a fill ends with the next truth's begin at the latest. */
	for (size_t i = 0; i < truth->refuelling_count && i < told->fill_count; i++) {
		double off = told->fills[i].litres - truth->refuellings[i].litres;
		o.found++;
		o.worst_fill_l = fmax(o.worst_fill_l, fabs(off));
		o.within += fabs(off) <= 2 * told->fills[i].litres_sd ? 1 : 0;
	}
	o.end_error_l = told->tank.volume_15_l - truth->tank_end_kg / options->density_15_kgl;
	o.end_sd_l = told->tank.volume_sd_l;
	o.expansion_l = told->tank.volume_l - told->tank.volume_15_l;
	o.fuel_c = told->tank.fuel_c;
	scenario_destroy(season);
	free(p);
	free(told);
	return o;
}

static void season(struct scenario_options *o, uint64_t seed, bool by_height)
{
	scenario_options_init_clean(o);
	o->seed = seed;
	o->engine_h = 50;
	o->tank_by_height = by_height;
	o->tank_l = 150;
	o->step_ms = 500;
	o->engine_ms = 2000;
	o->instrument_ms = 5000;
}

static void a_strapped_tank_is_right_and_a_straight_line_is_not(void **state)
{
	size_t fills = 0, within = 0;

	(void)state;
	for (uint64_t seed = 1; seed <= 2; seed++) {
		struct scenario_options options;
		season(&options, seed, true);
		struct outcome table = sail(&options, true);
		struct outcome line = sail(&options, false);
		print_message("seed %u: %zu refuellings, %zu told, worst off by %.1f L (straight line: "
			      "%.1f L); at the end %+.1f L (%+.1f L), one deviation %.1f L\n",
			(unsigned)seed, table.true_fills, table.told_fills, table.worst_fill_l,
			line.worst_fill_l, table.end_error_l, line.end_error_l, table.end_sd_l);
		assert_int_equal(table.told_fills, table.true_fills);
		assert_int_equal(table.mismatches, 0);
		assert_true(fabs(table.end_error_l) < 2.5 * table.end_sd_l);
		assert_true(fabs(line.end_error_l) > 4 * table.end_sd_l);
		fills += table.true_fills;
		within += table.within;
	}
	assert_true(fills >= 2);
	assert_true(within * 10 >= fills * 8);
}

/* A box with a sender that tells volume needs no table. In warm waters, over J1939: the fuel's
 * temperature is heard, and what is in the tank is told at 15 °C. */
static void a_box_is_right_without_a_table(void **state)
{
	struct scenario_options options;

	(void)state;
	season(&options, 11, false);
	options.protocol = SCENARIO_J1939;
	options.sea_c = 29;
	options.air_c = 31;
	options.engine[0].filters[0].sensor = SENSOR_NONE;
	options.engine[0].filters[1].sensor = SENSOR_NONE;
	struct outcome o = sail(&options, false);
	print_message("warm: at the end %+.1f L at 15 °C, %+.1f L without the correction; fuel at %.0f °C\n",
		o.end_error_l, o.end_error_l + o.expansion_l, o.fuel_c);
	assert_int_equal(o.told_fills, o.true_fills);
	assert_int_equal(o.mismatches, 0);
	assert_true(fabs(o.end_error_l) < 2.5 * o.end_sd_l);
	assert_true(o.fuel_c > 25 && o.fuel_c < 60);
	assert_true(o.expansion_l > 0.3);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_strapped_tank_is_right_and_a_straight_line_is_not),
		cmocka_unit_test(a_box_is_right_without_a_table),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
