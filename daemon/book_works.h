/* book_works.h: the service book's work that the analysis goes by: elements, drains, burn resets. */
#ifndef SIGHTBOWL_DAEMON_BOOK_WORKS_H
#define SIGHTBOWL_DAEMON_BOOK_WORKS_H

#include <sqlite3.h>

#include "analysis/boat.h"

/* Puts the entries in force into the boat's works, by time; of more than BOAT_WORKS_MAX the latest.
 * Entries about filters that the configuration does not have are passed over. Returns 0 or a negative
 * errno. */
int book_works_load(sqlite3 *db, struct boat *boat);

#endif
