/* live_log.c: jobs of two kinds, and what becomes of their facts when one fails.
 *
 * The happy path of a commit:
 *   1. live_log_commit tells the queue all that is open, takes the queue's bytes and the state
 *   2. live_log_do plays the bytes into the log, with the state and the next generation, in one
 *      transaction, and lets the batch file begin that generation
 *   3. live_log_done frees the bytes
 * What can go wrong:
 *   - the log cannot be written: it is closed and opened again by the next job; the bytes go back to
 *     the front of the queue
 *   - opening it again absorbs the batch file: the part of the bytes that was kept there is dropped
 *   - the commit failed but is there after all, as the generation in the log shows: likewise
 *   - the file system has become read-only: nothing is tried, as the kernel would not tell
 *   - the batch file cannot be written, or is full: a commit follows at once, or, when that has failed
 *     before, as the next job
 */
#include "daemon/live_log.h"

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#include "daemon/batch_file.h"
#include "daemon/fact_queue.h"
#include "daemon/log_lane.h"
#include "daemon/log_store.h"

/* Of the log's pages, kept in memory; an hour's commit changes fewer. */
#define CACHE_KIB 512
/* Facts that wait while the log cannot be written: some 20 engine hours. */
#define QUEUE_LIMIT (2 * 1024 * 1024)

enum job {
	JOB_NONE,
	JOB_KEEP,
	JOB_COMMIT,
};

struct live_log {
	char path[1024];
	struct fact_queue queue;
	uint64_t frames;          /* the pipeline's count at the last job that succeeded */
	uint64_t committed;       /* and at the last commit */
	char keep_trouble[512];   /* "": the last keeping went well */
	char commit_trouble[512];
	bool wants_commit;

	struct log_retention retention;     /* the next job's */
	struct log_retention job_retention;

	/* The job; its files belong to whoever does it. */
	enum job job;
	bool done;
	int result;
	char error[512];
	uint8_t *facts;           /* JOB_COMMIT: owned; JOB_KEEP: borrowed from keep_facts */
	size_t facts_size;
	size_t facts_kept;        /* the first bytes of facts that are in the batch file */
	size_t facts_room;
	uint64_t job_frames;
	int64_t raw_ns;
	uint8_t *state;           /* PIPELINE_STATE_MAX */
	size_t state_size;

	struct log_store *store;  /* NULL: to be opened again */
	struct batch_file *batch; /* NULL: likewise */
	uint64_t generation;      /* absorbed by the log */
	size_t absorbed;          /* of facts, found in the log after opening it again */
};

static uint64_t first_generation(void)
{
	uint64_t generation;

	/* A batch file that lies beside another log must not be taken for this one's. */
	sqlite3_randomness(sizeof(generation), &generation);
	return (generation >> 16) + 1;
}

static void on_slot(void *context, uint16_t lane_slot, uint16_t signal)
{
	fact_queue_set_signal(context, lane_slot, signal);
}

int live_log_open(struct live_log **ret_log, const char *path, char *ret_error, size_t error_size)
{
	struct live_log *log = calloc(1, sizeof(*log));
	uint8_t *state = malloc(PIPELINE_STATE_MAX);
	int result;

	if (log == NULL || state == NULL || strlen(path) >= sizeof(log->path)) {
		result = log == NULL || state == NULL ? -ENOMEM : -ENAMETOOLONG;
		(void)snprintf(ret_error, error_size, "log '%s': %s", path, strerror(-result));
		free(log);
		free(state);
		return result;
	}
	(void)snprintf(log->path, sizeof(log->path), "%s", path);
	log->state = state;
	fact_queue_init(&log->queue, QUEUE_LIMIT);
	result = log_store_open(&log->store, path, ret_error, error_size);
	if (result != 0) {
		live_log_close(log);
		return result;
	}
	log_store_limit_cache(log->store, CACHE_KIB);
	*ret_log = log;
	return 0;
}

void live_log_close(struct live_log *log)
{
	if (log == NULL) {
		return;
	}
	batch_file_close(log->batch);
	log_store_close(log->store);
	fact_queue_finish(&log->queue);
	free(log->facts);
	free(log->state);
	free(log);
}

static void say_batch(const struct live_log *log, char *text, size_t size, int result)
{
	(void)snprintf(text, size, "cannot write '%.300s-batch': %s", log->path, strerror(-result));
}

static int put_buses(struct live_log *log, const char *const *names, size_t count,
	struct bus_names *ret_buses)
{
	int result = log_store_buses(log->store, ret_buses);

	for (size_t i = 0; i < count && result == 0; i++) {
		int number = bus_names_find(ret_buses, names[i], strlen(names[i]));

		result = number < 0 ? number : 0;
	}
	return result == 0 ? log_store_put_buses(log->store, ret_buses) : result;
}

/* Where the main lane stands, as the state that a job would write. */
static int find_state(struct live_log *log, const struct settings *settings,
	const struct bus_names *buses, bool *ret_rebuilt)
{
	const struct fact_sink nobody = {.context = NULL};
	enum log_lane_opening opening;
	struct log_lane *lane;
	struct state_writer w;
	int result = log_lane_create(&lane, log->store, settings, buses, &nobody);

	if (result != 0) {
		return result;
	}
	result = log_lane_open(lane, LANE_MAIN, &opening);
	if (result == 0) {
		if (opening == LANE_RESUMED) {
			/* Time has passed since then. */
			pipeline_capture_begins(log_lane_pipeline(lane), false);
		}
		*ret_rebuilt = opening == LANE_REBUILT;
		state_writer_init(&w, log->state, PIPELINE_STATE_MAX);
		pipeline_save(log_lane_pipeline(lane), &w);
		assert(!w.failed);
		log->state_size = w.used;
		log->frames = pipeline_frame_count(log_lane_pipeline(lane));
		log->committed = log->frames;
	}
	log_lane_destroy(lane);
	return result;
}

int live_log_begin(struct live_log *log, struct settings *settings, const char *const *names,
	size_t count, struct bus_names *ret_buses, bool *ret_rebuilt)
{
	int result = put_buses(log, names, count, ret_buses);

	if (result == 0) {
		settings_number_buses(settings, ret_buses);
		live_log_retain(log, &settings->log);
		result = log_store_put_boat(log->store, &settings->boat);
	}
	if (result == 0) {
		result = find_state(log, settings, ret_buses, ret_rebuilt);
	}
	if (result == 0) {
		result = log_store_lane_slots(log->store, LANE_MAIN, on_slot, &log->queue);
	}
	if (result == 0) {
		result = log_store_batch(log->store, &log->generation);
	}
	if (result == 0 && log->generation == 0) {
		log->generation = first_generation();
		result = log_store_put_batch(log->store, log->generation);
	}
	if (result == 0) {
		result = log_store_commit(log->store, NULL);
	}
	if (result == 0) {
		int batch = batch_file_open(&log->batch, log->path, log->generation + 1);

		if (batch != 0) {
			/* Not fatal: until it can be written, each job is a commit. */
			log->batch = NULL;
			log->wants_commit = true;
			say_batch(log, log->keep_trouble, sizeof(log->keep_trouble), batch);
		}
	}
	return result;
}

int live_log_resume(struct live_log *log, struct pipeline *pipeline)
{
	struct state_reader r;

	assert(log->job == JOB_NONE);
	state_reader_init(&r, log->state, log->state_size);
	return pipeline_load(pipeline, &r);
}

void live_log_retain(struct live_log *log, const struct log_settings *settings)
{
	static const double month_s = 86400 * 365.25 / 12;

	log->retention = (struct log_retention){
		.windows_s = (int64_t)(settings->windows_months * month_s),
		.minutes_s = (int64_t)(settings->minutes_months * month_s),
		.most_bytes = (int64_t)(settings->size_mb * 1e6),
	};
}

struct fact_sink live_log_sink(struct live_log *log)
{
	return fact_queue_sink(&log->queue);
}

static void begin_job(struct live_log *log, enum job job, const struct pipeline *pipeline)
{
	struct state_writer w;

	assert(log->job == JOB_NONE);
	state_writer_init(&w, log->state, PIPELINE_STATE_MAX);
	pipeline_save(pipeline, &w);
	assert(!w.failed);
	log->job = job;
	log->job_retention = log->retention;
	log->done = false;
	log->result = 0;
	log->error[0] = '\0';
	log->absorbed = 0;
	log->state_size = w.used;
	log->raw_ns = pipeline_raw_ns(pipeline);
	log->job_frames = pipeline_frame_count(pipeline);
}

bool live_log_keep(struct live_log *log, const struct pipeline *pipeline)
{
	size_t size = log->queue.used - log->queue.kept;

	if (size == 0 && pipeline_frame_count(pipeline) == log->frames) {
		return false;
	}
	if (size > log->facts_room) {
		uint8_t *facts = realloc(log->facts, size);

		if (facts == NULL) {
			return false; /* the facts stay where they are; the next job tries again */
		}
		log->facts = facts;
		log->facts_room = size;
	}
	begin_job(log, JOB_KEEP, pipeline);
	if (size > 0) {
		memcpy(log->facts, log->queue.bytes + log->queue.kept, size);
	}
	log->facts_size = size;
	log->facts_kept = 0;
	log->queue.kept = log->queue.used;
	return true;
}

bool live_log_commit(struct live_log *log, struct pipeline *pipeline)
{
	if (!live_log_is_behind(log, pipeline)) {
		return false;
	}
	pipeline_snapshot(pipeline);
	begin_job(log, JOB_COMMIT, pipeline);
	/* The queue goes on in the memory of the job before. */
	uint8_t *bytes = log->facts;
	size_t room = log->facts_room;

	log->facts = log->queue.bytes;
	log->facts_room = log->queue.room;
	log->facts_size = log->queue.used;
	log->facts_kept = log->queue.kept;
	log->queue.bytes = bytes;
	log->queue.room = room;
	fact_queue_clear(&log->queue);
	return true;
}

static int fail(struct live_log *log, int result, const char *sentence)
{
	(void)snprintf(log->error, sizeof(log->error), "%s", sentence);
	return result;
}

/* Opens the log again. What it holds by now of the job's facts is then known. */
static int open_again(struct live_log *log)
{
	uint64_t generation;
	char error[512];
	int result;

	if (log->store != NULL) {
		return 0;
	}
	result = log_store_open(&log->store, log->path, error, sizeof(error));
	if (result == 0) {
		log_store_limit_cache(log->store, CACHE_KIB);
		result = log_store_batch(log->store, &generation);
		if (result != 0) {
			(void)snprintf(error, sizeof(error), "%s", log_store_error(log->store));
			log_store_close(log->store);
			log->store = NULL;
		}
	}
	if (result != 0) {
		return fail(log, result, error);
	}
	/* One further: opening absorbed the batch file. Two further: the commit that was reported as
	 * failed did succeed, with all that its job had; that job's facts are at the front of this
	 * one's, and telling them again changes nothing. */
	if (generation == log->generation + 1) {
		log->absorbed = log->facts_kept;
	}
	if (generation != log->generation) {
		log->generation = generation;
		if (log->batch != NULL) {
			batch_file_restart(log->batch, generation + 1);
		}
	}
	return 0;
}

static int do_commit(struct live_log *log)
{
	struct fact_sink sink;
	int result = open_again(log);

	if (result != 0) {
		return result;
	}
	/* First of all: the new rows go where old ones come free, and their pages are written once. The
	 * store keeps an error and tells it at the commit. */
	(void)log_store_retain(log->store, &log->job_retention);
	sink = log_store_sink(log->store);
	/* These are bytes of this process: damage would be a mistake of ours. */
	result = fact_queue_play(log->facts + log->absorbed, log->facts_size - log->absorbed, &sink);
	assert(result == 0);
	result = log_store_put_batch(log->store, log->generation + 2);
	if (result == 0) {
		result = log_store_commit(log->store, &(struct log_checkpoint){
			.lane = LANE_MAIN,
			.state = log->state,
			.size = log->state_size,
			.raw_ns = log->raw_ns,
		});
	}
	if (result != 0) {
		result = fail(log, result, log_store_error(log->store));
		log_store_close(log->store);
		log->store = NULL;
		return result;
	}
	log->generation += 2;
	if (log->batch != NULL) {
		batch_file_restart(log->batch, log->generation + 1);
	} else if (batch_file_open(&log->batch, log->path, log->generation + 1) != 0) {
		log->batch = NULL; /* the log itself is up to date; the next keeping tells */
	}
	return 0;
}

static int do_keep(struct live_log *log)
{
	int result = 0;

	if (log->batch == NULL) {
		result = batch_file_open(&log->batch, log->path, log->generation + 1);
		log->batch = result == 0 ? log->batch : NULL;
	}
	if (result == 0) {
		result = batch_file_append(log->batch, &(struct batch){
			.facts = log->facts,
			.facts_size = log->facts_size,
			.state = log->state,
			.state_size = log->state_size,
			.raw_ns = log->raw_ns,
		});
	}
	if (result != 0) {
		say_batch(log, log->error, sizeof(log->error), result);
	}
	return result;
}

/* A file system that became read-only, as ext4 does after an error, still takes writes to blocks that a file
 * has, and says that they were synced. They are not. */
static int check_file_system(struct live_log *log)
{
	struct statvfs status;

	if (statvfs(log->path, &status) != 0 || (status.f_flag & ST_RDONLY) == 0) {
		return 0; /* what is wrong otherwise, the writing tells */
	}
	(void)snprintf(log->error, sizeof(log->error),
		"cannot write log '%.300s': its file system is read-only", log->path);
	return -EROFS;
}

void live_log_do(struct live_log *log)
{
	assert(log->job != JOB_NONE && !log->done);
	log->result = check_file_system(log);
	if (log->result == 0) {
		log->result = log->job == JOB_KEEP ? do_keep(log) : do_commit(log);
	}
	log->done = true;
}

/* Puts a failed commit's facts back in front of the queue. */
static void put_back(struct live_log *log)
{
	struct fact_queue *queue = &log->queue;
	size_t size = log->facts_size - log->absorbed;
	size_t kept = log->facts_kept - log->absorbed;
	uint8_t *bytes = malloc(size + queue->used + 1);

	if (bytes == NULL) {
		queue->out_of_memory = true;
		return;
	}
	if (size > 0) {
		memcpy(bytes, log->facts + log->absorbed, size);
	}
	if (queue->used > 0) {
		memcpy(bytes + size, queue->bytes, queue->used);
	}
	free(queue->bytes);
	queue->bytes = bytes;
	queue->used += size;
	queue->room = queue->used + 1;
	/* Facts that were kept since then follow others that were not: keep those all again. */
	queue->kept = kept < size ? kept : size + queue->kept;
}

int live_log_done(struct live_log *log)
{
	enum job job = log->job;
	char *trouble = job == JOB_KEEP ? log->keep_trouble : log->commit_trouble;

	assert(job != JOB_NONE && log->done);
	log->job = JOB_NONE;
	if (log->result == 0) {
		log->frames = log->job_frames;
		log->committed = job == JOB_COMMIT ? log->job_frames : log->committed;
		trouble[0] = '\0';
		log->wants_commit = log->commit_trouble[0] != '\0' ||
			(job == JOB_KEEP && batch_file_is_filling(log->batch));
		return 0;
	}
	if (job == JOB_COMMIT) {
		put_back(log);
	} else {
		size_t size = log->facts_size;

		log->queue.kept = log->queue.kept > size ? log->queue.kept - size : 0;
	}
	log->wants_commit = true;
	if (job == JOB_COMMIT || log->result != -EFBIG) {
		(void)snprintf(trouble, sizeof(log->error), "%s", log->error);
	}
	return log->result;
}

bool live_log_is_busy(const struct live_log *log)
{
	return log->job != JOB_NONE;
}

bool live_log_is_committing(const struct live_log *log)
{
	return log->job == JOB_COMMIT;
}

bool live_log_is_behind(const struct live_log *log, const struct pipeline *pipeline)
{
	return log->queue.used > 0 || pipeline_frame_count(pipeline) != log->committed;
}

bool live_log_wants_commit(const struct live_log *log)
{
	return log->wants_commit;
}

bool live_log_wants_commit_now(const struct live_log *log)
{
	return log->wants_commit && log->commit_trouble[0] == '\0';
}

const char *live_log_trouble(const struct live_log *log)
{
	return log->commit_trouble[0] != '\0' ? log->commit_trouble : log->keep_trouble;
}

size_t live_log_waiting(const struct live_log *log)
{
	return log->queue.used + (log->job == JOB_COMMIT ? log->facts_size : 0);
}

uint64_t live_log_dropped(const struct live_log *log)
{
	return log->queue.dropped_windows;
}
