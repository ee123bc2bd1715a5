/* advise_command.c: which element to fit, from the boat's own figures and the trade's practice. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/element_advice.h"
#include "daemon/book_write.h"
#include "daemon/commands.h"
#include "daemon/service_account.h"

#define CANDIDATES_MAX 64

/* Diesel fuel at about 25 °C, in the middle of EN 590's range (2.00–4.50 mm²/s at 40 °C). */
static const double viscosity_mm2s = 4.0;

/* The Worldwide Fuel Charter's cleanliness for diesel fuel: ISO 4406 18/16/13. */
static const struct cleanliness_code usual_fuel = {18, 16, 13};

struct candidate {
	char name[BOAT_NAME_MAX + 16];
	const char *why_here; /* fitted, spare, asked, grade */
	struct advice_element element;
	struct element_advice advice;
};

static const char *const verdict_names[] = {
	[ADVICE_UNKNOWN] = "not known",
	[ADVICE_FITS] = "fits",
	[ADVICE_FITS_WITH_CARE] = "with care",
	[ADVICE_DOES_NOT_FIT] = "does not fit",
};

static const char *const ending_names[] = {
	[ADVICE_ENDS_UNKNOWN] = NULL,
	[ADVICE_ENDS_AGE] = "age",
	[ADVICE_ENDS_HOURS] = "hours",
	[ADVICE_ENDS_LOADING] = "loading",
};

/* The figures of the log that the advice rests on; NaN: the log does not tell. */
struct engine_figures {
	double burn_lph;        /* mean */
	double supply_mean_lph;
	double supply_max_lph;
	double hours_a_year;
};

static int read_number(sqlite3 *db, const char *sql, unsigned engine, double *ret_value)
{
	sqlite3_stmt *statement;
	int rc = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);

	if (rc != SQLITE_OK) {
		return -EIO;
	}
	(void)sqlite3_bind_int64(statement, 1, engine);
	rc = sqlite3_step(statement);
	*ret_value = rc == SQLITE_ROW && sqlite3_column_type(statement, 0) != SQLITE_NULL
		? sqlite3_column_double(statement, 0)
		: NAN;
	(void)sqlite3_finalize(statement);
	return rc == SQLITE_ROW ? 0 : -EIO;
}

/* A year's hours: those of the last 365 days, or what the log has in proportion, when that is four
 * weeks at least. */
static double hours_a_year(const struct service_account *account, unsigned engine, int64_t now_ns)
{
	const double year_ns = 365.25 * 86400e9;
	double span_ns = fmin((double)(now_ns - account->log_first_ns), year_ns);
	double hours = 0;

	if (!account->has_log || span_ns < 28 * 86400e9) {
		return NAN;
	}
	for (size_t i = 0; i < account->portion_count; i++) {
		const struct supply_portion *portion = &account->portions[i];

		if (portion->engine == engine && portion->dated &&
			(double)(now_ns - portion->end_ns) <= span_ns) {
			hours += portion->engine_h;
		}
	}
	return hours > 0 ? hours / span_ns * year_ns : NAN;
}

static int read_figures(sqlite3 *db, const struct boat *boat, unsigned engine,
	const struct service_account *account, int64_t now_ns, struct engine_figures *ret_figures)
{
	const struct boat_engine *maker = &boat->engines[engine];
	struct engine_figures figures = {NAN, NAN, NAN, NAN};
	double rpm = NAN;
	double burn_max_lph = NAN;
	int result = 0;

	if (db) {
		result = read_number(db,
			"SELECT sum(fuel_l) / sum(engine_h) FROM run_list WHERE engine = ?1 AND fuel_l IS "
			"NOT NULL AND engine_h > 0",
			engine, &figures.burn_lph);
	}
	if (db && result == 0) {
		result = read_number(db,
			"SELECT sum(supply_l) / sum(engine_h) FROM run_list WHERE engine = ?1 AND supply_l "
			"IS NOT NULL AND engine_h > 0",
			engine, &figures.supply_mean_lph);
	}
	if (db && result == 0) {
		result = read_number(db, "SELECT max(max_lph) FROM run_list WHERE engine = ?1", engine,
			&burn_max_lph);
	}
	/* The greatest minute's mean, not the greatest value: a moment does not count as steady. */
	if (db && result == 0 && maker->supply == SUPPLY_PUMP) {
		result = read_number(db,
			"SELECT max(mean) FROM readings_minute WHERE signal = 'engine_speed_rpm' AND "
			"instance = ?1",
			engine, &rpm);
	}
	if (maker->supply == SUPPLY_PUMP) {
		figures.supply_max_lph = maker->pump_lph * (rpm > 0 ? rpm / maker->pump_rpm : 1);
	} else {
		figures.supply_max_lph = burn_max_lph;
	}
	figures.hours_a_year = hours_a_year(account, engine, now_ns);
	*ret_figures = figures;
	return result;
}

static bool separates(const struct boat_filter *filter)
{
	return filter->separates_water == FILTER_HAS ||
		(filter->separates_water == FILTER_HAS_UNKNOWN && strcmp(filter->stage, "primary") == 0);
}

static bool same_place(const struct boat_filter *a, const struct boat_filter *b)
{
	return a == b || (a->set[0] != '\0' && strcmp(a->set, b->set) == 0);
}

static struct advice_place place_of(const struct boat *boat, const struct boat_filter *filter,
	const struct engine_figures *figures)
{
	struct advice_place place = {
		.use = boat->use,
		.stage = strcmp(filter->stage, "primary") == 0 ? ADVICE_STAGE_PRIMARY
							       : ADVICE_STAGE_SECONDARY,
		.injection = boat->engines[filter->engine].injection,
		.only_filter = true,
		.burn_lph = figures->burn_lph,
		.supply_lph = figures->supply_max_lph,
		.supply_mean_lph = figures->supply_mean_lph,
		.hours_a_year = figures->hours_a_year,
		.age_limit_months = filter->change_months,
		.change_h = filter->change_h,
		.upstream_micron = NAN,
		.downstream_micron = NAN,
		.hose_bore_mm = filter->hose_bore_mm,
		.hose_length_m = filter->hose_length_m,
		.viscosity_mm2s = viscosity_mm2s,
		.density_kgl = boat->fuel_density_kgl,
		.fuel = usual_fuel,
	};

	for (size_t i = 0; i < boat->filter_count; i++) {
		const struct boat_filter *other = &boat->filters[i];
		bool primary = strcmp(other->stage, "primary") == 0;

		if (other->engine != filter->engine || same_place(other, filter)) {
			continue;
		}
		place.only_filter = false;
		place.has_water_separator = place.has_water_separator || separates(other);
		if (place.stage == ADVICE_STAGE_PRIMARY && !primary) {
			place.downstream_micron = other->micron;
		}
		if (place.stage == ADVICE_STAGE_SECONDARY && primary) {
			place.upstream_micron = other->micron;
		}
	}
	return place;
}

/* How elements here have loaded: where the outlook has a range, which only a measurement has. */
static struct advice_record record_of(const struct element_fitting *fitting,
	const struct element_outlook *outlook, const struct advice_element *element)
{
	double lph = outlook->use.litres_per_h;
	struct advice_record record = {
		.element = *element,
		.life_l_low = fitting->litres + outlook->left_h_p10 * lph,
		.life_l_mid = fitting->litres + outlook->left_h_p50 * lph,
		.life_l_high = fitting->litres + outlook->left_h_p90 * lph,
		.clean_share = NAN,
	};

	record.known = record.life_l_low > 0 && record.life_l_high >= record.life_l_low;
	return record;
}

static bool same_figure(double a, double b)
{
	return fabs(a - b) < 1e-6 || (isnan(a) && isnan(b));
}

static void add_candidate(struct candidate *candidates, size_t *count, const char *name,
	const char *why_here, const struct advice_element *element)
{
	for (size_t i = 0; i < *count; i++) {
		if (same_figure(candidates[i].element.micron, element->micron) &&
			same_figure(candidates[i].element.rated_lph, element->rated_lph)) {
			return;
		}
	}
	if (*count < CANDIDATES_MAX) {
		struct candidate *candidate = &candidates[(*count)++];

		(void)snprintf(candidate->name, sizeof(candidate->name), "%s", name);
		candidate->why_here = why_here;
		candidate->element = *element;
	}
}

static enum program_exit take_figure(const struct command_line *line, const char *option,
	enum quantity quantity, double least, double *value)
{
	const char *text = command_value(line, option);
	char expected[256];

	if (!text) {
		return EXIT_DONE;
	}
	if (units_parse(quantity, text, value, expected, sizeof(expected)) != 0) {
		return command_misused(line, "%s: expected %s; got '%s'", option, expected, text);
	}
	if (!(*value >= least)) {
		return command_misused(line, "%s: expected at least %g; got '%s'", option, least, text);
	}
	return EXIT_DONE;
}

static enum program_exit take_use(const struct command_line *line, enum boat_use *use)
{
	static const char *const words[] = {
		[BOAT_USE_SAILING] = "sailing",
		[BOAT_USE_DISPLACEMENT] = "displacement",
		[BOAT_USE_PLANING] = "planing",
	};
	const char *text = command_value(line, "--use");

	for (unsigned i = 0; text && i < sizeof(words) / sizeof(words[0]); i++) {
		if (strcmp(text, words[i]) == 0) {
			*use = (enum boat_use)i;
			return EXIT_DONE;
		}
	}
	return !text ? EXIT_DONE
		     : command_misused(line, "--use: expected sailing, displacement or planing; got '%s'",
			       text);
}

static enum program_exit take_fuel(const struct command_line *line, struct cleanliness_code *fuel)
{
	const char *text = command_value(line, "--fuel");
	struct cleanliness_code code;
	struct cleanliness_catch kept;
	char rest;

	if (!text) {
		return EXIT_DONE;
	}
	if (sscanf(text, "%2u/%2u/%2u%c", &code.at_4um, &code.at_6um, &code.at_14um, &rest) != 3 ||
		!cleanliness_catch(&code, 10, 2, &kept)) {
		return command_misused(line, "--fuel: expected an ISO 4406 code, such as 18/16/13; got "
			"'%s'", text);
	}
	*fuel = code;
	return EXIT_DONE;
}

/* What the command line tells, over what the log and the configuration do. */
static enum program_exit take_place(const struct command_line *line, struct advice_place *place)
{
	bool has_supply = command_value(line, "--supply") != NULL;
	enum program_exit status = take_use(line, &place->use);

	place->supply_told = has_supply || command_value(line, "--burn") != NULL;
	status = status == EXIT_DONE ? take_fuel(line, &place->fuel) : status;
	status = status == EXIT_DONE
		? take_figure(line, "--burn", QUANTITY_FLOW, 0.01, &place->burn_lph)
		: status;
	if (status == EXIT_DONE && command_value(line, "--burn") && !has_supply) {
		/* Without a return line the filter passes what is burned. */
		place->supply_lph = place->burn_lph;
		place->supply_mean_lph = place->burn_lph;
	}
	status = status == EXIT_DONE
		? take_figure(line, "--supply", QUANTITY_FLOW, 0.01, &place->supply_lph)
		: status;
	if (status == EXIT_DONE && has_supply) {
		place->supply_mean_lph = place->supply_lph;
	}
	return status == EXIT_DONE
		? take_figure(line, "--hours-a-year", QUANTITY_HOURS, 0.1, &place->hours_a_year)
		: status;
}

static enum program_exit take_asked(const struct command_line *line,
	const struct advice_element *fitted, struct candidate *candidates, size_t *count)
{
	struct advice_element element = *fitted;
	const char *separating = command_value(line, "--separates-water");
	const char *beta = command_value(line, "--beta");
	enum program_exit status;

	if (!command_value(line, "--micron") && !command_value(line, "--rated") && !separating && !beta) {
		return EXIT_DONE;
	}
	element.beta = NAN;
	status = take_figure(line, "--micron", QUANTITY_SIZE, 0.1, &element.micron);
	status = status == EXIT_DONE
		? take_figure(line, "--rated", QUANTITY_FLOW, 1, &element.rated_lph)
		: status;
	status = status == EXIT_DONE ? take_figure(line, "--beta", QUANTITY_NONE, 1, &element.beta)
				     : status;
	if (status == EXIT_DONE && separating) {
		if (strcmp(separating, "yes") != 0 && strcmp(separating, "no") != 0) {
			return command_misused(line, "--separates-water: expected yes or no; got '%s'",
				separating);
		}
		element.separates_water = strcmp(separating, "yes") == 0;
	}
	if (status == EXIT_DONE) {
		add_candidate(candidates, count, "the one asked about", "asked", &element);
	}
	return status;
}

/* What could be fitted: what is asked about, what is fitted, what is aboard, and the usual grades in
 * the size of what is fitted. */
static enum program_exit list_candidates(const struct command_line *line,
	const struct service_account *account, const struct boat_filter *filter,
	const struct element_fitting *fitting, struct candidate *candidates, size_t *ret_count)
{
	static const double grades[] = {2, 10, 30};
	struct advice_element fitted = {
		.micron = fitting->micron,
		.beta = filter->beta,
		.rated_lph = fitting->rated_lph,
		.separates_water = separates(filter),
	};
	size_t count = 0;
	double rated_lph;
	enum program_exit status = take_asked(line, &fitted, candidates, &count);

	if (status != EXIT_DONE) {
		return status;
	}
	rated_lph = count > 0 ? candidates[0].element.rated_lph : fitted.rated_lph;
	if (!isnan(fitted.micron) || !isnan(fitted.rated_lph)) {
		add_candidate(candidates, &count,
			fitting->element[0] != '\0' ? fitting->element : "the one that is fitted",
			"fitted", &fitted);
	}
	for (size_t i = 0; i < account->stock_count; i++) {
		const struct spare_stock *stock = &account->stocks[i];
		struct advice_element spare = {
			.micron = stock->micron,
			.beta = NAN,
			.rated_lph = stock->rated_lph,
			.separates_water = separates(filter),
		};

		if (stock->aboard > 0 && !isnan(stock->micron) && !isnan(stock->rated_lph)) {
			add_candidate(candidates, &count, stock->item, "spare", &spare);
		}
	}
	for (size_t i = 0; i < sizeof(grades) / sizeof(grades[0]); i++) {
		struct advice_element grade = {
			.micron = grades[i],
			.beta = NAN,
			.rated_lph = rated_lph,
			.separates_water = separates(filter),
		};
		char name[32];

		(void)snprintf(name, sizeof(name), "%g µm in that size", grades[i]);
		add_candidate(candidates, &count, name, "grade", &grade);
	}
	*ret_count = count;
	return EXIT_DONE;
}

static int compare_candidates(const void *a, const void *b)
{
	const struct candidate *left = a;
	const struct candidate *right = b;

	return element_advice_compare(&left->advice, left->element.micron, &right->advice,
		right->element.micron);
}

static void put_advice(struct table *table, const char *filter, const struct candidate *candidates,
	size_t count, bool people)
{
	static const struct table_column columns[] = {
		{"filter", TABLE_TEXT, QUANTITY_NONE, 0},
		{"element", TABLE_TEXT, QUANTITY_NONE, 0},
		{"micron", TABLE_REAL, QUANTITY_SIZE, 0},
		{"rated_lph", TABLE_REAL, QUANTITY_FLOW, 0},
		{"verdict", TABLE_TEXT, QUANTITY_NONE, 0},
		{"rating_used_pct", TABLE_REAL, QUANTITY_NONE, 1},
		{"ends_by", TABLE_TEXT, QUANTITY_NONE, 0},
		{"change_after_h", TABLE_REAL, QUANTITY_HOURS, 0},
		{"change_after_months", TABLE_REAL, QUANTITY_MONTHS, 0},
		/* for programs */
		{"from", TABLE_TEXT, QUANTITY_NONE, 0},
		{"practice_micron", TABLE_REAL, QUANTITY_SIZE, 0},
		{"efficiency_pct", TABLE_REAL, QUANTITY_NONE, 1},
		{"life_l_low", TABLE_REAL, QUANTITY_VOLUME, 0},
		{"life_l_mid", TABLE_REAL, QUANTITY_VOLUME, 0},
		{"life_l_high", TABLE_REAL, QUANTITY_VOLUME, 0},
		{"life_to_present", TABLE_REAL, QUANTITY_NONE, 2},
		{"life_basis", TABLE_TEXT, QUANTITY_NONE, 0},
	};
	const size_t shown = people ? 9 : sizeof(columns) / sizeof(columns[0]);

	table_begin(table, "advice", columns, shown);
	for (size_t i = 0; i < count; i++) {
		const struct candidate *candidate = &candidates[i];
		const struct element_advice *advice = &candidate->advice;

		table_put_text(table, filter);
		table_put_text(table, candidate->name);
		table_put_real(table, candidate->element.micron);
		table_put_real(table, candidate->element.rated_lph);
		table_put_text(table, verdict_names[advice->verdict]);
		table_put_real(table, advice->share * 100);
		table_put_text(table, ending_names[advice->ends_by]);
		table_put_real(table, advice->change_after_h);
		table_put_real(table, advice->change_after_months);
		if (!people) {
			table_put_text(table, candidate->why_here);
			table_put_real(table, advice->practice_micron);
			table_put_real(table, advice->efficiency * 100);
			table_put_real(table, advice->life_l_low);
			table_put_real(table, advice->life_l_mid);
			table_put_real(table, advice->life_l_high);
			table_put_real(table, advice->life_to_present);
			table_put_text(table, isnan(advice->life_l_mid) ? NULL
				: advice->from_record                   ? "measured"
									: "estimated");
		}
		table_end_row(table);
	}
	table_end(table);
}

static void put_reasons(struct table *table, const char *filter, const struct candidate *candidates,
	size_t count)
{
	static const struct table_column columns[] = {
		{"filter", TABLE_TEXT, QUANTITY_NONE, 0},   {"element", TABLE_TEXT, QUANTITY_NONE, 0},
		{"reason", TABLE_TEXT, QUANTITY_NONE, 0},   {"value", TABLE_REAL, QUANTITY_NONE, 2},
		{"unit", TABLE_TEXT, QUANTITY_NONE, 0},     {"source", TABLE_TEXT, QUANTITY_NONE, 0},
		{"against", TABLE_FLAG, QUANTITY_NONE, 0},
	};

	table_begin(table, "reasons", columns, sizeof(columns) / sizeof(columns[0]));
	for (size_t i = 0; i < count; i++) {
		for (size_t r = 0; r < candidates[i].advice.reason_count; r++) {
			const struct advice_reason *reason = &candidates[i].advice.reasons[r];

			table_put_text(table, filter);
			table_put_text(table, candidates[i].name);
			table_put_text(table, reason->text);
			table_put_real(table, reason->value);
			table_put_text(table, reason->unit[0] == '\0' ? NULL : reason->unit);
			table_put_text(table, reason->source);
			table_put_flag(table, reason->against);
			table_end_row(table);
		}
	}
	table_end(table);
}

/* A reason's figure in display units. */
static void format_figure(const struct advice_reason *reason, enum unit_system units, char *ret_text,
	size_t size)
{
	static const struct {
		const char *unit;
		enum quantity quantity;
	} shown_as[] = {
		{"L/h", QUANTITY_FLOW},
		{"L", QUANTITY_VOLUME},
		{"kPa", QUANTITY_RESTRICTION},
	};
	struct unit_display shown = {.unit = reason->unit, .factor = 1};
	double value;

	for (size_t i = 0; i < sizeof(shown_as) / sizeof(shown_as[0]); i++) {
		if (strcmp(shown_as[i].unit, reason->unit) == 0) {
			shown = units_display(shown_as[i].quantity, units);
		}
	}
	value = reason->value * shown.factor + shown.offset;
	(void)snprintf(ret_text, size, ": %.*f %s", fabs(value) >= 100 ? 0 : fabs(value) >= 10 ? 1 : 2,
		value, shown.unit);
}

static void print_reasons(const struct command_line *line, const struct candidate *candidate)
{
	(void)printf("\n%s (%s):\n", candidate->name, verdict_names[candidate->advice.verdict]);
	for (size_t r = 0; r < candidate->advice.reason_count; r++) {
		const struct advice_reason *reason = &candidate->advice.reasons[r];
		char figure[64] = "";

		if (!isnan(reason->value)) {
			format_figure(reason, line->settings.units, figure, sizeof(figure));
		}
		(void)printf("  %s %s%s%s%s%s\n", reason->against ? "!" : "-", reason->text, figure,
			reason->source ? "  [" : "", reason->source ? reason->source : "",
			reason->source ? "]" : "");
	}
}

static const char *const use_names[] = {
	[BOAT_USE_SAILING] = "a sailing boat",
	[BOAT_USE_DISPLACEMENT] = "a displacement boat",
	[BOAT_USE_PLANING] = "a planing boat",
};

static enum program_exit show_advice(const struct command_line *line, const char *filter,
	const struct advice_place *place, const struct candidate *candidates, size_t count)
{
	struct table *table;
	bool people = line->format == TABLE_PEOPLE;
	enum program_exit status;

	if (people && count > 0) {
		/* A verdict that is not known recommends nothing. */
		bool known = candidates[0].advice.verdict == ADVICE_FITS ||
			candidates[0].advice.verdict == ADVICE_FITS_WITH_CARE;

		(void)printf("%s filter of %s: practice is %g µm; %s%s\n\n", filter,
			use_names[place->use], candidates[0].advice.practice_micron,
			known ? "of these, fit " : "no element can be named yet",
			known ? candidates[0].name : "");
	}
	status = command_open_output(line, &table);
	if (status != EXIT_DONE) {
		return status;
	}
	put_advice(table, filter, candidates, count, people);
	if (!people) {
		put_reasons(table, filter, candidates, count);
	}
	status = command_close_output(line, table, status);
	if (people && status == EXIT_DONE) {
		for (size_t i = 0; i < count; i++) {
			if (i == 0 || strcmp(candidates[i].why_here, "fitted") == 0 ||
				strcmp(candidates[i].why_here, "asked") == 0) {
				print_reasons(line, &candidates[i]);
			}
		}
		(void)printf("\nThe engine maker's and the filter maker's papers come first.\n");
	}
	return status;
}

static enum program_exit advise(const struct command_line *line, sqlite3 *db, size_t filter_index)
{
	const struct boat *boat = &line->settings.boat;
	const struct boat_filter *filter = &boat->filters[filter_index];
	struct candidate *candidates = calloc(CANDIDATES_MAX, sizeof(*candidates));
	struct service_account account;
	struct engine_figures figures;
	int64_t now_ns = book_write_now_ns();
	size_t count = 0;
	enum program_exit status = EXIT_DONE;
	int result = service_account_load(&account, db, boat);

	if (!candidates || result != 0) {
		if (result == 0) {
			service_account_finish(&account);
		}
		free(candidates);
		return book_write_unread(line, result != 0 ? result : -ENOMEM);
	}
	/* Judged as of the log's end: an old log tells of the use while it was written. */
	if (account.portion_count > 0) {
		int64_t last_ns = INT64_MIN;

		for (size_t i = 0; i < account.portion_count; i++) {
			if (account.portions[i].dated && account.portions[i].end_ns > last_ns) {
				last_ns = account.portions[i].end_ns;
			}
		}
		now_ns = last_ns == INT64_MIN ? now_ns : last_ns;
	}
	result = read_figures(db, boat, filter->engine, &account, now_ns, &figures);
	if (result != 0) {
		status = book_write_unread(line, result);
	} else {
		const struct element_fitting *fitting = service_account_fitted(&account, filter_index);
		struct advice_place place = place_of(boat, filter, &figures);
		struct advice_element fitted = {fitting->micron, filter->beta, fitting->rated_lph,
			separates(filter)};
		struct element_outlook outlook;
		struct advice_record record;

		service_account_outlook(&account, boat, fitting, now_ns, &outlook);
		record = record_of(fitting, &outlook, &fitted);
		status = take_place(line, &place);
		status = status == EXIT_DONE
			? list_candidates(line, &account, filter, fitting, candidates, &count)
			: status;
		for (size_t i = 0; i < count; i++) {
			element_advice_judge(&place, &candidates[i].element, &record,
				&candidates[i].advice);
		}
		if (status == EXIT_DONE) {
			qsort(candidates, count, sizeof(*candidates), compare_candidates);
			status = show_advice(line, filter->name, &place, candidates, count);
		}
	}
	service_account_finish(&account);
	free(candidates);
	return status;
}

static enum program_exit run_advise(const struct command_line *line)
{
	const struct boat *boat = &line->settings.boat;
	const char *name = command_value(line, "--filter");
	struct log_store *store = NULL;
	size_t filter = 0;
	enum program_exit status = EXIT_DONE;

	while (filter < boat->filter_count && name && strcmp(boat->filters[filter].name, name) != 0) {
		filter++;
	}
	while (filter < boat->filter_count && !name && line->engine >= 0 &&
		boat->filters[filter].engine != (unsigned)line->engine) {
		filter++;
	}
	if (filter == boat->filter_count) {
		return command_misused(line, "%s: there is no such filter",
			name ? "--filter" : "--engine");
	}
	if (line->log_path) {
		status = command_open_log(line, &store);
	}
	if (status == EXIT_DONE) {
		status = advise(line, store ? log_store_db(store) : NULL, filter);
	}
	log_store_close(store);
	return status;
}

static const struct command_option advise_options[] = {
	{"--filter", "NAME", "for which filter (else the first)"},
	{"--micron", "SIZE", "judge this element too: its rating"},
	{"--rated", "FLOW", "its rated flow (else that of the fitted one)"},
	{"--beta", "RATIO", "its beta ratio at that rating (ISO 16889)"},
	{"--separates-water", "yes|no", "does it separate water?"},
	{"--use", "KIND", "sailing, displacement or planing (else the configuration's)"},
	{"--burn", "FLOW", "what the engine burns at cruise (else from the log)"},
	{"--supply", "FLOW", "what its pump moves through the filter (else from the log)"},
	{"--hours-a-year", "H", "engine hours a year (else from the log)"},
	{"--fuel", "CODE", "how clean the fuel is by ISO 4406 (else 18/16/13)"},
	{NULL, NULL, NULL},
};

const struct command command_advise = {
	.name = "advise",
	.summary = "which element to fit, and why",
	.arguments = "",
	.help = "Judges elements for a place in the fuel line: rated flow against what the pump moves, micron by\n"
		"place and use, water separation, life at that rating from how elements loaded here (or an order\n"
		"of magnitude where there is no record), and what a finer one costs in life. It judges what is\n"
		"fitted, the spares aboard, the usual grades in that size, and what is asked about; each reason\n"
		"names its source, or says that it is common practice. A log is not needed.\n\n"
		"  sightbowl advise --db boat.db --config boat.conf\n"
		"  sightbowl advise --filter secondary --micron 5 --beta 200 --db boat.db --config boat.conf\n"
		"  sightbowl advise --burn '1 gal/h' --rated '60 gal/h' --micron 2 --hours-a-year 100\n"
		"  sightbowl advise --use planing --supply '35 gal/h' --rated '60 gal/h' --micron 10",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT | COMMAND_TAKES_ENGINE,
	.options = advise_options,
	.run = run_advise,
};
