#include "daemon/service_notice.h"

#include <errno.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define STATUS_MAX 500

int service_notice(const char *text)
{
	const char *path = getenv("NOTIFY_SOCKET");
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	size_t length;
	ssize_t sent;
	int result = 1;
	int fd;

	if (path == NULL || path[0] == '\0') {
		return 0;
	}
	length = strlen(path);
	if ((path[0] != '/' && path[0] != '@') || length >= sizeof(address.sun_path)) {
		return -EINVAL;
	}
	memcpy(address.sun_path, path, length);
	if (path[0] == '@') {
		address.sun_path[0] = '\0'; /* a socket without a place in the file system */
	}
	fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
	if (fd < 0) {
		return -errno;
	}
	sent = sendto(fd, text, strlen(text), MSG_NOSIGNAL, (const struct sockaddr *)&address,
		(socklen_t)(offsetof(struct sockaddr_un, sun_path) + length));
	if (sent < 0) {
		result = -errno;
	}
	(void)close(fd); /* the datagram is gone or not */
	return result;
}

int service_notice_status(const char *sentence)
{
	char text[STATUS_MAX + 16];
	size_t length = strcspn(sentence, "\n");

	if (length > STATUS_MAX) {
		length = STATUS_MAX;
		/* Half a letter would make it no UTF-8, which systemd ignores as a whole. */
		while (length > 0 && ((unsigned char)sentence[length] & 0xC0) == 0x80) {
			length--;
		}
	}
	(void)snprintf(text, sizeof(text), "STATUS=%.*s", (int)length, sentence);
	return service_notice(text);
}

uint64_t service_notice_watchdog_ms(void)
{
	const char *usec = getenv("WATCHDOG_USEC");
	const char *pid = getenv("WATCHDOG_PID");
	char *end;
	unsigned long long value;

	if (usec == NULL || (pid != NULL && strtoull(pid, &end, 10) != (unsigned long long)getpid())) {
		return 0;
	}
	errno = 0;
	value = strtoull(usec, &end, 10);
	if (errno != 0 || end == usec || *end != '\0' || value < 2000) {
		return 0;
	}
	return value / 2000;
}
