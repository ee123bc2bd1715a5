#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/decoder.h"
#include "decoders/encode.h"
#include "frame_stream.h"

#define MS INT64_C(1000000)

static struct decoder decoder;

static struct frame frame_of(uint32_t id, int64_t t_ns, const uint8_t *bytes, uint8_t length)
{
	struct frame frame = {.t_ns = t_ns, .id = id, .kind = FRAME_EXTENDED, .len = length};

	memcpy(frame.data, bytes, length);
	return frame;
}

/* Three frames of a 15-byte message of PGN 130820 (a maker's own) from source 4. */
static const uint8_t parts[3][8] = {
	{0x40, 15, 1, 2, 3, 4, 5, 6},
	{0x41, 7, 8, 9, 10, 11, 12, 13},
	{0x42, 14, 15, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF},
};
static const uint8_t whole[15] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15};
#define PART_ID UINT32_C(0x19FF0404)

static bool feed(unsigned part, int64_t t_ns, struct message *ret_message)
{
	struct frame frame = frame_of(PART_ID, t_ns, parts[part], 8);

	return decoder_accept(&decoder, &frame, ret_message);
}

static uint64_t counted(enum decoder_counter counter)
{
	return decoder.counters[counter];
}

static void a_message_comes_out_with_its_last_frame(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_false(feed(0, 0, &m));
	assert_false(feed(1, MS, &m));
	assert_true(feed(2, 2 * MS, &m));
	assert_int_equal(m.length, 15);
	assert_memory_equal(m.data, whole, 15);
	assert_int_equal(m.t_ns, 2 * MS);
	assert_int_equal(m.row, -1);
	assert_int_equal(counted(DECODER_MESSAGES), 1);
	assert_int_equal(counted(DECODER_UNKNOWN), 1);
}

static void a_lost_frame_gives_the_message_up_and_counts_the_rest_as_out_of_turn(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	feed(0, 0, &m);
	assert_false(feed(2, 2 * MS, &m));
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
	assert_int_equal(counted(DECODER_OUT_OF_SEQUENCE), 1);
	assert_false(feed(1, 3 * MS, &m));
	assert_false(feed(2, 4 * MS, &m));
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
	assert_int_equal(counted(DECODER_OUT_OF_SEQUENCE), 3);
	assert_int_equal(counted(DECODER_MESSAGES), 0);
}

static void a_frame_whose_start_was_not_heard_is_an_orphan(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	assert_false(feed(1, 0, &m));
	assert_false(feed(2, MS, &m));
	assert_int_equal(counted(DECODER_ORPHANS), 2);
	assert_int_equal(counted(DECODER_INCOMPLETE), 0);
}

static void repeated_frames_are_counted_and_change_nothing(void **state)
{
	struct message m;
	unsigned messages = 0;

	(void)state;
	decoder_init(&decoder);
	for (unsigned part = 0; part < 3; part++) {
		for (unsigned times = 0; times < 3; times++) {
			if (feed(part, (part * 3 + times) * MS, &m)) {
				messages++;
				assert_memory_equal(m.data, whole, 15);
			}
		}
	}
	assert_int_equal(messages, 1);
	assert_int_equal(counted(DECODER_REPEATED), 6);
	assert_int_equal(counted(DECODER_INCOMPLETE), 0);
	assert_int_equal(counted(DECODER_OUT_OF_SEQUENCE), 0);
}

static void a_message_that_takes_too_long_is_given_up(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	feed(0, 0, &m);
	assert_false(feed(1, FAST_PACKET_TIMEOUT_NS, &m));
	assert_int_equal(counted(DECODER_TIMED_OUT), 0);
	assert_false(feed(2, 2 * FAST_PACKET_TIMEOUT_NS + 1, &m));
	assert_int_equal(counted(DECODER_TIMED_OUT), 1);
	assert_int_equal(counted(DECODER_ORPHANS), 1);
}

static void time_alone_gives_a_message_up_once_other_frames_come(void **state)
{
	static const uint8_t bytes[8] = {0};
	struct frame other = frame_of(0x18FEF123, 3 * FAST_PACKET_TIMEOUT_NS, bytes, 8);
	struct message m;

	(void)state;
	decoder_init(&decoder);
	feed(0, 0, &m);
	decoder_accept(&decoder, &other, &m);
	assert_int_equal(counted(DECODER_TIMED_OUT), 1);
	assert_int_equal(decoder.fast_packet.used, 0);
}

static void a_frame_from_before_its_message_began_is_out_of_sequence(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	feed(0, 100 * MS, &m);
	assert_false(feed(1, 99 * MS, &m));
	assert_int_equal(counted(DECODER_OUT_OF_SEQUENCE), 1);
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
}

static void a_clock_set_back_costs_one_message_at_most(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	feed(0, INT64_C(2000000000000000000), &m);
	feed(1, 0, &m);
	for (int64_t t = 0; t < 10; t++) {
		assert_false(feed(0, t * 1000 * MS, &m));
		assert_false(feed(1, t * 1000 * MS + 1, &m));
		assert_true(feed(2, t * 1000 * MS + 2, &m));
	}
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
}

static void the_ends_of_time_are_no_trouble(void **state)
{
	static const int64_t times[] = {INT64_MIN, INT64_MAX, 0, INT64_MIN + 1, INT64_MAX - 1, -1};
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (unsigned i = 0; i < 36; i++) {
		feed(i % 3, times[i / 6], &m);
		feed(i % 2, times[i % 6], &m);
	}
	assert_true(counted(DECODER_FRAMES) == 72);
}

static void impossible_sizes_are_malformed(void **state)
{
	static const uint8_t none[8] = {0x00, 0};
	static const uint8_t much[8] = {0x20, 224, 1, 2, 3, 4, 5, 6};
	struct frame frame;
	struct message m;

	(void)state;
	decoder_init(&decoder);
	frame = frame_of(PART_ID, 0, none, 8);
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame = frame_of(PART_ID, 1, much, 8);
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame = frame_of(PART_ID, 2, parts[0], 7); /* a byte short */
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame = frame_of(PART_ID, 3, parts[0], 1);
	assert_false(decoder_accept(&decoder, &frame, &m));
	frame = frame_of(PART_ID, 4, parts[0], 0);
	assert_false(decoder_accept(&decoder, &frame, &m));
	assert_int_equal(counted(DECODER_MALFORMED), 5);
	assert_int_equal(counted(DECODER_MESSAGES), 0);
}

static void a_last_frame_may_end_with_the_message(void **state)
{
	struct frame frame = frame_of(PART_ID, 2, parts[2], 3);
	struct message m;

	(void)state;
	decoder_init(&decoder);
	feed(0, 0, &m);
	feed(1, 1, &m);
	assert_true(decoder_accept(&decoder, &frame, &m));
	assert_memory_equal(m.data, whole, 15);
}

static void more_senders_than_room_cost_the_oldest_and_are_counted(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (unsigned source = 0; source <= FAST_PACKET_SESSIONS_MAX; source++) {
		struct frame frame = frame_of(0x19FF0400 + source, source, parts[0], 8);
		decoder_accept(&decoder, &frame, &m);
	}
	assert_int_equal(counted(DECODER_NO_ROOM), 1);
	for (unsigned source = 1; source <= FAST_PACKET_SESSIONS_MAX; source++) {
		for (unsigned part = 1; part < 3; part++) {
			struct frame frame =
				frame_of(0x19FF0400 + source, 200 + source, parts[part], 8);
			assert_int_equal(decoder_accept(&decoder, &frame, &m), part == 2);
		}
	}
	assert_int_equal(counted(DECODER_MESSAGES), FAST_PACKET_SESSIONS_MAX);
	/* Ended sessions make room without loss. */
	for (unsigned source = 0; source < 100; source++) {
		struct frame frame = frame_of(0x19FF0500 + source, 400, parts[0], 8);
		decoder_accept(&decoder, &frame, &m);
	}
	assert_int_equal(counted(DECODER_NO_ROOM), 1);
}

/* The published test of recombined frames has a stream of 126720 between the frames of 129029. */
static void other_messages_between_the_frames_do_not_disturb(void **state)
{
	static const uint8_t other[2][8] = {
		{0xE0, 10, 1, 2, 3, 4, 5, 6},
		{0xE1, 7, 8, 9, 10, 0xFF, 0xFF, 0xFF},
	};
	struct message m;

	(void)state;
	decoder_init(&decoder);
	struct frame first = frame_of(0x1DEFFF04, 1, other[0], 8);
	struct frame second = frame_of(0x1DEFFF04, 3, other[1], 8);
	struct frame single = frame_of(0x09F11204, 4, other[1], 8);
	assert_false(feed(0, 0, &m));
	assert_false(decoder_accept(&decoder, &first, &m));
	assert_false(feed(1, 2, &m));
	assert_true(decoder_accept(&decoder, &second, &m));
	assert_int_equal(m.pgn, 126720);
	assert_int_equal(m.length, 10);
	assert_true(decoder_accept(&decoder, &single, &m));
	assert_true(feed(2, 5, &m));
	assert_memory_equal(m.data, whole, 15);
}

/* As many at once as there is room for, so that many share a bucket. */
static void one_sender_on_eight_buses_is_eight_senders(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (unsigned part = 0; part < 3; part++) {
		for (unsigned sender = 0; sender < FAST_PACKET_SESSIONS_MAX; sender++) {
			uint32_t source = sender / FRAME_BUS_MAX;
			struct frame frame = frame_of(0x19FF0400 + source, part, parts[part], 8);

			frame.bus = sender % FRAME_BUS_MAX;
			frame.data[2] = (uint8_t)(part == 2 ? frame.data[2] : sender);
			assert_int_equal(decoder_accept(&decoder, &frame, &m), part == 2);
			if (part == 2) {
				assert_int_equal(m.bus, frame.bus);
				assert_int_equal(m.source, source);
				assert_int_equal(m.data[0], sender);
				assert_int_equal(m.data[7], sender);
			}
		}
	}
	assert_int_equal(counted(DECODER_MESSAGES), FAST_PACKET_SESSIONS_MAX);
}

static unsigned false_messages;

static void count_message(struct frame_stream *s, const struct message *m)
{
	struct sent_message *sent = stream_find(s, m);

	if (sent == NULL) {
		false_messages++;
	} else {
		sent->heard++;
	}
}

/* Eleven senders on two buses, four PGNs, frames interleaved. */
static void make_traffic(struct frame_stream *s, uint64_t seed)
{
	static const uint32_t pgns[] = {127489, 129029, 130820, 126720};
	uint8_t sequence[11][4] = {{0}};

	stream_init(s, 60000, 3000, seed);
	for (unsigned round = 0; round < 60; round++) {
		for (unsigned i = 0; i < 44; i++) {
			uint8_t source = (uint8_t)(i / 4);
			size_t length = 4 + stream_random(s) % 220;
			uint8_t destination =
				pgns[i % 4] == 126720 ? (uint8_t)(source + 1) : ADDRESS_GLOBAL;
			struct sent_message *m = stream_send(
				s, pgns[i % 4], source % 2, source, destination, length);
			struct encode_header header = {.pgn = m->message.pgn,
				.source = source,
				.destination = destination,
				.bus = source % 2,
				.sequence = sequence[source][i % 4]++ & 7,
				.t_ns = (int64_t)(round * 100 + stream_random(s) % 60) * MS,
				.step_ns = (int64_t)(stream_random(s) % 1200) * 1000};
			struct frame frames[32];
			int count =
				encode_frames(ENCODE_FAST, &header, m->data, length, frames, 32);

			assert_true(count > 0);
			for (int f = 0; f < count; f++) {
				s->frames[s->frame_count++] =
					(struct stream_frame){frames[f], s->sent_count - 1};
			}
		}
	}
	stream_interleave(s);
}

static void interleaved_messages_all_come_out_once(void **state)
{
	struct frame_stream s;

	(void)state;
	make_traffic(&s, 1);
	decoder_init(&decoder);
	false_messages = 0;
	stream_play(&s, &decoder, 0, 0, 0, count_message);
	assert_int_equal(false_messages, 0);
	for (size_t i = 0; i < s.sent_count; i++) {
		assert_int_equal(s.sent[i].heard, 1);
	}
	assert_int_equal(counted(DECODER_MESSAGES), s.sent_count);
	assert_int_equal(counted(DECODER_INCOMPLETE) + counted(DECODER_ORPHANS) +
				 counted(DECODER_OUT_OF_SEQUENCE) + counted(DECODER_REPEATED),
		0);
	stream_finish(&s);
}

static void no_false_message_comes_of_loss_repetition_and_disorder(void **state)
{
	static const double levels[][3] = {{0.05, 0, 0}, {0, 0.05, 0}, {0, 0, 0.05},
		{0.02, 0.02, 0.02}, {0.3, 0.1, 0.1}, {0.6, 0.2, 0.2}};

	(void)state;
	for (unsigned level = 0; level < 6; level++) {
		struct frame_stream s;
		unsigned unhurt_lost = 0;
		unsigned heard = 0;

		make_traffic(&s, 100 + level);
		decoder_init(&decoder);
		false_messages = 0;
		stream_play(&s, &decoder, levels[level][0], levels[level][1], levels[level][2],
			count_message);
		assert_int_equal(false_messages, 0);
		for (size_t i = 0; i < s.sent_count; i++) {
			assert_true(s.sent[i].heard <= 1);
			heard += s.sent[i].heard;
			unhurt_lost += !s.sent[i].hurt && s.sent[i].heard == 0;
		}
		assert_int_equal(counted(DECODER_MESSAGES), heard);
		assert_int_equal(unhurt_lost, 0);
		stream_finish(&s);
	}
}

static void a_repeated_frame_costs_no_message(void **state)
{
	struct frame_stream s;

	(void)state;
	make_traffic(&s, 7);
	decoder_init(&decoder);
	false_messages = 0;
	stream_play(&s, &decoder, 0, 0.2, 0, count_message);
	assert_int_equal(false_messages, 0);
	for (size_t i = 0; i < s.sent_count; i++) {
		assert_int_equal(s.sent[i].heard, 1);
	}
	stream_finish(&s);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_message_comes_out_with_its_last_frame),
		cmocka_unit_test(
			a_lost_frame_gives_the_message_up_and_counts_the_rest_as_out_of_turn),
		cmocka_unit_test(a_frame_whose_start_was_not_heard_is_an_orphan),
		cmocka_unit_test(repeated_frames_are_counted_and_change_nothing),
		cmocka_unit_test(a_message_that_takes_too_long_is_given_up),
		cmocka_unit_test(time_alone_gives_a_message_up_once_other_frames_come),
		cmocka_unit_test(a_frame_from_before_its_message_began_is_out_of_sequence),
		cmocka_unit_test(a_clock_set_back_costs_one_message_at_most),
		cmocka_unit_test(the_ends_of_time_are_no_trouble),
		cmocka_unit_test(impossible_sizes_are_malformed),
		cmocka_unit_test(a_last_frame_may_end_with_the_message),
		cmocka_unit_test(more_senders_than_room_cost_the_oldest_and_are_counted),
		cmocka_unit_test(other_messages_between_the_frames_do_not_disturb),
		cmocka_unit_test(one_sender_on_eight_buses_is_eight_senders),
		cmocka_unit_test(interleaved_messages_all_come_out_once),
		cmocka_unit_test(no_false_message_comes_of_loss_repetition_and_disorder),
		cmocka_unit_test(a_repeated_frame_costs_no_message),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
