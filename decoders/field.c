#include "decoders/field.h"

#define INDICATOR_BITS_MAX 32 /* J1939 has no special codes in wider fields */

static uint64_t load_word(const uint8_t *bytes)
{
	return (uint64_t)bytes[0] | (uint64_t)bytes[1] << 8 | (uint64_t)bytes[2] << 16 |
	       (uint64_t)bytes[3] << 24 | (uint64_t)bytes[4] << 32 | (uint64_t)bytes[5] << 40 |
	       (uint64_t)bytes[6] << 48 | (uint64_t)bytes[7] << 56;
}

static uint64_t load_short(const uint8_t *bytes, size_t length)
{
	uint64_t word = 0;

	for (size_t i = 0; i < length; i++) {
		word |= (uint64_t)bytes[i] << (8 * i);
	}
	return word;
}

static uint64_t mask_of(unsigned bits)
{
	return UINT64_MAX >> (64 - bits);
}

static int64_t sign_extended(uint64_t code, uint64_t sign)
{
	return (int64_t)((code ^ sign) - sign);
}

bool field_get(
	const uint8_t *data, size_t length, unsigned first_bit, unsigned bits, uint64_t *ret_code)
{
	unsigned first_byte = first_bit / 8;
	unsigned shift = first_bit % 8;

	if (bits == 0 || bits > 64 || (size_t)first_bit + bits > length * 8) {
		return false;
	}
	size_t bytes = (shift + bits + 7) / 8;
	uint64_t word = load_short(data + first_byte, bytes < 8 ? bytes : 8) >> shift;
	if (bytes > 8) {
		word |= (uint64_t)data[first_byte + 8] << (64 - shift);
	}
	*ret_code = word & mask_of(bits);
	return true;
}

bool field_put(uint8_t *data, size_t length, unsigned first_bit, unsigned bits, uint64_t code)
{
	if (bits == 0 || bits > 64 || (size_t)first_bit + bits > length * 8) {
		return false;
	}
	for (unsigned done = 0; done < bits;) {
		unsigned bit = first_bit + done;
		unsigned shift = bit % 8;
		unsigned take = 8 - shift < bits - done ? 8 - shift : bits - done;
		unsigned mask = (unsigned)mask_of(take) << shift;
		unsigned part = (unsigned)(code >> done) << shift;

		data[bit / 8] = (uint8_t)((data[bit / 8] & ~mask) | (part & mask));
		done += take;
	}
	return true;
}

static uint64_t sign_of(const struct field_row *field)
{
	return field->kind == FIELD_SIGNED ? UINT64_C(1) << (field->bits - 1) : 0;
}

/* The two families' special codes as three limits: codes from error on are error, from missing on
 * not available, from reserved on (below error) reserved. 0 in reserved: there are none at all. */
struct special_codes {
	uint64_t reserved;
	uint64_t error;
	uint64_t missing;
};

static struct special_codes special_codes_of(
	enum message_family family, const struct field_row *field)
{
	unsigned bits = field->bits;
	struct special_codes none = {.reserved = 0};

	if (family == FAMILY_COMMON || field->kind == FIELD_TEXT || field->kind == FIELD_OWN ||
		bits < 2 || bits > 64) {
		return none;
	}
	if (field->kind == FIELD_BITS) {
		uint64_t all = mask_of(bits);
		return (struct special_codes){.reserved = all, .error = all, .missing = all};
	}
	if (family == FAMILY_NMEA2000) {
		unsigned magnitude = field->kind == FIELD_SIGNED ? bits - 1 : bits;
		uint64_t top = mask_of(magnitude);
		uint64_t error = magnitude >= 3 ? top - 1 : top;
		uint64_t reserved = bits >= 8 ? top - 2 : error;
		return (struct special_codes){.reserved = reserved, .error = error, .missing = top};
	}
	if (bits > INDICATOR_BITS_MAX) {
		return none;
	}
	if (bits < 8) {
		uint64_t top = mask_of(bits);
		return (struct special_codes){
			.reserved = top - 1, .error = top - 1, .missing = top};
	}
	return (struct special_codes){
		.reserved = UINT64_C(0xFB) << (bits - 8),
		.error = UINT64_C(0xFE) << (bits - 8),
		.missing = UINT64_C(0xFF) << (bits - 8),
	};
}

enum reading_state field_state(
	enum message_family family, const struct field_row *field, uint64_t code)
{
	struct special_codes special = special_codes_of(family, field);
	bool negative = (code & sign_of(field)) != 0;

	if (special.reserved == 0 || negative || code < special.reserved) {
		return READING_VALID;
	}
	if (code >= special.missing) {
		return READING_NOT_AVAILABLE;
	}
	return code >= special.error ? READING_ERROR : READING_RESERVED;
}

bool field_special_code(enum message_family family, const struct field_row *field,
	enum reading_state state, uint64_t *ret_code)
{
	struct special_codes special = special_codes_of(family, field);

	if (special.reserved == 0) {
		return false;
	}
	switch (state) {
	case READING_NOT_AVAILABLE:
		/* Fill the whole field, as senders do: for a signed one all but the sign. */
		*ret_code = mask_of(field->bits) & ~sign_of(field);
		return true;
	case READING_ERROR:
		*ret_code = special.error;
		return special.error < special.missing;
	case READING_RESERVED:
		*ret_code = special.reserved;
		return special.reserved < special.error;
	case READING_VALID:
	case READING_IMPLAUSIBLE:
		break;
	}
	return false;
}

static double scale_of(const struct field_row *field)
{
	return field->scale > 0 || field->scale < 0 ? field->scale : 1;
}

static double value_of(const struct field_row *field, uint64_t code)
{
	uint64_t sign = sign_of(field);
	double number = sign != 0 ? (double)sign_extended(code, sign) : (double)code;

	return number * scale_of(field) + field->offset;
}

double field_value(const struct field_row *field, uint64_t code)
{
	return value_of(field, code);
}

bool field_code(
	enum message_family family, const struct field_row *field, double value, uint64_t *ret_code)
{
	double steps = (value - field->offset) / scale_of(field);
	uint64_t sign = sign_of(field);
	double low = sign != 0 ? -(double)sign : 0;
	double high = sign != 0 ? (double)(sign - 1) : (double)mask_of(field->bits);
	uint64_t code;

	/* Written so that a NaN fails; 2^63 and 2^64 as doubles are just out of range. */
	if (!(steps >= low - 0.5 && steps < high + 0.5) || !(steps < 18446744073709551615.0)) {
		return false;
	}
	if (sign != 0) {
		if (!(steps < 9223372036854775807.0)) {
			return false;
		}
		double half = steps < 0 ? -0.5 : 0.5;
		code = (uint64_t)(int64_t)(steps + half) & mask_of(field->bits);
	} else {
		code = steps < 9007199254740992.0 ? (uint64_t)(steps + 0.5) : (uint64_t)steps;
	}
	if (field_state(family, field, code) != READING_VALID) {
		return false;
	}
	*ret_code = code;
	return true;
}

static bool is_plausible(const struct field_row *field, double value)
{
	const struct signal *signal = signal_get((enum signal_id)field->signal);
	/* A bound that is a whole number of steps must not fail for the rounding of the product. */
	double slack = scale_of(field) * 1e-6;

	slack = slack < 0 ? -slack : slack;
	return value >= signal->low - slack && value <= signal->high + slack;
}

bool field_read(const struct message_row *row, const struct field_row *field, const uint8_t *data,
	size_t length, struct field_reading *ret_reading)
{
	enum message_family family = (enum message_family)row->family;
	struct field_reading reading = {.value = 0};

	if (field->kind == FIELD_TEXT || field->kind == FIELD_OWN ||
		!field_get(data, length, field->first_bit, field->bits, &reading.code)) {
		return false;
	}
	reading.state = field_state(family, field, reading.code);
	if (reading.state == READING_VALID) {
		double value = value_of(field, reading.code);

		if (field->feeds && !is_plausible(field, value)) {
			reading.state = READING_IMPLAUSIBLE;
		} else {
			reading.value = value;
		}
	}
	*ret_reading = reading;
	return true;
}

size_t field_text(
	const struct field_row *field, const uint8_t *data, size_t length, char *out, size_t size)
{
	size_t first = field->first_bit / 8;
	size_t bytes = field->bits / 8;
	size_t used = 0;

	if (size == 0) {
		return 0;
	}
	if (field->kind == FIELD_TEXT && first + bytes <= length) {
		const uint8_t *text = data + first;

		while (bytes > 0 && (text[bytes - 1] == 0x00 || text[bytes - 1] == 0xFF ||
					    text[bytes - 1] == '@' || text[bytes - 1] == ' ')) {
			bytes--;
		}
		for (size_t i = 0; i < bytes && text[i] != 0 && used + 1 < size; i++) {
			if (text[i] >= 0x20 && text[i] < 0x7F) {
				out[used++] = (char)text[i];
			}
		}
	}
	out[used] = '\0';
	return used;
}

/* The least and greatest code, as signed numbers, that stand for a plausible value. */
static void find_plausible_codes(struct field_step *step, const struct field_row *field)
{
	const struct signal *signal = signal_get((enum signal_id)field->signal);
	struct special_codes special = special_codes_of((enum message_family)step->family, field);
	double scale = scale_of(field);
	double first = (signal->low - field->offset) / scale;
	double last = (signal->high - field->offset) / scale;
	int64_t least = step->sign != 0 ? -(int64_t)(step->sign - 1) - 1 : 0;
	int64_t most = (int64_t)(step->mask & INT64_MAX);

	if (step->sign != 0) {
		most = (int64_t)(step->sign - 1);
	}
	if (special.reserved != 0 && special.reserved <= (uint64_t)most) {
		most = (int64_t)(special.reserved - 1);
	}
	if (scale < 0) {
		double other = first;
		first = last;
		last = other;
	}
	/* Casts go towards zero: step outwards by one code first, then come in until plausible. */
	step->low = first > (double)least ? (int64_t)first - 1 : least;
	step->high = last < (double)most ? (int64_t)last + 1 : most;
	step->low = step->low > least ? step->low : least;
	step->high = step->high < most ? step->high : most;
	while (step->low <= step->high &&
		!is_plausible(field, (double)step->low * scale + field->offset)) {
		step->low++;
	}
	while (step->high >= step->low &&
		!is_plausible(field, (double)step->high * scale + field->offset)) {
		step->high--;
	}
}

bool field_step_init(
	struct field_step *step, enum message_family family, const struct field_row *field)
{
	if (!field->feeds) {
		return false;
	}
	const struct signal *signal = signal_get((enum signal_id)field->signal);
	double scale = scale_of(field);
	bool is_number = field->kind == FIELD_UNSIGNED || field->kind == FIELD_SIGNED;

	*step = (struct field_step){
		.mask = mask_of(field->bits),
		.sign = sign_of(field),
		.scale = scale,
		.offset = field->offset,
		.resolution = !is_number  ? 0
			      : scale < 0 ? -scale
					  : scale,
		.field = field,
		.first_bit = field->first_bit,
		.end_bit = (uint16_t)(field->first_bit + field->bits),
		.signal = field->signal,
		.family = (uint8_t)family,
		.of_vessel = signal->scope == SCOPE_VESSEL,
	};
	if (field->kind == FIELD_OWN) {
		step->low = 1; /* never plain: always looked at */
		step->high = 0;
	} else {
		find_plausible_codes(step, field);
	}
	return true;
}

/* The state of a code that is no plausible number. */
static enum reading_state odd_state(const struct field_step *step, uint64_t code)
{
	enum reading_state state =
		field_state((enum message_family)step->family, step->field, code);

	return state == READING_VALID ? READING_IMPLAUSIBLE : state;
}

size_t field_steps_read(const struct field_step *steps, size_t count, const struct message_row *row,
	const struct message *message, uint16_t instance, struct observation *out, size_t capacity,
	uint64_t counts[])
{
	const uint8_t *data = message->data;
	size_t length = message->length;
	size_t used = 0;
	uint64_t valid = 0;
	struct observation pattern = {
		.t_ns = message->t_ns,
		.bus = message->bus,
		.source = message->source,
		.message = (uint8_t)message->row,
	};
	/* One word holds a whole short payload; in a longer one the word that holds a field starts
	 * at its byte, or at the last place from which eight bytes can be read. */
	uint64_t word = length >= 8 ? load_word(data) : load_short(data, length);

	for (size_t i = 0; i < count && used < capacity; i++) {
		const struct field_step *step = &steps[i];

		if (step->end_bit > length * 8) {
			continue;
		}
		if (step->field->kind == FIELD_OWN) {
			size_t given = step->field->read(
				row, step->field, message, out + used, capacity - used);
			for (size_t j = 0; j < given; j++) {
				struct observation *o = &out[used + j];
				o->instance = step->of_vessel ? 0 : instance;
				counts[o->state]++;
			}
			used += given;
			continue;
		}
		uint64_t code = word >> (step->first_bit & 63);
		if (length > 8) {
			size_t base = step->first_bit / 8U;
			base = base < length - 8 ? base : length - 8;
			code = load_word(data + base) >> (step->first_bit - base * 8);
		}
		code &= step->mask;

		int64_t number = sign_extended(code, step->sign);
		struct observation *o = &out[used++];
		*o = pattern;
		o->signal = step->signal;
		o->instance = step->of_vessel ? 0 : instance;
		o->resolution = step->resolution;
		if (number >= step->low && number <= step->high) {
			o->value = (double)number * step->scale + step->offset;
			valid++;
		} else {
			o->state = (uint8_t)odd_state(step, code);
			counts[o->state]++;
		}
	}
	counts[READING_VALID] += valid;
	return used;
}
