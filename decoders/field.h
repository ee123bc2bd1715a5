/* field.h: the bits of a payload ↔ codes ↔ values.
 *
 * The one place that touches payload bits; it checks the payload's length every time. A field that
 * does not lie wholly inside its payload is absent: it gives neither a value nor a state. What the
 * codes at the top of a field's range mean is the family's business (see field_state).
 */
#ifndef SIGHTBOWL_DECODERS_FIELD_H
#define SIGHTBOWL_DECODERS_FIELD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/message.h"

/* Takes up to 64 bits from bit first_bit on, least significant first. Returns false, leaving
 * ret_code, when they are not all inside the payload. */
bool field_get(
	const uint8_t *data, size_t length, unsigned first_bit, unsigned bits, uint64_t *ret_code);
/* Puts them. Returns false, changing nothing, when they would not all lie inside. */
bool field_put(uint8_t *data, size_t length, unsigned first_bit, unsigned bits, uint64_t code);

/* What a code is in its family, before any look at the value:
 * - NMEA 2000: the top code is not available, the one below it error, and in fields of 8 bits or
 *   more the one below that reserved; fields with fewer than three bits for the magnitude have only
 *   the first. Signed fields count from the top of their positive range.
 * - J1939: from 8 to 32 bits the most significant byte decides: FB reserved (parameter-specific),
 *   FC and FD reserved, FE error, FF not available; from 2 to 7 bits the top code is not available
 *   and the one below it error; 1 bit and more than 32 bits have no such codes.
 * - Sets of bits: all set is not available. Common messages and text: none. */
enum reading_state field_state(
	enum message_family family, const struct field_row *field, uint64_t code);

/* The code that says so in a field. Returns false when the field has none. */
bool field_special_code(enum message_family family, const struct field_row *field,
	enum reading_state state, uint64_t *ret_code);

/* The number that a code stands for, in the field's unit. */
double field_value(const struct field_row *field, uint64_t code);
/* The nearest code to a value. Returns false when it has none or is not a number. */
bool field_code(enum message_family family, const struct field_row *field, double value,
	uint64_t *ret_code);

/* One field of a message, whether it feeds a signal or not. */
struct field_reading {
	uint64_t code;
	double value; /* 0 unless the state is READING_VALID */
	enum reading_state state;
};

/* Returns false when the field is absent, text, or read by the row's function. */
bool field_read(const struct message_row *row, const struct field_row *field, const uint8_t *data,
	size_t length, struct field_reading *ret_reading);

/* Copies a text field's printable ASCII characters, without trailing fill (0x00, 0xFF, '@', space),
 * and ends them with a NUL. Returns the length, 0 when the field is absent or no text. */
size_t field_text(
	const struct field_row *field, const uint8_t *data, size_t length, char *out, size_t size);

/* A feeding field made ready for reading at full speed. */
struct field_step {
	int64_t low; /* codes from low to high are plausible numbers; any other is looked at */
	int64_t high;
	uint64_t mask;
	uint64_t sign; /* the sign bit, 0 when unsigned */
	double scale;
	double offset;
	double resolution;
	const struct field_row *field;
	uint16_t first_bit;
	uint16_t end_bit;
	uint16_t signal;
	uint8_t family;
	bool of_vessel; /* instance 0 whatever the message's */
};

/* Makes a field that feeds a signal ready. Returns false for one that feeds none. */
bool field_step_init(
	struct field_step *step, enum message_family family, const struct field_row *field);

/* Reads a message by its steps into out, at most capacity, and returns how many. counts, indexed by
 * enum reading_state, is added to. */
size_t field_steps_read(const struct field_step *steps, size_t count, const struct message_row *row,
	const struct message *message, uint16_t instance, struct observation *out, size_t capacity,
	uint64_t counts[]);

#endif
