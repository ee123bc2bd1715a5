#include "analysis/supply_pump.h"

#include <math.h>

/* Litres of air that a litre of fuel holds at equilibrium, at the pressure and temperature of the
 * solution (Ostwald's coefficient): about 0.1 for air in petroleum liquids by ASTM D2779 (its value
 * for a liquid of 0.85 kg/L; from memory). */
#define DISSOLVED 0.1
/* Leaks back, a share for each kPa: common practice for a worn but sound pump, no source. */
#define LEAK_KPA 0.001
/* Nearer to a vacuum the fuel itself boils and the engine stands: a sensor that shows it is out of
 * order. */
#define SUCTION_MOST_KPA 80.0

double supply_pump_share(double suction_kpa)
{
	if (!(suction_kpa > 0) || suction_kpa > SUCTION_MOST_KPA) {
		return 1;
	}
	double inlet = SUPPLY_PUMP_AIR_KPA - suction_kpa;
	/* What was dissolved at the tank's pressure and no longer can be, at the inlet's own
	 * pressure: Henry's and Boyle's laws. */
	double air = DISSOLVED * suction_kpa / inlet;

	return (1 - LEAK_KPA * suction_kpa) / (1 + air);
}
