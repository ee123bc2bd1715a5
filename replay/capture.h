/* capture.h: capture files → frames.
 *
 * A capture is opened by what is in it, not by its name: gzip or zstd or plain; candump's log lines
 * or its screen text; pcap or pcapng with SocketCAN frames. A damaged line, block or tail is
 * counted, its place kept, and reading goes on behind it. Times are as the recorder wrote them:
 * this layer never sorts or corrects them.
 *
 * Where a file leaves something open: a pcap does not name its interface, so its frames are those
 * of bus can0 (in a pcapng without names, of can and the interface's number); candump -tA writes
 * local time without saying which, and it is read as UTC; relative stamps are deltas when they go
 * down more than now and then, else they count from the start of the recording. A frame in the last
 * line of a text is given only if nothing of it can be missing.
 */
#ifndef SIGHTBOWL_REPLAY_CAPTURE_H
#define SIGHTBOWL_REPLAY_CAPTURE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"

struct capture; /* opaque; heap */

#define CAPTURE_BUS_NAME_MAX 32

struct capture_options {
	bool has_start;
	int64_t start_ns; /* time of the first frame, for captures with relative times */
};

enum capture_clock {
	CAPTURE_CLOCK_ABSOLUTE, /* times carry a date */
	CAPTURE_CLOCK_STARTED,	/* relative times put to the options' start */
	CAPTURE_CLOCK_UNKNOWN,	/* relative times, no date known: they count from 1970 */
};

struct capture_damage {
	uint64_t count;	       /* damaged places skipped */
	uint64_t first_line;   /* line of the first (text formats), from 1 on; else 0 */
	uint64_t first_byte;   /* byte offset of the first in the uncompressed stream */
	char first_reason[96]; /* in words, for a person */
	bool cut;	       /* the file ends inside a line, block or compressed stream */
};

/* A registry of bus names shared by the captures of one replay, so that can0 is the same bus in
 * every file. */
struct bus_names {
	size_t count;
	char names[FRAME_BUS_MAX][CAPTURE_BUS_NAME_MAX];
};

/* The number of a name, added when it is new. Returns -ENOSPC when FRAME_BUS_MAX are taken (the
 * caller counts such frames as damage). */
int bus_names_find(struct bus_names *buses, const char *name, size_t length);

/* Opens a capture; path "-" is standard input. Options may be NULL. Returns 0 or a negative errno:
 * -EISDIR, -ENOENT, -EACCES …, -ENODATA for an empty file, -ENOMSG when its content is no capture
 * (ret_error says what was seen). ret_error, of error_size bytes, always holds a sentence on
 * failure; it begins with the path. Waits until a pipe has given enough to tell its format. buses
 * is borrowed until capture_close. */
int capture_open(struct capture **ret_capture, const char *path, struct bus_names *buses,
	const struct capture_options *options, char *ret_error, size_t error_size);
/* NULL is fine. */
void capture_close(struct capture *capture);

/* Reads up to count frames into frames; fewer than count say nothing about the end. Returns how
 * many, 0 at the end, or (once, then 0) a negative errno when the file itself cannot be read
 * further (I/O error). Waits for a pipe only while it has no frame to give. */
int64_t capture_read(struct capture *capture, struct frame *frames, size_t count);

const char *capture_path(const struct capture *capture);
const char *capture_format(const struct capture *capture);	/* "candump log", "pcapng", … */
const char *capture_compression(const struct capture *capture); /* "", "gzip", "zstd" */
enum capture_clock capture_clock(const struct capture *capture);
const struct capture_damage *capture_damage(const struct capture *capture);
/* Bytes of the file read so far and its size (0 when not known: a pipe), for progress. */
uint64_t capture_position(const struct capture *capture);
uint64_t capture_size(const struct capture *capture);
/* "dropped N frames" notes that the recorder itself wrote into the file, summed. */
uint64_t capture_dropped(const struct capture *capture);

/* Several captures as one stream in time order (by the next frame of each; within one file the
 * file's order is kept; at equal times the captures' order holds). A frame that stands in several
 * captures, with the same time, bus, identifier and data, is given once. Takes over the captures, though
 * not the array: capture_merge_close closes them. Each lane takes some 300 KiB, a compressed one
 * 0.9 MiB. */
struct capture_merge;
int capture_merge_open(struct capture_merge **ret_merge, struct capture **captures, size_t count);
void capture_merge_close(struct capture_merge *merge);
/* As capture_read. After an error, told once, the capture that failed is left out and the next call
 * goes on with the others; capture_merge_failed is the last that failed, or NULL. */
int64_t capture_merge_read(struct capture_merge *merge, struct frame *frames, size_t count);
const struct capture *capture_merge_failed(const struct capture_merge *merge);
/* Frames passed over so far because another capture gave them. */
uint64_t capture_merge_copies(const struct capture_merge *merge);

#endif
