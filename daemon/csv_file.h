/* csv_file.h: reads CSV (RFC 4180), record by record, with the line that each begins on.
 *
 * Lines end in CR LF or LF; a byte-order mark at the start is skipped. Works on text in memory.
 */
#ifndef SIGHTBOWL_DAEMON_CSV_FILE_H
#define SIGHTBOWL_DAEMON_CSV_FILE_H

#include <stddef.h>

#define CSV_FIELDS_MAX 64

struct csv_reader {
	char *at;     /* into the text, which is changed as it is read */
	size_t line;  /* of at, from 1 */
};

struct csv_record {
	size_t line;  /* that it begins on */
	size_t count;
	char *fields[CSV_FIELDS_MAX]; /* into the text */
};

/* text: ended by NUL; borrowed, and changed. */
void csv_start(struct csv_reader *reader, char *text);

/* Returns 1 with a record, 0 at the end, or -EINVAL: a quote left open, text behind a closing quote,
 * or more than CSV_FIELDS_MAX fields. Empty lines are passed over. */
int csv_next(struct csv_reader *reader, struct csv_record *ret_record);

#endif
