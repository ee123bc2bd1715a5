/* log_lock.h: the right to write a log: an advisory lock (flock) on the file FILE.lock beside it.
 *
 * The file stays when the lock is given back, and holds the number of the process that took it
 * last.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_LOCK_H
#define SIGHTBOWL_DAEMON_LOG_LOCK_H

#include <stdbool.h>
#include <stddef.h>

struct log_lock {
	int fd; /* -1: not held */
};

#define LOG_LOCK_NONE ((struct log_lock){.fd = -1})

/* Takes the lock of the log at path. One that is held already is looked at again: whether its file
 * is still the one at that place (else that is taken), and may be written. Returns 0, -EBUSY when
 * another process holds it, or the errno of the file, with a sentence in ret_error. -EROFS: the
 * file system is read-only; where the file is there, the lock is held all the same, and nobody else
 * begins to write. */
int log_lock_take(struct log_lock *lock, const char *path, char *ret_error, size_t error_size);
/* Gives it back, when it is held. */
void log_lock_release(struct log_lock *lock);

#endif
