/* SAE J1939-21, 5.10. TP.CM: byte 1 control; RTS and BAM: bytes 2-3 size, 4 packets; CTS: 2
 * packets, 3 next packet; abort: 2 reason; bytes 6-8 the PGN that is carried. TP.DT: byte 1 packet
 * number from 1, then 7 bytes, the last packet filled with 0xFF. RTS and data go from originator to
 * destination, CTS and EndOfMsgACK the other way, an abort either way. */
#include "decoders/transport.h"

#include <string.h>

#define PACKET_BYTES  7
#define CONTROL_BYTES 8

enum session_state {
	SESSION_FREE,
	SESSION_OPEN,	/* a message has begun */
	SESSION_WHOLE,	/* it came whole */
	SESSION_BROKEN, /* it was given up */
};

void transport_init(struct transport *t)
{
	memset(t, 0, sizeof(*t));
}

static uint32_t key_of(unsigned bus, unsigned source, unsigned destination)
{
	return (uint32_t)(bus + 1) << 16 | (uint32_t)source << 8 | destination;
}

static struct transport_session *find(
	struct transport *t, unsigned bus, unsigned source, unsigned destination)
{
	uint32_t key = key_of(bus, source, destination);

	for (unsigned i = 0; i < TRANSPORT_SESSIONS_MAX; i++) {
		if (t->keys[i] == key) {
			return &t->sessions[i];
		}
	}
	return NULL;
}

static void drop(struct transport *t, struct transport_session *s)
{
	t->keys[s - t->sessions] = 0;
	s->state = SESSION_FREE;
}

static bool is_late(const struct transport_session *s, int64_t t_ns)
{
	return t_ns > s->last_ns && (uint64_t)t_ns - (uint64_t)s->last_ns > s->patience_ns;
}

/* A free session, else an ended one, else the one silent for longest. */
static struct transport_session *find_room(struct transport *t, uint64_t counters[])
{
	struct transport_session *ended = NULL;
	struct transport_session *oldest = &t->sessions[0];

	for (unsigned i = 0; i < TRANSPORT_SESSIONS_MAX; i++) {
		struct transport_session *s = &t->sessions[i];

		if (s->state == SESSION_FREE) {
			return s;
		}
		if (s->state != SESSION_OPEN && (ended == NULL || s->last_ns < ended->last_ns)) {
			ended = s;
		}
		if (s->last_ns < oldest->last_ns) {
			oldest = s;
		}
	}
	if (ended == NULL) {
		counters[DECODER_NO_ROOM]++;
		ended = oldest;
	}
	drop(t, ended);
	return ended;
}

static void give_up(struct transport_session *s, enum decoder_counter reason, uint64_t counters[])
{
	if (s->state == SESSION_OPEN) {
		s->state = SESSION_BROKEN;
		counters[reason]++;
	}
}

static uint32_t carried_pgn(const struct frame *frame)
{
	return (uint32_t)frame->data[5] | (uint32_t)frame->data[6] << 8 |
	       (uint32_t)frame->data[7] << 16;
}

static bool is_same_announcement(const struct transport_session *s, const struct frame *frame,
	unsigned length, unsigned packets)
{
	return s->state == SESSION_OPEN && !is_late(s, frame->t_ns) && frame->t_ns >= s->start_ns &&
	       s->next == 1 && s->pgn == carried_pgn(frame) && s->length == length &&
	       s->packets == packets;
}

/* BAM or RTS. */
static void begin(struct transport *t, const struct frame *frame, uint64_t counters[])
{
	unsigned source = identifier_source(frame->id);
	unsigned destination = identifier_destination(frame->id);
	bool is_broadcast = frame->data[0] == TRANSPORT_BAM;
	unsigned length = frame->data[1] | (unsigned)frame->data[2] << 8;
	unsigned packets = frame->data[3];
	struct transport_session *s = find(t, frame->bus, source, destination);

	if (s != NULL && is_same_announcement(s, frame, length, packets)) {
		counters[DECODER_REPEATED]++;
		s->last_ns = frame->t_ns;
		return;
	}
	if (s != NULL) {
		give_up(s, is_late(s, frame->t_ns) ? DECODER_TIMED_OUT : DECODER_INCOMPLETE,
			counters);
		drop(t, s);
	}
	if (is_broadcast != (destination == ADDRESS_GLOBAL) || carried_pgn(frame) > PGN_MAX ||
		length == 0 || length > MESSAGE_LENGTH_MAX ||
		packets != (length + PACKET_BYTES - 1) / PACKET_BYTES) {
		counters[DECODER_MALFORMED]++;
		return;
	}
	s = find_room(t, counters);
	t->keys[s - t->sessions] = key_of(frame->bus, source, destination);
	s->start_ns = frame->t_ns;
	s->last_ns = frame->t_ns;
	s->patience_ns = (uint32_t)(is_broadcast ? TRANSPORT_T1_NS : TRANSPORT_T3_NS);
	s->pgn = carried_pgn(frame);
	s->length = (uint16_t)length;
	s->packets = (uint8_t)packets;
	s->next = 1;
	s->window = 0;
	s->priority = identifier_priority(frame->id);
	s->state = SESSION_OPEN;
	s->bus = frame->bus;
	s->source = (uint8_t)source;
	s->destination = (uint8_t)destination;
}

/* CTS: the receiver says from which packet on it wants to have more. */
static void clear_to_send(
	struct transport_session *s, const struct frame *frame, uint64_t counters[])
{
	unsigned count = frame->data[1];
	unsigned first = frame->data[2];

	if (s->state != SESSION_OPEN || frame->t_ns < s->start_ns) {
		return;
	}
	s->last_ns = frame->t_ns;
	if (count == 0) {
		s->patience_ns = (uint32_t)TRANSPORT_T4_NS;
		return;
	}
	if (first == 0 || first > s->next) {
		/* It has packets that were not heard here. */
		give_up(s, DECODER_INCOMPLETE, counters);
		return;
	}
	s->next = (uint16_t)first;
	s->window = (uint8_t)count;
	s->patience_ns = (uint32_t)TRANSPORT_T2_NS;
}

static bool complete(struct transport_session *s, struct message *ret_message)
{
	s->state = SESSION_WHOLE;
	ret_message->pgn = s->pgn;
	ret_message->source = s->source;
	ret_message->destination = s->destination;
	ret_message->priority = s->priority;
	ret_message->length = s->length;
	ret_message->data = s->data;
	return true;
}

/* EndOfMsgACK. A connection's message counts only now: the receiver may have asked for packets
 * again, and the size that it confirms tells a message from one whose start was not heard. */
static bool end(struct transport_session *s, const struct frame *frame, uint64_t counters[],
	struct message *ret_message)
{
	unsigned length = frame->data[1] | (unsigned)frame->data[2] << 8;

	if (s->state == SESSION_OPEN && s->next == s->packets + 1 && s->length == length &&
		s->packets == frame->data[3] && frame->t_ns >= s->start_ns) {
		s->last_ns = frame->t_ns;
		return complete(s, ret_message);
	}
	if (s->state == SESSION_WHOLE) {
		counters[DECODER_REPEATED]++;
	}
	give_up(s, DECODER_INCOMPLETE, counters);
	return false;
}

static bool control(struct transport *t, const struct frame *frame, uint64_t counters[],
	struct message *ret_message)
{
	unsigned from = identifier_source(frame->id);
	unsigned to = identifier_destination(frame->id);
	unsigned kind = frame->len > 0 ? frame->data[0] : 0;

	if (frame->len < CONTROL_BYTES) {
		counters[DECODER_MALFORMED]++;
		return false;
	}
	if (kind == TRANSPORT_BAM || kind == TRANSPORT_RTS) {
		begin(t, frame, counters);
		return false;
	}
	struct transport_session *s = find(t, frame->bus, to, from);

	if (kind == TRANSPORT_ABORT && (s == NULL || s->pgn != carried_pgn(frame))) {
		s = find(t, frame->bus, from, to);
	}
	if (s == NULL || s->pgn != carried_pgn(frame) ||
		(s->destination == ADDRESS_GLOBAL && kind != TRANSPORT_ABORT)) {
		return false;
	}
	if (is_late(s, frame->t_ns)) {
		give_up(s, DECODER_TIMED_OUT, counters);
		drop(t, s);
		return false;
	}
	switch (kind) {
	case TRANSPORT_CTS:
		clear_to_send(s, frame, counters);
		break;
	case TRANSPORT_END:
		return end(s, frame, counters, ret_message);
	case TRANSPORT_ABORT:
		give_up(s, DECODER_ABORTED, counters);
		drop(t, s);
		break;
	default:
		break;
	}
	return false;
}

static unsigned packet_bytes(const struct transport_session *s, unsigned packet)
{
	unsigned left = s->length - (packet - 1) * PACKET_BYTES;

	return left < PACKET_BYTES ? left : PACKET_BYTES;
}

static bool is_repeated(
	const struct transport_session *s, const struct frame *frame, unsigned packet)
{
	if (packet == 0 || packet >= s->next) {
		return false;
	}
	unsigned bytes = packet_bytes(s, packet);
	return s->state == SESSION_WHOLE ||
	       (s->state == SESSION_OPEN && frame->len > bytes &&
		       memcmp(s->data + (packet - 1) * PACKET_BYTES, frame->data + 1, bytes) == 0);
}

static bool data(struct transport *t, const struct frame *frame, uint64_t counters[],
	struct message *ret_message)
{
	struct transport_session *s = find(
		t, frame->bus, identifier_source(frame->id), identifier_destination(frame->id));
	unsigned packet = frame->len > 0 ? frame->data[0] : 0;

	if (s != NULL && is_late(s, frame->t_ns)) {
		give_up(s, DECODER_TIMED_OUT, counters);
		drop(t, s);
		s = NULL;
	}
	if (s == NULL) {
		counters[DECODER_ORPHANS]++;
		return false;
	}
	if (frame->t_ns >= s->start_ns && is_repeated(s, frame, packet)) {
		counters[DECODER_REPEATED]++;
		return false;
	}
	if (s->state != SESSION_OPEN || packet != s->next || frame->t_ns < s->start_ns ||
		frame->len <= packet_bytes(s, packet)) {
		counters[DECODER_OUT_OF_SEQUENCE]++;
		if (s->destination == ADDRESS_GLOBAL || packet <= s->next ||
			frame->t_ns < s->start_ns) {
			give_up(s, DECODER_INCOMPLETE, counters);
		} else {
			/* The receiver may have missed a packet too, and ask for it again. */
			s->last_ns = frame->t_ns;
			s->patience_ns = (uint32_t)TRANSPORT_T3_NS;
		}
		return false;
	}
	memcpy(s->data + (packet - 1) * PACKET_BYTES, frame->data + 1, packet_bytes(s, packet));
	s->next++;
	s->last_ns = frame->t_ns;
	s->window = (uint8_t)(s->window > 0 ? s->window - 1 : 0);
	s->patience_ns =
		(uint32_t)(s->destination != ADDRESS_GLOBAL && s->window == 0 ? TRANSPORT_T3_NS
									      : TRANSPORT_T1_NS);
	return packet == s->packets && s->destination == ADDRESS_GLOBAL && complete(s, ret_message);
}

bool transport_accept(struct transport *t, const struct frame *frame, uint32_t pgn,
	uint64_t counters[], struct message *ret_message)
{
	if (pgn == TRANSPORT_PGN_DATA) {
		return data(t, frame, counters, ret_message);
	}
	return control(t, frame, counters, ret_message);
}

void transport_expire(struct transport *t, unsigned bus, int64_t now_ns, uint64_t counters[])
{
	for (unsigned i = 0; i < TRANSPORT_SESSIONS_MAX; i++) {
		struct transport_session *s = &t->sessions[i];

		if (t->keys[i] >> 16 == bus + 1 && is_late(s, now_ns)) {
			give_up(s, DECODER_TIMED_OUT, counters);
			drop(t, s);
		}
	}
}

static unsigned filled_of(const struct transport_session *s)
{
	unsigned bytes = (s->next - 1U) * PACKET_BYTES;

	return bytes < s->length ? bytes : s->length;
}

/* An ended session is saved without its bytes: they are not looked at again. */
void transport_save(const struct transport *t, struct state_writer *w)
{
	unsigned count = 0;

	for (unsigned i = 0; i < TRANSPORT_SESSIONS_MAX; i++) {
		count += t->sessions[i].state != SESSION_FREE;
	}
	state_put_unsigned(w, count);
	for (unsigned i = 0; i < TRANSPORT_SESSIONS_MAX; i++) {
		const struct transport_session *s = &t->sessions[i];

		if (s->state == SESSION_FREE) {
			continue;
		}
		state_put_unsigned(w, i);
		state_put_unsigned(w, (unsigned)s->bus << 2 | s->state);
		state_put_unsigned(w, s->source);
		state_put_unsigned(w, s->destination);
		state_put_unsigned(w, s->pgn);
		state_put_signed(w, s->start_ns);
		state_put_unsigned(w, (uint64_t)s->last_ns - (uint64_t)s->start_ns);
		state_put_unsigned(w, s->patience_ns);
		state_put_unsigned(w, s->length);
		state_put_unsigned(w, s->next);
		state_put_unsigned(w, s->window);
		state_put_unsigned(w, s->priority);
		if (s->state == SESSION_OPEN) {
			state_put_bytes(w, s->data, filled_of(s));
		}
	}
}

/* Whether a session could have come about from frames. */
static bool is_sound(const struct transport_session *s)
{
	return s->state != SESSION_FREE && s->length > 0 && s->next >= 1 &&
	       s->last_ns >= s->start_ns && s->next <= s->packets + 1 &&
	       (s->state != SESSION_WHOLE || s->next == s->packets + 1) &&
	       (s->state != SESSION_OPEN || s->destination != ADDRESS_GLOBAL ||
		       s->next <= s->packets);
}

void transport_load(struct transport *t, struct state_reader *r)
{
	transport_init(t);
	uint64_t count = state_get_unsigned(r, TRANSPORT_SESSIONS_MAX);

	for (uint64_t i = 0; i < count && !r->failed; i++) {
		size_t number = (size_t)state_get_unsigned(r, TRANSPORT_SESSIONS_MAX - 1);
		struct transport_session *s = &t->sessions[number];

		if (s->state != SESSION_FREE) {
			r->failed = true;
			break;
		}
		uint64_t kind = state_get_unsigned(r, (FRAME_BUS_MAX - 1) << 2 | SESSION_BROKEN);
		s->state = (uint8_t)(kind & 3);
		s->bus = (uint8_t)(kind >> 2);
		s->source = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		s->destination = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		s->pgn = (uint32_t)state_get_unsigned(r, PGN_MAX);
		s->start_ns = state_get_signed(r);
		s->last_ns = (int64_t)((uint64_t)s->start_ns + state_get_unsigned(r, UINT64_MAX));
		s->patience_ns = (uint32_t)state_get_unsigned(r, UINT32_MAX);
		s->length = (uint16_t)state_get_unsigned(r, MESSAGE_LENGTH_MAX);
		s->packets = (uint8_t)((s->length + PACKET_BYTES - 1) / PACKET_BYTES);
		s->next = (uint16_t)state_get_unsigned(r, 256);
		s->window = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		s->priority = (uint8_t)state_get_unsigned(r, 7);
		if (r->failed || !is_sound(s) ||
			find(t, s->bus, s->source, s->destination) != NULL) {
			r->failed = true;
			break;
		}
		if (s->state == SESSION_OPEN) {
			state_get_bytes(r, s->data, filled_of(s));
		}
		t->keys[number] = key_of(s->bus, s->source, s->destination);
	}
	if (r->failed) {
		transport_init(t);
	}
}
