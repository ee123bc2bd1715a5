/* The verdict over rows written by hand: what it says, in which order, and what it never says. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/utc_time.h"
#include "daemon/verdict.h"

#define MEASURED_FILTER                                                                            \
	"{'filter':'primary','element':'10 micron','fitted_utc':'2025-05-12T00:00:00Z',"           \
	"'removed_utc':null,'engine_h':40,'litres_through':900,'reference_kpa':8,'limit_kpa':20,"  \
	"'used_pct':40,'left_h_p10':13,'left_h_p50':23,'left_h_p90':39,"                           \
	"'due_utc':'2025-07-09T14:38:58Z','due_by':'restriction','basis':'measured'}"

#define COUNTED_FILTER                                                                             \
	"{'filter':'secondary','element':null,'fitted_utc':'2025-05-12T00:00:00Z',"                \
	"'removed_utc':null,'engine_h':40,'litres_through':900,'reference_kpa':null,"              \
	"'limit_kpa':null,'used_pct':62,'left_h_p10':null,'left_h_p50':76,'left_h_p90':null,"      \
	"'due_utc':'2025-09-01T00:00:00Z','due_by':'hours','basis':'counted'}"

#define OVERVIEW                                                                                   \
	"{'boat':[{'log_start_utc':'2025-05-12T09:23:34Z','log_end_utc':'2025-06-23T07:50:20Z'}],"  \
	"'filters':[{'filter':'primary','sensor':'spn95'},{'filter':'secondary','sensor':'none'}]," \
	"'tanks':[{'tank':0,'fuel_l':103.4,'fuel_sd_l':7.8,'reserve_l':19,"                        \
	"'measured_utc':'2025-06-23T07:50:20Z'}],"                                                 \
	"'range':[{'range':'present','range_h':null},{'range':'economical','range_h':40.7,"        \
	"'range_nm':234.2,'reserve_l':19}],'signals':[{'signal':'fuel_rate_lph'}]}"

#define COVERAGE                                                                                   \
	"[{'analysis':'change of burn','engine':0,'covered':'yes'},"                               \
	"{'analysis':'water in fuel','engine':0,'covered':'yes','by':'water_in_fuel'},"            \
	"{'analysis':'starvation and air','engine':0,'covered':'no','supplied_by':'a fuel pressure sensor'}]"

struct asked {
	json_t *objects[5];
	struct verdict verdict;
};

static json_t *parse(const char *text)
{
	char *copy = strdup(text);
	json_error_t error;

	for (char *at = copy; *at != '\0'; at++) {
		*at = *at == '\'' ? '"' : *at;
	}
	json_t *object = json_loads(copy, JSON_DECODE_ANY, &error);
	if (object == NULL) {
		print_error("%s: %s\n", error.text, text);
	}
	assert_non_null(object);
	free(copy);
	return object;
}

static const char *obstacle; /* of the log that is judged next */

/* events: those of standing are among them. */
static void judge(struct asked *a, const char *overview, const char *elements, const char *standing,
	const char *coverage, const char *events, enum unit_system units)
{
	struct verdict_rows rows = {
		.overview = a->objects[0] = parse(overview),
		.elements = a->objects[1] = parse(elements),
		.standing = a->objects[2] = parse(standing),
		.coverage = a->objects[3] = parse(coverage),
		.events = a->objects[4] = parse(events),
		.obstacle = obstacle,
	};

	assert_true(utc_parse("2025-06-23T09:00:00Z", &rows.clock_ns));
	verdict_judge(&rows, units, &a->verdict);
}

static void done(struct asked *a)
{
	for (size_t i = 0; i < sizeof(a->objects) / sizeof(a->objects[0]); i++) {
		json_decref(a->objects[i]);
	}
}

static const struct verdict_reason *about(const struct asked *a, const char *what)
{
	for (size_t i = 0; i < a->verdict.count; i++) {
		if (strcmp(a->verdict.reasons[i].about, what) == 0) {
			return &a->verdict.reasons[i];
		}
	}
	fail_msg("no reason about '%s'", what);
	return NULL;
}

static void all_right_needs_every_filter_and_water_measured(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_RIGHT);
	assert_string_equal(verdict_word_text(a.verdict.word), "The fuel system is all right.");
	const struct verdict_reason *r = about(&a, "filter primary");
	assert_string_equal(r->says, "8.0 kPa of 20.0 kPa at reference flow; likely 23 h left, between 13 and "
				     "39 h in 8 of 10 cases");
	assert_string_equal(r->basis, "measured");
	assert_string_equal(r->since_utc, "2025-05-12T00:00:00Z");
	assert_true(r->value == 8 && r->limit == 20);
	assert_string_equal(r->unit, "kPa");
	assert_string_equal(r->severity, "");
	assert_string_equal(about(&a, "water, engine 0")->says, "no water is reported by the probe in the filter's bowl");
	assert_string_equal(about(&a, "water, engine 0")->since_utc, "2025-05-12T09:23:34Z");
	assert_string_equal(about(&a, "tank 0")->says, "103 L, give or take 16 L");
	assert_string_equal(about(&a, "range")->says,
		"234 nm or 41 h at the most economical speed, down to 19 L");
	assert_string_equal(about(&a, "due next")->says, "the primary element, by restriction: 2025-07-09");
	assert_string_equal(about(&a, "coverage")->says,
		"not seen: starvation and air of engine 0; it takes a fuel pressure sensor");
	done(&a);
}

static void what_nothing_measures_is_said_and_never_called_all_right(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "," COUNTED_FILTER "]", "[]", COVERAGE, "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_UNSEEN);
	const struct verdict_reason *r = about(&a, "filter secondary");
	assert_string_equal(r->says, "nothing measures it, so hours, litres and age are counted: 62 % of its "
				     "allowed hours are used; 76 h left");
	assert_string_equal(r->basis, "counted");
	assert_true(r->value == 62 && r->limit == 100);
	done(&a);
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]",
		"[{'analysis':'water in fuel','engine':0,'covered':'no','supplied_by':'a water probe'}]", "[]",
		UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_UNSEEN);
	assert_string_equal(about(&a, "water, engine 0")->says,
		"nothing looks for water in the fuel; a water probe would");
	assert_string_equal(about(&a, "water, engine 0")->basis, "");
	done(&a);
}

static void a_sensor_that_is_not_heard_is_told(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, "{'filters':[{'filter':'secondary','sensor':'spn1382'}],'signals':[{}]}",
		"[{'filter':'secondary','removed_utc':null,'engine_h':12.4,'litres_through':250,"
		"'due_by':null,'basis':'counted'}]", "[]", "[]", "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_UNSEEN);
	assert_string_equal(about(&a, "filter secondary")->says,
		"its sensor (J1939 SPN 1382) tells nothing yet, so hours, litres and age are counted: 12 h and "
		"250 L so far; no interval is set for it (change_h, change_l or change_months in the "
		"configuration), so nothing says when it is due");
	assert_true(strstr(about(&a, "due next")->says, "nothing says what falls due") != NULL);
	done(&a);
}

static void water_is_told_by_what_looks_for_it(void **state)
{
	static const struct {
		const char *by;
		const char *says;
	} cases[] = {
		{"'water_in_fuel'", "no water is reported by the probe in the filter's bowl"},
		{"'engine_status_1'", "no water is reported among the engine's warnings"},
		{"'a_signal_of_a_later_version'", "no water is reported"},
		{"null", "no water is reported"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		char coverage[256];
		struct asked a;
		(void)snprintf(coverage, sizeof(coverage),
			"[{'analysis':'water in fuel','engine':0,'covered':'yes','by':%s}]", cases[i].by);
		judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]", coverage, "[]", UNITS_METRIC);
		assert_string_equal(about(&a, "water, engine 0")->says, cases[i].says);
		done(&a);
	}
}

static void a_filter_without_a_limit_says_where_one_is_set(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, OVERVIEW,
		"[{'filter':'primary','removed_utc':null,'reference_kpa':8,'limit_kpa':null,"
		"'basis':'measured'}]", "[]", COVERAGE, "[]", UNITS_METRIC);
	assert_string_equal(about(&a, "filter primary")->says,
		"8.0 kPa at reference flow; no limit is set for it (limit_kpa in the configuration)");
	done(&a);
}

static void a_limit_that_only_the_log_knows_is_told_as_the_logs(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, "{'signals':[{}],'filters':[{'filter':'secondary','limit_kpa':30},"
		"{'filter':'primary','limit_kpa':null}]}", "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]",
		UNITS_METRIC);
	assert_string_equal(about(&a, "filter primary")->says,
		"8.0 kPa of 20.0 kPa at reference flow, the limit that the log was kept with (none is set in "
		"this configuration); likely 23 h left, between 13 and 39 h in 8 of 10 cases");
	done(&a);
}

static void what_stands_comes_first_and_the_worst_decides(void **state)
{
	static const struct {
		const char *severity;
		enum verdict_word word;
	} cases[] = {{"advice", VERDICT_NOTE}, {"caution", VERDICT_LOOK}, {"warning", VERDICT_ACT}};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct asked a;
		char standing[512];
		(void)snprintf(standing, sizeof(standing),
			"[{'kind':'element-due','subject':'primary','severity':'advice','message':'Soon.',"
			"'value':14,'limit':null,'unit':'h','basis':'counted',"
			"'raised_utc':'2025-06-12T06:35:20Z'},"
			"{'kind':'burn-high','subject':'engine 0','severity':'%s','message':'Much.','value':6,"
			"'limit':null,'unit':'%%','basis':'measured','raised_utc':'2025-06-13T00:00:00Z'}]",
			cases[i].severity);
		judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", standing, COVERAGE, standing, UNITS_METRIC);
		assert_int_equal(a.verdict.word, cases[i].word);
		assert_string_equal(a.verdict.reasons[0].severity, cases[i].severity);
		assert_string_equal(a.verdict.reasons[0].says, i == 0 ? "Soon" : "Much");
		assert_string_equal(about(&a, "primary")->since_utc, "2025-06-12T06:35:20Z");
		done(&a);
	}
}

static void an_overdue_element_wants_a_look_even_without_an_event(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, OVERVIEW,
		"[{'filter':'secondary','removed_utc':null,'used_pct':146,'due_by':'months','basis':'counted',"
		"'due_utc':'2026-05-12T00:00:00Z','left_h_p50':0}]", "[]", COVERAGE, "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_LOOK);
	assert_string_equal(about(&a, "filter secondary")->severity, "caution");
	assert_string_equal(about(&a, "due next")->says, "the secondary element, by months: it is due now");
	done(&a);
}

static void quiet_lasts_since_the_last_event_ended(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]", COVERAGE,
		"[{'kind':'water-in-fuel','subject':'engine 0','cleared_utc':'2025-05-31T07:07:50Z'},"
		"{'kind':'water-recurring','subject':'engine 1','cleared_utc':'2025-06-20T00:00:00Z'}]",
		UNITS_METRIC);
	assert_string_equal(about(&a, "water, engine 0")->since_utc, "2025-05-31T07:07:50Z");
	done(&a);
}

static void a_tank_at_its_reserve_wants_a_look(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, "{'signals':[{}],'tanks':[{'tank':1,'fuel_l':18,'fuel_sd_l':null,'reserve_l':19}]}",
		"[" MEASURED_FILTER "]", "[]", "[]", "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_LOOK);
	assert_string_equal(about(&a, "tank 1")->says, "18 L: at its reserve");
	done(&a);
}

static void words_take_a_persons_units_and_numbers_do_not(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]", UNITS_US);
	assert_string_equal(about(&a, "filter primary")->says, "2.4 inHg of 5.9 inHg at reference flow; likely "
							       "23 h left, between 13 and 39 h in 8 of 10 cases");
	assert_true(about(&a, "filter primary")->value == 8);
	assert_string_equal(about(&a, "filter primary")->unit, "kPa");
	done(&a);
}

static void an_empty_log_knows_nothing(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, "{'signals':[],'boat':[{'log_end_utc':null}]}", "[" COUNTED_FILTER "]", "[]", "[]", "[]",
		UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_UNKNOWN);
	assert_int_equal(a.verdict.count, 1);
	done(&a);
}

static void an_old_log_says_how_old_it_is(void **state)
{
	struct asked a;

	(void)state;
	judge(&a, "{'signals':[{}],'boat':[{'log_end_utc':'2025-04-01T10:00:00Z'}]}", "[]", "[]", "[]", "[]",
		UNITS_METRIC);
	assert_string_equal(about(&a, "log")->says, "the log ends on 2025-04-01: what came after is not known");
	done(&a);
}

static void a_log_that_cannot_be_written_sees_nothing_new(void **state)
{
	static const char sentence[] =
		"nothing can be written into it: its disk is full; what happens now is not in it yet";
	struct asked a;

	(void)state;
	obstacle = "its disk is full";
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_UNSEEN);
	assert_string_equal(about(&a, "log")->says, sentence);
	assert_string_equal(about(&a, "log")->severity, "caution");
	done(&a);
	/* Also one with nothing in it. */
	judge(&a, "{'signals':[],'boat':[{'log_end_utc':null}]}", "[]", "[]", "[]", "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.word, VERDICT_UNKNOWN);
	assert_int_equal(a.verdict.count, 2);
	assert_string_equal(a.verdict.reasons[0].says, sentence);
	done(&a);
	obstacle = NULL;
}

#define TEMPERATURE(engine, part, value, limit, may)                                               \
	"{'engine':" engine ",'part':'" part "','value_c':" value ",'limit_c':" limit ",'may_limit':" may "}"

static void each_temperature_that_is_heard_is_told_with_its_limit(void **state)
{
	static const char overview[] = "{'signals':[{}],'temperatures':["
		"{'engine':0,'part':'coolant','value_c':82.4,'usual_c':79.6,'limit_c':95,'may_limit':true},"
		TEMPERATURE("0", "oil", "104", "null", "true") ","
		TEMPERATURE("1", "coolant", "60", "95", "true") ","
		TEMPERATURE("0", "exhaust", "null", "550", "true") ","
		TEMPERATURE("0", "fuel", "41", "null", "false") "]}";
	struct asked a;

	(void)state;
	judge(&a, overview, "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]", UNITS_METRIC);
	assert_string_equal(about(&a, "engine 0")->says, "watched: change of burn, coolant temperature, "
		"oil temperature, exhaust temperature, fuel temperature; nothing stands");
	assert_string_equal(about(&a, "temperatures, engine 0")->says, "when it last turned: coolant 82 °C, "
		"usual at this load 80 °C, limit 95 °C; oil 104 °C, no limit is set; fuel 41 °C");
	done(&a);
	judge(&a, overview, "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]", UNITS_US);
	assert_string_equal(about(&a, "temperatures, engine 0")->says, "when it last turned: coolant 180 °F, "
		"usual at this load 175 °F, limit 203 °F; oil 219 °F, no limit is set; fuel 106 °F");
	done(&a);
}

/* Sixty and more filters and events: no more places, nothing written beyond them. */
static void more_reasons_than_places_do_no_harm(void **state)
{
	static char standing[40000];
	struct asked a;
	size_t used = 0;

	(void)state;
	for (int i = 0; i < 100; i++) {
		used += (size_t)snprintf(standing + used, sizeof(standing) - used,
			"%s{'kind':'engine-fault','subject':'engine 0','severity':'caution','message':'%0300d'}",
			i == 0 ? "[" : ",", i);
	}
	(void)snprintf(standing + used, sizeof(standing) - used, "]");
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", standing, COVERAGE, "[]", UNITS_METRIC);
	assert_int_equal(a.verdict.count, VERDICT_REASONS_MAX);
	assert_int_equal(a.verdict.word, VERDICT_LOOK);
	done(&a);
}

static void a_person_reads_a_line_a_reason(void **state)
{
	struct asked a;
	char *text = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&text, &size);

	(void)state;
	judge(&a, OVERVIEW, "[" MEASURED_FILTER "]", "[]", COVERAGE, "[]", UNITS_METRIC);
	verdict_print(&a.verdict, out);
	assert_int_equal(fclose(out), 0);
	assert_non_null(strstr(text, "The fuel system is all right.\n  filter primary: 8.0 kPa of 20.0 kPa at "
				     "reference flow; likely 23 h left, between 13 and 39 h in 8 of 10 cases "
				     "(measured, since 2025-05-12).\n"));
	assert_non_null(strstr(text, "  coverage: not seen: starvation and air of engine 0; it takes a fuel "
				     "pressure sensor.\n"));
	free(text);
	done(&a);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(all_right_needs_every_filter_and_water_measured),
		cmocka_unit_test(what_nothing_measures_is_said_and_never_called_all_right),
		cmocka_unit_test(a_sensor_that_is_not_heard_is_told),
		cmocka_unit_test(water_is_told_by_what_looks_for_it),
		cmocka_unit_test(a_filter_without_a_limit_says_where_one_is_set),
		cmocka_unit_test(a_limit_that_only_the_log_knows_is_told_as_the_logs),
		cmocka_unit_test(what_stands_comes_first_and_the_worst_decides),
		cmocka_unit_test(an_overdue_element_wants_a_look_even_without_an_event),
		cmocka_unit_test(quiet_lasts_since_the_last_event_ended),
		cmocka_unit_test(a_tank_at_its_reserve_wants_a_look),
		cmocka_unit_test(words_take_a_persons_units_and_numbers_do_not),
		cmocka_unit_test(an_empty_log_knows_nothing),
		cmocka_unit_test(an_old_log_says_how_old_it_is),
		cmocka_unit_test(a_log_that_cannot_be_written_sees_nothing_new),
		cmocka_unit_test(each_temperature_that_is_heard_is_told_with_its_limit),
		cmocka_unit_test(more_reasons_than_places_do_no_harm),
		cmocka_unit_test(a_person_reads_a_line_a_reason),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
