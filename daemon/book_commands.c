/* book_commands.c: the service book on the command line. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "analysis/event_answer.h"
#include "daemon/book_fields.h"
#include "daemon/book_file.h"
#include "daemon/book_store.h"
#include "daemon/commands.h"
#include "daemon/service_account.h"
#include "daemon/utc_time.h"

/* A book of one boat is some hundred kilobytes after many years. */
#define FILE_BYTES_MAX (64 * 1024 * 1024)
/* A boat's clock may be a little behind the one that a time was read from. */
#define FUTURE_NS (INT64_C(3600) * NS_PER_S)

/* The time now, in whole seconds, as the book keeps them. */
static int64_t now_ns(void)
{
	return (int64_t)time(NULL) * NS_PER_S;
}

/* Opens the log for a small write, whether or not it is being written. */
static enum program_exit open_book(const struct command_line *line, struct log_store **ret_store)
{
	char error[1024];

	if (!line->log_path) {
		return command_misused(line, "name the log: --db FILE");
	}
	if (log_store_open_beside(ret_store, line->log_path, error, sizeof(error)) != 0) {
		return command_failed(line, "%s", error);
	}
	return EXIT_DONE;
}

static enum program_exit say_errno(const struct command_line *line, int result)
{
	return command_failed(line, "cannot read the log: %s", strerror(-result));
}

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

/* --at: when the work was done. */
static enum program_exit take_time(const struct command_line *line, int64_t *ret_ns)
{
	const char *text = command_value(line, "--at");

	if (!text) {
		return EXIT_DONE;
	}
	if (!utc_parse(text, ret_ns)) {
		return command_misused(line, "--at: '%s' is no time; expected 2026-06-01 or "
			"2026-06-01T08:30Z (UTC)", text);
	}
	*ret_ns -= *ret_ns % NS_PER_S;
	if (*ret_ns > now_ns() + FUTURE_NS) {
		return command_misused(line, "--at: '%s' lies in the future", text);
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

static enum program_exit check(const struct command_line *line, const struct book_entry *entry)
{
	unsigned field = 0;
	const char *wrong = service_book_check(entry, &line->settings.boat, &field);

	if (!wrong) {
		return EXIT_DONE;
	}
	if (field == 0) {
		return command_misused(line, "%s: %s", service_book_kind(entry->kind)->name, wrong);
	}
	if (field == BOOK_FILTER) {
		char names[512] = "";

		for (size_t i = 0; i < line->settings.boat.filter_count; i++) {
			size_t used = strlen(names);

			(void)snprintf(names + used, sizeof(names) - used, "%s%s",
				i == 0 ? "" : ", ", line->settings.boat.filters[i].name);
		}
		return command_misused(line, "%s: --filter: %s; the boat's filters are: %s",
			service_book_kind(entry->kind)->name, wrong, names);
	}
	return command_misused(line, "%s: %s: %s", service_book_kind(entry->kind)->name,
		book_fields_option((enum book_field)field), wrong);
}

static const struct boat_filter *filter_named(const struct boat *boat, const char *name)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(boat->filters[i].name, name) == 0) {
			return &boat->filters[i];
		}
	}
	return NULL;
}

/* The engine whose hours go with the entry: its own, its filter's, else the first there is. */
static unsigned engine_of(const struct boat *boat, const struct book_entry *entry)
{
	const struct boat_filter *filter =
		(entry->fields & BOOK_FILTER) != 0 ? filter_named(boat, entry->filter) : NULL;
	unsigned first = 0;

	if ((entry->fields & BOOK_ENGINE) != 0) {
		return entry->engine;
	}
	if (filter) {
		return filter->engine;
	}
	while (first + 1 < BOAT_ENGINES_MAX && !boat->engines[first].present) {
		first++;
	}
	return first;
}

/* A change that does not tell the element puts in what the filter usually has. */
static void tell_usual_element(const struct boat *boat, struct book_entry *entry)
{
	const struct boat_filter *filter = filter_named(boat, entry->filter);

	if (entry->kind != BOOK_CHANGE || (entry->fields & BOOK_ITEM) != 0 || !filter ||
		filter->element[0] == '\0') {
		return;
	}
	(void)service_book_set_text(entry, BOOK_ITEM, filter->element);
	if ((entry->fields & BOOK_MICRON) == 0 && !isnan(filter->micron)) {
		service_book_set_number(entry, BOOK_MICRON, filter->micron);
	}
	if ((entry->fields & BOOK_RATED) == 0 && !isnan(filter->rated_lph)) {
		service_book_set_number(entry, BOOK_RATED, filter->rated_lph);
	}
}

static void print_figure(const char *before, enum quantity quantity, enum unit_system units,
	double value, int decimals)
{
	struct unit_display shown = units_display(quantity, units);

	(void)printf("%s%.*f %s", before, decimals, value * shown.factor + shown.offset, shown.unit);
}

/* What followed from an element change: the old element's account, the spares that are left. */
static void print_change(const struct command_line *line, const struct service_account *account,
	const struct book_entry *entry)
{
	enum unit_system units = line->settings.units;

	for (size_t i = 0; i < account->fitting_count; i++) {
		const struct element_fitting *fitting = &account->fittings[i];

		if (fitting->removed_entry == entry->entry) {
			print_figure("  the old element passed ", QUANTITY_VOLUME, units,
				fitting->litres, 1);
			print_figure(" in ", QUANTITY_HOURS, units, fitting->engine_h, 1);
			(void)printf("; the new one begins at 0\n");
		}
	}
	for (size_t i = 0; i < account->stock_count; i++) {
		const struct spare_stock *stock = &account->stocks[i];

		if ((entry->fields & BOOK_ITEM) != 0 && strcmp(stock->item, entry->item) == 0) {
			(void)printf("  spares left of %s: %.0f%s\n", stock->item, stock->aboard,
				stock->aboard < 0 ? " (more were used than the book brought aboard)" : "");
		}
	}
}

/* The events that an entry answers. */
static int print_answers(const struct command_line *line, sqlite3 *db,
	const struct service_account *account, const struct book_entry *entry)
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db,
		"SELECT event, kind, subject, raised_utc_ns FROM event_list WHERE raised_utc_ns IS NOT "
		"NULL ORDER BY raised_utc_ns, event",
		-1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return -EIO;
	}
	while ((rc = sqlite3_step(statement)) == SQLITE_ROW) {
		const char *kind = (const char *)sqlite3_column_text(statement, 1);
		const char *subject = (const char *)sqlite3_column_text(statement, 2);
		const struct book_entry *answer = event_answer(&line->settings.boat, account->entries,
			account->entry_count, kind ? kind : "", subject ? subject : "",
			sqlite3_column_int64(statement, 3));

		if (answer && answer->entry == entry->entry) {
			(void)printf("  answers event %lld: %s, %s\n",
				(long long)sqlite3_column_int64(statement, 0), kind, subject);
		}
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	return rc == SQLITE_DONE ? 0 : -EIO;
}

/* What was written, for a program as a row, for people with what follows from it. */
static enum program_exit show_written(const struct command_line *line, struct log_store *store,
	const struct book_entry *entry)
{
	struct service_account account;
	struct table *table;
	char when[UTC_TEXT_MAX];
	char subject[64];
	char summary[512];
	enum program_exit status;
	int result;

	if (line->format != TABLE_PEOPLE) {
		status = command_open_output(line, &table);
		if (status == EXIT_DONE) {
			book_fields_table(table, entry, 1);
			status = command_close_output(line, table, status);
		}
		return status;
	}
	utc_format(entry->done_ns, when);
	book_fields_subject(entry, subject, sizeof(subject));
	book_fields_summary(entry, line->settings.units, summary, sizeof(summary));
	(void)printf("entry %lld%s: %s%s%s, %s", (long long)entry->entry,
		entry->struck          ? " struck"
		: entry->revision > 1 ? " as it is now"
				      : "",
		service_book_kind(entry->kind)->title, subject[0] == '\0' ? "" : ", ", subject, when);
	if (!isnan(entry->engine_h)) {
		print_figure(", at ", QUANTITY_HOURS, line->settings.units, entry->engine_h, 1);
	}
	(void)printf("\n");
	if (summary[0] != '\0') {
		(void)printf("  %s\n", summary);
	}
	if (entry->struck) {
		return EXIT_DONE;
	}
	result = service_account_load(&account, log_store_db(store), &line->settings.boat);
	if (result != 0) {
		return say_errno(line, result);
	}
	if (entry->kind == BOOK_CHANGE) {
		print_change(line, &account, entry);
	}
	result = print_answers(line, log_store_db(store), &account, entry);
	service_account_finish(&account);
	return result == 0 ? EXIT_DONE : say_errno(line, result);
}

/* Checks, fills in from the log, writes, shows. */
static enum program_exit write_entry(const struct command_line *line, struct log_store *store,
	struct book_entry *entry)
{
	const struct boat *boat = &line->settings.boat;
	enum program_exit status = check(line, entry);
	int result;

	if (status != EXIT_DONE) {
		return status;
	}
	result = book_store_fill(log_store_db(store), engine_of(boat, entry), entry);
	if (result != 0) {
		return say_errno(line, result);
	}
	entry->written_ns = now_ns();
	if (book_store_put(store, entry, 1) != 0) {
		return command_failed(line, "%s", log_store_error(store));
	}
	return show_written(line, store, entry);
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
	entry.done_ns = now_ns();
	status = take_time(line, &entry.done_ns);
	status = status == EXIT_DONE ? take_hours(line, &entry) : status;
	status = status == EXIT_DONE ? book_fields_take(line, &entry) : status;
	tell_usual_element(&line->settings.boat, &entry);
	/* What is wrong with it is told before a log is made for it. */
	status = status == EXIT_DONE ? check(line, &entry) : status;
	status = status == EXIT_DONE ? open_book(line, &store) : status;
	if (status == EXIT_DONE) {
		status = write_entry(line, store, &entry);
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
		status = open_book(line, ret_store);
	}
	if (status != EXIT_DONE) {
		return status;
	}
	result = book_store_entry(log_store_db(*ret_store), number, ret_entry);
	if (result != 0) {
		log_store_close(*ret_store);
		return result == -ENOENT
			? command_failed(line, "there is no entry %lld in the book", (long long)number)
			: say_errno(line, result);
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
	status = status == EXIT_DONE ? take_time(line, &entry.done_ns) : status;
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
		status = write_entry(line, store, &entry);
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
		entry.written_ns = now_ns();
		status = book_store_put(store, &entry, 1) == 0
			? show_written(line, store, &entry)
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
				engine_of(&line->settings.boat, entry) == (unsigned)line->engine);

		if (wanted) {
			entries[kept++] = *entry;
		}
	}
	return kept;
}

static enum program_exit show_entries(const struct command_line *line, const char *kind_name,
	bool history, enum table_format format)
{
	struct log_store *store;
	struct book_entry *entries;
	struct table *table;
	size_t count;
	enum program_exit status = command_open_log(line, &store);
	int result;

	if (status != EXIT_DONE) {
		return status;
	}
	result = history ? book_store_revisions(log_store_db(store), &entries, &count)
			 : book_store_entries(log_store_db(store), &entries, &count);
	log_store_close(store);
	if (result != 0) {
		return say_errno(line, result);
	}
	count = select_entries(line, kind_name, entries, count);
	if (table_open(&table, stdout, format, line->settings.units) != 0) {
		free(entries);
		return command_failed(line, "no memory left");
	}
	if (format == TABLE_PEOPLE) {
		book_fields_list(table, entries, count, line->settings.units, history);
	} else {
		book_fields_table(table, entries, count);
	}
	free(entries);
	return command_close_output(line, table, EXIT_DONE);
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
		unsigned engine = engine_of(&line->settings.boat, &entries[i]);

		if (entries[i].entry == 0 &&
			book_store_fill(log_store_db(store), engine, &entries[i]) != 0) {
			return command_failed(line, "cannot read the log");
		}
	}
	if (book_store_import(store, entries, count, &known) != 0) {
		return command_failed(line, "%s; nothing was imported", log_store_error(store));
	}
	(void)printf("%zu rows imported, %zu were in the book already\n", count - known, known);
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
		book_file_read(text, line->arguments[1], &line->settings.boat, now_ns(), &entries,
			&count, error, sizeof(error)) != 0) {
		status = command_failed(line, "%s; nothing was imported", error);
	}
	status = status == EXIT_DONE ? open_book(line, &store) : status;
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
