/* What a bus itself may do to a boat: senders that move, clocks that repeat a second, frames out of
 * order, and sensors whose lie looks like a number of its own. */
#include "tests/unit/near.h"

#include "tests/unit/lying_boat.h"

static struct lying_boat boat;

static void print_events(void)
{
	for (size_t i = 0; i < boat.told; i++) {
		const struct fact_event *e = &boat.events[i];
		print_message("%s of %s%s: %s\n", e->kind, e->subject,
			e->has_cleared ? ", over" : "", e->message);
	}
}

static void told(const char *kind, int events)
{
	if (lying_events(&boat, kind) != events) {
		print_events();
	}
	assert_int_equal(lying_events(&boat, kind), events);
	assert_false(boat.endless);
}

/* Seconds since a day's key was turned (lying_days). */
static int64_t of_day_s(const struct lying_boat *b)
{
	return (b->t_ns - LYING_BEGIN) / LYING_S % (int64_t)(18 * 3600 + LYING_DAY_H * 3600 + 1800);
}

static bool between_h(const struct lying_boat *b, double from_h, double until_h)
{
	double at_h = ((double)of_day_s(b) - 600) / 3600;

	return at_h >= from_h && at_h < until_h;
}

/* ---- an engine that moves ---- */

/* All of the engine's sender comes from another address for an hour of each day: J1939 address 1 is
 * engine 1. */
static void engine_moves(struct lying_boat *b)
{
	for (size_t i = 0; i < b->count && between_h(b, 1, 2); i++) {
		b->frames[i].id |= (b->frames[i].id & 0xFF) == 0 ? 1U : 0U;
	}
}

/* The same where nothing else speaks of the engine: its gateway's status is not heard. */
static void engine_moves_alone(struct lying_boat *b)
{
	size_t kept = 0;

	engine_moves(b);
	for (size_t i = 0; i < b->count; i++) {
		if ((b->frames[i].id & 0xFF) != 12) {
			b->frames[kept++] = b->frames[i];
		}
	}
	b->count = kept;
}

static double meter_h; /* the engine's own, in steps of 0.05 h */

static void meter_counts(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)r, (void)since_s;
	meter_h += runs ? LYING_STEP_S / 3600.0 : 0;
	lying_send_one(b, 65253, 0, 0, SIGNAL_ENGINE_HOURS, 1000 + meter_h);
}

static void an_engine_that_moves_for_an_hour_is_counted_once(void **state)
{
	(void)state;
	for (unsigned way = 0; way < 8; way++) {
		lying_begin(&boat);
		boat.boat.engines[1].present = true;
		boat.on_frames = (way & 1) != 0 ? engine_moves_alone : engine_moves;
		boat.resume = (way & 4) != 0 ? 5 : 0;
		lying_start(&boat);
		lying_days(&boat, 6, (way & 2) != 0 ? meter_counts : NULL);
		near(lying_fuel_l(&boat, -1), boat.burned_l, 0.01 * boat.burned_l);
		near(lying_hours(&boat, -1), 6 * LYING_DAY_H, 0.1);
		near(lying_hours(&boat, 1), 6, 0.1);
		assert_false(boat.endless);
		lying_end(&boat);
	}
}

/* An address claim moves the filter gauge, the tank's sender and the GPS in mid-run, and back. */
static void senders_move(struct lying_boat *b)
{
	bool moved = between_h(b, 1, 2) || between_h(b, 2.5, 2.7);

	for (size_t i = 0; i < b->count && moved; i++) {
		uint32_t source = b->frames[i].id & 0xFF;
		if (source == 40 || source == 20 || source == 30) {
			b->frames[i].id += 100;
		}
	}
}

static void senders_that_claim_another_address_tell_nothing(void **state)
{
	(void)state;
	lying_begin(&boat);
	boat.on_frames = senders_move;
	lying_days(&boat, 15, NULL);
	double true_kpa = lying_true_kpa(&boat);
	near(lying_fuel_l(&boat, -1), boat.burned_l, 0.002 * boat.burned_l);
	near(boat.filters[0].reference_kpa, true_kpa, 0.1 * true_kpa);
	near(boat.tank.volume_l, boat.tank_l, 10);
	told("tank-mismatch", 0);
	told("restriction-jump", 0);
	lying_end(&boat);
}

/* ---- time ---- */

/* The recorder's clock repeats a second in each run, as one that is fed with UTC does at a leap
 * second. */
static void second_repeats(struct lying_boat *b)
{
	int64_t since = of_day_s(b) - 7200;

	for (size_t i = 0; i < b->count && since >= 0; i++) {
		b->frames[i].t_ns -= LYING_S * (1 + (b->t_ns - LYING_BEGIN) / (86400 * LYING_S));
	}
}

static void a_leap_second_costs_nothing(void **state)
{
	(void)state;
	lying_begin(&boat);
	boat.on_frames = second_repeats;
	lying_days(&boat, 6, NULL);
	near(lying_fuel_l(&boat, -1), boat.burned_l, 0.002 * boat.burned_l);
	near(lying_hours(&boat, -1), 6 * LYING_DAY_H, 0.1);
	told(NULL, 0);
	lying_end(&boat);
}

#define AHEAD_S                                                                                   \
	(14 * 3600) /* the bus's clock is right, the recorder's so far behind: midnight is in the \
		       run */
#define DAY_S 86400

/* 126992, whose seconds of the day reach 86,400 and more in a leap second, which each midnight here
 * has. */
static void clock_with_leap_seconds(struct lying_boat *b)
{
	int64_t since_s = (b->t_ns - LYING_BEGIN) / LYING_S;
	int64_t midnights = ((LYING_BEGIN / LYING_S + AHEAD_S) % DAY_S + since_s) / DAY_S;
	int64_t utc_s = LYING_BEGIN / LYING_S + AHEAD_S + since_s;
	bool leaps = midnights > 0 && utc_s % DAY_S == 0;
	int64_t day = leaps ? utc_s / DAY_S - 1 : (utc_s - midnights) / DAY_S;
	uint32_t tenths_of_ms = (uint32_t)((leaps ? DAY_S : (utc_s - midnights) % DAY_S) * 10000);
	struct frame frame = {.t_ns = b->t_ns + LYING_S / 2, .id = 0x0DF0101E, .len = 8};

	frame.data[0] = (uint8_t)since_s;
	frame.data[1] = 0xF0;
	frame.data[2] = (uint8_t)day;
	frame.data[3] = (uint8_t)(day >> 8);
	for (int i = 0; i < 4; i++) {
		frame.data[4 + i] = (uint8_t)(tenths_of_ms >> 8 * i);
	}
	b->frames[b->count++] = frame;
}

static void a_second_60_on_the_bus_costs_nothing(void **state)
{
	(void)state;
	lying_begin(&boat);
	boat.on_frames = clock_with_leap_seconds;
	lying_days(&boat, 6, NULL);
	near(lying_fuel_l(&boat, -1), boat.burned_l, 0.002 * boat.burned_l);
	near(lying_hours(&boat, -1), 6 * LYING_DAY_H, 0.1);
	told(NULL, 0);
	near((double)boat.utc_offset_ns / 1e9, AHEAD_S, 7);
	lying_end(&boat);
}

/* Two adapters' stamps, merged: each frame up to 40 ms early or late. */
static void frames_in_disorder(struct lying_boat *b)
{
	for (size_t i = 0; i < b->count; i++) {
		b->frames[i].t_ns += (int64_t)scenario_random_between(&b->random, -40e6, 40e6);
	}
}

static void stamps_out_of_order_cost_nothing(void **state)
{
	(void)state;
	lying_begin(&boat);
	boat.on_frames = frames_in_disorder;
	lying_days(&boat, 6, NULL);
	near(lying_fuel_l(&boat, -1), boat.burned_l, 0.002 * boat.burned_l);
	near(lying_hours(&boat, -1), 6 * LYING_DAY_H, 0.1);
	told(NULL, 0);
	lying_end(&boat);
}

/* ---- senders that lie ---- */

static void level_flips(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)runs, (void)since_s;
	r->level_pct = b->t_ns / (LYING_STEP_S * LYING_S) % 2 == 0 ? 0 : 100;
}

static void level_flips_slowly(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)runs, (void)since_s;
	r->level_pct = b->t_ns / (1800 * LYING_S) % 2 == 0 ? 0 : 100;
}

static void a_tank_sender_that_flips_makes_no_litres(void **state)
{
	static lying_hand *const flips[] = {level_flips, level_flips_slowly};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		lying_begin(&boat);
		lying_days(&boat, 5, NULL);
		lying_days(&boat, 5, flips[i]);
		/* What it shows on the first morning may have been taken in overnight. */
		assert_true(boat.refuellings <= 1);
		near(lying_fuel_l(&boat, -1), boat.burned_l, 0.002 * boat.burned_l);
		assert_false(boat.endless);
		told("tank-mismatch", 1);
		told(NULL, 1);
		lying_days(&boat, 6, NULL);
		/* The last day may have ended with a refuelling that nothing has read yet. */
		bool read = boat.tank.volume_l > boat.tank_l - 150;
		near(boat.tank.volume_l, boat.tank_l - (read ? 0 : 300), 15);
		lying_end(&boat);
	}
}

static void load_at_random(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)since_s;
	r->load_pct = runs ? scenario_random_between(&b->random, 0, 125) : 0;
}

static void load_at_125(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->load_pct = 125;
}

static void load_halved(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->load_pct *= 0.5;
}

/* The burn at a speed is as it was: whatever the load says, nothing burns more or less. */
static void a_load_that_lies_moves_no_burn(void **state)
{
	static lying_hand *const lies[] = {load_at_random, load_at_125, load_halved};

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		lying_begin(&boat);
		lying_days(&boat, 10, NULL);
		lying_days(&boat, 6, lies[i]);
		lying_days(&boat, 3, NULL);
		told("burn-high", 0);
		told("burn-low", 0);
		told("temperature-high", 0);
		lying_end(&boat);
	}
}

static void pressure_at_70_percent(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->fuel_kpa *= 0.7;
}

static void a_fuel_pressure_that_has_sunk_is_told_before_it_is_learned(void **state)
{
	(void)state;
	for (unsigned resume = 0; resume < 2; resume++) {
		lying_begin(&boat);
		boat.resume = resume * 7;
		lying_days(&boat, 3, NULL);
		told(NULL, 0);
		lying_days(&boat, 1, pressure_at_70_percent);
		told(NULL, 1);
		const struct fact_event *sunk = lying_last(&boat, "fuel-pressure-low");
		assert_non_null(sunk);
		assert_int_equal(sunk->severity, SEVERITY_CAUTION);
		assert_false(sunk->has_cleared);
		near(sunk->value, 168, 2);
		near(sunk->limit, 240, 10);
		near((double)(sunk->raised_ns - LYING_BEGIN) / 3600e9, 3 * 22.5 + 0.17 + 2, 0.3);
		lying_days(&boat, 1, NULL);
		told(NULL, 1);
		assert_true(lying_last(&boat, "fuel-pressure-low")->has_cleared);
		lying_end(&boat);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(an_engine_that_moves_for_an_hour_is_counted_once),
		cmocka_unit_test(senders_that_claim_another_address_tell_nothing),
		cmocka_unit_test(a_leap_second_costs_nothing),
		cmocka_unit_test(a_second_60_on_the_bus_costs_nothing),
		cmocka_unit_test(stamps_out_of_order_cost_nothing),
		cmocka_unit_test(a_tank_sender_that_flips_makes_no_litres),
		cmocka_unit_test(a_load_that_lies_moves_no_burn),
		cmocka_unit_test(a_fuel_pressure_that_has_sunk_is_told_before_it_is_learned),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
