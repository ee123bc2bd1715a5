/* fault.c: the calls that come to the machine, and those that can be made to fail.
 *
 *   MACHINE_FAULT=CALL:FIRST:COUNT:ERROR
 *   MACHINE_COUNTS=FILE   where the number of the calls of each kind is written as the program ends
 *
 * The calls CALL of numbers FIRST to FIRST + COUNT - 1 (from 1) fail with errno ERROR; for a function of
 * libuv that it returns negative, for one of SQLite it is the result code. malloc, calloc and realloc
 * are one kind, "memory". epoll_ctl of libuv is left alone: it ends the program when that fails. */
#include "machine.h"

#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <net/if.h>
#include <poll.h>
#include <pthread.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/inotify.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <sqlite3.h>

#define KINDS_MAX 80

static struct {
	char call[40];
	int64_t first, count;
	int error;
} order;

/* Shared with the processes that the program begins, NULL unless they are asked for. */
static struct kind {
	const char *call;
	int64_t calls;
} *kinds;

void fault_begin(const char *text)
{
	const char *colon = strchr(text, ':');

	if (getenv("MACHINE_COUNTS") != NULL) {
		kinds = mmap(NULL, KINDS_MAX * sizeof(*kinds), PROT_READ | PROT_WRITE,
			MAP_SHARED | MAP_ANONYMOUS, -1, 0);
		kinds = kinds == MAP_FAILED ? NULL : kinds;
	}
	if (colon == NULL || (size_t)(colon - text) >= sizeof(order.call)) {
		return;
	}
	char *rest;
	order.first = strtoll(colon + 1, &rest, 10);
	order.count = *rest == ':' ? strtoll(rest + 1, &rest, 10) : 1;
	order.error = *rest == ':' ? (int)strtol(rest + 1, &rest, 10) : EIO;
	memcpy(order.call, text, (size_t)(colon - text));
}

static void count_call(const char *call)
{
	for (size_t i = 0; i < KINDS_MAX; i++) {
		const char *none = NULL;

		if (__atomic_load_n(&kinds[i].call, __ATOMIC_SEQ_CST) == NULL) {
			(void)__atomic_compare_exchange_n(&kinds[i].call, &none, call, false,
				__ATOMIC_SEQ_CST, __ATOMIC_SEQ_CST);
		}
		if (strcmp(kinds[i].call, call) == 0) {
			(void)__atomic_add_fetch(&kinds[i].calls, 1, __ATOMIC_SEQ_CST);
			return;
		}
	}
}

__attribute__((destructor)) static void write_counts(void)
{
	FILE *out = kinds == NULL ? NULL : freopen(getenv("MACHINE_COUNTS"), "w", stdin);

	for (size_t i = 0; out != NULL && i < KINDS_MAX && kinds[i].call != NULL; i++) {
		(void)fprintf(out, "%s %lld\n", kinds[i].call, (long long)kinds[i].calls);
	}
	if (out != NULL) {
		(void)fflush(out);
	}
}

/* Whether this call is to fail. */
static bool fails(const char *call)
{
	if (kinds != NULL) {
		count_call(call);
	}
	if (order.call[0] == '\0' || strcmp(order.call, call) != 0) {
		return false;
	}
	int64_t n = __atomic_add_fetch(&machine_state[STATE_CALLS], 1, __ATOMIC_SEQ_CST);
	if (n < order.first || n - order.first >= order.count) {
		return false;
	}
	(void)__atomic_add_fetch(&machine_state[STATE_FAILED], 1, __ATOMIC_SEQ_CST);
	machine_state[STATE_FAILED_NS] = machine_state[STATE_NOW_NS];
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

ssize_t write(int fd, const void *bytes, size_t size)
{
	NEXT(ssize_t, (int, const void *, size_t), "write")
	return fd > STDERR_FILENO && is_file(fd) && fails("write") ? -1 : next(fd, bytes, size);
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

#define STATVFS(name, kind)                                                                        \
	int name(const char *path, struct kind *status)                                            \
	{                                                                                          \
		NEXT(int, (const char *, struct kind *), #name)                                  \
		return fails("statvfs") ? -1 : next(path, status);                                 \
	}
STATVFS(statvfs, statvfs)
STATVFS(statvfs64, statvfs64)

int mkdir(const char *path, mode_t mode)
{
	NEXT(int, (const char *, mode_t), "mkdir")
	return fails("mkdir") ? -1 : next(path, mode);
}

int rename(const char *from, const char *to)
{
	NEXT(int, (const char *, const char *), "rename")
	return fails("rename") ? -1 : next(from, to);
}

DIR *opendir(const char *path)
{
	NEXT(DIR *, (const char *), "opendir")
	return fails("opendir") ? NULL : next(path);
}

#define FOPEN(name)                                                                                \
	FILE *name(const char *path, const char *mode)                                             \
	{                                                                                          \
		NEXT(FILE *, (const char *, const char *), #name)                                \
		return fails("fopen") ? NULL : next(path, mode);                                   \
	}
FOPEN(fopen)
FOPEN(fopen64)

/* A read through stdio that fails says so with its stream's flag, which ferror looks at. */
char *fgets(char *line, int size, FILE *file)
{
	NEXT(char *, (char *, int, FILE *), "fgets")
	if (fails("fgets")) {
		file->_flags |= 0x20; /* glibc's _IO_ERR_SEEN */
		return NULL;
	}
	return next(line, size, file);
}

size_t fread(void *bytes, size_t size, size_t count, FILE *file)
{
	NEXT(size_t, (void *, size_t, size_t, FILE *), "fread")
	if (fails("fread")) {
		file->_flags |= 0x20;
		return 0;
	}
	return next(bytes, size, count, file);
}

/* The bytes go nowhere, as on a disk that is full. */
int fclose(FILE *file)
{
	NEXT(int, (FILE *), "fclose")
	if (fails("fclose")) {
		(void)next(file);
		errno = order.error;
		return EOF;
	}
	return next(file);
}

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

/* Flags of an open file can always be had and set, and a lock given back. Where a remote lock server
 * refuses the latter, the kernel gives it back here all the same; SQLite would take it as held until
 * each connection of the process is closed, and wait ten seconds at each question. */
static bool is_sure(int command, const void *argument)
{
	switch (command) {
	case F_GETFL:
	case F_SETFL:
	case F_GETFD:
	case F_SETFD:
		return true;
	case F_SETLK:
	case F_SETLKW:
		return ((const struct flock *)argument)->l_type == F_UNLCK;
	default:
		return false;
	}
}

#define FCNTL(name)                                                                                \
	int name(int fd, int command, ...)                                                         \
	{                                                                                          \
		NEXT(int, (int, int, void *), #name)                                               \
		va_list arguments;                                                                 \
		va_start(arguments, command);                                                      \
		void *argument = va_arg(arguments, void *);                                        \
		va_end(arguments);                                                                 \
		return !is_sure(command, argument) && fails("fcntl")                               \
			? -1                                                                       \
			: next(fd, command, argument);                                             \
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
	return fails("sendto") ? -1
			       : machine_sendto(fd, bytes, size, flags, address, address_size);
}

ssize_t send(int fd, const void *bytes, size_t size, int flags)
{
	NEXT(ssize_t, (int, const void *, size_t, int), "send")
	return fails("send") ? -1 : next(fd, bytes, size, flags);
}

ssize_t sendmsg(int fd, const struct msghdr *message, int flags)
{
	NEXT(ssize_t, (int, const struct msghdr *, int), "sendmsg")
	return fails("send") ? -1 : next(fd, message, flags);
}

int accept4(int fd, struct sockaddr *address, socklen_t *size, int flags)
{
	NEXT(int, (int, struct sockaddr *, socklen_t *, int), "accept4")
	return fails("accept") ? -1 : next(fd, address, size, flags);
}

int listen(int fd, int most)
{
	NEXT(int, (int, int), "listen")
	return fails("listen") ? -1 : next(fd, most);
}

int shutdown(int fd, int how)
{
	NEXT(int, (int, int), "shutdown")
	return fails("shutdown") ? -1 : next(fd, how);
}

int getsockname(int fd, struct sockaddr *address, socklen_t *size)
{
	NEXT(int, (int, struct sockaddr *, socklen_t *), "getsockname")
	return fails("getsockname") ? -1 : next(fd, address, size);
}

int getsockopt(int fd, int level, int name, void *value, socklen_t *size)
{
	NEXT(int, (int, int, int, void *, socklen_t *), "getsockopt")
	return fails("getsockopt") ? -1 : next(fd, level, name, value, size);
}

int socketpair(int domain, int type, int protocol, int fds[2])
{
	NEXT(int, (int, int, int, int *), "socketpair")
	return fails("socketpair") ? -1 : next(domain, type, protocol, fds);
}

int poll(struct pollfd *fds, nfds_t count, int timeout_ms)
{
	NEXT(int, (struct pollfd *, nfds_t, int), "poll")
	return fails("poll") ? -1 : next(fds, count, timeout_ms);
}

ssize_t getrandom(void *bytes, size_t size, unsigned flags)
{
	NEXT(ssize_t, (void *, size_t, unsigned), "getrandom")
	return fails("getrandom") ? -1 : next(bytes, size, flags);
}

/* ---- processes and threads ---- */

pid_t fork(void)
{
	NEXT(pid_t, (void), "fork")
	return fails("fork") ? -1 : next();
}

int execvp(const char *file, char *const arguments[])
{
	NEXT(int, (const char *, char *const *), "execvp")
	return fails("exec") ? -1 : next(file, arguments);
}

int pthread_create(pthread_t *thread, const pthread_attr_t *attributes, void *(*begin)(void *),
	void *context)
{
	NEXT(int, (pthread_t *, const pthread_attr_t *, void *(*)(void *), void *), "pthread_create")
	return fails("pthread_create") ? order.error : next(thread, attributes, begin, context);
}

static bool is_called_by(void *caller, const char *library)
{
	Dl_info info;

	return dladdr(caller, &info) != 0 && info.dli_fname != NULL &&
		strstr(info.dli_fname, library) != NULL;
}

int epoll_create1(int flags)
{
	NEXT(int, (int), "epoll_create1")
	return fails("epoll_create") ? -1 : next(flags);
}

int epoll_ctl(int epoll, int operation, int fd, struct epoll_event *event)
{
	NEXT(int, (int, int, int, struct epoll_event *), "epoll_ctl")
	/* The kernel always lets a file be taken out again. */
	if (operation != EPOLL_CTL_DEL && !is_called_by(__builtin_return_address(0), "libuv") &&
		fails("epoll_ctl")) {
		return -1;
	}
	return next(epoll, operation, fd, event);
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

/* Some failures libuv answers by ending the program. */
void abort(void)
{
	NEXT(void, (void), "abort")
	if (is_called_by(__builtin_return_address(0), "libuv")) {
		machine_state[STATE_BY_LIBUV] = 1;
	}
	next();
	_exit(134);
}

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

int uv_spawn(uv_loop_t *loop, uv_process_t *process, const uv_process_options_t *options)
{
	/* In its own way: the handle has been initialised when it fails. */
	return machine_uv_spawn(loop, process, options);
}

int uv_mutex_init(uv_mutex_t *mutex)
{
	NEXT(int, (uv_mutex_t *), "uv_mutex_init")
	int error = is_called_by(__builtin_return_address(0), "libuv") ? 0
								       : UV_FAILS("uv_mutex_init");
	return error != 0 ? error : next(mutex);
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
	/* uv_spawn's own cannot fail, and it does not look. */
	int error = is_called_by(__builtin_return_address(0), "libuv") ? 0
								       : UV_FAILS("uv_signal_start");
	return error != 0 ? error : next(handle, on_signal, number);
}

/* ---- SQLite: what a call that fails has done is what it did when it failed for another reason:
 * nothing. Calls of its own among themselves are left alone: sqlite3_exec takes what became of a step
 * from the statement, and would go on as if it had been done. ---- */

#define SQLITE_FAILS(name)                                                                         \
	(!is_called_by(__builtin_return_address(0), "libsqlite3") && fails(name))

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

/* ---- memory: glibc's own allocator under its inner names, or the sanitizer's ---- */

#ifdef MACHINE_MEMORY
extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *memory, size_t size);
__attribute__((weak)) extern void *__interceptor_malloc(size_t size);
__attribute__((weak)) extern void *__interceptor_calloc(size_t count, size_t size);
__attribute__((weak)) extern void *__interceptor_realloc(void *memory, size_t size);

void *malloc(size_t size)
{
	if (fails("memory")) {
		return NULL;
	}
	return __interceptor_malloc != NULL ? __interceptor_malloc(size) : __libc_malloc(size);
}

void *calloc(size_t count, size_t size)
{
	if (fails("memory")) {
		return NULL;
	}
	return __interceptor_calloc != NULL ? __interceptor_calloc(count, size)
					    : __libc_calloc(count, size);
}

void *realloc(void *memory, size_t size)
{
	if (fails("memory")) {
		return NULL;
	}
	return __interceptor_realloc != NULL ? __interceptor_realloc(memory, size)
					     : __libc_realloc(memory, size);
}
#endif
