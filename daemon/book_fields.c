#include "daemon/book_fields.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/utc_time.h"

/* In the order of enum book_field's bits. option NULL: the shared --engine. */
static const struct {
	const char *option;
	enum quantity quantity;
	enum table_type type;
	int decimals;
} fields[BOOK_FIELD_COUNT] = {
	{"--filter", QUANTITY_NONE, TABLE_TEXT, 0},
	{NULL, QUANTITY_NONE, TABLE_INTEGER, 0},
	{"--tank", QUANTITY_NONE, TABLE_INTEGER, 0},
	{"--item", QUANTITY_NONE, TABLE_TEXT, 0},
	{"--micron", QUANTITY_SIZE, TABLE_REAL, 0},
	{"--rated", QUANTITY_FLOW, TABLE_REAL, 0},
	{"--pieces", QUANTITY_NONE, TABLE_REAL, 0},
	{"--seals", QUANTITY_NONE, TABLE_TEXT, 0},
	{"--litres", QUANTITY_VOLUME, TABLE_REAL, 1},
	{"--water", QUANTITY_VOLUME, TABLE_REAL, 2},
	{"--looks", QUANTITY_NONE, TABLE_TEXT, 0},
	{"--price", QUANTITY_NONE, TABLE_REAL, 2},
	{"--place", QUANTITY_NONE, TABLE_TEXT, 0},
	{"--waste-fuel", QUANTITY_VOLUME, TABLE_REAL, 2},
	{"--waste-elements", QUANTITY_NONE, TABLE_REAL, 0},
	{"--remark", QUANTITY_NONE, TABLE_TEXT, 0},
};

static enum book_field field_at(unsigned bit)
{
	return (enum book_field)(1U << bit);
}

static unsigned bit_of(enum book_field field)
{
	unsigned bit = 0;

	while (field_at(bit) != field) {
		bit++;
	}
	return bit;
}

const char *book_fields_option(enum book_field field)
{
	return field == BOOK_ENGINE ? "--engine" : fields[bit_of(field)].option;
}

bool book_fields_find(const char *column, enum book_field *ret_field)
{
	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		if (strcmp(service_book_field_name(bit), column) == 0) {
			*ret_field = field_at(bit);
			return true;
		}
	}
	return false;
}

bool book_fields_set(struct book_entry *entry, enum book_field field, const char *text)
{
	double value;
	char error[256];

	if (service_book_is_text(field)) {
		return service_book_set_text(entry, field, text);
	}
	if (units_parse(QUANTITY_NONE, text, &value, error, sizeof(error)) != 0) {
		return false;
	}
	service_book_set_number(entry, field, value);
	return true;
}

enum program_exit book_fields_take(const struct command_line *line, struct book_entry *entry)
{
	if (line->engine >= 0) {
		service_book_set_number(entry, BOOK_ENGINE, line->engine);
	}
	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		const char *option = fields[bit].option;
		const char *text = option ? command_value(line, option) : NULL;
		char expected[256];
		double value;

		if (!text) {
			continue;
		}
		if (service_book_is_text(field_at(bit))) {
			if (!service_book_set_text(entry, field_at(bit), text)) {
				return command_misused(line, "%s: the text is too long", option);
			}
		} else if (units_parse(fields[bit].quantity, text, &value, expected,
				   sizeof(expected)) != 0) {
			return command_misused(line, "%s: expected %s; got '%s'", option, expected,
				text);
		} else {
			service_book_set_number(entry, field_at(bit), value);
		}
	}
	return EXIT_DONE;
}

void book_fields_subject(const struct book_entry *entry, char *ret_text, size_t size)
{
	if ((entry->fields & BOOK_FILTER) != 0) {
		(void)snprintf(ret_text, size, "%s", entry->filter);
	} else if ((entry->fields & BOOK_ENGINE) != 0) {
		(void)snprintf(ret_text, size, "engine %u", entry->engine);
	} else if ((entry->fields & BOOK_TANK) != 0) {
		(void)snprintf(ret_text, size, "tank %u", entry->tank);
	} else {
		(void)snprintf(ret_text, size, "%s", "");
	}
}

/* A text that grows part by part, "; " between them. */
struct summary {
	char *text;
	size_t size;
	enum unit_system units;
};

static void add_part(struct summary *summary, const char *separator, const char *text)
{
	size_t used = strlen(summary->text);

	(void)snprintf(summary->text + used, summary->size - used, "%s%s", used == 0 ? "" : separator,
		text);
}

/* A figure in its display unit, with at most two decimals, behind a word. */
static void add_figure(struct summary *summary, const char *separator, const char *word,
	enum quantity quantity, double value)
{
	struct unit_display shown = units_display(quantity, summary->units);
	double display = value * shown.factor + shown.offset;
	char number[48];
	char text[128];

	(void)snprintf(number, sizeof(number), "%.2f", display);
	if (strchr(number, '.')) { /* 2.50 → 2.5, 2.00 → 2 */
		size_t end = strlen(number);

		while (number[end - 1] == '0') {
			end--;
		}
		number[number[end - 1] == '.' ? end - 1 : end] = '\0';
	}
	(void)snprintf(text, sizeof(text), "%s%s%s%s%s", word, word[0] == '\0' ? "" : " ", number,
		shown.unit[0] == '\0' ? "" : " ", shown.unit);
	add_part(summary, separator, text);
}

void book_fields_summary(const struct book_entry *entry, enum unit_system units, char *ret_text,
	size_t size)
{
	struct summary s = {ret_text, size, units};
	unsigned has = entry->fields;

	ret_text[0] = '\0';
	if (has & BOOK_ITEM) {
		add_part(&s, "; ", entry->item);
		if (has & BOOK_MICRON) {
			add_figure(&s, " ", "", QUANTITY_SIZE, entry->micron);
		}
		if (has & BOOK_RATED) {
			add_figure(&s, ", ", "rated", QUANTITY_FLOW, entry->rated_lph);
		}
		if ((has & BOOK_PIECES) && entry->kind != BOOK_STOCK) {
			add_figure(&s, ", ", "pieces", QUANTITY_NONE, entry->pieces);
		}
	}
	if (entry->kind == BOOK_STOCK) {
		add_figure(&s, ": ", entry->pieces < 0 ? "used" : "brought aboard", QUANTITY_NONE,
			fabs(entry->pieces));
	}
	if (has & BOOK_SEALS) {
		add_part(&s, "; with ", entry->seals);
	}
	if (has & BOOK_LITRES) {
		add_figure(&s, "; ", "", QUANTITY_VOLUME, entry->litres);
	}
	if (has & BOOK_WATER) {
		add_figure(&s, "; ", "water", QUANTITY_VOLUME, entry->water_l);
	}
	if (has & BOOK_LOOKS) {
		add_part(&s, "; ", entry->looks);
	}
	if (has & BOOK_PRICE) {
		add_figure(&s, "; ", "paid", QUANTITY_NONE, entry->price);
	}
	if (has & BOOK_WASTE_FUEL) {
		add_figure(&s, "; ", entry->kind == BOOK_LANDED ? "fuel" : "caught", QUANTITY_VOLUME,
			entry->waste_fuel_l);
	}
	if (has & BOOK_WASTE_ELEMENTS) {
		add_figure(&s, "; ", entry->kind == BOOK_LANDED ? "elements" : "waste elements",
			QUANTITY_NONE, entry->waste_elements);
	}
	if (has & BOOK_PLACE) {
		add_part(&s, "; at ", entry->place);
	}
	if (has & BOOK_REMARK) {
		add_part(&s, "; ", entry->remark);
	}
}

#define LEADING 5

void book_fields_table(struct table *table, const struct book_entry *entries, size_t count)
{
	static const struct table_column leading[LEADING] = {
		{"entry", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"revision", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"struck", TABLE_FLAG, QUANTITY_NONE, 0},
		{"kind", TABLE_TEXT, QUANTITY_NONE, 0},
		{"done_utc", TABLE_TIME, QUANTITY_NONE, 0},
	};
	static const struct table_column trailing[] = {
		{"engine_h", TABLE_REAL, QUANTITY_HOURS, 1},
		{"engine_fuel_l", TABLE_REAL, QUANTITY_VOLUME, 1},
		{"latitude_deg", TABLE_REAL, QUANTITY_NONE, 4},
		{"longitude_deg", TABLE_REAL, QUANTITY_NONE, 4},
		{"reason", TABLE_TEXT, QUANTITY_NONE, 0},
		{"written_utc", TABLE_TIME, QUANTITY_NONE, 0},
	};
	const size_t behind = sizeof(trailing) / sizeof(trailing[0]);
	struct table_column columns[LEADING + BOOK_FIELD_COUNT + sizeof(trailing) / sizeof(trailing[0])];

	memcpy(columns, leading, sizeof(leading));
	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		columns[LEADING + bit] = (struct table_column){service_book_field_name(bit),
			fields[bit].type, fields[bit].quantity, fields[bit].decimals};
	}
	memcpy(columns + LEADING + BOOK_FIELD_COUNT, trailing, sizeof(trailing));
	table_begin(table, "book", columns, LEADING + BOOK_FIELD_COUNT + behind);
	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];

		table_put_integer(table, entry->entry);
		table_put_integer(table, entry->revision);
		table_put_flag(table, entry->struck);
		table_put_text(table, service_book_kind(entry->kind)->name);
		table_put_time(table, entry->done_ns);
		for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
			if ((entry->fields & field_at(bit)) == 0) {
				table_put_unknown(table);
			} else if (fields[bit].type == TABLE_TEXT) {
				table_put_text(table, service_book_text(entry, field_at(bit)));
			} else if (fields[bit].type == TABLE_INTEGER) {
				table_put_integer(table,
					(int64_t)service_book_number(entry, field_at(bit)));
			} else {
				table_put_real(table, service_book_number(entry, field_at(bit)));
			}
		}
		table_put_real(table, entry->engine_h);
		table_put_real(table, entry->engine_fuel_l);
		table_put_real(table, entry->latitude_deg);
		table_put_real(table, entry->longitude_deg);
		table_put_text(table, entry->reason[0] == '\0' ? NULL : entry->reason);
		table_put_time(table, entry->written_ns);
		table_end_row(table);
	}
	table_end(table);
}

void book_fields_list(struct table *table, const struct book_entry *entries, size_t count,
	enum unit_system units, bool history)
{
	static const struct table_column columns[] = {
		{"entry", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"done_utc", TABLE_TIME, QUANTITY_NONE, 0},
		{"work", TABLE_TEXT, QUANTITY_NONE, 0},
		{"on", TABLE_TEXT, QUANTITY_NONE, 0},
		{"engine_h", TABLE_REAL, QUANTITY_HOURS, 1},
		{"what", TABLE_TEXT, QUANTITY_NONE, 0},
		{"revision", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"reason", TABLE_TEXT, QUANTITY_NONE, 0},
	};
	size_t shown = sizeof(columns) / sizeof(columns[0]) - (history ? 0 : 2);

	table_begin(table, "book", columns, shown);
	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];
		char subject[64];
		char summary[512];
		char work[64];

		book_fields_subject(entry, subject, sizeof(subject));
		book_fields_summary(entry, units, summary, sizeof(summary));
		(void)snprintf(work, sizeof(work), "%s%s", entry->struck ? "struck: " : "",
			service_book_kind(entry->kind)->title);
		table_put_integer(table, entry->entry);
		table_put_time(table, entry->done_ns);
		table_put_text(table, work);
		table_put_text(table, subject[0] == '\0' ? NULL : subject);
		table_put_real(table, entry->engine_h);
		table_put_text(table, summary[0] == '\0' ? NULL : summary);
		if (history) {
			table_put_integer(table, entry->revision);
			table_put_text(table, entry->reason[0] == '\0' ? NULL : entry->reason);
		}
		table_end_row(table);
	}
	table_end(table);
}
