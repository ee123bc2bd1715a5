/* supply_pump.h: how much less a supply pump moves when it must suck.
 *
 * A pump's rating holds for an inlet near the pressure of the air. Under suction two things take
 * room in it: air that was dissolved in the fuel and comes out (Henry's law), and fuel that leaks
 * back through its clearances. A loaded filter ahead of a pump thus lowers the flow that its own
 * restriction is judged by. Pressures in kPa.
 */
#ifndef SIGHTBOWL_ANALYSIS_SUPPLY_PUMP_H
#define SIGHTBOWL_ANALYSIS_SUPPLY_PUMP_H

#define SUPPLY_PUMP_AIR_KPA 101.3 /* the standard atmosphere */

/* Share of its rated flow that a sound pump moves against a suction at its inlet. Below 0, not known
 * (NaN) or more than can be (80 kPa) counts as none: 1. */
double supply_pump_share(double suction_kpa);

#endif
