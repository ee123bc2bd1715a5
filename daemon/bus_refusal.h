/* bus_refusal.h: why a bus cannot be opened, for who runs the boat's computer. */
#ifndef SIGHTBOWL_DAEMON_BUS_REFUSAL_H
#define SIGHTBOWL_DAEMON_BUS_REFUSAL_H

/* The sentence part on a negative errno of bus_open, with what to do where that is known. Static,
 * but for errors that have no words of their own: those are strerror's. */
const char *bus_refusal(int error);

#endif
