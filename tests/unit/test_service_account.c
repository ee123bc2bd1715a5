/* What the log says of the elements, as far as it can be read. */
#include <errno.h>
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

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_log_that_cannot_be_read_is_told_and_not_counted_without),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
