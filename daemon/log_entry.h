/* log_entry.h: the packed statistics of one signal in one row of the log, and their merging.
 *
 * An entry holds how many values there were, their mean, and how far the least lies below it and the
 * greatest above it, as whole multiples of the signal's log step. A row is its slots' entries in slot
 * order, so that a slot's place in the row is known; a slot without values has a count of 0, and
 * empty slots at a row's end are cut off. Little-endian.
 *
 *     windows, minutes   count 2  mean 3 (signed)  below 2  above 2     9 bytes
 *     days               count 4  mean 3 (signed)  below 2  above 2    11 bytes
 *
 * What does not fit is held at the greatest number that does.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_ENTRY_H
#define SIGHTBOWL_DAEMON_LOG_ENTRY_H

#include <stddef.h>
#include <stdint.h>

#define LOG_ENTRY_BYTES     9
#define LOG_DAY_ENTRY_BYTES 11
#define LOG_SLOTS_MAX       1024

struct log_entry {
	uint32_t count;
	int32_t mean;
	uint16_t below;
	uint16_t above;
};

/* From a reading in its unit; step above 0. */
struct log_entry log_entry_make(uint32_t count, double mean, double low, double high, double step);

/* bytes: LOG_ENTRY_BYTES or LOG_DAY_ENTRY_BYTES, as the row has them. */
void log_entry_write(const struct log_entry *entry, uint8_t *out, size_t bytes);
struct log_entry log_entry_read(const uint8_t *in, size_t bytes);

/* Several rows merged into one: means weighted by count, in whole numbers, so that the result does
 * not depend on the order. */
struct log_rollup {
	size_t slots;
	struct {
		int64_t count;
		int64_t sum; /* of count × mean */
		int32_t low;
		int32_t high;
	} slot[LOG_SLOTS_MAX];
};

void log_rollup_init(struct log_rollup *rollup);
void log_rollup_add(struct log_rollup *rollup, const uint8_t *row, size_t size);
/* Writes the merged row; out holds LOG_SLOTS_MAX × bytes. Returns its size, 0 when it is empty. */
size_t log_rollup_write(const struct log_rollup *rollup, uint8_t *out, size_t bytes);

#endif
