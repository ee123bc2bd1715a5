#include "analysis/sentence.h"

#include <math.h>
#include <string.h>

#define NUMBER_MOST 1e12

void sentence_begin(struct sentence *s, char *text, size_t size)
{
	*s = (struct sentence){.text = text, .size = size};
	text[0] = '\0';
}

void sentence_words(struct sentence *s, const char *words)
{
	size_t length = strlen(words);
	size_t room = s->size - s->used - 1;

	if (length > room) {
		length = room;
		/* Never a part of a character: back to where one begins (UTF-8). */
		while (length > 0 && ((unsigned char)words[length] & 0xC0) == 0x80) {
			length--;
		}
	}
	memcpy(s->text + s->used, words, length);
	s->used += length;
	s->text[s->used] = '\0';
}

void sentence_number(struct sentence *s, double value, unsigned decimals)
{
	char digits[32];
	size_t at = sizeof(digits);
	uint64_t scale = 1;

	if (!(fabs(value) < NUMBER_MOST)) {
		sentence_words(s, "–");
		return;
	}
	for (unsigned i = 0; i < decimals; i++) {
		scale *= 10;
	}
	uint64_t whole = (uint64_t)(fabs(value) * (double)scale + 0.5);
	digits[--at] = '\0';
	for (unsigned i = 0; i < decimals; i++) {
		digits[--at] = (char)('0' + whole % 10);
		whole /= 10;
	}
	if (decimals > 0) {
		digits[--at] = '.';
	}
	do {
		digits[--at] = (char)('0' + whole % 10);
		whole /= 10;
	} while (whole > 0);
	if (value < 0 && strpbrk(digits + at, "123456789") != NULL) {
		digits[--at] = '-';
	}
	sentence_words(s, digits + at);
}
