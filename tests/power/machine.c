/* machine.c: preloaded into the program: a machine of its own, that goes as fast as the program can
 * follow: clocks, a CAN bus, a disk whose power can be cut.
 *
 *   MACHINE_FRAMES    a file of struct heard, in order: what can0 carries; can1 is silent
 *   MACHINE_START_NS  the wall clock when the program starts; earlier frames were not heard
 *   MACHINE_STATE     a file of STATE_WORDS 64-bit words, mapped: see enum state
 *   MACHINE_FOLDER    the folder of the log; what is written there is on the machine's disk
 *   MACHINE_DISK      where the disk's content is put when the power is cut
 *   MACHINE_SEED      of what reaches the disk at a cut, and how long the disk takes
 *   MACHINE_SYNC_MS   the longest time that the disk takes to sync a file
 *   MACHINE_END       cut (the power goes), kill (SIGKILL), stop (SIGTERM) …
 *   MACHINE_END_NS    … at this time, or
 *   MACHINE_END_OP    … at this write, sync, truncation or removal in the folder, counted from 1
 *   MACHINE_READS_NS  times, separated by commas, at which somebody opens the log and reads
 *   MACHINE_ACTS      TIME_NS:ACT, separated by commas: what else happens, in order:
 *                     up=BUS, down=BUS, gone=BUS of an interface, can0 or can1; hup=FILE: that file takes
 *                     the configuration's place and the program is told; visit: somebody outside is
 *                     called (STATE_VISITS), who says when they are through (STATE_VISITED)
 *   MACHINE_CONFIG    the configuration's place
 *   MACHINE_FAULT     CALL:FIRST:COUNT:ERROR: fault.c
 *
 * The clocks go on only while the event loop waits, by as much as it waits for; while a worker
 * computes, a command runs or a visitor is there they stand still, while a worker waits for the disk
 * they and the bus go on. So what the program does depends on the machine's time alone, not on this
 * computer's. When nothing at all moves for PATIENCE_MS though a command or a visitor is there, time goes on
 * without them.
 *
 * The disk knows, for each file, what was synced, and in their order the writes and truncations since.
 * At a cut each of these is kept whole, kept in part, or lost, as the seed has it (enum fate), so also
 * a later one without an earlier one. A new name or a removal is safe when the folder was synced; on
 * half of the disks, by the seed, also when any file was, as a journalling file system has it. */
#include "machine.h"

#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <linux/can.h>
#include <linux/ethtool.h>
#include <linux/netlink.h>
#include <linux/rtnetlink.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <dirent.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>
#include <uv.h>

#define NS          INT64_C(1000000000)
#define FDS_MAX     4096
#define INODES_MAX  512
#define NAMES_MAX   64
#define READS_MAX   64
#define JOBS_MAX    16
#define ACTS_MAX    32
#define PATIENCE_MS 1500
#define BUSES       2
#define FIRST_INDEX 7  /* can0's number among the interfaces */
#define LISTENERS   8  /* to changes of the interfaces */
#define SECTOR      512
#define STAMPING    65 /* SO_TIMESTAMPING_NEW */

/* A frame as MACHINE_FRAMES holds it. */
struct heard {
	int64_t t_ns;
	uint32_t id;
	uint8_t len;
	uint8_t spare[3];
	uint8_t data[8];
};

enum fate {
	FATE_ALL_LOST,
	FATE_ALL_KEPT,
	FATE_EACH_BY_ITSELF,   /* whole or not at all */
	FATE_TORN,             /* each sector by itself */
	FATE_CUT_OFF,          /* all before one, that one in part, none after it */
	FATE_COUNT,
};

/* bytes NULL: a truncation to at. */
struct write {
	struct write *next;
	uint8_t *bytes;
	size_t size;
	off_t at;
};

struct inode {
	uint8_t *safe;      /* what a cut leaves for sure */
	size_t safe_size;
	size_t safe_room;
	struct write *first;
	struct write **last;
};

struct name {
	char name[NAME_MAX + 1];
	int inode;          /* -1: none */
	int safe_inode;
};

struct act {
	int64_t at_ns;
	char act[12];
	char of[24];
};

enum { CAN_NONE, CAN_UNBOUND, CAN_BOUND }; /* CAN_BOUND + number of the bus */

static struct {
	bool ready;
	const struct heard *frames;
	size_t count, next;
	int can_fd; /* the latest socket that listens to can0; -1: none */
	bool can_readable;
	uint8_t can_of_fd[FDS_MAX];
	bool missing[BUSES], down[BUSES];
	struct {
		int fd, peer; /* fd 0: none */
	} listeners[LISTENERS];
	struct act acts[ACTS_MAX];
	size_t act_count, act_next;
	char config[PATH_MAX];
	int children;        /* that run */
	int patience_ms;     /* that is left with them and the visitor */
	int64_t start_ns;
	int64_t own_state[STATE_WORDS];
	pthread_mutex_t lock;
	pthread_cond_t later;
	char folder[PATH_MAX], disk[PATH_MAX];
	bool journalling;
	int inode_of_fd[FDS_MAX]; /* + 1; -1: the folder itself */
	struct inode inodes[INODES_MAX];
	int inode_count;
	struct name names[NAMES_MAX];
	int name_count;
	enum { END_NEVER, END_CUT, END_KILL, END_STOP } end;
	int64_t end_ns, end_op;
	bool stopped;
	int64_t reads[READS_MAX];
	size_t read_count, read_next;
	int64_t sync_ns;
	uint64_t seed;
	int jobs;            /* under way; a worker that waits for the disk is at */
	int64_t disk_until;  /* this time; 0: it does not wait */
	pthread_t loop_thread;
} m = {
	.lock = PTHREAD_MUTEX_INITIALIZER,
	.later = PTHREAD_COND_INITIALIZER,
	.can_fd = -1,
};

int64_t *machine_state = m.own_state;

#define LOAD(name) *(void **)&real_##name = dlsym(RTLD_NEXT, #name)
static int (*real_open)(const char *, int, ...);
static int (*real_close)(int);
static ssize_t (*real_pwrite)(int, const void *, size_t, off_t);
static int (*real_fsync)(int);
static int (*real_ftruncate)(int, off_t);
static int (*real_unlink)(const char *);
static int (*real_clock_gettime)(clockid_t, struct timespec *);
static int (*real_epoll_pwait)(int, struct epoll_event *, int, int, const sigset_t *);
static int (*real_socket)(int, int, int);
static int (*real_setsockopt)(int, int, int, const void *, socklen_t);
static int (*real_bind)(int, const struct sockaddr *, socklen_t);
static int (*real_ioctl)(int, unsigned long, ...);
static unsigned (*real_if_nametoindex)(const char *);
static int (*real_recvmmsg)(int, struct mmsghdr *, unsigned, int, struct timespec *);
static int (*real_uv_queue_work)(uv_loop_t *, uv_work_t *, uv_work_cb, uv_after_work_cb);
static int (*real_uv_spawn)(uv_loop_t *, uv_process_t *, const uv_process_options_t *);
static ssize_t (*real_sendto)(int, const void *, size_t, int, const struct sockaddr *, socklen_t);

static uint64_t draw(void)
{
	m.seed ^= m.seed << 13;
	m.seed ^= m.seed >> 7;
	m.seed ^= m.seed << 17;
	return m.seed;
}

static int64_t number(const char *name, int64_t otherwise)
{
	const char *value = getenv(name);

	return value == NULL ? otherwise : strtoll(value, NULL, 10);
}

static const char *text(const char *name)
{
	const char *value = getenv(name);

	return value == NULL ? "" : value;
}

static void give_up(const char *what)
{
	(void)dprintf(STDERR_FILENO, "machine: %s: %s\n", what, strerror(errno));
	abort();
}

static void *map(const char *path, size_t size, bool shared)
{
	int fd = real_open(path, shared ? O_RDWR : O_RDONLY);
	void *mapped = fd < 0 ? MAP_FAILED
			      : mmap(NULL, size, shared ? PROT_READ | PROT_WRITE : PROT_READ,
					shared ? MAP_SHARED : MAP_PRIVATE, fd, 0);

	if (mapped == MAP_FAILED) {
		give_up(path);
	}
	(void)real_close(fd);
	return mapped;
}

/* ---- the disk ---- */

/* Files that no start of the machine takes up again. */
static bool is_volatile(const char *name)
{
	size_t length = strlen(name);

	return (length > 4 && strcmp(name + length - 4, "-shm") == 0) ||
		(length > 5 && strcmp(name + length - 5, ".lock") == 0);
}

static struct name *name_of(const char *name)
{
	for (int i = 0; i < m.name_count; i++) {
		if (strcmp(m.names[i].name, name) == 0) {
			return &m.names[i];
		}
	}
	if (m.name_count == NAMES_MAX) {
		give_up("too many names");
	}
	struct name *new = &m.names[m.name_count++];
	(void)snprintf(new->name, sizeof(new->name), "%s", name);
	new->inode = -1;
	new->safe_inode = -1;
	return new;
}

static int new_inode(void)
{
	if (m.inode_count == INODES_MAX) {
		give_up("too many files");
	}
	m.inodes[m.inode_count].last = &m.inodes[m.inode_count].first;
	return m.inode_count++;
}

static void make_safe_size(struct inode *inode, size_t size)
{
	if (size > inode->safe_room) {
		size_t room = size * 2 + 4096;
		uint8_t *safe = mmap(NULL, room, PROT_READ | PROT_WRITE,
			MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);

		if (safe == MAP_FAILED) {
			give_up("memory");
		}
		if (inode->safe_size > 0) {
			memcpy(safe, inode->safe, inode->safe_size);
			(void)munmap(inode->safe, inode->safe_room);
		}
		inode->safe = safe;
		inode->safe_room = room;
	}
	if (size > inode->safe_size) {
		memset(inode->safe + inode->safe_size, 0, size - inode->safe_size);
	}
	inode->safe_size = size;
}

static void reach(struct inode *inode, const struct write *write, size_t from, size_t size)
{
	size_t at = (size_t)write->at + from;

	if (at + size > inode->safe_size) {
		make_safe_size(inode, at + size);
	}
	memcpy(inode->safe + at, write->bytes + from, size);
}

static void reach_whole(struct inode *inode, const struct write *write)
{
	if (write->bytes == NULL) {
		make_safe_size(inode, (size_t)write->at);
	} else {
		reach(inode, write, 0, write->size);
	}
}

static void reach_torn(struct inode *inode, const struct write *write)
{
	for (size_t at = 0; at < write->size && write->bytes != NULL; at += SECTOR) {
		if (draw() % 2 == 0) {
			reach(inode, write, at, write->size - at < SECTOR ? write->size - at : SECTOR);
		}
	}
}

static void forget_write(struct inode *inode)
{
	struct write *write = inode->first;

	inode->first = write->next;
	if (inode->first == NULL) {
		inode->last = &inode->first;
	}
	(void)munmap(write, sizeof(*write) + write->size);
}

static void add_write(int inode_number, const void *bytes, size_t size, off_t at)
{
	/* Not from the program's heap: its memory is under test. */
	struct write *write = mmap(NULL, sizeof(*write) + size, PROT_READ | PROT_WRITE,
		MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
	struct inode *inode = &m.inodes[inode_number];

	if (write == MAP_FAILED) {
		give_up("memory");
	}
	write->size = size;
	write->at = at;
	if (bytes != NULL) {
		write->bytes = (uint8_t *)(write + 1);
		memcpy(write->bytes, bytes, size);
	}
	*inode->last = write;
	inode->last = &write->next;
}

static void make_names_safe(void)
{
	for (int i = 0; i < m.name_count; i++) {
		m.names[i].safe_inode = m.names[i].inode;
	}
}

static void make_safe(int inode_number)
{
	struct inode *inode = &m.inodes[inode_number];

	while (inode->first != NULL) {
		reach_whole(inode, inode->first);
		forget_write(inode);
	}
	if (m.journalling) {
		make_names_safe();
	}
}

static void load_folder(void)
{
	DIR *folder = opendir(m.folder);
	struct dirent *entry;

	while (folder != NULL && (entry = readdir(folder)) != NULL) {
		char path[PATH_MAX * 2];
		struct stat status;

		(void)snprintf(path, sizeof(path), "%s/%s", m.folder, entry->d_name);
		if (is_volatile(entry->d_name) || stat(path, &status) != 0 ||
			!S_ISREG(status.st_mode)) {
			continue;
		}
		struct name *name = name_of(entry->d_name);
		name->inode = name->safe_inode = new_inode();
		make_safe_size(&m.inodes[name->inode], (size_t)status.st_size);
		if (status.st_size > 0) {
			void *content = map(path, (size_t)status.st_size, false);
			memcpy(m.inodes[name->inode].safe, content, (size_t)status.st_size);
			(void)munmap(content, (size_t)status.st_size);
		}
	}
	if (folder != NULL) {
		(void)closedir(folder);
	}
}

static void apply_fates(void)
{
	enum fate fate = (enum fate)(draw() % FATE_COUNT);

	for (int i = 0; i < m.inode_count; i++) {
		struct inode *inode = &m.inodes[i];
		size_t count = 0, number = 0;

		for (struct write *w = inode->first; w != NULL; w = w->next) {
			count++;
		}
		size_t stop = count > 0 ? draw() % (count + 1) : 0;
		for (struct write *w = inode->first; w != NULL; w = w->next, number++) {
			bool whole = fate == FATE_ALL_KEPT ||
				(fate == FATE_EACH_BY_ITSELF && draw() % 2 == 0) ||
				(fate == FATE_CUT_OFF && number < stop);
			bool torn = fate == FATE_TORN || (fate == FATE_CUT_OFF && number == stop);

			if (whole) {
				reach_whole(inode, w);
			} else if (torn) {
				reach_torn(inode, w);
			}
		}
	}
	for (int i = 0; i < m.name_count; i++) {
		if (fate == FATE_ALL_KEPT || (fate != FATE_ALL_LOST && draw() % 2 == 0)) {
			m.names[i].safe_inode = m.names[i].inode;
		}
	}
}

/* The power goes: what is safe is put into m.disk. With the lock held; does not return. */
static _Noreturn void cut(void)
{
	apply_fates();
	for (int i = 0; i < m.name_count; i++) {
		char path[PATH_MAX * 2];
		struct inode *inode = &m.inodes[m.names[i].safe_inode];

		if (m.names[i].safe_inode < 0) {
			continue;
		}
		(void)snprintf(path, sizeof(path), "%s/%s", m.disk, m.names[i].name);
		int fd = real_open(path, O_WRONLY | O_CREAT | O_TRUNC, 0644);
		if (fd < 0 || (inode->safe_size > 0 &&
				      real_pwrite(fd, inode->safe, inode->safe_size, 0) !=
					      (ssize_t)inode->safe_size)) {
			give_up(path);
		}
		(void)real_close(fd);
	}
	_exit(99);
}

/* With the lock held. */
static void end(void)
{
	if (m.end == END_CUT) {
		cut();
	} else if (m.end == END_KILL) {
		(void)kill(getpid(), SIGKILL);
	} else if (m.end == END_STOP && !m.stopped) {
		m.stopped = true;
		(void)kill(getpid(), SIGTERM);
	}
}

/* ---- beginning ---- */

static void read_times(const char *list)
{
	char *rest;

	while (*list != '\0' && m.read_count < READS_MAX) {
		m.reads[m.read_count++] = strtoll(list, &rest, 10);
		list = *rest == ',' ? rest + 1 : rest;
	}
}

static void read_acts(const char *list)
{
	while (*list != '\0' && m.act_count < ACTS_MAX) {
		struct act *act = &m.acts[m.act_count++];
		char *rest;

		act->at_ns = strtoll(list, &rest, 10);
		(void)sscanf(rest, ":%11[^=,]=%23[^,]", act->act, act->of);
		list = strchr(rest, ',') == NULL ? "" : strchr(rest, ',') + 1;
	}
}

__attribute__((constructor)) static void begin(void)
{
	struct stat status;

	if (m.ready) {
		return;
	}
	m.ready = true;
	LOAD(open);
	LOAD(close);
	LOAD(pwrite);
	LOAD(fsync);
	LOAD(ftruncate);
	LOAD(unlink);
	LOAD(clock_gettime);
	LOAD(epoll_pwait);
	LOAD(socket);
	LOAD(setsockopt);
	LOAD(bind);
	LOAD(ioctl);
	LOAD(if_nametoindex);
	LOAD(recvmmsg);
	LOAD(uv_queue_work);
	LOAD(uv_spawn);
	LOAD(sendto);
	m.loop_thread = pthread_self();
	if (text("MACHINE_STATE")[0] != '\0') {
		machine_state = map(text("MACHINE_STATE"), sizeof(m.own_state), true);
	}
	(void)snprintf(m.folder, sizeof(m.folder), "%s", text("MACHINE_FOLDER"));
	(void)snprintf(m.disk, sizeof(m.disk), "%s", text("MACHINE_DISK"));
	m.end = strcmp(text("MACHINE_END"), "cut") == 0 ? END_CUT
		: strcmp(text("MACHINE_END"), "kill") == 0 ? END_KILL
		: strcmp(text("MACHINE_END"), "stop") == 0 ? END_STOP
							   : END_NEVER;
	m.end_ns = number("MACHINE_END_NS", INT64_MAX);
	m.end_op = number("MACHINE_END_OP", INT64_MAX);
	m.sync_ns = number("MACHINE_SYNC_MS", 0) * 1000000;
	m.seed = (uint64_t)number("MACHINE_SEED", 1) * 2654435761U + 88172645463325252U;
	for (int i = 0; i < 16; i++) {
		(void)draw(); /* close seeds begin alike */
	}
	m.journalling = draw() % 2 == 0;
	read_times(text("MACHINE_READS_NS"));
	read_acts(text("MACHINE_ACTS"));
	(void)snprintf(m.config, sizeof(m.config), "%s", text("MACHINE_CONFIG"));
	m.missing[1] = true;
	if (stat(text("MACHINE_FRAMES"), &status) == 0 && status.st_size > 0) {
		m.frames = map(text("MACHINE_FRAMES"), (size_t)status.st_size, false);
		m.count = (size_t)status.st_size / sizeof(*m.frames);
	}
	m.start_ns = number("MACHINE_START_NS", m.count > 0 ? m.frames[0].t_ns : 0);
	while (m.next < m.count && m.frames[m.next].t_ns < m.start_ns) {
		m.next++;
	}
	machine_state[STATE_NOW_NS] = m.start_ns;
	load_folder();
	fault_begin(text("MACHINE_FAULT"));
}

/* ---- clocks ---- */

int clock_gettime(clockid_t clock, struct timespec *now)
{
	begin(); /* a library's constructor may be earlier */
	int64_t ns = machine_state[STATE_NOW_NS];

	if (clock == CLOCK_PROCESS_CPUTIME_ID || clock == CLOCK_THREAD_CPUTIME_ID) {
		return real_clock_gettime(clock, now);
	}
	if (clock != CLOCK_REALTIME && clock != CLOCK_REALTIME_COARSE) {
		ns = ns - m.start_ns + 1000 * NS;
	}
	now->tv_sec = ns / NS;
	now->tv_nsec = ns % NS;
	return 0;
}

time_t time(time_t *out)
{
	struct timespec at;

	(void)clock_gettime(CLOCK_REALTIME, &at);
	if (out != NULL) {
		*out = at.tv_sec;
	}
	return at.tv_sec;
}

static void read_log(void)
{
	char path[PATH_MAX + 16], bytes[16];
	int fd;

	(void)snprintf(path, sizeof(path), "%s/boat.db", m.folder);
	fd = real_open(path, O_RDONLY | O_CLOEXEC);
	if (fd >= 0) {
		if (pread(fd, bytes, sizeof(bytes), 0) < 0) {
			errno = 0; /* that it was opened is all that counts */
		}
		(void)real_close(fd);
	}
}

static void say_link(int peer, size_t bus);

static void change_bus(size_t bus, bool missing, bool down)
{
	eventfd_t one = 1;

	m.missing[bus] = missing;
	m.down[bus] = down;
	for (size_t i = 0; i < LISTENERS; i++) {
		if (m.listeners[i].fd != 0) {
			say_link(m.listeners[i].peer, bus);
		}
	}
	for (int fd = 0; fd < FDS_MAX && (missing || down); fd++) {
		if (m.can_of_fd[fd] == CAN_BOUND + bus) {
			(void)eventfd_write(fd, one); /* reading it fails */
		}
	}
}

/* With the lock held. */
static void act_out(const struct act *act)
{
	size_t bus = strcmp(act->of, "can1") == 0 ? 1 : 0;
	char path[PATH_MAX + 32];

	if (strcmp(act->act, "visit") == 0) {
		m.patience_ms = PATIENCE_MS;
		(void)__atomic_add_fetch(&machine_state[STATE_VISITS], 1, __ATOMIC_SEQ_CST);
	} else if (strcmp(act->act, "hup") == 0) {
		(void)snprintf(path, sizeof(path), "%s.%s", m.config, act->of);
		if (syscall(SYS_rename, path, m.config) != 0) {
			give_up(path);
		}
		(void)kill(getpid(), SIGHUP);
	} else {
		change_bus(bus, strcmp(act->act, "gone") == 0, strcmp(act->act, "down") == 0);
	}
}

/* Lets time pass, with all that happens meanwhile but the program's doings. With the lock held. */
static void pass(int64_t until_ns)
{
	if (until_ns >= m.end_ns) {
		machine_state[STATE_NOW_NS] = m.end_ns;
		end();
	}
	if (until_ns > machine_state[STATE_NOW_NS]) {
		machine_state[STATE_NOW_NS] = until_ns;
	}
	if (m.disk_until != 0 && m.disk_until <= machine_state[STATE_NOW_NS]) {
		m.disk_until = 0;
		(void)pthread_cond_broadcast(&m.later);
	}
	while (m.act_next < m.act_count && m.acts[m.act_next].at_ns <= machine_state[STATE_NOW_NS]) {
		act_out(&m.acts[m.act_next++]);
	}
	/* What it carries while it is away or down, nobody hears. */
	while ((m.missing[0] || m.down[0]) && m.next < m.count &&
		m.frames[m.next].t_ns <= machine_state[STATE_NOW_NS]) {
		m.next++;
	}
	if (!m.can_readable && m.can_fd >= 0 && m.next < m.count &&
		m.frames[m.next].t_ns <= machine_state[STATE_NOW_NS]) {
		m.can_readable = true;
		(void)eventfd_write(m.can_fd, 1);
	}
	while (m.read_next < m.read_count && m.reads[m.read_next] <= machine_state[STATE_NOW_NS]) {
		m.read_next++;
		(void)pthread_mutex_unlock(&m.lock);
		read_log();
		(void)pthread_mutex_lock(&m.lock);
	}
}

/* Whether somebody computes, or has the program's attention. */
static bool is_held(void)
{
	return (m.jobs > 0 && m.disk_until == 0) ||
		(m.patience_ms > 0 &&
			(m.children > 0 ||
				__atomic_load_n(&machine_state[STATE_VISITED], __ATOMIC_SEQ_CST) <
					machine_state[STATE_VISITS]));
}

int machine_epoll_pwait(int epoll, struct epoll_event *events, int most, int timeout_ms,
	const sigset_t *signals)
{
	if (!pthread_equal(pthread_self(), m.loop_thread)) {
		return real_epoll_pwait(epoll, events, most, timeout_ms, signals);
	}
	(void)pthread_mutex_lock(&m.lock);
	for (;;) {
		int got = real_epoll_pwait(epoll, events, most, 0, signals);

		if (got != 0 || timeout_ms == 0) {
			(void)pthread_mutex_unlock(&m.lock);
			return got;
		}
		if (is_held()) {
			/* No time passes, but it may have come to its end. */
			(void)pthread_mutex_unlock(&m.lock);
			got = real_epoll_pwait(epoll, events, most, 1, signals);
			if (got != 0) {
				return got;
			}
			(void)pthread_mutex_lock(&m.lock);
			m.patience_ms -= m.jobs > 0 || m.patience_ms == 0 ? 0 : 1;
			continue;
		}
		int64_t now_ns = machine_state[STATE_NOW_NS];
		int64_t timeout_ns = timeout_ms < 0 ? NS : (int64_t)timeout_ms * 1000000;
		int64_t until_ns = now_ns + timeout_ns;
		bool whole = timeout_ms >= 0;

		if (m.disk_until != 0 && m.disk_until < until_ns) {
			until_ns = m.disk_until;
			whole = false;
		}
		if (!m.can_readable && m.can_fd >= 0 && m.next < m.count &&
			m.frames[m.next].t_ns < until_ns) {
			until_ns = m.frames[m.next].t_ns;
			whole = false;
		}
		pass(until_ns);
		if (whole) {
			(void)pthread_mutex_unlock(&m.lock);
			return real_epoll_pwait(epoll, events, most, 0, signals);
		}
		/* The rest of the timeout, in whole milliseconds as the caller counts. */
		if (timeout_ms >= 0) {
			int64_t left_ns = now_ns + timeout_ns - machine_state[STATE_NOW_NS];
			timeout_ms = left_ns <= 0 ? 0 : (int)((left_ns + 999999) / 1000000);
		}
	}
}

/* Waits for the disk: on a worker while the loop lets time pass, else time passes here. With the lock
 * held. */
static void wait_for_disk(void)
{
	if (m.sync_ns == 0) {
		return;
	}
	int64_t until_ns = machine_state[STATE_NOW_NS] + (int64_t)(draw() % (uint64_t)m.sync_ns);

	if (pthread_equal(pthread_self(), m.loop_thread)) {
		pass(until_ns);
		return;
	}
	m.disk_until = until_ns + 1;
	while (m.disk_until != 0) {
		(void)pthread_cond_wait(&m.later, &m.lock);
	}
}

/* ---- the workers ---- */

static struct job {
	uv_work_t *request;
	uv_work_cb work;
	uv_after_work_cb after;
} jobs[JOBS_MAX];

static struct job *job_of(uv_work_t *request)
{
	for (size_t i = 0; i < JOBS_MAX; i++) {
		if (jobs[i].request == request) {
			return &jobs[i];
		}
	}
	return NULL;
}

static void do_job(uv_work_t *request)
{
	(void)pthread_mutex_lock(&m.lock);
	uv_work_cb work = job_of(request)->work;
	(void)pthread_mutex_unlock(&m.lock);
	work(request);
}

static void after_job(uv_work_t *request, int status)
{
	(void)pthread_mutex_lock(&m.lock);
	struct job *job = job_of(request);
	uv_after_work_cb after = job->after;
	job->request = NULL;
	m.jobs--;
	(void)pthread_mutex_unlock(&m.lock);
	after(request, status);
}

int machine_uv_queue_work(uv_loop_t *loop, uv_work_t *request, uv_work_cb work,
	uv_after_work_cb after)
{
	(void)pthread_mutex_lock(&m.lock);
	struct job *job = job_of(NULL);
	if (job == NULL) {
		give_up("too many jobs");
	}
	*job = (struct job){request, work, after};
	m.jobs++;
	(void)pthread_mutex_unlock(&m.lock);
	int result = real_uv_queue_work(loop, request, do_job, after_job);
	if (result != 0) {
		(void)pthread_mutex_lock(&m.lock);
		job->request = NULL;
		m.jobs--;
		(void)pthread_mutex_unlock(&m.lock);
	}
	return result;
}

/* ---- commands that the program runs: one at a time ---- */

static uv_exit_cb on_exit_of_child;

static void child_ended(uv_process_t *process, int64_t status, int signal_number)
{
	(void)pthread_mutex_lock(&m.lock);
	m.children--;
	(void)pthread_mutex_unlock(&m.lock);
	on_exit_of_child(process, status, signal_number);
}

int machine_uv_spawn(uv_loop_t *loop, uv_process_t *process, const uv_process_options_t *options)
{
	uv_process_options_t ours = *options;
	int result;

	on_exit_of_child = options->exit_cb;
	ours.exit_cb = child_ended;
	result = real_uv_spawn(loop, process, &ours);
	if (result == 0) {
		(void)pthread_mutex_lock(&m.lock);
		m.children++;
		m.patience_ms = PATIENCE_MS;
		(void)pthread_mutex_unlock(&m.lock);
	}
	return result;
}

/* ---- the bus ---- */

static size_t bus_of(const char *name)
{
	return strcmp(name, "can0") == 0 ? 0 : strcmp(name, "can1") == 0 ? 1 : BUSES;
}

static bool is_can(int fd)
{
	return fd >= 0 && fd < FDS_MAX && m.can_of_fd[fd] != CAN_NONE;
}

/* One of the kernel's messages on interfaces (rtnetlink). */
static void say_link(int peer, size_t bus)
{
	struct {
		struct nlmsghdr header;
		struct ifinfomsg info;
		struct rtattr part;
		char name[8];
	} message;

	memset(&message, 0, sizeof(message));
	message.header.nlmsg_len = sizeof(message);
	message.header.nlmsg_type = m.missing[bus] ? RTM_DELLINK : RTM_NEWLINK;
	message.info.ifi_index = FIRST_INDEX + (int)bus;
	message.info.ifi_flags = m.down[bus] ? 0 : IFF_UP;
	message.part.rta_type = IFLA_IFNAME;
	message.part.rta_len = RTA_LENGTH(5);
	(void)snprintf(message.name, sizeof(message.name), "can%zu", bus);
	(void)real_sendto(peer, &message, sizeof(message), MSG_DONTWAIT | MSG_NOSIGNAL, NULL, 0);
}

/* The socket listens to changes of the interfaces: to ours. */
static int listen_to_links(int fd)
{
	int pair[2];

	for (size_t i = 0; i < LISTENERS; i++) {
		if (m.listeners[i].fd != 0) {
			continue;
		}
		if (syscall(SYS_socketpair, AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0,
			    pair) != 0 ||
			syscall(SYS_dup3, pair[0], fd, O_CLOEXEC) < 0) {
			give_up("socketpair");
		}
		(void)real_close(pair[0]);
		m.listeners[i].fd = fd;
		m.listeners[i].peer = (int)syscall(SYS_fcntl, pair[1], F_DUPFD_CLOEXEC, 512);
		(void)real_close(pair[1]);
		return 0;
	}
	give_up("too many listeners");
	return -1;
}

ssize_t machine_sendto(int fd, const void *bytes, size_t size, int flags,
	const struct sockaddr *address, socklen_t address_size)
{
	for (size_t i = 0; i < LISTENERS; i++) {
		if (m.listeners[i].fd != 0 && m.listeners[i].fd == fd) {
			for (size_t bus = 0; bus < BUSES; bus++) {
				if (!m.missing[bus]) {
					say_link(m.listeners[i].peer, bus);
				}
			}
			return (ssize_t)size;
		}
	}
	return real_sendto(fd, bytes, size, flags, address, address_size);
}

unsigned machine_if_nametoindex(const char *name)
{
	size_t bus = bus_of(name);

	if (bus < BUSES && m.missing[bus]) {
		errno = ENODEV;
		return 0;
	}
	return bus < BUSES ? FIRST_INDEX + (unsigned)bus : real_if_nametoindex(name);
}

int machine_socket(int domain, int type, int protocol)
{
	if (domain != PF_CAN) {
		return real_socket(domain, type, protocol);
	}
	int fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
	if (fd >= 0) {
		m.can_of_fd[fd] = CAN_UNBOUND;
	}
	return fd;
}

int machine_setsockopt(int fd, int level, int name, const void *value, socklen_t size)
{
	return is_can(fd) ? 0 : real_setsockopt(fd, level, name, value, size);
}

int machine_bind(int fd, const struct sockaddr *address, socklen_t size)
{
	if (is_can(fd)) {
		size_t bus = (size_t)((const struct sockaddr_can *)(const void *)address)->can_ifindex -
			FIRST_INDEX;

		if (bus >= BUSES || m.missing[bus]) {
			errno = ENODEV;
			return -1;
		}
		m.can_of_fd[fd] = (uint8_t)(CAN_BOUND + bus);
		if (bus == 0) {
			m.can_fd = fd;
			m.can_readable = false;
		}
		return 0;
	}
	if (address->sa_family == AF_NETLINK &&
		(((const struct sockaddr_nl *)(const void *)address)->nl_groups & RTMGRP_LINK) != 0) {
		return listen_to_links(fd);
	}
	return real_bind(fd, address, size);
}

int machine_ioctl(int fd, unsigned long request, void *argument)
{
	struct ifreq *interface = argument;
	size_t bus = BUSES;

	if (request == SIOCGIFHWADDR || request == SIOCGIFFLAGS || request == SIOCETHTOOL) {
		bus = bus_of(interface->ifr_name);
	}
	if (bus < BUSES && m.missing[bus]) {
		errno = ENODEV;
		return -1;
	}
	if (bus < BUSES && request == SIOCGIFHWADDR) {
		interface->ifr_hwaddr.sa_family = ARPHRD_CAN;
		return 0;
	}
	if (bus < BUSES && request == SIOCGIFFLAGS) {
		interface->ifr_flags = m.down[bus] ? 0 : IFF_UP;
		return 0;
	}
	if (request == SIOCETHTOOL) {
		struct ethtool_drvinfo *info = (void *)interface->ifr_data;

		memcpy(info->driver, "vcan", 5);
		return 0;
	}
	return real_ioctl(fd, request, argument);
}

static int hear_nothing(int fd)
{
	size_t bus = (size_t)m.can_of_fd[fd] - CAN_BOUND;
	eventfd_t taken;

	(void)pthread_mutex_lock(&m.lock);
	m.can_readable = fd == m.can_fd ? false : m.can_readable;
	(void)eventfd_read(fd, &taken);
	(void)pthread_mutex_unlock(&m.lock);
	errno = bus < BUSES && m.missing[bus] ? ENODEV : bus < BUSES && m.down[bus] ? ENETDOWN : EAGAIN;
	return -1;
}

int machine_recvmmsg(int fd, struct mmsghdr *messages, unsigned count, int flags,
	struct timespec *timeout)
{
	unsigned got = 0;

	if (!is_can(fd)) {
		return real_recvmmsg(fd, messages, count, flags, timeout);
	}
	if (fd != m.can_fd || m.missing[0] || m.down[0]) {
		return hear_nothing(fd);
	}
	while (got < count && m.next < m.count &&
		m.frames[m.next].t_ns <= machine_state[STATE_NOW_NS]) {
		const struct heard *heard = &m.frames[m.next];
		struct msghdr *header = &messages[got].msg_hdr;
		struct cmsghdr *part = CMSG_FIRSTHDR(header);
		int64_t times[6] = {heard->t_ns / NS, heard->t_ns % NS};
		struct can_frame frame = {.can_id = heard->id | CAN_EFF_FLAG, .len = heard->len};

		memcpy(frame.data, heard->data, sizeof(frame.data));
		memcpy(header->msg_iov->iov_base, &frame, CAN_MTU);
		messages[got].msg_len = CAN_MTU;
		part->cmsg_level = SOL_SOCKET;
		part->cmsg_type = STAMPING;
		part->cmsg_len = CMSG_LEN(sizeof(times));
		memcpy(CMSG_DATA(part), times, sizeof(times));
		header->msg_controllen = CMSG_SPACE(sizeof(times));
		machine_state[STATE_HEARD_NS] = heard->t_ns;
		machine_state[STATE_TAKEN]++;
		got++;
		m.next++;
	}
	return got > 0 ? (int)got : hear_nothing(fd);
}

/* ---- files ---- */

static int inode_of(int fd)
{
	return fd >= 0 && fd < FDS_MAX ? m.inode_of_fd[fd] - 1 : -1;
}

/* The name within the folder; NULL when the path lies elsewhere. */
static const char *within(const char *path)
{
	size_t length = strlen(m.folder);

	if (length == 0 || strncmp(path, m.folder, length) != 0 || path[length] != '/' ||
		strchr(path + length + 1, '/') != NULL) {
		return NULL;
	}
	return path + length + 1;
}

int machine_open(const char *path, int flags, mode_t mode)
{
	const char *name = within(path);
	int fd = real_open(path, flags, mode);

	if (fd < 0 || fd >= FDS_MAX) {
		return fd;
	}
	(void)pthread_mutex_lock(&m.lock);
	m.inode_of_fd[fd] = 0;
	if (m.folder[0] != '\0' && strcmp(path, m.folder) == 0) {
		m.inode_of_fd[fd] = -1;
	} else if (name != NULL && !is_volatile(name)) {
		struct name *known = name_of(name);
		if (known->inode < 0) {
			known->inode = new_inode();
		}
		m.inode_of_fd[fd] = known->inode + 1;
	}
	(void)pthread_mutex_unlock(&m.lock);
	return fd;
}

int machine_close(int fd)
{
	if (fd >= 0 && fd < FDS_MAX) {
		m.inode_of_fd[fd] = 0;
		m.can_of_fd[fd] = CAN_NONE;
	}
	if (fd == m.can_fd && fd >= 0) {
		m.can_fd = -1;
		m.can_readable = false;
		for (int other = 0; other < FDS_MAX; other++) {
			m.can_fd = m.can_of_fd[other] == CAN_BOUND ? other : m.can_fd;
		}
	}
	for (size_t i = 0; i < LISTENERS; i++) {
		if (m.listeners[i].fd != 0 && m.listeners[i].fd == fd) {
			m.listeners[i].fd = 0;
			(void)real_close(m.listeners[i].peer);
		}
	}
	int result = real_close(fd);
	if (result != 0 && errno == EBADF) {
		machine_state[STATE_BAD_CLOSES]++; /* with a thread between, it was another's file */
	}
	return result;
}

/* How many files are open as the program ends. */
__attribute__((destructor)) static void count_open(void)
{
	for (int fd = 0; fd < FDS_MAX; fd++) {
		machine_state[STATE_OPEN] += syscall(SYS_fcntl, fd, F_GETFD) >= 0 ? 1 : 0;
	}
}

/* Counts a change of the disk; the machine's end may be here. With the lock held. */
static void operation(void)
{
	machine_state[STATE_OPERATIONS]++;
	if (machine_state[STATE_OPERATIONS] >= m.end_op) {
		end();
	}
}

ssize_t machine_pwrite(int fd, const void *bytes, size_t size, off_t at)
{
	int inode = inode_of(fd);

	if (inode >= 0) {
		(void)pthread_mutex_lock(&m.lock);
		operation();
		add_write(inode, bytes, size, at);
		machine_state[STATE_WRITTEN] += (int64_t)size;
		(void)pthread_mutex_unlock(&m.lock);
	}
	return real_pwrite(fd, bytes, size, at);
}

int machine_fsync(int fd)
{
	int inode = inode_of(fd);

	if (inode < 0 && !(fd >= 0 && fd < FDS_MAX && m.inode_of_fd[fd] == -1)) {
		return real_fsync(fd);
	}
	(void)pthread_mutex_lock(&m.lock);
	operation();
	wait_for_disk();
	if (inode >= 0) {
		make_safe(inode);
	} else {
		make_names_safe();
	}
	(void)pthread_mutex_unlock(&m.lock);
	return 0;
}

int machine_ftruncate(int fd, off_t size)
{
	int inode = inode_of(fd);

	if (inode >= 0) {
		(void)pthread_mutex_lock(&m.lock);
		operation();
		add_write(inode, NULL, 0, size);
		(void)pthread_mutex_unlock(&m.lock);
	}
	return real_ftruncate(fd, size);
}

int machine_unlink(const char *path)
{
	const char *name = within(path);

	if (name != NULL && !is_volatile(name)) {
		(void)pthread_mutex_lock(&m.lock);
		operation();
		name_of(name)->inode = -1;
		(void)pthread_mutex_unlock(&m.lock);
	}
	return real_unlink(path);
}
