/* boat_traffic.h: an invented boat's senders, second by second, into a pipeline, and the events that it
 * tells. Each sender can be switched on and off, as can the engine. */
#ifndef SIGHTBOWL_TESTS_BOAT_TRAFFIC_H
#define SIGHTBOWL_TESTS_BOAT_TRAFFIC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/pipeline.h"
#include "decoders/encode.h"

#define TRAFFIC_S         INT64_C(1000000000)
#define TRAFFIC_BEGIN_NS  (INT64_C(1777622400) * TRAFFIC_S) /* 2026-05-01T08:00:00Z */
#define TRAFFIC_TOLD_MAX  64
#define TRAFFIC_SENDERS   7
#define TRAFFIC_STATE_MAX PIPELINE_STATE_MAX

enum traffic_sender {
	SENDER_ENGINE,   /* address 10: engine speed */
	SENDER_TANK,     /* 20: tank level */
	SENDER_POSITION, /* 30: speed over ground */
	SENDER_SENSOR,   /* 40: a pressure */
	SENDER_DEPTH,    /* 50: depth */
	SENDER_SECOND,   /* 60, on bus 1: a second tank's level */
	SENDER_OTHER_ENGINE, /* 11: engine 1's speed */
};

struct traffic_boat {
	struct pipeline *pipeline;
	struct boat boat;
	int64_t t_ns;
	double rpm;
	double other_rpm;
	bool on[TRAFFIC_SENDERS];
	uint8_t address[TRAFFIC_SENDERS];
	int every_s[TRAFFIC_SENDERS]; /* period */
	bool resume; /* the state goes through a checkpoint each 7 s */
	size_t told;
	struct fact_event events[TRAFFIC_TOLD_MAX];
};

static inline void traffic_on_event(void *context, const struct fact_event *event)
{
	struct traffic_boat *b = context;

	assert_true(b->told < TRAFFIC_TOLD_MAX);
	b->events[b->told++] = *event;
}

static inline struct fact_sink traffic_sink(struct traffic_boat *b)
{
	return (struct fact_sink){.context = b, .on_event = traffic_on_event};
}

static inline const char *traffic_name(void *context, unsigned bus)
{
	(void)context;
	return bus == 0 ? "can0" : NULL;
}

static inline void traffic_begin(struct traffic_boat *b)
{
	static const uint8_t addresses[TRAFFIC_SENDERS] = {10, 20, 30, 40, 50, 60, 11};
	struct pipeline_numbers none = {0};
	struct fact_sink sink;

	memset(b, 0, sizeof(*b));
	sink = traffic_sink(b);
	b->pipeline = malloc(pipeline_size());
	assert_non_null(b->pipeline);
	boat_init(&b->boat);
	pipeline_init(b->pipeline, &b->boat, &sink);
	pipeline_start(b->pipeline, &none, false);
	pipeline_name_buses(b->pipeline, &(struct bus_namer){NULL, traffic_name});
	b->t_ns = TRAFFIC_BEGIN_NS;
	b->rpm = 1800;
	b->other_rpm = 1800;
	for (size_t i = 0; i < TRAFFIC_SENDERS; i++) {
		b->on[i] = i < SENDER_SECOND;
		b->address[i] = addresses[i];
		b->every_s[i] = 1;
	}
}

static inline void traffic_end(struct traffic_boat *b)
{
	free(b->pipeline);
}

/* Through a checkpoint. */
static inline void traffic_resume(struct traffic_boat *b)
{
	uint8_t *bytes = malloc(TRAFFIC_STATE_MAX);
	struct fact_sink sink = traffic_sink(b);
	struct state_writer w;
	struct state_reader r;

	assert_non_null(bytes);
	state_writer_init(&w, bytes, TRAFFIC_STATE_MAX);
	pipeline_save(b->pipeline, &w);
	assert_false(w.failed);
	pipeline_init(b->pipeline, &b->boat, &sink);
	state_reader_init(&r, bytes, w.used);
	assert_int_equal(pipeline_load(b->pipeline, &r), 0);
	pipeline_name_buses(b->pipeline, &(struct bus_namer){NULL, traffic_name});
	free(bytes);
}

static inline void traffic_frames(struct traffic_boat *b, const struct frame *frames, size_t count)
{
	pipeline_frames(b->pipeline, frames, count);
}

static inline void traffic_send(struct traffic_boat *b, enum traffic_sender sender, uint32_t pgn,
	uint16_t instance, enum signal_id signal, double value)
{
	int row = message_row_find(pgn);
	struct encode_value given = {
		.field = (uint16_t)encode_field_of((size_t)row, signal), .value = value};
	uint8_t payload[MESSAGE_LENGTH_MAX];
	struct frame frames[ENCODE_FRAMES_MAX];
	int length = encode_payload((size_t)row, instance, &given, 1, payload, sizeof(payload));
	struct encode_header header = {
		.pgn = pgn,
		.priority = 3,
		.source = b->address[sender],
		.destination = ADDRESS_GLOBAL,
		.bus = sender == SENDER_SECOND,
		.t_ns = b->t_ns + sender * 20000000,
	};
	int n;

	assert_true(length > 0);
	n = encode_frames(ENCODE_SINGLE, &header, payload, (size_t)length, frames, 4);
	assert_int_equal(n, 1);
	traffic_frames(b, frames, 1);
}

static inline void traffic_run(struct traffic_boat *b, int seconds)
{
	for (int i = 0; i < seconds; i++) {
		int64_t s = b->t_ns / TRAFFIC_S;
		bool due[TRAFFIC_SENDERS];

		for (size_t k = 0; k < TRAFFIC_SENDERS; k++) {
			due[k] = b->on[k] && s % b->every_s[k] == 0;
		}
		if (due[SENDER_ENGINE]) {
			traffic_send(b, SENDER_ENGINE, 127488, 0, SIGNAL_ENGINE_SPEED, b->rpm);
		}
		if (due[SENDER_TANK]) {
			traffic_send(b, SENDER_TANK, 127505, 0, SIGNAL_TANK_LEVEL, 60);
		}
		if (due[SENDER_POSITION]) {
			traffic_send(b, SENDER_POSITION, 129026, 0, SIGNAL_GROUND_SPEED, 2.5);
		}
		if (due[SENDER_SENSOR]) {
			traffic_send(b, SENDER_SENSOR, 130314, 0, SIGNAL_PRESSURE, 101);
		}
		if (due[SENDER_DEPTH]) {
			traffic_send(b, SENDER_DEPTH, 128267, 0, SIGNAL_DEPTH, 12);
		}
		if (due[SENDER_SECOND]) {
			traffic_send(b, SENDER_SECOND, 127505, 1, SIGNAL_TANK_LEVEL, 40);
		}
		if (due[SENDER_OTHER_ENGINE]) {
			traffic_send(b, SENDER_OTHER_ENGINE, 127488, 1, SIGNAL_ENGINE_SPEED, b->other_rpm);
		}
		b->t_ns += TRAFFIC_S;
		if (b->resume && i % 7 == 3) {
			traffic_resume(b);
		}
	}
}

/* The last telling of a kind; NULL: none. */
static inline const struct fact_event *traffic_last(const struct traffic_boat *b, const char *kind)
{
	const struct fact_event *last = NULL;

	for (size_t i = 0; i < b->told; i++) {
		if (strcmp(b->events[i].kind, kind) == 0) {
			last = &b->events[i];
		}
	}
	return last;
}

static inline size_t traffic_count(const struct traffic_boat *b, const char *kind)
{
	size_t count = 0;

	for (size_t i = 0; i < b->told; i++) {
		count += strcmp(b->events[i].kind, kind) == 0;
	}
	return count;
}

static inline bool traffic_is_up(const struct traffic_boat *b, const char *kind)
{
	const struct fact_event *last = traffic_last(b, kind);

	return last != NULL && !last->has_cleared;
}

/* Both were told the same, word by word. */
static inline void traffic_assert_same(const struct traffic_boat *a, const struct traffic_boat *b)
{
	assert_int_equal(a->told, b->told);
	for (size_t i = 0; i < a->told; i++) {
		const struct fact_event *one = &a->events[i], *other = &b->events[i];
		assert_int_equal(one->event, other->event);
		assert_string_equal(one->kind, other->kind);
		assert_string_equal(one->subject, other->subject);
		assert_string_equal(one->message, other->message);
		assert_int_equal(one->has_cleared, other->has_cleared);
		assert_int_equal(one->raised_ns, other->raised_ns);
		assert_int_equal(one->cleared_ns, other->cleared_ns);
	}
}

#endif
