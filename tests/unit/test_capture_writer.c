#include "capture_bytes.h"

#include <errno.h>

#include "replay/capture_writer.h"

static const struct bus_names two_buses = {.count = 2, .names = {"can0", "engine-bus"}};

static const enum capture_writer_format formats[] = {WRITE_CANDUMP, WRITE_PCAP, WRITE_PCAPNG};
static const char *const format_names[] = {"candump log", "pcap", "pcapng"};
static const enum capture_writer_compression compressions[] = {WRITE_PLAIN, WRITE_GZIP, WRITE_ZSTD};
static const char *const compression_names[] = {"", "gzip", "zstd"};

#define EACH_FORMAT(f, c)              \
	for (size_t f = 0; f < 3; f++) \
		for (size_t c = 0; c < 3; c++)

/* Frames of every kind and length, made by a linear congruential generator. */
static void make_frames(struct frame *frames, size_t count, uint32_t seed)
{
	uint64_t state = seed;
	int64_t t_ns = INT64_C(1436509053850870000);

	for (size_t i = 0; i < count; i++) {
		state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
		uint32_t r = (uint32_t)(state >> 32);
		struct frame *f = &frames[i];
		*f = (struct frame){
			.kind = (uint8_t)(r % 8 < 5 ? r % 8 : 0), .bus = (uint8_t)(r >> 4 & 1)};
		t_ns += (int64_t)(r >> 5 & 0xfffff) * (i % 2 == 0 ? 1000 : 1);
		f->t_ns = t_ns;
		f->id = (uint32_t)(state >> 13) & 0x1fffffff;
		f->len = (uint8_t)((r >> 10) % 9);
		if (f->kind == FRAME_STANDARD ||
			(f->kind != FRAME_EXTENDED && (r >> 14 & 1) == 1)) {
			f->id &= 0x7ff;
		}
		if (f->kind == FRAME_REMOTE) {
			f->len = 0;
		}
		for (size_t b = 0; b < f->len; b++) {
			f->data[b] = (uint8_t)(state >> b * 7);
		}
	}
}

/* Writes frames into memory; returns how many bytes they took. */
static size_t write_frames(const struct frame *frames, size_t count,
	enum capture_writer_format format, enum capture_writer_compression compression,
	uint8_t *ret_bytes, size_t size)
{
	struct capture_writer *writer = NULL;
	int fd = memfd_create("written", MFD_CLOEXEC);

	assert_true(fd >= 0);
	assert_int_equal(capture_writer_open_fd(&writer, fd, format, compression, &two_buses), 0);
	for (size_t i = 0; i < count; i++) {
		assert_int_equal(capture_writer_put(writer, &frames[i]), 0);
	}
	assert_int_equal(capture_writer_close(writer), 0);
	ssize_t got = pread(fd, ret_bytes, size, 0);
	assert_true(got > 0 && (size_t)got < size);
	close(fd);
	return (size_t)got;
}

static void check_frames(
	const struct bytes_result *r, const struct frame *frames, size_t count, bool with_bus)
{
	assert_true(r->count >= count);
	for (size_t i = 0; i < count; i++) {
		struct frame expected = frames[i];
		struct frame got = r->frames[i];
		assert_string_equal(
			r->buses.names[got.bus], with_bus ? two_buses.names[expected.bus] : "can0");
		expected.bus = 0;
		got.bus = 0;
		if (memcmp(&got, &expected, sizeof(got)) != 0) {
			fail_msg("frame %zu of %zu: %s", i, count, bytes_show_frame(r, i));
		}
	}
}

static struct frame many[BYTES_FRAMES_MAX];
static uint8_t bytes[1024 * 1024];

static void frames_come_back_from_every_format_and_compression(void **state)
{
	(void)state;
	make_frames(many, 4000, 1);
	EACH_FORMAT(f, c)
	{
		size_t size =
			write_frames(many, 4000, formats[f], compressions[c], bytes, sizeof(bytes));
		struct bytes_result *r = bytes_read(bytes, size, NULL, 333);
		assert_int_equal(r->opened, 0);
		assert_string_equal(r->format, format_names[f]);
		assert_string_equal(r->compression, compression_names[c]);
		assert_int_equal(r->clock, CAPTURE_CLOCK_ABSOLUTE);
		assert_int_equal(r->damage.count, 0);
		assert_int_equal(r->count, 4000);
		check_frames(r, many, 4000, formats[f] != WRITE_PCAP);
	}
}

static void a_log_line_is_what_candump_writes(void **state)
{
	/* Shapes of can-utils lib.c, sprint_canframe(); nine decimals as candump -N. */
	static const struct frame frames[] = {
		{.t_ns = INT64_C(1436509053850870000),
			.id = 0x1cebff03,
			.kind = FRAME_EXTENDED,
			.bus = 0,
			.len = 8,
			.data = {0x01, 0x4e, 0x4f, 0x53}},
		{.t_ns = INT64_C(1436509053000000001),
			.id = 0x123,
			.kind = FRAME_STANDARD,
			.bus = 1,
			.len = 0},
		{.t_ns = 0,
			.id = 0x123,
			.kind = FRAME_EXTENDED,
			.bus = 1,
			.len = 1,
			.data = {0xab}},
		{.t_ns = 5000, .id = 0x123, .kind = FRAME_REMOTE, .bus = 0},
		{.t_ns = 5000, .id = 0x4, .kind = FRAME_ERROR, .bus = 0, .len = 2, .data = {0, 8}},
	};
	static const char expected[] = "(1436509053.850870) can0 1CEBFF03#014E4F5300000000\n"
				       "(1436509053.000000001) engine-bus 123#\n"
				       "(0000000000.000000) engine-bus 00000123#AB\n"
				       "(0000000000.000005) can0 123#R\n"
				       "(0000000000.000005) can0 20000004#0008\n";

	(void)state;
	size_t size = write_frames(frames, 5, WRITE_CANDUMP, WRITE_PLAIN, bytes, sizeof(bytes));
	assert_int_equal(size, sizeof(expected) - 1);
	assert_memory_equal(bytes, expected, size);
}

static void can_utils_understand_what_is_written_and_are_understood(void **state)
{
	enum { COUNT = 2000 };
	char command[200];

	(void)state;
	if (system("command -v log2long >/dev/null") != 0) {
		print_message("SKIPPED: log2long is not installed (Debian package can-utils)\n");
		skip();
	}
	make_frames(many, COUNT, 21);
	size_t size = write_frames(many, COUNT, WRITE_CANDUMP, WRITE_PLAIN, bytes, sizeof(bytes));
	char path[64];
	int from = bytes_file(bytes, size, path, sizeof(path));
	int to = memfd_create("screen", MFD_CLOEXEC);
	assert_true(to >= 0);
	/* Their log2long parses log lines and prints them as candump does on a screen. */
	snprintf(command, sizeof(command), "log2long </proc/%d/fd/%d >/proc/%d/fd/%d",
		(int)getpid(), from, (int)getpid(), to);
	assert_int_equal(system(command), 0);
	ssize_t got = pread(to, bytes, sizeof(bytes), 0);
	assert_true(got > 0 && (size_t)got < sizeof(bytes));
	struct bytes_result *r = bytes_read(bytes, (size_t)got, NULL, 1000);
	assert_string_equal(r->format, "candump text");
	assert_int_equal(r->damage.count, 0);
	assert_int_equal(r->count, COUNT);
	check_frames(r, many, COUNT, true);
	close(from);
	close(to);
}

/* How many whole frames the first bytes of an uncompressed file hold, found without the readers. */
static size_t whole_frames(enum capture_writer_format format, size_t cut)
{
	size_t frames = 0;
	size_t at = format == WRITE_PCAP ? 24 : 0;

	if (format == WRITE_CANDUMP) {
		for (size_t i = 0; i < cut; i++) {
			frames += bytes[i] == '\n' ? 1 : 0;
		}
		return frames;
	}
	while (at + 12 <= cut) {
		size_t size = format == WRITE_PCAP
				      ? 16 + (size_t)bytes[at + 8]
				      : (size_t)bytes[at + 4] | (size_t)bytes[at + 5] << 8;
		if (at + size > cut) {
			break;
		}
		frames += format == WRITE_PCAP || bytes[at] == 6 ? 1 : 0;
		at += size;
	}
	return frames;
}

static void a_file_cut_anywhere_gives_all_that_is_whole_before_the_cut(void **state)
{
	enum { COUNT = 12 };

	(void)state;
	make_frames(many, COUNT, 7);
	EACH_FORMAT(f, c)
	{
		size_t size = write_frames(
			many, COUNT, formats[f], compressions[c], bytes, sizeof(bytes));
		size_t last = 0;
		size_t cuts_noted = 0;
		for (size_t cut = 0; cut < size; cut++) {
			struct bytes_result *r = bytes_read(bytes, cut, NULL, 5);
			if (r->opened != 0) {
				/* Too little to tell what it is, or nothing in it. */
				assert_int_equal(last, 0);
				assert_true(r->opened == -ENODATA || r->opened == -ENOMSG);
				assert_true(r->error[0] != '\0');
				assert_true(compressions[c] != WRITE_PLAIN ||
					    whole_frames(formats[f], cut) == 0);
				continue;
			}
			assert_true(r->count >= last && r->count <= COUNT);
			last = r->count;
			check_frames(r, many, r->count, formats[f] != WRITE_PCAP);
			assert_true(r->damage.count <= 1);
			assert_true(r->damage.cut == (r->damage.count == 1));
			cuts_noted += r->damage.cut ? 1 : 0;
			if (compressions[c] != WRITE_PLAIN) {
				assert_true(r->damage.cut);
			} else {
				size_t whole = whole_frames(formats[f], cut);
				/* A line may be whole without its end. */
				assert_true(r->count == whole ||
					    (formats[f] == WRITE_CANDUMP && r->count == whole + 1));
			}
		}
		assert_true(cuts_noted > 0);
		assert_true(last >= (compressions[c] == WRITE_PLAIN ? COUNT - 1 : 0));
	}
}

static void what_was_flushed_can_be_read_from_a_file_cut_there(void **state)
{
	(void)state;
	make_frames(many, 1000, 3);
	EACH_FORMAT(f, c)
	{
		struct capture_writer *writer = NULL;
		int fd = memfd_create("written", MFD_CLOEXEC);
		assert_true(fd >= 0);
		assert_int_equal(capture_writer_open_fd(
					 &writer, fd, formats[f], compressions[c], &two_buses),
			0);
		for (size_t i = 0; i < 1000; i++) {
			assert_int_equal(capture_writer_put(writer, &many[i]), 0);
			if (i % 100 == 99) {
				assert_int_equal(capture_writer_flush(writer), 0);
				ssize_t size = pread(fd, bytes, sizeof(bytes), 0);
				struct bytes_result *r =
					bytes_read(bytes, (size_t)size, NULL, 1000);
				assert_int_equal(r->opened, 0);
				assert_int_equal(r->count, i + 1);
				check_frames(r, many, i + 1, formats[f] != WRITE_PCAP);
			}
		}
		assert_int_equal(capture_writer_close(writer), 0);
		close(fd);
	}
}

static void a_recording_appended_to_a_cut_one_loses_only_the_cut_frames(void **state)
{
	static uint8_t joined[sizeof(bytes)];

	(void)state;
	make_frames(many, 600, 9);
	EACH_FORMAT(f, c)
	{
		/* Cut in the middle; the second recording follows without a gap. */
		size_t first = write_frames(
			many, 300, formats[f], compressions[c], joined, sizeof(joined));
		first = first * 2 / 3;
		struct bytes_result *r = bytes_read(joined, first, NULL, 1000);
		size_t before = r->count;
		size_t second = write_frames(
			many + 300, 300, formats[f], compressions[c], bytes, sizeof(bytes));
		memcpy(joined + first, bytes, second);
		r = bytes_read(joined, first + second, NULL, 1000);
		assert_int_equal(r->opened, 0);
		/* Of compressed data, some that was not readable at the cut may have become so. */
		assert_true(r->count >= before + 300 && r->count <= 600);
		assert_true(compressions[c] != WRITE_PLAIN || r->count == before + 300);
		assert_true(r->damage.count >= 1 && r->damage.count <= 2);
		check_frames(r, many, before, formats[f] != WRITE_PCAP);
		memmove(r->frames, r->frames + r->count - 300, 300 * sizeof(struct frame));
		r->count = 300;
		check_frames(r, many + 300, 300, formats[f] != WRITE_PCAP);
	}
}

static void a_frame_that_cannot_be_written_is_refused_and_the_next_is_not(void **state)
{
	struct capture_writer *writer = NULL;
	struct frame good = {.t_ns = 1, .id = 1, .len = 1, .kind = FRAME_EXTENDED};

	(void)state;
	for (size_t f = 0; f < 3; f++) {
		int fd = memfd_create("written", MFD_CLOEXEC);
		assert_int_equal(
			capture_writer_open_fd(&writer, fd, formats[f], WRITE_PLAIN, &two_buses),
			0);
		struct frame bad = good;
		bad.t_ns = -1;
		assert_int_equal(capture_writer_put(writer, &bad), -ERANGE);
		bad = good;
		bad.bus = 2;
		assert_int_equal(capture_writer_put(writer, &bad), -EINVAL);
		bad = good;
		bad.len = 9;
		assert_int_equal(capture_writer_put(writer, &bad), -EINVAL);
		bad = good;
		bad.t_ns = (INT64_C(1) << 32) * 1000000000;
		assert_int_equal(
			capture_writer_put(writer, &bad), formats[f] == WRITE_PCAP ? -ERANGE : 0);
		assert_int_equal(capture_writer_put(writer, &good), 0);
		assert_int_equal(capture_writer_close(writer), 0);
		close(fd);
	}
}

static void a_full_disk_is_told_and_stays_told(void **state)
{
	struct capture_writer *writer = NULL;

	(void)state;
	make_frames(many, 4000, 1);
	EACH_FORMAT(f, c)
	{
		/* /dev/full refuses every write with ENOSPC: full(4). */
		assert_int_equal(capture_writer_open(&writer, "/dev/full", formats[f],
					 compressions[c], &two_buses),
			0);
		assert_int_equal(capture_writer_put(writer, &many[0]), 0);
		assert_int_equal(capture_writer_flush(writer), -ENOSPC);
		assert_int_equal(capture_writer_flush(writer), -ENOSPC);
		assert_int_equal(capture_writer_put(writer, &many[1]), -ENOSPC);
		assert_int_equal(capture_writer_close(writer), -ENOSPC);

		assert_int_equal(capture_writer_open(&writer, "/dev/full", formats[f],
					 compressions[c], &two_buses),
			0);
		assert_int_equal(capture_writer_put(writer, &many[0]), 0);
		assert_int_equal(capture_writer_close(writer), -ENOSPC);
	}
	assert_int_equal(
		capture_writer_open(&writer, "/nowhere/x", WRITE_PCAP, WRITE_PLAIN, &two_buses),
		-ENOENT);
	assert_int_equal(capture_writer_close(NULL), 0);
}

static void a_bus_that_is_added_later_can_be_written(void **state)
{
	struct bus_names buses = {0};
	struct capture_writer *writer = NULL;
	int fd = memfd_create("written", MFD_CLOEXEC);

	(void)state;
	assert_int_equal(capture_writer_open_fd(&writer, fd, WRITE_PCAPNG, WRITE_PLAIN, &buses), 0);
	for (int i = 0; i < FRAME_BUS_MAX; i++) {
		char name[16];
		int length = snprintf(name, sizeof(name), "bus%d", i);
		int bus = bus_names_find(&buses, name, (size_t)length);
		struct frame frame = {.t_ns = i, .bus = (uint8_t)bus};
		assert_int_equal(capture_writer_put(writer, &frame), 0);
	}
	assert_int_equal(capture_writer_close(writer), 0);
	ssize_t size = pread(fd, bytes, sizeof(bytes), 0);
	struct bytes_result *r = bytes_read(bytes, (size_t)size, NULL, 1000);
	assert_int_equal(r->count, FRAME_BUS_MAX);
	assert_string_equal(r->buses.names[r->frames[7].bus], "bus7");
	close(fd);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_come_back_from_every_format_and_compression),
		cmocka_unit_test(a_log_line_is_what_candump_writes),
		cmocka_unit_test(can_utils_understand_what_is_written_and_are_understood),
		cmocka_unit_test(a_file_cut_anywhere_gives_all_that_is_whole_before_the_cut),
		cmocka_unit_test(what_was_flushed_can_be_read_from_a_file_cut_there),
		cmocka_unit_test(a_recording_appended_to_a_cut_one_loses_only_the_cut_frames),
		cmocka_unit_test(a_frame_that_cannot_be_written_is_refused_and_the_next_is_not),
		cmocka_unit_test(a_full_disk_is_told_and_stays_told),
		cmocka_unit_test(a_bus_that_is_added_later_can_be_written),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
