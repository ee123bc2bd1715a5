/* season_watch.h: one season through the whole pipeline, frame by frame, and what was told beside
 * what was true.
 *
 * The frames go to the pipeline as a bus would bring them, in memory; the skipper writes his
 * element changes and drains into the service book. The truth comes from the model alone; what the
 * water probe indicated is read off the raw frames here, with a reader of its own.
 */
#ifndef SIGHTBOWL_TESTS_SEASON_WATCH_H
#define SIGHTBOWL_TESTS_SEASON_WATCH_H

#include "analysis/pipeline.h"
#include "replay/scenario.h"

/* An event as it was told at first, and how it ended. */
struct seen_event {
	struct fact_event first;
	struct fact_event last;
	int64_t raised_ns;  /* UTC; so below */
	int64_t cleared_ns; /* INT64_MAX: not */
};

/* What an event said, each time that it said something new. */
struct seen_telling {
	int64_t event;
	int64_t t_ns; /* to a batch of frames */
	double value;
	char message[sizeof(((struct fact_event *)0)->message)];
};

/* What was foretold of a filter, and which element truly was in it. */
struct seen_forecast {
	size_t element; /* index of the truth's */
	double true_l;	/* through it */
	struct fact_filter fact;
};

/* A point of an element's true course, one each hundredth of its limit. */
struct seen_point {
	size_t element;
	int64_t t_ns;
	double litres;
	double dirt_l;
	double reference_kpa;
};

/* 'Water' from one source without a 'dry' between; a silence of 25 s ends it. */
struct seen_wet {
	bool every_source; /* none said 'dry'; else: of one source */
	int64_t start_ns;
	int64_t end_ns;
};

/* What a source indicates at present. */
struct seen_probe {
	struct seen_wet wet;  /* start 0: dry */
	uint8_t next_counter; /* of its NMEA 2000 engine message, first byte of the next frame */
};

#define SEEN_SOURCES	   256 /* addresses */
#define SEEN_EVENTS_MAX	   512
#define SEEN_TELLINGS_MAX  2048
#define SEEN_FORECASTS_MAX 4096
#define SEEN_POINTS_MAX	   16384
#define SEEN_WETS_MAX	   4096
#define SEEN_SESSIONS_MAX  4096

struct season_watch {
	struct scenario *scenario;
	const struct scenario_options *options;
	struct boat boat;
	struct pipeline *pipeline;
	int64_t offsets_ns[SEEN_SESSIONS_MAX]; /* UTC less steady time, by session */
	size_t event_count;
	struct seen_event events[SEEN_EVENTS_MAX];
	size_t telling_count;
	struct seen_telling tellings[SEEN_TELLINGS_MAX];
	size_t forecast_count;
	struct seen_forecast forecasts[SEEN_FORECASTS_MAX];
	size_t point_count;
	struct seen_point points[SEEN_POINTS_MAX];
	size_t wet_count;
	struct seen_wet wets[SEEN_WETS_MAX];
	struct seen_probe probes[SEEN_SOURCES];
	struct seen_probe every_source;
	double fuel_least_c; /* as heard on the bus, an engine running; NaN: not */
	double fuel_most_c;
	uint16_t fuel_slot;
	bool has_fuel_slot;
	uint64_t frames;
	/* Progress. */
	int64_t now_ns; /* UTC */
	double next_forecast_h;
	size_t elements_told;
	size_t drains_told;
	size_t element_of[BOAT_FILTERS_MAX];
	double point_kpa[BOAT_FILTERS_MAX];
};

/* Runs the season of options to its end. Returns 0 or a negative errno; season_watch_finish frees
 * in either case. The options must outlive it. */
int season_watch_run(
	struct season_watch *w, const struct scenario_options *options, const struct boat *boat);
void season_watch_finish(struct season_watch *w);

#endif
