#include "tests/unit/near.h"

#include "decoders/fault_code.h"
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

/* So many events in all, and nothing endless. */
static void told(int events)
{
	if (lying_events(&boat, NULL) != events) {
		print_events();
	}
	assert_int_equal(lying_events(&boat, NULL), events);
	assert_false(boat.endless);
}

/* Both filters' restrictions are within a share of the truth. */
static void restrictions_are_true(double share)
{
	double true_kpa = lying_true_kpa(&boat);

	near(boat.filters[0].reference_kpa, true_kpa, share * true_kpa);
	near(boat.filters[1].reference_kpa, 2 * true_kpa, 2 * share * true_kpa);
}

static void honest_sensors_tell_nothing(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 15, NULL);
	told(0);
	restrictions_are_true(0.1);
	lying_end(&boat);
}

static void vacuum_at_the_low_end(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->vacuum_kpa = -100;
}

static void vacuum_at_the_high_end(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->vacuum_kpa = 500;
}

static void suction_at_its_end(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->suction_kpa = 500;
}

/* From the first day on: its zero would be its end, and an honest sensor after it far below. */
static void a_sensor_at_its_range_s_end_loads_no_element(void **state)
{
	static lying_hand *const ends[] = {
		vacuum_at_the_low_end, vacuum_at_the_high_end, suction_at_its_end};

	(void)state;
	for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++) {
		lying_begin(&boat);
		lying_days(&boat, 4, ends[i]);
		assert_true(isnan(boat.filters[i < 2 ? 0 : 1].reference_kpa));
		lying_days(&boat, 6, NULL);
		told(0);
		restrictions_are_true(0.15);
		lying_end(&boat);
	}
}

static void vacuum_5_kpa_off(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->vacuum_kpa += b->drift;
}

/* As after a supply or a plug was changed. */
static void an_offset_at_power_up_is_the_zero_s(void **state)
{
	(void)state;
	for (int way = -1; way <= 1; way += 2) {
		lying_begin(&boat);
		lying_days(&boat, 8, NULL);
		boat.drift = 5 * way;
		lying_days(&boat, 4, vacuum_5_kpa_off);
		restrictions_are_true(0.1);
		lying_days(&boat, 4, NULL);
		told(0);
		restrictions_are_true(0.1);
		lying_end(&boat);
	}
}

static void vacuum_drifts(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)since_s;
	b->drift += runs ? LYING_STEP_S / (LYING_DAY_H * 3600) : 0;
	r->vacuum_kpa += b->drift;
}

/* 1 kPa a day: the readings before were right by the zero of their day, and stay where they are. */
static void a_zero_that_drifts_moves_no_reading_before(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 10, NULL);
	double before_l = boat.filters[0].left_l_p50;
	lying_days(&boat, 5, vacuum_drifts);
	restrictions_are_true(0.2); /* in the course of a day nothing tells of 1 kPa */
	assert_in_range((int)boat.filters[0].left_l_p50, (int)(before_l / 3), (int)(before_l * 2.5));
	lying_days(&boat, 5, NULL);
	restrictions_are_true(0.1);
	assert_int_equal(lying_events(&boat, "restriction-high"), 0);
	assert_int_equal(lying_events(&boat, "restriction-rising"), 0);
	assert_int_equal(lying_events(&boat, "element-due"), 0);
	assert_false(boat.endless);
	lying_end(&boat);
}

static void vacuum_changes_its_sign(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->vacuum_kpa = -r->vacuum_kpa;
}

/* A sensor turned round: for a while it reads less than nothing, which is no restriction. */
static void less_than_nothing_fits_no_law(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 10, NULL);
	lying_days(&boat, 5, vacuum_changes_its_sign);
	lying_days(&boat, 5, NULL);
	assert_int_equal(lying_events(&boat, "restriction-high"), 0);
	assert_int_equal(lying_events(&boat, "restriction-rising"), 0);
	assert_int_equal(lying_events(&boat, "element-due"), 0);
	restrictions_are_true(0.15);
	assert_true(boat.filters[0].reference_sd_kpa < 3);
	assert_false(boat.endless);
	lying_end(&boat);
}

static void fuel_at_210(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->fuel_c = 210;
}

static void fuel_at_minus_40(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->fuel_c = -40;
}

/* A short or an open circuit: the fuel's temperature is not known, and both filters are what they
 * were. */
static void a_fuel_temperature_at_its_range_s_end_is_none(void **state)
{
	static lying_hand *const ends[] = {fuel_at_210, fuel_at_minus_40};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		lying_begin(&boat);
		lying_days(&boat, 6, NULL);
		lying_days(&boat, 4, ends[i]);
		lying_days(&boat, 3, NULL);
		told(0);
		restrictions_are_true(0.15);
		lying_end(&boat);
	}
}

static void vacuum_only_at_rest(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)since_s;
	r->vacuum_kpa = runs ? -9 : -2 + 0.1 * scenario_random_normal(&b->random);
}

/* It stands still in each run and moves in each pause. */
static void a_frozen_sensor_that_moves_at_rest_is_told_once(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 6, NULL);
	lying_days(&boat, 8, vacuum_only_at_rest);
	assert_int_equal(lying_events(&boat, "source-lost"), 1);
	assert_false(lying_last(&boat, "source-lost")->has_cleared);
	lying_days(&boat, 1, NULL);
	assert_int_equal(lying_events(&boat, "source-lost"), 1);
	assert_true(lying_last(&boat, "source-lost")->has_cleared);
	assert_false(boat.endless);
	lying_end(&boat);
}

static void water_by_spn_97_alone(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->water = 1;
}

static void water_by_the_status_alone(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->status_1 = 0x100;
}

/* One of the two messages always says so. */
static void water_at_every_other_reading(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)runs, (void)since_s;
	r->water = b->t_ns / LYING_S % 20 == 0;
	r->status_1 = r->water > 0 ? 0 : 0x100;
}

/* A status without a probe says "no water" twice a second for ever. */
static void a_message_without_a_probe_does_not_hide_another_s_water(void **state)
{
	static lying_hand *const hands[] = {water_by_spn_97_alone, water_by_the_status_alone};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		lying_begin(&boat);
		lying_days(&boat, 1, NULL);
		lying_days(&boat, 1, hands[i]);
		told(1);
		assert_int_equal(lying_events(&boat, "water-in-fuel"), 1);
		assert_false(lying_last(&boat, "water-in-fuel")->has_cleared);
		lying_days(&boat, 1, NULL);
		told(1);
		assert_true(lying_last(&boat, "water-in-fuel")->has_cleared);
		lying_end(&boat);
	}
}

static void water_that_flickers_at_every_period_is_slosh(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 2, water_at_every_other_reading);
	told(0);
	lying_end(&boat);
}

#define LAMPS_UNKNOWN 0xFF

/* DM1 of a sender as a broadcast: so many codes, and its first byte of lamps. The time goes on. */
static void send_faults(struct lying_boat *b, uint8_t source, uint8_t lamps, unsigned count)
{
	static struct encode_value values[100];
	static struct frame frames[ENCODE_FRAMES_MAX];
	static uint8_t payload[MESSAGE_LENGTH_MAX];
	int row = message_row_find(65226);
	struct encode_header header = {
		.pgn = 65226,
		.priority = 6,
		.source = source,
		.destination = ADDRESS_GLOBAL,
		.t_ns = b->t_ns,
		.step_ns = 50000000,
	};

	values[0] = lying_field(row, SIGNAL_ACTIVE_FAULT, 0);
	for (unsigned i = 0; i < count; i++) {
		struct fault_code code = {.spn = 100 + i, .fmi = 31, .count = 127};
		values[i] = lying_field(row, SIGNAL_ACTIVE_FAULT, fault_code_value(&code));
	}
	int length = encode_payload(
		(size_t)row, 0, values, count > 0 ? count : 1, payload, sizeof(payload));
	assert_true(length > 0);
	payload[0] = lamps;
	payload[1] = 0xFF;
	int n = encode_frames(encode_way_of((size_t)row, (size_t)length), &header, payload,
		(size_t)length, frames, ENCODE_FRAMES_MAX);
	assert_true(n > 0);
	pipeline_frames(b->pipeline, frames, (size_t)n);
	b->t_ns += LYING_STEP_S * LYING_S;
}

/* A hundred at once are eight and the word that there are more; they go when the list is empty. */
static void a_hundred_faults_hide_no_water(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 1, NULL);
	for (int i = 0; i < 12; i++) {
		send_faults(&boat, 0, LAMPS_UNKNOWN, 100);
	}
	assert_int_equal(lying_events(&boat, "engine-fault"), 9);
	assert_non_null(strstr(boat.events[boat.told - 1].message, "More trouble codes"));
	lying_days(&boat, 1, water_by_spn_97_alone);
	assert_int_equal(lying_events(&boat, "water-in-fuel"), 1);
	for (int i = 0; i < 12; i++) {
		send_faults(&boat, 0, LAMPS_UNKNOWN, 0);
	}
	size_t up = 0;
	for (size_t i = 0; i < boat.told; i++) {
		up += boat.events[i].has_cleared ? 0 : 1;
	}
	told(10);
	assert_int_equal(boat.told, 2 * up - 1); /* all told up and over but the water */
	lying_end(&boat);
}

/* SPN 100 with FMI 31, which alone is a caution. A lamp speaks for the codes of its own sender:
 * address 3's does not for those of address 0. Resumed after each message or not, the same is
 * told. */
static void a_red_stop_lamp_speaks_for_its_own_sender(void **state)
{
	(void)state;
	for (int resumed = 0; resumed < 2; resumed++) {
		lying_begin(&boat);
		lying_days(&boat, 1, NULL);
		told(0);
		for (int i = 0; i < 20; i++) {
			bool red = i >= 10;
			send_faults(&boat, 3, 0x10, 0);
			send_faults(&boat, 0, red ? 0x14 : LAMPS_UNKNOWN, 1);
			if (resumed == 1) {
				lying_resume(&boat);
			}
			assert_int_equal(boat.told, red ? 2 : 1);
			assert_int_equal(boat.events[boat.told - 1].severity,
				red ? SEVERITY_WARNING : SEVERITY_CAUTION);
			assert_string_equal(boat.events[boat.told - 1].message,
				"Engine oil pressure: the condition exists (SPN 100, FMI 31). "
				"Look the code up: it alone does not say where to look. See the "
				"engine maker's manual.");
		}
		assert_int_equal(lying_events(&boat, "engine-fault"), 1);
		lying_end(&boat);
	}
}

static void rate_not_available(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->rate_lph = NAN;
}

/* What nobody knows to have been burned has not leaked. */
static void a_rate_that_is_not_known_is_no_leak(void **state)
{
	(void)state;
	for (int days = 0; days <= 6; days += 6) {
		lying_begin(&boat);
		lying_days(&boat, days, NULL);
		lying_days(&boat, 5, rate_not_available);
		lying_days(&boat, 5, NULL);
		told(0);
		lying_end(&boat);
	}
}

static void rate_doubles(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->rate_lph *= 2;
}

static void rate_tenfold(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->rate_lph *= 10;
}

/* Another calibration: no injector leaks like that. */
static void a_rate_in_another_scale_is_its_own_cause(void **state)
{
	static lying_hand *const hands[] = {rate_doubles, rate_tenfold};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		lying_begin(&boat);
		lying_days(&boat, 10, NULL);
		lying_days(&boat, 1, hands[i]);
		assert_int_equal(lying_events(&boat, "burn-high"), 1);
		const struct fact_event *high = lying_last(&boat, "burn-high");
		near(high->value, i == 0 ? 100 : 900, i == 0 ? 10 : 60);
		assert_non_null(strstr(high->message, "Likely: the fuel rate's own sensor"));
		lying_days(&boat, 3, NULL);
		assert_int_equal(lying_events(&boat, "burn-high"), 1);
		assert_int_equal(lying_events(&boat, "burn-low"), 0);
		lying_end(&boat);
	}
}

static void coolant_at_150(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->coolant_c = 150;
}

static void coolant_at_210(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->coolant_c = 210;
}

static void coolant_at_minus_40(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->coolant_c = -40;
}

/* Beyond the limit, and so hotter than usual: one cause. The ends of the range are a broken wire.
 */
static void a_coolant_beyond_its_limit_is_one_event(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 10, NULL);
	lying_days(&boat, 2, coolant_at_150);
	told(1);
	assert_int_equal(lying_events(&boat, "temperature-high"), 1);
	lying_days(&boat, 3, NULL);
	told(1);
	assert_true(lying_last(&boat, "temperature-high")->has_cleared);
	lying_end(&boat);
}

static void a_coolant_at_its_range_s_end_is_none(void **state)
{
	static lying_hand *const ends[] = {coolant_at_210, coolant_at_minus_40};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		lying_begin(&boat);
		lying_days(&boat, 8, NULL);
		lying_days(&boat, 2, ends[i]);
		lying_days(&boat, 3, NULL);
		told(0);
		lying_end(&boat);
	}
}

static void pressure_at_1000(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)since_s;
	r->fuel_kpa = runs ? 1000 : 0;
}

/* What was usual by a lie does not make the truth too low for ever. */
static void a_pressure_that_lied_from_the_first_day_is_forgotten(void **state)
{
	(void)state;
	lying_begin(&boat);
	lying_days(&boat, 3, pressure_at_1000);
	lying_days(&boat, 15, NULL);
	told(1);
	assert_true(lying_last(&boat, "fuel-pressure-low")->has_cleared);
	lying_end(&boat);
}

static void speed_at_2200(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)since_s;
	r->rpm = runs ? 2200 : 0;
}

static void speed_at_2200_for_ever(
	struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)runs, (void)since_s;
	r->rpm = 2200;
}

/* A gateway that hangs: neither burn nor filters are judged by a speed that stands while the rate
 * moves. It may be believed until the rate has moved for the first time. */
static void a_speed_that_stands_is_told_and_not_gone_by(void **state)
{
	static lying_hand *const hands[] = {speed_at_2200, speed_at_2200_for_ever};

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		lying_begin(&boat);
		lying_days(&boat, 10, NULL);
		lying_days(&boat, 1, hands[i]);
		assert_non_null(lying_last(&boat, "source-lost"));
		assert_non_null(strstr(lying_last(&boat, "source-lost")->subject, "engine 0"));
		lying_days(&boat, 5, hands[i]);
		lying_days(&boat, 3, NULL);
		assert_true(lying_last(&boat, "source-lost")->has_cleared);
		assert_int_equal(lying_events(&boat, "source-lost"), 1);
		assert_int_equal(lying_events(&boat, "restriction-high"), 0);
		assert_in_range(
			lying_events(&boat, "burn-low") + lying_events(&boat, "burn-high"), 0, 1);
		if (i == 0) {
			assert_int_equal(lying_events(&boat, "element-due"), 0);
			assert_in_range(lying_events(&boat, "restriction-jump"), 0, 1);
		}
		lying_end(&boat);
	}
}

static void same_number(double a, double b)
{
	assert_true(isnan(a) ? isnan(b) : a >= b && a <= b);
}

static void same_filter(const struct fact_filter *a, const struct fact_filter *b)
{
	same_number(a->engine_h, b->engine_h);
	same_number(a->litres, b->litres);
	same_number(a->restriction_kpa, b->restriction_kpa);
	same_number(a->reference_kpa, b->reference_kpa);
	same_number(a->reference_sd_kpa, b->reference_sd_kpa);
	same_number(a->left_l_p10, b->left_l_p10);
	same_number(a->left_l_p50, b->left_l_p50);
	same_number(a->left_l_p90, b->left_l_p90);
}

/* Whatever lies, and wherever it is cut: a resumed analysis tells what an unbroken one does. */
static void a_lie_cut_anywhere_is_the_same_lie(void **state)
{
	static lying_hand *const hands[] = {vacuum_at_the_low_end, vacuum_drifts,
		vacuum_only_at_rest, vacuum_changes_its_sign, rate_tenfold, rate_not_available,
		speed_at_2200, water_at_every_other_reading, coolant_at_150};
	static struct lying_boat whole;

	(void)state;
	for (size_t i = 0; i < sizeof(hands) / sizeof(hands[0]); i++) {
		struct lying_boat *boats[] = {&whole, &boat};
		for (size_t k = 0; k < 2; k++) {
			lying_begin(boats[k]);
			boats[k]->resume = k == 0 ? 0 : 37;
			lying_days(boats[k], 3, NULL);
			lying_days(boats[k], 2, hands[i]);
			lying_days(boats[k], 1, NULL);
		}
		assert_int_equal(whole.told, boat.told);
		for (size_t k = 0; k < whole.told; k++) {
			const struct fact_event *a = &whole.events[k];
			const struct fact_event *b = &boat.events[k];
			assert_int_equal(a->event, b->event);
			assert_string_equal(a->message, b->message);
			assert_int_equal(a->raised_ns, b->raised_ns);
			assert_int_equal(a->cleared_ns, b->cleared_ns);
			same_number(a->value, b->value);
		}
		for (size_t k = 0; k < 2; k++) {
			same_filter(&whole.filters[k], &boat.filters[k]);
		}
		same_number(whole.tank.volume_l, boat.tank.volume_l);
		same_number(whole.tank.mismatch_l, boat.tank.mismatch_l);
		lying_end(&whole);
		lying_end(&boat);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(honest_sensors_tell_nothing),
		cmocka_unit_test(a_sensor_at_its_range_s_end_loads_no_element),
		cmocka_unit_test(an_offset_at_power_up_is_the_zero_s),
		cmocka_unit_test(a_zero_that_drifts_moves_no_reading_before),
		cmocka_unit_test(less_than_nothing_fits_no_law),
		cmocka_unit_test(a_fuel_temperature_at_its_range_s_end_is_none),
		cmocka_unit_test(a_frozen_sensor_that_moves_at_rest_is_told_once),
		cmocka_unit_test(a_message_without_a_probe_does_not_hide_another_s_water),
		cmocka_unit_test(water_that_flickers_at_every_period_is_slosh),
		cmocka_unit_test(a_hundred_faults_hide_no_water),
		cmocka_unit_test(a_red_stop_lamp_speaks_for_its_own_sender),
		cmocka_unit_test(a_rate_that_is_not_known_is_no_leak),
		cmocka_unit_test(a_rate_in_another_scale_is_its_own_cause),
		cmocka_unit_test(a_coolant_beyond_its_limit_is_one_event),
		cmocka_unit_test(a_coolant_at_its_range_s_end_is_none),
		cmocka_unit_test(a_speed_that_stands_is_told_and_not_gone_by),
		cmocka_unit_test(a_lie_cut_anywhere_is_the_same_lie),
		cmocka_unit_test(a_pressure_that_lied_from_the_first_day_is_forgotten),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
