/* receive_clock.h: a controller's own receive times put to the machine's wall clock.
 *
 * A controller's clock is even but starts anywhere and drifts; the kernel's time of the same frame is
 * right but late by whatever delayed the interrupt. The smallest lag seen lately is taken as the
 * difference of the two clocks. Pure.
 */
#ifndef SIGHTBOWL_DAEMON_RECEIVE_CLOCK_H
#define SIGHTBOWL_DAEMON_RECEIVE_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

/* Two clocks of a machine part by less than this, in ns a second. */
#define RECEIVE_CLOCK_DRIFT_NS 200000
/* A lag that changes by more than this is a step of either clock, not a late interrupt. */
#define RECEIVE_CLOCK_STEP_NS INT64_C(100000000)

struct receive_clock {
	bool set;
	int64_t lag_ns;    /* kernel's time less controller's */
	int64_t last_ns;   /* controller's */
};

/* The frame's wall-clock time from its controller time and its kernel time, both ns. Never later than
 * the kernel's time. */
int64_t receive_clock_wall(struct receive_clock *clock, int64_t controller_ns, int64_t kernel_ns);

#endif
