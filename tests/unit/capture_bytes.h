/* capture_bytes.h: captures for the tests, made of bytes that a test holds in memory. */
#ifndef SIGHTBOWL_TESTS_CAPTURE_BYTES_H
#define SIGHTBOWL_TESTS_CAPTURE_BYTES_H

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include <cmocka.h>

#include "replay/capture.h"

#define BYTES_FRAMES_MAX 4096

/* What opening and reading a capture to its end gave. */
struct bytes_result {
	int opened; /* what capture_open returned */
	char error[256];
	char format[32];
	char compression[8];
	enum capture_clock clock;
	struct capture_damage damage;
	uint64_t dropped;
	size_t count;
	struct frame frames[BYTES_FRAMES_MAX];
	struct bus_names buses;
};

/* A path under which the bytes can be opened: memory, so no file is left. Close the descriptor. */
static inline int bytes_file(const void *bytes, size_t size, char *ret_path, size_t path_size)
{
	int fd = memfd_create("capture", MFD_CLOEXEC);

	assert_true(fd >= 0);
	for (size_t at = 0; at < size;) {
		ssize_t put = write(fd, (const char *)bytes + at, size - at);
		assert_true(put > 0);
		at += (size_t)put;
	}
	snprintf(ret_path, path_size, "/proc/self/fd/%d", fd);
	return fd;
}

/* Reads the bytes as a capture, batch frames at a time. The result lives until the next call. */
static inline struct bytes_result *bytes_read(
	const void *bytes, size_t size, const struct capture_options *options, size_t batch)
{
	static struct bytes_result result;
	struct capture *capture = NULL;
	char path[64];
	int fd = bytes_file(bytes, size, path, sizeof(path));
	int64_t got = 0;

	memset(&result, 0, sizeof(result));
	result.opened = capture_open(
		&capture, path, &result.buses, options, result.error, sizeof(result.error));
	if (result.opened == 0) {
		do {
			size_t room = BYTES_FRAMES_MAX - result.count;
			got = capture_read(
				capture, result.frames + result.count, room < batch ? room : batch);
			assert_true(got >= 0);
			result.count += (size_t)got;
		} while (got > 0 && result.count < BYTES_FRAMES_MAX);
		snprintf(result.format, sizeof(result.format), "%s", capture_format(capture));
		snprintf(result.compression, sizeof(result.compression), "%s",
			capture_compression(capture));
		result.clock = capture_clock(capture);
		result.damage = *capture_damage(capture);
		result.dropped = capture_dropped(capture);
		capture_close(capture);
	}
	close(fd);
	return &result;
}

static inline struct bytes_result *bytes_read_text(const char *text)
{
	return bytes_read(text, strlen(text), NULL, 1000);
}

/* A frame as one line, to be compared and read by people: "bus 1.5 kind id len data". */
static inline const char *bytes_show_frame(const struct bytes_result *result, size_t index)
{
	static const char *const kinds[] = {"ext", "std", "remote", "error", "other"};
	static char text[160];
	const struct frame *f = &result->frames[index];
	int at = snprintf(text, sizeof(text), "%s %lld.%09lld %s %X %d ",
		result->buses.names[f->bus], (long long)(f->t_ns / 1000000000),
		(long long)(f->t_ns % 1000000000), kinds[f->kind], (unsigned)f->id, f->len);

	assert_true(index < result->count);
	for (size_t i = 0; i < FRAME_DATA_MAX; i++) {
		if (i < f->len) {
			at += snprintf(text + at, sizeof(text) - (size_t)at, "%02X", f->data[i]);
		} else {
			assert_int_equal(f->data[i], 0);
		}
	}
	assert_int_equal(f->spare, 0);
	return text;
}

#endif
