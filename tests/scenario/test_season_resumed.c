/* Seasons through the analysis twice: unbroken, and with the state saved, forgotten and loaded at
 * every commit's place, at random frames and at each of the first ones. Window by window both have
 * the same state, byte for byte, and have told the same facts: state that is kept in memory alone,
 * or comes back otherwise than it went, shows in the next window that knows of it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/pipeline.h"
#include "replay/scenario.h"
#include "replay/scenario_random.h"

#define BATCH	     64
#define FIRST_FRAMES 500  /* at each of which it is cut */
#define MEAN_FRAMES  1000 /* from a cut to the next, later */
#define HOUR_NS	     INT64_C(3600000000000)

/* ---- what was told ---- */

struct told {
	uint64_t count;
	uint64_t fold;
};

static void fold_bytes(struct told *t, const void *bytes, size_t size)
{
	const uint8_t *at = bytes;

	for (size_t i = 0; i < size; i++) {
		t->fold = (t->fold ^ at[i]) * UINT64_C(0x100000001B3);
	}
}

static void fold(struct told *t, size_t count, const double *numbers)
{
	fold_bytes(t, numbers, count * sizeof(*numbers));
	t->count++;
}

#define FOLD(t, ...) \
	fold(t, sizeof((double[]){__VA_ARGS__}) / sizeof(double), (const double[]){__VA_ARGS__})

static void on_session(void *context, const struct fact_session *f)
{
	FOLD(context, 1, (double)f->session, (double)f->first_ns, (double)f->last_ns,
		(double)f->utc_offset_ns, (double)f->raw_first_ns, (double)f->raw_last_ns,
		f->basis);
}

static void on_slot(void *context, const struct fact_slot *f)
{
	FOLD(context, 2, f->slot, f->signal, f->instance);
}

static void on_window(void *context, const struct fact_window *f)
{
	FOLD(context, 3, (double)f->window, (double)f->session);
	for (size_t i = 0; i < f->count; i++) {
		const struct fact_reading *r = &f->readings[i];
		FOLD(context, r->slot, r->count, r->mean, r->low, r->high);
	}
}

static void on_run(void *context, const struct fact_run *f)
{
	FOLD(context, 4, (double)f->run, (double)f->trip, f->engine, (double)f->start_session,
		(double)f->end_session, (double)f->start_ns, (double)f->end_ns, f->open,
		f->engine_h, f->idle_h, f->unobserved_h, f->fuel_l, f->fuel_estimated_l,
		f->fuel_uncertainty_l, f->fuel_unknown_h, f->supply_l, f->mean_lph, f->max_lph,
		f->max_coolant_c);
}

static void on_run_withdrawn(void *context, int64_t run)
{
	FOLD(context, 5, (double)run);
}

static void on_trip(void *context, const struct fact_trip *f)
{
	FOLD(context, 6, (double)f->trip, (double)f->start_session, (double)f->end_session,
		(double)f->start_ns, (double)f->end_ns, f->open, f->distance_nm);
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	FOLD(context, 7, (double)trip);
}

static void on_event(void *context, const struct fact_event *f)
{
	FOLD(context, 8, (double)f->event, f->severity, (double)f->session, (double)f->raised_ns,
		f->has_cleared, (double)f->cleared_session, (double)f->cleared_ns, (double)f->trip,
		f->value, f->limit);
	fold_bytes(context, f->kind, strlen(f->kind));
	fold_bytes(context, f->subject, strlen(f->subject));
	fold_bytes(context, f->message, strlen(f->message));
}

static void on_filter(void *context, const struct fact_filter *f)
{
	FOLD(context, 9, f->filter, (double)f->session, (double)f->t_ns, (double)f->fitted_ns,
		f->milestone, f->engine_h, f->litres, f->restriction_kpa, f->reference_kpa,
		f->reference_sd_kpa, f->reference_lph, f->limit_kpa, f->left_l_p10, f->left_l_p50,
		f->left_l_p90, f->left_h_p10, f->left_h_p50, f->left_h_p90);
}

static void on_burn(void *context, const struct fact_burn *f)
{
	FOLD(context, 10, f->engine, f->version, f->rpm, f->rate_lph, f->rate_sd_share,
		f->rate_minutes, f->speed_kn, f->speed_minutes, f->ground_kn, f->ground_minutes,
		f->load_pct);
}

static void on_tank(void *context, const struct fact_tank *f)
{
	FOLD(context, 11, f->tank, (double)f->session, (double)f->t_ns, f->volume_l, f->volume_sd_l,
		f->volume_15_l, f->fuel_c, f->mismatch_l, f->mismatch_sd_l);
}

static void on_refuelling(void *context, const struct fact_refuelling *f)
{
	FOLD(context, 12, f->tank, (double)f->session, (double)f->t_ns, f->litres, f->litres_sd);
}

static void on_fault(void *context, const struct fact_fault *f)
{
	FOLD(context, 13, f->engine, f->bus, f->source, f->spn, f->fmi, f->conversion,
		f->occurrences, f->standing, f->lamps, (double)f->first_session,
		(double)f->first_ns, (double)f->session, (double)f->t_ns);
}

static struct fact_sink sink_of(struct told *told)
{
	return (struct fact_sink){
		.context = told,
		.on_session = on_session,
		.on_slot = on_slot,
		.on_window = on_window,
		.on_run = on_run,
		.on_run_withdrawn = on_run_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_trip_withdrawn,
		.on_event = on_event,
		.on_filter = on_filter,
		.on_burn = on_burn,
		.on_tank = on_tank,
		.on_refuelling = on_refuelling,
		.on_fault = on_fault,
	};
}

/* ---- both ways ---- */

struct way {
	struct pipeline *pipeline;
	struct told told;
	uint8_t state[PIPELINE_STATE_MAX];
	size_t size;
};

static struct way unbroken;
static struct way resumed;
static struct boat boat;
static const char *season;
static uint64_t frames;
static uint64_t cuts;

static void save(struct way *way)
{
	struct state_writer w;

	state_writer_init(&w, way->state, sizeof(way->state));
	pipeline_save(way->pipeline, &w);
	assert_false(w.failed);
	way->size = w.used;
}

static void cut(void)
{
	struct fact_sink sink = sink_of(&resumed.told);
	struct state_reader r;

	save(&resumed);
	memset(resumed.pipeline, 0xA5, pipeline_size());
	pipeline_init(resumed.pipeline, &boat, &sink);
	state_reader_init(&r, resumed.state, resumed.size);
	assert_int_equal(pipeline_load(resumed.pipeline, &r), 0);
	cuts++;
}

static void compare(void)
{
	size_t at = 0;

	save(&unbroken);
	save(&resumed);
	while (at < unbroken.size && at < resumed.size && unbroken.state[at] == resumed.state[at]) {
		at++;
	}
	/* The check stands before the state and differs whenever that does. */
	if (at >= 1 && at <= 4) {
		at = 5;
		while (at < unbroken.size && at < resumed.size &&
			unbroken.state[at] == resumed.state[at]) {
			at++;
		}
	}
	if (unbroken.size != resumed.size || at < unbroken.size) {
		fail_msg("%s, behind frame %llu and %llu cuts: of %zu and %zu bytes of state the "
			 "one at "
			 "%zu differs",
			season, (unsigned long long)frames, (unsigned long long)cuts, unbroken.size,
			resumed.size, at);
	}
	if (unbroken.told.count != resumed.told.count || unbroken.told.fold != resumed.told.fold) {
		fail_msg("%s, behind frame %llu and %llu cuts: of %llu and %llu facts one differs",
			season, (unsigned long long)frames, (unsigned long long)cuts,
			(unsigned long long)unbroken.told.count,
			(unsigned long long)resumed.told.count);
	}
}

static void start(struct way *way)
{
	static const struct pipeline_numbers none;

	way->told = (struct told){0};
	struct fact_sink sink = sink_of(&way->told);
	way->pipeline = malloc(pipeline_size());
	assert_non_null(way->pipeline);
	pipeline_init(way->pipeline, &boat, &sink);
	pipeline_start(way->pipeline, &none, false);
}

static void to_both(void (*call)(struct pipeline *p, const void *what), const void *what)
{
	call(unbroken.pipeline, what);
	call(resumed.pipeline, what);
}

static void snapshot(struct pipeline *p, const void *nothing)
{
	(void)nothing;
	pipeline_snapshot(p);
}

static void tell_works(struct pipeline *p, const void *nothing)
{
	(void)nothing;
	pipeline_tell_works(p, boat.works, boat.work_count);
}

/* What no frame tells, now and then: the machine's word on its clock and on a bus, the next
 * capture, the skipper's work and his acknowledgement. */
static void meddle(struct pipeline *p, const void *context)
{
	uint64_t dice = *(const uint64_t *)context;
	int64_t now_ns = pipeline_raw_ns(p) + (int64_t)(dice >> 32) % 20 * 1000000000;

	switch (dice % 7) {
	case 0:
		pipeline_clock_stepped(p, (int64_t)(dice >> 40) % 100 * 1000000000);
		break;
	case 1:
		pipeline_capture_begins(p, false);
		break;
	case 2:
		(void)pipeline_acknowledge(p, (int64_t)(dice >> 8) % 20); /* there may be none */
		break;
	default:
		pipeline_bus_word(p, (unsigned)(dice >> 8) % 2,
			(enum bus_trouble)((dice >> 16) % BUS_TROUBLE_COUNT), now_ns);
		break;
	}
}

static void feed(const struct frame *frame)
{
	pipeline_frames(unbroken.pipeline, frame, 1);
	pipeline_frames(resumed.pipeline, frame, 1);
}

/* The bus's own troubles are not in the scenario: error frames, and trouble codes. */
static void feed_trouble(int64_t t_ns, uint64_t dice)
{
	struct frame error = {.t_ns = t_ns,
		.kind = FRAME_ERROR,
		.id = 1U << (dice >> 8) % 9,
		.len = 8,
		.bus = (uint8_t)((dice >> 16) % 2)};
	struct frame fault = {.t_ns = t_ns, .id = 0x18FECA00, .len = 8};
	const uint8_t code[8] = {0x04, 0xFF, (uint8_t)((dice >> 24) % 5), 0,
		(uint8_t)((dice >> 32) % 3), 1, 0xFF, 0xFF};

	memcpy(fault.data, code, sizeof(code));
	error.data[1] = (uint8_t)(dice >> 40);
	for (unsigned i = 0; i < (dice >> 48) % 30; i++) {
		feed(&error);
	}
	feed(&fault);
}

/* The skipper's element changes and drains, and once each the burn map learned anew and the valve
 * of the change-over set turned. */
static void keep_book(const struct scenario_truth *truth, size_t *told, uint64_t *next)
{
	size_t before = boat.work_count;

	for (; *told < truth->element_count; ++*told) {
		const struct scenario_element *e = &truth->elements[*told];
		if (e->number > 1 && e->engine == 0) {
			boat.works[boat.work_count++] = (struct boat_work){.utc_ns = e->fitted_ns,
				.kind = WORK_ELEMENT,
				.place = (uint8_t)e->filter};
		}
	}
	if (truth->engine_h[0] >= (double)*next * 0.7) {
		static const enum boat_work_kind kinds[] = {
			WORK_DRAIN, WORK_SWITCH_ALL, WORK_BURN, WORK_SWITCH};
		boat.works[boat.work_count++] = (struct boat_work){
			.utc_ns = truth->runs[truth->run_count - 1].start_ns + HOUR_NS / 4,
			.kind = (uint8_t)kinds[*next % 4],
			.place = 0};
		++*next;
	}
	if (boat.work_count != before) {
		to_both(tell_works, NULL);
	}
}

/* Of the two a set with a change-over valve. */
static void add_twin(void)
{
	struct boat_filter *twin = &boat.filters[boat.filter_count++];

	*twin = boat.filters[0];
	(void)snprintf(twin->name, sizeof(twin->name), "other primary");
	(void)snprintf(twin->set, sizeof(twin->set), "duplex");
	(void)snprintf(boat.filters[0].set, sizeof(boat.filters[0].set), "duplex");
}

static void play(const char *name, const struct scenario_options *options, bool meddled)
{
	static struct frame batch[BATCH];
	struct scenario *scenario;
	struct scenario_random random;
	size_t count, elements = 0;
	uint64_t next_work = 1;
	int64_t window = -1;
	uint64_t until_cut = 1;

	season = name;
	frames = cuts = 0;
	assert_null(scenario_options_check(options));
	assert_int_equal(scenario_create(&scenario, options), 0);
	scenario_random_init(&random, options->seed, 77);
	start(&unbroken);
	start(&resumed);
	while ((count = scenario_next(scenario, batch, BATCH)) > 0) {
		keep_book(scenario_truth(scenario), &elements, &next_work);
		for (size_t i = 0; i < count; i++) {
			uint64_t dice = scenario_random_bits(&random);
			bool first = frames++ < FIRST_FRAMES;
			feed(&batch[i]);
			/* A replay commits behind the first frame of a window. */
			bool new_window =
				pipeline_steady_ns(unbroken.pipeline) / WINDOW_NS != window;
			window = pipeline_steady_ns(unbroken.pipeline) / WINDOW_NS;
			if (meddled && dice % 20011 == 0) {
				dice = scenario_random_bits(&random);
				to_both(meddle, &dice);
				feed_trouble(batch[i].t_ns, scenario_random_bits(&random));
			}
			if (new_window || first || --until_cut == 0) {
				until_cut = 1 + (dice >> 20) % (2 * MEAN_FRAMES);
				if ((dice >> 50) % 16 == 0) {
					to_both(snapshot, NULL); /* as a stop does */
				}
				cut();
			}
			if (new_window) {
				compare();
			}
		}
	}
	compare();
	pipeline_finish(unbroken.pipeline);
	pipeline_finish(resumed.pipeline);
	compare();
	assert_in_range(cuts, FIRST_FRAMES, UINT64_MAX);
	assert_in_range(unbroken.told.count, 10000, UINT64_MAX);
	print_message("%s: %llu frames, %llu cuts, %llu facts, %zu bytes of state\n", name,
		(unsigned long long)frames, (unsigned long long)cuts,
		(unsigned long long)unbroken.told.count, unbroken.size);
	free(unbroken.pipeline);
	free(resumed.pipeline);
	scenario_destroy(scenario);
}

/* Some engine hours, and the boat as its skipper would configure it. */
static void shorten(struct scenario_options *o, double engine_h)
{
	o->days = 1 + (unsigned)ceil(engine_h);
	o->engine_h = engine_h;
	o->engine_ms = 2000;
	o->instrument_ms = 4000;
	o->step_ms = 500;
	scenario_boat(o, &boat);
}

static void the_demo_season_on_both_protocols_goes_on_as_unbroken(void **state)
{
	struct scenario_options o;

	(void)state;
	scenario_options_init(&o);
	o.protocol = SCENARIO_BOTH;
	o.disturb.loss = 0.02;
	shorten(&o, 4);
	play("demo", &o, false);
}

static void seasons_with_each_fault_go_on_as_unbroken(void **state)
{
	(void)state;
	for (unsigned kind = 0; kind < SCENARIO_FAULT_KINDS; kind++) {
		struct scenario_options o;
		scenario_options_vary_fault(&o, 100 + kind, (enum scenario_fault_kind)kind);
		o.protocol = (enum scenario_protocol)(kind % 3);
		for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
			struct scenario_filter *f = &o.engine[0].filters[i];
			f->life_l /= 10; /* so that much befalls an element within hours */
			if (kind % 3 == 0) {
				f->sensor = SENSOR_PRESSURE;
			} else if (f->sensor == SENSOR_PRESSURE) {
				f->sensor = i == 0 ? SENSOR_SPN1382 : SENSOR_SPN95;
				f->sensor_kind = SENSES_DIFFERENTIAL;
			}
		}
		shorten(&o, 2);
		if (kind % 2 == 0) {
			add_twin();
			boat.filters[0].reference_lph = NAN; /* to be learned */
		}
		play(scenario_fault_name((enum scenario_fault_kind)kind), &o, kind % 2 == 1);
	}
}

static void rough_seasons_of_two_engines_go_on_as_unbroken(void **state)
{
	(void)state;
	for (unsigned protocol = 0; protocol <= SCENARIO_BOTH; protocol++) {
		struct scenario_options o;
		scenario_options_init(&o);
		scenario_options_rough(&o);
		o.seed = 7 + protocol;
		o.protocol = (enum scenario_protocol)protocol;
		o.engines = 2;
		o.tank_l = 400;
		o.counters = (enum scenario_counters)protocol;
		o.disturb.clock = (enum scenario_clock)protocol;
		for (unsigned e = 0; e < 2 && protocol == SCENARIO_J1939; e++) {
			o.engine[e].filters[0].sensor = SENSOR_SPN1381;
			o.engine[e].filters[0].sensor_kind = SENSES_OUTLET_VACUUM;
			o.engine[e].filters[1].sensor = SENSOR_SPN95;
			o.engine[e].filters[1].sensor_kind = SENSES_DIFFERENTIAL;
		}
		shorten(&o, 2);
		play("rough", &o, true);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_demo_season_on_both_protocols_goes_on_as_unbroken),
		cmocka_unit_test(seasons_with_each_fault_go_on_as_unbroken),
		cmocka_unit_test(rough_seasons_of_two_engines_go_on_as_unbroken),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
