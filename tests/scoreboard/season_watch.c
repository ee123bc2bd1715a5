#include "tests/scoreboard/season_watch.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "decoders/signal.h"

#define BATCH	       64
#define FORECAST_H     0.5
#define POINT_SHARE    0.01
#define WET_LEAST_NS   INT64_C(20000000000)
#define WET_SILENCE_NS INT64_C(25000000000)

/* ---- the water indication, off the raw frames ---- */

enum indication { INDICATES_NOTHING, INDICATES_DRY, INDICATES_WET };

/* SAE J1939-71, PGN 65279, SPN 97: the first two bits. NMEA 2000 PGN 127489, fast packet of 26
 * bytes: the bytes 20 and 21 (discrete status 1) are the first two of the frame numbered 3, behind
 * its counter; bit 8 is water in fuel (public decodings of the message). A message of which a frame
 * was lost says nothing to anybody. */
static enum indication read_indication(struct seen_probe *probe, const struct frame *f)
{
	uint32_t pgn = f->id >> 8 & 0x3FFFF;

	if (pgn == 65279) {
		unsigned bits = f->data[0] & 3U;
		return bits == 0 ? INDICATES_DRY : bits == 1 ? INDICATES_WET : INDICATES_NOTHING;
	}
	if (pgn != 127489) {
		return INDICATES_NOTHING;
	}
	bool whole = (f->data[0] & 0x1FU) == 0 || f->data[0] == probe->next_counter;
	probe->next_counter = whole ? (uint8_t)(f->data[0] + 1) : 0xFF;
	if (!whole || (f->data[0] & 0x1FU) != 3 || (f->data[1] == 0xFF && f->data[2] == 0xFF)) {
		return INDICATES_NOTHING;
	}
	return (f->data[2] & 1U) != 0 ? INDICATES_WET : INDICATES_DRY;
}

static void close_wet(struct season_watch *w, struct seen_probe *probe)
{
	if (probe->wet.start_ns != 0 && probe->wet.end_ns - probe->wet.start_ns >= WET_LEAST_NS &&
		w->wet_count < SEEN_WETS_MAX) {
		w->wets[w->wet_count++] = probe->wet;
	}
	probe->wet = (struct seen_wet){.every_source = probe->wet.every_source};
}

static void follow_wet(struct season_watch *w, struct seen_probe *probe, bool wet, int64_t t_ns)
{
	if (!wet || t_ns - probe->wet.end_ns > WET_SILENCE_NS) {
		close_wet(w, probe);
	}
	if (wet) {
		probe->wet.start_ns = probe->wet.start_ns == 0 ? t_ns : probe->wet.start_ns;
		probe->wet.end_ns = t_ns;
	}
}

static void watch_indication(struct season_watch *w, const struct frame *f)
{
	struct seen_probe *probe = &w->probes[f->id & 0xFF];
	enum indication says = read_indication(probe, f);

	if (says != INDICATES_NOTHING) {
		follow_wet(w, probe, says == INDICATES_WET, f->t_ns);
		follow_wet(w, &w->every_source, says == INDICATES_WET, f->t_ns);
	}
}

/* ---- what the pipeline tells ---- */

static int64_t utc_of(const struct season_watch *w, int64_t session, int64_t t_ns)
{
	return t_ns + (session >= 0 && session < SEEN_SESSIONS_MAX ? w->offsets_ns[session] : 0);
}

static void on_session(void *context, const struct fact_session *session)
{
	struct season_watch *w = context;

	if (session->session < SEEN_SESSIONS_MAX) {
		w->offsets_ns[session->session] = session->utc_offset_ns;
	}
}

static void on_event(void *context, const struct fact_event *event)
{
	struct season_watch *w = context;
	struct seen_event *seen = NULL;

	for (size_t i = 0; i < w->event_count && seen == NULL; i++) {
		seen = w->events[i].first.event == event->event ? &w->events[i] : NULL;
	}
	if (seen == NULL) {
		if (w->event_count == SEEN_EVENTS_MAX) {
			return;
		}
		seen = &w->events[w->event_count++];
		seen->first = *event;
	}
	seen->last = *event;
	seen->raised_ns = utc_of(w, event->session, event->raised_ns);
	seen->cleared_ns = event->has_cleared ? utc_of(w, event->cleared_session, event->cleared_ns)
					      : INT64_MAX;
	if (!event->has_cleared && event->message[0] != '\0' &&
		w->telling_count < SEEN_TELLINGS_MAX) {
		struct seen_telling *telling = &w->tellings[w->telling_count++];
		telling->event = event->event;
		telling->t_ns = w->now_ns;
		telling->value = event->value;
		memcpy(telling->message, event->message, sizeof(telling->message));
	}
}

static void on_filter(void *context, const struct fact_filter *fact)
{
	struct season_watch *w = context;
	const struct scenario_truth *truth = scenario_truth(w->scenario);
	size_t element = w->element_of[fact->filter];

	if (fact->milestone || w->forecast_count == SEEN_FORECASTS_MAX) {
		return;
	}
	w->forecasts[w->forecast_count++] = (struct seen_forecast){
		.element = element,
		.true_l = truth->elements[element].litres_through,
		.fact = *fact,
	};
}

static void on_slot(void *context, const struct fact_slot *slot)
{
	struct season_watch *w = context;

	if (slot->signal == SIGNAL_FUEL_TEMPERATURE) {
		w->fuel_slot = slot->slot;
		w->has_fuel_slot = true;
	}
}

static void on_window(void *context, const struct fact_window *window)
{
	struct season_watch *w = context;

	for (size_t i = 0; w->has_fuel_slot && i < window->count; i++) {
		if (window->readings[i].slot == w->fuel_slot) {
			w->fuel_least_c = fmin(w->fuel_least_c, window->readings[i].mean);
			w->fuel_most_c = fmax(w->fuel_most_c, window->readings[i].mean);
		}
	}
}

/* ---- the skipper's book, and the truth as it goes ---- */

static unsigned filter_of(const struct season_watch *w, const struct scenario_element *e)
{
	return e->filter == 0 || !w->options->engine[0].filters[0].present ? 0 : 1;
}

static void add_work(
	struct season_watch *w, int64_t utc_ns, enum boat_work_kind kind, unsigned filter)
{
	struct boat *boat = &w->boat;

	if (boat->work_count < BOAT_WORKS_MAX) {
		boat->works[boat->work_count++] = (struct boat_work){
			.utc_ns = utc_ns, .kind = (uint8_t)kind, .place = (uint8_t)filter};
	}
}

/* Elements are changed and bowls drained while the instruments sleep, or at a halt. */
static void keep_book(struct season_watch *w, const struct scenario_truth *truth)
{
	size_t before = w->boat.work_count;

	for (size_t i = w->elements_told; i < truth->element_count; i++) {
		const struct scenario_element *e = &truth->elements[i];
		unsigned filter = filter_of(w, e);

		if (e->number > 1) {
			add_work(w, e->fitted_ns, WORK_ELEMENT, filter);
		}
		w->element_of[filter] = i;
		w->point_kpa[filter] = NAN;
	}
	w->elements_told = truth->element_count;
	while (w->drains_told < truth->water_count &&
		truth->waters[w->drains_told].drained_ns != INT64_MAX) {
		add_work(w, truth->waters[w->drains_told].drained_ns, WORK_DRAIN, 0);
		w->drains_told++;
	}
	if (w->boat.work_count != before) {
		pipeline_tell_works(w->pipeline, w->boat.works, w->boat.work_count);
	}
}

static void follow_truth(struct season_watch *w, const struct scenario_truth *truth, int64_t t_ns)
{
	for (unsigned i = 0; i < w->boat.filter_count; i++) {
		const struct scenario_element *e = &truth->elements[w->element_of[i]];

		if (!(fabs(e->reference_kpa - w->point_kpa[i]) < POINT_SHARE * e->limit_kpa) &&
			w->point_count < SEEN_POINTS_MAX) {
			w->point_kpa[i] = e->reference_kpa;
			w->points[w->point_count++] = (struct seen_point){
				.element = w->element_of[i],
				.t_ns = t_ns,
				.litres = e->litres_through,
				.dirt_l = e->dirt_l,
				.reference_kpa = e->reference_kpa,
			};
		}
	}
}

int season_watch_run(
	struct season_watch *w, const struct scenario_options *options, const struct boat *boat)
{
	const struct fact_sink sink = {
		.context = w,
		.on_session = on_session,
		.on_event = on_event,
		.on_filter = on_filter,
		.on_slot = on_slot,
		.on_window = on_window,
	};
	const struct pipeline_numbers none = {0};
	struct frame frames[BATCH];
	size_t count;
	int r;

	memset(w, 0, sizeof(*w));
	w->options = options;
	w->boat = *boat;
	w->every_source.wet.every_source = true;
	w->fuel_least_c = INFINITY;
	w->fuel_most_c = -INFINITY;
	w->pipeline = malloc(pipeline_size());
	if (w->pipeline == NULL) {
		return -ENOMEM;
	}
	r = scenario_create(&w->scenario, options);
	if (r < 0) {
		return r;
	}
	pipeline_init(w->pipeline, &w->boat, &sink);
	pipeline_start(w->pipeline, &none, false);
	while ((count = scenario_next(w->scenario, frames, BATCH)) > 0) {
		const struct scenario_truth *truth = scenario_truth(w->scenario);

		keep_book(w, truth);
		for (size_t i = 0; i < count; i++) {
			watch_indication(w, &frames[i]);
		}
		w->now_ns = frames[count - 1].t_ns;
		pipeline_frames(w->pipeline, frames, count);
		w->frames += count;
		follow_truth(w, truth, frames[count - 1].t_ns);
		if (truth->engine_h[0] >= w->next_forecast_h) {
			w->next_forecast_h = truth->engine_h[0] + FORECAST_H;
			pipeline_snapshot(w->pipeline);
		}
	}
	for (unsigned i = 0; i < SEEN_SOURCES; i++) {
		close_wet(w, &w->probes[i]);
	}
	close_wet(w, &w->every_source);
	pipeline_finish(w->pipeline);
	return 0;
}

void season_watch_finish(struct season_watch *w)
{
	scenario_destroy(w->scenario);
	free(w->pipeline);
	w->scenario = NULL;
	w->pipeline = NULL;
}
