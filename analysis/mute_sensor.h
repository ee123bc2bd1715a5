/* mute_sensor.h: a filter's reading that is gone, or stands still, while its sender goes on sending.
 *
 * Gone: no number for a quarter of an hour of running with fuel flowing, though its sender is heard.
 * Frozen: to the last bit the same for 20 minutes of running, though by its own height above the
 * sensor's zero it must have followed the flow by several steps of its coding. A clean element, whose
 * restriction is lost in a step, may stand still for ever. Senders that fall silent altogether are
 * source_watch.h's. Fixed size, no heap.
 */
#ifndef SIGHTBOWL_ANALYSIS_MUTE_SENSOR_H
#define SIGHTBOWL_ANALYSIS_MUTE_SENSOR_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/window_view.h"
#include "decoders/state_codec.h"

/* Events' subjects: the filter's number beyond any sender's. */
#define MUTE_SENSOR_SUBJECT 0x10000U

enum mute_state {
	MUTE_HEARD,
	MUTE_GONE,
	MUTE_FROZEN,
};

struct mute_sensor {
	uint8_t state;     /* enum mute_state, as told */
	uint32_t given;    /* windows of running with a number, capped */
	uint32_t missing;  /* windows of running in a row without one */
	uint32_t back;     /* windows in a row that speak against what was told */
	/* a number that stands still; held 0: none */
	uint32_t held;     /* windows of running with it */
	uint32_t longest;  /* earlier ones that it could have followed the flow in, and then did */
	bool known;        /* it began when the sensor had been known for hours */
	double held_kpa;
	double above_kpa;  /* surely above the sensor's zero, when it began */
	double whole_kpa;  /* and the restriction at the reference flow then */
	double low_lph;    /* least and greatest flow of its minutes; NaN: none yet */
	double high_lph;
	uint32_t minute_windows; /* the present minute */
	double minute_lph;       /* sum */
};

/* 10 s of one filter. NaN is unknown. */
struct mute_window {
	bool running;         /* its engine turns, and its speed is heard */
	int slot;             /* of the reading, in the view's sources; −1: never heard */
	double supply_lph;    /* through the filter */
	double reference_lph;
	double above_kpa;     /* the reading above the sensor's zero, surely */
	double whole_kpa;     /* the restriction at the reference flow */
};

void mute_sensor_init(struct mute_sensor *m);

/* A window has ended; before its reading is learned from. index: of the filter in the boat. */
void mute_sensor_window(struct mute_sensor *m, unsigned index, const struct window_view *view,
	const struct mute_window *window);

void mute_sensor_save(const struct mute_sensor *m, struct state_writer *w);
/* Fills *m, or puts the reader into its failed state and leaves *m unspecified. */
void mute_sensor_load(struct mute_sensor *m, struct state_reader *r);

#endif
