/* water.h: water in the fuel, from an indication that slosh makes flicker.
 *
 * Told when the indication has been steady for 30 s and never before; a dry reading in between
 * starts the time anew. Water that comes back after a drain is another piece of news than the
 * first. Times are steady log time in ns; a filter's bowl or an engine is one struct.
 */
#ifndef SIGHTBOWL_ANALYSIS_WATER_H
#define SIGHTBOWL_ANALYSIS_WATER_H

#include <stdbool.h>
#include <stdint.h>

#include "decoders/state_codec.h"

enum water_news {
	WATER_QUIET,
	WATER_FOUND,
	WATER_RECURRING, /* found again after it was drained */
	WATER_CLEARED,
};

struct water {
	int64_t last_ns;   /* of the last reading; INT64_MIN before the first */
	int64_t wet_ns;    /* since when it has read wet without a break; INT64_MIN: it reads dry */
	int64_t dry_ns;    /* observed dry time since the last wet reading */
	int64_t period_ns; /* between readings, as far as known; 0 unknown */
	bool raised;
	bool drained;     /* since it was last found */
	uint32_t times;   /* found since the account began, capped */
	double drained_h; /* engine hours at the last drain */
};

void water_init(struct water *w);

/* Takes a valid reading (SPN 97, or the status bit of 127489). engine_h: hours run so far. */
enum water_news water_take(struct water *w, int64_t t_ns, bool wet, double engine_h);

/* The bowl has been drained, as the service book says. */
void water_drained(struct water *w, double engine_h);

/* What to do next, in plain words; static. */
const char *water_next_step(enum water_news news);

void water_save(const struct water *w, struct state_writer *writer);
void water_load(struct water *w, struct state_reader *reader);

#endif
