#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/service_ledger.h"

#define DAY_NS (1440 * MINUTE_NS)
#define MINUTE_NS INT64_C(60000000000)
#define ENTRIES   64
#define FITTINGS  LEDGER_FITTINGS(BOAT_FILTERS_MAX, ENTRIES)

/* A small generator of its own, so that a failure can be repeated. */
static uint64_t seed;

static unsigned draw(unsigned below)
{
	seed = seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
	return (unsigned)((seed >> 33) % below);
}

static void add_filter(struct boat *boat, const char *name, unsigned engine, const char *set)
{
	struct boat fresh;
	struct boat_filter *filter = &boat->filters[boat->filter_count++];

	boat_init(&fresh);
	*filter = fresh.filters[0];
	strcpy(filter->name, name);
	strcpy(filter->set, set);
	filter->engine = engine;
}

/* Two engines: a change-over set of two and a secondary; a set of three and a single filter. */
static struct boat two_engines(void)
{
	struct boat boat;

	boat_init(&boat);
	boat.engines[1].present = true;
	boat.filter_count = 0;
	add_filter(&boat, "port-a", 0, "port");
	add_filter(&boat, "port-b", 0, "port");
	add_filter(&boat, "port-fine", 0, "");
	add_filter(&boat, "star-a", 1, "star");
	add_filter(&boat, "star-fine", 1, "");
	add_filter(&boat, "star-b", 1, "star");
	add_filter(&boat, "star-c", 1, "star");
	return boat;
}

static struct book_entry entry_of(int64_t number, enum book_kind kind, const char *filter,
	int64_t minute)
{
	struct book_entry entry;

	service_book_entry_init(&entry, kind);
	entry.entry = number;
	entry.done_ns = minute * MINUTE_NS;
	(void)service_book_set_text(&entry, BOOK_FILTER, filter);
	return entry;
}

static struct supply_portion run_of(unsigned engine, int64_t start, int64_t end, double lph)
{
	double hours = (double)(end - start) / 60;
	struct supply_portion portion = {
		.engine = engine,
		.dated = true,
		.start_ns = start * MINUTE_NS,
		.end_ns = end * MINUTE_NS,
		.engine_h = hours,
		.supply_l = lph * hours,
	};

	return portion;
}

static const char *const switch_targets[2][4] = {
	{"port-a", "port-b", "port", "port-b"},
	{"star-a", "star-b", "star-c", "star"},
};

static size_t draw_entries(const struct boat *boat, struct book_entry *entries, size_t count,
	unsigned minutes)
{
	for (size_t i = 0; i < count; i++) {
		if (draw(2)) {
			entries[i] = entry_of((int64_t)i + 1, BOOK_CHANGE,
				boat->filters[draw((unsigned)boat->filter_count)].name,
				draw(minutes));
		} else {
			entries[i] = entry_of((int64_t)i + 1, BOOK_SWITCH,
				switch_targets[draw(2)][draw(4)], draw(minutes));
		}
	}
	qsort(entries, count, sizeof(entries[0]), service_book_compare_done);
	return count;
}

/* Litres that passed a place in the line: a filter on its own, or all of a set. */
static double through_place(const struct boat *boat, const struct element_fitting *fittings,
	size_t count, size_t filter)
{
	const struct boat_filter *place = &boat->filters[filter];
	double litres = 0;

	for (size_t i = 0; i < count; i++) {
		const struct boat_filter *other = &boat->filters[fittings[i].filter];

		if (fittings[i].filter == filter ||
			(place->set[0] != '\0' && strcmp(place->set, other->set) == 0 &&
				place->engine == other->engine)) {
			litres += fittings[i].litres;
		}
	}
	return litres;
}

static void all_elements_of_a_line_pass_what_the_supply_was(void **state)
{
	struct boat boat = two_engines();

	(void)state;
	for (seed = 1; seed < 400; seed++) {
		uint64_t this_seed = seed;
		struct book_entry entries[ENTRIES];
		struct element_fitting fittings[FITTINGS];
		double supply[2] = {0, 0};
		size_t entry_count = draw_entries(&boat, entries, draw(ENTRIES), 10000);
		size_t count = service_ledger_fittings(&boat, entries, entry_count, INT64_MAX, fittings);

		for (unsigned engine = 0; engine < 2; engine++) {
			int64_t at = 0;

			while (at < 10000) {
				int64_t start = at + draw(300);
				int64_t end = start + draw(600);
				struct supply_portion run = run_of(engine, start, end, 1 + draw(50));

				service_ledger_pass(&boat, entries, entry_count, &run, fittings,
					count, NULL);
				supply[engine] += run.supply_l;
				at = end;
			}
		}
		for (size_t f = 0; f < boat.filter_count; f++) {
			double expected = supply[boat.filters[f].engine];

			assert_true(fabs(through_place(&boat, fittings, count, f) - expected) <=
				1e-9 * expected);
		}
		seed = this_seed;
	}
}

/* The same, minute by minute and by a table of what is fitted and in use, for changes of filters that
 * are out of use or of a stopped engine: each element's own litres and hours, not only the sums. */
static void each_element_passes_what_flowed_while_it_was_fitted_and_in_use(void **state)
{
	struct boat boat = two_engines();
	enum { MINUTES = 3000, STARBOARD = 3 };

	(void)state;
	for (seed = 1000; seed < 1150; seed++) {
		uint64_t this_seed = seed;
		struct book_entry entries[ENTRIES];
		struct element_fitting fittings[FITTINGS];
		static bool runs[MINUTES];
		double rate = 3 + draw(20);
		size_t entry_count = 0;
		size_t count;
		size_t in_use = 3; /* star-a is the first of its set */
		int64_t fitted_entry[BOAT_FILTERS_MAX] = {0};
		double litres[ENTRIES + BOAT_FILTERS_MAX] = {0};
		double hours[ENTRIES + BOAT_FILTERS_MAX] = {0};

		for (int minute = 0; minute < MINUTES; minute++) {
			runs[minute] = minute % 500 >= 100; /* off for 100 minutes, on for 400 */
		}
		for (int minute = 0; minute < MINUTES; minute++) {
			size_t f = STARBOARD + draw(4);

			if (entry_count < 40 && draw(60) == 0) {
				bool is_set = boat.filters[f].set[0] != '\0';

				if (draw(2) == 0 && is_set) {
					entries[entry_count] = entry_of((int64_t)entry_count + 1,
						BOOK_SWITCH, boat.filters[f].name, minute);
					entry_count++;
					in_use = f;
				} else if (!runs[minute] || (is_set && f != in_use)) {
					entries[entry_count] = entry_of((int64_t)entry_count + 1,
						BOOK_CHANGE, boat.filters[f].name, minute);
					entry_count++;
					fitted_entry[f] = (int64_t)entry_count;
				}
			}
			for (f = STARBOARD; f < boat.filter_count; f++) {
				bool is_set = boat.filters[f].set[0] != '\0';
				size_t key = fitted_entry[f] ? (size_t)fitted_entry[f] - 1
							     : ENTRIES + f;

				if (runs[minute] && (!is_set || f == in_use)) {
					litres[key] += rate / 60;
					hours[key] += 1.0 / 60;
				}
			}
		}
		count = service_ledger_fittings(&boat, entries, entry_count, INT64_MAX, fittings);
		for (int start = 100; start < MINUTES; start += 500) {
			struct supply_portion run = run_of(1, start, start + 400, rate);

			service_ledger_pass(&boat, entries, entry_count, &run, fittings, count, NULL);
		}
		for (size_t i = 0; i < count; i++) {
			size_t key = fittings[i].fitted_entry ? (size_t)fittings[i].fitted_entry - 1
							      : ENTRIES + fittings[i].filter;

			if (boat.filters[fittings[i].filter].engine == 1) {
				assert_true(fabs(fittings[i].litres - litres[key]) < 1e-6);
				assert_true(fabs(fittings[i].engine_h - hours[key]) < 1e-6);
			} else {
				assert_true(fittings[i].litres == 0);
			}
		}
		seed = this_seed;
	}
}

static void a_change_neither_loses_nor_doubles_a_litre(void **state)
{
	struct boat boat = two_engines();
	struct supply_portion run = run_of(0, 100, 200, 6);

	(void)state;
	for (int64_t minute = 50; minute <= 250; minute++) {
		struct book_entry change = entry_of(1, BOOK_CHANGE, "port-fine", minute);
		struct element_fitting fittings[FITTINGS];
		size_t count = service_ledger_fittings(&boat, &change, 1, INT64_MAX, fittings);
		double first = NAN, second = NAN;

		service_ledger_pass(&boat, &change, 1, &run, fittings, count, NULL);
		for (size_t i = 0; i < count; i++) {
			if (fittings[i].filter == 2) {
				if (fittings[i].fitted_entry == 1) {
					second = fittings[i].litres;
				} else {
					first = fittings[i].litres;
				}
			}
		}
		/* 10 L in all; the run's middle is at minute 150. */
		assert_true(first == (minute > 150 ? 10 : 0));
		assert_true(second == (minute > 150 ? 0 : 10));
	}
}

static void a_set_in_use_as_a_whole_shares_the_flow(void **state)
{
	struct boat boat = two_engines();
	struct book_entry entry = entry_of(1, BOOK_SWITCH, "star", 300);

	(void)state;
	assert_true(service_ledger_share(&boat, &entry, 1, 3, 299 * MINUTE_NS) == 1);
	assert_true(service_ledger_share(&boat, &entry, 1, 5, 299 * MINUTE_NS) == 0);
	assert_true(service_ledger_share(&boat, &entry, 1, 5, 300 * MINUTE_NS) == 1.0 / 3);
	assert_true(service_ledger_share(&boat, &entry, 1, 4, 300 * MINUTE_NS) == 1);
	assert_true(service_ledger_share(&boat, &entry, 1, 0, 300 * MINUTE_NS) == 1);
}

static void run_ledger(const struct boat *boat, const struct book_entry *revisions, size_t count,
	struct element_fitting *fittings, size_t *ret_fittings, struct spare_stock *stocks,
	size_t *ret_stocks, struct waste_account *ret_waste)
{
	static struct book_entry entries[4 * ENTRIES];

	memset(fittings, 0, FITTINGS * sizeof(*fittings));
	memset(stocks, 0, 8 * ENTRIES * sizeof(*stocks));
	memset(ret_waste, 0, sizeof(*ret_waste));
	memcpy(entries, revisions, count * sizeof(entries[0]));
	qsort(entries, count, sizeof(entries[0]), service_book_compare_revisions);
	count = service_book_in_force(entries, count, false);
	qsort(entries, count, sizeof(entries[0]), service_book_compare_done);
	*ret_fittings = service_ledger_fittings(boat, entries, count, INT64_MAX, fittings);
	for (int64_t start = 0; start < 10000; start += 500) {
		struct supply_portion run = run_of((unsigned)(start / 500) % 2, start, start + 350, 7);

		service_ledger_pass(boat, entries, count, &run, fittings, *ret_fittings, NULL);
	}
	*ret_stocks = service_ledger_spares(entries, count, stocks);
	service_ledger_waste(entries, count, ret_waste);
}

static void assert_same_fittings(const struct element_fitting *a, const struct element_fitting *b,
	size_t count)
{
	for (size_t i = 0; i < count; i++) {
		assert_int_equal(a[i].filter, b[i].filter);
		assert_string_equal(a[i].element, b[i].element);
		assert_int_equal(a[i].has_fitted, b[i].has_fitted);
		assert_int_equal(a[i].fitted_ns, b[i].fitted_ns);
		assert_int_equal(a[i].has_removed, b[i].has_removed);
		assert_int_equal(a[i].removed_ns, b[i].removed_ns);
		assert_memory_equal(&a[i].litres, &b[i].litres, sizeof(a[i].litres));
		assert_memory_equal(&a[i].engine_h, &b[i].engine_h, sizeof(a[i].engine_h));
	}
}

/* Whatever is struck and taken back, or corrected and put right again, the accounts are what they
 * were, bit for bit; and while it is struck they are as if it had never been written. */
static void striking_and_correcting_can_be_taken_back(void **state)
{
	struct boat boat = two_engines();
	static struct book_entry book[4 * ENTRIES];
	static struct element_fitting before[FITTINGS], after[FITTINGS], without[FITTINGS];
	static struct spare_stock spares_before[8 * ENTRIES], spares_after[8 * ENTRIES];
	struct waste_account waste_before, waste_after;
	size_t a, b, c, d;

	(void)state;
	for (seed = 5000; seed < 5200; seed++) {
		uint64_t this_seed = seed;
		size_t count = draw_entries(&boat, book, 3 + draw(ENTRIES - 3), 10000);
		size_t all = count;
		size_t victim = draw((unsigned)count);
		static struct book_entry others[ENTRIES];
		size_t other_count = 0;

		for (size_t i = 0; i < count; i++) {
			if (draw(3) == 0) {
				(void)service_book_set_text(&book[i], BOOK_SEALS, "seals");
			}
			if (i != victim) {
				others[other_count++] = book[i];
			}
		}
		run_ledger(&boat, book, count, before, &a, spares_before, &c, &waste_before);

		/* Struck: as if never written. */
		book[all] = book[victim];
		book[all].revision = 2;
		book[all].struck = true;
		all++;
		run_ledger(&boat, others, other_count, without, &b, spares_after, &d, &waste_after);
		run_ledger(&boat, book, all, after, &a, spares_after, &d, &waste_after);
		assert_int_equal(a, b);
		assert_same_fittings(after, without, a);

		/* Corrected to another time, then back. */
		book[all] = book[victim];
		book[all].revision = 3;
		book[all].done_ns += 1234 * MINUTE_NS;
		all++;
		run_ledger(&boat, book, all, after, &b, spares_after, &d, &waste_after);
		book[all] = book[victim];
		book[all].revision = 4;
		all++;
		run_ledger(&boat, book, all, after, &a, spares_after, &d, &waste_after);
		run_ledger(&boat, book, count, before, &b, spares_before, &c, &waste_before);
		assert_int_equal(a, b);
		assert_same_fittings(after, before, a);
		assert_int_equal(c, d);
		assert_memory_equal(spares_after, spares_before, c * sizeof(spares_after[0]));
		assert_memory_equal(&waste_after, &waste_before, sizeof(waste_after));
		seed = this_seed;
	}
}

static void the_elements_follow_the_configuration_and_the_book(void **state)
{
	struct boat boat;
	struct book_entry entries[2];
	struct element_fitting fittings[8];

	(void)state;
	boat_init(&boat);
	strcpy(boat.filters[0].element, "spin-on");
	boat.filters[0].micron = 10;
	boat.filters[0].has_fitted = true;
	boat.filters[0].fitted_ns = 1 * DAY_NS;
	entries[0] = entry_of(1, BOOK_CHANGE, "primary", 20 * 1440);
	entries[1] = entry_of(2, BOOK_CHANGE, "primary", 30 * 1440);
	(void)service_book_set_text(&entries[1], BOOK_ITEM, "fine spin-on");
	service_book_set_number(&entries[1], BOOK_MICRON, 2);
	assert_int_equal(service_ledger_fittings(&boat, entries, 2, INT64_MAX, fittings), 4);
	assert_true(fittings[0].has_fitted && fittings[0].fitted_ns == 1 * DAY_NS);
	assert_true(fittings[0].has_removed && fittings[0].removed_ns == 20 * DAY_NS);
	assert_int_equal(fittings[0].removed_entry, 1);
	assert_string_equal(fittings[1].element, "spin-on"); /* not told: the usual one */
	assert_true(fittings[1].micron == 10);
	assert_string_equal(fittings[2].element, "fine spin-on");
	assert_true(fittings[2].micron == 2 && !fittings[2].has_removed);
	assert_int_equal(fittings[3].filter, 1);
	assert_false(fittings[3].has_fitted || fittings[3].has_removed);
	/* The log began before that date: another element was in it, and the date is a change. */
	assert_int_equal(service_ledger_fittings(&boat, entries, 2, 0, fittings), 5);
	assert_false(fittings[0].has_fitted);
	assert_true(fittings[0].has_removed && fittings[0].removed_ns == 1 * DAY_NS);
	assert_true(fittings[1].has_fitted && fittings[1].fitted_ns == 1 * DAY_NS);
	assert_true(fittings[1].has_removed && fittings[1].removed_ns == 20 * DAY_NS);
	/* So it is between two of the book, and behind all, … */
	boat.filters[0].fitted_ns = 25 * DAY_NS;
	assert_int_equal(service_ledger_fittings(&boat, entries, 2, INT64_MAX, fittings), 5);
	assert_false(fittings[0].has_fitted);
	assert_true(fittings[1].removed_ns == 25 * DAY_NS && fittings[2].fitted_ns == 25 * DAY_NS);
	assert_string_equal(fittings[2].element, "spin-on");
	assert_true(fittings[2].has_removed && fittings[2].removed_ns == 30 * DAY_NS);
	boat.filters[0].fitted_ns = 40 * DAY_NS;
	assert_int_equal(service_ledger_fittings(&boat, entries, 2, INT64_MAX, fittings), 5);
	assert_true(fittings[2].has_removed && fittings[2].removed_ns == 40 * DAY_NS);
	assert_true(fittings[3].fitted_ns == 40 * DAY_NS && !fittings[3].has_removed);
	/* … unless it is the book's own, within a day: then the book has its time. */
	for (int hours = -23; hours <= 23; hours += 23) {
		boat.filters[0].fitted_ns = 30 * DAY_NS + hours * 60 * MINUTE_NS;
		assert_int_equal(
			service_ledger_fittings(&boat, entries, 2, INT64_MAX, fittings), 4);
		assert_true(fittings[2].fitted_ns == 30 * DAY_NS && fittings[2].fitted_entry == 2);
	}
	/* An element of before the log that passed nothing is left out. */
	assert_int_equal(service_ledger_settle(fittings, 4), 3);
	assert_int_equal(fittings[0].fitted_entry, 1);
}

static void what_is_not_known_is_kept_apart(void **state)
{
	struct boat boat;
	struct book_entry change = entry_of(1, BOOK_CHANGE, "primary", 200);
	struct element_fitting fittings[4];
	double unplaced[2] = {0, 0};
	struct supply_portion run = run_of(0, 300, 360, 5);
	size_t count;

	(void)state;
	boat_init(&boat);
	count = service_ledger_fittings(&boat, &change, 1, INT64_MAX, fittings);
	run.supply_l = NAN;
	service_ledger_pass(&boat, &change, 1, &run, fittings, count, unplaced);
	assert_true(fittings[1].engine_h == 1 && fittings[1].unknown_h == 1);
	assert_true(fittings[1].litres == 0);
	run = run_of(0, 300, 360, 5);
	run.dated = false;
	service_ledger_pass(&boat, &change, 1, &run, fittings, count, unplaced);
	assert_true(unplaced[0] == 5 && unplaced[1] == 0);
	assert_true(fittings[2].litres == 5); /* the secondary's only element */
}

/* Worked by hand: 4 brought, 1 given away, 2 used by changes (one told as 2 pieces of another sort). */
static void spares_are_used_up_by_the_book(void **state)
{
	struct book_entry entries[7];
	struct spare_stock stocks[14];
	size_t count;

	(void)state;
	entries[0] = entry_of(1, BOOK_CHANGE, "primary", 5); /* before the first were bought */
	(void)service_book_set_text(&entries[0], BOOK_ITEM, "spin-on");
	for (int i = 1; i < 3; i++) {
		entries[i] = entry_of(i + 1, BOOK_STOCK, "", 10 * i);
		entries[i].fields = 0;
		(void)service_book_set_text(&entries[i], BOOK_ITEM, "spin-on");
		service_book_set_number(&entries[i], BOOK_PIECES, i == 1 ? 4 : -1);
		service_book_set_number(&entries[i], BOOK_MICRON, 10);
	}
	entries[3] = entry_of(4, BOOK_CHANGE, "primary", 40);
	(void)service_book_set_text(&entries[3], BOOK_ITEM, "spin-on");
	service_book_set_number(&entries[3], BOOK_MICRON, 10);
	(void)service_book_set_text(&entries[3], BOOK_SEALS, "seal kit");
	entries[4] = entry_of(5, BOOK_CHANGE, "primary", 50);
	(void)service_book_set_text(&entries[4], BOOK_ITEM, "spin-on");
	service_book_set_number(&entries[4], BOOK_MICRON, 2); /* another sort, never bought */
	entries[5] = entry_of(6, BOOK_CHANGE, "primary", 60);
	(void)service_book_set_text(&entries[5], BOOK_ITEM, "cartridge");
	service_book_set_number(&entries[5], BOOK_PIECES, 2);
	entries[6] = entry_of(7, BOOK_CHANGE, "primary", 70);
	(void)service_book_set_text(&entries[6], BOOK_ITEM, "spin-on");
	service_book_set_number(&entries[6], BOOK_PIECES, 0); /* came from elsewhere */
	count = service_ledger_spares(entries, 7, stocks);
	assert_int_equal(count, 3);
	assert_string_equal(stocks[0].item, "spin-on");
	assert_true(stocks[0].aboard == 1 && stocks[0].used == 3 && stocks[0].micron == 10);
	assert_true(stocks[0].last_ns == 40 * MINUTE_NS);
	assert_string_equal(stocks[1].item, "seal kit");
	assert_true(stocks[1].aboard == -1);
	assert_string_equal(stocks[2].item, "cartridge");
	assert_true(stocks[2].aboard == -2 && stocks[2].used == 2);
}

/* Worked by hand: a change (1 element, 0.6 L), a drain (0.3 L of water), a drain that caught 0.5 L, a
 * first fitting without an old element; 1 L and 1 element landed. */
static void waste_is_what_was_taken_out_less_what_was_landed(void **state)
{
	struct book_entry entries[5];
	struct waste_account account;

	(void)state;
	entries[0] = entry_of(1, BOOK_CHANGE, "primary", 10);
	service_book_set_number(&entries[0], BOOK_WASTE_FUEL, 0.6);
	entries[1] = entry_of(2, BOOK_DRAIN, "primary", 20);
	service_book_set_number(&entries[1], BOOK_WATER, 0.3);
	entries[2] = entry_of(3, BOOK_DRAIN, "primary", 30);
	service_book_set_number(&entries[2], BOOK_WATER, 0.1);
	service_book_set_number(&entries[2], BOOK_WASTE_FUEL, 0.5);
	entries[3] = entry_of(4, BOOK_CHANGE, "secondary", 40);
	service_book_set_number(&entries[3], BOOK_WASTE_ELEMENTS, 0);
	entries[4] = entry_of(5, BOOK_LANDED, "", 50);
	entries[4].fields = 0;
	service_book_set_number(&entries[4], BOOK_WASTE_FUEL, 1);
	service_book_set_number(&entries[4], BOOK_WASTE_ELEMENTS, 1);
	service_ledger_waste(entries, 5, &account);
	assert_true(fabs(account.fuel_l - 1.4) < 1e-12 && account.elements == 1);
	assert_true(account.fuel_landed_l == 1 && account.elements_landed == 1);
	assert_true(account.last_landed_ns == 50 * MINUTE_NS);
	service_ledger_waste(entries, 4, &account);
	assert_true(account.last_landed_ns == INT64_MIN);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(all_elements_of_a_line_pass_what_the_supply_was),
		cmocka_unit_test(each_element_passes_what_flowed_while_it_was_fitted_and_in_use),
		cmocka_unit_test(a_change_neither_loses_nor_doubles_a_litre),
		cmocka_unit_test(a_set_in_use_as_a_whole_shares_the_flow),
		cmocka_unit_test(striking_and_correcting_can_be_taken_back),
		cmocka_unit_test(the_elements_follow_the_configuration_and_the_book),
		cmocka_unit_test(what_is_not_known_is_kept_apart),
		cmocka_unit_test(spares_are_used_up_by_the_book),
		cmocka_unit_test(waste_is_what_was_taken_out_less_what_was_landed),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
