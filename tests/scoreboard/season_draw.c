#include "tests/scoreboard/season_draw.h"

#include <math.h>

#include "replay/scenario_random.h"

#define DRAW_STREAM 9

static bool one_in(struct scenario_random *r, double count)
{
	return scenario_random_share(r) * count < 1;
}

/* What a real bus does to its frames; a third of the boats have it. */
static void draw_disturbance(struct scenario_disturbance *d, struct scenario_random *r)
{
	d->loss = one_in(r, 2) ? scenario_random_between(r, 0, 0.03) : 0;
	d->loss_burst = scenario_random_between(r, 1, 6);
	d->second_sender = one_in(r, 3);
	d->hollow_sender = one_in(r, 3);
	d->wrong_codes = one_in(r, 2);
	d->dropout_per_h = one_in(r, 2) ? scenario_random_between(r, 0.05, 0.5) : 0;
	d->dropout_mean_s = 60;
	d->power_cycles = one_in(r, 3) ? 4 : 0;
	d->power_cycle_mean_s = 120;
}

/* A skipper who fills his tank in portions and notes the level after each. */
static void strap_tank(const struct scenario_options *o, struct strapping *ret_table)
{
	ret_table->count = 9;
	for (size_t i = 0; i < ret_table->count; i++) {
		double height = (double)i / 8;

		ret_table->points[i] = (struct strapping_point){
			.level_pct = 100 * height,
			.volume_l = round(o->tank_l * scenario_tank_volume(height)),
		};
	}
}

void season_draw(uint64_t number, struct scenario_options *ret_options, struct boat *ret_boat)
{
	struct scenario_options *o = ret_options;
	enum scenario_fault_kind kind =
		number % 2 == 0 ? SCENARIO_FAULT_KINDS
				: (enum scenario_fault_kind)(number / 2 % SCENARIO_FAULT_KINDS);
	bool needs_sensor = kind == SCENARIO_FAULT_BAD_FUEL || kind == SCENARIO_FAULT_SLUDGE ||
			    kind == SCENARIO_FAULT_SENSOR_DRIFT ||
			    kind == SCENARIO_FAULT_SENSOR_DEAD;
	struct scenario_random r;
	double hours;

	if (kind == SCENARIO_FAULT_KINDS) {
		scenario_options_vary(o, number);
	} else {
		scenario_options_vary_fault(o, number, kind);
	}
	/* 60 to 116 engine hours, at the same pace and with the same lives of elements. */
	hours = 60 + 0.35 * (o->engine_h - 60);
	o->days = (unsigned)ceil(o->days * hours / o->engine_h);
	o->engine_h = hours;
	scenario_random_init(&r, number, DRAW_STREAM);
	o->load_dirt_sd = scenario_random_between(&r, 0, 0.3);
	o->engine_ms = 2000;
	o->instrument_ms = 4000;
	o->step_ms = 500;
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		bool none = one_in(&r, 6);

		if (none && !(i == 0 && needs_sensor)) {
			o->engine[0].filters[i].sensor = SENSOR_NONE;
		}
	}
	if (one_in(&r, 3)) {
		draw_disturbance(&o->disturb, &r);
	}
	scenario_boat(o, ret_boat);
	if (o->tank_by_height && one_in(&r, 2)) {
		strap_tank(o, &ret_boat->tanks[0].strapping);
	}
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		/* Half of the skippers give the maker's figure, which is roughly right. */
		double told_l =
			o->engine[0].filters[i].life_l * exp(0.35 * scenario_random_normal(&r));

		if (one_in(&r, 2)) {
			ret_boat->filters[i].change_l = told_l;
		}
	}
}
