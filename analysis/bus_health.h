/* bus_health.h: error frames → what is wrong with a bus, in counts and in words.
 *
 * The controller tells of errors in frames of its own (SocketCAN error frames, as in a capture).
 * This module reads them by tables and keeps a picture of the bus. Pure: no socket, no clock; the
 * times are the frames'.
 */
#ifndef SIGHTBOWL_ANALYSIS_BUS_HEALTH_H
#define SIGHTBOWL_ANALYSIS_BUS_HEALTH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/frame.h"

/* ERROR(id, name, in words, what usually causes it)
 * What one error frame can say; a frame may say several. */
#define BUS_ERRORS(ERROR)                                                                          \
	ERROR(SEND_TIMEOUT, "send-timeout", "sending took too long", "")                           \
	ERROR(LOST_ARBITRATION, "lost-arbitration", "lost arbitration", "")                        \
	ERROR(RECEIVE_OVERFLOW, "receive-overflow", "the controller's receive buffer overflowed",  \
		"the computer is too slow or too busy")                                            \
	ERROR(SEND_OVERFLOW, "send-overflow", "the controller's send buffer overflowed", "")       \
	ERROR(BIT, "bit", "a bit read back differs from the one sent",                             \
		"a second sender, a short or bad termination")                                     \
	ERROR(FORM, "form", "a frame of wrong form", "a wrong bit rate or noise")                  \
	ERROR(STUFF, "stuff", "more than five equal bits in a row", "a wrong bit rate or noise")   \
	ERROR(CRC, "crc", "a checksum that does not fit", "noise or bad termination")              \
	ERROR(OVERLOAD, "overload", "a node asks for time", "")                                    \
	ERROR(OTHER_PROTOCOL, "other-protocol", "an error of the bus protocol", "")                \
	ERROR(TRANSCEIVER, "transceiver", "the transceiver reports a wiring fault",                \
		"a wire is broken or shorted")                                                     \
	ERROR(NO_ACK, "no-acknowledge", "no node acknowledges",                                    \
		"nothing else is on the bus, or it is not powered")                                \
	ERROR(BUS_ERROR, "bus-error", "errors on the bus", "")

enum bus_error {
#define BUS_ERROR_ENUM(id, name, text, cause) BUS_ERROR_##id,
	BUS_ERRORS(BUS_ERROR_ENUM)
#undef BUS_ERROR_ENUM
	BUS_ERROR_COUNT
};

/* Our own names, for output. */
const char *bus_error_name(enum bus_error error);
const char *bus_error_text(enum bus_error error);
/* The usual cause, "" when there is none to name. */
const char *bus_error_cause(enum bus_error error);

enum bus_condition {
	BUS_CONDITION_ACTIVE,  /* takes full part; counters below 96 */
	BUS_CONDITION_WARNING, /* a counter at 96 or more */
	BUS_CONDITION_PASSIVE, /* at 128 or more */
	BUS_CONDITION_OFF,     /* send counter past 255: the controller has left the bus */
};

const char *bus_condition_text(enum bus_condition condition);

struct bus_health {
	enum bus_condition condition;
	bool has_counters;
	uint8_t send_errors;
	uint8_t receive_errors;
	uint64_t frames;                 /* error frames heard */
	uint64_t counts[BUS_ERROR_COUNT];
	uint64_t restarts;
	int64_t last_ns;                 /* time of the last error frame; 0 before the first */
	enum bus_error last_error;       /* the last that was one (see frames) */
	bool has_last_error;
};

void bus_health_init(struct bus_health *health);

/* Takes an error frame (kind FRAME_ERROR). Returns true when the condition changed or the controller
 * was restarted. */
bool bus_health_accept(struct bus_health *health, const struct frame *frame);

/* Takes what the controller says itself, for a driver whose error frames do not tell of recovery.
 * Returns true when the condition changed. */
bool bus_health_set(struct bus_health *health, enum bus_condition condition);

/* The error counted most often; false when none was. */
bool bus_health_mostly(const struct bus_health *health, enum bus_error *ret_error);

/* A sentence on the bus for a person, e.g. "error-passive, 214 error frames, mostly stuff errors".
 * Cut to size (at least 1). */
void bus_health_describe(const struct bus_health *health, char *text, size_t size);

#endif
