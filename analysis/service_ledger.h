/* service_ledger.h: what the service book and the engines' runs add up to.
 *
 * Which element sat in which filter from when to when, and what has passed through it; what spares
 * are aboard; what waste is. Derived afresh from the entries in force and the runs, so that a
 * corrected or struck entry corrects everything that it touched. Pure; the caller gives the memory.
 *
 * Filters of one engine are in series: each passes the whole supply. Filters of one engine that share
 * a set are in parallel: the one in use passes it (before the first BOOK_SWITCH entry the set's first
 * filter), or all of the set in equal parts when the entry names the set.
 *
 * A set may be switched while the engine runs: a run is divided there by time. A change within such a
 * stretch is a clock or a memory that is a little off, as elements are changed with the engine stopped
 * or the filter out of use: the whole stretch goes to the element that sat there at its middle.
 */
#ifndef SIGHTBOWL_ANALYSIS_SERVICE_LEDGER_H
#define SIGHTBOWL_ANALYSIS_SERVICE_LEDGER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/boat.h"
#include "analysis/service_book.h"

/* A stretch of an engine's running, a run or a part of one. */
struct supply_portion {
	unsigned engine;
	bool dated;      /* false: its UTC is not known */
	int64_t start_ns;
	int64_t end_ns;
	double engine_h;
	double supply_l; /* through the engine's filters; NaN: not known */
};

/* One element in one filter, from its fitting to its removal. */
struct element_fitting {
	size_t filter;               /* index in boat.filters */
	char element[BOAT_NAME_MAX]; /* "": not told */
	double micron;               /* NaN: not told (so rated_lph) */
	double rated_lph;
	bool has_fitted;             /* false: it was there when the log began */
	int64_t fitted_ns;
	bool has_removed;
	int64_t removed_ns;
	int64_t fitted_entry;        /* of the book; 0: from the configuration, or before the log */
	int64_t removed_entry;       /* 0: still fitted, or by the configuration's date */
	double litres;               /* through it; what is known of it */
	double engine_h;             /* engine hours in use */
	double unknown_h;            /* part of engine_h whose litres are not known */
};

/* Room for two elements a filter, and one more a change. */
#define LEDGER_FITTINGS(filters, entries) (2 * (filters) + (entries))

/* Lays the elements of all filters out: by filter, then by time. entries: those in force, by when the
 * work was done. Changes of filters that the boat no longer has are left out. log_first_ns: UTC of the
 * log's first moment, INT64_MAX: it has none. A date in the configuration tells of one more change, unless
 * the book has that one (boat_fitted_is), or it was before the log and the book. Returns how many. fittings
 * has room for LEDGER_FITTINGS(boat->filter_count, count). */
size_t service_ledger_fittings(const struct boat *boat, const struct book_entry *entries,
	size_t count, int64_t log_first_ns, struct element_fitting *ret_fittings);

/* Adds a portion to the elements that it passed through. Undated ones go to the only element of a
 * filter; where there were several it cannot be told which: they are added to unplaced_l[filter]
 * (room for boat->filter_count; may be NULL). */
void service_ledger_pass(const struct boat *boat, const struct book_entry *entries, size_t count,
	const struct supply_portion *portion, struct element_fitting *fittings,
	size_t fitting_count, double *unplaced_l);

/* Leaves out, in place, what was there before the log and passed nothing before its removal: nobody
 * knows of such an element. Returns how many are left. Call it when all portions have passed. */
size_t service_ledger_settle(struct element_fitting *fittings, size_t count);

/* The share of its engine's supply that a filter passes at a moment: 1, 0, or a part of 1. */
double service_ledger_share(const struct boat *boat, const struct book_entry *entries, size_t count,
	size_t filter, int64_t utc_ns);

/* One sort of spare. */
struct spare_stock {
	char item[BOAT_NAME_MAX];
	double micron;      /* NaN: not told (so rated_lph) */
	double rated_lph;
	double aboard;      /* below 0: more was used than the book brought aboard */
	double used;        /* by the book's work, and otherwise */
	int64_t last_ns;    /* its last move */
};

/* Adds the spares up, by item in the order of their first move. A change with an item uses its pieces
 * (not told: one, when the book ever brought that item aboard) and one of its seals. Returns how
 * many; stocks has room for 2 × count. */
size_t service_ledger_spares(const struct book_entry *entries, size_t count,
	struct spare_stock *ret_stocks);

struct waste_account {
	double fuel_l;          /* taken out */
	double elements;
	double fuel_landed_l;
	double elements_landed;
	int64_t last_landed_ns; /* INT64_MIN: never */
};

/* What became waste by an entry: what it says, else one element by a change, and the water of a drain
 * or a tank cleaning. */
void service_ledger_entry_waste(const struct book_entry *entry, double *ret_fuel_l,
	double *ret_elements);
void service_ledger_waste(const struct book_entry *entries, size_t count,
	struct waste_account *ret_account);

#endif
