/* quiet_seasons.c: how often healthy senders and buses are called lost or faulty over invented seasons.
 *
 *   quiet_seasons [SEASONS [FIRST [ENGINE_HOURS]]]      (default 3 1 25)
 *
 * Each season differs in engine, protocol, use and senders (scenario_options_vary), and is recorded badly: frames lost one by one
 * or in bursts, out of order, the recorder's power gone while the engine runs, its clock wrong and set later, the engine's data sent
 * twice, or by a sender that has nothing to say, other makers' traffic. No sender is ever silent for a fault. Exit
 * status 1 when there was a source-lost or bus-fault. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/pipeline.h"
#include "replay/scenario.h"
#include "replay/scenario_random.h"

struct tale {
	uint64_t season;
	unsigned false_alarms;
	double engine_h;
};

static void on_event(void *context, const struct fact_event *event)
{
	struct tale *tale = context;

	if (strcmp(event->kind, "source-lost") == 0 || strcmp(event->kind, "bus-fault") == 0) {
		tale->false_alarms += !event->has_cleared;
		(void)printf("season %" PRIu64 ": %s, %s%s: %s\n", tale->season, event->kind, event->subject,
			event->has_cleared ? " cleared" : "", event->message);
	}
}

static void on_run(void *context, const struct fact_run *run)
{
	struct tale *tale = context;

	if (!run->open) {
		tale->engine_h += run->engine_h;
	}
}

static void disturb(struct scenario_options *o, uint64_t number)
{
	struct scenario_random r;

	scenario_random_init(&r, number, 19);
	o->disturb.loss = scenario_random_between(&r, 0, 0.1);
	o->disturb.loss_burst = scenario_random_between(&r, 1, 200);
	o->disturb.reorder = scenario_random_between(&r, 0, 0.01);
	o->disturb.second_sender = scenario_random_between(&r, 0, 1) < 0.3;
	o->disturb.hollow_sender = scenario_random_between(&r, 0, 1) < 0.3;
	o->disturb.mirror = scenario_random_between(&r, 0, 1) < 0.2;
	o->disturb.power_cycles = (unsigned)scenario_random_between(&r, 0, 20);
	o->disturb.power_cycle_mean_s = scenario_random_between(&r, 10, 600);
	o->disturb.clock = (enum scenario_clock)(int)scenario_random_between(&r, 0, 2.99);
	o->disturb.clock_set_after_s = scenario_random_between(&r, 60, 900);
	o->disturb.wrong_codes = scenario_random_between(&r, 0, 1) < 0.3;
	o->disturb.unknown_share = scenario_random_between(&r, 0, 0.5);
}

static int play(struct tale *tale, unsigned engine_h)
{
	static struct frame frames[4096];
	struct scenario_options options;
	struct scenario *scenario;
	struct pipeline *pipeline = malloc(pipeline_size());
	struct pipeline_numbers none = {0};
	const struct fact_sink sink = {.context = tale, .on_event = on_event, .on_run = on_run};
	struct boat boat;
	size_t count;

	scenario_options_vary(&options, tale->season);
	options.days = (unsigned)(options.days * engine_h / options.engine_h) + 1;
	options.engine_h = engine_h;
	disturb(&options, tale->season);
	if (pipeline == NULL || scenario_create(&scenario, &options) != 0) {
		const char *wrong = scenario_options_check(&options);

		(void)fprintf(stderr, "quiet_seasons: %s\n", wrong == NULL ? "no memory" : wrong);
		free(pipeline);
		return -1;
	}
	boat_init(&boat);
	pipeline_init(pipeline, &boat, &sink);
	pipeline_start(pipeline, &none, false);
	while ((count = scenario_next(scenario, frames, 4096)) > 0) {
		pipeline_frames(pipeline, frames, count);
	}
	pipeline_finish(pipeline);
	scenario_destroy(scenario);
	free(pipeline);
	return 0;
}

int main(int argc, char **argv)
{
	uint64_t seasons = argc > 1 ? strtoull(argv[1], NULL, 10) : 3;
	uint64_t first = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
	unsigned engine_h = argc > 3 ? (unsigned)strtoul(argv[3], NULL, 10) : 25;
	unsigned false_alarms = 0;
	double hours = 0;

	for (uint64_t i = 0; i < seasons; i++) {
		struct tale tale = {.season = first + i};

		if (play(&tale, engine_h) != 0) {
			return 2;
		}
		false_alarms += tale.false_alarms;
		hours += tale.engine_h;
	}
	(void)printf("%" PRIu64 " seasons, %.0f engine hours: %u false\n", seasons, hours, false_alarms);
	return false_alarms > 0;
}
