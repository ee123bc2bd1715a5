/* burn_windows: the windows of a season in which its engine ran, as they are heard, for burn_bound.
 *
 *   burn_windows NUMBER
 *
 * First a line with the protocol, the fault (kind, size, the engine hours at which it begins and is
 * full; or none 0 0 0); then one for each window: seconds, true engine hours, engine speed (mean,
 * least, most), fuel rate, load, speed through the water and over ground, battery volts and
 * amperes, gear, coolant; nan: not heard. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analysis/pipeline.h"
#include "decoders/signal.h"
#include "tests/scoreboard/season_draw.h"

#define SLOTS 256
#define BATCH 64

static const enum signal_id wanted[] = {SIGNAL_ENGINE_SPEED, SIGNAL_FUEL_RATE, SIGNAL_ENGINE_LOAD,
	SIGNAL_WATER_SPEED, SIGNAL_GROUND_SPEED, SIGNAL_BATTERY_VOLTAGE, SIGNAL_BATTERY_CURRENT,
	SIGNAL_GEAR, SIGNAL_COOLANT_TEMPERATURE};
#define WANTED (sizeof(wanted) / sizeof(wanted[0]))

struct heard {
	struct scenario *season;
	size_t column[SLOTS]; /* of each slot; WANTED: none */
};

/* What J1939 tells under another name. */
static enum signal_id same_as(enum signal_id signal)
{
	return signal == SIGNAL_WHEEL_SPEED		 ? SIGNAL_GROUND_SPEED
	       : signal == SIGNAL_ENGINE_BATTERY_VOLTAGE ? SIGNAL_BATTERY_VOLTAGE
							 : signal;
}

static void on_slot(void *context, const struct fact_slot *slot)
{
	struct heard *h = context;

	for (size_t i = 0; i < WANTED && slot->slot < SLOTS; i++) {
		if (same_as((enum signal_id)slot->signal) == wanted[i] && slot->instance == 0) {
			h->column[slot->slot] = i;
		}
	}
}

static void on_window(void *context, const struct fact_window *window)
{
	struct heard *h = context;
	double mean[WANTED];
	double low = NAN;
	double high = NAN;

	for (size_t i = 0; i < WANTED; i++) {
		mean[i] = NAN;
	}
	for (size_t i = 0; i < window->count; i++) {
		const struct fact_reading *r = &window->readings[i];
		size_t column = r->slot < SLOTS ? h->column[r->slot] : WANTED;
		if (column < WANTED) {
			mean[column] = r->mean;
			low = column == 0 ? r->low : low;
			high = column == 0 ? r->high : high;
		}
	}
	if (mean[0] > 0) {
		printf("%" PRId64 " %.4f %.1f %.1f %.1f", 10 * window->window,
			scenario_truth(h->season)->engine_h[0], mean[0], low, high);
		for (size_t i = 1; i < WANTED; i++) {
			printf(" %.4f", mean[i]);
		}
		putchar('\n');
	}
}

int main(int argc, char **argv)
{
	static const char *const protocols[] = {"nmea2000", "j1939", "both"};
	static struct scenario_options options;
	static struct boat boat;
	static struct frame frames[BATCH];
	const struct pipeline_numbers none = {0};
	struct scenario *season;
	struct heard heard = {0};
	const struct fact_sink sink = {
		.context = &heard, .on_slot = on_slot, .on_window = on_window};
	size_t count;

	if (argc != 2) {
		fprintf(stderr, "usage: burn_windows NUMBER\n");
		return 2;
	}
	season_draw(strtoull(argv[1], NULL, 10), &options, &boat);
	struct pipeline *pipeline = malloc(pipeline_size());
	if (pipeline == NULL || scenario_create(&season, &options) < 0) {
		free(pipeline);
		return 1;
	}
	for (size_t i = 0; i < SLOTS; i++) {
		heard.column[i] = WANTED;
	}
	heard.season = season;
	const struct scenario_fault *fault = &options.faults[0];
	printf("%s %s %.4f %.4f %.4f\n", protocols[options.protocol],
		options.fault_count > 0 ? scenario_fault_name(fault->kind) : "none",
		options.fault_count > 0 ? fault->size : 0,
		options.fault_count > 0 ? fault->at * options.engine_h : 0,
		options.fault_count > 0 ? fault->at * options.engine_h + fault->over_h : 0);
	pipeline_init(pipeline, &boat, &sink);
	pipeline_start(pipeline, &none, false);
	while ((count = scenario_next(season, frames, BATCH)) > 0) {
		pipeline_frames(pipeline, frames, count);
	}
	pipeline_finish(pipeline);
	scenario_destroy(season);
	free(pipeline);
	return fflush(stdout) == 0 ? 0 : 1;
}
