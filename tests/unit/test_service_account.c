/* What the log says of the elements, as far as it can be read. */
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/log_store.h"
#include "daemon/service_account.h"

/* A table that cannot be read (sqlite3_set_authorizer(3)). */
static int deny_table(void *context, int action, const char *table, const char *column,
	const char *database, const char *trigger)
{
	(void)column;
	(void)database;
	(void)trigger;
	return action == SQLITE_READ && strcmp(table, context) == 0 ? SQLITE_DENY : SQLITE_OK;
}

static void a_log_that_cannot_be_read_is_told_and_not_counted_without(void **state)
{
	static char tables[][16] = {"book", "filter_states", "filters", "filter_course"};
	struct service_account account;
	struct boat boat = {.filter_count = 1, .filters = {{.name = "primary"}}};
	struct log_store *store;
	char error[512];

	(void)state;
	assert_int_equal(log_store_open(&store, LOG_IN_MEMORY, error, sizeof(error)), 0);
	assert_int_equal(service_account_load(&account, log_store_db(store), &boat), 0);
	service_account_finish(&account);
	for (size_t i = 0; i < sizeof(tables) / sizeof(tables[0]); i++) {
		assert_int_equal(sqlite3_set_authorizer(log_store_db(store), deny_table, tables[i]),
			SQLITE_OK);
		assert_int_equal(service_account_load(&account, log_store_db(store), &boat), -EIO);
	}
	log_store_close(store);
}

/* 8 kPa of 20 after 100 L, and 300 L to go: a quarter is used. */
static void judge(double configured_kpa, struct element_outlook *ret_outlook)
{
	struct service_account account;
	struct log_store *store;
	struct boat boat;
	char error[512];

	boat_init(&boat);
	boat.filters[0].limit_kpa = configured_kpa;
	assert_int_equal(log_store_open(&store, LOG_IN_MEMORY, error, sizeof(error)), 0);
	sqlite3 *db = log_store_db(store);
	assert_int_equal(sqlite3_exec(db,
		"INSERT INTO filters(filter, name) VALUES(0, 'primary');"
		"INSERT INTO filter_states(filter, litres, restriction_kpa, reference_kpa, limit_kpa, "
		"left_l_p10, left_l_p50, left_l_p90) VALUES(0, 100, 7, 8, 20, 200, 300, 400)",
		NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(service_account_load(&account, db, &boat), 0);
	service_account_outlook(&account, &boat, service_account_fitted(&account, 0), 0, ret_outlook);
	service_account_finish(&account);
	log_store_close(store);
}

static void what_is_left_belongs_to_the_limit_that_is_told(void **state)
{
	struct element_outlook outlook;

	(void)state;
	judge(20, &outlook);
	assert_true(outlook.limit_kpa == 20 && outlook.account.used_pct == 25);
	assert_string_equal(outlook.due_by, "restriction");
	/* This configuration sets none: the log's own. */
	judge(NAN, &outlook);
	assert_true(outlook.limit_kpa == 20 && outlook.account.used_pct == 25);
	assert_string_equal(outlook.due_by, "restriction");
	/* Another one: nothing was foretold to it. */
	judge(25, &outlook);
	assert_true(outlook.limit_kpa == 25 && outlook.account.used_pct == 32);
	assert_null(outlook.due_by);
	assert_true(isnan(outlook.left_h_p50));
	assert_true(outlook.reference_kpa == 8);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_log_that_cannot_be_read_is_told_and_not_counted_without),
		cmocka_unit_test(what_is_left_belongs_to_the_limit_that_is_told),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
