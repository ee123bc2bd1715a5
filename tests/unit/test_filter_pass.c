#include "analysis/filter_pass.h"

#include <stdio.h>
#include <string.h>

#include "analysis/service_ledger.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

/* A secondary in series, and behind the valve three filters in parallel; another engine's set of the same
 * name. */
static void lay_out(struct boat *boat)
{
	static const char *const names[] = {"secondary", "a", "b", "c", "other"};

	boat_init(boat);
	boat->engines[1].present = true;
	boat->filter_count = 5;
	for (size_t i = 0; i < 5; i++) {
		boat->filters[i] = boat->filters[0];
		(void)snprintf(boat->filters[i].name, sizeof(boat->filters[i].name), "%s", names[i]);
		memset(boat->filters[i].set, 0, sizeof(boat->filters[i].set));
		(void)snprintf(boat->filters[i].set, sizeof(boat->filters[i].set), "%s",
			i == 0 ? "" : "valve");
		boat->filters[i].engine = i == 4 ? 1 : 0;
	}
}

static void the_first_of_a_set_passes_all_until_it_is_switched(void **state)
{
	struct boat boat;
	struct filter_pass pass[5];

	(void)state;
	lay_out(&boat);
	for (size_t i = 0; i < 5; i++) {
		filter_pass_init(&pass[i], &boat, i);
		filter_pass_take(&pass[i], 2, 20);
		filter_pass_switch(&pass[i], &boat, i, 2, false, 100);
		filter_pass_take(&pass[i], 4, 40);
		filter_pass_switch(&pass[i], &boat, i, 1, true, 200);
		filter_pass_take(&pass[i], 5, 55);
		filter_pass_switch(&pass[i], &boat, i, 3, false, 150); /* older: gone by already */
		filter_pass_take(&pass[i], 6, 60);
	}
	near(filter_pass_litres(&pass[0], 60), 60, 0);
	near(filter_pass_litres(&pass[1], 60), 20 + 20.0 / 3, 1e-9);
	near(filter_pass_litres(&pass[2], 60), 20 + 20.0 / 3, 1e-9);
	near(filter_pass_litres(&pass[3], 60), 20.0 / 3, 1e-9);
	near(filter_pass_litres(&pass[4], 60), 60, 0);
	near(filter_pass_hours(&pass[0], 6), 6, 0);
	near(filter_pass_hours(&pass[1], 6), 4, 1e-9);
	near(filter_pass_hours(&pass[2], 6), 4, 1e-9);
	near(filter_pass_hours(&pass[3], 6), 2, 1e-9);
	assert_true(filter_pass_is_plain(&pass[0]) && filter_pass_is_plain(&pass[4]));
	assert_false(filter_pass_is_plain(&pass[1]));
}

/* The book's own account divides runs by the same rule: any order of runs and switches gives the same. */
static void it_is_the_books_own_account(void **state)
{
	struct scenario_random random;
	struct boat boat;

	(void)state;
	lay_out(&boat);
	scenario_random_init(&random, 7, 1);
	for (int round = 0; round < 50; round++) {
		struct filter_pass pass[5];
		struct book_entry entries[16];
		struct element_fitting fittings[5 + 16];
		double engine_h = 0, supply_l = 0;
		size_t count = 0;
		memset(entries, 0, sizeof(entries));
		for (size_t i = 0; i < 5; i++) {
			filter_pass_init(&pass[i], &boat, i);
		}
		size_t fitted = service_ledger_fittings(&boat, entries, 0, INT64_MAX, fittings);
		for (int step = 0; step < 16; step++) {
			int64_t at_ns = step * INT64_C(1000000000000);
			size_t to = 1 + (size_t)(scenario_random_bits(&random) % 4);
			entries[count].kind = BOOK_SWITCH;
			entries[count].done_ns = at_ns;
			(void)snprintf(entries[count].filter, sizeof(entries[count].filter), "%s",
				to == 4 ? "valve" : boat.filters[to].name);
			count++;
			struct supply_portion portion = {.engine = 0, .dated = true, .start_ns = at_ns + 1,
				.end_ns = at_ns + 900000000000, .engine_h = 0.25,
				.supply_l = (double)(scenario_random_bits(&random) % 1000) / 100};
			for (size_t i = 0; i < 5; i++) {
				filter_pass_switch(&pass[i], &boat, i, to == 4 ? 2 : to, to == 4, at_ns);
			}
			engine_h += portion.engine_h;
			supply_l += portion.supply_l;
			for (size_t i = 0; i < 4; i++) {
				filter_pass_take(&pass[i], engine_h, supply_l);
			}
			service_ledger_pass(&boat, entries, count, &portion, fittings, fitted, NULL);
		}
		for (size_t i = 0; i < 4; i++) {
			near(filter_pass_litres(&pass[i], supply_l), fittings[i].litres, 1e-9);
			near(filter_pass_hours(&pass[i], engine_h), fittings[i].engine_h, 1e-9);
		}
	}
}

static void a_saved_state_is_the_same(void **state)
{
	struct boat boat;
	struct filter_pass pass, loaded;
	uint8_t bytes[64];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	lay_out(&boat);
	filter_pass_init(&pass, &boat, 2);
	filter_pass_take(&pass, 2, 20);
	filter_pass_switch(&pass, &boat, 2, 2, true, 12345);
	filter_pass_take(&pass, 3, 31);
	state_writer_init(&w, bytes, sizeof(bytes));
	filter_pass_save(&pass, &w);
	assert_false(w.failed);
	memset(&loaded, 0x42, sizeof(loaded));
	state_reader_init(&r, bytes, w.used);
	filter_pass_load(&loaded, &r);
	assert_int_equal(r.used, w.used);
	assert_memory_equal(&pass, &loaded, sizeof(pass));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_first_of_a_set_passes_all_until_it_is_switched),
		cmocka_unit_test(it_is_the_books_own_account),
		cmocka_unit_test(a_saved_state_is_the_same),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
