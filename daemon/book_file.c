#include "daemon/book_file.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "daemon/book_fields.h"
#include "daemon/csv_file.h"
#include "daemon/print_format.h"
#include "daemon/utc_time.h"

struct reading {
	const char *name;
	const char *place; /* "line" or "row" */
	size_t number;
	const struct boat *boat;
	int64_t now_ns;
	char *error;
	size_t error_size;
	struct book_entry *entries;
	size_t count;
	size_t room;
};

PRINT_FORMAT(2, 3) static int refuse(struct reading *reading, const char *format, ...)
{
	va_list arguments;
	int used = snprintf(reading->error, reading->error_size, "%s: %s %zu: ", reading->name,
		reading->place, reading->number);

	if (used >= 0 && (size_t)used < reading->error_size) {
		va_start(arguments, format);
		(void)vsnprintf(reading->error + used, reading->error_size - (size_t)used, format,
			arguments);
		va_end(arguments);
	}
	return -EINVAL;
}

/* Fields that are none of enum book_field. */
enum own_column { OWN_ENTRY, OWN_REVISION, OWN_STRUCK, OWN_KIND, OWN_DONE, OWN_WRITTEN,
	OWN_ENGINE_H, OWN_ENGINE_FUEL, OWN_LATITUDE, OWN_LONGITUDE, OWN_REASON, OWN_COUNT };

static const char *const own_names[OWN_COUNT] = {
	[OWN_ENTRY] = "entry",
	[OWN_REVISION] = "revision",
	[OWN_STRUCK] = "struck",
	[OWN_KIND] = "kind",
	[OWN_DONE] = "done_utc",
	[OWN_WRITTEN] = "written_utc",
	[OWN_ENGINE_H] = "engine_h",
	[OWN_ENGINE_FUEL] = "engine_fuel_l",
	[OWN_LATITUDE] = "latitude_deg",
	[OWN_LONGITUDE] = "longitude_deg",
	[OWN_REASON] = "reason",
};

static bool parse_number(const char *text, double *ret_value)
{
	char error[256];

	return units_parse(QUANTITY_NONE, text, ret_value, error, sizeof(error)) == 0;
}

static bool parse_whole(const char *text, int64_t *ret_value)
{
	double value;

	if (!parse_number(text, &value) || value < 1 || value > 1e15 || value != floor(value)) {
		return false;
	}
	*ret_value = (int64_t)value;
	return true;
}

static bool parse_flag(const char *text, bool *ret_value)
{
	if (strcmp(text, "true") == 0 || strcmp(text, "yes") == 0 || strcmp(text, "1") == 0) {
		*ret_value = true;
	} else if (strcmp(text, "false") == 0 || strcmp(text, "no") == 0 || strcmp(text, "0") == 0) {
		*ret_value = false;
	} else {
		return false;
	}
	return true;
}

static bool set_own(struct book_entry *entry, enum own_column column, const char *text)
{
	switch (column) {
	case OWN_ENTRY:
		return parse_whole(text, &entry->entry);
	case OWN_REVISION:
		return parse_whole(text, &entry->revision);
	case OWN_STRUCK:
		return parse_flag(text, &entry->struck);
	case OWN_DONE:
		return utc_parse(text, &entry->done_ns);
	case OWN_WRITTEN:
		return utc_parse(text, &entry->written_ns);
	case OWN_ENGINE_H:
		return parse_number(text, &entry->engine_h) && entry->engine_h >= 0;
	case OWN_ENGINE_FUEL:
		return parse_number(text, &entry->engine_fuel_l) && entry->engine_fuel_l >= 0;
	case OWN_LATITUDE:
		return parse_number(text, &entry->latitude_deg) && fabs(entry->latitude_deg) <= 90;
	case OWN_LONGITUDE:
		return parse_number(text, &entry->longitude_deg) && fabs(entry->longitude_deg) <= 180;
	case OWN_REASON:
		if (strlen(text) >= sizeof(entry->reason)) {
			return false;
		}
		memcpy(entry->reason, text, strlen(text) + 1);
		return true;
	case OWN_KIND:
	case OWN_COUNT:
		break;
	}
	return true; /* the kind was read first */
}

/* Sets one cell; an empty one tells nothing. */
static int set_cell(struct reading *reading, struct book_entry *entry, const char *column,
	const char *text)
{
	enum book_field field;

	if (text[0] == '\0') {
		return 0;
	}
	for (unsigned i = 0; i < OWN_COUNT; i++) {
		if (strcmp(own_names[i], column) == 0) {
			return set_own(entry, (enum own_column)i, text)
				? 0
				: refuse(reading, "%s: '%s' cannot be read", column, text);
		}
	}
	if (!book_fields_find(column, &field)) {
		return refuse(reading, "there is no column '%s' in the book", column);
	}
	return book_fields_set(entry, field, text)
		? 0
		: refuse(reading, "%s: '%s' cannot be read", column, text);
}

static int begin_entry(struct reading *reading, const char *kind_name, struct book_entry **ret_entry)
{
	enum book_kind kind;

	if (!kind_name || kind_name[0] == '\0') {
		return refuse(reading, "the kind of entry is missing");
	}
	if (!service_book_find_kind(kind_name, &kind)) {
		return refuse(reading, "there is no kind of entry '%s'", kind_name);
	}
	if (reading->count == reading->room) {
		size_t room = reading->room == 0 ? 32 : reading->room * 2;
		struct book_entry *larger = realloc(reading->entries, room * sizeof(*larger));

		if (!larger) {
			return -ENOMEM;
		}
		reading->entries = larger;
		reading->room = room;
	}
	*ret_entry = &reading->entries[reading->count++];
	service_book_entry_init(*ret_entry, kind);
	(*ret_entry)->done_ns = INT64_MIN;
	(*ret_entry)->written_ns = reading->now_ns;
	return 0;
}

static int end_entry(struct reading *reading, struct book_entry *entry)
{
	unsigned field = 0;
	const char *wrong;

	if (entry->done_ns == INT64_MIN) {
		return refuse(reading, "done_utc is missing");
	}
	if (entry->entry == 0 && (entry->revision != 1 || entry->struck)) {
		return refuse(reading, "a new entry (one without a number) has no revisions and is not "
			"struck");
	}
	wrong = service_book_check(entry, reading->boat, &field);
	if (!wrong) {
		return 0;
	}
	for (unsigned bit = 0; bit < BOOK_FIELD_COUNT; bit++) {
		if (field == 1U << bit) {
			return refuse(reading, "%s: %s", service_book_field_name(bit), wrong);
		}
	}
	return refuse(reading, "%s", wrong);
}

static int read_csv(struct reading *reading, char *text)
{
	struct csv_reader reader;
	struct csv_record header;
	struct csv_record record;
	size_t kind_column = 0;
	int result;

	reading->place = "line";
	reading->number = 1;
	csv_start(&reader, text);
	result = csv_next(&reader, &header);
	if (result <= 0) {
		return refuse(reading, "%s", result == 0 ? "the file is empty" : "this is no CSV");
	}
	while (kind_column < header.count && strcmp(header.fields[kind_column], "kind") != 0) {
		kind_column++;
	}
	while ((result = csv_next(&reader, &record)) > 0) {
		struct book_entry *entry;

		reading->number = record.line;
		if (record.count != header.count) {
			return refuse(reading, "has %zu fields, the header row has %zu", record.count,
				header.count);
		}
		result = begin_entry(reading,
			kind_column < record.count ? record.fields[kind_column] : NULL, &entry);
		for (size_t i = 0; result == 0 && i < record.count; i++) {
			result = set_cell(reading, entry, header.fields[i], record.fields[i]);
		}
		if (result == 0) {
			result = end_entry(reading, entry);
		}
		if (result != 0) {
			return result;
		}
	}
	reading->number = reader.line;
	return result < 0 ? refuse(reading, "a quote is left open, or text follows a closing one") : 0;
}

/* A JSON value as the text that a CSV cell would hold; NULL: neither text, number, flag nor null. */
static const char *value_text(const json_t *value, char *buffer, size_t size)
{
	if (json_is_string(value)) {
		return json_string_value(value);
	}
	if (json_is_integer(value)) {
		(void)snprintf(buffer, size, "%lld", (long long)json_integer_value(value));
		return buffer;
	}
	if (json_is_real(value)) {
		(void)snprintf(buffer, size, "%.17g", json_real_value(value));
		return buffer;
	}
	if (json_is_boolean(value)) {
		return json_is_true(value) ? "true" : "false";
	}
	return json_is_null(value) ? "" : NULL;
}

static int read_json_row(struct reading *reading, json_t *row)
{
	struct book_entry *entry;
	const char *column;
	json_t *value;
	char buffer[64];
	int result;

	if (!json_is_object(row)) {
		return refuse(reading, "expected an object");
	}
	result = begin_entry(reading, json_string_value(json_object_get(row, "kind")), &entry);
	if (result != 0) {
		return result;
	}
	json_object_foreach (row, column, value) {
		const char *text = value_text(value, buffer, sizeof(buffer));

		result = text ? set_cell(reading, entry, column, text)
			      : refuse(reading, "%s: expected a text, a number, true, false or null",
					column);
		if (result != 0) {
			return result;
		}
	}
	return end_entry(reading, entry);
}

static int read_json(struct reading *reading, const char *text)
{
	json_error_t error;
	json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, &error);
	json_t *rows = json_is_array(root) ? root : json_object_get(root, "book");
	json_t *row;
	size_t index;
	int result = 0;

	reading->place = "line";
	if (!root) {
		reading->number = (size_t)(error.line > 0 ? error.line : 1);
		return refuse(reading, "this is no JSON: %s", error.text);
	}
	reading->number = 1;
	if (!json_is_array(rows)) {
		result = refuse(reading, "expected {\"book\": [rows]}");
	}
	reading->place = "row";
	json_array_foreach (rows, index, row) {
		if (result == 0) {
			reading->number = index + 1;
			result = read_json_row(reading, row);
		}
	}
	json_decref(root);
	return result;
}

int book_file_read(char *text, const char *name, const struct boat *boat, int64_t now_ns,
	struct book_entry **ret_entries, size_t *ret_count, char *ret_error, size_t error_size)
{
	struct reading reading = {
		.name = name,
		.boat = boat,
		.now_ns = now_ns,
		.error = ret_error,
		.error_size = error_size,
	};
	const char *first = text + strspn(text, " \t\r\n");
	int result = *first == '{' || *first == '[' ? read_json(&reading, text)
						    : read_csv(&reading, text);

	if (result != 0) {
		free(reading.entries);
		if (result == -ENOMEM) {
			(void)snprintf(ret_error, error_size, "%s: no memory left", name);
		}
		return result;
	}
	*ret_entries = reading.entries;
	*ret_count = reading.count;
	return 0;
}
