#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/service_book.h"

static struct boat boat_with_set(void)
{
	struct boat boat;

	boat_init(&boat);
	boat.filters[2] = boat.filters[0];
	strcpy(boat.filters[0].name, "left");
	strcpy(boat.filters[2].name, "right");
	strcpy(boat.filters[0].set, "duplex");
	strcpy(boat.filters[2].set, "duplex");
	boat.filter_count = 3;
	return boat;
}

static void kinds_and_fields_have_names_of_their_own(void **state)
{
	(void)state;
	for (unsigned i = 0; i < BOOK_KIND_COUNT; i++) {
		const struct book_kind_row *row = service_book_kind((enum book_kind)i);
		enum book_kind found = BOOK_KIND_COUNT;

		assert_non_null(row->title);
		assert_true(service_book_find_kind(row->name, &found));
		assert_int_equal(found, i);
		assert_int_equal(row->must_have & ~row->takes, 0);
	}
	for (unsigned i = 0; i < BOOK_FIELD_COUNT; i++) {
		for (unsigned k = 0; k < i; k++) {
			assert_string_not_equal(service_book_field_name(i), service_book_field_name(k));
		}
	}
	assert_false(service_book_find_kind("", &(enum book_kind){0}));
}

static void fields_are_read_as_they_were_set(void **state)
{
	(void)state;
	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		struct book_entry entry;
		enum book_field field = (enum book_field)(1U << bit);

		service_book_entry_init(&entry, BOOK_NOTE);
		if (service_book_is_text(field)) {
			char too_long[BOOK_TEXT_MAX + 1];

			memset(too_long, 'x', sizeof(too_long) - 1);
			too_long[sizeof(too_long) - 1] = '\0';
			assert_string_equal(service_book_text(&entry, field), "");
			assert_false(service_book_set_text(&entry, field, too_long));
			assert_int_equal(entry.fields, 0);
			assert_true(service_book_set_text(&entry, field, "Möwe"));
			assert_string_equal(service_book_text(&entry, field), "Möwe");
		} else {
			assert_true(isnan(service_book_number(&entry, field)));
			service_book_set_number(&entry, field, 3);
			assert_true(service_book_number(&entry, field) == 3);
		}
		assert_int_equal(entry.fields, field);
	}
}

static void an_entry_must_tell_what_its_kind_needs_and_nothing_else(void **state)
{
	struct boat boat = boat_with_set();

	(void)state;
	for (unsigned k = 0; k < BOOK_KIND_COUNT; k++) {
		const struct book_kind_row *row = service_book_kind((enum book_kind)k);
		struct book_entry entry;

		service_book_entry_init(&entry, (enum book_kind)k);
		for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
			enum book_field field = (enum book_field)(1U << bit);

			if ((row->takes & field) == 0) {
				continue;
			}
			if (service_book_is_text(field)) {
				(void)service_book_set_text(&entry, field,
					field == BOOK_FILTER ? "left" : "x");
			} else {
				service_book_set_number(&entry, field,
					field == BOOK_ENGINE || field == BOOK_TANK ? 0 : 1);
			}
		}
		assert_null(service_book_check(&entry, &boat, NULL));
		for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
			struct book_entry other = entry;
			unsigned field = 1U << bit;
			unsigned about = 0;

			other.fields ^= field;
			if ((row->must_have & field) != 0 || (row->takes & field) == 0) {
				assert_non_null(service_book_check(&other, &boat, &about));
				assert_int_equal(about, field);
			} else if (entry.kind != BOOK_LANDED) {
				assert_null(service_book_check(&other, &boat, NULL));
			}
		}
	}
}

static void what_the_boat_does_not_have_is_refused(void **state)
{
	struct boat boat = boat_with_set();
	struct book_entry entry;
	unsigned about = 0;

	(void)state;
	service_book_entry_init(&entry, BOOK_CHANGE);
	(void)service_book_set_text(&entry, BOOK_FILTER, "middle");
	assert_string_equal(service_book_check(&entry, &boat, &about),
		"there is no filter of that name");
	assert_int_equal(about, BOOK_FILTER);
	(void)service_book_set_text(&entry, BOOK_FILTER, "duplex");
	assert_non_null(service_book_check(&entry, &boat, NULL));
	entry.kind = BOOK_SWITCH;
	assert_null(service_book_check(&entry, &boat, NULL));
	(void)service_book_set_text(&entry, BOOK_FILTER, "right");
	assert_null(service_book_check(&entry, &boat, NULL));
	(void)service_book_set_text(&entry, BOOK_FILTER, "secondary");
	assert_non_null(service_book_check(&entry, &boat, NULL));
	service_book_entry_init(&entry, BOOK_BURN_RESET);
	service_book_set_number(&entry, BOOK_ENGINE, 1);
	assert_string_equal(service_book_check(&entry, &boat, &about), "there is no such engine");
	service_book_set_number(&entry, BOOK_ENGINE, -1);
	assert_non_null(service_book_check(&entry, &boat, NULL));
	service_book_set_number(&entry, BOOK_ENGINE, 0.5);
	assert_non_null(service_book_check(&entry, &boat, NULL));
}

static void figures_out_of_range_are_refused(void **state)
{
	struct boat boat = boat_with_set();
	struct book_entry entry;
	const double wrong[] = {-1, NAN, INFINITY, 1e12};

	(void)state;
	for (size_t i = 0; i < sizeof(wrong) / sizeof(wrong[0]); i++) {
		service_book_entry_init(&entry, BOOK_REFUEL);
		service_book_set_number(&entry, BOOK_LITRES, wrong[i]);
		assert_non_null(service_book_check(&entry, &boat, NULL));
	}
	service_book_entry_init(&entry, BOOK_NOTE);
	(void)service_book_set_text(&entry, BOOK_REMARK, "two\nlines");
	assert_non_null(service_book_check(&entry, &boat, NULL));
	(void)service_book_set_text(&entry, BOOK_REMARK, "");
	assert_non_null(service_book_check(&entry, &boat, NULL));
	service_book_entry_init(&entry, BOOK_STOCK);
	(void)service_book_set_text(&entry, BOOK_ITEM, "seal kit");
	service_book_set_number(&entry, BOOK_PIECES, 0);
	assert_non_null(service_book_check(&entry, &boat, NULL));
	service_book_set_number(&entry, BOOK_PIECES, 1.5);
	assert_non_null(service_book_check(&entry, &boat, NULL));
	service_book_set_number(&entry, BOOK_PIECES, -2);
	assert_null(service_book_check(&entry, &boat, NULL));
	service_book_entry_init(&entry, BOOK_LANDED);
	(void)service_book_set_text(&entry, BOOK_PLACE, "harbour");
	assert_non_null(service_book_check(&entry, &boat, NULL));
}

static struct book_entry revision(int64_t number, int64_t revision_number, bool struck)
{
	struct book_entry entry;

	service_book_entry_init(&entry, BOOK_NOTE);
	entry.entry = number;
	entry.revision = revision_number;
	entry.struck = struck;
	return entry;
}

static void the_last_revision_holds_unless_it_is_struck(void **state)
{
	struct book_entry entries[] = {
		revision(3, 1, false),
		revision(1, 2, true),
		revision(2, 3, false),
		revision(2, 2, true),
		revision(1, 1, false),
		revision(2, 1, false),
	};
	struct book_entry copy[6];
	size_t count = 6;

	(void)state;
	qsort(entries, count, sizeof(entries[0]), service_book_compare_revisions);
	memcpy(copy, entries, sizeof(copy));
	count = service_book_in_force(entries, 6, false);
	assert_int_equal(count, 2);
	assert_int_equal(entries[0].entry, 2); /* struck, then taken back */
	assert_int_equal(entries[0].revision, 3);
	assert_int_equal(entries[1].entry, 3);
	count = service_book_in_force(copy, 6, true);
	assert_int_equal(count, 3);
	assert_true(copy[0].struck && copy[0].revision == 2);
	assert_int_equal(service_book_in_force(copy, 0, false), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(kinds_and_fields_have_names_of_their_own),
		cmocka_unit_test(fields_are_read_as_they_were_set),
		cmocka_unit_test(an_entry_must_tell_what_its_kind_needs_and_nothing_else),
		cmocka_unit_test(what_the_boat_does_not_have_is_refused),
		cmocka_unit_test(figures_out_of_range_are_refused),
		cmocka_unit_test(the_last_revision_holds_unless_it_is_struck),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
