#include "daemon/capture_identity.h"

#include <string.h>

/* Odd numbers from the binary fractions of square roots (2, 3, 5, 7): no choice of ours in them. */
#define K2 UINT64_C(0x6A09E667F3BCC909)
#define K3 UINT64_C(0xBB67AE8584CAA73B)
#define K5 UINT64_C(0x3C6EF372FE94F82B)
#define K7 UINT64_C(0xA54FF53A5F1D36F1)

static uint64_t rotate(uint64_t value, unsigned bits)
{
	return value << bits | value >> (64 - bits);
}

static uint64_t mix(uint64_t state, uint64_t word, uint64_t factor)
{
	return rotate((state ^ word) * factor, 29);
}

void capture_identity_init(struct capture_identity *identity, const struct bus_names *buses,
	bool dated)
{
	memset(identity, 0, sizeof(*identity));
	identity->a = K2;
	identity->b = K3;
	identity->dated = dated;
	identity->buses = buses;
}

static uint64_t bus_word(struct capture_identity *identity, uint8_t bus)
{
	if (!identity->has_bus_word[bus]) {
		uint64_t word = K5;
		for (const char *at = identity->buses->names[bus]; *at != '\0'; at++) {
			word = mix(word, (unsigned char)*at, K7);
		}
		identity->bus_words[bus] = word;
		identity->has_bus_word[bus] = true;
	}
	return identity->bus_words[bus];
}

void capture_identity_add(struct capture_identity *identity, const struct frame *frames,
	size_t count)
{
	uint64_t a = identity->a, b = identity->b;

	if (identity->frames == 0 && count > 0 && !identity->dated) {
		identity->first_ns = frames[0].t_ns;
	}
	for (size_t i = 0; i < count; i++) {
		const struct frame *frame = &frames[i];
		uint64_t time = (uint64_t)frame->t_ns - (uint64_t)identity->first_ns;
		uint64_t head = (uint64_t)frame->id | (uint64_t)frame->kind << 32 |
			(uint64_t)frame->len << 40;
		uint64_t data = 0;

		for (size_t byte = 0; byte < frame->len && byte < FRAME_DATA_MAX; byte++) {
			data |= (uint64_t)frame->data[byte] << (8 * byte);
		}
		head ^= bus_word(identity, frame->bus);
		a = mix(mix(mix(a, time, K3), head, K5), data, K7);
		b = mix(mix(mix(b, data, K2), time, K7), head, K3);
	}
	identity->a = a;
	identity->b = b;
	identity->frames += count;
}

void capture_identity_digest(const struct capture_identity *identity,
	uint8_t ret_digest[CAPTURE_DIGEST_BYTES])
{
	uint64_t a = identity->a ^ identity->frames, b = identity->b ^ rotate(identity->frames, 32);

	for (int round = 0; round < 3; round++) {
		uint64_t next = mix(a, b, K5);
		b = mix(b, a, K7);
		a = next ^ next >> 32;
		b ^= b >> 32;
	}
	for (size_t i = 0; i < 8; i++) {
		ret_digest[i] = (uint8_t)(a >> (8 * i));
		ret_digest[8 + i] = (uint8_t)(b >> (8 * i));
	}
}
