/* watch_facts.h: where the facts of a live watch go.
 *
 * Each is put into the log's queue; events go to the skipper's command as well, and the last
 * session says whether the bus tells the time, and how far ahead of the machine's clock.
 */
#ifndef SIGHTBOWL_DAEMON_WATCH_FACTS_H
#define SIGHTBOWL_DAEMON_WATCH_FACTS_H

#include "analysis/facts.h"

struct watch;

/* The sink for every pipeline of w. It goes on to w->queue_sink, which must be there when the first
 * fact comes, and is good as long as w. An event that is shelved is marked so for the command;
 * without a command it only goes into the log. */
struct fact_sink watch_facts_sink(struct watch *w);

#endif
