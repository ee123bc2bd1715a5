#include "replay/scenario_sea.h"

#include <math.h>

#define PI	   3.14159265358979323846
#define MS_KN	   (1852.0 / 3600)
#define SWELL_S	   5.3	 /* period of encounter */
#define SWELL_KEEP 25.0	 /* memory of the train of waves, s */
#define HOME_LAT   -38.2 /* nowhere: no land within a thousand miles */
#define HOME_LON   -128.5

void scenario_sea_init(
	struct scenario_sea *sea, const struct scenario_options *options, struct scenario_random *r)
{
	*sea = (struct scenario_sea){
		.mean_wind_kn = options->wind_kn,
		.mean_air_c = options->air_c,
		.mean_sea_c = options->sea_c,
		.wave_m = 0.0030 * options->wind_kn * options->wind_kn,
		.sea_c = options->sea_c,
		.air_c = options->air_c,
		.baro_kpa = 101.4,
		.lat_deg = HOME_LAT,
		.lon_deg = HOME_LON,
		.depth_m = 12,
	};
	scenario_wander_init(&sea->wind_wander, 0.42, 4 * 3600, r);
	scenario_wander_init(&sea->gust, 0.11, 70, r);
	scenario_wander_init(&sea->wind_turn, 1.2, 9 * 3600, r);
	scenario_wander_init(&sea->sea_wander, 0.6, 5 * 86400, r);
	scenario_wander_init(&sea->air_wander, 1.5, 2 * 86400, r);
	scenario_wander_init(&sea->baro_wander, 0.9, 1.5 * 86400, r);
	scenario_wander_init(&sea->helm, 2.5, 9, r);
	scenario_wander_init(&sea->depth_wander, 0.5, 900, r);
}

static void swell_step(struct scenario_sea *sea, double step_s, struct scenario_random *r)
{
	double kick;
	double x = sea->swell[0];

	if (step_s != sea->swell_step_s) {
		sea->swell_step_s = step_s;
		sea->swell_keep = exp(-step_s / SWELL_KEEP);
		sea->swell_turn[0] = cos(2 * PI * step_s / SWELL_S);
		sea->swell_turn[1] = sin(2 * PI * step_s / SWELL_S);
	}
	kick = sqrt(1 - sea->swell_keep * sea->swell_keep);
	sea->swell[0] =
		sea->swell_keep * (sea->swell_turn[0] * x - sea->swell_turn[1] * sea->swell[1]) +
		kick * scenario_random_normal(r);
	sea->swell[1] =
		sea->swell_keep * (sea->swell_turn[1] * x + sea->swell_turn[0] * sea->swell[1]) +
		kick * scenario_random_normal(r);
}

void scenario_sea_step(struct scenario_sea *sea, const struct scenario_leg *leg, int64_t true_ns,
	double step_s, struct scenario_random *r)
{
	double day = (double)(true_ns % (86400 * INT64_C(1000000000))) / 86400e9;
	double wind = 1 + scenario_wander_step(&sea->wind_wander, step_s, r);
	double gust = 1 + scenario_wander_step(&sea->gust, step_s, r);
	double wave_m;

	wind = sea->mean_wind_kn * (wind < 0.05 ? 0.05 : wind);
	wave_m = 0.0030 * wind * wind;
	sea->wave_m += ((wave_m > 2 ? 2 : wave_m) - sea->wave_m) * (1 - exp(-step_s / 5400));
	sea->wind_kn = wind * gust;
	sea->wind_deg =
		fmod(230 + 180 / PI * scenario_wander_step(&sea->wind_turn, step_s, r) + 3600, 360);
	swell_step(sea, step_s, r);
	sea->sea_c = sea->mean_sea_c + scenario_wander_step(&sea->sea_wander, step_s, r);
	sea->air_c = sea->mean_air_c + scenario_wander_step(&sea->air_wander, step_s, r) -
		     3.5 * cos(2 * PI * (day - 0.12));
	sea->baro_kpa = 101.4 + scenario_wander_step(&sea->baro_wander, step_s, r);
	sea->heading_deg =
		fmod(leg->bearing_deg + scenario_wander_step(&sea->helm, step_s, r) + 720, 360);
	sea->depth_m = (scenario_leg_under_way(leg->kind) ? 38 : 7) *
		       exp(scenario_wander_step(&sea->depth_wander, step_s, r));
}

struct scenario_push scenario_sea_push(const struct scenario_sea *sea,
	const struct scenario_leg *leg, double speed_ms, double room_c)
{
	double wind_ms = sea->wind_kn * MS_KN;
	double angle = (sea->wind_deg - sea->heading_deg) * PI / 180;
	double ahead = cos(angle);
	double apparent = wind_ms * ahead + speed_ms;
	struct scenario_push push = {
		.wave = 0.11 * sea->wave_m * sea->swell[0],
		.drag_n = 3.0 * apparent * fabs(apparent) +
			  90 * sea->wave_m * sea->wave_m * (0.6 + 0.4 * ahead),
		.room_c = room_c,
		.sea_c = sea->sea_c,
	};

	if (leg->sails > 0) {
		/* Its own windage is in the sails' pull. */
		push.sails_n = leg->sails * 17 * wind_ms * wind_ms;
		push.sails_n = push.sails_n > 1600 ? 1600 : push.sails_n;
		push.drag_n = 0;
	}
	return push;
}

double scenario_sea_move(
	struct scenario_sea *sea, bool under_way, double speed_ms, int64_t true_ns, double step_s)
{
	double hours = (double)(true_ns % (INT64_C(1000000000) * 3600 * 24 * 365)) / 3600e9;
	double tide = 2 * PI * hours / 12.42;
	double heading = sea->heading_deg * PI / 180;
	double north;
	double east;

	if (!under_way) {
		sea->ground_ms = 0;
		return 0;
	}
	north = speed_ms * cos(heading) + 0.30 * sin(tide);
	east = speed_ms * sin(heading) + 0.18 * sin(tide + 0.6);
	sea->ground_ms = hypot(north, east);
	sea->course_deg = fmod(atan2(east, north) * 180 / PI + 360, 360);
	sea->lat_deg += north * step_s / 1852 / 60;
	sea->lon_deg += east * step_s / 1852 / 60 / cos(sea->lat_deg * PI / 180);
	return sea->ground_ms * step_s / 1852;
}
