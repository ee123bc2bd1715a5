/* book_commands.c: the service book on the command line. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/book_fields.h"
#include "daemon/book_file.h"
#include "daemon/book_store.h"
#include "daemon/book_write.h"
#include "daemon/commands.h"
#include "daemon/service_tables.h"
#include "daemon/utc_time.h"

/* A book of one boat is some hundred kilobytes after many years. */
#define FILE_BYTES_MAX (64 * 1024 * 1024)

/* The entry's number behind the action. */
static enum program_exit take_number(const struct command_line *line, int64_t *ret_number)
{
	char *end;

	if (line->argument_count < 2) {
		return command_misused(line, "%s: which entry? Give its number", line->arguments[0]);
	}
	errno = 0;
	*ret_number = strtoll(line->arguments[1], &end, 10);
	if (errno != 0 || *end != '\0' || *ret_number < 1) {
		return command_misused(line, "%s: '%s' is no entry's number", line->arguments[0],
			line->arguments[1]);
	}
	return EXIT_DONE;
}

static enum program_exit take_hours(const struct command_line *line, struct book_entry *entry)
{
	const char *text = command_value(line, "--engine-hours");
	char expected[256];

	if (!text) {
		return EXIT_DONE;
	}
	if (units_parse(QUANTITY_HOURS, text, &entry->engine_h, expected, sizeof(expected)) != 0 ||
		entry->engine_h < 0) {
		return command_misused(line, "--engine-hours: expected hours; got '%s'", text);
	}
	return EXIT_DONE;
}

static enum program_exit take_reason(const struct command_line *line, struct book_entry *entry)
{
	const char *text = command_value(line, "--reason");

	memset(entry->reason, 0, sizeof(entry->reason));
	if (!text) {
		return EXIT_DONE;
	}
	if (strlen(text) >= sizeof(entry->reason)) {
		return command_misused(line, "--reason: the text is too long");
	}
	memcpy(entry->reason, text, strlen(text));
	return EXIT_DONE;
}

static enum program_exit run_add(const struct command_line *line)
{
	struct log_store *store;
	struct book_entry entry;
	enum book_kind kind;
	enum program_exit status;

	if (line->argument_count < 2) {
		return command_misused(line, "add: what was done? change, drain, bleed, refuel …");
	}
	if (!service_book_find_kind(line->arguments[1], &kind)) {
		return command_misused(line, "add: there is no kind of work '%s'", line->arguments[1]);
	}
	service_book_entry_init(&entry, kind);
	entry.done_ns = book_write_now_ns();
	status = book_write_time(line, &entry.done_ns);
	status = status == EXIT_DONE ? take_hours(line, &entry) : status;
	status = status == EXIT_DONE ? book_fields_take(line, &entry) : status;
	book_write_usual_element(&line->settings.boat, &entry);
	/* What is wrong with it is told before a log is made for it. */
	status = status == EXIT_DONE ? book_write_check(line, &entry) : status;
	status = status == EXIT_DONE ? book_write_open(line, &store) : status;
	if (status == EXIT_DONE) {
		status = book_write_entry(line, store, &entry);
		log_store_close(store);
	}
	return status;
}

/* --clear FIELD: it is not told any more. */
static enum program_exit clear_fields(const struct command_line *line, struct book_entry *entry)
{
	for (size_t i = 0; i < line->option_count; i++) {
		enum book_field field;
		bool found = false;

		if (strcmp(line->options[i].name, "--clear") != 0) {
			continue;
		}
		for (unsigned bit = 0; !found && bit < BOOK_FIELD_COUNT; bit++) {
			field = (enum book_field)(1U << bit);
			found = strcmp(book_fields_option(field) + 2, line->options[i].value) == 0;
		}
		if (!found) {
			return command_misused(line, "--clear: there is no --%s",
				line->options[i].value);
		}
		entry->fields &= ~(unsigned)field;
	}
	return EXIT_DONE;
}

/* Opens the book and reads the entry whose number the command line gives. */
static enum program_exit open_entry(const struct command_line *line, struct log_store **ret_store,
	struct book_entry *ret_entry)
{
	int64_t number = 0;
	enum program_exit status = take_number(line, &number);
	int result;

	if (status == EXIT_DONE) {
		status = book_write_open(line, ret_store);
	}
	if (status != EXIT_DONE) {
		return status;
	}
	result = book_store_entry(log_store_db(*ret_store), number, ret_entry);
	if (result != 0) {
		log_store_close(*ret_store);
		return result == -ENOENT
			? command_failed(line, "there is no entry %lld in the book", (long long)number)
			: book_write_unread(line, result);
	}
	return EXIT_DONE;
}

static enum program_exit run_correct(const struct command_line *line)
{
	struct log_store *store;
	struct book_entry entry;
	struct book_entry before;
	enum program_exit status = open_entry(line, &store, &entry);

	if (status != EXIT_DONE) {
		return status;
	}
	before = entry;
	if (entry.struck) {
		status = command_failed(line, "entry %lld is struck; take that back first: book restore "
			"%lld", (long long)entry.entry, (long long)entry.entry);
	}
	status = status == EXIT_DONE ? clear_fields(line, &entry) : status;
	status = status == EXIT_DONE ? book_fields_take(line, &entry) : status;
	status = status == EXIT_DONE ? book_write_time(line, &entry.done_ns) : status;
	if (status == EXIT_DONE && entry.done_ns != before.done_ns) {
		/* Another moment: what the log knew of the first one does not hold. */
		entry.engine_h = NAN;
		entry.engine_fuel_l = NAN;
		entry.latitude_deg = NAN;
		entry.longitude_deg = NAN;
	}
	status = status == EXIT_DONE ? take_hours(line, &entry) : status;
	if (status == EXIT_DONE && memcmp(&entry, &before, sizeof(entry)) == 0) {
		status = command_misused(line, "correct: nothing is told that differs from entry %lld",
			(long long)entry.entry);
	}
	status = status == EXIT_DONE ? take_reason(line, &entry) : status;
	if (status == EXIT_DONE) {
		status = book_write_entry(line, store, &entry);
	}
	log_store_close(store);
	return status;
}

static enum program_exit set_struck(const struct command_line *line, bool struck)
{
	struct log_store *store;
	struct book_entry entry;
	enum program_exit status = open_entry(line, &store, &entry);

	if (status != EXIT_DONE) {
		return status;
	}
	if (entry.struck == struck) {
		status = command_failed(line, "entry %lld is %sstruck", (long long)entry.entry,
			struck ? "already " : "not ");
	}
	entry.struck = struck;
	status = status == EXIT_DONE ? take_reason(line, &entry) : status;
	if (status == EXIT_DONE) {
		entry.written_ns = book_write_now_ns();
		status = book_store_put(store, &entry, 1) == 0
			? book_write_show(line, store, &entry)
			: command_failed(line, "%s", log_store_error(store));
	}
	log_store_close(store);
	return status;
}

static enum program_exit run_strike(const struct command_line *line)
{
	return set_struck(line, true);
}

static enum program_exit run_restore(const struct command_line *line)
{
	return set_struck(line, false);
}

/* Keeps in place what the command line asks to see. */
static size_t select_entries(const struct command_line *line, const char *kind_name,
	struct book_entry *entries, size_t count)
{
	const char *filter = command_value(line, "--filter");
	size_t kept = 0;

	for (size_t i = 0; i < count; i++) {
		const struct book_entry *entry = &entries[i];
		bool wanted = (!line->has_since || entry->done_ns >= line->since_ns) &&
			(!line->has_until || entry->done_ns < line->until_ns) &&
			(!kind_name || strcmp(service_book_kind(entry->kind)->name, kind_name) == 0) &&
			(!filter || strcmp(service_book_text(entry, BOOK_FILTER), filter) == 0) &&
			(line->engine < 0 ||
				book_write_engine(&line->settings.boat, entry) == (unsigned)line->engine);

		if (wanted) {
			entries[kept++] = *entry;
		}
	}
	return kept;
}

static enum program_exit put_entries(const struct command_line *line, struct table *table,
	struct log_store *store, const char *kind_name, bool history, bool people)
{
	struct book_entry *entries;
	size_t count;
	int result = history ? book_store_revisions(log_store_db(store), &entries, &count)
			     : book_store_entries(log_store_db(store), &entries, &count);

	if (result != 0) {
		return book_write_unread(line, result);
	}
	count = select_entries(line, kind_name, entries, count);
	if (people) {
		book_fields_list(table, entries, count, line->settings.units, history);
	} else {
		book_fields_table(table, entries, count);
	}
	free(entries);
	return EXIT_DONE;
}

enum program_exit service_table_book(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return put_entries(line, table, store, NULL, false, line->format == TABLE_PEOPLE);
}

static enum program_exit show_entries(const struct command_line *line, const char *kind_name,
	bool history, enum table_format format)
{
	struct log_store *store;
	struct table *table;
	enum program_exit status = command_open_log(line, &store);

	if (status != EXIT_DONE) {
		return status;
	}
	if (table_open(&table, stdout, format, line->settings.units) != 0) {
		status = command_failed(line, "no memory left");
	} else {
		status = command_close_output(line, table,
			put_entries(line, table, store, kind_name, history, format == TABLE_PEOPLE));
	}
	log_store_close(store);
	return status;
}

static enum program_exit run_list(const struct command_line *line)
{
	const char *kind_name = line->argument_count > 1 ? line->arguments[1] : NULL;
	enum book_kind kind;

	if (kind_name && !service_book_find_kind(kind_name, &kind)) {
		return command_misused(line, "list: there is no kind of work '%s'", kind_name);
	}
	return show_entries(line, kind_name, command_value(line, "--history") != NULL, line->format);
}

static enum program_exit run_export(const struct command_line *line)
{
	return show_entries(line, NULL, true, line->format == TABLE_PEOPLE ? TABLE_CSV : line->format);
}

/* The whole of a file, or of standard input for "-", ended by NUL. */
static enum program_exit read_file(const struct command_line *line, const char *name, char **ret_text)
{
	FILE *file = strcmp(name, "-") == 0 ? stdin : fopen(name, "re");
	char *text = NULL;
	size_t used = 0;
	size_t room = 0;
	enum program_exit status = EXIT_DONE;

	if (!file) {
		return command_failed(line, "cannot read '%s': %s", name, strerror(errno));
	}
	while (status == EXIT_DONE && !feof(file)) {
		if (room - used < 2) {
			char *larger;

			room = room == 0 ? 65536 : room * 2;
			larger = room > FILE_BYTES_MAX ? NULL : realloc(text, room);
			if (!larger) {
				status = command_failed(line, "'%s' is too large", name);
				break;
			}
			text = larger;
		}
		used += fread(text + used, 1, room - used - 1, file);
		if (ferror(file)) {
			status = command_failed(line, "cannot read '%s': %s", name, strerror(errno));
		}
	}
	if (file != stdin) {
		(void)fclose(file); /* only read */
	}
	if (status == EXIT_DONE) {
		text[used] = '\0';
		if (memchr(text, '\0', used)) {
			status = command_failed(line, "'%s' is no text", name);
		}
	}
	if (status != EXIT_DONE) {
		free(text);
		return status;
	}
	*ret_text = text;
	return EXIT_DONE;
}

static enum program_exit import_entries(const struct command_line *line, struct log_store *store,
	struct book_entry *entries, size_t count)
{
	size_t known = 0;

	for (size_t i = 0; i < count; i++) {
		unsigned engine = book_write_engine(&line->settings.boat, &entries[i]);

		if (entries[i].entry == 0 &&
			book_store_fill(log_store_db(store), engine, &entries[i]) != 0) {
			return command_failed(line, "cannot read the log");
		}
	}
	if (book_store_import(store, entries, count, &known) != 0) {
		return command_failed(line, "%s; nothing was imported", log_store_error(store));
	}
	(void)printf("%zu %s imported, %zu %s in the book already\n", count - known,
		count - known == 1 ? "row" : "rows", known, known == 1 ? "was" : "were");
	return EXIT_DONE;
}

static enum program_exit run_import(const struct command_line *line)
{
	struct log_store *store;
	struct book_entry *entries = NULL;
	size_t count = 0;
	char *text = NULL;
	char error[512];
	enum program_exit status;

	if (line->argument_count < 2) {
		return command_misused(line, "import: which file? (- for standard input)");
	}
	status = read_file(line, line->arguments[1], &text);
	if (status == EXIT_DONE &&
		book_file_read(text, line->arguments[1], &line->settings.boat, book_write_now_ns(), &entries,
			&count, error, sizeof(error)) != 0) {
		status = command_failed(line, "%s; nothing was imported", error);
	}
	status = status == EXIT_DONE ? book_write_open(line, &store) : status;
	if (status == EXIT_DONE) {
		status = import_entries(line, store, entries, count);
		log_store_close(store);
	}
	free(entries);
	free(text);
	return status;
}

static enum program_exit run_book(const struct command_line *line)
{
	static const struct {
		const char *name;
		enum program_exit (*run)(const struct command_line *line);
	} actions[] = {
		{"list", run_list},     {"add", run_add},       {"correct", run_correct},
		{"strike", run_strike}, {"restore", run_restore}, {"export", run_export},
		{"import", run_import},
	};

	if (line->argument_count == 0) {
		return run_list(line);
	}
	for (size_t i = 0; i < sizeof(actions) / sizeof(actions[0]); i++) {
		if (strcmp(line->arguments[0], actions[i].name) == 0) {
			return actions[i].run(line);
		}
	}
	return command_misused(line, "'%s' is nothing to do with the book; expected list, add, correct, "
		"strike, restore, export or import", line->arguments[0]);
}

static const struct command_option book_options[] = {
	{"--at", "TIME", "when it was done, UTC: 2026-06-01T08:30 (else now)"},
	BOOK_FIELD_OPTIONS,
	{"--engine-hours", "H", "hours on the engine's meter (else from the log)"},
	{"--clear", "FIELD", "correct: this option's field is not told any more"},
	{"--reason", "TEXT", "correct, strike, restore: why"},
	{"--history", NULL, "list: every revision, struck ones too"},
	{NULL, NULL, NULL},
};

const struct command command_book = {
	.name = "book",
	.summary = "the service book: what was done, when, with what",
	.arguments = "[list [KIND] | add KIND | correct N | strike N | restore N | export | import FILE]",
	.arguments_least = 0,
	.arguments_most = 2,
	.help = "Keeps the service book. KIND is change (an element), drain, bleed, switch (of a change-over set),\n"
		"tank-cleaning, additive, refuel, oil, engine-work, burn-reset (the engine's burn is learned anew),\n"
		"stock (spares), landed (waste) or note. Engine hours, litres burned and the position come from\n"
		"the log at the time of the work. A change closes the old element's account and opens the new\n"
		"one's, uses a spare, and answers the events that it is a remedy for. Nothing is ever erased: a\n"
		"correction or a strike is a further revision, and restore takes a strike back. It can be\n"
		"written while the log is.\n\n"
		"  sightbowl book --db boat.db\n"
		"  sightbowl book add change --filter primary --waste-fuel 0.5 --db boat.db\n"
		"without --db, with the log that the configuration names:\n"
		"  sightbowl book add drain --filter primary --water '150 mL' --looks 'clear, a little rust'\n"
		"  sightbowl book add refuel --litres 120 --place 'town quay' --at 2026-06-01T10:00\n"
		"  sightbowl book correct 12 --litres 102 --reason 'read the receipt'\n"
		"  sightbowl book strike 13 --reason 'written twice'\n"
		"  sightbowl book export > book.csv        (--json for JSON)\n"
		"  sightbowl book import book.csv --db other.db",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT | COMMAND_TAKES_RANGE |
		COMMAND_TAKES_ENGINE,
	.options = book_options,
	.run = run_book,
};
