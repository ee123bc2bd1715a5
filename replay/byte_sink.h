/* byte_sink.h: bytes into a file, plain or compressed. The other direction of byte_source.
 *
 * Knows nothing of what the bytes mean. Memory is fixed at opening.
 */
#ifndef SIGHTBOWL_REPLAY_BYTE_SINK_H
#define SIGHTBOWL_REPLAY_BYTE_SINK_H

#include <stddef.h>
#include <stdint.h>

enum byte_sink_compression {
	BYTE_SINK_PLAIN,
	BYTE_SINK_GZIP,
	BYTE_SINK_ZSTD,
};

#define BYTE_SINK_RESERVE_MAX 4096u

struct byte_sink; /* opaque; heap */

/* The descriptor stays the caller's, to be closed after byte_sink_close. 0 or -ENOMEM. */
int byte_sink_open(struct byte_sink **ret_sink, int fd, enum byte_sink_compression compression);
/* Room for size bytes (at most BYTE_SINK_RESERVE_MAX), to be filled and then committed before
 * anything else is done; NULL after an error. May block in write(). */
uint8_t *byte_sink_reserve(struct byte_sink *sink, size_t size);
/* Takes over the first size bytes of what was reserved. */
void byte_sink_commit(struct byte_sink *sink, size_t size);
/* Hands all bytes to the operating system; a compressed stream cut right behind them gives them
 * all. Returns 0 or the first error that the sink met, which stays. */
int byte_sink_flush(struct byte_sink *sink);
int byte_sink_error(const struct byte_sink *sink);
/* Flushes, ends the compressed stream, frees. NULL is fine. 0 or the first error. */
int byte_sink_close(struct byte_sink *sink);

#endif
