#include "daemon/table.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "daemon/utc_time.h"

/* Enough for every value that the contract names, and short of the noise of binary fractions. */
#define REAL_DIGITS 10

struct table {
	FILE *out;
	enum table_format format;
	enum unit_system units;
	size_t tables; /* begun so far */
	int error;     /* sticks */

	const char *name;
	const struct table_column *columns;
	size_t count;
	size_t at;   /* next cell of the row */
	size_t rows; /* ended so far */

	json_t *row;  /* TABLE_JSON: the row being filled */
	char **cells;  /* TABLE_PEOPLE: all cells, row by row; NULL: not known */
	size_t cells_used;
	size_t cells_size;
};

int table_open(struct table **ret_table, FILE *out, enum table_format format,
	enum unit_system units)
{
	struct table *table = calloc(1, sizeof(*table));

	if (table == NULL) {
		return -ENOMEM;
	}
	table->out = out;
	table->format = format;
	table->units = units;
	*ret_table = table;
	return 0;
}

static void fail(struct table *table, int error)
{
	if (table->error == 0) {
		table->error = error;
	}
}

static void put_characters(struct table *table, const char *text)
{
	if (table->error == 0 && fputs(text, table->out) == EOF) {
		fail(table, errno != 0 ? -errno : -EIO);
	}
}

/* RFC 4180: a field that holds a comma, a quote or a line break is quoted, its quotes doubled. */
static void put_csv_field(struct table *table, const char *text)
{
	if (strpbrk(text, ",\"\r\n") == NULL) {
		put_characters(table, text);
		return;
	}
	put_characters(table, "\"");
	for (const char *at = text; *at != '\0'; at++) {
		char piece[3] = {*at, *at == '"' ? '"' : '\0', '\0'};
		put_characters(table, piece);
	}
	put_characters(table, "\"");
}

void table_begin(struct table *table, const char *name, const struct table_column *columns,
	size_t count)
{
	assert(table->columns == NULL);
	table->name = name;
	table->columns = columns;
	table->count = count;
	table->at = 0;
	table->rows = 0;
	switch (table->format) {
	case TABLE_JSON:
		put_characters(table, table->tables == 0 ? "{\n\"" : ",\n\"");
		put_characters(table, name);
		put_characters(table, "\": [");
		break;
	case TABLE_CSV:
		put_characters(table, table->tables == 0 ? "" : "\r\n");
		for (size_t i = 0; i < count; i++) {
			put_characters(table, i == 0 ? "" : ",");
			put_csv_field(table, columns[i].name);
		}
		put_characters(table, "\r\n");
		break;
	case TABLE_PEOPLE:
		break;
	}
	table->tables++;
}

/* Keeps a cell of the table for people until all widths are known; takes over text. */
static void keep_cell(struct table *table, char *text)
{
	if (table->cells_used == table->cells_size) {
		size_t size = table->cells_size == 0 ? 256 : table->cells_size * 2;
		char **cells = realloc(table->cells, size * sizeof(*cells));
		if (cells == NULL) {
			fail(table, -ENOMEM);
			free(text);
			return;
		}
		table->cells = cells;
		table->cells_size = size;
	}
	table->cells[table->cells_used++] = text;
}

/* value: taken over (NULL: not known, for which no memory is also reported). text: for the other
 * two formats; NULL when not known. */
static void put_cell(struct table *table, const char *text, json_t *value)
{
	assert(table->columns != NULL && table->at < table->count);
	const struct table_column *column = &table->columns[table->at++];

	switch (table->format) {
	case TABLE_JSON:
		if (table->row == NULL) {
			table->row = json_object();
		}
		if (json_object_set_new(table->row, column->name,
			    text == NULL ? json_null() : value) != 0) {
			fail(table, -ENOMEM);
		}
		return;
	case TABLE_CSV:
		put_characters(table, table->at == 1 ? "" : ",");
		if (text != NULL) {
			put_csv_field(table, text);
		}
		return;
	case TABLE_PEOPLE: {
		char *copy = NULL;
		if (text != NULL) {
			copy = strdup(text);
			if (copy == NULL) {
				fail(table, -ENOMEM);
			}
		}
		keep_cell(table, copy);
		return;
	}
	}
}

void table_put_integer(struct table *table, int64_t value)
{
	char text[32];

	(void)snprintf(text, sizeof(text), "%" PRId64, value);
	put_cell(table, text, table->format == TABLE_JSON ? json_integer(value) : NULL);
}

void table_put_real(struct table *table, double value)
{
	char text[64];

	assert(table->at < table->count);
	if (!isfinite(value)) {
		table_put_unknown(table);
		return;
	}
	if (table->format == TABLE_PEOPLE) {
		const struct table_column *column = &table->columns[table->at];
		struct unit_display display = units_display(column->quantity, table->units);
		double shown = value * display.factor + display.offset;
		(void)snprintf(text, sizeof(text), "%.*f", column->decimals, shown);
		/* A small negative number rounds to "-0.0": say 0. */
		if (text[0] == '-' && strspn(text + 1, "0.") == strlen(text + 1)) {
			memmove(text, text + 1, strlen(text));
		}
	} else {
		(void)snprintf(text, sizeof(text), "%.*g", REAL_DIGITS, value + 0.0);
	}
	put_cell(table, text, table->format == TABLE_JSON ? json_real(value + 0.0) : NULL);
}

/* Bytes of the UTF-8 character at text, 0 when it is none. */
static size_t character_bytes(const char *text)
{
	const unsigned char *at = (const unsigned char *)text;
	size_t bytes = at[0] < 0x80 ? 1
		: at[0] >= 0xC2 && at[0] < 0xE0 ? 2
		: at[0] >= 0xE0 && at[0] < 0xF0 ? 3
		: at[0] >= 0xF0 && at[0] < 0xF5 ? 4
						: 0;

	for (size_t i = 1; i < bytes; i++) {
		if ((at[i] & 0xC0) != 0x80) {
			return 0;
		}
	}
	/* Overlong forms, surrogates, beyond U+10FFFF. */
	if ((at[0] == 0xE0 && at[1] < 0xA0) || (at[0] == 0xED && at[1] > 0x9F) ||
		(at[0] == 0xF0 && at[1] < 0x90) || (at[0] == 0xF4 && at[1] > 0x8F)) {
		return 0;
	}
	return bytes;
}

/* A copy in which whatever a terminal could take for a command, or no reader for text, is a '?':
 * names come from the bus too. NULL when there is no memory. */
static char *printable(const char *text)
{
	char *copy = strdup(text);

	for (size_t i = 0; copy != NULL && copy[i] != '\0';) {
		size_t bytes = character_bytes(copy + i);
		if (bytes == 0 || (unsigned char)copy[i] < 0x20 || copy[i] == 0x7F) {
			copy[i] = '?';
			bytes = 1;
		}
		i += bytes;
	}
	return copy;
}

void table_put_text(struct table *table, const char *text)
{
	char *copy = NULL;

	if (text != NULL) {
		copy = printable(text);
		if (copy == NULL) {
			fail(table, -ENOMEM);
		}
	}
	put_cell(table, copy, table->format == TABLE_JSON && copy != NULL ? json_string(copy) : NULL);
	free(copy);
}

void table_put_time(struct table *table, int64_t utc_ns)
{
	char text[UTC_TEXT_MAX];

	utc_format(utc_ns, text);
	table_put_text(table, text);
}

void table_put_flag(struct table *table, bool value)
{
	const char *text = table->format == TABLE_PEOPLE ? (value ? "yes" : "no")
							 : (value ? "true" : "false");

	put_cell(table, text, table->format == TABLE_JSON ? json_boolean(value) : NULL);
}

void table_put_unknown(struct table *table)
{
	put_cell(table, NULL, NULL);
}

void table_end_row(struct table *table)
{
	while (table->at < table->count) {
		table_put_unknown(table);
	}
	switch (table->format) {
	case TABLE_JSON:
		put_characters(table, table->rows == 0 ? "\n  " : ",\n  ");
		if (table->error == 0 &&
			json_dumpf(table->row, table->out, JSON_REAL_PRECISION(REAL_DIGITS)) != 0) {
			fail(table, ferror(table->out) != 0 ? -EIO : -ENOMEM);
		}
		json_decref(table->row);
		table->row = NULL;
		break;
	case TABLE_CSV:
		put_characters(table, "\r\n");
		break;
	case TABLE_PEOPLE:
		break;
	}
	table->at = 0;
	table->rows++;
}

/* Columns that a text takes: code points, for a terminal in UTF-8. */
static size_t text_width(const char *text)
{
	size_t width = 0;

	for (const char *at = text; *at != '\0'; at++) {
		width += ((unsigned char)*at & 0xC0) != 0x80;
	}
	return width;
}

/* The column's name, its ending put to the unit that is shown: fuel_l → fuel_gal. */
static void column_title(const struct table *table, size_t column, char *ret_title, size_t size)
{
	const struct table_column *c = &table->columns[column];
	struct unit_display own = units_display(c->quantity, UNITS_METRIC);
	struct unit_display shown = units_display(c->quantity, table->units);
	size_t length = strlen(c->name);
	size_t suffix = strlen(own.suffix);

	if (suffix > 0 && length >= suffix && strcmp(c->name + length - suffix, own.suffix) == 0) {
		(void)snprintf(ret_title, size, "%.*s%s", (int)(length - suffix), c->name,
			shown.suffix);
	} else {
		(void)snprintf(ret_title, size, "%s", c->name);
	}
}

static void put_aligned(struct table *table, const char *text, size_t width, bool right, bool last)
{
	size_t pad = width - text_width(text);

	for (size_t i = 0; right && i < pad; i++) {
		put_characters(table, " ");
	}
	put_characters(table, text);
	for (size_t i = 0; !right && !last && i < pad; i++) {
		put_characters(table, " ");
	}
}

static void print_for_people(struct table *table)
{
	size_t *widths = calloc(table->count, sizeof(*widths));
	char title[64];

	if (widths == NULL) {
		fail(table, -ENOMEM);
		return;
	}
	if (table->tables > 1) {
		put_characters(table, "\n");
	}
	if (table->rows == 0) {
		put_characters(table, "no ");
		put_characters(table, table->name);
		put_characters(table, "\n");
		free(widths);
		return;
	}
	for (size_t c = 0; c < table->count; c++) {
		column_title(table, c, title, sizeof(title));
		widths[c] = text_width(title);
		for (size_t i = c; i < table->cells_used; i += table->count) {
			size_t width = table->cells[i] == NULL ? 1 : text_width(table->cells[i]);
			widths[c] = width > widths[c] ? width : widths[c];
		}
	}
	for (size_t row = 0; row <= table->rows; row++) {
		for (size_t c = 0; c < table->count; c++) {
			enum table_type type = table->columns[c].type;
			const char *text = title;
			if (row == 0) {
				column_title(table, c, title, sizeof(title));
			} else {
				text = table->cells[(row - 1) * table->count + c];
			}
			put_characters(table, c == 0 ? "" : "  ");
			put_aligned(table, text == NULL ? "-" : text, widths[c],
				type == TABLE_INTEGER || type == TABLE_REAL, c + 1 == table->count);
		}
		put_characters(table, "\n");
	}
	free(widths);
}

static void forget_cells(struct table *table)
{
	for (size_t i = 0; i < table->cells_used; i++) {
		free(table->cells[i]);
	}
	table->cells_used = 0;
}

void table_end(struct table *table)
{
	assert(table->columns != NULL && table->at == 0);
	switch (table->format) {
	case TABLE_JSON:
		put_characters(table, table->rows == 0 ? "]" : "\n]");
		break;
	case TABLE_CSV:
		break;
	case TABLE_PEOPLE:
		if (table->error == 0) {
			print_for_people(table);
		}
		forget_cells(table);
		break;
	}
	table->columns = NULL;
}

int table_close(struct table *table)
{
	int error;

	if (table == NULL) {
		return 0;
	}
	if (table->format == TABLE_JSON && table->error == 0) {
		put_characters(table, table->tables == 0 ? "{}\n" : "\n}\n");
	}
	if (table->error == 0 && fflush(table->out) != 0) {
		fail(table, -errno);
	}
	error = table->error;
	forget_cells(table);
	free(table->cells);
	json_decref(table->row);
	free(table);
	return error;
}
