/* log_bypass.h: readers of a log that bypass its locks, and writers: never opened at once in a
 * process.
 *
 * The locks that SQLite takes of a file are the whole process's, and closing any other descriptor
 * of that file gives them back (fcntl(2), "Record locks";
 * https://www.sqlite.org/howtocorrupt.html, 2.2). A writer that has lost its lock so has its WAL
 * removed by the next program that closes the log.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_BYPASS_H
#define SIGHTBOWL_DAEMON_LOG_BYPASS_H

#include <stdbool.h>

/* A reader's opening to come, for as long as it is open. False: a writer is being opened. */
bool log_bypass_begin(void);
void log_bypass_end(void);

/* Waits until no reader bypasses locks, so that a writer may be opened; none begins until
 * log_bypass_allow. May block for a few seconds. False: there is still one. */
bool log_bypass_forbid(void);
void log_bypass_allow(void);

#endif
