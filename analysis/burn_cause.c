#include "analysis/burn_cause.h"

#include <math.h>

#define SIZE_DOUBT    0.35 /* of the change itself, one deviation */
#define SIGN_H	      0.75 /* engine hours in which a sign's half hour of minutes comes about */
#define SQRT_2PI	      2.5066282746310002
#define STRAY_SHARE   0.03 /* of signs that lie for a reason of their own, … */
#define STRAY_RANGE   40.0 /* … anywhere within so much, % or °C */
#define ALIKE	      3.0  /* odds of the first against another one, below which they are alike */
#define WEATHER_SHARE 0.7  /* of more or less load: passes … */
#define WEATHER_H     6.0  /* … within so many hours of steady running */
#define FUEL_PCT      4.0  /* by which the energy of a litre differs, one deviation */
#define WILD_ODDS     1e9
#define STARVED_SHARE 0.8 /* of a filter's limit */

/* What moves with a cause. */
enum evidence {
	BY_ENGINE,
	BY_SPEED,
	BY_IDLE,
	BY_FACTORS,
	BY_EXHAUST,
	BY_COOLANT,
	BY_PRESSURE,
	EVIDENCE
};

/* For each % of the burn (the exhaust: °C for each %); coolant and pressure: °C and %, at any size.
 */
struct effect {
	double mean;
	double range; /* one deviation */
};

struct row {
	bool high;   /* a cause of more burn, else of less */
	double odds; /* before anything is seen */
	struct effect effects[EVIDENCE];
};

/* The directions are physics, sizes and odds a mechanic's common practice, without a source:
 * docs/methods/burn_cause.md tells why. */
static const struct row rows[BURN_CAUSES] = {
	/* engine, speed, idle, factors, exhaust, coolant, pressure */
	[BURN_CAUSE_HULL] = {true, 0.42,
		{{0, 0.15}, {-0.5, 0.45}, {0, 0.3}, {0.6, 0.35}, {0, 0.7}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_LOADING] = {true, 0.20,
		{{0, 0.15}, {-1.3, 0.5}, {0, 0.3}, {0, 0.3}, {0, 0.7}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_INJECTOR] = {true, 0.20,
		{{1, 0.3}, {0, 0.12}, {1, 0.5}, {1, 0.3}, {2, 2}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_FUEL] = {true, 0.05,
		{{1, 0.3}, {0, 0.12}, {1, 0.3}, {1, 0.3}, {0, 1}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_AIR] = {true, 0.05,
		{{1, 0.3}, {0, 0.12}, {0.3, 0.4}, {1, 0.3}, {4, 2}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_COLD] = {true, 0.03,
		{{0.8, 0.4}, {0, 0.12}, {1, 0.5}, {0.8, 0.4}, {0, 1}, {-8, 4}, {0, 5}}},
	[BURN_CAUSE_SUPPLY] = {false, 0.25,
		{{0.5, 0.5}, {0, 0.2}, {0.3, 0.4}, {0.7, 0.4}, {0, 2}, {0, 2}, {-20, 10}}},
	[BURN_CAUSE_PROPELLER] = {false, 0.20,
		{{0, 0.15}, {0.5, 0.4}, {0, 0.3}, {0.6, 0.4}, {0, 0.7}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_LIGHTER] = {false, 0.40,
		{{0, 0.15}, {-1.3, 0.5}, {0, 0.3}, {0, 0.4}, {0, 0.7}, {0, 2}, {0, 5}}},
	[BURN_CAUSE_SENSOR] = {true, 0.05, /* of less burn, too: below */
		{{1, 0.15}, {0, 0.12}, {1, 0.3}, {1, 0.15}, {0, 0.7}, {0, 2}, {0, 5}}},
};
#define SENSOR_ODDS_LOW 0.15

/* Density of what was seen where mean was to be seen, give or take sd; a few signs stray. */
static double density(double seen, double mean, double sd)
{
	double far = (seen - mean) / sd;

	return (1 - STRAY_SHARE) * exp(-far * far / 2) / (sd * SQRT_2PI) +
	       STRAY_SHARE / STRAY_RANGE;
}

/* How well a sign of the last half hour fits. */
static double fit_sign(
	const struct burn_finding *finding, enum burn_sign sign, const struct effect *effect)
{
	double seen = finding->off_pct[sign];
	double since_h = finding->at_h[sign] - finding->from_h;

	if (isnan(seen) || since_h <= 0) {
		return 1; /* nothing since then */
	}
	/* What has just begun shows in a part of those minutes only. */
	double share = isnan(since_h) ? 1 : -expm1(-since_h / SIGN_H);
	double change = finding->change_pct * share;
	double sd = finding->sd_pct[sign];
	double of_size = SIZE_DOUBT * effect->mean * change;
	double of_effect = effect->range * change;

	return density(seen, effect->mean * change,
		sqrt(sd * sd + of_size * of_size + of_effect * of_effect));
}

static double fit_reading(double seen, const struct effect *effect, double size, double sd)
{
	return isnan(seen) ? 1
			   : density(seen, effect->mean * size, hypot(sd, effect->range * size));
}

static double fit(
	enum burn_cause cause, const struct burn_finding *finding, const struct burn_signs *signs)
{
	const struct effect *effects = rows[cause].effects;
	double all = fit_sign(finding, BURN_SIGN_ENGINE, &effects[BY_ENGINE]) *
		     fit_sign(finding, BURN_SIGN_SPEED, &effects[BY_SPEED]) *
		     fit_sign(finding, BURN_SIGN_IDLE, &effects[BY_IDLE]) *
		     fit_sign(finding, BURN_SIGN_FACTORS, &effects[BY_FACTORS]);

	all *= fit_reading(signs->exhaust_drift_c, &effects[BY_EXHAUST], finding->change_pct, 8);
	all *= fit_reading(signs->coolant_drift_c, &effects[BY_COOLANT], 1, 1);
	all *= fit_reading(signs->fuel_pressure_pct, &effects[BY_PRESSURE], 1, 2);
	if (!isnan(signs->restriction_share)) {
		/* Half of those that lack fuel have a filter near its limit, few others do. */
		double share = cause == BURN_CAUSE_SUPPLY ? 0.5 : 0.1;
		all *= signs->restriction_share > STARVED_SHARE ? share : 1 - share;
	}
	return all;
}

/* Odds before anything else is seen than the size of the change and how long it has lasted. */
static double odds_before(enum burn_cause cause, const struct burn_finding *finding, bool high)
{
	double odds = cause == BURN_CAUSE_SENSOR && !high ? SENSOR_ODDS_LOW : rows[cause].odds;
	double lasted_h = isnan(finding->since_h) ? 0 : finding->since_h;
	double size = finding->change_pct / FUEL_PCT;

	if (cause == BURN_CAUSE_LOADING || cause == BURN_CAUSE_LIGHTER) {
		odds *= 1 - WEATHER_SHARE + WEATHER_SHARE * exp(-lasted_h / WEATHER_H);
	} else if (cause == BURN_CAUSE_FUEL) {
		odds *= exp(-size * size / 2);
	} else if (cause == BURN_CAUSE_SENSOR && burn_is_wild(finding)) {
		odds *= WILD_ODDS;
	}
	return odds;
}

struct burn_verdict burn_causes(
	const struct burn_finding *finding, const struct burn_signs *signs, bool high)
{
	struct burn_verdict verdict = {.alike = 1};
	double sum = 0;

	for (int i = 0; i < BURN_CAUSES; i++) {
		enum burn_cause cause = (enum burn_cause)i;
		if (rows[i].high != high && cause != BURN_CAUSE_SENSOR) {
			continue;
		}
		double odds = odds_before(cause, finding, high) * fit(cause, finding, signs);
		unsigned at = verdict.count++;
		for (; at > 0 && verdict.odds[at - 1] < odds; at--) {
			verdict.causes[at] = verdict.causes[at - 1];
			verdict.odds[at] = verdict.odds[at - 1];
		}
		verdict.causes[at] = cause;
		verdict.odds[at] = odds;
		sum += odds;
	}
	for (unsigned i = 0; i < verdict.count; i++) {
		verdict.odds[i] /= sum;
	}
	while (verdict.alike < verdict.count &&
		verdict.odds[verdict.alike] * ALIKE > verdict.odds[0]) {
		verdict.alike++;
	}
	return verdict;
}

const char *burn_cause_text(enum burn_cause cause)
{
	switch (cause) {
	case BURN_CAUSE_HULL:
		return "a fouled hull or propeller";
	case BURN_CAUSE_LOADING:
		return "more load: weight, a tow, weather or current";
	case BURN_CAUSE_INJECTOR:
		return "a leaking or worn injector";
	case BURN_CAUSE_FUEL:
		return "fuel of less energy";
	case BURN_CAUSE_AIR:
		return "too little air: intake, turbocharger, exhaust";
	case BURN_CAUSE_COLD:
		return "an engine that runs too cold";
	case BURN_CAUSE_SUPPLY:
		return "too little fuel getting through: filter, air leak, lift pump";
	case BURN_CAUSE_PROPELLER:
		return "a propeller that grips less";
	case BURN_CAUSE_LIGHTER:
		return "less load: a lighter boat, a clean hull, weather or current";
	case BURN_CAUSE_SENSOR:
		return "the fuel rate's own sensor or its calibration";
	case BURN_CAUSES:
		break;
	}
	return "";
}
