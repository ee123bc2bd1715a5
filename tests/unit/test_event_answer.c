#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/event_answer.h"

static struct boat boat_of_two(void)
{
	struct boat boat;

	boat_init(&boat);
	boat.engines[1].present = true;
	boat.filters[1].engine = 1;
	return boat;
}

static struct book_entry entry_of(enum book_kind kind, int64_t done_ns, const char *filter)
{
	struct book_entry entry;

	service_book_entry_init(&entry, kind);
	entry.entry = 1;
	entry.done_ns = done_ns;
	if (filter) {
		(void)service_book_set_text(&entry, BOOK_FILTER, filter);
	}
	return entry;
}

static void a_drain_of_its_filter_answers_water(void **state)
{
	struct boat boat = boat_of_two();
	struct book_entry drain = entry_of(BOOK_DRAIN, 100, "primary");

	(void)state;
	assert_ptr_equal(event_answer(&boat, &drain, 1, "water-in-fuel", "primary", 90), &drain);
	assert_null(event_answer(&boat, &drain, 1, "water-in-fuel", "secondary", 90));
	assert_ptr_equal(event_answer(&boat, &drain, 1, "water-in-fuel", "engine 0", 90), &drain);
	assert_null(event_answer(&boat, &drain, 1, "water-in-fuel", "engine 1", 90));
}

static void work_before_the_event_does_not_answer_it(void **state)
{
	struct boat boat = boat_of_two();
	struct book_entry drains[2] = {
		entry_of(BOOK_DRAIN, 100, "primary"),
		entry_of(BOOK_DRAIN, 200, "primary"),
	};

	(void)state;
	assert_ptr_equal(event_answer(&boat, drains, 2, "water-in-fuel", "primary", 101), &drains[1]);
	assert_ptr_equal(event_answer(&boat, drains, 2, "water-in-fuel", "primary", 100), &drains[0]);
	assert_null(event_answer(&boat, drains, 2, "water-in-fuel", "primary", 201));
}

static void only_a_remedy_answers(void **state)
{
	struct boat boat = boat_of_two();
	struct book_entry note = entry_of(BOOK_NOTE, 100, "primary");
	struct book_entry change = entry_of(BOOK_CHANGE, 100, "primary");
	struct book_entry reset = entry_of(BOOK_BURN_RESET, 100, NULL);

	(void)state;
	service_book_set_number(&reset, BOOK_ENGINE, 1);
	assert_null(event_answer(&boat, &note, 1, "restriction-high", "primary", 0));
	assert_non_null(event_answer(&boat, &change, 1, "restriction-high", "primary", 0));
	assert_non_null(event_answer(&boat, &change, 1, "element-due", "primary", 0));
	assert_null(event_answer(&boat, &change, 1, "burn-high", "engine 0", 0));
	assert_non_null(event_answer(&boat, &reset, 1, "burn-high", "engine 1", 0));
	assert_null(event_answer(&boat, &reset, 1, "burn-high", "engine 0", 0));
	assert_null(event_answer(&boat, &change, 1, "clock-step", "primary", 0));
	assert_null(event_answer(&boat, &change, 1, "no such kind", "primary", 0));
}

static void subjects_are_read_exactly(void **state)
{
	struct boat boat = boat_of_two();
	struct book_entry work = entry_of(BOOK_ENGINE_WORK, 100, NULL);

	(void)state;
	service_book_set_number(&work, BOOK_ENGINE, 1);
	assert_non_null(event_answer(&boat, &work, 1, "engine-fault", "engine 1 SPN 94", 0));
	assert_null(event_answer(&boat, &work, 1, "engine-fault", "engine 12", 0));
	assert_null(event_answer(&boat, &work, 1, "engine-fault", "engine", 0));
	assert_null(event_answer(&boat, &work, 1, "engine-fault", "engine x", 0));
	assert_null(event_answer(&boat, &work, 1, "engine-fault", "bus can0", 0));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_drain_of_its_filter_answers_water),
		cmocka_unit_test(work_before_the_event_does_not_answer_it),
		cmocka_unit_test(only_a_remedy_answers),
		cmocka_unit_test(subjects_are_read_exactly),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
