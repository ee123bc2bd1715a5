/* Open captures of real buses, which may not be handed on and so are not in this repository. They
 * are read from the folder in SIGHTBOWL_OPEN_DATA, by default a folder beside the repository;
 * without them this test skips, and says so. The figures were read off the captures by a script of
 * others.
 *
 * - j1939-trucks: SystemsCyber/J1939_Attack_Datasets, commit 97511639, normal.log (driving), and
 *   SystemsCyber/CyberTruckResources, commit f434e585, KWTruck.txt (cold start).
 * - n2k-boat: AbbadKamel/Lightweight_Maritime_CAN_IDS, commit a8b7985c.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <zlib.h>

#include "analysis/pipeline.h"
#include "decoders/decoder.h"
#include "near.h"

static char folder[1024];
static struct decoder decoder;

/* What one signal of one source gave. */
struct tally {
	unsigned messages;
	unsigned counts[5]; /* by enum reading_state */
	double least;
	double most;
	double sum;
};

static struct tally tallies[SIGNAL_COUNT][256];
static unsigned
	long_messages; /* of more than one frame: as many as broadcasts announced (by awk) */

/* One line of candump's log or of its screen text with relative times. */
static bool parse_line(const char *line, struct frame *ret_frame)
{
	struct frame frame = {.kind = FRAME_EXTENDED};
	double seconds;
	char bus[16];
	char rest[64] = "";
	unsigned id;
	unsigned length;
	int at = 0;

	if (strchr(line, '#') != NULL) {
		if (sscanf(line, " (%lf) %15s %8x#%63s", &seconds, bus, &id, rest) < 3) {
			return false;
		}
		frame.len = (uint8_t)(strlen(rest) / 2);
		for (unsigned i = 0; i < frame.len; i++) {
			unsigned byte;
			if (sscanf(rest + 2 * i, "%2x", &byte) != 1) {
				return false;
			}
			frame.data[i] = (uint8_t)byte;
		}
	} else if (sscanf(line, " (%lf) %15s %8x [%u]%n", &seconds, bus, &id, &length, &at) == 4) {
		frame.len = (uint8_t)length;
		for (unsigned i = 0; i < length; i++) {
			unsigned byte;
			int used = 0;
			if (sscanf(line + at, "%2x%n", &byte, &used) != 1) {
				return false;
			}
			at += used;
			frame.data[i] = (uint8_t)byte;
		}
	} else {
		return false;
	}
	frame.t_ns = (int64_t)llround(seconds * 1e6) * 1000;
	frame.id = id;
	frame.bus = bus[strlen(bus) - 1] == '1';
	*ret_frame = frame;
	return true;
}

static void tally_message(const struct message *m)
{
	struct observation o[OBSERVATIONS_MAX];
	size_t count = decoder_read(&decoder, m, o, OBSERVATIONS_MAX);

	long_messages += m->length > 8;
	for (size_t i = 0; i < count; i++) {
		struct tally *t = &tallies[o[i].signal][o[i].source];

		t->messages++;
		t->counts[o[i].state]++;
		if (o[i].state == READING_VALID) {
			t->least = t->counts[READING_VALID] == 1 ? o[i].value
								 : fmin(t->least, o[i].value);
			t->most = t->counts[READING_VALID] == 1 ? o[i].value
								: fmax(t->most, o[i].value);
			t->sum += o[i].value;
		}
	}
}

/* Returns how many frames the capture holds. */
static unsigned read_capture(const char *name)
{
	char path[1200];
	char line[256];
	unsigned frames = 0;

	snprintf(path, sizeof(path), "%s/%s", folder, name);
	gzFile file = gzopen(path, "rb");
	assert_non_null(file);
	memset(tallies, 0, sizeof(tallies));
	long_messages = 0;
	decoder_init(&decoder);
	while (gzgets(file, line, sizeof(line)) != NULL) {
		struct frame frame;
		struct message m;

		if (parse_line(line, &frame)) {
			frames++;
			if (decoder_accept(&decoder, &frame, &m)) {
				tally_message(&m);
			}
		}
	}
	gzclose(file);
	return frames;
}

/* Neither recording lost a frame of a transport session or has any that does not fit. */
static void check_that_nothing_broke(void)
{
	static const enum decoder_counter breaks[] = {DECODER_INCOMPLETE, DECODER_OUT_OF_SEQUENCE,
		DECODER_REPEATED, DECODER_ORPHANS, DECODER_TIMED_OUT, DECODER_ABORTED,
		DECODER_MALFORMED, DECODER_NO_ROOM, DECODER_SHORT};

	for (size_t i = 0; i < sizeof(breaks) / sizeof(breaks[0]); i++) {
		assert_int_equal(decoder.counters[breaks[i]], 0);
	}
}

static void the_driving_truck_burns_what_is_known(void **state)
{
	(void)state;
	assert_int_equal(read_capture("j1939-trucks/truck-driving-30s.log.gz"), 19957);
	const struct tally *rate = &tallies[SIGNAL_FUEL_RATE][0];
	assert_int_equal(rate->counts[READING_VALID], 300);
	near(rate->least, 1.70, 1e-9);
	near(rate->most, 14.70, 1e-9);
	near(rate->sum / 300, 7.69, 0.005);
	/* A second source sends the message, and nothing in it. */
	const struct tally *other = &tallies[SIGNAL_FUEL_RATE][49];
	assert_true(other->messages > 0);
	assert_int_equal(other->counts[READING_NOT_AVAILABLE], other->messages);
	near(tallies[SIGNAL_ENGINE_HOURS][0].most, 7755.15, 1e-6);
	near(tallies[SIGNAL_TOTAL_FUEL][0].most, 106465, 1e-6);
	assert_int_equal(long_messages, 44);
	check_that_nothing_broke();
}

static void the_starting_truck_burns_what_is_known(void **state)
{
	(void)state;
	assert_int_equal(read_capture("j1939-trucks/truck-cold-start-65s.log.gz"), 34980);
	const struct tally *rate = &tallies[SIGNAL_FUEL_RATE][0];
	assert_int_equal(rate->counts[READING_VALID], 525);
	near(rate->least, 0, 1e-9);
	near(rate->most, 16.25, 1e-9);
	near(rate->sum / 525, 5.45, 0.005);
	near(tallies[SIGNAL_ENGINE_HOURS][0].least, 7528.25, 1e-6);
	near(tallies[SIGNAL_ENGINE_HOURS][0].most, 7528.30, 1e-6);
	/* Six messages, all FC: no water (counted by grep). */
	const struct tally *water = &tallies[SIGNAL_WATER_IN_FUEL][0];
	assert_int_equal(water->messages, 6);
	assert_int_equal(water->counts[READING_VALID], 6);
	near(water->most, 0, 0);
	assert_int_equal(decoder.counters[DECODER_IMPLAUSIBLE], 0);
	assert_int_equal(long_messages, 42);
	check_that_nothing_broke();
}

/* How far apart two positions of one sender are that came one after the other. */
static void on_event(void *context, const struct fact_event *event)
{
	unsigned *others = context;

	/* What the driving truck's own control units report as faults (DM1) is no verdict of ours. */
	if (strcmp(event->kind, "engine-fault") != 0) {
		print_message("%s: %s\n", event->kind, event->message);
		++*others;
	}
}

/* Crank, start, driving, and the codes for 'not available': nothing of it is a care. */
static void no_verdict_comes_of_sound_trucks(void **state)
{
	static const char *const names[] = {"j1939-trucks/truck-cold-start-65s.log.gz",
		"j1939-trucks/truck-driving-30s.log.gz"};
	struct pipeline *p = malloc(pipeline_size());
	struct boat boat;

	(void)state;
	assert_non_null(p);
	boat_init(&boat);
	boat.filters[0].sensor = SENSOR_SPN1382;
	boat.filters[0].limit_kpa = 20;
	boat.filters[1].sensor = SENSOR_SPN95;
	boat.filters[1].limit_kpa = 30;
	for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
		const struct pipeline_numbers none = {0};
		unsigned others = 0;
		const struct fact_sink sink = {.context = &others, .on_event = on_event};
		char path[1200];
		char line[256];
		unsigned frames = 0;
		snprintf(path, sizeof(path), "%s/%s", folder, names[i]);
		gzFile file = gzopen(path, "rb");
		assert_non_null(file);
		pipeline_init(p, &boat, &sink);
		pipeline_start(p, &none, true);
		while (gzgets(file, line, sizeof(line)) != NULL) {
			struct frame frame;
			if (parse_line(line, &frame)) {
				pipeline_frames(p, &frame, 1);
				frames++;
			}
		}
		gzclose(file);
		pipeline_finish(p);
		assert_true(frames > 10000);
		assert_int_equal(others, 0);
	}
	free(p);
}

static double longest_step_deg;
static unsigned positions;

static void the_boats_positions_come_out_whole(void **state)
{
	char path[1200];
	char line[256];
	double last[2] = {0, 0};
	unsigned frames = 0;
	unsigned starts = 0;

	(void)state;
	snprintf(path, sizeof(path), "%s/n2k-boat/boat-300s.log.gz", folder);
	gzFile file = gzopen(path, "rb");
	assert_non_null(file);
	decoder_init(&decoder);
	while (gzgets(file, line, sizeof(line)) != NULL) {
		struct frame frame;
		struct message m;

		if (!parse_line(line, &frame) || identifier_pgn(frame.id) != 129029) {
			continue;
		}
		frames++;
		starts += (frame.data[0] & 0x1F) == 0;
		if (!decoder_accept(&decoder, &frame, &m)) {
			continue;
		}
		struct observation o[OBSERVATIONS_MAX];
		size_t count = decoder_read(&decoder, &m, o, OBSERVATIONS_MAX);

		/* 7 frames: 6 + 5 * 7 bytes are too few, 6 + 6 * 7 enough. */
		assert_true(m.length > 41 && m.length <= 48);
		for (size_t i = 0; i < count; i++) {
			if (o[i].signal == SIGNAL_GNSS_TIME) {
				assert_int_equal(o[i].state, READING_VALID);
				/* The recorder's clock and the satellites' agree to the day. */
				near(o[i].value, (double)m.t_ns * 1e-9, 86400);
			}
			if (o[i].signal == SIGNAL_LATITUDE || o[i].signal == SIGNAL_LONGITUDE) {
				double *before = &last[o[i].signal == SIGNAL_LONGITUDE];
				assert_int_equal(o[i].state, READING_VALID);
				if (positions > 1) {
					longest_step_deg =
						fmax(longest_step_deg, fabs(o[i].value - *before));
				}
				*before = o[i].value;
				positions++;
			}
		}
	}
	gzclose(file);
	assert_true(starts > 100);
	assert_int_equal(frames, starts * 7);
	assert_int_equal(decoder.counters[DECODER_DECODED], starts);
	check_that_nothing_broke();
	assert_int_equal(positions, 2 * starts);
	assert_true(longest_step_deg < 0.001); /* 100 m in a second: no boat's */
}

static void nothing_on_the_boats_bus_breaks(void **state)
{
	(void)state;
	assert_int_equal(read_capture("n2k-boat/boat-300s.log.gz"), 170000);
	check_that_nothing_broke();
	/* One battery monitor sends 50 K, one weather station FFFF for a signed humidity. */
	const struct tally *battery = &tallies[SIGNAL_BATTERY_TEMPERATURE][69];
	const struct tally *humidity = &tallies[SIGNAL_HUMIDITY][25];
	assert_true(battery->messages > 1000 && humidity->messages > 500);
	assert_int_equal(battery->counts[READING_IMPLAUSIBLE], battery->messages);
	assert_int_equal(humidity->counts[READING_IMPLAUSIBLE], humidity->messages);
	assert_int_equal(
		decoder.counters[DECODER_IMPLAUSIBLE], battery->messages + humidity->messages);
}

int main(void)
{
	const char *given = getenv("SIGHTBOWL_OPEN_DATA");
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_driving_truck_burns_what_is_known),
		cmocka_unit_test(the_starting_truck_burns_what_is_known),
		cmocka_unit_test(no_verdict_comes_of_sound_trucks),
		cmocka_unit_test(the_boats_positions_come_out_whole),
		cmocka_unit_test(nothing_on_the_boats_bus_breaks),
	};

	if (given != NULL) {
		snprintf(folder, sizeof(folder), "%s", given);
	} else {
		snprintf(folder, sizeof(folder), "%s/../../shared/data", TEST_SOURCE_DIR);
	}
	if (access(folder, R_OK) != 0) {
		printf("SKIPPED: no open captures in %s (set SIGHTBOWL_OPEN_DATA)\n", folder);
		return 77;
	}
	return cmocka_run_group_tests(tests, NULL, NULL);
}
