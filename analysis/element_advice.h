/* element_advice.h: does this element fit this engine and place in the line, how long would it last?
 *
 * Knows: rated flow against supply flow, micron by stage and use, what a finer or larger medium does
 * to the life, hose speed, and where each rule comes from. Leaves to others: what is aboard, what the
 * boat's own record says (it is passed in), display units. Every figure that cannot be known is NaN.
 *
 * Life at another rating follows from a life at this place, when the record has one:
 *   litres ∝ a                      if the dirt goes into the depth of the medium, or
 *   litres ∝ a (a − r) / (1 − r)    if it lies on it as a cake (Darcy: ΔP = µ Q/A (R + α c V/A)),
 * a being the ratio of the areas, which is taken to be that of the rated flows, r the clean element's
 * share of the limit; divided by the ratio of what the two media collect: by volume of solids for the
 * one bound, by S²/V of the solids (Kozeny and Carman) for the other. The range spans these forms.
 */
#ifndef SIGHTBOWL_ANALYSIS_ELEMENT_ADVICE_H
#define SIGHTBOWL_ANALYSIS_ELEMENT_ADVICE_H

#include <stdbool.h>
#include <stddef.h>

#include "analysis/boat.h"
#include "analysis/fuel_cleanliness.h"

#define ELEMENT_ADVICE_REASONS_MAX 24

enum advice_stage {
	ADVICE_STAGE_PRIMARY,   /* before the supply pump, on the suction side */
	ADVICE_STAGE_SECONDARY, /* after it, the last before the injection pump */
};

struct advice_place {
	enum boat_use use;
	enum advice_stage stage;
	enum injection_kind injection;
	bool only_filter;        /* nothing finer between it and the injection pump */
	bool has_water_separator; /* another filter of this line separates water */
	double burn_lph;         /* at cruise */
	double supply_lph;       /* the greatest steady flow through the filter */
	bool supply_told;        /* by a person, not by the boat's record */
	double supply_mean_lph;  /* litres through it per engine hour; NaN: as supply_lph */
	double hours_a_year;     /* engine hours */
	double age_limit_months; /* change at the latest after; NaN: 12 */
	double change_h;         /* change after so many engine hours, or NaN */
	double upstream_micron;  /* NaN: none, or not told (so below) */
	double downstream_micron;
	double hose_bore_mm;
	double hose_length_m;
	double viscosity_mm2s;   /* of the fuel as it is */
	double density_kgl;
	struct cleanliness_code fuel; /* how dirty the fuel is taken to be */
};

struct advice_element {
	double micron;      /* NaN: not told */
	double beta;        /* beta ratio at that size; NaN: not told */
	double rated_lph;   /* NaN: not told */
	bool separates_water;
};

/* How elements at this place have loaded so far; the litres are those from new to the limit. */
struct advice_record {
	bool known;
	struct advice_element element;
	double life_l_low;  /* p10 */
	double life_l_mid;  /* p50 */
	double life_l_high; /* p90 */
	double clean_share; /* clean restriction as a share of the limit; NaN: not known */
};

enum advice_flow {
	ADVICE_FLOW_UNKNOWN,
	ADVICE_FLOW_AMPLE,     /* up to a tenth of the rating */
	ADVICE_FLOW_FITS,
	ADVICE_FLOW_TIGHT,     /* more than 80 % of the rating */
	ADVICE_FLOW_TOO_SMALL, /* more than the rating */
};

enum advice_grade {
	ADVICE_GRADE_UNKNOWN,
	ADVICE_GRADE_FINER,  /* finer than is practice here: costs life, harms nothing */
	ADVICE_GRADE_FITS,
	ADVICE_GRADE_COARSER, /* lets through what this place is there to stop */
};

enum advice_ending { ADVICE_ENDS_UNKNOWN, ADVICE_ENDS_AGE, ADVICE_ENDS_HOURS, ADVICE_ENDS_LOADING };

enum advice_verdict { ADVICE_UNKNOWN, ADVICE_FITS, ADVICE_FITS_WITH_CARE, ADVICE_DOES_NOT_FIT };

/* One ground of the advice: a sentence, the figure it rests on where there is one, and where the rule
 * or the figure comes from. Static texts. */
struct advice_reason {
	const char *text;
	const char *source;
	double value;      /* NaN: none */
	const char *unit;  /* of value: L/h, L, h, months, %, m/s, kPa, µm, mg/kg, times */
	bool against;      /* speaks against the element */
};

struct element_advice {
	enum advice_verdict verdict;
	enum advice_flow flow;
	enum advice_grade grade;
	double share;            /* supply flow / rated flow */
	double margin;           /* rated flow / supply flow */
	double practice_micron;  /* what is practice at this place */
	double efficiency;       /* at its rating, where beta is told */
	double kept_share;       /* of the suspended solids, by volume */
	bool from_record;        /* the life below comes from the boat's own record */
	double life_l_low;       /* litres to the limit by loading alone */
	double life_l_mid;
	double life_l_high;
	double life_to_present;  /* mid life / mid life of the record's element */
	enum advice_ending ends_by;
	double change_after_h;   /* whichever comes first; loading counts by the low end of a life that
				  * comes from the record, never by an estimate */
	double change_after_months;
	double hose_velocity_mps;
	double hose_loss_kpa;
	size_t reason_count;
	struct advice_reason reasons[ELEMENT_ADVICE_REASONS_MAX];
};

/* Judges one element at a place. record may be NULL. */
void element_advice_judge(const struct advice_place *place, const struct advice_element *element,
	const struct advice_record *record, struct element_advice *ret_advice);

/* The rating, in µm, that is practice at the place for an element of that rated flow (NaN: not told);
 * ret_reason, if not NULL, gets the rule. */
double element_advice_practice(const struct advice_place *place, double rated_lph,
	struct advice_reason *ret_reason);

/* Orders two judged elements: below 0 when a is the better one to fit, above 0 when b is. */
int element_advice_compare(const struct element_advice *a, double a_micron,
	const struct element_advice *b, double b_micron);

#endif
