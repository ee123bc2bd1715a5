/* fast_packet.h: NMEA 2000 fast packet: frames → messages of up to 223 bytes.
 *
 * Knows sessions by bus, sender, PGN and destination. A frame is used only when it is the very next
 * one of the message that its sender has begun; anything else is counted, and a message that misses
 * a frame is given up. An ended session is remembered for the time-out, so that repeated frames and
 * what is left of a broken message are told from frames whose start was not heard.
 */
#ifndef SIGHTBOWL_DECODERS_FAST_PACKET_H
#define SIGHTBOWL_DECODERS_FAST_PACKET_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/decoder_counter.h"
#include "decoders/frame.h"
#include "decoders/message.h"
#include "decoders/state_codec.h"

#define FAST_PACKET_LENGTH_MAX	 223 /* 6 + 31 * 7 */
#define FAST_PACKET_SESSIONS_MAX 128
#define FAST_PACKET_BUCKETS	 256
#define FAST_PACKET_TIMEOUT_NS	 INT64_C(750000000) /* between two frames of a message */

struct fast_packet_session {
	int64_t start_ns;
	int64_t last_ns;
	uint32_t pgn;
	uint8_t state; /* of fast_packet.c */
	uint8_t bus;
	uint8_t source;
	uint8_t destination;
	uint8_t sequence;
	uint8_t next;	/* counter of the frame that must come next */
	uint8_t length; /* announced */
	uint8_t filled; /* bytes that data holds */
	uint8_t link;	/* next session of the same bucket, number + 1; 0 ends the list */
	uint8_t data[FAST_PACKET_LENGTH_MAX];
};

struct fast_packet {
	uint8_t buckets[FAST_PACKET_BUCKETS]; /* first session, number + 1; 0 for none */
	uint8_t hand;			      /* where the search for room goes on */
	uint8_t used;			      /* sessions that are not free */
	struct fast_packet_session sessions[FAST_PACKET_SESSIONS_MAX];
};

void fast_packet_init(struct fast_packet *f);

/* Takes a frame of a PGN that travels by fast packet. Returns true when it completes a message;
 * then ret_message's destination, length and data are set, the data until the next call. */
bool fast_packet_accept(struct fast_packet *f, const struct frame *frame, uint32_t pgn,
	uint64_t counters[], struct message *ret_message);

/* Gives up the sessions of a bus that are past their time. */
void fast_packet_expire(struct fast_packet *f, unsigned bus, int64_t now_ns, uint64_t counters[]);

void fast_packet_save(const struct fast_packet *f, struct state_writer *w);
/* Replaces all sessions; on damaged bytes the reader fails and there are none. */
void fast_packet_load(struct fast_packet *f, struct state_reader *r);

#endif
