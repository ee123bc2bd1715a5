#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/csv_file.h"

/* Reads all of a text; what it says per record is "line:a|b|c;". */
static const char *read_all(const char *csv, int *ret_result)
{
	static char seen[512];
	char text[512];
	struct csv_reader reader;
	struct csv_record record;

	seen[0] = '\0';
	(void)snprintf(text, sizeof(text), "%s", csv);
	csv_start(&reader, text);
	while ((*ret_result = csv_next(&reader, &record)) > 0) {
		size_t used = strlen(seen);

		used += (size_t)snprintf(seen + used, sizeof(seen) - used, "%zu:", record.line);
		for (size_t i = 0; i < record.count; i++) {
			used += (size_t)snprintf(seen + used, sizeof(seen) - used, "%s%s",
				i == 0 ? "" : "|", record.fields[i]);
		}
		(void)snprintf(seen + used, sizeof(seen) - used, ";");
	}
	return seen;
}

/* The examples of RFC 4180, section 2, and what real files hold. */
static void records_are_read_as_the_rfc_has_them(void **state)
{
	static const char *const cases[][2] = {
		{"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", "1:aaa|bbb|ccc;2:zzz|yyy|xxx;"},
		{"aaa,bbb,ccc\r\nzzz,yyy,xxx", "1:aaa|bbb|ccc;2:zzz|yyy|xxx;"},
		{"\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", "1:aaa|bbb|ccc;2:zzz|yyy|xxx;"},
		{"\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", "1:aaa|b\r\nbb|ccc;3:zzz|yyy|xxx;"},
		{"\"aaa\",\"b\"\"bb\",\"ccc\"", "1:aaa|b\"bb|ccc;"},
		{"a,b\n\n\nc,d\n", "1:a|b;4:c|d;"},
		{"\xEF\xBB\xBF" "a,\"\"\n,\n", "1:a|;2:|;"},
		{"", ""},
		{"\n\r\n", ""},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		int result;

		assert_string_equal(read_all(cases[i][0], &result), cases[i][1]);
		assert_int_equal(result, 0);
	}
}

static void what_is_no_csv_is_refused(void **state)
{
	static const char *const cases[] = {"\"a", "\"a\"b,c\n", "a\"b\n", "a\rb\n", "\"a\n\n"};
	char many[200] = "";
	int result;

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		(void)read_all(cases[i], &result);
		assert_int_equal(result, -EINVAL);
	}
	memset(many, ',', CSV_FIELDS_MAX - 1);
	(void)read_all(many, &result);
	assert_int_equal(result, 0);
	many[CSV_FIELDS_MAX - 1] = ',';
	(void)read_all(many, &result);
	assert_int_equal(result, -EINVAL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(records_are_read_as_the_rfc_has_them),
		cmocka_unit_test(what_is_no_csv_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
