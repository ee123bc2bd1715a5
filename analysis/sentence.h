/* sentence.h: puts a sentence for people together from words and numbers.
 *
 * Writes into the caller's buffer, always ends it, cuts what does not fit. No locale: a point divides.
 */
#ifndef SIGHTBOWL_ANALYSIS_SENTENCE_H
#define SIGHTBOWL_ANALYSIS_SENTENCE_H

#include <stddef.h>
#include <stdint.h>

struct sentence {
	char *text; /* borrowed */
	size_t size;
	size_t used;
};

/* size must be at least 1. */
void sentence_begin(struct sentence *s, char *text, size_t size);
void sentence_words(struct sentence *s, const char *words);
/* Rounded to decimals (0 .. 6); a dash for NaN and for numbers beyond 10^12. */
void sentence_number(struct sentence *s, double value, unsigned decimals);

#endif
