#include "analysis/bus_census.h"

#include <math.h>
#include <string.h>

#include "decoders/fault_code.h"
#include "decoders/field.h"

#define SECOND_NS INT64_C(1000000000)
#define PAUSE_NS  (5 * SECOND_NS) /* of all traffic: the bus or the recorder was off */
/* An interval this many times the mean so far is a pause of its sender; one this many times shorter
 * shows that the first was one. */
#define PAUSE_TIMES 8

/* The bits that do not depend on the data: 44 + 3 for an 11-bit identifier, 64 + 3 for 29 bits; of
 * them 34 and 54 can be stuffed. */
unsigned census_bits_least(const struct frame *frame)
{
	unsigned data = frame->kind == FRAME_REMOTE ? 0 : 8U * frame->len;

	return (frame->kind == FRAME_STANDARD ? 47 : 67) + data;
}

unsigned census_bits_most(const struct frame *frame)
{
	unsigned data = frame->kind == FRAME_REMOTE ? 0 : 8U * frame->len;

	return (frame->kind == FRAME_STANDARD ? 47 : 67) + data +
		((frame->kind == FRAME_STANDARD ? 34 : 54) + data - 1) / 4;
}

void bus_census_init(struct bus_census *census)
{
	memset(census, 0, sizeof(*census));
	decoder_init(&census->decoder);
}

static void count_frame(struct census_bus *bus, const struct frame *frame)
{
	unsigned least = census_bits_least(frame), most = census_bits_most(frame);
	int64_t second = frame->t_ns / SECOND_NS;

	if (bus->frames == 0) {
		bus->first_ns = bus->last_ns = frame->t_ns;
		bus->second = second;
	}
	bus->frames++;
	if (frame->t_ns > bus->last_ns && frame->t_ns - bus->last_ns <= PAUSE_NS) {
		bus->heard_ns += frame->t_ns - bus->last_ns;
	}
	bus->last_ns = frame->t_ns > bus->last_ns ? frame->t_ns : bus->last_ns;
	if (frame->kind == FRAME_ERROR || frame->kind == FRAME_OTHER) {
		return; /* not a frame of the wire, or one whose length is not known */
	}
	bus->bits_least += least;
	bus->bits_most += most;
	if (second != bus->second) {
		bus->second = second;
		bus->second_bits = 0;
	}
	bus->second_bits += least + most;
	if (bus->second_bits > bus->busiest_bits) {
		bus->busiest_bits = bus->second_bits;
	}
}

static struct census_source *find_source(struct bus_census *census, uint8_t bus, uint8_t address)
{
	uint16_t *at = &census->source_at[bus][address];

	if (*at == 0) {
		if (census->source_count == CENSUS_SOURCES_MAX) {
			census->no_room++;
			return NULL;
		}
		census->sources[census->source_count] = (struct census_source){
			.bus = bus,
			.address = address,
		};
		*at = (uint16_t)++census->source_count;
	}
	return &census->sources[*at - 1];
}

static struct census_message *find_message(struct bus_census *census, const struct message *message)
{
	uint64_t key = (uint64_t)message->pgn << 16 | (uint64_t)message->bus << 8 | message->source;
	size_t at = (size_t)((key * UINT64_C(0x9E3779B97F4A7C15)) >> 40) &
		(CENSUS_MESSAGES_MAX - 1);

	for (;;) {
		struct census_message *row = &census->messages[at];
		if (!row->used) {
			/* One place stays free, so that a search always ends. */
			if (census->message_count == CENSUS_MESSAGES_MAX - 1) {
				census->no_room++;
				return NULL;
			}
			census->message_count++;
			*row = (struct census_message){
				.used = true,
				.bus = message->bus,
				.source = message->source,
				.pgn = message->pgn,
				.row = message_row_find(message->pgn),
				.last_ns = message->t_ns,
			};
			return row;
		}
		if (row->pgn == message->pgn && row->bus == message->bus &&
			row->source == message->source) {
			return row;
		}
		at = (at + 1) & (CENSUS_MESSAGES_MAX - 1);
	}
}

static void count_value(struct bus_census *census, const struct observation *o)
{
	struct census_signal *signal = NULL;

	for (size_t i = 0; i < census->signal_count && signal == NULL; i++) {
		struct census_signal *at = &census->signals[i];
		if (at->signal == o->signal && at->instance == o->instance && at->bus == o->bus &&
			at->source == o->source && at->message == o->message) {
			signal = at;
		}
	}
	if (signal == NULL) {
		if (census->signal_count == CENSUS_SIGNALS_MAX) {
			census->no_room++;
			return;
		}
		signal = &census->signals[census->signal_count++];
		*signal = (struct census_signal){
			.signal = o->signal,
			.instance = o->instance,
			.bus = o->bus,
			.source = o->source,
			.message = o->message,
		};
	}
	if (o->state == READING_VALID) {
		bool first = signal->counts[READING_VALID] == 0;
		signal->low = first || o->value < signal->low ? o->value : signal->low;
		signal->high = first || o->value > signal->high ? o->value : signal->high;
		signal->last = o->value;
	}
	signal->counts[o->state]++;
}

static void count_code(struct bus_census *census, const struct observation *o)
{
	bool active = o->signal == SIGNAL_ACTIVE_FAULT;
	struct census_code *row = NULL;
	struct fault_code code;

	if (o->state != READING_VALID || !fault_code_from_value(o->value, &code)) {
		return;
	}
	for (size_t i = 0; i < census->code_count && row == NULL; i++) {
		struct census_code *at = &census->codes[i];
		if (at->bus == o->bus && at->source == o->source && at->active == active &&
			at->engine == o->instance && at->spn == code.spn && at->fmi == code.fmi) {
			row = at;
		}
	}
	if (row == NULL) {
		if (census->code_count == CENSUS_CODES_MAX) {
			census->no_room++;
			return;
		}
		row = &census->codes[census->code_count++];
		*row = (struct census_code){
			.bus = o->bus,
			.source = o->source,
			.active = active,
			.engine = o->instance,
			.spn = code.spn,
			.fmi = code.fmi,
		};
	}
	row->conversion = code.conversion;
	row->occurrences = code.count;
	row->lists++;
}

/* A field of a message by its name in the tables. */
static const struct field_row *find_field(const struct message_row *row, const char *name)
{
	for (size_t i = 0; i < row->field_count; i++) {
		if (strcmp(row->fields[i].name, name) == 0) {
			return &row->fields[i];
		}
	}
	return NULL;
}

static unsigned read_code(const struct message_row *row, const char *name,
	const struct message *message)
{
	const struct field_row *field = find_field(row, name);
	uint64_t code = 0;

	if (field != NULL) {
		(void)field_get(message->data, message->length, field->first_bit, field->bits, &code);
	}
	return (unsigned)code;
}

static void read_text(const struct message_row *row, const char *name,
	const struct message *message, char text[CENSUS_TEXT_MAX])
{
	const struct field_row *field = find_field(row, name);

	if (field != NULL) {
		(void)field_text(field, message->data, message->length, text, CENSUS_TEXT_MAX);
	}
}

/* What a source says of itself. */
static void read_introduction(struct census_source *source, const struct message *message)
{
	const struct message_row *row;

	if (message->pgn == 60928 &&
		field_get(message->data, message->length, 0, 64, &source->name)) {
		row = message_row_get((size_t)message_row_find(message->pgn));
		source->has_name = true;
		source->manufacturer = read_code(row, "manufacturer code", message);
		source->function = read_code(row, "function", message);
		source->device_class = read_code(row, "device class", message);
	} else if (message->pgn == 126996) {
		row = message_row_get((size_t)message_row_find(message->pgn));
		read_text(row, "model", message, source->model);
		read_text(row, "software version", message, source->software);
	}
}

static void count_interval(struct census_message *row, int64_t t_ns)
{
	int64_t interval_ns = t_ns - row->last_ns;
	int64_t mean_ns = row->intervals > 0 ? row->intervals_ns / (int64_t)row->intervals : 0;

	row->count++;
	row->last_ns = t_ns;
	if (row->count == 1 || interval_ns < 0) {
		return;
	}
	if (row->intervals > 0 && interval_ns < mean_ns / PAUSE_TIMES && row->intervals < 4) {
		row->intervals = 0;
		row->intervals_ns = 0;
	} else if (row->intervals > 0 && interval_ns > mean_ns * PAUSE_TIMES) {
		return;
	}
	row->intervals++;
	row->intervals_ns += interval_ns;
}

double census_interval_ns(const struct census_message *message)
{
	return message->intervals == 0 ? NAN
				       : (double)message->intervals_ns / (double)message->intervals;
}

static void count_message(struct bus_census *census, struct census_source *source,
	const struct message *message)
{
	struct observation observations[OBSERVATIONS_MAX];
	struct census_message *row = find_message(census, message);
	size_t count;

	if (row != NULL) {
		row->length = message->length;
		count_interval(row, message->t_ns);
	}
	if (source != NULL) {
		source->messages++;
		read_introduction(source, message);
	}
	count = decoder_read(&census->decoder, message, observations, OBSERVATIONS_MAX);
	for (size_t i = 0; i < count; i++) {
		uint16_t signal = observations[i].signal;
		count_value(census, &observations[i]);
		if (signal == SIGNAL_ACTIVE_FAULT || signal == SIGNAL_PAST_FAULT) {
			count_code(census, &observations[i]);
		}
	}
}

void bus_census_add(struct bus_census *census, const struct frame *frames, size_t count)
{
	for (size_t i = 0; i < count; i++) {
		const struct frame *frame = &frames[i];
		struct census_source *source = NULL;
		struct message message;

		count_frame(&census->buses[frame->bus], frame);
		if (frame->kind == FRAME_EXTENDED) {
			source = find_source(census, frame->bus, identifier_source(frame->id));
			if (source != NULL) {
				source->frames++;
			}
		}
		if (decoder_accept(&census->decoder, frame, &message)) {
			count_message(census, source, &message);
		}
	}
}

bool bus_census_heard(const struct bus_census *census, enum signal_id signal, int instance)
{
	for (size_t i = 0; i < census->signal_count; i++) {
		const struct census_signal *at = &census->signals[i];
		if (at->signal == signal && at->counts[READING_VALID] > 0 &&
			(instance < 0 || at->instance == instance)) {
			return true;
		}
	}
	return false;
}
