#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#include "daemon/utc_time.h"

/* The C library's calendar is the second opinion. */
static void every_day_agrees_with_the_c_library(void **state)
{
	char text[UTC_TEXT_MAX], expected[UTC_TEXT_MAX];
	int64_t back;

	(void)state;
	for (int64_t s = 0; s < INT64_C(9190000000); s += 86400 * 5 + 3601) {
		time_t when = (time_t)s;
		struct tm broken;
		assert_non_null(gmtime_r(&when, &broken));
		assert_true(strftime(expected, sizeof(expected), "%Y-%m-%dT%H:%M:%SZ", &broken) > 0);
		utc_format(s * NS_PER_S + 999999999, text);
		assert_string_equal(text, expected);
		assert_true(utc_parse(text, &back));
		assert_true(back == s * NS_PER_S);
	}
}

static void times_before_1970_are_rounded_down(void **state)
{
	char text[UTC_TEXT_MAX];

	(void)state;
	utc_format(-1, text);
	assert_string_equal(text, "1969-12-31T23:59:59Z");
}

static void shorter_forms_and_zones_are_read(void **state)
{
	static const struct {
		const char *text;
		int64_t ns;
	} cases[] = {
		{"1970-01-02", 86400 * NS_PER_S},
		{"2026-06-01T08:30", INT64_C(1780302600) * NS_PER_S},
		{"2026-06-01 08:30Z", INT64_C(1780302600) * NS_PER_S},
		{"2026-06-01T10:30:00+02:00", INT64_C(1780302600) * NS_PER_S},
		{"2026-06-01T03:00:00-05:30", INT64_C(1780302600) * NS_PER_S},
		{"2026-06-01T08:30:00.25Z", INT64_C(1780302600) * NS_PER_S + 250000000},
		{"2024-02-29", INT64_C(1709164800) * NS_PER_S},
	};
	int64_t ns;

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		assert_true(utc_parse(cases[i].text, &ns));
		assert_true(ns == cases[i].ns);
	}
}

static void what_is_no_time_is_refused(void **state)
{
	static const char *const wrong[] = {"", "today", "2026", "2026-6-1", "2026-13-01",
		"2026-02-29", "2026-06-31", "2026-06-01T", "2026-06-01T24:00", "2026-06-01T08:60",
		"2026-06-01T08:30:61", "2026-06-01T08:30:00.", "2026-06-01T08:30+2", "1969-12-31",
		"2300-01-01", "2026-06-01T08:30Zulu", "2026-06-01 08:30:00 +02:00"};
	int64_t ns = 5;

	(void)state;
	for (size_t i = 0; i < sizeof(wrong) / sizeof(wrong[0]); i++) {
		assert_false(utc_parse(wrong[i], &ns));
	}
	assert_true(ns == 5);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_day_agrees_with_the_c_library),
		cmocka_unit_test(times_before_1970_are_rounded_down),
		cmocka_unit_test(shorter_forms_and_zones_are_read),
		cmocka_unit_test(what_is_no_time_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
