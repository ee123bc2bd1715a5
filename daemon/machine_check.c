#include "daemon/machine_check.h"

#include <errno.h>
#include <inttypes.h>
#include <pwd.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#include "daemon/bus.h"
#include "daemon/bus_refusal.h"
#include "daemon/clock_watch.h"
#include "daemon/file_system.h"
#include "daemon/print_format.h"

#define BIT_RATE_ABOARD 250000

PRINT_FORMAT(4, 5) static void find(const struct machine_check_listener *listener,
	const char *subject, enum machine_finding finding, const char *format, ...)
{
	char sentence[600];
	va_list arguments;

	va_start(arguments, format);
	(void)vsnprintf(sentence, sizeof(sentence), format, arguments);
	va_end(arguments);
	listener->on_finding(listener->context, subject, finding, sentence);
}

/* "error-passive, 0 errors sending and 127 receiving": its counters fall with each good frame. */
static void describe_controller(const struct controller *controller, char *text, size_t size)
{
	if (!controller->has_counters ||
		(controller->send_errors == 0 && controller->receive_errors == 0)) {
		(void)snprintf(text, size, "%s", controller_state_name(controller->state));
		return;
	}
	(void)snprintf(text, size, "%s, %u errors sending and %u receiving",
		controller_state_name(controller->state), (unsigned)controller->send_errors,
		(unsigned)controller->receive_errors);
}

static void check_controller(const char *interface, const char *subject,
	const struct machine_check_listener *listener)
{
	struct controller controller;
	char state[96];

	if (bus_controller(interface, &controller) != 0 || controller.bit_rate == 0) {
		find(listener, subject, MACHINE_OK, "up; it tells no bit rate");
		return;
	}
	describe_controller(&controller, state, sizeof(state));
	if (controller.state == CONTROLLER_BUS_OFF || controller.state == CONTROLLER_ERROR_PASSIVE) {
		find(listener, subject, MACHINE_ADVICE, "the controller is %s: look at wiring, "
			"termination (two resistors of 120 ohm) and bit rate", state);
		return;
	}
	if (controller.bit_rate != BIT_RATE_ABOARD) {
		find(listener, subject, MACHINE_ADVICE, "up at %" PRIu32 " bit/s; NMEA 2000 and most "
			"J1939 aboard run at %d: ip link set %s down; ip link set %s up type can "
			"bitrate %d", controller.bit_rate, BIT_RATE_ABOARD, interface, interface,
			BIT_RATE_ABOARD);
		return;
	}
	if (!controller.listen_only) {
		find(listener, subject, MACHINE_ADVICE, "up at %" PRIu32 " bit/s, controller %s, not "
			"listen-only: where two other nodes or more are on the bus, let the controller "
			"only listen: ip link set %s down; ip link set %s up type can bitrate %d "
			"listen-only on", controller.bit_rate, state, interface, interface,
			BIT_RATE_ABOARD);
		return;
	}
	find(listener, subject, MACHINE_OK, "up at %" PRIu32 " bit/s, controller %s, listen-only",
		controller.bit_rate, state);
}

void machine_check_bus(const char *interface, const struct machine_check_listener *listener)
{
	struct bus *bus = NULL;
	char subject[64];
	int result = bus_open(&bus, interface, 0, BUS_ALL_FRAMES);

	(void)snprintf(subject, sizeof(subject), "bus %s", interface);
	bus_close(result == 0 ? bus : NULL);
	switch (result) {
	case 0:
		check_controller(interface, subject, listener);
		break;
	case -ENETDOWN:
		find(listener, subject, MACHINE_ADVICE, "there, but down: ip link set %s up type can "
			"bitrate %d, or the systemd-networkd file 80-can0.network (docs/watch.md)", interface,
			BIT_RATE_ABOARD);
		break;
	case -ENODEV:
		find(listener, subject, MACHINE_ADVICE,
			"there is no such interface: plug the adapter in, load its driver, or name "
			"another bus ([bus NAME] in the configuration)");
		break;
	case -EAFNOSUPPORT:
	case -EPROTONOSUPPORT:
		find(listener, subject, MACHINE_ADVICE,
			"%s. For good: a line 'can_raw' in /etc/modules-load.d/can.conf. Captures "
			"can be replayed here all the same",
			bus_refusal(result));
		break;
	case -EPERM:
	case -EACCES:
		find(listener, subject, MACHINE_FAILED, "not permitted to open it: run as a user "
			"who may open CAN sockets");
		break;
	case -ENOTSUP:
		find(listener, subject, MACHINE_FAILED, "no CAN interface: name another bus");
		break;
	default:
		find(listener, subject, MACHINE_FAILED, "cannot be opened: %s; try again, and if that "
			"does not help, start the computer anew", strerror(-result));
		break;
	}
}

void machine_check_clock(const struct machine_check_listener *listener)
{
	struct timex state = {0};
	int kept = adjtimex(&state);

	if (time(NULL) < CLOCK_WATCH_WRITTEN_S) {
		find(listener, "clock", MACHINE_ADVICE, "it is wrong (before 2025); the log is put "
			"right when the bus or a time service brings the time");
	} else if (kept == TIME_ERROR || (state.status & STA_UNSYNC) != 0) {
		find(listener, "clock", MACHINE_ADVICE, "nothing keeps it right just now; a time "
			"service (systemd-timesyncd), a battery clock, or a GPS on the bus would");
	} else {
		find(listener, "clock", MACHINE_OK, "it is kept right by a time service");
	}
}

/* The folder of a path, into folder. */
static void folder_of(const char *path, char *folder, size_t size)
{
	char *slash;

	(void)snprintf(folder, size, "%s", path);
	slash = strrchr(folder, '/');
	if (slash == NULL) {
		(void)snprintf(folder, size, ".");
	} else {
		slash[slash == folder ? 1 : 0] = '\0';
	}
}

/* How a user who may not write a file or folder is to go on: as the one whose it is, where that is neither
 * this user nor root, else by giving it to the daemon's. */
static void describe_remedy(const char *path, char *remedy, size_t size)
{
	struct stat status;
	const struct passwd *owner = NULL;

	if (getuid() != 0 && stat(path, &status) == 0 && status.st_uid != 0 &&
		status.st_uid != getuid()) {
		owner = getpwuid(status.st_uid);
	}
	if (owner != NULL) {
		(void)snprintf(remedy, size, "it is %.40s's: if watch runs as that user, ask as that "
			"user too: sudo -u %.40s sightbowl check", owner->pw_name, owner->pw_name);
	} else {
		(void)snprintf(remedy, size, "give it to the user watch runs as: chown sightbowl %.200s",
			path);
	}
}

/* The log and what lies beside it: each of them that is there must be writable, whoever made it. Returns
 * whether they are. */
static bool check_log_files(const char *log_path, const struct machine_check_listener *listener)
{
	static const char *const endings[] = {"", "-wal", "-shm", "-batch", ".lock"};

	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		char path[1200], remedy[300];
		int obstacle;

		(void)snprintf(path, sizeof(path), "%s%s", log_path, endings[i]);
		if (access(path, W_OK) == 0 || errno == ENOENT) {
			continue;
		}
		obstacle = errno;
		describe_remedy(path, remedy, sizeof(remedy));
		find(listener, "log file", MACHINE_FAILED, "watch cannot write '%.200s' as this user: "
			"%s; %s", path, strerror(obstacle), remedy);
		return false;
	}
	return true;
}

void machine_check_captures(const char *capture_folder,
	const struct machine_check_listener *listener)
{
	static const char subject[] = "capture folder";
	char path[1100], folder[1100], remedy[300];
	struct stat status;
	int obstacle;

	(void)snprintf(path, sizeof(path), "%s", capture_folder);
	for (size_t length = strlen(path); length > 1 && path[length - 1] == '/'; length--) {
		path[length - 1] = '\0';
	}
	if (stat(path, &status) == 0) {
		if (!S_ISDIR(status.st_mode)) {
			find(listener, subject, MACHINE_FAILED, "'%.200s' is no folder: name another "
				"(capture_folder in [log])", path);
		} else if (access(path, W_OK | X_OK) == 0) {
			find(listener, subject, MACHINE_OK, "'%.200s' can be written", path);
		} else if (errno == EROFS) {
			find(listener, subject, MACHINE_FAILED, "the file system of '%.200s' is read-only: "
				"look at it with fsck, or name another folder (capture_folder in "
				"[log])", path);
		} else {
			obstacle = errno;
			describe_remedy(path, remedy, sizeof(remedy));
			find(listener, subject, MACHINE_FAILED, "raw frames cannot be kept in '%.200s' as "
				"this user: %s; %s", path, strerror(obstacle), remedy);
		}
		return;
	}
	obstacle = errno;
	folder_of(path, folder, sizeof(folder));
	if (obstacle == ENOENT) {
		if (access(folder, W_OK | X_OK) == 0) {
			find(listener, subject, MACHINE_OK, "'%.200s' is not there yet: watch makes it",
				path);
			return;
		}
		obstacle = errno;
	}
	find(listener, subject, MACHINE_FAILED, "raw frames cannot be kept in '%.150s': %s; make it: "
		"install -d -m 750 -o sightbowl %.150s, or name another (capture_folder in [log])",
		path, strerror(obstacle), path);
}

void machine_check_disk(const char *log_path, const struct log_settings *log,
	const struct machine_check_listener *listener)
{
	char folder[1100], remedy[300];
	struct file_system system;
	double needed_mb = log->size_mb;
	struct statvfs room;
	struct stat status;

	folder_of(log_path, folder, sizeof(folder));
	if (statvfs(folder, &room) != 0) {
		find(listener, "disk", MACHINE_FAILED, "folder '%.300s': %s; make it, or name another "
			"log (--db, or path in [log])", folder, strerror(errno));
		return;
	}
	if (access(folder, W_OK) != 0) {
		if (errno == EROFS) {
			(void)snprintf(remedy, sizeof(remedy), "the file system is read-only (often after "
				"an error: look at it with fsck)");
		} else {
			describe_remedy(folder, remedy, sizeof(remedy));
		}
		find(listener, "disk", MACHINE_FAILED, "folder '%.200s' cannot be written: %s", folder,
			remedy);
		return;
	}
	if (!check_log_files(log_path, listener)) {
		return;
	}
	if (stat(log_path, &status) == 0) {
		needed_mb -= (double)status.st_size / 1e6;
	}
	double free_mb = (double)room.f_bavail * (double)room.f_frsize / 1e6;
	if (room.f_bavail == 0) {
		find(listener, "disk", MACHINE_FAILED, "it is full: make room; until then watch keeps "
			"what it can in memory");
	} else if (free_mb < needed_mb) {
		find(listener, "disk", MACHINE_ADVICE, "%.0f MB are free, the log may grow by %.0f: "
			"make room, or lower size_mb in [log]", free_mb, needed_mb);
	} else {
		find(listener, "disk", MACHINE_OK, "%.0f MB are free", free_mb);
	}
	if (file_system_of(folder, &system) && strcmp(system.type, "ext4") == 0) {
		if (file_system_has(&system, "lazytime")) {
			find(listener, "file system", MACHINE_OK, "ext4 with lazytime");
		} else {
			find(listener, "file system", MACHINE_ADVICE, "ext4 without lazytime writes "
				"some three times as much: add lazytime to its options in /etc/fstab "
				"where it lies on a memory card");
		}
	}
}
