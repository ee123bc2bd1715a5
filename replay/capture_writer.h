/* capture_writer.h: frames → a candump -L capture, plain, gzip or zstd; or pcap, pcapng. */
#ifndef SIGHTBOWL_REPLAY_CAPTURE_WRITER_H
#define SIGHTBOWL_REPLAY_CAPTURE_WRITER_H

#include <stddef.h>

#include "decoders/frame.h"
#include "replay/capture.h"

enum capture_writer_format {
	WRITE_CANDUMP, /* "(seconds.microseconds) bus id#data" */
	WRITE_PCAP,    /* nanosecond pcap, link type 227 */
	WRITE_PCAPNG,  /* one interface a bus, nanoseconds */
};

enum capture_writer_compression {
	WRITE_PLAIN,
	WRITE_GZIP,
	WRITE_ZSTD,
};

struct capture_writer; /* opaque; heap */

/* Creates (truncates) path. Returns 0 or a negative errno. buses is borrowed until close. */
int capture_writer_open(struct capture_writer **ret_writer, const char *path,
	enum capture_writer_format format, enum capture_writer_compression compression,
	const struct bus_names *buses);
/* The same on a descriptor that the caller keeps and closes after capture_writer_close. */
int capture_writer_open_fd(struct capture_writer **ret_writer, int fd,
	enum capture_writer_format format, enum capture_writer_compression compression,
	const struct bus_names *buses);
/* Buffers; 0 or a negative errno. */
int capture_writer_put(struct capture_writer *writer, const struct frame *frame);
/* Hands everything so far to the operating system, ending a compressed block so that a cut file can
 * be read up to here. */
int capture_writer_flush(struct capture_writer *writer);
/* Flushes, ends the file, frees. NULL is fine. Returns 0 or the first error. */
int capture_writer_close(struct capture_writer *writer);

#endif
