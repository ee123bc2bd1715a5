/* Each finding on the machine, by hand: a bus in every state, a clock in every state, a disk. The bus, the
 * clock and the file system's room are this file's own; the linker takes them instead of the program's. */
#include <errno.h>
#include <pwd.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/bus.h"
#include "daemon/machine_check.h"

static int open_result;
static struct controller controller;
static int64_t wall_s;
static int clock_state;
static int clock_status;
static double free_mb;

int bus_open(struct bus **ret_bus, const char *interface, unsigned number, enum bus_filter filter)
{
	(void)interface;
	(void)number;
	(void)filter;
	*ret_bus = NULL;
	return open_result;
}

void bus_close(struct bus *bus)
{
	(void)bus;
}

int bus_controller(const char *interface, struct controller *ret_controller)
{
	(void)interface;
	*ret_controller = controller;
	return 0;
}

const char *controller_state_name(enum controller_state state)
{
	return state == CONTROLLER_BUS_OFF ? "bus-off"
	     : state == CONTROLLER_ERROR_PASSIVE ? "error-passive" : "error-active";
}

int bus_fd(const struct bus *bus)
{
	(void)bus;
	return -1;
}

int bus_read(struct bus *bus, struct frame *frames, size_t count)
{
	(void)bus;
	(void)frames;
	(void)count;
	return 0;
}

uint64_t bus_dropped(const struct bus *bus)
{
	(void)bus;
	return 0;
}

bool bus_has_hardware_time(const struct bus *bus)
{
	(void)bus;
	return false;
}

int bus_restart(const char *interface)
{
	(void)interface;
	return 0;
}

time_t time(time_t *ret_time)
{
	if (ret_time != NULL) {
		*ret_time = (time_t)wall_s;
	}
	return (time_t)wall_s;
}

int adjtimex(struct timex *state)
{
	state->status = clock_status;
	return clock_state;
}

int statvfs(const char *path, struct statvfs *room)
{
	struct stat status;

	if (stat(path, &status) != 0) {
		return -1;
	}
	memset(room, 0, sizeof(*room));
	room->f_frsize = 1000;
	room->f_bavail = (fsblkcnt_t)(free_mb * 1000);
	return 0;
}

static struct {
	size_t count;
	char subject[4][64];
	enum machine_finding finding[4];
	char sentence[4][700];
} found;

static void on_finding(void *context, const char *subject, enum machine_finding finding,
	const char *sentence)
{
	(void)context;
	assert_true(found.count < 4);
	(void)snprintf(found.subject[found.count], 64, "%s", subject);
	(void)snprintf(found.sentence[found.count], 700, "%s", sentence);
	found.finding[found.count++] = finding;
}

static const struct machine_check_listener listener = {NULL, on_finding};

static int begin(void **state)
{
	(void)state;
	memset(&found, 0, sizeof(found));
	open_result = 0;
	controller = (struct controller){.state = CONTROLLER_ERROR_ACTIVE, .bit_rate = 250000};
	wall_s = 1777622400;
	clock_state = TIME_OK;
	clock_status = 0;
	free_mb = 5000;
	return 0;
}

/* The first finding must say these words. */
static void says(enum machine_finding finding, const char *subject, const char *what, const char *to_do)
{
	assert_true(found.count >= 1);
	assert_string_equal(found.subject[0], subject);
	assert_int_equal(found.finding[0], finding);
	if (strstr(found.sentence[0], what) == NULL || strstr(found.sentence[0], to_do) == NULL) {
		fail_msg("'%s' lacks '%s' or '%s'", found.sentence[0], what, to_do);
	}
	found.count = 0;
}

static void a_bus_in_order_is_told_with_its_rate(void **state)
{
	(void)state;
	controller.listen_only = true;
	machine_check_bus("can0", &listener);
	says(MACHINE_OK, "bus can0", "up at 250000 bit/s, controller error-active", "listen-only");
}

static void a_virtual_bus_has_no_rate(void **state)
{
	(void)state;
	controller.bit_rate = 0;
	machine_check_bus("vcan0", &listener);
	says(MACHINE_OK, "bus vcan0", "up", "no bit rate");
}

static void each_obstacle_of_a_bus_comes_with_what_to_do(void **state)
{
	static const struct {
		int error;
		enum machine_finding finding;
		const char *what, *to_do;
	} obstacles[] = {
		{-ENETDOWN, MACHINE_ADVICE, "down", "ip link set can0 up type can bitrate 250000"},
		{-ENODEV, MACHINE_ADVICE, "no such interface", "plug the adapter in"},
		{-EAFNOSUPPORT, MACHINE_ADVICE, "no CAN", "modprobe can_raw"},
		{-EPROTONOSUPPORT, MACHINE_ADVICE, "no CAN", "modules-load.d"},
		{-EPERM, MACHINE_FAILED, "not permitted", "run as a user"},
		{-EACCES, MACHINE_FAILED, "not permitted", "run as a user"},
		{-ENOTSUP, MACHINE_FAILED, "no CAN interface", "name another bus"},
		{-EMFILE, MACHINE_FAILED, "cannot be opened: Too many open files", "try again"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(obstacles) / sizeof(obstacles[0]); i++) {
		open_result = obstacles[i].error;
		machine_check_bus("can0", &listener);
		says(obstacles[i].finding, "bus can0", obstacles[i].what, obstacles[i].to_do);
	}
}

static void a_controller_in_trouble_comes_with_what_to_do(void **state)
{
	(void)state;
	controller.state = CONTROLLER_BUS_OFF;
	machine_check_bus("can0", &listener);
	says(MACHINE_ADVICE, "bus can0", "bus-off", "termination");
	controller.state = CONTROLLER_ERROR_PASSIVE;
	machine_check_bus("can0", &listener);
	says(MACHINE_ADVICE, "bus can0", "error-passive", "wiring");
	controller.has_counters = true;
	controller.receive_errors = 129;
	machine_check_bus("can0", &listener);
	says(MACHINE_ADVICE, "bus can0", "error-passive, 0 errors sending and 129 receiving", "wiring");
	controller.state = CONTROLLER_ERROR_ACTIVE;
	controller.bit_rate = 500000;
	machine_check_bus("can0", &listener);
	says(MACHINE_ADVICE, "bus can0", "up at 500000 bit/s", "bitrate 250000");
}

static void a_bus_that_is_not_listen_only_is_advised_to_be(void **state)
{
	(void)state;
	machine_check_bus("can0", &listener);
	says(MACHINE_ADVICE, "bus can0", "not listen-only", "listen-only on");
}

static void each_state_of_the_clock_comes_with_what_to_do(void **state)
{
	(void)state;
	machine_check_clock(&listener);
	says(MACHINE_OK, "clock", "kept right", "");
	clock_state = TIME_ERROR;
	machine_check_clock(&listener);
	says(MACHINE_ADVICE, "clock", "nothing keeps it right", "time service");
	clock_state = TIME_OK;
	clock_status = STA_UNSYNC;
	machine_check_clock(&listener);
	says(MACHINE_ADVICE, "clock", "nothing keeps it right", "GPS on the bus");
	wall_s = 1000;
	machine_check_clock(&listener);
	says(MACHINE_ADVICE, "clock", "wrong (before 2025)", "put right when");
}

static void each_state_of_the_disk_comes_with_what_to_do(void **state)
{
	struct log_settings log = {.size_mb = 500};
	char folder[] = "/tmp/test_machine_check.XXXXXX";
	char path[80];

	(void)state;
	assert_non_null(mkdtemp(folder));
	(void)snprintf(path, sizeof(path), "%s/boat.db", folder);
	machine_check_disk(path, &log, &listener);
	says(MACHINE_OK, "disk", "5000 MB are free", "");
	free_mb = 20;
	machine_check_disk(path, &log, &listener);
	says(MACHINE_ADVICE, "disk", "20 MB are free, the log may grow by 500", "lower size_mb");
	(void)snprintf(path, sizeof(path), "%s/none/boat.db", folder);
	machine_check_disk(path, &log, &listener);
	says(MACHINE_FAILED, "disk", "No such file or directory", "make it");
	if (geteuid() != 0) { /* root may write anywhere */
		assert_int_equal(chmod(folder, 0500), 0);
		(void)snprintf(path, sizeof(path), "%s/boat.db", folder);
		machine_check_disk(path, &log, &listener);
		says(MACHINE_FAILED, "disk", "cannot be written", "sightbowl");
		assert_int_equal(chmod(folder, 0700), 0);
	}
	assert_int_equal(rmdir(folder), 0);
}

/* access(2) asks for the real user; root, who may write anywhere, asks as one who may not. */
static bool become_somebody(void)
{
	return getuid() != 0 || setresuid(65534, (uid_t)-1, 0) == 0;
}

static void become_root_again(uid_t before)
{
	assert_int_equal(setresuid(before, (uid_t)-1, (uid_t)-1), 0);
}

static void each_file_of_the_log_that_cannot_be_written_is_told_with_the_chown(void **state)
{
	static const char *const endings[] = {"", "-wal", "-shm", "-batch", ".lock"};
	struct log_settings log = {.size_mb = 500};
	char folder[] = "/tmp/test_machine_check.XXXXXX";
	char log_path[80], path[100], remedy[140];
	uid_t before = getuid();

	(void)state;
	assert_non_null(mkdtemp(folder));
	assert_int_equal(chmod(folder, 0777), 0);
	(void)snprintf(log_path, sizeof(log_path), "%s/boat.db", folder);
	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		(void)snprintf(path, sizeof(path), "%s%s", log_path, endings[i]);
		(void)snprintf(remedy, sizeof(remedy), "chown sightbowl %s", path);
		FILE *file = fopen(path, "w");
		assert_non_null(file);
		assert_int_equal(fclose(file), 0);
		assert_int_equal(chmod(path, 0444), 0);
		assert_true(become_somebody());
		machine_check_disk(log_path, &log, &listener);
		become_root_again(before);
		says(MACHINE_FAILED, "log file", "Permission denied", remedy);
		assert_int_equal(chmod(path, 0666), 0);
		assert_true(become_somebody());
		machine_check_disk(log_path, &log, &listener);
		become_root_again(before);
		says(MACHINE_OK, "disk", "MB are free", "");
	}
	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		(void)snprintf(path, sizeof(path), "%s%s", log_path, endings[i]);
		assert_int_equal(unlink(path), 0);
	}
	assert_int_equal(rmdir(folder), 0);
}

static void what_is_anothers_is_to_be_asked_about_as_that_user(void **state)
{
	struct log_settings log = {.size_mb = 500};
	char folder[] = "/tmp/test_machine_check.XXXXXX";
	const struct passwd *owner = getpwnam("daemon"); /* of every Debian system */
	char path[80];
	uid_t before = getuid();

	(void)state;
	if (before != 0 || owner == NULL) {
		skip(); /* only root can give a folder away */
	}
	assert_non_null(mkdtemp(folder));
	assert_int_equal(chmod(folder, 0755), 0);
	assert_int_equal(chown(folder, owner->pw_uid, owner->pw_gid), 0);
	(void)snprintf(path, sizeof(path), "%s/boat.db", folder);
	assert_true(become_somebody());
	machine_check_disk(path, &log, &listener);
	become_root_again(before);
	says(MACHINE_FAILED, "disk", "cannot be written", "sudo -u daemon sightbowl check");
	assert_true(become_somebody());
	machine_check_captures(folder, &listener);
	become_root_again(before);
	says(MACHINE_FAILED, "capture folder", "Permission denied", "sudo -u daemon sightbowl check");
	assert_int_equal(rmdir(folder), 0);
}

static void each_state_of_the_capture_folder_comes_with_what_to_do(void **state)
{
	char folder[] = "/tmp/test_machine_check.XXXXXX";
	char path[80];
	uid_t before = getuid();

	(void)state;
	assert_non_null(mkdtemp(folder));
	machine_check_captures(folder, &listener);
	says(MACHINE_OK, "capture folder", "can be written", folder);
	(void)snprintf(path, sizeof(path), "%s/captures/", folder);
	machine_check_captures(path, &listener);
	says(MACHINE_OK, "capture folder", "not there yet", "watch makes it");
	(void)snprintf(path, sizeof(path), "%s/none/captures", folder);
	machine_check_captures(path, &listener);
	says(MACHINE_FAILED, "capture folder", "No such file", "install -d -m 750 -o sightbowl /tmp/");
	assert_int_equal(chmod(folder, 0555), 0);
	assert_true(become_somebody());
	machine_check_captures(folder, &listener);
	says(MACHINE_FAILED, "capture folder", "Permission denied", "chown sightbowl /tmp/");
	(void)snprintf(path, sizeof(path), "%s/captures", folder);
	machine_check_captures(path, &listener);
	says(MACHINE_FAILED, "capture folder", "Permission denied", "install -d");
	become_root_again(before);
	assert_int_equal(rmdir(folder), 0);
	machine_check_captures("/proc/self/status", &listener);
	says(MACHINE_FAILED, "capture folder", "is no folder", "name another");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup(a_bus_in_order_is_told_with_its_rate, begin),
		cmocka_unit_test_setup(a_virtual_bus_has_no_rate, begin),
		cmocka_unit_test_setup(each_obstacle_of_a_bus_comes_with_what_to_do, begin),
		cmocka_unit_test_setup(a_controller_in_trouble_comes_with_what_to_do, begin),
		cmocka_unit_test_setup(a_bus_that_is_not_listen_only_is_advised_to_be, begin),
		cmocka_unit_test_setup(each_state_of_the_clock_comes_with_what_to_do, begin),
		cmocka_unit_test_setup(each_state_of_the_disk_comes_with_what_to_do, begin),
		cmocka_unit_test_setup(
			each_file_of_the_log_that_cannot_be_written_is_told_with_the_chown, begin),
		cmocka_unit_test_setup(what_is_anothers_is_to_be_asked_about_as_that_user, begin),
		cmocka_unit_test_setup(each_state_of_the_capture_folder_comes_with_what_to_do, begin),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
