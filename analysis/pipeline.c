#include "analysis/pipeline.h"

#include <errno.h>
#include <math.h>
#include <string.h>

#include "analysis/clock.h"
#include "analysis/due_watch.h"
#include "analysis/engine_run.h"
#include "analysis/engine_watch.h"
#include "analysis/event_life.h"
#include "analysis/fault_watch.h"
#include "analysis/filter_pass.h"
#include "analysis/filter_watch.h"
#include "analysis/frozen_speed.h"
#include "analysis/source_choice.h"
#include "analysis/source_watch.h"
#include "analysis/state_version_1.h"
#include "analysis/tank_watch.h"
#include "analysis/traffic_watch.h"
#include "analysis/trip.h"

#define STATE_VERSION 12
#define STATE_ROOM    480 /* what changes seldom begins at a multiple of this */
#define CHECK_SIZE    4
#define RAW_MOST_NS   (INT64_C(1) << 62)
/* Behind a pause of all traffic as long as this, who is missing is no news. */
#define PAUSE_NS INT64_C(60000000000)
#define DAY_NS	 INT64_C(86400000000000)
/* Events of filters that the boat no longer has: their places from here on. */
#define GONE_PLACE 0x8000U

struct pipeline {
	struct boat boat;
	struct fact_sink sink;
	struct decoder decoder;
	struct clock clock;
	struct source_choice sources;
	struct trip_log trips;
	struct engine_log engines[BOAT_ENGINES_MAX];
	struct engine_watch engine_watches[BOAT_ENGINES_MAX];
	struct frozen_speed speeds[BOAT_ENGINES_MAX];
	struct filter_watch filter_watches[BOAT_FILTERS_MAX];
	struct due_watch due_watches[BOAT_FILTERS_MAX];
	struct filter_pass passes[BOAT_FILTERS_MAX];
	struct tank_watch tank_watches[BOAT_TANK_NUMBERS];
	struct traffic_watch traffic;
	struct source_watch senders;
	struct fault_watch faults;
	struct event_life events;
	int64_t drained_ns[BOAT_FILTERS_MAX]; /* UTC of the last drain that was gone by */
	int64_t relearned_ns[BOAT_ENGINES_MAX];
	int64_t last_run;
	int64_t window;	 /* present window: steady time / 10 s */
	int64_t next_ns; /* steady time at which it ends */
	uint64_t frames;
	char gone_names[BOAT_FILTERS_MAX]
		       [BOAT_NAME_MAX]; /* by place, before the configuration changed; not kept */
	uint8_t lamps; /* of the DM1 that is being read, ahead of its codes; not kept */
};

size_t pipeline_size(void)
{
	return sizeof(struct pipeline);
}

void pipeline_init(struct pipeline *p, const struct boat *boat, const struct fact_sink *sink)
{
	memset(p, 0, sizeof(*p));
	p->boat = *boat;
	p->sink = *sink;
	decoder_init(&p->decoder);
	clock_init(&p->clock);
	source_choice_init(&p->sources, &p->boat);
	trip_log_init(&p->trips, &p->boat, &p->sink);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_log_init(&p->engines[i], i, &p->boat, &p->sink, &p->trips, &p->last_run);
		p->engines[i].all = p->engines;
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_watch_init(&p->engine_watches[i], &p->boat);
		frozen_speed_init(&p->speeds[i]);
	}
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		filter_watch_init(&p->filter_watches[i], &p->boat.filters[i]);
		filter_pass_init(&p->passes[i], &p->boat, i);
	}
	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		due_watch_init(&p->due_watches[i]);
	}
	for (size_t i = 0; i < BOAT_TANK_NUMBERS; i++) {
		tank_watch_init(&p->tank_watches[i]);
	}
	traffic_watch_init(&p->traffic);
	source_watch_init(&p->senders);
	fault_watch_init(&p->faults);
	event_life_init(&p->events, 0);
	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		p->drained_ns[i] = INT64_MIN;
	}
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		p->relearned_ns[i] = INT64_MIN;
	}
	p->next_ns = INT64_MIN;
}

void pipeline_tell_works(struct pipeline *p, const struct boat_work *works, size_t count)
{
	size_t first = count > BOAT_WORKS_MAX ? count - BOAT_WORKS_MAX : 0;

	p->boat.work_count = count - first;
	memcpy(p->boat.works, works + first, p->boat.work_count * sizeof(works[0]));
}

bool pipeline_acknowledge(struct pipeline *p, int64_t event)
{
	return event_life_acknowledge(&p->events, event);
}

static struct window_view view_of(struct pipeline *p, int64_t t_ns)
{
	return (struct window_view){
		.boat = &p->boat,
		.sources = &p->sources,
		.engines = p->engines,
		.sink = &p->sink,
		.events = &p->events,
		.traffic = &p->traffic,
		.now = {.session = p->clock.now.session, .t_ns = t_ns},
		.utc_ns = clock_utc(&p->clock, t_ns),
		.trip = p->trips.open ? p->trips.now.trip : 0,
	};
}

void pipeline_start(struct pipeline *p, const struct pipeline_numbers *last, bool undated)
{
	p->clock.last_session = last->session;
	p->last_run = last->run;
	p->trips.last_trip = last->trip;
	p->events.last_event = last->event;
	clock_tell_begin(&p->clock, undated);
}

void pipeline_numbers_given(const struct pipeline *p, struct pipeline_numbers *ret_given)
{
	*ret_given = (struct pipeline_numbers){
		.session = p->clock.last_session,
		.run = p->last_run,
		.trip = p->trips.last_trip,
		.event = p->events.last_event,
	};
}

static void raise_number(int64_t *number, int64_t taken)
{
	if (taken > *number) {
		*number = taken;
	}
}

void pipeline_numbers_taken(struct pipeline *p, const struct pipeline_numbers *taken)
{
	raise_number(&p->clock.last_session, taken->session);
	raise_number(&p->last_run, taken->run);
	raise_number(&p->trips.last_trip, taken->trip);
	raise_number(&p->events.last_event, taken->event);
}

void pipeline_name_buses(struct pipeline *p, const struct bus_namer *namer)
{
	p->traffic.namer = *namer;
}

void pipeline_bus_word(struct pipeline *p, unsigned bus, enum bus_trouble word, int64_t raw_now_ns)
{
	int64_t since_ns =
		p->clock.raw_ns == CLOCK_NONE ? 0 : raw_now_ns - p->clock.raw_ns - p->clock.told_ns;

	if (p->clock.now.session != 0) {
		struct window_view view =
			view_of(p, p->clock.steady_ns + (since_ns > 0 ? since_ns : 0));
		traffic_watch_word(&p->traffic, bus, word, &view);
	}
}

void pipeline_limit(struct pipeline *p, unsigned bus, enum decoder_protocol protocol)
{
	decoder_limit(&p->decoder, bus, protocol);
}

void pipeline_capture_begins(struct pipeline *p, bool undated)
{
	clock_tell_begin(&p->clock, undated);
}

void pipeline_clock_stepped(struct pipeline *p, int64_t step_ns)
{
	clock_tell_step(&p->clock, step_ns);
}

static void tell_session(const struct pipeline *p, const struct clock_session *session)
{
	struct fact_session fact;

	if (p->sink.on_session != NULL && session->session != 0) {
		clock_session_fact(session, &fact);
		p->sink.on_session(p->sink.context, &fact);
	}
}

static void tell_now(const struct pipeline *p)
{
	struct clock_session now = p->clock.now;

	now.last_ns = p->clock.steady_ns;
	now.raw_last_ns = p->clock.raw_ns;
	tell_session(p, &now);
}

static void tell_window(const struct pipeline *p)
{
	struct fact_reading readings[SLOTS_MAX];
	size_t count = source_choice_window(&p->sources, readings);
	struct fact_window fact = {
		.window = p->window,
		.session = p->clock.now.session,
		.count = count,
		.readings = readings,
	};

	if (count > 0 && p->sink.on_window != NULL) {
		p->sink.on_window(p->sink.context, &fact);
	}
}

static void tell_clock_step(struct pipeline *p, int64_t step_ns)
{
	struct fact_event fact = {
		.event = ++p->events.last_event,
		.kind = "clock-step",
		.subject = "clock",
		.severity = SEVERITY_ADVICE,
		.session = p->clock.now.session,
		.raised_ns = p->clock.now.first_ns,
		.has_cleared = true,
		.cleared_session = p->clock.now.session,
		.cleared_ns = p->clock.now.first_ns,
		.trip = p->trips.open ? p->trips.now.trip : 0,
		.value = (double)step_ns * 1e-9,
		.limit = NAN,
		.unit = "s",
		.basis = "measured",
		.message = "The recorder's clock was set; hours and litres are not affected.",
	};

	if (p->sink.on_event != NULL) {
		p->sink.on_event(p->sink.context, &fact);
	}
}

/* A session's UTC was not what it was taken for: what was dated by it moves along. */
static void redate(
	struct pipeline *p, const struct clock_session *was, int64_t last_ns, int64_t offset_ns)
{
	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		due_watch_redate(&p->due_watches[i], was->first_ns + was->offset_ns,
			last_ns + was->offset_ns, offset_ns - was->offset_ns);
	}
}

static void settle_seam(struct pipeline *p, bool force)
{
	struct clock_session before = p->clock.before;
	struct clock_session now = p->clock.now;
	struct clock_seam seam;
	int64_t into = 0;
	int64_t witness_ns = -1;

	if (!p->clock.seam) {
		return;
	}
	for (size_t i = 0; i < BOAT_ENGINES_MAX && witness_ns < 0; i++) {
		witness_ns = engine_log_witness(&p->engines[i]);
	}
	if (!clock_settle(&p->clock, force, witness_ns, &seam)) {
		return;
	}
	redate(p, &before, before.last_ns, p->clock.before.offset_ns);
	redate(p, &now, p->clock.steady_ns, p->clock.now.offset_ns);
	if (seam.relabelled) {
		tell_session(p, &p->clock.before);
	}
	tell_now(p);
	int64_t withdrawn = trip_log_settle(
		&p->trips, p->clock.before.last_ns, p->clock.now.first_ns, seam.gap_ns, &into);
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (withdrawn != 0) {
			engine_log_retrip(&p->engines[i], withdrawn, into);
		}
		engine_log_settle(&p->engines[i], p->clock.steady_ns, seam.gap_ns, seam.sure);
	}
	if (seam.step_ns != 0) {
		tell_clock_step(p, seam.step_ns);
	}
}

static double mean_speed_kn(const struct source_choice *sources)
{
	static const enum signal_id order[] = {
		SIGNAL_GROUND_SPEED, SIGNAL_WATER_SPEED, SIGNAL_WHEEL_SPEED};

	for (size_t i = 0; i < sizeof(order) / sizeof(order[0]); i++) {
		int found = source_choice_find(sources, order[i], 0);
		if (found >= 0 && sources->slots[found].count > 0) {
			return sources->slots[found].sum / sources->slots[found].count;
		}
	}
	return NAN;
}

/* What has passed a filter by now: engine hours in use, and litres. */
static double passed_h(const struct pipeline *p, size_t index)
{
	return filter_pass_hours(&p->passes[index],
		engine_log_hours_total(&p->engines[p->boat.filters[index].engine]));
}

static double passed_l(const struct pipeline *p, size_t index)
{
	return filter_pass_litres(&p->passes[index],
		engine_log_supply_total(&p->engines[p->boat.filters[index].engine]));
}

static void pass_filters(struct pipeline *p)
{
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		const struct engine_log *log = &p->engines[p->boat.filters[i].engine];
		filter_pass_take(
			&p->passes[i], engine_log_hours_total(log), engine_log_supply_total(log));
	}
}

static void go_by_work(
	struct pipeline *p, const struct boat_work *work, const struct window_view *view)
{
	if (work->kind == WORK_BURN) {
		if (work->place < BOAT_ENGINES_MAX && work->utc_ns > p->relearned_ns[work->place]) {
			p->relearned_ns[work->place] = work->utc_ns;
			engine_watch_reset_burn(&p->engine_watches[work->place], work->place, view);
		}
		return;
	}
	if (work->place >= p->boat.filter_count) {
		return;
	}
	if (work->kind == WORK_SWITCH || work->kind == WORK_SWITCH_ALL) {
		for (size_t i = 0; i < p->boat.filter_count; i++) {
			filter_pass_switch(&p->passes[i], &p->boat, i, work->place,
				work->kind == WORK_SWITCH_ALL, work->utc_ns);
		}
		return;
	}
	unsigned engine = p->boat.filters[work->place].engine;
	struct filter_watch *filter = &p->filter_watches[work->place];
	if (work->kind == WORK_ELEMENT && work->utc_ns > filter->fitted_ns) {
		filter_watch_renew(filter, work->place, view, work->utc_ns,
			passed_h(p, work->place), passed_l(p, work->place));
		due_watch_renew(&p->due_watches[work->place], work->place, view);
		for (size_t i = 0; i < p->boat.filter_count; i++) {
			if (i != work->place && p->boat.filters[i].engine == engine) {
				filter_watch_freed(&p->filter_watches[i]);
			}
		}
	} else if (work->kind == WORK_DRAIN && work->utc_ns > p->drained_ns[work->place]) {
		p->drained_ns[work->place] = work->utc_ns;
		engine_watch_drained(&p->engine_watches[engine], engine, view);
	}
}

static void not_later(int64_t *t_ns, int64_t now_ns)
{
	if (*t_ns > now_ns + DAY_NS) {
		*t_ns = now_ns;
	}
}

/* Work that was entered under a clock far ahead would hide all that is done until then. Only the
 * bus's own time is believed so far: a recorder's clock that is behind must not take work back. */
static void bring_back_works(struct pipeline *p, int64_t utc_ns)
{
	if (p->clock.now.basis != CLOCK_BUS) {
		return;
	}
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		not_later(&p->filter_watches[i].fitted_ns, utc_ns);
		not_later(&p->drained_ns[i], utc_ns);
		not_later(&p->passes[i].switched_ns, utc_ns);
	}
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		not_later(&p->relearned_ns[i], utc_ns);
	}
}

/* Is the change of which the configuration tells in the book? Then that entry counts. */
static bool is_in_book(const struct boat *boat, size_t filter)
{
	for (size_t i = 0; i < boat->work_count; i++) {
		const struct boat_work *work = &boat->works[i];
		if (work->kind == WORK_ELEMENT && work->place == filter &&
			boat_fitted_is(&boat->filters[filter], work->utc_ns)) {
			return true;
		}
	}
	return false;
}

/* An element that is fitted only after its filter was heard first is not the one that is in by
 * then. */
static void await_fitting(struct pipeline *p, const struct window_view *view)
{
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		struct filter_watch *filter = &p->filter_watches[i];
		if (!filter->begun && p->clock.now.basis != CLOCK_UNDATED &&
			filter->fitted_ns > view->utc_ns) {
			filter->fitted_ns = INT64_MIN;
		}
	}
}

/* Work in the service book whose time has come, and that is later than what was gone by already. */
static void go_by_works(struct pipeline *p, const struct window_view *view)
{
	for (size_t i = 0; i < p->boat.work_count; i++) {
		if (p->boat.works[i].utc_ns <= view->utc_ns) {
			go_by_work(p, &p->boat.works[i], view);
		}
	}
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		struct boat_work told = {.kind = WORK_ELEMENT,
			.place = (uint8_t)i,
			.utc_ns = p->boat.filters[i].fitted_ns};
		if (p->boat.filters[i].has_fitted && told.utc_ns <= view->utc_ns &&
			!is_in_book(&p->boat, i)) {
			go_by_work(p, &told, view);
		}
	}
}

static unsigned tanks_heard(const struct pipeline *p)
{
	unsigned count = 0;

	for (uint16_t i = 0; i < BOAT_TANK_NUMBERS; i++) {
		bool heard = source_choice_find(&p->sources, SIGNAL_TANK_LEVEL, i) >= 0;
		heard = heard ||
			(i == 0 && source_choice_find(&p->sources, SIGNAL_FUEL_LEVEL_1, 0) >= 0);
		heard = heard ||
			(i == 1 && source_choice_find(&p->sources, SIGNAL_FUEL_LEVEL_2, 0) >= 0);
		count += heard ? 1 : 0;
	}
	return count;
}

static bool filter_fact(const struct pipeline *p, unsigned index, struct fact_filter *ret_fact)
{
	const struct engine_log *log = &p->engines[p->boat.filters[index].engine];
	double hours = engine_log_hours_total(log);
	double lph = hours > 0 ? engine_log_supply_total(log) / hours : NAN;

	if (!filter_watch_fact(&p->filter_watches[index], index, &p->boat, passed_h(p, index),
		    passed_l(p, index), lph, ret_fact)) {
		return false;
	}
	ret_fact->session = p->clock.now.session;
	return true;
}

static void tell_filter(const struct pipeline *p, unsigned index)
{
	struct fact_filter fact;

	if (p->sink.on_filter != NULL && filter_fact(p, index, &fact)) {
		p->sink.on_filter(p->sink.context, &fact);
	}
}

/* The fit has learned: a point of the element's course, and what is to be expected of it. */
static void tell_milestone(struct pipeline *p, unsigned index)
{
	struct fact_filter fact;

	if (filter_fact(p, index, &fact)) {
		fact.milestone = true;
		due_watch_forecast(&p->due_watches[index], &fact);
		if (p->sink.on_filter != NULL) {
			p->sink.on_filter(p->sink.context, &fact);
		}
	}
}

static void watch_due(struct pipeline *p, unsigned index, const struct window_view *view)
{
	const struct filter_watch *filter = &p->filter_watches[index];
	const struct engine_log *log = &p->engines[p->boat.filters[index].engine];
	struct due_count count = {
		.dated = p->clock.now.basis != CLOCK_UNDATED,
		.has_fitted = filter->fitted_ns != INT64_MIN,
		.fitted_ns = filter->fitted_ns,
		.engine_h = engine_log_hours_total(log),
		.supply_l = engine_log_supply_total(log),
		.share = p->passes[index].share,
	};

	count.element_h = passed_h(p, index) - filter->hours_before;
	count.element_l = passed_l(p, index) - filter->litres_before;
	due_watch_window(&p->due_watches[index], index, view, &count);
}

/* Other fuel comes to the filters of the engines that draw, or may draw, from this tank. */
static void tell_filled(struct pipeline *p, unsigned tank, double filled_l)
{
	for (unsigned i = 0; i < p->boat.filter_count; i++) {
		int told = p->boat.engines[p->boat.filters[i].engine].tank;
		if (told < 0 || (unsigned)told == tank) {
			filter_watch_filled(&p->filter_watches[i], passed_l(p, i), filled_l);
		}
	}
}

static bool is_of_filter(const struct event_slot *slot)
{
	switch (slot->kind) {
	case EVENT_RESTRICTION_RISING:
	case EVENT_RESTRICTION_JUMP:
	case EVENT_RESTRICTION_HIGH:
	case EVENT_ELEMENT_DUE:
		return true;
	case EVENT_SOURCE_LOST:
		return slot->subject >= MUTE_SENSOR_SUBJECT;
	default:
		return false;
	}
}

/* A filter that the boat no longer has cannot get better. */
static void end_gone(struct pipeline *p, const struct window_view *view)
{
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		const struct event_slot *slot = &p->events.slots[i];
		uint32_t base = slot->kind == EVENT_SOURCE_LOST ? MUTE_SENSOR_SUBJECT : 0;
		uint32_t was = slot->subject - base - GONE_PLACE;
		if (slot->standing == EVENT_UP && is_of_filter(slot) && was < BOAT_FILTERS_MAX) {
			struct event_claim claim = {
				.kind = (enum event_kind)slot->kind,
				.subject = slot->subject,
				.name = p->gone_names[was],
				.unit = "",
				.basis = "",
				.message = "",
			};
			window_claim(view, &claim, false);
		}
	}
}

static void watch_window(struct pipeline *p)
{
	struct window_view view = view_of(p, p->next_ns);
	double shares[BOAT_ENGINES_MAX];
	unsigned tanks = tanks_heard(p);

	end_gone(p, &view);
	pass_filters(p);
	bring_back_works(p, view.utc_ns);
	await_fitting(p, &view);
	go_by_works(p, &view);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		shares[i] = NAN;
		if (p->engines[i].heard && frozen_speed_window(&p->speeds[i], i, &view)) {
			view.frozen_speeds |= 1U << i;
		}
	}
	for (unsigned i = 0; i < p->boat.filter_count; i++) {
		const struct boat_filter *filter = &p->boat.filters[i];
		const struct engine_log *log = &p->engines[filter->engine];
		if (!log->heard) {
			continue;
		}
		filter_watch_window(&p->filter_watches[i], i, &view, p->passes[i].share,
			passed_h(p, i), passed_l(p, i));
		struct filter_watch *watch = &p->filter_watches[i];
		if (watch->loading.revision != watch->told_revision) {
			watch->told_revision = watch->loading.revision;
			tell_milestone(p, i);
		}
		watch_due(p, i, &view);
		double share = filter_watch_share(watch, filter);
		shares[filter->engine] = fmax(shares[filter->engine], share);
	}
	filter_watch_compare(p->filter_watches, &p->boat);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (p->engines[i].heard) {
			engine_watch_window(&p->engine_watches[i], i, &view, shares[i]);
		}
	}
	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		double filled_l = tank_watch_window(&p->tank_watches[i], i, &view, tanks);
		if (filled_l > 0) {
			tell_filled(p, i, filled_l);
		}
	}
	fault_watch_window(&p->faults, &view);
	source_watch_window(&p->senders, &p->traffic, &view);
	traffic_watch_window(&p->traffic, &view);
}

static void end_window(struct pipeline *p)
{
	tell_window(p);
	watch_window(p);
	trip_log_window(&p->trips, p->window, mean_speed_kn(&p->sources));
	source_choice_next_window(&p->sources);
}

static void begin_window(struct pipeline *p)
{
	p->window = p->clock.steady_ns / WINDOW_NS;
	p->next_ns = (p->window + 1) * WINDOW_NS;
}

/* Steady time has left the present window. */
static void next_window(struct pipeline *p)
{
	end_window(p);
	begin_window(p);
	settle_seam(p, false);
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (p->engines[i].heard) {
			engine_log_tick(&p->engines[i], p->clock.steady_ns);
		}
	}
}

static void next_session(struct pipeline *p, int64_t raw_ns)
{
	bool first = p->clock.raw_ns == CLOCK_NONE;

	if (!first) {
		end_window(p);
		tell_now(p);
		if (!clock_is_glitch(&p->clock, raw_ns)) {
			settle_seam(p, true);
		}
		if (raw_ns < p->clock.raw_ns || raw_ns - p->clock.raw_ns > PAUSE_NS) {
			traffic_watch_pause(&p->traffic);
			source_watch_pause(&p->senders);
		}
	}
	int64_t last_ns = p->clock.steady_ns;
	clock_open_session(&p->clock, raw_ns);
	begin_window(p);
	tell_now(p);
	int64_t session = p->clock.now.session;
	trip_log_session(&p->trips, session, p->clock.now.first_ns);
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_log_session(&p->engines[i], session, first ? p->clock.steady_ns : last_ns,
			p->clock.steady_ns);
	}
	settle_seam(p, false);
}

static void take_engine(
	struct pipeline *p, unsigned number, const struct slot *slot, const struct observation *o)
{
	struct engine_log *e = &p->engines[number];
	struct engine_watch *w = &p->engine_watches[number];

	engine_log_hear(e, o->t_ns);
	switch (o->signal) {
	case SIGNAL_WATER_IN_FUEL: {
		struct window_view view = view_of(p, o->t_ns);
		engine_watch_water(w, number, &view, o->value != 0);
		break;
	}
	case SIGNAL_ENGINE_STATUS_1: {
		struct window_view view = view_of(p, o->t_ns);
		engine_watch_status(w, number, &view, (unsigned)o->value);
		break;
	}
	case SIGNAL_ENGINE_SPEED:
		engine_log_speed(e, o->t_ns, o->value, slot_gap_ns(slot));
		break;
	case SIGNAL_FUEL_RATE:
		engine_log_rate(e, o->t_ns, o->value, o->resolution, slot_gap_ns(slot));
		break;
	case SIGNAL_TOTAL_FUEL_FINE:
		engine_log_counter(e, o->t_ns, COUNTER_TOTAL_FINE, o->value, o->resolution);
		break;
	case SIGNAL_TOTAL_FUEL:
		engine_log_counter(e, o->t_ns, COUNTER_TOTAL, o->value, o->resolution);
		break;
	case SIGNAL_TRIP_FUEL_FINE:
		engine_log_counter(e, o->t_ns, COUNTER_TRIP_FINE, o->value, o->resolution);
		break;
	case SIGNAL_TRIP_FUEL:
		engine_log_counter(e, o->t_ns, COUNTER_TRIP, o->value, o->resolution);
		break;
	case SIGNAL_ENGINE_HOURS:
		engine_log_hours(e, o->t_ns, o->value, o->resolution);
		break;
	case SIGNAL_GEAR:
		engine_log_gear(e, o->t_ns, o->value == 1);
		break;
	case SIGNAL_COOLANT_TEMPERATURE:
		engine_log_coolant(e, o->value);
		break;
	default:
		break;
	}
}

static void take(struct pipeline *p, const struct observation *o)
{
	const struct signal *signal = signal_get((enum signal_id)o->signal);
	bool is_new;

	if (o->signal == SIGNAL_FAULT_LAMPS) {
		p->lamps = o->state == READING_VALID ? (uint8_t)((uint32_t)o->value & 0xFF) : 0xFF;
	}
	if (o->state != READING_VALID) {
		return;
	}
	if (signal->use == USE_TIME) {
		uint16_t provider = (uint16_t)(o->bus << 8 | o->source);
		int64_t utc_ns = (int64_t)(o->value * 1e4 + 0.5) * 100000;
		struct clock_session was = p->clock.now;
		if (clock_bus_time(&p->clock, utc_ns, provider)) {
			redate(p, &was, p->clock.steady_ns, p->clock.now.offset_ns);
			tell_now(p);
			settle_seam(p, false);
		}
		return;
	}
	if (o->signal == SIGNAL_ACTIVE_FAULT || o->signal == SIGNAL_PAST_FAULT) {
		/* Lists, not quantities: every sender's faults count. */
		struct window_view view = view_of(p, o->t_ns);
		fault_watch_take(&p->faults, &view, o, p->lamps);
		return;
	}
	int found = source_choice_take(&p->sources, o, &is_new);
	if (found < 0) {
		return;
	}
	if (is_new && p->sink.on_slot != NULL) {
		struct fact_slot fact = {
			.slot = (uint16_t)found, .signal = o->signal, .instance = o->instance};
		p->sink.on_slot(p->sink.context, &fact);
	}
	if (signal->scope == SCOPE_ENGINE && o->instance < BOAT_ENGINES_MAX) {
		take_engine(p, o->instance, &p->sources.slots[found], o);
	}
}

static void watch_traffic(struct pipeline *p, const struct frame *frame)
{
	if (frame->bus >= FRAME_BUS_MAX) {
		return;
	}
	if (frame->kind == FRAME_EXTENDED) {
		traffic_watch_count(&p->traffic, frame);
		if (frame->len == 8 && (frame->id & 0x3FF0000) == 0x0EE0000) {
			source_watch_claim(&p->senders, frame);
		}
	} else if (frame->kind == FRAME_ERROR) {
		struct window_view view = view_of(p, frame->t_ns);
		traffic_watch_error(&p->traffic, frame, &view);
	}
}

static size_t feed(struct pipeline *p, const struct frame *frames, size_t count, bool to_window)
{
	struct observation observations[OBSERVATIONS_MAX];
	bool stop = false;

	for (size_t i = 0; i < count; i++) {
		struct frame frame = frames[i];
		struct message message;

		if (stop) {
			return i;
		}
		if (frame.t_ns < 0 || frame.t_ns > RAW_MOST_NS) {
			frame.t_ns = frame.t_ns < 0 ? 0 : RAW_MOST_NS;
		}
		if (!clock_advance(&p->clock, frame.t_ns)) {
			next_session(p, frame.t_ns);
			stop = to_window;
		} else if (p->clock.steady_ns >= p->next_ns) {
			next_window(p);
			stop = to_window;
		}
		p->frames++;
		frame.t_ns = p->clock.steady_ns;
		watch_traffic(p, &frame);
		if (!decoder_accept(&p->decoder, &frame, &message)) {
			continue;
		}
		size_t n = decoder_read(&p->decoder, &message, observations, OBSERVATIONS_MAX);
		for (size_t k = 0; k < n; k++) {
			take(p, &observations[k]);
		}
	}
	return count;
}

void pipeline_frames(struct pipeline *p, const struct frame *frames, size_t count)
{
	(void)feed(p, frames, count, false);
}

size_t pipeline_frames_to_window(struct pipeline *p, const struct frame *frames, size_t count)
{
	return feed(p, frames, count, true);
}

int64_t pipeline_steady_ns(const struct pipeline *p)
{
	return p->clock.steady_ns;
}

int64_t pipeline_raw_ns(const struct pipeline *p)
{
	return p->clock.raw_ns;
}

static void tell_tanks(const struct pipeline *p)
{
	struct fact_tank fact;

	for (unsigned i = 0; i < BOAT_TANK_NUMBERS && p->sink.on_tank != NULL; i++) {
		if (tank_watch_fact(
			    &p->tank_watches[i], i, &p->boat, p->clock.now.session, &fact)) {
			p->sink.on_tank(p->sink.context, &fact);
		}
	}
}

/* What filters, burn maps and tanks are like now. */
static void tell_state(struct pipeline *p)
{
	for (unsigned i = 0; i < p->boat.filter_count; i++) {
		tell_filter(p, i);
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_watch_tell_map(&p->engine_watches[i], i, &p->sink);
	}
	tell_tanks(p);
}

void pipeline_snapshot(struct pipeline *p)
{
	if (p->clock.now.session == 0) {
		return;
	}
	tell_state(p);
	tell_now(p);
	tell_window(p);
	trip_log_snapshot(&p->trips);
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_log_snapshot(&p->engines[i]);
	}
}

void pipeline_latest(const struct pipeline *p, void *context,
	void (*on_value)(
		void *context, uint16_t signal, uint16_t instance, double value, int64_t heard_ns))
{
	for (size_t i = 0; i < p->sources.count; i++) {
		const struct slot *slot = &p->sources.slots[i];
		if (slot->has_provider && !isnan(slot->value)) {
			on_value(
				context, slot->signal, slot->instance, slot->value, slot->heard_ns);
		}
	}
}

double pipeline_usual_c(const struct pipeline *p, unsigned engine, unsigned which,
	double load_pct, double rpm, double sea_c)
{
	return engine_watch_usual_c(&p->engine_watches[engine], (enum watched_temperature)which, load_pct,
		rpm, sea_c);
}

void pipeline_finish(struct pipeline *p)
{
	if (p->clock.now.session == 0) {
		return;
	}
	end_window(p);
	settle_seam(p, true);
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_log_finish(&p->engines[i]);
	}
	trip_log_finish(&p->trips);
	tell_state(p);
	tell_now(p);
}

const struct decoder *pipeline_decoder(const struct pipeline *p)
{
	return &p->decoder;
}

uint64_t pipeline_frame_count(const struct pipeline *p)
{
	return p->frames;
}

/* CRC-32 (ISO/IEC 8802-3, the reflected polynomial EDB88320), bit by bit: a damaged checkpoint must
 * not become a wrong account. */
static uint32_t check_bytes(const uint8_t *bytes, size_t size)
{
	uint32_t crc = UINT32_MAX;

	for (size_t i = 0; i < size; i++) {
		crc ^= bytes[i];
		for (int bit = 0; bit < 8; bit++) {
			crc = crc >> 1 ^ ((crc & 1) != 0 ? 0xEDB88320U : 0);
		}
	}
	return ~crc;
}

static void put_check(uint32_t crc, uint8_t bytes[CHECK_SIZE])
{
	for (size_t i = 0; i < CHECK_SIZE; i++) {
		bytes[i] = (uint8_t)(crc >> (8 * i));
	}
}

static void save_accounts(const struct pipeline *p, struct state_writer *w)
{
	unsigned heard = 0;

	decoder_save(&p->decoder, w);
	clock_save(&p->clock, w);
	source_choice_save(&p->sources, w);
	trip_log_save(&p->trips, w);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		heard |= p->engines[i].heard ? 1U << i : 0;
	}
	state_put_unsigned(w, heard);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (p->engines[i].heard) {
			engine_log_save(&p->engines[i], w);
		} else {
			state_put_signed(w, p->engines[i].session);
		}
	}
}

static void load_accounts(struct pipeline *p, struct state_reader *r)
{
	decoder_load(&p->decoder, r);
	clock_load(&p->clock, r);
	source_choice_load(&p->sources, r);
	trip_log_load(&p->trips, r);
	unsigned heard = (unsigned)state_get_unsigned(r, (1U << BOAT_ENGINES_MAX) - 1);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if ((heard & 1U << i) != 0) {
			engine_log_load(&p->engines[i], r);
		} else {
			p->engines[i].session = state_get_signed(r);
		}
	}
}

static void save_events(const struct pipeline *p, struct state_writer *w)
{
	event_life_save(&p->events, w);
	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		state_put_signed(w, p->drained_ns[i]);
	}
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		state_put_signed(w, p->relearned_ns[i]);
	}
	state_put_signed(w, p->last_run);
	state_put_signed(w, p->window);
	state_put_unsigned(w, p->frames);
}

static void load_events(struct pipeline *p, struct state_reader *r)
{
	event_life_load(&p->events, r);
	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		p->drained_ns[i] = state_get_signed(r);
	}
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		p->relearned_ns[i] = state_get_signed(r);
	}
	p->last_run = state_get_signed(r);
	p->window = state_get_signed(r);
	p->frames = state_get_unsigned(r, UINT64_MAX);
}

/* The version and the check come first, then what changes all the time, then (at a round number of
 * bytes, so that it stays where it was) what has been learned. */
void pipeline_save(const struct pipeline *p, struct state_writer *w)
{
	uint8_t check[CHECK_SIZE] = {0};
	size_t start = w->used;

	state_put_unsigned(w, STATE_VERSION);
	size_t at = w->used;
	state_put_bytes(w, check, sizeof(check));
	size_t begin = w->used;
	save_accounts(p, w);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_watch_save(&p->engine_watches[i], w);
		frozen_speed_save(&p->speeds[i], w);
	}
	state_put_unsigned(w, p->boat.filter_count);
	for (unsigned i = 0; i < p->boat.filter_count; i++) {
		bool plain = filter_pass_is_plain(&p->passes[i]);
		state_put_unsigned(w, (p->filter_watches[i].watched ? 1 : 0) | (plain ? 0 : 2));
		if (!plain) {
			filter_pass_save(&p->passes[i], w);
		}
		filter_watch_save(&p->filter_watches[i], w);
		due_watch_save(&p->due_watches[i], w);
	}
	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		tank_watch_save(&p->tank_watches[i], w);
	}
	traffic_watch_save(&p->traffic, w);
	source_watch_save(&p->senders, w);
	fault_watch_save(&p->faults, w);
	save_events(p, w);
	while (!w->failed && (w->used - start) % STATE_ROOM != 0) {
		state_put_unsigned(w, 0);
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_watch_save_map(&p->engine_watches[i], w);
	}
	for (unsigned i = 0; i < p->boat.filter_count; i++) {
		const char *name = p->boat.filters[i].name;
		state_put_unsigned(w, strlen(name));
		state_put_bytes(w, name, strlen(name));
		filter_watch_save_fit(&p->filter_watches[i], w);
	}
	if (!w->failed) {
		put_check(check_bytes(w->bytes + begin, w->used - begin), w->bytes + at);
	}
}

/* What a checkpoint kept of the filters. */
struct kept_filters {
	size_t count;
	bool named; /* an earlier version knew them by their places */
	char names[BOAT_FILTERS_MAX][BOAT_NAME_MAX];
	bool plain[BOAT_FILTERS_MAX]; /* nothing was kept of what passed it */
	struct filter_watch watches[BOAT_FILTERS_MAX];
	struct due_watch dues[BOAT_FILTERS_MAX];
	struct filter_pass passes[BOAT_FILTERS_MAX];
};

/* Which of the kept filters one of the boat's was; the count: none. */
static size_t kept_as(const struct kept_filters *kept, const struct boat *boat, size_t filter)
{
	size_t was = filter;

	if (kept->named) {
		for (was = 0; was < kept->count; was++) {
			if (strcmp(kept->names[was], boat->filters[filter].name) == 0) {
				break;
			}
		}
	}
	return was < kept->count ? was : kept->count;
}

/* The events of a filter are known by its place. What stood of one that is gone is told over with
 * the next window. */
static void keep_events(struct pipeline *p, const struct kept_filters *kept)
{
	size_t place[BOAT_FILTERS_MAX];

	for (size_t i = 0; i < BOAT_FILTERS_MAX; i++) {
		place[i] = GONE_PLACE + i;
	}
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		size_t was = kept_as(kept, &p->boat, i);
		if (was < kept->count) {
			place[was] = i;
		}
	}
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		struct event_slot *slot = &p->events.slots[i];
		uint32_t base = slot->kind == EVENT_SOURCE_LOST ? MUTE_SENSOR_SUBJECT : 0;
		if (slot->standing != EVENT_FREE && is_of_filter(slot) &&
			slot->subject - base < BOAT_FILTERS_MAX) {
			slot->subject = base + (uint32_t)place[slot->subject - base];
		}
	}
	memcpy(p->gone_names, kept->names, sizeof(p->gone_names));
}

/* The configuration may have changed since: filters are known by their names, and what was known of
 * one that is gone is dropped. */
static void keep_filters(struct pipeline *p, const struct kept_filters *kept)
{
	int64_t drained_ns[BOAT_FILTERS_MAX];

	memcpy(drained_ns, p->drained_ns, sizeof(drained_ns));
	for (size_t i = 0; i < p->boat.filter_count; i++) {
		size_t was = kept_as(kept, &p->boat, i);
		if (was == kept->count) {
			p->drained_ns[i] = INT64_MIN;
			continue;
		}
		if (kept->watches[was].watched == p->filter_watches[i].watched) {
			p->due_watches[i] = kept->dues[was];
		}
		filter_watch_resume(&p->filter_watches[i], &kept->watches[was]);
		if (!kept->plain[was]) {
			p->passes[i] = kept->passes[was];
		}
		p->drained_ns[i] = drained_ns[was];
	}
	if (kept->named) {
		keep_events(p, kept);
	}
}

static bool load_version_1(struct pipeline *p, struct state_reader *r, size_t start)
{
	struct kept_filters filters = {0};
	uint8_t check[CHECK_SIZE];

	if (r->size - start <= CHECK_SIZE) {
		return false;
	}
	r->size -= CHECK_SIZE;
	put_check(check_bytes(r->bytes + start, r->size - start), check);
	if (memcmp(check, r->bytes + r->size, CHECK_SIZE) != 0) {
		return false;
	}
	load_accounts(p, r);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		state_version_1_engine(&p->engine_watches[i], &p->faults, i,
			engine_log_hours_total(&p->engines[i]), r);
	}
	filters.count = (size_t)state_get_unsigned(r, BOAT_FILTERS_MAX);
	for (size_t i = 0; i < filters.count && !r->failed; i++) {
		due_watch_init(&filters.dues[i]);
		filters.plain[i] = true;
		filters.watches[i].watched = state_get_unsigned(r, 1) != 0;
		state_version_1_filter(&filters.watches[i], r);
	}
	for (unsigned i = 0; i < STATE_VERSION_1_TANKS; i++) {
		state_version_1_tank(&p->tank_watches[i], r);
	}
	load_events(p, r);
	keep_filters(p, &filters);
	return true;
}

static bool load_present(struct pipeline *p, struct state_reader *r, size_t start)
{
	struct kept_filters filters = {0};
	uint8_t kept[CHECK_SIZE];
	uint8_t check[CHECK_SIZE];

	state_get_bytes(r, kept, sizeof(kept));
	if (r->failed) {
		return false;
	}
	put_check(check_bytes(r->bytes + r->used, r->size - r->used), check);
	if (memcmp(check, kept, CHECK_SIZE) != 0) {
		return false;
	}
	load_accounts(p, r);
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_watch_load(&p->engine_watches[i], r);
		frozen_speed_load(&p->speeds[i], r);
	}
	filters.count = (size_t)state_get_unsigned(r, BOAT_FILTERS_MAX);
	for (size_t i = 0; i < filters.count && !r->failed; i++) {
		uint64_t flags = state_get_unsigned(r, 3);
		filters.watches[i].watched = (flags & 1) != 0;
		filters.plain[i] = (flags & 2) == 0;
		if (!filters.plain[i]) {
			filter_pass_load(&filters.passes[i], r);
		}
		filter_watch_load(&filters.watches[i], r);
		due_watch_load(&filters.dues[i], r);
	}
	for (unsigned i = 0; i < BOAT_TANK_NUMBERS; i++) {
		tank_watch_load(&p->tank_watches[i], r);
	}
	traffic_watch_load(&p->traffic, r);
	source_watch_load(&p->senders, r);
	fault_watch_load(&p->faults, r);
	load_events(p, r);
	while (!r->failed && (r->used - start) % STATE_ROOM != 0) {
		(void)state_get_unsigned(r, 0);
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		engine_watch_load_map(&p->engine_watches[i], r);
	}
	filters.named = true;
	for (size_t i = 0; i < filters.count && !r->failed; i++) {
		size_t length = (size_t)state_get_unsigned(r, BOAT_NAME_MAX - 1);
		state_get_bytes(r, filters.names[i], length);
		filter_watch_load_fit(&filters.watches[i], r);
	}
	keep_filters(p, &filters);
	return true;
}

int pipeline_load(struct pipeline *p, struct state_reader *r)
{
	struct boat boat = p->boat;
	struct fact_sink sink = p->sink;
	size_t start = r->used;
	uint64_t version = state_get_unsigned(r, UINT64_MAX);
	bool sound = false;

	if (version == 1) {
		sound = load_version_1(p, r, start);
	} else if (version == STATE_VERSION) {
		sound = load_present(p, r, start);
	}
	if (sound && !r->failed && r->used == r->size && p->window >= 0 &&
		p->window < RAW_MOST_NS / WINDOW_NS) {
		p->next_ns = (p->window + 1) * WINDOW_NS;
		return 0;
	}
	pipeline_init(p, &boat, &sink);
	return -EPROTO;
}
