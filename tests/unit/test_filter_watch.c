#include <stdio.h>

#include "analysis/filter_watch.h"
#include "tests/unit/boat_windows.h"
#include "tests/unit/near.h"

#define LIMIT_KPA 30.0
#define FLOW_LPH  20.0
#define MINUTES_4 24 /* windows */

static struct boat_windows boat;
static struct filter_watch filters[2];

static void begin(void)
{
	boat_windows_init(&boat);
	for (unsigned i = 0; i < 2; i++) {
		struct boat_filter *filter = &boat.boat.filters[i];
		filter->sensor = i == 0 ? SENSOR_SPN1382 : SENSOR_SPN95;
		filter->limit_kpa = LIMIT_KPA;
		filter->reference_lph = FLOW_LPH;
		filter->change_l = 2000;
		filter_watch_init(&filters[i], filter);
	}
}

static uint8_t sender; /* of the primary's restriction */

static void hear_primary(double kpa)
{
	struct observation heard = {
		.t_ns = boat.view.now.t_ns,
		.value = kpa,
		.signal = SIGNAL_SUCTION_FILTER,
		.source = sender,
		.resolution = 0.1,
	};
	bool is_new;

	(void)source_choice_take(&boat.sources, &heard, &is_new);
}

/* A window at the reference flow and 40 °C, where a reading is the reference restriction. */
static void window(double primary_kpa, double secondary_kpa)
{
	double hours = (double)(boat.view.now.t_ns / BOAT_WINDOW_NS) / 360;

	boat_windows_next(&boat);
	boat_windows_hear(&boat, SIGNAL_FUEL_RATE, FLOW_LPH, 0.05);
	boat_windows_hear(&boat, SIGNAL_FUEL_TEMPERATURE, 40, 1);
	hear_primary(primary_kpa);
	boat_windows_hear(&boat, SIGNAL_FUEL_FILTER, secondary_kpa, 0.1);
	for (unsigned i = 0; i < 2; i++) {
		filter_watch_window(&filters[i], i, &boat.view, 1, hours, hours * FLOW_LPH);
	}
	filter_watch_compare(filters, &boat.boat);
}

/* Feeds what steps up, in one or both filters, until it is found; returns windows, -1 for never. */
static int until_found(double primary_kpa, double secondary_kpa)
{
	for (int i = 1; i <= 60; i++) {
		window(primary_kpa, secondary_kpa);
		if (filters[0].jump_windows > 0) {
			return i;
		}
	}
	return -1;
}

static void a_jump_waits_four_minutes_and_is_told(void **state)
{
	(void)state;
	begin();
	for (int i = 0; i < 720; i++) {
		window(10, 8);
	}
	int found = until_found(15, 8);
	assert_true(found > 0 && found <= 36);
	for (int i = 1; i < MINUTES_4; i++) {
		window(15, 8);
		assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 0);
	}
	window(15, 8);
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 1);
	assert_string_equal(boat.last.subject, "primary");
	near(boat.last.limit, 10, 0.3);
	near(boat.last.value, 15, 1); /* the first of its minutes may be half before it */
	for (int i = 0; i < 720; i++) {
		window(15, 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 1);
}

/* A second sender takes over, whose sensor shows 5 kPa more; a step that comes later is told. */
static void what_another_sender_shows_is_no_jump(void **state)
{
	(void)state;
	begin();
	for (int i = 0; i < 720; i++) {
		window(10, 8);
	}
	sender++;
	for (int i = 0; i < 720; i++) {
		window(15, 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 0);
	for (int i = 0; i < 720; i++) {
		window(20, 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 1);
	near(boat.last.limit, 15, 0.1);
}

/* Less than 6 % of the limit of 30 kPa moves the fit, and is not told. */
static void a_small_step_is_followed_and_not_told(void **state)
{
	double sd_kpa;

	(void)state;
	begin();
	for (int i = 0; i < 1440; i++) {
		window((i < 720 ? 10 : 11.7) + 0.1 * (i % 2), 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 0);
	near(loading_restriction(&filters[0].loading, 4 * FLOW_LPH, &sd_kpa), 11.7, 0.3);
	for (int i = 0; i < 720; i++) {
		window(13.7 + 0.1 * (i % 2), 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 1);
	near(boat.last.limit, 11.75, 0.05);
}

/* Half as much again in both at once. */
static void a_like_jump_in_another_filter_ends_both(void **state)
{
	(void)state;
	begin();
	for (int i = 0; i < 720; i++) {
		window(10, 8);
	}
	for (int i = 0; i < 720; i++) {
		window(15, 12);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 0);
}

/* A blocked primary lets less through than is assumed: the secondary reads too low until it is
 * changed. */
static void the_flow_that_a_new_element_frees_is_no_jump_in_another_filter(void **state)
{
	(void)state;
	for (int told = 0; told < 2; told++) {
		begin();
		for (int i = 0; i < 720; i++) {
			window(28, 4);
		}
		if (told == 1) {
			filter_watch_freed(&filters[1]);
		}
		for (int i = 0; i < 720; i++) {
			window(28, 12);
		}
		assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], told == 1 ? 0 : 1);
	}
	for (int i = 0; i < 720; i++) {
		window(28, 20); /* one that comes later is told */
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 1);
}

/* By 1.5 and by 3: no one thing outside the filters does that. */
static void an_unlike_jump_in_another_filter_ends_none(void **state)
{
	(void)state;
	begin();
	for (int i = 0; i < 720; i++) {
		window(10, 5);
	}
	for (int i = 0; i < 720; i++) {
		window(15, 15);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 2);
}

/* e^0.34 and e^0.36 apart: the line lies at 0.35; and filters of two engines are not compared. */
static void jumps_are_alike_within_a_factor_of_the_same_engine(void **state)
{
	static const double apart[] = {0, 0.34, -0.34, 0.36, -0.36};

	(void)state;
	begin();
	for (size_t i = 0; i < 2 * sizeof(apart) / sizeof(apart[0]); i++) {
		double apart_log = apart[i / 2];
		bool same_engine = i % 2 == 0;
		bool alike = same_engine && fabs(apart_log) < 0.35;
		boat.boat.filters[1].engine = same_engine ? 0 : 1;
		filters[0].jump = (struct jump_change){.before = 10, .after = 15};
		filters[1].jump = (struct jump_change){.before = 4, .after = 6 * exp(apart_log)};
		filters[0].jump_windows = 7;
		filters[1].jump_windows = 20;
		filter_watch_compare(filters, &boat.boat);
		assert_int_equal(filters[0].jump_windows, alike ? 0 : 7);
		assert_int_equal(filters[1].jump_windows, alike ? 0 : 20);
	}
	boat.boat.filters[1].engine = 0;
	filters[1].jump = filters[0].jump;
	filters[1].jump_windows = 0; /* none waits there: what it had is past */
	filter_watch_compare(filters, &boat.boat);
	assert_int_equal(filters[0].jump_windows, 7);
}

static void a_jump_waits_only_while_the_engine_runs(void **state)
{
	(void)state;
	begin();
	filters[0].begun = true;
	filters[0].jump = (struct jump_change){.before = 10, .after = 15};
	filters[0].jump_windows = 2;
	boat.engines[0].on = false;
	for (int i = 0; i < 100; i++) {
		window(NAN, NAN);
	}
	assert_int_equal(filters[0].jump_windows, 2);
	boat.engines[0].on = true;
	window(NAN, NAN);
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 0);
	window(NAN, NAN);
	assert_int_equal(boat.raised[EVENT_RESTRICTION_JUMP], 1);
}

/* 0.1 kPa an hour, and 0.8 after a refuelling. */
static void bad_fuel_is_told_with_its_refuelling_within_three_hours(void **state)
{
	int hours_after = 3 * 360;

	(void)state;
	begin();
	for (int i = 0; i < 25 * 360; i++) {
		window(5 + 0.1 * i / 360, 8);
	}
	filter_watch_filled(&filters[0], 25 * FLOW_LPH, 150);
	filter_watch_filled(&filters[1], 25 * FLOW_LPH, 150);
	assert_int_equal(boat.raised[EVENT_RESTRICTION_RISING], 0);
	for (int i = 0; i < hours_after && boat.raised[EVENT_RESTRICTION_RISING] == 0; i++) {
		window(7.5 + 0.8 * i / 360, 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_RISING], 1);
	assert_string_equal(boat.last.subject, "primary");
	assert_non_null(strstr(boat.last.message, "since 150 L were taken in"));
	near(boat.last.limit, 0.1 / FLOW_LPH * 100, 0.4);
	near(boat.last.value, 0.8 / FLOW_LPH * 100, 1.5);
	for (int i = 0; i < 360; i++) {
		window(9.9 + 0.8 * i / 360, 8);
	}
	assert_int_equal(boat.raised[EVENT_RESTRICTION_RISING], 1);
	/* A new element that nobody wrote into the book ends it, and its value keeps its unit. */
	for (int i = 0; i < 180 && boat.cleared[EVENT_RESTRICTION_RISING] == 0; i++) {
		window(5, 8);
	}
	assert_int_equal(boat.cleared[EVENT_RESTRICTION_RISING], 1);
	assert_string_equal(boat.last.kind, "restriction-rising");
	assert_string_equal(boat.last.unit, "kPa/100 L");
}

/* 30 h of 0.1 kPa an hour, but from the 25th on 0.8, with minutes in turn so much too high and too
 * low; 150 L are taken in at filled_h. The first and the last telling go to ret_messages; returns
 * how often it was told. */
static int tells_bad_fuel(double noise_kpa, int filled_h, char ret_messages[2][256])
{
	double kpa = 5;

	begin();
	ret_messages[0][0] = '\0';
	ret_messages[1][0] = '\0';
	for (int i = 0; i < 30 * 360; i++) {
		int told = boat.raised[EVENT_RESTRICTION_RISING];
		kpa += (i < 25 * 360 ? 0.1 : 0.8) / 360;
		if (i == filled_h * 360) {
			filter_watch_filled(&filters[0], filled_h * FLOW_LPH, 150);
		}
		window(kpa + (i / 60 % 2 == 0 ? noise_kpa : -noise_kpa), 8);
		if (boat.raised[EVENT_RESTRICTION_RISING] > told) {
			snprintf(ret_messages[told == 0 ? 0 : 1], 256, "%s", boat.last.message);
		}
	}
	return boat.raised[EVENT_RESTRICTION_RISING];
}

static void a_slope_that_the_fit_finds_first_is_told_with_the_refuelling_before_it(void **state)
{
	char messages[2][256];

	(void)state;
	assert_int_equal(tells_bad_fuel(0.35, 25, messages), 1);
	assert_non_null(strstr(messages[0], "as before, after 150 L were taken in. Think of"));
}

/* The watch over dirt tells it, and then the fit, where that has found another slope. */
static void what_is_told_again_names_its_refuelling_again(void **state)
{
	int again = 0;

	(void)state;
	for (int i = 0; i < 15; i++) {
		char messages[2][256];
		int told = tells_bad_fuel(0.02 * i, 25, messages);
		assert_true(told >= 1);
		assert_non_null(strstr(messages[0], " 150 L were taken in. Think of"));
		if (told > 1) {
			again++;
			assert_non_null(
				strstr(messages[1], " after 150 L were taken in. Think of"));
		}
	}
	assert_true(again > 0);
}

/* Found some 2.3 h after it began. */
static void a_refuelling_long_before_or_after_the_slope_is_not_named(void **state)
{
	static const int filled_h[] = {5, 15, 20, 27};

	(void)state;
	for (size_t i = 0; i < sizeof(filled_h) / sizeof(filled_h[0]); i++) {
		char messages[2][256];
		assert_true(tells_bad_fuel(0.35, filled_h[i], messages) >= 1);
		assert_non_null(strstr(messages[0], "as before. The forecast counts from here"));
	}
}

/* 20 h up and 20 h down. The fit, which is what is judged, lags behind the way down. */
static void the_limit_is_told_from_98_percent_and_cleared_below_85(void **state)
{
	double told_kpa = NAN;
	double cleared_kpa = NAN;

	(void)state;
	begin();
	for (int i = 0; i < 7200; i++) {
		double kpa = 20 + 9.8 * i / 7200;
		window(kpa, 5);
		if (isnan(told_kpa) && boat.raised[EVENT_RESTRICTION_HIGH] == 1) {
			told_kpa = kpa;
			assert_string_equal(boat.last.subject, "primary");
			near(boat.last.limit, LIMIT_KPA, 0);
			near(boat.last.value, kpa, 0.02 * LIMIT_KPA);
		}
	}
	near(told_kpa, 0.98 * LIMIT_KPA, 0.015 * LIMIT_KPA);
	assert_int_equal(boat.cleared[EVENT_RESTRICTION_HIGH], 0);
	for (int i = 0; i < 7200; i++) {
		double kpa = 29.8 - 9.8 * i / 7200;
		window(kpa, 5);
		if (isnan(cleared_kpa) && boat.cleared[EVENT_RESTRICTION_HIGH] == 1) {
			double sd;
			double litres = FLOW_LPH * (7200 + i) / 360;
			cleared_kpa = loading_restriction(&filters[0].loading, litres, &sd);
		}
	}
	assert_true(cleared_kpa < 0.85 * LIMIT_KPA);
	near(cleared_kpa, 0.85 * LIMIT_KPA, 0.02 * LIMIT_KPA);
	assert_int_equal(boat.cleared[EVENT_RESTRICTION_HIGH], 1);
}

/* The primary sucks 20 kPa, so the pump moves 0.9565 of its rating (test_supply_pump.c), through
 * both filters: at the full reference flow each would lose between 1/0.9565 (all laminar) and
 * 1/0.9565² (all turbulent) of what it shows. */
static void a_pump_that_sucks_moves_less_through_every_filter(void **state)
{
	const double shown_kpa[] = {20, 8};

	(void)state;
	for (int pumped = 0; pumped < 2; pumped++) {
		begin();
		if (pumped) {
			boat.boat.engines[0].supply = SUPPLY_PUMP;
			boat.boat.engines[0].pump_lph = FLOW_LPH;
			boat.boat.engines[0].pump_rpm = 2000;
		}
		for (int i = 0; i < 720; i++) {
			double hours = (double)(boat.view.now.t_ns / BOAT_WINDOW_NS) / 360;
			boat_windows_next(&boat);
			boat_windows_hear(&boat, SIGNAL_ENGINE_SPEED, 2000, 0.25);
			boat_windows_hear(&boat, SIGNAL_FUEL_RATE, FLOW_LPH, 0.05);
			boat_windows_hear(&boat, SIGNAL_FUEL_TEMPERATURE, 40, 1);
			boat_windows_hear(&boat, SIGNAL_SUCTION_FILTER, shown_kpa[0], 0.1);
			boat_windows_hear(&boat, SIGNAL_FUEL_FILTER, shown_kpa[1], 0.1);
			for (unsigned f = 0; f < 2; f++) {
				filter_watch_window(&filters[f], f, &boat.view, 1, hours, hours);
			}
		}
		for (unsigned f = 0; f < 2; f++) {
			double ratio = filters[f].reference_kpa / filters[f].measured_kpa;
			near(filters[f].measured_kpa, shown_kpa[f], 0.1);
			if (pumped) {
				assert_true(ratio > 1 / 0.9565 && ratio < 1 / 0.9565 / 0.9565);
			} else {
				near(ratio, 1, 0.001);
			}
		}
	}
}

/* Through a checkpoint, as pipeline_load does it. */
static void resume(unsigned i)
{
	static uint8_t bytes[4096];
	struct filter_watch kept = {.watched = true};
	struct state_writer w;
	struct state_reader r;

	state_writer_init(&w, bytes, sizeof(bytes));
	filter_watch_save(&filters[i], &w);
	filter_watch_save_fit(&filters[i], &w);
	assert_false(w.failed);
	state_reader_init(&r, bytes, w.used);
	filter_watch_load(&kept, &r);
	filter_watch_load_fit(&kept, &r);
	assert_false(r.failed);
	filter_watch_init(&filters[i], &boat.boat.filters[i]);
	filter_watch_resume(&filters[i], &kept);
}

/* Two hours. */
static void reads_10_and_8_kpa(void)
{
	for (int i = 0; i < 720; i++) {
		window(10, 8);
	}
	near(filters[0].reference_kpa, 10, 0.5);
	near(filters[1].reference_kpa, 8, 0.5);
}

static void one_that_is_cut_before_its_engine_is_heard_reads_as_ever(void **state)
{
	(void)state;
	begin();
	filters[0].fitted_ns = 77;
	resume(0);
	resume(1);
	assert_int_equal(filters[0].fitted_ns, 77);
	reads_10_and_8_kpa();
	assert_true(restriction_reference_lph(&filters[0].restriction) == FLOW_LPH);
}

/* Zeroes in the place of what should have been known of the sensor: with a configured reference
 * flow it never read, without it took the restriction for the sensor's zero. */
static void one_that_an_earlier_version_cut_so_starts_afresh(void **state)
{
	(void)state;
	begin();
	boat.boat.filters[1].reference_lph = NAN;
	for (unsigned i = 0; i < 2; i++) {
		filters[i] = (struct filter_watch){.watched = true,
			.fitted_ns = 77,
			.measured_kpa = NAN,
			.reference_kpa = NAN};
	}
	for (int i = 0; i < 360; i++) {
		window(10, 8);
	}
	double litres_before = filters[0].litres_before;
	resume(0);
	resume(1);
	assert_true(filters[0].begun && filters[0].fitted_ns == 77);
	assert_true(filters[0].litres_before == litres_before);
	reads_10_and_8_kpa();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_jump_waits_four_minutes_and_is_told),
		cmocka_unit_test(a_like_jump_in_another_filter_ends_both),
		cmocka_unit_test(what_another_sender_shows_is_no_jump),
		cmocka_unit_test(a_small_step_is_followed_and_not_told),
		cmocka_unit_test(the_flow_that_a_new_element_frees_is_no_jump_in_another_filter),
		cmocka_unit_test(an_unlike_jump_in_another_filter_ends_none),
		cmocka_unit_test(jumps_are_alike_within_a_factor_of_the_same_engine),
		cmocka_unit_test(a_jump_waits_only_while_the_engine_runs),
		cmocka_unit_test(bad_fuel_is_told_with_its_refuelling_within_three_hours),
		cmocka_unit_test(
			a_slope_that_the_fit_finds_first_is_told_with_the_refuelling_before_it),
		cmocka_unit_test(what_is_told_again_names_its_refuelling_again),
		cmocka_unit_test(a_refuelling_long_before_or_after_the_slope_is_not_named),
		cmocka_unit_test(the_limit_is_told_from_98_percent_and_cleared_below_85),
		cmocka_unit_test(a_pump_that_sucks_moves_less_through_every_filter),
		cmocka_unit_test(one_that_is_cut_before_its_engine_is_heard_reads_as_ever),
		cmocka_unit_test(one_that_an_earlier_version_cut_so_starts_afresh),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
