#include "analysis/viscosity.h"

#include <errno.h>
#include <math.h>

#define KELVIN     273.15
#define LEAST_MM2S 0.21 /* D341 gives no line below */
#define MOST_MM2S  2e7
#define LEAST_C    (-100.0)
#define LOW_MM2S   2.0 /* the correction to Z vanishes above */

double viscosity_z(double mm2s)
{
	double z = mm2s + 0.7;

	if (mm2s < LOW_MM2S) {
		z += exp(-1.47 - 1.84 * mm2s - 0.51 * mm2s * mm2s);
	}
	return z;
}

double viscosity_from_z(double z)
{
	double x = z - 0.7;

	if (z < viscosity_z(LOW_MM2S * (1 - 1e-12))) {
		x -= exp(-0.7487 - 3.295 * x + 0.6119 * x * x - 0.3193 * x * x * x);
	}
	return x;
}

static int point_ok(double mm2s, double at_c)
{
	return mm2s >= LEAST_MM2S && mm2s <= MOST_MM2S && at_c >= LEAST_C && at_c < 1000;
}

int viscosity_from_two(struct viscosity *line, double first_mm2s, double first_c,
	double second_mm2s, double second_c)
{
	if (!point_ok(first_mm2s, first_c) || !point_ok(second_mm2s, second_c)) {
		return -EDOM;
	}
	if (!((second_c - first_c) * (first_mm2s - second_mm2s) > 0)) {
		return -EDOM;
	}
	double first_w = log10(log10(viscosity_z(first_mm2s)));
	double second_w = log10(log10(viscosity_z(second_mm2s)));
	double first_t = log10(first_c + KELVIN);
	double second_t = log10(second_c + KELVIN);
	line->b = (first_w - second_w) / (second_t - first_t);
	line->a = first_w + line->b * first_t;
	return 0;
}

int viscosity_from_one(struct viscosity *line, double mm2s, double at_c)
{
	if (!point_ok(mm2s, at_c)) {
		return -EDOM;
	}
	line->b = VISCOSITY_DIESEL_SLOPE;
	line->a = log10(log10(viscosity_z(mm2s))) + line->b * log10(at_c + KELVIN);
	return 0;
}

struct viscosity viscosity_diesel(void)
{
	struct viscosity line = {0, 0};

	(void)viscosity_from_one(&line, VISCOSITY_DIESEL_MM2S, 40); /* cannot fail: constants */
	return line;
}

double viscosity_at(const struct viscosity *line, double at_c)
{
	if (!(at_c >= LEAST_C)) {
		return NAN;
	}
	return viscosity_from_z(pow(10, pow(10, line->a - line->b * log10(at_c + KELVIN))));
}
