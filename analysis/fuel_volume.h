/* fuel_volume.h: volume and density of diesel against temperature.
 *
 * The volume correction factor of ASTM D1250 / API MPMS 11.1 table 54B (form of 1980): volume at
 * 15 °C = volume × factor, density = density at 15 °C × factor. Densities in kg/m³.
 */
#ifndef SIGHTBOWL_ANALYSIS_FUEL_VOLUME_H
#define SIGHTBOWL_ANALYSIS_FUEL_VOLUME_H

/* Factor from at_c to 15 °C. NaN when the density at 15 °C is outside 653 to 1075 kg/m³ or the
 * temperature outside -50 to 150 °C, or either is NaN. */
double fuel_volume_factor(double density15_kgm3, double at_c);

/* Density at a temperature; NaN as above. */
double fuel_volume_density(double density15_kgm3, double at_c);

#endif
