#include "replay/scenario.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "replay/scenario_recorder.h"
#include "replay/scenario_season.h"
#include "replay/scenario_sender.h"
#include "replay/scenario_truth.h"

#define BATCH 1024

struct scenario {
	struct scenario_season season;
	struct scenario_sender sender;
	struct scenario_recorder recorder;
	struct bus_names buses;
	struct scenario_truth truth;
	bool awake;
	bool ended;
};

int scenario_create(struct scenario **ret_scenario, const struct scenario_options *options)
{
	static const char *const names[] = {"can0", "can1", "can2"};
	struct scenario *s;
	int r;

	if (scenario_options_check(options) != NULL) {
		return -EINVAL;
	}
	s = calloc(1, sizeof(*s));
	if (s == NULL) {
		return -ENOMEM;
	}
	r = scenario_season_init(&s->season, options);
	if (r < 0) {
		goto finish_season;
	}
	r = scenario_sender_init(&s->sender, &s->season);
	if (r < 0) {
		goto finish_season;
	}
	r = scenario_recorder_init(
		&s->recorder, &s->season.options, &s->season.plan, (uint8_t)s->sender.buses);
	if (r < 0) {
		goto finish_sender;
	}
	for (size_t i = 0; i < s->sender.buses + (options->disturb.mirror ? 1U : 0U); i++) {
		(void)bus_names_find(&s->buses, names[i], strlen(names[i]));
	}
	*ret_scenario = s;
	return 0;

finish_sender:
	scenario_sender_finish(&s->sender);
finish_season:
	scenario_season_finish(&s->season);
	free(s);
	return r;
}

void scenario_destroy(struct scenario *s)
{
	if (s == NULL) {
		return;
	}
	scenario_recorder_finish(&s->recorder);
	scenario_sender_finish(&s->sender);
	scenario_season_finish(&s->season);
	free(s);
}

/* One step of the season, and what it means for the instruments' power. */
static void step(struct scenario *s)
{
	bool awake;

	scenario_season_step(&s->season, !scenario_recorder_on(&s->recorder, s->season.now_ns));
	awake = !s->season.over && scenario_season_leg(&s->season)->kind != LEG_ASLEEP;
	if (awake && !s->awake) {
		scenario_sender_wake(&s->sender, s->season.now_ns);
	} else if (!awake && s->awake) {
		scenario_sender_sleep(&s->sender);
	}
	s->awake = awake;
	if (s->season.over) {
		scenario_recorder_flush(&s->recorder);
		s->ended = true;
	}
}

size_t scenario_next(struct scenario *s, struct frame *frames, size_t count)
{
	size_t filled = 0;

	while (filled < count) {
		struct frame frame;

		if (scenario_recorder_give(&s->recorder, &frames[filled])) {
			filled++;
			continue;
		}
		if (s->ended) {
			break;
		}
		/* The season goes ahead of the senders by less than a step. */
		if (scenario_sender_next_ns(&s->sender) >= s->season.now_ns) {
			step(s);
		} else if (scenario_sender_send(&s->sender, &s->season, &frame)) {
			scenario_recorder_take(&s->recorder, &frame);
		}
	}
	return filled;
}

const struct bus_names *scenario_buses(const struct scenario *s)
{
	return &s->buses;
}

const struct scenario_truth *scenario_truth(struct scenario *s)
{
	s->truth = s->season.truth;
	s->truth.frames_sent = s->recorder.sent;
	s->truth.frames_lost = s->recorder.lost;
	s->truth.frames_unheard = s->recorder.unheard;
	s->truth.frames_reordered = s->recorder.reordered;
	s->truth.frames_unknown = s->sender.unknown;
	s->truth.session_count = s->recorder.session_count;
	s->truth.sessions = s->recorder.sessions;
	return &s->truth;
}

int scenario_truth_write(struct scenario *s, FILE *out)
{
	return scenario_truth_print(scenario_truth(s), &s->season.options, out);
}

int scenario_write(const struct scenario_options *options, const char *capture_path,
	enum capture_writer_format format, enum capture_writer_compression compression,
	const char *truth_path, char *ret_error, size_t error_size)
{
	struct scenario *s = NULL;
	struct capture_writer *writer = NULL;
	FILE *truth = NULL;
	struct frame *frames = malloc(BATCH * sizeof(*frames));
	const char *failed = "the season";
	size_t count;
	int closed;
	int r;

	if (frames == NULL) {
		r = -ENOMEM;
		goto report;
	}
	r = scenario_create(&s, options);
	if (r < 0) {
		failed = r == -EINVAL ? scenario_options_check(options) : failed;
		goto report;
	}
	failed = capture_path;
	r = capture_writer_open(&writer, capture_path, format, compression, scenario_buses(s));
	while (r == 0 && (count = scenario_next(s, frames, BATCH)) > 0) {
		for (size_t i = 0; i < count && r == 0; i++) {
			r = capture_writer_put(writer, &frames[i]);
		}
	}
	closed = capture_writer_close(writer);
	r = r == 0 ? closed : r;
	if (r < 0 || truth_path == NULL) {
		goto report;
	}
	failed = truth_path;
	truth = fopen(truth_path, "w");
	if (truth == NULL) {
		r = -errno;
		goto report;
	}
	r = scenario_truth_write(s, truth);
	if (fclose(truth) != 0 && r == 0) {
		r = -errno;
	}
report:
	if (r < 0) {
		(void)snprintf(ret_error, error_size, "cannot write %s: %s", failed, strerror(-r));
	}
	scenario_destroy(s);
	free(frames);
	return r;
}
