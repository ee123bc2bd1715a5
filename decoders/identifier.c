/* SAE J1939-21, 5.2: priority 28..26, extended data page 25, data page 24, PDU format 23..16, PDU
 * specific 15..8, source address 7..0. Below PDU format 240 the PDU specific byte is a destination
 * and no part of the PGN (PDU1); from 240 on it is (PDU2). */
#include "decoders/message.h"

#define PDU2_FIRST 240

uint32_t identifier_pgn(uint32_t id)
{
	uint32_t pgn = (id >> 8) & 0x3FFFF;

	if (((pgn >> 8) & 0xFF) < PDU2_FIRST) {
		pgn &= 0x3FF00;
	}
	return pgn;
}

uint8_t identifier_source(uint32_t id)
{
	return (uint8_t)(id & 0xFF);
}

uint8_t identifier_destination(uint32_t id)
{
	if (((id >> 16) & 0xFF) < PDU2_FIRST) {
		return (uint8_t)((id >> 8) & 0xFF);
	}
	return ADDRESS_GLOBAL;
}

uint8_t identifier_priority(uint32_t id)
{
	return (uint8_t)((id >> 26) & 7);
}

uint32_t identifier_build(uint8_t priority, uint32_t pgn, uint8_t destination, uint8_t source)
{
	uint32_t id = (uint32_t)(priority & 7) << 26 | (pgn & 0x3FFFF) << 8 | source;

	if (((pgn >> 8) & 0xFF) < PDU2_FIRST) {
		id = (id & ~UINT32_C(0xFF00)) | (uint32_t)destination << 8;
	}
	return id;
}
