#include "analysis/fuel_line.h"

#include <math.h>

static const double pi = 3.14159265358979323846;

double fuel_line_velocity_mps(double flow_lph, double bore_mm)
{
	double bore_m = bore_mm * 1e-3;

	return flow_lph * 1e-3 / 3600 / (pi / 4 * bore_m * bore_m);
}

double fuel_line_reynolds(double flow_lph, double bore_mm, double viscosity_mm2s)
{
	return fuel_line_velocity_mps(flow_lph, bore_mm) * bore_mm * 1e-3 / (viscosity_mm2s * 1e-6);
}

double fuel_line_loss_kpa(double flow_lph, double bore_mm, double length_m, double viscosity_mm2s,
	double density_kgl)
{
	double velocity = fuel_line_velocity_mps(flow_lph, bore_mm);
	double reynolds = fuel_line_reynolds(flow_lph, bore_mm, viscosity_mm2s);
	double head_kpa = density_kgl * velocity * velocity / 2; /* kg/L × m²/s² = kPa */
	double friction;

	if (!(flow_lph > 0)) {
		return flow_lph == 0 ? 0 : NAN;
	}
	friction = 64 / reynolds;
	if (reynolds > 2300) {
		double blasius = 0.3164 / pow(reynolds, 0.25);

		friction = reynolds > 4000 || blasius > friction ? blasius : friction;
	}
	return friction * length_m / (bore_mm * 1e-3) * head_kpa;
}
