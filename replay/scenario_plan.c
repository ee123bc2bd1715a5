#include "replay/scenario_plan.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#include "replay/scenario_random.h"

#define DAY_NS	    (86400 * INT64_C(1000000000))
#define DAY_LEGS    40	 /* most legs of one day */
#define DAY_MOST_H  13.5 /* longest that the engine runs on one day */
#define DAY_LEAST_H 0.75 /* and shortest, on a day of passage */

enum day_kind { DAY_REST, DAY_CHARGE, DAY_PASSAGE };

struct day {
	enum day_kind kind;
	double engine_h; /* while it is shared out: a weight */
};

struct planner {
	const struct scenario_options *options;
	struct scenario_random random;
	struct scenario_plan *plan;
	int64_t now_ns;
	unsigned day;
	double bearing_deg;
};

bool scenario_leg_runs(enum scenario_leg_kind kind)
{
	return kind == LEG_WARM_UP || kind == LEG_MANOEUVRE || kind == LEG_MOTOR ||
	       kind == LEG_MOTOR_SAIL || kind == LEG_CHARGE || kind == LEG_COOL_DOWN;
}

bool scenario_leg_under_way(enum scenario_leg_kind kind)
{
	return kind == LEG_MANOEUVRE || kind == LEG_MOTOR || kind == LEG_SAIL ||
	       kind == LEG_MOTOR_SAIL;
}

static void add_until(
	struct planner *p, enum scenario_leg_kind kind, int64_t end_ns, double rpm, double sails)
{
	struct scenario_plan *plan = p->plan;
	enum scenario_leg_kind before =
		plan->leg_count == 0 ? LEG_ASLEEP : plan->legs[plan->leg_count - 1].kind;

	if (end_ns <= p->now_ns) {
		return;
	}
	if (scenario_leg_runs(kind) && !scenario_leg_runs(before)) {
		plan->run_count++;
	}
	if (kind == LEG_HALT || kind == LEG_FUEL_DOCK) {
		plan->halt_count++;
	}
	plan->legs[plan->leg_count++] = (struct scenario_leg){
		.kind = kind,
		.start_ns = p->now_ns,
		.end_ns = end_ns,
		.rpm = rpm,
		.sails = sails,
		.bearing_deg = p->bearing_deg,
		.day = p->day,
	};
	p->now_ns = end_ns;
}

/* Whole seconds, at least one. */
static void add_minutes(
	struct planner *p, enum scenario_leg_kind kind, double minutes, double rpm, double sails)
{
	int64_t seconds = llround(minutes * 60);

	seconds = seconds < 1 ? 1 : seconds;
	add_until(p, kind, p->now_ns + seconds * INT64_C(1000000000), rpm, sails);
}

/* A stretch under engine: some settings of the throttle, each held for a while. */
static void add_motoring(
	struct planner *p, enum scenario_leg_kind kind, double hours, unsigned most)
{
	double left_h = hours;

	for (unsigned i = 0; i < most && left_h > 0; i++) {
		double part_h = scenario_random_between(&p->random, 0.35, 1.6);
		double rpm = p->options->cruise_rpm * (kind == LEG_MOTOR_SAIL ? 0.86 : 1) +
			     110 * scenario_random_normal(&p->random);

		if (i + 1 == most || left_h - part_h < 0.2) {
			part_h = left_h;
		}
		rpm = rpm < 1250 ? 1250 : rpm > 2900 ? 2900 : rpm;
		p->bearing_deg =
			fmod(p->bearing_deg + 20 * scenario_random_normal(&p->random) + 720, 360);
		add_minutes(p, kind, part_h * 60, rpm,
			kind == LEG_MOTOR_SAIL ? scenario_random_between(&p->random, 0.2, 0.5) : 0);
		left_h -= part_h;
	}
}

static void add_passage(struct planner *p, double engine_h)
{
	struct scenario_random *r = &p->random;
	bool dock = scenario_random_share(r) < 0.8;
	double warm_min = scenario_random_between(r, 4, 8);
	double out_min = scenario_random_between(r, 4, 9);
	double again_min = scenario_random_between(r, 1, 2);
	double in_min = scenario_random_between(r, 4, 10);
	double cool_min = scenario_random_between(r, 2, 5);
	double cruise_h = engine_h - (warm_min + out_min + again_min + in_min + cool_min) / 60;
	double motor_h = cruise_h * p->options->motoring_share;
	double motor_sail_h = cruise_h - motor_h;
	double first_share = scenario_random_between(r, 0.3, 0.7);
	double sail_h = engine_h < 7 && scenario_random_share(r) < 0.7
				? scenario_random_between(r, 0.5, 4)
				: 0;

	if (motor_sail_h < 0.2) {
		motor_h = cruise_h;
		motor_sail_h = 0;
	}
	p->bearing_deg = scenario_random_between(r, 0, 360);
	add_minutes(p, dock ? LEG_FUEL_DOCK : LEG_HALT, scenario_random_between(r, 12, 25), 0, 0);
	add_minutes(p, LEG_WARM_UP, warm_min, 0, 0);
	add_minutes(p, LEG_MANOEUVRE, out_min, 1150, 0);
	if (sail_h > 0) {
		add_motoring(p, LEG_MOTOR, motor_h * first_share, 8);
		add_minutes(p, LEG_SAIL, sail_h * 60, 0, scenario_random_between(r, 0.6, 1));
		add_minutes(p, LEG_WARM_UP, again_min, 0, 0);
		motor_h *= 1 - first_share;
	}
	if (motor_sail_h > 0) {
		add_motoring(p, LEG_MOTOR_SAIL, motor_sail_h, 6);
	}
	add_motoring(p, LEG_MOTOR, motor_h, 10);
	add_minutes(p, LEG_MANOEUVRE, in_min, 1050, 0);
	add_minutes(p, LEG_COOL_DOWN, cool_min, 0, 0);
	add_minutes(p, LEG_HALT, scenario_random_between(r, 10, 30), 0, 0);
}

static void add_charging(struct planner *p, double engine_h)
{
	struct scenario_random *r = &p->random;
	double warm_h = scenario_random_between(r, 0.03, 0.08);
	double rpm = scenario_random_share(r) < 0.4 ? 0 : scenario_random_between(r, 1150, 1550);

	add_minutes(p, LEG_HALT, scenario_random_between(r, 5, 30), 0, 0);
	add_minutes(p, LEG_WARM_UP, warm_h * 60, 0, 0);
	add_minutes(p, LEG_CHARGE, (engine_h - warm_h - 0.03) * 60, rpm, 0);
	add_minutes(p, LEG_COOL_DOWN, 0.03 * 60, 0, 0);
	add_minutes(p, LEG_HALT, scenario_random_between(r, 5, 30), 0, 0);
}

static void add_day(struct planner *p, const struct day *day)
{
	struct scenario_random *r = &p->random;
	int64_t midnight_ns = p->options->start_ns + (int64_t)p->day * DAY_NS;
	double spare_h = DAY_MOST_H - day->engine_h;
	double start_h = 5.5 + scenario_random_between(r, 0, 1) * (spare_h > 5 ? 5 : spare_h);

	add_until(p, LEG_ASLEEP, midnight_ns + llround(start_h * 3600) * INT64_C(1000000000), 0, 0);
	if (day->kind == DAY_PASSAGE) {
		add_passage(p, day->engine_h);
	} else if (day->kind == DAY_CHARGE) {
		add_charging(p, day->engine_h);
	} else if (scenario_random_share(r) < 0.3) {
		add_minutes(p, LEG_HALT, scenario_random_between(r, 20, 90), 0, 0);
	}
	add_until(p, LEG_ASLEEP, midnight_ns + DAY_NS, 0, 0);
}

/* Σ of the passages' hours when weights are multiplied by scale and kept within a day's bounds. */
static double passage_hours(
	const struct day *days, unsigned count, double scale, struct day *ret_days)
{
	double sum_h = 0;

	for (unsigned i = 0; i < count; i++) {
		if (days[i].kind == DAY_PASSAGE) {
			double hours = days[i].engine_h * scale;

			hours = hours < DAY_LEAST_H ? DAY_LEAST_H : hours;
			hours = hours > DAY_MOST_H ? DAY_MOST_H : hours;
			sum_h += hours;
			if (ret_days != NULL) {
				ret_days[i].engine_h = hours;
			}
		}
	}
	return sum_h;
}

/* Gives each day its kind and its engine hours: charging takes a quarter at most, the passages
 * share the rest by weights. */
static void share_out(struct planner *p, struct day *days, unsigned count)
{
	struct scenario_random *r = &p->random;
	double wanted_h = p->options->engine_h;
	double charge_h = 0;
	double low = 0;
	double high = 1000;
	unsigned passages = (unsigned)lround(0.55 * count);
	unsigned least = (unsigned)ceil(wanted_h / 9);
	unsigned most = wanted_h < 1.6 ? 1 : (unsigned)(wanted_h / 1.6);

	passages = passages > most ? most : passages;
	passages = passages < least ? least : passages;
	passages = passages > count ? count : passages;
	for (unsigned i = 0; i < count; i++) {
		days[i].kind = i < passages ? DAY_PASSAGE : DAY_REST;
		if (days[i].kind == DAY_PASSAGE) {
			days[i].engine_h = scenario_random_between(r, 0.4, 2.2);
		} else if (scenario_random_share(r) < 0.6) {
			double hours = scenario_random_between(r, 0.55, 1.3);

			if (charge_h + hours <= 0.25 * wanted_h) {
				days[i].kind = DAY_CHARGE;
				days[i].engine_h = hours;
				charge_h += hours;
			}
		}
	}
	for (unsigned i = count; i > 1; i--) {
		unsigned other = (unsigned)(scenario_random_bits(r) % i);
		struct day kept = days[i - 1];

		days[i - 1] = days[other];
		days[other] = kept;
	}
	for (unsigned i = 0; i < 60; i++) {
		double middle = (low + high) / 2;

		if (passage_hours(days, count, middle, NULL) < wanted_h - charge_h) {
			low = middle;
		} else {
			high = middle;
		}
	}
	(void)passage_hours(days, count, high, days);
}

int scenario_plan_create(struct scenario_plan *plan, const struct scenario_options *options)
{
	struct planner p = {.options = options, .plan = plan, .now_ns = options->start_ns};
	struct day *days = calloc(options->days, sizeof(*days));
	int r = 0;

	*plan = (struct scenario_plan){0};
	plan->legs = calloc((size_t)options->days * DAY_LEGS, sizeof(*plan->legs));
	if (days == NULL || plan->legs == NULL) {
		r = -ENOMEM;
		goto free_days;
	}
	scenario_random_init(&p.random, options->seed, 1);
	share_out(&p, days, options->days);
	for (p.day = 0; p.day < options->days; p.day++) {
		add_day(&p, &days[p.day]);
	}
free_days:
	free(days);
	if (r < 0) {
		scenario_plan_finish(plan);
	}
	return r;
}

void scenario_plan_finish(struct scenario_plan *plan)
{
	free(plan->legs);
	*plan = (struct scenario_plan){0};
}
