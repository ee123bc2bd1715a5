#include "analysis/service_ledger.h"

#include <assert.h>
#include <math.h>
#include <string.h>

static bool same_set(const struct boat_filter *a, const struct boat_filter *b)
{
	return a->engine == b->engine && a->set[0] != '\0' && strcmp(a->set, b->set) == 0;
}

/* Whether a switch entry is about the set of a filter. */
static bool concerns_set(const struct boat *boat, const struct book_entry *entry,
	const struct boat_filter *filter)
{
	if (entry->kind != BOOK_SWITCH || filter->set[0] == '\0') {
		return false;
	}
	if (strcmp(entry->filter, filter->set) == 0) {
		return true;
	}
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(entry->filter, boat->filters[i].name) == 0) {
			return same_set(&boat->filters[i], filter);
		}
	}
	return false;
}

/* Share of a filter after a switch entry that concerns its set (NULL: before the first). */
static double share_after(const struct boat *boat, const struct book_entry *entry,
	const struct boat_filter *filter)
{
	const struct boat_filter *first = NULL;
	unsigned members = 0;

	if (filter->set[0] == '\0') {
		return 1;
	}
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (same_set(&boat->filters[i], filter)) {
			first = first ? first : &boat->filters[i];
			members++;
		}
	}
	if (!entry) {
		return filter == first;
	}
	if (strcmp(entry->filter, filter->name) == 0) {
		return 1;
	}
	/* A filter's own name goes before a set's of the same name. */
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(entry->filter, boat->filters[i].name) == 0) {
			return 0;
		}
	}
	return 1.0 / members;
}

double service_ledger_share(const struct boat *boat, const struct book_entry *entries, size_t count,
	size_t filter, int64_t utc_ns)
{
	const struct book_entry *last = NULL;

	for (size_t i = 0; i < count && entries[i].done_ns <= utc_ns; i++) {
		if (concerns_set(boat, &entries[i], &boat->filters[filter])) {
			last = &entries[i];
		}
	}
	return share_after(boat, last, &boat->filters[filter]);
}

static struct element_fitting fitting_of(const struct boat *boat, size_t filter)
{
	const struct boat_filter *usual = &boat->filters[filter];
	struct element_fitting fitting = {
		.filter = filter,
		.micron = usual->micron,
		.rated_lph = usual->rated_lph,
	};

	memcpy(fitting.element, usual->element, sizeof(fitting.element));
	return fitting;
}

/* The element that a change put in: what the entry tells, else what the filter usually has. */
static struct element_fitting fitting_by(const struct boat *boat, size_t filter,
	const struct book_entry *entry)
{
	struct element_fitting fitting = fitting_of(boat, filter);

	if ((entry->fields & BOOK_ITEM) != 0 && strcmp(entry->item, fitting.element) != 0) {
		memcpy(fitting.element, entry->item, sizeof(fitting.element));
		fitting.micron = NAN;
		fitting.rated_lph = NAN;
	}
	if ((entry->fields & BOOK_MICRON) != 0) {
		fitting.micron = entry->micron;
	}
	if ((entry->fields & BOOK_RATED) != 0) {
		fitting.rated_lph = entry->rated_lph;
	}
	fitting.has_fitted = true;
	fitting.fitted_ns = entry->done_ns;
	fitting.fitted_entry = entry->entry;
	return fitting;
}

static bool is_change_of(const struct book_entry *entry, const struct boat_filter *filter)
{
	return entry->kind == BOOK_CHANGE && strcmp(entry->filter, filter->name) == 0;
}

/* Does the configuration tell of a change that the book does not have? */
static bool tells_more(const struct boat_filter *filter, const struct book_entry *entries, size_t count)
{
	for (size_t i = 0; i < count && filter->has_fitted; i++) {
		if (is_change_of(&entries[i], filter) && boat_fitted_is(filter, entries[i].done_ns)) {
			return false;
		}
	}
	return filter->has_fitted;
}

/* The element of the configuration's date, behind the last one laid out. Returns how many there are. */
static size_t lay_told(const struct boat *boat, size_t filter, bool is_first, int64_t log_first_ns,
	struct element_fitting *fittings, size_t made)
{
	int64_t fitted_ns = boat->filters[filter].fitted_ns;

	if (!is_first || log_first_ns < fitted_ns) {
		fittings[made - 1].has_removed = true;
		fittings[made - 1].removed_ns = fitted_ns;
		fittings[made++] = fitting_of(boat, filter);
	}
	fittings[made - 1].has_fitted = true;
	fittings[made - 1].fitted_ns = fitted_ns;
	return made;
}

size_t service_ledger_fittings(const struct boat *boat, const struct book_entry *entries,
	size_t count, int64_t log_first_ns, struct element_fitting *ret_fittings)
{
	size_t made = 0;

	for (size_t f = 0; f < boat->filter_count; f++) {
		const struct boat_filter *filter = &boat->filters[f];
		bool told = tells_more(filter, entries, count);
		bool is_first = true;

		ret_fittings[made++] = fitting_of(boat, f);
		for (size_t i = 0; i < count; i++) {
			if (!is_change_of(&entries[i], filter)) {
				continue;
			}
			if (told && filter->fitted_ns < entries[i].done_ns) {
				made = lay_told(boat, f, is_first, log_first_ns, ret_fittings, made);
				told = false;
			}
			ret_fittings[made - 1].has_removed = true;
			ret_fittings[made - 1].removed_ns = entries[i].done_ns;
			ret_fittings[made - 1].removed_entry = entries[i].entry;
			ret_fittings[made++] = fitting_by(boat, f, &entries[i]);
			is_first = false;
		}
		if (told) {
			made = lay_told(boat, f, is_first, log_first_ns, ret_fittings, made);
		}
	}
	return made;
}

/* The element in a filter at a moment; the first one also before it was fitted. */
static struct element_fitting *fitting_at(struct element_fitting *fittings, size_t count,
	size_t filter, int64_t utc_ns)
{
	struct element_fitting *found = NULL;

	for (size_t i = 0; i < count; i++) {
		if (fittings[i].filter == filter &&
			(!found || (fittings[i].has_fitted && fittings[i].fitted_ns <= utc_ns))) {
			found = &fittings[i];
		}
	}
	assert(found);
	return found;
}

static void add(struct element_fitting *fitting, double engine_h, double supply_l, double share)
{
	fitting->engine_h += engine_h;
	if (isnan(supply_l)) {
		fitting->unknown_h += engine_h;
	} else {
		fitting->litres += supply_l * share;
	}
}

/* A part of a portion during which nothing was switched; part is its share of the portion. */
static void pass_stretch(const struct supply_portion *portion, int64_t start_ns, int64_t end_ns,
	double part, double share, size_t filter, struct element_fitting *fittings, size_t count)
{
	if (share > 0 && part > 0) {
		add(fitting_at(fittings, count, filter, start_ns + (end_ns - start_ns) / 2),
			portion->engine_h * part, portion->supply_l * part, share);
	}
}

static void pass_filter(const struct boat *boat, const struct book_entry *entries, size_t count,
	const struct supply_portion *portion, size_t filter, struct element_fitting *fittings,
	size_t fitting_count)
{
	const struct boat_filter *place = &boat->filters[filter];
	int64_t from_ns = portion->start_ns;
	double length = (double)(portion->end_ns - portion->start_ns);
	double done = 0; /* part of the portion that has been passed on */
	double share = share_after(boat, NULL, place);

	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];

		if (!concerns_set(boat, entry, place)) {
			continue;
		}
		if (entry->done_ns >= portion->end_ns && entry->done_ns > portion->start_ns) {
			break;
		}
		if (entry->done_ns > from_ns) {
			double until = (double)(entry->done_ns - portion->start_ns) / length;

			pass_stretch(portion, from_ns, entry->done_ns, until - done, share, filter,
				fittings, fitting_count);
			from_ns = entry->done_ns;
			done = until;
		}
		share = share_after(boat, entry, place);
	}
	pass_stretch(portion, from_ns, portion->end_ns, 1 - done, share, filter, fittings,
		fitting_count);
}

static size_t elements_of(const struct element_fitting *fittings, size_t count, size_t filter)
{
	size_t elements = 0;

	for (size_t i = 0; i < count; i++) {
		elements += fittings[i].filter == filter;
	}
	return elements;
}

static void pass_undated(const struct boat *boat, const struct supply_portion *portion,
	size_t filter, struct element_fitting *fittings, size_t fitting_count, double *unplaced_l)
{
	const struct boat_filter *place = &boat->filters[filter];

	if (place->set[0] == '\0' && elements_of(fittings, fitting_count, filter) == 1) {
		add(fitting_at(fittings, fitting_count, filter, 0), portion->engine_h,
			portion->supply_l, 1);
	} else if (unplaced_l && !isnan(portion->supply_l)) {
		unplaced_l[filter] += portion->supply_l;
	}
}

void service_ledger_pass(const struct boat *boat, const struct book_entry *entries, size_t count,
	const struct supply_portion *portion, struct element_fitting *fittings,
	size_t fitting_count, double *unplaced_l)
{
	for (size_t f = 0; f < boat->filter_count; f++) {
		if (boat->filters[f].engine != portion->engine) {
			continue;
		}
		if (portion->dated) {
			pass_filter(boat, entries, count, portion, f, fittings, fitting_count);
		} else {
			pass_undated(boat, portion, f, fittings, fitting_count, unplaced_l);
		}
	}
}

size_t service_ledger_settle(struct element_fitting *fittings, size_t count)
{
	size_t kept = 0;

	for (size_t i = 0; i < count; i++) {
		const struct element_fitting *fitting = &fittings[i];

		if (fitting->has_fitted || !fitting->has_removed || fitting->engine_h > 0 ||
			fitting->litres > 0) {
			fittings[kept++] = *fitting;
		}
	}
	return kept;
}

/* The sort that a move is about; one that is not there yet is begun when make is set. */
static struct spare_stock *stock_of(struct spare_stock *stocks, size_t *count, const char *item,
	double micron, double rated_lph, bool make)
{
	struct spare_stock *stock;

	for (size_t i = 0; i < *count; i++) {
		bool differs = !isnan(micron) && !isnan(stocks[i].micron) &&
			fabs(micron - stocks[i].micron) > 1e-9;

		if (strcmp(stocks[i].item, item) == 0 && !differs) {
			if (isnan(stocks[i].micron)) {
				stocks[i].micron = micron;
			}
			if (isnan(stocks[i].rated_lph)) {
				stocks[i].rated_lph = rated_lph;
			}
			return &stocks[i];
		}
	}
	if (!make) {
		return NULL;
	}
	stock = &stocks[(*count)++];
	*stock = (struct spare_stock){.micron = micron, .rated_lph = rated_lph};
	memcpy(stock->item, item, strlen(item) + 1);
	return stock;
}

static void take(struct spare_stock *stock, double pieces, int64_t at_ns)
{
	stock->aboard -= pieces;
	stock->used += pieces;
	stock->last_ns = at_ns > stock->last_ns ? at_ns : stock->last_ns;
}

size_t service_ledger_spares(const struct book_entry *entries, size_t count,
	struct spare_stock *ret_stocks)
{
	size_t made = 0;

	/* What was brought aboard first, so that work finds its sort whatever the order in time. */
	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];

		if (entry->kind == BOOK_STOCK) {
			struct spare_stock *stock = stock_of(ret_stocks, &made, entry->item,
				entry->micron, entry->rated_lph, true);

			stock->aboard += entry->pieces;
			if (entry->pieces < 0) {
				stock->used -= entry->pieces;
			}
			stock->last_ns = entry->done_ns > stock->last_ns ? entry->done_ns : stock->last_ns;
		}
	}
	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];
		bool told = (entry->fields & BOOK_PIECES) != 0;
		struct spare_stock *stock;

		if (entry->kind == BOOK_STOCK) {
			continue;
		}
		if ((entry->fields & BOOK_ITEM) != 0 && !(told && entry->pieces == 0)) {
			stock = stock_of(ret_stocks, &made, entry->item, entry->micron,
				entry->rated_lph, told);
			if (stock) {
				take(stock, told ? entry->pieces : 1, entry->done_ns);
			}
		}
		if ((entry->fields & BOOK_SEALS) != 0) {
			take(stock_of(ret_stocks, &made, entry->seals, NAN, NAN, true), 1, entry->done_ns);
		}
	}
	return made;
}

void service_ledger_entry_waste(const struct book_entry *entry, double *ret_fuel_l,
	double *ret_elements)
{
	*ret_fuel_l = 0;
	*ret_elements = 0;
	if (entry->kind == BOOK_LANDED) {
		return;
	}
	if ((entry->fields & BOOK_WASTE_FUEL) != 0) {
		*ret_fuel_l = entry->waste_fuel_l;
	} else if ((entry->fields & BOOK_WATER) != 0) {
		*ret_fuel_l = entry->water_l;
	}
	if (entry->kind == BOOK_CHANGE) {
		*ret_elements =
			(entry->fields & BOOK_WASTE_ELEMENTS) != 0 ? entry->waste_elements : 1;
	}
}

void service_ledger_waste(const struct book_entry *entries, size_t count,
	struct waste_account *ret_account)
{
	*ret_account = (struct waste_account){.last_landed_ns = INT64_MIN};
	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];
		double fuel_l;
		double elements;

		service_ledger_entry_waste(entry, &fuel_l, &elements);
		ret_account->fuel_l += fuel_l;
		ret_account->elements += elements;
		if (entry->kind != BOOK_LANDED) {
			continue;
		}
		if ((entry->fields & BOOK_WASTE_FUEL) != 0) {
			ret_account->fuel_landed_l += entry->waste_fuel_l;
		}
		if ((entry->fields & BOOK_WASTE_ELEMENTS) != 0) {
			ret_account->elements_landed += entry->waste_elements;
		}
		if (entry->done_ns > ret_account->last_landed_ns) {
			ret_account->last_landed_ns = entry->done_ns;
		}
	}
}
