#include "decoders/fault_code.h"

#include <errno.h>

#include "decoders/field.h"

#define CODE_BYTES	 4
#define FMI_SHIFT	 19
#define COUNT_SHIFT	 24
#define CONVERSION_SHIFT 31

double fault_code_value(const struct fault_code *code)
{
	uint32_t packed = (code->spn & FAULT_CODE_SPN_NONE) |
			  (code->fmi & UINT32_C(31)) << FMI_SHIFT |
			  (code->count & UINT32_C(127)) << COUNT_SHIFT |
			  (code->conversion & UINT32_C(1)) << CONVERSION_SHIFT;

	return (double)packed;
}

bool fault_code_from_value(double value, struct fault_code *ret_code)
{
	if (!(value >= 1 && value <= (double)UINT32_MAX)) {
		return false;
	}
	uint32_t packed = (uint32_t)value;
	if ((double)packed < value) {
		return false;
	}
	*ret_code = (struct fault_code){
		.spn = packed & FAULT_CODE_SPN_NONE,
		.fmi = (uint8_t)(packed >> FMI_SHIFT & 31),
		.count = (uint8_t)(packed >> COUNT_SHIFT & 127),
		.conversion = (uint8_t)(packed >> CONVERSION_SHIFT),
	};
	return true;
}

/* Bytes 1-2 the SPN's low bits; byte 3 its top three bits above the FMI; byte 4 the conversion
 * method above the count. */
static bool take_code(
	const struct message *message, unsigned first_bit, struct fault_code *ret_code)
{
	uint64_t low;
	uint64_t fmi;
	uint64_t high;
	uint64_t count;
	uint64_t conversion;

	if (!field_get(message->data, message->length, first_bit, 16, &low) ||
		!field_get(message->data, message->length, first_bit + 16, 5, &fmi) ||
		!field_get(message->data, message->length, first_bit + 21, 3, &high) ||
		!field_get(message->data, message->length, first_bit + 24, 7, &count) ||
		!field_get(message->data, message->length, first_bit + 31, 1, &conversion)) {
		return false;
	}
	*ret_code = (struct fault_code){
		.spn = (uint32_t)(low | high << 16),
		.fmi = (uint8_t)fmi,
		.count = (uint8_t)count,
		.conversion = (uint8_t)conversion,
	};
	return true;
}

size_t fault_code_read(const struct message_row *row, const struct field_row *field,
	const struct message *message, struct observation *out, size_t capacity)
{
	struct fault_code code;
	size_t used = 0;
	struct observation pattern = {
		.t_ns = message->t_ns,
		.signal = field->signal,
		.bus = message->bus,
		.source = message->source,
		.message = (uint8_t)message->row,
	};

	(void)row;
	if (capacity == 0) {
		return 0;
	}
	for (unsigned first_bit = field->first_bit;
		used < capacity && take_code(message, first_bit, &code);
		first_bit += CODE_BYTES * 8) {
		if (code.spn != 0 && code.spn != FAULT_CODE_SPN_NONE) {
			out[used] = pattern;
			out[used].value = fault_code_value(&code);
			used++;
		}
	}
	if (used == 0) {
		out[used++] = pattern;
	}
	return used;
}

/* Appends a code; value 0, or any state, is the standard's 'no code'. */
int fault_code_write(const struct message_row *row, const struct field_row *field,
	enum reading_state state, double value, uint8_t *data, size_t capacity, size_t *length)
{
	struct fault_code code = {.spn = 0};

	(void)row;
	if (state == READING_VALID && (value < 0 || value > 0) &&
		!fault_code_from_value(value, &code)) {
		return -ERANGE;
	}
	size_t first = *length > field->first_bit / 8U ? *length : field->first_bit / 8U;
	unsigned bit = (unsigned)first * 8;
	if (first + CODE_BYTES > capacity) {
		return -ENOBUFS;
	}
	(void)field_put(data, capacity, bit, 16, code.spn & 0xFFFF);
	(void)field_put(data, capacity, bit + 16, 5, code.fmi);
	(void)field_put(data, capacity, bit + 21, 3, code.spn >> 16);
	(void)field_put(data, capacity, bit + 24, 7, code.count);
	(void)field_put(data, capacity, bit + 31, 1, code.conversion);
	*length = first + CODE_BYTES;
	return 0;
}
