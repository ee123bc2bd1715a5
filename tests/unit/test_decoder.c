#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/decoder.h"
#include "decoders/encode.h"
#include "near.h"

#define MS INT64_C(1000000)

static struct decoder decoder;
static struct decoder other;

static uint64_t random_state = UINT64_C(0xFEDCBA0987654321);

static uint64_t random_bits(void)
{
	random_state ^= random_state << 13;
	random_state ^= random_state >> 7;
	random_state ^= random_state << 17;
	return random_state >> 5;
}

static uint64_t counted(enum decoder_counter counter)
{
	return decoder.counters[counter];
}

static struct frame engine_speed(uint8_t source, int64_t t_ns)
{
	struct frame frame = {.t_ns = t_ns,
		.id = 0x0CF00400U | source,
		.kind = FRAME_EXTENDED,
		.len = 8,
		.data = {0xFF, 0x7D, 0x7D, 0xE0, 0x15, 0xFF, 0xF0, 0xFF}};

	return frame;
}

static struct frame engine_rapid(uint8_t bus)
{
	struct frame frame = {.id = 0x09F20001,
		.kind = FRAME_EXTENDED,
		.bus = bus,
		.len = 8,
		.data = {0x00, 0x92, 0x0C, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF}};

	return frame;
}

static void frames_that_carry_no_message_reach_no_table(void **state)
{
	struct frame frame = engine_speed(0, 0);
	struct message m;

	(void)state;
	decoder_init(&decoder);
	frame.kind = FRAME_STANDARD;
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame.kind = FRAME_REMOTE;
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame.kind = FRAME_ERROR;
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame.kind = FRAME_OTHER;
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame.kind = FRAME_EXTENDED;
	frame.len = 9;
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame.len = 8;
	frame.bus = FRAME_BUS_MAX;
	assert_false(decoder_accept(&decoder, &frame, &m));
	assert_int_equal(counted(DECODER_FRAMES), 6);
	assert_int_equal(counted(DECODER_STANDARD), 1);
	assert_int_equal(counted(DECODER_REMOTE), 1);
	assert_int_equal(counted(DECODER_ERRORS), 1);
	assert_int_equal(counted(DECODER_OTHER), 3);
	assert_int_equal(counted(DECODER_MESSAGES), 0);
}

static void both_protocols_are_read_on_one_bus(void **state)
{
	struct frame j1939 = engine_speed(1, 0);
	struct frame nmea2000 = engine_rapid(0);
	struct observation o[OBSERVATIONS_MAX];
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_true(decoder_accept(&decoder, &j1939, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 4);
	assert_int_equal(o[0].instance, 1); /* address 1 is engine 1 */
	assert_int_equal(o[2].signal, SIGNAL_ENGINE_SPEED);
	near(o[2].value, 700, 0);
	near(o[2].resolution, 0.125, 0);
	j1939 = engine_speed(49, 0);
	assert_true(decoder_accept(&decoder, &j1939, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 4);
	assert_int_equal(o[0].instance, 0); /* as any but 1 */
	assert_true(decoder_accept(&decoder, &nmea2000, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 3);
	assert_int_equal(o[0].signal, SIGNAL_ENGINE_SPEED);
	near(o[0].value, 804.5, 0);
	assert_int_equal(counted(DECODER_DECODED), 3);
}

static void a_limited_bus_knows_one_protocol(void **state)
{
	struct frame claim = {.id = 0x18EEFF00, .kind = FRAME_EXTENDED, .len = 8};
	struct frame j1939 = engine_speed(0, 0);
	struct frame nmea2000 = engine_rapid(0);
	struct message m;

	(void)state;
	decoder_init(&decoder);
	decoder_limit(&decoder, 1, DECODE_J1939);
	decoder_limit(&decoder, 2, DECODE_NMEA2000);
	for (uint8_t bus = 0; bus < 3; bus++) {
		j1939.bus = bus;
		nmea2000.bus = bus;
		claim.bus = bus;
		assert_true(decoder_accept(&decoder, &j1939, &m));
		assert_int_equal(m.row >= 0, bus != 2);
		assert_true(decoder_accept(&decoder, &nmea2000, &m));
		assert_int_equal(m.row >= 0, bus != 1);
		assert_true(decoder_accept(&decoder, &claim, &m));
		assert_true(m.row >= 0);
	}
	assert_int_equal(counted(DECODER_UNKNOWN), 2);
	assert_int_equal(counted(DECODER_DECODED), 7);
	/* On a J1939 bus nothing is fast packet. */
	struct frame fast = {
		.id = 0x09F20101, .kind = FRAME_EXTENDED, .bus = 1, .len = 8, .data = {0x00, 26}};
	assert_true(decoder_accept(&decoder, &fast, &m));
	assert_int_equal(m.row, -1);
	fast.bus = 2;
	assert_false(decoder_accept(&decoder, &fast, &m));
}

static void a_message_without_a_row_gives_nothing(void **state)
{
	struct frame frame = {.id = 0x18FF1234, .kind = FRAME_EXTENDED, .len = 8};
	struct observation o[1];
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_true(decoder_accept(&decoder, &frame, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, 1), 0);
	m.row = 1000;
	assert_int_equal(decoder_read(&decoder, &m, o, 1), 0);
	assert_int_equal(counted(DECODER_UNKNOWN), 1);
}

static void a_message_outlives_its_frame(void **state)
{
	struct frame frame = engine_speed(0, 0);
	struct observation o[OBSERVATIONS_MAX];
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_true(decoder_accept(&decoder, &frame, &m));
	memset(&frame, 0xAA, sizeof(frame));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 4);
	near(o[2].value, 700, 0);
}

/* A field that does not lie wholly inside its payload is absent: neither value nor state. Every
 * prefix of every message, from a heap block of just that size. */
static void every_prefix_gives_just_the_fields_it_holds(void **state)
{
	struct observation o[OBSERVATIONS_MAX];

	(void)state;
	decoder_init(&decoder);
	for (size_t r = 0; r < message_row_count(); r++) {
		const struct message_row *row = message_row_get(r);
		uint8_t payload[MESSAGE_LENGTH_MAX];
		int full = encode_payload(r, 0, NULL, 0, payload, sizeof(payload));

		assert_true(full > 0);
		for (size_t length = 0; length <= (size_t)full; length++) {
			uint8_t *exact = malloc(length > 0 ? length : 1);
			struct message m = {
				.length = (uint16_t)length, .row = (int16_t)r, .data = exact};
			size_t expected = 0;
			size_t instance_end =
				row->instance_rule == INSTANCE_BYTE ? row->instance_byte + 1U
				: row->instance_rule == INSTANCE_SOURCE_KIND
					? row->instance_byte + 2U
				: row->instance_rule == INSTANCE_KIND ? row->instance_byte + 1U
								      : 0;

			memcpy(exact, payload, length);
			for (size_t f = 0; f < row->field_count; f++) {
				const struct field_row *field = &row->fields[f];
				expected += field->feeds && length >= instance_end &&
					    (size_t)(field->first_bit + field->bits) <= length * 8;
			}
			assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), expected);
			free(exact);
		}
	}
}

static void a_message_too_short_for_any_field_is_counted_as_short(void **state)
{
	struct frame frame = engine_speed(0, 0);
	struct message m;

	(void)state;
	decoder_init(&decoder);
	frame.len = 0;
	assert_true(decoder_accept(&decoder, &frame, &m));
	assert_int_equal(m.row, -1);
	assert_int_equal(counted(DECODER_SHORT), 1);
	frame.len = 1;
	assert_true(decoder_accept(&decoder, &frame, &m));
	assert_true(m.row >= 0);
	assert_int_equal(counted(DECODER_DECODED), 1);
}

static void no_more_than_the_capacity_is_given(void **state)
{
	struct observation o[8];
	struct message m;
	uint8_t codes[MESSAGE_LENGTH_MAX];

	(void)state;
	decoder_init(&decoder);
	for (size_t i = 0; i < sizeof(codes); i++) {
		codes[i] = (uint8_t)(1 + i % 50);
	}
	m = (struct message){
		.length = sizeof(codes), .data = codes, .row = (int16_t)message_row_find(65226)};
	for (size_t capacity = 0; capacity <= 7; capacity++) {
		o[capacity].signal = UINT16_MAX;
		assert_int_equal(decoder_read(&decoder, &m, o, capacity), capacity);
		assert_int_equal(o[capacity].signal, UINT16_MAX);
	}
	struct observation many[OBSERVATIONS_MAX];
	assert_int_equal(decoder_read(&decoder, &m, many, OBSERVATIONS_MAX), OBSERVATIONS_MAX);
}

static void the_vessel_has_one_instance(void **state)
{
	/* Fuel level of engine 1's dash: the level is the boat's, the filter the engine's. */
	struct frame frame = {.id = 0x18FEFC01,
		.kind = FRAME_EXTENDED,
		.len = 8,
		.data = {0xFF, 0x7D, 0x19, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}};
	struct observation o[OBSERVATIONS_MAX];
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_true(decoder_accept(&decoder, &frame, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 4);
	assert_int_equal(o[0].signal, SIGNAL_FUEL_LEVEL_1);
	assert_int_equal(o[0].instance, 0);
	assert_int_equal(o[1].signal, SIGNAL_FUEL_FILTER);
	assert_int_equal(o[1].instance, 1);
}

static void counters_have_names_and_words(void **state)
{
	(void)state;
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		assert_true(decoder_counter_name((enum decoder_counter)i)[0] != '\0');
		assert_true(decoder_counter_text((enum decoder_counter)i)[0] != '\0');
		for (unsigned j = 0; j < i; j++) {
			assert_string_not_equal(decoder_counter_name((enum decoder_counter)i),
				decoder_counter_name((enum decoder_counter)j));
		}
	}
}

/* A frame of anything: rows of the tables, both ways of several frames, nonsense. */
static struct frame random_frame(int64_t t_ns)
{
	static const uint32_t ids[] = {0x0CF00400, 0x18FEF200, 0x09F20101, 0x0DF80503, 0x18ECFF00,
		0x18EBFF00, 0x18EC2100, 0x18EB2100, 0x1CEC0021, 0x18FECA00, 0x1DEFFF04};
	struct frame frame = {.t_ns = t_ns,
		.kind = FRAME_EXTENDED,
		.bus = random_bits() % 2,
		.len = random_bits() % 16 == 0 ? (uint8_t)(random_bits() % 9) : 8};

	frame.id = ids[random_bits() % 11];
	for (unsigned i = 0; i < 8; i++) {
		frame.data[i] = (uint8_t)random_bits();
	}
	switch (random_bits() % 8) {
	case 0:
		frame.data[0] = (uint8_t)(random_bits() % 4); /* fast packet or TP.DT, early */
		frame.data[1] = (uint8_t)(random_bits() % 40);
		break;
	case 1:
	case 2:
		frame.data[0] = random_bits() % 2 == 0 ? 32 : 16; /* a true announcement */
		frame.data[1] = (uint8_t)(9 + random_bits() % 20);
		frame.data[2] = 0;
		frame.data[3] = (uint8_t)((frame.data[1] + 6) / 7);
		frame.data[5] = 0xCA;
		frame.data[6] = 0xFE;
		frame.data[7] = 0;
		break;
	case 3:
	case 4:
	case 5:
		frame.data[0] = (uint8_t)(random_bits() % 4);
		break;
	default:
		break;
	}
	return frame;
}

/* Four senders of true messages of several frames. */
struct sender {
	enum encode_way way;
	uint32_t pgn;
	struct frame frames[ENCODE_FRAMES_MAX];
	int count;
	int next;
	uint8_t sequence;
};

static struct sender senders[] = {
	{.way = ENCODE_FAST, .pgn = 127489},
	{.way = ENCODE_FAST, .pgn = 129029},
	{.way = ENCODE_BAM, .pgn = 65226},
	{.way = ENCODE_CONNECTION, .pgn = 65227},
};

/* The next frame of one of them, with a few lost, or one of anything. */
static struct frame traffic_frame(int64_t t_ns)
{
	struct sender *s = &senders[random_bits() % 4];
	uint8_t payload[60];

	if (random_bits() % 5 == 0) {
		return random_frame(t_ns);
	}
	if (s->next == s->count) {
		struct encode_header header = {.pgn = s->pgn,
			.source = 9,
			.destination = 0x21,
			.sequence = s->sequence++ & 7};
		for (size_t i = 0; i < sizeof(payload); i++) {
			payload[i] = (uint8_t)random_bits();
		}
		s->count = encode_frames(s->way, &header, payload, 9 + random_bits() % 50,
			s->frames, ENCODE_FRAMES_MAX);
		s->next = random_bits() % 30 == 0;
	}
	struct frame frame = s->frames[s->next++];
	frame.t_ns = t_ns;
	return frame;
}

static void a_resumed_decoder_goes_on_as_if_nothing_had_been(void **state)
{
	static uint8_t bytes[256 * 1024];
	int64_t t_ns = 0;
	unsigned messages = 0;
	size_t most = 0;

	(void)state;
	decoder_init(&decoder);
	decoder_init(&other);
	for (unsigned i = 0; i < 60000; i++) {
		struct frame frame = traffic_frame(t_ns);
		struct message m;
		struct message n;

		t_ns += (int64_t)(random_bits() % 40) * MS - 2 * MS;
		bool whole = decoder_accept(&decoder, &frame, &m);
		assert_int_equal(decoder_accept(&other, &frame, &n), whole);
		if (whole) {
			struct observation o[OBSERVATIONS_MAX];
			struct observation p[OBSERVATIONS_MAX];
			size_t count = decoder_read(&decoder, &m, o, OBSERVATIONS_MAX);

			messages += m.length > 8;
			assert_int_equal(m.pgn, n.pgn);
			assert_int_equal(m.length, n.length);
			assert_int_equal(m.row, n.row);
			assert_memory_equal(m.data, n.data, m.length);
			assert_int_equal(decoder_read(&other, &n, p, OBSERVATIONS_MAX), count);
		}
		assert_memory_equal(decoder.counters, other.counters, sizeof(other.counters));
		if (i % 7 == 0) {
			struct state_writer w;
			struct state_reader r;

			state_writer_init(&w, bytes, sizeof(bytes));
			decoder_save(&other, &w);
			assert_false(w.failed);
			most = w.used > most ? w.used : most;
			decoder_init(&other);
			state_reader_init(&r, bytes, w.used);
			decoder_load(&other, &r);
			assert_false(r.failed);
			assert_int_equal(r.used, w.used);
		}
	}
	assert_true(messages > 1000);
	assert_true(most < 4096);
}

static void damaged_state_is_refused_or_sound_never_harmful(void **state)
{
	uint8_t bytes[8192];
	uint8_t damaged[8192];
	struct state_writer w;
	unsigned refused = 0;

	(void)state;
	decoder_init(&decoder);
	for (unsigned i = 0; i < 500; i++) {
		struct frame frame = random_frame(i * MS);
		struct message m;
		decoder_accept(&decoder, &frame, &m);
	}
	state_writer_init(&w, bytes, sizeof(bytes));
	decoder_save(&decoder, &w);
	assert_false(w.failed);
	for (unsigned round = 0; round < 5000; round++) {
		size_t size = round % 2 == 0 ? w.used : random_bits() % w.used;
		uint8_t *exact = malloc(size > 0 ? size : 1);
		struct state_reader r;

		memcpy(damaged, bytes, w.used);
		for (unsigned hits = 0; hits < 1 + round % 5; hits++) {
			damaged[random_bits() % w.used] = (uint8_t)random_bits();
		}
		memcpy(exact, damaged, size);
		decoder_init(&other);
		state_reader_init(&r, exact, size);
		decoder_load(&other, &r);
		if (r.failed) {
			refused++;
			assert_int_equal(other.counters[DECODER_FRAMES], 0);
			assert_int_equal(other.fast_packet.used, 0);
		}
		for (unsigned i = 0; i < 40; i++) {
			struct frame frame = random_frame((500 + i) * MS);
			struct message m;
			struct observation o[OBSERVATIONS_MAX];
			if (decoder_accept(&other, &frame, &m)) {
				(void)decoder_read(&other, &m, o, OBSERVATIONS_MAX);
			}
		}
		free(exact);
	}
	assert_true(refused > 1000);
}

static void values_are_counted_by_their_state(void **state)
{
	/* Load n.a., torque codes FB (reserved) and FE (error), speed n.a. */
	struct frame frame = {.id = 0x0CF00400,
		.kind = FRAME_EXTENDED,
		.len = 8,
		.data = {0xFF, 0xFB, 0xFE, 0xFF, 0xFF, 0xFF, 0xF1, 0xFF}};
	struct frame level = {.id = 0x18FEEF00,
		.kind = FRAME_EXTENDED,
		.len = 8,
		/* Oil level 100 %, crankcase pressure 251.99 kPa, coolant level 100 %. */
		.data = {0xFF, 0xFF, 0xFA, 0xFF, 0xFF, 0xFA, 0xFF, 0xFA}};
	struct observation o[OBSERVATIONS_MAX];
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_true(decoder_accept(&decoder, &frame, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 4);
	assert_int_equal(counted(DECODER_VALID), 1);
	assert_int_equal(counted(DECODER_NOT_AVAILABLE), 1);
	assert_int_equal(counted(DECODER_ERROR_VALUES), 1);
	assert_int_equal(counted(DECODER_RESERVED), 1);
	assert_int_equal(counted(DECODER_IMPLAUSIBLE), 0);
	for (unsigned i = 0; i < 3; i++) {
		near(o[i].value, 0, 0);
	}
	assert_true(decoder_accept(&decoder, &level, &m));
	assert_int_equal(decoder_read(&decoder, &m, o, OBSERVATIONS_MAX), 6);
	assert_int_equal(counted(DECODER_VALID), 4);
	assert_int_equal(counted(DECODER_NOT_AVAILABLE), 4);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_that_carry_no_message_reach_no_table),
		cmocka_unit_test(both_protocols_are_read_on_one_bus),
		cmocka_unit_test(a_limited_bus_knows_one_protocol),
		cmocka_unit_test(a_message_without_a_row_gives_nothing),
		cmocka_unit_test(a_message_outlives_its_frame),
		cmocka_unit_test(every_prefix_gives_just_the_fields_it_holds),
		cmocka_unit_test(a_message_too_short_for_any_field_is_counted_as_short),
		cmocka_unit_test(no_more_than_the_capacity_is_given),
		cmocka_unit_test(the_vessel_has_one_instance),
		cmocka_unit_test(values_are_counted_by_their_state),
		cmocka_unit_test(counters_have_names_and_words),
		cmocka_unit_test(a_resumed_decoder_goes_on_as_if_nothing_had_been),
		cmocka_unit_test(damaged_state_is_refused_or_sound_never_harmful),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
