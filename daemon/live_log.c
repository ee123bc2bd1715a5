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
 *   - the log cannot be written when it is to begin: it begins on a stand-in, and once more on the log as
 *     soon as that can be opened, when the same must come out
 *   - opened again, the log is neither as it was left nor one job further: somebody else has written it.
 *     Facts that follow another state would be counted twice; they are given up
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
#include <unistd.h>

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

/* What the log's tables are told at a commit. */
struct description {
	struct bus_names buses;
	char boat[BOAT_NAME_MAX];
	double fuel_density_kgl;
	struct log_retention retention;
};

/* What the analysis begins with. */
struct standing {
	uint8_t *state; /* heap, PIPELINE_STATE_MAX; as a job would write it */
	size_t size;
	uint64_t frames;
	bool rebuilt;
};

/* Where it began, while the log cannot be written. */
struct beginning {
	bool found; /* a log was there, in which a watch had begun before */
	struct settings settings;
	struct standing standing;
};

struct live_log {
	char path[1024];
	struct log_lock lock;
	struct fact_queue queue;
	uint64_t frames;          /* the pipeline's count at the last job that succeeded */
	uint64_t committed;       /* and at the last commit */
	uint64_t tried;           /* and at the last try of one, of which … */
	size_t failed_bytes;      /* … so many bytes are the whole queue; 0: that did not fail so */
	char keep_trouble[512];   /* "": the last keeping went well */
	char commit_trouble[512];
	bool wants_commit;
	bool lost;
	uint64_t described;           /* counts the descriptions */
	uint64_t described_in_log;
	struct description description; /* the next job's */

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
	uint64_t job_described;
	struct description job_description;
	int64_t raw_ns;
	uint8_t *state;           /* PIPELINE_STATE_MAX */
	size_t state_size;

	struct log_store *store;  /* NULL: to be opened again */
	struct beginning *beginning; /* NULL: it has begun on the log itself */
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

/* Whether a disk may get over it by itself, or with somebody's help, while the program goes on. */
static bool may_pass(int result)
{
	return result == -ENOSPC || result == -EDQUOT || result == -EROFS || result == -EIO ||
		result == -EFBIG;
}

/* Instead of the log that cannot be written (ret_error says why) opens what stands in for it at a
 * beginning. Where that fails too, it is no beginning: ret_error then says why. */
static int open_stand_in(struct live_log *log, char *ret_error, size_t error_size)
{
	char error[512];
	int result;

	log->beginning = calloc(1, sizeof(*log->beginning));
	if (log->beginning == NULL) {
		return -ENOMEM;
	}
	result = log_store_open_stand_in(&log->store, log->path, error, sizeof(error));
	if (result != 0) {
		(void)snprintf(ret_error, error_size, "%s", error);
		return result;
	}
	(void)snprintf(log->commit_trouble, sizeof(log->commit_trouble), "%s", ret_error);
	log->wants_commit = true;
	return 0;
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
	log->lock = LOG_LOCK_NONE;
	log->state = state;
	fact_queue_init(&log->queue, QUEUE_LIMIT);
	result = log_store_open_locked(&log->store, path, &log->lock, ret_error, error_size);
	if (result == 0) {
		log_store_limit_cache(log->store, CACHE_KIB);
	} else if (may_pass(result)) {
		result = open_stand_in(log, ret_error, error_size);
	}
	if (result != 0) {
		live_log_close(log);
		return result;
	}
	*ret_log = log;
	return 0;
}

static void free_beginning(struct live_log *log)
{
	if (log->beginning != NULL) {
		free(log->beginning->standing.state);
		free(log->beginning);
		log->beginning = NULL;
	}
}

void live_log_close(struct live_log *log)
{
	if (log == NULL) {
		return;
	}
	batch_file_close(log->batch);
	log_store_close(log->store);
	log_lock_release(&log->lock);
	fact_queue_finish(&log->queue);
	free_beginning(log);
	free(log->facts);
	free(log->state);
	free(log);
}

static void say_batch(const struct live_log *log, char *text, size_t size, int result)
{
	(void)snprintf(text, size, "cannot write '%.300s-batch': %s", log->path, strerror(-result));
}

/* The log's buses with those named behind them. */
static int number_buses(struct live_log *log, const char *const *names, size_t count,
	struct bus_names *ret_buses)
{
	int result = log_store_buses(log->store, ret_buses);

	for (size_t i = 0; i < count && result == 0; i++) {
		int number = bus_names_find(ret_buses, names[i], strlen(names[i]));

		result = number < 0 ? number : 0;
	}
	return result;
}

static int put_description(struct log_store *store, const struct description *description)
{
	int result = log_store_put_buses(store, &description->buses);

	return result != 0 ? result
			   : log_store_put_boat(store, description->boat,
				     description->fuel_density_kgl);
}

/* Where the main lane stands. */
static int find_standing(struct live_log *log, const struct settings *settings,
	const struct bus_names *buses, struct standing *standing)
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
		standing->rebuilt = opening == LANE_REBUILT;
		state_writer_init(&w, standing->state, PIPELINE_STATE_MAX);
		pipeline_save(log_lane_pipeline(lane), &w);
		assert(!w.failed);
		standing->size = w.used;
		standing->frames = pipeline_frame_count(log_lane_pipeline(lane));
	}
	log_lane_destroy(lane);
	return result;
}

/* Begins on the open store with the job's description, in the open transaction. */
static int begin_on_store(struct live_log *log, const struct settings *settings,
	struct standing *standing)
{
	uint64_t generation = 0;
	int result = put_description(log->store, &log->job_description);

	if (result == 0) {
		result = find_standing(log, settings, &log->job_description.buses, standing);
	}
	if (result == 0) {
		result = log_store_batch(log->store, &generation);
	}
	if (result == 0 && generation == 0) {
		generation = first_generation();
		result = log_store_put_batch(log->store, generation);
	}
	log->generation = result == 0 ? generation : log->generation;
	return result;
}

static int begin_first(struct live_log *log, const struct settings *settings,
	struct standing *standing)
{
	uint64_t generation;
	int result;

	if (log->beginning != NULL) {
		result = log_store_batch(log->store, &generation);
		if (result != 0) {
			return result;
		}
		log->beginning->found = generation != 0;
	}
	log->job_description = log->description;
	result = begin_on_store(log, settings, standing);
	if (result == 0) {
		result = log_store_lane_slots(log->store, LANE_MAIN, on_slot, &log->queue);
	}
	return result == 0 ? log_store_commit(log->store, NULL) : result;
}

/* Keeps what the stand-in said, for the log itself. */
static int keep_beginning(struct live_log *log, const struct settings *settings,
	const struct standing *standing)
{
	struct beginning *beginning = log->beginning;

	beginning->standing = *standing;
	beginning->standing.state = malloc(standing->size + 1);
	if (beginning->standing.state == NULL) {
		return -ENOMEM;
	}
	memcpy(beginning->standing.state, standing->state, standing->size);
	beginning->settings = *settings;
	log_store_close(log->store);
	log->store = NULL;
	return 0;
}

int live_log_begin(struct live_log *log, struct settings *settings, const char *const *names,
	size_t count, struct bus_names *ret_buses, bool *ret_rebuilt)
{
	struct standing standing = {.state = log->state};
	int result = number_buses(log, names, count, ret_buses);

	if (result != 0) {
		return result;
	}
	settings_number_buses(settings, ret_buses);
	live_log_describe(log, settings, ret_buses);
	result = begin_first(log, settings, &standing);
	if (may_pass(result) && log->beginning == NULL) {
		char error[512];

		/* It could be opened, and no more. */
		(void)snprintf(error, sizeof(error), "%s", log_store_error(log->store));
		log_store_close(log->store);
		log->store = NULL;
		result = open_stand_in(log, error, sizeof(error));
		if (result == 0) {
			result = begin_first(log, settings, &standing);
		}
	}
	if (result == 0 && log->beginning != NULL) {
		result = keep_beginning(log, settings, &standing);
	} else if (result == 0) {
		int batch = batch_file_open(&log->batch, log->path, log->generation + 1);

		log->described_in_log = log->described;
		log->wants_commit = false;
		if (batch != 0) {
			/* Not fatal: until it can be written, each job is a commit. */
			log->batch = NULL;
			log->wants_commit = true;
			say_batch(log, log->keep_trouble, sizeof(log->keep_trouble), batch);
		}
	}
	if (result == 0) {
		log->state_size = standing.size;
		log->frames = standing.frames;
		log->committed = standing.frames;
		*ret_rebuilt = standing.rebuilt;
	} else if (log->store != NULL && log_store_error(log->store)[0] != '\0') {
		(void)snprintf(log->commit_trouble, sizeof(log->commit_trouble), "%s",
			log_store_error(log->store));
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

void live_log_describe(struct live_log *log, const struct settings *settings,
	const struct bus_names *buses)
{
	static const double month_s = 86400 * 365.25 / 12;
	struct description description;

	memset(&description, 0, sizeof(description)); /* so that two of them can be compared */
	for (size_t i = 0; i < buses->count; i++) {
		(void)bus_names_find(&description.buses, buses->names[i], strlen(buses->names[i]));
	}
	(void)snprintf(description.boat, sizeof(description.boat), "%s", settings->boat.name);
	description.fuel_density_kgl = settings->boat.fuel_density_kgl;
	description.retention = (struct log_retention){
		.windows_s = (int64_t)(settings->log.windows_months * month_s),
		.minutes_s = (int64_t)(settings->log.minutes_months * month_s),
		.most_bytes = (int64_t)(settings->log.size_mb * 1e6),
	};
	if (memcmp(&description, &log->description, sizeof(description)) != 0) {
		memcpy(&log->description, &description, sizeof(description));
		log->described++;
		log->wants_commit = true;
	}
	log->failed_bytes = 0; /* the analysis may have another boat */
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
	log->job_description = log->description;
	log->job_described = log->described;
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

	if (log->beginning != NULL ||
		(size == 0 && pipeline_frame_count(pipeline) == log->frames)) {
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
	/* When nothing has come since a try that failed, what is open is in the queue as it is: a
	 * disk that is full for days is no reason to fill the memory by trying. */
	if (log->failed_bytes == 0 || log->failed_bytes != log->queue.used ||
		log->tried != pipeline_frame_count(pipeline)) {
		pipeline_snapshot(pipeline);
	}
	log->tried = pipeline_frame_count(pipeline);
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

static int give_up_store(struct live_log *log, int result, const char *sentence)
{
	result = fail(log, result, sentence);
	log_store_close(log->store);
	log->store = NULL;
	return result;
}

static int tell_lost(struct live_log *log)
{
	char sentence[512];

	(void)snprintf(sentence, sizeof(sentence),
		"log '%.300s' is not as it was left: another program has written it, or it is "
		"another file; what waits in memory cannot be joined to it", log->path);
	return give_up_store(log, -ESTALE, sentence);
}

/* Begins once more, on the log itself. Facts wait that follow what the stand-in said: the log must
 * say the same. */
static int begin_late(struct live_log *log)
{
	struct beginning *beginning = log->beginning;
	struct standing standing = {.state = malloc(PIPELINE_STATE_MAX)};
	struct bus_names buses;
	int result;

	if (standing.state == NULL) {
		return give_up_store(log, -ENOMEM, "no memory left to begin the log");
	}
	result = log_store_buses(log->store, &buses);
	for (size_t i = 0; i < buses.count && result == 0; i++) {
		if (strcmp(buses.names[i], log->job_description.buses.names[i]) != 0) {
			result = tell_lost(log);
			goto free_state;
		}
	}
	if (result == 0) {
		result = begin_on_store(log, &beginning->settings, &standing);
	}
	if (result == 0 && (standing.size != beginning->standing.size ||
		memcmp(standing.state, beginning->standing.state, standing.size) != 0)) {
		result = tell_lost(log);
		goto free_state;
	}
	if (result == 0) {
		result = log_store_commit(log->store, NULL);
	}
	if (result != 0) {
		result = give_up_store(log, result, log_store_error(log->store));
		goto free_state;
	}
	free_beginning(log);
free_state:
	free(standing.state);
	return result;
}

/* What the log holds by now of the job's facts. */
static int find_absorbed(struct live_log *log)
{
	uint64_t generation;
	int result = log_store_batch(log->store, &generation);

	if (result != 0) {
		return give_up_store(log, result, log_store_error(log->store));
	}
	/* One further: opening absorbed the batch file. Two further: the commit that was reported as
	 * failed did succeed, with all that its job had; that job's facts are at the front of this
	 * one's, and telling them again changes nothing. */
	if (generation - log->generation > 2) {
		return tell_lost(log);
	}
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

/* Opens the log when it is not open. */
static int open_again(struct live_log *log)
{
	char error[512];
	int result;

	if (log->store != NULL) {
		return 0;
	}
	/* Where a log was, none is made: the disk that has it may not be there. */
	if ((log->beginning == NULL || log->beginning->found) && access(log->path, F_OK) != 0) {
		result = -errno;
		(void)snprintf(error, sizeof(error), "log '%.300s' is gone: %s", log->path,
			strerror(-result));
		return fail(log, result, error);
	}
	result = log_store_open_locked(&log->store, log->path, &log->lock, error, sizeof(error));
	if (result != 0) {
		return fail(log, result, error);
	}
	log_store_limit_cache(log->store, CACHE_KIB);
	return log->beginning != NULL ? begin_late(log) : find_absorbed(log);
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
	(void)log_store_retain(log->store, &log->job_description.retention);
	(void)put_description(log->store, &log->job_description);
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
		return give_up_store(log, result, log_store_error(log->store));
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

/* A file system that became read-only, as ext4 does after an error, still takes writes to blocks
 * that an open file has, and says that they were synced. They are not. */
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
	log->result = log->job == JOB_KEEP || log->store != NULL ? check_file_system(log) : 0;
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

	log->failed_bytes = 0;
	if (bytes == NULL) {
		queue->out_of_memory = true;
		return;
	}
	if (queue->used == 0) {
		log->failed_bytes = size;
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
		if (job == JOB_COMMIT) {
			log->committed = log->job_frames;
			log->failed_bytes = 0;
			log->described_in_log = log->job_described;
		}
		trouble[0] = '\0';
		log->wants_commit = log->commit_trouble[0] != '\0' ||
			log->described != log->described_in_log ||
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
	log->lost |= log->result == -ESTALE;
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
	return log->beginning != NULL || log->queue.used > 0 ||
		log->described != log->described_in_log ||
		pipeline_frame_count(pipeline) != log->committed;
}

bool live_log_wants_commit(const struct live_log *log)
{
	return log->wants_commit;
}

bool live_log_wants_commit_now(const struct live_log *log)
{
	return log->wants_commit && log->commit_trouble[0] == '\0';
}

bool live_log_is_waiting(const struct live_log *log)
{
	return log->beginning != NULL;
}

bool live_log_is_lost(const struct live_log *log)
{
	return log->lost;
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
