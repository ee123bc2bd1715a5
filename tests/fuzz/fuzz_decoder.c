/* Frames of anything through the decoder, saved and resumed on the way.
 *
 * Input: a byte that says what the rest is. 'S': a saved state, to load. Any other: records of 16
 * bytes, which are frames: kind and bus, length and flags, signed milliseconds since the last (2),
 * identifier (4), data (8).
 */
#include <math.h>
#include <string.h>

#include "decoders/decoder.h"
#include "fuzz_input.h"

#define RECORD_BYTES 16
#define FLAG_RESUME  0x80

static struct decoder decoder;
static struct decoder resumed;
static struct decoder fresh; /* initialised once: a fuzzer has no time to spare */
static uint8_t state[256 * 1024];

static void check_observations(const struct observation *o, size_t count, const struct message *m)
{
	for (size_t i = 0; i < count; i++) {
		FUZZ_CHECK(o[i].signal < SIGNAL_COUNT);
		FUZZ_CHECK(o[i].state <= READING_IMPLAUSIBLE);
		FUZZ_CHECK(o[i].message == m->row);
		FUZZ_CHECK(o[i].t_ns == m->t_ns);
		const struct signal *signal = signal_get((enum signal_id)o[i].signal);
		double slack = fabs(o[i].resolution) * 1e-5;

		if (o[i].state == READING_VALID) {
			FUZZ_CHECK(o[i].value >= signal->low - slack);
			FUZZ_CHECK(o[i].value <= signal->high + slack);
		} else {
			FUZZ_CHECK(fabs(o[i].value) <= 0);
		}
		FUZZ_CHECK(signal->scope != SCOPE_VESSEL || o[i].instance == 0);
	}
}

static void check_counters(const struct decoder *d, uint64_t values)
{
	const uint64_t *c = d->counters;

	FUZZ_CHECK(
		c[DECODER_MESSAGES] == c[DECODER_DECODED] + c[DECODER_UNKNOWN] + c[DECODER_SHORT]);
	FUZZ_CHECK(c[DECODER_FRAMES] >= c[DECODER_STANDARD] + c[DECODER_REMOTE] +
						c[DECODER_ERRORS] + c[DECODER_OTHER] +
						c[DECODER_MESSAGES]);
	FUZZ_CHECK(c[DECODER_VALID] + c[DECODER_NOT_AVAILABLE] + c[DECODER_ERROR_VALUES] +
			   c[DECODER_RESERVED] + c[DECODER_IMPLAUSIBLE] ==
		   values);
}

static void resume(void)
{
	struct state_writer w;
	struct state_reader r;

	state_writer_init(&w, state, sizeof(state));
	decoder_save(&decoder, &w);
	FUZZ_CHECK(!w.failed);
	resumed = fresh;
	state_reader_init(&r, state, w.used);
	decoder_load(&resumed, &r);
	FUZZ_CHECK(!r.failed && r.used == w.used);
	FUZZ_CHECK(memcmp(decoder.counters, resumed.counters, sizeof(decoder.counters)) == 0);
	decoder = resumed;
}

static struct frame frame_of(const uint8_t *record, int64_t *t_ns)
{
	int elapsed_ms = record[2] | record[3] << 8;
	struct frame frame = {
		.id = (record[4] | (uint32_t)record[5] << 8 | (uint32_t)record[6] << 16 |
			      (uint32_t)record[7] << 24) &
		      0x1FFFFFFF,
		/* Mostly data frames: the rest comes to nothing. */
		.kind = (record[0] & 7) > FRAME_OTHER ? FRAME_EXTENDED : record[0] & 7,
		.bus = record[0] >> 4,
		.len = record[1] & 15,
	};

	*t_ns += (int64_t)(elapsed_ms >= 0x8000 ? elapsed_ms - 0x10000 : elapsed_ms) * 1000000;
	frame.t_ns = *t_ns;
	memcpy(frame.data, record + 8, 8);
	return frame;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	int64_t t_ns = 0;
	uint64_t values = 0;

	if (size == 0) {
		return 0;
	}
	if (fresh.programs[0].row == NULL) {
		decoder_init(&fresh);
	}
	decoder = fresh;
	if (data[0] == 'S') {
		struct state_reader r;

		state_reader_init(&r, data + 1, size - 1);
		decoder_load(&decoder, &r);
		if (!r.failed) {
			resume();
		}
		for (uint32_t source = 0; source < 256; source++) {
			static const uint32_t ids[] = {
				0x09F20100, 0x18EBFF00, 0x0DF80500, 0x18ECFF00};
			for (unsigned i = 0; i < 16; i++) {
				struct frame frame = {.id = ids[i % 4] | source,
					.len = 8,
					.data = {(uint8_t)i, 3, 1, 1}};
				struct message m;

				(void)decoder_accept(&decoder, &frame, &m);
			}
		}
		return 0;
	}
	for (size_t at = 1; at + RECORD_BYTES <= size; at += RECORD_BYTES) {
		struct frame frame = frame_of(data + at, &t_ns);
		struct observation o[OBSERVATIONS_MAX];
		struct message m;

		if (decoder_accept(&decoder, &frame, &m)) {
			uint8_t copy[MESSAGE_LENGTH_MAX];

			FUZZ_CHECK(m.length <= MESSAGE_LENGTH_MAX && m.pgn <= PGN_MAX);
			memcpy(copy, m.data, m.length);
			size_t count = decoder_read(&decoder, &m, o, OBSERVATIONS_MAX);
			FUZZ_CHECK(count <= OBSERVATIONS_MAX);
			check_observations(o, count, &m);
			values += count;
		}
		if ((data[at + 1] & FLAG_RESUME) != 0) {
			resume();
		}
	}
	check_counters(&decoder, values);
	return 0;
}
