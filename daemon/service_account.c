#include "daemon/service_account.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/book_store.h"

static const double month_ns = 365.25 / 12 * 86400e9;

static int add_up(struct service_account *account, const struct boat *boat)
{
	size_t room = LEDGER_FITTINGS(boat->filter_count, account->entry_count);

	account->fittings = calloc(room + 1, sizeof(*account->fittings));
	account->stocks = calloc(2 * account->entry_count + 1, sizeof(*account->stocks));
	if (!account->fittings || !account->stocks) {
		return -ENOMEM;
	}
	account->fitting_count = service_ledger_fittings(boat, account->entries,
		account->entry_count, account->fittings);
	for (size_t i = 0; i < account->portion_count; i++) {
		service_ledger_pass(boat, account->entries, account->entry_count,
			&account->portions[i], account->fittings, account->fitting_count,
			account->unplaced_l);
	}
	account->fitting_count = service_ledger_settle(account->fittings, account->fitting_count);
	account->stock_count =
		service_ledger_spares(account->entries, account->entry_count, account->stocks);
	service_ledger_waste(account->entries, account->entry_count, &account->waste);
	return 0;
}

int service_account_load(struct service_account *account, sqlite3 *db, const struct boat *boat)
{
	int result = 0;

	memset(account, 0, sizeof(*account));
	if (db) {
		result = book_store_entries(db, &account->entries, &account->entry_count);
		if (result == 0) {
			result = book_store_portions(db, &account->portions, &account->portion_count);
		}
	}
	if (result == 0) {
		result = add_up(account, boat);
	}
	if (result != 0) {
		service_account_finish(account);
	}
	return result;
}

void service_account_finish(struct service_account *account)
{
	free(account->entries);
	free(account->portions);
	free(account->fittings);
	free(account->stocks);
	memset(account, 0, sizeof(*account));
}

const struct element_fitting *service_account_fitted(const struct service_account *account,
	size_t filter)
{
	for (size_t i = 0; i < account->fitting_count; i++) {
		if (account->fittings[i].filter == filter && !account->fittings[i].has_removed) {
			return &account->fittings[i];
		}
	}
	assert(false);
	return NULL;
}

double service_account_hours_a_month(const struct service_account *account, unsigned engine)
{
	int64_t first = INT64_MAX;
	int64_t last = INT64_MIN;
	double hours = 0;

	for (size_t i = 0; i < account->portion_count; i++) {
		const struct supply_portion *portion = &account->portions[i];

		if (portion->engine == engine && portion->dated) {
			first = portion->start_ns < first ? portion->start_ns : first;
			last = portion->end_ns > last ? portion->end_ns : last;
			hours += portion->engine_h;
		}
	}
	if (first > last || (double)(last - first) < 28 * 86400e9) {
		return NAN;
	}
	return hours / ((double)(last - first) / month_ns);
}
