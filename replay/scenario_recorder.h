/* scenario_recorder.h: between the invented buses and the capture: losses, order, the recorder's
 * power and its clock.
 *
 * Takes frames with true times in their order, gives them as a recorder would have written them.
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_RECORDER_H
#define SIGHTBOWL_REPLAY_SCENARIO_RECORDER_H

#include "replay/scenario.h"
#include "replay/scenario_plan.h"
#include "replay/scenario_random.h"

#define RECORDER_QUEUE 64 /* frames on their way to the reader; a power of two */
#define RECORDER_HELD  8  /* frames that wait for later ones to overtake them */

struct scenario_recorder {
	struct scenario_disturbance disturb;
	struct scenario_random random;
	size_t session_count;
	struct scenario_session *sessions; /* heap, its own */
	size_t session;			   /* the present or next one */
	uint8_t mirror_bus;
	bool bursting[FRAME_BUS_MAX];
	struct frame held[RECORDER_HELD];
	unsigned held_for[RECORDER_HELD]; /* later frames to go first; 0: slot free */
	unsigned held_count;
	struct frame queue[RECORDER_QUEUE];
	size_t queue_head;
	size_t queue_count;
	uint64_t sent;
	uint64_t lost;
	uint64_t unheard;
	uint64_t reordered;
};

/* Plans the recorder's sessions. mirror_bus: number of the bus that repeats bus 0, with that
 * option. Returns 0 or -ENOMEM. */
int scenario_recorder_init(struct scenario_recorder *r, const struct scenario_options *options,
	const struct scenario_plan *plan, uint8_t mirror_bus);
void scenario_recorder_finish(struct scenario_recorder *r);

/* Whether it records at a true time; times must not go back. */
bool scenario_recorder_on(struct scenario_recorder *r, int64_t true_ns);

/* Takes one frame. There must be room: at most half of the queue in use. */
void scenario_recorder_take(struct scenario_recorder *r, const struct frame *frame);
/* The season is over: lets go of what is held. */
void scenario_recorder_flush(struct scenario_recorder *r);
/* Takes one frame off the queue. Returns false when it is empty. */
bool scenario_recorder_give(struct scenario_recorder *r, struct frame *ret_frame);

#endif
