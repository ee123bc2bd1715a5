#include "decoders/state_codec.h"

#include <string.h>

void state_writer_init(struct state_writer *w, uint8_t *bytes, size_t size)
{
	*w = (struct state_writer){.bytes = bytes, .size = size};
}

void state_put_unsigned(struct state_writer *w, uint64_t value)
{
	uint8_t coded[10];
	size_t n = 0;

	while (value >= 0x80) {
		coded[n++] = (uint8_t)(value | 0x80);
		value >>= 7;
	}
	coded[n++] = (uint8_t)value;
	state_put_bytes(w, coded, n);
}

void state_put_signed(struct state_writer *w, int64_t value)
{
	uint64_t folded = (uint64_t)value << 1;

	state_put_unsigned(w, value < 0 ? ~folded : folded);
}

void state_put_double(struct state_writer *w, double value)
{
	uint64_t bits;
	uint8_t coded[8];

	memcpy(&bits, &value, sizeof(bits));
	for (size_t i = 0; i < sizeof(coded); i++) {
		coded[i] = (uint8_t)(bits >> (8 * i));
	}
	state_put_bytes(w, coded, sizeof(coded));
}

void state_put_float(struct state_writer *w, float value)
{
	uint32_t bits;
	uint8_t coded[4];

	memcpy(&bits, &value, sizeof(bits));
	for (size_t i = 0; i < sizeof(coded); i++) {
		coded[i] = (uint8_t)(bits >> (8 * i));
	}
	state_put_bytes(w, coded, sizeof(coded));
}

double state_single(double value)
{
	/* volatile: gcc 12 at -O2 has been seen to drop the casts where it stores two such values at
	 * once (its vectoriser keeps the unrounded pair). */
	volatile float single = (float)value;

	return (double)single;
}

void state_put_bytes(struct state_writer *w, const void *bytes, size_t size)
{
	if (w->failed || size > w->size - w->used) {
		w->failed = true;
		return;
	}
	if (size > 0) {
		memcpy(w->bytes + w->used, bytes, size);
		w->used += size;
	}
}

void state_reader_init(struct state_reader *r, const uint8_t *bytes, size_t size)
{
	*r = (struct state_reader){.bytes = bytes, .size = size};
}

uint64_t state_get_unsigned(struct state_reader *r, uint64_t limit)
{
	uint64_t value = 0;

	for (unsigned shift = 0; shift < 64; shift += 7) {
		if (r->failed || r->used == r->size) {
			break;
		}
		uint8_t byte = r->bytes[r->used++];
		if (shift == 63 && byte > 1) {
			break;
		}
		value |= (uint64_t)(byte & 0x7F) << shift;
		if (byte < 0x80) {
			if (value > limit) {
				break;
			}
			return value;
		}
	}
	r->failed = true;
	return 0;
}

int64_t state_get_signed(struct state_reader *r)
{
	uint64_t folded = state_get_unsigned(r, UINT64_MAX);
	uint64_t value = (folded & 1) != 0 ? ~(folded >> 1) : folded >> 1;
	int64_t result;

	memcpy(&result, &value, sizeof(result));
	return result;
}

double state_get_double(struct state_reader *r)
{
	uint8_t coded[8];
	uint64_t bits = 0;
	double value;

	state_get_bytes(r, coded, sizeof(coded));
	for (size_t i = 0; i < sizeof(coded); i++) {
		bits |= (uint64_t)coded[i] << (8 * i);
	}
	memcpy(&value, &bits, sizeof(value));
	return value;
}

float state_get_float(struct state_reader *r)
{
	uint8_t coded[4];
	uint32_t bits = 0;
	float value;

	state_get_bytes(r, coded, sizeof(coded));
	for (size_t i = 0; i < sizeof(coded); i++) {
		bits |= (uint32_t)coded[i] << (8 * i);
	}
	memcpy(&value, &bits, sizeof(value));
	return value;
}

void state_get_bytes(struct state_reader *r, void *bytes, size_t size)
{
	if (r->failed || size > r->size - r->used) {
		r->failed = true;
		memset(bytes, 0, size);
		return;
	}
	if (size > 0) {
		memcpy(bytes, r->bytes + r->used, size);
		r->used += size;
	}
}
