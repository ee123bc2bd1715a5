/* book_write.h: one entry on its way into the book, and what follows from it, for every command that
 * writes one.
 */
#ifndef SIGHTBOWL_DAEMON_BOOK_WRITE_H
#define SIGHTBOWL_DAEMON_BOOK_WRITE_H

#include <stdint.h>

#include "analysis/service_book.h"
#include "daemon/command.h"
#include "daemon/log_store.h"

/* The time now, UTC, in whole seconds, as the book keeps them. */
int64_t book_write_now_ns(void);

/* Opens the log for a small write, whether or not it is being written. Prints what went wrong. */
enum program_exit book_write_open(const struct command_line *line, struct log_store **ret_store);

/* Says that the log cannot be read; result is a negative errno. Returns EXIT_FAILED. */
enum program_exit book_write_unread(const struct command_line *line, int result);

/* --at: when the work was done, in whole seconds; *ret_ns stays when it is not given. One that lies
 * ahead of this machine's clock is taken, and said. */
enum program_exit book_write_time(const struct command_line *line, int64_t *ret_ns);

/* The engine whose hours go with an entry: its own, its filter's, else the first there is. */
unsigned book_write_engine(const struct boat *boat, const struct book_entry *entry);

/* A change that does not tell the element puts in what the filter usually has. */
void book_write_usual_element(const struct boat *boat, struct book_entry *entry);

/* Says what is wrong with an entry, with the option that it is about. */
enum program_exit book_write_check(const struct command_line *line, const struct book_entry *entry);

/* Checks, fills in from the log what is not told, writes, and shows. */
enum program_exit book_write_entry(const struct command_line *line, struct log_store *store,
	struct book_entry *entry);

/* Shows what was written: to a program as a row, to people with what follows from it. */
enum program_exit book_write_show(const struct command_line *line, struct log_store *store,
	const struct book_entry *entry);

#endif
