/* capture_text.h: captures that are lines of text, each with a stamp in parentheses.
 *
 * Finds the lines, reads their stamps, decides what the stamps count from, sorts out blank lines,
 * comments and drop notes, and gets over damage. What stands behind the stamp is the matter of the
 * format: candump's log lines, or its screen text.
 *
 * The stamps of a file are absolute when the first is a date, or at least 1e8 s. Else they are
 * deltas when more than one in ten of the first TEXT_CLOCK_LINES lines has a lower stamp than the
 * line before it, and count from the start of the recording when not.
 */
#ifndef SIGHTBOWL_REPLAY_CAPTURE_TEXT_H
#define SIGHTBOWL_REPLAY_CAPTURE_TEXT_H

#include "replay/capture_format.h"

#define TEXT_LINE_MAX	 (16u * 1024u) /* longer is damage; CAN XL has some 6 KiB */
#define TEXT_CLOCK_LINES 1000u

struct text_frame {
	int64_t stamp_ns;
	const uint8_t *bus;
	size_t bus_length;
	bool whole; /* nothing that belongs to it can be missing, even if its line has no end */
	struct frame frame; /* all but t_ns and bus */
};

/* Reads bus, identifier and data at [at, end), which is a line without its stamp and line end.
 * Returns NULL, or what is wrong. */
typedef const char *(*text_frame_parse)(
	const uint8_t *at, const uint8_t *end, struct text_frame *out);

struct text_reader {
	text_frame_parse parse;
	uint64_t line;	   /* lines taken so far */
	/* Whether a compressed stream still gives text: rises with damaged lines, falls with others. */
	uint64_t doubt;
	uint64_t doubt_line; /* line of the last rise */
	bool in_long_line; /* the start of the line in the window has been given up */
	uint64_t long_line_offset;
};

bool capture_text_recognise(text_frame_parse parse, const uint8_t *bytes, size_t size, bool ended);
void capture_text_start(
	struct text_reader *reader, text_frame_parse parse, struct capture_input *input);

enum text_step {
	TEXT_FRAME, /* a line was taken, and it gave a frame */
	TEXT_LINE,  /* a line was taken */
	TEXT_WAIT,  /* no whole line is in the window and may_wait was false */
	TEXT_END,
};
/* Takes one line. */
enum text_step capture_text_take_line(
	struct text_reader *reader, struct capture_input *input, bool may_wait, struct frame *out);
/* The read function of a text format without a faster way. */
size_t capture_text_read(struct text_reader *reader, struct capture_input *input,
	struct frame *frames, size_t count);

/* Characters. */
static inline int capture_text_hex_digit(uint8_t c) /* 0 .. 15, or -1 */
{
	unsigned decimal = (unsigned)c - '0';
	unsigned letter = ((unsigned)c | 0x20u) - 'a';

	if (decimal < 10) {
		return (int)decimal;
	}
	return letter < 6 ? (int)letter + 10 : -1;
}
static inline bool capture_text_is_space(uint8_t c)
{
	return c == ' ' || c == '\t';
}
/* Takes a bus name and the space behind it. NULL, or what is wrong. */
const char *capture_text_take_bus(const uint8_t **at, const uint8_t *end, struct text_frame *out);

#endif
