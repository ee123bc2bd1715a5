/* capture_packet.h: one CAN frame as a packet of link type 227, as pcap and pcapng files hold it.
 *
 * LINKTYPE_CAN_SOCKETCAN (tcpdump.org, link-layer header types):
 *
 *   0..3  identifier and flags, big-endian whatever the order of the file
 *         0x80000000 29-bit, 0x40000000 remote request, 0x20000000 error frame
 *   4     length of the data; 0x80 set: a CAN XL packet
 *   5     flags of CAN FD: 4 marks one
 *   6     reserved
 *   7     raw length code above 8
 *   8..   data, perhaps with padding behind it
 */
#ifndef SIGHTBOWL_REPLAY_CAPTURE_PACKET_H
#define SIGHTBOWL_REPLAY_CAPTURE_PACKET_H

#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"

#define CAPTURE_PACKET_LINK_TYPE 227u
#define CAPTURE_PACKET_LEAST	 8u
#define CAPTURE_PACKET_MOST	 4096u /* a CAN XL packet has up to 2060 bytes */
#define CAPTURE_PACKET_WRITTEN	 72u   /* most that capture_packet_write writes */

/* The name of a bus that a file leaves without one: the interface's number behind "can". */
#define CAPTURE_PACKET_BUS "can"

/* Fills in all but t_ns and bus. Returns NULL, or what is wrong. */
const char *capture_packet_read(const uint8_t *bytes, size_t size, struct frame *out);
/* Writes a packet of 16 bytes, or 72 for a FRAME_OTHER, which becomes CAN FD. Returns the size. */
size_t capture_packet_write(const struct frame *frame, uint8_t *out);

#endif
