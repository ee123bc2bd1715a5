#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/decoder.h"
#include "decoders/encode.h"
#include "frame_stream.h"

#define MS	   INT64_C(1000000)
#define ORIGINATOR 0x80
#define RECEIVER   0x90

static struct decoder decoder;
static uint8_t payload[MESSAGE_LENGTH_MAX];
static struct frame frames[ENCODE_FRAMES_MAX];

static uint64_t counted(enum decoder_counter counter)
{
	return decoder.counters[counter];
}

/* A message of PGN 65226 as frames; returns how many. */
static int make(enum encode_way way, size_t length, int64_t t_ns)
{
	struct encode_header header = {.pgn = 65226,
		.priority = 6,
		.source = ORIGINATOR,
		.destination = way == ENCODE_BAM ? ADDRESS_GLOBAL : RECEIVER,
		.t_ns = t_ns,
		.step_ns = 50 * MS};

	for (size_t i = 0; i < sizeof(payload); i++) {
		payload[i] = (uint8_t)(i * 7 + length);
	}
	int count = encode_frames(way, &header, payload, length, frames, ENCODE_FRAMES_MAX);
	assert_true(count > 0);
	return count;
}

static unsigned feed_some(int first, int last, struct message *ret_message)
{
	unsigned messages = 0;

	for (int i = first; i <= last; i++) {
		if (decoder_accept(&decoder, &frames[i], ret_message)) {
			messages++;
			assert_memory_equal(ret_message->data, payload, ret_message->length);
		}
	}
	return messages;
}

static struct frame control_of(
	uint8_t from, uint8_t to, int64_t t_ns, uint8_t kind, uint8_t second, uint8_t third)
{
	struct frame frame = {.t_ns = t_ns,
		.id = identifier_build(7, TRANSPORT_PGN_CONNECTION, to, from),
		.kind = FRAME_EXTENDED,
		.len = 8,
		.data = {kind, second, third, 0xFF, 0xFF, 0xCA, 0xFE, 0x00}};

	return frame;
}

static void every_length_comes_out_of_a_broadcast(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (size_t length = 1; length <= MESSAGE_LENGTH_MAX; length++) {
		int count = make(ENCODE_BAM, length, (int64_t)length * 20000 * MS);

		assert_int_equal(feed_some(0, count - 1, &m), 1);
		assert_int_equal(m.length, length);
		assert_int_equal(m.pgn, 65226);
		assert_int_equal(m.source, ORIGINATOR);
		assert_int_equal(m.destination, ADDRESS_GLOBAL);
	}
	assert_int_equal(counted(DECODER_MESSAGES), MESSAGE_LENGTH_MAX);
}

static void every_length_comes_out_of_a_connection(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (size_t length = 1; length <= MESSAGE_LENGTH_MAX; length++) {
		int count = make(ENCODE_CONNECTION, length, (int64_t)length * 20000 * MS);

		assert_int_equal(feed_some(0, count - 2, &m), 0);
		assert_int_equal(feed_some(count - 1, count - 1, &m), 1);
		assert_int_equal(m.length, length);
		assert_int_equal(m.destination, RECEIVER);
	}
}

static void a_broadcast_that_misses_a_packet_is_given_up(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_BAM, 30, 0);
	assert_int_equal(feed_some(0, 1, &m), 0);
	assert_int_equal(feed_some(3, 5, &m), 0);
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
	assert_int_equal(counted(DECODER_OUT_OF_SEQUENCE), 3);
}

static void packets_without_a_start_are_orphans(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_BAM, 30, 0);
	assert_int_equal(feed_some(1, 5, &m), 0);
	assert_int_equal(counted(DECODER_ORPHANS), 5);
}

static void repeated_packets_and_starts_change_nothing(void **state)
{
	struct message m;
	unsigned messages = 0;

	(void)state;
	decoder_init(&decoder);
	int count = make(ENCODE_BAM, 30, 0);
	for (int i = 0; i < count; i++) {
		messages += feed_some(i, i, &m) + feed_some(i, i, &m);
	}
	assert_int_equal(messages, 1);
	assert_int_equal(counted(DECODER_REPEATED), count);
	assert_int_equal(counted(DECODER_INCOMPLETE), 0);
}

static void a_start_of_another_size_begins_anew(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_BAM, 30, 0);
	feed_some(0, 0, &m);
	make(ENCODE_BAM, 31, MS); /* as many packets */
	assert_int_equal(feed_some(0, 5, &m), 1);
	assert_int_equal(m.length, 31);
	assert_int_equal(counted(DECODER_REPEATED), 0);
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
}

/* T1 750 ms: the receiver gives up that long after the last packet (kernel's J1939 transport,
 * commits 0ae18a82 and c6eea1c8). */
static void a_broadcast_is_given_up_after_750_ms(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_BAM, 30, 0);
	feed_some(0, 1, &m);
	frames[2].t_ns = frames[1].t_ns + 750 * MS;
	feed_some(2, 2, &m);
	assert_int_equal(counted(DECODER_TIMED_OUT), 0);
	frames[3].t_ns = frames[2].t_ns + 750 * MS + 1;
	feed_some(3, 3, &m);
	assert_int_equal(counted(DECODER_TIMED_OUT), 1);
	assert_int_equal(counted(DECODER_ORPHANS), 1);
}

/* T3 and T2 1250 ms (from memory), T4 1050 ms (public documentation of the kernel's transport). */
static void a_connection_waits_as_long_as_its_stage_allows(void **state)
{
	struct message m;
	int64_t t_ns = 0;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_CONNECTION, 20, 0);
	feed_some(0, 0, &m);
	t_ns += 1250 * MS;
	struct frame hold = control_of(RECEIVER, ORIGINATOR, t_ns, TRANSPORT_CTS, 0, 0xFF);
	decoder_accept(&decoder, &hold, &m);
	t_ns += 1050 * MS;
	frames[1].t_ns = t_ns;
	feed_some(1, 1, &m);
	for (int i = 2; i < 5; i++) {
		t_ns += i == 2 ? 1250 * MS : 750 * MS;
		frames[i].t_ns = t_ns;
		feed_some(i, i, &m);
	}
	frames[5].t_ns = t_ns + 1250 * MS;
	assert_int_equal(feed_some(5, 5, &m), 1);
	assert_int_equal(counted(DECODER_TIMED_OUT), 0);

	make(ENCODE_CONNECTION, 20, 100000 * MS);
	feed_some(0, 0, &m);
	hold.t_ns = frames[0].t_ns + 10 * MS;
	decoder_accept(&decoder, &hold, &m);
	frames[1].t_ns = hold.t_ns + 1050 * MS + 1;
	feed_some(1, 1, &m);
	assert_int_equal(counted(DECODER_TIMED_OUT), 1);
}

static void a_resumed_connection_waits_as_long_as_an_unbroken_one(void **state)
{
	static const int64_t late_ms[] = {750, 751};
	struct message m;

	(void)state;
	for (unsigned i = 0; i < 2; i++) {
		uint8_t bytes[1024];
		struct state_writer w;
		struct state_reader r;

		decoder_init(&decoder);
		make(ENCODE_CONNECTION, 30, 0);
		feed_some(0, 2, &m);
		state_writer_init(&w, bytes, sizeof(bytes));
		decoder_save(&decoder, &w);
		decoder_init(&decoder);
		state_reader_init(&r, bytes, w.used);
		decoder_load(&decoder, &r);
		assert_false(w.failed || r.failed);
		feed_some(3, 3, &m); /* more are to come in this CTS's window: T1 */
		frames[4].t_ns = frames[3].t_ns + late_ms[i] * MS;
		feed_some(4, 4, &m);
		assert_int_equal(counted(DECODER_TIMED_OUT), i);
	}
}

static void a_receiver_that_asks_again_gets_the_packets_again(void **state)
{
	struct message m;
	struct frame again;

	(void)state;
	decoder_init(&decoder);
	int count = make(ENCODE_CONNECTION, 30, 0); /* RTS, CTS, packets 1-5, end */
	assert_int_equal(count, 8);
	feed_some(0, 3, &m);
	feed_some(5, 6, &m); /* packet 3 is not heard, by nobody */
	assert_int_equal(counted(DECODER_INCOMPLETE), 0);
	again = control_of(RECEIVER, ORIGINATOR, frames[6].t_ns + 1, TRANSPORT_CTS, 3, 3);
	decoder_accept(&decoder, &again, &m);
	for (int i = 4; i < 8; i++) {
		frames[i].t_ns += 200 * MS;
	}
	assert_int_equal(feed_some(4, 7, &m), 1);
	assert_int_equal(m.length, 30);
}

static void a_receiver_that_has_more_than_was_heard_shows_the_loss(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_CONNECTION, 30, 0);
	feed_some(0, 2, &m);
	struct frame more = control_of(RECEIVER, ORIGINATOR, frames[5].t_ns, TRANSPORT_CTS, 2, 4);
	decoder_accept(&decoder, &more, &m);
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
	assert_int_equal(feed_some(5, 7, &m), 0);
}

static void an_end_of_another_size_completes_nothing(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_CONNECTION, 30, 0);
	feed_some(0, 6, &m);
	frames[7].data[1] = 31;
	assert_int_equal(feed_some(7, 7, &m), 0);
	assert_int_equal(counted(DECODER_INCOMPLETE), 1);
	assert_int_equal(counted(DECODER_MESSAGES), 0);
}

static void either_side_may_abort(void **state)
{
	struct message m;

	(void)state;
	for (unsigned side = 0; side < 2; side++) {
		decoder_init(&decoder);
		make(ENCODE_CONNECTION, 30, 0);
		feed_some(0, 3, &m);
		struct frame stop = side == 0 ? control_of(RECEIVER, ORIGINATOR, frames[3].t_ns,
							TRANSPORT_ABORT, 3, 0xFF)
					      : control_of(ORIGINATOR, RECEIVER, frames[3].t_ns,
							TRANSPORT_ABORT, 3, 0xFF);
		decoder_accept(&decoder, &stop, &m);
		assert_int_equal(counted(DECODER_ABORTED), 1);
		assert_int_equal(feed_some(4, 7, &m), 0);
		assert_int_equal(counted(DECODER_MESSAGES), 0);
	}
}

static void an_abort_of_another_pgn_stops_nothing(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	make(ENCODE_CONNECTION, 30, 0);
	feed_some(0, 3, &m);
	struct frame stop =
		control_of(RECEIVER, ORIGINATOR, frames[3].t_ns, TRANSPORT_ABORT, 3, 0xFF);
	stop.data[5] = 0xCB;
	decoder_accept(&decoder, &stop, &m);
	assert_int_equal(feed_some(4, 7, &m), 1);
}

static void impossible_announcements_are_malformed(void **state)
{
	static const uint8_t bad[][8] = {
		{32, 0, 0, 0, 0xFF, 0xCA, 0xFE, 0},	    /* nothing */
		{32, 0xFA, 0x06, 255, 0xFF, 0xCA, 0xFE, 0}, /* 1786 bytes */
		{32, 20, 0, 4, 0xFF, 0xCA, 0xFE, 0},	    /* a packet too many */
		{32, 20, 0, 2, 0xFF, 0xCA, 0xFE, 0},	    /* one too few */
		{32, 20, 0, 3, 0xFF, 0, 0, 4},		    /* no PGN: 262144 */
		{16, 20, 0, 3, 0xFF, 0xCA, 0xFE, 0},	    /* a connection with all */
	};
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (unsigned i = 0; i < 6; i++) {
		struct frame frame = control_of(ORIGINATOR, ADDRESS_GLOBAL, i, 0, 0, 0);
		memcpy(frame.data, bad[i], 8);
		decoder_accept(&decoder, &frame, &m);
	}
	struct frame cut = control_of(ORIGINATOR, ADDRESS_GLOBAL, 7, TRANSPORT_BAM, 20, 0);
	cut.len = 7;
	decoder_accept(&decoder, &cut, &m);
	struct frame broadcast = control_of(ORIGINATOR, RECEIVER, 8, TRANSPORT_BAM, 20, 0);
	broadcast.data[3] = 3;
	decoder_accept(&decoder, &broadcast, &m);
	assert_int_equal(counted(DECODER_MALFORMED), 8);
}

static void a_broadcast_and_a_connection_of_one_sender_do_not_mix(void **state)
{
	struct frame connection[ENCODE_FRAMES_MAX];
	struct message m;
	unsigned messages = 0;

	(void)state;
	decoder_init(&decoder);
	int count = make(ENCODE_CONNECTION, 40, 0);
	memcpy(connection, frames, sizeof(frames));
	make(ENCODE_BAM, 40, 0); /* the same bytes, two frames fewer */
	for (int i = 0; i < count; i++) {
		messages += decoder_accept(&decoder, &connection[i], &m);
		if (i < count - 2) {
			messages += decoder_accept(&decoder, &frames[i], &m);
		}
	}
	assert_int_equal(messages, 2);
	assert_int_equal(counted(DECODER_OUT_OF_SEQUENCE), 0);
}

static void more_senders_than_room_cost_the_oldest_and_are_counted(void **state)
{
	struct message m;

	(void)state;
	decoder_init(&decoder);
	for (unsigned source = 0; source <= TRANSPORT_SESSIONS_MAX; source++) {
		make(ENCODE_BAM, 20, source);
		frames[0].id = (frames[0].id & ~UINT32_C(0xFF)) | source;
		feed_some(0, 0, &m);
	}
	assert_int_equal(counted(DECODER_NO_ROOM), 1);
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

/* Seven senders, broadcasts and connections, each sender's at least a second apart (as DM1 is
 * sent). */
static void make_traffic(struct frame_stream *s, uint64_t seed)
{
	stream_init(s, 40000, 1200, seed);
	for (unsigned round = 0; round < 80; round++) {
		for (unsigned i = 0; i < 14; i++) {
			uint8_t source = (uint8_t)(i / 2);
			bool is_broadcast = i % 2 == 0;
			uint8_t destination = is_broadcast ? ADDRESS_GLOBAL : 0x55;
			size_t length = 9 + stream_random(s) % 150;
			struct sent_message *m = stream_send(s, is_broadcast ? 65226 : 65227,
				source % 3, source, destination, length);
			struct encode_header header = {.pgn = m->message.pgn,
				.priority = 6,
				.source = source,
				.destination = destination,
				.bus = source % 3,
				.t_ns = (int64_t)(round * 2600 + stream_random(s) % 300) * MS,
				.step_ns = (int64_t)(20000 + stream_random(s) % 30000) * 1000};
			struct frame out[ENCODE_FRAMES_MAX];
			int count = encode_frames(is_broadcast ? ENCODE_BAM : ENCODE_CONNECTION,
				&header, m->data, length, out, ENCODE_FRAMES_MAX);

			assert_true(count > 0);
			for (int f = 0; f < count; f++) {
				s->frames[s->frame_count++] =
					(struct stream_frame){out[f], s->sent_count - 1};
			}
		}
	}
	stream_interleave(s);
}

static void no_false_message_comes_of_loss_repetition_and_disorder(void **state)
{
	static const double levels[][3] = {{0, 0, 0}, {0.05, 0, 0}, {0, 0.05, 0}, {0, 0, 0.05},
		{0.02, 0.02, 0.02}, {0.3, 0.1, 0.1}};

	(void)state;
	for (unsigned level = 0; level < 6; level++) {
		struct frame_stream s;
		unsigned heard = 0;

		make_traffic(&s, 100 + level);
		decoder_init(&decoder);
		false_messages = 0;
		stream_play(&s, &decoder, levels[level][0], levels[level][1], levels[level][2],
			count_message);
		assert_int_equal(false_messages, 0);
		for (size_t i = 0; i < s.sent_count; i++) {
			assert_true(s.sent[i].heard <= 1);
			assert_true(s.sent[i].hurt || s.sent[i].heard == 1);
			heard += s.sent[i].heard;
		}
		assert_int_equal(counted(DECODER_MESSAGES), heard);
		if (level == 2) {
			assert_int_equal(heard, s.sent_count); /* repetition costs nothing */
		}
		stream_finish(&s);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_length_comes_out_of_a_broadcast),
		cmocka_unit_test(every_length_comes_out_of_a_connection),
		cmocka_unit_test(a_broadcast_that_misses_a_packet_is_given_up),
		cmocka_unit_test(packets_without_a_start_are_orphans),
		cmocka_unit_test(repeated_packets_and_starts_change_nothing),
		cmocka_unit_test(a_start_of_another_size_begins_anew),
		cmocka_unit_test(a_broadcast_is_given_up_after_750_ms),
		cmocka_unit_test(a_connection_waits_as_long_as_its_stage_allows),
		cmocka_unit_test(a_resumed_connection_waits_as_long_as_an_unbroken_one),
		cmocka_unit_test(a_receiver_that_asks_again_gets_the_packets_again),
		cmocka_unit_test(a_receiver_that_has_more_than_was_heard_shows_the_loss),
		cmocka_unit_test(an_end_of_another_size_completes_nothing),
		cmocka_unit_test(either_side_may_abort),
		cmocka_unit_test(an_abort_of_another_pgn_stops_nothing),
		cmocka_unit_test(impossible_announcements_are_malformed),
		cmocka_unit_test(a_broadcast_and_a_connection_of_one_sender_do_not_mix),
		cmocka_unit_test(more_senders_than_room_cost_the_oldest_and_are_counted),
		cmocka_unit_test(no_false_message_comes_of_loss_repetition_and_disorder),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
