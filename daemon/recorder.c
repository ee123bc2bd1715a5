/* recorder.c: the happy path: frames gather in one of two buffers; a job takes that buffer, the
 * other gathers; the worker writes, ends a block each RECORDER_FLUSH_S, begins a new file when the
 * present one is large or a day old, and removes old files. When a file cannot be written it is
 * closed; the next job makes the folder when it is missing, and begins a new file.
 *
 * Which file is the oldest its number says, whatever the clocks said. How old it is the clocks must
 * say with one voice, since any of them may be wrong: a file goes for its age only when it is too
 * old by the machine's clock, by the bus's time where that is known, and, if it was ended by this
 * process, by the steady clock. A file whose time lies in the future, or before the program was
 * written, has none: it is as old as the next one that has.
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

#include "daemon/clock_watch.h"
#include "replay/capture_writer.h"

#define GATHER_MOST   8192 /* frames: four seconds of a full bus */
#define GATHER_ENOUGH 1024
#define FILE_AGE_S    86400
/* A machine's clock is often wrong when it starts, and soon set right: ages are looked at so long
 * after the beginning first, and again after as long. */
#define AGE_LOOK_S    900
#define NAME_PREFIX   "sightbowl-"
#define NAME_SUFFIX   ".log.zst"
#define NAME_BYTES    80
#define NUMBER_DIGITS 12 /* at most, so that none overflows */
#define PATH_BYTES    1200
#define FOLDER_MODE   0750
#define LOSS_PAUSE_S  60 /* between two sentences on frames that were dropped */
#define NS	      INT64_C(1000000000)

struct gathered {
	size_t count;
	struct frame frames[GATHER_MOST];
};

/* Where, and how much. */
struct bounds {
	char folder[1024]; /* "": nowhere any more */
	uint64_t most_bytes;
	int64_t most_age_s;
};

/* A file that this process has ended. */
struct ended {
	uint64_t number;
	int64_t steady_s;
};

struct recorder {
	const struct bus_names *names; /* the loop's */
	struct bounds wanted;
	bool changed;		  /* wanted is not in force yet */
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
	bool has_bus_time;
	int64_t bus_ahead_ns; /* the bus's time less the machine's, where that is known */

	/* the loop's, and the worker's while a job is under way */
	struct bounds bounds;
	struct bus_names buses;
	bool end_file;	 /* the job begins with the end of the open file … */
	bool end_behind; /* … or ends with it */
	bool moved;	 /* to another folder, where another count of files begins */
	bool job_has_bus_time;
	int64_t job_bus_ahead_ns;

	/* the worker's */
	struct capture_writer *writer;
	char path[PATH_BYTES];
	uint64_t number; /* of the open file, else of the last one; 0: not known yet */
	int64_t opened_s;
	int64_t flushed_s;
	int64_t looked_s; /* at the files' ages, last, or when it began */
	struct ended *ended;
	size_t ended_count;
	size_t ended_room;
};

static int64_t steady_s(void)
{
	return clock_watch_now().steady_ns / NS;
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
			"raw frames cannot be kept in '%s': %s; trying again",
			recorder->bounds.folder, strerror(-result));
		return recorder->news;
	}
	if (result == 0 && recorder->told) {
		recorder->told = false;
		(void)snprintf(recorder->news, sizeof(recorder->news),
			"raw frames are kept in '%s' again; at least %" PRIu64
			" were lost meanwhile",
			recorder->bounds.folder, recorder->unwritten);
		recorder->unwritten = 0;
		return recorder->news;
	}
	return NULL;
}

static void set_bounds(
	struct bounds *bounds, const char *folder, uint64_t most_bytes, int64_t most_age_s)
{
	(void)snprintf(bounds->folder, sizeof(bounds->folder), "%s", folder);
	bounds->most_bytes = most_bytes;
	bounds->most_age_s = most_age_s;
}

int recorder_open(struct recorder **ret_recorder, const char *folder, const struct bus_names *buses,
	uint64_t most_bytes, int64_t most_age_s)
{
	struct recorder *recorder;

	if (strlen(folder) >= sizeof(recorder->bounds.folder)) {
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
	set_bounds(&recorder->wanted, folder, most_bytes, most_age_s);
	recorder->bounds = recorder->wanted;
	recorder->names = buses;
	recorder->buses = *buses;
	recorder->looked_s = steady_s();
	*ret_recorder = recorder;
	return 0;
}

void recorder_change(
	struct recorder *recorder, const char *folder, uint64_t most_bytes, int64_t most_age_s)
{
	struct bounds *wanted = &recorder->wanted;

	assert(strlen(folder) < sizeof(wanted->folder));
	recorder->changed |= strcmp(wanted->folder, folder) != 0 ||
			     wanted->most_bytes != most_bytes || wanted->most_age_s != most_age_s;
	set_bounds(wanted, folder, most_bytes, most_age_s);
}

bool recorder_is_over(const struct recorder *recorder)
{
	return !recorder->busy && !recorder->changed && recorder->bounds.folder[0] == '\0';
}

void recorder_tell_bus_time(struct recorder *recorder, bool known, int64_t ahead_ns)
{
	recorder->has_bus_time = known;
	recorder->bus_ahead_ns = known ? ahead_ns : 0;
}

int recorder_try_folder(const char *folder)
{
	int result = make_folder(folder);

	return result == 0 && access(folder, W_OK | X_OK) != 0 ? -errno : result;
}

const char *recorder_prepare_folder(struct recorder *recorder)
{
	assert(!recorder->busy);
	return tell(recorder, recorder_try_folder(recorder->bounds.folder));
}

void recorder_put(struct recorder *recorder, const struct frame *frames, size_t count)
{
	struct gathered *gather = recorder->gather;
	size_t room = GATHER_MOST - gather->count;
	size_t taken = count < room ? count : room;

	if (recorder->wanted.folder[0] == '\0') {
		return;
	}
	memcpy(gather->frames + gather->count, frames, taken * sizeof(*frames));
	gather->count += taken;
	recorder->dropped += count - taken;
}

/* The wanted bounds come into force; what failed in another folder is forgotten with it. */
static void take_wanted(struct recorder *recorder)
{
	if (strcmp(recorder->bounds.folder, recorder->wanted.folder) != 0) {
		recorder->moved = true;
		recorder->told = false;
		recorder->unwritten = 0;
	}
	recorder->bounds = recorder->wanted;
	recorder->changed = false;
}

bool recorder_prepare(struct recorder *recorder, bool now)
{
	struct gathered *gather = recorder->gather;

	if (recorder->busy || (!recorder->changed && gather->count < (now ? 1 : GATHER_ENOUGH))) {
		return false;
	}
	recorder->end_file = false;
	recorder->end_behind = false;
	if (recorder->changed && recorder->wanted.folder[0] == '\0') {
		recorder->end_behind = true; /* what came before is kept where it belongs */
	} else if (recorder->changed) {
		recorder->end_file = true;
		take_wanted(recorder);
	}
	recorder->buses = *recorder->names;
	recorder->job_has_bus_time = recorder->has_bus_time;
	recorder->job_bus_ahead_ns = recorder->bus_ahead_ns;
	recorder->gather = recorder->writing;
	recorder->writing = gather;
	recorder->gather->count = 0;
	recorder->busy = true;
	return true;
}

/* Our own captures only: a name that this module makes, or made before names had numbers (those
 * count as 0).
 */
static bool is_ours(const char *name, uint64_t *ret_number)
{
	size_t length = strlen(name);
	size_t digits;

	if (length <= strlen(NAME_PREFIX NAME_SUFFIX) || length >= NAME_BYTES ||
		strncmp(name, NAME_PREFIX, strlen(NAME_PREFIX)) != 0 ||
		strcmp(name + length - strlen(NAME_SUFFIX), NAME_SUFFIX) != 0) {
		return false;
	}
	name += strlen(NAME_PREFIX);
	digits = strspn(name, "0123456789");
	/* A year has four digits, a number six or more. */
	*ret_number = digits >= 6 && digits <= NUMBER_DIGITS && name[digits] == '-'
			      ? strtoull(name, NULL, 10)
			      : 0;
	return true;
}

/* A file in the folder. */
struct kept {
	uint64_t number;
	int64_t bytes;
	int64_t written_ns; /* last, by the machine's clock as it was then */
	char name[NAME_BYTES];
};

/* The order in which they were recorded. */
static int compare_kept(const void *one, const void *other)
{
	const struct kept *a = one;
	const struct kept *b = other;

	if (a->number != b->number) {
		return a->number < b->number ? -1 : 1;
	}
	if (a->written_ns != b->written_ns) {
		return a->written_ns < b->written_ns ? -1 : 1;
	}
	return strcmp(a->name, b->name);
}

/* All captures but the open one, in their order, for the caller to free. */
static int list_files(const struct recorder *recorder, struct kept **ret_files, size_t *ret_count)
{
	DIR *folder = opendir(recorder->bounds.folder);
	const struct dirent *entry;
	struct kept *files = NULL;
	size_t count = 0, room = 0;

	if (folder == NULL) {
		return -errno;
	}
	while ((entry = readdir(folder)) != NULL) {
		char path[PATH_BYTES + 256];
		struct stat status;
		uint64_t number;

		(void)snprintf(path, sizeof(path), "%s/%s", recorder->bounds.folder, entry->d_name);
		if (!is_ours(entry->d_name, &number) || strcmp(path, recorder->path) == 0 ||
			stat(path, &status) != 0) {
			continue;
		}
		if (count == room) {
			size_t more = room == 0 ? 64 : 2 * room;
			struct kept *larger = realloc(files, more * sizeof(*files));

			if (larger == NULL) {
				free(files);
				(void)closedir(folder); /* it was only read */
				return -ENOMEM;
			}
			files = larger;
			room = more;
		}
		files[count] = (struct kept){
			.number = number,
			.bytes = status.st_size,
			.written_ns = status.st_mtim.tv_sec * NS + status.st_mtim.tv_nsec,
		};
		memcpy(files[count].name, entry->d_name, strlen(entry->d_name) + 1);
		count++;
	}
	(void)closedir(folder);
	if (count > 0) {
		qsort(files, count, sizeof(*files), compare_kept);
	}
	*ret_files = files;
	*ret_count = count;
	return 0;
}

/* How long ago a file of this process was ended, -1: it is none. */
static int64_t ended_ago_s(const struct recorder *recorder, uint64_t number)
{
	for (size_t i = 0; i < recorder->ended_count; i++) {
		if (recorder->ended[i].number == number) {
			return steady_s() - recorder->ended[i].steady_s;
		}
	}
	return -1;
}

/* Whether a file is too old by every clock. written_ns: its time, or one before which it was
 * recorded. */
static bool is_too_old(const struct recorder *recorder, const struct kept *file, int64_t written_ns,
	int64_t wall_ns)
{
	int64_t most_ns = recorder->bounds.most_age_s * NS;
	int64_t ago_s = ended_ago_s(recorder, file->number);

	return wall_ns - written_ns > most_ns &&
	       wall_ns + recorder->job_bus_ahead_ns - written_ns > most_ns &&
	       (ago_s < 0 || ago_s > recorder->bounds.most_age_s);
}

/* How many files, from the oldest on, are too old. */
static size_t count_old(const struct recorder *recorder, const struct kept *files, size_t count)
{
	int64_t wall_ns = clock_watch_now().wall_ns;
	int64_t latest_ns = INT64_MIN;
	size_t old = 0;

	for (size_t i = 0; i < count; i++) {
		if (files[i].written_ns > wall_ns ||
			files[i].written_ns < CLOCK_WATCH_WRITTEN_S * NS) {
			continue; /* goes with the next that has a time */
		}
		/* It was recorded behind those before it, whatever its clock said. */
		latest_ns = files[i].written_ns > latest_ns ? files[i].written_ns : latest_ns;
		if (!is_too_old(recorder, &files[i], latest_ns, wall_ns)) {
			break;
		}
		old = i + 1;
	}
	return old;
}

static void forget_ended(struct recorder *recorder, uint64_t number)
{
	for (size_t i = 0; i < recorder->ended_count; i++) {
		if (recorder->ended[i].number == number) {
			recorder->ended[i] = recorder->ended[--recorder->ended_count];
			return;
		}
	}
}

/* Removes old files until what stays, and a file's worth more, is within the bounds. */
static int prune(struct recorder *recorder)
{
	uint64_t most = recorder->bounds.most_bytes;
	int64_t now_s = steady_s();
	struct kept *files = NULL;
	size_t count = 0, old = 0;
	uint64_t bytes = most / 8;
	int result = list_files(recorder, &files, &count);

	if (result != 0) {
		return result;
	}
	for (size_t i = 0; i < count; i++) {
		bytes += (uint64_t)files[i].bytes;
		/* The next file is behind all. */
		if (files[i].number > recorder->number) {
			recorder->number = files[i].number;
		}
	}
	if (now_s - recorder->looked_s >= AGE_LOOK_S) {
		recorder->looked_s = now_s;
		old = count_old(recorder, files, count);
	}
	for (size_t i = 0; i < count && (i < old || bytes > most) && result == 0; i++) {
		char path[PATH_BYTES + 256];

		(void)snprintf(path, sizeof(path), "%s/%s", recorder->bounds.folder, files[i].name);
		if (unlink(path) != 0) {
			result = -errno;
		} else {
			bytes -= (uint64_t)files[i].bytes;
			forget_ended(recorder, files[i].number);
		}
	}
	free(files);
	return result;
}

/* Without memory for it, the file's age goes by the other clocks alone. */
static void remember_ended(struct recorder *recorder)
{
	if (recorder->ended_count == recorder->ended_room) {
		size_t room = recorder->ended_room == 0 ? 16 : 2 * recorder->ended_room;
		struct ended *larger = realloc(recorder->ended, room * sizeof(*larger));

		if (larger == NULL) {
			return;
		}
		recorder->ended = larger;
		recorder->ended_room = room;
	}
	recorder->ended[recorder->ended_count++] =
		(struct ended){.number = recorder->number, .steady_s = steady_s()};
}

static int close_file(struct recorder *recorder)
{
	int result = capture_writer_close(recorder->writer);
	struct stat status;

	/* On a full disk there would be one more empty file each time that it is tried. */
	if (recorder->writer != NULL &&
		(result == 0 || stat(recorder->path, &status) != 0 || status.st_size > 0 ||
			unlink(recorder->path) != 0)) {
		remember_ended(recorder);
	}
	recorder->writer = NULL;
	recorder->path[0] = '\0';
	return result;
}

/* The name has a number that rises, and the time of its first frame by the machine's clock. */
static int open_file(struct recorder *recorder, int64_t t_ns)
{
	time_t seconds = (time_t)(t_ns / NS);
	char stamp[40];
	struct tm tm;
	int length;
	int result = make_folder(recorder->bounds.folder);

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
	recorder->number++;
	length = snprintf(recorder->path, sizeof(recorder->path),
		"%s/" NAME_PREFIX "%06" PRIu64 "-%s" NAME_SUFFIX, recorder->bounds.folder,
		recorder->number, stamp);
	if (length < 0 || length >= (int)sizeof(recorder->path)) {
		return -ENAMETOOLONG;
	}
	recorder->opened_s = steady_s();
	recorder->flushed_s = recorder->opened_s;
	return capture_writer_open(
		&recorder->writer, recorder->path, WRITE_CANDUMP, WRITE_ZSTD, &recorder->buses);
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
	if (result == 0 && now_s - recorder->looked_s >= AGE_LOOK_S) {
		result = prune(recorder);
	}
	if (result == 0 && ((uint64_t)status.st_size >= recorder->bounds.most_bytes / 8 ||
				   now_s - recorder->opened_s >= FILE_AGE_S)) {
		result = close_file(recorder);
	}
	return result;
}

void recorder_do(struct recorder *recorder)
{
	int result = 0;

	assert(recorder->busy);
	if (recorder->end_file) {
		(void)close_file(
			recorder); /* what is lost of its last block, a power cut would cost, too */
		if (recorder->moved) {
			recorder->moved = false;
			recorder->number = 0;
			recorder->ended_count = 0;
		}
		result = prune(recorder);
		result = result == -ENOENT ? 0 : result; /* the folder is made with the next file */
	}
	if (result == 0) {
		result = write_frames(recorder);
	}
	if (result == 0) {
		result = flush_or_rotate(recorder);
	}
	if (result != 0 || recorder->end_behind) {
		int closed = close_file(recorder);

		result = result != 0 ? result : closed; /* the first error is the one to tell */
	}
	recorder->result = result;
}

const char *recorder_done(struct recorder *recorder)
{
	const char *news;

	assert(recorder->busy);
	recorder->busy = false;
	if (recorder->result != 0) {
		recorder->unwritten += recorder->writing->count;
	}
	news = tell(recorder, recorder->result);
	/* Unless it was wanted again meanwhile. */
	if (recorder->end_behind && recorder->wanted.folder[0] == '\0') {
		take_wanted(recorder);
	}
	return news;
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
		"the last raw frames could not be kept in '%s': %s", recorder->bounds.folder,
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
	free(recorder->ended);
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
		recorder->wanted.folder);
	return recorder->news;
}
