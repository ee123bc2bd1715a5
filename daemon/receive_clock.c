#include "daemon/receive_clock.h"

int64_t receive_clock_wall(struct receive_clock *clock, int64_t controller_ns, int64_t kernel_ns)
{
	int64_t lag_ns = kernel_ns - controller_ns;
	int64_t passed_ns = controller_ns - clock->last_ns;

	if (!clock->set || passed_ns < 0 || lag_ns - clock->lag_ns > RECEIVE_CLOCK_STEP_NS ||
		clock->lag_ns - lag_ns > RECEIVE_CLOCK_STEP_NS) {
		clock->set = true;
		clock->lag_ns = lag_ns;
	} else {
		/* The floor rises as fast as the clocks can part, so that an old smallest lag is forgotten. */
		int64_t floor_ns = clock->lag_ns +
			passed_ns / 1000000000 * RECEIVE_CLOCK_DRIFT_NS +
			passed_ns % 1000000000 * RECEIVE_CLOCK_DRIFT_NS / 1000000000;

		clock->lag_ns = lag_ns < floor_ns ? lag_ns : floor_ns;
	}
	clock->last_ns = controller_ns;
	return controller_ns + clock->lag_ns;
}
