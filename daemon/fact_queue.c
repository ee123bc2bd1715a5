#include "daemon/fact_queue.h"

#include <assert.h>
#include <errno.h>
#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "decoders/signal.h"
#include "decoders/state_codec.h"

/* One fact is at most a window of all slots, five numbers of up to ten bytes each. */
#define FACT_BYTES_MAX (64 * 1024)
#define TEXT_MAX       64
#define MINUTES_MOST   65535 /* behind a point of a burn map */
#define STEPS_MOST     8388607.0 /* as the log holds a mean in three bytes */

/* A fact in the queue: its length (of what follows), its tag, its fields in the order of its struct. */
enum tag {
	TAG_SESSION = 1,
	TAG_SLOT,
	TAG_WINDOW,
	TAG_RUN,
	TAG_RUN_WITHDRAWN,
	TAG_TRIP,
	TAG_TRIP_WITHDRAWN,
	TAG_EVENT,
	TAG_FILTER,
	TAG_BURN,
	TAG_TANK,
	TAG_REFUELLING,
	TAG_FAULT,
	TAG_LAST = TAG_FAULT,
};

#define LENGTH_BYTES 4
#define HEAD_BYTES   (LENGTH_BYTES + 1)

static_assert(FACT_QUEUE_SLOTS_MAX * 5 * 10 + 64 < FACT_BYTES_MAX, "a window of all slots must fit");

static void write_length(uint8_t *out, size_t length)
{
	for (size_t i = 0; i < LENGTH_BYTES; i++) {
		out[i] = (uint8_t)(length >> (8 * i));
	}
}

static size_t read_length(const uint8_t *in)
{
	size_t length = 0;

	for (size_t i = 0; i < LENGTH_BYTES; i++) {
		length |= (size_t)in[i] << (8 * i);
	}
	return length;
}

void fact_queue_init(struct fact_queue *queue, size_t limit)
{
	assert(limit >= FACT_BYTES_MAX);
	memset(queue, 0, sizeof(*queue));
	queue->limit = limit;
}

void fact_queue_finish(struct fact_queue *queue)
{
	free(queue->bytes);
	queue->bytes = NULL;
	queue->used = 0;
	queue->room = 0;
}

void fact_queue_set_signal(struct fact_queue *queue, uint16_t slot, uint16_t signal)
{
	if (slot < FACT_QUEUE_SLOTS_MAX && signal < SIGNAL_COUNT) {
		queue->signal[slot] = (uint16_t)(signal + 1);
	}
}

void fact_queue_clear(struct fact_queue *queue)
{
	queue->used = 0;
	queue->kept = 0;
	queue->out_of_memory = false;
}

/* Drops the oldest facts that may go until excess bytes are free. */
static size_t drop(struct fact_queue *queue, size_t excess, bool windows)
{
	size_t to = 0;
	size_t kept = queue->kept;

	for (size_t from = 0; from < queue->used;) {
		size_t size = LENGTH_BYTES + read_length(queue->bytes + from);
		uint8_t tag = queue->bytes[from + LENGTH_BYTES];
		bool may_go = windows ? tag == TAG_WINDOW : tag != TAG_SLOT;

		if (excess > 0 && may_go) {
			excess = size < excess ? excess - size : 0;
			kept -= from < queue->kept ? size : 0;
			queue->dropped_windows += windows ? 1 : 0;
			queue->dropped_facts += windows ? 0 : 1;
		} else {
			memmove(queue->bytes + to, queue->bytes + from, size);
			to += size;
		}
		from += size;
	}
	queue->used = to;
	queue->kept = kept;
	return excess;
}

/* Makes room for a fact. Returns false when there is no memory. */
static bool reserve(struct fact_queue *queue)
{
	if (queue->used >= queue->limit) {
		/* A quarter at once, so that it is not done for each fact. */
		size_t excess = drop(queue, queue->limit / 4, true);

		if (excess > 0) {
			(void)drop(queue, excess, false);
		}
	}
	if (queue->room - queue->used < FACT_BYTES_MAX) {
		size_t room = queue->used + queue->used / 2 + FACT_BYTES_MAX;
		uint8_t *bytes;

		if (room > queue->limit + FACT_BYTES_MAX) {
			room = queue->limit + FACT_BYTES_MAX;
		}
		bytes = realloc(queue->bytes, room);
		if (bytes == NULL) {
			queue->out_of_memory = true;
			return false;
		}
		queue->bytes = bytes;
		queue->room = room;
	}
	return true;
}

static bool begin(struct fact_queue *queue, struct state_writer *w, enum tag tag)
{
	if (!reserve(queue)) {
		return false;
	}
	state_writer_init(w, queue->bytes + queue->used + HEAD_BYTES, FACT_BYTES_MAX - HEAD_BYTES);
	queue->bytes[queue->used + LENGTH_BYTES] = (uint8_t)tag;
	return true;
}

static void end(struct fact_queue *queue, const struct state_writer *w)
{
	assert(!w->failed);
	write_length(queue->bytes + queue->used, w->used + 1);
	queue->used += w->used + HEAD_BYTES;
}

static void put_text(struct state_writer *w, const char *text)
{
	size_t length = strlen(text);

	state_put_unsigned(w, length);
	state_put_bytes(w, text, length);
}

static void get_text(struct state_reader *r, char *text, size_t size)
{
	size_t length = (size_t)state_get_unsigned(r, size - 1);

	state_get_bytes(r, text, length);
	text[length] = '\0';
}

static void on_session(void *context, const struct fact_session *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_SESSION)) {
		return;
	}
	state_put_signed(&w, fact->session);
	state_put_signed(&w, fact->first_ns);
	state_put_signed(&w, fact->last_ns);
	state_put_signed(&w, fact->utc_offset_ns);
	state_put_signed(&w, fact->raw_first_ns);
	state_put_signed(&w, fact->raw_last_ns);
	state_put_unsigned(&w, fact->basis);
	end(queue, &w);
}

static void play_session(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_session fact = {0};

	fact.session = state_get_signed(r);
	fact.first_ns = state_get_signed(r);
	fact.last_ns = state_get_signed(r);
	fact.utc_offset_ns = state_get_signed(r);
	fact.raw_first_ns = state_get_signed(r);
	fact.raw_last_ns = state_get_signed(r);
	fact.basis = (enum clock_basis)state_get_unsigned(r, CLOCK_UNDATED);
	if (!r->failed && sink->on_session != NULL) {
		sink->on_session(sink->context, &fact);
	}
}

static void on_slot(void *context, const struct fact_slot *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_SLOT)) {
		return;
	}
	state_put_unsigned(&w, fact->slot);
	state_put_unsigned(&w, fact->signal);
	state_put_unsigned(&w, fact->instance);
	end(queue, &w);
	fact_queue_set_signal(queue, fact->slot, fact->signal);
}

static void play_slot(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_slot fact = {0};

	fact.slot = (uint16_t)state_get_unsigned(r, FACT_QUEUE_SLOTS_MAX - 1);
	fact.signal = (uint16_t)state_get_unsigned(r, SIGNAL_COUNT - 1);
	fact.instance = (uint16_t)state_get_unsigned(r, UINT16_MAX);
	if (!r->failed && sink->on_slot != NULL) {
		sink->on_slot(sink->context, &fact);
	}
}

/* A reading is its slot, the signal that gives its step (+ 1; 0: not in steps), its count, and its
 * mean, low and high: in steps, the latter two as distances from the mean. */
static void put_reading(struct state_writer *w, const struct fact_reading *reading, uint16_t signal)
{
	double step = signal > 0 ? signal_get((enum signal_id)(signal - 1))->log_step : 0;
	double mean = step > 0 ? round(reading->mean / step) : NAN;
	double low = step > 0 ? round(reading->low / step) : NAN;
	double high = step > 0 ? round(reading->high / step) : NAN;
	bool in_steps = fabs(mean) < STEPS_MOST && fabs(low) < STEPS_MOST && fabs(high) < STEPS_MOST;

	state_put_unsigned(w, reading->slot);
	state_put_unsigned(w, in_steps ? signal : 0);
	state_put_unsigned(w, reading->count);
	if (in_steps) {
		state_put_signed(w, (int64_t)mean);
		state_put_signed(w, (int64_t)(mean - low));
		state_put_signed(w, (int64_t)(high - mean));
		return;
	}
	state_put_double(w, reading->mean);
	state_put_double(w, reading->low);
	state_put_double(w, reading->high);
}

static struct fact_reading get_reading(struct state_reader *r)
{
	struct fact_reading reading = {0};
	uint64_t signal;

	reading.slot = (uint16_t)state_get_unsigned(r, FACT_QUEUE_SLOTS_MAX - 1);
	signal = state_get_unsigned(r, SIGNAL_COUNT);
	reading.count = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	if (signal > 0) {
		double step = signal_get((enum signal_id)(signal - 1))->log_step;
		double mean = (double)state_get_signed(r);
		double below = (double)state_get_signed(r);
		double above = (double)state_get_signed(r);

		reading.mean = mean * step;
		reading.low = (mean - below) * step;
		reading.high = (mean + above) * step;
	} else {
		reading.mean = state_get_double(r);
		reading.low = state_get_double(r);
		reading.high = state_get_double(r);
	}
	return reading;
}

static void on_window(void *context, const struct fact_window *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	assert(fact->count <= FACT_QUEUE_SLOTS_MAX);
	if (!begin(queue, &w, TAG_WINDOW)) {
		return;
	}
	state_put_signed(&w, fact->window);
	state_put_signed(&w, fact->session);
	state_put_unsigned(&w, fact->count);
	for (size_t i = 0; i < fact->count; i++) {
		const struct fact_reading *reading = &fact->readings[i];

		put_reading(&w, reading,
			reading->slot < FACT_QUEUE_SLOTS_MAX ? queue->signal[reading->slot] : 0);
	}
	end(queue, &w);
}

static void play_window(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_reading readings[FACT_QUEUE_SLOTS_MAX];
	struct fact_window fact = {.readings = readings};

	fact.window = state_get_signed(r);
	fact.session = state_get_signed(r);
	fact.count = (size_t)state_get_unsigned(r, FACT_QUEUE_SLOTS_MAX);
	for (size_t i = 0; i < fact.count; i++) {
		readings[i] = get_reading(r);
	}
	if (!r->failed && sink->on_window != NULL) {
		sink->on_window(sink->context, &fact);
	}
}

static void on_run(void *context, const struct fact_run *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_RUN)) {
		return;
	}
	state_put_signed(&w, fact->run);
	state_put_signed(&w, fact->trip);
	state_put_unsigned(&w, fact->engine);
	state_put_signed(&w, fact->start_session);
	state_put_signed(&w, fact->end_session);
	state_put_signed(&w, fact->start_ns);
	state_put_signed(&w, fact->end_ns);
	state_put_unsigned(&w, fact->open);
	state_put_double(&w, fact->engine_h);
	state_put_double(&w, fact->idle_h);
	state_put_double(&w, fact->unobserved_h);
	state_put_double(&w, fact->fuel_l);
	state_put_double(&w, fact->fuel_estimated_l);
	state_put_double(&w, fact->fuel_uncertainty_l);
	state_put_double(&w, fact->fuel_unknown_h);
	state_put_double(&w, fact->supply_l);
	state_put_double(&w, fact->mean_lph);
	state_put_double(&w, fact->max_lph);
	state_put_double(&w, fact->max_coolant_c);
	end(queue, &w);
}

static void play_run(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_run fact = {0};

	fact.run = state_get_signed(r);
	fact.trip = state_get_signed(r);
	fact.engine = (unsigned)state_get_unsigned(r, UINT_MAX);
	fact.start_session = state_get_signed(r);
	fact.end_session = state_get_signed(r);
	fact.start_ns = state_get_signed(r);
	fact.end_ns = state_get_signed(r);
	fact.open = state_get_unsigned(r, 1) != 0;
	fact.engine_h = state_get_double(r);
	fact.idle_h = state_get_double(r);
	fact.unobserved_h = state_get_double(r);
	fact.fuel_l = state_get_double(r);
	fact.fuel_estimated_l = state_get_double(r);
	fact.fuel_uncertainty_l = state_get_double(r);
	fact.fuel_unknown_h = state_get_double(r);
	fact.supply_l = state_get_double(r);
	fact.mean_lph = state_get_double(r);
	fact.max_lph = state_get_double(r);
	fact.max_coolant_c = state_get_double(r);
	if (!r->failed && sink->on_run != NULL) {
		sink->on_run(sink->context, &fact);
	}
}

static void put_number(struct fact_queue *queue, enum tag tag, int64_t number)
{
	struct state_writer w;

	if (!begin(queue, &w, tag)) {
		return;
	}
	state_put_signed(&w, number);
	end(queue, &w);
}

static void on_run_withdrawn(void *context, int64_t run)
{
	put_number(context, TAG_RUN_WITHDRAWN, run);
}

static void play_run_withdrawn(struct state_reader *r, const struct fact_sink *sink)
{
	int64_t run = state_get_signed(r);

	if (!r->failed && sink->on_run_withdrawn != NULL) {
		sink->on_run_withdrawn(sink->context, run);
	}
}

static void on_trip(void *context, const struct fact_trip *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_TRIP)) {
		return;
	}
	state_put_signed(&w, fact->trip);
	state_put_signed(&w, fact->start_session);
	state_put_signed(&w, fact->end_session);
	state_put_signed(&w, fact->start_ns);
	state_put_signed(&w, fact->end_ns);
	state_put_unsigned(&w, fact->open);
	state_put_double(&w, fact->distance_nm);
	end(queue, &w);
}

static void play_trip(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_trip fact = {0};

	fact.trip = state_get_signed(r);
	fact.start_session = state_get_signed(r);
	fact.end_session = state_get_signed(r);
	fact.start_ns = state_get_signed(r);
	fact.end_ns = state_get_signed(r);
	fact.open = state_get_unsigned(r, 1) != 0;
	fact.distance_nm = state_get_double(r);
	if (!r->failed && sink->on_trip != NULL) {
		sink->on_trip(sink->context, &fact);
	}
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	put_number(context, TAG_TRIP_WITHDRAWN, trip);
}

static void play_trip_withdrawn(struct state_reader *r, const struct fact_sink *sink)
{
	int64_t trip = state_get_signed(r);

	if (!r->failed && sink->on_trip_withdrawn != NULL) {
		sink->on_trip_withdrawn(sink->context, trip);
	}
}

static void on_event(void *context, const struct fact_event *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_EVENT)) {
		return;
	}
	state_put_signed(&w, fact->event);
	put_text(&w, fact->kind == NULL ? "" : fact->kind);
	put_text(&w, fact->subject);
	state_put_unsigned(&w, fact->severity);
	state_put_signed(&w, fact->session);
	state_put_signed(&w, fact->raised_ns);
	state_put_unsigned(&w, fact->has_cleared);
	state_put_signed(&w, fact->cleared_session);
	state_put_signed(&w, fact->cleared_ns);
	state_put_signed(&w, fact->trip);
	state_put_double(&w, fact->value);
	state_put_double(&w, fact->limit);
	put_text(&w, fact->unit == NULL ? "" : fact->unit);
	put_text(&w, fact->basis == NULL ? "" : fact->basis);
	put_text(&w, fact->message);
	end(queue, &w);
}

static void play_event(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_event fact = {0};
	char kind[TEXT_MAX];
	char unit[TEXT_MAX];
	char basis[TEXT_MAX];

	fact.event = state_get_signed(r);
	get_text(r, kind, sizeof(kind));
	get_text(r, fact.subject, sizeof(fact.subject));
	fact.severity = (enum event_severity)state_get_unsigned(r, SEVERITY_WARNING);
	fact.session = state_get_signed(r);
	fact.raised_ns = state_get_signed(r);
	fact.has_cleared = state_get_unsigned(r, 1) != 0;
	fact.cleared_session = state_get_signed(r);
	fact.cleared_ns = state_get_signed(r);
	fact.trip = state_get_signed(r);
	fact.value = state_get_double(r);
	fact.limit = state_get_double(r);
	get_text(r, unit, sizeof(unit));
	get_text(r, basis, sizeof(basis));
	get_text(r, fact.message, sizeof(fact.message));
	fact.kind = kind;
	fact.unit = unit;
	fact.basis = basis;
	if (!r->failed && sink->on_event != NULL) {
		sink->on_event(sink->context, &fact);
	}
}

static void on_filter(void *context, const struct fact_filter *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_FILTER)) {
		return;
	}
	state_put_unsigned(&w, fact->filter);
	state_put_signed(&w, fact->session);
	state_put_signed(&w, fact->t_ns);
	state_put_signed(&w, fact->fitted_ns);
	state_put_unsigned(&w, fact->milestone);
	state_put_double(&w, fact->engine_h);
	state_put_double(&w, fact->litres);
	state_put_double(&w, fact->restriction_kpa);
	state_put_double(&w, fact->reference_kpa);
	state_put_double(&w, fact->reference_sd_kpa);
	state_put_double(&w, fact->reference_lph);
	state_put_double(&w, fact->limit_kpa);
	state_put_double(&w, fact->left_l_p10);
	state_put_double(&w, fact->left_l_p50);
	state_put_double(&w, fact->left_l_p90);
	state_put_double(&w, fact->left_h_p10);
	state_put_double(&w, fact->left_h_p50);
	state_put_double(&w, fact->left_h_p90);
	put_text(&w, fact->name);
	end(queue, &w);
}

static void play_filter(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_filter fact = {0};

	fact.filter = (unsigned)state_get_unsigned(r, UINT32_MAX);
	fact.session = state_get_signed(r);
	fact.t_ns = state_get_signed(r);
	fact.fitted_ns = state_get_signed(r);
	fact.milestone = state_get_unsigned(r, 1) != 0;
	fact.engine_h = state_get_double(r);
	fact.litres = state_get_double(r);
	fact.restriction_kpa = state_get_double(r);
	fact.reference_kpa = state_get_double(r);
	fact.reference_sd_kpa = state_get_double(r);
	fact.reference_lph = state_get_double(r);
	fact.limit_kpa = state_get_double(r);
	fact.left_l_p10 = state_get_double(r);
	fact.left_l_p50 = state_get_double(r);
	fact.left_l_p90 = state_get_double(r);
	fact.left_h_p10 = state_get_double(r);
	fact.left_h_p50 = state_get_double(r);
	fact.left_h_p90 = state_get_double(r);
	if (r->used < r->size) { /* an earlier version put none */
		get_text(r, fact.name, sizeof(fact.name));
	}
	if (!r->failed && sink->on_filter != NULL) {
		sink->on_filter(sink->context, &fact);
	}
}

/* They are whole, and take a byte or two. */
static uint64_t whole_minutes(double minutes)
{
	return minutes > 0 ? (uint64_t)fmin(minutes, MINUTES_MOST) : 0;
}

static void on_burn(void *context, const struct fact_burn *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_BURN)) {
		return;
	}
	state_put_unsigned(&w, fact->engine);
	state_put_unsigned(&w, fact->version);
	state_put_double(&w, fact->rpm);
	state_put_double(&w, fact->rate_lph);
	state_put_double(&w, fact->rate_sd_share);
	state_put_double(&w, fact->speed_kn);
	state_put_double(&w, fact->load_pct);
	state_put_unsigned(&w, whole_minutes(fact->rate_minutes));
	state_put_unsigned(&w, whole_minutes(fact->speed_minutes));
	state_put_unsigned(&w, whole_minutes(fact->ground_minutes));
	state_put_float(&w, (float)fact->ground_kn);
	end(queue, &w);
}

static void play_burn(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_burn fact = {0};

	fact.engine = (unsigned)state_get_unsigned(r, UINT32_MAX);
	fact.version = (unsigned)state_get_unsigned(r, UINT32_MAX);
	fact.rpm = state_get_double(r);
	fact.rate_lph = state_get_double(r);
	fact.rate_sd_share = state_get_double(r);
	fact.speed_kn = state_get_double(r);
	fact.load_pct = state_get_double(r);
	fact.rate_minutes = (double)state_get_unsigned(r, MINUTES_MOST);
	fact.speed_minutes = (double)state_get_unsigned(r, MINUTES_MOST);
	fact.ground_minutes = (double)state_get_unsigned(r, MINUTES_MOST);
	fact.ground_kn = (double)state_get_float(r);
	if (!r->failed && sink->on_burn != NULL) {
		sink->on_burn(sink->context, &fact);
	}
}

static void on_tank(void *context, const struct fact_tank *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_TANK)) {
		return;
	}
	state_put_unsigned(&w, fact->tank);
	state_put_signed(&w, fact->session);
	state_put_signed(&w, fact->t_ns);
	state_put_double(&w, fact->volume_l);
	state_put_double(&w, fact->volume_sd_l);
	state_put_double(&w, fact->mismatch_l);
	state_put_double(&w, fact->mismatch_sd_l);
	state_put_double(&w, fact->volume_15_l);
	state_put_double(&w, fact->fuel_c);
	end(queue, &w);
}

static void play_tank(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_tank fact = {0};

	fact.tank = (unsigned)state_get_unsigned(r, UINT32_MAX);
	fact.session = state_get_signed(r);
	fact.t_ns = state_get_signed(r);
	fact.volume_l = state_get_double(r);
	fact.volume_sd_l = state_get_double(r);
	fact.mismatch_l = state_get_double(r);
	fact.mismatch_sd_l = state_get_double(r);
	fact.volume_15_l = state_get_double(r);
	fact.fuel_c = state_get_double(r);
	if (!r->failed && sink->on_tank != NULL) {
		sink->on_tank(sink->context, &fact);
	}
}

static void on_refuelling(void *context, const struct fact_refuelling *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_REFUELLING)) {
		return;
	}
	state_put_unsigned(&w, fact->tank);
	state_put_signed(&w, fact->session);
	state_put_signed(&w, fact->t_ns);
	state_put_double(&w, fact->litres);
	state_put_double(&w, fact->litres_sd);
	end(queue, &w);
}

static void play_refuelling(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_refuelling fact = {0};

	fact.tank = (unsigned)state_get_unsigned(r, UINT32_MAX);
	fact.session = state_get_signed(r);
	fact.t_ns = state_get_signed(r);
	fact.litres = state_get_double(r);
	fact.litres_sd = state_get_double(r);
	if (!r->failed && sink->on_refuelling != NULL) {
		sink->on_refuelling(sink->context, &fact);
	}
}

static void on_fault(void *context, const struct fact_fault *fact)
{
	struct fact_queue *queue = context;
	struct state_writer w;

	if (!begin(queue, &w, TAG_FAULT)) {
		return;
	}
	state_put_unsigned(&w, fact->engine);
	state_put_unsigned(&w, fact->bus);
	state_put_unsigned(&w, fact->source);
	state_put_unsigned(&w, fact->spn);
	state_put_unsigned(&w, fact->fmi);
	state_put_unsigned(&w, fact->conversion);
	state_put_signed(&w, fact->occurrences);
	state_put_unsigned(&w, fact->standing);
	state_put_unsigned(&w, fact->lamps);
	state_put_signed(&w, fact->first_session);
	state_put_signed(&w, fact->first_ns);
	state_put_signed(&w, fact->session);
	state_put_signed(&w, fact->t_ns);
	end(queue, &w);
}

static void play_fault(struct state_reader *r, const struct fact_sink *sink)
{
	struct fact_fault fact = {0};

	fact.engine = (unsigned)state_get_unsigned(r, UINT32_MAX);
	fact.bus = (uint8_t)state_get_unsigned(r, UINT8_MAX);
	fact.source = (uint8_t)state_get_unsigned(r, UINT8_MAX);
	fact.spn = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	fact.fmi = (uint8_t)state_get_unsigned(r, UINT8_MAX);
	fact.conversion = (uint8_t)state_get_unsigned(r, 1);
	fact.occurrences = (int)state_get_signed(r);
	fact.standing = (enum fault_standing)state_get_unsigned(r, FAULT_GONE);
	fact.lamps = (uint8_t)state_get_unsigned(r, UINT8_MAX);
	fact.first_session = state_get_signed(r);
	fact.first_ns = state_get_signed(r);
	fact.session = state_get_signed(r);
	fact.t_ns = state_get_signed(r);
	if (!r->failed && sink->on_fault != NULL) {
		sink->on_fault(sink->context, &fact);
	}
}

struct fact_sink fact_queue_sink(struct fact_queue *queue)
{
	return (struct fact_sink){
		.context = queue,
		.on_session = on_session,
		.on_slot = on_slot,
		.on_window = on_window,
		.on_run = on_run,
		.on_run_withdrawn = on_run_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_trip_withdrawn,
		.on_event = on_event,
		.on_filter = on_filter,
		.on_burn = on_burn,
		.on_tank = on_tank,
		.on_refuelling = on_refuelling,
		.on_fault = on_fault,
	};
}

static void (*const players[])(struct state_reader *r, const struct fact_sink *sink) = {
	[TAG_SESSION] = play_session,
	[TAG_SLOT] = play_slot,
	[TAG_WINDOW] = play_window,
	[TAG_RUN] = play_run,
	[TAG_RUN_WITHDRAWN] = play_run_withdrawn,
	[TAG_TRIP] = play_trip,
	[TAG_TRIP_WITHDRAWN] = play_trip_withdrawn,
	[TAG_EVENT] = play_event,
	[TAG_FILTER] = play_filter,
	[TAG_BURN] = play_burn,
	[TAG_TANK] = play_tank,
	[TAG_REFUELLING] = play_refuelling,
	[TAG_FAULT] = play_fault,
};

int fact_queue_play(const uint8_t *bytes, size_t size, const struct fact_sink *sink)
{
	size_t at = 0;

	while (at < size) {
		struct state_reader r;
		size_t length;
		uint8_t tag;

		if (size - at < HEAD_BYTES) {
			return -EPROTO;
		}
		length = read_length(bytes + at);
		tag = bytes[at + LENGTH_BYTES];
		if (length == 0 || length > size - at - LENGTH_BYTES || tag == 0 || tag > TAG_LAST) {
			return -EPROTO;
		}
		state_reader_init(&r, bytes + at + HEAD_BYTES, length - 1);
		players[tag](&r, sink);
		if (r.failed || r.used != r.size) {
			return -EPROTO;
		}
		at += LENGTH_BYTES + length;
	}
	return 0;
}
