/* The log of a running bus: what is safe when, what a failing disk leaves, what the next start finds. */
#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>
#include <sqlite3.h>

#include "daemon/live_log.h"
#include "daemon/log_store.h"
#include "tests/unit/boat_traffic.h"

static char folder[40], path[80], batch[90];
static struct settings settings;
static struct bus_names buses;

/* Nobody waits a minute for a lock here. */
int sqlite3_busy_timeout(sqlite3 *db, int ms)
{
	(void)ms;
	return sqlite3_busy_handler(db, NULL, NULL);
}

static struct live_log *live;
static struct traffic_boat boat; /* its pipeline tells the live log */

static void open_named(const char *const *names, size_t count)
{
	struct pipeline_numbers none = {0};
	struct fact_sink sink;
	char error[600];
	bool rebuilt = true;

	assert_int_equal(live_log_open(&live, path, error, sizeof(error)), 0);
	settings_init(&settings);
	assert_int_equal(live_log_begin(live, &settings, names, count, &buses, &rebuilt), 0);
	assert_false(rebuilt);
	sink = live_log_sink(live);
	boat.pipeline = malloc(pipeline_size());
	assert_non_null(boat.pipeline);
	pipeline_init(boat.pipeline, &settings.boat, &sink);
	pipeline_start(boat.pipeline, &none, false);
	assert_int_equal(live_log_resume(live, boat.pipeline), 0);
}

static void open_log(void)
{
	open_named((const char *const[]){"can0"}, 1);
}

/* Ends as a kill does: nothing more is written. */
static void drop_log(void)
{
	live_log_close(live);
	live = NULL;
	free(boat.pipeline);
	boat.pipeline = NULL;
}

static int begin(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof(folder), "/tmp/test_live_log.XXXXXX");
	if (mkdtemp(folder) == NULL) {
		return -1;
	}
	(void)snprintf(path, sizeof(path), "%s/boat.db", folder);
	(void)snprintf(batch, sizeof(batch), "%s-batch", path);
	memset(&boat, 0, sizeof(boat));
	traffic_begin(&boat);
	traffic_end(&boat); /* only its senders are wanted */
	open_log();
	return 0;
}

static void remove_log(void)
{
	static const char *const suffixes[] = {"", "-wal", "-shm", "-batch", ".lock"};
	char name[100];

	for (size_t i = 0; i < sizeof(suffixes) / sizeof(suffixes[0]); i++) {
		(void)snprintf(name, sizeof(name), "%s%s", path, suffixes[i]);
		(void)unlink(name);
	}
}

static int end(void **state)
{
	struct rlimit files;

	(void)state;
	(void)getrlimit(RLIMIT_FSIZE, &files);
	files.rlim_cur = files.rlim_max;
	(void)setrlimit(RLIMIT_FSIZE, &files); /* a test that failed may have left less */
	drop_log();
	remove_log();
	return rmdir(folder);
}

static int do_job(void)
{
	assert_true(live_log_is_busy(live));
	live_log_do(live);
	return live_log_done(live);
}

static int keep(void)
{
	assert_true(live_log_keep(live, boat.pipeline));
	return do_job();
}

static int commit(void)
{
	assert_true(live_log_commit(live, boat.pipeline));
	return do_job();
}

static int64_t ask(const char *question)
{
	sqlite3 *db = NULL;
	sqlite3_stmt *statement = NULL;
	int64_t answer;

	assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_prepare_v2(db, question, -1, &statement, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
	answer = sqlite3_column_int64(statement, 0);
	assert_int_equal(sqlite3_finalize(statement), SQLITE_OK);
	assert_int_equal(sqlite3_close(db), SQLITE_OK);
	return answer;
}

#define WINDOWS "SELECT count(*) FROM windows"

static void nothing_new_is_no_job(void **state)
{
	(void)state;
	assert_false(live_log_keep(live, boat.pipeline));
	assert_false(live_log_commit(live, boat.pipeline));
	assert_false(live_log_is_behind(live, boat.pipeline));
	traffic_run(&boat, 60);
	assert_true(live_log_is_behind(live, boat.pipeline));
	assert_int_equal(keep(), 0);
	assert_true(live_log_is_behind(live, boat.pipeline)); /* the batch file is not the log */
	assert_false(live_log_keep(live, boat.pipeline));
	assert_int_equal(commit(), 0);
	assert_false(live_log_is_behind(live, boat.pipeline));
	assert_false(live_log_commit(live, boat.pipeline));
}

static void a_commit_is_in_the_log_for_every_reader(void **state)
{
	(void)state;
	traffic_run(&boat, 120);
	assert_int_equal(ask("SELECT count(*) FROM runs"), 0);
	assert_int_equal(commit(), 0);
	assert_int_equal(ask("SELECT count(*) FROM runs"), 1);
	/* Eleven whole windows, and the one that is open. */
	assert_in_range(ask(WINDOWS), 11, 13);
	assert_string_equal(live_log_trouble(live), "");
	assert_int_equal(live_log_waiting(live), 0);
}

static void what_was_kept_is_there_after_a_kill_and_goes_on(void **state)
{
	uint64_t frames;
	int64_t windows;

	(void)state;
	traffic_run(&boat, 120);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 60);
	assert_int_equal(keep(), 0);
	frames = pipeline_frame_count(boat.pipeline);
	traffic_run(&boat, 20); /* this is lost */
	windows = ask(WINDOWS);
	drop_log();
	open_log();
	assert_true(pipeline_frame_count(boat.pipeline) == frames);
	assert_in_range(ask(WINDOWS), (uint64_t)windows + 5, (uint64_t)windows + 6);
	traffic_run(&boat, 400); /* until the seam is settled */
	assert_int_equal(commit(), 0);
	assert_int_equal(ask("SELECT count(*) FROM runs"), 1); /* one run over the kill */
}

static void a_reader_is_told_what_only_the_batch_file_holds(void **state)
{
	struct log_store *reader = NULL;
	char error[600];
	int64_t raw_ns = 0;

	(void)state;
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	assert_int_equal(log_store_open_reader(&reader, path, error, sizeof(error)), 0);
	assert_int_equal(log_store_unseen(reader, &raw_ns), 0);
	log_store_close(reader);
	for (int i = 0; i < 2; i++) {
		traffic_run(&boat, 30);
		assert_int_equal(keep(), 0);
	}
	assert_int_equal(log_store_open_reader(&reader, path, error, sizeof(error)), 0);
	assert_int_equal(log_store_unseen(reader, &raw_ns), 2);
	assert_true(raw_ns == pipeline_raw_ns(boat.pipeline));
	log_store_close(reader);
}

static void kept_twice_and_committed_is_there_once(void **state)
{
	(void)state;
	for (int i = 0; i < 4; i++) {
		traffic_run(&boat, 30);
		assert_int_equal(keep(), 0);
	}
	assert_int_equal(commit(), 0);
	int64_t windows = ask(WINDOWS);
	drop_log();
	open_log(); /* the batch file is of before the commit */
	assert_int_equal(ask(WINDOWS), windows);
}

static void facts_that_come_while_a_job_is_done_are_the_next_ones(void **state)
{
	(void)state;
	traffic_run(&boat, 60);
	assert_true(live_log_commit(live, boat.pipeline));
	traffic_run(&boat, 60); /* the worker is slow */
	live_log_do(live);
	assert_int_equal(live_log_done(live), 0);
	assert_true(live_log_is_behind(live, boat.pipeline));
	assert_in_range(ask(WINDOWS), 5, 7);
	assert_int_equal(commit(), 0);
	assert_in_range(ask(WINDOWS), 11, 13);
}

static void a_log_that_others_hold_is_told_and_written_when_they_let_go(void **state)
{
	sqlite3 *other = NULL;

	(void)state;
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 60);
	assert_int_equal(sqlite3_open(path, &other), SQLITE_OK);
	assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
	assert_true(commit() < 0);
	assert_string_not_equal(live_log_trouble(live), "");
	assert_true(live_log_waiting(live) > 0);
	assert_true(live_log_wants_commit(live));
	traffic_run(&boat, 30);
	assert_int_equal(keep(), 0); /* still safe at a power cut */
	traffic_run(&boat, 30);
	assert_int_equal(sqlite3_exec(other, "ROLLBACK", NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_close(other), SQLITE_OK);
	assert_int_equal(commit(), 0);
	assert_string_equal(live_log_trouble(live), "");
	assert_int_equal(live_log_waiting(live), 0);
	assert_in_range(ask(WINDOWS), 17, 19);
	assert_int_equal(ask("SELECT count(*) FROM runs"), 1);
}

static void a_reader_does_not_hold_the_writer_up(void **state)
{
	sqlite3 *other = NULL;
	sqlite3_stmt *reading = NULL;

	(void)state;
	traffic_run(&boat, 120);
	assert_int_equal(commit(), 0);
	assert_int_equal(sqlite3_open_v2(path, &other, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_exec(other, "BEGIN", NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_prepare_v2(other, WINDOWS, -1, &reading, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_step(reading), SQLITE_ROW);
	int64_t seen = sqlite3_column_int64(reading, 0);
	for (int i = 0; i < 5; i++) {
		traffic_run(&boat, 60);
		assert_int_equal(commit(), 0);
	}
	/* It sees what was there when it began. */
	assert_int_equal(sqlite3_reset(reading), SQLITE_OK);
	assert_int_equal(sqlite3_step(reading), SQLITE_ROW);
	assert_int_equal(sqlite3_column_int64(reading, 0), seen);
	assert_int_equal(sqlite3_finalize(reading), SQLITE_OK);
	assert_int_equal(sqlite3_close(other), SQLITE_OK);
	assert_true(ask(WINDOWS) >= seen + 29);
}

static void limit_files(rlim_t bytes)
{
	struct rlimit limit;

	assert_int_equal(getrlimit(RLIMIT_FSIZE, &limit), 0);
	limit.rlim_cur = bytes;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
}

static void a_disk_that_takes_nothing_is_told_and_nothing_is_lost(void **state)
{
	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 60);
	limit_files(0); /* each write fails with EFBIG */
	assert_true(keep() < 0);
	assert_true(live_log_wants_commit(live)); /* the other way is tried */
	assert_true(commit() < 0);
	assert_string_not_equal(live_log_trouble(live), "");
	traffic_run(&boat, 60);
	assert_true(commit() < 0);
	assert_true(live_log_waiting(live) > 0);
	limit_files(RLIM_INFINITY);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 30);
	assert_int_equal(keep(), 0);
	assert_string_equal(live_log_trouble(live), "");
	assert_false(live_log_wants_commit(live));
	assert_in_range(ask(WINDOWS), 17, 19);
}

/* ---- a disk that takes nothing when the log is to begin ---- */

/* All that is in the log, as text; the caller's to free. The batch's generation is drawn by lot for
 * each log. */
static char *whole_log(void)
{
	static const char *const questions[] = {
		"SELECT key, value FROM meta WHERE key <> 'batch'", "SELECT * FROM buses",
		"SELECT * FROM slots", "SELECT * FROM lane_slots", "SELECT * FROM sessions",
		"SELECT * FROM windows", "SELECT * FROM minutes", "SELECT * FROM trips", "SELECT * FROM runs",
		"SELECT * FROM events", "SELECT * FROM filter_states", "SELECT * FROM tank_states",
		"SELECT lane, part, data, raw_ns, size FROM checkpoints"};
	char *text = NULL;
	size_t size = 0;
	FILE *out = open_memstream(&text, &size);
	sqlite3 *db = NULL;

	assert_non_null(out);
	assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	for (size_t i = 0; i < sizeof(questions) / sizeof(questions[0]); i++) {
		sqlite3_stmt *statement = NULL;

		(void)fprintf(out, "%s\n", questions[i]);
		assert_int_equal(sqlite3_prepare_v2(db, questions[i], -1, &statement, NULL), SQLITE_OK);
		while (sqlite3_step(statement) == SQLITE_ROW) {
			for (int j = 0; j < sqlite3_column_count(statement); j++) {
				const uint8_t *bytes = sqlite3_column_blob(statement, j);

				for (int at = 0; at < sqlite3_column_bytes(statement, j); at++) {
					(void)fprintf(out, "%02x", (unsigned)bytes[at]);
				}
				(void)fputc('|', out);
			}
			(void)fputc('\n', out);
		}
		assert_int_equal(sqlite3_finalize(statement), SQLITE_OK);
	}
	assert_int_equal(sqlite3_close(db), SQLITE_OK);
	assert_int_equal(fclose(out), 0);
	return text;
}

/* A boat's hour with a kill in it, and a start of which the disk takes nothing (or not): at first,
 * or again when the log was just opened. */
enum start {
	START_WELL,
	START_IN_TROUBLE,
	START_IN_TROUBLE_TWICE,
};

static char *sail_with_a_start(enum start start)
{
	char *log;

	traffic_run(&boat, 300);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 60);
	assert_int_equal(keep(), 0);
	drop_log();
	if (start != START_WELL) {
		limit_files(0);
	}
	open_log();
	assert_int_equal(live_log_is_waiting(live), start != START_WELL);
	traffic_run(&boat, 60);
	pipeline_clock_stepped(boat.pipeline, 86400 * TRAFFIC_S); /* while it waits */
	boat.t_ns += 86400 * TRAFFIC_S;
	traffic_run(&boat, 60);
	if (start == START_WELL) {
		/* In trouble the first commit tells what was open; here it is told at the same
		 * moment. */
		assert_int_equal(commit(), 0);
	} else {
		assert_string_not_equal(live_log_trouble(live), "");
		assert_false(live_log_keep(live, boat.pipeline));
		assert_true(commit() < 0);
		assert_true(live_log_is_waiting(live));
		assert_true(live_log_waiting(live) > 0);
		limit_files(RLIM_INFINITY);
	}
	traffic_run(&boat, 120);
	if (start == START_IN_TROUBLE_TWICE) {
		assert_int_equal(commit(), 0);
		limit_files(0);
		traffic_run(&boat, 60);
		assert_true(commit() < 0);
		limit_files(RLIM_INFINITY);
	} else {
		traffic_run(&boat, 60);
	}
	assert_int_equal(commit(), 0);
	assert_false(live_log_is_waiting(live));
	assert_false(live_log_is_lost(live));
	assert_string_equal(live_log_trouble(live), "");
	assert_false(live_log_is_behind(live, boat.pipeline));
	traffic_run(&boat, 400);
	assert_int_equal(keep(), 0);
	assert_int_equal(commit(), 0);
	log = whole_log();
	drop_log();
	remove_log();
	traffic_begin(&boat);
	traffic_end(&boat);
	open_log();
	return log;
}

static void a_start_that_the_disk_does_not_let_write_gives_what_another_gives(void **state)
{
	char *well, *troubled, *twice;

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	well = sail_with_a_start(START_WELL);
	assert_non_null(strstr(well, "SELECT * FROM runs\n3"));
	assert_non_null(strstr(well, "636c6f636b2d73746570")); /* clock-step */
	troubled = sail_with_a_start(START_IN_TROUBLE);
	assert_string_equal(troubled, well);
	twice = sail_with_a_start(START_IN_TROUBLE_TWICE);
	assert_string_equal(twice, well);
	free(well);
	free(troubled);
	free(twice);
}

static void a_log_that_cannot_be_made_is_made_when_it_can(void **state)
{
	char *well, *troubled;

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	traffic_run(&boat, 600);
	assert_int_equal(commit(), 0);
	well = whole_log();
	drop_log();
	remove_log();
	traffic_begin(&boat);
	traffic_end(&boat);
	limit_files(0);
	open_log();
	assert_true(live_log_is_waiting(live));
	/* The log itself is wanted, even before anything is heard. */
	assert_true(live_log_is_behind(live, boat.pipeline));
	assert_true(live_log_wants_commit(live));
	assert_true(commit() < 0);
	traffic_run(&boat, 600);
	assert_true(commit() < 0);
	limit_files(RLIM_INFINITY);
	assert_int_equal(commit(), 0);
	troubled = whole_log();
	assert_string_equal(troubled, well);
	free(well);
	free(troubled);
}

static void a_start_in_trouble_changes_nothing_before_it_can_write(void **state)
{
	char *before, *after;

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	traffic_run(&boat, 100);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 100);
	assert_int_equal(keep(), 0);
	uint64_t frames = pipeline_frame_count(boat.pipeline);
	drop_log();
	before = whole_log();
	for (int i = 0; i < 3; i++) {
		limit_files(0);
		open_log();
		assert_true(live_log_is_waiting(live));
		assert_true(pipeline_frame_count(boat.pipeline) == frames);
		traffic_run(&boat, 100);
		assert_true(commit() < 0);
		drop_log(); /* killed while it waits */
		limit_files(RLIM_INFINITY);
	}
	after = whole_log();
	assert_string_equal(after, before);
	free(before);
	free(after);
	open_log();
	assert_false(live_log_is_waiting(live));
	assert_true(pipeline_frame_count(boat.pipeline) == frames);
}

static void only_one_process_waits_for_a_log(void **state)
{
	struct live_log *second = NULL;
	char error[600] = "";

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	drop_log();
	limit_files(0);
	open_log();
	assert_true(live_log_is_waiting(live));
	assert_int_equal(live_log_open(&second, path, error, sizeof(error)), -EBUSY);
	assert_non_null(strstr(error, "is being written by another sightbowl"));
	assert_null(second);
}

static void a_log_that_another_wrote_meanwhile_is_never_joined(void **state)
{
	struct live_log *waiting;
	struct pipeline *pipeline;
	int64_t windows;

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	traffic_run(&boat, 100);
	assert_int_equal(commit(), 0);
	drop_log();
	limit_files(0);
	open_log();
	waiting = live;
	pipeline = boat.pipeline;
	traffic_run(&boat, 100);
	limit_files(RLIM_INFINITY);
	/* The lock's file is lost, so another process gets its own. */
	char name[100];
	(void)snprintf(name, sizeof(name), "%s.lock", path);
	assert_int_equal(unlink(name), 0);
	open_log();
	traffic_run(&boat, 50);
	assert_int_equal(commit(), 0);
	windows = ask(WINDOWS);
	/* While that one writes, the lock is its own. */
	assert_true(live_log_commit(waiting, pipeline));
	live_log_do(waiting);
	assert_int_equal(live_log_done(waiting), -EBUSY);
	assert_false(live_log_is_lost(waiting));
	drop_log();
	live = waiting;
	boat.pipeline = pipeline;
	assert_int_equal(commit(), -ESTALE);
	assert_true(live_log_is_lost(live));
	assert_non_null(strstr(live_log_trouble(live), "not as it was left"));
	assert_int_equal(ask(WINDOWS), windows);
	assert_int_equal(commit(), -ESTALE);
}

static void a_log_that_is_gone_is_waited_for_and_none_is_made_instead(void **state)
{
	char aside[100];

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	traffic_run(&boat, 100);
	assert_int_equal(commit(), 0);
	drop_log();
	limit_files(0);
	open_log();
	traffic_run(&boat, 100);
	(void)snprintf(aside, sizeof(aside), "%s.aside", path);
	assert_int_equal(rename(path, aside), 0);
	limit_files(RLIM_INFINITY);
	assert_int_equal(commit(), -ENOENT);
	assert_non_null(strstr(live_log_trouble(live), "is gone"));
	assert_int_equal(access(path, F_OK), -1);
	assert_int_equal(rename(aside, path), 0);
	assert_int_equal(commit(), 0);
	assert_int_equal(ask("SELECT count(*) FROM runs"), 1);
	assert_in_range(ask(WINDOWS), 19, 22);
}

static void a_mistake_is_told_at_once_however_full_the_disk(void **state)
{
	struct live_log *other = NULL;
	char error[600] = "", foreign[100];
	FILE *file;

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	(void)snprintf(foreign, sizeof(foreign), "%s/diary", folder);
	file = fopen(foreign, "w");
	assert_non_null(file);
	assert_true(fputs("dear diary", file) >= 0);
	assert_int_equal(fclose(file), 0);
	limit_files(0);
	assert_int_equal(live_log_open(&other, foreign, error, sizeof(error)), -EMEDIUMTYPE);
	assert_int_equal(live_log_open(&other, folder, error, sizeof(error)), -EISDIR);
	assert_int_equal(live_log_open(&other, "/no/such/boat.db", error, sizeof(error)), -ENOENT);
	limit_files(RLIM_INFINITY);
	assert_null(other);
	assert_int_equal(unlink(foreign), 0);
}

static void trying_again_without_news_fills_no_memory(void **state)
{
	size_t waiting;

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	traffic_run(&boat, 60);
	limit_files(0); /* each write fails with EFBIG */
	assert_true(commit() < 0);
	waiting = live_log_waiting(live);
	assert_true(waiting > 0);
	for (int i = 0; i < 100; i++) {
		assert_true(commit() < 0);
		assert_true(live_log_waiting(live) == waiting);
	}
	traffic_run(&boat, 60); /* what is open has changed */
	assert_true(commit() < 0);
	assert_true(live_log_waiting(live) > waiting);
	limit_files(RLIM_INFINITY);
	assert_int_equal(commit(), 0);
	assert_in_range(ask(WINDOWS), 17, 19);
	assert_int_equal(ask("SELECT round(engine_h * 3600) > 170 FROM runs"), 1);
	assert_int_equal(live_log_waiting(live), 0);
}

/* ---- what the tables say of buses and boat ---- */

static void a_new_description_is_in_the_log_at_the_next_commit(void **state)
{
	struct bus_names more = buses;

	(void)state;
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	assert_false(live_log_commit(live, boat.pipeline));
	live_log_describe(live, &settings, &buses); /* as it is */
	assert_false(live_log_is_behind(live, boat.pipeline));
	assert_false(live_log_wants_commit(live));
	assert_int_equal(bus_names_find(&more, "can7", 4), 1);
	(void)snprintf(settings.boat.name, sizeof(settings.boat.name), "Dabchick");
	settings.boat.fuel_density_kgl = 0.8125;
	live_log_describe(live, &settings, &more);
	assert_true(live_log_is_behind(live, boat.pipeline)); /* though nothing more was heard */
	assert_true(live_log_wants_commit_now(live));
	limit_files(0);
	(void)signal(SIGXFSZ, SIG_IGN);
	assert_true(commit() < 0);
	limit_files(RLIM_INFINITY);
	assert_int_equal(commit(), 0);
	assert_int_equal(ask("SELECT count(*) FROM buses WHERE bus = 1 AND name = 'can7'"), 1);
	assert_int_equal(ask("SELECT count(*) FROM meta WHERE key = 'boat' AND value = 'Dabchick'"), 1);
	assert_int_equal(ask("SELECT value * 10000 FROM meta WHERE key = 'fuel_density_kgl'"), 8125);
	assert_false(live_log_commit(live, boat.pipeline));
	/* Named in another order after a kill, each keeps its number. */
	drop_log();
	open_named((const char *const[]){"can9", "can7", "can0"}, 3);
	assert_string_equal(buses.names[0], "can0");
	assert_string_equal(buses.names[1], "can7");
	assert_string_equal(buses.names[2], "can9");
}

static void memory_for_waiting_facts_is_bounded(void **state)
{
	sqlite3 *other = NULL;

	(void)state;
	for (size_t i = 0; i < TRAFFIC_SENDERS; i++) {
		boat.every_s[i] = 5;
	}
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	assert_int_equal(sqlite3_open(path, &other), SQLITE_OK);
	assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
	traffic_run(&boat, 14 * 86400);
	assert_true(live_log_dropped(live) > 0);
	assert_true(live_log_waiting(live) <= 2 * 1024 * 1024);
	assert_int_equal(sqlite3_exec(other, "ROLLBACK", NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_close(other), SQLITE_OK);
	assert_int_equal(commit(), 0);
	/* Runs are never given up. */
	assert_int_equal(ask("SELECT count(*) FROM runs WHERE engine_h > 335"), 1);
}

/* Whether this process holds a lock on the log's file: asked from another process, as another program would
 * meet it. SQLite locks 510 bytes from 2^30 + 2 on (its file format, "locking-byte page"). */
static bool holds_lock(void)
{
	pid_t child = fork();
	int status = 0;

	if (child == 0) {
		struct flock lock = {.l_type = F_WRLCK, .l_whence = SEEK_SET, .l_start = 0x40000002,
			.l_len = 510};
		int fd = open(path, O_RDWR);
		int result = fd < 0 ? -1 : fcntl(fd, F_GETLK, &lock);

		_exit(result != 0 ? 2 : lock.l_type == F_UNLCK ? 1 : 0);
	}
	assert_true(child > 0);
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFEXITED(status) && WEXITSTATUS(status) < 2);
	return WEXITSTATUS(status) == 0;
}

static void a_reader_in_the_same_process_costs_the_writer_no_lock(void **state)
{
	(void)state;
	traffic_run(&boat, 60);
	assert_int_equal(commit(), 0);
	assert_true(holds_lock());
	for (int i = 0; i < 3; i++) {
		struct log_store *reader = NULL;
		char error[600];

		assert_int_equal(log_store_open_reader(&reader, path, error, sizeof(error)), 0);
		assert_true(holds_lock());
		log_store_close(reader);
		assert_true(holds_lock());
		traffic_run(&boat, 60);
		assert_int_equal(commit(), 0);
		assert_true(holds_lock());
	}
}

static void what_is_no_log_is_refused_in_a_sentence(void **state)
{
	struct live_log *other = NULL;
	char error[600] = "";

	(void)state;
	assert_true(live_log_open(&other, "/no/such/folder/boat.db", error, sizeof(error)) < 0);
	assert_non_null(strstr(error, "/no/such/folder/boat.db"));
	assert_null(other);
	live_log_close(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
#define WITH_A_LOG(test) cmocka_unit_test_setup_teardown(test, begin, end)
		WITH_A_LOG(nothing_new_is_no_job),
		WITH_A_LOG(a_commit_is_in_the_log_for_every_reader),
		WITH_A_LOG(what_was_kept_is_there_after_a_kill_and_goes_on),
		WITH_A_LOG(a_reader_is_told_what_only_the_batch_file_holds),
		WITH_A_LOG(kept_twice_and_committed_is_there_once),
		WITH_A_LOG(facts_that_come_while_a_job_is_done_are_the_next_ones),
		WITH_A_LOG(a_log_that_others_hold_is_told_and_written_when_they_let_go),
		WITH_A_LOG(a_reader_does_not_hold_the_writer_up),
		WITH_A_LOG(a_disk_that_takes_nothing_is_told_and_nothing_is_lost),
		WITH_A_LOG(trying_again_without_news_fills_no_memory),
		WITH_A_LOG(a_start_that_the_disk_does_not_let_write_gives_what_another_gives),
		WITH_A_LOG(a_log_that_cannot_be_made_is_made_when_it_can),
		WITH_A_LOG(a_start_in_trouble_changes_nothing_before_it_can_write),
		WITH_A_LOG(only_one_process_waits_for_a_log),
		WITH_A_LOG(a_log_that_another_wrote_meanwhile_is_never_joined),
		WITH_A_LOG(a_log_that_is_gone_is_waited_for_and_none_is_made_instead),
		WITH_A_LOG(a_mistake_is_told_at_once_however_full_the_disk),
		WITH_A_LOG(a_new_description_is_in_the_log_at_the_next_commit),
		WITH_A_LOG(memory_for_waiting_facts_is_bounded),
		WITH_A_LOG(a_reader_in_the_same_process_costs_the_writer_no_lock),
		WITH_A_LOG(what_is_no_log_is_refused_in_a_sentence),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
