/* The log of a running bus: what is safe when, what a failing disk leaves, what the next start finds. */
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

static void open_log(void)
{
	static const char *const names[] = {"can0"};
	struct pipeline_numbers none = {0};
	struct fact_sink sink;
	char error[600];
	bool rebuilt = true;

	assert_int_equal(live_log_open(&live, path, error, sizeof(error)), 0);
	settings_init(&settings);
	assert_int_equal(live_log_begin(live, &settings, names, 1, &buses, &rebuilt), 0);
	assert_false(rebuilt);
	sink = live_log_sink(live);
	boat.pipeline = malloc(pipeline_size());
	assert_non_null(boat.pipeline);
	pipeline_init(boat.pipeline, &settings.boat, &sink);
	pipeline_start(boat.pipeline, &none, false);
	assert_int_equal(live_log_resume(live, boat.pipeline), 0);
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

static int end(void **state)
{
	static const char *const suffixes[] = {"", "-wal", "-shm", "-batch", ".lock"};
	char name[100];

	struct rlimit files;

	(void)state;
	(void)getrlimit(RLIMIT_FSIZE, &files);
	files.rlim_cur = files.rlim_max;
	(void)setrlimit(RLIMIT_FSIZE, &files); /* a test that failed may have left less */
	drop_log();
	for (size_t i = 0; i < sizeof(suffixes) / sizeof(suffixes[0]); i++) {
		(void)snprintf(name, sizeof(name), "%s%s", path, suffixes[i]);
		(void)unlink(name);
	}
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
		WITH_A_LOG(kept_twice_and_committed_is_there_once),
		WITH_A_LOG(facts_that_come_while_a_job_is_done_are_the_next_ones),
		WITH_A_LOG(a_log_that_others_hold_is_told_and_written_when_they_let_go),
		WITH_A_LOG(a_reader_does_not_hold_the_writer_up),
		WITH_A_LOG(a_disk_that_takes_nothing_is_told_and_nothing_is_lost),
		WITH_A_LOG(memory_for_waiting_facts_is_bounded),
		WITH_A_LOG(a_reader_in_the_same_process_costs_the_writer_no_lock),
		WITH_A_LOG(what_is_no_log_is_refused_in_a_sentence),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
