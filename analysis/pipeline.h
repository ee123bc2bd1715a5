/* pipeline.h: frames → facts, the whole way, for live and replay alike.
 *
 * One block of memory that its owner provides (struct pipeline is large: allocate it). Pure: no
 * clock, no I/O; the facts go to a sink. Whatever the frames' batches, and whether the state went
 * through pipeline_save and pipeline_load between two frames or not, the facts are the same.
 */
#ifndef SIGHTBOWL_ANALYSIS_PIPELINE_H
#define SIGHTBOWL_ANALYSIS_PIPELINE_H

#include "analysis/boat.h"
#include "analysis/bus_trouble.h"
#include "analysis/facts.h"
#include "decoders/decoder.h"

#define PIPELINE_STATE_MAX (256 * 1024) /* most bytes that pipeline_save needs */

struct pipeline; /* opaque */

size_t pipeline_size(void);
/* Prepares memory of pipeline_size() bytes. The boat is copied. undated: the frames' times carry no
 * date. Numbers of runs, trips, events and sessions go on from those given (0 for a new log). */
struct pipeline_numbers {
	int64_t session, run, trip, event;
};
void pipeline_init(struct pipeline *p, const struct boat *boat, const struct fact_sink *sink);
void pipeline_start(struct pipeline *p, const struct pipeline_numbers *last, bool undated);

/* Numbers last given, also to what has not been told yet. */
void pipeline_numbers_given(const struct pipeline *p, struct pipeline_numbers *ret_given);

/* Numbers up to these were given elsewhere since the state was saved (a capture from before the
 * log's end was replayed beside it): new ones come behind them. */
void pipeline_numbers_taken(struct pipeline *p, const struct pipeline_numbers *taken);

/* Limits a bus to one protocol; kept by pipeline_init only until the next pipeline_load, so say it
 * again after loading. */
void pipeline_limit(struct pipeline *p, unsigned bus, enum decoder_protocol protocol);

/* The names of the buses, for the words of events. The context is borrowed for the pipeline's life; say it
 * again after pipeline_init. */
void pipeline_name_buses(struct pipeline *p, const struct bus_namer *namer);

/* What the live side knows of a bus and no frame tells, at a time of the recorder's clock (see
 * traffic_watch_word). Without a frame so far nothing can be logged, and nothing happens. */
void pipeline_bus_word(
	struct pipeline *p, unsigned bus, enum bus_trouble word, int64_t raw_now_ns);

/* Another capture begins, or the program starts again on a live bus: time may have passed, or the
 * frames may carry no date, without the recorder's clock having been stepped. */
void pipeline_capture_begins(struct pipeline *p, bool undated);

/* The recorder's clock has been stepped by step_ns since the last frame, as the machine's own
 * steady clock shows. Without this call a step is found by the bus's own time, where there is one.
 */
void pipeline_clock_stepped(struct pipeline *p, int64_t step_ns);

/* The work in the service book that the analysis goes by, by time; at any moment, whenever the book has
 * changed. Each is gone by once: when the log's time has come to it, or at once when it was entered
 * afterwards; never when later work of its kind in the same place was gone by already. Copied. */
void pipeline_tell_works(struct pipeline *p, const struct boat_work *works, size_t count);

/* Acknowledges an event that is up; false when there is none of that number. */
bool pipeline_acknowledge(struct pipeline *p, int64_t event);

/* Feeds frames in the order in which they were heard. */
void pipeline_frames(struct pipeline *p, const struct frame *frames, size_t count);

/* The same, but stops behind the first frame of a new window, where a checkpoint is smallest.
 * Returns how many frames it took. */
size_t pipeline_frames_to_window(struct pipeline *p, const struct frame *frames, size_t count);

/* Steady time of the last frame, and of the window it is in; INT64_MIN before the first. */
int64_t pipeline_steady_ns(const struct pipeline *p);
/* The recorder's time of the last frame; INT64_MIN before the first. */
int64_t pipeline_raw_ns(const struct pipeline *p);

/* Tells the sink everything that is open (session, partial window, runs, trips, events) as it
 * stands. Changes nothing: what follows is as if it had not been called. */
void pipeline_snapshot(struct pipeline *p);

/* Tells on_value every signal that has a source, with its last number and when (steady) that came; behind
 * pipeline_load those of the present window until more have come. Changes nothing. */
void pipeline_latest(const struct pipeline *p, void *context,
	void (*on_value)(
		void *context, uint16_t signal, uint16_t instance, double value, int64_t heard_ns));

/* What engine_watch_usual_c says of an engine (below BOAT_ENGINES_MAX) and an enum watched_temperature.
 * Changes nothing. */
double pipeline_usual_c(const struct pipeline *p, unsigned engine, unsigned which,
	double load_pct, double rpm, double sea_c);

/* Ends everything that is open: nothing more will come. */
void pipeline_finish(struct pipeline *p);

const struct decoder *pipeline_decoder(const struct pipeline *p);
uint64_t pipeline_frame_count(const struct pipeline *p);

/* State for a checkpoint; load after pipeline_init, instead of pipeline_start. Load returns 0, or
 * -EPROTO when the bytes are of another version or damaged (the pipeline is then as after init). */
void pipeline_save(const struct pipeline *p, struct state_writer *w);
int pipeline_load(struct pipeline *p, struct state_reader *r);

#endif
