/* The window is filled by one step at a time: move what is left to the front, then read() or decode
 * into the room behind it.
 *
 * When a compressed stream fails (wrong bits, or a cut member with another one appended to it), the
 * next member or frame is looked for, beginning just behind the start of the failed one: a decoder
 * notices garbage only after it has swallowed some of what follows. So the input keeps its last
 * INPUT_KEPT bytes. The search never goes back behind a start that it tried before.
 */
#include "replay/byte_source.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>
#include <zstd.h>

#define INPUT_SIZE (512u * 1024u)
#define INPUT_KEPT (192u * 1024u) /* more than the largest zstd block, 128 KiB */

enum decode_result {
	DECODE_GOES_ON, /* wants more input, or more room */
	DECODE_DONE,	/* a member or frame has ended well */
	DECODE_FAILED,
};

struct compression {
	const char *name;
	size_t head_size; /* bytes that looks_like_head reads */
	bool (*looks_like_head)(const uint8_t *bytes);
	int (*create)(struct byte_source_decoder *decoder);
	void (*destroy)(struct byte_source_decoder *decoder);
	void (*restart)(struct byte_source_decoder *decoder);
	/* Takes input from the decoder, puts bytes into room; ret_produced is set in any case. */
	enum decode_result (*decode)(struct byte_source_decoder *decoder, uint8_t *room,
		size_t room_size, size_t *ret_produced);
};

struct byte_source_decoder {
	const struct compression *compression;
	uint8_t *input;
	size_t input_at;
	size_t input_end;
	uint64_t input_offset; /* file offset of input[0] */
	uint64_t head_offset;  /* file offset of the member or frame in work */
	bool inside;	       /* a member or frame has begun and not ended */
	bool input_ended;
	z_stream inflate;
	ZSTD_DCtx *zstd;
	size_t zstd_hint;
};

/* ---- gzip (RFC 1952) ---- */

static bool gzip_head(const uint8_t *b)
{
	/* Magic, deflate, no reserved flag, a known XFL, a known operating system. */
	return b[0] == 0x1f && b[1] == 0x8b && b[2] == 8 && (b[3] & 0xe0) == 0 &&
	       (b[8] == 0 || b[8] == 2 || b[8] == 4) && (b[9] <= 13 || b[9] == 255);
}

static int gzip_create(struct byte_source_decoder *d)
{
	return inflateInit2(&d->inflate, 15 + 16) == Z_OK ? 0 : -ENOMEM;
}

static void gzip_destroy(struct byte_source_decoder *d)
{
	(void)inflateEnd(&d->inflate); /* Only says that the state was inconsistent. */
}

static void gzip_restart(struct byte_source_decoder *d)
{
	(void)inflateReset2(
		&d->inflate, 15 + 16); /* Fails only for a state that was never set up. */
}

static enum decode_result gzip_decode(
	struct byte_source_decoder *d, uint8_t *room, size_t room_size, size_t *ret_produced)
{
	d->inflate.next_in = d->input + d->input_at;
	d->inflate.avail_in = (uInt)(d->input_end - d->input_at);
	d->inflate.next_out = room;
	d->inflate.avail_out = (uInt)room_size;
	int status = inflate(&d->inflate, Z_SYNC_FLUSH);
	d->input_at = d->input_end - d->inflate.avail_in;
	*ret_produced = room_size - d->inflate.avail_out;
	if (status == Z_STREAM_END) {
		return DECODE_DONE;
	}
	return status == Z_OK || status == Z_BUF_ERROR ? DECODE_GOES_ON : DECODE_FAILED;
}

/* ---- zstd (RFC 8878) ---- */

static bool zstd_head(const uint8_t *b)
{
	bool frame = b[0] == 0x28 && b[1] == 0xb5 && b[2] == 0x2f && b[3] == 0xfd;
	bool skippable = (b[0] & 0xf0) == 0x50 && b[1] == 0x2a && b[2] == 0x4d && b[3] == 0x18;
	return frame || skippable;
}

static void zstd_restart(struct byte_source_decoder *d)
{
	/* Resetting the session only cannot fail. */
	(void)ZSTD_DCtx_reset(d->zstd, ZSTD_reset_session_only);
	d->zstd_hint = 0;
}

static int zstd_create(struct byte_source_decoder *d)
{
	d->zstd = ZSTD_createDCtx();
	return d->zstd != NULL ? 0 : -ENOMEM;
}

static void zstd_destroy(struct byte_source_decoder *d)
{
	ZSTD_freeDCtx(d->zstd);
}

static enum decode_result zstd_decode(
	struct byte_source_decoder *d, uint8_t *room, size_t room_size, size_t *ret_produced)
{
	/* The library forgets what a call has already put out when the same call fails later on, so
	 * no call may meet more than one block. Its hint is a block and the 3 bytes of the next
	 * one's header; those are left for the call after. */
	size_t most = d->zstd_hint > 3 ? d->zstd_hint - 3 : d->zstd_hint;
	size_t have = d->input_end - d->input_at;
	if (most == 0) {
		most = 5; /* magic and frame header descriptor */
	}
	ZSTD_inBuffer in = {.src = d->input + d->input_at, .size = have < most ? have : most};
	ZSTD_outBuffer out = {.dst = room, .size = room_size};
	size_t hint = ZSTD_decompressStream(d->zstd, &out, &in);
	if (ZSTD_isError(hint)) {
		*ret_produced = 0;
		d->input_at += in.pos;
		return DECODE_FAILED;
	}
	d->input_at += in.pos;
	*ret_produced = out.pos;
	d->zstd_hint = hint;
	return hint == 0 ? DECODE_DONE : DECODE_GOES_ON;
}

static const struct compression compressions[] = {
	{.name = "gzip",
		.head_size = 10,
		.looks_like_head = gzip_head,
		.create = gzip_create,
		.destroy = gzip_destroy,
		.restart = gzip_restart,
		.decode = gzip_decode},
	{.name = "zstd",
		.head_size = 4,
		.looks_like_head = zstd_head,
		.create = zstd_create,
		.destroy = zstd_destroy,
		.restart = zstd_restart,
		.decode = zstd_decode},
};

#define HEAD_MAX 10

/* ---- the file ---- */

/* Bytes read, 0 at the end or on an error, which is kept. */
static size_t file_read(struct byte_source *source, uint8_t *room, size_t room_size)
{
	ssize_t got = 0;

	for (;;) {
		got = read(source->fd, room, room_size);
		if (got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
			/* Standard input may have been handed over in non-blocking mode. */
			struct pollfd wait = {.fd = source->fd, .events = POLLIN};
			(void)poll(&wait, 1, -1); /* What went wrong, read() tells. */
		} else if (got >= 0 || errno != EINTR) {
			break;
		}
	}
	if (got < 0) {
		source->error = -errno;
		return 0;
	}
	source->file_read += (uint64_t)got;
	return (size_t)got;
}

/* produced: what the decoder has just put behind the window's end. */
static void note_damage(struct byte_source *source, size_t produced, const char *what)
{
	if (source->damaged++ == 0) {
		source->damaged_offset = byte_source_offset(source, source->end) + produced;
		snprintf(source->damaged_reason, sizeof(source->damaged_reason), "%s %s",
			source->compression, what);
	}
}

/* Adds input; false at the end of the file. */
static bool input_fill(struct byte_source *source)
{
	struct byte_source_decoder *d = source->decoder;

	if (d->input_ended) {
		return false;
	}
	if (d->input_at > INPUT_KEPT && d->input_end > INPUT_SIZE - INPUT_SIZE / 4) {
		size_t gone = d->input_at - INPUT_KEPT;
		memmove(d->input, d->input + gone, d->input_end - gone);
		d->input_at -= gone;
		d->input_end -= gone;
		d->input_offset += gone;
	}
	size_t got = file_read(source, d->input + d->input_end, INPUT_SIZE - d->input_end);
	d->input_end += got;
	d->input_ended = got == 0;
	return got > 0;
}

/* Puts the input at the next start of a member or frame at or behind the file offset from, as far
 * as the input still holds that place. False when there is none up to the end of the file. */
static bool seek_head(struct byte_source *source, uint64_t from)
{
	struct byte_source_decoder *d = source->decoder;
	size_t head_size = d->compression->head_size;

	d->input_at = from > d->input_offset ? (size_t)(from - d->input_offset) : 0;
	for (;;) {
		while (d->input_at + head_size <= d->input_end) {
			if (d->compression->looks_like_head(d->input + d->input_at)) {
				return true;
			}
			d->input_at++;
		}
		if (!input_fill(source)) {
			return false;
		}
	}
}

/* Leaves the member or frame in work for the next one. */
static void leave_member(struct byte_source *source, size_t produced)
{
	struct byte_source_decoder *d = source->decoder;

	note_damage(source, produced, "data is damaged");
	d->inside = false;
	if (!seek_head(source, d->head_offset + 1)) {
		d->input_at = d->input_end;
		source->cut = true;
	}
}

void byte_source_give_up(struct byte_source *source)
{
	source->at = source->end;
	if (source->decoder != NULL && source->decoder->inside) {
		leave_member(source, 0);
	}
}

/* Bytes put into room; 0 at the end. */
static size_t decode(struct byte_source *source, uint8_t *room, size_t room_size)
{
	struct byte_source_decoder *d = source->decoder;

	for (;;) {
		if (d->input_at == d->input_end && !input_fill(source)) {
			/* The decoder may hold bytes back that had no room yet. */
			size_t produced = 0;
			if (d->inside && d->compression->decode(d, room, room_size, &produced) ==
						 DECODE_DONE) {
				d->inside = false;
			}
			if (produced > 0 || !d->inside || source->error != 0) {
				return produced;
			}
			/* Cut: but another one may have been appended, and been taken for a part of
			 * this. */
			if (!seek_head(source, d->head_offset + 1)) {
				d->input_at = d->input_end;
				source->cut = true;
				return 0;
			}
			note_damage(source, 0, "data is cut, and goes on with a new start");
			d->inside = false;
		}
		if (!d->inside) {
			/* Between members: zeros are padding, anything else has to be a start. */
			if (d->input[d->input_at] == 0) {
				d->input_at++;
				continue;
			}
			d->head_offset = d->input_offset + d->input_at;
			d->inside = true;
			d->compression->restart(d);
		}
		size_t produced = 0;
		enum decode_result result = d->compression->decode(d, room, room_size, &produced);
		if (result == DECODE_DONE) {
			d->inside = false;
		} else if (result == DECODE_FAILED) {
			leave_member(source, produced);
		}
		if (produced > 0) {
			return produced;
		}
	}
}

bool byte_source_need(struct byte_source *source, size_t wanted)
{
	if (wanted > BYTE_SOURCE_WINDOW) {
		return false;
	}
	while (byte_source_left(source) < wanted) {
		if (source->ended) {
			return false;
		}
		size_t left = byte_source_left(source);
		if (source->at != source->window) {
			source->window_offset += (uint64_t)(source->at - source->window);
			memmove(source->window, source->at, left);
			source->at = source->window;
			source->end = source->window + left;
		}
		uint8_t *room = source->window + left;
		size_t room_size = BYTE_SOURCE_WINDOW - left;
		size_t got = source->decoder != NULL ? decode(source, room, room_size)
						     : file_read(source, room, room_size);
		source->ended = got == 0;
		source->end += got;
		memset(room + got, 0, BYTE_SOURCE_SLACK);
	}
	return true;
}

static int open_decoder(struct byte_source *source, const struct compression *compression)
{
	struct byte_source_decoder *d = calloc(1, sizeof(*d));
	int status = -ENOMEM;

	if (d == NULL) {
		return -ENOMEM;
	}
	d->compression = compression;
	d->input = malloc(INPUT_SIZE);
	if (d->input == NULL) {
		goto free_decoder;
	}
	status = compression->create(d);
	if (status < 0) {
		goto free_input;
	}
	/* What has been read of the file so far is input, not content. */
	d->input_end = byte_source_left(source);
	memcpy(d->input, source->at, d->input_end);
	source->end = source->at;
	source->ended = false;
	source->decoder = d;
	source->compression = compression->name;
	return 0;

free_input:
	free(d->input);
free_decoder:
	free(d);
	return status;
}

int byte_source_open(struct byte_source *source, const char *path)
{
	struct stat info;
	int status = 0;

	*source = (struct byte_source){.fd = -1, .compression = ""};
	if (strcmp(path, "-") == 0) {
		source->fd = STDIN_FILENO;
	} else {
		source->fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
		source->owns_fd = true;
	}
	if (source->fd < 0 || fstat(source->fd, &info) < 0) {
		status = -errno;
		goto close_source;
	}
	if (S_ISDIR(info.st_mode)) {
		status = -EISDIR;
		goto close_source;
	}
	if (S_ISREG(info.st_mode)) {
		source->file_size = (uint64_t)info.st_size;
	}
	source->window = malloc(BYTE_SOURCE_WINDOW + BYTE_SOURCE_SLACK);
	if (source->window == NULL) {
		status = -ENOMEM;
		goto close_source;
	}
	memset(source->window, 0, BYTE_SOURCE_SLACK);
	source->at = source->window;
	source->end = source->window;
	(void)byte_source_need(source, HEAD_MAX); /* A shorter file is no compressed one. */
	if (source->error < 0) {
		status = source->error;
		goto close_source;
	}
	for (size_t i = 0; i < sizeof(compressions) / sizeof(compressions[0]); i++) {
		if (byte_source_left(source) >= compressions[i].head_size &&
			compressions[i].looks_like_head(source->at)) {
			status = open_decoder(source, &compressions[i]);
			break;
		}
	}
	if (status == 0) {
		return 0;
	}

close_source:
	byte_source_close(source);
	return status;
}

void byte_source_close(struct byte_source *source)
{
	if (source->decoder != NULL) {
		source->decoder->compression->destroy(source->decoder);
		free(source->decoder->input);
		free(source->decoder);
		source->decoder = NULL;
	}
	if (source->owns_fd && source->fd >= 0) {
		(void)close(source->fd); /* Only read from: nothing can be lost. */
	}
	source->owns_fd = false;
	source->fd = -1;
	free(source->window);
	source->window = NULL;
	source->at = NULL;
	source->end = NULL;
}

const char *byte_source_compression(const struct byte_source *source)
{
	return source->compression;
}

uint64_t byte_source_file_read(const struct byte_source *source)
{
	return source->file_read;
}

uint64_t byte_source_file_size(const struct byte_source *source)
{
	return source->file_size;
}
