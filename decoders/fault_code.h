/* fault_code.h: the diagnostic trouble codes of DM1 and DM2 (SAE J1939-73, 5.7.1 and 5.7.2).
 *
 * A code travels as the value of the signals active_fault and past_fault: one observation a code,
 * and one of value 0 when a message says that there is none.
 */
#ifndef SIGHTBOWL_DECODERS_FAULT_CODE_H
#define SIGHTBOWL_DECODERS_FAULT_CODE_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/message.h"

#define FAULT_CODE_SPN_NONE UINT32_C(524287) /* this SPN, or 0: no code */
#define FAULT_CODE_COUNT_UNKNOWN 127U /* occurrences */

struct fault_code {
	uint32_t spn;	    /* 0 .. 524287 */
	uint8_t fmi;	    /* failure mode identifier, 0 .. 31 */
	uint8_t count;	    /* occurrences, 0 .. 127; 127 is not available */
	uint8_t conversion; /* SPN conversion method, 0 or 1; 0 is the layout in use since 1996 */
};

/* SPN | FMI << 19 | count << 24 | conversion << 31: below 2^32, so exact in a double. What stays
 * the same while a fault lasts is value mod 2^24. */
double fault_code_value(const struct fault_code *code);
/* Returns false when the value is no code: 0, or not a whole number below 2^32. */
bool fault_code_from_value(double value, struct fault_code *ret_code);

/* The readers and the writer of the tables' rows. */
size_t fault_code_read(const struct message_row *row, const struct field_row *field,
	const struct message *message, struct observation *out, size_t capacity);
int fault_code_write(const struct message_row *row, const struct field_row *field,
	enum reading_state state, double value, uint8_t *data, size_t capacity, size_t *length);

#endif
