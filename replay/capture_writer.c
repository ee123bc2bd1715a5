#include "replay/capture_writer.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "replay/byte_sink.h"
#include "replay/capture_packet.h"

#define NS_PER_S INT64_C(1000000000)

struct writer_format {
	/* What stands at the start of the file. 0 or a negative errno. */
	int (*begin)(struct capture_writer *writer);
	int (*put)(struct capture_writer *writer, const struct frame *frame);
};

struct capture_writer {
	struct byte_sink *sink;
	const struct writer_format *format;
	const struct bus_names *buses;
	int owned_fd;		       /* -1: the caller's */
	int interfaces[FRAME_BUS_MAX]; /* pcapng: number of the bus's interface block + 1, 0: none
					  yet */
	int interface_count;
};

static int lost(const struct capture_writer *writer)
{
	return byte_sink_error(writer->sink);
}

/* ---- candump -L ---- */

#define LOG_LINE_MAX 128u

static const char hex_digits[] = "0123456789ABCDEF";

static uint8_t *put_hex(uint8_t *at, uint32_t value, int digits)
{
	for (int shift = (digits - 1) * 4; shift >= 0; shift -= 4) {
		*at++ = (uint8_t)hex_digits[value >> shift & 15u];
	}
	return at;
}

static uint8_t *put_decimal(uint8_t *at, uint64_t value, int digits)
{
	for (int i = digits - 1; i >= 0; i--) {
		at[i] = (uint8_t)('0' + value % 10);
		value /= 10;
	}
	return at + digits;
}

static int candump_begin(struct capture_writer *writer)
{
	(void)writer; /* A log has no header. */
	return 0;
}

static int candump_put(struct capture_writer *writer, const struct frame *frame)
{
	uint8_t *line = byte_sink_reserve(writer->sink, LOG_LINE_MAX);
	const char *bus = writer->buses->names[frame->bus];
	size_t bus_length = strlen(bus);
	uint64_t t_ns = (uint64_t)frame->t_ns;
	uint8_t *at = line;

	if (line == NULL) {
		return lost(writer);
	}
	*at++ = '(';
	at = put_decimal(at, t_ns / (uint64_t)NS_PER_S, 10);
	*at++ = '.';
	if (t_ns % 1000 == 0) {
		at = put_decimal(at, t_ns % (uint64_t)NS_PER_S / 1000, 6);
	} else {
		at = put_decimal(at, t_ns % (uint64_t)NS_PER_S, 9);
	}
	*at++ = ')';
	*at++ = ' ';
	memcpy(at, bus, bus_length);
	at += bus_length;
	*at++ = ' ';
	switch (frame->kind) {
	case FRAME_ERROR:
		at = put_hex(at, frame->id | UINT32_C(0x20000000), 8);
		break;
	case FRAME_REMOTE:
	case FRAME_OTHER:
		at = put_hex(at, frame->id, frame->id > 0x7ff ? 8 : 3);
		break;
	default:
		at = put_hex(at, frame->id, frame->kind == FRAME_STANDARD ? 3 : 8);
		break;
	}
	*at++ = '#';
	if (frame->kind == FRAME_REMOTE) {
		*at++ = 'R';
	} else if (frame->kind == FRAME_OTHER) {
		*at++ = '#';
		*at++ = '0';
	}
	for (size_t i = 0; i < frame->len; i++) {
		at = put_hex(at, frame->data[i], 2);
	}
	*at++ = '\n';
	byte_sink_commit(writer->sink, (size_t)(at - line));
	return 0;
}

/* ---- pcap and pcapng: little-endian on every machine, so that the same frames give the same file
 * ---- */

static uint8_t *put_2(uint8_t *at, uint32_t value)
{
	*at++ = (uint8_t)value;
	*at++ = (uint8_t)(value >> 8);
	return at;
}

static uint8_t *put_4(uint8_t *at, uint32_t value)
{
	return put_2(put_2(at, value), value >> 16);
}

#define PCAP_MAGIC_NS UINT32_C(0xa1b23c4d)
#define SNAP_LENGTH   UINT32_C(262144)
#define PCAP_HEADER   24u
#define PCAP_RECORD   16u

static int pcap_begin(struct capture_writer *writer)
{
	uint8_t *header = byte_sink_reserve(writer->sink, PCAP_HEADER);
	uint8_t *at = header;

	if (header == NULL) {
		return lost(writer);
	}
	at = put_4(at, PCAP_MAGIC_NS);
	at = put_2(at, 2); /* version 2.4 */
	at = put_2(at, 4);
	at = put_4(at, 0); /* no zone correction, */
	at = put_4(at, 0); /* no statement of accuracy */
	at = put_4(at, SNAP_LENGTH);
	at = put_4(at, CAPTURE_PACKET_LINK_TYPE);
	byte_sink_commit(writer->sink, (size_t)(at - header));
	return 0;
}

static int pcap_put(struct capture_writer *writer, const struct frame *frame)
{
	uint8_t *record = byte_sink_reserve(writer->sink, PCAP_RECORD + CAPTURE_PACKET_WRITTEN);

	if (frame->t_ns / NS_PER_S > (int64_t)UINT32_MAX) {
		return -ERANGE;
	}
	if (record == NULL) {
		return lost(writer);
	}
	size_t size = capture_packet_write(frame, record + PCAP_RECORD);
	uint8_t *at = put_4(record, (uint32_t)(frame->t_ns / NS_PER_S));
	at = put_4(at, (uint32_t)(frame->t_ns % NS_PER_S));
	at = put_4(at, (uint32_t)size);
	at = put_4(at, (uint32_t)size);
	byte_sink_commit(writer->sink, PCAP_RECORD + size);
	return 0;
}

#define BLOCK_SECTION	UINT32_C(0x0a0d0d0a)
#define BLOCK_INTERFACE UINT32_C(1)
#define BLOCK_PACKET	UINT32_C(6)
#define ORDER_MAGIC	UINT32_C(0x1a2b3c4d)
#define OPTION_IF_NAME	2u
#define OPTION_TSRESOL	9u
#define RESOLUTION_NS	9u
#define BLOCK_MAX	256u

static void end_block(struct capture_writer *writer, uint8_t *block, uint8_t *at)
{
	uint32_t size = (uint32_t)(at - block) + 4;

	(void)put_4(block + 4, size);
	(void)put_4(at, size);
	byte_sink_commit(writer->sink, size);
}

static int pcapng_begin(struct capture_writer *writer)
{
	uint8_t *block = byte_sink_reserve(writer->sink, BLOCK_MAX);
	uint8_t *at = block;

	if (block == NULL) {
		return lost(writer);
	}
	at = put_4(at, BLOCK_SECTION);
	at = put_4(at, 0);
	at = put_4(at, ORDER_MAGIC);
	at = put_2(at, 1); /* version 1.0 */
	at = put_2(at, 0);
	at = put_4(at, UINT32_MAX); /* length of the section: not known */
	at = put_4(at, UINT32_MAX);
	end_block(writer, block, at);
	return 0;
}

static uint8_t *put_option(uint8_t *at, uint32_t code, const void *value, size_t size)
{
	at = put_2(at, code);
	at = put_2(at, (uint32_t)size);
	memcpy(at, value, size);
	at += size;
	for (; size % 4 != 0; size++) {
		*at++ = 0;
	}
	return at;
}

static int put_interface(struct capture_writer *writer, uint8_t bus)
{
	uint8_t *block = byte_sink_reserve(writer->sink, BLOCK_MAX);
	const char *name = writer->buses->names[bus];
	const uint8_t resolution = RESOLUTION_NS;
	uint8_t *at = block;

	if (block == NULL) {
		return lost(writer);
	}
	at = put_4(at, BLOCK_INTERFACE);
	at = put_4(at, 0);
	at = put_2(at, CAPTURE_PACKET_LINK_TYPE);
	at = put_2(at, 0);
	at = put_4(at, SNAP_LENGTH);
	at = put_option(at, OPTION_IF_NAME, name, strlen(name));
	at = put_option(at, OPTION_TSRESOL, &resolution, 1);
	at = put_4(at, 0); /* end of the options */
	end_block(writer, block, at);
	writer->interfaces[bus] = ++writer->interface_count;
	return 0;
}

static int pcapng_put(struct capture_writer *writer, const struct frame *frame)
{
	if (writer->interfaces[frame->bus] == 0) {
		int status = put_interface(writer, frame->bus);
		if (status < 0) {
			return status;
		}
	}
	uint8_t *block = byte_sink_reserve(writer->sink, BLOCK_MAX);
	if (block == NULL) {
		return lost(writer);
	}
	size_t size = capture_packet_write(frame, block + 28);
	uint8_t *at = put_4(block, BLOCK_PACKET);
	at = put_4(at, 0);
	at = put_4(at, (uint32_t)writer->interfaces[frame->bus] - 1);
	at = put_4(at, (uint32_t)((uint64_t)frame->t_ns >> 32));
	at = put_4(at, (uint32_t)frame->t_ns);
	at = put_4(at, (uint32_t)size);
	at = put_4(at, (uint32_t)size);
	end_block(writer, block, at + size); /* both sizes are multiples of four */
	return 0;
}

/* ---- the writer ---- */

static const struct writer_format formats[] = {
	[WRITE_CANDUMP] = {.begin = candump_begin, .put = candump_put},
	[WRITE_PCAP] = {.begin = pcap_begin, .put = pcap_put},
	[WRITE_PCAPNG] = {.begin = pcapng_begin, .put = pcapng_put},
};

static const enum byte_sink_compression compressions[] = {
	[WRITE_PLAIN] = BYTE_SINK_PLAIN,
	[WRITE_GZIP] = BYTE_SINK_GZIP,
	[WRITE_ZSTD] = BYTE_SINK_ZSTD,
};

int capture_writer_open_fd(struct capture_writer **ret_writer, int fd,
	enum capture_writer_format format, enum capture_writer_compression compression,
	const struct bus_names *buses)
{
	struct capture_writer *writer = calloc(1, sizeof(*writer));

	if (writer == NULL) {
		return -ENOMEM;
	}
	writer->format = &formats[format];
	writer->buses = buses;
	writer->owned_fd = -1;
	int status = byte_sink_open(&writer->sink, fd, compressions[compression]);
	if (status < 0) {
		goto free_writer;
	}
	status = writer->format->begin(writer);
	if (status < 0) {
		goto close_sink;
	}
	*ret_writer = writer;
	return 0;

close_sink:
	(void)byte_sink_close(writer->sink); /* The error is known already. */
free_writer:
	free(writer);
	return status;
}

int capture_writer_open(struct capture_writer **ret_writer, const char *path,
	enum capture_writer_format format, enum capture_writer_compression compression,
	const struct bus_names *buses)
{
	int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOCTTY, 0644);

	if (fd < 0) {
		return -errno;
	}
	int status = capture_writer_open_fd(ret_writer, fd, format, compression, buses);
	if (status < 0) {
		(void)close(fd); /* Nothing of worth is in it. */
		return status;
	}
	(*ret_writer)->owned_fd = fd;
	return 0;
}

int capture_writer_put(struct capture_writer *writer, const struct frame *frame)
{
	if (frame->t_ns < 0) {
		return -ERANGE;
	}
	if (frame->bus >= writer->buses->count || frame->len > FRAME_DATA_MAX) {
		return -EINVAL;
	}
	return writer->format->put(writer, frame);
}

int capture_writer_flush(struct capture_writer *writer)
{
	return byte_sink_flush(writer->sink);
}

int capture_writer_close(struct capture_writer *writer)
{
	if (writer == NULL) {
		return 0;
	}
	int status = byte_sink_close(writer->sink);
	/* A delayed write error, as of a full network disk, shows only here. */
	if (writer->owned_fd >= 0 && close(writer->owned_fd) < 0 && status == 0 && errno != EINTR) {
		status = -errno;
	}
	free(writer);
	return status;
}
