/* live_log.h: the log of a running bus: what is told by the analysis now, and when it is safe.
 *
 *   facts → fact_queue → (each LIVE_LOG_KEEP_MS) batch file → (each LIVE_LOG_COMMIT_MS) log
 *
 * Both writes may take long on a slow card, so they are jobs: the loop's thread prepares one (live_log_keep,
 * live_log_commit), any one thread does it (live_log_do), the loop's thread takes the outcome
 * (live_log_done). One job at a time; meanwhile facts go on being queued. What fails is tried again
 * by the next job: the disk may be full, read-only or broken, facts wait in bounded memory. It may be so
 * from the beginning: the analysis then begins where the log, read only, says that it stood
 * (log_store_open_stand_in). The log's lock is held from the beginning to the end wherever its file can
 * be opened.
 *
 * Loss at a power cut: what came after the last job was prepared, so LIVE_LOG_KEEP_MS and the time
 * that the write takes: 30 s with a write of up to 3 s.
 */
#ifndef SIGHTBOWL_DAEMON_LIVE_LOG_H
#define SIGHTBOWL_DAEMON_LIVE_LOG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/pipeline.h"
#include "daemon/config.h"
#include "replay/capture.h"

#define LIVE_LOG_KEEP_MS   27000
#define LIVE_LOG_COMMIT_MS (60 * 60 * 1000)

struct live_log; /* opaque; heap */

/* Opens or makes the log at path. Blocks. Errors are log_store_open's; ret_error holds a sentence.
 * A disk that takes nothing now (full, over quota, read-only, an error of the device) is none, if
 * the log can be read or is not there yet: live_log_is_waiting then. */
int live_log_open(struct live_log **ret_log, const char *path, char *ret_error, size_t error_size);
/* Gives up what is not committed. Not while a job is being done. NULL is fine. */
void live_log_close(struct live_log *log);

/* Adds the buses named to the log's own, which ret_buses then has, and the boat; the settings'
 * sources get their buses' numbers. Finds where the analysis stood: live_log_resume then gives the
 * state. *ret_rebuilt: what the log holds of it could not be understood; what was open is closed,
 * counting begins anew behind it. Blocks. Returns 0 or a negative errno, -ENOSPC when no number is
 * left for a bus: ret_buses then has the names that took them, and not that one; live_log_trouble
 * may hold a sentence. As above, a disk that takes nothing now only makes it wait. */
int live_log_begin(struct live_log *log, struct settings *settings, const char *const *names,
	size_t count, struct bus_names *ret_buses, bool *ret_rebuilt);

/* Loads where the analysis stood into a pipeline that pipeline_init has prepared; once, after
 * live_log_begin. Returns 0 or -EPROTO. */
int live_log_resume(struct live_log *log, struct pipeline *pipeline);

/* What the log's tables say of buses and boat, and how long what is kept, from the next commit on,
 * which is wanted when they differ. The buses are those of live_log_begin with new ones behind
 * them. */
void live_log_describe(struct live_log *log, const struct settings *settings,
	const struct bus_names *buses);

/* The sink that the analysis tells. */
struct fact_sink live_log_sink(struct live_log *log);

/* Prepares a job; false when there is nothing to do. Not while a job is open. The pipeline must be one
 * whose sink is live_log_sink's. */
bool live_log_keep(struct live_log *log, const struct pipeline *pipeline);
bool live_log_commit(struct live_log *log, struct pipeline *pipeline);
/* Does it. Blocks for the disk. Touches nothing but the job and the files. */
void live_log_do(struct live_log *log);
/* Takes the outcome: 0 or a negative errno. */
int live_log_done(struct live_log *log);

bool live_log_is_busy(const struct live_log *log);
/* Whether a commit is under way, the only job that may open the log's file. */
bool live_log_is_committing(const struct live_log *log);
/* Whether facts, frames or a description wait that the log (not only the batch file) does not hold,
 * or the log itself. */
bool live_log_is_behind(const struct live_log *log, const struct pipeline *pipeline);
/* Whether a commit is due before its time: the batch file is filling, or cannot be written, the
 * last commit failed, or the log was described anew. */
bool live_log_wants_commit(const struct live_log *log);
/* Whether it is due at once: what the batch file does not hold is at risk or unsaid, and nothing
 * says that the log cannot be written. */
bool live_log_wants_commit_now(const struct live_log *log);

/* Whether the log could not be written since the beginning. What live_log_begin found was read from
 * it; commits try to open it, nothing is kept in the batch file, and nothing in it changes before
 * they can. */
bool live_log_is_waiting(const struct live_log *log);
/* Whether what waits can never be joined to the log: where it is opened again it is not as this
 * process left or found it, as another program has written it meanwhile, or it is another file.
 * Commits fail from then on. */
bool live_log_is_lost(const struct live_log *log);

/* The sentence on what is wrong now; "" when all is well. */
const char *live_log_trouble(const struct live_log *log);
/* Bytes of facts that wait in memory, and windows given up because that was too many. */
size_t live_log_waiting(const struct live_log *log);
uint64_t live_log_dropped(const struct live_log *log);

#endif
