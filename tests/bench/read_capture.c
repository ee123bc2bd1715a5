/* How fast captures become frames.
 *
 * read_capture FILE [PASSES]   prints "read_capture frames N seconds S frames_per_s R ns_per_frame
 * F"
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "replay/capture.h"

#define BATCH 1024

static double now_s(void)
{
	struct timespec now;

	clock_gettime(CLOCK_MONOTONIC, &now);
	return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

int main(int argc, char **argv)
{
	static struct frame frames[BATCH];
	char error[256];
	int passes = argc > 2 ? atoi(argv[2]) : 3;
	double best_s = 0;
	uint64_t count = 0;
	uint64_t sum = 0;

	if (argc < 2) {
		fprintf(stderr, "read_capture: needs a capture\n");
		return 2;
	}
	for (int pass = 0; pass < passes; pass++) {
		struct bus_names buses = {0};
		struct capture *capture = NULL;
		int64_t got = 0;
		double start_s = now_s();
		if (capture_open(&capture, argv[1], &buses, NULL, error, sizeof(error)) < 0) {
			fprintf(stderr, "read_capture: %s\n", error);
			return 1;
		}
		count = 0;
		while ((got = capture_read(capture, frames, BATCH)) > 0) {
			count += (uint64_t)got;
			sum += (uint64_t)frames[got - 1].t_ns + frames[0].id;
		}
		double took_s = now_s() - start_s;
		best_s = pass == 0 || took_s < best_s ? took_s : best_s;
		if (capture_damage(capture)->count > 0) {
			fprintf(stderr, "read_capture: %" PRIu64 " damaged places, the first: %s\n",
				capture_damage(capture)->count,
				capture_damage(capture)->first_reason);
		}
		capture_close(capture);
	}
	printf("read_capture frames %" PRIu64 " seconds %.4f frames_per_s %.0f ns_per_frame %.2f\n",
		count, best_s, (double)count / best_s, best_s * 1e9 / (double)count);
	fprintf(stderr, "sum %" PRIx64 "\n", sum);
	return 0;
}
