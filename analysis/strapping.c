#include "analysis/strapping.h"

bool strapping_is_sound(const struct strapping *table)
{
	for (size_t i = 1; i < table->count; i++) {
		const struct strapping_point *below = &table->points[i - 1];
		const struct strapping_point *above = &table->points[i];
		if (!(above->level_pct > below->level_pct && above->volume_l > below->volume_l)) {
			return false;
		}
	}
	return table->count >= 2;
}

double strapping_volume(const struct strapping *table, double level_pct)
{
	const struct strapping_point *points = table->points;
	size_t last = table->count - 1;

	if (level_pct <= points[0].level_pct) {
		return points[0].volume_l;
	}
	for (size_t i = 1; i <= last; i++) {
		if (level_pct <= points[i].level_pct) {
			double share = (level_pct - points[i - 1].level_pct) /
				       (points[i].level_pct - points[i - 1].level_pct);
			return points[i - 1].volume_l +
			       share * (points[i].volume_l - points[i - 1].volume_l);
		}
	}
	return points[last].volume_l;
}
