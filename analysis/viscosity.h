/* viscosity.h: kinematic viscosity of fuel against temperature.
 *
 * The Walther line of ASTM D341: log log Z = A - B log T, with Z = ν + 0.7 and, below 2 mm²/s, the
 * standard's correction to Z. Kinematic viscosities in mm²/s (cSt), temperatures in °C.
 */
#ifndef SIGHTBOWL_ANALYSIS_VISCOSITY_H
#define SIGHTBOWL_ANALYSIS_VISCOSITY_H

#define VISCOSITY_DIESEL_MM2S  2.8 /* at 40 °C; the middle of what road and marine diesel has */
#define VISCOSITY_DIESEL_SLOPE 4.0

struct viscosity {
	double a;
	double b;
};

/* Lays the line through two points. Returns -EDOM when a viscosity is outside 0.21 to 2e7 mm²/s, a
 * temperature is below -100 °C, or the points are not a liquid's (viscosity must fall as it warms).
 */
int viscosity_from_two(struct viscosity *line, double first_mm2s, double first_c,
	double second_mm2s, double second_c);

/* Lays a line of a diesel's usual slope through one point. Returns -EDOM as above. */
int viscosity_from_one(struct viscosity *line, double mm2s, double at_c);

/* The line of a diesel of which nothing is known. */
struct viscosity viscosity_diesel(void);

/* mm²/s at a temperature from -100 °C up; NaN for NaN or below. */
double viscosity_at(const struct viscosity *line, double at_c);

/* Z of a viscosity from 0.21 mm²/s up, and back. */
double viscosity_z(double mm2s);
double viscosity_from_z(double z);

#endif
