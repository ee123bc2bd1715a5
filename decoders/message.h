/* message.h: one parameter group, whole, and the tables that say what is in it.
 *
 * A message's row names its PGN, how it travels, and its fields in payload order; a field's row says
 * where its bits are, their scale, and which signal they feed. Messages are tables, not code:
 * decoders/message_nmea2000.c and decoders/message_j1939.c hold the rows, each with its source, and
 * decoders/field.c is the one place that touches payload bits.
 */
#ifndef SIGHTBOWL_DECODERS_MESSAGE_H
#define SIGHTBOWL_DECODERS_MESSAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/observation.h"
#include "decoders/signal.h"

#define MESSAGE_LENGTH_MAX 1785 /* J1939-21: 255 packets of 7 bytes */
#define OBSERVATIONS_MAX   64   /* most that one message can give */
#define ADDRESS_GLOBAL     255
#define PGN_MAX            UINT32_C(0x3FFFF)

struct message {
	int64_t t_ns; /* of its last frame */
	uint32_t pgn;
	uint8_t bus;
	uint8_t source;
	uint8_t destination; /* ADDRESS_GLOBAL when sent to all */
	uint8_t priority;
	uint16_t length;
	int16_t row;         /* index of its row, -1 when no row decodes it on this bus */
	const uint8_t *data; /* borrowed from the decoder until its next frame */
};

enum message_family {
	FAMILY_NMEA2000, /* special codes: the top one, two or three of a field */
	FAMILY_J1939,    /* special codes: the whole top of a field's range */
	FAMILY_COMMON,   /* network management that both families share: no special codes */
};

enum message_transport {
	TRAVELS_SINGLE, /* one frame, or J1939-21 transport when over 8 bytes */
	TRAVELS_FAST,   /* NMEA 2000 fast packet */
};

/* How a message's instance is found. Signals of the vessel have instance 0 whatever the rule. */
enum instance_rule {
	INSTANCE_NONE,        /* always 0 */
	INSTANCE_BYTE,        /* the byte at instance_byte, as it is */
	INSTANCE_SOURCE,      /* J1939 engines: address 1 is engine 1, any other engine 0 */
	INSTANCE_SOURCE_KIND, /* two bytes: number at instance_byte, kind (source enumeration) after
			       * it: kind << 8 | number */
	INSTANCE_KIND,        /* the low six bits of the byte at instance_byte are a kind:
			       * kind << 8 */
};

enum field_kind {
	FIELD_UNSIGNED,
	FIELD_SIGNED,
	FIELD_STATE, /* enumeration; value as it is */
	FIELD_BITS,  /* a set of bits; value as it is, and not available only when all are set */
	FIELD_TEXT,  /* bytes of text; in the catalogue only */
	FIELD_OWN,   /* read by the row's function */
};

struct field_row;
struct message_row;

/* Reads what no plain row can (a function in the row, never an 'if' in the reader). Appends to out,
 * at most capacity, and returns how many. */
typedef size_t field_reader(const struct message_row *row, const struct field_row *field,
	const struct message *message, struct observation *out, size_t capacity);

/* The reverse, for decoders/encode.h: puts value or, when state is not READING_VALID, the code of
 * that state into a payload of capacity bytes whose used ones are *length (which it may raise).
 * Returns 0, -ERANGE when the value has no code, or -ENOBUFS. */
typedef int field_writer(const struct message_row *row, const struct field_row *field,
	enum reading_state state, double value, uint8_t *data, size_t capacity, size_t *length);

struct field_row {
	const char *name;    /* for the catalogue; plain words */
	uint16_t spn;        /* J1939 suspect parameter number, 0 where there is none */
	uint16_t first_bit;  /* from bit 0 of byte 0, little-endian */
	uint16_t bits;       /* width; for FIELD_OWN of the first of those that may follow */
	uint8_t kind;        /* enum field_kind */
	bool feeds;          /* false: in the catalogue only, no signal takes it */
	uint16_t signal;     /* enum signal_id */
	double scale;        /* units per bit; 0 (as in states) counts as 1 */
	double offset;       /* in units, added after scaling */
	const char *unit;    /* of a field that feeds no signal; NULL for none */
	field_reader *read;  /* for FIELD_OWN */
	field_writer *write; /* for FIELD_OWN */
	const char *note;    /* range, enumeration or oddity, NULL for none */
};

struct message_row {
	uint32_t pgn;
	const char *name; /* plain words */
	const char *abbreviation; /* "" where the trade has none */
	uint8_t family;
	uint8_t travels;
	uint8_t instance_rule;
	uint8_t instance_byte;
	uint16_t length; /* bytes of a full message; 0 when it varies */
	const struct field_row *fields;
	size_t field_count;
	const char *source; /* document and clause, or public evidence, or 'from memory' */
};

/* All rows by ascending PGN; index 0 .. count-1 is struct observation's message. */
size_t message_row_count(void);
const struct message_row *message_row_get(size_t index);

/* Finds the row of a PGN. Returns -1 when there is none. */
int message_row_find(uint32_t pgn);

/* The two tables of rows: PGNs below and above 65536. */
extern const struct message_row message_j1939_rows[];
extern const size_t message_j1939_row_count;
extern const struct message_row message_nmea2000_rows[];
extern const size_t message_nmea2000_row_count;

/* The PGN, addresses and priority of a 29-bit identifier (SAE J1939-21, 5.2). */
uint32_t identifier_pgn(uint32_t id);
uint8_t identifier_source(uint32_t id);
uint8_t identifier_destination(uint32_t id); /* ADDRESS_GLOBAL for PDU2 */
uint8_t identifier_priority(uint32_t id);
/* The reverse; destination counts for PDU1 PGNs only. */
uint32_t identifier_build(uint8_t priority, uint32_t pgn, uint8_t destination, uint8_t source);

/* Whether a PGN of no row travels by fast packet, by NMEA 2000's own ranges. */
bool pgn_travels_fast(uint32_t pgn);

#endif
