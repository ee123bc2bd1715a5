/* Lines as candump prints them on a screen, with times (-ta, -tA, -tz or -td):
 *
 *    (000.005001)  can0  18FEDF00   [8]  8A A0 28 7D 7D FF FF F5
 *    (1436509053.850870)  can1  RX - -  123   [2]  11 22   '."'
 *    (000.100000)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME
 *    (000.200000)  can0       123   [0]  remote request
 *
 * can-utils candump.c and lib.c, sprint_long_canframe(): three hexadecimal digits are an 11-bit
 * identifier, eight a 29-bit one or, with bit 29 set, an error frame; one digit between brackets is
 * a length, two a CAN FD length, and between braces a raw length code; -i prints the data in
 * binary, -S in reverse with '`' between the bytes, -a adds the characters.
 */
#include "replay/capture_text.h"

#include <string.h>

struct text_state {
	struct text_reader text;
};

static bool starts_with(const uint8_t *at, const uint8_t *end, const char *word)
{
	size_t length = strlen(word);

	return (size_t)(end - at) >= length && memcmp(at, word, length) == 0;
}

static void skip_space(const uint8_t **at, const uint8_t *end)
{
	while (*at < end && capture_text_is_space(**at)) {
		++*at;
	}
}

/* "RX - -  ", the extra message info of -x: direction, bit rate switch, error state. */
static void skip_direction(const uint8_t **at, const uint8_t *end)
{
	if (!starts_with(*at, end, "RX ") && !starts_with(*at, end, "TX ")) {
		return;
	}
	*at += 3;
	skip_space(at, end);
	while (end - *at >= 2 && (**at == '-' || **at == 'B' || **at == 'E') &&
		capture_text_is_space((*at)[1])) {
		*at += 2;
		skip_space(at, end);
	}
}

/* "[8]", "[12]" (CAN FD) or "{9}" (a raw length code, so 8 bytes). */
static const char *take_length(
	const uint8_t **at, const uint8_t *end, size_t *out_length, bool *out_fd)
{
	const uint8_t *p = *at;

	*out_fd = false;
	if (end - p >= 3 && p[0] == '{' && capture_text_hex_digit(p[1]) > 8 && p[2] == '}') {
		*out_length = 8;
		*at = p + 3;
		return NULL;
	}
	if (end - p < 3 || *p++ != '[') {
		return "no length in brackets";
	}
	size_t length = 0;
	size_t digits = 0;
	while (p < end && *p >= '0' && *p <= '9' && digits < 4) {
		length = length * 10 + (size_t)(*p++ - '0');
		digits++;
	}
	if (digits == 0 || p == end || *p != ']') {
		return "no length in brackets";
	}
	*out_length = length;
	*out_fd = digits > 1;
	*at = p + 1;
	return length > (*out_fd ? 2048u : 8u) ? "the length is out of range" : NULL;
}

static bool is_binary_byte(const uint8_t *at, const uint8_t *end)
{
	if (end - at < 8) {
		return false;
	}
	for (size_t i = 0; i < 8; i++) {
		if (at[i] != '0' && at[i] != '1') {
			return false;
		}
	}
	return true;
}

/* The next data byte, in hexadecimal or binary; false when there is none. */
static bool take_byte(const uint8_t **at, const uint8_t *end, uint8_t *out_byte)
{
	const uint8_t *p = *at;

	while (p < end && (capture_text_is_space(*p) || *p == '`')) {
		p++;
	}
	int high = end - p >= 2 ? capture_text_hex_digit(p[0]) : -1;
	int low = end - p >= 2 ? capture_text_hex_digit(p[1]) : -1;
	if (high < 0 || low < 0) {
		return false;
	}
	if (end - p == 2 || capture_text_is_space(p[2]) || p[2] == '`') {
		*out_byte = (uint8_t)(high << 4 | low);
		*at = p + 2;
		return true;
	}
	if (!is_binary_byte(p, end) ||
		(end - p > 8 && !capture_text_is_space(p[8]) && p[8] != '`')) {
		return false;
	}
	uint8_t byte = 0;
	for (size_t i = 0; i < 8; i++) {
		byte = (uint8_t)(byte << 1 | (p[i] - '0'));
	}
	*out_byte = byte;
	*at = p + 8;
	return true;
}

/* The usual shape, "8A A0 28" and the end of the line; false leaves the rest to the careful way. */
static bool take_plain_data(
	const uint8_t *at, const uint8_t *end, size_t length, struct frame *frame)
{
	if (length == 0 || length > FRAME_DATA_MAX || (size_t)(end - at) != length * 3 - 1) {
		return false;
	}
	for (size_t i = 0; i < length; i++, at += 3) {
		int high = capture_text_hex_digit(at[0]);
		int low = capture_text_hex_digit(at[1]);
		if ((high | low) < 0 || (i + 1 < length && at[2] != ' ')) {
			return false;
		}
		frame->data[i] = (uint8_t)(high << 4 | low);
	}
	frame->len = (uint8_t)length;
	return true;
}

static const char *take_text_data(
	const uint8_t *at, const uint8_t *end, size_t length, struct frame *frame)
{
	size_t kept = length < FRAME_DATA_MAX ? length : FRAME_DATA_MAX;
	const uint8_t *p = at;
	bool reversed = false;

	if (take_plain_data(at, end, length, frame)) {
		return NULL;
	}
	for (size_t i = 0; i < length; i++) {
		uint8_t byte = 0;
		if (!take_byte(&p, end, &byte)) {
			return "the data is not what its length says";
		}
		reversed = reversed || (p < end && *p == '`');
		if (i < kept) {
			frame->data[i] = byte;
		}
	}
	if (reversed && length <= FRAME_DATA_MAX) {
		for (size_t i = 0; i < length / 2; i++) {
			uint8_t byte = frame->data[i];
			frame->data[i] = frame->data[length - 1 - i];
			frame->data[length - 1 - i] = byte;
		}
	}
	frame->len = (uint8_t)kept;
	skip_space(&p, end);
	/* Characters in quotes (or back quotes with -S) and the word for an error frame may follow.
	 */
	if (p < end && *p != '\'' && *p != '`' && !starts_with(p, end, "ERRORFRAME")) {
		return "more data than its length says";
	}
	return NULL;
}

static const char *parse_text_frame(const uint8_t *at, const uint8_t *end, struct text_frame *out)
{
	struct frame *frame = &out->frame;
	const char *wrong = capture_text_take_bus(&at, end, out);
	uint32_t id = 0;
	size_t digits = 0;
	size_t length = 0;
	bool fd = false;

	if (wrong != NULL) {
		return wrong;
	}
	skip_direction(&at, end);
	*frame = (struct frame){0};
	while (at < end && capture_text_hex_digit(*at) >= 0 && digits < 8) {
		id = id << 4 | (uint32_t)capture_text_hex_digit(*at++);
		digits++;
	}
	if ((digits != 3 && digits != 8) || at == end || !capture_text_is_space(*at)) {
		return "no identifier of 3 or 8 digits";
	}
	frame->kind = digits == 8 ? FRAME_EXTENDED : FRAME_STANDARD;
	if (digits == 8 && (id & ~UINT32_C(0x1fffffff)) == UINT32_C(0x20000000)) {
		frame->kind = FRAME_ERROR; /* linux/can.h, CAN_ERR_FLAG */
		id &= UINT32_C(0x1fffffff);
	}
	if (id > (digits == 8 ? UINT32_C(0x1fffffff) : UINT32_C(0x7ff))) {
		return "the identifier is out of range";
	}
	frame->id = id;
	skip_space(&at, end);
	wrong = take_length(&at, end, &length, &fd);
	if (wrong != NULL) {
		return wrong;
	}
	skip_space(&at, end);
	if (starts_with(at, end, "remote request")) {
		frame->kind = FRAME_REMOTE;
		out->whole = true;
		return NULL;
	}
	if (fd) {
		frame->kind = FRAME_OTHER;
	}
	/* The last of the data is whole: a byte has two digits. But without data it may have been
	 * about to say that it is a remote request. */
	out->whole = length > 0;
	return take_text_data(at, end, length, frame);
}

bool capture_candump_text_without_times(const uint8_t *bytes, size_t size)
{
	const uint8_t *end = bytes + size;
	struct text_frame found;

	while (bytes < end && (capture_text_is_space(*bytes) || *bytes == '\n' || *bytes == '\r')) {
		bytes++;
	}
	const uint8_t *line_end = bytes < end ? memchr(bytes, '\n', (size_t)(end - bytes)) : NULL;
	return line_end != NULL && parse_text_frame(bytes, line_end, &found) == NULL;
}

static bool candump_text_recognise(const uint8_t *bytes, size_t size, bool ended)
{
	return capture_text_recognise(parse_text_frame, bytes, size, ended);
}

static int candump_text_start(
	void *state, struct capture_input *input, char *ret_error, size_t error_size)
{
	struct text_state *text = state;

	(void)ret_error;
	(void)error_size;
	capture_text_start(&text->text, parse_text_frame, input);
	return 0;
}

static size_t candump_text_read(
	void *state, struct capture_input *input, struct frame *frames, size_t count)
{
	struct text_state *text = state;

	return capture_text_read(&text->text, input, frames, count);
}

const struct capture_format capture_candump_text = {
	.name = "candump text",
	.state_size = sizeof(struct text_state),
	.recognise = candump_text_recognise,
	.start = candump_text_start,
	.read = candump_text_read,
};
