/* book_file.h: the whole book as one file, CSV or JSON, and back.
 *
 * The columns are those of book_fields_table; a file may have fewer, in any order. Rows with a number
 * are revisions of that entry; rows without one become new entries.
 */
#ifndef SIGHTBOWL_DAEMON_BOOK_FILE_H
#define SIGHTBOWL_DAEMON_BOOK_FILE_H

#include <stddef.h>

#include "analysis/boat.h"
#include "analysis/service_book.h"

/* Reads the text of a file (ended by NUL; changed): JSON when its first character is { or [, else CSV.
 * Each row is checked against the boat. now_ns: the written time of rows that have none. On success
 * *ret_entries is the caller's to free; those without a number (entry 0) stand as they came. Returns
 * 0, -EINVAL with a sentence that names the line or the row, or -ENOMEM. */
int book_file_read(char *text, const char *name, const struct boat *boat, int64_t now_ns,
	struct book_entry **ret_entries, size_t *ret_count, char *ret_error, size_t error_size);

#endif
