/* log_filters.h: which number a log has for a filter of the boat. */
#ifndef SIGHTBOWL_DAEMON_LOG_FILTERS_H
#define SIGHTBOWL_DAEMON_LOG_FILTERS_H

#include <stddef.h>
#include <stdint.h>

#include <sqlite3.h>

#include "analysis/boat.h"

/* By the filter's name; in a log that knows none for that number yet, its place (index) in the boat;
 * -1 when the log has nothing of it. Returns 0, or SQLite's code when the log cannot be read. */
int log_filter_number(sqlite3 *db, const struct boat *boat, size_t index, int64_t *ret_number);

#endif
