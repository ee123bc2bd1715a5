#include "analysis/supply_pump.h"

#include "tests/unit/near.h"

static void without_suction_a_pump_moves_its_rating(void **state)
{
	(void)state;
	near(supply_pump_share(0), 1, 0);
	near(supply_pump_share(-5), 1, 0);
	near(supply_pump_share(NAN), 1, 0);
	near(supply_pump_share(120), 1, 0); /* more than the air presses: no reading */
}

/* By hand, from Henry's and Boyle's laws: a litre of fuel holds 0.1 L of air, measured at whatever
 * pressure it was dissolved at. At half the air's pressure (50.65 kPa of suction) half of it stays in
 * solution; the other half takes twice the room: 0.05 · 2 = 0.1 L a litre. A leak of 0.1 % a kPa takes
 * 5.065 %: 0.94935 / 1.1. At 20 kPa: 20 / 101.3 of 0.1 L, 101.3 / 81.3 times as big: 0.0246 L; 0.98 /
 * 1.0246. */
static void air_that_comes_out_and_the_leak_take_their_share(void **state)
{
	(void)state;
	near(supply_pump_share(50.65), 0.863045, 1e-6);
	near(supply_pump_share(20), 0.956471, 1e-6);
}

static void the_more_it_sucks_the_less_it_moves(void **state)
{
	(void)state;
	for (double kpa = 0; kpa < 79; kpa += 0.5) {
		assert_true(supply_pump_share(kpa + 0.5) < supply_pump_share(kpa));
	}
	assert_true(supply_pump_share(79.5) > 0.6);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(without_suction_a_pump_moves_its_rating),
		cmocka_unit_test(air_that_comes_out_and_the_leak_take_their_share),
		cmocka_unit_test(the_more_it_sucks_the_less_it_moves),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
