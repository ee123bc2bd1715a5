/* recorder.c: the happy path: frames gather in one of two buffers; a job takes that buffer, the
 * other gathers; the worker writes, ends a block each RECORDER_FLUSH_S, begins a new file when the
 * present one is large or a day old, and removes old files. When a file cannot be written it is
 * closed; the next job makes the folder when it is missing, and begins a new file.
 */
#include "daemon/recorder.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "replay/capture_writer.h"

#define GATHER_MOST   8192 /* frames: four seconds of a full bus */
#define GATHER_ENOUGH 1024
#define FILE_AGE_S    86400
#define NAME_PREFIX   "sightbowl-"
#define NAME_SUFFIX   ".log.zst"
#define PATH_BYTES    1200
#define FOLDER_MODE   0750
#define LOSS_PAUSE_S  60 /* between two sentences on frames that were dropped */

struct gathered {
	size_t count;
	struct frame frames[GATHER_MOST];
};

struct recorder {
	char folder[1024];
	const struct bus_names *buses;
	uint64_t most_bytes;
	int64_t most_age_s;
	struct gathered *gather;  /* the loop's */
	struct gathered *writing; /* the worker's while a job is under way */
	uint64_t dropped;
	uint64_t told_dropped;
	int64_t told_dropped_s;
	uint64_t unwritten; /* frames of the jobs that failed since it began to fail */
	bool busy;
	int result;
	bool told; /* that it fails */
	char news[1300];

	/* the worker's */
	struct capture_writer *writer;
	char path[PATH_BYTES];
	int64_t opened_s;
	int64_t flushed_s;
};

static int64_t steady_s(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_MONOTONIC, &now); /* cannot fail with this clock */
	return now.tv_sec;
}

/* Only the last component is made: a path that is wrong, or lies on a disk that is not mounted,
 * makes no tree of folders elsewhere. */
static int make_folder(const char *folder)
{
	struct stat status;

	if (stat(folder, &status) == 0) {
		return S_ISDIR(status.st_mode) ? 0 : -ENOTDIR;
	}
	if (errno != ENOENT) {
		return -errno;
	}
	return mkdir(folder, FOLDER_MODE) == 0 ? 0 : -errno;
}

/* A sentence when it began or ceased to fail, else NULL. */
static const char *tell(struct recorder *recorder, int result)
{
	if (result != 0 && !recorder->told) {
		recorder->told = true;
		(void)snprintf(recorder->news, sizeof(recorder->news),
			"raw frames cannot be kept in '%s': %s; trying again", recorder->folder,
			strerror(-result));
		return recorder->news;
	}
	if (result == 0 && recorder->told) {
		recorder->told = false;
		(void)snprintf(recorder->news, sizeof(recorder->news),
			"raw frames are kept in '%s' again; at least %" PRIu64 " were lost meanwhile",
			recorder->folder, recorder->unwritten);
		recorder->unwritten = 0;
		return recorder->news;
	}
	return NULL;
}

int recorder_open(struct recorder **ret_recorder, const char *folder, const struct bus_names *buses,
	uint64_t most_bytes, int64_t most_age_s)
{
	struct recorder *recorder;

	if (strlen(folder) >= sizeof(recorder->folder)) {
		return -ENAMETOOLONG;
	}
	recorder = calloc(1, sizeof(*recorder));
	if (recorder == NULL) {
		return -ENOMEM;
	}
	recorder->gather = calloc(1, sizeof(*recorder->gather));
	recorder->writing = calloc(1, sizeof(*recorder->writing));
	if (recorder->gather == NULL || recorder->writing == NULL) {
		recorder_close(recorder);
		return -ENOMEM;
	}
	(void)snprintf(recorder->folder, sizeof(recorder->folder), "%s", folder);
	recorder->buses = buses;
	recorder->most_bytes = most_bytes;
	recorder->most_age_s = most_age_s;
	*ret_recorder = recorder;
	return 0;
}

const char *recorder_prepare_folder(struct recorder *recorder)
{
	int result = make_folder(recorder->folder);

	assert(!recorder->busy);
	if (result == 0 && access(recorder->folder, W_OK | X_OK) != 0) {
		result = -errno;
	}
	return tell(recorder, result);
}

void recorder_put(struct recorder *recorder, const struct frame *frames, size_t count)
{
	struct gathered *gather = recorder->gather;
	size_t room = GATHER_MOST - gather->count;
	size_t taken = count < room ? count : room;

	memcpy(gather->frames + gather->count, frames, taken * sizeof(*frames));
	gather->count += taken;
	recorder->dropped += count - taken;
}

bool recorder_prepare(struct recorder *recorder, bool now)
{
	struct gathered *gather = recorder->gather;

	if (recorder->busy || gather->count < (now ? 1 : GATHER_ENOUGH)) {
		return false;
	}
	recorder->gather = recorder->writing;
	recorder->writing = gather;
	recorder->gather->count = 0;
	recorder->busy = true;
	return true;
}

/* Our own captures only: a name that this module makes. */
static bool is_ours(const char *name)
{
	size_t length = strlen(name);

	return length > strlen(NAME_PREFIX NAME_SUFFIX) &&
		strncmp(name, NAME_PREFIX, strlen(NAME_PREFIX)) == 0 &&
		strcmp(name + length - strlen(NAME_SUFFIX), NAME_SUFFIX) == 0;
}

struct census {
	uint64_t bytes;
	size_t count;
	char oldest[256];
	struct timespec oldest_time;
};

static int count_files(const struct recorder *recorder, struct census *ret_census)
{
	struct census census = {0};
	DIR *folder = opendir(recorder->folder);
	const struct dirent *entry;

	if (folder == NULL) {
		return -errno;
	}
	while ((entry = readdir(folder)) != NULL) {
		char path[PATH_BYTES + 256];
		struct stat status;

		(void)snprintf(path, sizeof(path), "%s/%s", recorder->folder, entry->d_name);
		if (!is_ours(entry->d_name) || strcmp(path, recorder->path) == 0 ||
			stat(path, &status) != 0) {
			continue;
		}
		census.bytes += (uint64_t)status.st_size;
		if (census.count == 0 || status.st_mtim.tv_sec < census.oldest_time.tv_sec ||
			(status.st_mtim.tv_sec == census.oldest_time.tv_sec &&
				status.st_mtim.tv_nsec < census.oldest_time.tv_nsec)) {
			census.oldest_time = status.st_mtim;
			(void)snprintf(census.oldest, sizeof(census.oldest), "%s", entry->d_name);
		}
		census.count++;
	}
	(void)closedir(folder); /* it was only read */
	*ret_census = census;
	return 0;
}

/* Removes old files until what stays, and a file's worth more, is within the bounds. */
static int prune(const struct recorder *recorder)
{
	uint64_t present = recorder->most_bytes / 8;
	struct census census;
	int result;

	while ((result = count_files(recorder, &census)) == 0 && census.count > 0) {
		char path[PATH_BYTES + 256];
		int64_t age_s = (int64_t)time(NULL) - census.oldest_time.tv_sec;

		if (census.bytes + present <= recorder->most_bytes && age_s <= recorder->most_age_s) {
			break;
		}
		(void)snprintf(path, sizeof(path), "%s/%s", recorder->folder, census.oldest);
		if (unlink(path) != 0) {
			return -errno;
		}
	}
	return result;
}

static int close_file(struct recorder *recorder)
{
	int result = capture_writer_close(recorder->writer);

	recorder->writer = NULL;
	recorder->path[0] = '\0';
	return result;
}

/* The name is the time of its first frame by the machine's clock; a number behind it where that has
 * been taken, so that a clock set back overwrites nothing. */
static int open_file(struct recorder *recorder, int64_t t_ns)
{
	time_t seconds = (time_t)(t_ns / 1000000000);
	char stamp[40];
	struct tm tm;
	int result = make_folder(recorder->folder);

	if (result == 0) {
		result = prune(recorder);
	}
	if (result != 0) {
		return result;
	}
	if (gmtime_r(&seconds, &tm) == NULL ||
		strftime(stamp, sizeof(stamp), "%Y-%m-%dT%H-%M-%SZ", &tm) == 0) {
		return -EOVERFLOW;
	}
	for (unsigned i = 0; i < 1000; i++) {
		char number[16] = "";
		int length;

		if (i > 0) {
			(void)snprintf(number, sizeof(number), "-%u", i);
		}
		length = snprintf(recorder->path, sizeof(recorder->path),
			"%s/" NAME_PREFIX "%s%s" NAME_SUFFIX, recorder->folder, stamp, number);
		if (length < 0 || length >= (int)sizeof(recorder->path)) {
			return -ENAMETOOLONG;
		}
		if (access(recorder->path, F_OK) != 0) {
			recorder->opened_s = steady_s();
			recorder->flushed_s = recorder->opened_s;
			return capture_writer_open(&recorder->writer, recorder->path,
				WRITE_CANDUMP, WRITE_ZSTD, recorder->buses);
		}
	}
	return -EEXIST;
}

static int write_frames(struct recorder *recorder)
{
	const struct gathered *writing = recorder->writing;
	int result = 0;

	if (recorder->writer == NULL && writing->count > 0) {
		result = open_file(recorder, writing->frames[0].t_ns);
	}
	for (size_t i = 0; i < writing->count && result == 0; i++) {
		result = capture_writer_put(recorder->writer, &writing->frames[i]);
	}
	return result;
}

static int flush_or_rotate(struct recorder *recorder)
{
	int64_t now_s = steady_s();
	struct stat status;
	int result = 0;

	if (recorder->writer == NULL || now_s - recorder->flushed_s < RECORDER_FLUSH_S) {
		return 0;
	}
	result = capture_writer_flush(recorder->writer);
	recorder->flushed_s = now_s;
	if (result == 0 && stat(recorder->path, &status) != 0) {
		result = -errno;
	}
	if (result == 0 && ((uint64_t)status.st_size >= recorder->most_bytes / 8 ||
		now_s - recorder->opened_s >= FILE_AGE_S)) {
		result = close_file(recorder);
	}
	return result;
}

void recorder_do(struct recorder *recorder)
{
	int result;

	assert(recorder->busy);
	result = write_frames(recorder);
	if (result == 0) {
		result = flush_or_rotate(recorder);
	}
	if (result != 0) {
		(void)close_file(recorder); /* the first error is the one to tell */
	}
	recorder->result = result;
}

const char *recorder_done(struct recorder *recorder)
{
	assert(recorder->busy);
	recorder->busy = false;
	if (recorder->result != 0) {
		recorder->unwritten += recorder->writing->count;
	}
	return tell(recorder, recorder->result);
}

const char *recorder_finish(struct recorder *recorder)
{
	int result = 0;
	int closed;

	if (recorder == NULL) {
		return NULL;
	}
	assert(!recorder->busy);
	if (recorder->gather != NULL && recorder_prepare(recorder, true)) {
		recorder_do(recorder);
		(void)recorder_done(recorder);
		result = recorder->result;
	}
	closed = close_file(recorder);
	result = result != 0 ? result : closed;
	if (result == 0) {
		return NULL;
	}
	(void)snprintf(recorder->news, sizeof(recorder->news),
		"the last raw frames could not be kept in '%s': %s", recorder->folder,
		strerror(-result));
	return recorder->news;
}

void recorder_close(struct recorder *recorder)
{
	if (recorder == NULL) {
		return;
	}
	(void)recorder_finish(recorder); /* nobody asks */
	free(recorder->gather);
	free(recorder->writing);
	free(recorder);
}

const char *recorder_losses(struct recorder *recorder, bool now)
{
	uint64_t lost = recorder->dropped - recorder->told_dropped;
	int64_t now_s = steady_s();

	if (lost == 0 || (!now && recorder->told_dropped > 0 &&
				 now_s - recorder->told_dropped_s < LOSS_PAUSE_S)) {
		return NULL;
	}
	recorder->told_dropped = recorder->dropped;
	recorder->told_dropped_s = now_s;
	(void)snprintf(recorder->news, sizeof(recorder->news),
		"%" PRIu64 " raw frames were not kept in '%s': the disk was too slow", lost,
		recorder->folder);
	return recorder->news;
}
