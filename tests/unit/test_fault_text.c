#include <string.h>

#include "analysis/fault_text.h"
#include "tests/unit/near.h"

static void known_numbers_are_described_in_words(void **state)
{
	char text[128];

	(void)state;
	size_t length = fault_text_describe(94, 1, 0, text, sizeof(text));
	assert_string_equal(text, "Fuel delivery pressure: far too low (SPN 94, FMI 1).");
	assert_int_equal(length, strlen(text));
	(void)fault_text_describe(1382, 16, 0, text, sizeof(text));
	assert_string_equal(text,
		"Suction-side fuel filter differential pressure: too high (SPN 1382, FMI 16).");
}

static void unknown_numbers_are_told_as_numbers(void **state)
{
	char text[128];

	(void)state;
	assert_null(fault_text_spn(524286));
	(void)fault_text_describe(524286, 31, 0, text, sizeof(text));
	assert_string_equal(
		text, "Fault of the engine: the condition exists (SPN 524286, FMI 31).");
	(void)fault_text_describe(0, 0, 0, text, sizeof(text));
	assert_string_equal(text, "Fault of the engine: far too high (SPN 0, FMI 0).");
	assert_string_equal(fault_text_fmi(32), "no such failure mode");
}

/* The SPNs that the decoder's messages carry, each with the word that its public name turns on. */
static void every_fuel_and_engine_number_of_the_catalogue_has_words(void **state)
{
	static const struct {
		uint32_t spn;
		const char *word;
	} known[] = {{51, "throttle"}, {52, "intercooler"}, {91, "throttle"}, {92, "load"},
		{94, "delivery"}, {95, "filter"}, {96, "level"}, {97, "water"}, {98, "oil level"},
		{99, "oil filter"}, {100, "oil pressure"}, {101, "crankcase"}, {102, "boost"},
		{105, "manifold"}, {106, "inlet"}, {107, "air filter"}, {109, "coolant pressure"},
		{110, "coolant temperature"}, {111, "coolant level"}, {157, "rail"},
		{167, "alternator"}, {168, "battery"}, {173, "exhaust"}, {174, "fuel temperature"},
		{175, "oil temperature"}, {182, "trip"}, {183, "rate"}, {190, "speed"},
		{247, "hours"}, {250, "total"}, {512, "torque"}, {513, "torque"}, {1349, "rail"},
		{1381, "intake pressure"}, {1382, "suction"}, {1675, "starter"}};

	(void)state;
	for (size_t i = 0; i < sizeof(known) / sizeof(known[0]); i++) {
		const char *text = fault_text_spn(known[i].spn);
		assert_non_null(text);
		assert_non_null(strstr(text, known[i].word));
	}
}

/* A search by halves needs rising numbers: every listed one must be found, so none may be lost. */
static void the_list_is_in_order(void **state)
{
	unsigned found = 0;

	(void)state;
	for (uint32_t spn = 0; spn < 6000; spn++) {
		found += fault_text_spn(spn) != NULL;
	}
	assert_true(found >= 100);
	for (unsigned fmi = 0; fmi < 32; fmi++) {
		assert_true(strlen(fault_text_fmi(fmi)) > 3);
		assert_true(strlen(fault_text_next_step(fmi)) > 10);
	}
}

static void text_is_cut_to_its_room(void **state)
{
	char text[16];

	(void)state;
	memset(text, '#', sizeof(text));
	size_t length = fault_text_describe(95, 0, 0, text, 10);
	assert_string_equal(text, "Fuel filt");
	assert_int_equal(text[10], '#');
	assert_true(length > 40);
	assert_int_equal(fault_text_describe(95, 0, 0, text, 0), length);
	(void)fault_text_describe(95, 0, 0, text, 1);
	assert_string_equal(text, "");
}

/* SAE J1939-73 by public decoders' tests: bits 8-7 MIL, 6-5 red stop, 4-3 amber warning, 2-1
 * protect. */
static void lamps_come_before_failure_modes(void **state)
{
	(void)state;
	assert_int_equal(fault_text_severity(0x10, 15), SEVERITY_WARNING);
	assert_int_equal(fault_text_severity(0x04, 0), SEVERITY_CAUTION);
	assert_int_equal(fault_text_severity(0x40, 31), SEVERITY_CAUTION);
	assert_int_equal(fault_text_severity(0x00, 0), SEVERITY_WARNING);
	assert_int_equal(fault_text_severity(0xFF, 1), SEVERITY_WARNING);
	assert_int_equal(fault_text_severity(0xFF, 4), SEVERITY_CAUTION);
	assert_int_equal(fault_text_severity(0x00, 15), SEVERITY_ADVICE);
	/* "The condition exists" says nothing of how bad it is. */
	assert_int_equal(fault_text_severity(0x00, 31), SEVERITY_CAUTION);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(known_numbers_are_described_in_words),
		cmocka_unit_test(unknown_numbers_are_told_as_numbers),
		cmocka_unit_test(every_fuel_and_engine_number_of_the_catalogue_has_words),
		cmocka_unit_test(the_list_is_in_order),
		cmocka_unit_test(text_is_cut_to_its_room),
		cmocka_unit_test(lamps_come_before_failure_modes),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
