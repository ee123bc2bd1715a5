/* A boat's bus of anything through the whole analysis, unbroken and with its state saved and loaded
 * on the way: both tell the same facts in the same order and have the same state, and no fact is
 * absurd.
 *
 * Input: acts of 4 bytes: what, and three that it takes. Most are a message; "for a while" repeats
 * the engine's messages, so that a few bytes make an hour of engine.
 */
#include <math.h>
#include <string.h>

#include "analysis/pipeline.h"
#include "fuzz_input.h"

#define S	  INT64_C(1000000000)
#define START_NS  (INT64_C(1777622400) * S)
#define ACT_BYTES 4
#define FRAMES_MAX 40000 /* of one input: a fuzzer has no time to spare */

struct told {
	uint64_t fold;
	uint64_t count;
};

struct bench {
	struct boat boat;
	struct told whole;
	struct told cut;
	struct pipeline *unbroken;
	struct pipeline *resumed;
	int64_t t_ns;
	size_t frames;
	/* what "for a while" goes on with */
	unsigned rpm_eighths;
	unsigned rate_twentieths;
	uint32_t hours_twentieths;
	unsigned seconds_into_step;
};

static struct bench bench;
static uint8_t state[PIPELINE_STATE_MAX];
static uint8_t unbroken_state[PIPELINE_STATE_MAX];

static void fold(struct told *t, double value)
{
	uint64_t bits;

	memcpy(&bits, &value, sizeof(bits));
	t->fold = (t->fold ^ bits) * UINT64_C(0x9E3779B97F4A7C15);
	t->fold ^= t->fold >> 29;
	t->count++;
}

static bool whole_or_nan(double value)
{
	return isnan(value) || (isfinite(value) && value >= 0);
}

static void on_session(void *context, const struct fact_session *f)
{
	FUZZ_CHECK(f->session > 0 && f->first_ns <= f->last_ns && f->basis <= CLOCK_UNDATED);
	fold(context, (double)f->session);
	fold(context, (double)f->first_ns);
	fold(context, (double)f->last_ns);
	fold(context, (double)f->utc_offset_ns);
}

static void on_window(void *context, const struct fact_window *f)
{
	fold(context, (double)f->window);
	for (size_t i = 0; i < f->count; i++) {
		const struct fact_reading *r = &f->readings[i];
		FUZZ_CHECK(r->count > 0 && r->low <= r->high && isfinite(r->mean));
		fold(context, r->mean);
		fold(context, r->low);
		fold(context, r->high);
		fold(context, r->count);
	}
}

static void on_run(void *context, const struct fact_run *f)
{
	FUZZ_CHECK(f->run > 0 && f->trip >= 0 && f->engine < BOAT_ENGINES_MAX);
	FUZZ_CHECK(isfinite(f->engine_h) && f->engine_h >= 0);
	FUZZ_CHECK(f->idle_h >= 0 && f->idle_h <= f->engine_h + 1e-6);
	FUZZ_CHECK(f->unobserved_h >= 0 && f->unobserved_h <= f->engine_h + 1e-6);
	FUZZ_CHECK(whole_or_nan(f->fuel_l) && whole_or_nan(f->fuel_uncertainty_l));
	FUZZ_CHECK(isfinite(f->fuel_estimated_l) && f->fuel_unknown_h >= 0);
	FUZZ_CHECK(whole_or_nan(f->max_lph));
	FUZZ_CHECK(f->start_session < f->end_session || f->start_ns <= f->end_ns);
	fold(context, (double)f->run);
	fold(context, (double)f->trip);
	fold(context, (double)f->start_ns);
	fold(context, (double)f->end_ns);
	fold(context, f->engine_h);
	fold(context, f->idle_h);
	fold(context, f->fuel_l);
	fold(context, f->fuel_estimated_l);
	fold(context, f->fuel_uncertainty_l);
	fold(context, f->supply_l);
}

static void on_withdrawn(void *context, int64_t number)
{
	fold(context, -(double)number);
}

static void on_trip(void *context, const struct fact_trip *f)
{
	FUZZ_CHECK(f->trip > 0 && whole_or_nan(f->distance_nm));
	FUZZ_CHECK(f->start_session < f->end_session || f->start_ns <= f->end_ns);
	fold(context, (double)f->trip);
	fold(context, (double)f->end_ns);
	fold(context, f->distance_nm);
}

static void on_event(void *context, const struct fact_event *f)
{
	FUZZ_CHECK(f->event > 0 && f->kind != NULL && f->kind[0] != '\0');
	FUZZ_CHECK(memchr(f->message, '\0', sizeof(f->message)) != NULL);
	FUZZ_CHECK(f->severity <= SEVERITY_WARNING);
	fold(context, (double)f->event);
	fold(context, (double)f->raised_ns);
	fold(context, f->has_cleared ? (double)f->cleared_ns : 0.5);
	fold(context, f->value);
	for (const char *c = f->message; *c != '\0'; c++) {
		fold(context, *c);
	}
}

static void on_filter(void *context, const struct fact_filter *f)
{
	fold(context, f->litres);
	fold(context, f->reference_kpa);
	fold(context, f->left_l_p50);
}

static void on_burn(void *context, const struct fact_burn *f)
{
	fold(context, f->rpm);
	fold(context, f->rate_lph);
}

static void on_tank(void *context, const struct fact_tank *f)
{
	fold(context, f->volume_l);
	fold(context, f->mismatch_l);
}

static void on_refuelling(void *context, const struct fact_refuelling *f)
{
	FUZZ_CHECK(isfinite(f->litres));
	fold(context, f->litres);
}

static void on_fault(void *context, const struct fact_fault *f)
{
	FUZZ_CHECK(f->engine < BOAT_ENGINES_MAX && f->spn > 0 && f->first_ns <= f->t_ns);
	FUZZ_CHECK(f->occurrences >= -1 && f->occurrences < 127);
	fold(context, f->spn);
	fold(context, f->fmi);
	fold(context, f->occurrences);
	fold(context, f->standing);
	fold(context, (double)f->t_ns);
}

static struct fact_sink sink_of(struct told *told)
{
	return (struct fact_sink){
		.context = told,
		.on_session = on_session,
		.on_window = on_window,
		.on_run = on_run,
		.on_run_withdrawn = on_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_withdrawn,
		.on_event = on_event,
		.on_filter = on_filter,
		.on_burn = on_burn,
		.on_tank = on_tank,
		.on_refuelling = on_refuelling,
		.on_fault = on_fault,
	};
}

static void send(uint32_t id, const uint8_t data[8])
{
	struct frame frame = {.t_ns = bench.t_ns, .id = id, .len = 8};

	if (bench.frames++ >= FRAMES_MAX) {
		return;
	}
	memcpy(frame.data, data, 8);
	pipeline_frames(bench.unbroken, &frame, 1);
	pipeline_frames(bench.resumed, &frame, 1);
}

#define SEND(id, ...) send(id, (const uint8_t[8]){__VA_ARGS__})

static uint8_t low(unsigned value)
{
	return (uint8_t)(value & 0xFF);
}

static uint8_t high(unsigned value)
{
	return (uint8_t)(value >> 8 & 0xFF);
}

static void send_speed(unsigned eighths)
{
	SEND(0x0CF00400, 0xFF, 0xFF, 0xFF, low(eighths), high(eighths), 0xFF, 0xFF, 0xFF);
}

static void send_rate(unsigned twentieths)
{
	SEND(0x18FEF200, low(twentieths), high(twentieths), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF);
}

static void send_hours(uint32_t twentieths)
{
	SEND(0x18FEE500, (uint8_t)twentieths, (uint8_t)(twentieths >> 8), (uint8_t)(twentieths >> 16),
		(uint8_t)(twentieths >> 24), 0xFF, 0xFF, 0xFF, 0xFF);
}

/* The engine's messages, each second, with restriction and temperatures that wander a little. */
static void for_a_while(unsigned seconds, unsigned wander)
{
	for (unsigned i = 0; i < seconds; i++) {
		bench.t_ns += S;
		send_speed(bench.rpm_eighths);
		send_rate(bench.rate_twentieths + (i * wander) % 3);
		if (i % 10 == 0) {
			SEND(0x18FEEE00, low(80 + 40), 70, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF);
			SEND(0x18FEDF00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF);
			SEND(0x18FE6A00, low(wander + i / 30), low(wander), 0xFF, 0xFF, 0xFF, 0xFF,
				0xFF, 0xFF);
			SEND(0x09F80214, 0, 0xFC, 0, 0, low(wander * 4), 1, 0xFF, 0xFF);
		}
		if (bench.rpm_eighths >= 300 * 8 && ++bench.seconds_into_step == 180) {
			bench.seconds_into_step = 0;
			bench.hours_twentieths++;
		}
	}
	send_hours(bench.hours_twentieths);
}

static void save_and_load(void)
{
	struct fact_sink sink = sink_of(&bench.cut);
	struct state_writer w, whole;
	struct state_reader r;

	state_writer_init(&w, state, sizeof(state));
	pipeline_save(bench.resumed, &w);
	state_writer_init(&whole, unbroken_state, sizeof(unbroken_state));
	pipeline_save(bench.unbroken, &whole);
	FUZZ_CHECK(!w.failed && !whole.failed);
	FUZZ_CHECK(w.used == whole.used && memcmp(state, unbroken_state, w.used) == 0);
	memset(bench.resumed, 0xA5, pipeline_size());
	pipeline_init(bench.resumed, &bench.boat, &sink);
	state_reader_init(&r, state, w.used);
	FUZZ_CHECK(pipeline_load(bench.resumed, &r) == 0);
	FUZZ_CHECK(bench.whole.fold == bench.cut.fold);
}

static void act(const uint8_t *a)
{
	unsigned word = a[1] | (unsigned)a[2] << 8;

	switch (a[0] % 20) {
	case 0:
		bench.t_ns += (int64_t)word * 1000000;
		break;
	case 1: /* up to six weeks of nothing */
		bench.t_ns += (int64_t)word * 60 * S;
		break;
	case 2: /* the recorder's clock jumps, said or unsaid */
		bench.t_ns += (int64_t)((int)word - 0x8000) * (a[3] & 1 ? 3600 : 1) * S;
		bench.t_ns = bench.t_ns < 0 ? 0 : bench.t_ns;
		if (a[3] & 2) {
			int64_t step_ns = (int64_t)((int)word - 0x8000) * (a[3] & 1 ? 3600 : 1) * S;
			pipeline_clock_stepped(bench.unbroken, step_ns);
			pipeline_clock_stepped(bench.resumed, step_ns);
		}
		break;
	case 3:
		bench.rpm_eighths = word % 32000;
		send_speed(bench.rpm_eighths);
		break;
	case 4:
		bench.rate_twentieths = word % 4000;
		send_rate(bench.rate_twentieths);
		break;
	case 5: /* any code, the special ones too */
		send_rate(word);
		send_speed(word);
		break;
	case 6: /* a meter that steps, goes back or was replaced */
		bench.hours_twentieths = a[3] & 1 ? (uint32_t)word << 8 : bench.hours_twentieths + a[1];
		send_hours(bench.hours_twentieths);
		break;
	case 7: /* LFC: trip and total fuel, 0.5 L a bit */
		SEND(0x18FEE900, a[3], 0, 0, 0, a[1], a[2], 0, 0);
		break;
	case 8: /* HRLFC, 0.001 L a bit */
		SEND(0x18FD0900, a[1], a[2], a[3], 0, a[1], a[2], a[3], 1);
		break;
	case 9:
		SEND(0x18FEFF00, (uint8_t)(0xFC | (a[1] & 3)), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,
			0xFF);
		break;
	case 10: /* a second engine's speed, NMEA 2000, and its gear */
		SEND(0x09F2000A, a[3] & 1, a[1], a[2], 0xFF, 0xFF, 0x7F, 0xFF, 0xFF);
		SEND(0x09F2050A, a[3] & 1, a[3] >> 6, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF);
		break;
	case 11: /* the bus's own time, some days about the start */
		SEND(0x19F01014, 0, 0xF0, low(20574 + a[3] % 8), high(20574 + a[3] % 8), a[1], a[2],
			(uint8_t)(a[3] >> 3), 0);
		break;
	case 12: /* a tank's level, its capacity 200 L */
		SEND(0x19F21119, 0, a[1], a[2] % 100, 0xD0, 0x07, 0, 0, 0xFF);
		break;
	case 13: /* pressures: an instance, and the intake's */
		SEND(0x19F1F119, 0, a[3] & 3, 0, a[1], a[2], 0, 0, 0xFF);
		break;
	case 14: /* DM1 */
		SEND(0x18FECA00, 0x04, 0xFF, a[1], a[2], a[3], 1, 0xFF, 0xFF);
		break;
	case 15:
		pipeline_capture_begins(bench.unbroken, a[1] & 1);
		pipeline_capture_begins(bench.resumed, a[1] & 1);
		break;
	case 16:
		save_and_load();
		break;
	case 17: { /* a frame of anything */
		uint8_t data[8] = {a[3], a[2], a[1], a[3], a[2], a[1], a[3], a[2]};
		send(0x18F00000 | (uint32_t)word << 4, data);
		break;
	}
	default:
		for_a_while(1 + (unsigned)a[1] * (a[2] & 7), a[3]);
		break;
	}
}

static void fit_out(struct boat *boat)
{
	boat_init(boat);
	boat->engines[1].present = true;
	boat->engines[0].supply = SUPPLY_PUMP;
	boat->engines[0].pump_lph = 30;
	boat->engines[0].pump_rpm = 2000;
	boat->filters[0].sensor = SENSOR_SPN1382;
	boat->filters[0].limit_kpa = 20;
	boat->filters[0].change_h = 200;
	boat->filters[1].sensor = SENSOR_SPN95;
	boat->filters[1].limit_kpa = 60;
	boat->tanks[0].present = true;
	boat->tanks[0].capacity_l = 200;
	boat->limits.coolant_c = 95;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	static const struct pipeline_numbers none = {0};
	struct pipeline *unbroken = bench.unbroken;
	struct pipeline *resumed = bench.resumed;

	if (unbroken == NULL) {
		unbroken = malloc(pipeline_size());
		resumed = malloc(pipeline_size());
		FUZZ_CHECK(unbroken != NULL && resumed != NULL);
	}
	bench = (struct bench){.unbroken = unbroken, .resumed = resumed, .t_ns = START_NS};
	fit_out(&bench.boat);
	struct fact_sink whole = sink_of(&bench.whole);
	struct fact_sink cut = sink_of(&bench.cut);
	pipeline_init(unbroken, &bench.boat, &whole);
	pipeline_start(unbroken, &none, false);
	pipeline_init(resumed, &bench.boat, &cut);
	pipeline_start(resumed, &none, false);
	for (size_t at = 0; at + ACT_BYTES <= size && bench.frames < FRAMES_MAX; at += ACT_BYTES) {
		act(data + at);
	}
	save_and_load();
	pipeline_finish(unbroken);
	pipeline_finish(resumed);
	FUZZ_CHECK(bench.whole.count == bench.cut.count && bench.whole.fold == bench.cut.fold);
	return 0;
}
