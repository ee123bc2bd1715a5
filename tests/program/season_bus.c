/* season_bus.c: a CAN bus for a machine without one, and time that passes faster; preloaded into the program.
 *
 *   SEASON_BUS_LOG     a candump -L log (plain text): what its bus carries, whatever it is called
 * there SEASON_BUS_SPEED   how many times faster time passes; pauses of all traffic beyond a minute
 * are skipped SEASON_BUS_DONE    a file that is made when all has been read SEASON_BUS_NO_LINKS  a
 * file: while it is there, the kernel does not answer who asks for its links (netlink)
 *
 * The bus is "can0". Every clock that the program reads begins with the log's first frame and runs
 * at that speed, so that all its periods (commits, rests, flushes) keep their proportion. The
 * kernel's timers stay as they are: what is readable becomes so each few milliseconds, which wakes
 * the loop often enough. Frames carry the log's times, as the kernel's receive times would. What
 * comes while no socket is open is lost, but for the time before the first. Nothing else is
 * changed. */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <linux/can.h>
#include <linux/can/raw.h>
#include <linux/errqueue.h>
#include <linux/ethtool.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <sys/epoll.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/timerfd.h>

#ifndef SO_TIMESTAMPING_NEW
#define SO_TIMESTAMPING_NEW 65
#endif

#define NS       INT64_C(1000000000)
#define TICK_NS  5000000
#define PAUSE_NS (60 * NS)
#define TURN_NS  (2 * NS)
#define BUS_NAME "can0"

int64_t season_bus_now(void);

static struct {
	bool begun;
	double speed;
	int64_t first_ns; /* of the log */
	pthread_mutex_t lock; /* of these two */
	int64_t passed_ns;    /* for the program, at the last turn … */
	int64_t real_ns;      /* … and the machine's time then */
	int fd;		      /* the socket that is bound; 0: none */
	int new_fd;	      /* the one that was made last */
	bool was_bound;	      /* one was */
	FILE *log;
	bool has_next;
	struct can_frame next;
	int64_t next_ns;
} bus = {.lock = PTHREAD_MUTEX_INITIALIZER};

static int64_t machine_ns(void)
{
	struct timespec now;

	(void)syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now);
	return now.tv_sec * NS + now.tv_nsec;
}

/* Time that has passed for the program. */
int64_t season_bus_now(void)
{
	int64_t since_ns, now_ns;

	(void)pthread_mutex_lock(&bus.lock);
	since_ns = (int64_t)((double)(machine_ns() - bus.real_ns) * bus.speed);
	now_ns = bus.passed_ns + (since_ns < TURN_NS ? since_ns : TURN_NS);
	(void)pthread_mutex_unlock(&bus.lock);
	return now_ns;
}

/* The loop turns; time may skip a pause. */
static void turn(int64_t skip_ns)
{
	int64_t now_ns = season_bus_now();

	(void)pthread_mutex_lock(&bus.lock);
	bus.passed_ns = now_ns + skip_ns;
	bus.real_ns = machine_ns();
	(void)pthread_mutex_unlock(&bus.lock);
}

static void done(void)
{
	const char *path = getenv("SEASON_BUS_DONE");
	int fd = path == NULL ? -1 : open(path, O_CREAT | O_WRONLY, 0600);

	if (fd >= 0) {
		(void)close(fd);
	}
}

/* "(1777622400.000000) can0 1DF20000#0102" */
static void read_next(void)
{
	char line[200], frame[100];
	long long seconds, micros;
	unsigned id;

	bus.has_next = false;
	while (!bus.has_next && fgets(line, sizeof(line), bus.log) != NULL) {
		const char *at;
		unsigned byte;

		if (sscanf(line, "(%lld.%lld) %*s %99s", &seconds, &micros, frame) != 3 ||
			sscanf(frame, "%x#", &id) != 1 || strchr(frame, '#') == NULL ||
			strchr(frame, '#') != frame + 8) {
			continue; /* 29-bit data frames only */
		}
		at = frame + 9;
		memset(&bus.next, 0, sizeof(bus.next));
		bus.next.can_id = id | CAN_EFF_FLAG;
		while (bus.next.len < 8 && sscanf(at, "%2x", &byte) == 1) {
			bus.next.data[bus.next.len++] = (unsigned char)byte;
			at += 2;
		}
		bus.next_ns = seconds * NS + micros * 1000;
		bus.has_next = true;
	}
	if (!bus.has_next) {
		done();
	}
}

__attribute__((constructor)) static void begin(void)
{
	const char *path = getenv("SEASON_BUS_LOG");
	const char *speed = getenv("SEASON_BUS_SPEED");

	bus.speed = speed == NULL ? 1 : strtod(speed, NULL);
	bus.log = path == NULL ? NULL : fopen(path, "re");
	if (bus.log == NULL) {
		(void)fprintf(stderr, "season_bus: no log\n");
		_exit(99);
	}
	read_next();
	bus.first_ns = bus.next_ns - NS;
	bus.real_ns = machine_ns();
	bus.begun = true;
}

int clock_gettime(clockid_t clock, struct timespec *ret_time)
{
	static _Thread_local int64_t last_ns;
	int64_t now_ns;

	if (!bus.begun || clock == CLOCK_PROCESS_CPUTIME_ID || clock == CLOCK_THREAD_CPUTIME_ID) {
		return (int)syscall(SYS_clock_gettime, clock, ret_time);
	}
	/* Who reads both clocks reads them at one moment: what passes between is a hundred times longer here. */
	now_ns = clock == CLOCK_BOOTTIME && last_ns != 0 ? last_ns : season_bus_now();
	last_ns = clock == CLOCK_REALTIME ? now_ns : 0;
	now_ns += clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE ? bus.first_ns : 1000 * NS;
	ret_time->tv_sec = now_ns / NS;
	ret_time->tv_nsec = now_ns % NS;
	return 0;
}

time_t time(time_t *ret_time)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_REALTIME, &now);
	if (ret_time != NULL) {
		*ret_time = now.tv_sec;
	}
	return now.tv_sec;
}

static void *next_of(const char *name)
{
	return dlsym(RTLD_NEXT, name);
}

int socket(int domain, int type, int protocol)
{
	int (*real)(int, int, int);
	const struct itimerspec tick = {{0, TICK_NS}, {0, TICK_NS}};

	if (domain != PF_CAN) {
		*(void **)&real = next_of("socket");
		return real(domain, type, protocol);
	}
	bus.new_fd = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
	(void)timerfd_settime(bus.new_fd, 0, &tick, NULL);
	return bus.new_fd;
}

static bool is_ours(int fd)
{
	return fd > 0 && (fd == bus.fd || fd == bus.new_fd);
}

int ioctl(int fd, unsigned long request, ...)
{
	int (*real)(int, unsigned long, ...);
	va_list arguments;
	void *argument;
	struct ifreq *ask;

	va_start(arguments, request);
	argument = va_arg(arguments, void *);
	va_end(arguments);
	ask = argument;
	if (is_ours(fd) && request == SIOCGIFHWADDR) {
		ask->ifr_hwaddr.sa_family = ARPHRD_CAN;
		return 0;
	}
	if (is_ours(fd) && request == SIOCGIFFLAGS) {
		ask->ifr_flags = IFF_UP;
		return 0;
	}
	if (request == SIOCETHTOOL && strcmp(ask->ifr_name, BUS_NAME) == 0) {
		struct ethtool_drvinfo *info = (struct ethtool_drvinfo *)(void *)ask->ifr_data;

		(void)snprintf(info->driver, sizeof(info->driver), "vcan"); /* it has no controller */
		return 0;
	}
	*(void **)&real = next_of("ioctl");
	return real(fd, request, argument);
}

unsigned if_nametoindex(const char *name)
{
	return strcmp(name, BUS_NAME) == 0 ? 1000 : 0;
}

int setsockopt(int fd, int level, int name, const void *value, socklen_t size)
{
	int (*real)(int, int, int, const void *, socklen_t);

	*(void **)&real = next_of("setsockopt");
	/* No socket, so it is this bus; the number of one that was closed may be another's by now.
	 */
	return real(fd, level, name, value, size) == 0 || (errno == ENOTSOCK && is_ours(fd)) ? 0
											     : -1;
}

/* The C library declares its address with a union that is no ISO C. */
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wpedantic"
int bind(int fd, const struct sockaddr *address, socklen_t size)
{
	int (*real)(int, const struct sockaddr *, socklen_t);

	if (is_ours(fd) && address->sa_family == AF_CAN) {
		int64_t now_ns = bus.first_ns + season_bus_now();

		while (bus.was_bound && bus.has_next && bus.next_ns <= now_ns) {
			read_next();
		}
		bus.was_bound = true;
		bus.fd = fd;
		return 0;
	}
	*(void **)&real = next_of("bind");
	return real(fd, address, size);
}

ssize_t sendto(int fd, const void *bytes, size_t size, int flags, const struct sockaddr *address,
	socklen_t address_size)
{
	ssize_t (*real)(int, const void *, size_t, int, const struct sockaddr *, socklen_t);
	const char *no_links = getenv("SEASON_BUS_NO_LINKS");

	if (address != NULL && address->sa_family == AF_NETLINK && no_links != NULL &&
		access(no_links, F_OK) == 0) {
		errno = ENOBUFS;
		return -1;
	}
	*(void **)&real = next_of("sendto");
	return real(fd, bytes, size, flags, address, address_size);
}
#pragma GCC diagnostic pop

static int shortened(int timeout_ms)
{
	int shorter_ms = (int)(timeout_ms / bus.speed);

	return timeout_ms <= 0 ? timeout_ms : shorter_ms > 0 ? shorter_ms : 1;
}

int epoll_wait(int fd, struct epoll_event *events, int most, int timeout_ms)
{
	int (*real)(int, struct epoll_event *, int, int);

	turn(0);
	*(void **)&real = next_of("epoll_wait");
	return real(fd, events, most, shortened(timeout_ms));
}

int epoll_pwait(int fd, struct epoll_event *events, int most, int timeout_ms, const sigset_t *signals)
{
	int (*real)(int, struct epoll_event *, int, int, const sigset_t *);

	turn(0);
	*(void **)&real = next_of("epoll_pwait");
	return real(fd, events, most, shortened(timeout_ms), signals);
}

static void put_frame(struct mmsghdr *into)
{
	struct scm_timestamping64 times = {{{0}}};
	struct cmsghdr *part = (struct cmsghdr *)into->msg_hdr.msg_control;

	memcpy(into->msg_hdr.msg_iov[0].iov_base, &bus.next, sizeof(bus.next));
	into->msg_len = sizeof(bus.next);
	times.ts[0].tv_sec = bus.next_ns / NS;
	times.ts[0].tv_nsec = bus.next_ns % NS;
	part->cmsg_level = SOL_SOCKET;
	part->cmsg_type = SO_TIMESTAMPING_NEW;
	part->cmsg_len = CMSG_LEN(sizeof(times));
	memcpy(CMSG_DATA(part), &times, sizeof(times));
	into->msg_hdr.msg_controllen = CMSG_SPACE(sizeof(times));
}

int recvmmsg(int fd, struct mmsghdr *messages, unsigned count, int flags, struct timespec *timeout)
{
	uint64_t ticks;
	unsigned got = 0;
	int64_t now_ns = bus.first_ns + season_bus_now();

	(void)flags;
	(void)timeout;
	if (fd != bus.fd) {
		errno = EBADF;
		return -1;
	}
	(void)!read(fd, &ticks, sizeof(ticks));
	if (bus.has_next && bus.next_ns > now_ns + PAUSE_NS + NS) {
		turn(bus.next_ns - now_ns - PAUSE_NS);
		now_ns = bus.first_ns + season_bus_now();
	}
	while (got < count && bus.has_next && bus.next_ns <= now_ns) {
		put_frame(&messages[got++]);
		read_next();
	}
	if (got == 0) {
		errno = EAGAIN;
		return -1;
	}
	return (int)got;
}
