/* seasons: runs the scoreboard's seasons and prints each as one line of JSON: what was told, beside
 * what was true. tests/scoreboard/run judges them.
 *
 *   seasons FIRST [LAST]    the numbers FIRST to LAST
 */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/scoreboard/season_draw.h"
#include "tests/scoreboard/season_watch.h"

static const char *const protocols[] = {
	[SCENARIO_NMEA2000] = "nmea2000", [SCENARIO_J1939] = "j1939", [SCENARIO_BOTH] = "both"};
static const char *const blockings[] = {
	[SCENARIO_MIXED] = "mixed",
	[SCENARIO_COMPLETE] = "complete",
	[SCENARIO_STANDARD] = "standard",
	[SCENARIO_INTERMEDIATE] = "intermediate",
	[SCENARIO_CAKE] = "cake",
	[SCENARIO_COMPRESSIBLE_CAKE] = "compressible cake",
};

static const char *sensor_name(const struct scenario_filter *f)
{
	switch (f->sensor) {
	case SENSOR_SPN95:
		return "spn95";
	case SENSOR_SPN1382:
		return "spn1382";
	case SENSOR_SPN1381:
		return "spn1381";
	case SENSOR_PRESSURE:
		return f->sensor_kind == SENSES_OUTLET_VACUUM ? "130314 outlet vacuum"
							      : "130314 differential";
	case SENSOR_NONE:
		break;
	}
	return "none";
}

/* Members of an object begin with a comma, but the first. */
static bool member_first;

static void name_member(const char *name)
{
	printf("%s\"%s\":", member_first ? "" : ",", name);
	member_first = false;
}

static void open_item(bool first)
{
	printf("%s{", first ? "" : ",");
	member_first = true;
}

static void number(const char *name, double value)
{
	name_member(name);
	if (isfinite(value)) {
		printf("%.6g", value);
	} else {
		printf("null");
	}
}

/* Seconds since the season's start. */
static void moment(const char *name, const struct season_watch *w, int64_t t_ns)
{
	int64_t start_ns =
		w->options->start_ns - w->options->start_ns % (86400 * INT64_C(1000000000));

	name_member(name);
	if (t_ns == INT64_MAX) {
		printf("null");
	} else {
		printf("%.3f", (double)(t_ns - start_ns) / 1e9);
	}
}

static void text(const char *name, const char *value)
{
	name_member(name);
	putchar('"');
	for (const char *c = value; *c != '\0'; c++) {
		printf(*c == '"' || *c == '\\' ? "\\%c" : "%c", *c);
	}
	putchar('"');
}

static void flag(const char *name, bool value)
{
	name_member(name);
	printf(value ? "true" : "false");
}

static void print_boat(const struct season_watch *w)
{
	const struct scenario_options *o = w->options;

	text("protocol", protocols[o->protocol]);
	text("supply", o->engine[0].supply == SUPPLY_PUMP ? "pump" : "burn");
	number("cruise_rpm", o->cruise_rpm);
	number("motoring_share", o->motoring_share);
	number("days", o->days);
	number("sea_c", o->sea_c);
	number("fuel_least_c", w->fuel_least_c);
	number("fuel_most_c", w->fuel_most_c);
	number("cloud_point_c", o->cloud_point_c);
	number("load_dirt_sd", o->load_dirt_sd);
	number("tank_l", o->tank_l);
	number("fault_over_h", o->fault_count > 0 ? o->faults[0].over_h : NAN);
	flag("by_height", o->tank_by_height);
	flag("disturbed", o->disturb.loss_burst > 0);

	printf(",\"filters\":[");
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		const struct scenario_filter *f = &o->engine[0].filters[i];

		open_item(i == 0);
		text("name", w->boat.filters[i].name);
		text("sensor", sensor_name(f));
		text("blocking", blockings[f->blocking]);
		number("limit_kpa", f->limit_kpa);
		number("clean_kpa", f->clean_kpa);
		number("life_l", f->life_l);
		number("told_l", w->boat.filters[i].change_l);
		putchar('}');
	}
	printf("]");
}

static void print_truth(const struct season_watch *w, const struct scenario_truth *t)
{
	printf(",\"runs\":[");
	for (size_t i = 0; i < t->run_count; i++) {
		open_item(i == 0);
		number("engine", t->runs[i].engine);
		moment("start", w, t->runs[i].start_ns);
		moment("end", w, t->runs[i].end_ns);
		number("max_coolant_c", t->runs[i].max_coolant_c);
		number("least_feed_kpa", t->runs[i].least_feed_kpa);
		putchar('}');
	}
	printf("],\"elements\":[");
	for (size_t i = 0; i < t->element_count; i++) {
		const struct scenario_element *e = &t->elements[i];

		open_item(i == 0);
		number("filter", e->filter);
		number("number", e->number);
		moment("fitted", w, e->fitted_ns);
		moment("removed", w, e->removed_ns);
		number("engine_h", e->engine_h);
		number("litres", e->litres_through);
		number("reference_kpa", e->reference_kpa);
		number("limit_kpa", e->limit_kpa);
		number("limit_l", e->limit_l);
		number("limit_h", e->limit_h);
		putchar('}');
	}
	printf("],\"faults\":[");
	for (size_t i = 0; i < t->onset_count; i++) {
		const struct scenario_onset *o = &t->onsets[i];

		open_item(i == 0);
		text("kind", scenario_fault_name(o->kind));
		number("filter", o->filter);
		moment("start", w, o->start_ns);
		moment("full", w, o->full_ns);
		number("size", o->size);
		putchar('}');
	}
	printf("],\"starving\":[");
	for (size_t i = 0; i < t->starving_count; i++) {
		open_item(i == 0);
		number("engine", t->starvings[i].engine);
		moment("start", w, t->starvings[i].start_ns);
		moment("end", w, t->starvings[i].end_ns);
		number("least_kpa", t->starvings[i].least_kpa);
		putchar('}');
	}
	printf("],\"wet\":[");
	for (size_t i = 0; i < w->wet_count; i++) {
		open_item(i == 0);
		flag("every_source", w->wets[i].every_source);
		moment("start", w, w->wets[i].start_ns);
		moment("end", w, w->wets[i].end_ns);
		putchar('}');
	}
	printf("],\"refuellings\":[");
	for (size_t i = 0; i < t->refuelling_count; i++) {
		open_item(i == 0);
		moment("start", w, t->refuellings[i].start_ns);
		number("litres", t->refuellings[i].litres);
		number("dirt_factor", t->refuellings[i].dirt_factor);
		number("water_l", t->refuellings[i].water_l);
		putchar('}');
	}
	printf("],\"drains\":[");
	for (size_t i = 0; i < t->water_count; i++) {
		open_item(i == 0);
		moment("start", w, t->waters[i].drained_ns);
		putchar('}');
	}
	printf("],\"course\":[");
	for (size_t i = 0; i < w->point_count; i++) {
		const struct seen_point *p = &w->points[i];

		open_item(i == 0);
		number("element", (double)p->element);
		moment("t", w, p->t_ns);
		number("litres", p->litres);
		number("dirt_l", p->dirt_l);
		number("kpa", p->reference_kpa);
		putchar('}');
	}
	putchar(']');
}

/* Of each element, what was foretold at a quarter, half and three quarters of its true life. */
static void print_forecasts(const struct season_watch *w, const struct scenario_truth *t)
{
	bool first = true;

	printf(",\"forecasts\":[");
	for (size_t e = 0; e < t->element_count; e++) {
		for (int stage = 1; stage <= 3; stage++) {
			const struct seen_forecast *at = NULL;
			double life_l = t->elements[e].limit_l;

			for (size_t i = 0; i < w->forecast_count && at == NULL; i++) {
				const struct seen_forecast *f = &w->forecasts[i];
				double share = f->true_l / life_l;

				if (f->element == e && share >= stage / 4.0 &&
					share < stage / 4.0 + 0.1) {
					at = f;
				}
			}
			if (at == NULL) {
				continue;
			}
			open_item(first);
			number("element", (double)e);
			number("stage", 25 * stage);
			number("true_l", at->true_l);
			number("life_l", life_l);
			number("litres", at->fact.litres);
			number("p10", at->fact.left_l_p10);
			number("p50", at->fact.left_l_p50);
			number("p90", at->fact.left_l_p90);
			number("kpa", at->fact.reference_kpa);
			putchar('}');
			first = false;
		}
	}
	putchar(']');
}

static void print_tellings(const struct season_watch *w, int64_t event)
{
	bool first = true;

	printf(",\"told\":[");
	for (size_t i = 0; i < w->telling_count; i++) {
		const struct seen_telling *telling = &w->tellings[i];

		if (telling->event != event) {
			continue;
		}
		open_item(first);
		moment("t", w, telling->t_ns);
		number("value", telling->value);
		text("message", telling->message);
		putchar('}');
		first = false;
	}
	putchar(']');
}

static void print_events(const struct season_watch *w)
{
	printf(",\"events\":[");
	for (size_t i = 0; i < w->event_count; i++) {
		const struct seen_event *e = &w->events[i];

		open_item(i == 0);
		number("event", (double)e->first.event);
		text("kind", e->first.kind);
		text("subject", e->first.subject);
		moment("raised", w, e->raised_ns);
		moment("cleared", w, e->cleared_ns);
		number("value", e->first.value);
		number("limit", e->first.limit);
		text("message", e->first.message);
		print_tellings(w, e->first.event);
		putchar('}');
	}
	putchar(']');
}

static int print_season(uint64_t n)
{
	static struct season_watch w;
	static struct scenario_options options;
	static struct boat boat;
	const struct scenario_truth *truth;
	int r;

	season_draw(n, &options, &boat);
	r = season_watch_run(&w, &options, &boat);
	if (r < 0) {
		const char *wrong = scenario_options_check(&options);
		fprintf(stderr, "season %" PRIu64 ": %s\n", n,
			wrong != NULL ? wrong : strerror(-r));
		goto finish;
	}
	truth = scenario_truth(w.scenario);
	open_item(true);
	printf("\"season\":%" PRIu64, n);
	member_first = false;
	number("engine_h", truth->engine_h[0]);
	number("frames", (double)w.frames);
	print_boat(&w);
	print_truth(&w, truth);
	print_forecasts(&w, truth);
	print_events(&w);
	printf("}\n");
	r = fflush(stdout) == 0 ? 0 : -errno;
finish:
	season_watch_finish(&w);
	return r;
}

int main(int argc, char **argv)
{
	uint64_t first = argc > 1 ? strtoull(argv[1], NULL, 10) : 0;
	uint64_t last = argc > 2 ? strtoull(argv[2], NULL, 10) : first;

	if (argc < 2 || first == 0 || last < first) {
		fprintf(stderr, "usage: seasons FIRST [LAST]\n");
		return 2;
	}
	for (uint64_t n = first; n <= last; n++) {
		if (print_season(n) < 0) {
			return 1;
		}
	}
	return 0;
}
