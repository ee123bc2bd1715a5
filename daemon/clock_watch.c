#include "daemon/clock_watch.h"

#include <time.h>

/* A stamp and a look are not quite at one moment. */
#define SLACK_NS INT64_C(50000000)

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
	const struct frame *frames, size_t count, size_t *ret_before)
{
	int64_t offset_ns = now.wall_ns - now.steady_ns;
	int64_t step_ns = watch->set ? offset_ns - watch->offset_ns : 0;
	int64_t old_offset_ns = watch->offset_ns;

	watch->set = true;
	watch->offset_ns = offset_ns;
	watch->looked_ns = now.steady_ns;
	*ret_before = count;
	if (step_ns < CLOCK_WATCH_STEP_NS && step_ns > -CLOCK_WATCH_STEP_NS) {
		return 0;
	}
	/* By the old offset a stamp of after the step would lie in the future, or (a step back) long
	 * before; by the one that is right it lies just before now. The nearer one is taken. */
	for (size_t i = 0; i < count; i++) {
		int64_t age_new_ns = now.wall_ns - frames[i].t_ns;
		int64_t age_old_ns = now.steady_ns + old_offset_ns - frames[i].t_ns;
		bool by_old = age_old_ns >= -SLACK_NS && (age_new_ns < -SLACK_NS || age_old_ns < age_new_ns);

		if (!by_old) {
			*ret_before = i;
			break;
		}
	}
	return step_ns;
}
