/* frame.h: one CAN frame with its time and bus.
 *
 * The smallest thing the program knows. Whoever receives or reads a frame fills this in; nothing
 * below the daemon and the capture readers ever sees a socket or a file.
 */
#ifndef SIGHTBOWL_DECODERS_FRAME_H
#define SIGHTBOWL_DECODERS_FRAME_H

#include <stdint.h>

#define FRAME_DATA_MAX 8
#define FRAME_BUS_MAX  8 /* buses are numbered 0 .. FRAME_BUS_MAX - 1 */

enum frame_kind {
	FRAME_EXTENDED, /* data frame, 29-bit identifier: the only kind that reaches a message table */
	FRAME_STANDARD, /* data frame, 11-bit identifier */
	FRAME_REMOTE,   /* remote transmission request */
	FRAME_ERROR,    /* SocketCAN error frame; id holds the error class bits */
	FRAME_OTHER,    /* CAN FD or XL, or a length over 8: carried so that it can be counted */
};

struct frame {
	int64_t t_ns;  /* receive time by the recorder's clock, ns since 1970-01-01 UTC */
	uint32_t id;   /* identifier without flag bits */
	uint8_t kind;  /* enum frame_kind */
	uint8_t bus;   /* 0 .. FRAME_BUS_MAX - 1 */
	uint8_t len;   /* bytes of data that are valid, 0 .. 8 */
	uint8_t spare; /* always 0 */
	uint8_t data[FRAME_DATA_MAX];
};

#endif
