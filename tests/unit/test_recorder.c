/* Raw frames into rotating captures: read back by the program's own reader, and by zstd alone. */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <malloc.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <zstd.h>

#include "daemon/recorder.h"

#define NS INT64_C(1000000000)
#define MAY (INT64_C(1777622400) * NS)

static char folder[40];
static struct bus_names buses;
static int64_t skipped_s;
static int64_t wall_set_s; /* the wall clock besides, by so much */

/* Time can be set on, and the wall clock set: the recorder's clocks are these. */
int clock_gettime(clockid_t clock, struct timespec *ret_time)
{
	struct timespec now;

	assert_int_equal(timespec_get(&now, TIME_UTC), TIME_UTC);
	now.tv_sec += skipped_s + (clock == CLOCK_REALTIME ? wall_set_s : 0);
	*ret_time = now;
	return 0;
}

static int begin(void **state)
{
	(void)state;
	skipped_s = 0;
	wall_set_s = 0;
	(void)snprintf(folder, sizeof(folder), "/tmp/test_recorder.XXXXXX");
	buses = (struct bus_names){.count = 2, .names = {"can0", "vcan7"}};
	return mkdtemp(folder) != NULL ? 0 : -1;
}

static size_t list(char names[][64], size_t most)
{
	DIR *directory = opendir(folder);
	const struct dirent *entry;
	size_t count = 0;

	assert_non_null(directory);
	while ((entry = readdir(directory)) != NULL) {
		if (entry->d_name[0] != '.') {
			assert_true(count < most);
			(void)snprintf(names[count++], 64, "%.63s", entry->d_name);
		}
	}
	(void)closedir(directory);
	return count;
}

/* Removes a folder with the files in it. */
static int remove_folder(const char *path)
{
	DIR *directory = opendir(path);
	const struct dirent *entry;

	if (directory == NULL) {
		return -1;
	}
	while ((entry = readdir(directory)) != NULL) {
		(void)unlinkat(dirfd(directory), entry->d_name, 0); /* fails for . and .. */
	}
	(void)closedir(directory);
	return rmdir(path);
}

static int end(void **state)
{
	(void)state;
	return remove_folder(folder);
}

static struct frame frame_of(uint64_t number)
{
	struct frame frame = {
		.t_ns = MAY + (int64_t)number * 500000,
		.id = 0x1DF20000 + (uint32_t)(number & 0xFFFF),
		.kind = FRAME_EXTENDED,
		.bus = number % 2,
		.len = 8,
	};
	uint64_t bits = number * UINT64_C(0x9E3779B97F4A7C15);

	memcpy(frame.data, &bits, sizeof(frame.data));
	return frame;
}

/* So many frames, with a job whenever one is due, as the daemon does it. */
static const char *record(struct recorder *recorder, uint64_t first, uint64_t count)
{
	const char *news = NULL;

	for (uint64_t i = 0; i < count; i++) {
		struct frame frame = frame_of(first + i);

		recorder_put(recorder, &frame, 1);
		if (recorder_prepare(recorder, i + 1 == count)) {
			const char *said;

			recorder_do(recorder);
			said = recorder_done(recorder);
			news = said != NULL ? said : news;
		}
	}
	return news;
}

static struct recorder *open_recorder(double mb, int64_t days)
{
	struct recorder *recorder = NULL;

	assert_int_equal(recorder_open(&recorder, folder, &buses, (uint64_t)(mb * 1e6), days * 86400), 0);
	return recorder;
}

static uint64_t read_all(const char *name, struct frame *frames, size_t room)
{
	struct bus_names found = {0};
	struct capture *capture;
	char path[120], error[300];
	uint64_t count = 0;
	int64_t got;

	(void)snprintf(path, sizeof(path), "%s/%s", folder, name);
	assert_int_equal(capture_open(&capture, path, &found, NULL, error, sizeof(error)), 0);
	while ((got = capture_read(capture, frames + count, room - count)) > 0) {
		count += (uint64_t)got;
		if (count == room) {
			break;
		}
	}
	capture_close(capture);
	return count;
}

static void what_is_recorded_is_read_back_frame_by_frame(void **state)
{
	static struct frame frames[6000];
	char names[4][64];
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	assert_null(record(recorder, 0, 5000));
	recorder_close(recorder);
	assert_int_equal(list(names, 4), 1);
	assert_string_equal(names[0], "sightbowl-000001-2026-05-01T08-00-00Z.log.zst");
	assert_int_equal(read_all(names[0], frames, 6000), 5000);
	for (uint64_t i = 0; i < 5000; i++) {
		struct frame expected = frame_of(i);
		assert_true(frames[i].t_ns == expected.t_ns && frames[i].id == expected.id &&
			frames[i].bus == expected.bus && frames[i].len == expected.len);
		assert_memory_equal(frames[i].data, expected.data, 8);
	}
}

static void it_is_a_plain_candump_log_for_zstd(void **state)
{
	char names[4][64], path[120], text[400];
	uint8_t packed[400];
	struct recorder *recorder = open_recorder(10, 30);
	FILE *file;

	(void)state;
	(void)record(recorder, 2, 3);
	recorder_close(recorder);
	assert_int_equal(list(names, 4), 1);
	(void)snprintf(path, sizeof(path), "%s/%s", folder, names[0]);
	file = fopen(path, "rb");
	assert_non_null(file);
	size_t size = fread(packed, 1, sizeof(packed), file);
	(void)fclose(file);
	size_t length = ZSTD_decompress(text, sizeof(text) - 1, packed, size);
	if (ZSTD_isError(length)) {
		/* Written as a stream: several frames, or none of known size. */
		ZSTD_DCtx *context = ZSTD_createDCtx();
		ZSTD_inBuffer in = {packed, size, 0};
		ZSTD_outBuffer out = {text, sizeof(text) - 1, 0};

		while (in.pos < in.size && !ZSTD_isError(ZSTD_decompressStream(context, &out, &in))) {
		}
		length = out.pos;
		(void)ZSTD_freeDCtx(context);
	}
	text[length] = '\0';
	assert_true(strncmp(text, "(1777622400.001000) can0 1DF20002#", 34) == 0);
	assert_non_null(strstr(text, "\n(1777622400.001500) vcan7 1DF20003#"));
}

static void what_waits_longer_than_ten_seconds_is_readable_though_the_file_is_open(void **state)
{
	static struct frame frames[4000];
	char names[4][64];
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	(void)record(recorder, 0, 1500);
	skipped_s += RECORDER_FLUSH_S;
	(void)record(recorder, 1500, 1000); /* one job */
	(void)record(recorder, 2500, 500);  /* another: its 10 s are not over */
	assert_int_equal(list(names, 4), 1);
	assert_int_equal(read_all(names[0], frames, 4000), 2500);
	recorder_close(recorder);
}

static uint64_t folder_bytes(char names[][64], size_t count)
{
	uint64_t bytes = 0;

	for (size_t i = 0; i < count; i++) {
		struct stat status;
		char path[120];

		(void)snprintf(path, sizeof(path), "%s/%s", folder, names[i]);
		assert_int_equal(stat(path, &status), 0);
		bytes += (uint64_t)status.st_size;
	}
	return bytes;
}

static void files_are_rotated_and_never_take_more_than_they_may(void **state)
{
	char names[100][64];
	struct recorder *recorder = open_recorder(0.4, 30);
	size_t most_files = 0;
	uint64_t most = 0;

	(void)state;
	for (uint64_t i = 0; i < 150; i++) {
		size_t count;
		uint64_t bytes;

		assert_null(record(recorder, i * 2000, 2000));
		skipped_s += RECORDER_FLUSH_S;
		count = list(names, 100);
		bytes = folder_bytes(names, count);
		most = bytes > most ? bytes : most;
		most_files = count > most_files ? count : most_files;
	}
	recorder_close(recorder);
	assert_true(most <= 400000 + 50000); /* one flush beyond a file's eighth */
	assert_true(most > 300000);
	assert_true(most_files >= 6 && most_files <= 9);
}

static void a_file_is_ended_after_a_day(void **state)
{
	char names[10][64];
	struct recorder *recorder = open_recorder(100, 30);

	(void)state;
	(void)record(recorder, 0, 100);
	skipped_s += 86400 - 60;
	(void)record(recorder, 100, 100);
	assert_int_equal(list(names, 10), 1);
	skipped_s += 120;
	(void)record(recorder, 200, 100);
	(void)record(recorder, UINT64_C(86400) * 2000, 100);
	assert_int_equal(list(names, 10), 2);
	recorder_close(recorder);
}

static void put_file(const char *path)
{
	int fd = open(path, O_CREAT | O_WRONLY, 0600);

	assert_true(fd >= 0);
	assert_int_equal(close(fd), 0);
}

static void touch(const char *name, int64_t age_s)
{
	struct timespec times[2] = {{0}};
	char path[120];
	int fd;

	(void)snprintf(path, sizeof(path), "%s/%s", folder, name);
	fd = open(path, O_CREAT | O_WRONLY, 0600);
	assert_true(fd >= 0);
	times[0].tv_sec = times[1].tv_sec = time(NULL) - age_s;
	assert_int_equal(futimens(fd, times), 0);
	assert_int_equal(close(fd), 0);
}

static bool is_there(const char *name)
{
	char path[120];

	(void)snprintf(path, sizeof(path), "%s/%s", folder, name);
	return access(path, F_OK) == 0;
}

/* So long until it looks at the files' ages, and a job that does. */
static void let_it_look_at_ages(struct recorder *recorder)
{
	skipped_s += 900;
	assert_null(record(recorder, 0, 10));
}

static void the_old_are_removed_and_only_its_own(void **state)
{
	struct recorder *recorder = open_recorder(10, 7);

	(void)state;
	touch("sightbowl-2025-01-01T00-00-00Z.log.zst", 8 * 86400);
	touch("sightbowl-2025-01-02T00-00-00Z.log.zst", 6 * 86400);
	touch("notes.txt", 900 * 86400);
	touch("other-2025-01-01T00-00-00Z.log.zst", 900 * 86400);
	touch("sightbowl-2025-01-01.log", 900 * 86400);
	let_it_look_at_ages(recorder);
	recorder_close(recorder);
	assert_false(is_there("sightbowl-2025-01-01T00-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-2025-01-02T00-00-00Z.log.zst"));
	assert_true(is_there("notes.txt"));
	assert_true(is_there("other-2025-01-01T00-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-2025-01-01.log"));
}

static void an_end_that_fails_is_told(void **state)
{
	struct rlimit before, none;
	struct recorder *recorder = open_recorder(10, 7);
	const char *news;

	(void)state;
	assert_null(recorder_finish(recorder));
	assert_null(recorder_finish(NULL));
	(void)record(recorder, 0, 10);
	(void)signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	none = before;
	none.rlim_cur = 0;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &none), 0);
	news = recorder_finish(recorder);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	assert_non_null(news);
	assert_non_null(strstr(news, "the last raw frames could not be kept in '"));
	assert_non_null(strstr(news, strerror(EFBIG)));
	assert_null(recorder_finish(recorder)); /* nothing is left */
	recorder_close(recorder);
}

static void a_clock_set_back_overwrites_nothing(void **state)
{
	char names[10][64];

	(void)state;
	for (int i = 0; i < 3; i++) {
		struct recorder *recorder = open_recorder(10, 30);

		(void)record(recorder, 0, 10);
		recorder_close(recorder);
	}
	assert_int_equal(list(names, 10), 3);
	assert_true(is_there("sightbowl-000001-2026-05-01T08-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-000002-2026-05-01T08-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-000003-2026-05-01T08-00-00Z.log.zst"));
}

/* Of so many bytes, as if it had been written so long ago. */
static void put_capture(const char *name, int64_t age_s, off_t bytes)
{
	char path[120];

	(void)snprintf(path, sizeof(path), "%s/%s", folder, name);
	put_file(path);
	assert_int_equal(truncate(path, bytes), 0);
	touch(name, age_s);
}

static void ages_are_looked_at_when_the_clock_had_time_to_be_set(void **state)
{
	struct recorder *recorder = open_recorder(10, 7);

	(void)state;
	put_capture("sightbowl-000004-2026-11-01T00-00-00Z.log.zst", 3 * 86400, 10);
	wall_set_s = 30 * INT64_C(86400); /* wrong as it starts … */
	(void)record(recorder, 0, 10);
	skipped_s += 800;
	wall_set_s = 0; /* … and set right */
	(void)record(recorder, 10, 10);
	let_it_look_at_ages(recorder);
	assert_true(is_there("sightbowl-000004-2026-11-01T00-00-00Z.log.zst"));
	recorder_close(recorder);
}

static void which_is_the_oldest_its_number_says_not_a_clock(void **state)
{
	struct recorder *recorder = open_recorder(1, 30);

	(void)state;
	/* The last one was recorded before the clock was set: in 1970. One from before there were
	 * numbers. */
	put_capture("sightbowl-2026-11-20T00-00-00Z.log.zst", 86400, 200000);
	put_capture("sightbowl-000008-2026-11-01T00-00-00Z.log.zst", 20 * 86400, 400000);
	put_capture("sightbowl-000009-2030-11-01T00-00-00Z.log.zst", -1000 * 86400, 400000);
	put_capture(
		"sightbowl-000010-1970-01-01T00-00-00Z.log.zst", 20000 * INT64_C(86400), 400000);
	(void)record(recorder, 0, 10);
	assert_false(is_there("sightbowl-2026-11-20T00-00-00Z.log.zst"));
	assert_false(is_there("sightbowl-000008-2026-11-01T00-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-000009-2030-11-01T00-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-000010-1970-01-01T00-00-00Z.log.zst"));
	assert_true(is_there("sightbowl-000011-2026-05-01T08-00-00Z.log.zst"));
	recorder_close(recorder);
}

static void a_clock_far_in_the_past_leaves_the_size_bound_in_force(void **state)
{
	char names[100][64];
	struct recorder *recorder = open_recorder(0.4, 1);

	(void)state;
	wall_set_s = -20000 * INT64_C(86400);
	put_capture("sightbowl-000001-2026-11-01T00-00-00Z.log.zst", 20 * 86400, 300000);
	for (uint64_t i = 0; i < 60; i++) {
		assert_null(record(recorder, i * 2000, 2000));
		skipped_s += 100;
	}
	assert_false(is_there("sightbowl-000001-2026-11-01T00-00-00Z.log.zst"));
	assert_true(folder_bytes(names, list(names, 100)) <= 400000 + 50000);
	recorder_close(recorder);
}

static void what_has_no_time_of_its_own_goes_with_the_next_that_has(void **state)
{
	struct recorder *recorder = open_recorder(10, 7);

	(void)state;
	put_capture("sightbowl-000001-1970-01-01T00-00-00Z.log.zst", 20000 * INT64_C(86400), 10);
	put_capture("sightbowl-000002-2026-11-01T00-00-00Z.log.zst", 9 * 86400, 10);
	put_capture("sightbowl-000003-2099-11-01T00-00-00Z.log.zst", -20000 * INT64_C(86400), 10);
	put_capture("sightbowl-000004-2026-11-01T00-00-00Z.log.zst", 8 * 86400, 10);
	put_capture("sightbowl-000005-1970-01-01T00-00-00Z.log.zst", 20000 * INT64_C(86400), 10);
	put_capture("sightbowl-000006-2026-11-01T00-00-00Z.log.zst", 6 * 86400, 10);
	put_capture(
		"sightbowl-000007-2026-11-01T00-00-00Z.log.zst", 400 * 86400, 10); /* a year back */
	let_it_look_at_ages(recorder);
	for (int i = 1; i <= 7; i++) {
		char names[20][64], start[20];
		bool found = false;
		size_t count = list(names, 20);

		(void)snprintf(start, sizeof(start), "sightbowl-%06d-", i);
		for (size_t k = 0; k < count; k++) {
			found |= strncmp(names[k], start, strlen(start)) == 0;
		}
		/* 5 was recorded after 4 and before 6: it may be young. 7 came after 6. */
		assert_int_equal(found, i > 4);
	}
	recorder_close(recorder);
}

static void a_clock_that_jumps_forward_costs_nothing_recorded_since_the_start(void **state)
{
	struct recorder *recorder = open_recorder(10, 7);

	(void)state;
	(void)record(recorder, 0, 10);
	skipped_s += 86400;
	(void)record(recorder, 10, 10); /* ends the first */
	(void)record(recorder, 20, 10); /* in the second */
	assert_true(is_there("sightbowl-000002-2026-05-01T08-00-00Z.log.zst"));
	wall_set_s = 3650 * INT64_C(86400);
	let_it_look_at_ages(recorder);
	assert_true(is_there("sightbowl-000001-2026-05-01T08-00-00Z.log.zst"));
	/* When it is old by the steady clock, too, it goes. */
	skipped_s += 7 * 86400;
	let_it_look_at_ages(recorder);
	assert_false(is_there("sightbowl-000001-2026-05-01T08-00-00Z.log.zst"));
	recorder_close(recorder);
}

static void the_buses_time_keeps_what_only_the_machines_clock_says_is_old(void **state)
{
	struct recorder *recorder = open_recorder(10, 7);

	(void)state;
	put_capture("sightbowl-000001-2026-11-01T00-00-00Z.log.zst", 3 * 86400, 10);
	wall_set_s = 1000 * INT64_C(86400);
	recorder_tell_bus_time(recorder, true, -wall_set_s * NS);
	let_it_look_at_ages(recorder);
	assert_true(is_there("sightbowl-000001-2026-11-01T00-00-00Z.log.zst"));
	/* Nor the other way round: a machine's clock that is always a year behind is right about
	 * ages. */
	wall_set_s = 0;
	recorder_tell_bus_time(recorder, true, 365 * INT64_C(86400) * NS);
	let_it_look_at_ages(recorder);
	assert_true(is_there("sightbowl-000001-2026-11-01T00-00-00Z.log.zst"));
	skipped_s += 5 * 86400;
	let_it_look_at_ages(recorder);
	assert_false(is_there("sightbowl-000001-2026-11-01T00-00-00Z.log.zst"));
	recorder_close(recorder);
}

static void a_folder_that_fails_is_told_once_and_when_it_is_well_again(void **state)
{
	char aside[60];
	struct recorder *recorder = open_recorder(10, 30);
	const char *news;

	(void)state;
	(void)snprintf(aside, sizeof(aside), "%s.aside", folder);
	assert_int_equal(rename(folder, aside), 0);
	put_file(folder);
	news = record(recorder, 0, 1500);
	assert_non_null(news);
	assert_non_null(strstr(news, "cannot be kept in"));
	assert_non_null(strstr(news, "Not a directory"));
	assert_null(record(recorder, 1500, 1500));
	assert_int_equal(unlink(folder), 0);
	assert_int_equal(rename(aside, folder), 0);
	news = record(recorder, 3000, 1500);
	assert_non_null(news);
	assert_non_null(strstr(news, "again; at least 3000 were lost meanwhile"));
	recorder_close(recorder);
}

static size_t heap_bytes(void)
{
#if defined(__GLIBC__)
	return mallinfo2().uordblks;
#else
	return 0; /* nothing is known */
#endif
}

static void a_disk_that_stays_full_takes_neither_memory_nor_names(void **state)
{
	struct rlimit before, none;
	struct recorder *recorder = open_recorder(10, 7);
	size_t first_bytes = 0;
	char names[8][64];

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	none = before;
	none.rlim_cur = 0; /* each write fails */
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &none), 0);
	for (uint64_t i = 0; i < 200; i++) {
		(void)record(recorder, 10 * i, 10);
		skipped_s += 11;
		if (i == 20) {
			first_bytes = heap_bytes();
		}
	}
	(void)record(recorder, 2000, 10);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	assert_int_equal(heap_bytes(), first_bytes);
	assert_true(list(names, 8) <= 1);
	recorder_close(recorder);
}

static void put_many(struct recorder *recorder, uint64_t count)
{
	for (uint64_t i = 0; i < count; i++) {
		struct frame frame = frame_of(i);

		recorder_put(recorder, &frame, 1);
	}
}

static void assert_string_start(const char *text, const char *start)
{
	assert_non_null(text);
	if (strncmp(text, start, strlen(start)) != 0) {
		fail_msg("'%s' does not begin with '%s'", text, start);
	}
}

static void too_slow_a_worker_costs_the_newest_and_they_are_told_with_their_number(void **state)
{
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	put_many(recorder, 10000);
	assert_string_start(
		recorder_losses(recorder, false), "1808 raw frames were not kept in '/tmp/");
	assert_null(recorder_losses(recorder, false));
	put_many(recorder, 30);
	assert_null(recorder_losses(recorder, false)); /* its minute is not over */
	skipped_s += 61;
	assert_string_start(recorder_losses(recorder, false), "30 raw frames");
	put_many(recorder, 7);
	assert_string_start(recorder_losses(recorder, true), "7 raw frames");
	recorder_close(recorder);
}

static void a_folder_that_is_missing_is_made(void **state)
{
	struct recorder *recorder = open_recorder(10, 30);
	struct stat status;

	(void)state;
	assert_int_equal(rmdir(folder), 0);
	assert_null(recorder_prepare_folder(recorder));
	assert_int_equal(stat(folder, &status), 0);
	assert_int_equal(status.st_mode & 07777, 0750 & ~umask(umask(0)));
	/* And when it goes while it is recorded. */
	assert_int_equal(rmdir(folder), 0);
	assert_null(record(recorder, 0, 1500));
	assert_int_equal(stat(folder, &status), 0);
	recorder_close(recorder);
}

static void only_the_last_component_is_made_and_it_is_tried_again(void **state)
{
	struct recorder *recorder = NULL;
	char above[60], path[80];
	struct stat status;

	(void)state;
	(void)snprintf(above, sizeof(above), "%s/disk", folder);
	(void)snprintf(path, sizeof(path), "%s/captures", above);
	assert_int_equal(recorder_open(&recorder, path, &buses, 10000000, 30 * 86400), 0);
	assert_non_null(strstr(recorder_prepare_folder(recorder), "No such file or directory"));
	assert_int_not_equal(stat(above, &status), 0);
	assert_null(record(recorder, 0, 100)); /* it has been told */
	assert_int_equal(mkdir(above, 0700), 0);
	assert_non_null(strstr(record(recorder, 100, 100), "again; at least 100 were lost meanwhile"));
	recorder_close(recorder);
	assert_int_equal(remove_folder(path), 0); /* with one file */
	assert_int_equal(rmdir(above), 0);
}

static void what_is_no_folder_is_told_and_left_alone(void **state)
{
	struct recorder *recorder = NULL;
	char path[120];

	(void)state;
	touch("file", 0);
	(void)snprintf(path, sizeof(path), "%s/file", folder);
	assert_int_equal(recorder_open(&recorder, path, &buses, 1000000, 86400), 0);
	assert_non_null(strstr(recorder_prepare_folder(recorder), "Not a directory"));
	recorder_close(recorder);
	assert_true(is_there("file"));
	recorder_close(NULL);
}

static void a_change_of_folder_ends_the_file_and_goes_on_in_the_other(void **state)
{
	static struct frame frames[6000];
	char names[4][64], first[sizeof(folder)], path[sizeof(folder) + 8];
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	(void)record(recorder, 0, 1500);
	put_many(recorder, 700); /* gathered, not written yet */
	memcpy(first, folder, sizeof(folder));
	(void)snprintf(path, sizeof(path), "%s.other", folder);
	assert_int_equal(recorder_try_folder(path), 0);
	recorder_change(recorder, path, 10000000, 30 * 86400);
	assert_null(record(recorder, 700, 300));
	assert_int_equal(list(names, 4), 1);
	assert_int_equal(
		read_all(names[0], frames, 6000), 1500); /* whole, though the recorder goes on */
	memcpy(folder, path, sizeof(folder));
	recorder_close(recorder);
	assert_int_equal(list(names, 4), 1);
	assert_string_equal(names[0], "sightbowl-000001-2026-05-01T08-00-00Z.log.zst");
	assert_int_equal(read_all(names[0], frames, 6000), 1000);
	assert_int_equal(remove_folder(path), 0);
	memcpy(folder, first, sizeof(folder));
}

static void new_bounds_are_in_force_at_once(void **state)
{
	char names[100][64];
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	for (uint64_t i = 0; i < 60; i++) {
		assert_null(record(recorder, i * 2000, 2000));
		skipped_s += RECORDER_FLUSH_S;
	}
	assert_true(folder_bytes(names, list(names, 100)) > 1000000);
	recorder_change(recorder, folder, 400000, 30 * 86400);
	assert_true(recorder_prepare(recorder, false)); /* without a frame */
	recorder_do(recorder);
	assert_null(recorder_done(recorder));
	assert_true(folder_bytes(names, list(names, 100)) <= 400000);
	/* The same again changes nothing. */
	recorder_change(recorder, folder, 400000, 30 * 86400);
	assert_false(recorder_prepare(recorder, true));
	recorder_close(recorder);
}

static void recording_that_is_switched_off_keeps_what_came_before(void **state)
{
	static struct frame frames[6000];
	char names[4][64];
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	(void)record(recorder, 0, 1500);
	put_many(recorder, 700);
	recorder_change(recorder, "", 10000000, 30 * 86400);
	put_many(recorder, 50); /* not wanted any more */
	assert_false(recorder_is_over(recorder));
	assert_true(recorder_prepare(recorder, false));
	recorder_do(recorder);
	assert_false(recorder_is_over(recorder));
	assert_null(recorder_done(recorder));
	assert_true(recorder_is_over(recorder));
	assert_int_equal(list(names, 4), 1);
	assert_int_equal(read_all(names[0], frames, 6000), 2200);
	recorder_close(recorder);
}

static void changes_while_a_job_is_under_way_come_after_it(void **state)
{
	char names[4][64];
	struct recorder *recorder = open_recorder(10, 30);

	(void)state;
	put_many(recorder, 10);
	assert_true(recorder_prepare(recorder, true));
	recorder_change(recorder, "", 10000000, 30 * 86400);
	recorder_change(recorder, folder, 20000000, 30 * 86400); /* and on again */
	recorder_do(recorder);
	assert_null(recorder_done(recorder));
	assert_false(recorder_is_over(recorder));
	(void)record(recorder, 10, 10);
	assert_int_equal(list(names, 4), 2);
	/* Switched off, and on again while the last file is being ended. */
	recorder_change(recorder, "", 20000000, 30 * 86400);
	assert_true(recorder_prepare(recorder, false));
	recorder_change(recorder, folder, 20000000, 30 * 86400);
	recorder_do(recorder);
	assert_null(recorder_done(recorder));
	assert_false(recorder_is_over(recorder));
	(void)record(recorder, 20, 10);
	assert_int_equal(list(names, 4), 3);
	recorder_close(recorder);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
#define IN_A_FOLDER(test) cmocka_unit_test_setup_teardown(test, begin, end)
		IN_A_FOLDER(what_is_recorded_is_read_back_frame_by_frame),
		IN_A_FOLDER(it_is_a_plain_candump_log_for_zstd),
		IN_A_FOLDER(what_waits_longer_than_ten_seconds_is_readable_though_the_file_is_open),
		IN_A_FOLDER(files_are_rotated_and_never_take_more_than_they_may),
		IN_A_FOLDER(a_file_is_ended_after_a_day),
		IN_A_FOLDER(the_old_are_removed_and_only_its_own),
		IN_A_FOLDER(an_end_that_fails_is_told),
		IN_A_FOLDER(a_clock_set_back_overwrites_nothing),
		IN_A_FOLDER(a_folder_that_fails_is_told_once_and_when_it_is_well_again),
		IN_A_FOLDER(a_disk_that_stays_full_takes_neither_memory_nor_names),
		IN_A_FOLDER(too_slow_a_worker_costs_the_newest_and_they_are_told_with_their_number),
		IN_A_FOLDER(a_folder_that_is_missing_is_made),
		IN_A_FOLDER(only_the_last_component_is_made_and_it_is_tried_again),
		IN_A_FOLDER(what_is_no_folder_is_told_and_left_alone),
		IN_A_FOLDER(ages_are_looked_at_when_the_clock_had_time_to_be_set),
		IN_A_FOLDER(which_is_the_oldest_its_number_says_not_a_clock),
		IN_A_FOLDER(a_clock_far_in_the_past_leaves_the_size_bound_in_force),
		IN_A_FOLDER(what_has_no_time_of_its_own_goes_with_the_next_that_has),
		IN_A_FOLDER(a_clock_that_jumps_forward_costs_nothing_recorded_since_the_start),
		IN_A_FOLDER(the_buses_time_keeps_what_only_the_machines_clock_says_is_old),
		IN_A_FOLDER(a_change_of_folder_ends_the_file_and_goes_on_in_the_other),
		IN_A_FOLDER(new_bounds_are_in_force_at_once),
		IN_A_FOLDER(recording_that_is_switched_off_keeps_what_came_before),
		IN_A_FOLDER(changes_while_a_job_is_under_way_come_after_it),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
