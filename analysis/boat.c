#include "analysis/boat.h"

#include <math.h>
#include <string.h>

#define RESERVE_SHARE 0.1 /* common practice, no source */
#define DAY_NS        86400e9

static struct boat_filter filter_default(const char *name)
{
	struct boat_filter filter = {
		.micron = NAN,
		.rated_lph = NAN,
		.limit_kpa = NAN,
		.reference_lph = NAN,
		.change_h = NAN,
		.change_l = NAN,
		.change_months = NAN,
		.beta = NAN,
		.hose_bore_mm = NAN,
		.hose_length_m = NAN,
	};

	strncpy(filter.name, name, sizeof(filter.name) - 1);
	strncpy(filter.stage, name, sizeof(filter.stage) - 1);
	filter_build_init(&filter.build);
	return filter;
}

void boat_init(struct boat *boat)
{
	memset(boat, 0, sizeof(*boat));
	boat->fuel_density_kgl = 0.845;
	boat->limits = (struct boat_limits){NAN, NAN, NAN, NAN};
	boat->trip_pause_h = 1;
	boat->moving_kn = 1;
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		boat->engines[i].idle_rpm = 1000;
		boat->engines[i].tank = -1;
	}
	for (size_t i = 0; i < BOAT_TANKS_MAX; i++) {
		boat->tanks[i].capacity_l = NAN;
		boat->tanks[i].reserve_l = NAN;
	}
	boat->engines[0].present = true;
	boat->filters[0] = filter_default("primary");
	boat->filters[1] = filter_default("secondary");
	boat->filter_count = 2;
}

bool boat_fitted_is(const struct boat_filter *filter, int64_t changed_ns)
{
	double apart_ns = fabs((double)changed_ns - (double)filter->fitted_ns);

	return filter->has_fitted && apart_ns < DAY_NS;
}

const struct boat_tank *boat_tank(const struct boat *boat, unsigned number)
{
	for (size_t i = 0; i < BOAT_TANKS_MAX; i++) {
		if (boat->tanks[i].present && boat->tanks[i].number == number) {
			return &boat->tanks[i];
		}
	}
	return NULL;
}

double boat_tank_capacity(const struct boat_tank *tank)
{
	if (tank == NULL) {
		return NAN;
	}
	if (isnan(tank->capacity_l) && tank->strapping.count >= 2) {
		return tank->strapping.points[tank->strapping.count - 1].volume_l;
	}
	return tank->capacity_l;
}

double boat_tank_reserve(const struct boat_tank *tank, double capacity_l)
{
	return tank != NULL && !isnan(tank->reserve_l) ? tank->reserve_l : RESERVE_SHARE * capacity_l;
}
