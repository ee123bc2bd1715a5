/* near.h: cmocka checks for numbers that are not exact. */
#ifndef SIGHTBOWL_TESTS_NEAR_H
#define SIGHTBOWL_TESTS_NEAR_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define near(value, expected, tolerance) \
	near_at((value), (expected), (tolerance), #value, __FILE__, __LINE__)

/* Fails, and shows both, when they differ by more than the tolerance or the value is NaN. */
static inline void near_at(double value, double expected, double tolerance, const char *what,
	const char *file, int line)
{
	if (!(fabs(value - expected) <= tolerance)) {
		print_error(
			"%s is %.9g, expected %.9g within %g\n", what, value, expected, tolerance);
		_fail(file, line);
	}
}

#endif
