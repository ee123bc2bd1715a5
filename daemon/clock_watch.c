#include "daemon/clock_watch.h"

#include <time.h>

/* A stamp and a look are not quite at one moment. */
#define SLACK_NS INT64_C(50000000)
/* Frames are read so long after they were stamped, at most. */
#define LATE_NS INT64_C(5000000000)

static int64_t read_clock(clockid_t clock)
{
	struct timespec now;

	(void)clock_gettime(clock, &now); /* cannot fail with these clocks */
	return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

struct clock_reading clock_watch_now(void)
{
	return (struct clock_reading){
		.wall_ns = read_clock(CLOCK_REALTIME),
		.steady_ns = read_clock(CLOCK_BOOTTIME),
	};
}

int64_t clock_watch_look(struct clock_watch *watch, struct clock_reading now,
	struct frame *frames, size_t count)
{
	int64_t offset_ns = now.wall_ns - now.steady_ns;
	int64_t step_ns = watch->set ? offset_ns - watch->offset_ns : 0;
	int64_t shift_ns;

	if (step_ns < CLOCK_WATCH_STEP_NS && step_ns > -CLOCK_WATCH_STEP_NS) {
		step_ns = 0;
	} else {
		watch->stepped = true;
		watch->stepped_ns = now.steady_ns;
		watch->old_offset_ns = watch->offset_ns;
	}
	watch->set = true;
	watch->offset_ns = offset_ns;
	if (!watch->stepped || now.steady_ns - watch->stepped_ns > LATE_NS) {
		watch->stepped = false;
		return step_ns;
	}
	/* By the clock that it was stamped with, a frame's age is small and not below nothing. */
	shift_ns = offset_ns - watch->old_offset_ns;
	for (size_t i = 0; i < count; i++) {
		int64_t age_new_ns = now.wall_ns - frames[i].t_ns;
		int64_t age_old_ns = age_new_ns - shift_ns;

		if (age_old_ns >= -SLACK_NS &&
			(age_new_ns < -SLACK_NS || age_old_ns < age_new_ns)) {
			frames[i].t_ns += shift_ns;
		}
	}
	return step_ns;
}
