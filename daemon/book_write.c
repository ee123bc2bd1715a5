/* book_write.c: one entry on its way into the book, and what follows from it. */
#include "daemon/book_write.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "analysis/event_answer.h"
#include "daemon/book_fields.h"
#include "daemon/book_store.h"
#include "daemon/service_account.h"
#include "daemon/utc_time.h"

/* The boat's clock may be a little behind the one that a time was read from. */
#define FUTURE_NS (INT64_C(3600) * NS_PER_S)

int64_t book_write_now_ns(void)
{
	return (int64_t)time(NULL) * NS_PER_S;
}

enum program_exit book_write_open(const struct command_line *line, struct log_store **ret_store)
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

enum program_exit book_write_unread(const struct command_line *line, int result)
{
	return command_failed(line, "cannot read the log: %s", strerror(-result));
}

enum program_exit book_write_time(const struct command_line *line, int64_t *ret_ns)
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
	if (*ret_ns > book_write_now_ns() + FUTURE_NS) {
		/* A boat's computer may have no clock of its own: it is taken all the same. */
		(void)fprintf(stderr, "sightbowl %s: --at: %s is ahead of this machine's clock\n",
			line->command->name, text);
	}
	return EXIT_DONE;
}

enum program_exit book_write_check(const struct command_line *line, const struct book_entry *entry)
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

unsigned book_write_engine(const struct boat *boat, const struct book_entry *entry)
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

void book_write_usual_element(const struct boat *boat, struct book_entry *entry)
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

enum program_exit book_write_show(const struct command_line *line, struct log_store *store,
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
		return book_write_unread(line, result);
	}
	if (entry->kind == BOOK_CHANGE) {
		print_change(line, &account, entry);
	}
	result = print_answers(line, log_store_db(store), &account, entry);
	service_account_finish(&account);
	return result == 0 ? EXIT_DONE : book_write_unread(line, result);
}

enum program_exit book_write_entry(const struct command_line *line, struct log_store *store,
	struct book_entry *entry)
{
	const struct boat *boat = &line->settings.boat;
	enum program_exit status = book_write_check(line, entry);
	int result;

	if (status != EXIT_DONE) {
		return status;
	}
	result = book_store_fill(log_store_db(store), book_write_engine(boat, entry), entry);
	if (result != 0) {
		return book_write_unread(line, result);
	}
	entry->written_ns = book_write_now_ns();
	if (book_store_put(store, entry, 1) != 0) {
		return command_failed(line, "%s", log_store_error(store));
	}
	return book_write_show(line, store, entry);
}

