/* recorder.h: raw frames into rotating, compressed captures.
 *
 * Frames are gathered in memory by the loop and written by a worker (recorder_prepare, recorder_do,
 * recorder_done, as live_log.h's jobs). A file is a zstd-compressed candump log whose blocks end
 * each RECORDER_FLUSH_S: cut at any byte it can be read up to the last such end. Old files go when
 * there are too many bytes of them or when they are too old. A file's name has a number, which
 * tells their order however wrong the clocks were, and the time of its first frame by the machine's
 * clock.
 */
#ifndef SIGHTBOWL_DAEMON_RECORDER_H
#define SIGHTBOWL_DAEMON_RECORDER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"
#include "replay/capture.h"

#define RECORDER_FLUSH_S 10

struct recorder; /* opaque; heap */

/* Records into folder. most_bytes: of all its captures; most_age_s: of the oldest. buses is
 * borrowed. The folder need not be there or fit: its last component is made when it is missing, and
 * each job tries again. Returns 0, -ENAMETOOLONG or -ENOMEM. */
int recorder_open(struct recorder **ret_recorder, const char *folder, const struct bus_names *buses,
	uint64_t most_bytes, int64_t most_age_s);
/* Records into folder from the next job on ("": nowhere, the last job ends the open file), within
 * these bounds; a folder is at most SETTINGS_PATH_MAX - 1 bytes. Where anything is new, the open
 * file is ended, another one is begun and what lies beyond the new bounds is removed. What is put
 * is kept in one folder or the other. */
void recorder_change(
	struct recorder *recorder, const char *folder, uint64_t most_bytes, int64_t most_age_s);
/* Whether all is done after a change to no folder: close it then. */
bool recorder_is_over(const struct recorder *recorder);

/* How far the bus's time is ahead of the machine's clock, where the bus tells the time (known).
 * From the next job on files are removed for their age only when they are too old by both. */
void recorder_tell_bus_time(struct recorder *recorder, bool known, int64_t ahead_ns);

/* Makes a folder when only its last component is missing. Returns 0 or a negative errno: nothing
 * could be kept in it. Blocks for the disk. */
int recorder_try_folder(const char *folder);
/* Makes the folder now when it is missing. Returns a sentence when nothing can be kept in it, else
 * NULL; borrowed until the next call. Blocks for the disk. Not while a job is under way. */
const char *recorder_prepare_folder(struct recorder *recorder);
/* Writes what is left and ends the file. Returns a sentence when that failed, else NULL; borrowed. Not while
 * a job is under way. NULL is fine. */
const char *recorder_finish(struct recorder *recorder);
/* Finishes, and frees. Not while a job is under way. NULL is fine. */
void recorder_close(struct recorder *recorder);

/* Takes frames. When the worker is too slow the newest are dropped and counted (recorder_losses). */
void recorder_put(struct recorder *recorder, const struct frame *frames, size_t count);

/* Prepares a job when enough has gathered, or (now) anything has, or after a change. */
bool recorder_prepare(struct recorder *recorder, bool now);
/* Does it; blocks for the disk. */
void recorder_do(struct recorder *recorder);
/* Takes the outcome: a sentence when something changed (it fails, or works again, with how many
 * frames were lost), else NULL. Borrowed until the next call. */
const char *recorder_done(struct recorder *recorder);

/* How many frames were dropped since that was last told, as a sentence: at once for the first, then
 * at most each minute unless now; NULL when there is nothing to tell. Borrowed until the next call.
 */
const char *recorder_losses(struct recorder *recorder, bool now);

#endif
