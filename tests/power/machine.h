/* machine.h: the machine that is preloaded into the program (machine.c), and the faults of its calls
 * (fault.c): a call that the program or a library makes comes to fault.c, which lets it fail or
 * passes it on. */
#ifndef SIGHTBOWL_TESTS_POWER_MACHINE_H
#define SIGHTBOWL_TESTS_POWER_MACHINE_H

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <sys/types.h>
#include <time.h>

#include <uv.h>

/* What whoever started the program can read meanwhile and afterwards. */
enum state {
	STATE_NOW_NS,     /* the wall clock */
	STATE_HEARD_NS,   /* time of the last frame that the program took */
	STATE_OPERATIONS, /* writes, syncs, truncations, removals */
	STATE_WRITTEN,    /* bytes */
	STATE_CALLS,      /* calls of the kind of MACHINE_FAULT */
	STATE_FAILED,     /* of them, those that failed */
	STATE_FAILED_NS,  /* when the last of them failed */
	STATE_TAKEN,      /* frames */
	STATE_VISITS,     /* visitors called so far … */
	STATE_VISITED,    /* … and through; written from outside */
	STATE_OPEN,       /* files that are open as the program ends by itself */
	STATE_BAD_CLOSES, /* files that were closed though they were not open */
	STATE_BY_LIBUV,   /* 1: libuv ended the program */
	STATE_WORDS,
};

extern int64_t *machine_state;

int machine_epoll_pwait(int epoll, struct epoll_event *events, int most, int timeout_ms,
	const sigset_t *signals);
int machine_uv_queue_work(uv_loop_t *loop, uv_work_t *request, uv_work_cb work,
	uv_after_work_cb after);
int machine_uv_spawn(uv_loop_t *loop, uv_process_t *process, const uv_process_options_t *options);
ssize_t machine_sendto(int fd, const void *bytes, size_t size, int flags,
	const struct sockaddr *address, socklen_t address_size);
unsigned machine_if_nametoindex(const char *name);
int machine_socket(int domain, int type, int protocol);
int machine_setsockopt(int fd, int level, int name, const void *value, socklen_t size);
int machine_bind(int fd, const struct sockaddr *address, socklen_t size);
int machine_ioctl(int fd, unsigned long request, void *argument);
int machine_recvmmsg(int fd, struct mmsghdr *messages, unsigned count, int flags,
	struct timespec *timeout);
int machine_open(const char *path, int flags, mode_t mode);
int machine_close(int fd);
ssize_t machine_pwrite(int fd, const void *bytes, size_t size, off_t at);
int machine_fsync(int fd);
int machine_ftruncate(int fd, off_t size);
int machine_unlink(const char *path);

void fault_begin(const char *order);

#endif
