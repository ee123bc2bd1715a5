#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/decoder.h"
#include "decoders/encode.h"
#include "decoders/fault_code.h"
#include "near.h"

static struct decoder decoder;

/* Decodes frames; returns how many observations the last message gave, and how many messages. */
static size_t decode(const struct frame *frames, int count, struct observation *out,
	unsigned *ret_messages, struct message *ret_message)
{
	size_t observations = 0;

	*ret_messages = 0;
	decoder_init(&decoder);
	for (int i = 0; i < count; i++) {
		if (decoder_accept(&decoder, &frames[i], ret_message)) {
			(*ret_messages)++;
			observations = decoder_read(&decoder, ret_message, out, OBSERVATIONS_MAX);
		}
	}
	return observations;
}

static const struct observation *observation_of(
	const struct observation *o, size_t count, enum signal_id signal)
{
	for (size_t i = 0; i < count; i++) {
		if (o[i].signal == signal) {
			return &o[i];
		}
	}
	fail_msg("signal %s was not given", signal_get(signal)->name);
	return NULL;
}

static void engine_values_come_back_through_fast_packet(void **state)
{
	size_t row = (size_t)message_row_find(127489);
	struct encode_value values[] = {
		{(uint16_t)encode_field_of(row, SIGNAL_FUEL_RATE), READING_VALID, 3.8},
		{(uint16_t)encode_field_of(row, SIGNAL_COOLANT_TEMPERATURE), READING_VALID, 70.0},
		{(uint16_t)encode_field_of(row, SIGNAL_OIL_PRESSURE), READING_ERROR, 0},
	};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	struct observation o[OBSERVATIONS_MAX];
	struct message message;
	unsigned messages;
	int length = encode_payload(row, 1, values, 3, payload, sizeof(payload));
	struct encode_header header = {.pgn = 127489,
		.priority = 2,
		.source = 7,
		.destination = ADDRESS_GLOBAL,
		.bus = 3,
		.sequence = 5,
		.t_ns = 1000,
		.step_ns = 500000};

	(void)state;
	assert_int_equal(length, 26);
	assert_int_equal(encode_way_of(row, (size_t)length), ENCODE_FAST);
	int count = encode_frames(
		ENCODE_FAST, &header, payload, (size_t)length, frames, ENCODE_FRAMES_MAX);
	assert_int_equal(count, 4);
	size_t n = decode(frames, count, o, &messages, &message);
	assert_int_equal(messages, 1);
	assert_int_equal(message.source, 7);
	assert_int_equal(message.bus, 3);
	assert_int_equal(message.priority, 2);
	assert_int_equal(message.t_ns, 1000 + 3 * 500000);
	const struct observation *rate = observation_of(o, n, SIGNAL_FUEL_RATE);
	assert_int_equal(rate->state, READING_VALID);
	assert_int_equal(rate->instance, 1);
	near(rate->value, 3.8, 1e-9);
	near(rate->resolution, 0.1, 1e-12);
	near(observation_of(o, n, SIGNAL_COOLANT_TEMPERATURE)->value, 70, 0.0051);
	assert_int_equal(observation_of(o, n, SIGNAL_OIL_PRESSURE)->state, READING_ERROR);
	assert_int_equal(observation_of(o, n, SIGNAL_ENGINE_HOURS)->state, READING_NOT_AVAILABLE);
	assert_int_equal(observation_of(o, n, SIGNAL_ENGINE_STATUS_1)->state, READING_VALID);
	near(observation_of(o, n, SIGNAL_ENGINE_STATUS_1)->value, 0, 0);
}

static void a_moment_comes_back_to_a_tenth_of_a_millisecond(void **state)
{
	static const uint32_t pgns[] = {126992, 129029, 129033};
	static const enum signal_id signals[] = {
		SIGNAL_SYSTEM_TIME, SIGNAL_GNSS_TIME, SIGNAL_GNSS_TIME};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	struct observation o[OBSERVATIONS_MAX];
	struct message message;
	unsigned messages;

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		size_t row = (size_t)message_row_find(pgns[i]);
		struct encode_value value = {
			(uint16_t)encode_field_of(row, signals[i]), READING_VALID, 1700000000.1234};
		int length = encode_payload(row, 0, &value, 1, payload, sizeof(payload));
		struct encode_header header = {.pgn = pgns[i], .destination = ADDRESS_GLOBAL};

		assert_true(length > 0);
		int count = encode_frames(encode_way_of(row, (size_t)length), &header, payload,
			(size_t)length, frames, ENCODE_FRAMES_MAX);
		size_t n = decode(frames, count, o, &messages, &message);
		assert_int_equal(messages, 1);
		near(observation_of(o, n, signals[i])->value, 1700000000.1234, 1e-6);
	}
}

static void fault_codes_come_back_through_both_kinds_of_transport(void **state)
{
	static const enum encode_way ways[] = {ENCODE_BAM, ENCODE_CONNECTION};
	size_t row = (size_t)message_row_find(65226);
	struct fault_code codes[3] = {{91, 3, 1, 0}, {524286, 31, 126, 1}, {1, 0, 0, 0}};
	struct encode_value values[3];
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	struct observation o[OBSERVATIONS_MAX];
	struct message message;
	unsigned messages;

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		values[i] =
			(struct encode_value){(uint16_t)encode_field_of(row, SIGNAL_ACTIVE_FAULT),
				READING_VALID, fault_code_value(&codes[i])};
	}
	int length = encode_payload(row, 0, values, 3, payload, sizeof(payload));
	assert_int_equal(length, 14);
	for (size_t w = 0; w < 2; w++) {
		struct encode_header header = {
			.pgn = 65226, .source = 0, .destination = 0x21, .step_ns = 50000000};
		int count = encode_frames(
			ways[w], &header, payload, (size_t)length, frames, ENCODE_FRAMES_MAX);
		assert_int_equal(count, w == 0 ? 3 : 5);
		size_t n = decode(frames, count, o, &messages, &message);
		assert_int_equal(messages, 1);
		assert_int_equal(n, 4);
		assert_int_equal(message.destination, w == 0 ? ADDRESS_GLOBAL : 0x21);
		for (size_t i = 0; i < 3; i++) {
			struct fault_code code;

			assert_int_equal(o[1 + i].signal, SIGNAL_ACTIVE_FAULT);
			assert_true(fault_code_from_value(o[1 + i].value, &code));
			assert_int_equal(code.spn, codes[i].spn);
			assert_int_equal(code.fmi, codes[i].fmi);
			assert_int_equal(code.count, codes[i].count);
			assert_int_equal(code.conversion, codes[i].conversion);
		}
	}
}

static void a_message_without_faults_gives_one_value_of_zero(void **state)
{
	size_t row = (size_t)message_row_find(65226);
	struct encode_value value = {
		(uint16_t)encode_field_of(row, SIGNAL_ACTIVE_FAULT), READING_VALID, 0};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frame;
	struct observation o[OBSERVATIONS_MAX];
	struct message message;
	unsigned messages;
	struct encode_header header = {.pgn = 65226, .destination = ADDRESS_GLOBAL};

	(void)state;
	assert_int_equal(encode_payload(row, 0, &value, 1, payload, sizeof(payload)), 8);
	assert_int_equal(encode_frames(ENCODE_SINGLE, &header, payload, 8, &frame, 1), 1);
	size_t n = decode(&frame, 1, o, &messages, &message);
	assert_int_equal(n, 2);
	assert_int_equal(o[0].signal, SIGNAL_FAULT_LAMPS);
	assert_int_equal(o[1].signal, SIGNAL_ACTIVE_FAULT);
	assert_int_equal(o[1].state, READING_VALID);
	near(o[1].value, 0, 0);
}

static void values_without_a_code_are_refused(void **state)
{
	size_t row = (size_t)message_row_find(65266);
	uint16_t rate = (uint16_t)encode_field_of(row, SIGNAL_FUEL_RATE);
	uint8_t payload[8];
	struct encode_value value = {rate, READING_VALID, 3212.75};

	(void)state;
	assert_int_equal(encode_payload(row, 0, &value, 1, payload, sizeof(payload)), 8);
	value.value = 3212.80; /* the first code that is no number */
	assert_int_equal(encode_payload(row, 0, &value, 1, payload, sizeof(payload)), -ERANGE);
	value.value = -0.05;
	assert_int_equal(encode_payload(row, 0, &value, 1, payload, sizeof(payload)), -ERANGE);
	value = (struct encode_value){200, READING_VALID, 1};
	assert_int_equal(encode_payload(row, 0, &value, 1, payload, sizeof(payload)), -EINVAL);
	assert_int_equal(encode_payload(row, 0, NULL, 0, payload, 7), -ENOBUFS);
	assert_int_equal(encode_payload(message_row_count(), 0, NULL, 0, payload, 8), -EINVAL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(engine_values_come_back_through_fast_packet),
		cmocka_unit_test(a_moment_comes_back_to_a_tenth_of_a_millisecond),
		cmocka_unit_test(fault_codes_come_back_through_both_kinds_of_transport),
		cmocka_unit_test(a_message_without_faults_gives_one_value_of_zero),
		cmocka_unit_test(values_without_a_code_are_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
