/* The answers to questions over HTTP, without HTTP: what is asked well, asked badly, and asked of a
 * log that is not there. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>

#include "daemon/book_store.h"
#include "daemon/commands.h"
#include "daemon/log_tables.h"
#include "daemon/web_api.h"
#include "decoders/signal.h"

#define SECOND	 INT64_C(1000000000)
#define MIDNIGHT (INT64_C(1748736000) * SECOND) /* 2025-06-01T00:00:00Z */

struct asking {
	char folder[64];
	char path[96];
	struct command_line line;
	struct web_api api;
};

static struct asking asking;

static void fill_log(void)
{
	struct log_store *store = NULL;
	char error[256] = "";

	assert_int_equal(log_store_open(&store, asking.path, error, sizeof(error)), 0);
	struct fact_sink sink = log_store_sink(store);
	struct fact_session session = {.session = 1,
		.first_ns = MIDNIGHT,
		.last_ns = MIDNIGHT + 3600 * SECOND,
		.basis = CLOCK_BUS};
	struct fact_slot slots[] = {{0, SIGNAL_FUEL_RATE, 0}, {1, SIGNAL_LATITUDE, 0},
		{2, SIGNAL_LONGITUDE, 0}, {3, SIGNAL_ENGINE_SPEED, 0}, {4, SIGNAL_TANK_LEVEL, 0}};
	struct fact_trip trip = {.trip = 1,
		.start_session = 1,
		.end_session = 1,
		.start_ns = MIDNIGHT,
		.end_ns = MIDNIGHT + 3600 * SECOND,
		.distance_nm = 6};
	struct fact_run run = {.run = 1,
		.trip = 1,
		.start_session = 1,
		.end_session = 1,
		.start_ns = MIDNIGHT,
		.end_ns = MIDNIGHT + 3600 * SECOND,
		.engine_h = 1,
		.fuel_l = 3,
		.fuel_uncertainty_l = 0.02,
		.supply_l = 60,
		.mean_lph = 3,
		.max_lph = 4,
		.max_coolant_c = 82};
	struct fact_event event = {.event = 1,
		.kind = "water-in-fuel",
		.subject = "primary",
		.severity = SEVERITY_WARNING,
		.session = 1,
		.raised_ns = MIDNIGHT + SECOND,
		.trip = 1,
		.value = 1,
		.limit = 0,
		.unit = "",
		.basis = "measured",
		.message = "Water <b>\"stands\"</b> in the bowl, & more comes."};

	sink.on_session(sink.context, &session);
	for (size_t i = 0; i < sizeof(slots) / sizeof(slots[0]); i++) {
		sink.on_slot(sink.context, &slots[i]);
	}
	for (int64_t n = 0; n < 360; n++) {
		struct fact_reading readings[] = {{0, 10, 3, 2, 4},
			{1, 10, 50 + (double)n * 1e-4, 50, 50}, {2, 10, -1, -1, -1},
			{3, 10, 1800, 1790, 1810}, {4, 10, 50, 49, 51}};
		struct fact_window window = {.window = MIDNIGHT / WINDOW_NS + n,
			.session = 1,
			.count = 5,
			.readings = readings};
		sink.on_window(sink.context, &window);
	}
	sink.on_trip(sink.context, &trip);
	sink.on_run(sink.context, &run);
	sink.on_event(sink.context, &event);
	assert_int_equal(log_store_settle(store), 0);
	assert_int_equal(log_store_commit(store, NULL), 0);
	log_store_close(store);
}

static int begin(void **state)
{
	(void)state;
	memset(&asking, 0, sizeof(asking));
	(void)snprintf(asking.folder, sizeof(asking.folder), "/tmp/web-api-XXXXXX");
	if (mkdtemp(asking.folder) == NULL) {
		return 1;
	}
	(void)snprintf(asking.path, sizeof(asking.path), "%s/boat.db", asking.folder);
	settings_init(&asking.line.settings);
	asking.line.command = &command_page;
	asking.line.log_path = asking.path;
	asking.line.engine = -1;
	fill_log();
	web_api_init(&asking.api, &asking.line, NULL);
	return 0;
}

static int end(void **state)
{
	static const char *const endings[] = {"", "-wal", "-shm", ".lock"};

	(void)state;
	web_api_finish(&asking.api);
	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		char name[112];
		(void)snprintf(name, sizeof(name), "%s%s", asking.path, endings[i]);
		(void)remove(name); /* some are not there */
	}
	return rmdir(asking.folder);
}

/* text: a path and its arguments, or a POST's path with a body. */
static struct web_answer ask(const char *text, const char *body)
{
	static struct web_request request;
	struct web_answer answer = {.status = 0};
	const char *at = strchr(text, '?');

	memset(&request, 0, sizeof(request));
	(void)snprintf(request.path, sizeof(request.path), "%.*s",
		(int)(at == NULL ? strlen(text) : (size_t)(at - text)), text);
	while (at != NULL) {
		struct web_argument *argument = &request.arguments[request.argument_count++];
		size_t name = strcspn(at + 1, "="), value;
		(void)snprintf(argument->name, sizeof(argument->name), "%.*s", (int)name, at + 1);
		at += 2 + name;
		value = strcspn(at, "&");
		(void)snprintf(argument->value, sizeof(argument->value), "%.*s", (int)value, at);
		at = at[value] == '&' ? at + value : NULL;
	}
	if (body != NULL) {
		request.post = true;
		request.body_size = strlen(body);
		request.body = strdup(body);
		assert_non_null(request.body);
	}
	web_api_answer(&asking.api, &request, &answer);
	free(request.body);
	return answer;
}

static void expect(const char *text, unsigned status, const char *holds)
{
	struct web_answer answer = ask(text, NULL);

	if (answer.status != status ||
		(holds != NULL && (answer.bytes == NULL || strstr(answer.bytes, holds) == NULL))) {
		print_error("%s: %u %s\n", text, answer.status,
			answer.bytes != NULL ? answer.bytes : "nothing");
	}
	assert_int_equal(answer.status, status);
	assert_true(holds == NULL || strstr(answer.bytes, holds) != NULL);
	free(answer.bytes);
}

static void every_table_is_answered_as_json_and_as_csv(void **state)
{
	(void)state;
	for (size_t i = 0; i < log_table_count; i++) {
		char path[64];
		(void)snprintf(path, sizeof(path), "/api/v1/%s", log_tables[i].name);
		struct web_answer answer = ask(path, NULL);
		json_t *object = json_loadb(answer.bytes, answer.size, 0, NULL);
		assert_int_equal(answer.status, 200);
		assert_non_null(object);
		json_decref(object);
		free(answer.bytes);
		(void)snprintf(path, sizeof(path), "/api/v1/%s.csv", log_tables[i].name);
		answer = ask(path, NULL);
		assert_int_equal(answer.status, 200);
		assert_non_null(strstr(answer.type, "text/csv"));
		assert_non_null(strstr(answer.filename, ".csv"));
		assert_non_null(strstr(answer.bytes, "\r\n"));
		free(answer.bytes);
	}
}

static void rows_carry_what_the_log_holds(void **state)
{
	(void)state;
	expect("/api/v1/trips", 200, "\"fuel_l\": 3.0");
	expect("/api/v1/trips", 200, "\"l_per_nm\": 0.5");
	expect("/api/v1/events", 200, "Water <b>\\\"stands\\\"</b> in the bowl, & more comes.");
	expect("/api/v1/overview", 200, "\"level_pct\": 50.0");
	expect("/api/v1/", 200, "\"write\":false");
}

static void a_range_and_an_engine_limit_the_rows(void **state)
{
	(void)state;
	expect("/api/v1/runs?since=2025-06-01&until=2025-06-02", 200, "\"run\": 1");
	expect("/api/v1/runs?since=2025-06-02", 200, "\"runs\": []");
	expect("/api/v1/runs?engine=1", 200, "\"runs\": []");
	expect("/api/v1/runs?engine=9", 400, "engine");
	expect("/api/v1/runs?since=yesterday", 400, "since");
}

static void a_series_is_answered_or_its_question_refused(void **state)
{
	(void)state;
	expect("/api/v1/series?signals=fuel_rate_lph:0&since=2025-06-01&until=2025-06-02", 200,
		"\"tier\":\"10s\"");
	expect("/api/v1/series?signals=fuel_rate_lph&since=2025-06-01&until=2025-06-02", 200,
		"[1748736000,3,2,4]");
	expect("/api/v1/series.csv?signals=fuel_rate_lph&since=2025-06-01&until=2025-06-02", 200,
		"2025-06-01T00:00:00Z,fuel_rate_lph,0,L/h,");
	expect("/api/v1/series?signals=depth_m&since=2025-06-01&until=2025-06-02", 200,
		"\"known\":false");
	expect("/api/v1/series", 400, "signals");
	expect("/api/v1/series?signals=fuel_rate_lph", 400, "since");
	expect("/api/v1/series?signals=&since=2025-06-01&until=2025-06-02", 400, "signals");
	expect("/api/v1/series?signals=\"><script>&since=2025-06-01&until=2025-06-02", 400,
		"signals");
	expect("/api/v1/series?signals=fuel_rate_lph:-1&since=2025-06-01&until=2025-06-02", 400,
		"signals");
	expect("/api/v1/series?signals=fuel_rate_lph:99999&since=2025-06-01&until=2025-06-02", 400,
		"signals");
	expect("/api/v1/series?signals=fuel_rate_lph,&since=2025-06-01&until=2025-06-02", 400,
		"signals");
	expect("/api/v1/series?signals=fuel_rate_lph&since=2025-06-02&until=2025-06-01", 400,
		"since");
	expect("/api/v1/"
	       "series?signals=fuel_rate_lph&since=2025-06-01&until=2025-06-02&points=99999",
		400, "points");
}

static void drawings_are_svg_with_their_meaning_in_words(void **state)
{
	(void)state;
	expect("/drawing/track.svg?trip=1", 200, "aria-label=\"Track of the trip");
	expect("/drawing/trip.svg?trip=1", 200, "</svg>");
	expect("/drawing/burn.svg?engine=0", 200, "Each point is a steady minute");
	expect("/drawing/filter.svg?filter=primary", 200, "<title>primary</title>");
	expect("/drawing/filter.svg?filter=<script>", 404, NULL);
	expect("/drawing/track.svg?trip=2", 404, NULL);
	expect("/drawing/track.svg", 404, NULL);
	expect("/drawing/track.svg?trip=-1", 404, NULL);
	expect("/drawing/burn.svg?engine=7", 404, NULL);
	expect("/drawing/nothing.svg", 404, NULL);
	expect("/drawing/track", 404, NULL);
}

static void what_is_not_there_is_said_to_be_so(void **state)
{
	(void)state;
	expect("/api/v1/nothing", 404, "there is no such table");
	expect("/api/v1/trips.xml", 404, NULL);
	expect("/api/v2/trips", 404, NULL);
	expect("/elsewhere", 404, NULL);
}

static void metrics_end_as_the_format_asks(void **state)
{
	struct web_answer answer = ask("/metrics", NULL);

	(void)state;
	assert_int_equal(answer.status, 200);
	assert_non_null(strstr(answer.bytes, "sightbowl_fuel_litres_total{engine=\"0\"} 3\n"));
	assert_non_null(
		strstr(answer.bytes, "sightbowl_events_standing{severity=\"warning\"} 1\n"));
	assert_string_equal(answer.bytes + answer.size - 6, "# EOF\n");
	free(answer.bytes);
}

static void a_log_that_is_not_there_is_told_and_looked_for_again(void **state)
{
	char other[112];

	(void)state;
	(void)snprintf(other, sizeof(other), "%s/moved.db", asking.folder);
	assert_int_equal(rename(asking.path, other), 0);
	expect("/api/v1/trips", 503, "there is no log");
	assert_int_equal(rename(other, asking.path), 0);
	expect("/api/v1/trips", 200, NULL);
}

static void an_event_is_acknowledged_and_an_entry_written(void **state)
{
	struct web_answer answer = ask("/api/v1/acknowledge", "{\"event\": 1}");

	(void)state;
	assert_int_equal(answer.status, 200);
	free(answer.bytes);
	answer = ask("/api/v1/events", NULL);
	assert_null(strstr(answer.bytes, "\"acknowledged_utc\": null"));
	free(answer.bytes);
	answer = ask("/api/v1/book",
		"{\"book\": [{\"kind\": \"drain\", \"done_utc\": \"2025-06-01T00:30:00Z\", "
		"\"filter\": \"primary\", \"water_l\": 0.2}]}");
	assert_int_equal(answer.status, 200);
	assert_string_equal(answer.bytes, "{\"entry\": 1}");
	free(answer.bytes);
	expect("/api/v1/book", 200, "\"water_l\": 0.2");
}

static void what_cannot_be_written_is_refused_and_changes_nothing(void **state)
{
	static const struct {
		const char *path, *body;
		unsigned status;
	} cases[] = {
		{"/api/v1/acknowledge", "{\"event\": 99}", 404},
		{"/api/v1/acknowledge", "{\"event\": \"1\"}", 400},
		{"/api/v1/acknowledge", "no json", 400},
		{"/api/v1/acknowledge", "", 400},
		{"/api/v1/book", "", 400},
		{"/api/v1/book", "kind,done_utc\r\nnote,2025-06-01\r\n", 400},
		{"/api/v1/book", "{\"book\": []}", 400},
		{"/api/v1/book",
			"{\"book\": [{\"kind\": \"drain\", \"done_utc\": \"2025-06-01\"}]}", 400},
		{"/api/v1/book",
			"{\"book\": [{\"kind\": \"dance\", \"done_utc\": \"2025-06-01\"}]}", 400},
		{"/api/v1/book",
			"{\"book\": [{\"entry\": 4, \"kind\": \"note\", \"done_utc\": "
			"\"2025-06-01\", "
			"\"remark\": \"x\"}]}",
			400},
		{"/api/v1/trips", "{}", 404},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct web_answer answer = ask(cases[i].path, cases[i].body);
		if (answer.status != cases[i].status) {
			fail_msg("%s %s: %u %s", cases[i].path, cases[i].body, answer.status,
				answer.bytes);
		}
		free(answer.bytes);
	}
	expect("/api/v1/book", 200, "\"book\": []");
	expect("/api/v1/events", 200, "\"acknowledged_utc\": null");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
#define CASE(name) cmocka_unit_test_setup_teardown(name, begin, end)
		CASE(every_table_is_answered_as_json_and_as_csv),
		CASE(rows_carry_what_the_log_holds),
		CASE(a_range_and_an_engine_limit_the_rows),
		CASE(a_series_is_answered_or_its_question_refused),
		CASE(drawings_are_svg_with_their_meaning_in_words),
		CASE(what_is_not_there_is_said_to_be_so),
		CASE(metrics_end_as_the_format_asks),
		CASE(a_log_that_is_not_there_is_told_and_looked_for_again),
		CASE(an_event_is_acknowledged_and_an_entry_written),
		CASE(what_cannot_be_written_is_refused_and_changes_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
