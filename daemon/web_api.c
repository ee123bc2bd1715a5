#include "daemon/web_api.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/log_series.h"
#include "daemon/log_tables.h"
#include "daemon/metrics.h"
#include "daemon/picture.h"
#include "daemon/utc_time.h"
#include "daemon/web_write.h"
#include "decoders/signal.h"

#define API     "/api/v1/"
#define DRAWING "/drawing/"
#define JSON_TYPE "application/json"
#define CSV_TYPE  "text/csv; charset=utf-8"
#define REOPEN_MS 60000
/* How many steps SQLite takes between two looks at the clock. */
#define STEPS_BETWEEN_LOOKS 2000

void web_api_init(struct web_api *api, const struct command_line *line, const struct live *live)
{
	*api = (struct web_api){.line = *line, .live = live};
	api->line.has_since = false;
	api->line.has_until = false;
	api->line.engine = -1;
}

void web_api_finish(struct web_api *api)
{
	log_store_close(api->store);
	api->store = NULL;
}

static uint64_t clock_ms(void)
{
	return uv_hrtime() / 1000000;
}

/* SQLite asks this now and then: 1 stops the query. */
static int is_late(void *context)
{
	const struct web_api *api = context;

	return clock_ms() > api->deadline_ms;
}

/* Opens the log when it is not open. False after an error answer. */
static bool open_log(struct web_api *api, struct web_answer *ret_answer)
{
	char error[1024];

	/* A log that is being written is brought up to date when somebody opens it (watch.h). */
	if (api->store != NULL && clock_ms() > api->opened_ms + REOPEN_MS) {
		web_api_finish(api);
	}
	if (api->store == NULL) {
		if (api->line.log_path == NULL) {
			web_answer_error(ret_answer, 503, "there is no log");
			return false;
		}
		if (log_store_open_reader(&api->store, api->line.log_path, error, sizeof(error)) != 0) {
			api->store = NULL;
			web_answer_error(ret_answer, 503, error);
			return false;
		}
		log_store_limit_cache(api->store, 256);
		api->opened_ms = clock_ms();
		sqlite3_progress_handler(log_store_db(api->store), STEPS_BETWEEN_LOOKS, is_late, api);
	}
	api->deadline_ms = clock_ms() + WEB_API_PATIENCE_MS;
	return true;
}

/* An answer that a stream is written into. */
static FILE *open_answer(struct web_answer *ret_answer, const char *type)
{
	FILE *out = open_memstream(&ret_answer->bytes, &ret_answer->size);

	ret_answer->status = 200;
	ret_answer->type = type;
	return out;
}

/* Whether all that was written into it is there. Without memory such a stream drops what is written, or
 * has no bytes in the end, and neither makes fclose fail. */
static bool close_answer(const struct web_answer *ret_answer, FILE *out)
{
	bool failed = ferror(out) != 0;

	return fclose(out) == 0 && !failed && ret_answer->bytes != NULL;
}

static void answer_no_memory(struct web_answer *ret_answer)
{
	web_answer_error(ret_answer, 503, "no memory left");
}

/* Reads the arguments that tables share into a line. False after an error answer. */
static bool read_range(struct command_line *line, const struct web_request *request,
	struct web_answer *ret_answer)
{
	const char *since = web_request_argument(request, "since");
	const char *until = web_request_argument(request, "until");
	const char *engine = web_request_argument(request, "engine");

	if (since != NULL) {
		line->has_since = utc_parse(since, &line->since_ns);
	}
	if (until != NULL) {
		line->has_until = utc_parse(until, &line->until_ns);
	}
	if ((since != NULL && !line->has_since) || (until != NULL && !line->has_until)) {
		web_answer_error(ret_answer, 400,
			"since and until: expected a time, such as 2026-06-01T08:30Z");
		return false;
	}
	if (engine != NULL) {
		if (strlen(engine) != 1 || engine[0] < '0' || engine[0] >= '0' + BOAT_ENGINES_MAX) {
			web_answer_error(ret_answer, 400, "engine: expected a number, 0 to 3");
			return false;
		}
		line->engine = engine[0] - '0';
	}
	return true;
}

/* The buses as they are now. */
static void answer_buses(struct web_api *api, bool csv, struct web_answer *ret_answer)
{
	FILE *out = open_answer(ret_answer, csv ? CSV_TYPE : JSON_TYPE);
	struct table *table = NULL;

	if (out == NULL) {
		answer_no_memory(ret_answer);
		return;
	}
	if (table_open(&table, out, csv ? TABLE_CSV : TABLE_JSON, UNITS_METRIC) == 0) {
		api->put_buses(api->put_context, table);
	}
	bool written = table != NULL && table_close(table) == 0;
	if (!close_answer(ret_answer, out) || !written) {
		answer_no_memory(ret_answer);
	} else if (csv) {
		(void)snprintf(ret_answer->filename, sizeof(ret_answer->filename), "buses.csv");
	}
}

static void answer_table(struct web_api *api, const struct log_table *row, bool csv,
	const struct web_request *request, struct web_answer *ret_answer)
{
	struct command_line *line;
	struct table *table = NULL;
	enum program_exit status;
	FILE *out;

	line = malloc(sizeof(*line)); /* too large for a worker's stack */
	if (line == NULL) {
		answer_no_memory(ret_answer);
		return;
	}
	*line = api->line;
	line->format = csv ? TABLE_CSV : TABLE_JSON;
	if (!read_range(line, request, ret_answer) || !open_log(api, ret_answer)) {
		goto free_line;
	}
	out = open_answer(ret_answer, csv ? CSV_TYPE : JSON_TYPE);
	if (out == NULL || table_open(&table, out, line->format, UNITS_METRIC) != 0) {
		if (out != NULL) {
			(void)fclose(out); /* nothing was written */
		}
		answer_no_memory(ret_answer);
		goto free_line;
	}
	status = log_table_put(row, line, table, api->store);
	bool written = table_close(table) == 0;
	if (!close_answer(ret_answer, out) || !written) {
		answer_no_memory(ret_answer);
	} else if (status != EXIT_DONE) {
		web_answer_error(ret_answer, 503, clock_ms() > api->deadline_ms
			? "the log takes too long to read"
			: "the log cannot be read");
		web_api_finish(api); /* it may have been put away: look anew next time */
	} else if (csv) {
		(void)snprintf(ret_answer->filename, sizeof(ret_answer->filename), "%s.csv", row->name);
	}
free_line:
	free(line);
}

/* ---- series ---- */

/* "fuel_rate_lph:0,engine_speed_rpm:0" → the question's signals. */
static bool read_signals(const char *text, struct series_question *question)
{
	while (question->signal_count < SERIES_SIGNALS_MAX) {
		size_t length = strcspn(text, ":,");
		char *end = NULL;
		unsigned long instance = 0;
		if (length == 0 || length >= sizeof(question->signals[0].name)) {
			return false;
		}
		if (text[length] == ':') {
			instance = strtoul(text + length + 1, &end, 10);
			if (end == text + length + 1 || (*end != ',' && *end != '\0') ||
				instance > UINT16_MAX || text[length + 1] == '-' ||
				text[length + 1] == '+' || text[length + 1] == ' ') {
				return false;
			}
		}
		memcpy(question->signals[question->signal_count].name, text, length);
		question->signals[question->signal_count].name[length] = '\0';
		question->signals[question->signal_count++].instance = (unsigned)instance;
		text = end != NULL ? end : text + length;
		if (*text == '\0') {
			return true;
		}
		text++;
	}
	return false;
}

static void put_number(FILE *out, double value)
{
	if (isfinite(value)) {
		(void)fprintf(out, "%.10g", value + 0.0);
	} else {
		(void)fputs("null", out);
	}
}

/* Whether each signal's name is one that the program knows: what is printed is then plain text. */
static bool signals_are_known(const struct series_question *question)
{
	enum signal_id id;

	for (size_t i = 0; i < question->signal_count; i++) {
		if (!signal_find(question->signals[i].name, &id)) {
			return false;
		}
	}
	return true;
}

static void print_series_json(FILE *out, const struct series_question *question,
	const struct series *series)
{
	char since[UTC_TEXT_MAX], until[UTC_TEXT_MAX];

	utc_format(question->since_ns, since);
	utc_format(question->until_ns, until);
	(void)fprintf(out,
		"{\"series\":{\"since_utc\":\"%s\",\"until_utc\":\"%s\",\"tier\":\"%s\","
		"\"width_s\":%" PRId64 ",\"signals\":[",
		since, until, series_tier_name(series->tier), series->width_ns / NS_PER_S);
	for (size_t i = 0; i < question->signal_count; i++) {
		(void)fprintf(out,
			"%s{\"signal\":\"%s\",\"instance\":%u,\"unit\":\"%s\",\"known\":%s}",
			i == 0 ? "" : ",", question->signals[i].name, question->signals[i].instance,
			series->unit[i], series->known[i] ? "true" : "false");
	}
	(void)fputs("],\"rows\":[", out);
	for (size_t n = 0; n < series->count; n++) {
		(void)fprintf(out, "%s[%" PRId64, n == 0 ? "" : ",\n", series->start_ns[n] / NS_PER_S);
		for (size_t i = 0; i < question->signal_count; i++) {
			const struct series_value *value =
				&series->values[n * question->signal_count + i];
			(void)fputc(',', out);
			put_number(out, value->mean);
			(void)fputc(',', out);
			put_number(out, value->low);
			(void)fputc(',', out);
			put_number(out, value->high);
		}
		(void)fputc(']', out);
	}
	(void)fputs("]}}\n", out);
}

static void print_series_csv(FILE *out, const struct series_question *question,
	const struct series *series)
{
	(void)fputs("start_utc,signal,instance,unit,count,mean,low,high\r\n", out);
	for (size_t n = 0; n < series->count; n++) {
		char start[UTC_TEXT_MAX];
		utc_format(series->start_ns[n], start);
		for (size_t i = 0; i < question->signal_count; i++) {
			const struct series_value *value =
				&series->values[n * question->signal_count + i];
			if (value->count == 0) {
				continue;
			}
			(void)fprintf(out, "%s,%s,%u,%s,%" PRIu32 ",%.10g,%.10g,%.10g\r\n", start,
				question->signals[i].name, question->signals[i].instance,
				series->unit[i], value->count, value->mean + 0.0, value->low + 0.0,
				value->high + 0.0);
		}
	}
}

static void answer_series(struct web_api *api, bool csv, const struct web_request *request,
	struct web_answer *ret_answer)
{
	const char *signals = web_request_argument(request, "signals");
	const char *since = web_request_argument(request, "since");
	const char *until = web_request_argument(request, "until");
	const char *points = web_request_argument(request, "points");
	struct series_question question = {.points = 1000};
	struct series series;
	FILE *out;
	int result;

	if (signals == NULL || !read_signals(signals, &question) || !signals_are_known(&question)) {
		web_answer_error(ret_answer, 400,
			"signals: expected one to eight, as fuel_rate_lph:0,engine_speed_rpm:0");
		return;
	}
	if (points != NULL) {
		question.points = strtoul(points, NULL, 10);
	}
	if (since == NULL || until == NULL || !utc_parse(since, &question.since_ns) ||
		!utc_parse(until, &question.until_ns)) {
		web_answer_error(ret_answer, 400,
			"since and until: expected a time, such as 2026-06-01T08:30Z");
		return;
	}
	if (!open_log(api, ret_answer)) {
		return;
	}
	result = log_series_read(api->store, &question, &series);
	if (result == -EINVAL) {
		web_answer_error(ret_answer, 400,
			"expected since before until, and points from 2 to 2000");
		return;
	}
	if (result != 0) {
		web_answer_error(ret_answer, 503, result == -EINTR ? "the log takes too long to read"
								   : "the log cannot be read");
		web_api_finish(api);
		return;
	}
	out = open_answer(ret_answer, csv ? CSV_TYPE : JSON_TYPE);
	if (out != NULL && csv) {
		(void)snprintf(ret_answer->filename, sizeof(ret_answer->filename), "series.csv");
		print_series_csv(out, &question, &series);
	} else if (out != NULL) {
		print_series_json(out, &question, &series);
	}
	if (out == NULL || !close_answer(ret_answer, out)) {
		answer_no_memory(ret_answer);
	}
	log_series_finish(&series);
}

/* ---- the rest ---- */

/* What there is: the names of the tables, the version. */
static void answer_index(const struct web_api *api, struct web_answer *ret_answer)
{
	FILE *out = open_answer(ret_answer, JSON_TYPE);

	if (out == NULL) {
		answer_no_memory(ret_answer);
		return;
	}
	(void)fprintf(out, "{\"program\":\"sightbowl\",\"version\":\"" SIGHTBOWL_VERSION
		"\",\"write\":%s,\"tables\":[", api->line.settings.web.write ? "true" : "false");
	for (size_t i = 0; i < log_table_count; i++) {
		(void)fprintf(out, "%s\"%s\"", i == 0 ? "" : ",", log_tables[i].name);
	}
	(void)fputs(api->put_buses == NULL ? "],\"drawings\":[" : ",\"buses\"],\"drawings\":[", out);
	for (size_t i = 0; i < picture_count; i++) {
		(void)fprintf(out, "%s\"%s\"", i == 0 ? "" : ",", pictures[i].name);
	}
	(void)fputs("]}\n", out);
	if (!close_answer(ret_answer, out)) {
		answer_no_memory(ret_answer);
	}
}

static void answer_metrics(struct web_api *api, struct web_answer *ret_answer)
{
	FILE *out;

	if (!open_log(api, ret_answer)) {
		return;
	}
	out = open_answer(ret_answer, METRICS_TYPE);
	if (out == NULL) {
		answer_no_memory(ret_answer);
		return;
	}
	int result = metrics_write(&api->line, api->store, out);
	if (!close_answer(ret_answer, out)) {
		answer_no_memory(ret_answer);
	} else if (result != 0) {
		web_answer_error(ret_answer, 503, "the log cannot be read");
		web_api_finish(api);
	}
}

static const char *picture_argument(void *context, const char *name)
{
	return web_request_argument(context, name);
}

static void answer_drawing(struct web_api *api, const struct web_request *request,
	struct web_answer *ret_answer)
{
	const char *name = request->path + sizeof(DRAWING) - 1;
	size_t length = strcspn(name, ".");
	const struct picture *picture = strcmp(name + length, ".svg") == 0
		? picture_find(name, length)
		: NULL;
	FILE *out;
	int result;

	if (picture == NULL) {
		web_answer_error(ret_answer, 404, "there is no such drawing");
		return;
	}
	if (!open_log(api, ret_answer)) {
		return;
	}
	out = open_answer(ret_answer, "image/svg+xml");
	if (out == NULL) {
		answer_no_memory(ret_answer);
		return;
	}
	result = picture->draw(&api->line, api->store, picture_argument,
		(void *)(uintptr_t)request, out);
	if (!close_answer(ret_answer, out)) {
		answer_no_memory(ret_answer);
	} else if (result == -ENOENT) {
		web_answer_error(ret_answer, 404, "there is nothing to draw by that name");
	} else if (result != 0) {
		web_answer_error(ret_answer, 503, "the log cannot be read");
		web_api_finish(api);
	}
}

static void answer(struct web_api *api, const struct web_request *request,
	struct web_answer *ret_answer)
{
	const char *name = request->path + sizeof(API) - 1;
	const struct log_table *row;
	size_t length;
	bool csv;

	if (request->post) {
		web_write_answer(&api->line, request, ret_answer);
		return;
	}
	if (strcmp(request->path, "/metrics") == 0) {
		answer_metrics(api, ret_answer);
		return;
	}
	if (strncmp(request->path, DRAWING, sizeof(DRAWING) - 1) == 0) {
		answer_drawing(api, request, ret_answer);
		return;
	}
	if (strncmp(request->path, API, sizeof(API) - 1) != 0) {
		web_answer_error(ret_answer, 404, "there is no such page");
		return;
	}
	length = strcspn(name, ".");
	csv = strcmp(name + length, ".csv") == 0;
	if (*name == '\0') {
		answer_index(api, ret_answer);
		return;
	}
	if (name[length] != '\0' && !csv) {
		web_answer_error(ret_answer, 404, "there is no such table");
		return;
	}
	if (length == 6 && strncmp(name, "series", 6) == 0) {
		answer_series(api, csv, request, ret_answer);
		return;
	}
	if (api->put_buses != NULL && length == 5 && strncmp(name, "buses", 5) == 0) {
		answer_buses(api, csv, ret_answer);
		return;
	}
	row = log_table_find(name, length);
	if (row != NULL) {
		answer_table(api, row, csv, request, ret_answer);
		return;
	}
	web_answer_error(ret_answer, 404, "there is no such table");
}

void web_api_answer(struct web_api *api, const struct web_request *request,
	struct web_answer *ret_answer)
{
	answer(api, request, ret_answer);
	if (api->store != NULL && log_store_is_passing(api->store)) {
		web_api_finish(api);
	}
}

/* ---- as a server's source ---- */

static void on_answer(void *context, const struct web_request *request,
	struct web_answer *ret_answer)
{
	web_api_answer(context, request, ret_answer);
}

static size_t on_live(void *context, uint64_t *sequence, char *out, size_t size)
{
	const struct web_api *api = context;

	return api->live == NULL ? 0 : live_write(api->live, sequence, out, size);
}

struct web_source web_api_source(struct web_api *api)
{
	return (struct web_source){.context = api, .answer = on_answer, .live = on_live};
}
