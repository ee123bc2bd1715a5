/* decoder_counter.h: what is counted while frames become messages and values.
 *
 * A frame, message or value that comes to nothing is counted under its reason, never dropped in
 * silence. Every frame is counted under FRAMES; every value under exactly one of the last five.
 */
#ifndef SIGHTBOWL_DECODERS_DECODER_COUNTER_H
#define SIGHTBOWL_DECODERS_DECODER_COUNTER_H

/* COUNTER(id, public name, what it counts) */
#define DECODER_COUNTERS(COUNTER)                                                                  \
	COUNTER(FRAMES, "frames", "frames heard, of every kind")                                   \
	COUNTER(STANDARD, "standard", "frames with an 11-bit identifier")                          \
	COUNTER(REMOTE, "remote", "remote requests")                                               \
	COUNTER(ERRORS, "errors", "error frames")                                                  \
	COUNTER(OTHER, "other", "CAN FD or XL frames, or frames with an impossible length")        \
	COUNTER(MESSAGES, "messages", "whole messages")                                            \
	COUNTER(DECODED, "decoded", "messages that a table row decoded")                           \
	COUNTER(UNKNOWN, "unknown", "messages without a row")                                      \
	COUNTER(SHORT, "short", "messages shorter than their row needs for any field")             \
	COUNTER(INCOMPLETE, "incomplete", "multi-frame messages that lost a frame")                \
	COUNTER(OUT_OF_SEQUENCE, "out_of_sequence", "frames of a multi-frame message out of turn") \
	COUNTER(REPEATED, "repeated", "frames of a multi-frame message heard twice")               \
	COUNTER(ORPHANS, "orphans", "frames of a multi-frame message whose start was not heard")   \
	COUNTER(TIMED_OUT, "timed_out", "multi-frame messages given up after their time")          \
	COUNTER(ABORTED, "aborted", "transport sessions that a node aborted")                      \
	COUNTER(MALFORMED, "malformed", "multi-frame messages announced with an impossible size")  \
	COUNTER(NO_ROOM, "no_room", "multi-frame messages given up for want of a session")         \
	COUNTER(VALID, "valid", "values: numbers")                                                 \
	COUNTER(NOT_AVAILABLE, "not_available", "values: not available")                           \
	COUNTER(ERROR_VALUES, "error_values", "values: the sender says error")                     \
	COUNTER(RESERVED, "reserved", "values: reserved codes")                                    \
	COUNTER(IMPLAUSIBLE, "implausible", "values: outside what the signal can be")

enum decoder_counter {
#define COUNTER_ENUM(id, name, text) DECODER_##id,
	DECODER_COUNTERS(COUNTER_ENUM)
#undef COUNTER_ENUM
	DECODER_COUNTER_COUNT
};

/* The counter's public name. */
const char *decoder_counter_name(enum decoder_counter counter);
/* What it counts, in words. */
const char *decoder_counter_text(enum decoder_counter counter);

#endif
