/* bus_trouble.h: what can be wrong with a bus, and what the buses are called. */
#ifndef SIGHTBOWL_ANALYSIS_BUS_TROUBLE_H
#define SIGHTBOWL_ANALYSIS_BUS_TROUBLE_H

/* From the least grave to the gravest. */
enum bus_trouble {
	BUS_TROUBLE_NONE,
	BUS_TROUBLE_CLAIMS,   /* addresses are claimed without end */
	BUS_TROUBLE_BABBLING, /* one sender fills the bus */
	BUS_TROUBLE_ERRORS,   /* a flood of error frames */
	BUS_TROUBLE_PASSIVE,  /* the controller is error-passive */
	BUS_TROUBLE_PARTED,   /* half of the senders or more fell silent at once */
	BUS_TROUBLE_SILENT,   /* no traffic though an engine is known to run */
	BUS_TROUBLE_DOWN,     /* the interface is down; this and the next two only by word */
	BUS_TROUBLE_UNUSABLE, /* it cannot be opened */
	BUS_TROUBLE_MISSING,  /* it is gone */
	BUS_TROUBLE_OFF,      /* the controller is bus-off */
	BUS_TROUBLE_COUNT
};

/* The names of the buses, for the events. on_name may return NULL for a bus without one. */
struct bus_namer {
	void *context;
	const char *(*on_name)(void *context, unsigned bus);
};

#endif
