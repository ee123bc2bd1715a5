/* decoder.h: CAN frames → messages → observations.
 *
 * Knows the 29-bit identifier, NMEA 2000 fast packet, J1939-21 transport, and the message tables.
 * Does no I/O, has no clock, allocates nothing: a struct decoder is one fixed block of memory that
 * its owner provides. What a frame came to is counted, never guessed.
 */
#ifndef SIGHTBOWL_DECODERS_DECODER_H
#define SIGHTBOWL_DECODERS_DECODER_H

#include "decoders/decoder_counter.h"
#include "decoders/fast_packet.h"
#include "decoders/field.h"
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

#define DECODER_ROWS_MAX  128 /* most rows in the message tables */
#define DECODER_STEPS_MAX 512 /* most feeding fields in them */
#define DECODER_ROUTES	  1024

/* How the messages of a row are read; made by decoder_init from the tables. */
struct decoder_program {
	const struct message_row *row;
	uint32_t pgn;
	uint16_t first_step;
	uint16_t step_count;
	uint16_t length_min; /* bytes up to the end of the field that ends first */
};

struct decoder {
	uint64_t counters[DECODER_COUNTER_COUNT];
	uint8_t protocol[FRAME_BUS_MAX];  /* enum decoder_protocol */
	int64_t expire_ns[FRAME_BUS_MAX]; /* when a bus's sessions are next looked through */
	uint8_t single[FRAME_DATA_MAX];	  /* payload of the last single-frame message */
	struct fast_packet fast_packet;
	struct transport transport;
	/* Below: made by decoder_init, the same in every decoder, never saved. */
	uint8_t routes[DECODER_ROUTES]; /* hash of PGNs: number of a program + 1, 0 for none */
	uint8_t travels_fast[4096 / 8]; /* a bit each for the last 4096 PGNs of page 1 */
	struct decoder_program programs[DECODER_ROWS_MAX]; /* by row index */
	struct field_step steps[DECODER_STEPS_MAX];
};

void decoder_init(struct decoder *d);

/* Limits a bus to one protocol: messages of the other's rows are then unknown. */
void decoder_limit(struct decoder *d, unsigned bus, enum decoder_protocol protocol);

/* Takes one frame. Returns true when it completes a message, which ret_message then describes; its
 * data stay valid until the next call. Times of one bus must not go back by more than a session's
 * time-out; a frame from before a session's start is counted as out of sequence. */
bool decoder_accept(struct decoder *d, const struct frame *frame, struct message *ret_message);

/* Puts a message's fields into out, at most capacity of them (OBSERVATIONS_MAX always suffices),
 * and returns how many. A message without a row gives 0. */
size_t decoder_read(
	struct decoder *d, const struct message *message, struct observation *out, size_t capacity);

/* Counters and open multi-frame sessions, so that a resumed decoder goes on where it was; not the
 * limits, which are configuration. decoder_load replaces them in an initialised decoder; on damaged
 * bytes the reader fails and counters and sessions are empty. */
void decoder_save(const struct decoder *d, struct state_writer *w);
void decoder_load(struct decoder *d, struct state_reader *r);

#endif
