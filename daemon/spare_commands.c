/* spare_commands.c: spares aboard and to buy; waste aboard and landed. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/spare_forecast.h"
#include "daemon/book_fields.h"
#include "daemon/book_store.h"
#include "daemon/book_write.h"
#include "daemon/commands.h"
#include "daemon/overview.h"
#include "daemon/service_account.h"
#include "daemon/service_tables.h"
#include "daemon/utc_time.h"

#define COUNT(columns) (sizeof(columns) / sizeof((columns)[0]))

static const double days_a_month = 365.25 / 12;
/* A spare may take so long to fetch: the list looks that far ahead when nothing is said. */
static const double months_ahead = 3;

/* One sort of spare, with what the boat's filters will need of it. */
struct spare_row {
	const struct spare_stock *stock; /* NULL: the book knows none of it */
	char item[BOAT_NAME_MAX];
	double micron;
	double rated_lph;
	char filters[256]; /* that take it */
	unsigned needed;
	bool unknown;      /* of one of them it is not known when it falls due */
	bool has_first;
	int64_t first_ns;  /* the earliest that the first may be needed */
	double first_h;
};

struct spare_list {
	struct spare_row *rows;
	size_t count;
};

static struct spare_row *row_of(struct spare_list *list, const char *item, double micron,
	double rated_lph)
{
	struct spare_row *row;

	for (size_t i = 0; i < list->count; i++) {
		bool differs = !isnan(micron) && !isnan(list->rows[i].micron) &&
			fabs(micron - list->rows[i].micron) > 1e-9;

		if (strcmp(list->rows[i].item, item) == 0 && !differs) {
			row = &list->rows[i];
			row->micron = isnan(row->micron) ? micron : row->micron;
			row->rated_lph = isnan(row->rated_lph) ? rated_lph : row->rated_lph;
			return row;
		}
	}
	row = &list->rows[list->count++];
	memset(row, 0, sizeof(*row));
	(void)snprintf(row->item, sizeof(row->item), "%s", item);
	row->micron = micron;
	row->rated_lph = rated_lph;
	row->first_h = NAN;
	return row;
}

/* The seals that went with the last change of a filter; NULL: none are told. */
static const char *usual_seals(const struct service_account *account, const char *filter)
{
	const char *seals = NULL;

	for (size_t i = 0; i < account->entry_count; i++) {
		const struct book_entry *entry = &account->entries[i];

		if (entry->kind == BOOK_CHANGE && strcmp(entry->filter, filter) == 0 &&
			(entry->fields & BOOK_SEALS) != 0) {
			seals = entry->seals;
		}
	}
	return seals;
}

/* What the filter's elements last at least, by each of the ways in which they end. One that is out of
 * use (of a change-over set) only ages. */
static struct spare_place place_of(const struct boat_filter *filter,
	const struct element_fitting *fitting, const struct element_outlook *outlook, bool in_use,
	int64_t now_ns)
{
	double litres_per_h = outlook->use.litres_per_h;
	double by_litres_h = (filter->change_l - fitting->litres) / litres_per_h;
	struct spare_place place = {
		.left_h = fmin(filter->change_h - fitting->engine_h, by_litres_h),
		.left_months = NAN,
		.life_h = fmin(filter->change_h, filter->change_l / litres_per_h),
		.life_months = filter->change_months,
	};

	place.left_h = fmin(place.left_h, outlook->left_h_p10);
	if (!in_use) {
		place.left_h = NAN;
		place.life_h = NAN;
	}
	if (fitting->has_fitted) {
		double age_days = (double)(now_ns - fitting->fitted_ns) / 86400e9;

		place.left_months = filter->change_months - age_days / days_a_month;
	}
	return place;
}

static void need(struct spare_row *row, const char *filter, const struct spare_need *spare,
	double h_per_day, int64_t now_ns)
{
	size_t used = strlen(row->filters);

	(void)snprintf(row->filters + used, sizeof(row->filters) - used, "%s%s", used == 0 ? "" : ", ",
		filter);
	row->unknown = row->unknown || !spare->known;
	row->needed += spare->changes;
	if (spare->known) {
		double days = spare->first_months * days_a_month;

		if (isnan(days)) {
			days = spare->first_h / h_per_day;
		}
		row->first_h = fmin(row->first_h, spare->first_h);
		if (days < 36525) {
			int64_t at_ns = now_ns + (int64_t)(days * 86400e9);

			row->first_ns = row->has_first && row->first_ns < at_ns ? row->first_ns : at_ns;
			row->has_first = true;
		}
	}
}

/* A horizon in hours or months (the other NaN) as both, by the use of an engine. */
static struct spare_horizon complete(struct spare_horizon horizon, double h_per_day)
{
	double h_a_month = h_per_day * days_a_month;

	if (isnan(horizon.hours)) {
		horizon.hours = horizon.months * h_a_month;
	} else if (h_a_month > 0) {
		horizon.months = horizon.hours / h_a_month;
	}
	if (!(horizon.hours > 0)) {
		horizon.hours = NAN; /* nothing is known of the use */
	}
	return horizon;
}

/* What is aboard, and what the boat's filters will need over the horizon. */
static int make_list(const struct command_line *line, const struct service_account *account,
	const struct spare_horizon *horizon, int64_t now_ns, struct spare_list *ret_list)
{
	const struct boat *boat = &line->settings.boat;

	ret_list->count = 0;
	ret_list->rows =
		calloc(account->stock_count + 2 * boat->filter_count + 1, sizeof(*ret_list->rows));
	if (!ret_list->rows) {
		return -ENOMEM;
	}
	for (size_t i = 0; i < account->stock_count; i++) {
		const struct spare_stock *stock = &account->stocks[i];

		row_of(ret_list, stock->item, stock->micron, stock->rated_lph)->stock = stock;
	}
	for (size_t f = 0; f < boat->filter_count; f++) {
		const struct boat_filter *filter = &boat->filters[f];
		const struct element_fitting *fitting = service_account_fitted(account, f);
		const char *item = filter->element[0] != '\0' ? filter->element : fitting->element;
		const char *seals = usual_seals(account, filter->name);
		struct element_outlook outlook;
		struct spare_horizon ahead;
		struct spare_place place;
		struct spare_need spare;

		service_account_outlook(account, boat, fitting, now_ns, &outlook);
		ahead = complete(*horizon, outlook.use.h_per_day);
		place = place_of(filter, fitting, &outlook,
			service_ledger_share(boat, account->entries, account->entry_count, f, now_ns) > 0,
			now_ns);
		spare = spare_forecast(&place, &ahead);
		if (item[0] != '\0') {
			need(row_of(ret_list, item,
				     filter->element[0] != '\0' ? filter->micron : fitting->micron,
				     filter->element[0] != '\0' ? filter->rated_lph
								: fitting->rated_lph),
				filter->name, &spare, outlook.use.h_per_day, now_ns);
		}
		if (seals) {
			need(row_of(ret_list, seals, NAN, NAN), filter->name, &spare,
				outlook.use.h_per_day, now_ns);
		}
	}
	return 0;
}

static double aboard_of(const struct spare_row *row)
{
	return row->stock ? row->stock->aboard : 0;
}

static double short_of(const struct spare_row *row)
{
	return fmax(0, row->needed - fmax(0, aboard_of(row)));
}

static void put_first(struct table *table, const struct spare_row *row)
{
	table_put_real(table, row->first_h);
	if (row->has_first) {
		table_put_time(table, row->first_ns);
	} else {
		table_put_unknown(table);
	}
}

static void put_spares(struct table *table, const struct spare_list *list)
{
	static const struct table_column columns[] = {
		{"item", TABLE_TEXT, QUANTITY_NONE, 0},
		{"micron", TABLE_REAL, QUANTITY_SIZE, 0},
		{"rated_lph", TABLE_REAL, QUANTITY_FLOW, 0},
		{"aboard", TABLE_REAL, QUANTITY_NONE, 0},
		{"used", TABLE_REAL, QUANTITY_NONE, 0},
		{"filters", TABLE_TEXT, QUANTITY_NONE, 0},
		{"first_need_h", TABLE_REAL, QUANTITY_HOURS, 0},
		{"first_need_utc", TABLE_TIME, QUANTITY_NONE, 0},
		{"short", TABLE_REAL, QUANTITY_NONE, 0},
	};

	table_begin(table, "spares", columns, COUNT(columns));
	for (size_t i = 0; i < list->count; i++) {
		const struct spare_row *row = &list->rows[i];

		table_put_text(table, row->item);
		table_put_real(table, row->micron);
		table_put_real(table, row->rated_lph);
		table_put_real(table, aboard_of(row));
		table_put_real(table, row->stock ? row->stock->used : 0);
		table_put_text(table, row->filters[0] == '\0' ? NULL : row->filters);
		put_first(table, row);
		table_put_real(table, short_of(row));
		table_end_row(table);
	}
	table_end(table);
}

static void put_shopping(struct table *table, const struct spare_list *list)
{
	static const struct table_column columns[] = {
		{"item", TABLE_TEXT, QUANTITY_NONE, 0},
		{"micron", TABLE_REAL, QUANTITY_SIZE, 0},
		{"rated_lph", TABLE_REAL, QUANTITY_FLOW, 0},
		{"to_buy", TABLE_REAL, QUANTITY_NONE, 0},
		{"needed", TABLE_REAL, QUANTITY_NONE, 0},
		{"aboard", TABLE_REAL, QUANTITY_NONE, 0},
		{"filters", TABLE_TEXT, QUANTITY_NONE, 0},
		{"first_need_h", TABLE_REAL, QUANTITY_HOURS, 0},
		{"first_need_utc", TABLE_TIME, QUANTITY_NONE, 0},
	};

	table_begin(table, "shopping", columns, COUNT(columns));
	for (size_t i = 0; i < list->count; i++) {
		const struct spare_row *row = &list->rows[i];

		if (row->filters[0] == '\0' || (short_of(row) == 0 && !row->unknown)) {
			continue;
		}
		table_put_text(table, row->item);
		table_put_real(table, row->micron);
		table_put_real(table, row->rated_lph);
		table_put_real(table, short_of(row));
		table_put_real(table, row->needed);
		table_put_real(table, aboard_of(row));
		table_put_text(table, row->filters);
		put_first(table, row);
		table_end_row(table);
	}
	table_end(table);
}

/* In words, below the table: what runs short, and what cannot be told. */
static void print_warnings(const struct spare_list *list)
{
	for (size_t i = 0; i < list->count; i++) {
		const struct spare_row *row = &list->rows[i];
		char when[UTC_TEXT_MAX] = "";

		if (row->has_first) {
			utc_format(row->first_ns, when);
			when[10] = '\0';
		}
		if (short_of(row) > 0) {
			(void)printf("warning: %.0f of %s aboard, %s may need %u%s%s\n",
				fmax(0, aboard_of(row)), row->item, row->filters, row->needed,
				when[0] == '\0' ? "" : ", the first from ", when);
		}
		if (row->unknown && row->filters[0] != '\0') {
			(void)printf("%s: it is not known when %s will need it (no change_h, change_l or "
				"change_months, or no use to go by)\n", row->item, row->filters);
		}
		if (row->stock && row->stock->aboard < 0) {
			(void)printf("%s: the book has used %.0f more than it brought aboard; add them: "
				"spares add '%s' --pieces N\n", row->item, -row->stock->aboard, row->item);
		}
	}
}

/* --hours or --months; NaN for what is not given. */
static enum program_exit take_horizon(const struct command_line *line, struct spare_horizon *horizon)
{
	const char *hours = command_value(line, "--hours");
	const char *months = command_value(line, "--months");
	char expected[256];

	*horizon = (struct spare_horizon){.hours = NAN, .months = months_ahead};
	if (hours && months) {
		return command_misused(line, "--hours and --months: give one of them");
	}
	if (hours) {
		horizon->months = NAN;
		if (units_parse(QUANTITY_HOURS, hours, &horizon->hours, expected,
			    sizeof(expected)) != 0 ||
			!(horizon->hours > 0)) {
			return command_misused(line, "--hours: expected hours; got '%s'", hours);
		}
	}
	if (months && (units_parse(QUANTITY_MONTHS, months, &horizon->months, expected,
			       sizeof(expected)) != 0 ||
			      !(horizon->months > 0))) {
		return command_misused(line, "--months: expected months; got '%s'", months);
	}
	return EXIT_DONE;
}

/* The spares, or the shopping list, as one table; warns prints what is short below it. */
static enum program_exit put_list(const struct command_line *line, struct table *table,
	struct log_store *store, void (*put)(struct table *table, const struct spare_list *list),
	const struct spare_horizon *horizon, int64_t at_ns, bool warns)
{
	struct service_account account;
	struct spare_list list;
	int result = service_account_load(&account, log_store_db(store), &line->settings.boat);

	if (result != 0) {
		return book_write_unread(line, result);
	}
	result = make_list(line, &account, horizon, at_ns, &list);
	if (result == 0) {
		put(table, &list);
		if (warns) {
			print_warnings(&list);
		}
	}
	free(list.rows);
	service_account_finish(&account);
	return result == 0 ? EXIT_DONE : book_write_unread(line, result);
}

enum program_exit service_table_spares(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	struct spare_horizon horizon = {.hours = NAN, .months = months_ahead};

	return put_list(line, table, store, put_spares, &horizon,
		overview_judged_ns(&line->settings, store, book_write_now_ns()), false);
}

static enum program_exit show_list(const struct command_line *line,
	void (*put)(struct table *table, const struct spare_list *list))
{
	const char *at = command_value(line, "--at");
	int64_t at_ns = book_write_now_ns();
	struct spare_horizon horizon;
	struct log_store *store;
	struct table *table;
	enum program_exit status = take_horizon(line, &horizon);

	if (status == EXIT_DONE && at && !utc_parse(at, &at_ns)) {
		return command_misused(line, "--at: '%s' is no time; expected 2026-06-01 or "
			"2026-06-01T08:30Z (UTC)", at);
	}
	status = status == EXIT_DONE ? command_open_log(line, &store) : status;
	if (status != EXIT_DONE) {
		return status;
	}
	if (at == NULL) {
		at_ns = overview_judged_ns(&line->settings, store, at_ns);
	}
	status = command_open_output(line, &table);
	if (status == EXIT_DONE) {
		status = command_close_output(line, table,
			put_list(line, table, store, put, &horizon, at_ns,
				line->format == TABLE_PEOPLE));
	}
	if (status == EXIT_DONE) {
		status = command_read(line, store);
	}
	log_store_close(store);
	return status;
}

/* add and use: a move of spares. */
static enum program_exit move_spares(const struct command_line *line, double sign)
{
	struct log_store *store;
	struct book_entry entry;
	enum program_exit status;

	service_book_entry_init(&entry, BOOK_STOCK);
	entry.done_ns = book_write_now_ns();
	if (line->argument_count < 2) {
		return command_misused(line, "%s: which spare? Give its name", line->arguments[0]);
	}
	if (!service_book_set_text(&entry, BOOK_ITEM, line->arguments[1])) {
		return command_misused(line, "%s: the name is too long", line->arguments[0]);
	}
	status = book_fields_take(line, &entry);
	status = status == EXIT_DONE ? book_write_time(line, &entry.done_ns) : status;
	if (status != EXIT_DONE) {
		return status;
	}
	if ((entry.fields & BOOK_PIECES) == 0) {
		service_book_set_number(&entry, BOOK_PIECES, 1);
	}
	if (!(entry.pieces > 0)) {
		return command_misused(line, "--pieces: expected 1 or more");
	}
	entry.pieces *= sign;
	status = book_write_check(line, &entry);
	status = status == EXIT_DONE ? book_write_open(line, &store) : status;
	if (status == EXIT_DONE) {
		status = book_write_entry(line, store, &entry);
		log_store_close(store);
	}
	return status;
}

static enum program_exit run_spares(const struct command_line *line)
{
	const char *action = line->argument_count > 0 ? line->arguments[0] : "list";

	if (strcmp(action, "list") == 0) {
		return show_list(line, put_spares);
	}
	if (strcmp(action, "shopping") == 0) {
		return show_list(line, put_shopping);
	}
	if (strcmp(action, "add") == 0) {
		return move_spares(line, 1);
	}
	if (strcmp(action, "use") == 0) {
		return move_spares(line, -1);
	}
	return command_misused(line, "'%s' is nothing to do with spares; expected list, add, use or "
		"shopping", action);
}

static const struct command_option spare_options[] = {
	{"--pieces", "N", "add, use: how many (else 1)"},
	{"--micron", "SIZE", "add, use: the element's rating"},
	{"--rated", "FLOW", "add: the element's rated flow"},
	{"--price", "AMOUNT", "add: what it cost"},
	{"--place", "TEXT", "add, use: where"},
	{"--remark", "TEXT", "add, use: anything else"},
	{"--hours", "H", "list, shopping: needs over the next engine hours"},
	{"--months", "M", "list, shopping: needs over the next months (else 3)"},
	{"--at", "TIME", "when it was done (else now), or from when to look ahead (else as status does)"},
	{NULL, NULL, NULL},
};

const struct command command_spares = {
	.name = "spares",
	.summary = "spares aboard, and which to buy in time",
	.arguments = "[list | add ITEM | use ITEM | shopping]",
	.arguments_least = 0,
	.arguments_most = 2,
	.help = "Lists the spares aboard beside what the boat's filters may need of them: first_need is the\n"
		"earliest end (p10) that is forecast for the element in use. Work in the service book uses\n"
		"spares up: 'book add change' takes one element of its name, and --seals one set of seals. A\n"
		"filter takes the element that the configuration names. shopping lists what is short over a\n"
		"stretch of use.\n\n"
		"  sightbowl spares --db boat.db --config boat.conf\n"
		"  sightbowl spares add 'spin-on 10 micron' --micron 10 --pieces 3 --db boat.db\n"
		"  sightbowl spares add 'seal kit' --db boat.db\n"
		"  sightbowl spares use 'seal kit' --remark 'torn' --db boat.db\n"
		"  sightbowl spares shopping --hours 200 --db boat.db --config boat.conf",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT,
	.options = spare_options,
	.run = run_spares,
};

static void put_account_row(struct table *table, const char *what, const char *unit, double taken,
	double landed)
{
	table_put_text(table, what);
	table_put_text(table, unit);
	table_put_real(table, taken);
	table_put_real(table, landed);
	table_put_real(table, taken - landed);
	table_end_row(table);
}

static void put_waste(struct table *table, const struct waste_account *waste, enum unit_system units,
	bool people)
{
	static const struct table_column columns[] = {
		{"what", TABLE_TEXT, QUANTITY_NONE, 0},
		{"unit", TABLE_TEXT, QUANTITY_NONE, 0},
		{"taken_out", TABLE_REAL, QUANTITY_NONE, 1},
		{"landed", TABLE_REAL, QUANTITY_NONE, 1},
		{"aboard", TABLE_REAL, QUANTITY_NONE, 1},
	};
	struct unit_display shown =
		units_display(QUANTITY_VOLUME, people ? units : UNITS_METRIC);

	table_begin(table, "waste", columns, COUNT(columns));
	put_account_row(table, "fuel and water", shown.unit, waste->fuel_l * shown.factor,
		waste->fuel_landed_l * shown.factor);
	put_account_row(table, "elements", "pieces", waste->elements, waste->elements_landed);
	table_end(table);
}

static void put_moves(struct table *table, const struct service_account *account)
{
	static const struct table_column columns[] = {
		{"entry", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"done_utc", TABLE_TIME, QUANTITY_NONE, 0},
		{"work", TABLE_TEXT, QUANTITY_NONE, 0},
		{"on", TABLE_TEXT, QUANTITY_NONE, 0},
		{"fuel_l", TABLE_REAL, QUANTITY_VOLUME, 2},
		{"elements", TABLE_REAL, QUANTITY_NONE, 0},
		{"place", TABLE_TEXT, QUANTITY_NONE, 0},
	};

	table_begin(table, "waste_moves", columns, COUNT(columns));
	for (size_t i = 0; i < account->entry_count; i++) {
		const struct book_entry *entry = &account->entries[i];
		bool landed = entry->kind == BOOK_LANDED;
		double fuel_l;
		double elements;
		char subject[64];

		service_ledger_entry_waste(entry, &fuel_l, &elements);
		if (landed) {
			fuel_l = (entry->fields & BOOK_WASTE_FUEL) != 0 ? -entry->waste_fuel_l : 0;
			elements = (entry->fields & BOOK_WASTE_ELEMENTS) != 0 ? -entry->waste_elements : 0;
		}
		if (!landed && fuel_l == 0 && elements == 0) {
			continue;
		}
		book_fields_subject(entry, subject, sizeof(subject));
		table_put_integer(table, entry->entry);
		table_put_time(table, entry->done_ns);
		table_put_text(table, service_book_kind(entry->kind)->title);
		table_put_text(table, subject[0] == '\0' ? NULL : subject);
		table_put_real(table, fuel_l);
		table_put_real(table, elements);
		table_put_text(table, (entry->fields & BOOK_PLACE) != 0 ? entry->place : NULL);
		table_end_row(table);
	}
	table_end(table);
}

static enum program_exit put_waste_table(const struct command_line *line, struct table *table,
	struct log_store *store, bool moves)
{
	struct service_account account;
	bool people = line->format == TABLE_PEOPLE;
	int result = service_account_load(&account, log_store_db(store), &line->settings.boat);

	if (result != 0) {
		return book_write_unread(line, result);
	}
	if (moves) {
		put_moves(table, &account);
	} else {
		put_waste(table, &account.waste, line->settings.units, people);
	}
	if (!moves && people && account.waste.last_landed_ns != INT64_MIN) {
		char when[UTC_TEXT_MAX];

		utc_format(account.waste.last_landed_ns, when);
		(void)printf("last landed %s\n", when);
	}
	service_account_finish(&account);
	return EXIT_DONE;
}

enum program_exit service_table_waste(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	return put_waste_table(line, table, store, false);
}

static enum program_exit show_waste(const struct command_line *line, bool moves)
{
	struct log_store *store;
	struct table *table;
	enum program_exit status = command_open_log(line, &store);

	if (status != EXIT_DONE) {
		return status;
	}
	status = command_open_output(line, &table);
	if (status == EXIT_DONE) {
		status = command_close_output(line, table, put_waste_table(line, table, store, moves));
	}
	log_store_close(store);
	return status;
}

/* Without figures, all that is aboard is landed. */
static enum program_exit land(const struct command_line *line)
{
	struct log_store *store;
	struct service_account account;
	struct book_entry entry;
	enum program_exit status;
	int result;

	service_book_entry_init(&entry, BOOK_LANDED);
	entry.done_ns = book_write_now_ns();
	status = book_fields_take(line, &entry);
	status = status == EXIT_DONE ? book_write_time(line, &entry.done_ns) : status;
	if (status == EXIT_DONE && (entry.fields & BOOK_PLACE) == 0) {
		return command_misused(line, "land: where? --place TEXT");
	}
	status = status == EXIT_DONE ? book_write_open(line, &store) : status;
	if (status != EXIT_DONE) {
		return status;
	}
	if ((entry.fields & (BOOK_WASTE_FUEL | BOOK_WASTE_ELEMENTS)) == 0) {
		result = service_account_load(&account, log_store_db(store), &line->settings.boat);
		if (result != 0) {
			log_store_close(store);
			return book_write_unread(line, result);
		}
		service_book_set_number(&entry, BOOK_WASTE_FUEL,
			fmax(0, account.waste.fuel_l - account.waste.fuel_landed_l));
		service_book_set_number(&entry, BOOK_WASTE_ELEMENTS,
			fmax(0, account.waste.elements - account.waste.elements_landed));
		service_account_finish(&account);
	}
	status = book_write_entry(line, store, &entry);
	log_store_close(store);
	return status;
}

static enum program_exit run_waste(const struct command_line *line)
{
	const char *action = line->argument_count > 0 ? line->arguments[0] : "account";

	if (strcmp(action, "account") == 0 || strcmp(action, "moves") == 0) {
		return show_waste(line, strcmp(action, "moves") == 0);
	}
	if (strcmp(action, "land") == 0) {
		return land(line);
	}
	return command_misused(line, "'%s' is nothing to do with waste; expected account, moves or land",
		action);
}

static const struct command_option waste_options[] = {
	{"--place", "TEXT", "land: where it was handed in"},
	{"--waste-fuel", "VOLUME", "land: fuel and water (else, with --waste-elements, all of both)"},
	{"--waste-elements", "N", "land: elements"},
	{"--price", "AMOUNT", "land: what it cost"},
	{"--remark", "TEXT", "land: anything else"},
	{"--at", "TIME", "land: when (else now)"},
	{NULL, NULL, NULL},
};

const struct command command_waste = {
	.name = "waste",
	.summary = "fuel and elements taken out, landed, still aboard",
	.arguments = "[account | moves | land]",
	.arguments_least = 0,
	.arguments_most = 1,
	.help = "Says what fuel, water and elements were taken out by the work in the service book, what of it\n"
		"was landed, and what is still aboard. A change counts one element, a drain what was caught,\n"
		"else its water. Waste goes to a reception point for oily waste: nothing overboard.\n\n"
		"  sightbowl waste --db boat.db\n"
		"  sightbowl waste moves --db boat.db --csv\n"
		"  sightbowl waste land --place 'harbour office' --db boat.db      (all that is aboard)\n"
		"  sightbowl waste land --place 'harbour office' --waste-fuel 4 --waste-elements 2",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT,
	.options = waste_options,
	.run = run_waste,
};
