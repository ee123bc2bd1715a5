/* engine_watch.h: one engine: burn, starvation, temperatures, water, as cares.
 *
 * Hands each window to the detectors and puts their news into events with the evidence in words.
 */
#ifndef SIGHTBOWL_ANALYSIS_ENGINE_WATCH_H
#define SIGHTBOWL_ANALYSIS_ENGINE_WATCH_H

#include "analysis/burn_cause.h"
#include "analysis/starvation.h"
#include "analysis/temperature_watch.h"
#include "analysis/water.h"
#include "analysis/window_view.h"
#include "decoders/observation.h"

enum watched_temperature {
	WATCHED_COOLANT,
	WATCHED_OIL,
	WATCHED_EXHAUST,
	WATCHED_FUEL,
	WATCHED_TEMPERATURES,
};

/* Messages that tell of water: SPN 97, and NMEA 2000's engine status. */
enum water_voice { WATER_BY_PROBE, WATER_BY_STATUS, WATER_VOICES };

struct engine_watch {
	bool begun; /* something was heard of the engine, if only water */
	struct burn burn;
	struct starvation starvation;
	struct temperature_watch temperatures[WATCHED_TEMPERATURES];
	uint8_t temperature_heard; /* bits */
	struct water waters[WATER_VOICES];
	uint16_t own_words; /* what the engine itself reports: seen, and for how long not */
	double running_s;	/* since the engine was started */
	enum burn_cause burn_cause; /* told first for burn that is high or low, … */
	uint32_t burn_alike;	    /* … and how many were not told apart */
	uint32_t burn_differs;	    /* findings in a row that differ from what stands */
	uint32_t told_revision; /* of the map, when it was told last */
};

/* What a watched temperature is called, which signal brings it, and the limit that the boat was told for it. */
struct watched_reading {
	const char *name; /* static */
	enum signal_id signal;
	double limit_c; /* NaN: none is told */
	bool may_limit; /* one can be told */
};
struct watched_reading engine_watch_reading(
	const struct boat *boat, enum watched_temperature which);

void engine_watch_init(struct engine_watch *w, const struct boat *boat);

/* Readings that are judged one by one, at steady times; view's moment must be that of the reading.
 */
void engine_watch_water(
	struct engine_watch *w, unsigned engine, const struct window_view *view, bool wet);
void engine_watch_status(
	struct engine_watch *w, unsigned engine, const struct window_view *view, unsigned status_1);

/* Takes the window that has ended. restriction_share: greatest of its filters, NaN unknown. */
void engine_watch_window(struct engine_watch *w, unsigned engine, const struct window_view *view,
	double restriction_share);

/* The service book: the bowl was drained; the burn map is to be learned anew (and is told as it was). */
void engine_watch_drained(struct engine_watch *w, unsigned engine, const struct window_view *view);
void engine_watch_reset_burn(
	struct engine_watch *w, unsigned engine, const struct window_view *view);

/* Tells the learned map, if it has changed since it was told last. */
void engine_watch_tell_map(struct engine_watch *w, unsigned engine, const struct fact_sink *sink);

/* The usual temperature at a load (else a speed), and with a sea; what is not heard is NaN. NaN while
 * that is not learned. */
double engine_watch_usual_c(const struct engine_watch *w, enum watched_temperature which, double load_pct,
	double rpm, double sea_c);

/* What changes with every window, and the learned burn map, which changes with steady minutes only
 * (kept apart, so that a checkpoint rewrites little). The map is to be loaded after the rest. */
void engine_watch_save(const struct engine_watch *w, struct state_writer *writer);
void engine_watch_load(struct engine_watch *w, struct state_reader *reader);
void engine_watch_save_map(const struct engine_watch *w, struct state_writer *writer);
void engine_watch_load_map(struct engine_watch *w, struct state_reader *reader);

#endif
