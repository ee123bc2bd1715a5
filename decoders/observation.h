/* observation.h: one signal, one instance, one source, one value in its unit, one time. */
#ifndef SIGHTBOWL_DECODERS_OBSERVATION_H
#define SIGHTBOWL_DECODERS_OBSERVATION_H

#include <stdint.h>

enum reading_state {
	READING_VALID,
	READING_NOT_AVAILABLE, /* the sender has no such value */
	READING_ERROR,         /* the sender knows that its value is wrong */
	READING_RESERVED,      /* a code the standard keeps for itself, or parameter-specific */
	READING_IMPLAUSIBLE,   /* a number by the coding, outside what its signal can be */
};

struct observation {
	int64_t t_ns;      /* time of the frame that completed the message */
	double value;      /* in the signal's unit; 0 unless the state is READING_VALID */
	uint16_t signal;   /* enum signal_id */
	uint16_t instance; /* what it counts is the signal's scope */
	uint8_t state;     /* enum reading_state */
	uint8_t bus;
	uint8_t source;  /* the sender's address */
	uint8_t message; /* index of the message's row: tells apart two messages that carry one signal */
	double resolution; /* one step of the coding, in the signal's unit; 0 for states */
};

#endif
