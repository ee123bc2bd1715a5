/* service_account.h: the book and the runs of a log, added up: elements, spares, waste. */
#ifndef SIGHTBOWL_DAEMON_SERVICE_ACCOUNT_H
#define SIGHTBOWL_DAEMON_SERVICE_ACCOUNT_H

#include <stddef.h>

#include <sqlite3.h>

#include "analysis/boat.h"
#include "analysis/service_ledger.h"

struct service_account {
	struct book_entry *entries;       /* in force, by when the work was done */
	size_t entry_count;
	struct supply_portion *portions;  /* the engines' runs */
	size_t portion_count;
	struct element_fitting *fittings; /* by filter, then by time */
	size_t fitting_count;
	double unplaced_l[BOAT_FILTERS_MAX]; /* passed at a time that is not known */
	struct spare_stock *stocks;
	size_t stock_count;
	struct waste_account waste;
};

/* Reads and adds up. db NULL: a log that is not there yet, so all is empty. Returns 0 or a negative
 * errno; on failure there is nothing to finish. */
int service_account_load(struct service_account *account, sqlite3 *db, const struct boat *boat);
void service_account_finish(struct service_account *account);

/* The element that is in a filter now. There always is one. */
const struct element_fitting *service_account_fitted(const struct service_account *account,
	size_t filter);

/* Engine hours a month of an engine: from its first to its last dated run, when at least four weeks
 * lie between them; else NaN. */
double service_account_hours_a_month(const struct service_account *account, unsigned engine);

#endif
