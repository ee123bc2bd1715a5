#include "analysis/fuel_range.h"

#include <math.h>
#include <stdbool.h>

static const struct fuel_range unknown = {
	.fuel_l = NAN,
	.reserve_l = NAN,
	.range = {NAN, NAN, NAN, NAN},
	.first_tank = -1,
};

/* The tanks of a number, or all of them (-1), at a rate. */
static struct fuel_range range_of(const struct range_tank *tanks, size_t count, int number,
	double rate_lph, double rate_share_sd, double speed_kn)
{
	struct fuel_range found = {.first_tank = number};
	double variance = 0;
	size_t used = 0;

	for (size_t i = 0; i < count; i++) {
		if (number >= 0 && tanks[i].number != (unsigned)number) {
			continue;
		}
		if (isnan(tanks[i].volume_l)) {
			return unknown;
		}
		double sd = isnan(tanks[i].volume_sd_l) ? 0 : tanks[i].volume_sd_l;
		variance += sd * sd;
		found.reserve_l += isnan(tanks[i].reserve_l) ? 0 : tanks[i].reserve_l;
		/* A tank below its reserve takes nothing from another. */
		found.fuel_l += fmax(tanks[i].volume_l -
					(isnan(tanks[i].reserve_l) ? 0 : tanks[i].reserve_l), 0);
		used++;
	}
	if (used == 0) {
		return unknown;
	}
	found.range = tank_range(found.fuel_l + found.reserve_l, sqrt(variance), found.reserve_l,
		rate_lph, rate_share_sd, speed_kn);
	return found;
}

struct fuel_range fuel_range_find(const struct range_tank *tanks, size_t tank_count,
	const struct range_engine *engines, size_t engine_count, double rate_share_sd,
	double speed_kn)
{
	struct fuel_range first = unknown;
	double fuel_l = 0;
	double reserve_l = 0;
	double all_lph = 0;
	bool any = false;

	for (size_t i = 0; i < engine_count; i++) {
		if (engines[i].rate_lph > 0) {
			all_lph += engines[i].rate_lph;
			any = any || engines[i].tank < 0;
		}
	}
	if (!(all_lph > 0)) {
		return unknown;
	}
	if (any) {
		return range_of(tanks, tank_count, -1, all_lph, rate_share_sd, speed_kn);
	}
	for (size_t i = 0; i < engine_count; i++) {
		double rate_lph = 0;
		bool seen = false;
		for (size_t k = 0; k < engine_count; k++) {
			bool same = engines[k].tank == engines[i].tank && engines[k].rate_lph > 0;
			rate_lph += same ? engines[k].rate_lph : 0;
			seen = seen || (same && k < i);
		}
		if (seen || !(engines[i].rate_lph > 0)) {
			continue;
		}
		struct fuel_range one = range_of(tanks, tank_count, engines[i].tank, rate_lph,
			rate_share_sd, speed_kn);
		if (isnan(one.range.hours)) {
			return unknown;
		}
		fuel_l += one.fuel_l;
		reserve_l += one.reserve_l;
		if (isnan(first.range.hours) || one.range.hours < first.range.hours) {
			first = one;
		}
	}
	first.fuel_l = fuel_l;
	first.reserve_l = reserve_l;
	return first;
}
