#include "daemon/batch_file.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <zlib.h>
#include <zstd.h>

/* A record's header, little-endian:
 *
 *     0  magic       8   "SBBATCH1"
 *     8  generation  8
 *    16  sequence    4   0, 1 … in its generation
 *    20  packed      4   bytes of the zstd frame behind the header
 *    24  unpacked    4   bytes that it unpacks to
 *    28  check       4   CRC-32 of header (with these four bytes 0) and frame
 *
 * Unpacked content: facts' size 4, state's size 4, raw time 8, facts, state. */
#define HEADER_BYTES   32
#define CONTENT_BYTES  16
#define CHECK_AT       28
#define FILE_BYTES     ((size_t)BATCH_FILE_BLOCK * BATCH_FILE_BLOCKS)
#define UNPACKED_MOST  (8 * 1024 * 1024)
#define LEVEL          3
#define PATH_BYTES     1100

static const uint8_t magic[8] = "SBBATCH1";

/* The content of a record: the next is compressed against it. */
struct content {
	uint8_t *bytes;
	size_t size;
	size_t room;
};

struct batch_file {
	int fd;
	uint64_t generation;
	uint32_t sequence;
	size_t at; /* where the next record begins */
	uint64_t written;
	ZSTD_CCtx *packer;
	struct content last;
	struct content next;
	uint8_t *record; /* FILE_BYTES, of which only what a record takes is ever touched */
};

static void put(uint8_t *out, uint64_t value, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		out[i] = (uint8_t)(value >> (8 * i));
	}
}

static uint64_t get(const uint8_t *in, size_t bytes)
{
	uint64_t value = 0;

	for (size_t i = 0; i < bytes; i++) {
		value |= (uint64_t)in[i] << (8 * i);
	}
	return value;
}

static size_t whole_blocks(size_t size)
{
	return (size + BATCH_FILE_BLOCK - 1) / BATCH_FILE_BLOCK * BATCH_FILE_BLOCK;
}

static uint32_t check_of(const uint8_t *record, size_t packed)
{
	static const uint8_t zeroes[4] = {0};
	uLong check = crc32(0, record, CHECK_AT);

	check = crc32(check, zeroes, sizeof(zeroes));
	return (uint32_t)crc32(check, record + HEADER_BYTES, (uInt)packed);
}

static int reserve(struct content *content, size_t size)
{
	if (size > content->room) {
		uint8_t *bytes = realloc(content->bytes, size);

		if (bytes == NULL) {
			return -ENOMEM;
		}
		content->bytes = bytes;
		content->room = size;
	}
	return 0;
}

static int path_of(const char *log_path, char *path)
{
	int length = snprintf(path, PATH_BYTES, "%s-batch", log_path);

	return length > 0 && length < PATH_BYTES ? 0 : -ENAMETOOLONG;
}

static int write_all(int fd, const uint8_t *bytes, size_t size, size_t at)
{
	while (size > 0) {
		ssize_t done = pwrite(fd, bytes, size, (off_t)at);

		if (done < 0 && errno == EINTR) {
			continue;
		}
		if (done <= 0) {
			return done < 0 ? -errno : -EIO;
		}
		bytes += done;
		size -= (size_t)done;
		at += (size_t)done;
	}
	return 0;
}

/* Makes a new file's name as durable as its content. */
static int sync_folder(const char *path)
{
	char folder[PATH_BYTES];
	char *slash;
	int result = 0;
	int fd;

	(void)snprintf(folder, sizeof(folder), "%s", path);
	slash = strrchr(folder, '/');
	if (slash == NULL) {
		(void)snprintf(folder, sizeof(folder), ".");
	} else {
		slash[slash == folder ? 1 : 0] = '\0';
	}
	fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
	if (fd < 0) {
		return -errno;
	}
	if (fsync(fd) != 0) {
		result = -errno;
	}
	(void)close(fd); /* nothing was written through it */
	return result;
}

/* Gives the file its whole size in written blocks, so that later writes change no metadata but the
 * time of the last one. */
static int fill(struct batch_file *file, const char *path)
{
	static const uint8_t zeroes[BATCH_FILE_BLOCK] = {0};
	struct stat status;
	int result;

	if (fstat(file->fd, &status) != 0) {
		return -errno;
	}
	if (status.st_size == (off_t)FILE_BYTES) {
		return sync_folder(path); /* it may have failed when the file was made */
	}
	result = 0;
	for (size_t at = 0; at < FILE_BYTES && result == 0; at += sizeof(zeroes)) {
		result = write_all(file->fd, zeroes, sizeof(zeroes), at);
	}
	if (result == 0 && ftruncate(file->fd, (off_t)FILE_BYTES) != 0) {
		result = -errno;
	}
	if (result == 0 && fsync(file->fd) != 0) {
		result = -errno;
	}
	file->written += FILE_BYTES;
	return result == 0 ? sync_folder(path) : result;
}

int batch_file_open(struct batch_file **ret_file, const char *log_path, uint64_t generation)
{
	char path[PATH_BYTES];
	struct batch_file *file = calloc(1, sizeof(*file));
	int result = path_of(log_path, path);

	if (file == NULL) {
		return -ENOMEM;
	}
	file->fd = -1;
	if (result != 0) {
		goto fail;
	}
	file->generation = generation;
	file->record = malloc(FILE_BYTES);
	file->packer = ZSTD_createCCtx();
	if (file->record == NULL || file->packer == NULL) {
		result = -ENOMEM;
		goto fail;
	}
	file->fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0644);
	if (file->fd < 0) {
		result = -errno;
		goto fail;
	}
	result = fill(file, path);
	if (result != 0) {
		goto fail;
	}
	*ret_file = file;
	return 0;

fail:
	batch_file_close(file);
	return result;
}

void batch_file_close(struct batch_file *file)
{
	if (file == NULL) {
		return;
	}
	if (file->fd >= 0) {
		(void)close(file->fd); /* every record was synced */
	}
	(void)ZSTD_freeCCtx(file->packer);
	free(file->last.bytes);
	free(file->next.bytes);
	free(file->record);
	free(file);
}

/* Puts the content together in next. */
static int gather(struct batch_file *file, const struct batch *batch)
{
	size_t size = CONTENT_BYTES + batch->facts_size + batch->state_size;
	uint8_t *out;
	int result;

	if (size > UNPACKED_MOST) {
		return -EFBIG;
	}
	result = reserve(&file->next, size);
	if (result != 0) {
		return result;
	}
	out = file->next.bytes;
	put(out, batch->facts_size, 4);
	put(out + 4, batch->state_size, 4);
	put(out + 8, (uint64_t)batch->raw_ns, 8);
	if (batch->facts_size > 0) {
		memcpy(out + CONTENT_BYTES, batch->facts, batch->facts_size);
	}
	if (batch->state_size > 0) {
		memcpy(out + CONTENT_BYTES + batch->facts_size, batch->state, batch->state_size);
	}
	file->next.size = size;
	return 0;
}

int batch_file_append(struct batch_file *file, const struct batch *batch)
{
	uint8_t *record = file->record;
	size_t room = FILE_BYTES - file->at;
	size_t packed;
	size_t size;
	int result = gather(file, batch);

	if (result != 0) {
		return result;
	}
	if (room < HEADER_BYTES) {
		return -EFBIG;
	}
	if (ZSTD_isError(ZSTD_CCtx_reset(file->packer, ZSTD_reset_session_and_parameters)) ||
		ZSTD_isError(ZSTD_CCtx_setParameter(
			file->packer, ZSTD_c_compressionLevel, LEVEL)) ||
		ZSTD_isError(ZSTD_CCtx_refPrefix(file->packer, file->last.bytes,
			file->sequence == 0 ? 0 : file->last.size))) {
		return -ENOMEM;
	}
	packed = ZSTD_compress2(file->packer, record + HEADER_BYTES, room - HEADER_BYTES,
		file->next.bytes, file->next.size);
	if (ZSTD_isError(packed)) {
		return -EFBIG; /* the only way to fail with a buffer of the right kind */
	}
	memcpy(record, magic, sizeof(magic));
	put(record + 8, file->generation, 8);
	put(record + 16, file->sequence, 4);
	put(record + 20, packed, 4);
	put(record + 24, file->next.size, 4);
	put(record + CHECK_AT, check_of(record, packed), 4);
	size = whole_blocks(HEADER_BYTES + packed);
	assert(file->at + size <= FILE_BYTES);
	memset(record + HEADER_BYTES + packed, 0, size - HEADER_BYTES - packed);
	result = write_all(file->fd, record, size, file->at);
	if (result == 0 && fdatasync(file->fd) != 0) {
		result = -errno;
	}
	if (result != 0) {
		return result;
	}
	struct content last = file->last;
	file->last = file->next;
	file->next = last;
	file->written += size;
	file->at += size;
	file->sequence++;
	return 0;
}

void batch_file_restart(struct batch_file *file, uint64_t generation)
{
	file->generation = generation;
	file->sequence = 0;
	file->at = 0;
}

bool batch_file_is_filling(const struct batch_file *file)
{
	return FILE_BYTES - file->at < FILE_BYTES / 8;
}

bool batch_file_has_records(const struct batch_file *file)
{
	return file->sequence > 0;
}

uint64_t batch_file_written(const struct batch_file *file)
{
	return file->written;
}

/* Unpacks the record at the start of bytes into ret_content, against the one before it. Returns the
 * bytes that it takes up, 0 when there is no whole record of that generation and sequence. */
static size_t unpack(ZSTD_DCtx *unpacker, const uint8_t *bytes, size_t size, uint64_t generation,
	uint32_t sequence, const struct content *last, struct content *ret_content)
{
	size_t packed;
	size_t unpacked;

	if (size < HEADER_BYTES || memcmp(bytes, magic, sizeof(magic)) != 0 ||
		get(bytes + 8, 8) != generation || get(bytes + 16, 4) != sequence) {
		return 0;
	}
	packed = (size_t)get(bytes + 20, 4);
	unpacked = (size_t)get(bytes + 24, 4);
	if (packed > size - HEADER_BYTES || unpacked < CONTENT_BYTES || unpacked > UNPACKED_MOST ||
		check_of(bytes, packed) != get(bytes + CHECK_AT, 4) ||
		reserve(ret_content, unpacked) != 0) {
		return 0;
	}
	if (ZSTD_isError(ZSTD_DCtx_reset(unpacker, ZSTD_reset_session_and_parameters)) ||
		ZSTD_isError(ZSTD_DCtx_refPrefix(
			unpacker, last->bytes, sequence == 0 ? 0 : last->size)) ||
		ZSTD_decompressDCtx(unpacker, ret_content->bytes, unpacked, bytes + HEADER_BYTES,
			packed) != unpacked) {
		return 0;
	}
	ret_content->size = unpacked;
	return whole_blocks(HEADER_BYTES + packed);
}

static int read_file(const char *log_path, uint8_t **ret_bytes, size_t *ret_size)
{
	char path[PATH_BYTES];
	uint8_t *bytes = NULL;
	size_t size = 0;
	int result = path_of(log_path, path);
	int fd;

	if (result != 0) {
		return result;
	}
	fd = open(path, O_RDONLY | O_CLOEXEC);
	if (fd < 0) {
		return -errno;
	}
	bytes = malloc(FILE_BYTES);
	if (bytes == NULL) {
		result = -ENOMEM;
	}
	while (result == 0 && size < FILE_BYTES) {
		ssize_t done = pread(fd, bytes + size, FILE_BYTES - size, (off_t)size);

		if (done < 0 && errno != EINTR) {
			result = -errno;
		} else if (done == 0) {
			break;
		} else if (done > 0) {
			size += (size_t)done;
		}
	}
	(void)close(fd); /* nothing was written through it */
	if (result != 0) {
		free(bytes);
		return result;
	}
	*ret_bytes = bytes;
	*ret_size = size;
	return 0;
}

int batch_file_read(const char *log_path, uint64_t generation,
	int (*on_batch)(void *context, const struct batch *batch), void *context)
{
	struct content contents[2] = {{0}};
	uint8_t *bytes = NULL;
	size_t size = 0;
	size_t at = 0;
	int count = 0;
	ZSTD_DCtx *unpacker;
	int result = read_file(log_path, &bytes, &size);

	if (result != 0) {
		return result == -ENOENT ? 0 : result;
	}
	unpacker = ZSTD_createDCtx();
	if (unpacker == NULL) {
		free(bytes);
		return -ENOMEM;
	}
	while (result == 0) {
		struct content *content = &contents[count % 2];
		size_t taken = unpack(unpacker, bytes + at, size - at, generation, (uint32_t)count,
			&contents[(count + 1) % 2], content);
		size_t facts_size;
		size_t state_size;

		if (taken == 0) {
			break;
		}
		facts_size = (size_t)get(content->bytes, 4);
		state_size = (size_t)get(content->bytes + 4, 4);
		if (facts_size > content->size - CONTENT_BYTES ||
			state_size != content->size - CONTENT_BYTES - facts_size) {
			break;
		}
		result = on_batch(context, &(struct batch){
			.facts = content->bytes + CONTENT_BYTES,
			.facts_size = facts_size,
			.state = content->bytes + CONTENT_BYTES + facts_size,
			.state_size = state_size,
			.raw_ns = (int64_t)get(content->bytes + 8, 8),
		});
		at = taken > size - at ? size : at + taken;
		count++;
	}
	(void)ZSTD_freeDCtx(unpacker);
	free(contents[0].bytes);
	free(contents[1].bytes);
	free(bytes);
	return result != 0 ? result : count;
}
