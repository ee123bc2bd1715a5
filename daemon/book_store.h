/* book_store.h: the service book, acknowledgements and the shelf in the log's file.
 *
 * Reading works on any open log. Writing goes through a store opened by log_store_open_beside, so
 * that it works while the log is being written; every call is one short transaction, durable when it
 * returns. Functions that return int return 0 or a negative errno; log_store_error has the sentence.
 */
#ifndef SIGHTBOWL_DAEMON_BOOK_STORE_H
#define SIGHTBOWL_DAEMON_BOOK_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <sqlite3.h>

#include "analysis/boat.h"
#include "analysis/service_book.h"
#include "analysis/service_ledger.h"
#include "daemon/log_store.h"

/* All revisions of all entries, by entry and revision; an older log without a book has none.
 * *ret_entries is the caller's to free. */
int book_store_revisions(sqlite3 *db, struct book_entry **ret_entries, size_t *ret_count);

/* The entries in force, by when the work was done. */
int book_store_entries(sqlite3 *db, struct book_entry **ret_entries, size_t *ret_count);

/* One entry's last revision, struck or not. -ENOENT: there is none. */
int book_store_entry(sqlite3 *db, int64_t number, struct book_entry *ret_entry);

/* Puts revisions in, all or none: one whose number is 0 becomes a new entry (revision 1), the others
 * become the next revision of theirs (-ENOENT: there is none). The numbers given are set in entries. */
int book_store_put(struct log_store *store, struct book_entry *entries, size_t count);

/* Puts whole revisions in as they are numbered (an import), and those without a number (entry 0) as
 * new entries. Revisions that are in the book already, the same in every field, are passed over and
 * counted in ret_known; -EEXIST: one is there with other contents. All or none. */
int book_store_import(struct log_store *store, const struct book_entry *entries, size_t count,
	size_t *ret_known);

/* Fills in what the log knows of the time at which the work was done, where it is not told yet:
 * engine hours (the engine's own counter, else those logged), litres burned, position. engine: whose.
 */
int book_store_fill(sqlite3 *db, unsigned engine, struct book_entry *entry);

/* The engines' runs as portions of supply. *ret_portions is the caller's to free. */
int book_store_portions(sqlite3 *db, struct supply_portion **ret_portions, size_t *ret_count);

/* An event as far as a person's handling of it goes. */
struct book_event {
	int64_t event;
	char kind[32];
	char subject[48];
	bool has_raised; /* its UTC is known */
	int64_t raised_ns;
	bool has_acknowledged;
	int64_t acknowledged_ns;
	bool has_cleared;
	bool shelved;
	int64_t shelved_until_ns;
};
/* -ENOENT: there is none. */
int book_store_event(sqlite3 *db, int64_t number, struct book_event *ret_event);
int book_store_acknowledge(struct log_store *store, int64_t event, int64_t at_ns);
/* until_ns: INT64_MIN takes it off the shelf. */
int book_store_shelve(struct log_store *store, int64_t event, int64_t until_ns);

/* The numbers of the events that are not over, the latest first, at most max; and of those that are on
 * the shelf at a moment. */
int book_store_standing(sqlite3 *db, int64_t *ret_events, size_t max, size_t *ret_count);
int book_store_shelved(
	sqlite3 *db, int64_t now_ns, int64_t *ret_events, size_t max, size_t *ret_count);

#endif
