/* decoded.h: a season through the decoder, observation by observation, for the scenario's tests. */
#ifndef SIGHTBOWL_TESTS_SCENARIO_DECODED_H
#define SIGHTBOWL_TESTS_SCENARIO_DECODED_H

#include "decoders/decoder.h"
#include "replay/scenario.h"

struct decoded {
	struct scenario *scenario;
	struct decoder decoder;
	uint64_t frames;
	int64_t last_ns[FRAME_BUS_MAX]; /* of the last frame of each bus */
	uint64_t back;			/* frames with a time before the last one of their bus */
};

/* What a test wants of each observation; true_ns is the frame's own time. */
typedef void decoded_reader(void *context, const struct observation *observation);

/* Runs a season of options to its end; the caller destroys d->scenario. */
void decoded_run(struct decoded *d, const struct scenario_options *options, decoded_reader *reader,
	void *context);

#endif
