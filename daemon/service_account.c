#include "daemon/service_account.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/book_store.h"

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

static int read_first(struct service_account *account, sqlite3 *db)
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db, "SELECT min(start_utc_ns) FROM session_list", -1, &statement,
		NULL);

	if (rc == SQLITE_OK && (rc = sqlite3_step(statement)) == SQLITE_ROW) {
		account->has_log = sqlite3_column_type(statement, 0) != SQLITE_NULL;
		account->log_first_ns = sqlite3_column_int64(statement, 0);
	}
	(void)sqlite3_finalize(statement);
	return rc == SQLITE_ROW ? 0 : -EIO;
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
		if (result == 0) {
			result = read_first(account, db);
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

void service_account_outlook(const struct service_account *account, const struct boat *boat,
	const struct element_fitting *fitting, int64_t now_ns, struct element_outlook *ret_outlook)
{
	const struct boat_filter *filter = &boat->filters[fitting->filter];

	*ret_outlook = (struct element_outlook){
		.use = element_use_of(account->portions, account->portion_count, filter->engine,
			account->has_log ? account->log_first_ns : now_ns, now_ns),
		.restriction_kpa = NAN,
		.reference_kpa = NAN,
		.left_h_p10 = NAN, /* a count has no spread */
		.left_h_p90 = NAN,
		.basis = "counted",
	};
	element_account_judge(filter, fitting, &ret_outlook->use, now_ns, &ret_outlook->account);
	ret_outlook->left_h_p50 = ret_outlook->account.left_h;
	ret_outlook->due_by = element_criterion_name(ret_outlook->account.due_by);
}

double service_account_early_h(const struct element_outlook *outlook)
{
	return isnan(outlook->left_h_p10) ? outlook->left_h_p50 : outlook->left_h_p10;
}
