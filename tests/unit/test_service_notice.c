#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/service_notice.h"

static int listen_on(const struct sockaddr_un *address, size_t name_length)
{
	int fd = socket(AF_UNIX, SOCK_DGRAM, 0);

	assert_true(fd >= 0);
	assert_int_equal(bind(fd, (const struct sockaddr *)address,
				 (socklen_t)(offsetof(struct sockaddr_un, sun_path) + name_length)),
		0);
	return fd;
}

static void expect_notice(int fd, const char *text)
{
	char got[100];
	ssize_t size;

	assert_int_equal(service_notice(text), 1);
	size = recv(fd, got, sizeof(got), MSG_DONTWAIT);
	assert_int_equal(size, strlen(text));
	assert_memory_equal(got, text, strlen(text));
}

static void without_a_service_manager_nothing_happens(void **state)
{
	(void)state;
	assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
	assert_int_equal(service_notice("READY=1"), 0);
}

static void notice_arrives_at_a_path(void **state)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	char folder[] = "/tmp/test_notice.XXXXXX";
	int fd;

	(void)state;
	assert_non_null(mkdtemp(folder));
	(void)snprintf(address.sun_path, sizeof(address.sun_path), "%s/notify", folder);
	fd = listen_on(&address, strlen(address.sun_path));
	assert_int_equal(setenv("NOTIFY_SOCKET", address.sun_path, 1), 0);
	expect_notice(fd, "READY=1\nSTATUS=listening");
	assert_int_equal(close(fd), 0);
	assert_int_equal(unlink(address.sun_path), 0);
	assert_int_equal(service_notice("STOPPING=1"), -ENOENT);
	assert_int_equal(rmdir(folder), 0);
}

static void notice_arrives_at_an_abstract_name(void **state)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	char name[60];
	int fd;

	(void)state;
	(void)snprintf(name, sizeof(name), "@test_notice_%ld", (long)getpid());
	memcpy(address.sun_path, name, strlen(name));
	address.sun_path[0] = '\0';
	fd = listen_on(&address, strlen(name));
	assert_int_equal(setenv("NOTIFY_SOCKET", name, 1), 0);
	expect_notice(fd, "WATCHDOG=1");
	assert_int_equal(close(fd), 0);
}

static void status_is_the_first_line_of_a_sentence_and_never_half_a_letter(void **state)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	char name[60], got[1000], sentence[600];
	int fd;

	(void)state;
	(void)snprintf(name, sizeof(name), "@test_notice_status_%ld", (long)getpid());
	memcpy(address.sun_path, name, strlen(name));
	address.sun_path[0] = '\0';
	fd = listen_on(&address, strlen(name));
	assert_int_equal(setenv("NOTIFY_SOCKET", name, 1), 0);
	assert_int_equal(service_notice_status("boat.conf:4: no such key\nmore"), 1);
	assert_int_equal(recv(fd, got, sizeof(got), MSG_DONTWAIT), 31);
	assert_memory_equal(got, "STATUS=boat.conf:4: no such key", 31);
	/* A letter of two bytes across the 500th. */
	memset(sentence, 'a', sizeof(sentence));
	memcpy(sentence + 499, "\xC3\xA9", 2);
	sentence[sizeof(sentence) - 1] = '\0';
	assert_int_equal(service_notice_status(sentence), 1);
	assert_int_equal(recv(fd, got, sizeof(got), MSG_DONTWAIT), 7 + 499);
	assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
	assert_int_equal(service_notice_status(sentence), 0);
	assert_int_equal(close(fd), 0);
}

static void wrong_name_is_refused(void **state)
{
	char name[300];

	(void)state;
	assert_int_equal(setenv("NOTIFY_SOCKET", "relative", 1), 0);
	assert_int_equal(service_notice("READY=1"), -EINVAL);
	memset(name, '/', sizeof(name) - 1);
	name[sizeof(name) - 1] = '\0';
	assert_int_equal(setenv("NOTIFY_SOCKET", name, 1), 0);
	assert_int_equal(service_notice("READY=1"), -EINVAL);
	assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
}

static void watchdog_is_fed_twice_in_its_time(void **state)
{
	char pid[30];

	(void)state;
	assert_int_equal(unsetenv("WATCHDOG_USEC"), 0);
	assert_int_equal(service_notice_watchdog_ms(), 0);
	assert_int_equal(setenv("WATCHDOG_USEC", "60000000", 1), 0);
	assert_int_equal(service_notice_watchdog_ms(), 30000);
	assert_int_equal(setenv("WATCHDOG_PID", "1", 1), 0);
	assert_int_equal(service_notice_watchdog_ms(), 0);
	(void)snprintf(pid, sizeof(pid), "%ld", (long)getpid());
	assert_int_equal(setenv("WATCHDOG_PID", pid, 1), 0);
	assert_int_equal(service_notice_watchdog_ms(), 30000);
	assert_int_equal(setenv("WATCHDOG_USEC", "soon", 1), 0);
	assert_int_equal(service_notice_watchdog_ms(), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(without_a_service_manager_nothing_happens),
		cmocka_unit_test(notice_arrives_at_a_path),
		cmocka_unit_test(notice_arrives_at_an_abstract_name),
		cmocka_unit_test(status_is_the_first_line_of_a_sentence_and_never_half_a_letter),
		cmocka_unit_test(wrong_name_is_refused),
		cmocka_unit_test(watchdog_is_fed_twice_in_its_time),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
