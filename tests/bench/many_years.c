/* many_years.c: the invented boat's seasons, one a year, as one candump log on standard output.
 *
 *   many_years YEARS HOURS | sightbowl replay --db years.db -
 *
 * Each year has its own weather and passages (the seed is the year's number), HOURS engine hours, and
 * goes on with the counters of the year before. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include "replay/capture_writer.h"
#include "replay/scenario.h"

#define YEAR_NS (INT64_C(31557600) * 1000000000)

/* Writes one season. Returns 0 or a negative errno, or −1 when it cannot be invented. */
static int write_season(unsigned year, double hours, struct capture_writer **writer)
{
	static struct frame frames[4096];
	static struct bus_names buses; /* the writer keeps to them */
	struct scenario_options options;
	struct scenario *scenario;
	size_t count;
	int result = 0;

	scenario_options_init(&options);
	options.days = 1 + (unsigned)(hours * options.days / options.engine_h);
	options.engine_h = hours;
	options.seed += year;
	options.start_ns += year * YEAR_NS;
	options.counter_start_h += year * hours;
	if (scenario_create(&scenario, &options) != 0) {
		(void)fprintf(stderr, "many_years: %s\n", scenario_options_check(&options));
		return -1;
	}
	if (*writer == NULL) {
		buses = *scenario_buses(scenario);
		result = capture_writer_open_fd(writer, STDOUT_FILENO, WRITE_CANDUMP, WRITE_PLAIN,
			&buses);
	}
	while (result == 0 && (count = scenario_next(scenario, frames, 4096)) > 0) {
		for (size_t i = 0; result == 0 && i < count; i++) {
			result = capture_writer_put(*writer, &frames[i]);
		}
	}
	scenario_destroy(scenario);
	return result;
}

int main(int argc, char **argv)
{
	struct capture_writer *writer = NULL;
	unsigned years;
	double hours;

	if (argc != 3 || (years = (unsigned)strtoul(argv[1], NULL, 10)) == 0 ||
		(hours = strtod(argv[2], NULL)) <= 0) {
		(void)fprintf(stderr, "usage: many_years YEARS HOURS\n");
		return 2;
	}
	for (unsigned year = 0; year < years; year++) {
		if (write_season(year, hours, &writer) != 0) {
			(void)fprintf(stderr, "many_years: year %u cannot be written\n", year);
			return 1;
		}
	}
	return capture_writer_close(writer) == 0 ? 0 : 1;
}
