/* report.c: the parts of the report, in their order: what it is of, the figures, the filters and their
 * evidence, events, the burn, what was logged over time, trips, runs, how to read it. */
#include "daemon/report.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>
#include <sodium.h>

#include "daemon/drawing.h"
#include "daemon/log_series.h"
#include "daemon/log_tables.h"
#include "daemon/overview.h"
#include "daemon/page_asset.h"
#include "daemon/picture.h"
#include "daemon/utc_time.h"
#include "decoders/signal.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define TRIPS_DRAWN_MAX 40 /* trips with a chart and a track of their own */
#define STAYED_NM       0.05 /* less is no way to draw, but a receiver's wandering */
#define CHART_POINTS    600

struct report {
	int failure; /* the last of a part that could not be made: negative errno */
	const struct command_line *line;
	struct command_line *ranged; /* the line, limited to what the report is of */
	struct log_store *store;
	const struct report_scope *scope;
	FILE *out;
	json_t *overview;
	json_t *trips;
	json_t *runs;
	json_t *events;
	json_t *elements;
	json_t *refuellings;
	json_t *verdict;
	char title[160];
	bool dated;
	int64_t since_ns, until_ns;
	size_t charts;
};

/* ---- words ---- */

struct column_words {
	const char *column;
	const char *title;
	enum quantity quantity; /* of a number; QUANTITY_NONE with decimals: a plain number */
	int decimals;
};

static const struct column_words words[] = {
	{"trip", "trip", QUANTITY_NONE, 0},
	{"run", "run", QUANTITY_NONE, 0},
	{"engine", "engine", QUANTITY_NONE, 0},
	{"start_utc", "from", QUANTITY_NONE, 0},
	{"end_utc", "to", QUANTITY_NONE, 0},
	{"engine_h", "engine", QUANTITY_HOURS, 2},
	{"idle_h", "idle", QUANTITY_HOURS, 2},
	{"fuel_l", "fuel", QUANTITY_VOLUME, 2},
	{"fuel_estimated_l", "of it estimated", QUANTITY_VOLUME, 2},
	{"fuel_uncertainty_l", "give or take", QUANTITY_VOLUME, 2},
	{"mean_lph", "mean burn", QUANTITY_FLOW, 2},
	{"max_lph", "most", QUANTITY_FLOW, 2},
	{"distance_nm", "distance", QUANTITY_DISTANCE, 1},
	{"l_per_nm", "per mile", QUANTITY_CONSUMPTION, 2},
	{"co2_kg", "CO2", QUANTITY_MASS, 1},
	{"max_coolant_c", "hottest coolant", QUANTITY_TEMPERATURE, 0},
	{"events", "events", QUANTITY_NONE, 0},
	{"filter", "filter", QUANTITY_NONE, 0},
	{"stage", "stage", QUANTITY_NONE, 0},
	{"element", "element", QUANTITY_NONE, 0},
	{"micron", "rating", QUANTITY_SIZE, 0},
	{"fitted_utc", "fitted", QUANTITY_NONE, 0},
	{"removed_utc", "taken out", QUANTITY_NONE, 0},
	{"litres_through", "passed through", QUANTITY_VOLUME, 0},
	{"reference_kpa", "restriction at reference", QUANTITY_RESTRICTION, 1},
	{"limit_kpa", "limit", QUANTITY_RESTRICTION, 1},
	{"used_pct", "used, %", QUANTITY_NONE, 0},
	{"left_h_p10", "left, at least", QUANTITY_HOURS, 0},
	{"left_h_p50", "left, likely", QUANTITY_HOURS, 0},
	{"left_h_p90", "left, at most", QUANTITY_HOURS, 0},
	{"due_utc", "due", QUANTITY_NONE, 0},
	{"due_by", "due by", QUANTITY_NONE, 0},
	{"basis", "basis", QUANTITY_NONE, 0},
	{"tank", "tank", QUANTITY_NONE, 0},
	{"noticed_utc", "noticed", QUANTITY_NONE, 0},
	{"litres", "taken aboard", QUANTITY_VOLUME, 1},
	{"litres_sd", "one deviation", QUANTITY_VOLUME, 1},
	{"measured_utc", "measured", QUANTITY_NONE, 0},
	{"fuel_sd_l", "one deviation", QUANTITY_VOLUME, 1},
	{"fuel_15_l", "at 15 °C", QUANTITY_VOLUME, 0},
	{"capacity_l", "holds", QUANTITY_VOLUME, 0},
	{"reserve_l", "kept back", QUANTITY_VOLUME, 0},
	{"range", "speed", QUANTITY_NONE, 0},
	{"rpm", "engine", QUANTITY_ENGINE_SPEED, 0},
	{"rate_lph", "burn", QUANTITY_FLOW, 2},
	{"speed_kn", "boat", QUANTITY_SPEED, 1},
	{"range_h", "lasts", QUANTITY_HOURS, 0},
	{"range_h_p10", "at least", QUANTITY_HOURS, 0},
	{"range_nm", "reaches", QUANTITY_DISTANCE, 0},
	{"range_nm_p10", "at least", QUANTITY_DISTANCE, 0},
	{"event", "no.", QUANTITY_NONE, 0},
	{"kind", "kind", QUANTITY_NONE, 0},
	{"subject", "of", QUANTITY_NONE, 0},
	{"severity", "weight", QUANTITY_NONE, 0},
	{"raised_utc", "raised", QUANTITY_NONE, 0},
	{"acknowledged_utc", "acknowledged", QUANTITY_NONE, 0},
	{"cleared_utc", "cleared", QUANTITY_NONE, 0},
	{"value", "value", QUANTITY_NONE, 2},
	{"limit", "limit", QUANTITY_NONE, 2},
	{"unit", "unit", QUANTITY_NONE, 0},
	{"message", "what it says", QUANTITY_NONE, 0},
};

static const struct column_words *words_of(const char *column)
{
	for (size_t i = 0; i < COUNT(words); i++) {
		if (strcmp(words[i].column, column) == 0) {
			return &words[i];
		}
	}
	return NULL;
}

static void put_real(struct report *report, double value, enum quantity quantity, int decimals,
	bool with_unit)
{
	struct unit_display unit = units_display(quantity, report->line->settings.units);

	if (!isfinite(value)) {
		(void)fputs("–", report->out);
		return;
	}
	value = value * unit.factor + unit.offset;
	/* What rounds to nothing has no sign. */
	if (fabs(value) < 0.5 * pow(10, -decimals)) {
		value = 0;
	}
	(void)fprintf(report->out, "%.*f", decimals, value);
	if (with_unit && unit.unit[0] != '\0') {
		(void)fputs("&nbsp;", report->out);
		drawing_text(report->out, unit.unit);
	}
}

/* 2026-06-01T08:30:00Z as 2026-06-01 08:30. */
static void put_time_text(struct report *report, const char *utc)
{
	if (utc == NULL || strlen(utc) < 16) {
		(void)fputs("–", report->out);
		return;
	}
	(void)fprintf(report->out, "%.10s %.5s", utc, utc + 11);
}

static bool is_time(const char *column)
{
	size_t length = strlen(column);

	return length > 4 && strcmp(column + length - 4, "_utc") == 0;
}

/* Times of which the day is enough. */
static bool is_day(const char *column)
{
	return strcmp(column, "fitted_utc") == 0 || strcmp(column, "removed_utc") == 0 ||
		strcmp(column, "due_utc") == 0;
}

static void put_cell(struct report *report, const char *column, const json_t *value)
{
	const struct column_words *own = words_of(column);

	if (value == NULL || json_is_null(value)) {
		(void)fputs("–", report->out);
	} else if (is_day(column)) {
		(void)fprintf(report->out, "%.10s", json_string_value(value));
	} else if (is_time(column)) {
		put_time_text(report, json_string_value(value));
	} else if (json_is_string(value)) {
		drawing_text(report->out, json_string_value(value));
	} else if (json_is_boolean(value)) {
		(void)fputs(json_is_true(value) ? "yes" : "no", report->out);
	} else {
		put_real(report, json_number_value(value), own == NULL ? QUANTITY_NONE : own->quantity,
			own == NULL ? 2 : own->decimals, false);
	}
}

/* The rows' columns, as many as are named, as one table. */
static void put_table(struct report *report, const char *caption, const json_t *rows,
	const char *const *columns, size_t count)
{
	const json_t *row;
	size_t index;

	(void)fputs("<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"", report->out);
	drawing_text(report->out, caption);
	(void)fputs("\"><table><caption>", report->out);
	drawing_text(report->out, caption);
	(void)fputs("</caption>\n<thead><tr>", report->out);
	for (size_t c = 0; c < count; c++) {
		const struct column_words *own = words_of(columns[c]);
		struct unit_display unit = units_display(own == NULL ? QUANTITY_NONE : own->quantity,
			report->line->settings.units);
		(void)fputs("<th scope=\"col\">", report->out);
		drawing_text(report->out, own == NULL ? columns[c] : own->title);
		if (unit.unit[0] != '\0') {
			(void)fputs(", ", report->out);
			drawing_text(report->out, unit.unit);
		}
		(void)fputs("</th>", report->out);
	}
	(void)fputs("</tr></thead>\n<tbody>\n", report->out);
	json_array_foreach(rows, index, row) {
		(void)fputs("<tr>", report->out);
		for (size_t c = 0; c < count; c++) {
			const json_t *value = json_object_get(row, columns[c]);
			(void)fputs(json_is_number(value) ? "<td class=\"number\">"
				: is_time(columns[c])     ? "<td class=\"time\">"
				: strcmp(columns[c], "message") == 0 ? "<td class=\"words\">"
								     : "<td>", report->out);
			put_cell(report, columns[c], value);
			(void)fputs("</td>", report->out);
		}
		(void)fputs("</tr>\n", report->out);
	}
	(void)fputs("</tbody></table></div>\n", report->out);
}

/* ---- what the report is of ---- */

static const json_t *rows_of(const json_t *object, const char *name)
{
	return json_object_get(object, name);
}

static double real_of(const json_t *row, const char *column)
{
	const json_t *value = json_object_get(row, column);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static const char *text_of(const json_t *row, const char *column)
{
	return json_string_value(json_object_get(row, column));
}

static enum program_exit load(struct report *report, const char *name, json_t **ret_object)
{
	const struct log_table *table = log_table_find(name, strlen(name));

	if (table == NULL) {
		*ret_object = json_object();
	} else {
		*ret_object = log_table_json(table, report->ranged, report->store);
	}
	return *ret_object != NULL ? EXIT_DONE
				   : command_failed(report->line, "cannot read the log for the report");
}

static bool time_of(const json_t *row, const char *column, int64_t *ret_ns)
{
	const char *text = text_of(row, column);

	return text != NULL && utc_parse(text, ret_ns);
}

static enum program_exit limit_to_trip(struct report *report)
{
	json_t *trips = NULL;
	const json_t *row, *found = NULL;
	size_t index;
	enum program_exit status = load(report, "trips", &trips);

	if (status != EXIT_DONE) {
		return status;
	}
	json_array_foreach(rows_of(trips, "trips"), index, row) {
		if (json_integer_value(json_object_get(row, "trip")) == report->scope->trip) {
			found = row;
		}
	}
	if (found == NULL) {
		status = command_failed(report->line, "there is no trip %" PRId64 " in the log",
			report->scope->trip);
	} else if (!time_of(found, "start_utc", &report->since_ns) ||
		!time_of(found, "end_utc", &report->until_ns)) {
		status = command_failed(report->line, "trip %" PRId64 " has no date",
			report->scope->trip);
	} else {
		report->until_ns += NS_PER_S; /* its text is rounded down */
		(void)snprintf(report->title, sizeof(report->title), "Trip %" PRId64,
			report->scope->trip);
	}
	json_decref(trips);
	return status;
}

/* Whether the element in a row is the one that the report is of. */
static bool is_wanted_element(const struct report *report, const json_t *row)
{
	const char *filter = text_of(row, "filter");
	int64_t fitted_ns = INT64_MIN, removed_ns = INT64_MAX;

	if (filter == NULL || strcmp(filter, report->scope->element) != 0) {
		return false;
	}
	(void)time_of(row, "fitted_utc", &fitted_ns); /* not known: since ever */
	(void)time_of(row, "removed_utc", &removed_ns); /* not known: still there */
	return report->scope->element_at_ns == 0
		? removed_ns == INT64_MAX
		: fitted_ns <= report->scope->element_at_ns &&
			report->scope->element_at_ns < removed_ns;
}

static enum program_exit limit_to_element(struct report *report)
{
	json_t *elements = NULL;
	const json_t *row, *found = NULL;
	size_t index;
	enum program_exit status = load(report, "elements", &elements);

	if (status != EXIT_DONE) {
		return status;
	}
	json_array_foreach(rows_of(elements, "elements"), index, row) {
		found = is_wanted_element(report, row) ? row : found;
	}
	if (found == NULL) {
		status = command_failed(report->line, "there is no such element in filter '%s'",
			report->scope->element);
	} else {
		(void)time_of(found, "fitted_utc", &report->since_ns);
		(void)time_of(found, "removed_utc", &report->until_ns);
		(void)snprintf(report->title, sizeof(report->title), "The element in filter %s",
			report->scope->element);
	}
	json_decref(elements);
	return status;
}

/* Finds out what the report is of, and puts it into the ranged line. */
static enum program_exit choose_span(struct report *report)
{
	const json_t *boat;
	enum program_exit status = load(report, "overview", &report->overview);

	if (status != EXIT_DONE) {
		return status;
	}
	boat = json_array_get(rows_of(report->overview, "boat"), 0);
	report->dated = time_of(boat, "log_start_utc", &report->since_ns) &&
		time_of(boat, "log_end_utc", &report->until_ns);
	report->until_ns += NS_PER_S;
	(void)snprintf(report->title, sizeof(report->title), "Season report");
	if (report->scope->trip != 0) {
		status = limit_to_trip(report);
	} else if (report->scope->element != NULL) {
		status = limit_to_element(report);
	} else {
		report->since_ns = report->line->has_since ? report->line->since_ns : report->since_ns;
		report->until_ns = report->line->has_until ? report->line->until_ns : report->until_ns;
	}
	if (status == EXIT_DONE && report->dated) {
		report->ranged->has_since = true;
		report->ranged->since_ns = report->since_ns;
		report->ranged->has_until = true;
		report->ranged->until_ns = report->until_ns;
	}
	return status;
}

/* ---- head ---- */

/* Puts style or script in with its digest in the policy: assets are the program's own and hold no
 * end tag. */
static void put_digest(FILE *out, const char *const *paths, size_t count)
{
	unsigned char digest[crypto_hash_sha256_BYTES];
	char text[sodium_base64_ENCODED_LEN(crypto_hash_sha256_BYTES, sodium_base64_VARIANT_ORIGINAL)];
	crypto_hash_sha256_state state;

	(void)crypto_hash_sha256_init(&state); /* these cannot fail */
	for (size_t i = 0; i < count; i++) {
		const struct page_asset *asset = page_asset_find(paths[i]);
		(void)crypto_hash_sha256_update(&state, asset->bytes, asset->size);
	}
	(void)crypto_hash_sha256_final(&state, digest);
	(void)fprintf(out, " 'sha256-%s'",
		sodium_bin2base64(text, sizeof(text), digest, sizeof(digest),
			sodium_base64_VARIANT_ORIGINAL));
}

static void put_assets(FILE *out, const char *tag, const char *const *paths, size_t count)
{
	(void)fprintf(out, "<%s>", tag);
	for (size_t i = 0; i < count; i++) {
		const struct page_asset *asset = page_asset_find(paths[i]);
		(void)fwrite(asset->bytes, 1, asset->size, out); /* the stream keeps a failure */
	}
	(void)fprintf(out, "</%s>\n", tag);
}

static const char *const styles[] = {"/drawing.css", "/report.css"};
static const char *const library[] = {"/dygraph.min.js"};
static const char *const script[] = {"/report.js"};

static void put_head(struct report *report)
{
	const json_t *boat = json_array_get(rows_of(report->overview, "boat"), 0);
	const char *name = text_of(boat, "name");
	char since[UTC_TEXT_MAX], until[UTC_TEXT_MAX], made[UTC_TEXT_MAX];
	FILE *out = report->out;

	utc_format(report->since_ns, since);
	utc_format(report->until_ns, until);
	utc_format(overview_clock_ns(), made);
	(void)fputs("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
		"<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; base-uri "
		"'none'; form-action 'none'; style-src", out);
	put_digest(out, styles, COUNT(styles));
	(void)fputs("; script-src", out);
	put_digest(out, library, COUNT(library));
	put_digest(out, script, COUNT(script));
	(void)fputs("\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
		"<title>", out);
	drawing_text(out, name == NULL || *name == '\0' ? "Sightbowl" : name);
	(void)fputs(": ", out);
	drawing_text(out, report->title);
	(void)fputs("</title>\n", out);
	put_assets(out, "style", styles, COUNT(styles));
	(void)fputs("</head>\n<body>\n<header>\n<p class=\"boat\">", out);
	drawing_text(out, name == NULL || *name == '\0' ? "A boat without a name" : name);
	(void)fputs("</p>\n<h1>", out);
	drawing_text(out, report->title);
	(void)fputs("</h1>\n<p>", out);
	if (report->dated) {
		put_time_text(report, since);
		(void)fputs(" to ", out);
		put_time_text(report, until);
		(void)fputs(" UTC. ", out);
	}
	(void)fputs("Made ", out);
	put_time_text(report, made);
	(void)fputs(" UTC by Sightbowl " SIGHTBOWL_VERSION " from the boat's own log.</p>\n", out);
	if (report->scope->invented) {
		(void)fputs("<p class=\"invented\">The boat, its season and all figures are invented.</p>\n",
			out);
	}
	(void)fputs("</header>\n<main>\n", out);
}

/* ---- parts ---- */

static double sum_of(const json_t *rows, const char *column)
{
	double sum = NAN;
	const json_t *row;
	size_t index;

	json_array_foreach(rows, index, row) {
		double value = real_of(row, column);
		if (!isnan(value)) {
			sum = isnan(sum) ? value : sum + value;
		}
	}
	return sum;
}

static void put_figure(struct report *report, const char *name, double value, enum quantity quantity,
	int decimals)
{
	(void)fprintf(report->out, "<div><dt>%s</dt><dd>", name);
	put_real(report, value, quantity, decimals, true);
	(void)fputs("</dd></div>\n", report->out);
}

/* A trip's distance counts once, however many engines ran. */
static double distance_of(const json_t *trips)
{
	double sum = NAN;
	json_int_t before = -1;
	const json_t *row;
	size_t index;

	json_array_foreach(trips, index, row) {
		json_int_t trip = json_integer_value(json_object_get(row, "trip"));
		double value = real_of(row, "distance_nm");
		if (trip != before && !isnan(value)) {
			sum = isnan(sum) ? value : sum + value;
		}
		before = trip;
	}
	return sum;
}

/* Is the fuel system all right, and why we think so: as of the log's end. */
static void put_verdict(struct report *report)
{
	const json_t *verdict = json_array_get(rows_of(report->verdict, "verdict"), 0);
	const json_t *row;
	size_t index;

	(void)fputs("<section>\n<h2>", report->out);
	drawing_text(report->out, text_of(verdict, "says"));
	(void)fputs("</h2>\n<ul class=\"reasons\">\n", report->out);
	json_array_foreach(rows_of(report->verdict, "reasons"), index, row) {
		const char *severity = text_of(row, "severity"), *basis = text_of(row, "basis");
		const char *since = text_of(row, "since_utc");
		(void)fputs("<li>", report->out);
		if (severity != NULL) {
			(void)fprintf(report->out, "<strong>%s</strong>, ", severity);
		}
		drawing_text(report->out, text_of(row, "about"));
		(void)fputs(": ", report->out);
		drawing_text(report->out, text_of(row, "says"));
		if (basis != NULL || since != NULL) {
			(void)fprintf(report->out, " (%s%s%.10s)", basis == NULL ? "" : basis,
				since == NULL ? "" : basis == NULL ? "since " : ", since ",
				since == NULL ? "" : since);
		}
		(void)fputs(".</li>\n", report->out);
	}
	(void)fputs("</ul>\n</section>\n", report->out);
}

static void put_summary(struct report *report)
{
	const json_t *runs = rows_of(report->runs, "runs");
	const json_t *trips = rows_of(report->trips, "trips");
	double fuel_l = sum_of(runs, "fuel_l"), distance_nm = distance_of(trips);

	(void)fputs("<section>\n<h2>In figures</h2>\n<dl class=\"figures\">\n", report->out);
	put_figure(report, "Engine hours", sum_of(runs, "engine_h"), QUANTITY_HOURS, 1);
	put_figure(report, "Fuel burned", fuel_l, QUANTITY_VOLUME, 1);
	put_figure(report, "give or take", sum_of(runs, "fuel_uncertainty_l"), QUANTITY_VOLUME, 2);
	put_figure(report, "of it estimated", sum_of(runs, "fuel_estimated_l"), QUANTITY_VOLUME, 2);
	put_figure(report, "Distance", distance_nm, QUANTITY_DISTANCE, 1);
	put_figure(report, "Fuel per mile", sum_of(trips, "fuel_l") / distance_nm,
		QUANTITY_CONSUMPTION, 2);
	put_figure(report, "CO2", sum_of(trips, "co2_kg"), QUANTITY_MASS, 0);
	put_figure(report, "Trips", (double)json_array_size(trips), QUANTITY_NONE, 0);
	(void)fputs("</dl>\n</section>\n", report->out);
}

struct named_arguments {
	const char *names[3];
	const char *values[3];
};

static const char *named_argument(void *context, const char *name)
{
	const struct named_arguments *arguments = context;

	for (size_t i = 0; i < COUNT(arguments->names); i++) {
		if (arguments->names[i] != NULL && strcmp(arguments->names[i], name) == 0) {
			return arguments->values[i];
		}
	}
	return NULL;
}

/* One of the page's drawings, as a figure; none where there is nothing to draw. A failure stays in the
 * report. */
static void put_picture(struct report *report, const char *name, const char *key, const char *value,
	const char *caption)
{
	const struct picture *picture = picture_find(name, strlen(name));
	struct named_arguments arguments = {.names = {key}, .values = {value}};
	char *bytes = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&bytes, &size);
	int result;

	assert(picture != NULL);
	if (out == NULL) {
		report->failure = -ENOMEM;
		return;
	}
	result = picture->draw(report->ranged, report->store, named_argument, &arguments, out);
	/* Without memory the stream drops what is written, or has no bytes in the end. */
	if (ferror(out) != 0) {
		result = -ENOMEM;
	}
	if (fclose(out) != 0 || bytes == NULL) {
		result = -ENOMEM;
	}
	if (result == 0) {
		(void)fprintf(report->out, "<figure class=\"%s\">\n", name);
		(void)fwrite(bytes, 1, size, report->out); /* the stream keeps a failure */
		(void)fputs("<figcaption>", report->out);
		drawing_text(report->out, caption);
		(void)fputs("</figcaption></figure>\n", report->out);
	} else if (result != -ENOENT) {
		report->failure = result;
	}
	free(bytes);
}

/* The elements that the report is of. The caller lets go of them. NULL or fewer for want of memory, which
 * stays in the report. */
static json_t *wanted_elements(struct report *report)
{
	json_t *wanted = json_array();
	json_t *row;
	size_t index;

	report->failure = wanted == NULL ? -ENOMEM : report->failure;
	json_array_foreach(rows_of(report->elements, "elements"), index, row) {
		if (report->scope->element == NULL || is_wanted_element(report, row)) {
			report->failure =
				json_array_append(wanted, row) != 0 ? -ENOMEM : report->failure;
		}
	}
	return wanted;
}

static void put_filters(struct report *report)
{
	static const char *const fitted[] = {"filter", "element", "micron", "fitted_utc", "removed_utc",
		"engine_h", "litres_through"};
	static const char *const loaded[] = {"filter", "fitted_utc", "reference_kpa", "limit_kpa",
		"used_pct", "left_h_p10", "left_h_p50", "left_h_p90", "due_utc", "due_by", "basis"};
	const struct boat *boat = &report->line->settings.boat;
	json_t *elements = wanted_elements(report);
	char caption[256];

	(void)fputs("<section>\n<h2>Filters</h2>\n", report->out);
	if (report->scope->trip != 0 && report->dated) {
		(void)fprintf(report->out, "<p class=\"note\">Not as they were on the trip, but as they stand "
			"at the log's end, %.10s.</p>\n",
			text_of(json_array_get(rows_of(report->overview, "boat"), 0), "log_end_utc"));
	}
	(void)fputs("<div class=\"pictures\">\n", report->out);
	for (size_t i = 0; i < boat->filter_count; i++) {
		const char *name = boat->filters[i].name;
		if (report->scope->element == NULL || strcmp(report->scope->element, name) == 0) {
			put_picture(report, "filter", "filter", name,
				boat->filters[i].element[0] == '\0' ? "element not told"
								    : boat->filters[i].element);
		}
	}
	(void)fputs("</div>\n", report->out);
	for (size_t i = 0; i < boat->filter_count; i++) {
		const char *name = boat->filters[i].name;
		if (boat->filters[i].sensor != SENSOR_NONE && (report->scope->element == NULL ||
			strcmp(report->scope->element, name) == 0)) {
			(void)snprintf(caption, sizeof(caption),
				"Filter %s: restriction in steady minutes under load, as read, against what has "
				"passed through the element; with the forecast where there is one.", name);
			put_picture(report, "restriction", "filter", name, caption);
		}
	}
	put_table(report, "Elements, and what passed them", elements, fitted, COUNT(fitted));
	put_table(report, "Their load and forecast", elements, loaded, COUNT(loaded));
	json_decref(elements);
	(void)fputs("<p class=\"note\">Basis: measured, by a pressure sensor; counted, by hours, litres "
		"and age; estimated, where neither reaches. The range of what is left holds in 8 of 10 "
		"cases.</p>\n</section>\n", report->out);
}

static void put_events(struct report *report)
{
	static const char *const columns[] = {"raised_utc", "severity", "kind", "subject", "message",
		"value", "limit", "unit", "basis", "acknowledged_utc", "cleared_utc"};
	const json_t *events = rows_of(report->events, "events");

	(void)fputs("<section>\n<h2>Events and their evidence</h2>\n", report->out);
	if (json_array_size(events) == 0) {
		(void)fputs("<p>Nothing was noticed in this time.</p>\n", report->out);
	} else {
		put_table(report, "Events", events, columns, COUNT(columns));
	}
	(void)fputs("</section>\n", report->out);
}

static void put_burn(struct report *report)
{
	(void)fputs("<section>\n<h2>Burn</h2>\n", report->out);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		char number[8];
		if (!report->line->settings.boat.engines[i].present) {
			continue;
		}
		(void)snprintf(number, sizeof(number), "%u", i);
		put_picture(report, "burn", "engine", number,
			"Burn against engine speed: steady minutes of the whole log, their middle, and the band "
			"that holds 8 of 10.");
	}
	(void)fputs("</section>\n", report->out);
}

/* ---- charts over time ---- */

struct chart_wish {
	const char *heading;
	const char *signal;
	bool any_instance; /* of the same signal: each a line */
	enum quantity quantity;
	const char *absent; /* what is said when the log has none */
};

static const struct chart_wish wishes[] = {
	{"Burn", "fuel_rate_lph", true, QUANTITY_FLOW,
		"No fuel rate was heard (NMEA 2000 127489, J1939 SPN 183)."},
	{"Coolant temperature", "coolant_temperature_c", true, QUANTITY_TEMPERATURE,
		"No coolant temperature was heard (NMEA 2000 127489, J1939 SPN 110)."},
	{"Fuel pressure", "fuel_pressure_kpa", true, QUANTITY_PRESSURE,
		"No fuel pressure was heard (NMEA 2000 127489, J1939 SPN 94)."},
	{"Tank level, %", "tank_level_pct", true, QUANTITY_NONE,
		"No tank level was heard (NMEA 2000 127505, J1939 SPN 96)."},
};

/* The series as data for the script: seconds, then low, mean and high of each line. */
static void put_data(struct report *report, const struct series *series, size_t signals,
	const char *heading, const char *unit, double factor, double offset)
{
	FILE *out = report->out;

	(void)fprintf(out, "<script type=\"application/json\" class=\"series\">{\"heading\":\"%s\","
		"\"unit\":\"%s\",\"width_s\":%" PRId64 ",\"lines\":%zu,\"rows\":[", heading, unit,
		series->width_ns / NS_PER_S, signals);
	for (size_t n = 0; n < series->count; n++) {
		(void)fprintf(out, "%s[%" PRId64, n == 0 ? "" : ",", series->start_ns[n] / NS_PER_S);
		for (size_t i = 0; i < signals; i++) {
			const struct series_value *value = &series->values[n * signals + i];
			if (value->count == 0) {
				(void)fputs(",null,null,null", out);
			} else {
				(void)fprintf(out, ",%.6g,%.6g,%.6g", value->low * factor + offset,
					value->mean * factor + offset, value->high * factor + offset);
			}
		}
		(void)fputc(']', out);
	}
	(void)fputs("]}</script>\n", out);
}

#define CHART_LINES_MAX 3

static enum program_exit draw_wish(struct report *report, const struct chart_wish *wish,
	const struct series_question *question, const struct series *series)
{
	static const char *const classes[CHART_LINES_MAX] = {"line-a", "line-b", "line-c"};
	struct unit_display unit = units_display(wish->quantity, report->line->settings.units);
	size_t lines = question->signal_count;
	double *columns = calloc((1 + 3 * lines) * (series->count + 1), sizeof(*columns));
	char names[CHART_LINES_MAX][24], y_name[64];
	struct chart chart;

	if (columns == NULL) {
		return command_failed(report->line, "no memory left");
	}
	chart_init(&chart, wish->heading);
	(void)snprintf(y_name, sizeof(y_name), "%s%s%s", wish->heading,
		unit.unit[0] == '\0' ? "" : ", ", unit.unit);
	chart.description = "Means as lines, least to greatest as a band.";
	chart.height = 190;
	chart.x_scale = CHART_TIME;
	chart.x_name = "time, UTC";
	chart.y_name = y_name;
	chart.x_least = (double)report->since_ns * 1e-9;
	chart.x_most = (double)report->until_ns * 1e-9;
	chart.break_after = 2.5e-9 * (double)series->width_ns;
	for (size_t i = 0; i < lines; i++) {
		double *mean = columns + (1 + 3 * i) * series->count;
		double *low = mean + series->count, *high = low + series->count;
		for (size_t n = 0; n < series->count; n++) {
			const struct series_value *value = &series->values[n * lines + i];
			columns[n] = (double)(series->start_ns[n] + series->width_ns / 2) * 1e-9;
			mean[n] = value->mean * unit.factor + unit.offset;
			low[n] = value->low * unit.factor + unit.offset;
			high[n] = value->high * unit.factor + unit.offset;
		}
		(void)snprintf(names[i], sizeof(names[i]), "no. %u", question->signals[i].instance);
		if (lines == 1) {
			chart.series[chart.series_count++] = (struct chart_series){NULL, "band-a",
				CHART_BAND, series->count, columns, low, high};
		}
		chart.series[chart.series_count++] = (struct chart_series){
			lines == 1 ? NULL : names[i], classes[i], CHART_LINE, series->count, columns, mean,
			NULL};
	}
	(void)fputs("<figure class=\"over-time\">\n", report->out);
	chart_draw(&chart, report->out);
	put_data(report, series, lines, wish->heading, unit.unit, unit.factor, unit.offset);
	(void)fputs("</figure>\n", report->out);
	free(columns);
	return EXIT_DONE;
}

/* The instances of a signal that the log has, as a question. */
static void ask_instances(const struct report *report, const char *signal,
	struct series_question *question)
{
	const json_t *row;
	size_t index;

	json_array_foreach(rows_of(report->overview, "signals"), index, row) {
		json_int_t instance = json_integer_value(json_object_get(row, "instance"));
		if (strcmp(text_of(row, "signal"), signal) == 0 && instance < 256 &&
			question->signal_count < CHART_LINES_MAX) {
			(void)snprintf(question->signals[question->signal_count].name,
				sizeof(question->signals[0].name), "%s", signal);
			question->signals[question->signal_count++].instance = (unsigned)instance;
		}
	}
}

static enum program_exit put_over_time(struct report *report)
{
	(void)fputs("<section>\n<h2>Over time</h2>\n", report->out);
	for (size_t w = 0; report->dated && w < COUNT(wishes); w++) {
		struct series_question question = {.since_ns = report->since_ns,
			.until_ns = report->until_ns, .points = CHART_POINTS};
		struct series series;
		enum program_exit status;
		int result;
		ask_instances(report, wishes[w].signal, &question);
		if (question.signal_count == 0) {
			(void)fprintf(report->out, "<p class=\"missing\">%s</p>\n", wishes[w].absent);
			continue;
		}
		result = log_series_read(report->store, &question, &series);
		if (result != 0) {
			return command_failed(report->line, "cannot read the log: %s",
				strerror(-result));
		}
		status = draw_wish(report, &wishes[w], &question, &series);
		log_series_finish(&series);
		if (status != EXIT_DONE) {
			return status;
		}
	}
	(void)fputs("</section>\n", report->out);
	return EXIT_DONE;
}

static void put_tanks(struct report *report)
{
	static const char *const tanks[] = {"tank", "measured_utc", "fuel_l", "fuel_sd_l", "fuel_15_l",
		"capacity_l", "reserve_l"};
	static const char *const ranges[] = {"range", "rpm", "rate_lph", "speed_kn", "l_per_nm",
		"range_h", "range_h_p10", "range_nm", "range_nm_p10"};
	const json_t *rows = rows_of(report->overview, "range");
	const json_t *row;
	size_t index;

	(void)fputs("<section>\n<h2>In the tank, and how far it goes</h2>\n", report->out);
	if (json_array_size(rows_of(report->overview, "tanks")) > 0) {
		put_table(report, "Tanks", rows_of(report->overview, "tanks"), tanks, COUNT(tanks));
	} else {
		(void)fputs("<p class=\"missing\">No tank level was heard (NMEA 2000 127505, J1939 SPN "
			"96), and no tank is configured.</p>\n", report->out);
	}
	put_table(report, "Range at the log's end", rows, ranges, COUNT(ranges));
	(void)fputs("<ul>\n", report->out);
	json_array_foreach(rows, index, row) {
		(void)fputs("<li>", report->out);
		drawing_text(report->out, text_of(row, "range"));
		(void)fputs(": ", report->out);
		drawing_text(report->out, text_of(row, "basis"));
		(void)fputs(".</li>\n", report->out);
	}
	(void)fputs("</ul>\n</section>\n", report->out);
}

static void put_refuellings(struct report *report)
{
	static const char *const columns[] = {"noticed_utc", "tank", "litres", "litres_sd"};
	const json_t *rows = rows_of(report->refuellings, "refuellings");

	if (json_array_size(rows) > 0) {
		(void)fputs("<section>\n<h2>Fuel taken aboard, as the tanks show it</h2>\n", report->out);
		put_table(report, "Refuellings", rows, columns, COUNT(columns));
		(void)fputs("</section>\n", report->out);
	}
}

/* ---- trips and runs ---- */

static void put_trips(struct report *report)
{
	static const char *const columns[] = {"trip", "engine", "start_utc", "engine_h", "idle_h",
		"fuel_l", "fuel_uncertainty_l", "mean_lph", "distance_nm", "l_per_nm", "co2_kg",
		"max_coolant_c", "events"};
	static const char *const run_columns[] = {"run", "trip", "engine", "start_utc", "end_utc",
		"engine_h", "idle_h", "fuel_l", "fuel_estimated_l", "fuel_uncertainty_l", "mean_lph",
		"max_lph", "max_coolant_c"};
	const json_t *trips = rows_of(report->trips, "trips");
	const json_t *row;
	json_int_t before = -1;
	size_t index, drawn = 0;

	(void)fputs("<section>\n<h2>Trips</h2>\n", report->out);
	put_table(report, "Trips", trips, columns, COUNT(columns));
	json_array_foreach(trips, index, row) {
		json_int_t trip = json_integer_value(json_object_get(row, "trip"));
		char number[24], caption[64];
		if (trip == before || drawn == TRIPS_DRAWN_MAX || text_of(row, "start_utc") == NULL) {
			continue;
		}
		before = trip;
		drawn++;
		(void)snprintf(number, sizeof(number), "%lld", (long long)trip);
		(void)fputs("<div class=\"trip-row\">\n", report->out);
		(void)snprintf(caption, sizeof(caption), "Trip %s: burn", number);
		put_picture(report, "trip", "trip", number, caption);
		if (real_of(row, "distance_nm") < STAYED_NM) {
			(void)fprintf(report->out, "<p class=\"note\">Trip %s stayed where it was.</p>\n", number);
		} else {
			(void)snprintf(caption, sizeof(caption), "Trip %s: track", number);
			put_picture(report, "track", "trip", number, caption);
		}
		(void)fputs("</div>\n", report->out);
	}
	if (drawn == TRIPS_DRAWN_MAX) {
		(void)fprintf(report->out, "<p class=\"note\">No more than %d trips are drawn; sightbowl "
			"report --trip N draws any of them.</p>\n", TRIPS_DRAWN_MAX);
	}
	put_table(report, "Engine runs", rows_of(report->runs, "runs"), run_columns,
		COUNT(run_columns));
	(void)fputs("</section>\n", report->out);
}

static void put_foot(struct report *report)
{
	(void)fputs("<section>\n<h2>How to read it</h2>\n"
		"<p>Fuel is the time-weighted sum of the engine's own fuel rate, held to its cumulative "
		"counters where it has any. \"Give or take\" is a half width that holds the truth in about "
		"95 of 100 cases; what was not heard is not bridged in silence but counted as estimated, or "
		"left unknown (a dash). CO2 is 3.206 kg for each kg of marine gas oil (IMO, MEPC.308(73)), at "
		"the density told for the boat. Restriction is put to reference flow and 40 °C, as it means "
		"nothing without them.</p>\n"
		"<p>These are evidence and reminders. They replace neither the engine maker's manual nor local "
		"codes nor a licensed technician.</p>\n</section>\n</main>\n", report->out);
	put_assets(report->out, "script", library, COUNT(library));
	put_assets(report->out, "script", script, COUNT(script));
	(void)fputs("</body>\n</html>\n", report->out);
}

static enum program_exit write_parts(struct report *report)
{
	enum program_exit status = choose_span(report);

	if (status == EXIT_DONE) {
		status = load(report, "trips", &report->trips);
	}
	if (status == EXIT_DONE) {
		status = load(report, "runs", &report->runs);
	}
	if (status == EXIT_DONE) {
		status = load(report, "events", &report->events);
	}
	if (status == EXIT_DONE) {
		status = load(report, "elements", &report->elements);
	}
	if (status == EXIT_DONE) {
		status = load(report, "refuellings", &report->refuellings);
	}
	if (status == EXIT_DONE) {
		status = load(report, "verdict", &report->verdict);
	}
	if (status != EXIT_DONE) {
		return status;
	}
	put_head(report);
	if (report->scope->trip == 0 && report->scope->element == NULL) {
		put_verdict(report);
	}
	put_summary(report);
	put_filters(report);
	put_events(report);
	if (report->scope->trip == 0) {
		put_burn(report);
	}
	status = put_over_time(report);
	if (report->scope->trip == 0 && report->scope->element == NULL) {
		put_tanks(report);
	}
	put_refuellings(report);
	put_trips(report);
	put_foot(report);
	if (status == EXIT_DONE) {
		status = command_read(report->line, report->store);
	}
	if (status == EXIT_DONE && report->failure != 0) {
		status = command_failed(report->line, "cannot read the log for the report: %s",
			strerror(-report->failure));
	}
	return status;
}

enum program_exit report_write(const struct command_line *line, struct log_store *store,
	const struct report_scope *scope, FILE *out)
{
	struct report report = {.line = line, .store = store, .scope = scope, .out = out};
	enum program_exit status;

	if (sodium_init() < 0) {
		return command_failed(line, "the kernel gives no random numbers");
	}
	report.ranged = malloc(sizeof(*report.ranged));
	if (report.ranged == NULL) {
		return command_failed(line, "no memory left");
	}
	*report.ranged = *line;
	report.ranged->has_since = false;
	report.ranged->has_until = false;
	status = write_parts(&report);
	json_decref(report.overview);
	json_decref(report.trips);
	json_decref(report.runs);
	json_decref(report.events);
	json_decref(report.elements);
	json_decref(report.refuellings);
	json_decref(report.verdict);
	free(report.ranged);
	if (status == EXIT_DONE && ferror(out) != 0) {
		status = command_failed(line, "cannot write the report");
	}
	return status;
}

enum program_exit report_write_file(const struct command_line *line, struct log_store *store,
	const struct report_scope *scope, const char *path)
{
	char new_path[4096];
	enum program_exit status;
	FILE *out;

	if (snprintf(new_path, sizeof(new_path), "%s.new", path) >= (int)sizeof(new_path)) {
		return command_failed(line, "the report's name is too long");
	}
	out = fopen(new_path, "we");
	if (out == NULL) {
		return command_failed(line, "cannot write report '%s': %s", path, strerror(errno));
	}
	status = report_write(line, store, scope, out);
	if (fclose(out) != 0 && status == EXIT_DONE) {
		status = command_failed(line, "cannot write report '%s': %s", path, strerror(errno));
	}
	if (status == EXIT_DONE && rename(new_path, path) != 0) {
		status = command_failed(line, "cannot write report '%s': %s", path, strerror(errno));
	}
	if (status != EXIT_DONE) {
		(void)remove(new_path); /* what went wrong has been told */
	}
	return status;
}
