#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "decoders/fault_code.h"
#include "near.h"

static void every_part_comes_back_from_the_value(void **state)
{
	(void)state;
	for (uint32_t spn = 1; spn < 524287; spn += 997) {
		struct fault_code code = {
			spn, (uint8_t)(spn % 32), (uint8_t)(spn / 3 % 128), (uint8_t)(spn % 2)};
		struct fault_code back;

		assert_true(fault_code_from_value(fault_code_value(&code), &back));
		assert_int_equal(back.spn, code.spn);
		assert_int_equal(back.fmi, code.fmi);
		assert_int_equal(back.count, code.count);
		assert_int_equal(back.conversion, code.conversion);
	}
}

static void what_lasts_is_the_value_below_2_to_the_24(void **state)
{
	struct fault_code once = {91, 3, 1, 0};
	struct fault_code often = {91, 3, 126, 0};

	(void)state;
	near(fmod(fault_code_value(&once), 16777216), fmod(fault_code_value(&often), 16777216), 0);
	near(fmod(fault_code_value(&once), 16777216), 91 + 3 * 524288.0, 0);
}

static void numbers_that_are_no_code_are_refused(void **state)
{
	static const double bad[] = {0, -1, 1.5, 4294967296.0, INFINITY, -INFINITY, NAN};
	struct fault_code code;

	(void)state;
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		assert_false(fault_code_from_value(bad[i], &code));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_part_comes_back_from_the_value),
		cmocka_unit_test(what_lasts_is_the_value_below_2_to_the_24),
		cmocka_unit_test(numbers_that_are_no_code_are_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
