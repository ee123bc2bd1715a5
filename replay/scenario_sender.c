#include "replay/scenario_sender.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "decoders/field.h"
#include "replay/scenario_message.h"

#define NS	      INT64_C(1000000000)
#define BIT_NS	      4000 /* 250 kbit/s */
#define FRAME_BITS    67   /* 29-bit identifier, between frames, without data; SAE J1939-21 */
#define JITTER_NS     1500000
#define FAST_GAP_NS   1000000
#define BAM_GAP_NS    60000000
#define SECOND_OFFSET 8 /* address of the second NMEA 2000 sender, above the first's */
#define HOLLOW_OFFSET 17
#define J1939_SECOND  49
#define J1939_HOLLOW  3

/* ---- turns: a binary heap by time ---- */

static bool earlier(const struct sender_turn *a, const struct sender_turn *b)
{
	return a->t_ns < b->t_ns || (a->t_ns == b->t_ns && a->stream < b->stream);
}

static void push_turn(struct scenario_sender *s, int64_t t_ns, uint16_t stream)
{
	struct sender_turn turn = {.t_ns = t_ns, .stream = stream};
	size_t at = s->turn_count++;

	while (at > 0 && earlier(&turn, &s->turns[(at - 1) / 2])) {
		s->turns[at] = s->turns[(at - 1) / 2];
		at = (at - 1) / 2;
	}
	s->turns[at] = turn;
}

/* Puts another time to the first turn. */
static void replace_turn(struct scenario_sender *s, int64_t t_ns, uint16_t stream)
{
	struct sender_turn turn = {.t_ns = t_ns, .stream = stream};
	size_t at = 0;

	for (;;) {
		size_t child = 2 * at + 1;

		if (child >= s->turn_count) {
			break;
		}
		if (child + 1 < s->turn_count && earlier(&s->turns[child + 1], &s->turns[child])) {
			child++;
		}
		if (!earlier(&s->turns[child], &turn)) {
			break;
		}
		s->turns[at] = s->turns[child];
		at = child;
	}
	s->turns[at] = turn;
}

static void pop_turn(struct scenario_sender *s)
{
	struct sender_turn last = s->turns[--s->turn_count];

	if (s->turn_count > 0) {
		replace_turn(s, last.t_ns, last.stream);
	}
}

/* ---- streams ---- */

static void add_stream(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_row *row, unsigned engine, unsigned filter, enum sender_copy copy)
{
	const struct scenario_options *o = &season->options;
	struct sender_stream *stream = &s->streams[s->stream_count];
	unsigned least_ms = row->kind == SENDS_ENGINE || row->kind == SENDS_FILTER
				    ? o->engine_ms
				    : o->instrument_ms;
	unsigned period_ms = row->kind == SENDS_ONCE	 ? 60000
			     : row->period_ms > least_ms ? row->period_ms
							 : least_ms;
	int message = message_row_find(row->pgn);

	assert(s->stream_count < SENDER_STREAMS_MAX && message >= 0);
	*stream = (struct sender_stream){
		.row = row,
		.message = (size_t)message,
		.bus = !row->nmea2000 && o->protocol == SCENARIO_BOTH,
		.copy = (uint8_t)copy,
		.engine = (uint8_t)engine,
		.filter = (uint8_t)filter,
		.source = (uint8_t)(row->source + engine),
		.period_ns = period_ms * (NS / 1000),
	};
	if (copy == COPY_SECOND) {
		stream->source = (uint8_t)(row->nmea2000 ? row->source + engine + SECOND_OFFSET
							 : J1939_SECOND);
	} else if (copy == COPY_HOLLOW) {
		stream->source = (uint8_t)(row->nmea2000 ? row->source + engine + HOLLOW_OFFSET
							 : J1939_HOLLOW);
	}
	for (unsigned i = 0; i < row->signal_count + row->fixed_count; i++) {
		int field = i < row->signal_count
				    ? encode_field_of(stream->message, row->signals[i])
				    : encode_field_named(stream->message,
					      row->fixed[i - row->signal_count].field);

		assert(field >= 0 && i < SENDER_FIELDS_MAX);
		stream->fields[i] = (int16_t)field;
	}
	s->stream_count++;
}

static void add_engine_streams(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_row *row, unsigned engine)
{
	const struct scenario_options *o = &season->options;
	/* On J1939 an address tells the engine: copies are possible of the first only; and a source
	 * without data does not send fault messages. */
	bool copies = row->nmea2000 || engine == 0;

	add_stream(s, season, row, engine, 0, COPY_FIRST);
	if (o->disturb.second_sender && copies) {
		add_stream(s, season, row, engine, 0, COPY_SECOND);
	}
	if (o->disturb.hollow_sender && copies && row->pgn != 65226) {
		add_stream(s, season, row, engine, 0, COPY_HOLLOW);
	}
}

static void add_row(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_row *row)
{
	const struct scenario_options *o = &season->options;

	if (row->needs > o->counters || (row->nmea2000 ? o->protocol == SCENARIO_J1939
						       : o->protocol == SCENARIO_NMEA2000)) {
		return;
	}
	if (row->kind == SENDS_INSTRUMENT || row->kind == SENDS_ONCE) {
		add_stream(s, season, row, 0, 0, COPY_FIRST);
		return;
	}
	for (unsigned engine = 0; engine < o->engines; engine++) {
		if (row->kind == SENDS_ENGINE) {
			add_engine_streams(s, season, row, engine);
			continue;
		}
		for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
			const struct scenario_filter *f =
				season->machines[engine].filters[i].options;

			if (f != NULL && f->sensor == SENSOR_PRESSURE) {
				add_stream(s, season, row, engine, i, COPY_FIRST);
				/* One module for all of them. */
				s->streams[s->stream_count - 1].source = row->source;
			}
		}
	}
}

int scenario_sender_init(struct scenario_sender *s, const struct scenario_season *season)
{
	memset(s, 0, sizeof(*s));
	scenario_random_init(&s->random, season->options.seed, 4);
	scenario_random_init(&s->disturb, season->options.seed, 6);
	s->buses = season->options.protocol == SCENARIO_BOTH ? 2 : 1;
	s->streams = calloc(SENDER_STREAMS_MAX, sizeof(*s->streams));
	if (s->streams == NULL) {
		return -ENOMEM;
	}
	for (size_t i = 0; i < sender_row_count; i++) {
		add_row(s, season, &sender_rows[i]);
	}
	return 0;
}

void scenario_sender_finish(struct scenario_sender *s)
{
	free(s->streams);
	s->streams = NULL;
}

void scenario_sender_wake(struct scenario_sender *s, int64_t t_ns)
{
	s->turn_count = 0;
	for (size_t i = 0; i < s->stream_count; i++) {
		struct sender_stream *stream = &s->streams[i];
		double share = scenario_random_share(&s->random);

		/* Each comes at a phase of its own, those that introduce themselves at once. */
		stream->grid_ns = t_ns + (int64_t)(share * (double)(stream->row->kind == SENDS_ONCE
									    ? 3 * NS
									    : stream->period_ns));
		stream->pending = 0;
		push_turn(s, stream->grid_ns, (uint16_t)i);
	}
	for (unsigned bus = 0; bus < s->buses; bus++) {
		s->bus_free_ns[bus] = t_ns;
		s->unknown_queued[bus] = false;
	}
}

void scenario_sender_sleep(struct scenario_sender *s)
{
	s->turn_count = 0;
}

int64_t scenario_sender_next_ns(const struct scenario_sender *s)
{
	return s->turn_count > 0 ? s->turns[0].t_ns : INT64_MAX;
}

/* ---- messages ---- */

static uint16_t stream_instance(
	const struct sender_stream *stream, const struct scenario_season *season)
{
	const struct sender_row *row = stream->row;

	if (row->kind == SENDS_FILTER) {
		const struct scenario_filter *f =
			season->machines[stream->engine].filters[stream->filter].options;
		unsigned source = f->sensor_kind == SENSES_OUTLET_VACUUM ? 8 : 5; /* fuel, filter */

		return (uint16_t)(source << 8 | f->pressure_instance);
	}
	return (uint16_t)(row->instance + stream->engine);
}

/* NAME of ISO 11783-5 and SAE J1939-81; the maker's code is not one that is given out. */
static size_t address_claim(const struct sender_stream *stream, struct encode_value *values)
{
	static const struct sender_fixed name[] = {
		{"manufacturer code", 2046},
		{"ECU instance", 0},
		{"function instance", 0},
		{"function", 140},
		{"device class", 50},
		{"system instance", 0},
		{"industry group", 4},
		{"arbitrary address capable", 1},
	};
	size_t count = sizeof(name) / sizeof(name[0]);

	for (size_t i = 0; i < count; i++) {
		values[i] = (struct encode_value){
			.field = (uint16_t)encode_field_named(stream->message, name[i].field),
			.value = name[i].value,
		};
	}
	values[count] = (struct encode_value){
		.field = (uint16_t)encode_field_named(stream->message, "unique number"),
		.value = 41000 + stream->source,
	};
	return count + 1;
}

static void put_text(const struct sender_stream *stream, uint8_t *payload, size_t length,
	const char *name, const char *text)
{
	const struct field_row *field =
		&message_row_get(stream->message)
			 ->fields[encode_field_named(stream->message, name)];

	for (unsigned i = 0; text[i] != '\0'; i++) {
		bool fits =
			field_put(payload, length, field->first_bit + 8 * i, 8, (uint8_t)text[i]);

		assert(fits);
		(void)fits;
	}
}

static int build_payload(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, int64_t t_ns, uint8_t *payload, size_t capacity)
{
	const struct sender_row *row = stream->row;
	struct encode_value values[SENDER_FIELDS_MAX];
	size_t count = 0;
	int length;

	if (row->pgn == 60928) {
		count = address_claim(stream, values);
	}
	for (unsigned i = 0; i < row->signal_count + row->fixed_count; i++) {
		struct encode_value *v = &values[count++];

		v->field = (uint16_t)stream->fields[i];
		if (i < row->signal_count) {
			scenario_message_read(s, season, stream, row->signals[i], t_ns, v);
		} else {
			v->state = READING_VALID;
			v->value = row->fixed[i - row->signal_count].value;
		}
	}
	length = encode_payload(
		stream->message, stream_instance(stream, season), values, count, payload, capacity);
	if (row->pgn == 126996 && length > 0) {
		put_text(stream, payload, (size_t)length, "model",
			scenario_message_model(stream->source));
		put_text(stream, payload, (size_t)length, "software version", "1.0");
	}
	return length;
}

/* Whether a stream says anything now. A dead or dropped-out sensor with a message of its own is
 * silent. */
static bool speaks(const struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream)
{
	const struct scenario_machine *m = &season->machines[stream->engine];

	if (stream->row->kind == SENDS_ENGINE) {
		return !season->options.disturb.silent_at_key_off || m->state.running ||
		       m->state.since_s < 3;
	}
	if (stream->row->kind == SENDS_FILTER) {
		const struct scenario_filter_state *f = &m->filters[stream->filter];

		return !(f->dead && f->death == SCENARIO_DEATH_SILENT) &&
		       !s->dropouts[stream->engine][stream->filter].out;
	}
	return true;
}

/* Builds the stream's message into its pending frames. */
static void build_message(struct scenario_sender *s, const struct scenario_season *season,
	struct sender_stream *stream, int64_t t_ns)
{
	uint8_t payload[MESSAGE_LENGTH_MAX];
	int length = build_payload(s, season, stream, t_ns, payload, sizeof(payload));
	struct encode_header header = {
		.pgn = stream->row->pgn,
		.priority = stream->row->priority,
		.source = stream->source,
		.destination = ADDRESS_GLOBAL,
		.bus = stream->bus,
		.sequence = stream->sequence,
	};
	int frames;

	assert(length >= 0);
	frames = encode_frames(encode_way_of(stream->message, (size_t)length), &header, payload,
		(size_t)length, stream->frames, SENDER_FRAMES_MAX);
	assert(frames >= 0);
	stream->sequence = (stream->sequence + 1) & 7;
	stream->pending = frames > 0 ? (unsigned)frames : 0;
	stream->next = 0;
}

/* ---- traffic of other makers' messages ---- */

static void unknown_frame(
	struct scenario_sender *s, uint8_t bus, bool nmea2000, struct frame *ret_frame)
{
	/* Heading, attitude, wind, proprietary; and of J1939 retarder, gear, wheels, proprietary.
	 * All in one frame each, so that a lost frame costs no more than itself. */
	static const uint32_t marine[] = {
		127250, 127251, 127257, 130306, 61184 + 255, 65286, 65305};
	static const uint32_t truck[] = {61440, 61445, 65215, 65247, 65198, 65282, 65400};
	uint64_t lot = scenario_random_bits(&s->disturb);
	uint64_t bytes = scenario_random_bits(&s->disturb);
	uint32_t pgn = (nmea2000 ? marine : truck)[lot % 7];

	*ret_frame = (struct frame){
		.id = identifier_build((lot >> 8 & 1) != 0 ? 2 : 6, pgn, ADDRESS_GLOBAL,
			(uint8_t)(100 + (lot >> 16) % 12)),
		.kind = FRAME_EXTENDED,
		.bus = bus,
		.len = FRAME_DATA_MAX,
	};
	for (unsigned i = 0; i < FRAME_DATA_MAX; i++) {
		ret_frame->data[i] = (uint8_t)(bytes >> (8 * i));
	}
}

static void owe_unknown(struct scenario_sender *s, double share, unsigned bus)
{
	if (share <= 0) {
		return;
	}
	s->unknown_due[bus] += share / (1 - share);
	if (s->unknown_due[bus] >= 1 && !s->unknown_queued[bus]) {
		s->unknown_queued[bus] = true;
		push_turn(s, s->bus_free_ns[bus], (uint16_t)(SENDER_STREAMS_MAX + bus));
	}
}

/* ---- the buses ---- */

/* Puts a frame on its bus at a time and keeps the bus for as long as it lasts there (a bit in
 * twenty stuffed). */
static void transmit(struct scenario_sender *s, struct frame *frame, int64_t t_ns)
{
	int64_t bits = FRAME_BITS + 8 * frame->len;

	frame->t_ns = t_ns - t_ns % 1000;
	s->bus_free_ns[frame->bus] = t_ns + BIT_NS * (bits + bits / 20);
}

static bool send_unknown(struct scenario_sender *s, const struct scenario_season *season,
	unsigned bus, int64_t t_ns, struct frame *ret_frame)
{
	unknown_frame(
		s, (uint8_t)bus, bus == 0 && season->options.protocol != SCENARIO_J1939, ret_frame);
	transmit(s, ret_frame, t_ns);
	s->unknown++;
	s->unknown_due[bus] -= 1;
	if (s->unknown_due[bus] >= 1) {
		replace_turn(s, s->bus_free_ns[bus], (uint16_t)(SENDER_STREAMS_MAX + bus));
	} else {
		s->unknown_queued[bus] = false;
		pop_turn(s);
	}
	return true;
}

bool scenario_sender_send(
	struct scenario_sender *s, const struct scenario_season *season, struct frame *ret_frame)
{
	struct sender_turn turn = s->turns[0];
	unsigned bus;
	struct sender_stream *stream;

	bus = turn.stream >= SENDER_STREAMS_MAX ? turn.stream - SENDER_STREAMS_MAX
						: s->streams[turn.stream].bus;
	if (turn.t_ns < s->bus_free_ns[bus]) {
		/* The bus is busy: it waits. */
		replace_turn(s, s->bus_free_ns[bus], turn.stream);
		return false;
	}
	if (turn.stream >= SENDER_STREAMS_MAX) {
		return send_unknown(s, season, bus, turn.t_ns, ret_frame);
	}
	stream = &s->streams[turn.stream];
	if (stream->next >= stream->pending) {
		stream->pending = 0;
		stream->next = 0;
		if (speaks(s, season, stream)) {
			scenario_message_step(s, season, turn.t_ns);
			build_message(s, season, stream, turn.t_ns);
		}
	}
	if (stream->pending == 0 || stream->next + 1 == stream->pending) {
		stream->grid_ns += stream->period_ns;
		replace_turn(s,
			stream->grid_ns + (int64_t)(scenario_random_share(&s->random) * JITTER_NS),
			turn.stream);
	} else {
		replace_turn(s,
			turn.t_ns + (message_row_get(stream->message)->travels == TRAVELS_FAST
						    ? FAST_GAP_NS
						    : BAM_GAP_NS),
			turn.stream);
	}
	if (stream->pending == 0) {
		return false;
	}
	*ret_frame = stream->frames[stream->next++];
	transmit(s, ret_frame, turn.t_ns);
	owe_unknown(s, season->options.disturb.unknown_share, bus);
	return true;
}
