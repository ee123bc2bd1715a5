#include "daemon/progress.h"

#include <inttypes.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>

#define PERIOD_NS INT64_C(250000000)

int64_t progress_now_ns(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_MONOTONIC, &now); /* cannot fail on Linux */
	return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

void progress_init(struct progress *progress, const char *doing)
{
	*progress = (struct progress){
		.shown = isatty(STDERR_FILENO) == 1,
		.doing = doing,
		.started_ns = progress_now_ns(),
	};
	progress->printed_ns = progress->started_ns;
}

void progress_show(struct progress *progress, uint64_t frames, uint64_t position, uint64_t size)
{
	int64_t now_ns;
	double elapsed_s;

	if (!progress->shown) {
		return;
	}
	now_ns = progress_now_ns();
	if (now_ns - progress->printed_ns < PERIOD_NS) {
		return;
	}
	progress->printed_ns = now_ns;
	progress->printed = true;
	elapsed_s = (double)(now_ns - progress->started_ns) * 1e-9;
	(void)fprintf(stderr, "\r%s: %" PRIu64 " frames, %.2f million/s", progress->doing, frames,
		(double)frames / elapsed_s / 1e6);
	if (size > 0 && position > 0) {
		double share = (double)position / (double)size;
		double left_s = share < 1 ? elapsed_s / share - elapsed_s : 0;
		(void)fprintf(stderr, ", %.0f %%, %.0f:%02.0f left", share * 100,
			(double)(int64_t)(left_s / 60), left_s - 60 * (double)(int64_t)(left_s / 60));
	}
	(void)fputs("\033[K", stderr);
	(void)fflush(stderr);
}

void progress_clear(struct progress *progress)
{
	if (progress->printed) {
		(void)fputs("\r\033[K", stderr);
		progress->printed = false;
	}
}
