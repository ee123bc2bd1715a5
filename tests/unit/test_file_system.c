#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/file_system.h"

static void the_file_system_of_proc_is_told(void **state)
{
	struct file_system system;

	(void)state;
	assert_true(file_system_of("/proc/self", &system));
	assert_string_equal(system.type, "proc");
	assert_true(file_system_has(&system, "rw"));
	assert_false(file_system_of("/no/such/folder", &system));
}

static void a_word_of_the_options_is_a_whole_one(void **state)
{
	struct file_system system = {"ext4", "rw,nolazytime,errors=remount-ro"};

	(void)state;
	assert_true(file_system_has(&system, "rw"));
	assert_false(file_system_has(&system, "lazytime"));
	assert_false(file_system_has(&system, "errors"));
	assert_true(file_system_has(&system, "errors=remount-ro"));
	assert_false(file_system_has(&system, "ro"));
}

/* A mount namespace of its own, as a service has it. */
static void a_mount_that_alone_is_read_only_is_shut_off(void **state)
{
	char folder[] = "/tmp/test_file_system.XXXXXX";

	(void)state;
	assert_non_null(mkdtemp(folder));
	assert_false(file_system_is_shut_off(folder));
	if (geteuid() != 0 || unshare(CLONE_NEWNS) != 0 ||
		mount("none", "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0) {
		assert_int_equal(rmdir(folder), 0);
		skip(); /* this user may not mount */
	}
	assert_int_equal(mount("none", folder, "tmpfs", 0, NULL), 0);
	assert_false(file_system_is_shut_off(folder));
	assert_int_equal(mount(NULL, folder, NULL, MS_REMOUNT | MS_BIND | MS_RDONLY, NULL), 0);
	assert_true(file_system_is_shut_off(folder));
	/* All of it read-only: nobody can write, it is only to be waited for. */
	assert_int_equal(mount(NULL, folder, NULL, MS_REMOUNT | MS_RDONLY, NULL), 0);
	assert_false(file_system_is_shut_off(folder));
	assert_int_equal(umount(folder), 0);
	assert_int_equal(rmdir(folder), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_file_system_of_proc_is_told),
		cmocka_unit_test(a_word_of_the_options_is_a_whole_one),
		cmocka_unit_test(a_mount_that_alone_is_read_only_is_shut_off),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
