/* NMEA 2000 fast packet. Byte 0 of each frame: sequence (bits 7-5), frame counter (bits 4-0). Frame
 * 0 carries the message's length in byte 1 and 6 bytes of it, the others 7 bytes each; what is left
 * of the last frame is filled with 0xFF. */
#include "decoders/fast_packet.h"

#include <string.h>

#define FIRST_FRAME_BYTES 6
#define OTHER_FRAME_BYTES 7

enum session_state {
	SESSION_FREE,
	SESSION_OPEN,	/* a message has begun */
	SESSION_WHOLE,	/* it came whole */
	SESSION_BROKEN, /* it was given up */
};

void fast_packet_init(struct fast_packet *f)
{
	memset(f, 0, sizeof(*f));
}

static unsigned bucket_of(uint8_t bus, uint8_t source, uint8_t destination, uint32_t pgn)
{
	uint32_t key =
		pgn ^ (uint32_t)source << 18 ^ (uint32_t)bus << 26 ^ (uint32_t)destination << 8;

	return (key * UINT32_C(0x9E3779B1)) >> 24;
}

static unsigned session_bucket(const struct fast_packet_session *s)
{
	return bucket_of(s->bus, s->source, s->destination, s->pgn);
}

static bool is_late(const struct fast_packet_session *s, int64_t t_ns)
{
	return t_ns > s->last_ns &&
	       (uint64_t)t_ns - (uint64_t)s->last_ns > (uint64_t)FAST_PACKET_TIMEOUT_NS;
}

static void drop(struct fast_packet *f, struct fast_packet_session *s)
{
	uint8_t number = (uint8_t)(s - f->sessions + 1);
	uint8_t *link = &f->buckets[session_bucket(s)];

	while (*link != number) {
		link = &f->sessions[*link - 1].link;
	}
	*link = s->link;
	s->state = SESSION_FREE;
	f->used--;
}

static void add(struct fast_packet *f, struct fast_packet_session *s)
{
	uint8_t *bucket = &f->buckets[session_bucket(s)];

	s->link = *bucket;
	*bucket = (uint8_t)(s - f->sessions + 1);
	f->used++;
}

/* A free session: one never used or ended, else the one silent for longest. */
static struct fast_packet_session *find_room(struct fast_packet *f, uint64_t counters[])
{
	struct fast_packet_session *oldest = &f->sessions[0];

	for (unsigned i = 0; i < FAST_PACKET_SESSIONS_MAX; i++) {
		struct fast_packet_session *s = &f->sessions[f->hand];

		f->hand = (uint8_t)((f->hand + 1) % FAST_PACKET_SESSIONS_MAX);
		if (s->state == SESSION_FREE) {
			return s;
		}
		if (s->state != SESSION_OPEN) {
			drop(f, s);
			return s;
		}
		if (s->last_ns < oldest->last_ns) {
			oldest = s;
		}
	}
	counters[DECODER_NO_ROOM]++;
	drop(f, oldest);
	return oldest;
}

static struct fast_packet_session *find(
	struct fast_packet *f, const struct frame *frame, uint32_t pgn)
{
	uint8_t source = identifier_source(frame->id);
	uint8_t destination = identifier_destination(frame->id);
	uint8_t number = f->buckets[bucket_of(frame->bus, source, destination, pgn)];

	while (number != 0) {
		struct fast_packet_session *s = &f->sessions[number - 1];

		if (s->pgn == pgn && s->source == source && s->bus == frame->bus &&
			s->destination == destination) {
			return s;
		}
		number = s->link;
	}
	return NULL;
}

static bool complete(struct fast_packet_session *s, struct message *ret_message)
{
	s->state = SESSION_WHOLE;
	ret_message->destination = s->destination;
	ret_message->length = s->length;
	ret_message->data = s->data;
	return true;
}

static unsigned payload_bytes(const struct frame *frame, unsigned header)
{
	return frame->len > header ? frame->len - header : 0;
}

/* Whether a first frame is the one that was heard last. */
static bool is_same_start(const struct fast_packet_session *s, const struct frame *frame)
{
	return s->state != SESSION_BROKEN && s->next == 1 && s->sequence == frame->data[0] >> 5 &&
	       !is_late(s, frame->t_ns) && frame->t_ns >= s->start_ns && frame->len >= 2 &&
	       frame->data[1] == s->length && payload_bytes(frame, 2) >= s->filled &&
	       memcmp(frame->data + 2, s->data, s->filled) == 0;
}

static bool begin(struct fast_packet *f, struct fast_packet_session *s, const struct frame *frame,
	uint32_t pgn, uint64_t counters[], struct message *ret_message)
{
	if (s != NULL && is_same_start(s, frame)) {
		counters[DECODER_REPEATED]++;
		return false;
	}
	if (s != NULL && s->state == SESSION_OPEN) {
		counters[is_late(s, frame->t_ns) ? DECODER_TIMED_OUT : DECODER_INCOMPLETE]++;
	}
	if (s == NULL) {
		s = find_room(f, counters);
		s->pgn = pgn;
		s->bus = frame->bus;
		s->source = identifier_source(frame->id);
		s->destination = identifier_destination(frame->id);
		add(f, s);
	}
	unsigned length = frame->len >= 2 ? frame->data[1] : 0;
	unsigned bytes = length < FIRST_FRAME_BYTES ? length : FIRST_FRAME_BYTES;

	s->start_ns = frame->t_ns;
	s->last_ns = frame->t_ns;
	s->sequence = frame->data[0] >> 5;
	s->next = 1;
	s->length = (uint8_t)length;
	s->filled = (uint8_t)bytes;
	if (length == 0 || length > FAST_PACKET_LENGTH_MAX || payload_bytes(frame, 2) < bytes) {
		s->state = SESSION_BROKEN;
		s->length = 0;
		s->filled = 0;
		counters[DECODER_MALFORMED]++;
		return false;
	}
	memcpy(s->data, frame->data + 2, bytes);
	s->state = SESSION_OPEN;
	return bytes == length && complete(s, ret_message);
}

/* Whether a frame was used before: of an open message by its bytes too, of a whole one by its
 * counter alone. */
static bool is_repeated(
	const struct fast_packet_session *s, const struct frame *frame, unsigned counter)
{
	if (s->state != SESSION_OPEN || counter >= s->next) {
		return s->state == SESSION_WHOLE && counter < s->next;
	}
	unsigned first = FIRST_FRAME_BYTES + (counter - 1) * OTHER_FRAME_BYTES;
	unsigned bytes = s->length - first;

	bytes = bytes < OTHER_FRAME_BYTES ? bytes : OTHER_FRAME_BYTES;
	return payload_bytes(frame, 1) >= bytes &&
	       memcmp(frame->data + 1, s->data + first, bytes) == 0;
}

bool fast_packet_accept(struct fast_packet *f, const struct frame *frame, uint32_t pgn,
	uint64_t counters[], struct message *ret_message)
{
	if (frame->len == 0) {
		counters[DECODER_MALFORMED]++;
		return false;
	}
	unsigned sequence = frame->data[0] >> 5;
	unsigned counter = frame->data[0] & 0x1F;
	struct fast_packet_session *s = find(f, frame, pgn);

	if (counter == 0) {
		return begin(f, s, frame, pgn, counters, ret_message);
	}
	if (s != NULL && is_late(s, frame->t_ns)) {
		counters[DECODER_TIMED_OUT] += s->state == SESSION_OPEN;
		drop(f, s);
		s = NULL;
	}
	if (s == NULL || s->sequence != sequence) {
		counters[DECODER_ORPHANS]++;
		if (s != NULL && s->state == SESSION_OPEN) {
			counters[DECODER_INCOMPLETE]++;
			s->state = SESSION_BROKEN;
		}
		return false;
	}
	if (frame->t_ns >= s->start_ns && is_repeated(s, frame, counter)) {
		counters[DECODER_REPEATED]++;
		return false;
	}
	unsigned left = (unsigned)s->length - s->filled;
	unsigned bytes = left < OTHER_FRAME_BYTES ? left : OTHER_FRAME_BYTES;

	if (s->state != SESSION_OPEN || counter != s->next || frame->t_ns < s->start_ns ||
		payload_bytes(frame, 1) < bytes) {
		counters[DECODER_OUT_OF_SEQUENCE]++;
		if (s->state == SESSION_OPEN) {
			counters[DECODER_INCOMPLETE]++;
			s->state = SESSION_BROKEN;
		}
		return false;
	}
	memcpy(s->data + s->filled, frame->data + 1, bytes);
	s->filled = (uint8_t)(s->filled + bytes);
	s->next++;
	s->last_ns = frame->t_ns;
	return s->filled == s->length && complete(s, ret_message);
}

void fast_packet_expire(struct fast_packet *f, unsigned bus, int64_t now_ns, uint64_t counters[])
{
	for (unsigned i = 0; i < FAST_PACKET_SESSIONS_MAX && f->used > 0; i++) {
		struct fast_packet_session *s = &f->sessions[i];

		if (s->state != SESSION_FREE && s->bus == bus && is_late(s, now_ns)) {
			counters[DECODER_TIMED_OUT] += s->state == SESSION_OPEN;
			drop(f, s);
		}
	}
}

/* Whether a session's bytes may be looked at again: those of most ended ones are not. */
static bool needs_data(const struct fast_packet_session *s)
{
	return s->state == SESSION_OPEN || (s->state == SESSION_WHOLE && s->next == 1);
}

void fast_packet_save(const struct fast_packet *f, struct state_writer *w)
{
	int64_t before_ns = 0;

	state_put_unsigned(w, f->used);
	state_put_unsigned(w, f->hand);
	for (unsigned i = 0; i < FAST_PACKET_SESSIONS_MAX; i++) {
		const struct fast_packet_session *s = &f->sessions[i];

		if (s->state == SESSION_FREE) {
			continue;
		}
		state_put_unsigned(w, i);
		state_put_unsigned(w, (unsigned)s->bus << 2 | s->state);
		state_put_unsigned(w, s->pgn);
		state_put_unsigned(w, s->source);
		state_put_unsigned(w, (uint8_t)(s->destination + 1)); /* mostly 255 */
		/* Differences are taken and undone modulo 2^64: any two times have one. */
		state_put_unsigned(w, (uint64_t)s->start_ns - (uint64_t)before_ns);
		state_put_unsigned(w, (uint64_t)s->last_ns - (uint64_t)s->start_ns);
		state_put_unsigned(w, s->sequence);
		state_put_unsigned(w, s->next);
		state_put_unsigned(w, s->length);
		if (needs_data(s)) {
			state_put_bytes(w, s->data, s->filled);
		}
		before_ns = s->start_ns;
	}
}

/* The bytes that a session holds by its counts. */
static unsigned filled_of(const struct fast_packet_session *s)
{
	unsigned bytes = FIRST_FRAME_BYTES + (s->next - 1U) * OTHER_FRAME_BYTES;

	return bytes < s->length ? bytes : s->length;
}

/* Whether a session could have come about from frames. */
static bool is_sound(const struct fast_packet_session *s)
{
	return s->state != SESSION_FREE && s->next >= 1 && s->last_ns >= s->start_ns &&
	       (s->state != SESSION_OPEN || s->filled < s->length) &&
	       (s->state != SESSION_WHOLE || s->filled == s->length);
}

void fast_packet_load(struct fast_packet *f, struct state_reader *r)
{
	uint64_t before_ns = 0;

	fast_packet_init(f);
	uint64_t count = state_get_unsigned(r, FAST_PACKET_SESSIONS_MAX);
	f->hand = (uint8_t)state_get_unsigned(r, FAST_PACKET_SESSIONS_MAX - 1);

	for (uint64_t i = 0; i < count && !r->failed; i++) {
		struct fast_packet_session *s =
			&f->sessions[state_get_unsigned(r, FAST_PACKET_SESSIONS_MAX - 1)];
		struct fast_packet_session loaded = {.state = SESSION_FREE};
		uint64_t kind = state_get_unsigned(r, (FRAME_BUS_MAX - 1) << 2 | SESSION_BROKEN);

		loaded.state = (uint8_t)(kind & 3);
		loaded.bus = (uint8_t)(kind >> 2);
		loaded.pgn = (uint32_t)state_get_unsigned(r, PGN_MAX);
		loaded.source = (uint8_t)state_get_unsigned(r, UINT8_MAX);
		loaded.destination = (uint8_t)(state_get_unsigned(r, UINT8_MAX) + UINT8_MAX);
		before_ns += state_get_unsigned(r, UINT64_MAX);
		loaded.start_ns = (int64_t)before_ns;
		loaded.last_ns = (int64_t)(before_ns + state_get_unsigned(r, UINT64_MAX));
		loaded.sequence = (uint8_t)state_get_unsigned(r, 7);
		loaded.next = (uint8_t)state_get_unsigned(r, 32);
		loaded.length = (uint8_t)state_get_unsigned(r, FAST_PACKET_LENGTH_MAX);
		loaded.filled = (uint8_t)filled_of(&loaded);
		if (needs_data(&loaded)) {
			state_get_bytes(r, loaded.data, loaded.filled);
		}
		if (r->failed || s->state != SESSION_FREE || !is_sound(&loaded)) {
			r->failed = true;
			break;
		}
		*s = loaded;
		add(f, s);
	}
	if (r->failed) {
		fast_packet_init(f);
	}
}
