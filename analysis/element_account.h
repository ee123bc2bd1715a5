/* element_account.h: how much of an element's allowance is used, and when it falls due, by counting.
 *
 * Knows hours, litres and age against what the skipper (from the maker's papers) allows; when the
 * allowance will be used up follows from the boat's own use. What restriction says of the same
 * element is judged elsewhere. Pure; times are UTC.
 */
#ifndef SIGHTBOWL_ANALYSIS_ELEMENT_ACCOUNT_H
#define SIGHTBOWL_ANALYSIS_ELEMENT_ACCOUNT_H

#include "analysis/boat.h"
#include "analysis/service_ledger.h"

enum element_criterion {
	ELEMENT_BY_NOTHING, /* nothing is allowed or known: no limit to count against */
	ELEMENT_BY_HOURS,
	ELEMENT_BY_LITRES,
	ELEMENT_BY_MONTHS,
};

/* "hours", "litres", "months"; NULL for nothing. */
const char *element_criterion_name(enum element_criterion criterion);

/* How the boat uses an engine. */
struct element_use {
	double h_per_day;    /* engine hours a calendar day; NaN or 0: not known */
	double litres_per_h; /* through the engine's filters, an engine hour; NaN or 0: not known */
};

/* The use in the days before a moment, from the runs: over ELEMENT_USE_DAYS, or from the log's first
 * moment on where that is later, but never over less than a week. portions in any order. */
#define ELEMENT_USE_DAYS 90
struct element_use element_use_of(const struct supply_portion *portions, size_t count,
	unsigned engine, int64_t log_first_ns, int64_t now_ns);

struct element_account {
	enum element_criterion due_by; /* the criterion that comes first */
	double used_pct;               /* of its allowance; NaN: none */
	double left_h;                 /* engine hours until then, by the boat's use; 0 when it is due;
					* NaN: not known */
	bool has_due;
	int64_t due_ns;                /* now or before when it is due */
};

/* Judges an element that is fitted. The criterion that comes first is the one with the earliest date;
 * where the use is not known, the one most used up. */
void element_account_judge(const struct boat_filter *filter, const struct element_fitting *fitting,
	const struct element_use *use, int64_t now_ns, struct element_account *ret_account);

#endif
