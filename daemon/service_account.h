/* service_account.h: the book and the runs of a log, added up: elements, spares, waste. */
#ifndef SIGHTBOWL_DAEMON_SERVICE_ACCOUNT_H
#define SIGHTBOWL_DAEMON_SERVICE_ACCOUNT_H

#include <stddef.h>

#include <sqlite3.h>

#include "analysis/boat.h"
#include "analysis/element_account.h"
#include "analysis/service_ledger.h"

/* What the filter's sensor says of the element that is in it; NaN: not known. */
struct measured_state {
	bool known;
	int64_t fitted_ns; /* UTC of the fitting that it counts from; INT64_MIN: not known */
	double restriction_kpa;
	double reference_kpa;
	double limit_kpa;  /* to which what is left was foretold */
	double left_l_p10;
	double left_l_p50;
	double left_l_p90;
	double litres;     /* through the element by then */
};

struct service_account {
	struct book_entry *entries;       /* in force, by when the work was done */
	size_t entry_count;
	struct supply_portion *portions;  /* the engines' runs */
	size_t portion_count;
	struct element_fitting *fittings; /* by filter, then by time */
	size_t fitting_count;
	struct measured_state *ends;      /* of each fitting that was removed: what was measured last */
	bool has_log;                     /* anything dated was logged */
	int64_t log_first_ns;             /* UTC; of the log's first moment */
	struct measured_state measured[BOAT_FILTERS_MAX];
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

/* What is to be expected of an element that is fitted. Engine hours; NaN: not known. */
struct element_outlook {
	struct element_use use;         /* of its engine */
	struct element_account account; /* by hours, litres and age */
	double restriction_kpa;
	double reference_kpa;
	double limit_kpa;               /* as configured; else, and of one removed, as the log had it */
	double left_h_p10;
	double left_h_p50;
	double left_h_p90;
	const char *due_by;             /* NULL: nothing is known to end it */
	const char *basis;              /* measured, or counted */
};

/* Judges the element as of a moment; one that was removed, as of its removal. */
void service_account_outlook(const struct service_account *account, const struct boat *boat,
	const struct element_fitting *fitting, int64_t now_ns, struct element_outlook *ret_outlook);

/* The earliest that the outlook allows for: p10, where there is one; NaN: not known. */
double service_account_early_h(const struct element_outlook *outlook);

#endif
