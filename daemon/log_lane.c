#include "daemon/log_lane.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct log_lane {
	struct log_store *store;
	const struct settings *settings;
	const struct bus_names *buses;
	struct fact_sink sink;
	struct pipeline *pipeline;
	uint8_t *state;   /* PIPELINE_STATE_MAX bytes */
	const char *name; /* NULL: none is open */
	int64_t capture;  /* of the last checkpoint loaded or committed */
	uint64_t frames;
};

int log_lane_create(struct log_lane **ret_lane, struct log_store *store,
	const struct settings *settings, const struct bus_names *buses,
	const struct fact_sink *sink)
{
	struct log_lane *lane = calloc(1, sizeof(*lane));

	if (lane == NULL) {
		return -ENOMEM;
	}
	lane->store = store;
	lane->settings = settings;
	lane->buses = buses;
	lane->sink = *sink;
	lane->pipeline = malloc(pipeline_size());
	lane->state = malloc(PIPELINE_STATE_MAX);
	if (lane->pipeline == NULL || lane->state == NULL) {
		log_lane_destroy(lane);
		return -ENOMEM;
	}
	*ret_lane = lane;
	return 0;
}

void log_lane_destroy(struct log_lane *lane)
{
	if (lane != NULL) {
		free(lane->pipeline);
		free(lane->state);
		free(lane);
	}
}

/* Puts a lane's checkpoint into the pipeline. -ENOENT: there is none; -EPROTO: not understood. */
static int load(struct log_lane *lane, const char *name)
{
	struct log_checkpoint checkpoint;
	struct state_reader reader;
	uint8_t *state;
	int result = log_store_checkpoint(lane->store, name, &checkpoint, &state);

	pipeline_init(lane->pipeline, &lane->settings->boat, &lane->sink);
	if (result == 0) {
		lane->capture = checkpoint.capture;
		lane->frames = checkpoint.frames;
		state_reader_init(&reader, state, checkpoint.size);
		result = pipeline_load(lane->pipeline, &reader);
		free(state);
	}
	return result;
}

/* Numbers that a lane must stay behind: those in the log, and those that the other lane has given to
 * what it has not told yet. */
static int numbers_elsewhere(struct log_lane *lane, const char *name,
	struct pipeline_numbers *numbers)
{
	struct pipeline_numbers given;
	int result = log_store_numbers(lane->store, numbers);

	if (result != 0) {
		return result;
	}
	result = load(lane, strcmp(name, LANE_MAIN) == 0 ? LANE_EARLIER : LANE_MAIN);
	if (result == 0) {
		pipeline_numbers_given(lane->pipeline, &given);
		numbers->session = given.session > numbers->session ? given.session : numbers->session;
		numbers->run = given.run > numbers->run ? given.run : numbers->run;
		numbers->trip = given.trip > numbers->trip ? given.trip : numbers->trip;
		numbers->event = given.event > numbers->event ? given.event : numbers->event;
	}
	return result == -ENOENT || result == -EPROTO ? 0 : result;
}

static const char *on_name(void *context, unsigned bus)
{
	const struct log_lane *lane = context;

	return bus < lane->buses->count ? lane->buses->names[bus] : NULL;
}

static void name_and_limit_buses(struct log_lane *lane)
{
	pipeline_name_buses(lane->pipeline, &(struct bus_namer){lane, on_name});
	for (size_t i = 0; i < lane->settings->bus_count; i++) {
		const struct bus_setting *bus = &lane->settings->buses[i];
		for (size_t number = 0; number < lane->buses->count; number++) {
			if (strcmp(lane->buses->names[number], bus->name) == 0) {
				pipeline_limit(lane->pipeline, (unsigned)number,
					(enum decoder_protocol)bus->protocol);
			}
		}
	}
}

/* Whoever wrote the checkpoint may have been cut off before it told what was open then: the batch file
 * keeps facts and state, and what is open is told at a commit. What goes on afterwards may be another
 * session, which would never say how far this one came. */
static void tell_open(struct log_lane *lane, const char *name)
{
	struct fact_sink sink = lane->sink;

	lane->sink = log_store_sink(lane->store);
	if (load(lane, name) == 0) {
		pipeline_snapshot(lane->pipeline);
	}
	lane->sink = sink;
}

int log_lane_open(struct log_lane *lane, const char *name, enum log_lane_opening *ret_opening)
{
	struct pipeline_numbers numbers;
	int result, loaded;

	assert(lane->name == NULL);
	result = log_store_set_lane(lane->store, name);
	if (result != 0) {
		return result;
	}
	result = numbers_elsewhere(lane, name, &numbers);
	if (result != 0) {
		return result;
	}
	tell_open(lane, name);
	loaded = load(lane, name);
	if (loaded == 0) {
		pipeline_numbers_taken(lane->pipeline, &numbers);
		*ret_opening = LANE_RESUMED;
	} else if (loaded == -ENOENT || loaded == -EPROTO) {
		result = loaded == -EPROTO ? log_store_close_open_facts(lane->store) : 0;
		if (result != 0) {
			return result;
		}
		lane->capture = 0;
		lane->frames = 0;
		pipeline_init(lane->pipeline, &lane->settings->boat, &lane->sink);
		pipeline_start(lane->pipeline, &numbers, false);
		*ret_opening = loaded == -EPROTO ? LANE_REBUILT : LANE_NEW;
	} else {
		return loaded;
	}
	name_and_limit_buses(lane);
	lane->name = name;
	return 0;
}

const char *log_lane_name(const struct log_lane *lane)
{
	return lane->name;
}

int64_t log_lane_capture(const struct log_lane *lane, uint64_t *ret_frames)
{
	*ret_frames = lane->frames;
	return lane->capture;
}

struct pipeline *log_lane_pipeline(struct log_lane *lane)
{
	return lane->pipeline;
}

int log_lane_commit(struct log_lane *lane, int64_t capture, uint64_t frames)
{
	struct log_checkpoint checkpoint = {
		.lane = lane->name,
		.state = lane->state,
		.capture = capture,
		.frames = frames,
	};
	struct state_writer writer;

	if (lane->name == NULL) {
		return log_store_commit(lane->store, NULL);
	}
	state_writer_init(&writer, lane->state, PIPELINE_STATE_MAX);
	pipeline_save(lane->pipeline, &writer);
	assert(!writer.failed);
	checkpoint.size = writer.used;
	checkpoint.raw_ns = pipeline_raw_ns(lane->pipeline);
	lane->capture = capture;
	lane->frames = frames;
	return log_store_commit(lane->store, &checkpoint);
}

void log_lane_leave(struct log_lane *lane)
{
	lane->name = NULL;
}

int log_lane_finish(struct log_lane *lane)
{
	const char *name = lane->name;

	assert(name != NULL);
	pipeline_finish(lane->pipeline);
	lane->name = NULL;
	return log_store_drop_checkpoint(lane->store, name);
}
