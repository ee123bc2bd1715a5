/* overview.h: how the boat stands, in figures: litres today and this trip, what is in the tanks.
 *
 * "Now" is the end of the log, or the machine's clock when the log is being written.
 */
#ifndef SIGHTBOWL_DAEMON_OVERVIEW_H
#define SIGHTBOWL_DAEMON_OVERVIEW_H

#include <stdbool.h>
#include <stdint.h>

#include "daemon/command.h"

/* The machine's clock, UTC. */
int64_t overview_clock_ns(void);

/* The time as of which the log speaks: clock_ns when the log's end is at most an hour before it,
 * else the log's end. Returns false when the log holds nothing dated. */
bool overview_as_of(struct log_store *store, int64_t clock_ns, int64_t *ret_ns);

/* The time as of which elements are judged, as they age by the calendar: the clock where the log's last
 * session was heard live (it is the boat's own) and settings do not say that it is played, else as
 * overview_as_of; the clock for an empty log. */
int64_t overview_judged_ns(const struct settings *settings, struct log_store *store,
	int64_t clock_ns);

/* SQL, of a row of run_list: whether its engine runs at the log's end. A run stays open for a while after
 * its engine stopped, as it may go on; what has no date is taken for running while it is open. */
#define OVERVIEW_RUNNING_SQL                                                                       \
	"(open AND coalesce(end_utc_ns > (SELECT max(end_utc_ns) FROM session_list) - 60000000000, 1))"

/* The signal of a filter's sensor in the log: its name (static) and instance; NULL: it has none. */
const char *overview_filter_signal(struct log_store *store, const struct boat_filter *filter,
	unsigned *ret_instance);

/* Writes the tables boat (one row), engines and filters (as configured), tanks and range
 * (range_table.h), temperatures, signals (what the log holds) and burned (today, this trip, the log). */
enum program_exit overview_tables(const struct command_line *line, struct table *table,
	struct log_store *store, int64_t clock_ns);

#endif
