/* capture_writer.h: frames → a capture: candump -L, pcap or pcapng; plain, gzip or zstd.
 *
 * The same frames give the same bytes on every machine. Times are written as they come.
 */
#ifndef SIGHTBOWL_REPLAY_CAPTURE_WRITER_H
#define SIGHTBOWL_REPLAY_CAPTURE_WRITER_H

#include <stddef.h>

#include "decoders/frame.h"
#include "replay/capture.h"

enum capture_writer_format {
	WRITE_CANDUMP, /* "(seconds.microseconds) bus id#data"; 9 decimals when 6 would lose some */
	WRITE_PCAP,    /* nanosecond pcap, link type 227; the names of the buses are lost */
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
/* Buffers; 0 or a negative errno: -ERANGE for a time before 1970 (or, in a pcap, after 2106),
 * -EINVAL for a bus without a name or a length over 8: the frame is left out and writing can go on.
 * After an error of the file (-ENOSPC, …) every call returns that error. A frame read back is the
 * same, but for the spare data of a remote request and, in a pcap, the bus. */
int capture_writer_put(struct capture_writer *writer, const struct frame *frame);
/* Hands everything so far to the operating system, ending a compressed block so that a cut file can
 * be read up to here. */
int capture_writer_flush(struct capture_writer *writer);
/* Flushes, ends the file, frees. NULL is fine. Returns 0 or the first error. */
int capture_writer_close(struct capture_writer *writer);

#endif
