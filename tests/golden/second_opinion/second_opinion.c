/* Our side of the comparison with a decoder of other descent (compare.js).
 *
 * second_opinion write: messages with random content, one JSON object a line: the PGN, its frames
 * as candump log lines, and each field as we mean it. second_opinion read: frames from standard
 * input, "ID LENGTH BYTE…" in hexadecimal, and each whole message as we read it, in the same form
 * without the frames. second_opinion fast: every PGN that travels by fast packet, in one JSON list.
 * A field is named by its place only: first bit and width.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "decoders/decoder.h"
#include "decoders/encode.h"

#define CASES_PER_MESSAGE 40

static uint64_t random_state = UINT64_C(0x853C49E6748FEA9B);

static uint64_t random_bits(void)
{
	random_state ^= random_state << 13;
	random_state ^= random_state >> 7;
	random_state ^= random_state << 17;
	return random_state >> 3;
}

static const char *unit_of(const struct field_row *field)
{
	if (field->feeds) {
		return signal_get((enum signal_id)field->signal)->unit;
	}
	return field->unit != NULL ? field->unit : "";
}

static void print_head(const struct field_row *field, const char *comma, const char *kind)
{
	printf("%s{\"first_bit\":%u,\"bits\":%u,\"kind\":\"%s\",\"unit\":\"%s\",", comma,
		field->first_bit, field->bits, kind, unit_of(field));
}

static void print_fields(const struct message *message)
{
	const struct message_row *row = message_row_get((size_t)message->row);
	const char *comma = "";

	printf("\"fields\":[");
	for (size_t i = 0; i < row->field_count; i++) {
		const struct field_row *field = &row->fields[i];
		struct field_reading reading;
		struct observation o;
		char text[128];

		if (field->kind == FIELD_TEXT) {
			(void)field_text(field, message->data, message->length, text, sizeof(text));
			print_head(field, comma, "text");
			printf("\"value\":\"%s\"}", text);
		} else if (field->kind == FIELD_OWN) {
			if (field->read(row, field, message, &o, 1) == 0) {
				continue;
			}
			print_head(field, comma, "moment");
			if (o.state == READING_VALID) {
				printf("\"value\":%.17g}", o.value);
			} else {
				printf("\"value\":null}");
			}
		} else if (field_read(row, field, message->data, message->length, &reading)) {
			bool is_number =
				field->kind == FIELD_UNSIGNED || field->kind == FIELD_SIGNED;

			print_head(field, comma, is_number ? "number" : "state");
			/* What is implausible aboard is a number to the other side. */
			if (reading.state == READING_VALID ||
				reading.state == READING_IMPLAUSIBLE) {
				printf("\"step\":%.17g,\"plausible\":%s,\"value\":%.17g}",
					is_number && field->scale > 0 ? field->scale : 1,
					reading.state == READING_VALID ? "true" : "false",
					field_value(field, reading.code));
			} else {
				printf("\"value\":null}");
			}
		} else {
			continue;
		}
		comma = ",";
	}
	printf("]}\n");
}

/* A random content of a field: now and then not available or error, mostly a number. */
static bool choose(
	enum message_family family, const struct field_row *field, struct encode_value *ret_value)
{
	uint64_t dice = random_bits() % 10;

	ret_value->state = READING_VALID;
	if (dice == 0 || field->kind == FIELD_TEXT) {
		return false;
	}
	if (field->kind == FIELD_OWN) {
		ret_value->value =
			(double)(random_bits() % 4000000000) + (double)(random_bits() % 100) / 100;
		return true;
	}
	for (unsigned tries = 0; tries < 100; tries++) {
		uint64_t mask = UINT64_MAX >> (64 - field->bits);
		uint64_t code = random_bits() * UINT64_C(0x9E3779B97F4A7C15) & mask;
		uint64_t back;

		if (field->bits == 64) {
			code >>= 7 +
				 random_bits() % 4; /* a place on earth, and 53 bits of a double */
		}
		ret_value->value = field_value(field, code);
		if (field_state(family, field, code) == READING_VALID &&
			field_code(family, field, ret_value->value, &back)) {
			return true;
		}
	}
	return false;
}

static int write_case(size_t index, uint8_t sequence)
{
	const struct message_row *row = message_row_get(index);
	struct encode_value values[32];
	size_t count = 0;
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];

	for (size_t i = 0; i < row->field_count && count < 32; i++) {
		values[count].field = (uint16_t)i;
		count += choose((enum message_family)row->family, &row->fields[i], &values[count]);
	}
	int length = encode_payload(
		index, (uint16_t)(random_bits() % 4), values, count, payload, sizeof(payload));
	if (length < 0) {
		return length;
	}
	for (size_t i = 0; i < row->field_count; i++) {
		const struct field_row *field = &row->fields[i];

		if (field->kind == FIELD_TEXT) {
			memset(payload + field->first_bit / 8, 0xFF, field->bits / 8);
			memcpy(payload + field->first_bit / 8, "Sounder 1", 9);
		}
	}
	struct encode_header header = {.pgn = row->pgn,
		.priority = 3,
		.source = 35,
		.destination = ADDRESS_GLOBAL,
		.sequence = sequence & 7};
	int frame_count = encode_frames(encode_way_of(index, (size_t)length), &header, payload,
		(size_t)length, frames, ENCODE_FRAMES_MAX);
	printf("{\"pgn\":%u,\"lines\":[", (unsigned)row->pgn);
	for (int i = 0; i < frame_count; i++) {
		printf("%s\"(1.000000) can0 %08X#", i > 0 ? "," : "", (unsigned)frames[i].id);
		for (unsigned b = 0; b < frames[i].len; b++) {
			printf("%02X", frames[i].data[b]);
		}
		printf("\"");
	}
	printf("],");
	struct message message = {.pgn = row->pgn,
		.length = (uint16_t)length,
		.data = payload,
		.row = (int16_t)index};
	print_fields(&message);
	return frame_count;
}

static int write_all(void)
{
	for (size_t i = 0; i < message_row_count(); i++) {
		if (message_row_get(i)->family == FAMILY_J1939) {
			continue;
		}
		for (unsigned c = 0; c < CASES_PER_MESSAGE; c++) {
			if (write_case(i, (uint8_t)c) <= 0) {
				fprintf(stderr, "PGN %u could not be encoded\n",
					(unsigned)message_row_get(i)->pgn);
				return 1;
			}
		}
	}
	return 0;
}

static int read_all(void)
{
	static struct decoder decoder;
	char line[256];
	int64_t t_ns = 0;

	decoder_init(&decoder);
	while (fgets(line, sizeof(line), stdin) != NULL) {
		struct frame frame = {.kind = FRAME_EXTENDED, .t_ns = t_ns += 1000000};
		struct message message;
		unsigned id;
		unsigned length;
		int at;

		if (sscanf(line, "%x %u%n", &id, &length, &at) != 2 || length > 8) {
			fprintf(stderr, "what is this: %s", line);
			return 1;
		}
		frame.id = id;
		frame.len = (uint8_t)length;
		for (unsigned i = 0; i < length; i++) {
			unsigned byte;
			int used;
			if (sscanf(line + at, "%x%n", &byte, &used) != 1) {
				return 1;
			}
			frame.data[i] = (uint8_t)byte;
			at += used;
		}
		if (decoder_accept(&decoder, &frame, &message) && message.row >= 0) {
			printf("{\"pgn\":%u,", (unsigned)message.pgn);
			print_fields(&message);
		}
	}
	return 0;
}

static int write_fast(void)
{
	const char *comma = "";

	printf("[");
	for (uint32_t pgn = 0; pgn <= PGN_MAX; pgn++) {
		if (pgn_travels_fast(pgn)) {
			printf("%s%u", comma, (unsigned)pgn);
			comma = ",";
		}
	}
	printf("]\n");
	return 0;
}

int main(int argc, char **argv)
{
	if (argc == 2 && strcmp(argv[1], "write") == 0) {
		return write_all();
	}
	if (argc == 2 && strcmp(argv[1], "read") == 0) {
		return read_all();
	}
	if (argc == 2 && strcmp(argv[1], "fast") == 0) {
		return write_fast();
	}
	fprintf(stderr, "usage: second_opinion write|read|fast\n");
	return 2;
}
