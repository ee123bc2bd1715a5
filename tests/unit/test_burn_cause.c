#include "analysis/burn_cause.h"
#include "tests/unit/near.h"

/* A finding in which nothing else is known. */
static struct burn_finding bare(double change_pct, double since_h)
{
	struct burn_finding f = {
		.watch = BURN_AT_SPEED, .change_pct = change_pct, .since_h = since_h, .from_h = 10};

	for (size_t i = 0; i < BURN_SIGNS; i++) {
		f.off_pct[i] = f.sd_pct[i] = NAN;
	}
	return f;
}

/* hours: since the change began, until its last minute; NAN: all of it lies behind. */
static void see(struct burn_finding *f, enum burn_sign sign, double off_pct, double sd_pct, double hours)
{
	f->off_pct[sign] = off_pct;
	f->sd_pct[sign] = sd_pct;
	f->at_h[sign] = f->from_h + hours;
}

static double odds_of(const struct burn_verdict *verdict, enum burn_cause cause)
{
	for (unsigned i = 0; i < verdict->count; i++) {
		if (verdict->causes[i] == cause) {
			return verdict->odds[i];
		}
	}
	return 0;
}

static const struct burn_signs unknown = {NAN, NAN, NAN, NAN};

/* The expected odds are those of a second implementation, in another language, of the table and the
 * formulas of docs/methods/burn_cause.md. */
static void the_odds_are_those_of_a_second_implementation(void **state)
{
	struct burn_finding f = bare(4, 1);
	struct burn_signs signs = unknown;

	(void)state;
	struct burn_verdict v = burn_causes(&f, &signs, true);
	assert_int_equal(v.count, 7);
	near(odds_of(&v, BURN_CAUSE_HULL), 0.4380, 1e-4);
	near(odds_of(&v, BURN_CAUSE_LOADING), 0.1862, 1e-4);
	near(odds_of(&v, BURN_CAUSE_FUEL), 0.0316, 1e-4);

	see(&f, BURN_SIGN_ENGINE, 0.3, 0.5, 1.5);
	see(&f, BURN_SIGN_SPEED, -0.9, 2, 1.5);
	v = burn_causes(&f, &signs, true);
	near(odds_of(&v, BURN_CAUSE_HULL), 0.7819, 1e-4);
	near(odds_of(&v, BURN_CAUSE_LOADING), 0.1505, 1e-4);
	near(odds_of(&v, BURN_CAUSE_INJECTOR), 0.0363, 1e-4);

	f = bare(5, 0.5);
	see(&f, BURN_SIGN_ENGINE, 2.4, 0.5, 0.5);
	see(&f, BURN_SIGN_SPEED, 0.2, 2, 0.5);
	v = burn_causes(&f, &signs, true);
	near(odds_of(&v, BURN_CAUSE_INJECTOR), 0.5566, 1e-4);
	near(odds_of(&v, BURN_CAUSE_HULL), 0.0029, 1e-4);

	f = bare(6, 3);
	see(&f, BURN_SIGN_ENGINE, 5.6, 0.5, NAN);
	see(&f, BURN_SIGN_IDLE, 0.8, 2, NAN);
	signs.exhaust_drift_c = 20;
	v = burn_causes(&f, &signs, true);
	near(odds_of(&v, BURN_CAUSE_AIR), 0.4035, 1e-4);
	near(odds_of(&v, BURN_CAUSE_INJECTOR), 0.5384, 1e-4);

	f = bare(-7, 2);
	see(&f, BURN_SIGN_SPEED, -3.5, 1, NAN);
	v = burn_causes(&f, &unknown, false);
	assert_int_equal(v.count, 4);
	near(odds_of(&v, BURN_CAUSE_SUPPLY), 0.2147, 1e-4);
	near(odds_of(&v, BURN_CAUSE_PROPELLER), 0.7134, 1e-4);

	f = bare(-6, 2);
	signs = unknown;
	signs.fuel_pressure_pct = -20;
	signs.restriction_share = 0.9;
	v = burn_causes(&f, &signs, false);
	near(odds_of(&v, BURN_CAUSE_SUPPLY), 0.9887, 1e-4);

	f = bare(6, 2);
	signs = unknown;
	signs.coolant_drift_c = -8;
	v = burn_causes(&f, &signs, true);
	near(odds_of(&v, BURN_CAUSE_COLD), 0.7532, 1e-4);
}

static void odds_sum_to_one_and_fall(void **state)
{
	(void)state;
	for (int i = -40; i <= 40; i++) {
		struct burn_finding f = bare(i < 0 ? -5 : 5, 1);
		see(&f, BURN_SIGN_ENGINE, i / 2.0, 0.5, NAN);
		struct burn_verdict v = burn_causes(&f, &unknown, i >= 0);
		double sum = v.odds[0];
		for (unsigned k = 1; k < v.count; k++) {
			sum += v.odds[k];
			assert_true(v.odds[k] <= v.odds[k - 1]);
			assert_true(burn_cause_text(v.causes[k])[0] != '\0');
		}
		near(sum, 1, 1e-12);
	}
}

/* By hand: 4 % more burn, a wander of 0.5 %. Beside its load nothing moved: no engine's fault. With all of
 * it beside the load: no hull. With neither load nor log: not to be told, however large. */
static void without_evidence_the_first_does_not_stand_alone(void **state)
{
	struct burn_finding f = bare(4, 2);

	(void)state;
	struct burn_verdict v = burn_causes(&f, &unknown, true);
	assert_true(v.alike > 1);
	see(&f, BURN_SIGN_ENGINE, 0, 0.5, NAN);
	v = burn_causes(&f, &unknown, true);
	assert_int_equal(v.causes[0], BURN_CAUSE_HULL);
	assert_true(odds_of(&v, BURN_CAUSE_INJECTOR) < 0.05);
	see(&f, BURN_SIGN_ENGINE, 4, 0.5, NAN);
	v = burn_causes(&f, &unknown, true);
	assert_int_equal(v.causes[0], BURN_CAUSE_INJECTOR);
	assert_true(odds_of(&v, BURN_CAUSE_HULL) < 0.05);
	/* What was read before the change began says nothing of it. */
	see(&f, BURN_SIGN_ENGINE, 4, 0.5, -1);
	struct burn_verdict before = burn_causes(&f, &unknown, true);
	f = bare(4, 2);
	v = burn_causes(&f, &unknown, true);
	near(before.odds[0], v.odds[0], 1e-12);
}

static void weather_passes_and_a_hull_does_not(void **state)
{
	struct burn_finding soon = bare(6, 0.5);
	struct burn_finding late = bare(6, 20);

	(void)state;
	see(&soon, BURN_SIGN_ENGINE, 0, 0.5, NAN);
	see(&late, BURN_SIGN_ENGINE, 0, 0.5, NAN);
	struct burn_verdict a = burn_causes(&soon, &unknown, true);
	struct burn_verdict b = burn_causes(&late, &unknown, true);
	assert_true(a.alike == 2 && a.causes[1] == BURN_CAUSE_LOADING);
	assert_true(b.alike == 1 && b.causes[0] == BURN_CAUSE_HULL);
}

/* Twice the burn beside the load, and a sign that was heard by nobody. */
static void what_no_engine_does_is_its_sensor(void **state)
{
	struct burn_finding f = bare(100, 1);

	(void)state;
	f.watch = BURN_AT_LOAD;
	struct burn_verdict v = burn_causes(&f, &unknown, true);
	assert_int_equal(v.causes[0], BURN_CAUSE_SENSOR);
	assert_int_equal(v.alike, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_odds_are_those_of_a_second_implementation),
		cmocka_unit_test(odds_sum_to_one_and_fall),
		cmocka_unit_test(without_evidence_the_first_does_not_stand_alone),
		cmocka_unit_test(weather_passes_and_a_hull_does_not),
		cmocka_unit_test(what_no_engine_does_is_its_sensor),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
