#include "replay/byte_sink.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <unistd.h>
#include <zlib.h>
#include <zstd.h>

#define PLAIN_SIZE  (64u * 1024u)
#define PACKED_SIZE (64u * 1024u)
#define ZSTD_LEVEL  3
#define GZIP_LEVEL  6

enum sink_end {
	SINK_GOES_ON,
	SINK_FLUSHES,
	SINK_ENDS,
};

struct byte_sink {
	int fd;
	enum byte_sink_compression compression;
	int error;
	size_t used;
	uint8_t *plain;
	uint8_t *packed; /* NULL without compression */
	z_stream deflate;
	ZSTD_CCtx *zstd;
};

static void write_all(struct byte_sink *sink, const uint8_t *bytes, size_t size)
{
	while (size > 0 && sink->error == 0) {
		ssize_t put = write(sink->fd, bytes, size);
		if (put < 0 && errno == EINTR) {
			continue;
		}
		if (put <= 0) {
			sink->error = put < 0 ? -errno : -EIO;
			return;
		}
		bytes += put;
		size -= (size_t)put;
	}
}

static void deflate_all(struct byte_sink *sink, enum sink_end end)
{
	static const int modes[] = {
		[SINK_GOES_ON] = Z_NO_FLUSH, [SINK_FLUSHES] = Z_SYNC_FLUSH, [SINK_ENDS] = Z_FINISH};
	size_t got = 0;

	sink->deflate.next_in = sink->plain;
	sink->deflate.avail_in = (uInt)sink->used;
	do {
		sink->deflate.next_out = sink->packed;
		sink->deflate.avail_out = PACKED_SIZE;
		/* Z_BUF_ERROR says only that there was nothing left to do. */
		if (deflate(&sink->deflate, modes[end]) == Z_STREAM_ERROR) {
			sink->error = -EIO;
			return;
		}
		got = PACKED_SIZE - sink->deflate.avail_out;
		write_all(sink, sink->packed, got);
	} while (got == PACKED_SIZE && sink->error == 0);
}

static void zstd_all(struct byte_sink *sink, enum sink_end end)
{
	static const ZSTD_EndDirective modes[] = {[SINK_GOES_ON] = ZSTD_e_continue,
		[SINK_FLUSHES] = ZSTD_e_flush,
		[SINK_ENDS] = ZSTD_e_end};
	ZSTD_inBuffer in = {.src = sink->plain, .size = sink->used};
	size_t left = 0;

	do {
		ZSTD_outBuffer out = {.dst = sink->packed, .size = PACKED_SIZE};
		left = ZSTD_compressStream2(sink->zstd, &out, &in, modes[end]);
		if (ZSTD_isError(left)) {
			sink->error = -EIO;
			return;
		}
		write_all(sink, sink->packed, out.pos);
	} while ((end == SINK_GOES_ON ? in.pos < in.size : left > 0) && sink->error == 0);
}

static void pass_on(struct byte_sink *sink, enum sink_end end)
{
	if (sink->error == 0) {
		switch (sink->compression) {
		case BYTE_SINK_PLAIN:
			write_all(sink, sink->plain, sink->used);
			break;
		case BYTE_SINK_GZIP:
			deflate_all(sink, end);
			break;
		case BYTE_SINK_ZSTD:
			zstd_all(sink, end);
			break;
		}
	}
	sink->used = 0;
}

int byte_sink_open(struct byte_sink **ret_sink, int fd, enum byte_sink_compression compression)
{
	struct byte_sink *sink = calloc(1, sizeof(*sink));

	if (sink == NULL) {
		return -ENOMEM;
	}
	sink->fd = fd;
	sink->compression = compression;
	sink->plain = malloc(PLAIN_SIZE);
	if (sink->plain == NULL) {
		goto free_sink;
	}
	if (compression == BYTE_SINK_PLAIN) {
		*ret_sink = sink;
		return 0;
	}
	sink->packed = malloc(PACKED_SIZE);
	if (sink->packed == NULL) {
		goto free_plain;
	}
	if (compression == BYTE_SINK_GZIP) {
		if (deflateInit2(&sink->deflate, GZIP_LEVEL, Z_DEFLATED, 15 + 16, 8,
			    Z_DEFAULT_STRATEGY) != Z_OK) {
			goto free_packed;
		}
	} else {
		sink->zstd = ZSTD_createCCtx();
		if (sink->zstd == NULL) {
			goto free_packed;
		}
		/* Both parameters are in range, so setting them cannot fail. */
		(void)ZSTD_CCtx_setParameter(sink->zstd, ZSTD_c_compressionLevel, ZSTD_LEVEL);
		(void)ZSTD_CCtx_setParameter(sink->zstd, ZSTD_c_checksumFlag, 1);
	}
	*ret_sink = sink;
	return 0;

free_packed:
	free(sink->packed);
free_plain:
	free(sink->plain);
free_sink:
	free(sink);
	return -ENOMEM;
}

uint8_t *byte_sink_reserve(struct byte_sink *sink, size_t size)
{
	assert(size <= BYTE_SINK_RESERVE_MAX);
	if (sink->used + size > PLAIN_SIZE) {
		pass_on(sink, SINK_GOES_ON);
	}
	return sink->error == 0 ? sink->plain + sink->used : NULL;
}

void byte_sink_commit(struct byte_sink *sink, size_t size)
{
	sink->used += size;
}

int byte_sink_flush(struct byte_sink *sink)
{
	pass_on(sink, SINK_FLUSHES);
	return sink->error;
}

int byte_sink_error(const struct byte_sink *sink)
{
	return sink->error;
}

int byte_sink_close(struct byte_sink *sink)
{
	if (sink == NULL) {
		return 0;
	}
	pass_on(sink, SINK_ENDS);
	int error = sink->error;
	if (sink->compression == BYTE_SINK_GZIP) {
		(void)deflateEnd(
			&sink->deflate); /* Only says that data was thrown away, after an error. */
	}
	ZSTD_freeCCtx(sink->zstd);
	free(sink->packed);
	free(sink->plain);
	free(sink);
	return error;
}
