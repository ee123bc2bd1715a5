/* The yardstick for reading captures: how fast can one core split a candump -L log into time,
 * identifier and data, and do nothing with them? It trusts the file, names no bus, keeps no frame.
 * Measured twice: with the log in memory already, and with the cost of mapping it from the page
 * cache, which any reader has to pay in one way or another.
 *
 * bare_parse FILE [PASSES]   prints two lines:
 *   bare_parse_memory frames N seconds S frames_per_s R bytes_per_s B
 *   bare_parse_mapped frames N seconds S frames_per_s R bytes_per_s B
 */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/* What the loop makes is summed, so that no compiler can leave any of it out. */
struct sums {
	uint64_t frames;
	uint64_t time;
	uint64_t id;
	uint64_t data;
};

static uint8_t hex_value[256];

static struct sums split(const uint8_t *at, const uint8_t *end)
{
	struct sums sums = {0};

	while (at < end) {
		uint64_t seconds = 0;
		uint64_t fraction = 0;
		uint64_t id = 0;
		uint64_t data = 0;

		at++; /* ( */
		while (*at != '.') {
			seconds = seconds * 10 + (uint64_t)(*at++ - '0');
		}
		at++;
		while (*at != ')') {
			fraction = fraction * 10 + (uint64_t)(*at++ - '0');
		}
		at += 2;
		while (*at != ' ') {
			at++;
		}
		at++;
		while (*at != '#') {
			id = id << 4 | hex_value[*at++];
		}
		at++;
		while (*at != '\n') {
			data = data << 4 | hex_value[*at++];
		}
		at++;
		sums.frames++;
		sums.time += seconds * 1000000 + fraction;
		sums.id += id;
		sums.data += data;
	}
	return sums;
}

static double now_s(void)
{
	struct timespec now;

	clock_gettime(CLOCK_MONOTONIC, &now);
	return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static void print(const char *how, const struct sums *sums, double seconds, size_t size)
{
	printf("bare_parse_%s frames %" PRIu64 " seconds %.4f frames_per_s %.0f bytes_per_s %.0f\n",
		how, sums->frames, seconds, (double)sums->frames / seconds, (double)size / seconds);
	fprintf(stderr, "sums %" PRIx64 " %" PRIx64 " %" PRIx64 "\n", sums->time, sums->id,
		sums->data);
}

int main(int argc, char **argv)
{
	struct stat info;

	if (argc < 2) {
		fprintf(stderr, "bare_parse: needs a candump -L log\n");
		return 2;
	}
	int fd = open(argv[1], O_RDONLY | O_CLOEXEC);
	if (fd < 0 || fstat(fd, &info) < 0 || info.st_size == 0) {
		fprintf(stderr, "bare_parse: %s: %s\n", argv[1],
			fd < 0 ? strerror(errno) : "empty");
		return 1;
	}
	size_t size = (size_t)info.st_size;
	for (int i = 0; i < 10; i++) {
		hex_value['0' + i] = (uint8_t)i;
	}
	for (int i = 0; i < 6; i++) {
		hex_value['A' + i] = (uint8_t)(10 + i);
		hex_value['a' + i] = (uint8_t)(10 + i);
	}

	struct sums memory = {0};
	struct sums mapped = {0};
	double memory_s = 0;
	double mapped_s = 0;
	int passes = argc > 2 ? atoi(argv[2]) : 3;
	for (int pass = 0; pass < passes; pass++) {
		/* The best of a few passes counts: the machine may be doing other things. */
		double mapped_from_s = now_s();
		uint8_t *bytes = mmap(NULL, size, PROT_READ, MAP_PRIVATE, fd, 0);
		if (bytes == MAP_FAILED || bytes[0] != '(' || bytes[size - 1] != '\n') {
			fprintf(stderr, "bare_parse: %s: no plain candump -L log\n", argv[1]);
			return 1;
		}
		mapped = split(bytes, bytes + size);
		double memory_from_s = now_s();
		memory = split(bytes, bytes + size);
		double to_s = now_s();
		munmap(bytes, size);
		if (pass == 0 || memory_from_s - mapped_from_s < mapped_s) {
			mapped_s = memory_from_s - mapped_from_s;
		}
		if (pass == 0 || to_s - memory_from_s < memory_s) {
			memory_s = to_s - memory_from_s;
		}
	}
	print("memory", &memory, memory_s, size);
	print("mapped", &mapped, mapped_s, size);
	close(fd);
	return 0;
}
