#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "daemon/capture_identity.h"

static const struct bus_names buses = {.count = 2, .names = {"can0", "can1"}};
/* The same buses under other numbers. */
static const struct bus_names other_buses = {.count = 3, .names = {"vcan7", "can1", "can0"}};

static void make_frames(struct frame *frames, size_t count)
{
	for (size_t i = 0; i < count; i++) {
		frames[i] = (struct frame){
			.t_ns = INT64_C(1780300800000000000) + (int64_t)i * 1234567,
			.id = (uint32_t)(0x09F20100 + i % 7),
			.kind = FRAME_EXTENDED,
			.bus = (uint8_t)(i % 2),
			.len = 8,
			.data = {(uint8_t)i, 2, 3, 4, 5, 6, 7, (uint8_t)(i >> 8)},
		};
	}
}

static void digest_of(const struct frame *frames, size_t count, const struct bus_names *names,
	bool dated, uint8_t digest[CAPTURE_DIGEST_BYTES])
{
	struct capture_identity identity;

	capture_identity_init(&identity, names, dated);
	capture_identity_add(&identity, frames, count);
	capture_identity_digest(&identity, digest);
}

/* The bytes themselves, from a separate script by the rule in docs/log.md: logs keep them, so they may
 * never change. */
static void the_digest_is_the_same_on_every_machine(void **state)
{
	static const uint8_t expected[CAPTURE_DIGEST_BYTES] = {0xE0, 0x59, 0x63, 0x28, 0xFE, 0x56, 0x7C, 0x0A,
		0xB6, 0x9A, 0xC9, 0xCB, 0xC4, 0xC6, 0xCE, 0xAA};
	uint8_t digest[CAPTURE_DIGEST_BYTES];
	struct frame frames[100];

	(void)state;
	make_frames(frames, 100);
	digest_of(frames, 100, &buses, true, digest);
	assert_memory_equal(digest, expected, sizeof(expected));
}

static void batches_and_bus_numbers_do_not_matter(void **state)
{
	uint8_t whole[CAPTURE_DIGEST_BYTES], parts[CAPTURE_DIGEST_BYTES];
	struct frame frames[100];
	struct capture_identity identity;

	(void)state;
	make_frames(frames, 100);
	digest_of(frames, 100, &buses, true, whole);
	for (size_t i = 0; i < 100; i++) {
		frames[i].bus = frames[i].bus == 0 ? 2 : 1;
	}
	capture_identity_init(&identity, &other_buses, true);
	for (size_t at = 0, step = 1; at < 100; at += step, step = step % 7 + 1) {
		size_t count = step < 100 - at ? step : 100 - at;
		capture_identity_add(&identity, frames + at, count);
		capture_identity_digest(&identity, parts); /* looking does not disturb */
	}
	capture_identity_digest(&identity, parts);
	assert_memory_equal(parts, whole, sizeof(whole));
}

/* Every single bit that a frame holds, at every place. */
static void any_other_frame_gives_another_digest(void **state)
{
	uint8_t whole[CAPTURE_DIGEST_BYTES], other[CAPTURE_DIGEST_BYTES];
	struct frame frames[5];

	(void)state;
	make_frames(frames, 5);
	digest_of(frames, 5, &buses, true, whole);
	for (size_t i = 0; i < 5; i++) {
		struct frame kept = frames[i];
		for (unsigned bit = 0; bit < 64; bit++) {
			frames[i].data[bit / 8] ^= (uint8_t)(1U << bit % 8);
			digest_of(frames, 5, &buses, true, other);
			assert_memory_not_equal(other, whole, sizeof(whole));
			frames[i] = kept;
			frames[i].t_ns ^= bit < 62 ? INT64_C(1) << bit : 1;
			digest_of(frames, 5, &buses, true, other);
			assert_memory_not_equal(other, whole, sizeof(whole));
			frames[i] = kept;
			frames[i].id ^= bit < 29 ? 1U << bit : 1;
			digest_of(frames, 5, &buses, true, other);
			assert_memory_not_equal(other, whole, sizeof(whole));
			frames[i] = kept;
		}
		frames[i].bus ^= 1;
		digest_of(frames, 5, &buses, true, other);
		assert_memory_not_equal(other, whole, sizeof(whole));
		frames[i] = kept;
		frames[i].len = 7;
		digest_of(frames, 5, &buses, true, other);
		assert_memory_not_equal(other, whole, sizeof(whole));
		frames[i] = kept;
		frames[i].kind = FRAME_REMOTE;
		digest_of(frames, 5, &buses, true, other);
		assert_memory_not_equal(other, whole, sizeof(whole));
		frames[i] = kept;
	}
	digest_of(frames, 4, &buses, true, other);
	assert_memory_not_equal(other, whole, sizeof(whole));
	struct frame first = frames[0];
	frames[0] = frames[1];
	frames[1] = first;
	digest_of(frames, 5, &buses, true, other);
	assert_memory_not_equal(other, whole, sizeof(whole));
}

static void without_a_date_only_the_time_since_the_start_counts(void **state)
{
	uint8_t a[CAPTURE_DIGEST_BYTES], b[CAPTURE_DIGEST_BYTES], dated[CAPTURE_DIGEST_BYTES];
	struct frame frames[50];

	(void)state;
	make_frames(frames, 50);
	digest_of(frames, 50, &buses, false, a);
	digest_of(frames, 50, &buses, true, dated);
	for (size_t i = 0; i < 50; i++) {
		frames[i].t_ns -= INT64_C(1000000000000000);
	}
	digest_of(frames, 50, &buses, false, b);
	assert_memory_equal(a, b, sizeof(a));
	digest_of(frames, 50, &buses, true, b);
	assert_memory_not_equal(dated, b, sizeof(b));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_digest_is_the_same_on_every_machine),
		cmocka_unit_test(batches_and_bus_numbers_do_not_matter),
		cmocka_unit_test(any_other_frame_gives_another_digest),
		cmocka_unit_test(without_a_date_only_the_time_since_the_start_counts),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
