/* A frame's way: its kind → its PGN → the program of its row, if it has one → transport, fast
 * packet or single → a whole message, which decoder_read takes apart by the program's steps. */
#include "decoders/decoder.h"

#include <assert.h>
#include <string.h>

#define EXPIRE_EVERY_NS INT64_C(500000000)
#define PAGE_1_TAIL	UINT32_C(126976) /* first PGN of decoder.travels_fast */
#define PAGE_1_FIRST	UINT32_C(65536)
#define PAGE_1_LAST	UINT32_C(131071)
#define STATE_VERSION	1

static const char *const counter_names[DECODER_COUNTER_COUNT] = {
#define COUNTER_NAME(id, name, text) [DECODER_##id] = name,
	DECODER_COUNTERS(COUNTER_NAME)
#undef COUNTER_NAME
};

static const char *const counter_texts[DECODER_COUNTER_COUNT] = {
#define COUNTER_TEXT(id, name, text) [DECODER_##id] = text,
	DECODER_COUNTERS(COUNTER_TEXT)
#undef COUNTER_TEXT
};

_Static_assert(DECODER_NOT_AVAILABLE - DECODER_VALID == READING_NOT_AVAILABLE &&
		       DECODER_ERROR_VALUES - DECODER_VALID == READING_ERROR &&
		       DECODER_RESERVED - DECODER_VALID == READING_RESERVED &&
		       DECODER_IMPLAUSIBLE - DECODER_VALID == READING_IMPLAUSIBLE,
	"values are counted from DECODER_VALID on, in the order of enum reading_state");

const char *decoder_counter_name(enum decoder_counter counter)
{
	assert((unsigned)counter < DECODER_COUNTER_COUNT);
	return counter_names[counter];
}

const char *decoder_counter_text(enum decoder_counter counter)
{
	assert((unsigned)counter < DECODER_COUNTER_COUNT);
	return counter_texts[counter];
}

static unsigned route_of(uint32_t pgn)
{
	return (pgn * UINT32_C(0x9E3779B1)) >> 22;
}

/* The program of a PGN, NULL when it has no row. */
static const struct decoder_program *find_program(const struct decoder *d, uint32_t pgn)
{
	unsigned route = route_of(pgn);

	while (d->routes[route] != 0) {
		const struct decoder_program *program = &d->programs[d->routes[route] - 1];

		if (program->pgn == pgn) {
			return program;
		}
		route = (route + 1) % DECODER_ROUTES;
	}
	return NULL;
}

static void add_program(struct decoder *d, size_t index, uint16_t *steps_used)
{
	const struct message_row *row = message_row_get(index);
	struct decoder_program *program = &d->programs[index];
	unsigned route = route_of(row->pgn);
	unsigned first_end = UINT16_MAX;

	program->row = row;
	program->pgn = row->pgn;
	program->first_step = *steps_used;
	for (size_t i = 0; i < row->field_count; i++) {
		const struct field_row *field = &row->fields[i];
		unsigned end = (field->first_bit + field->bits + 7U) / 8;

		assert(*steps_used < DECODER_STEPS_MAX);
		first_end = end < first_end ? end : first_end;
		if (field_step_init(
			    &d->steps[*steps_used], (enum message_family)row->family, field)) {
			(*steps_used)++;
		}
	}
	program->step_count = (uint16_t)(*steps_used - program->first_step);
	program->length_min = (uint16_t)first_end;
	while (d->routes[route] != 0) {
		route = (route + 1) % DECODER_ROUTES;
	}
	d->routes[route] = (uint8_t)(index + 1);
}

void decoder_init(struct decoder *d)
{
	uint16_t steps_used = 0;

	memset(d, 0, sizeof(*d));
	fast_packet_init(&d->fast_packet);
	transport_init(&d->transport);
	assert(message_row_count() <= DECODER_ROWS_MAX);
	for (size_t i = 0; i < message_row_count(); i++) {
		add_program(d, i, &steps_used);
	}
	for (uint32_t i = 0; i <= PAGE_1_LAST - PAGE_1_TAIL; i++) {
		const struct decoder_program *program = find_program(d, PAGE_1_TAIL + i);

		if (program != NULL ? program->row->travels == TRAVELS_FAST
				    : pgn_travels_fast(PAGE_1_TAIL + i)) {
			d->travels_fast[i / 8] |= (uint8_t)(1U << i % 8);
		}
	}
}

void decoder_limit(struct decoder *d, unsigned bus, enum decoder_protocol protocol)
{
	assert(bus < FRAME_BUS_MAX);
	d->protocol[bus] = (uint8_t)protocol;
}

static bool is_fast(const struct decoder *d, unsigned bus, uint32_t pgn)
{
	if (pgn < PAGE_1_FIRST || pgn > PAGE_1_LAST || d->protocol[bus] == DECODE_J1939) {
		return false;
	}
	return pgn < PAGE_1_TAIL ||
	       (d->travels_fast[(pgn - PAGE_1_TAIL) / 8] >> (pgn - PAGE_1_TAIL) % 8 & 1) != 0;
}

static bool is_read_here(const struct decoder *d, unsigned bus, const struct message_row *row)
{
	switch (d->protocol[bus]) {
	case DECODE_NMEA2000:
		return row->family != FAMILY_J1939;
	case DECODE_J1939:
		return row->family != FAMILY_NMEA2000;
	default:
		return true;
	}
}

/* Gives up what is past its time on a frame's bus, every so often by the frames' own clock. */
static void expire(struct decoder *d, const struct frame *frame)
{
	int64_t now_ns = frame->t_ns;
	int64_t *due_ns = &d->expire_ns[frame->bus];

	/* The second case: the clock was set back. */
	if (now_ns < *due_ns &&
		(uint64_t)*due_ns - (uint64_t)now_ns <= (uint64_t)EXPIRE_EVERY_NS * 2) {
		return;
	}
	*due_ns = now_ns < INT64_MAX - EXPIRE_EVERY_NS ? now_ns + EXPIRE_EVERY_NS : INT64_MAX;
	fast_packet_expire(&d->fast_packet, frame->bus, now_ns, d->counters);
	transport_expire(&d->transport, frame->bus, now_ns, d->counters);
}

static bool count_if_odd(struct decoder *d, const struct frame *frame)
{
	if (frame->kind == FRAME_EXTENDED && frame->len <= FRAME_DATA_MAX &&
		frame->bus < FRAME_BUS_MAX) {
		return false;
	}
	switch (frame->kind) {
	case FRAME_STANDARD:
		d->counters[DECODER_STANDARD]++;
		break;
	case FRAME_REMOTE:
		d->counters[DECODER_REMOTE]++;
		break;
	case FRAME_ERROR:
		d->counters[DECODER_ERRORS]++;
		break;
	default:
		d->counters[DECODER_OTHER]++;
		break;
	}
	return true;
}

bool decoder_accept(struct decoder *d, const struct frame *frame, struct message *ret_message)
{
	d->counters[DECODER_FRAMES]++;
	if (count_if_odd(d, frame)) {
		return false;
	}
	expire(d, frame);

	uint32_t pgn = identifier_pgn(frame->id);
	struct message message = {
		.t_ns = frame->t_ns,
		.pgn = pgn,
		.bus = frame->bus,
		.source = identifier_source(frame->id),
		.destination = identifier_destination(frame->id),
		.priority = identifier_priority(frame->id),
		.length = frame->len,
		.row = -1,
		.data = d->single,
	};
	if (pgn == TRANSPORT_PGN_DATA || pgn == TRANSPORT_PGN_CONNECTION) {
		if (!transport_accept(&d->transport, frame, pgn, d->counters, &message)) {
			return false;
		}
	} else if (is_fast(d, frame->bus, pgn)) {
		if (!fast_packet_accept(&d->fast_packet, frame, pgn, d->counters, &message)) {
			return false;
		}
	} else {
		memcpy(d->single, frame->data, FRAME_DATA_MAX);
	}

	const struct decoder_program *program = find_program(d, message.pgn);
	d->counters[DECODER_MESSAGES]++;
	if (program == NULL || !is_read_here(d, frame->bus, program->row)) {
		d->counters[DECODER_UNKNOWN]++;
	} else if (message.length < program->length_min) {
		d->counters[DECODER_SHORT]++;
	} else {
		d->counters[DECODER_DECODED]++;
		message.row = (int16_t)(program - d->programs);
	}
	*ret_message = message;
	return true;
}

/* Returns false when the payload ends before the bytes that say the instance. */
static bool find_instance(
	const struct message_row *row, const struct message *message, uint16_t *ret_instance)
{
	unsigned first_bit = row->instance_byte * 8U;
	uint64_t code = 0;

	switch (row->instance_rule) {
	case INSTANCE_NONE:
		break;
	case INSTANCE_SOURCE:
		code = message->source == 1;
		break;
	case INSTANCE_BYTE:
		if (!field_get(message->data, message->length, first_bit, 8, &code)) {
			return false;
		}
		break;
	case INSTANCE_SOURCE_KIND:
		/* Number and kind, little-endian, are the instance as it stands. */
		if (!field_get(message->data, message->length, first_bit, 16, &code)) {
			return false;
		}
		break;
	case INSTANCE_KIND:
		if (!field_get(message->data, message->length, first_bit, 6, &code)) {
			return false;
		}
		code <<= 8;
		break;
	default:
		return false;
	}
	*ret_instance = (uint16_t)code;
	return true;
}

size_t decoder_read(
	struct decoder *d, const struct message *message, struct observation *out, size_t capacity)
{
	uint16_t instance;

	if (message->row < 0 || (size_t)message->row >= message_row_count()) {
		return 0;
	}
	const struct decoder_program *program = &d->programs[message->row];
	if (!find_instance(program->row, message, &instance)) {
		return 0;
	}
	return field_steps_read(&d->steps[program->first_step], program->step_count, program->row,
		message, instance, out, capacity, &d->counters[DECODER_VALID]);
}

void decoder_save(const struct decoder *d, struct state_writer *w)
{
	state_put_unsigned(w, STATE_VERSION);
	state_put_unsigned(w, DECODER_COUNTER_COUNT);
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		state_put_unsigned(w, d->counters[i]);
	}
	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		state_put_signed(w, d->expire_ns[i]);
	}
	fast_packet_save(&d->fast_packet, w);
	transport_save(&d->transport, w);
}

void decoder_load(struct decoder *d, struct state_reader *r)
{
	if (state_get_unsigned(r, STATE_VERSION) != STATE_VERSION ||
		state_get_unsigned(r, DECODER_COUNTER_COUNT) != DECODER_COUNTER_COUNT) {
		r->failed = true;
	}
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		d->counters[i] = state_get_unsigned(r, UINT64_MAX);
	}
	for (unsigned i = 0; i < FRAME_BUS_MAX; i++) {
		d->expire_ns[i] = state_get_signed(r);
	}
	fast_packet_load(&d->fast_packet, r);
	transport_load(&d->transport, r);
	if (r->failed) {
		memset(d->counters, 0, sizeof(d->counters));
		memset(d->expire_ns, 0, sizeof(d->expire_ns));
		fast_packet_init(&d->fast_packet);
		transport_init(&d->transport);
	}
}
