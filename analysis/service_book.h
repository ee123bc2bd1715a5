/* service_book.h: the service book's entries: their kinds, what each kind tells, and their history.
 *
 * An entry is never changed: a correction is a further revision of the same entry, striking one is a
 * revision too, and so is taking a strike back. What holds is an entry's last revision, unless that
 * one is struck. Where the entries are kept, and what is derived from them (service_ledger.h), is
 * left to others. Times are UTC.
 */
#ifndef SIGHTBOWL_ANALYSIS_SERVICE_BOOK_H
#define SIGHTBOWL_ANALYSIS_SERVICE_BOOK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/boat.h"

#define BOOK_TEXT_MAX 256

enum book_kind {
	BOOK_CHANGE,        /* an element: the old one out, a new one in */
	BOOK_DRAIN,         /* water and fuel drained off a filter's bowl */
	BOOK_BLEED,         /* air let out of the line */
	BOOK_SWITCH,        /* another filter of a change-over set put in use */
	BOOK_TANK_CLEANING,
	BOOK_ADDITIVE,
	BOOK_REFUEL,
	BOOK_OIL,           /* engine oil changed or topped up */
	BOOK_ENGINE_WORK,
	BOOK_BURN_RESET,    /* what was learned of the engine's burn no longer holds */
	BOOK_STOCK,         /* spares brought aboard (above 0) or used otherwise (below 0) */
	BOOK_LANDED,        /* waste handed in ashore */
	BOOK_NOTE,
	BOOK_KIND_COUNT
};

/* What an entry can tell; a kind's row says which of them it takes and which it must have. */
enum book_field {
	BOOK_FILTER = 1 << 0,
	BOOK_ENGINE = 1 << 1,
	BOOK_TANK = 1 << 2,
	BOOK_ITEM = 1 << 3,           /* the element, the spare, the additive, the oil */
	BOOK_MICRON = 1 << 4,
	BOOK_RATED = 1 << 5,
	BOOK_PIECES = 1 << 6,         /* of the item */
	BOOK_SEALS = 1 << 7,          /* the spare seals that a change used */
	BOOK_LITRES = 1 << 8,         /* fuel taken aboard; additive, oil */
	BOOK_WATER = 1 << 9,
	BOOK_LOOKS = 1 << 10,         /* how the water or the fuel looked */
	BOOK_PRICE = 1 << 11,
	BOOK_PLACE = 1 << 12,
	BOOK_WASTE_FUEL = 1 << 13,
	BOOK_WASTE_ELEMENTS = 1 << 14,
	BOOK_REMARK = 1 << 15,
};
#define BOOK_FIELD_COUNT 16

struct book_entry {
	int64_t entry;        /* its number, from 1 */
	int64_t revision;     /* from 1 */
	bool struck;
	enum book_kind kind;
	int64_t done_ns;      /* when the work was done */
	int64_t written_ns;   /* when this revision was written */
	unsigned fields;      /* bits of enum book_field: which of the following were told */
	char filter[BOAT_NAME_MAX]; /* a filter's name; with BOOK_SWITCH also a set's: all of it */
	unsigned engine;
	unsigned tank;
	char item[BOAT_NAME_MAX];
	double micron;
	double rated_lph;
	double pieces;
	char seals[BOAT_NAME_MAX];
	double litres;
	double water_l;
	char looks[BOAT_NAME_MAX];
	double price;               /* in the boat's own money */
	char place[BOAT_NAME_MAX];
	double waste_fuel_l;
	double waste_elements;
	char remark[BOOK_TEXT_MAX];
	/* From the log, or told; NaN: not known. */
	double engine_h;            /* the engine's hours at that time */
	double engine_fuel_l;       /* litres it had burned by then, as logged */
	double latitude_deg;
	double longitude_deg;
	char reason[BOOK_TEXT_MAX]; /* why it was corrected or struck; "" */
};

struct book_kind_row {
	const char *name;      /* as written on the command line and in files */
	const char *title;     /* for people */
	unsigned takes;        /* bits of enum book_field */
	unsigned must_have;
};

const struct book_kind_row *service_book_kind(enum book_kind kind);
bool service_book_find_kind(const char *name, enum book_kind *ret_kind);

/* The column of a field in files and on the command line ("filter", "rated_lph" …); bit is its
 * number, 0 to BOOK_FIELD_COUNT − 1. */
const char *service_book_field_name(unsigned bit);

/* A fresh entry of a kind: revision 1, nothing told, figures NaN. */
void service_book_entry_init(struct book_entry *entry, enum book_kind kind);

/* Sets a field that is a number, or a text; both mark it as told. The field must be one bit of the
 * right sort. A text that is too long is refused: false. */
void service_book_set_number(struct book_entry *entry, enum book_field field, double value);
bool service_book_set_text(struct book_entry *entry, enum book_field field, const char *text);
bool service_book_is_text(enum book_field field);
double service_book_number(const struct book_entry *entry, enum book_field field);
const char *service_book_text(const struct book_entry *entry, enum book_field field);

/* What is wrong with an entry, or NULL: a field that its kind does not take or lacks, a filter,
 * engine or tank that the boat does not have, a figure out of range. ret_field (may be NULL) is the
 * field that the sentence is about, 0 for none. Static text. */
const char *service_book_check(const struct book_entry *entry, const struct boat *boat,
	unsigned *ret_field);

/* Orders revisions by entry, then by revision. For qsort. */
int service_book_compare_revisions(const void *a, const void *b);

/* Orders entries by when the work was done, then by number. For qsort of struct book_entry. */
int service_book_compare_done(const void *a, const void *b);

/* From revisions in service_book_compare_revisions's order, keeps in place the last revision of each
 * entry; struck ones only with keep_struck. Returns how many are left. */
size_t service_book_in_force(struct book_entry *entries, size_t count, bool keep_struck);

#endif
