/* scenario_message.h: the messages of the invented boat's senders, and what their fields say. */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_MESSAGE_H
#define SIGHTBOWL_REPLAY_SCENARIO_MESSAGE_H

#include "decoders/signal.h"
#include "replay/scenario_sender.h"

enum sender_kind {
	SENDS_ENGINE,	  /* one a engine; silent at key-off, copied, with those options */
	SENDS_FILTER,	  /* one a filter with an NMEA 2000 pressure sensor */
	SENDS_INSTRUMENT, /* one a boat */
	SENDS_ONCE,	  /* one a source when the instruments are switched on, and on the minute */
};

/* A field that never changes, by its name in the message's row. */
struct sender_fixed {
	const char *field;
	double value;
};

struct sender_row {
	uint32_t pgn;
	bool nmea2000; /* else J1939 */
	enum sender_kind kind;
	unsigned period_ms; /* of real senders; from memory, common practice */
	uint8_t priority;
	uint8_t source;	   /* J1939 engines: + engine */
	uint16_t instance; /* of messages that are not an engine's; filters: the source's kind << 8
			    */
	enum scenario_counters needs; /* sent when the counters are at least this */
	unsigned signal_count;
	enum signal_id signals[SENDER_FIELDS_MAX];
	unsigned fixed_count;
	struct sender_fixed fixed[3];
};

extern const struct sender_row sender_rows[];
extern const size_t sender_row_count;

/* What a signal's sensor gives now. Fills value and state. */
void scenario_message_read(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, enum signal_id signal, int64_t t_ns,
	struct encode_value *ret_value);

/* Plain words for a sender, for its product information. */
const char *scenario_message_model(uint8_t source);

/* Drop-outs and trips move on. */
void scenario_message_step(
	struct scenario_sender *s, const struct scenario_season *season, int64_t t_ns);

#endif
