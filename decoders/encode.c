#include "decoders/encode.h"

#include <errno.h>
#include <string.h>

#include "decoders/fast_packet.h"
#include "decoders/field.h"
#include "decoders/transport.h"

#define SINGLE_BYTES	 8
#define FAST_FIRST_BYTES 6
#define PACKET_BYTES	 7 /* of later fast-packet frames and of TP.DT alike */
#define CONTROL_PRIORITY 7

int encode_field_of(size_t row, enum signal_id signal)
{
	if (row >= message_row_count()) {
		return -1;
	}
	const struct message_row *r = message_row_get(row);
	for (size_t i = 0; i < r->field_count; i++) {
		if (r->fields[i].feeds && r->fields[i].signal == signal) {
			return (int)i;
		}
	}
	return -1;
}

int encode_field_named(size_t row, const char *name)
{
	if (row >= message_row_count()) {
		return -1;
	}
	const struct message_row *r = message_row_get(row);
	for (size_t i = 0; i < r->field_count; i++) {
		if (strcmp(r->fields[i].name, name) == 0) {
			return (int)i;
		}
	}
	return -1;
}

/* Bytes that a message without any repeated part has. */
static size_t base_length(const struct message_row *row)
{
	size_t length = row->length;

	for (size_t i = 0; row->length == 0 && i < row->field_count; i++) {
		const struct field_row *field = &row->fields[i];
		size_t end = (field->first_bit + field->bits + 7U) / 8;

		/* A repeated field is appended when it is given. */
		if (field->kind == FIELD_OWN && i + 1 == row->field_count) {
			end = field->first_bit / 8U;
		}
		length = end > length ? end : length;
	}
	return length;
}

static void put_missing(const struct message_row *row, uint8_t *out, size_t length)
{
	memset(out, 0xFF, length);
	for (size_t i = 0; i < row->field_count; i++) {
		const struct field_row *field = &row->fields[i];
		uint64_t code = 0;

		/* Unless the field is a set of bits, all bits set is right for all but signed ones.
		 */
		if (field->kind == FIELD_SIGNED) {
			(void)field_special_code((enum message_family)row->family, field,
				READING_NOT_AVAILABLE, &code);
		}
		if (field->kind == FIELD_SIGNED || field->kind == FIELD_BITS) {
			(void)field_put(out, length, field->first_bit, field->bits, code);
		}
	}
}

static void put_instance(
	const struct message_row *row, uint16_t instance, uint8_t *out, size_t length)
{
	unsigned first_bit = row->instance_byte * 8U;

	switch (row->instance_rule) {
	case INSTANCE_BYTE:
		(void)field_put(out, length, first_bit, 8, instance);
		break;
	case INSTANCE_SOURCE_KIND:
		(void)field_put(out, length, first_bit, 16, instance);
		break;
	case INSTANCE_KIND:
		(void)field_put(out, length, first_bit, 6, (uint64_t)instance >> 8);
		break;
	default:
		break;
	}
}

static int put_value(const struct message_row *row, const struct field_row *field,
	const struct encode_value *value, uint8_t *out, size_t capacity, size_t *length)
{
	enum message_family family = (enum message_family)row->family;
	enum reading_state state = (enum reading_state)value->state;
	uint64_t code;

	if (state == READING_IMPLAUSIBLE) {
		state = READING_VALID;
	}
	if (field->kind == FIELD_OWN) {
		return field->write(row, field, state, value->value, out, capacity, length);
	}
	if (field->kind == FIELD_TEXT ||
		!(state == READING_VALID ? field_code(family, field, value->value, &code)
					 : field_special_code(family, field, state, &code))) {
		return -ERANGE;
	}
	return field_put(out, *length, field->first_bit, field->bits, code) ? 0 : -ENOBUFS;
}

int encode_payload(size_t row, uint16_t instance, const struct encode_value *values, size_t count,
	uint8_t *out, size_t capacity)
{
	if (row >= message_row_count()) {
		return -EINVAL;
	}
	const struct message_row *r = message_row_get(row);
	size_t length = base_length(r);
	if (length > capacity) {
		return -ENOBUFS;
	}
	put_missing(r, out, length);
	put_instance(r, instance, out, length);
	for (size_t i = 0; i < count; i++) {
		if (values[i].field >= r->field_count) {
			return -EINVAL;
		}
		int result = put_value(
			r, &r->fields[values[i].field], &values[i], out, capacity, &length);
		if (result < 0) {
			return result;
		}
	}
	if (length < SINGLE_BYTES && r->travels == TRAVELS_SINGLE) {
		if (capacity < SINGLE_BYTES) {
			return -ENOBUFS;
		}
		memset(out + length, 0xFF, SINGLE_BYTES - length);
		length = SINGLE_BYTES;
	}
	return (int)length;
}

/* Appends a frame of 8 bytes, all 0xFF. Returns NULL when there is no room. */
static struct frame *append(
	const struct encode_header *header, struct frame *out, size_t capacity, size_t *used)
{
	if (*used >= capacity) {
		return NULL;
	}
	struct frame *frame = &out[*used];
	*frame = (struct frame){
		.t_ns = header->t_ns + header->step_ns * (int64_t)*used,
		.id = identifier_build(
			header->priority, header->pgn, header->destination, header->source),
		.kind = FRAME_EXTENDED,
		.bus = header->bus,
		.len = FRAME_DATA_MAX,
	};
	memset(frame->data, 0xFF, sizeof(frame->data));
	(*used)++;
	return frame;
}

static int encode_single(const struct encode_header *header, const uint8_t *payload, size_t length,
	struct frame *out, size_t capacity)
{
	size_t used = 0;

	if (length > SINGLE_BYTES) {
		return -EINVAL;
	}
	struct frame *frame = append(header, out, capacity, &used);
	if (frame == NULL) {
		return -ENOBUFS;
	}
	memset(frame->data, 0, sizeof(frame->data));
	memcpy(frame->data, payload, length);
	frame->len = (uint8_t)length;
	return (int)used;
}

static int encode_fast(const struct encode_header *header, const uint8_t *payload, size_t length,
	struct frame *out, size_t capacity)
{
	size_t used = 0;
	size_t done = 0;

	if (length == 0 || length > FAST_PACKET_LENGTH_MAX || header->sequence > 7) {
		return -EINVAL;
	}
	while (done < length) {
		uint8_t counter = (uint8_t)used;
		struct frame *frame = append(header, out, capacity, &used);
		size_t first = counter == 0 ? 2 : 1;
		size_t room = counter == 0 ? FAST_FIRST_BYTES : PACKET_BYTES;
		size_t bytes = length - done < room ? length - done : room;

		if (frame == NULL) {
			return -ENOBUFS;
		}
		frame->data[0] = (uint8_t)(header->sequence << 5 | counter);
		if (counter == 0) {
			frame->data[1] = (uint8_t)length;
		}
		memcpy(frame->data + first, payload + done, bytes);
		done += bytes;
	}
	return (int)used;
}

/* Appends a TP.CM frame: control, four bytes, the PGN. Returns false when there is no room. */
static bool append_control(const struct encode_header *header, uint8_t source, uint8_t destination,
	const uint8_t bytes[5], struct frame *out, size_t capacity, size_t *used)
{
	struct encode_header control = *header;

	control.pgn = TRANSPORT_PGN_CONNECTION;
	control.source = source;
	control.destination = destination;
	control.priority = CONTROL_PRIORITY;
	struct frame *frame = append(&control, out, capacity, used);
	if (frame == NULL) {
		return false;
	}
	memcpy(frame->data, bytes, 5);
	frame->data[5] = (uint8_t)header->pgn;
	frame->data[6] = (uint8_t)(header->pgn >> 8);
	frame->data[7] = (uint8_t)(header->pgn >> 16);
	return true;
}

static bool append_packets(const struct encode_header *header, uint8_t destination,
	const uint8_t *payload, size_t length, struct frame *out, size_t capacity, size_t *used)
{
	struct encode_header data = *header;

	data.pgn = TRANSPORT_PGN_DATA;
	data.destination = destination;
	data.priority = CONTROL_PRIORITY;
	for (size_t done = 0; done < length; done += PACKET_BYTES) {
		struct frame *frame = append(&data, out, capacity, used);

		if (frame == NULL) {
			return false;
		}
		frame->data[0] = (uint8_t)(done / PACKET_BYTES + 1);
		memcpy(frame->data + 1, payload + done,
			length - done < PACKET_BYTES ? length - done : PACKET_BYTES);
	}
	return true;
}

static int encode_transport(enum encode_way way, const struct encode_header *header,
	const uint8_t *payload, size_t length, struct frame *out, size_t capacity)
{
	bool is_broadcast = way == ENCODE_BAM;
	uint8_t packets = (uint8_t)((length + PACKET_BYTES - 1) / PACKET_BYTES);
	uint8_t low = (uint8_t)length;
	uint8_t high = (uint8_t)(length >> 8);
	uint8_t source = header->source;
	uint8_t destination = is_broadcast ? ADDRESS_GLOBAL : header->destination;
	const uint8_t bam[5] = {TRANSPORT_BAM, low, high, packets, 0xFF};
	const uint8_t rts[5] = {TRANSPORT_RTS, low, high, packets, packets};
	const uint8_t cts[5] = {TRANSPORT_CTS, packets, 1, 0xFF, 0xFF};
	const uint8_t end[5] = {TRANSPORT_END, low, high, packets, 0xFF};
	size_t used = 0;

	if (length == 0 || length > MESSAGE_LENGTH_MAX || header->pgn > PGN_MAX ||
		(!is_broadcast && header->destination == ADDRESS_GLOBAL)) {
		return -EINVAL;
	}
	bool fits = append_control(
		header, source, destination, is_broadcast ? bam : rts, out, capacity, &used);
	if (!is_broadcast) {
		fits = fits &&
		       append_control(header, destination, source, cts, out, capacity, &used);
	}
	fits = fits && append_packets(header, destination, payload, length, out, capacity, &used);
	if (!is_broadcast) {
		fits = fits &&
		       append_control(header, destination, source, end, out, capacity, &used);
	}
	return fits ? (int)used : -ENOBUFS;
}

int encode_frames(enum encode_way way, const struct encode_header *header, const uint8_t *payload,
	size_t length, struct frame *out, size_t capacity)
{
	switch (way) {
	case ENCODE_SINGLE:
		return encode_single(header, payload, length, out, capacity);
	case ENCODE_FAST:
		return encode_fast(header, payload, length, out, capacity);
	case ENCODE_BAM:
	case ENCODE_CONNECTION:
		return encode_transport(way, header, payload, length, out, capacity);
	}
	return -EINVAL;
}

enum encode_way encode_way_of(size_t row, size_t length)
{
	if (row < message_row_count() && message_row_get(row)->travels == TRAVELS_FAST) {
		return ENCODE_FAST;
	}
	return length <= SINGLE_BYTES ? ENCODE_SINGLE : ENCODE_BAM;
}
