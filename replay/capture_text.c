#include "replay/capture_text.h"

#include <string.h>

#define LONG_LINE_TAIL 1024u /* what is kept of a line that is given up, to find a frame in */

const char *capture_text_take_bus(const uint8_t **at, const uint8_t *end, struct text_frame *out)
{
	const uint8_t *p = *at;

	while (p < end && capture_text_is_space(*p)) {
		p++;
	}
	out->bus = p;
	while (p<end && * p> ' ' && *p < 0x7f) {
		p++;
	}
	out->bus_length = (size_t)(p - out->bus);
	if (out->bus_length == 0 || out->bus_length >= CAPTURE_BUS_NAME_MAX) {
		return "no bus name";
	}
	if (p == end || !capture_text_is_space(*p)) {
		return "nothing behind the bus name";
	}
	while (p < end && capture_text_is_space(*p)) {
		p++;
	}
	*at = p;
	return NULL;
}

/* ---- stamps ---- */

/* Digits as a number below limit; false when there are none or too many. */
static bool take_number(const uint8_t **at, const uint8_t *end, int64_t limit, int64_t *out)
{
	const uint8_t *p = *at;
	int64_t value = 0;

	while (p < end && *p >= '0' && *p <= '9') {
		value = value * 10 + (*p++ - '0');
		if (value >= limit) {
			return false;
		}
	}
	if (p == *at) {
		return false;
	}
	*at = p;
	*out = value;
	return true;
}

static bool take_char(const uint8_t **at, const uint8_t *end, uint8_t c)
{
	if (*at == end || **at != c) {
		return false;
	}
	++*at;
	return true;
}

/* ".123456": 1 to 9 digits. */
static bool take_fraction(const uint8_t **at, const uint8_t *end, int64_t *out_ns)
{
	if (!take_char(at, end, '.')) {
		return false;
	}
	const uint8_t *first = *at;
	if (!take_number(at, end, NS_PER_S, out_ns) || *at - first > 9) {
		return false;
	}
	for (ptrdiff_t digits = *at - first; digits < 9; digits++) {
		*out_ns *= 10;
	}
	return true;
}

/* Days from 1970-01-01 to a day of the Gregorian calendar; years from 1970 on. */
static int64_t days_since_1970(int64_t year, int64_t month, int64_t day)
{
	static const int16_t before_month[] = {
		0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334};
	int64_t past = year - 1;
	int64_t leap_days =
		(past / 4 - past / 100 + past / 400) - (1969 / 4 - 1969 / 100 + 1969 / 400);
	bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;

	return (year - 1970) * 365 + leap_days + before_month[month - 1] +
	       (leap && month > 2 ? 1 : 0) + day - 1;
}

/* "(1436509053.850870)" or "(2015-07-10 08:17:33.850870)", which candump writes in the recorder's
 * local time without saying which: it is read as UTC. */
static const char *take_stamp(const uint8_t **at, const uint8_t *end, int64_t *out_ns)
{
	const uint8_t *p = *at;
	int64_t seconds = 0;
	int64_t fraction_ns = 0;

	while (p < end && capture_text_is_space(*p)) {
		p++;
	}
	if (!take_char(&p, end, '(')) {
		return "no time at the start of the line";
	}
	if (!take_number(&p, end, INT64_MAX / NS_PER_S, &seconds)) {
		return "the time is no number in range";
	}
	if (p < end && *p == '-') {
		int64_t year = seconds;
		int64_t month = 0;
		int64_t day = 0;
		int64_t hour = 0;
		int64_t minute = 0;
		int64_t second = 0;
		bool good = take_char(&p, end, '-') && take_number(&p, end, 13, &month) &&
			    take_char(&p, end, '-') && take_number(&p, end, 32, &day) &&
			    take_char(&p, end, ' ') && take_number(&p, end, 24, &hour) &&
			    take_char(&p, end, ':') && take_number(&p, end, 60, &minute) &&
			    take_char(&p, end, ':') && take_number(&p, end, 61, &second);
		if (!good || year < 1970 || year > 2261 || month == 0 || day == 0) {
			return "the date is not in range";
		}
		seconds = days_since_1970(year, month, day) * 86400 + hour * 3600 + minute * 60 +
			  second;
	}
	if (!take_fraction(&p, end, &fraction_ns) || !take_char(&p, end, ')')) {
		return "the time is not complete";
	}
	*out_ns = seconds * NS_PER_S + fraction_ns;
	*at = p;
	return NULL;
}

/* ---- lines ---- */

static const char *parse_line(
	text_frame_parse parse, const uint8_t *at, const uint8_t *end, struct text_frame *out)
{
	const char *wrong = take_stamp(&at, end, &out->stamp_ns);

	if (wrong != NULL) {
		return wrong;
	}
	if (at == end || !capture_text_is_space(*at)) {
		return "nothing behind the time";
	}
	return parse(at, end, out);
}

/* The end of a line without carriage return and trailing spaces. */
static const uint8_t *trim(const uint8_t *at, const uint8_t *end)
{
	while (end > at && (end[-1] == '\r' || capture_text_is_space(end[-1]))) {
		end--;
	}
	return end;
}

static const uint8_t *find_line_end(const uint8_t *at, const uint8_t *end)
{
	return at == end ? NULL : memchr(at, '\n', (size_t)(end - at));
}

/* Goes through the lines of the first bytes; false when there is no other one. The last one without
 * an end counts only when the file has ended. */
static bool next_line(const uint8_t **at, const uint8_t *end, bool ended, const uint8_t **ret_line,
	const uint8_t **ret_line_end)
{
	const uint8_t *line_end = find_line_end(*at, end);

	if (*at == end || (line_end == NULL && !ended)) {
		return false;
	}
	*ret_line = *at;
	*ret_line_end = trim(*at, line_end != NULL ? line_end : end);
	*at = line_end != NULL ? line_end + 1 : end;
	return true;
}

static const uint8_t *skip_byte_order_mark(const uint8_t *at, const uint8_t *end)
{
	return end - at >= 3 && memcmp(at, "\xef\xbb\xbf", 3) == 0 ? at + 3 : at;
}

bool capture_text_recognise(text_frame_parse parse, const uint8_t *bytes, size_t size, bool ended)
{
	const uint8_t *end = bytes + size;
	const uint8_t *at = skip_byte_order_mark(bytes, end);
	const uint8_t *line = NULL;
	const uint8_t *line_end = NULL;
	struct text_frame found;

	while (next_line(&at, end, ended, &line, &line_end)) {
		if (parse_line(parse, line, line_end, &found) == NULL) {
			return true;
		}
	}
	return false;
}

/* Whether more than one stamp in ten goes down. Waits for enough lines to tell. */
static bool stamps_are_deltas(text_frame_parse parse, struct capture_input *input)
{
	struct byte_source *source = &input->source;

	for (;;) {
		const uint8_t *at = source->at;
		const uint8_t *line = NULL;
		const uint8_t *line_end = NULL;
		struct text_frame found;
		size_t lines = 0;
		size_t down = 0;
		int64_t last_ns = 0;

		while (lines < TEXT_CLOCK_LINES &&
			next_line(&at, source->end, source->ended, &line, &line_end)) {
			if (parse_line(parse, line, line_end, &found) != NULL) {
				continue;
			}
			down += lines > 0 && found.stamp_ns < last_ns ? 1 : 0;
			last_ns = found.stamp_ns;
			lines++;
		}
		if (lines == TEXT_CLOCK_LINES ||
			!byte_source_need(source, byte_source_left(source) + 1)) {
			return down * 10 > lines;
		}
	}
}

void capture_text_start(
	struct text_reader *reader, text_frame_parse parse, struct capture_input *input)
{
	struct byte_source *source = &input->source;
	struct text_frame found;
	const uint8_t *line = NULL;
	const uint8_t *line_end = NULL;

	reader->parse = parse;
	source->at = skip_byte_order_mark(source->at, source->end);
	const uint8_t *at = source->at;
	while (next_line(&at, source->end, source->ended, &line, &line_end)) {
		if (parse_line(parse, line, line_end, &found) == NULL) {
			input->stamps.relative = found.stamp_ns < CAPTURE_ABSOLUTE_FROM_NS;
			break;
		}
	}
	input->stamps.delta = input->stamps.relative && stamps_are_deltas(parse, input);
}

/* Number behind "DROPCOUNT: dropped ", a note of the recorder's own. */
static bool is_drop_note(const uint8_t *at, const uint8_t *end, int64_t *out_dropped)
{
	static const char start[] = "DROPCOUNT: dropped ";
	size_t length = sizeof(start) - 1;

	if ((size_t)(end - at) <= length || memcmp(at, start, length) != 0) {
		return false;
	}
	at += length;
	return take_number(&at, end, INT64_C(1) << 48, out_dropped);
}

/* Lines that are no frames and no damage. An indented line that does not begin with a stamp is
 * candump's explanation of the error frame above it. */
static bool is_remark(const uint8_t *at, const uint8_t *end)
{
	const uint8_t *p = at;

	while (p < end && capture_text_is_space(*p)) {
		p++;
	}
	return p == end || *p == '#' || *p == ';' ||
	       (*at == '\t' && *p != '(' && *p > ' ' && *p < 0x7f);
}

static const char *deliver(
	const struct text_frame *found, struct capture_input *input, struct frame *out)
{
	int bus = bus_names_find(input->buses, (const char *)found->bus, found->bus_length);
	int64_t t_ns = 0;

	/* The stamp first: a delta counts even if its frame is not to be had. */
	if (!capture_stamps_put(&input->stamps, found->stamp_ns, &t_ns)) {
		return "the time is out of range";
	}
	if (bus < 0) {
		return "more buses than can be told apart";
	}
	*out = found->frame;
	out->t_ns = t_ns;
	out->bus = (uint8_t)bus;
	return NULL;
}

/* A damaged line may hold a whole frame behind the damage: one line cut short by a power failure
 * and the next one written right behind it. */
static bool find_frame_behind(struct text_reader *reader, struct capture_input *input,
	const uint8_t *at, const uint8_t *end, struct frame *out)
{
	struct text_frame found = {0};

	for (const uint8_t *p = end; p > at + 1;) {
		p--;
		if (*p == '(') {
			return parse_line(reader->parse, p, end, &found) == NULL &&
			       deliver(&found, input, out) == NULL;
		}
	}
	return false;
}

/* Once most of some dozens of lines are damaged, a compressed stream is taken to be broken rather
 * than its text. */
#define DOUBT_DAMAGED UINT64_C(5)
#define DOUBT_MOST    UINT64_C(256)

static void doubt(struct text_reader *reader, struct capture_input *input)
{
	uint64_t fine = reader->line - reader->doubt_line;

	if (*byte_source_compression(&input->source) == '\0') {
		return;
	}
	reader->doubt = DOUBT_DAMAGED + (reader->doubt > fine ? reader->doubt - fine : 0);
	reader->doubt_line = reader->line;
	if (reader->doubt >= DOUBT_MOST) {
		reader->doubt = 0;
		byte_source_give_up(&input->source);
	}
}

static enum text_step take(struct text_reader *reader, struct capture_input *input,
	const uint8_t *at, const uint8_t *line_end, bool has_end, struct frame *out)
{
	const uint8_t *end = trim(at, line_end);
	uint64_t offset = reader->in_long_line ? reader->long_line_offset
					       : byte_source_offset(&input->source, at);
	struct text_frame found = {0};
	int64_t dropped = 0;
	const char *wrong = "the line is too long";

	reader->line++;
	if (!reader->in_long_line) {
		if (is_remark(at, end)) {
			return TEXT_LINE;
		}
		if (is_drop_note(at, end, &dropped)) {
			input->dropped += (uint64_t)dropped;
			return TEXT_LINE;
		}
		wrong = parse_line(reader->parse, at, end, &found);
		if (!has_end && (wrong != NULL || !found.whole)) {
			capture_input_cut(input, offset, reader->line, "the last line is cut");
			return TEXT_LINE;
		}
		if (wrong == NULL) {
			wrong = deliver(&found, input, out);
		}
		if (wrong == NULL) {
			return TEXT_FRAME;
		}
	}
	reader->in_long_line = false;
	if (!has_end) {
		capture_input_cut(input, offset, reader->line, wrong);
		return TEXT_LINE;
	}
	capture_input_damaged(input, offset, reader->line, wrong);
	if (find_frame_behind(reader, input, at, end, out)) {
		return TEXT_FRAME;
	}
	doubt(reader, input);
	return TEXT_LINE;
}

enum text_step capture_text_take_line(
	struct text_reader *reader, struct capture_input *input, bool may_wait, struct frame *out)
{
	struct byte_source *source = &input->source;
	size_t searched = 0;

	for (;;) {
		const uint8_t *at = source->at;
		const uint8_t *line_end = find_line_end(at + searched, source->end);
		if (line_end != NULL) {
			if ((size_t)(line_end - at) > TEXT_LINE_MAX && !reader->in_long_line) {
				reader->in_long_line = true;
				reader->long_line_offset = byte_source_offset(source, at);
				at = line_end - LONG_LINE_TAIL;
			}
			source->at = line_end + 1;
			return take(reader, input, at, line_end, true, out);
		}
		searched = byte_source_left(source);
		if (searched > TEXT_LINE_MAX) {
			if (!reader->in_long_line) {
				reader->in_long_line = true;
				reader->long_line_offset = byte_source_offset(source, at);
			}
			source->at = source->end - LONG_LINE_TAIL;
			searched = LONG_LINE_TAIL;
		}
		if (!source->ended && !may_wait) {
			return TEXT_WAIT;
		}
		if (!byte_source_need(source, searched + 1)) {
			if (searched == 0 && !reader->in_long_line) {
				return TEXT_END;
			}
			at = source->at;
			source->at = source->end;
			return take(reader, input, at, source->end, false, out);
		}
	}
}

size_t capture_text_read(
	struct text_reader *reader, struct capture_input *input, struct frame *frames, size_t count)
{
	size_t made = 0;

	while (made < count) {
		enum text_step step =
			capture_text_take_line(reader, input, made == 0, &frames[made]);
		if (step == TEXT_FRAME) {
			made++;
		} else if (step != TEXT_LINE) {
			break;
		}
	}
	return made;
}
