/* Opening: what is said of files that are no captures. Real captures, when they are at hand. */
#include "capture_bytes.h"

#include <errno.h>
#include <sys/stat.h>
#include <zlib.h>

struct stranger {
	const char *bytes;
	size_t size;
	int status;
	const char *words; /* among the words said */
};

#define BYTES(text) text, sizeof(text) - 1

static void what_is_no_capture_is_named(void **state)
{
	static char tar[600];
	const struct stranger strangers[] = {
		{BYTES(""), -ENODATA, "empty"},
		{BYTES("SQLite format 3\0 and so on"), -ENOMSG, "SQLite database"},
		{BYTES("PK\x03\x04 and so on"), -ENOMSG, "zip"},
		{BYTES("\xfd"
		       "7zXZ\0 and so on"),
			-ENOMSG, "xz"},
		{BYTES("\x7f"
		       "ELF\0 and so on"),
			-ENOMSG, "program"},
		{BYTES("%PDF-1.7"), -ENOMSG, "PDF"},
		{BYTES("\xff\xfe(\0001\0"), -ENOMSG, "UTF-16"},
		{BYTES("\0\0\0\0\0\0\0\0\0\0\0\0"), -ENOMSG, "zero bytes"},
		{BYTES("\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0b"), -ENOMSG, "binary"},
		{BYTES("\n\n  Dear diary, the engine started.\nIt ran.\n"), -ENOMSG,
			"no line is a CAN frame with a time: \"Dear diary, the engine started.\""},
		{BYTES("  can0  123   [2]  11 22\n"), -ENOMSG, "without times"},
		{BYTES("\x1f\x8b\x08\0"), -ENOMSG, "gzip"},
		{BYTES("\x28\xb5\x2f\xfd\x24"), -ENODATA, "cut"},
		{BYTES("\xd4\xc3\xb2\xa1\x02\0\x04\0"), -ENODATA, "header"},
		{BYTES("\x0a\x0d\x0d\x0a\x1c\0\0\0"), -ENOMSG, "pcapng"},
		{tar, sizeof(tar), -ENOMSG, "tar"},
	};

	(void)state;
	memset(tar, 'x', sizeof(tar));
	memcpy(tar + 257, "ustar", 5);
	for (size_t i = 0; i < sizeof(strangers) / sizeof(strangers[0]); i++) {
		const struct stranger *s = &strangers[i];
		struct bytes_result *r = bytes_read(s->bytes, s->size, NULL, 10);
		if (r->opened != s->status || strstr(r->error, s->words) == NULL ||
			strncmp(r->error, "/proc/self/fd/", 14) != 0) {
			fail_msg("%zu: %d, %s", i, r->opened, r->error);
		}
	}
}

static void a_path_that_cannot_be_read_is_told(void **state)
{
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	char error[256];

	(void)state;
	assert_int_equal(
		capture_open(&capture, "/nowhere/x", &buses, NULL, error, sizeof(error)), -ENOENT);
	assert_string_equal(error, "/nowhere/x: cannot be read: No such file or directory");
	assert_int_equal(capture_open(&capture, "/", &buses, NULL, error, sizeof(error)), -EISDIR);
	assert_string_equal(error, "/: this is a directory, not a capture");
	if (geteuid() != 0) {
		int fd = memfd_create("unreadable", MFD_CLOEXEC);
		char path[64];
		assert_int_equal(fchmod(fd, 0), 0);
		snprintf(path, sizeof(path), "/proc/self/fd/%d", fd);
		assert_int_equal(
			capture_open(&capture, path, &buses, NULL, error, sizeof(error)), -EACCES);
		close(fd);
	}
	/* However little room there is for the words. */
	assert_int_equal(capture_open(&capture, "/", &buses, NULL, error, 3), -EISDIR);
	assert_string_equal(error, "/:");
}

static void standard_input_is_read(void **state)
{
	static const char text[] = "(1436509053.850870) can1 18FEDF00#8A\n";
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	struct frame frames[4];
	char error[256];
	int ends[2];
	int kept = dup(STDIN_FILENO);

	(void)state;
	assert_int_equal(pipe(ends), 0);
	assert_true(dup2(ends[0], STDIN_FILENO) == STDIN_FILENO);
	assert_int_equal(write(ends[1], text, sizeof(text) - 1), (ssize_t)sizeof(text) - 1);
	/* The pipe stays open: what has come is given without waiting for more. */
	assert_int_equal(capture_open(&capture, "-", &buses, NULL, error, sizeof(error)), 0);
	assert_int_equal(capture_read(capture, frames, 4), 1);
	assert_int_equal(capture_size(capture), 0);
	assert_int_equal(capture_position(capture), sizeof(text) - 1);
	assert_string_equal(capture_path(capture), "-");
	close(ends[1]);
	assert_int_equal(capture_read(capture, frames, 4), 0);
	assert_int_equal(capture_read(capture, frames, 4), 0);
	capture_close(capture);
	capture_close(NULL);
	assert_true(fcntl(STDIN_FILENO, F_GETFD) >= 0);
	assert_true(dup2(kept, STDIN_FILENO) == STDIN_FILENO);
	close(kept);
	close(ends[0]);
}

static void a_position_ends_at_the_size(void **state)
{
	static char text[512 * 1024];
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	struct frame frames[100];
	char error[256];
	char path[64];
	size_t size = 0;
	uint64_t last = 0;

	(void)state;
	while (size + 64 < sizeof(text)) {
		size += (size_t)snprintf(text + size, 64, "(1436509053.850870) can1 18FEDF00#8A\n");
	}
	int fd = bytes_file(text, size, path, sizeof(path));
	assert_int_equal(capture_open(&capture, path, &buses, NULL, error, sizeof(error)), 0);
	while (capture_read(capture, frames, 100) > 0) {
		assert_true(capture_position(capture) >= last);
		last = capture_position(capture);
	}
	assert_int_equal(last, size);
	assert_int_equal(capture_size(capture), size);
	capture_close(capture);
	close(fd);
}

/* ---- real captures ---- */

/* The folder of open captures, which carry no licence to be passed on; NULL when it is not there.
 */
static const char *open_data(void)
{
	static char path[4096];
	const char *set = getenv("SIGHTBOWL_OPEN_DATA");
	struct stat info;

	snprintf(
		path, sizeof(path), "%s", set != NULL ? set : TEST_SOURCE_DIR "/../../shared/data");
	return stat(path, &info) == 0 ? path : NULL;
}

/* Reads the file again with sscanf(), line by line, and compares every frame. */
static void check_real(const char *name, const char *pattern, size_t expected_frames)
{
	static struct frame frames[1000];
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	char path[8192];
	char line[256];
	char error[256];
	size_t count = 0;
	int64_t got = 0;

	if (open_data() == NULL) {
		print_message("SKIPPED: no open captures at hand; set SIGHTBOWL_OPEN_DATA to their "
			      "folder\n");
		skip();
	}
	snprintf(path, sizeof(path), "%s/%s", open_data(), name);
	gzFile file = gzopen(path, "rb");
	assert_non_null(file);
	assert_int_equal(capture_open(&capture, path, &buses, NULL, error, sizeof(error)), 0);
	assert_string_equal(capture_compression(capture), "gzip");
	while ((got = capture_read(capture, frames, 1000)) > 0) {
		for (int64_t i = 0; i < got; i++) {
			long long seconds = 0;
			long long micros = 0;
			char bus[32];
			unsigned id = 0;
			int data_at = 0;
			assert_non_null(gzgets(file, line, sizeof(line)));
			assert_int_equal(
				sscanf(line, pattern, &seconds, &micros, bus, &id, &data_at), 4);
			struct frame expected = {.kind = FRAME_EXTENDED,
				.id = id,
				.t_ns = seconds * 1000000000 + micros * 1000,
				.bus = frames[i].bus};
			unsigned byte = 0;
			int used = 0;
			for (const char *p = line + data_at; sscanf(p, "%2x%n", &byte, &used) == 1;
				p += used) {
				expected.data[expected.len++] = (uint8_t)byte;
			}
			assert_string_equal(buses.names[frames[i].bus], bus);
			assert_memory_equal(&frames[i], &expected, sizeof(expected));
			count++;
		}
	}
	assert_int_equal(got, 0);
	assert_null(gzgets(file, line, sizeof(line)));
	assert_int_equal(count, expected_frames);
	assert_int_equal(capture_damage(capture)->count, 0);
	assert_int_equal(capture_clock(capture), frames[0].t_ns > INT64_C(1000000000000000000)
							 ? CAPTURE_CLOCK_ABSOLUTE
							 : CAPTURE_CLOCK_UNKNOWN);
	capture_close(capture);
	gzclose(file);
}

static const char screen_pattern[] = " (%lld.%lld) %31s %x [%*d]%n";
static const char log_pattern[] = "(%lld.%lld) %31s %x#%n";

static void a_truck_driving_is_read(void **state)
{
	(void)state;
	check_real("j1939-trucks/truck-driving-30s.log.gz", screen_pattern, 19957);
}

static void a_truck_starting_is_read(void **state)
{
	(void)state;
	check_real("j1939-trucks/truck-cold-start-65s.log.gz", screen_pattern, 34980);
}

static void a_boat_is_read(void **state)
{
	(void)state;
	check_real("n2k-boat/boat-300s.log.gz", log_pattern, 170000);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_is_no_capture_is_named),
		cmocka_unit_test(a_path_that_cannot_be_read_is_told),
		cmocka_unit_test(standard_input_is_read),
		cmocka_unit_test(a_position_ends_at_the_size),
		cmocka_unit_test(a_truck_driving_is_read),
		cmocka_unit_test(a_truck_starting_is_read),
		cmocka_unit_test(a_boat_is_read),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
