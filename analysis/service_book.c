#include "analysis/service_book.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#define COMMON (BOOK_PLACE | BOOK_REMARK)

static const struct book_kind_row kinds[BOOK_KIND_COUNT] = {
	[BOOK_CHANGE] = {
		.name = "change",
		.title = "element changed",
		.takes = COMMON | BOOK_FILTER | BOOK_ITEM | BOOK_MICRON | BOOK_RATED | BOOK_PIECES |
			BOOK_SEALS | BOOK_LOOKS | BOOK_PRICE | BOOK_WASTE_FUEL | BOOK_WASTE_ELEMENTS,
		.must_have = BOOK_FILTER,
	},
	[BOOK_DRAIN] = {
		.name = "drain",
		.title = "drained off",
		.takes = COMMON | BOOK_FILTER | BOOK_WATER | BOOK_LOOKS | BOOK_WASTE_FUEL,
		.must_have = BOOK_FILTER,
	},
	[BOOK_BLEED] = {
		.name = "bleed",
		.title = "bled",
		.takes = COMMON | BOOK_FILTER | BOOK_ENGINE | BOOK_WASTE_FUEL,
	},
	[BOOK_SWITCH] = {
		.name = "switch",
		.title = "put in use",
		.takes = COMMON | BOOK_FILTER,
		.must_have = BOOK_FILTER,
	},
	[BOOK_TANK_CLEANING] = {
		.name = "tank-cleaning",
		.title = "tank cleaned",
		.takes = COMMON | BOOK_TANK | BOOK_WATER | BOOK_LOOKS | BOOK_PRICE | BOOK_WASTE_FUEL,
	},
	[BOOK_ADDITIVE] = {
		.name = "additive",
		.title = "additive",
		.takes = COMMON | BOOK_TANK | BOOK_ITEM | BOOK_PIECES | BOOK_LITRES,
		.must_have = BOOK_ITEM,
	},
	[BOOK_REFUEL] = {
		.name = "refuel",
		.title = "refuelled",
		.takes = COMMON | BOOK_TANK | BOOK_LITRES | BOOK_PRICE | BOOK_LOOKS,
		.must_have = BOOK_LITRES,
	},
	[BOOK_OIL] = {
		.name = "oil",
		.title = "oil",
		.takes = COMMON | BOOK_ENGINE | BOOK_ITEM | BOOK_PIECES | BOOK_LITRES | BOOK_PRICE,
	},
	[BOOK_ENGINE_WORK] = {
		.name = "engine-work",
		.title = "engine work",
		.takes = COMMON | BOOK_ENGINE | BOOK_ITEM | BOOK_PIECES | BOOK_PRICE | BOOK_WASTE_FUEL,
	},
	[BOOK_BURN_RESET] = {
		.name = "burn-reset",
		.title = "burn to be learned anew",
		.takes = COMMON | BOOK_ENGINE,
		.must_have = BOOK_ENGINE,
	},
	[BOOK_STOCK] = {
		.name = "stock",
		.title = "spares",
		.takes = COMMON | BOOK_ITEM | BOOK_MICRON | BOOK_RATED | BOOK_PIECES | BOOK_PRICE,
		.must_have = BOOK_ITEM | BOOK_PIECES,
	},
	[BOOK_LANDED] = {
		.name = "landed",
		.title = "waste landed",
		.takes = COMMON | BOOK_WASTE_FUEL | BOOK_WASTE_ELEMENTS | BOOK_PRICE,
		.must_have = BOOK_PLACE,
	},
	[BOOK_NOTE] = {
		.name = "note",
		.title = "note",
		.takes = COMMON | BOOK_ENGINE | BOOK_FILTER | BOOK_TANK,
		.must_have = BOOK_REMARK,
	},
};

/* What a field is, in the order of its bits. A text has a size. */
struct field_row {
	const char *name;
	size_t offset;
	size_t size;    /* of a text; 0: a number */
	bool is_index;  /* an unsigned instead of a double */
	double low;
	double high;
	const char *missing;
	const char *out_of_range;
};

#define TEXT_FIELD(name_, member)                                                                  \
	.name = (name_), .offset = offsetof(struct book_entry, member),                            \
	.size = sizeof(((struct book_entry *)NULL)->member)
#define NUMBER_FIELD(name_, member, low_, high_)                                                   \
	.name = (name_), .offset = offsetof(struct book_entry, member), .low = (low_),             \
	.high = (high_)

static const struct field_row fields[BOOK_FIELD_COUNT] = {
	{TEXT_FIELD("filter", filter), .missing = "which filter?"},
	{NUMBER_FIELD("engine", engine, 0, BOAT_ENGINES_MAX - 1), .is_index = true,
		.missing = "which engine?", .out_of_range = "there is no such engine"},
	{NUMBER_FIELD("tank", tank, 0, 15), .is_index = true, .missing = "which tank?",
		.out_of_range = "a tank's number is 0 to 15"},
	{TEXT_FIELD("item", item), .missing = "what is it called?"},
	{NUMBER_FIELD("micron", micron, 0.1, 1000), .out_of_range = "a rating is 0.1 to 1000 µm"},
	{NUMBER_FIELD("rated_lph", rated_lph, 1, 100000),
		.out_of_range = "a rated flow is 1 to 100000 L/h"},
	{NUMBER_FIELD("pieces", pieces, -1000, 1000), .missing = "how many?",
		.out_of_range = "a number of pieces is -1000 to 1000"},
	{TEXT_FIELD("seals", seals)},
	{NUMBER_FIELD("litres", litres, 0, 1000000), .missing = "how many litres?",
		.out_of_range = "litres are 0 to 1000000"},
	{NUMBER_FIELD("water_l", water_l, 0, 10000), .out_of_range = "water is 0 to 10000 L"},
	{TEXT_FIELD("looks", looks)},
	{NUMBER_FIELD("price", price, 0, 1e9), .out_of_range = "a price is 0 to 1000000000"},
	{TEXT_FIELD("place", place), .missing = "where?"},
	{NUMBER_FIELD("waste_fuel_l", waste_fuel_l, 0, 100000),
		.out_of_range = "waste fuel is 0 to 100000 L"},
	{NUMBER_FIELD("waste_elements", waste_elements, 0, 1000),
		.out_of_range = "elements are 0 to 1000"},
	{TEXT_FIELD("remark", remark), .missing = "what is there to note?"},
};

static unsigned bit_of(enum book_field field)
{
	unsigned bit = 0;

	while (((unsigned)field >> bit) > 1) {
		bit++;
	}
	assert(bit < BOOK_FIELD_COUNT && (unsigned)field == 1U << bit);
	return bit;
}

const struct book_kind_row *service_book_kind(enum book_kind kind)
{
	assert(kind < BOOK_KIND_COUNT);
	return &kinds[kind];
}

bool service_book_find_kind(const char *name, enum book_kind *ret_kind)
{
	for (unsigned i = 0; i < BOOK_KIND_COUNT; i++) {
		if (strcmp(name, kinds[i].name) == 0) {
			*ret_kind = (enum book_kind)i;
			return true;
		}
	}
	return false;
}

const char *service_book_field_name(unsigned bit)
{
	assert(bit < BOOK_FIELD_COUNT);
	return fields[bit].name;
}

void service_book_entry_init(struct book_entry *entry, enum book_kind kind)
{
	memset(entry, 0, sizeof(*entry));
	entry->kind = kind;
	entry->revision = 1;
	entry->micron = NAN;
	entry->rated_lph = NAN;
	entry->pieces = NAN;
	entry->litres = NAN;
	entry->water_l = NAN;
	entry->price = NAN;
	entry->waste_fuel_l = NAN;
	entry->waste_elements = NAN;
	entry->engine_h = NAN;
	entry->engine_fuel_l = NAN;
	entry->latitude_deg = NAN;
	entry->longitude_deg = NAN;
}

bool service_book_is_text(enum book_field field)
{
	return fields[bit_of(field)].size > 0;
}

void service_book_set_number(struct book_entry *entry, enum book_field field, double value)
{
	const struct field_row *row = &fields[bit_of(field)];
	char *at = (char *)entry + row->offset;

	assert(row->size == 0);
	if (row->is_index) {
		/* What is no index becomes one that service_book_check refuses. */
		unsigned index = value >= 0 && value < 1e6 && value == floor(value)
			? (unsigned)value
			: 1000000;

		memcpy(at, &index, sizeof(index));
	} else {
		memcpy(at, &value, sizeof(value));
	}
	entry->fields |= (unsigned)field;
}

bool service_book_set_text(struct book_entry *entry, enum book_field field, const char *text)
{
	const struct field_row *row = &fields[bit_of(field)];
	char *at = (char *)entry + row->offset;
	size_t length = strlen(text);

	assert(row->size > 0);
	if (length >= row->size) {
		return false;
	}
	memset(at, 0, row->size);
	memcpy(at, text, length);
	entry->fields |= (unsigned)field;
	return true;
}

double service_book_number(const struct book_entry *entry, enum book_field field)
{
	const struct field_row *row = &fields[bit_of(field)];
	const char *at = (const char *)entry + row->offset;
	double value;

	assert(row->size == 0);
	if ((entry->fields & (unsigned)field) == 0) {
		return NAN;
	}
	if (row->is_index) {
		unsigned index;

		memcpy(&index, at, sizeof(index));
		return index;
	}
	memcpy(&value, at, sizeof(value));
	return value;
}

const char *service_book_text(const struct book_entry *entry, enum book_field field)
{
	const struct field_row *row = &fields[bit_of(field)];

	assert(row->size > 0);
	return (entry->fields & (unsigned)field) == 0 ? "" : (const char *)entry + row->offset;
}

static bool knows_filter(const struct boat *boat, const char *name, bool sets_too)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(boat->filters[i].name, name) == 0) {
			return true;
		}
		if (sets_too && boat->filters[i].set[0] != '\0' &&
			strcmp(boat->filters[i].set, name) == 0) {
			return true;
		}
	}
	return false;
}

static bool in_a_set(const struct boat *boat, const char *name)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		const struct boat_filter *filter = &boat->filters[i];

		if (filter->set[0] != '\0' &&
			(strcmp(filter->name, name) == 0 || strcmp(filter->set, name) == 0)) {
			return true;
		}
	}
	return false;
}

static const char *complaint(unsigned field, const char *text, unsigned *ret_field)
{
	if (ret_field) {
		*ret_field = field;
	}
	return text;
}

static const char *check_field(const struct book_entry *entry, unsigned bit, unsigned *ret_field)
{
	const struct field_row *row = &fields[bit];
	enum book_field field = (enum book_field)(1U << bit);

	if (row->size == 0) {
		double value = service_book_number(entry, field);

		if (!(value >= row->low && value <= row->high)) {
			return complaint(field, row->out_of_range, ret_field);
		}
		return NULL;
	}
	if (service_book_text(entry, field)[0] == '\0') {
		return complaint(field, "an empty text tells nothing", ret_field);
	}
	for (const char *at = service_book_text(entry, field); *at != '\0'; at++) {
		if ((unsigned char)*at < 0x20 || *at == 0x7F) {
			return complaint(field, "a text is one line, without control characters",
				ret_field);
		}
	}
	return NULL;
}

const char *service_book_check(const struct book_entry *entry, const struct boat *boat,
	unsigned *ret_field)
{
	const struct book_kind_row *kind = service_book_kind(entry->kind);

	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		unsigned field = 1U << bit;
		const char *wrong = NULL;

		if ((entry->fields & field) != 0) {
			wrong = (kind->takes & field) == 0
				? complaint(field, "this kind of entry does not take it", ret_field)
				: check_field(entry, bit, ret_field);
		} else if ((kind->must_have & field) != 0) {
			wrong = complaint(field, fields[bit].missing, ret_field);
		}
		if (wrong) {
			return wrong;
		}
	}
	if ((entry->fields & BOOK_FILTER) != 0 &&
		!knows_filter(boat, entry->filter, entry->kind == BOOK_SWITCH)) {
		return complaint(BOOK_FILTER, "there is no filter of that name", ret_field);
	}
	if (entry->kind == BOOK_SWITCH && !in_a_set(boat, entry->filter)) {
		return complaint(BOOK_FILTER, "this filter is in no change-over set", ret_field);
	}
	if ((entry->fields & BOOK_ENGINE) != 0 && !boat->engines[entry->engine].present) {
		return complaint(BOOK_ENGINE, "there is no such engine", ret_field);
	}
	if (entry->kind == BOOK_STOCK && entry->pieces == 0) {
		return complaint(BOOK_PIECES, "no pieces, no move", ret_field);
	}
	if (entry->kind != BOOK_STOCK && (entry->fields & BOOK_PIECES) != 0 && entry->pieces < 0) {
		return complaint(BOOK_PIECES, "a number of pieces used is 0 or more", ret_field);
	}
	if ((entry->fields & BOOK_PIECES) != 0 && entry->pieces != floor(entry->pieces)) {
		return complaint(BOOK_PIECES, "pieces are whole", ret_field);
	}
	if (entry->kind == BOOK_LANDED &&
		(entry->fields & (BOOK_WASTE_FUEL | BOOK_WASTE_ELEMENTS)) == 0) {
		return complaint(BOOK_WASTE_FUEL, "what was landed: litres of fuel, elements?", ret_field);
	}
	return NULL;
}

int service_book_compare_revisions(const void *a, const void *b)
{
	const struct book_entry *left = a;
	const struct book_entry *right = b;

	if (left->entry != right->entry) {
		return left->entry < right->entry ? -1 : 1;
	}
	return (left->revision > right->revision) - (left->revision < right->revision);
}

int service_book_compare_done(const void *a, const void *b)
{
	const struct book_entry *left = a;
	const struct book_entry *right = b;

	if (left->done_ns != right->done_ns) {
		return left->done_ns < right->done_ns ? -1 : 1;
	}
	return service_book_compare_revisions(a, b);
}

size_t service_book_in_force(struct book_entry *entries, size_t count, bool keep_struck)
{
	size_t kept = 0;

	for (size_t i = 0; i < count; i++) {
		bool last = i + 1 == count || entries[i + 1].entry != entries[i].entry;

		if (last && (keep_struck || !entries[i].struck)) {
			if (kept != i) {
				entries[kept] = entries[i];
			}
			kept++;
		}
	}
	return kept;
}
