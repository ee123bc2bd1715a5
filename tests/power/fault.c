/* fault.c: the calls that come to the machine, and those that can be made to fail.
 *
 *   MACHINE_FAULT=CALL:FIRST:COUNT:ERROR
 *
 * The calls CALL of numbers FIRST to FIRST + COUNT - 1 (from 1) fail with errno ERROR; for a function of
 * libuv that it returns negative, for one of SQLite it is the result code. malloc, calloc and realloc
 * are one kind, "memory". */
#include "machine.h"

#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <net/if.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/inotify.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include <sqlite3.h>

static struct {
	char call[40];
	int64_t first, count;
	int error;
} order;

void fault_begin(const char *text)
{
	const char *colon = strchr(text, ':');

	if (colon == NULL || (size_t)(colon - text) >= sizeof(order.call)) {
		return;
	}
	char *rest;
	order.first = strtoll(colon + 1, &rest, 10);
	order.count = *rest == ':' ? strtoll(rest + 1, &rest, 10) : 1;
	order.error = *rest == ':' ? (int)strtol(rest + 1, &rest, 10) : EIO;
	memcpy(order.call, text, (size_t)(colon - text));
}

/* Whether this call is to fail. */
static bool fails(const char *call)
{
	if (order.call[0] == '\0' || strcmp(order.call, call) != 0) {
		return false;
	}
	int64_t n = __atomic_add_fetch(&machine_state[STATE_CALLS], 1, __ATOMIC_SEQ_CST);
	if (n < order.first || n - order.first >= order.count) {
		return false;
	}
	(void)__atomic_add_fetch(&machine_state[STATE_FAILED], 1, __ATOMIC_SEQ_CST);
	errno = order.error;
	return true;
}

/* The function behind this one. */
#define NEXT(type, arguments, name)                                                                \
	static type(*next) arguments;                                                              \
	if (next == NULL) {                                                                        \
		*(void **)&next = dlsym(RTLD_NEXT, name);                                          \
	}

#define OPEN(name)                                                                                 \
	int name(const char *path, int flags, ...)                                                 \
	{                                                                                          \
		va_list arguments;                                                                 \
		mode_t mode = 0;                                                                   \
                                                                                                   \
		if ((flags & O_CREAT) != 0) {                                                      \
			va_start(arguments, flags);                                                \
			mode = va_arg(arguments, mode_t);                                          \
			va_end(arguments);                                                         \
		}                                                                                  \
		return fails("open") ? -1 : machine_open(path, flags, mode);                       \
	}
OPEN(open)
OPEN(open64)

int close(int fd)
{
	return machine_close(fd); /* Linux closes the file whatever close says */
}

ssize_t pwrite(int fd, const void *bytes, size_t size, off_t at)
{
	return fails("pwrite") ? -1 : machine_pwrite(fd, bytes, size, at);
}

ssize_t pwrite64(int fd, const void *bytes, size_t size, off_t at)
{
	return fails("pwrite") ? -1 : machine_pwrite(fd, bytes, size, at);
}

ssize_t pread(int fd, void *bytes, size_t size, off_t at)
{
	NEXT(ssize_t, (int, void *, size_t, off_t), "pread")
	return fails("pread") ? -1 : next(fd, bytes, size, at);
}

ssize_t pread64(int fd, void *bytes, size_t size, off_t at)
{
	NEXT(ssize_t, (int, void *, size_t, off_t), "pread64")
	return fails("pread") ? -1 : next(fd, bytes, size, at);
}

/* Of pipes and the like reading only fails for want of bytes; libuv ends the program at anything else. */
static bool is_file(int fd)
{
	NEXT(int, (int, struct stat *), "fstat")
	struct stat status;

	return next(fd, &status) == 0 && S_ISREG(status.st_mode);
}

ssize_t read(int fd, void *bytes, size_t size)
{
	NEXT(ssize_t, (int, void *, size_t), "read")
	return is_file(fd) && fails("read") ? -1 : next(fd, bytes, size);
}

int fsync(int fd)
{
	return fails("fsync") ? -1 : machine_fsync(fd);
}

int fdatasync(int fd)
{
	return fails("fsync") ? -1 : machine_fsync(fd);
}

int ftruncate(int fd, off_t size)
{
	return fails("ftruncate") ? -1 : machine_ftruncate(fd, size);
}

int ftruncate64(int fd, off_t size)
{
	return fails("ftruncate") ? -1 : machine_ftruncate(fd, size);
}

int unlink(const char *path)
{
	return fails("unlink") ? -1 : machine_unlink(path);
}

#define STAT(name, argument)                                                                       \
	int name(argument of, struct stat *status)                                                 \
	{                                                                                          \
		NEXT(int, (argument, struct stat *), #name)                                      \
		return fails("stat") ? -1 : next(of, status);                                      \
	}
#define STAT64(name, argument)                                                                     \
	int name(argument of, struct stat64 *status)                                               \
	{                                                                                          \
		NEXT(int, (argument, struct stat64 *), #name)                                    \
		return fails("stat") ? -1 : next(of, status);                                      \
	}
STAT(stat, const char *)
STAT(fstat, int)
STAT64(stat64, const char *)
STAT64(fstat64, int)

int access(const char *path, int kind)
{
	NEXT(int, (const char *, int), "access")
	return fails("stat") ? -1 : next(path, kind);
}

int flock(int fd, int operation)
{
	NEXT(int, (int, int), "flock")
	return fails("flock") ? -1 : next(fd, operation);
}

#define FCNTL(name)                                                                                \
	int name(int fd, int command, ...)                                                         \
	{                                                                                          \
		NEXT(int, (int, int, void *), #name)                                             \
		va_list arguments;                                                                 \
		va_start(arguments, command);                                                      \
		void *argument = va_arg(arguments, void *);                                        \
		va_end(arguments);                                                                 \
		return fails("fcntl") ? -1 : next(fd, command, argument);                          \
	}
FCNTL(fcntl)
FCNTL(fcntl64)

#define MMAP(name)                                                                                 \
	void *name(void *at, size_t size, int protection, int flags, int fd, off_t from)           \
	{                                                                                          \
		NEXT(void *, (void *, size_t, int, int, int, off_t), #name)                       \
		return fd >= 0 && fails("mmap") ? MAP_FAILED                                       \
						: next(at, size, protection, flags, fd, from);     \
	}
MMAP(mmap)
MMAP(mmap64)

int socket(int domain, int type, int protocol)
{
	return fails("socket") ? -1 : machine_socket(domain, type, protocol);
}

int setsockopt(int fd, int level, int name, const void *value, socklen_t size)
{
	return fails("setsockopt") ? -1 : machine_setsockopt(fd, level, name, value, size);
}

int bind(int fd, const struct sockaddr *address, socklen_t size)
{
	return fails("bind") ? -1 : machine_bind(fd, address, size);
}

int ioctl(int fd, unsigned long request, ...)
{
	va_list arguments;

	va_start(arguments, request);
	void *argument = va_arg(arguments, void *);
	va_end(arguments);
	return fails("ioctl") ? -1 : machine_ioctl(fd, request, argument);
}

unsigned if_nametoindex(const char *name)
{
	return fails("if_nametoindex") ? 0 : machine_if_nametoindex(name);
}

int recvmmsg(int fd, struct mmsghdr *messages, unsigned count, int flags, struct timespec *timeout)
{
	return fails("recvmmsg") ? -1 : machine_recvmmsg(fd, messages, count, flags, timeout);
}

ssize_t recv(int fd, void *bytes, size_t size, int flags)
{
	NEXT(ssize_t, (int, void *, size_t, int), "recv")
	return fails("recv") ? -1 : next(fd, bytes, size, flags);
}

ssize_t sendto(int fd, const void *bytes, size_t size, int flags, const struct sockaddr *address,
	socklen_t address_size)
{
	NEXT(ssize_t, (int, const void *, size_t, int, const struct sockaddr *, socklen_t), "sendto")
	return fails("sendto") ? -1 : next(fd, bytes, size, flags, address, address_size);
}

int epoll_create1(int flags)
{
	NEXT(int, (int), "epoll_create1")
	return fails("epoll_create") ? -1 : next(flags);
}

int epoll_ctl(int epoll, int operation, int fd, struct epoll_event *event)
{
	NEXT(int, (int, int, int, struct epoll_event *), "epoll_ctl")
	return fails("epoll_ctl") ? -1 : next(epoll, operation, fd, event);
}

int epoll_pwait(int epoll, struct epoll_event *events, int most, int timeout_ms,
	const sigset_t *signals)
{
	return fails("epoll_wait") ? -1
				   : machine_epoll_pwait(epoll, events, most, timeout_ms, signals);
}

int epoll_wait(int epoll, struct epoll_event *events, int most, int timeout_ms)
{
	return epoll_pwait(epoll, events, most, timeout_ms, NULL);
}

int eventfd(unsigned first, int flags)
{
	NEXT(int, (unsigned, int), "eventfd")
	return fails("eventfd") ? -1 : next(first, flags);
}

int pipe2(int fds[2], int flags)
{
	NEXT(int, (int *, int), "pipe2")
	return fails("pipe") ? -1 : next(fds, flags);
}

int inotify_init1(int flags)
{
	NEXT(int, (int), "inotify_init1")
	return fails("inotify_init") ? -1 : next(flags);
}

int inotify_add_watch(int fd, const char *path, uint32_t mask)
{
	NEXT(int, (int, const char *, uint32_t), "inotify_add_watch")
	return fails("inotify_add_watch") ? -1 : next(fd, path, mask);
}

/* ---- libuv ---- */

#define UV_FAILS(name) (fails(name) ? -order.error : 0)

int uv_loop_init(uv_loop_t *loop)
{
	NEXT(int, (uv_loop_t *), "uv_loop_init")
	int error = UV_FAILS("uv_loop_init");
	return error != 0 ? error : next(loop);
}

int uv_queue_work(uv_loop_t *loop, uv_work_t *request, uv_work_cb work, uv_after_work_cb after)
{
	int error = UV_FAILS("uv_queue_work");
	return error != 0 ? error : machine_uv_queue_work(loop, request, work, after);
}

int uv_poll_init(uv_loop_t *loop, uv_poll_t *poll, int fd)
{
	NEXT(int, (uv_loop_t *, uv_poll_t *, int), "uv_poll_init")
	int error = UV_FAILS("uv_poll_init");
	return error != 0 ? error : next(loop, poll, fd);
}

int uv_poll_start(uv_poll_t *poll, int events, uv_poll_cb on_poll)
{
	NEXT(int, (uv_poll_t *, int, uv_poll_cb), "uv_poll_start")
	int error = UV_FAILS("uv_poll_start");
	return error != 0 ? error : next(poll, events, on_poll);
}

int uv_signal_start(uv_signal_t *handle, uv_signal_cb on_signal, int number)
{
	NEXT(int, (uv_signal_t *, uv_signal_cb, int), "uv_signal_start")
	int error = UV_FAILS("uv_signal_start");
	return error != 0 ? error : next(handle, on_signal, number);
}

/* ---- SQLite: what a call that fails has done is what it did when it failed for another reason:
 * nothing. Calls of its own among themselves are left alone: sqlite3_exec takes what became of a step
 * from the statement, and would go on as if it had been done. ---- */

static bool is_sqlites(void *caller)
{
	Dl_info info;

	return dladdr(caller, &info) != 0 && info.dli_fname != NULL &&
		strstr(info.dli_fname, "libsqlite3") != NULL;
}

#define SQLITE_FAILS(name) (!is_sqlites(__builtin_return_address(0)) && fails(name))

int sqlite3_open_v2(const char *name, sqlite3 **db, int flags, const char *vfs)
{
	NEXT(int, (const char *, sqlite3 **, int, const char *), "sqlite3_open_v2")
	if (SQLITE_FAILS("sqlite3_open")) {
		*db = NULL; /* as when there is no memory */
		return order.error;
	}
	return next(name, db, flags, vfs);
}

int sqlite3_prepare_v3(sqlite3 *db, const char *sql, int size, unsigned flags,
	sqlite3_stmt **statement, const char **rest)
{
	NEXT(int, (sqlite3 *, const char *, int, unsigned, sqlite3_stmt **, const char **),
		"sqlite3_prepare_v3")
	if (SQLITE_FAILS("sqlite3_prepare")) {
		*statement = NULL;
		return order.error;
	}
	return next(db, sql, size, flags, statement, rest);
}

int sqlite3_prepare_v2(sqlite3 *db, const char *sql, int size, sqlite3_stmt **statement,
	const char **rest)
{
	NEXT(int, (sqlite3 *, const char *, int, sqlite3_stmt **, const char **),
		"sqlite3_prepare_v2")
	if (SQLITE_FAILS("sqlite3_prepare")) {
		*statement = NULL;
		return order.error;
	}
	return next(db, sql, size, statement, rest);
}

int sqlite3_step(sqlite3_stmt *statement)
{
	NEXT(int, (sqlite3_stmt *), "sqlite3_step")
	return SQLITE_FAILS("sqlite3_step") ? order.error : next(statement);
}

int sqlite3_exec(sqlite3 *db, const char *sql, int (*on_row)(void *, int, char **, char **),
	void *context, char **error)
{
	NEXT(int, (sqlite3 *, const char *, int (*)(void *, int, char **, char **), void *,
		char **), "sqlite3_exec")
	return SQLITE_FAILS("sqlite3_exec") ? order.error : next(db, sql, on_row, context, error);
}

/* ---- memory: glibc's own allocator under its inner names ---- */

#ifdef MACHINE_MEMORY
extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *memory, size_t size);

void *malloc(size_t size)
{
	return fails("memory") ? NULL : __libc_malloc(size);
}

void *calloc(size_t count, size_t size)
{
	return fails("memory") ? NULL : __libc_calloc(count, size);
}

void *realloc(void *memory, size_t size)
{
	return fails("memory") ? NULL : __libc_realloc(memory, size);
}
#endif
