#include "daemon/log_entry.h"

#include <math.h>
#include <string.h>

#define MEAN_MOST  8388607
#define MEAN_LEAST (-8388608)

static int32_t whole_steps(double value, double step)
{
	double steps = round(value / step);

	return steps >= MEAN_MOST ? MEAN_MOST : steps <= MEAN_LEAST ? MEAN_LEAST : (int32_t)steps;
}

static uint16_t distance(int32_t from, int32_t to)
{
	int32_t steps = to - from;

	return steps <= 0 ? 0 : steps >= UINT16_MAX ? UINT16_MAX : (uint16_t)steps;
}

struct log_entry log_entry_make(uint32_t count, double mean, double low, double high, double step)
{
	struct log_entry entry = {.count = count};

	if (isnan(mean) || isnan(low) || isnan(high)) {
		entry.count = 0;
		return entry;
	}
	entry.mean = whole_steps(mean, step);
	entry.below = distance(whole_steps(low, step), entry.mean);
	entry.above = distance(entry.mean, whole_steps(high, step));
	return entry;
}

static void write_bytes(uint8_t *out, uint32_t value, size_t bytes)
{
	for (size_t i = 0; i < bytes; i++) {
		out[i] = (uint8_t)(value >> (8 * i));
	}
}

static uint32_t read_bytes(const uint8_t *in, size_t bytes)
{
	uint32_t value = 0;

	for (size_t i = 0; i < bytes; i++) {
		value |= (uint32_t)in[i] << (8 * i);
	}
	return value;
}

void log_entry_write(const struct log_entry *entry, uint8_t *out, size_t bytes)
{
	size_t count_bytes = bytes - 7;
	uint32_t count = entry->count;

	if (count_bytes == 2 && count > UINT16_MAX) {
		count = UINT16_MAX;
	}
	write_bytes(out, count, count_bytes);
	write_bytes(out + count_bytes, (uint32_t)entry->mean & 0xFFFFFF, 3);
	write_bytes(out + count_bytes + 3, entry->below, 2);
	write_bytes(out + count_bytes + 5, entry->above, 2);
}

struct log_entry log_entry_read(const uint8_t *in, size_t bytes)
{
	size_t count_bytes = bytes - 7;
	int32_t mean = (int32_t)read_bytes(in + count_bytes, 3);

	return (struct log_entry){
		.count = read_bytes(in, count_bytes),
		.mean = mean > MEAN_MOST ? mean - 0x1000000 : mean,
		.below = (uint16_t)read_bytes(in + count_bytes + 3, 2),
		.above = (uint16_t)read_bytes(in + count_bytes + 5, 2),
	};
}

void log_rollup_init(struct log_rollup *rollup)
{
	rollup->slots = 0;
}

void log_rollup_add(struct log_rollup *rollup, const uint8_t *row, size_t size)
{
	size_t slots = size / LOG_ENTRY_BYTES;

	for (size_t i = 0; i < slots && i < LOG_SLOTS_MAX; i++) {
		struct log_entry entry = log_entry_read(row + i * LOG_ENTRY_BYTES, LOG_ENTRY_BYTES);
		int32_t low = entry.mean - entry.below;
		int32_t high = entry.mean + entry.above;

		if (i >= rollup->slots) {
			rollup->slots = i + 1;
			rollup->slot[i].count = 0;
			rollup->slot[i].sum = 0;
		}
		if (entry.count == 0) {
			continue;
		}
		if (rollup->slot[i].count == 0 || low < rollup->slot[i].low) {
			rollup->slot[i].low = low;
		}
		if (rollup->slot[i].count == 0 || high > rollup->slot[i].high) {
			rollup->slot[i].high = high;
		}
		rollup->slot[i].count += entry.count;
		rollup->slot[i].sum += (int64_t)entry.count * entry.mean;
	}
}

size_t log_rollup_write(const struct log_rollup *rollup, uint8_t *out, size_t bytes)
{
	size_t size = 0;

	for (size_t i = 0; i < rollup->slots; i++) {
		int64_t count = rollup->slot[i].count;
		int64_t sum = rollup->slot[i].sum;
		struct log_entry entry = {.count = 0};

		if (count > 0) {
			/* Rounded to the nearest, halves away from zero. */
			int64_t half = sum < 0 ? -(count / 2) : count / 2;
			entry.count = count > UINT32_MAX ? UINT32_MAX : (uint32_t)count;
			entry.mean = (int32_t)((sum + half) / count);
			entry.below = distance(rollup->slot[i].low, entry.mean);
			entry.above = distance(entry.mean, rollup->slot[i].high);
			size = (i + 1) * bytes;
		}
		log_entry_write(&entry, out + i * bytes, bytes);
	}
	return size;
}
