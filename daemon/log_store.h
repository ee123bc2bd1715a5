/* log_store.h: the SQLite log: windows, roll-ups, facts, captures, checkpoints.
 *
 * The only place that knows the schema. One writer at a time (an advisory lock beside SQLite's own),
 * any number of readers. Every function returns 0 or a negative errno; log_store_error gives the
 * sentence for a person.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_STORE_H
#define SIGHTBOWL_DAEMON_LOG_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <sqlite3.h>

#include "analysis/facts.h"
#include "analysis/pipeline.h"

struct log_store; /* opaque; heap */

/* Opens for writing, creating or migrating when needed. -EBUSY: another writer; -EMEDIUMTYPE: a
 * database of another program, or no database at all; -ENOTSUP: a newer version's log; -EROFS,
 * -EACCES, -ENOSPC, -EIO as they are. On failure ret_error holds the sentence. */
int log_store_open(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* Opens for reading only; never blocks a writer. -ENOENT when there is no log. */
int log_store_open_reader(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* Rolls back what is not committed. NULL is fine. */
void log_store_close(struct log_store *store);
const char *log_store_error(const struct log_store *store);
sqlite3 *log_store_db(struct log_store *store);

/* The sink that writes facts into the open transaction (begun by the first fact). An error sticks:
 * log_store_commit returns it. */
struct fact_sink log_store_sink(struct log_store *store);

/* One transaction: the facts since the last commit, the roll-ups that they complete, the checkpoint
 * (state of size bytes for a lane; NULL: none) and the capture's progress. Durable when it returns. */
struct log_checkpoint {
	const char *lane;      /* "main", or "earlier" for a capture from before the log's end */
	const uint8_t *state;
	size_t size;
	int64_t raw_ns;
};
int log_store_commit(struct log_store *store, const struct log_checkpoint *checkpoint);

#endif
