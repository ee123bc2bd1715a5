/* state_codec.h: a bounded writer and reader for the state that a checkpoint keeps.
 *
 * Bytes are little-endian whatever the machine; integers are variable-length (7 bits a byte, signed
 * ones zigzag-folded), doubles keep all 64 bits so that a resumed analysis continues bit for bit.
 * A writer that runs out of room and a reader that runs out of bytes, or meets a value that its
 * caller's limit forbids, go into a failed state and stay there: check once, at the end.
 */
#ifndef SIGHTBOWL_DECODERS_STATE_CODEC_H
#define SIGHTBOWL_DECODERS_STATE_CODEC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct state_writer {
	uint8_t *bytes; /* borrowed */
	size_t size;
	size_t used;
	bool failed;
};

struct state_reader {
	const uint8_t *bytes; /* borrowed */
	size_t size;
	size_t used;
	bool failed;
};

void state_writer_init(struct state_writer *w, uint8_t *bytes, size_t size);
void state_put_unsigned(struct state_writer *w, uint64_t value);
void state_put_signed(struct state_writer *w, int64_t value);
void state_put_double(struct state_writer *w, double value);
/* For state that its owner holds in single precision: half the bytes, still bit for bit. */
void state_put_float(struct state_writer *w, float value);
/* The value as single precision keeps it: an owner that computes in double rounds its state with this
 * after every step, so that a resumed analysis continues from exactly what went on. */
double state_single(double value);
void state_put_bytes(struct state_writer *w, const void *bytes, size_t size);

void state_reader_init(struct state_reader *r, const uint8_t *bytes, size_t size);
/* Returns 0 in the failed state, and fails when the value is above limit. */
uint64_t state_get_unsigned(struct state_reader *r, uint64_t limit);
int64_t state_get_signed(struct state_reader *r);
double state_get_double(struct state_reader *r);
float state_get_float(struct state_reader *r);
/* Fills bytes with zeroes in the failed state. */
void state_get_bytes(struct state_reader *r, void *bytes, size_t size);

#endif
