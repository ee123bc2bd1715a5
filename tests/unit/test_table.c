#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <jansson.h>

#include "daemon/table.h"

static const struct table_column columns[] = {
	{"run", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"label", TABLE_TEXT, QUANTITY_NONE, 0},
	{"start_utc", TABLE_TIME, QUANTITY_NONE, 0},
	{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
	{"l_per_nm", TABLE_REAL, QUANTITY_CONSUMPTION, 2},
	{"open", TABLE_FLAG, QUANTITY_NONE, 0},
};
#define COLUMNS (sizeof(columns) / sizeof(columns[0]))

/* Two rows, one of them mostly unknown; the result is the caller's to free. */
static char *two_rows(enum table_format format, enum unit_system units, const char *label)
{
	char *text = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&text, &size);
	struct table *table;

	assert_non_null(out);
	assert_int_equal(table_open(&table, out, format, units), 0);
	table_begin(table, "runs", columns, COLUMNS);
	table_put_integer(table, 1);
	table_put_text(table, label);
	table_put_time(table, INT64_C(1780302600000000000));
	table_put_real(table, 10.5);
	table_put_real(table, 0.1 + 0.2);
	table_put_flag(table, true);
	table_end_row(table);
	table_put_integer(table, 12);
	table_put_text(table, NULL);
	table_put_unknown(table);
	table_put_real(table, NAN);
	table_end_row(table);
	table_end(table);
	assert_int_equal(table_close(table), 0);
	fclose(out);
	return text;
}

static void people_see_aligned_columns_and_dashes(void **state)
{
	char *text = two_rows(TABLE_PEOPLE, UNITS_METRIC, "Möwe");

	(void)state;
	assert_string_equal(text,
		"run  label  start_utc             fuel_l  l_per_nm  open\n"
		"  1  Möwe   2026-06-01T08:30:00Z   10.50      0.30  yes\n"
		" 12  -      -                          -         -  -\n");
	free(text);
}

static void people_may_see_other_units_and_titles_say_so(void **state)
{
	char *text = two_rows(TABLE_PEOPLE, UNITS_US, "a");

	(void)state;
	assert_non_null(strstr(text, "fuel_gal  gal_per_nm"));
	assert_non_null(strstr(text, "2.77"));
	free(text);
}

static void json_is_one_object_with_nulls_in_contract_units(void **state)
{
	char *text = two_rows(TABLE_JSON, UNITS_US, "a \"quoted\" name");
	json_t *whole = json_loads(text, JSON_REJECT_DUPLICATES, NULL);

	(void)state;
	assert_non_null(whole);
	json_t *rows = json_object_get(whole, "runs");
	assert_int_equal(json_array_size(rows), 2);
	json_t *first = json_array_get(rows, 0);
	assert_string_equal(json_string_value(json_object_get(first, "label")), "a \"quoted\" name");
	assert_true(json_real_value(json_object_get(first, "fuel_l")) == 10.5);
	assert_true(json_is_true(json_object_get(first, "open")));
	assert_non_null(strstr(text, "\"l_per_nm\": 0.3,"));
	json_t *second = json_array_get(rows, 1);
	assert_int_equal(json_object_size(second), COLUMNS);
	assert_true(json_is_null(json_object_get(second, "fuel_l")));
	assert_true(json_is_null(json_object_get(second, "open")));
	json_decref(whole);
	free(text);
}

/* RFC 4180: CR LF, quotes doubled, fields with commas, quotes or line breaks quoted. */
static void csv_follows_rfc_4180(void **state)
{
	char *text = two_rows(TABLE_CSV, UNITS_US, "aft, \"port\"");

	(void)state;
	assert_string_equal(text,
		"run,label,start_utc,fuel_l,l_per_nm,open\r\n"
		"1,\"aft, \"\"port\"\"\",2026-06-01T08:30:00Z,10.5,0.3,true\r\n"
		"12,,,,,\r\n");
	free(text);
}

static void a_text_from_a_bus_cannot_command_a_terminal(void **state)
{
	for (enum table_format format = TABLE_PEOPLE; format <= TABLE_CSV; format++) {
		char *text = two_rows(format, UNITS_METRIC, "\033[2J\xFF\xC0\xAFok");
		(void)state;
		assert_non_null(strstr(text, "?[2J???ok"));
		free(text);
	}
}

static void a_second_table_follows_and_an_empty_one_says_so(void **state)
{
	static const char *const expected[] = {
		[TABLE_PEOPLE] = "no trips\n\nno runs\n",
		[TABLE_JSON] = "{\n\"trips\": [],\n\"runs\": []\n}\n",
		[TABLE_CSV] = "run\r\n\r\nrun\r\n",
	};

	(void)state;
	for (enum table_format format = TABLE_PEOPLE; format <= TABLE_CSV; format++) {
		char *text = NULL;
		size_t size = 0;
		FILE *out = open_memstream(&text, &size);
		struct table *table;
		assert_int_equal(table_open(&table, out, format, UNITS_METRIC), 0);
		table_begin(table, "trips", columns, 1);
		table_end(table);
		table_begin(table, "runs", columns, 1);
		table_end(table);
		assert_int_equal(table_close(table), 0);
		fclose(out);
		assert_string_equal(text, expected[format]);
		free(text);
	}
}

static void a_full_device_is_reported(void **state)
{
	FILE *out = fopen("/dev/full", "w");
	struct table *table;

	(void)state;
	assert_non_null(out);
	assert_int_equal(table_open(&table, out, TABLE_CSV, UNITS_METRIC), 0);
	table_begin(table, "runs", columns, COLUMNS);
	table_end(table);
	assert_int_equal(table_close(table), -ENOSPC);
	fclose(out);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(people_see_aligned_columns_and_dashes),
		cmocka_unit_test(people_may_see_other_units_and_titles_say_so),
		cmocka_unit_test(json_is_one_object_with_nulls_in_contract_units),
		cmocka_unit_test(csv_follows_rfc_4180),
		cmocka_unit_test(a_text_from_a_bus_cannot_command_a_terminal),
		cmocka_unit_test(a_second_table_follows_and_an_empty_one_says_so),
		cmocka_unit_test(a_full_device_is_reported),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
