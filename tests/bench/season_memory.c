/* What memory the daemon's inner part takes over seasons: a capture is told to the analysis and the live
 * log as `watch` does it, with its hours in seconds, and resident memory is printed on the way.
 *
 * season_memory CAPTURE LOG [SEASONS [CONFIG]]   makes the log anew; each season follows the one before
 * it in time. Prints "season N hours H resident_kb R anonymous_kb A most_kb M log_kb L" each 20 hours
 * of the bus, and at the end "grew_bytes G": what lies on the heap after the last season, with the capture
 * closed, less what did after the first. Most of the resident memory is the capture reader's.
 */
#include <inttypes.h>
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "analysis/pipeline.h"
#include "daemon/book_works.h"
#include "daemon/config.h"
#include "daemon/live_log.h"
#include "daemon/log_store.h"
#include "replay/capture.h"

#define BATCH   64 /* as a bus is read */
#define HOUR_NS (INT64_C(3600) * 1000000000)
#define DAY_NS  (24 * HOUR_NS)

static struct settings settings;

struct season {
	struct live_log *log;
	struct pipeline *pipeline;
	struct log_store *book;
	const char *path;
	int64_t kept_ns;
	int64_t committed_ns;
};

static long memory_kb(const char *name)
{
	FILE *status = fopen("/proc/self/status", "r");
	char line[256];
	long kb = -1;

	while (status != NULL && fgets(line, sizeof(line), status) != NULL) {
		if (strncmp(line, name, strlen(name)) == 0) {
			kb = strtol(line + strlen(name) + 1, NULL, 10);
		}
	}
	if (status != NULL) {
		(void)fclose(status);
	}
	return kb;
}

static size_t heap_bytes(void)
{
	struct mallinfo2 heap = mallinfo2();

	return heap.uordblks + heap.hblkhd;
}

static void do_job(struct season *season)
{
	live_log_do(season->log);
	if (live_log_done(season->log) != 0) {
		fprintf(stderr, "season_memory: %s\n", live_log_trouble(season->log));
		exit(1);
	}
}

static void commit(struct season *season)
{
	char error[512];

	if (season->book == NULL &&
		log_store_open_reader(&season->book, season->path, error, sizeof(error)) != 0) {
		season->book = NULL;
	} else if (book_works_load(log_store_db(season->book), &settings.boat) == 0) {
		pipeline_tell_works(
			season->pipeline, settings.boat.works, settings.boat.work_count);
	}
	if (live_log_commit(season->log, season->pipeline)) {
		do_job(season);
	}
}

static void tell(struct season *season, const struct frame *frames, size_t count)
{
	int64_t now_ns = frames[count - 1].t_ns;

	pipeline_frames(season->pipeline, frames, count);
	if (now_ns - season->committed_ns >= LIVE_LOG_COMMIT_MS * INT64_C(1000000) ||
		live_log_wants_commit(season->log)) {
		commit(season);
		season->committed_ns = now_ns;
	}
	if (now_ns - season->kept_ns >= LIVE_LOG_KEEP_MS * INT64_C(1000000)) {
		if (live_log_keep(season->log, season->pipeline)) {
			do_job(season);
		}
		season->kept_ns = now_ns;
	}
}

static void print(const struct season *season, int number, double hours)
{
	struct stat status = {0};

	(void)stat(season->path, &status); /* else its size reads 0 */
	printf("season %d hours %.0f resident_kb %ld anonymous_kb %ld most_kb %ld log_kb %lld\n", number,
		hours, memory_kb("VmRSS:"), memory_kb("RssAnon:"), memory_kb("VmHWM:"),
		(long long)status.st_size / 1024);
	(void)fflush(stdout);
}

/* Returns the time of the season's last frame, or a negative number. */
static int64_t go_through(struct season *season, const char *path, int number, int64_t shift_ns,
	int64_t *ret_first_ns)
{
	static struct frame frames[BATCH];
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	char error[256];
	int64_t heard_ns = 0;
	int64_t before_ns = 0;
	double shown_h = 0;
	int64_t got;

	if (capture_open(&capture, path, &buses, NULL, error, sizeof(error)) < 0) {
		fprintf(stderr, "season_memory: %s\n", error);
		return -1;
	}
	while ((got = capture_read(capture, frames, BATCH)) > 0) {
		for (int64_t i = 0; i < got; i++) {
			frames[i].t_ns += shift_ns;
		}
		if (before_ns == 0) {
			*ret_first_ns = frames[0].t_ns;
		} else if (frames[0].t_ns - before_ns < HOUR_NS) {
			heard_ns += frames[got - 1].t_ns - before_ns;
		}
		before_ns = frames[got - 1].t_ns;
		tell(season, frames, (size_t)got);
		if ((double)heard_ns / HOUR_NS >= shown_h + 20) {
			shown_h += 20;
			print(season, number, (double)heard_ns / HOUR_NS);
		}
	}
	capture_close(capture);
	return before_ns;
}

int main(int argc, char **argv)
{
	static const char *const endings[] = {"", "-wal", "-shm", "-batch", ".lock"};
	static const char *const names[] = {"can0"};
	int seasons = argc > 3 ? atoi(argv[3]) : 3;
	struct season season = {0};
	struct bus_names buses = {0};
	struct fact_sink sink;
	char text[1200];
	bool rebuilt;
	size_t first_bytes = 0;
	int64_t shift_ns = 0;

	if (argc < 3) {
		fprintf(stderr, "season_memory: needs a capture and a name for a log\n");
		return 2;
	}
	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		(void)snprintf(text, sizeof(text), "%s%s", argv[2], endings[i]);
		(void)unlink(text); /* it need not be there */
	}
	settings_init(&settings);
	if (argc > 4 && config_read(&settings, argv[4], text, sizeof(text)) != 0) {
		fprintf(stderr, "season_memory: %s\n", text);
		return 1;
	}
	season.path = argv[2];
	season.pipeline = malloc(pipeline_size());
	if (season.pipeline == NULL ||
		live_log_open(&season.log, argv[2], text, sizeof(text)) != 0 ||
		live_log_begin(season.log, &settings, names, 1, &buses, &rebuilt) != 0) {
		fprintf(stderr, "season_memory: cannot begin\n");
		return 1;
	}
	sink = live_log_sink(season.log);
	pipeline_init(season.pipeline, &settings.boat, &sink);
	if (live_log_resume(season.log, season.pipeline) != 0) {
		fprintf(stderr, "season_memory: cannot resume\n");
		return 1;
	}
	print(&season, 0, 0);
	for (int i = 1; i <= seasons; i++) {
		int64_t first_ns = 0;
		int64_t last_ns = go_through(&season, argv[1], i, shift_ns, &first_ns);
		if (last_ns < 0) {
			return 1;
		}
		shift_ns += last_ns - first_ns + 30 * DAY_NS;
		commit(&season);
		print(&season, i, 0);
		first_bytes = i == 1 ? heap_bytes() : first_bytes;
	}
	printf("grew_bytes %lld\n", (long long)heap_bytes() - (long long)first_bytes);
	log_store_close(season.book);
	live_log_close(season.log);
	free(season.pipeline);
	return 0;
}
