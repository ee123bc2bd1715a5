/* tank.h: what is in a tank, what was filled, and whether level and burn agree.
 *
 * Volume from the level through a strapping table or a straight line; slosh filtered, the fuel
 * burned known beforehand; refuellings found at rest or after a silence; level and burn held
 * against each other with what neither knows. Litres at the tank's temperature, unless a name
 * says 15.
 */
#ifndef SIGHTBOWL_ANALYSIS_TANK_H
#define SIGHTBOWL_ANALYSIS_TANK_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/strapping.h"
#include "decoders/state_codec.h"

struct tank_config {
	double capacity_l;          /* > 0 */
	struct strapping strapping; /* sound, or empty: a straight line */
	double density15_kgm3;
};

/* 10 s; NaN is unknown. */
struct tank_window {
	double level_pct;
	double burned_l; /* drawn from this tank since the window before; NaN counts as 0 */
	bool running;    /* an engine that draws from it */
	bool at_rest;    /* the boat does not move; where no speed is heard: no engine runs */
	double silent_s; /* without readings before this window; 0: none */
	double fuel_c;   /* of the fuel that is drawn */
};

enum tank_state {
	TANK_QUIET,
	TANK_REFUELLED, /* filled_l came in */
	TANK_MISSING,   /* the level falls faster than the burn: leak, theft, transfer, sender */
	TANK_SURPLUS, /* it falls more slowly: stuck sender, transfer, a burn that is read too high
		       */
	TANK_LEAPS,   /* it fell by a quarter of the tank within seconds, again and again: sender */
	TANK_MISMATCH_CLEARED,
};

struct tank_news {
	double filled_l; /* with TANK_REFUELLED, and its standard deviation */
	double filled_sd_l;
	double mismatch_l; /* burned less gone: below 0 more has gone than was burned */
	double mismatch_sd_l;
};

struct tank {
	double level_l;    /* slosh filtered; 0 with count 0 */
	double fast_l;     /* of the last minute */
	double slosh_l2;   /* variance of windows about the level */
	double burned_l;   /* since the account began */
	double base_l;     /* level + burned when it began */
	double recent_l;   /* the same of late */
	double rest_share; /* of what recent_l stands on, and of base_l */
	double base_rest;
	double fill_from_l; /* level before the refuelling under way */
	double fill_burned_l;
	double fill_last_l;
	double fuel_c;      /* temperature of the tank, as far as what is drawn tells it; NaN */
	uint32_t count;     /* windows behind the level, capped */
	double base_weight; /* windows behind base_l, those under way counting for less */
	uint32_t away;      /* windows in a row well above the level */
	uint32_t settled;   /* windows in a row in which a refuelling brought nothing more */
	uint32_t wake;      /* windows since a silence, capped */
	uint32_t doubt;     /* windows in a row with a mismatch */
	double last_l;      /* by the level of the last window */
	double fell_from_l; /* before it fell faster than fuel can, less what was burned; 0: it did not */
	uint32_t falls;     /* of that kind */
	int32_t mismatch;   /* -1 missing, 1 surplus, 0 told nothing */
	bool filling;
	bool was_at_rest;
};

void tank_init(struct tank *t);

/* Takes the next 10 s. *ret_news is always filled with what is known, NaN otherwise. */
enum tank_state tank_take(struct tank *t, const struct tank_config *config,
	const struct tank_window *window, struct tank_news *ret_news);

/* Fuel in the tank now, and its standard deviation; NaN while no level has been heard. */
double tank_volume(const struct tank *t, const struct tank_config *config, double *ret_sd_l);

/* Volume of a level by the table or the straight line, 0 to the capacity (or the table's last). */
double tank_volume_of_level(const struct tank_config *config, double level_pct);

/* The same fuel at 15 °C; the volume itself where the temperature is NaN. */
double tank_volume15(const struct tank_config *config, double volume_l, double fuel_c);

struct tank_range {
	double hours;     /* to the reserve; 0 when it is reached */
	double hours_low; /* with fuel and burn both at their 10 % edge */
	double miles;     /* NaN without a speed */
	double miles_low;
};

/* How far the fuel above the reserve goes at a rate (> 0) and speed (kn, NaN: unknown).
 * rate_share_sd: how well the rate is known. */
struct tank_range tank_range(double volume_l, double volume_sd_l, double reserve_l, double rate_lph,
	double rate_share_sd, double speed_kn);

void tank_save(const struct tank *t, struct state_writer *w);
void tank_load(struct tank *t, struct state_reader *r);

#endif
