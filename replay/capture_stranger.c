/* What a file that is no capture seems to be, so that the message can say it. */
#include "replay/capture_format.h"

#include <stdio.h>
#include <string.h>

struct magic {
	const char *words;
	size_t offset;
	size_t size;
	const char *bytes;
};

#define MAGIC(words, offset, bytes)                     \
	{                                               \
		words, offset, sizeof(bytes) - 1, bytes \
	}

/* From the formats' own specifications, as collected in the public magic file of file(1). */
static const struct magic magics[] = {
	MAGIC("a SQLite database", 0, "SQLite format 3"),
	MAGIC("a zip archive; unpack it first", 0, "PK\x03\x04"),
	MAGIC("an xz file; unpack it first", 0,
		"\xfd"
		"7zXZ"),
	MAGIC("a bzip2 file; unpack it first", 0, "BZh"),
	MAGIC("an lz4 file; unpack it first", 0, "\x04\x22\x4d\x18"),
	MAGIC("a 7z archive; unpack it first", 0, "7z\xbc\xaf\x27\x1c"),
	MAGIC("a tar archive; unpack it first", 257, "ustar"),
	MAGIC("a gzip file that is cut or damaged inside its header", 0, "\x1f\x8b"),
	MAGIC("a pcapng file that is cut or damaged inside its header", 0, "\x0a\x0d\x0d\x0a"),
	MAGIC("a program", 0,
		"\x7f"
		"ELF"),
	MAGIC("a PDF document", 0, "%PDF"),
	MAGIC("a picture", 0, "\x89PNG"),
	MAGIC("a picture", 0, "\xff\xd8\xff"),
	MAGIC("text in UTF-16; save it as UTF-8", 0, "\xff\xfe"),
	MAGIC("text in UTF-16; save it as UTF-8", 0, "\xfe\xff"),
};

#define TEXT_SHOWN 40

void capture_describe_stranger(
	const uint8_t *bytes, size_t size, char *ret_words, size_t words_size)
{
	bool all_zero = true;
	bool text = true;
	char shown[TEXT_SHOWN + 1];
	size_t length = 0;

	for (size_t i = 0; i < sizeof(magics) / sizeof(magics[0]); i++) {
		const struct magic *m = &magics[i];
		if (size >= m->offset + m->size &&
			memcmp(bytes + m->offset, m->bytes, m->size) == 0) {
			snprintf(ret_words, words_size, "it looks like %s", m->words);
			return;
		}
	}
	for (size_t i = 0; i < size; i++) {
		all_zero = all_zero && bytes[i] == 0;
		text = text && (bytes[i] >= ' ' || (bytes[i] >= '\t' && bytes[i] <= '\r'));
	}
	if (all_zero) {
		snprintf(ret_words, words_size, "it holds nothing but zero bytes");
		return;
	}
	if (!text) {
		snprintf(ret_words, words_size, "it holds binary data of no known kind");
		return;
	}
	if (capture_candump_text_without_times(bytes, size)) {
		snprintf(ret_words, words_size,
			"it is candump's screen text without times; record with -L, or with -ta");
		return;
	}
	while (size > 0 && (*bytes == '\n' || *bytes == '\r' || *bytes == ' ' || *bytes == '\t')) {
		bytes++;
		size--;
	}
	while (length < TEXT_SHOWN && length < size && bytes[length] >= ' ' &&
		bytes[length] < 0x7f) {
		shown[length] = (char)bytes[length];
		length++;
	}
	shown[length] = '\0';
	snprintf(ret_words, words_size,
		"it is text, but no line is a CAN frame with a time: \"%s%s\"", shown,
		length == TEXT_SHOWN ? "..." : "");
}
