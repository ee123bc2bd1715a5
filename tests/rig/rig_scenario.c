/* rig_scenario.c: a piece of the invented season as a candump log on standard output.
 *
 *   rig_scenario n2k|j1939|both SKIP_S LENGTH_S
 *
 * The piece begins SKIP_S after the first engine was first heard to turn, less half a minute. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "replay/capture_writer.h"
#include "replay/scenario.h"

#define NS INT64_C(1000000000)

int main(int argc, char **argv)
{
	static struct frame frames[4096];
	struct scenario_options options;
	struct capture_writer *writer = NULL;
	struct scenario *scenario;
	int64_t from_ns = INT64_MAX;
	int64_t to_ns = INT64_MAX;
	size_t count;

	if (argc != 4) {
		(void)fprintf(stderr, "usage: rig_scenario n2k|j1939|both SKIP_S LENGTH_S\n");
		return 2;
	}
	scenario_options_init(&options);
	options.protocol = strcmp(argv[1], "n2k") == 0 ? SCENARIO_NMEA2000
		: strcmp(argv[1], "j1939") == 0        ? SCENARIO_J1939
						       : SCENARIO_BOTH;
	if (options.protocol == SCENARIO_J1939) {
		options.engine[0].filters[0].sensor = SENSOR_SPN1382;
		options.engine[0].filters[0].sensor_kind = SENSES_DIFFERENTIAL;
		options.engine[0].filters[1].sensor = SENSOR_SPN95;
		options.engine[0].filters[1].sensor_kind = SENSES_DIFFERENTIAL;
	}
	options.disturb.power_cycles = 0;
	options.disturb.clock = SCENARIO_CLOCK_RIGHT;
	if (scenario_create(&scenario, &options) != 0) {
		(void)fprintf(stderr, "rig_scenario: %s\n", scenario_options_check(&options));
		return 1;
	}
	while ((count = scenario_next(scenario, frames, 4096)) > 0 && frames[0].t_ns < to_ns) {
		const struct scenario_truth *truth = scenario_truth(scenario);

		if (from_ns == INT64_MAX && truth->run_count > 0) {
			from_ns = truth->runs[0].start_ns + strtoll(argv[2], NULL, 10) * NS - 30 * NS;
			to_ns = from_ns + strtoll(argv[3], NULL, 10) * NS;
			if (capture_writer_open_fd(&writer, STDOUT_FILENO, WRITE_CANDUMP,
				    WRITE_PLAIN, scenario_buses(scenario)) != 0) {
				return 1;
			}
		}
		for (size_t i = 0; i < count; i++) {
			if (frames[i].t_ns >= from_ns && frames[i].t_ns < to_ns &&
				capture_writer_put(writer, &frames[i]) != 0) {
				return 1;
			}
		}
	}
	scenario_destroy(scenario);
	return capture_writer_close(writer) == 0 ? 0 : 1;
}
