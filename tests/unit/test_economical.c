#include "analysis/economical.h"
#include "tests/unit/near.h"

/* An engine after the propeller law: L/h = idle + k·n³, boat speed ∝ n. Litres a mile are
 * (idle + k·n³) / (c·n); their derivative is nought where 2·k·n³ = idle: n = ∛(idle / 2k), and there
 * they are (idle + idle / 2) / (c·n). */
#define IDLE_LPH 1.6
#define K	 (1.6 / (2.0 * 1400.0 * 1400.0 * 1400.0)) /* the least is at 1400 rpm */
#define KN_RPM	 0.004

static double rate_at(double rpm)
{
	return IDLE_LPH + K * rpm * rpm * rpm;
}

static size_t law(struct economical_point *points, unsigned engine, double from, double to,
	double minutes)
{
	size_t count = 0;

	for (double rpm = from; rpm <= to; rpm += 200) {
		points[count++] = (struct economical_point){
			.engine = engine,
			.rpm = rpm,
			.rate_lph = rate_at(rpm),
			.rate_sd_share = 0.01,
			.rate_minutes = minutes,
			.speed_kn = KN_RPM * rpm,
			.speed_minutes = minutes,
		};
	}
	return count;
}

static void the_propeller_law_has_its_least_where_calculus_says(void **state)
{
	struct economical_point points[32];
	struct economical_speed speed;

	(void)state;
	size_t count = law(points, 0, 800, 2800, 120);
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rpm, 1400, 0);
	near(speed.speed_kn, 5.6, 1e-12);
	near(speed.rate_lph, 2.4, 1e-12);
	near(speed.engine_lph[0], 2.4, 1e-12);
	near(speed.l_per_nm, 2.4 / 5.6, 1e-12);
	assert_false(speed.slowest);
}

static void twins_burn_together(void **state)
{
	struct economical_point points[64];
	struct economical_speed speed;

	(void)state;
	size_t count = law(points, 0, 800, 2800, 120);
	count += law(points + count, 1, 800, 2800, 120);
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rpm, 1400, 0);
	near(speed.rate_lph, 4.8, 1e-12);
	near(speed.engine_lph[1], 2.4, 1e-12);
	near(speed.l_per_nm, 4.8 / 5.6, 1e-12);
}

/* Only speeds that both run count: the starboard engine was never held below 1800. */
static void a_speed_that_one_of_twins_does_not_run_does_not_count(void **state)
{
	struct economical_point points[64];
	struct economical_speed speed;

	(void)state;
	size_t count = law(points, 0, 800, 2800, 120);
	count += law(points + count, 1, 1800, 2800, 120);
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rpm, 1800, 0);
	assert_true(speed.slowest);
}

/* A generator on the same bus holds one speed and moves no boat. */
static void an_engine_of_one_speed_takes_no_part(void **state)
{
	struct economical_point points[64];
	struct economical_speed speed;

	(void)state;
	size_t count = law(points, 0, 800, 2800, 120);
	count += law(points + count, 2, 1400, 1500, 300);
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rate_lph, 2.4, 1e-12);
	near(speed.engine_lph[2], 0, 0);
}

static void what_the_boat_does_not_really_run_does_not_count(void **state)
{
	struct economical_point points[32];
	struct economical_speed speed;

	(void)state;
	size_t count = law(points, 0, 800, 2800, 120);
	for (size_t i = 0; i < count; i++) {
		if (points[i].rpm <= 1600) {
			points[i].rate_minutes = 14; /* a quarter of an hour is needed */
		}
	}
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rpm, 1800, 0);
	assert_true(speed.slowest);
	for (size_t i = 0; i < count; i++) {
		points[i].speed_minutes = points[i].rpm <= 2000 ? 14 : 120;
	}
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rpm, 2200, 0);
}

static void few_or_narrow_speeds_say_nothing(void **state)
{
	struct economical_point points[32] = {{.engine = 0}};
	struct economical_speed speed = {.rpm = -1};

	(void)state;
	assert_int_equal(economical_find(points, 0, &speed), ECONOMICAL_NO_SPEED);
	size_t count = law(points, 0, 1600, 2000, 120);
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	assert_int_equal(economical_find(points, count - 1, &speed), ECONOMICAL_THIN);
	points[0].rpm = 1700;
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_THIN);
	speed.rpm = -1;
	for (size_t i = 0; i < count; i++) {
		points[i].speed_kn = NAN;
		points[i].speed_minutes = 0;
	}
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_NO_SPEED);
	near(speed.rpm, -1, 0);
}

/* A point with little behind it that happens to read 4 % low loses to its well-known neighbour. */
static void a_lucky_thin_point_does_not_win(void **state)
{
	struct economical_point points[32];
	struct economical_speed speed;

	(void)state;
	size_t count = law(points, 0, 800, 2800, 240);
	for (size_t i = 0; i < count; i++) {
		if (points[i].rpm == 1600) {
			points[i].rate_lph = 0.96 * points[i].rate_lph;
			points[i].rate_sd_share = 0.06;
			points[i].rate_minutes = 16;
			points[i].speed_minutes = 16;
		}
	}
	assert_int_equal(economical_find(points, count, &speed), ECONOMICAL_FOUND);
	near(speed.rpm, 1400, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_propeller_law_has_its_least_where_calculus_says),
		cmocka_unit_test(twins_burn_together),
		cmocka_unit_test(a_speed_that_one_of_twins_does_not_run_does_not_count),
		cmocka_unit_test(an_engine_of_one_speed_takes_no_part),
		cmocka_unit_test(what_the_boat_does_not_really_run_does_not_count),
		cmocka_unit_test(few_or_narrow_speeds_say_nothing),
		cmocka_unit_test(a_lucky_thin_point_does_not_win),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
