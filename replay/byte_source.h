/* byte_source.h: a file, plain or compressed, as one stream of bytes seen through a window.
 *
 * Knows gzip (several members), zstd (several frames) and standard input, and tells them apart by
 * content. A cut or damaged compressed stream gives everything that can be read of it. Knows
 * nothing of what the bytes mean. Memory is fixed at opening, whatever the size of the file.
 */
#ifndef SIGHTBOWL_REPLAY_BYTE_SOURCE_H
#define SIGHTBOWL_REPLAY_BYTE_SOURCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BYTE_SOURCE_WINDOW (256u * 1024u) /* most bytes that a window holds */
#define BYTE_SOURCE_SLACK  64u		  /* zero bytes behind the end, to be read over */

struct byte_source_decoder; /* private */

struct byte_source {
	/* The window: at may be moved forward, up to end, by whoever reads; all else is read only.
	 */
	const uint8_t *at;
	const uint8_t *end;

	bool ended;		 /* nothing will be added to the window any more */
	int error;		 /* negative errno that ended the reading, else 0 */
	bool cut;		 /* a compressed stream ended before its end mark */
	uint64_t damaged;	 /* damaged places inside the compressed stream */
	uint64_t damaged_offset; /* of the first: uncompressed bytes before it */
	char damaged_reason[96]; /* of the first, in words */

	/* Private. */
	uint8_t *window;
	uint64_t window_offset; /* uncompressed bytes before window[0] */
	uint64_t file_read;
	uint64_t file_size;
	int fd;
	bool owns_fd;
	const char *compression;
	struct byte_source_decoder *decoder; /* NULL for a plain file */
};

/* Opens path ("-" is standard input) and waits for its first bytes. Returns 0, -EISDIR, -ENOMEM, or
 * the errno of open() or read(), negative. On failure there is nothing to close. */
int byte_source_open(struct byte_source *source, const char *path);
/* Also fine after a failed open and on zeroed memory. */
void byte_source_close(struct byte_source *source);

/* Tries to have at least wanted bytes between at and end; moves the window's content, so pointers
 * into it are void afterwards. Blocks while a pipe has nothing to give. Returns whether they are
 * there; false when the stream has ended before, or wanted is larger than BYTE_SOURCE_WINDOW. */
bool byte_source_need(struct byte_source *source, size_t wanted);

/* What a compressed stream gives has turned out to be no content: gzip decodes wrong bits to
 * something, and can tell only at its end. Drops the window and what is left of the member or
 * frame, counts that as a damaged place, and goes on at the next one. */
void byte_source_give_up(struct byte_source *source);

/* Uncompressed offset of a place in the window. */
static inline uint64_t byte_source_offset(const struct byte_source *source, const uint8_t *place)
{
	return source->window_offset + (uint64_t)(place - source->window);
}

static inline size_t byte_source_left(const struct byte_source *source)
{
	return (size_t)(source->end - source->at);
}

/* "", "gzip" or "zstd". */
const char *byte_source_compression(const struct byte_source *source);
/* Bytes of the file itself, compressed as it may be: read so far, and in all (0: a pipe). */
uint64_t byte_source_file_read(const struct byte_source *source);
uint64_t byte_source_file_size(const struct byte_source *source);

#endif
