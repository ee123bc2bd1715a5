/* transport.h: J1939-21 transport: frames → messages of up to 1785 bytes, overheard.
 *
 * Knows broadcasts (BAM) and connections (RTS, CTS, EndOfMsgACK) by bus, originator and
 * destination, and takes no part in them: nothing is answered. Packets count only in their turn; in
 * a connection the receiver's CTS may take the turn back, and its EndOfMsgACK completes the
 * message. Ended sessions are remembered until their time is up, as in fast_packet.h. Packets carry
 * no mark of their message: when the whole end of one and the whole start of the next from the same
 * sender, within the time-out, are not heard, nobody could tell the two apart.
 */
#ifndef SIGHTBOWL_DECODERS_TRANSPORT_H
#define SIGHTBOWL_DECODERS_TRANSPORT_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/decoder_counter.h"
#include "decoders/frame.h"
#include "decoders/message.h"
#include "decoders/state_codec.h"

#define TRANSPORT_PGN_CONNECTION UINT32_C(60416) /* TP.CM */
#define TRANSPORT_PGN_DATA	 UINT32_C(60160) /* TP.DT */
#define TRANSPORT_SESSIONS_MAX	 32

/* SAE J1939-21, 5.10.2.4, by way of the open kernel's transport layer. */
#define TRANSPORT_T1_NS INT64_C(750000000)  /* between two packets */
#define TRANSPORT_T2_NS INT64_C(1250000000) /* from CTS to its first packet */
#define TRANSPORT_T3_NS INT64_C(1250000000) /* from RTS or the last packet to CTS or the end */
#define TRANSPORT_T4_NS INT64_C(1050000000) /* after a CTS that holds the connection */

/* First byte of TP.CM. */
enum transport_control {
	TRANSPORT_RTS = 16,
	TRANSPORT_CTS = 17,
	TRANSPORT_END = 19,
	TRANSPORT_BAM = 32,
	TRANSPORT_ABORT = 255,
};

struct transport_session {
	int64_t start_ns;
	int64_t last_ns;
	uint32_t pgn;
	uint32_t patience_ns; /* until the next frame, from last_ns */
	uint16_t length;      /* announced */
	uint8_t packets;      /* announced */
	uint16_t next;	      /* packet that must come next; packets + 1 after the last */
	uint8_t window;	      /* packets that the last CTS asked for and that are still to come */
	uint8_t priority;
	uint8_t state; /* of transport.c */
	uint8_t bus;
	uint8_t source;	     /* the originator */
	uint8_t destination; /* ADDRESS_GLOBAL for a broadcast */
	uint8_t data[MESSAGE_LENGTH_MAX];
};

struct transport {
	uint32_t keys[TRANSPORT_SESSIONS_MAX]; /* bus, originator, destination; 0 for a free one */
	struct transport_session sessions[TRANSPORT_SESSIONS_MAX];
};

void transport_init(struct transport *t);

/* Takes a frame of either transport PGN. Returns true when it completes a message; then
 * ret_message's pgn, source, destination, priority, length and data are set, the data until the
 * next call. */
bool transport_accept(struct transport *t, const struct frame *frame, uint32_t pgn,
	uint64_t counters[], struct message *ret_message);

/* Gives up the sessions of a bus that are past their time. */
void transport_expire(struct transport *t, unsigned bus, int64_t now_ns, uint64_t counters[]);

void transport_save(const struct transport *t, struct state_writer *w);
/* Replaces all sessions; on damaged bytes the reader fails and there are none. */
void transport_load(struct transport *t, struct state_reader *r);

#endif
