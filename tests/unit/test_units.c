#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/units.h"

/* Published conversions: NIST SP 811 (2008), appendix B.8, seven digits, so compared to 5e-7. */
static void published_factors_are_met(void **state)
{
	static const struct {
		enum quantity quantity;
		const char *text;
		double expected;
	} cases[] = {
		{QUANTITY_VOLUME, "1 gal", 3.785412},             /* gallon (U.S.): 3.785412 E-03 m3 */
		{QUANTITY_VOLUME, "1 imp gal", 4.546090},         /* gallon (U.K.): 4.546090 E-03 m3 */
		{QUANTITY_FLOW, "60 gal/h", 60 * 3.785412},
		{QUANTITY_RESTRICTION, "1 inHg", 3.386389},       /* conventional: 3.386389 E+03 Pa */
		{QUANTITY_RESTRICTION, "1 inH2O", 0.2490889},     /* conventional: 2.490889 E+02 Pa */
		{QUANTITY_RESTRICTION, "1 mmHg", 0.1333224},      /* conventional: 1.333224 E+02 Pa */
		{QUANTITY_PRESSURE, "1 psi", 6.894757},           /* 6.894757 E+03 Pa */
		{QUANTITY_PRESSURE, "1 bar", 100},                /* 1.0 E+05 Pa */
		{QUANTITY_SPEED, "1 m/s", 1 / 0.5144444},         /* knot: 5.144444 E-01 m/s */
		{QUANTITY_SPEED, "1 mph", 0.44704 / 0.5144444},   /* mile per hour: 4.4704 E-01 m/s */
		{QUANTITY_DISTANCE, "1 km", 1 / 1.852},           /* nautical mile: 1.852 E+03 m */
		{QUANTITY_MASS, "1 lb", 0.4535924},               /* pound: 4.535924 E-01 kg */
		{QUANTITY_DENSITY, "1 lb/gal", 0.1198264},        /* 1.198264 E+02 kg/m3 */
		{QUANTITY_TEMPERATURE, "212 °F", 100},
		{QUANTITY_TEMPERATURE, "-40 F", -40},
		{QUANTITY_TEMPERATURE, "273.15 K", 0},
		{QUANTITY_HOURS, "90 min", 1.5},
		{QUANTITY_MONTHS, "2 years", 24},
	};
	char error[256];
	double value;

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		assert_int_equal(units_parse(cases[i].quantity, cases[i].text, &value, error,
			sizeof(error)), 0);
		assert_true(fabs(value - cases[i].expected) <= 5e-7 * fabs(cases[i].expected) + 1e-12);
	}
}

static void display_is_the_inverse_of_reading(void **state)
{
	char text[64], error[256];
	double value;

	(void)state;
	for (unsigned q = 0; q < QUANTITY_COUNT; q++) {
		struct unit_display d = units_display((enum quantity)q, UNITS_US);
		(void)snprintf(text, sizeof(text), "%.12g %s", 12.5 * d.factor + d.offset, d.unit);
		assert_int_equal(units_parse((enum quantity)q, text, &value, error,
			sizeof(error)), 0);
		assert_true(fabs(value - 12.5) < 1e-9);
	}
}

static void a_bare_number_is_in_the_own_unit(void **state)
{
	char error[256];
	double value;

	(void)state;
	assert_int_equal(units_parse(QUANTITY_RESTRICTION, "  25 ", &value, error, sizeof(error)), 0);
	assert_true(value == 25);
	assert_int_equal(units_parse(QUANTITY_RESTRICTION, "3inHg", &value, error, sizeof(error)), 0);
	assert_true(fabs(value - 10.159167) < 1e-6);
}

static void what_is_no_number_or_unit_is_refused_with_what_was_expected(void **state)
{
	static const char *const wrong[] = {"", "kPa", "12 furlongs", "1e400", "nan", "inf", "0x10",
		"12 kPa kPa", "--3", "1,5", "12 L/h"};
	char error[256];
	double value = 7;

	(void)state;
	for (size_t i = 0; i < sizeof(wrong) / sizeof(wrong[0]); i++) {
		assert_true(units_parse(QUANTITY_RESTRICTION, wrong[i], &value, error,
			sizeof(error)) < 0);
		assert_true(value == 7);
	}
	assert_string_equal(error, "a number, alone or with a unit: kPa, Pa, mbar, hPa, bar, psi, "
		"inHg, mmHg, inH2O");
	assert_true(units_parse(QUANTITY_NONE, "3 kPa", &value, error, sizeof(error)) < 0);
	assert_string_equal(error, "a number");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(published_factors_are_met),
		cmocka_unit_test(display_is_the_inverse_of_reading),
		cmocka_unit_test(a_bare_number_is_in_the_own_unit),
		cmocka_unit_test(what_is_no_number_or_unit_is_refused_with_what_was_expected),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
