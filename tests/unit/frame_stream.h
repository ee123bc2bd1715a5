/* frame_stream.h: frames on their way to a decoder, lost, repeated and put out of order at random,
 * with a record of the messages that were sent, to tell true messages from false ones. */
#ifndef SIGHTBOWL_TESTS_FRAME_STREAM_H
#define SIGHTBOWL_TESTS_FRAME_STREAM_H

#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "decoders/decoder.h"

struct sent_message {
	struct message message;
	uint8_t data[MESSAGE_LENGTH_MAX];
	bool hurt; /* one of its frames was lost, repeated or moved, or a frame beside it */
	unsigned heard;
};

struct stream_frame {
	struct frame frame;
	size_t sent; /* the message that it belongs to */
};

struct frame_stream {
	struct stream_frame *frames;
	size_t frame_count;
	size_t frame_room;
	struct sent_message *sent;
	size_t sent_count;
	size_t sent_room;
	uint64_t random_state;
};

static inline uint64_t stream_random(struct frame_stream *s)
{
	s->random_state ^= s->random_state << 13;
	s->random_state ^= s->random_state >> 7;
	s->random_state ^= s->random_state << 17;
	return s->random_state >> 3;
}

static inline bool stream_chance(struct frame_stream *s, double probability)
{
	return (double)(stream_random(s) % 1000000) < probability * 1e6;
}

static inline void stream_init(
	struct frame_stream *s, size_t frames, size_t messages, uint64_t seed)
{
	*s = (struct frame_stream){.frame_room = frames,
		.sent_room = messages,
		.random_state = seed * UINT64_C(0x9E3779B97F4A7C15) + 1};
	s->frames = calloc(frames, sizeof(*s->frames));
	s->sent = calloc(messages, sizeof(*s->sent));
}

static inline void stream_finish(struct frame_stream *s)
{
	free(s->frames);
	free(s->sent);
}

/* A message with random bytes; the caller adds its frames. */
static inline struct sent_message *stream_send(struct frame_stream *s, uint32_t pgn, uint8_t bus,
	uint8_t source, uint8_t destination, size_t length)
{
	struct sent_message *m = &s->sent[s->sent_count++];

	m->message = (struct message){.pgn = pgn,
		.bus = bus,
		.source = source,
		.destination = destination,
		.length = (uint16_t)length};
	for (size_t i = 0; i < length; i++) {
		m->data[i] = (uint8_t)stream_random(s);
	}
	return m;
}

static inline int stream_by_time(const void *a, const void *b)
{
	const struct stream_frame *first = a;
	const struct stream_frame *second = b;

	if (first->frame.t_ns != second->frame.t_ns) {
		return first->frame.t_ns < second->frame.t_ns ? -1 : 1;
	}
	return first->sent < second->sent ? -1 : first->sent > second->sent;
}

/* Puts the frames in order of time: this is what interleaves them. */
static inline void stream_interleave(struct frame_stream *s)
{
	qsort(s->frames, s->frame_count, sizeof(*s->frames), stream_by_time);
}

/* Feeds the frames, hurting them on the way. on_message says what is heard. */
static inline void stream_play(struct frame_stream *s, struct decoder *d, double loss,
	double repeat, double swap,
	void (*on_message)(struct frame_stream *s, const struct message *m))
{
	struct message m;

	for (size_t i = 0; i < s->frame_count; i++) {
		if (i + 1 < s->frame_count && stream_chance(s, swap)) {
			struct stream_frame kept = s->frames[i];

			/* The recorder put them down the wrong way round, each with its own time.
			 */
			s->frames[i] = s->frames[i + 1];
			s->frames[i + 1] = kept;
			s->sent[s->frames[i].sent].hurt = true;
			s->sent[s->frames[i + 1].sent].hurt = true;
		}
		if (stream_chance(s, loss)) {
			s->sent[s->frames[i].sent].hurt = true;
			continue;
		}
		unsigned times = 1;
		if (stream_chance(s, repeat)) {
			s->sent[s->frames[i].sent].hurt = true;
			times = 2;
		}
		for (; times > 0; times--) {
			if (decoder_accept(d, &s->frames[i].frame, &m)) {
				on_message(s, &m);
			}
		}
	}
}

/* The message that was sent like this one, NULL when none was: a false message. Bytes are random
 * and at least four, so that a false one does not pass for true by chance. */
static inline struct sent_message *stream_find(struct frame_stream *s, const struct message *m)
{
	for (size_t i = 0; i < s->sent_count; i++) {
		struct sent_message *sent = &s->sent[i];

		if (sent->message.pgn == m->pgn && sent->message.bus == m->bus &&
			sent->message.source == m->source &&
			sent->message.destination == m->destination &&
			sent->message.length == m->length &&
			memcmp(sent->data, m->data, m->length) == 0) {
			return sent;
		}
	}
	return NULL;
}

#endif
