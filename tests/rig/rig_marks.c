/* rig_marks.c: tells the host, which logs what is written to a disk, when that was.
 *
 *   rig_marks DEVICE OFFSET
 *
 * Until it is killed it writes a sector with the time (CLOCK_REALTIME, ns) to DEVICE at OFFSET,
 * past the file system's end, four times a second, past the page cache and without a flush: the log
 * of writes then has it between those of the file system. */
#include <fcntl.h>
#include <stdalign.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define SECTOR 512

int main(int argc, char **argv)
{
	static alignas(4096) uint8_t sector[SECTOR] = "rig_mark";
	const struct timespec quarter = {.tv_nsec = 250000000};
	off_t offset;
	int fd;

	if (argc != 3) {
		(void)fprintf(stderr, "usage: rig_marks DEVICE OFFSET\n");
		return 2;
	}
	offset = (off_t)strtoll(argv[2], NULL, 10);
	fd = open(argv[1], O_WRONLY | O_DIRECT | O_CLOEXEC);
	for (;;) {
		struct timespec now;
		int64_t now_ns;

		(void)clock_gettime(CLOCK_REALTIME, &now);
		now_ns = (int64_t)now.tv_sec * INT64_C(1000000000) + now.tv_nsec;
		memcpy(sector + 8, &now_ns, sizeof(now_ns));
		if (fd < 0 || pwrite(fd, sector, SECTOR, offset) != SECTOR) {
			perror(argv[1]);
			return 1;
		}
		(void)nanosleep(&quarter, NULL);
	}
}
