/* log_store.h: the SQLite log: windows, roll-ups, facts, captures, checkpoints.
 *
 * The only place that knows the tables; everyone else reads the views (docs/log.md). One writer at a
 * time (an advisory lock on FILE.lock beside SQLite's own), any number of readers, which never block
 * it. Functions that return int return 0 or a negative errno; log_store_error gives the sentence for
 * a person.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_STORE_H
#define SIGHTBOWL_DAEMON_LOG_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <sqlite3.h>

#include "analysis/boat.h"
#include "analysis/facts.h"
#include "analysis/pipeline.h"
#include "daemon/log_lock.h"
#include "replay/capture.h"

struct log_store; /* opaque; heap */

#define LOG_IN_MEMORY ":memory:" /* a path: a log that is forgotten when it is closed */

/* Opens for writing, creating or migrating when needed. -EBUSY: another writer; -EMEDIUMTYPE: a
 * database of another program, or no database at all; -ENOTSUP: a newer version's log; -EISDIR,
 * -EROFS, -EACCES, -ENOSPC, -EIO as they are. On failure ret_error holds the sentence and the file
 * is as it was. */
int log_store_open(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* As log_store_open, under a lock of the caller's, which stays the caller's and outlives the store:
 * it is taken when it is not held yet (log_lock_take), and whatever fails afterwards, it is kept. */
int log_store_open_locked(struct log_store **ret_store, const char *path, struct log_lock *lock,
	char *ret_error, size_t error_size);
/* Opens for reading only; never blocks a writer. -ENOENT when there is no log; else as above. A
 * disk that is full or read-only is no hindrance. */
int log_store_open_reader(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* Opens a log in memory that stands in for one that cannot be written now, for whoever wants to
 * begin where that stands: it has the state, the buses, the slots and the last numbers, and has
 * absorbed the batch file. Nothing on the disk is changed. Where there is no log, it stands in for
 * a new one. Errors as for a reader. */
int log_store_open_stand_in(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* Opens for small writes of a person's (the book, acknowledgements) beside the writer, whose lock is
 * not needed: only tables that no lane writes are written. Each transaction is short; the writer's
 * are waited for, up to a minute. Creates or migrates the log as log_store_open does, for which there
 * must be no writer. Errors as there. */
int log_store_open_beside(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size);
/* What keeps a log at path from being written (or made), as far as its file system says it: that it
 * is read-only or full, in words ("its file system is read-only"). NULL: nothing is known. */
const char *log_store_obstacle(const char *path);
/* Whether a reader was opened where nothing could be written beside the log. Once that is over it
 * would be misled by what is written then, or be in this process' own writer's way: who stays
 * closes it after each reading. */
bool log_store_is_passing(const struct log_store *store);
/* Rolls back what is not committed. NULL is fine. */
void log_store_close(struct log_store *store);
/* The sentence of the last failure. Borrowed until the next call. */
const char *log_store_error(const struct log_store *store);
sqlite3 *log_store_db(struct log_store *store);
/* For those who read through log_store_db and go on without what they cannot read: notes what a call of
 * SQLite returned, and gives it back. SQLITE_ERROR is no failure to read: a log of an older version
 * lacks tables and columns. */
int log_store_note(struct log_store *store, int rc);
/* The same with what a function of ours returned: 0, or a negative errno. */
int log_store_note_error(struct log_store *store, int result);
/* The first failure that was noted, as a negative errno: what was read is then not all there is. 0: none. */
int log_store_noted(const struct log_store *store);
/* Limits the pages that this connection keeps in memory, for a program that stays: SQLite would let each
 * of its connections grow by 2 MB, and what is read again soon is in the kernel's cache anyway. */
void log_store_limit_cache(struct log_store *store, unsigned kib);

/* The log's own buses, so that a bus keeps its number: fills ret_buses, or adds the new ones of
 * buses to the open transaction. */
int log_store_buses(struct log_store *store, struct bus_names *ret_buses);
int log_store_put_buses(struct log_store *store, const struct bus_names *buses);
/* What the views need to know of the boat: its name, the fuel's density. */
int log_store_put_boat(struct log_store *store, const char *name, double fuel_density_kgl);

/* A lane is one pipeline's way through the log (log_lane.h); slots that a pipeline numbers are its
 * lane's. A store starts on "main". */
int log_store_set_lane(struct log_store *store, const char *lane);

/* The sink that writes facts into the open transaction (begun by the first fact). An error sticks:
 * log_store_commit returns it. */
struct fact_sink log_store_sink(struct log_store *store);

/* The greatest numbers of sessions, runs, trips, events in the log; 0 for none. */
int log_store_numbers(struct log_store *store, struct pipeline_numbers *ret_numbers);

/* Where a lane stands. */
struct log_checkpoint {
	const char *lane; /* LANE_MAIN … */
	const uint8_t *state; /* pipeline_save's bytes */
	size_t size;
	int64_t raw_ns;  /* recorder's time of the last frame */
	int64_t capture; /* number of the capture that is being replayed, 0: live */
	uint64_t frames; /* of that capture, up to here */
};

/* Brings the day roll-up up to date in the open transaction; commits do so for days that are over. */
int log_store_settle(struct log_store *store);

/* One transaction: the facts since the last commit, the roll-ups that they complete, and the
 * checkpoint (NULL: none). Durable when it returns. After a failure the log is as it was at the last
 * commit, and the store refuses everything but closing. */
int log_store_commit(struct log_store *store, const struct log_checkpoint *checkpoint);

/* Reads a lane's checkpoint. *ret_state is the caller's to free. -ENOENT when there is none. */
int log_store_checkpoint(struct log_store *store, const char *lane,
	struct log_checkpoint *ret_checkpoint, uint8_t **ret_state);
/* What a live log writes between two commits lies in the batch file beside the log (batch_file.h).
 * log_store_open has absorbed what it found there. The generation absorbed last, 0: none; the batch
 * file's records are of the generation behind it. Writing is in the open transaction. */
int log_store_batch(struct log_store *store, uint64_t *ret_generation);
int log_store_put_batch(struct log_store *store, uint64_t generation);
/* Whether the batch file holds what a reader does not see in the log: how many records, 0 for none, or a
 * negative errno; *ret_raw_ns: the recorder's time up to which. While a live log is being written that is
 * nothing strange: opening it makes its writer commit. */
int log_store_unseen(struct log_store *store, int64_t *ret_raw_ns);
/* The signal of each of a lane's slots: on_slot for each that is known. */
int log_store_lane_slots(struct log_store *store, const char *lane,
	void (*on_slot)(void *context, uint16_t lane_slot, uint16_t signal), void *context);

/* What of the log is kept how long. Days, runs, trips, events and the service book stay for ever, and
 * the readings of its last two days. */
struct log_retention {
	int64_t windows_s;  /* age of the oldest 10 s window, from the log's end (as the bus dates it,
			     * else the recorder's clock) */
	int64_t minutes_s;
	int64_t most_bytes; /* of the file; beyond it the oldest windows go, then the oldest minutes */
};
/* Drops what is too old or too much, a bounded number of rows; in the open transaction. The file keeps
 * its size; what comes free is used again. */
int log_store_retain(struct log_store *store, const struct log_retention *retention);

/* What of it is there; a reader may ask as well. */
struct log_kept {
	int64_t file_bytes;
	int64_t used_bytes;    /* the rest is free for what comes next */
	int64_t windows_utc_s; /* of the first dated window; INT64_MIN: none */
	int64_t minutes_utc_s;
};
int log_store_kept(struct log_store *store, struct log_kept *ret_kept);

/* Forgets it, in the open transaction. */
int log_store_drop_checkpoint(struct log_store *store, const char *lane);
/* Runs and trips that no lane will go on with are no longer open; in the open transaction. */
int log_store_close_open_facts(struct log_store *store);

/* A capture that was replayed into the log: what it is known by, and how far it was read. Digests
 * are capture_identity.h's. */
#define LOG_DIGEST_BYTES 16
#define LOG_NAME_MAX     256
struct log_capture {
	int64_t capture;      /* number, from 1; 0: not in the log yet */
	char name[LOG_NAME_MAX];
	uint64_t head_frames; /* frames of the head digest */
	uint8_t head_digest[LOG_DIGEST_BYTES];
	uint64_t frames;      /* read so far */
	uint64_t known;       /* of them, skipped as logged before */
	uint8_t digest[LOG_DIGEST_BYTES]; /* of all frames read so far */
	int64_t raw_first_ns;
	int64_t raw_last_ns;
	bool undated;
	bool complete;     /* was read to its end */
	int64_t behind_ns; /* recorder's time of the log's end when the replay began; INT64_MIN: none */
};

/* Calls on_capture for each capture by number. Stops when it returns false. */
int log_store_captures(struct log_store *store,
	bool (*on_capture)(void *context, const struct log_capture *capture), void *context);
/* Adds (number 0: a new one is put in) or replaces, in the open transaction. */
int log_store_put_capture(struct log_store *store, struct log_capture *capture);

/* A stretch of recorder's time that the log covers, both ends included. */
struct log_stretch {
	int64_t first_ns;
	int64_t last_ns;
};
/* The stretches that the log covers by now, by time, touching ones joined: its sessions (those without
 * a date, or with a clock that was more than a day off, only if the bus dated them), and gaps inside
 * runs, which are accounted for by estimate. *ret_stretches is the caller's to free. */
int log_store_stretches(struct log_store *store, struct log_stretch **ret_stretches,
	size_t *ret_count);
/* Takes back runs that were only inferred (nobody saw them), where frames that came later cover their
 * time; in the open transaction. */
int log_store_withdraw_inferred(struct log_store *store);
/* The stretches that a capture's replay began with: kept so that a resumed replay skips the same
 * frames. Writing replaces, in the open transaction. */
int log_store_capture_stretches(struct log_store *store, int64_t capture,
	struct log_stretch **ret_stretches, size_t *ret_count);
int log_store_put_capture_stretches(struct log_store *store, int64_t capture,
	const struct log_stretch *stretches, size_t count);

#endif
