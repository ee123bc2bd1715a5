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

#include "daemon/book_fields.h"
#include "daemon/book_file.h"

#define NOW_NS INT64_C(1780300800000000000)

static struct book_entry *entries;
static size_t count;
static char error[512];

static int read_text(const char *text)
{
	struct boat boat;
	char *copy = strdup(text);
	int result;

	boat_init(&boat);
	assert_non_null(copy);
	free(entries);
	entries = NULL;
	count = 0;
	error[0] = '\0';
	result = book_file_read(copy, "a.csv", &boat, NOW_NS, &entries, &count, error, sizeof(error));
	free(copy);
	return result;
}

static int forget(void **state)
{
	(void)state;
	free(entries);
	entries = NULL;
	return 0;
}

/* A book with an entry of each kind and every field told, as text in a format. */
static char *written(enum table_format format, struct book_entry *book)
{
	struct table *table;
	char *text = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&text, &size);

	assert_non_null(out);
	for (unsigned kind = 0; kind < BOOK_KIND_COUNT; kind++) {
		struct book_entry *entry = &book[kind];

		service_book_entry_init(entry, (enum book_kind)kind);
		entry->entry = kind + 1;
		entry->revision = kind % 3 + 1;
		entry->struck = kind % 2;
		entry->done_ns = NOW_NS - kind * INT64_C(86400000000000);
		entry->written_ns = NOW_NS;
		entry->engine_h = 1.0 / 3;
		entry->latitude_deg = -33.123456789;
		strcpy(entry->reason, "because, \"really\"");
		for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
			enum book_field field = (enum book_field)(1U << bit);

			if ((service_book_kind(entry->kind)->takes & field) == 0) {
				continue;
			}
			if (!service_book_is_text(field)) {
				service_book_set_number(entry, field,
					field == BOOK_ENGINE ? 0 : bit + 1);
			} else {
				(void)service_book_set_text(entry, field,
					field == BOOK_FILTER ? "primary" : "Öl, \"x\" und y");
			}
		}
	}
	service_book_entry_init(&book[BOOK_SWITCH], BOOK_NOTE); /* the boat has no set */
	book[BOOK_SWITCH].entry = BOOK_SWITCH + 1;
	book[BOOK_SWITCH].done_ns = book[BOOK_SWITCH].written_ns = NOW_NS;
	(void)service_book_set_text(&book[BOOK_SWITCH], BOOK_REMARK, "-");
	assert_int_equal(table_open(&table, out, format, UNITS_METRIC), 0);
	book_fields_table(table, book, BOOK_KIND_COUNT);
	assert_int_equal(table_close(table), 0);
	assert_int_equal(fclose(out), 0);
	return text;
}

static void a_book_comes_back_from_both_formats(void **state)
{
	static struct book_entry book[BOOK_KIND_COUNT];

	(void)state;
	for (unsigned format = TABLE_JSON; format <= TABLE_CSV; format++) {
		char *text = written((enum table_format)format, book);
		int result = read_text(text);

		assert_string_equal(error, "");
		assert_int_equal(result, 0);
		assert_int_equal(count, BOOK_KIND_COUNT);
		for (size_t i = 0; i < count; i++) {
			const struct book_entry *a = &book[i];
			const struct book_entry *b = &entries[i];

			assert_int_equal(a->entry, b->entry);
			assert_int_equal(a->revision, b->revision);
			assert_int_equal(a->struck, b->struck);
			assert_int_equal(a->kind, b->kind);
			assert_int_equal(a->done_ns, b->done_ns);
			assert_int_equal(a->written_ns, b->written_ns);
			assert_int_equal(a->fields, b->fields);
			assert_string_equal(a->reason, b->reason);
			for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
				enum book_field field = (enum book_field)(1U << bit);

				if (service_book_is_text(field)) {
					assert_string_equal(service_book_text(a, field),
						service_book_text(b, field));
				} else if ((a->fields & field) != 0) {
					assert_true(service_book_number(a, field) ==
						service_book_number(b, field));
				}
			}
			if (i != BOOK_SWITCH) {
				assert_true(fabs(b->engine_h - 1.0 / 3) < 1e-9);
				assert_true(fabs(b->latitude_deg + 33.123456789) < 1e-7);
			}
			assert_true(isnan(b->longitude_deg));
		}
		free(text);
	}
}

static void a_short_file_in_any_order_of_columns_is_read(void **state)
{
	(void)state;
	assert_int_equal(read_text("litres,done_utc,kind,place\n120.5,2026-05-01,refuel,\"Bay, east\"\n"),
		0);
	assert_int_equal(count, 1);
	assert_int_equal(entries[0].entry, 0);
	assert_int_equal(entries[0].written_ns, NOW_NS);
	assert_true(entries[0].litres == 120.5);
	assert_string_equal(entries[0].place, "Bay, east");
	assert_int_equal(read_text("[{\"kind\": \"note\", \"done_utc\": \"2026-05-01\", "
		"\"remark\": \"x\", \"engine\": 0, \"item\": null}]"), 0);
	assert_int_equal(count, 1);
	assert_int_equal(entries[0].fields, BOOK_REMARK | BOOK_ENGINE);
}

/* Each wrong file, and what is said about it. */
static void what_is_wrong_is_named_with_its_line(void **state)
{
	static const struct {
		const char *text;
		const char *says;
	} cases[] = {
		{"", "a.csv: line 1: the file is empty"},
		{"kind,done_utc\nrefuel\n", "a.csv: line 2: has 1 fields, the header row has 2"},
		{"kind,done_utc\nparty,2026-05-01\n",
			"a.csv: line 2: there is no kind of entry 'party'"},
		{"done_utc\n2026-05-01\n", "a.csv: line 2: the kind of entry is missing"},
		{"kind,done_utc\nnote,yesterday\n",
			"a.csv: line 2: done_utc: 'yesterday' cannot be read"},
		{"kind,remark\n\nnote,x\n", "a.csv: line 3: done_utc is missing"},
		{"kind,done_utc\nnote,2026-05-01\n",
			"a.csv: line 2: remark: what is there to note?"},
		{"kind,done_utc,filter\ndrain,2026-05-01,port\n",
			"a.csv: line 2: filter: there is no filter of that name"},
		{"kind,done_utc,colour\nnote,2026-05-01,red\n",
			"a.csv: line 2: there is no column 'colour' in the book"},
		{"kind,done_utc,litres\nrefuel,2026-05-01,much\n",
			"a.csv: line 2: litres: 'much' cannot be read"},
		{"kind,done_utc,litres,entry\nrefuel,2026-05-01,5,-2\n",
			"a.csv: line 2: entry: '-2' cannot be read"},
		{"kind,done_utc,litres,struck\nrefuel,2026-05-01,5,true\n",
			"a.csv: line 2: a new entry (one without a number) has no revisions and is not "
			"struck"},
		{"kind,done_utc,litres,latitude_deg\nrefuel,2026-05-01,5,91\n",
			"a.csv: line 2: latitude_deg: '91' cannot be read"},
		{"kind,remark\nnote,\"x\n", "a.csv: line 3: a quote is left open, or text follows a "
			"closing one"},
		{"{\"book\": 5}", "a.csv: line 1: expected {\"book\": [rows]}"},
		{"{\"book\": [7]}", "a.csv: row 1: expected an object"},
		{"{\"book\": [{\"kind\": \"note\", \"done_utc\": \"2026-05-01\", \"remark\": []}]}",
			"a.csv: row 1: remark: expected a text, a number, true, false or null"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		assert_int_equal(read_text(cases[i].text), -EINVAL);
		assert_string_equal(error, cases[i].says);
		assert_null(entries);
	}
	assert_int_equal(read_text("{\"book\": [\n{]}"), -EINVAL);
	assert_memory_equal(error, "a.csv: line 2: this is no JSON: ", 32);
}

static void every_cut_of_a_file_is_read_without_harm(void **state)
{
	static struct book_entry book[BOOK_KIND_COUNT];

	(void)state;
	for (unsigned format = TABLE_JSON; format <= TABLE_CSV; format++) {
		char *text = written((enum table_format)format, book);

		for (size_t length = strlen(text); length > 0; length--) {
			text[length - 1] = '\0';
			(void)read_text(text);
		}
		free(text);
	}
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup_teardown(name, NULL, forget)
	const struct CMUnitTest tests[] = {
		CASE(a_book_comes_back_from_both_formats),
		CASE(a_short_file_in_any_order_of_columns_is_read),
		CASE(what_is_wrong_is_named_with_its_line),
		CASE(every_cut_of_a_file_is_read_without_harm),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
