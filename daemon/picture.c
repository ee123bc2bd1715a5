#include "daemon/picture.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_statistics_double.h>
#include <jansson.h>

#include "daemon/drawing.h"
#include "daemon/log_filters.h"
#include "daemon/log_series.h"
#include "daemon/log_tables.h"
#include "daemon/overview.h"
#include "daemon/utc_time.h"

#define TRIP_POINTS 600

/* A whole number of 0 to most; -1 when it is none. */
static long number_of(const char *text, long most)
{
	char *end;
	long value;

	if (text == NULL || *text < '0' || *text > '9') {
		return -1;
	}
	value = strtol(text, &end, 10);
	return *end == '\0' && value <= most ? value : -1;
}

/* When a trip began and ended. -ENOENT: there is none of that number, or it has no date. */
static int trip_span(struct log_store *store, long trip, int64_t *ret_since_ns, int64_t *ret_until_ns)
{
	sqlite3_stmt *statement;
	int result = -ENOENT;
	int rc;

	if (sqlite3_prepare_v2(log_store_db(store),
		    "SELECT start_utc_ns, end_utc_ns FROM trip_list WHERE trip = ?1", -1, &statement,
		    NULL) != SQLITE_OK) {
		return -EIO;
	}
	(void)sqlite3_bind_int64(statement, 1, trip);
	rc = sqlite3_step(statement);
	if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
		result = -EIO;
	} else if (rc == SQLITE_ROW && sqlite3_column_type(statement, 0) != SQLITE_NULL &&
		sqlite3_column_type(statement, 1) != SQLITE_NULL) {
		*ret_since_ns = sqlite3_column_int64(statement, 0);
		*ret_until_ns = sqlite3_column_int64(statement, 1) + 10 * NS_PER_S;
		result = 0;
	}
	(void)sqlite3_finalize(statement); /* repeats rc */
	return result;
}

/* Columns of one signal's points. */
struct curve {
	size_t count;
	double *x;    /* UTC seconds */
	double *mean;
	double *low;
	double *high;
};

static void curve_finish(struct curve *curve)
{
	free(curve->x);
	*curve = (struct curve){0};
}

/* One signal of a series. The caller frees with curve_finish. */
static int curve_of(const struct series *series, size_t signals, size_t signal,
	struct curve *ret_curve)
{
	double *block = calloc(4 * (series->count + 1), sizeof(*block));

	if (block == NULL) {
		return -ENOMEM;
	}
	*ret_curve = (struct curve){
		.count = series->count,
		.x = block,
		.mean = block + series->count,
		.low = block + 2 * series->count,
		.high = block + 3 * series->count,
	};
	for (size_t i = 0; i < series->count; i++) {
		const struct series_value *value = &series->values[i * signals + signal];
		/* A point stands for its width: it is drawn in the middle. */
		ret_curve->x[i] = (double)(series->start_ns[i] + series->width_ns / 2) * 1e-9;
		ret_curve->mean[i] = value->mean;
		ret_curve->low[i] = value->low;
		ret_curve->high[i] = value->high;
	}
	return 0;
}

/* The width that a picture is wanted in, so that its letters keep their size on a small screen. */
static double width_of(picture_argument_fn *argument, void *context)
{
	long width = number_of(argument(context, "width"), 2000);

	return width < 0 ? 640 : width < 280 ? 280 : width > 1000 ? 1000 : (double)width;
}

/* ---- a trip over time ---- */

static int draw_trip(const struct command_line *line, struct log_store *store,
	picture_argument_fn *argument, void *context, FILE *out)
{
	long trip = number_of(argument(context, "trip"), 1000000000);
	struct series_question question = {
		.points = TRIP_POINTS,
		.signal_count = 1,
		.signals = {{"fuel_rate_lph", 0}},
	};
	const char *engine = argument(context, "engine");
	struct unit_display unit = units_display(QUANTITY_FLOW, line->settings.units);
	struct series series;
	struct curve curve;
	struct chart chart;
	char y_name[64];
	int result = trip < 0 ? -ENOENT
			      : trip_span(store, trip, &question.since_ns, &question.until_ns);

	if (result != 0) {
		return result;
	}
	if (engine != NULL) {
		question.signals[0].instance = (unsigned)number_of(engine, BOAT_ENGINES_MAX - 1);
	}
	result = log_series_read(store, &question, &series);
	if (result != 0) {
		return result;
	}
	result = curve_of(&series, 1, 0, &curve);
	if (result == 0) {
		for (size_t i = 0; i < curve.count; i++) {
			curve.mean[i] *= unit.factor;
			curve.low[i] *= unit.factor;
			curve.high[i] *= unit.factor;
		}
		(void)snprintf(y_name, sizeof(y_name), "burn, %s", unit.unit);
		chart_init(&chart, "Burn over the trip");
		chart.description = "Mean of each stretch as a line, least to greatest as a band.";
		chart.width = width_of(argument, context);
		chart.height = 200;
		chart.x_scale = CHART_TIME;
		chart.x_name = "time, UTC";
		chart.y_name = y_name;
		chart.y_from_zero = true;
		chart.break_after = 2.5e-9 * (double)series.width_ns;
		chart.series_count = 2;
		chart.series[0] = (struct chart_series){"least to greatest", "band-a", CHART_BAND,
			curve.count, curve.x, curve.low, curve.high};
		chart.series[1] = (struct chart_series){
			"mean", "line-a", CHART_LINE, curve.count, curve.x, curve.mean, NULL};
		chart_draw(&chart, out);
		curve_finish(&curve);
	}
	log_series_finish(&series);
	return result;
}

/* ---- a trip over ground ---- */

static int draw_track(const struct command_line *line, struct log_store *store,
	picture_argument_fn *argument, void *context, FILE *out)
{
	long trip = number_of(argument(context, "trip"), 1000000000);
	struct series_question question = {
		.points = TRIP_POINTS,
		.signal_count = 2,
		.signals = {{"latitude_deg", 0}, {"longitude_deg", 0}},
	};
	struct series series;
	struct curve latitude, longitude;
	int result = trip < 0 ? -ENOENT
			      : trip_span(store, trip, &question.since_ns, &question.until_ns);

	(void)line;
	if (result != 0) {
		return result;
	}
	result = log_series_read(store, &question, &series);
	if (result != 0) {
		return result;
	}
	result = curve_of(&series, 2, 0, &latitude);
	if (result == 0) {
		result = curve_of(&series, 2, 1, &longitude);
		if (result == 0) {
			track_draw(&(struct track){.title = "Track of the trip", .count = series.count,
					   .latitude_deg = latitude.mean,
					   .longitude_deg = longitude.mean, .width = 320, .height = 260},
				out);
			curve_finish(&longitude);
		}
		curve_finish(&latitude);
	}
	log_series_finish(&series);
	return result;
}

/* ---- a filter's load ---- */

static double real_of(const json_t *row, const char *column)
{
	const json_t *value = json_object_get(row, column);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static enum filter_basis basis_of(const char *text)
{
	static const struct {
		const char *word;
		enum filter_basis basis;
	} words[] = {
		{"measured", FILTER_MEASURED}, {"counted", FILTER_COUNTED}, {"estimated", FILTER_ESTIMATED}};

	for (size_t i = 0; text != NULL && i < sizeof(words) / sizeof(words[0]); i++) {
		if (strcmp(words[i].word, text) == 0) {
			return words[i].basis;
		}
	}
	return FILTER_UNKNOWN;
}

/* The row of the element that sits in a filter now; NULL when it is not known. Borrowed from rows. */
static const json_t *fitted_element(const json_t *elements, const char *filter)
{
	const json_t *rows = json_object_get(elements, "elements");
	const json_t *row, *found = NULL;
	size_t index;

	json_array_foreach(rows, index, row) {
		const char *name = json_string_value(json_object_get(row, "filter"));
		if (name != NULL && strcmp(name, filter) == 0 &&
			json_is_null(json_object_get(row, "removed_utc"))) {
			found = row;
		}
	}
	return found;
}

static int draw_filter(const struct command_line *line, struct log_store *store,
	picture_argument_fn *argument, void *context, FILE *out)
{
	const char *name = argument(context, "filter");
	const struct log_table *table = log_table_find("elements", strlen("elements"));
	struct filter_picture picture = {.name = name, .used_pct = NAN, .left_h_p10 = NAN,
		.left_h_p50 = NAN, .left_h_p90 = NAN};
	json_t *elements = NULL;
	const json_t *row = NULL;
	char words[256] = "nothing is known of this element";
	bool known = false;

	for (size_t i = 0; name != NULL && i < line->settings.boat.filter_count; i++) {
		known = known || strcmp(line->settings.boat.filters[i].name, name) == 0;
	}
	if (!known) {
		return -ENOENT;
	}
	if (table != NULL) {
		elements = log_table_json(table, line, store);
		if (elements == NULL) {
			return -EIO;
		}
		row = fitted_element(elements, name);
	}
	if (row != NULL) {
		const char *basis = json_string_value(json_object_get(row, "basis"));
		picture.used_pct = real_of(row, "used_pct");
		picture.basis = basis_of(basis);
		picture.left_h_p10 = real_of(row, "left_h_p10");
		picture.left_h_p50 = real_of(row, "left_h_p50");
		picture.left_h_p90 = real_of(row, "left_h_p90");
		picture.due = picture.used_pct >= 100;
		if (isnan(picture.used_pct)) {
			(void)snprintf(words, sizeof(words), "how loaded it is is not known");
		} else if (isnan(picture.left_h_p50)) {
			(void)snprintf(words, sizeof(words), "%.0f %% of its limit, %s; no forecast",
				picture.used_pct, basis == NULL ? "basis not known" : basis);
		} else if (isnan(picture.left_h_p10) || isnan(picture.left_h_p90)) {
			(void)snprintf(words, sizeof(words),
				"%.0f %% of its limit, %s; about %.0f engine hours left by count",
				picture.used_pct, basis == NULL ? "basis not known" : basis,
				picture.left_h_p50);
		} else {
			(void)snprintf(words, sizeof(words),
				"%.0f %% of its limit, %s; %.0f engine hours left, likely between %.0f and %.0f",
				picture.used_pct, basis == NULL ? "basis not known" : basis,
				picture.left_h_p50, picture.left_h_p10, picture.left_h_p90);
		}
	}
	picture.words = words;
	filter_picture_draw(&picture, out);
	json_decref(elements);
	return 0;
}

/* ---- restriction against litres ---- */

#define PASSED_MINUTES_MAX 60000
#define PASSED_POINTS_MAX  1500

/* Minutes of an element, the latest first; then turned round. */
struct passed {
	const struct boat_engine *engine;
	size_t count;
	double lph[PASSED_MINUTES_MAX];  /* through the filter; becomes litres so far */
	double kpa[PASSED_MINUTES_MAX];  /* as read, NaN where the minute was not steady */
};

/* What the filter passes at a speed and a burn. */
static double supply_lph(const struct boat_engine *engine, double rpm, double burn_lph)
{
	return engine->supply == SUPPLY_PUMP ? engine->pump_lph * rpm / engine->pump_rpm : burn_lph;
}

static bool on_passed_minute(void *context, const struct series_value *values)
{
	struct passed *passed = context;
	double lph = supply_lph(passed->engine, values[0].mean, values[1].mean);
	bool steady = values[0].count > 0 && values[0].high - values[0].low <= 60 &&
		values[0].low > passed->engine->idle_rpm;

	if (values[0].count == 0 || isnan(lph) || values[0].mean < 300) {
		return true;
	}
	passed->lph[passed->count] = lph;
	/* A vacuum is sent as a negative gauge pressure. */
	passed->kpa[passed->count++] = steady && values[2].count > 0 ? fabs(values[2].mean) : NAN;
	return passed->count < PASSED_MINUTES_MAX;
}

/* Turns the minutes round and adds up what passed, so that the last stands at the litres of the
 * account, where that is known. */
static void add_up(struct passed *passed, double litres_through)
{
	double sum = 0, shift;

	for (size_t i = 0; i < passed->count / 2; i++) {
		size_t other = passed->count - 1 - i;
		double lph = passed->lph[i], kpa = passed->kpa[i];
		passed->lph[i] = passed->lph[other];
		passed->kpa[i] = passed->kpa[other];
		passed->lph[other] = lph;
		passed->kpa[other] = kpa;
	}
	for (size_t i = 0; i < passed->count; i++) {
		sum += passed->lph[i] / 60;
		passed->lph[i] = sum;
	}
	shift = isnan(litres_through) ? 0 : litres_through - sum;
	for (size_t i = 0; i < passed->count; i++) {
		passed->lph[i] += shift;
	}
}

/* Keeps every so many points, so that a season stays a small drawing. Steady ones only. */
static void thin_out(struct passed *passed)
{
	size_t steady = 0, kept = 0, seen = 0, step;

	for (size_t i = 0; i < passed->count; i++) {
		steady += isnan(passed->kpa[i]) ? 0 : 1;
	}
	step = steady / PASSED_POINTS_MAX + 1;
	for (size_t i = 0; i < passed->count; i++) {
		if (!isnan(passed->kpa[i]) && seen++ % step == 0) {
			passed->lph[kept] = passed->lph[i];
			passed->kpa[kept++] = passed->kpa[i];
		}
	}
	passed->count = kept;
}

/* The forecast from now on: a fan between the early and the late way to the limit. x, low, high have
 * room for 3. Returns how many are used. */
static size_t fan_of(const json_t *row, double *x, double *low, double *high)
{
	double now_l = real_of(row, "litres_through"), now_kpa = real_of(row, "reference_kpa");
	double limit_kpa = real_of(row, "limit_kpa");
	double rate_lph = now_l / real_of(row, "engine_h");
	double early_l = real_of(row, "left_h_p10") * rate_lph;
	double late_l = real_of(row, "left_h_p90") * rate_lph;

	if (!isfinite(now_kpa) || !isfinite(limit_kpa) || !isfinite(early_l) || !isfinite(late_l) ||
		now_kpa >= limit_kpa || late_l <= early_l) {
		return 0;
	}
	x[0] = now_l;
	low[0] = high[0] = now_kpa;
	x[1] = now_l + early_l;
	low[1] = now_kpa + (limit_kpa - now_kpa) * early_l / late_l;
	high[1] = limit_kpa;
	x[2] = now_l + late_l;
	low[2] = high[2] = limit_kpa;
	return 3;
}

#define COURSE_MAX 600

/* The element's course as the analysis has fitted it, at reference: litres, restriction, and the range
 * that holds the truth in 8 of 10 cases. Returns how many; 0 also when the log keeps none. */
static size_t course_of(struct log_store *store, int64_t filter, double litres[COURSE_MAX],
	double kpa[COURSE_MAX], double low[COURSE_MAX], double high[COURSE_MAX])
{
	sqlite3_stmt *statement;
	size_t count = 0;

	int rc = sqlite3_prepare_v2(log_store_db(store),
		"SELECT litres, reference_kpa, reference_sd_kpa FROM (SELECT * FROM "
		"filter_course_list WHERE filter = ?1 AND fitted_ns IS (SELECT fitted_ns FROM "
		"filter_states WHERE filter = ?1) ORDER BY at_utc_ns DESC LIMIT 600) "
		"ORDER BY at_utc_ns",
		-1, &statement, NULL);
	if (log_store_note(store, rc) != SQLITE_OK) {
		return 0;
	}
	(void)sqlite3_bind_int64(statement, 1, filter);
	while (count < COURSE_MAX && log_store_note(store, sqlite3_step(statement)) == SQLITE_ROW) {
		double sd = sqlite3_column_double(statement, 2) * 1.2816; /* 80 % of a normal */
		litres[count] = sqlite3_column_double(statement, 0);
		kpa[count] = sqlite3_column_double(statement, 1);
		low[count] = kpa[count] > sd ? kpa[count] - sd : 0;
		high[count] = kpa[count] + sd;
		count++;
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return count;
}

static void scale(double *values, size_t count, double factor)
{
	for (size_t i = 0; i < count; i++) {
		values[i] *= factor;
	}
}

static int draw_restriction(const struct command_line *line, struct log_store *store,
	picture_argument_fn *argument, void *context, FILE *out)
{
	const char *name = argument(context, "filter");
	const struct boat *boat = &line->settings.boat;
	const struct boat_filter *filter = NULL;
	struct unit_display unit = units_display(QUANTITY_RESTRICTION, line->settings.units);
	struct unit_display volume = units_display(QUANTITY_VOLUME, line->settings.units);
	struct series_question question = {.signal_count = 3,
		.signals = {{"engine_speed_rpm", 0}, {"fuel_rate_lph", 0}, {"", 0}}};
	double fan_x[3], fan_low[3], fan_high[3];
	double course_l[COURSE_MAX], course[COURSE_MAX], course_low[COURSE_MAX],
		course_high[COURSE_MAX];
	char title[96], x_name[64], y_name[64];
	struct chart chart;
	struct passed *passed = NULL;
	const json_t *row;
	json_t *elements;
	int result = 0;

	for (size_t i = 0; name != NULL && i < boat->filter_count; i++) {
		filter = strcmp(boat->filters[i].name, name) == 0 ? &boat->filters[i] : filter;
	}
	const char *signal = filter == NULL ? NULL
		: overview_filter_signal(store, filter, &question.signals[2].instance);
	if (signal == NULL) {
		return log_store_noted(store) != 0 ? log_store_noted(store) : -ENOENT;
	}
	(void)snprintf(question.signals[2].name, sizeof(question.signals[2].name), "%s", signal);
	question.signals[0].instance = filter->engine;
	question.signals[1].instance = filter->engine;
	elements = log_table_json(log_table_find("elements", strlen("elements")), line, store);
	passed = malloc(sizeof(*passed));
	if (elements == NULL || passed == NULL) {
		result = -ENOMEM;
		goto free_both;
	}
	row = fitted_element(elements, name);
	const char *fitted = row == NULL ? NULL
		: json_string_value(json_object_get(row, "fitted_utc"));
	if (fitted == NULL || !utc_parse(fitted, &question.since_ns)) {
		question.since_ns = INT64_MIN; /* it sat there before the log */
	}
	passed->engine = &boat->engines[filter->engine];
	passed->count = 0;
	result = log_series_latest_minutes(store, &question, on_passed_minute, passed);
	if (result != 0) {
		goto free_both;
	}
	add_up(passed, row == NULL ? NAN : real_of(row, "litres_through"));
	thin_out(passed);
	scale(passed->lph, passed->count, volume.factor);
	scale(passed->kpa, passed->count, unit.factor);
	size_t fan = row == NULL ? 0 : fan_of(row, fan_x, fan_low, fan_high);
	scale(fan_x, fan, volume.factor);
	scale(fan_low, fan, unit.factor);
	scale(fan_high, fan, unit.factor);
	int64_t number = -1;
	(void)log_store_note(store, log_filter_number(log_store_db(store), boat,
			(size_t)(filter - boat->filters), &number));
	size_t known = course_of(store, number, course_l, course, course_low, course_high);
	scale(course_l, known, volume.factor);
	scale(course, known, unit.factor);
	scale(course_low, known, unit.factor);
	scale(course_high, known, unit.factor);
	(void)snprintf(title, sizeof(title), "Restriction against what has passed, %s", name);
	(void)snprintf(x_name, sizeof(x_name), "passed through the element, %s", volume.unit);
	(void)snprintf(y_name, sizeof(y_name), "kept back, %s", unit.unit);
	chart_init(&chart, title);
	chart.description = "Each point is a steady minute under load, as the sensor read it; the "
		"line is what it comes to at reference flow and 40 °C, in the range that holds 8 of 10 cases. The "
		"fan is the forecast: 8 of 10 ways to the limit lie in it.";
	chart.width = width_of(argument, context);
	chart.height = 300;
	chart.x_name = x_name;
	chart.y_name = y_name;
	chart.y_from_zero = true;
	if (fan > 0) {
		chart.series[chart.series_count++] = (struct chart_series){
			"forecast", "band-a", CHART_BAND, fan, fan_x, fan_low, fan_high};
	}
	chart.series[chart.series_count++] = (struct chart_series){"a minute, as read", "line-b",
		CHART_POINTS, passed->count, passed->lph, passed->kpa, NULL};
	if (known > 0) {
		chart.series[chart.series_count++] = (struct chart_series){
			NULL, "band-c", CHART_BAND, known, course_l, course_low, course_high};
		chart.series[chart.series_count++] = (struct chart_series){
			"at reference", "line-a", CHART_LINE, known, course_l, course, NULL};
	}
	if (!isnan(filter->limit_kpa)) {
		chart.marks[chart.mark_count++] = (struct chart_mark){"limit, at reference",
			filter->limit_kpa * unit.factor};
	}
	chart_draw(&chart, out);
	result = log_store_noted(store);
free_both:
	free(passed);
	json_decref(elements);
	return result;
}

/* ---- the burn curve ---- */

#define BURN_MINUTES_MAX 20000 /* the latest steady minutes that are looked at */
#define BURN_BIN_RPM     100.0
#define BURN_BINS        64
#define BURN_BIN_LEAST   8     /* minutes in a bin, for it to be part of the band */
#define BURN_POINTS_MAX  1200

struct burn {
	size_t count;
	double rpm[BURN_MINUTES_MAX];
	double lph[BURN_MINUTES_MAX];
	double sorted[BURN_MINUTES_MAX];
};

static bool on_minute(void *context, const struct series_value *values)
{
	struct burn *burn = context;

	/* Steady: the speed stayed within 60 rpm for the minute; and the engine turned. */
	if (values[0].count > 0 && values[1].count > 0 && values[0].high - values[0].low <= 60 &&
		values[0].low > 300) {
		burn->rpm[burn->count] = values[0].mean;
		burn->lph[burn->count++] = values[1].mean;
	}
	return burn->count < BURN_MINUTES_MAX;
}

static int compare_reals(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

/* The minutes whose speed lies in a bin, sorted by their burn. Returns how many. */
static size_t bin_of(struct burn *burn, size_t bin)
{
	size_t count = 0;

	for (size_t i = 0; i < burn->count; i++) {
		if ((size_t)(burn->rpm[i] / BURN_BIN_RPM) == bin) {
			burn->sorted[count++] = burn->lph[i];
		}
	}
	qsort(burn->sorted, count, sizeof(burn->sorted[0]), compare_reals);
	return count;
}

/* The engine's usual burn, as the analysis has learned it. Returns how many points. */
static size_t learned_of(struct log_store *store, long engine, double factor, double rpm[BURN_BINS],
	double lph[BURN_BINS])
{
	sqlite3_stmt *statement;
	size_t count = 0;

	int rc = sqlite3_prepare_v2(log_store_db(store),
		"SELECT rpm, rate_lph FROM burn_curve WHERE engine = ?1 ORDER BY rpm", -1, &statement, NULL);
	if (log_store_note(store, rc) != SQLITE_OK) {
		return 0;
	}
	(void)sqlite3_bind_int64(statement, 1, engine);
	while (count < BURN_BINS && log_store_note(store, sqlite3_step(statement)) == SQLITE_ROW) {
		rpm[count] = sqlite3_column_double(statement, 0);
		lph[count++] = sqlite3_column_double(statement, 1) * factor;
	}
	(void)sqlite3_finalize(statement); /* a failure has been noted */
	return count;
}

static int draw_burn(const struct command_line *line, struct log_store *store,
	picture_argument_fn *argument, void *context, FILE *out)
{
	const char *text = argument(context, "engine");
	long engine = text == NULL ? 0 : number_of(text, BOAT_ENGINES_MAX - 1);
	struct unit_display unit = units_display(QUANTITY_FLOW, line->settings.units);
	double learned_rpm[BURN_BINS], learned_lph[BURN_BINS];
	double bin_rpm[BURN_BINS], middle[BURN_BINS], low[BURN_BINS], high[BURN_BINS];
	size_t bins = 0;
	struct chart chart;
	char title[64], y_name[64];
	struct burn *burn;
	int result;

	if (engine < 0) {
		return -ENOENT;
	}
	burn = malloc(sizeof(*burn));
	if (burn == NULL) {
		return -ENOMEM;
	}
	burn->count = 0;
	struct series_question question = {
		.since_ns = INT64_MIN,
		.signal_count = 2,
		.signals = {{"engine_speed_rpm", (unsigned)engine}, {"fuel_rate_lph", (unsigned)engine}},
	};
	result = log_series_latest_minutes(store, &question, on_minute, burn);
	if (result != 0) {
		goto free_burn;
	}
	for (size_t i = 0; i < burn->count; i++) {
		burn->lph[i] *= unit.factor;
	}
	for (size_t bin = 0; bin < BURN_BINS; bin++) {
		size_t count = bin_of(burn, bin);
		if (count < BURN_BIN_LEAST) {
			continue;
		}
		bin_rpm[bins] = ((double)bin + 0.5) * BURN_BIN_RPM;
		low[bins] = gsl_stats_quantile_from_sorted_data(burn->sorted, 1, count, 0.1);
		middle[bins] = gsl_stats_quantile_from_sorted_data(burn->sorted, 1, count, 0.5);
		high[bins] = gsl_stats_quantile_from_sorted_data(burn->sorted, 1, count, 0.9);
		bins++;
	}
	size_t learned = learned_of(store, engine, unit.factor, learned_rpm, learned_lph);
	(void)snprintf(title, sizeof(title), "Burn against engine speed, engine %ld", engine);
	(void)snprintf(y_name, sizeof(y_name), "burn, %s", unit.unit);
	chart_init(&chart, title);
	chart.description = "Each point is a steady minute. The band holds 8 of 10 minutes of each "
		"100 rpm, the line is their middle; dots are what the engine was learned to burn.";
	chart.width = width_of(argument, context);
	chart.height = 320;
	chart.x_name = "engine speed, rpm";
	chart.y_name = y_name;
	chart.y_from_zero = true;
	chart.break_after = 3 * BURN_BIN_RPM;
	chart.series_count = 3;
	chart.series[0] = (struct chart_series){
		"8 of 10 minutes", "band-a", CHART_BAND, bins, bin_rpm, low, high};
	chart.series[1] = (struct chart_series){"a steady minute", "line-b", CHART_POINTS,
		burn->count < BURN_POINTS_MAX ? burn->count : BURN_POINTS_MAX, burn->rpm, burn->lph, NULL};
	chart.series[2] = (struct chart_series){
		"middle", "line-a", CHART_LINE, bins, bin_rpm, middle, NULL};
	if (learned > 0) {
		chart.series[chart.series_count++] = (struct chart_series){
			"learned", "line-c", CHART_LINE, learned, learned_rpm, learned_lph, NULL};
	}
	chart_draw(&chart, out);
	result = log_store_noted(store);
free_burn:
	free(burn);
	return result;
}

const struct picture pictures[] = {
	{"burn", draw_burn},
	{"filter", draw_filter},
	{"restriction", draw_restriction},
	{"track", draw_track},
	{"trip", draw_trip},
};
const size_t picture_count = sizeof(pictures) / sizeof(pictures[0]);

const struct picture *picture_find(const char *name, size_t length)
{
	for (size_t i = 0; i < picture_count; i++) {
		if (strlen(pictures[i].name) == length &&
			strncmp(pictures[i].name, name, length) == 0) {
			return &pictures[i];
		}
	}
	return NULL;
}
