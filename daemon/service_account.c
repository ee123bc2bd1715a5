#include "daemon/service_account.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/element_due.h"
#include "daemon/book_store.h"
#include "daemon/log_filters.h"

#define LIMIT_SAME_KPA 1e-6 /* both are of one configuration, but for its units */

static int add_up(struct service_account *account, const struct boat *boat)
{
	size_t room = LEDGER_FITTINGS(boat->filter_count, account->entry_count);

	account->fittings = calloc(room + 1, sizeof(*account->fittings));
	account->ends = calloc(room + 1, sizeof(*account->ends));
	account->stocks = calloc(2 * account->entry_count + 1, sizeof(*account->stocks));
	if (!account->fittings || !account->ends || !account->stocks) {
		return -ENOMEM;
	}
	account->fitting_count = service_ledger_fittings(boat, account->entries,
		account->entry_count, account->has_log ? account->log_first_ns : INT64_MAX,
		account->fittings);
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

static double real_or_nan(sqlite3_stmt *statement, int column)
{
	return sqlite3_column_type(statement, column) == SQLITE_NULL
		? NAN
		: sqlite3_column_double(statement, column);
}

static int read_measured(
	struct service_account *account, sqlite3 *db, const int64_t numbers[BOAT_FILTERS_MAX])
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db,
		"SELECT filter, fitted_ns, restriction_kpa, reference_kpa, left_l_p10, left_l_p50, "
		"left_l_p90, litres, limit_kpa FROM filter_states WHERE reference_kpa IS NOT NULL",
		-1, &statement, NULL);

	while (rc == SQLITE_OK && (rc = sqlite3_step(statement)) == SQLITE_ROW) {
		int64_t number = sqlite3_column_int64(statement, 0);
		size_t filter = 0;
		rc = SQLITE_OK;
		while (filter < BOAT_FILTERS_MAX && numbers[filter] != number) {
			filter++;
		}
		if (filter == BOAT_FILTERS_MAX) {
			continue; /* of a filter that the boat no longer has */
		}
		account->measured[filter] = (struct measured_state){
			.known = true,
			.fitted_ns = sqlite3_column_type(statement, 1) == SQLITE_NULL
				? INT64_MIN
				: sqlite3_column_int64(statement, 1),
			.restriction_kpa = real_or_nan(statement, 2),
			.reference_kpa = real_or_nan(statement, 3),
			.left_l_p10 = real_or_nan(statement, 4),
			.left_l_p50 = real_or_nan(statement, 5),
			.left_l_p90 = real_or_nan(statement, 6),
			.litres = real_or_nan(statement, 7),
			.limit_kpa = real_or_nan(statement, 8),
		};
	}
	(void)sqlite3_finalize(statement);
	return rc == SQLITE_DONE ? 0 : -EIO;
}

/* The last milestone that an element's restriction was told at while it was in. The log keeps them by the
 * filter, so a corrected entry finds other ones. */
static int read_ends(
	struct service_account *account, sqlite3 *db, const int64_t numbers[BOAT_FILTERS_MAX])
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db,
		/* From the latest session back: no more is read than is needed. */
		"SELECT restriction_kpa, reference_kpa, left_l_p10, left_l_p50, left_l_p90, litres, limit_kpa "
		"FROM sessions AS s CROSS JOIN filter_course AS c ON c.filter = ?1 AND c.session = s.session "
		"WHERE s.basis <> 2 AND s.first_ns + s.utc_offset_ns <= ?3 "
		"AND s.last_ns + s.utc_offset_ns >= ?2 AND c.t_ns + s.utc_offset_ns BETWEEN ?2 AND ?3 "
		"ORDER BY s.session DESC, c.t_ns DESC LIMIT 1",
		-1, &statement, NULL);

	for (size_t i = 0; i < account->fitting_count && rc == SQLITE_OK; i++) {
		const struct element_fitting *fitting = &account->fittings[i];
		if (!fitting->has_removed) {
			continue;
		}
		(void)sqlite3_bind_int64(statement, 1, numbers[fitting->filter]);
		(void)sqlite3_bind_int64(
			statement, 2, fitting->has_fitted ? fitting->fitted_ns : INT64_MIN);
		(void)sqlite3_bind_int64(statement, 3, fitting->removed_ns);
		rc = sqlite3_step(statement);
		if (rc == SQLITE_ROW) {
			account->ends[i] = (struct measured_state){
				.known = true,
				.fitted_ns = fitting->fitted_ns,
				.restriction_kpa = real_or_nan(statement, 0),
				.reference_kpa = real_or_nan(statement, 1),
				.left_l_p10 = real_or_nan(statement, 2),
				.left_l_p50 = real_or_nan(statement, 3),
				.left_l_p90 = real_or_nan(statement, 4),
				.litres = real_or_nan(statement, 5),
				.limit_kpa = real_or_nan(statement, 6),
			};
		}
		rc = rc == SQLITE_ROW || rc == SQLITE_DONE ? sqlite3_reset(statement) : rc;
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	return rc == SQLITE_OK ? 0 : -EIO;
}

int service_account_load(struct service_account *account, sqlite3 *db, const struct boat *boat)
{
	int64_t numbers[BOAT_FILTERS_MAX];
	int result = 0;

	memset(account, 0, sizeof(*account));
	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		numbers[i] = -1;
		if (result == 0 && db && i < boat->filter_count &&
			log_filter_number(db, boat, i, &numbers[i]) != SQLITE_OK) {
			result = -EIO;
		}
	}
	if (result == 0 && db) {
		result = book_store_entries(db, &account->entries, &account->entry_count);
		if (result == 0) {
			result = book_store_portions(db, &account->portions, &account->portion_count);
		}
		if (result == 0) {
			result = read_first(account, db);
		}
		if (result == 0) {
			result = read_measured(account, db, numbers);
		}
	}
	if (result == 0) {
		result = add_up(account, boat);
	}
	if (result == 0 && db) {
		result = read_ends(account, db, numbers);
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
	free(account->ends);
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

/* The limit that a reading is held against. Without one in this configuration it is the log's, to which
 * what is left was foretold. */
static double limit_of(const struct measured_state *state, const struct boat_filter *filter, bool removed)
{
	bool logged = !isnan(state->limit_kpa) && (removed || isnan(filter->limit_kpa));

	return logged ? state->limit_kpa : filter->limit_kpa;
}

/* The measured forecast beside the count: whichever ends the element first. */
static void outlook_measured(const struct measured_state *state, int64_t now_ns,
	struct element_outlook *outlook)
{
	/* What was foretold to another limit says nothing of this one. */
	bool other = fabs(state->limit_kpa - outlook->limit_kpa) > LIMIT_SAME_KPA;
	struct element_restriction restriction = {
		.known = !isnan(state->left_l_p50) && !other,
		.restriction_kpa = state->reference_kpa,
		.limit_kpa = outlook->limit_kpa,
		.litres = state->litres,
		.left_l_p10 = state->left_l_p10,
		.left_l_p50 = state->left_l_p50,
		.left_l_p90 = state->left_l_p90,
	};
	struct element_due due;

	outlook->basis = "measured";
	outlook->restriction_kpa = state->restriction_kpa;
	outlook->reference_kpa = state->reference_kpa;
	/* The forecast is told anew whenever anything is: nothing has passed since. */
	element_due_judge(&outlook->account, &restriction, NAN, &outlook->use, now_ns, &due);
	outlook->due_by = due.due_by;
	outlook->left_h_p50 = due.left_h_p50;
	if (restriction.known && outlook->use.litres_per_h > 0) {
		outlook->left_h_p10 = due.left_h_p10;
		outlook->left_h_p90 = due.left_h_p90;
	}
	outlook->account.left_h = due.left_h_p50;
	outlook->account.used_pct = due.used_pct;
	outlook->account.has_due = due.has_due;
	outlook->account.due_ns = due.due_ns;
	/* Without a forecast, how near the limit it is says something all the same. */
	if (!restriction.known && due.due_by == NULL && outlook->limit_kpa > 0) {
		outlook->account.used_pct = 100 * fmax(state->reference_kpa, 0) / outlook->limit_kpa;
	}
}

void service_account_outlook(const struct service_account *account, const struct boat *boat,
	const struct element_fitting *fitting, int64_t now_ns, struct element_outlook *ret_outlook)
{
	const struct boat_filter *filter = &boat->filters[fitting->filter];
	const struct measured_state *state = fitting->has_removed
		? &account->ends[fitting - account->fittings]
		: &account->measured[fitting->filter];
	bool is_its_own = state->known;

	if (fitting->has_removed) {
		now_ns = fitting->removed_ns;
	} else {
		/* A state that counts from an earlier fitting is of the element before. */
		is_its_own = is_its_own &&
			(!fitting->has_fitted || state->fitted_ns >= fitting->fitted_ns);
	}
	*ret_outlook = (struct element_outlook){
		.use = element_use_of(account->portions, account->portion_count, filter->engine,
			account->has_log ? account->log_first_ns : now_ns, now_ns),
		.restriction_kpa = NAN,
		.reference_kpa = NAN,
		.limit_kpa = filter->limit_kpa,
		.left_h_p10 = NAN, /* a count has no spread */
		.left_h_p90 = NAN,
		.basis = "counted",
	};
	element_account_judge(filter, fitting, &ret_outlook->use, now_ns, &ret_outlook->account);
	ret_outlook->left_h_p50 = ret_outlook->account.left_h;
	ret_outlook->due_by = element_criterion_name(ret_outlook->account.due_by);
	if (is_its_own) {
		ret_outlook->limit_kpa = limit_of(state, filter, fitting->has_removed);
		outlook_measured(state, now_ns, ret_outlook);
	}
}

double service_account_early_h(const struct element_outlook *outlook)
{
	return isnan(outlook->left_h_p10) ? outlook->left_h_p50 : outlook->left_h_p10;
}
