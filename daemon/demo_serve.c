/* demo_serve.c: a timer takes frames from the scenario as fast as they are due, feeds the analysis,
 * and commits the log; the page on the same loop reads the log as it grows. */
#include "daemon/demo_serve.h"

#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>

#include <uv.h>

#include "analysis/pipeline.h"
#include "daemon/page_service.h"

#define TICK_MS     50
#define LOOK_TICKS  10 /* ticks between two looks at the live values */
#define COMMIT_MS   2000
#define BATCH       512
#define TICK_FRAMES 200000 /* most frames of one tick: the page must get its turn */
#define SKIP_NS     INT64_C(30000000000) /* a longer silence is skipped */

struct playing {
	const struct demo_serve *wanted;
	uv_loop_t loop;
	uv_timer_t tick;
	uv_signal_t interrupt;
	uv_signal_t terminate;
	struct page_service *service;
	struct log_store *store;
	struct scenario *scenario;
	struct pipeline *pipeline;
	uint64_t ticks;
	uint64_t committed_ms;
	double due_ns;      /* time in the season that may be played */
	bool begun;
	bool over;
	size_t count, at;   /* frames in hand, and the next of them */
	struct frame frames[BATCH];
	enum program_exit status;
};

static void stop(struct playing *playing)
{
	page_service_stop(playing->service);
	playing->service = NULL;
	uv_close((uv_handle_t *)&playing->tick, NULL);
	uv_close((uv_handle_t *)&playing->interrupt, NULL);
	uv_close((uv_handle_t *)&playing->terminate, NULL);
}

static void on_signal(uv_signal_t *handle, int number)
{
	(void)number;
	stop(handle->data);
}

static void commit(struct playing *playing)
{
	if (log_store_commit(playing->store, NULL) != 0) {
		playing->status = command_failed(playing->wanted->line, "%s",
			log_store_error(playing->store));
		stop(playing);
	}
	playing->committed_ms = uv_now(&playing->loop);
}

static void end_season(struct playing *playing)
{
	playing->over = true;
	pipeline_finish(playing->pipeline);
	if (log_store_settle(playing->store) != 0) {
		playing->status = command_failed(playing->wanted->line, "%s",
			log_store_error(playing->store));
		stop(playing);
		return;
	}
	commit(playing);
	if (playing->status == EXIT_DONE) {
		playing->wanted->on_over(playing->wanted->context, playing->store);
	}
}

/* Feeds the frames that are due. */
static void play(struct playing *playing)
{
	size_t played = 0;

	while (played < TICK_FRAMES) {
		size_t first = playing->at;
		if (playing->at == playing->count) {
			playing->count = scenario_next(playing->scenario, playing->frames, BATCH);
			playing->at = 0;
			if (playing->count == 0) {
				end_season(playing);
				return;
			}
			continue;
		}
		double t_ns = (double)playing->frames[playing->at].t_ns;
		if (!playing->begun || t_ns > playing->due_ns + (double)SKIP_NS + playing->wanted->speed * 1e9) {
			playing->begun = true;
			playing->due_ns = t_ns;
		}
		while (playing->at < playing->count &&
			(double)playing->frames[playing->at].t_ns <= playing->due_ns) {
			playing->at++;
		}
		if (playing->at == first) {
			return;
		}
		pipeline_frames(playing->pipeline, playing->frames + first, playing->at - first);
		played += playing->at - first;
	}
}

static void on_tick(uv_timer_t *timer)
{
	struct playing *playing = timer->data;

	if (!playing->over) {
		playing->due_ns += playing->wanted->speed * TICK_MS * 1e6;
		play(playing);
	}
	if (!playing->over && uv_now(&playing->loop) - playing->committed_ms >= COMMIT_MS) {
		pipeline_snapshot(playing->pipeline);
		commit(playing);
	}
	if (playing->ticks++ % LOOK_TICKS == 0) {
		page_service_look(playing->service, playing->pipeline);
	}
}

static enum program_exit prepare(struct playing *playing)
{
	const struct demo_serve *wanted = playing->wanted;
	const struct pipeline_numbers none = {0};
	struct fact_sink sink;
	char error[1024];
	int result = log_store_open(&playing->store, wanted->log, error, sizeof(error));

	if (result != 0) {
		return command_failed(wanted->line, "%s", error);
	}
	if (scenario_create(&playing->scenario, wanted->options) != 0) {
		return command_failed(wanted->line, "no memory left");
	}
	playing->pipeline = malloc(pipeline_size());
	if (playing->pipeline == NULL) {
		return command_failed(wanted->line, "no memory left");
	}
	if (log_store_put_boat(playing->store, wanted->settings->boat.name,
		    wanted->settings->boat.fuel_density_kgl) != 0 ||
		log_store_put_buses(playing->store, scenario_buses(playing->scenario)) != 0 ||
		log_store_commit(playing->store, NULL) != 0) {
		return command_failed(wanted->line, "%s", log_store_error(playing->store));
	}
	sink = log_store_sink(playing->store);
	pipeline_init(playing->pipeline, &wanted->settings->boat, &sink);
	pipeline_start(playing->pipeline, &none, false);
	return EXIT_DONE;
}

static enum program_exit serve(struct playing *playing)
{
	const struct demo_serve *wanted = playing->wanted;
	char error[512];
	int result = page_service_start(&playing->service, &playing->loop, wanted->settings, wanted->log,
		error, sizeof(error));

	if (result != 0) {
		(void)uv_run(&playing->loop, UV_RUN_DEFAULT); /* what it left to be closed */
		return command_failed(wanted->line, "%s", error);
	}
	playing->tick.data = playing;
	playing->interrupt.data = playing;
	playing->terminate.data = playing;
	/* These cannot fail for signals that can be caught. */
	(void)uv_timer_init(&playing->loop, &playing->tick);
	(void)uv_signal_init(&playing->loop, &playing->interrupt);
	(void)uv_signal_init(&playing->loop, &playing->terminate);
	(void)uv_signal_start(&playing->interrupt, on_signal, SIGINT);
	(void)uv_signal_start(&playing->terminate, on_signal, SIGTERM);
	(void)uv_timer_start(&playing->tick, on_tick, TICK_MS, TICK_MS);
	(void)printf("The season plays %.0f times as fast as life on\n%s\nuntil Ctrl-C.\n",
		wanted->speed, page_service_address(playing->service));
	(void)fflush(stdout); /* whoever reads the address must not wait */
	(void)uv_run(&playing->loop, UV_RUN_DEFAULT);
	return playing->status;
}

enum program_exit demo_serve_run(const struct demo_serve *wanted)
{
	struct playing *playing = calloc(1, sizeof(*playing));
	enum program_exit status;

	if (playing == NULL || uv_loop_init(&playing->loop) != 0) {
		free(playing);
		return command_failed(wanted->line, "no memory left");
	}
	playing->wanted = wanted;
	status = prepare(playing);
	if (status == EXIT_DONE) {
		status = serve(playing);
	}
	(void)uv_loop_close(&playing->loop); /* every handle has been closed */
	free(playing->pipeline);
	scenario_destroy(playing->scenario);
	log_store_close(playing->store);
	free(playing);
	return status;
}
