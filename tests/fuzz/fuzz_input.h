/* fuzz_input.h: the one function of a fuzz target, by the name that libFuzzer calls it. */
#ifndef SIGHTBOWL_TESTS_FUZZ_INPUT_H
#define SIGHTBOWL_TESTS_FUZZ_INPUT_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

/* Unlike assert(), stays in a release build. */
#define FUZZ_CHECK(condition)                                                             \
	do {                                                                              \
		if (!(condition)) {                                                       \
			fprintf(stderr, "%s:%d: does not hold: %s\n", __FILE__, __LINE__, \
				#condition);                                              \
			abort();                                                          \
		}                                                                         \
	} while (0)

#endif
