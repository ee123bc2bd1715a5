#include <string.h>

#include "analysis/restriction.h"
#include "tests/unit/near.h"

static struct restriction_config configured(enum restriction_sense sense, double reference_lph)
{
	return (struct restriction_config){
		.sense = sense,
		.reference_lph = reference_lph,
		.density15_kgm3 = 845,
		.fuel = viscosity_diesel(),
	};
}

/* A window of a steady engine; the extremes are 1 % off. */
static struct restriction_window steady(double pressure_kpa, double supply_lph, double fuel_c)
{
	return (struct restriction_window){
		.running = true,
		.pressure_kpa = pressure_kpa,
		.pressure_low_kpa = pressure_kpa,
		.pressure_high_kpa = pressure_kpa,
		.pressure_step_kpa = 0.1,
		.air_kpa = NAN,
		.supply_lph = supply_lph,
		.supply_low_lph = supply_lph * 0.99,
		.supply_high_lph = supply_lph * 1.01,
		.supply_step_lph = 0.1,
		.fuel_c = fuel_c,
		.fuel_sd_c = 1,
	};
}

static struct restriction_window resting(double pressure_kpa)
{
	struct restriction_window w = steady(pressure_kpa, 0, NAN);

	w.running = false;
	return w;
}

/* The element and its fittings, by the textbook: laminar part by dynamic viscosity, fittings by
 * density and the square of the flow. Its viscosities are Walther's line worked in another form. */
static double element_kpa(double laminar, double fitting, double share, double fuel_c)
{
	double w40 = log10(log10(3.5));
	double w = w40 + 4.0 * log10(313.15 / (fuel_c + 273.15));
	double nu = pow(10, pow(10, w)) - 0.7;
	double rho = 1 - 0.00084 * (fuel_c - 40);

	return laminar * nu / 2.8 * rho * share + fitting * rho * share * share;
}

static void a_reading_at_reference_conditions_is_itself(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	struct restriction_window w = steady(8, 60, 40);

	(void)state;
	restriction_init(&r, &config);
	assert_int_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_SETTLING);
	assert_int_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_SETTLING);
	assert_int_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_READ);
	near(reading.reference_kpa, 8, 1e-5);
	near(reading.measured_kpa, 8, 1e-5);
	near(reading.flow_share, 1, 1e-6);
	near(reading.rescale, 1, 0);
}

/* Half flow and cold fuel look as restrictive as full flow and warm fuel; the reference does not
 * move. */
static void flow_and_temperature_are_taken_out(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 4000; i++) {
		double share = (i / 20) % 2 == 0 ? 1 : 0.5;
		double fuel_c = 15 + 30 * ((i / 40) % 2);
		struct restriction_window w =
			steady(element_kpa(7, 3, share, fuel_c), 60 * share, fuel_c);
		if (restriction_take(&r, &config, &w, &reading) == RESTRICTION_READ && i > 2000) {
			near(reading.reference_kpa, 10, 0.1);
			assert_true(reading.common_kpa < 0.5);
		}
	}
	double sd;
	near(restriction_fitting_share(&r, &sd), 0.3, 0.02);
	assert_true(sd < 0.05);
}

static void the_split_is_learned_although_the_element_loads(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	double worst = 0;

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 20000; i++) { /* 55 h: from 6 to 14 kPa */
		double laminar = 5 + 8 * i / 20000.0;
		double share = 0.55 + 0.45 * ((i / 90) % 3) / 2.0;
		struct restriction_window w =
			steady(element_kpa(laminar, 1, share, 35), 60 * share, 35);
		if (restriction_take(&r, &config, &w, &reading) == RESTRICTION_READ && i > 1000) {
			worst = fmax(worst, fabs(reading.reference_kpa - laminar - 1));
		}
	}
	double sd;
	near(restriction_fitting_share(&r, &sd), 1.0 / 14, 0.03);
	assert_true(worst < 0.5);
}

static void an_unknown_temperature_widens_the_range(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading known = {0};
	struct restriction_reading unknown = {0};
	struct restriction_window w = steady(element_kpa(8, 2, 1, 22), 60, 22);

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 10; i++) {
		(void)restriction_take(&r, &config, &w, &known);
	}
	w.fuel_c = NAN;
	for (int i = 0; i < 10; i++) {
		(void)restriction_take(&r, &config, &w, &unknown);
	}
	assert_true(unknown.common_kpa > 3 * known.common_kpa);
	assert_true(fabs(unknown.reference_kpa - 10) < 2 * unknown.common_kpa);
	assert_true(fabs(known.reference_kpa - 10) < 2 * known.common_kpa);
}

static void a_guess_at_the_fuel_follows_sea_and_engine_room(void **state)
{
	double fuel_c;
	double sd_c;
	double narrow;

	(void)state;
	restriction_guess_fuel(15, 40, false, &fuel_c, &narrow);
	assert_true(fuel_c > 15 && fuel_c < 30);
	restriction_guess_fuel(15, 40, true, &fuel_c, &sd_c);
	assert_true(fuel_c > 30 && fuel_c < 40); /* a trickle takes on the room's heat */
	restriction_guess_fuel(15, NAN, false, &fuel_c, &sd_c);
	assert_true(fuel_c > 15 && sd_c > narrow);
	restriction_guess_fuel(NAN, 40, false, &fuel_c, &sd_c);
	assert_true(fuel_c < 40 && sd_c > narrow);
	restriction_guess_fuel(NAN, NAN, false, &fuel_c, &sd_c);
	near(fuel_c, 30, 5);
	assert_true(sd_c > 10);
}

static void coarse_steps_are_carried(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	struct restriction_window w = steady(8, 60, 40);

	(void)state;
	w.pressure_step_kpa = 2; /* SPN 95 and SPN 1382: 2 kPa a bit */
	restriction_init(&r, &config);
	for (int i = 0; i < 5; i++) {
		(void)restriction_take(&r, &config, &w, &reading);
	}
	assert_true(reading.noise_kpa >= 2 / sqrt(12) - 1e-6);
	assert_true(reading.zero_kpa > 0.3); /* never read at rest */
}

static void unsteady_flow_gives_no_reading(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {.reference_kpa = -1};

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 100; i++) { /* ramping */
		struct restriction_window w = steady(8, 20 + 3.0 * (i % 14), 40);
		assert_int_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_SETTLING);
	}
	for (int i = 0; i < 100; i++) { /* rough */
		struct restriction_window w = steady(8, 40, 40);
		w.supply_high_lph = 50;
		assert_int_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_SETTLING);
	}
	for (int i = 0; i < 100; i++) { /* idling */
		struct restriction_window w = steady(1, 10, 40);
		assert_int_not_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_READ);
	}
	for (int i = 0; i < 10; i++) {
		struct restriction_window w = steady(8, NAN, 40);
		assert_int_equal(restriction_take(&r, &config, &w, &reading), RESTRICTION_NO_FLOW);
		w = steady(NAN, 60, 40);
		assert_int_equal(
			restriction_take(&r, &config, &w, &reading), RESTRICTION_NO_PRESSURE);
	}
	near(reading.reference_kpa, -1, 0);
}

/* A gauge that is 1.3 kPa off at rest, suction with either sign. */
static void the_zero_is_learned_at_rest(void **state)
{
	(void)state;
	for (int sign = -1; sign <= 1; sign += 2) {
		struct restriction_config config = configured(RESTRICTION_GAUGE, 60);
		struct restriction r;
		struct restriction_reading reading = {0};
		restriction_init(&r, &config);
		for (int i = 0; i < 12; i++) {
			struct restriction_window w = resting(1.3);
			assert_int_equal(
				restriction_take(&r, &config, &w, &reading), RESTRICTION_RESTING);
		}
		for (int i = 0; i < 12; i++) {
			struct restriction_window w = steady(1.3 + sign * 9.0, 60, 40);
			(void)restriction_take(&r, &config, &w, &reading);
		}
		near(reading.reference_kpa, 9, 0.3);
		/* After the stop the line needs its time to come to rest. */
		for (int i = 0; i < 3; i++) {
			struct restriction_window w = resting(1.3 + sign * 5.0);
			(void)restriction_take(&r, &config, &w, &reading);
		}
		near(r.zero_kpa, sign * 1.3, 0.1);
		/* The zero has drifted by the next stop: it follows. */
		for (int i = 0; i < 60; i++) {
			struct restriction_window w = resting(2.0);
			(void)restriction_take(&r, &config, &w, &reading);
		}
		near(r.zero_kpa, sign * 2.0, 0.1);
	}
}

static void absolute_pressure_is_taken_against_the_air(void **state)
{
	struct restriction_config config = configured(RESTRICTION_ABSOLUTE, 60);

	(void)state;
	for (int known = 0; known < 2; known++) {
		struct restriction r;
		struct restriction_reading before = {0};
		struct restriction_reading after = {0};
		restriction_init(&r, &config);
		for (int i = 0; i < 12; i++) {
			struct restriction_window w = steady(88, 60, 40);
			w.air_kpa = known ? 99 : NAN;
			(void)restriction_take(&r, &config, &w, &before);
		}
		/* Lift, and weather where the air is not heard, are not known yet. */
		assert_true(before.zero_kpa > 2.5);
		for (int i = 0; i < 60; i++) {
			struct restriction_window w = resting(96);
			w.air_kpa = known ? 99 : NAN;
			(void)restriction_take(&r, &config, &w, &after);
		}
		for (int i = 0; i < 12; i++) {
			struct restriction_window w = steady(88, 60, 40);
			w.air_kpa = known ? 99 : NAN;
			(void)restriction_take(&r, &config, &w, &after);
		}
		near(after.measured_kpa, 8, 0.2);
		assert_true(after.zero_kpa < 0.8);
	}
}

/* An outlet 5 kPa of lift above the tank, never read at rest: the flow tells the lift from the
 * element, and what was read before can be put right. */
static void a_zero_never_seen_is_learned_from_the_flow(void **state)
{
	struct restriction_config config = configured(RESTRICTION_GAUGE, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	double mean = 0;
	double truth = 0;
	int count = 0;

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 30 * 360; i++) {
		double share = 0.3 + 0.14 * ((i / 120) % 6);
		double laminar = 6 + 4 * i / (30.0 * 360);
		struct restriction_window w =
			steady(-5 - element_kpa(laminar, 1, share, 25), 60 * share, 25);
		if (restriction_take(&r, &config, &w, &reading) != RESTRICTION_READ) {
			continue;
		}
		count++;
		mean += reading.shift_kpa + (reading.reference_kpa - mean) / count;
		truth += (laminar + 1 - truth) / count;
		if (i > 15 * 360) {
			near(reading.reference_kpa, laminar + 1, 0.8);
		}
	}
	near(r.zero_kpa, 5, 0.6);
	near(mean, truth, 0.6);
	assert_true(reading.zero_kpa < 1);
}

static void the_reference_flow_follows_the_highest_steady_flow(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, NAN);
	struct restriction r;
	struct restriction_reading reading = {0};
	double level = NAN;

	(void)state;
	restriction_init(&r, &config);
	assert_true(isnan(restriction_reference_lph(&r)));
	for (int i = 0; i < 300; i++) {
		double flow = i < 100 ? 30 : 60;
		struct restriction_window w = steady(element_kpa(8, 0, flow / 60, 40), flow, 40);
		if (restriction_take(&r, &config, &w, &reading) == RESTRICTION_READ) {
			level = isnan(level) ? reading.reference_kpa : level * reading.rescale;
		}
	}
	near(restriction_reference_lph(&r), 60, 1e-4);
	near(reading.reference_kpa, 8, 0.5);
	near(level, 8, 0.8); /* rescaled with the prior share of the fittings */
	/* A burst shorter than a minute does not count. */
	for (int i = 0; i < 4; i++) {
		struct restriction_window w = steady(10, 80, 40);
		(void)restriction_take(&r, &config, &w, &reading);
	}
	near(restriction_reference_lph(&r), 60, 1e-4);
}

/* Half of the flow, half of a laminar restriction. */
static void a_reference_flow_that_is_told_later_counts(void **state)
{
	struct restriction_config none = configured(RESTRICTION_DIFFERENTIAL, NAN);
	struct restriction_config told = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	double level = NAN;

	(void)state;
	restriction_init(&r, &none);
	for (int i = 0; i < 200; i++) {
		struct restriction_window w = steady(element_kpa(8, 0, 0.5, 40), 30, 40);
		(void)restriction_take(&r, i < 100 ? &none : &told, &w, &reading);
		if (i == 99) {
			near(restriction_reference_lph(&r), 30, 1e-4);
			near(reading.reference_kpa, 4, 0.3);
			level = reading.reference_kpa;
		} else if (i > 99) {
			level *= reading.rescale;
		}
	}
	near(restriction_reference_lph(&r), 60, 1e-4);
	near(reading.reference_kpa, 8, 1.3); /* the prior share of the fittings grows fourfold */
	near(level, reading.reference_kpa, 0.3);
}

static void a_sensor_that_does_not_move_is_told(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	enum restriction_state last = RESTRICTION_READ;

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 200; i++) {
		double share = (i / 20) % 2 == 0 ? 1 : 0.5;
		struct restriction_window w =
			steady(element_kpa(8, 2, share, 40) + 0.1 * (i % 3), 60 * share, 40);
		assert_int_not_equal(
			restriction_take(&r, &config, &w, &reading), RESTRICTION_STUCK);
	}
	for (int i = 0; i < 200; i++) {
		double share = (i / 20) % 2 == 0 ? 1 : 0.5;
		struct restriction_window w = steady(6.4, 60 * share, 40);
		last = restriction_take(&r, &config, &w, &reading);
	}
	assert_true(last == RESTRICTION_STUCK || last == RESTRICTION_SETTLING);
	struct restriction_window w = steady(6.4, 30, 40);
	for (int i = 0; i < 5; i++) {
		last = restriction_take(&r, &config, &w, &reading);
	}
	assert_int_equal(last, RESTRICTION_STUCK);
}

static void a_clean_element_below_the_sensor_s_step_is_no_fault(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 2000; i++) {
		struct restriction_window w = steady(2, (i / 20) % 2 == 0 ? 60 : 30, 40);
		w.pressure_step_kpa = 2;
		assert_int_not_equal(
			restriction_take(&r, &config, &w, &reading), RESTRICTION_STUCK);
	}
}

static void a_new_element_starts_anew_with_the_old_fittings(void **state)
{
	struct restriction_config config = configured(RESTRICTION_DIFFERENTIAL, 60);
	struct restriction r;
	struct restriction_reading reading = {0};
	double sd;

	(void)state;
	restriction_init(&r, &config);
	for (int i = 0; i < 2000; i++) {
		double share = (i / 20) % 2 == 0 ? 1 : 0.5;
		struct restriction_window w = steady(element_kpa(12, 2, share, 40), 60 * share, 40);
		(void)restriction_take(&r, &config, &w, &reading);
	}
	restriction_renew(&r);
	for (int i = 0; i < 10; i++) {
		struct restriction_window w = steady(element_kpa(3, 2, 0.5, 40), 30, 40);
		(void)restriction_take(&r, &config, &w, &reading);
	}
	near(reading.reference_kpa, 5, 0.2);
	near(restriction_fitting_share(&r, &sd), 0.4, 0.1);
}

static void a_resumed_state_goes_on_bit_for_bit(void **state)
{
	struct restriction_config config = configured(RESTRICTION_GAUGE, NAN);
	struct restriction whole;
	struct restriction resumed;
	uint8_t bytes[256];

	(void)state;
	restriction_init(&whole, &config);
	restriction_init(&resumed, &config);
	for (int i = 0; i < 3000; i++) {
		double share = 0.4 + 0.1 * ((i / 30) % 7);
		double wave = 0.05 * sin(i * 0.7);
		struct restriction_window w =
			steady(-element_kpa(6 + i * 0.001, 1, share, 30) + wave, 50 * share, 30);
		w.running = i % 500 > 40;
		struct restriction_reading one = {0};
		struct restriction_reading other = {0};
		assert_int_equal(restriction_take(&whole, &config, &w, &one),
			restriction_take(&resumed, &config, &w, &other));
		assert_memory_equal(&one, &other, sizeof(one));
		if (i % 7 == 0) {
			struct state_writer writer;
			struct state_reader reader;
			state_writer_init(&writer, bytes, sizeof(bytes));
			restriction_save(&resumed, &writer);
			assert_false(writer.failed);
			assert_true(writer.used < 90);
			state_reader_init(&reader, bytes, writer.used);
			memset(&resumed, 0xA5, sizeof(resumed));
			restriction_load(&resumed, &reader);
			assert_false(reader.failed);
			assert_int_equal(reader.used, writer.used);
			for (size_t cut = 0; i == 7 && cut < writer.used; cut++) {
				struct restriction scratch;
				state_reader_init(&reader, bytes, cut);
				restriction_load(&scratch, &reader);
				assert_true(reader.failed);
			}
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_reading_at_reference_conditions_is_itself),
		cmocka_unit_test(flow_and_temperature_are_taken_out),
		cmocka_unit_test(the_split_is_learned_although_the_element_loads),
		cmocka_unit_test(an_unknown_temperature_widens_the_range),
		cmocka_unit_test(a_guess_at_the_fuel_follows_sea_and_engine_room),
		cmocka_unit_test(coarse_steps_are_carried),
		cmocka_unit_test(unsteady_flow_gives_no_reading),
		cmocka_unit_test(the_zero_is_learned_at_rest),
		cmocka_unit_test(absolute_pressure_is_taken_against_the_air),
		cmocka_unit_test(a_zero_never_seen_is_learned_from_the_flow),
		cmocka_unit_test(the_reference_flow_follows_the_highest_steady_flow),
		cmocka_unit_test(a_reference_flow_that_is_told_later_counts),
		cmocka_unit_test(a_sensor_that_does_not_move_is_told),
		cmocka_unit_test(a_clean_element_below_the_sensor_s_step_is_no_fault),
		cmocka_unit_test(a_new_element_starts_anew_with_the_old_fittings),
		cmocka_unit_test(a_resumed_state_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
