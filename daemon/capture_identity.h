/* capture_identity.h: what a capture is known by: a digest of its frames.
 *
 * Time, identifier, kind, length, data and the name of the bus of every frame, in their order; not
 * the file's name, format or compression. Times count from the first frame where the capture has no
 * date of its own, so that another start time makes no other capture of it. 128 bits by a mixing of
 * our own (multiply, rotate, exclusive-or; docs/log.md has it in full): two captures do not agree by
 * chance, but it is no protection against someone who makes them agree on purpose.
 */
#ifndef SIGHTBOWL_DAEMON_CAPTURE_IDENTITY_H
#define SIGHTBOWL_DAEMON_CAPTURE_IDENTITY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"
#include "replay/capture.h"

#define CAPTURE_DIGEST_BYTES 16
/* A capture is recognised by its first frames, as many as these or all. */
#define CAPTURE_HEAD_FRAMES 4096

struct capture_identity {
	uint64_t a;
	uint64_t b;
	uint64_t frames;
	int64_t first_ns; /* subtracted from the times */
	bool dated;
	const struct bus_names *buses;     /* borrowed */
	uint64_t bus_words[FRAME_BUS_MAX]; /* of the names, made when first needed */
	bool has_bus_word[FRAME_BUS_MAX];
};

/* buses is borrowed and may grow as frames are added. */
void capture_identity_init(struct capture_identity *identity, const struct bus_names *buses,
	bool dated);
void capture_identity_add(struct capture_identity *identity, const struct frame *frames,
	size_t count);
/* Of all frames so far; more may be added afterwards. */
void capture_identity_digest(const struct capture_identity *identity,
	uint8_t ret_digest[CAPTURE_DIGEST_BYTES]);

#endif
