/* fuel_line.h: speed and pressure loss of fuel in a round hose or pipe.
 *
 * Laminar flow by Hagen and Poiseuille, turbulent flow by Darcy and Weisbach with Blasius' friction
 * factor for smooth pipes; between Reynolds numbers 2300 and 4000 the greater of the two, because
 * flow there is neither surely. Fittings and lift are left to the caller.
 */
#ifndef SIGHTBOWL_ANALYSIS_FUEL_LINE_H
#define SIGHTBOWL_ANALYSIS_FUEL_LINE_H

/* Mean speed in m/s of a flow in L/h through a bore in mm. */
double fuel_line_velocity_mps(double flow_lph, double bore_mm);

/* Reynolds number; viscosity is kinematic, mm²/s. */
double fuel_line_reynolds(double flow_lph, double bore_mm, double viscosity_mm2s);

/* Pressure lost along a straight length in kPa; density in kg/L. */
double fuel_line_loss_kpa(double flow_lph, double bore_mm, double length_m, double viscosity_mm2s,
	double density_kgl);

#endif
