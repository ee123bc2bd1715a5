#include "analysis/boat.h"

#include <math.h>
#include <string.h>

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
	}
	for (size_t i = 0; i < BOAT_TANKS_MAX; i++) {
		boat->tanks[i].capacity_l = NAN;
	}
	boat->engines[0].present = true;
	boat->filters[0] = filter_default("primary");
	boat->filters[1] = filter_default("secondary");
	boat->filter_count = 2;
}
