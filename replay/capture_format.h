/* capture_format.h: what a capture format has to give, and what it is given.
 *
 * A new format is one file that defines one struct capture_format, and one row in the table of
 * capture.c. A format takes bytes from the window of a byte source, fills in frames, and reports
 * damage; opening, compression, clocks and bus numbers are done for it.
 */
#ifndef SIGHTBOWL_REPLAY_CAPTURE_FORMAT_H
#define SIGHTBOWL_REPLAY_CAPTURE_FORMAT_H

#include "replay/byte_source.h"
#include "replay/capture.h"

#define NS_PER_S INT64_C(1000000000)

/* Stamps below this count from the start of a recording, not from 1970: 1973-03-03, years before
 * there was a CAN bus to record. */
#define CAPTURE_ABSOLUTE_FROM_NS (INT64_C(100000000) * NS_PER_S)

/* How the stamps of a file become times. */
struct capture_stamps {
	bool relative; /* the first stamp lay below CAPTURE_ABSOLUTE_FROM_NS */
	bool delta;    /* each stamp counts from the one before it */
	bool has_start;
	bool started;
	int64_t start_ns;
	int64_t offset_ns; /* added to relative stamps once started */
	int64_t sum_ns;	   /* of the deltas so far */
};

/* Sets out_ns to the time of a stamp (>= 0). Returns false when the time cannot be represented.
 * Delta stamps have to be put in file order, each once. In a relative capture a later stamp that is
 * absolute is taken as such: the recorder's clock was set meanwhile. */
bool capture_stamps_put(struct capture_stamps *stamps, int64_t stamp_ns, int64_t *out_ns);

struct capture_input {
	struct byte_source source;
	struct bus_names *buses;
	struct capture_damage damage;
	struct capture_stamps stamps;
	uint64_t dropped; /* as the recorder noted */
};

/* Counts one damaged place. line is 0 where there are none. */
void capture_input_damaged(
	struct capture_input *input, uint64_t offset, uint64_t line, const char *reason);
/* The same for a record that the end of the file cuts. When the compressed stream is cut too, both
 * are one damaged place. */
void capture_input_cut(
	struct capture_input *input, uint64_t offset, uint64_t line, const char *reason);

struct capture_format {
	const char *name;
	size_t state_size;
	/* Whether the first bytes of a file are of this format. ended: there are no more than
	 * these. */
	bool (*recognise)(const uint8_t *bytes, size_t size, bool ended);
	/* Sets the zeroed state and input->stamps up from the first bytes. Returns 0 or a negative
	 * errno with the rest of a sentence that begins with the path. Takes no bytes that hold a
	 * frame. */
	int (*start)(void *state, struct capture_input *input, char *ret_error, size_t error_size);
	/* Fills in up to count (>= 1) frames; 0 only at the end of the stream. Returns what it has
	 * rather than wait for more bytes. */
	size_t (*read)(
		void *state, struct capture_input *input, struct frame *frames, size_t count);
};

/* Says in words what a file that is no capture seems to be: "a SQLite database". */
void capture_describe_stranger(
	const uint8_t *bytes, size_t size, char *ret_words, size_t words_size);

/* Whether the first line that is not empty would be a frame of candump's screen text, had it a
 * time. */
bool capture_candump_text_without_times(const uint8_t *bytes, size_t size);

extern const struct capture_format capture_pcap;
extern const struct capture_format capture_pcapng;
extern const struct capture_format capture_candump_log;
extern const struct capture_format capture_candump_text;

#endif
