/* encode.h: values → payloads → frames, the decoder's reverse.
 *
 * For the scenario generator and the tests; the program itself never sends. It works from the same
 * rows as the decoder, so what proves it are published frames and a decoder of other descent.
 */
#ifndef SIGHTBOWL_DECODERS_ENCODE_H
#define SIGHTBOWL_DECODERS_ENCODE_H

#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"
#include "decoders/message.h"

/* One field's content. Fields that are not given are 'not available' (all bits set, also where a
 * row has no field; for signed fields all but the sign), sets of bits are 0, and the instance is
 * set by struct encode_header. */
struct encode_value {
	uint16_t field; /* index in the row's fields */
	uint8_t state; /* enum reading_state; for READING_VALID and READING_IMPLAUSIBLE value counts
			*/
	double value;  /* in the field's unit: its signal's, or the row's own */
};

/* The index of a row's first field that feeds a signal. Returns -1 when there is none. */
int encode_field_of(size_t row, enum signal_id signal);
/* The index of a row's field by name. Returns -1 when there is none. */
int encode_field_named(size_t row, const char *name);

/* Builds the payload of a row's message. instance as in struct observation, for the rows whose
 * payload carries it (it sets the fields that hold it). Fault codes are given as one value a code,
 * in order. Returns the length, or -EINVAL (no such row or field), -ERANGE (a value or state that
 * the field has no code for), -ENOBUFS (capacity; MESSAGE_LENGTH_MAX always suffices). */
int encode_payload(size_t row, uint16_t instance, const struct encode_value *values, size_t count,
	uint8_t *out, size_t capacity);

enum encode_way {
	ENCODE_SINGLE,	   /* up to 8 bytes */
	ENCODE_FAST,	   /* fast packet, up to 223 bytes */
	ENCODE_BAM,	   /* J1939-21 broadcast, 1 to 1785 bytes */
	ENCODE_CONNECTION, /* J1939-21 connection with the receiver's answers, one CTS for all
			      packets */
};

struct encode_header {
	uint32_t pgn;
	uint8_t priority;
	uint8_t source;
	uint8_t destination; /* counts for PDU1 PGNs and connections; else ADDRESS_GLOBAL */
	uint8_t bus;
	uint8_t sequence; /* of fast packet, 0 .. 7: the sender's own counter for this PGN */
	int64_t t_ns;	  /* of the first frame */
	int64_t step_ns;  /* from frame to frame */
};

#define ENCODE_FRAMES_MAX 258 /* 255 packets, RTS, CTS, EndOfMsgACK */

/* Splits a payload into frames, in the order of sending. Returns how many, or -EINVAL (the way does
 * not carry such a length or header), -ENOBUFS (capacity; ENCODE_FRAMES_MAX always suffices). */
int encode_frames(enum encode_way way, const struct encode_header *header, const uint8_t *payload,
	size_t length, struct frame *out, size_t capacity);

/* How a row's message of some length is sent: fast packet where its row says so, else one frame, or
 * a broadcast when it is longer than 8 bytes. */
enum encode_way encode_way_of(size_t row, size_t length);

#endif
