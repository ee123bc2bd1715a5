/* bus_census.h: who sends what on the buses, how often, and how full they are.
 *
 * Counts frames, messages and values as they pass; holds a bounded number of rows, and counts what
 * found no room. Pure; a struct bus_census is large: allocate it.
 */
#ifndef SIGHTBOWL_ANALYSIS_BUS_CENSUS_H
#define SIGHTBOWL_ANALYSIS_BUS_CENSUS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/decoder.h"

#define CENSUS_SOURCES_MAX  512
#define CENSUS_MESSAGES_MAX 4096 /* a power of two */
#define CENSUS_SIGNALS_MAX  1024
#define CENSUS_CODES_MAX    256
#define CENSUS_TEXT_MAX     33

/* Bits that a frame takes on the wire, its spacing included: without a stuffed bit, and with the most
 * that can be stuffed. ISO 11898-1; the bounds as in R. I. Davis et al., "Controller Area Network
 * (CAN) schedulability analysis", Real-Time Systems 35 (2007), 2.1. */
unsigned census_bits_least(const struct frame *frame);
unsigned census_bits_most(const struct frame *frame);

struct census_bus {
	uint64_t frames;
	int64_t first_ns;
	int64_t last_ns;
	int64_t heard_ns;        /* from first to last, less the pauses of all traffic */
	uint64_t bits_least;
	uint64_t bits_most;
	int64_t second;          /* the present one */
	uint64_t second_bits;    /* midway between least and most, twice */
	uint64_t busiest_bits;   /* in a second; twice */
};

struct census_source {
	uint8_t bus;
	uint8_t address;
	uint64_t frames;
	uint64_t messages;
	bool has_name;     /* an address claim was heard */
	uint64_t name;     /* its 64-bit NAME */
	unsigned manufacturer;
	unsigned function;
	unsigned device_class;
	char model[CENSUS_TEXT_MAX];    /* product information; "": not heard */
	char software[CENSUS_TEXT_MAX];
};

struct census_message {
	bool used;
	uint8_t bus;
	uint8_t source;
	uint32_t pgn;
	int row;          /* of the message tables, -1: none */
	uint16_t length;  /* of the last one */
	uint64_t count;
	int64_t last_ns;
	uint64_t intervals;     /* between one and the next, without pauses … */
	int64_t intervals_ns;   /* … and their sum */
};

struct census_signal {
	uint16_t signal;
	uint16_t instance;
	uint8_t bus;
	uint8_t source;
	uint8_t message;
	uint64_t counts[READING_IMPLAUSIBLE + 1]; /* by enum reading_state */
	double low;  /* of the numbers; without any, 0 */
	double high;
	double last;
};

/* A trouble code that a source listed (fault_code.h). */
struct census_code {
	uint8_t bus;
	uint8_t source;
	bool active;         /* in its list of active codes, else of past ones */
	uint16_t engine;
	uint32_t spn;
	uint8_t fmi;
	uint8_t conversion;
	uint8_t occurrences; /* as listed last */
	uint64_t lists;      /* that had it */
};

struct bus_census {
	struct decoder decoder;
	struct census_bus buses[FRAME_BUS_MAX];
	size_t source_count;
	struct census_source sources[CENSUS_SOURCES_MAX];
	uint16_t source_at[FRAME_BUS_MAX][256]; /* index + 1; 0: not heard yet */
	size_t message_count;
	struct census_message messages[CENSUS_MESSAGES_MAX]; /* hashed: skip the unused */
	size_t signal_count;
	struct census_signal signals[CENSUS_SIGNALS_MAX];
	size_t code_count;
	struct census_code codes[CENSUS_CODES_MAX];
	uint64_t no_room;
};

void bus_census_init(struct bus_census *census);
void bus_census_add(struct bus_census *census, const struct frame *frames, size_t count);

/* The usual time between one message and the next, pauses left out; NaN: it came only once. */
double census_interval_ns(const struct census_message *message);

/* Whether any source gave a number for a signal; instance -1: any. */
bool bus_census_heard(const struct bus_census *census, enum signal_id signal, int instance);

#endif
