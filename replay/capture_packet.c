#include "replay/capture_packet.h"

#include <string.h>

#define FLAG_EXTENDED UINT32_C(0x80000000)
#define FLAG_REMOTE   UINT32_C(0x40000000)
#define FLAG_ERROR    UINT32_C(0x20000000)
#define EXTENDED_MASK UINT32_C(0x1fffffff)
#define STANDARD_MASK UINT32_C(0x7ff)

#define HEADER_SIZE  8u
#define CLASSIC_SIZE 16u
#define FD_SIZE	     72u
#define FD_DATA_MAX  64u
#define FD_FLAG	     4u
#define XL_FLAG	     0x80u
#define XL_LEAST     13u

const char *capture_packet_read(const uint8_t *bytes, size_t size, struct frame *out)
{
	if (size < HEADER_SIZE) {
		return "a packet too short for a CAN frame";
	}
	uint32_t word = (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 |
			(uint32_t)bytes[2] << 8 | (uint32_t)bytes[3];
	size_t length = bytes[4];
	struct frame frame = {0};

	if ((bytes[4] & XL_FLAG) != 0) {
		if (size < XL_LEAST) {
			return "a packet too short for a CAN XL frame";
		}
		frame.kind = FRAME_OTHER;
		frame.id = word &
			   STANDARD_MASK; /* the priority; the virtual network stands above it */
		length = 0;
	} else {
		uint32_t mask =
			(word & (FLAG_EXTENDED | FLAG_ERROR)) != 0 ? EXTENDED_MASK : STANDARD_MASK;
		if ((word & EXTENDED_MASK & ~mask) != 0) {
			return "the identifier is out of range";
		}
		frame.id = word & mask;
		if (size == FD_SIZE || (bytes[5] & FD_FLAG) != 0 || length > FRAME_DATA_MAX) {
			if (length > FD_DATA_MAX) {
				return "the length is out of range";
			}
			frame.kind = FRAME_OTHER;
		} else if ((word & FLAG_ERROR) != 0) {
			frame.kind = FRAME_ERROR;
		} else if ((word & FLAG_REMOTE) != 0) {
			frame.kind = FRAME_REMOTE;
			length = 0; /* What is there is the length asked for, and no data. */
		} else {
			frame.kind = (word & FLAG_EXTENDED) != 0 ? FRAME_EXTENDED : FRAME_STANDARD;
		}
		if (length > size - HEADER_SIZE) {
			return "a packet shorter than its data";
		}
	}
	frame.len = (uint8_t)(length < FRAME_DATA_MAX ? length : FRAME_DATA_MAX);
	if (frame.len == FRAME_DATA_MAX) {
		memcpy(frame.data, bytes + HEADER_SIZE, FRAME_DATA_MAX);
	} else {
		memcpy(frame.data, bytes + HEADER_SIZE, frame.len);
	}
	*out = frame;
	return NULL;
}

size_t capture_packet_write(const struct frame *frame, uint8_t *out)
{
	uint32_t word = frame->id;
	size_t size = CLASSIC_SIZE;

	switch (frame->kind) {
	case FRAME_EXTENDED:
		word |= FLAG_EXTENDED;
		break;
	case FRAME_REMOTE:
		word |= FLAG_REMOTE | (frame->id > STANDARD_MASK ? FLAG_EXTENDED : 0);
		break;
	case FRAME_ERROR:
		word |= FLAG_ERROR;
		break;
	case FRAME_OTHER:
		word |= frame->id > STANDARD_MASK ? FLAG_EXTENDED : 0;
		size = FD_SIZE;
		break;
	default:
		break;
	}
	memset(out, 0, size);
	out[0] = (uint8_t)(word >> 24);
	out[1] = (uint8_t)(word >> 16);
	out[2] = (uint8_t)(word >> 8);
	out[3] = (uint8_t)word;
	out[4] = frame->len;
	out[5] = frame->kind == FRAME_OTHER ? FD_FLAG : 0;
	memcpy(out + HEADER_SIZE, frame->data, frame->len);
	return size;
}
