#include "analysis/engine_watch.h"
#include "analysis/fault_text.h"
#include "decoders/fault_code.h"
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

#define LAMPS_UNKNOWN  0xFF
#define LAMPS_OFF      0x00
#define LAMPS_RED_STOP 0x10

static void begin_faults(void)
{
	boat_windows_init(&boat);
	engine_watch_init(&watch, &boat.boat);
}

static void hear_fault(uint32_t spn, uint8_t fmi, uint8_t lamps)
{
	struct fault_code code = {.spn = spn, .fmi = fmi, .count = 1};

	engine_watch_fault(&watch, 0, &boat.view, lamps, fault_code_value(&code));
}

static void a_trouble_code_is_told_in_words_with_what_to_do(void **state)
{
	(void)state;
	begin_faults();
	hear_fault(100, 1, LAMPS_UNKNOWN);
	assert_string_equal(boat.last.message,
		"Engine oil pressure: far too low (SPN 100, FMI 1). Ease the engine and read its "
		"own gauges; stop it as soon as it is safe if they agree. See the engine maker's "
		"manual.");
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
	assert_true(boat.last.value == 100);
	hear_fault(174, 15, LAMPS_OFF);
	assert_string_equal(boat.last.message,
		"Fuel temperature: somewhat too high (SPN 174, FMI 15). Read the engine's own "
		"gauges and look for the cause before it grows. See the engine maker's manual.");
	assert_int_equal(boat.last.severity, SEVERITY_ADVICE);
}

static void a_trouble_code_that_no_list_has_is_told_by_its_numbers(void **state)
{
	(void)state;
	begin_faults();
	hear_fault(524286, 27, LAMPS_UNKNOWN);
	assert_string_equal(boat.last.message,
		"Fault of the engine: reserved failure mode (SPN 524286, FMI 27). Look the code "
		"up: it alone does not say where to look. See the engine maker's manual.");
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
}

static void a_red_stop_lamp_makes_a_code_a_warning_also_later(void **state)
{
	(void)state;
	begin_faults();
	hear_fault(94, 17, LAMPS_OFF);
	assert_int_equal(boat.last.severity, SEVERITY_ADVICE);
	int64_t event = boat.last.event;
	hear_fault(94, 17, LAMPS_RED_STOP);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 2);
	assert_int_equal(boat.last.event, event);
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
	assert_non_null(strstr(boat.last.message, "Fuel delivery pressure: somewhat too low"));
	/* Neither the lamp's going out nor its staying on is news. */
	hear_fault(94, 17, LAMPS_OFF);
	hear_fault(94, 17, LAMPS_RED_STOP);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 2);
	hear_fault(97, 31, LAMPS_RED_STOP);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 3);
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
}

static void codes_beyond_the_eighth_are_one_word_as_bad_as_the_worst(void **state)
{
	(void)state;
	begin_faults();
	for (uint32_t spn = 1; spn <= ENGINE_FAULTS_MAX; spn++) {
		hear_fault(spn, 15, LAMPS_OFF);
		assert_int_equal(boat.last.severity, SEVERITY_ADVICE);
	}
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], ENGINE_FAULTS_MAX);
	hear_fault(190, 15, LAMPS_OFF);
	hear_fault(191, 15, LAMPS_OFF);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], ENGINE_FAULTS_MAX + 1);
	assert_non_null(strstr(boat.last.message, "More trouble codes are active than the 8"));
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
	hear_fault(100, 1, LAMPS_OFF);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], ENGINE_FAULTS_MAX + 2);
	assert_non_null(strstr(boat.last.message, "More trouble codes"));
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
}

static void no_sentence_about_a_code_is_cut(void **state)
{
	static const char end[] = " See the engine maker's manual.";
	unsigned told = 0;

	(void)state;
	for (uint32_t spn = 1; spn < FAULT_CODE_SPN_NONE; spn++) {
		if (fault_text_spn(spn) == NULL && spn != FAULT_CODE_SPN_NONE - 1) {
			continue;
		}
		for (uint8_t fmi = 0; fmi < 32; fmi++) {
			begin_faults();
			hear_fault(spn, fmi, LAMPS_UNKNOWN);
			size_t length = strlen(boat.last.message);
			assert_true(length > sizeof(end));
			assert_string_equal(boat.last.message + length - (sizeof(end) - 1), end);
			told++;
		}
	}
	assert_true(told > 100 * 32);
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
		cmocka_unit_test(a_map_to_be_learned_anew_is_told_as_it_was),
		cmocka_unit_test(a_trouble_code_is_told_in_words_with_what_to_do),
		cmocka_unit_test(a_trouble_code_that_no_list_has_is_told_by_its_numbers),
		cmocka_unit_test(a_red_stop_lamp_makes_a_code_a_warning_also_later),
		cmocka_unit_test(codes_beyond_the_eighth_are_one_word_as_bad_as_the_worst),
		cmocka_unit_test(no_sentence_about_a_code_is_cut),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
