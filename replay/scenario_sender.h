/* scenario_sender.h: the invented boat's senders: which messages each sends, how often, and what
 * its sensors make of the model's state.
 *
 * Frames come in the order of their times, as the buses carry them one after the other.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_SENDER_H
#define SIGHTBOWL_REPLAY_SCENARIO_SENDER_H

#include "decoders/encode.h"
#include "replay/scenario_season.h"

#define SENDER_STREAMS_MAX 160
#define SENDER_FIELDS_MAX  12
#define SENDER_FRAMES_MAX  32 /* most frames of one message */

enum sender_copy {
	COPY_FIRST,
	COPY_SECOND, /* another source, the same data */
	COPY_HOLLOW, /* another source, nothing available */
};

struct sender_row;

struct sender_stream {
	const struct sender_row *row;
	size_t message;			   /* index of the message's row */
	int16_t fields[SENDER_FIELDS_MAX]; /* of the row's signals, then of its fixed fields */
	uint8_t source;
	uint8_t bus;
	uint8_t copy; /* enum sender_copy */
	uint8_t engine;
	uint8_t filter;
	uint8_t sequence;
	int64_t period_ns;
	int64_t grid_ns;  /* when it is due, without jitter */
	unsigned pending; /* frames of the present message still to send, from next on */
	unsigned next;
	struct frame frames[SENDER_FRAMES_MAX];
};

/* When a stream's next frame is to go out. */
struct sender_turn {
	int64_t t_ns;
	uint16_t stream;
};

struct sender_dropout {
	bool out;
	int64_t until_ns;
};

struct scenario_sender {
	struct scenario_random random;	/* sensors' noise, jitter */
	struct scenario_random disturb; /* drop-outs, other makers' traffic */
	size_t stream_count;
	struct sender_stream *streams; /* heap, its own */
	size_t turn_count;
	struct sender_turn turns[SENDER_STREAMS_MAX + FRAME_BUS_MAX]; /* a binary heap */
	int64_t bus_free_ns[FRAME_BUS_MAX];
	double unknown_due[FRAME_BUS_MAX]; /* frames of other makers owed to the share */
	bool unknown_queued[FRAME_BUS_MAX];
	struct sender_dropout dropouts[SCENARIO_ENGINES_MAX][SCENARIO_FILTERS_MAX + 2];
	struct sender_dropout tank_dropout;
	double trip_start_kg[SCENARIO_ENGINES_MAX];
	size_t trip_refuellings;
	unsigned buses;
	uint64_t unknown;
};

/* Returns 0 or -ENOMEM. */
int scenario_sender_init(struct scenario_sender *s, const struct scenario_season *season);
void scenario_sender_finish(struct scenario_sender *s);

/* The instruments are switched on at a time. */
void scenario_sender_wake(struct scenario_sender *s, int64_t t_ns);
/* They are switched off: nothing more is queued. */
void scenario_sender_sleep(struct scenario_sender *s);

/* Time of the next frame; INT64_MAX when there is none. */
int64_t scenario_sender_next_ns(const struct scenario_sender *s);
/* Sends it, if its stream has anything to say: the season must be at its time. Returns whether
 * ret_frame was filled. */
bool scenario_sender_send(
	struct scenario_sender *s, const struct scenario_season *season, struct frame *ret_frame);

#endif
