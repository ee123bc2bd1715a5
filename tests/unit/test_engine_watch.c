#include "analysis/engine_watch.h"
#include "tests/unit/boat_windows.h"
#include "tests/unit/near.h"

#define USUAL_KPA 200.0
#define LIMIT_KPA 100.0 /* as the skipper told it */
#define LACK_KPA  50.0

static struct boat_windows boat;
static struct engine_watch watch;

static void windows(int count, double pressure_kpa, double restriction_share)
{
	for (int i = 0; i < count; i++) {
		boat_windows_next(&boat);
		boat_windows_hear(&boat, SIGNAL_ENGINE_SPEED, 2000, 0.25);
		boat_windows_hear(&boat, SIGNAL_FUEL_PRESSURE, pressure_kpa, 1);
		engine_watch_window(&watch, 0, &boat.view, restriction_share);
	}
}

static void rest(int count)
{
	boat.engines[0].on = false;
	for (int i = 0; i < count; i++) {
		boat_windows_next(&boat);
		engine_watch_window(&watch, 0, &boat.view, NAN);
	}
	boat.engines[0].on = true;
}

/* Some hour, in which the usual pressure is learned. */
static void begin(void)
{
	boat_windows_init(&boat);
	boat.boat.limits.fuel_pressure_kpa = LIMIT_KPA;
	engine_watch_init(&watch, &boat.boat);
	windows(400, USUAL_KPA, 0.5);
	assert_int_equal(boat.raised[EVENT_STARVATION], 0);
	assert_int_equal(boat.raised[EVENT_FUEL_PRESSURE_LOW], 0);
}

/* The primary's element is at its limit, or it is no more. */
static void element_loaded(bool loaded)
{
	struct event_claim claim = {
		.kind = EVENT_RESTRICTION_HIGH,
		.subject = 0,
		.name = "primary",
		.severity = SEVERITY_WARNING,
		.value = 30,
		.limit = 30,
		.unit = "kPa",
		.basis = "measured",
		.message = "",
	};

	window_claim(&boat.view, &claim, loaded);
}

static void expect(int starvation, int starvation_over, int low, int low_over)
{
	assert_int_equal(boat.raised[EVENT_STARVATION], starvation);
	assert_int_equal(boat.cleared[EVENT_STARVATION], starvation_over);
	assert_int_equal(boat.raised[EVENT_FUEL_PRESSURE_LOW], low);
	assert_int_equal(boat.cleared[EVENT_FUEL_PRESSURE_LOW], low_over);
}

static void a_lack_of_fuel_that_nothing_explains_is_told(void **state)
{
	(void)state;
	begin();
	windows(12, LACK_KPA, 0.9);
	expect(1, 0, 1, 0);
}

static void an_element_at_its_limit_explains_a_lack_of_fuel(void **state)
{
	(void)state;
	begin();
	element_loaded(true);
	windows(200, LACK_KPA, 1);
	expect(0, 0, 0, 0);
}

static void another_engines_element_explains_nothing(void **state)
{
	(void)state;
	begin();
	boat.boat.filters[0].engine = 1;
	element_loaded(true);
	windows(12, LACK_KPA, 0.9);
	expect(1, 0, 1, 0);
}

static void what_was_told_is_over_once_an_element_explains_it(void **state)
{
	(void)state;
	begin();
	windows(12, LACK_KPA, 0.9);
	element_loaded(true);
	windows(12, LACK_KPA, 1);
	expect(1, 1, 1, 1);
}

static void a_lack_that_goes_on_without_the_element_is_told_then(void **state)
{
	(void)state;
	begin();
	element_loaded(true);
	windows(60, LACK_KPA, 1);
	element_loaded(false);
	windows(6, LACK_KPA, 0.9);
	expect(1, 0, 1, 0);
	windows(60, LACK_KPA, 0.9);
	expect(1, 0, 1, 0);
}

static void a_lack_that_the_new_element_ends_is_never_told(void **state)
{
	(void)state;
	begin();
	element_loaded(true);
	windows(60, LACK_KPA, 1);
	rest(180);
	element_loaded(false);
	windows(200, USUAL_KPA, 0.2);
	expect(0, 0, 0, 0);
	windows(12, LACK_KPA, 0.9); /* and the next one is told as ever */
	expect(1, 0, 1, 0);
}

static void a_lack_that_comes_back_soon_after_the_element_is_told(void **state)
{
	(void)state;
	begin();
	element_loaded(true);
	windows(60, LACK_KPA, 1);
	rest(180);
	element_loaded(false);
	windows(20, USUAL_KPA, 0.2);
	expect(0, 0, 0, 0);
	windows(12, LACK_KPA, 0.9);
	expect(1, 0, 1, 0);
}

/* The pressure sinks to 70 % for hours, then for two minutes below the limit: a warning. */
static void sink_and_lack(void)
{
	begin();
	windows(900, 0.7 * USUAL_KPA, 0.5);
	expect(0, 0, 1, 0);
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
	windows(12, LACK_KPA, 0.5);
	expect(0, 0, 2, 0);
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
	near(boat.last.limit, LIMIT_KPA, 0);
}

static void a_warning_that_ends_while_the_pressure_is_sunk_is_the_caution_again(void **state)
{
	(void)state;
	sink_and_lack();
	int64_t event = boat.last.event;
	windows(60, 0.7 * USUAL_KPA, 0.5); /* ten minutes without */
	expect(0, 0, 3, 1);
	assert_int_equal(boat.last.event, event);
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
	assert_false(boat.last.has_cleared);
	near(boat.last.value, 0.7 * USUAL_KPA, 0.5);
	near(boat.last.limit, USUAL_KPA, 0.05 * USUAL_KPA);
	assert_non_null(strstr(boat.last.message, "Fuel pressure has sunk"));
	windows(400, USUAL_KPA, 0.5);
	expect(0, 0, 3, 2);
}

static void a_warning_that_ends_with_a_sound_pressure_says_for_how_short(void **state)
{
	(void)state;
	sink_and_lack();
	windows(60, USUAL_KPA, 0.5);
	expect(0, 0, 3, 1);
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
	assert_non_null(strstr(boat.last.message, "up again for less than an hour: now 200 kPa of 1"));
	assert_string_equal(strrchr(boat.last.message, ' '), " sensor.");
	windows(340, USUAL_KPA, 0.5);
	expect(0, 0, 3, 2);
}

/* It sinks below the limit for good: told as a warning first. What is left of it then is the caution. */
static void a_warning_that_ends_as_the_pressure_is_found_sunk_is_a_caution(void **state)
{
	(void)state;
	begin();
	windows(400, LACK_KPA, 0.5);
	expect(0, 0, 1, 0);
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
	windows(60, 0.7 * USUAL_KPA, 0.5);
	expect(0, 0, 2, 1);
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
	assert_non_null(strstr(boat.last.message, "Fuel pressure has sunk"));
}

static struct fact_burn told_burn;
static int told_burns;

static void on_burn(void *context, const struct fact_burn *point)
{
	(void)context;
	told_burn = *point;
	told_burns++;
}

static void drive(int count, double lph)
{
	for (int i = 0; i < count; i++) {
		boat_windows_next(&boat);
		boat_windows_hear(&boat, SIGNAL_ENGINE_SPEED, 2000, 0.25);
		boat_windows_hear(&boat, SIGNAL_FUEL_RATE, lph, 0.05);
		engine_watch_window(&watch, 0, &boat.view, NAN);
	}
}

/* Whether it was told in between or not, a log then holds the same. */
static void a_map_to_be_learned_anew_is_told_as_it_was(void **state)
{
	(void)state;
	boat_windows_init(&boat);
	boat.sink.on_burn = on_burn;
	engine_watch_init(&watch, &boat.boat);
	drive(360, 5);
	told_burns = 0;
	engine_watch_reset_burn(&watch, 0, &boat.view);
	assert_int_equal(told_burns, 1); /* of the points 200 rpm apart the one that is known */
	assert_int_equal(told_burn.version, 0);
	near(told_burn.rpm, 2000, 0);
	near(told_burn.rate_lph, 5, 0.05);
	/* Kept as the live log's batch file holds them. */
	assert_true(told_burn.rate_minutes > 10);
	assert_true(told_burn.rate_minutes == floor(told_burn.rate_minutes));
	assert_true(told_burn.ground_minutes == 0 && isnan(told_burn.ground_kn));
	/* Nothing new is known yet. */
	engine_watch_tell_map(&watch, 0, &boat.sink);
	assert_int_equal(told_burns, 1);
	drive(360, 6);
	engine_watch_tell_map(&watch, 0, &boat.sink);
	assert_int_equal(told_burns, 2);
	assert_int_equal(told_burn.version, 1);
	near(told_burn.rate_lph, 6, 0.06);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_lack_of_fuel_that_nothing_explains_is_told),
		cmocka_unit_test(an_element_at_its_limit_explains_a_lack_of_fuel),
		cmocka_unit_test(another_engines_element_explains_nothing),
		cmocka_unit_test(what_was_told_is_over_once_an_element_explains_it),
		cmocka_unit_test(a_lack_that_goes_on_without_the_element_is_told_then),
		cmocka_unit_test(a_lack_that_the_new_element_ends_is_never_told),
		cmocka_unit_test(a_lack_that_comes_back_soon_after_the_element_is_told),
		cmocka_unit_test(a_warning_that_ends_while_the_pressure_is_sunk_is_the_caution_again),
		cmocka_unit_test(a_warning_that_ends_with_a_sound_pressure_says_for_how_short),
		cmocka_unit_test(a_warning_that_ends_as_the_pressure_is_found_sunk_is_a_caution),
		cmocka_unit_test(a_map_to_be_learned_anew_is_told_as_it_was),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
