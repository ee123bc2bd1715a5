#include "daemon/log_lock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define PATH_BYTES 1100

/* Whether the file that the lock is held on is the one of that name. */
static bool is_same_file(const struct log_lock *lock, const char *name)
{
	struct stat held, named;

	return fstat(lock->fd, &held) == 0 && stat(name, &named) == 0 &&
	       held.st_dev == named.st_dev && held.st_ino == named.st_ino;
}

static int say_cannot_write(const char *path, int result, char *ret_error, size_t error_size)
{
	(void)snprintf(ret_error, error_size,
		result == -EROFS    ? "cannot write log '%s': its folder is read-only (%s)"
		: result == -EACCES ? "cannot write log '%s': this user may not write its .lock "
				      "file or its folder (%s)"
				    : "cannot write log '%s': %s",
		path, strerror(-result));
	return result;
}

static int lock_file(struct log_lock *lock, const char *path, char *ret_error, size_t error_size)
{
	char owner[32] = "";
	ssize_t size;

	if (flock(lock->fd, LOCK_EX | LOCK_NB) == 0) {
		return 0;
	}
	if (errno != EWOULDBLOCK) {
		int result = -errno;

		(void)snprintf(
			ret_error, error_size, "cannot lock log '%s': %s", path, strerror(-result));
		return result;
	}
	size = pread(lock->fd, owner, sizeof(owner) - 1, 0);
	owner[size > 0 ? strcspn(owner, "\n") : 0] = '\0';
	(void)snprintf(ret_error, error_size,
		"log '%s' is being written by another sightbowl%s%s%s", path,
		owner[0] == '\0' ? "" : " (process ", owner, owner[0] == '\0' ? "" : ")");
	return -EBUSY;
}

/* The number is a courtesy to whoever finds the log taken; failing to write it is none. */
static void sign(int fd)
{
	char owner[32], found[32] = "";
	int length = snprintf(owner, sizeof(owner), "%ld\n", (long)getpid());

	if (pread(fd, found, sizeof(found) - 1, 0) == length && strcmp(found, owner) == 0) {
		return; /* nothing is written while it is only looked at again */
	}
	if (ftruncate(fd, 0) != 0 || pwrite(fd, owner, (size_t)length, 0) != length) {
		return;
	}
}

int log_lock_take(struct log_lock *lock, const char *path, char *ret_error, size_t error_size)
{
	char name[PATH_BYTES];
	int fd, result;

	(void)snprintf(name, sizeof(name), "%s.lock", path);
	if (lock->fd >= 0 && !is_same_file(lock, name)) {
		log_lock_release(lock);
	}
	fd = open(name, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
	result = fd < 0 ? -errno : 0;
	if (lock->fd < 0) {
		lock->fd = result == -EROFS ? open(name, O_RDONLY | O_CLOEXEC) : fd;
		if (lock->fd >= 0) {
			int locked = lock_file(lock, path, ret_error, error_size);

			if (locked != 0) {
				log_lock_release(lock);
				return locked;
			}
		}
	}
	if (result != 0) {
		return say_cannot_write(path, result, ret_error, error_size);
	}
	sign(fd);
	if (fd != lock->fd) {
		(void)close(fd); /* the lock belongs to the other opening of the file; the number
				    may be lost */
	}
	return 0;
}

void log_lock_release(struct log_lock *lock)
{
	if (lock->fd >= 0) {
		(void)close(lock->fd); /* gives it back */
		lock->fd = -1;
	}
}
