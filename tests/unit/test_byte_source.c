#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <sys/resource.h>
#include <zlib.h>
#include <zstd.h>

#include "capture_bytes.h"
#include "replay/byte_source.h"

#define TEXT_SIZE (1200u * 1024u)

static uint8_t *text; /* what is packed: lines with numbers, so that a gap shows */
static uint8_t *unpacked;
static uint8_t *packed;
static uint8_t *joined;

static int set_up(void **state)
{
	(void)state;
	text = malloc(TEXT_SIZE + 64);
	unpacked = malloc(4 * TEXT_SIZE);
	packed = malloc(2 * TEXT_SIZE);
	joined = malloc(4 * TEXT_SIZE);
	for (size_t at = 0, line = 0; at < TEXT_SIZE; line++) {
		/* Numbers that do not shrink to nothing. */
		at += (size_t)snprintf((char *)text + at, 64, "%zu %08zx\n", line,
			line * UINT32_C(2654435761) & UINT32_C(0xffffffff));
	}
	return text != NULL && unpacked != NULL && packed != NULL && joined != NULL ? 0 : -1;
}

static int tear_down(void **state)
{
	(void)state;
	free(text);
	free(unpacked);
	free(packed);
	free(joined);
	return 0;
}

static size_t pack_gzip(const uint8_t *from, size_t size, uint8_t *to)
{
	z_stream z = {0};

	assert_int_equal(deflateInit2(&z, 6, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY), Z_OK);
	z.next_in = (Bytef *)(uintptr_t)from;
	z.avail_in = (uInt)size;
	z.next_out = to;
	z.avail_out = 2 * TEXT_SIZE;
	assert_int_equal(deflate(&z, Z_FINISH), Z_STREAM_END);
	deflateEnd(&z);
	return 2 * TEXT_SIZE - z.avail_out;
}

static size_t pack_zstd(const uint8_t *from, size_t size, uint8_t *to)
{
	size_t got = ZSTD_compress(to, 2 * TEXT_SIZE, from, size, 3);

	assert_false(ZSTD_isError(got));
	return got;
}

static size_t (*const packers[])(const uint8_t *, size_t, uint8_t *) = {pack_gzip, pack_zstd};
static const char *const packer_names[] = {"gzip", "zstd"};

struct read_result {
	size_t size;
	bool cut;
	uint64_t damaged;
	uint64_t damaged_offset;
	char compression[8];
	uint64_t file_read;
	uint64_t file_size;
};

/* Reads all into unpacked, by windows of changing size. */
static struct read_result read_all(const uint8_t *bytes, size_t size)
{
	struct byte_source source;
	struct read_result result = {0};
	char path[64];
	int fd = bytes_file(bytes, size, path, sizeof(path));
	size_t step = 1;

	assert_int_equal(byte_source_open(&source, path), 0);
	for (;;) {
		bool enough = byte_source_need(&source, step);
		size_t left = byte_source_left(&source);
		assert_true(enough == (left >= step));
		assert_true(left <= BYTE_SOURCE_WINDOW);
		assert_int_equal(byte_source_offset(&source, source.at), result.size);
		for (size_t i = 0; i < BYTE_SOURCE_SLACK; i++) {
			assert_int_equal(source.end[i], 0);
		}
		if (!enough && left == 0) {
			break;
		}
		size_t taken = enough ? step : left;
		memcpy(unpacked + result.size, source.at, taken);
		result.size += taken;
		source.at += taken;
		step = (step * 7 + 3) % BYTE_SOURCE_WINDOW + 1;
	}
	assert_int_equal(source.error, 0);
	result.cut = source.cut;
	result.damaged = source.damaged;
	result.damaged_offset = source.damaged_offset;
	snprintf(result.compression, sizeof(result.compression), "%s",
		byte_source_compression(&source));
	result.file_read = byte_source_file_read(&source);
	result.file_size = byte_source_file_size(&source);
	byte_source_close(&source);
	close(fd);
	return result;
}

static void plain_bytes_pass_through(void **state)
{
	(void)state;
	struct read_result r = read_all(text, TEXT_SIZE);
	assert_int_equal(r.size, TEXT_SIZE);
	assert_memory_equal(unpacked, text, TEXT_SIZE);
	assert_string_equal(r.compression, "");
	assert_int_equal(r.file_read, TEXT_SIZE);
	assert_int_equal(r.file_size, TEXT_SIZE);
	assert_int_equal(r.damaged, 0);
	assert_false(r.cut);
	assert_int_equal(read_all(text, 0).size, 0);
	assert_int_equal(read_all(text, 5).size, 5);
}

static void compressed_bytes_are_unpacked_from_many_members(void **state)
{
	(void)state;
	for (size_t p = 0; p < 2; p++) {
		size_t at = 0;
		/* An empty member among them, and padding behind them. */
		static const size_t ends[] = {300000, 300000, 300001, TEXT_SIZE};
		size_t from = 0;
		for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++) {
			at += packers[p](text + from, ends[i] - from, joined + at);
			from = ends[i];
		}
		memset(joined + at, 0, 512);
		at += 512;
		struct read_result r = read_all(joined, at);
		assert_int_equal(r.size, TEXT_SIZE);
		assert_memory_equal(unpacked, text, TEXT_SIZE);
		assert_string_equal(r.compression, packer_names[p]);
		assert_int_equal(r.file_size, at);
		assert_int_equal(r.file_read, at);
		assert_int_equal(r.damaged, 0);
		assert_false(r.cut);
	}
}

static void a_cut_stream_gives_what_its_bytes_tell(void **state)
{
	(void)state;
	for (size_t p = 0; p < 2; p++) {
		size_t size = packers[p](text, TEXT_SIZE, packed);
		size_t last = 0;
		for (size_t cut = size / 50; cut < size; cut += size / 50) {
			struct read_result r = read_all(packed, cut);
			assert_true(r.cut);
			assert_int_equal(r.damaged, 0);
			assert_true(r.size >= last && r.size <= TEXT_SIZE);
			assert_memory_equal(unpacked, text, r.size);
			/* Whatever a library holds back is less than two zstd blocks of 128 KiB. */
			assert_true(r.size + 256 * 1024 >
				    (size_t)((double)TEXT_SIZE * (double)cut / (double)size));
			last = r.size;
		}
		assert_true(last > TEXT_SIZE / 2);
	}
}

static void a_member_behind_a_cut_one_is_found(void **state)
{
	(void)state;
	for (size_t p = 0; p < 2; p++) {
		size_t size = packers[p](text, TEXT_SIZE, packed);
		for (size_t cut = size / 7; cut < size; cut += size / 7) {
			size_t before = read_all(packed, cut).size;
			memcpy(joined, packed, cut);
			size_t whole = cut + packers[p](text, 1000, joined + cut);
			struct read_result r = read_all(joined, whole);
			assert_true(r.size >= before + 1000);
			assert_memory_equal(unpacked, text, before);
			assert_memory_equal(unpacked + r.size - 1000, text, 1000);
			assert_int_equal(r.damaged, 1);
			assert_true(r.damaged_offset >= before);
			assert_false(r.cut);
		}
	}
}

static void a_damaged_member_loses_what_is_behind_the_damage_in_it(void **state)
{
	(void)state;
	for (size_t p = 0; p < 2; p++) {
		size_t size = packers[p](text, TEXT_SIZE, packed);
		memcpy(joined, packed, size);
		memcpy(joined + size, packed, size);
		memset(joined + size / 2, 0x55, 64);
		struct read_result r = read_all(joined, 2 * size);
		assert_true(r.damaged >= 1);
		assert_true(r.size > TEXT_SIZE + TEXT_SIZE / 4);
		assert_memory_equal(unpacked, text, TEXT_SIZE / 4);
		assert_memory_equal(unpacked + r.size - TEXT_SIZE, text, TEXT_SIZE);
	}
}

static void a_wrong_checksum_is_damage_and_loses_nothing(void **state)
{
	(void)state;
	size_t size = pack_gzip(text, 10000, packed);
	packed[size - 6] ^= 1;
	size_t whole = size + pack_gzip(text, 10000, packed + size);
	struct read_result r = read_all(packed, whole);
	assert_int_equal(r.damaged, 1);
	assert_int_equal(r.size, 20000);
	assert_memory_equal(unpacked, text, 10000);
	assert_memory_equal(unpacked + 10000, text, 10000);
}

/* RFC 8878, 3.1.1.1: magic, descriptor, window descriptor (none in a single segment), content size;
 * no dictionary is in use. */
static size_t zstd_header_size(const uint8_t *frame)
{
	static const size_t content_sizes[] = {0, 2, 4, 8};
	bool single = (frame[4] & 0x20) != 0;
	size_t code = frame[4] >> 6;

	return 5u + (single ? 0u : 1u) + (code == 0 && single ? 1u : content_sizes[code]);
}

static void a_bad_block_does_not_take_the_block_before_it(void **state)
{
	/* RFC 8878: a block header is 3 bytes, last flag, type (2 bits), size; type 3 is reserved.
	 */
	(void)state;
	size_t size = pack_zstd(text, TEXT_SIZE, packed);
	size_t header = zstd_header_size(packed);
	size_t first = (size_t)packed[header] >> 3 | (size_t)packed[header + 1] << 5 |
		       (size_t)packed[header + 2] << 13;
	assert_int_equal(packed[header] & 7, 4); /* not the last, compressed */
	packed[header + 3 + first] |= 6;
	struct read_result r = read_all(packed, size);
	assert_int_equal(r.size, 128 * 1024);
	assert_memory_equal(unpacked, text, r.size);
	assert_int_equal(r.damaged, 1);
	assert_int_equal(r.damaged_offset, r.size);
}

static void garbage_behind_a_stream_is_damage(void **state)
{
	(void)state;
	for (size_t p = 0; p < 2; p++) {
		size_t size = packers[p](text, 1000, packed);
		memcpy(packed + size, "garbage", 7);
		size_t whole = size + 7 + packers[p](text, 1000, packed + size + 7);
		struct read_result r = read_all(packed, whole);
		assert_int_equal(r.size, 2000);
		assert_int_equal(r.damaged, 1);
	}
}

struct trickle {
	int fd;
	const uint8_t *bytes;
	size_t size;
};

static void *trickle(void *argument)
{
	struct trickle *t = argument;

	for (size_t at = 0; at < t->size;) {
		size_t step = t->size - at < 777 ? t->size - at : 777;
		ssize_t put = write(t->fd, t->bytes + at, step);
		if (put <= 0) {
			break;
		}
		at += (size_t)put;
	}
	close(t->fd);
	return NULL;
}

static void a_pipe_is_read_as_it_comes(void **state)
{
	(void)state;
	for (size_t p = 0; p < 3; p++) {
		struct byte_source source;
		struct trickle t = {.bytes = text, .size = TEXT_SIZE};
		int ends[2];
		int kept = dup(STDIN_FILENO);
		pthread_t thread;
		size_t got = 0;

		if (p < 2) {
			t.size = packers[p](text, TEXT_SIZE, packed);
			t.bytes = packed;
		}
		assert_int_equal(pipe(ends), 0);
		t.fd = ends[1];
		assert_int_equal(pthread_create(&thread, NULL, trickle, &t), 0);
		/* As standard input, and in the mode that some parents leave it in. */
		assert_int_equal(fcntl(ends[0], F_SETFL, O_NONBLOCK), 0);
		assert_int_equal(dup2(ends[0], STDIN_FILENO), STDIN_FILENO);
		assert_int_equal(byte_source_open(&source, "-"), 0);
		assert_int_equal(byte_source_file_size(&source), 0);
		while (byte_source_need(&source, 1)) {
			size_t left = byte_source_left(&source);
			memcpy(unpacked + got, source.at, left);
			got += left;
			source.at += left;
		}
		byte_source_close(&source);
		assert_int_equal(dup2(kept, STDIN_FILENO), STDIN_FILENO);
		close(kept);
		close(ends[0]);
		pthread_join(thread, NULL);
		assert_int_equal(got, TEXT_SIZE);
		assert_memory_equal(unpacked, text, TEXT_SIZE);
	}
}

static void memory_does_not_grow_with_the_file(void **state)
{
	/* 256 MiB of zeros are 1 MiB of gzip. */
	z_stream z = {0};
	uint8_t *zeros = calloc(1, 1024 * 1024);
	struct rusage before;
	struct rusage after;
	struct byte_source source;
	char path[64];
	uint64_t got = 0;

	(void)state;
	assert_non_null(zeros);
	assert_int_equal(deflateInit2(&z, 1, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY), Z_OK);
	z.next_out = joined;
	z.avail_out = 4 * TEXT_SIZE;
	for (int i = 0; i < 256; i++) {
		z.next_in = zeros;
		z.avail_in = 1024 * 1024;
		assert_int_equal(deflate(&z, Z_NO_FLUSH), Z_OK);
	}
	assert_int_equal(deflate(&z, Z_FINISH), Z_STREAM_END);
	size_t size = 4 * TEXT_SIZE - z.avail_out;
	deflateEnd(&z);
	int fd = bytes_file(joined, size, path, sizeof(path));
	getrusage(RUSAGE_SELF, &before);
	assert_int_equal(byte_source_open(&source, path), 0);
	while (byte_source_need(&source, 1)) {
		got += byte_source_left(&source);
		source.at = source.end;
	}
	byte_source_close(&source);
	getrusage(RUSAGE_SELF, &after);
	assert_true(got == UINT64_C(256) * 1024 * 1024);
	assert_true(after.ru_maxrss - before.ru_maxrss < 4096); /* KiB */
	close(fd);
	free(zeros);
}

static void what_cannot_be_opened_says_why(void **state)
{
	struct byte_source source;

	(void)state;
	assert_int_equal(byte_source_open(&source, "/nowhere/at/all"), -ENOENT);
	byte_source_close(&source);
	assert_int_equal(byte_source_open(&source, "/"), -EISDIR);
	byte_source_close(&source);
	/* The memory of a process begins with a page that cannot be read. */
	assert_int_equal(byte_source_open(&source, "/proc/self/mem"), -EIO);
	byte_source_close(&source);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(plain_bytes_pass_through),
		cmocka_unit_test(compressed_bytes_are_unpacked_from_many_members),
		cmocka_unit_test(a_cut_stream_gives_what_its_bytes_tell),
		cmocka_unit_test(a_member_behind_a_cut_one_is_found),
		cmocka_unit_test(a_damaged_member_loses_what_is_behind_the_damage_in_it),
		cmocka_unit_test(a_wrong_checksum_is_damage_and_loses_nothing),
		cmocka_unit_test(a_bad_block_does_not_take_the_block_before_it),
		cmocka_unit_test(garbage_behind_a_stream_is_damage),
		cmocka_unit_test(a_pipe_is_read_as_it_comes),
		cmocka_unit_test(memory_does_not_grow_with_the_file),
		cmocka_unit_test(what_cannot_be_opened_says_why),
	};

	return cmocka_run_group_tests(tests, set_up, tear_down);
}
