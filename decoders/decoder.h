/* decoder.h: CAN frames → messages → observations.
 *
 * Knows the 29-bit identifier, NMEA 2000 fast packet, J1939-21 transport, and the message tables.
 * Does no I/O, has no clock, allocates nothing: a struct decoder is one fixed block of memory that
 * its owner provides. What a frame came to is counted, never guessed.
 */
#ifndef SIGHTBOWL_DECODERS_DECODER_H
#define SIGHTBOWL_DECODERS_DECODER_H

#include "decoders/fast_packet.h"
#include "decoders/frame.h"
#include "decoders/message.h"
#include "decoders/observation.h"
#include "decoders/state_codec.h"
#include "decoders/transport.h"

enum decoder_protocol {
	DECODE_BOTH,
	DECODE_NMEA2000,
	DECODE_J1939,
};

/* COUNTER(id, public name, what it counts) */
#define DECODER_COUNTERS(COUNTER)                                                                  \
	COUNTER(FRAMES, "frames", "frames heard, of every kind")                                   \
	COUNTER(STANDARD, "standard", "frames with an 11-bit identifier")                          \
	COUNTER(REMOTE, "remote", "remote requests")                                               \
	COUNTER(ERRORS, "errors", "error frames")                                                  \
	COUNTER(OTHER, "other", "CAN FD or XL frames, or frames with an impossible length")        \
	COUNTER(MESSAGES, "messages", "whole messages")                                            \
	COUNTER(DECODED, "decoded", "messages that a table row decoded")                           \
	COUNTER(UNKNOWN, "unknown", "messages without a row")                                      \
	COUNTER(SHORT, "short", "messages shorter than their row needs for any field")             \
	COUNTER(INCOMPLETE, "incomplete", "multi-frame messages that lost a frame")                \
	COUNTER(OUT_OF_SEQUENCE, "out_of_sequence", "frames of a multi-frame message out of turn") \
	COUNTER(REPEATED, "repeated", "frames of a multi-frame message heard twice")               \
	COUNTER(ORPHANS, "orphans", "frames of a multi-frame message whose start was not heard")   \
	COUNTER(TIMED_OUT, "timed_out", "multi-frame messages given up after their time")          \
	COUNTER(ABORTED, "aborted", "transport sessions that a node aborted")                      \
	COUNTER(NO_ROOM, "no_room", "multi-frame messages given up for want of a session")         \
	COUNTER(VALID, "valid", "values: numbers")                                                 \
	COUNTER(NOT_AVAILABLE, "not_available", "values: not available")                           \
	COUNTER(ERROR_VALUES, "error_values", "values: the sender says error")                     \
	COUNTER(RESERVED, "reserved", "values: reserved codes")                                    \
	COUNTER(IMPLAUSIBLE, "implausible", "values: outside what the signal can be")

enum decoder_counter {
#define COUNTER_ENUM(id, name, text) DECODER_##id,
	DECODER_COUNTERS(COUNTER_ENUM)
#undef COUNTER_ENUM
	DECODER_COUNTER_COUNT
};

/* The counter's public name. */
const char *decoder_counter_name(enum decoder_counter counter);
/* What it counts, in words. */
const char *decoder_counter_text(enum decoder_counter counter);

struct decoder {
	uint64_t counters[DECODER_COUNTER_COUNT];
	uint8_t protocol[FRAME_BUS_MAX]; /* enum decoder_protocol */
	struct fast_packet fast_packet;
	struct transport transport;
};

void decoder_init(struct decoder *d);

/* Limits a bus to one protocol. */
void decoder_limit(struct decoder *d, unsigned bus, enum decoder_protocol protocol);

/* Takes one frame. Returns true when it completes a message, which ret_message then describes; its
 * data stay valid until the next call. Times of one bus must not go back by more than a session's
 * time-out; a frame from before a session's start is counted as out of sequence. */
bool decoder_accept(struct decoder *d, const struct frame *frame, struct message *ret_message);

/* Puts a message's fields into out, at most capacity of them (OBSERVATIONS_MAX always suffices),
 * and returns how many. A message without a row gives 0. */
size_t decoder_read(struct decoder *d, const struct message *message, struct observation *out,
	size_t capacity);

/* Counters and open multi-frame sessions, so that a resumed decoder goes on where it was. */
void decoder_save(const struct decoder *d, struct state_writer *w);
void decoder_load(struct decoder *d, struct state_reader *r);

#endif
