/* Lines as candump -L and candump -l write them:
 *
 *   (1436509053.850870) vcan0 1CEBFF03#014E4F5300000000
 *
 * can-utils lib.c, sprint_canframe() and parse_canframe(): three hexadecimal digits are an 11-bit
 * identifier, eight a 29-bit one, or an error frame when bit 29 is set; '#' then data, 'R' (remote
 * request, perhaps with a length) or a second '#' (CAN FD); '_' and a digit give a raw length code
 * above 8; dots may part the data bytes; ' R' or ' T' behind it says received or sent.
 *
 * Nearly every line of a real log has one shape: ten digits of seconds, six or nine decimals, a bus
 * that was there before, a 29-bit identifier, data without dots. Such lines are read eight
 * characters at a time; any doubt hands the line to the careful reader, so the fast one decides
 * nothing on its own.
 */
#include "replay/capture_text.h"

#include <string.h>

#define FAST_LINE_MAX 128u  /* the fast reader never looks further than this behind a line's start \
			     */
#define BUS_PATTERN_MAX 16u /* characters between the time and the identifier */

#define CAN_EFF_ID_MAX	  0x1fffffffu
#define CAN_SFF_ID_MAX	  0x7ffu
#define CAN_ERROR_FLAG	  0x20000000u /* linux/can.h, CAN_ERR_FLAG */
#define LENGTH_CODE_LEAST 9

/* A number of 64 bits, its lowest byte the first of eight. */
static inline uint64_t load_8(const uint8_t *p)
{
	return (uint64_t)p[0] | (uint64_t)p[1] << 8 | (uint64_t)p[2] << 16 | (uint64_t)p[3] << 24 |
	       (uint64_t)p[4] << 32 | (uint64_t)p[5] << 40 | (uint64_t)p[6] << 48 |
	       (uint64_t)p[7] << 56;
}

/* ---- the careful reader ---- */

static const char *take_data(
	const uint8_t **at, const uint8_t *end, struct frame *frame, size_t data_max)
{
	const uint8_t *p = *at;
	size_t count = 0;

	while (p < end) {
		if (*p == '.' && count > 0) {
			p++;
			if (p == end || capture_text_hex_digit(*p) < 0) {
				return "no digits behind a dot";
			}
		}
		int high = capture_text_hex_digit(*p);
		if (high < 0) {
			break;
		}
		int low = p + 1 < end ? capture_text_hex_digit(p[1]) : -1;
		if (low < 0) {
			return "half a data byte";
		}
		if (count == data_max) {
			return "more data than a frame holds";
		}
		if (count < FRAME_DATA_MAX) {
			frame->data[count] = (uint8_t)(high << 4 | low);
		}
		count++;
		p += 2;
	}
	frame->len = (uint8_t)(count < FRAME_DATA_MAX ? count : FRAME_DATA_MAX);
	*at = p;
	return NULL;
}

/* "81:00:12345678#", what stands between '#' and data in a CAN XL line. */
static bool take_xl_header(const uint8_t **at, const uint8_t *end)
{
	static const uint8_t shape[] = "hh:hh:hhhhhhhh#";
	const uint8_t *p = *at;

	for (size_t i = 0; shape[i] != '\0'; i++, p++) {
		if (p == end ||
			(shape[i] == 'h' ? capture_text_hex_digit(*p) < 0 : *p != shape[i])) {
			return false;
		}
	}
	*at = p;
	return true;
}

/* Whether [at, end) is nothing, or " R", " T" and what extra notes follow. */
static const char *check_rest(const uint8_t *at, const uint8_t *end)
{
	return at == end || capture_text_is_space(*at)
		       ? NULL
		       : "characters that do not belong to the data";
}

static const char *take_remote(const uint8_t *at, const uint8_t *end, struct text_frame *out)
{
	bool length_8 = false;

	out->frame.kind = FRAME_REMOTE;
	if (at < end && *at >= '0' && *at <= '8') {
		length_8 = *at == '8';
		at++;
	}
	if (at + 1 < end && *at == '_' && length_8 &&
		capture_text_hex_digit(at[1]) >= LENGTH_CODE_LEAST) {
		at += 2;
	}
	out->whole = at < end; /* a length may be missing, unless " R" follows */
	return check_rest(at, end);
}

static const char *parse_log_frame(const uint8_t *at, const uint8_t *end, struct text_frame *out)
{
	struct frame *frame = &out->frame;
	const char *wrong = capture_text_take_bus(&at, end, out);
	uint32_t id = 0;
	size_t digits = 0;

	if (wrong != NULL) {
		return wrong;
	}
	*frame = (struct frame){0};
	while (at < end && capture_text_hex_digit(*at) >= 0 && digits < 8) {
		id = id << 4 | (uint32_t)capture_text_hex_digit(*at++);
		digits++;
	}
	if ((digits != 3 && digits != 5 && digits != 8) || at == end || *at != '#') {
		return "no identifier of 3 or 8 digits";
	}
	at++;
	if (take_xl_header(&at, end)) {
		frame->kind = FRAME_OTHER;
		frame->id = id & CAN_SFF_ID_MAX; /* the priority; virtual network above it */
		wrong = take_data(&at, end, frame, 2048);
		out->whole = at < end;
		return wrong != NULL ? wrong : check_rest(at, end);
	}
	if (digits == 8 && id > CAN_EFF_ID_MAX && (id & ~CAN_EFF_ID_MAX) == CAN_ERROR_FLAG) {
		frame->kind = FRAME_ERROR;
		id &= CAN_EFF_ID_MAX;
	} else if (digits == 5 || id > (digits == 8 ? CAN_EFF_ID_MAX : CAN_SFF_ID_MAX)) {
		return "the identifier is out of range";
	} else {
		frame->kind = digits == 8 ? FRAME_EXTENDED : FRAME_STANDARD;
	}
	frame->id = id;
	if (at < end && *at == '#') {
		at++;
		if (at == end || capture_text_hex_digit(*at) < 0) {
			return "no CAN FD flags";
		}
		at++;
		frame->kind = FRAME_OTHER;
		wrong = take_data(&at, end, frame, 64);
		out->whole = at < end;
		return wrong != NULL ? wrong : check_rest(at, end);
	}
	if (at < end && (*at == 'R' || *at == 'r')) {
		return take_remote(at + 1, end, out);
	}
	wrong = take_data(&at, end, frame, FRAME_DATA_MAX);
	if (wrong != NULL) {
		return wrong;
	}
	out->whole = frame->len == FRAME_DATA_MAX || at < end;
	if (at + 1 < end && *at == '_' && frame->len == FRAME_DATA_MAX &&
		capture_text_hex_digit(at[1]) >= LENGTH_CODE_LEAST) {
		at += 2;
	}
	return check_rest(at, end);
}

/* ---- the fast reader ---- */

/* What stands between time and identifier, as it was in an earlier line. */
struct bus_pattern {
	uint64_t low;
	uint64_t low_mask;
	uint64_t high;
	uint64_t high_mask;
	uint8_t length;
	uint8_t bus;
};

struct log_state {
	struct text_reader text;
	uint64_t head_low;  /* "(1436509", the first characters of the line before */
	uint32_t head_high; /* "053." */
	int64_t head_ns;    /* the time that they stand for */
	bool has_head;
	size_t pattern_count;
	struct bus_pattern patterns[FRAME_BUS_MAX];
};

#define EACH_BYTE(b) (UINT64_C(0x0101010101010101) * (b))

/* 0x80 in each byte that is a decimal digit. */
static inline uint64_t decimal_bytes(uint64_t x)
{
	/* No byte is above 0x7f once masked, so no sum carries into the next. */
	uint64_t low = x & EACH_BYTE(0x7f);
	uint64_t from_0 = low + EACH_BYTE(0x80 - '0');
	uint64_t above_9 = low + EACH_BYTE(0x80 - '9' - 1);

	return from_0 & ~above_9 & ~x & EACH_BYTE(0x80);
}

/* 0x80 in each byte that is a hexadecimal digit. */
static inline uint64_t hex_bytes(uint64_t x)
{
	uint64_t low = x & EACH_BYTE(0x7f);
	uint64_t lower_case = low | EACH_BYTE(0x20);
	uint64_t decimal = (low + EACH_BYTE(0x80 - '0')) & ~(low + EACH_BYTE(0x80 - '9' - 1));
	uint64_t letter =
		(lower_case + EACH_BYTE(0x80 - 'a')) & ~(lower_case + EACH_BYTE(0x80 - 'f' - 1));

	return (decimal | letter) & ~x & EACH_BYTE(0x80);
}

/* The four bytes that eight hexadecimal digits stand for; the first in the lowest byte. */
static inline uint32_t hex_value(uint64_t x)
{
	uint64_t nibbles = (x & EACH_BYTE(0x0f)) + ((x >> 6) & EACH_BYTE(0x01)) * 9;
	uint64_t pairs = (nibbles << 4 | nibbles >> 8) & UINT64_C(0x00ff00ff00ff00ff);

	pairs = (pairs | pairs >> 8) & UINT64_C(0x0000ffff0000ffff);
	return (uint32_t)(pairs | pairs >> 16);
}

/* The number that eight decimal digits stand for. */
static inline uint32_t decimal_value(uint64_t x)
{
	x &= EACH_BYTE(0x0f);
	x = (x * 10 + (x >> 8)) & UINT64_C(0x00ff00ff00ff00ff);
	x = (x * 100 + (x >> 16)) & UINT64_C(0x0000ffff0000ffff);
	return (uint32_t)(x * 10000 + (x >> 32));
}

/* How many bytes from the first on are marked with 0x80; not all eight are. */
static inline size_t leading_marks(uint64_t marks)
{
	uint64_t others = ~marks & EACH_BYTE(0x80);
	uint64_t below = (others & (~others + 1)) - 1; /* all bits below the lowest that is set */

	return (size_t)(((below & EACH_BYTE(0x01)) * EACH_BYTE(0x01)) >> 56) - 1;
}

static inline uint32_t swap_bytes(uint32_t x)
{
	return x >> 24 | (x >> 8 & 0xff00u) | (x & 0xff00u) << 8 | x << 24;
}

static inline void store_4(uint8_t *p, uint32_t x)
{
	p[0] = (uint8_t)x;
	p[1] = (uint8_t)(x >> 8);
	p[2] = (uint8_t)(x >> 16);
	p[3] = (uint8_t)(x >> 24);
}

/* Reads "(1436509053." again when the second has changed. False leaves the line to the careful
 * reader. */
static bool learn_head(struct log_state *state, struct capture_input *input, const uint8_t *line)
{
	uint64_t first = load_8(line + 1);
	uint64_t second = load_8(line + 9);

	if (line[0] != '(' || line[11] != '.' || input->stamps.delta ||
		(input->stamps.relative && !input->stamps.started) ||
		decimal_bytes(first) != EACH_BYTE(0x80) ||
		(decimal_bytes(second) & 0x8080) != 0x8080) {
		return false;
	}
	int64_t seconds =
		(int64_t)decimal_value(first) * 100 + (line[9] - '0') * 10 + (line[10] - '0');
	int64_t ns = 0;
	if (seconds >= INT64_MAX / NS_PER_S ||
		!capture_stamps_put(&input->stamps, seconds * NS_PER_S, &ns) ||
		ns > INT64_MAX - NS_PER_S) {
		return false;
	}
	state->head_low = load_8(line);
	state->head_high = (uint32_t)(load_8(line + 8) & 0xffffffffu);
	state->head_ns = ns;
	state->has_head = true;
	return true;
}

/* Keeps the bus of the line that ends at line_end and that the careful reader has just read. */
static void learn_bus(
	struct log_state *state, const uint8_t *window, const uint8_t *line_end, uint8_t bus)
{
	const uint8_t *close = line_end;
	struct bus_pattern pattern = {.bus = bus};

	if (state->pattern_count == FRAME_BUS_MAX) {
		return;
	}
	while (close > window && *close != ')') {
		close--;
	}
	const uint8_t *p = close + 1;
	while (p < line_end && *p == ' ') {
		p++;
	}
	while (p < line_end && *p != ' ') {
		p++;
	}
	while (p < line_end && *p == ' ') {
		p++;
	}
	size_t length = (size_t)(p - close - 1);
	if (length == 0 || length > BUS_PATTERN_MAX) {
		return;
	}
	for (size_t i = 0; i < length; i++) {
		uint64_t *word = i < 8 ? &pattern.low : &pattern.high;
		uint64_t *mask = i < 8 ? &pattern.low_mask : &pattern.high_mask;
		*word |= (uint64_t)close[1 + i] << i % 8 * 8;
		*mask |= (uint64_t)0xff << i % 8 * 8;
	}
	pattern.length = (uint8_t)length;
	state->patterns[state->pattern_count++] = pattern;
}

static bool knows_bus(const struct log_state *state, uint8_t bus)
{
	for (size_t i = 0; i < state->pattern_count; i++) {
		if (state->patterns[i].bus == bus) {
			return true;
		}
	}
	return false;
}

static inline const struct bus_pattern *find_bus(struct log_state *state, const uint8_t *at)
{
	uint64_t low = load_8(at);
	uint64_t high = load_8(at + 8);

	for (size_t i = 0; i < state->pattern_count; i++) {
		const struct bus_pattern *pattern = &state->patterns[i];
		if ((((low ^ pattern->low) & pattern->low_mask) |
			    ((high ^ pattern->high) & pattern->high_mask)) == 0) {
			return pattern;
		}
	}
	return NULL;
}

/* Reads the line at line, of which FAST_LINE_MAX bytes may be looked at. Returns the start of the
 * next line, or NULL when the line is for the careful reader. */
static inline const uint8_t *read_fast(struct log_state *state, struct capture_input *input,
	const uint8_t *line, struct frame *out)
{
	if (load_8(line) != state->head_low ||
		(uint32_t)(load_8(line + 8) & 0xffffffffu) != state->head_high ||
		!state->has_head) {
		if (!learn_head(state, input, line)) {
			return NULL;
		}
	}
	uint64_t decimals = load_8(line + 12);
	uint64_t digits = decimal_bytes(decimals);
	int64_t fraction_ns = 0;
	const uint8_t *at = line + 19;
	if (line[18] == ')' &&
		(digits & UINT64_C(0x0000808080808080)) == UINT64_C(0x0000808080808080)) {
		/* Six digits, moved behind two zeros. */
		fraction_ns = (int64_t)decimal_value(decimals << 16) * 1000;
	} else if (line[21] == ')' && digits == EACH_BYTE(0x80) && line[20] >= '0' &&
		   line[20] <= '9') {
		fraction_ns = (int64_t)decimal_value(decimals) * 10 + (line[20] - '0');
		at += 3;
	} else {
		return NULL;
	}
	const struct bus_pattern *bus = find_bus(state, at);
	if (bus == NULL) {
		return NULL;
	}
	at += bus->length;
	uint64_t id_text = load_8(at);
	if (hex_bytes(id_text) != EACH_BYTE(0x80) || at[8] != '#') {
		return NULL;
	}
	uint32_t id = swap_bytes(hex_value(id_text));
	if (id > CAN_EFF_ID_MAX) {
		return NULL;
	}
	at += 9;
	uint64_t low = load_8(at);
	uint64_t high = load_8(at + 8);
	uint64_t low_marks = hex_bytes(low);
	uint64_t high_marks = hex_bytes(high);
	size_t data_digits = 16;
	if ((low_marks & high_marks) != EACH_BYTE(0x80)) {
		/* Digits behind the end of the data are taken for zeros. */
		if (low_marks != EACH_BYTE(0x80)) {
			data_digits = leading_marks(low_marks);
			low &= (UINT64_C(1) << data_digits * 8) - 1;
			high = 0;
		} else {
			data_digits = 8 + leading_marks(high_marks);
			high &= (UINT64_C(1) << (data_digits - 8) * 8) - 1;
		}
	}
	at += data_digits;
	at += *at == '\r' ? 1 : 0;
	if (data_digits % 2 != 0 || *at != '\n') {
		return NULL;
	}
	out->t_ns = state->head_ns + fraction_ns;
	out->id = id;
	out->kind = FRAME_EXTENDED;
	out->bus = bus->bus;
	out->len = (uint8_t)(data_digits / 2);
	out->spare = 0;
	store_4(out->data, hex_value(low));
	store_4(out->data + 4, hex_value(high));
	return at + 1;
}

static bool log_recognise(const uint8_t *bytes, size_t size, bool ended)
{
	return capture_text_recognise(parse_log_frame, bytes, size, ended);
}

static int log_start(void *state, struct capture_input *input, char *ret_error, size_t error_size)
{
	struct log_state *log = state;

	(void)ret_error;
	(void)error_size;
	capture_text_start(&log->text, parse_log_frame, input);
	return 0;
}

static size_t log_read(
	void *opaque, struct capture_input *input, struct frame *frames, size_t count)
{
	struct log_state *state = opaque;
	struct byte_source *source = &input->source;
	size_t made = 0;

	while (made < count) {
		const uint8_t *at = source->at;
		uint64_t line = state->text.line;
		while (made < count && source->end - at >= (ptrdiff_t)FAST_LINE_MAX &&
			!state->text.in_long_line) {
			const uint8_t *next = read_fast(state, input, at, &frames[made]);
			if (next == NULL) {
				break;
			}
			at = next;
			line++;
			made++;
		}
		source->at = at;
		state->text.line = line;
		if (made == count) {
			break;
		}
		enum text_step step =
			capture_text_take_line(&state->text, input, made == 0, &frames[made]);
		if (step == TEXT_FRAME) {
			if (!knows_bus(state, frames[made].bus)) {
				/* The line is still in the window, just before its end. */
				learn_bus(state, source->window, source->at - 1, frames[made].bus);
			}
			made++;
		} else if (step != TEXT_LINE) {
			break;
		}
	}
	return made;
}

const struct capture_format capture_candump_log = {
	.name = "candump log",
	.state_size = sizeof(struct log_state),
	.recognise = log_recognise,
	.start = log_start,
	.read = log_read,
};
