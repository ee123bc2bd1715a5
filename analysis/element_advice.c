#include "analysis/element_advice.h"

#include <assert.h>
#include <math.h>

#include "analysis/fuel_line.h"

static const char practice_source[] = "common practice, no source";
static const char record_source[] = "this boat's record";
static const char told_source[] = "as told";
static const char our_estimate[] = "our estimate, no source";

/* Practice in the trade for the grade of an element by its place and the boat's use; the first row
 * that matches holds. All of it is common practice, no source; the engine maker's figure goes before
 * it. The first row for sailing boats carries the worked example: an element rated 60 US gal/h on
 * an engine that burns about 1 US gal/h passes less than 2 % of its rating, so that 2 µm fits. */
struct grade_row {
	enum advice_stage stage;
	unsigned uses;       /* bits of enum boat_use */
	unsigned injections; /* bits of enum injection_kind */
	double share_max;    /* holds up to this share of the rated flow */
	double finest_um;
	double practice_um;
	double coarsest_um;
	double coarsest_alone_um; /* when nothing finer follows */
	const char *text;
};

#define BIT(value) (1U << (value))
#define ANY_USE                                                                                    \
	(BIT(BOAT_USE_SAILING) | BIT(BOAT_USE_DISPLACEMENT) | BIT(BOAT_USE_PLANING))
#define ANY_INJECTION                                                                              \
	(BIT(INJECTION_UNKNOWN) | BIT(INJECTION_MECHANICAL) |                        \
		BIT(INJECTION_COMMON_RAIL))

static const struct grade_row grade_rows[] = {
	{
		.stage = ADVICE_STAGE_SECONDARY,
		.uses = ANY_USE,
		.injections = BIT(INJECTION_COMMON_RAIL),
		.share_max = INFINITY,
		.finest_um = 2,
		.practice_um = 2,
		.coarsest_um = 5,
		.coarsest_alone_um = 5,
		.text = "a common-rail pump is guarded by the engine maker's own last element, 2 to 5 µm",
	},
	{
		.stage = ADVICE_STAGE_SECONDARY,
		.uses = ANY_USE,
		.injections = ANY_INJECTION,
		.share_max = INFINITY,
		.finest_um = 2,
		.practice_um = 2,
		.coarsest_um = 10,
		.coarsest_alone_um = 10,
		.text = "the last element before the injection pump is 2 µm, at most 10 µm",
	},
	{
		.stage = ADVICE_STAGE_PRIMARY,
		.uses = BIT(BOAT_USE_SAILING),
		.injections = ANY_INJECTION,
		.share_max = 0.1,
		.finest_um = 2,
		.practice_um = 2,
		.coarsest_um = 30,
		.coarsest_alone_um = 10,
		.text = "so little of the rating is used that 2 µm fits a slow sailing boat",
	},
	{
		.stage = ADVICE_STAGE_PRIMARY,
		.uses = BIT(BOAT_USE_SAILING) | BIT(BOAT_USE_DISPLACEMENT),
		.injections = ANY_INJECTION,
		.share_max = INFINITY,
		.finest_um = 2,
		.practice_um = 10,
		.coarsest_um = 30,
		.coarsest_alone_um = 10,
		.text = "10 µm before the supply pump, with a finer element after it",
	},
	{
		.stage = ADVICE_STAGE_PRIMARY,
		.uses = BIT(BOAT_USE_PLANING),
		.injections = ANY_INJECTION,
		.share_max = INFINITY,
		.finest_um = 10,
		.practice_um = 10,
		.coarsest_um = 30,
		.coarsest_alone_um = 10,
		.text = "10 µm before the supply pump of a planing boat: a finer one loads too soon",
	},
};

/* Shares of the rated flow (common practice, no source). */
static const double share_ample = 0.10;
static const double share_tight = 0.80;

/* A grade's own tolerance: 9 and 11 µm are both "10". */
static const double grade_tolerance = 1.25;

/* An element that loads within this share of what its interval and its age allow is a poor choice
 * (our judgement). */
static const double share_short_lived = 0.1;

static const double age_limit_default_months = 12; /* common practice, no source */

/* Where the boat has no record: dirt that an element takes up to its limit, per L/h of its rated flow
 * (an order of magnitude, no source). */
static const double capacity_g_per_lph = 0.1;

/* EN 590: total contamination at most 24 mg/kg. */
static const double contamination_max_mgkg = 24;

/* Of an element whose beta is not told: a nominal rating, half of the particles of that size. */
static const double beta_nominal = 2;

/* Fuel suction lines: up to about 4 ft/s (common practice for hydraulic suction lines, no source). */
static const double hose_velocity_max_mps = 1.2;

static void give_reason(struct element_advice *advice, const char *text, const char *source,
	double value, const char *unit, bool against)
{
	assert(advice->reason_count < ELEMENT_ADVICE_REASONS_MAX);
	advice->reasons[advice->reason_count++] = (struct advice_reason){
		.text = text,
		.source = source,
		.value = value,
		.unit = unit,
		.against = against,
	};
}

static const struct grade_row *grade_row_for(const struct advice_place *place, double rated_lph)
{
	double share = place->supply_lph / rated_lph;

	for (size_t i = 0; i < sizeof(grade_rows) / sizeof(grade_rows[0]); i++) {
		const struct grade_row *row = &grade_rows[i];

		if (row->stage == place->stage && (row->uses & BIT(place->use)) != 0 &&
			(row->injections & BIT(place->injection)) != 0 &&
			(isinf(row->share_max) || share <= row->share_max)) {
			return row;
		}
	}
	return &grade_rows[sizeof(grade_rows) / sizeof(grade_rows[0]) - 1];
}

double element_advice_practice(const struct advice_place *place, double rated_lph,
	struct advice_reason *ret_reason)
{
	const struct grade_row *row = grade_row_for(place, rated_lph);

	if (ret_reason) {
		*ret_reason = (struct advice_reason){
			.text = row->text,
			.source = practice_source,
			.value = row->practice_um,
			.unit = "µm",
		};
	}
	return row->practice_um;
}

static void judge_flow(const struct advice_place *place, const struct advice_element *element,
	struct element_advice *advice)
{
	double share = place->supply_lph / element->rated_lph;

	if (!(element->rated_lph > 0)) {
		give_reason(advice, "its rated flow is not told: look at its label or its sheet", NULL,
			NAN, "", true);
		return;
	}
	if (!(place->supply_lph > 0)) {
		give_reason(advice, "what flows through this filter is not known yet", NULL, NAN, "",
			true);
		return;
	}
	advice->share = share;
	advice->margin = element->rated_lph / place->supply_lph;
	give_reason(advice, "flows through it at most", place->supply_told ? told_source : record_source,
		place->supply_lph, "L/h", false);
	if (share > 1) {
		advice->flow = ADVICE_FLOW_TOO_SMALL;
		give_reason(advice, "the pump moves more than its rated flow: share of the rating",
			practice_source, share * 100, "%", true);
	} else if (share > share_tight) {
		advice->flow = ADVICE_FLOW_TIGHT;
		give_reason(advice, "little margin to its rated flow: share of the rating",
			practice_source, share * 100, "%", true);
	} else if (share > share_ample) {
		advice->flow = ADVICE_FLOW_FITS;
		give_reason(advice, "its rated flow has margin: share of the rating", practice_source,
			share * 100, "%", false);
	} else {
		advice->flow = ADVICE_FLOW_AMPLE;
		give_reason(advice, "hardly uses its rated flow: share of the rating", practice_source,
			share * 100, "%", false);
	}
}

static void judge_grade(const struct advice_place *place, const struct advice_element *element,
	struct element_advice *advice)
{
	const struct grade_row *row = grade_row_for(place, element->rated_lph);
	double coarsest = place->only_filter ? row->coarsest_alone_um : row->coarsest_um;

	advice->practice_micron = row->practice_um;
	give_reason(advice, row->text, practice_source, row->practice_um, "µm", false);
	if (!(element->micron > 0)) {
		give_reason(advice, "its micron rating is not told", NULL, NAN, "", true);
		return;
	}
	if (element->micron > coarsest * grade_tolerance) {
		advice->grade = ADVICE_GRADE_COARSER;
		give_reason(advice,
			place->only_filter || place->stage == ADVICE_STAGE_SECONDARY
				? "too coarse for the last element before the injection pump: at most"
				: "coarser than is practice here: the next element takes the load; at most",
			practice_source, coarsest, "µm", true);
	} else if (element->micron * grade_tolerance < row->finest_um) {
		advice->grade = ADVICE_GRADE_FINER;
		give_reason(advice, "finer than is practice here: it loads sooner; at least",
			practice_source, row->finest_um, "µm", true);
	} else {
		advice->grade = ADVICE_GRADE_FITS;
	}
	if (place->stage == ADVICE_STAGE_PRIMARY && element->micron < place->downstream_micron) {
		give_reason(advice,
			"finer than the element after it, which then only guards; that one is",
			"follows from the ratings", place->downstream_micron, "µm", false);
	}
	if (place->stage == ADVICE_STAGE_SECONDARY && element->micron > place->upstream_micron) {
		give_reason(advice, "coarser than the element before it, so that it only guards; that one is",
			"follows from the ratings", place->upstream_micron, "µm", false);
	}
	if (element->beta >= 1) {
		advice->efficiency = cleanliness_efficiency(element->beta);
		give_reason(advice, "takes out of the particles of its rating, by its beta ratio",
			"ISO 16889: efficiency = (beta - 1) / beta", advice->efficiency * 100, "%",
			false);
	}
}

static void judge_water(const struct advice_place *place, const struct advice_element *element,
	struct element_advice *advice)
{
	bool first = place->stage == ADVICE_STAGE_PRIMARY || place->only_filter;

	if (first && !place->has_water_separator && !element->separates_water) {
		give_reason(advice, "nothing in this line separates water: fit a separating element here",
			practice_source, NAN, "", true);
	} else if (first && element->separates_water) {
		give_reason(advice, "separates water before the pump churns it into the fuel",
			practice_source, NAN, "", false);
	}
}

static bool element_catch(const struct advice_place *place, const struct advice_element *element,
	struct cleanliness_catch *ret_catch)
{
	return cleanliness_catch(&place->fuel, element->micron,
		element->beta >= 1 ? element->beta : beta_nominal, ret_catch);
}

/* Scales the record's life by area and by what the two media collect; see the header. */
static void life_from_record(const struct advice_element *element, const struct advice_record *record,
	const struct cleanliness_catch *mine, const struct cleanliness_catch *theirs,
	struct element_advice *advice)
{
	double area = element->rated_lph / record->element.rated_lph;
	double clean = record->clean_share > 0 && record->clean_share < 1 ? record->clean_share : 0;
	double by_volume = theirs->kept_mgl / mine->kept_mgl;
	double by_surface = theirs->kept_surface * theirs->kept_surface / theirs->kept_mgl /
		(mine->kept_surface * mine->kept_surface / mine->kept_mgl);
	double depth;
	double cake;
	double low;
	double high;

	if (!(area > 0)) {
		area = 1; /* one of the rated flows is not told: taken as the same size */
	}
	depth = area;
	cake = area > clean ? area * (area - clean) / (1 - clean) : 0;
	low = fmin(depth, cake) * fmin(by_volume, by_surface);
	high = fmax(depth, cake) * fmax(by_volume, by_surface);
	advice->from_record = true;
	advice->life_to_present = sqrt(low * high);
	advice->life_l_low = record->life_l_low * low;
	advice->life_l_mid = record->life_l_mid * advice->life_to_present;
	advice->life_l_high = record->life_l_high * high;
	give_reason(advice, "litres to the limit, from how elements loaded here", record_source,
		advice->life_l_mid, "L", false);
	if (area < 1 / 1.05 || area > 1.05) {
		give_reason(advice, "its area, taken to go with the rated flow, to the present one's",
			"Darcy's law: litres grow with the area, up to its square", area, "times", false);
	}
	if (element->micron < record->element.micron) {
		give_reason(advice, "finer than the present one: its life to the present one's",
			"ISO 4406 size distribution; Kozeny and Carman for the cake's resistance",
			advice->life_to_present, "times", false);
	}
}

/* Without a record: what an element of this size may take, from fuel at the legal limit (low) and
 * from fuel of the place's cleanliness (high). */
static void life_from_size(const struct advice_place *place, const struct advice_element *element,
	const struct cleanliness_catch *catch, struct element_advice *advice)
{
	double capacity_mg = capacity_g_per_lph * 1000 * element->rated_lph;
	double dirty = capacity_mg / (contamination_max_mgkg * place->density_kgl);
	double clean = capacity_mg / catch->kept_mgl;

	if (!(dirty > 0) || !(clean > 0)) {
		return;
	}
	advice->life_l_low = fmin(dirty, clean);
	advice->life_l_high = fmax(dirty, clean);
	advice->life_l_mid = sqrt(dirty * clean);
	give_reason(advice, "no record of loading here yet: litres to the limit, an order of magnitude",
		our_estimate, advice->life_l_mid, "L", false);
	give_reason(advice, "its low end keeps all the solids of fuel at the limit of its standard",
		"EN 590: total contamination at most 24 mg/kg", contamination_max_mgkg, "mg/kg", false);
}

/* Without a record the life is an order of magnitude: it can show that hours or age come first, not
 * when loading does. Returns false when it leaves the matter open. */
static bool estimate_decides(struct element_advice *advice, double limit_h, double through_lph)
{
	double latest_h = advice->life_l_high / through_lph;

	if (advice->from_record || !(advice->life_l_low / through_lph < limit_h)) {
		return true;
	}
	if (latest_h < limit_h) {
		advice->ends_by = ADVICE_ENDS_LOADING;
		give_reason(advice,
			"loading ends it before its age or hours do: measure the restriction here; at the "
			"latest after engine hours, an order of magnitude",
			our_estimate, latest_h, "h", false);
	} else {
		give_reason(advice,
			"whether loading ends it sooner shows only when restriction is measured here; it "
			"may last, by order of magnitude",
			our_estimate, latest_h, "h", false);
	}
	return false;
}

/* Which of loading, hours and age comes first. */
static void judge_ending(const struct advice_place *place, struct element_advice *advice)
{
	double through_lph = place->supply_mean_lph > 0 ? place->supply_mean_lph : place->supply_lph;
	double age_months =
		place->age_limit_months > 0 ? place->age_limit_months : age_limit_default_months;
	double h_a_month = place->hours_a_year / 12;
	double age_h = age_months * h_a_month;
	double loading_h = advice->from_record ? advice->life_l_low / through_lph : NAN;
	double hours = fmin(place->change_h > 0 ? place->change_h : NAN, loading_h);
	bool by_interval = place->change_h > 0 && hours == place->change_h;

	advice->change_after_h = hours;
	advice->change_after_months = age_months;
	if (!(h_a_month > 0) || !(advice->life_l_low / through_lph > 0) ||
		!estimate_decides(advice, fmin(hours, age_h), through_lph)) {
		return;
	}
	if (hours < age_h) {
		advice->ends_by = by_interval ? ADVICE_ENDS_HOURS : ADVICE_ENDS_LOADING;
		advice->change_after_months = hours / h_a_month;
		bool short_lived = !by_interval &&
			hours < share_short_lived * fmin(place->change_h > 0 ? place->change_h : NAN, age_h);
		give_reason(advice,
			by_interval   ? "the change interval ends it first, after engine hours"
			: short_lived ? "it loads too soon to be of use here, at the earliest after engine hours"
				      : "loading ends it first, at the earliest after engine hours",
			by_interval ? "the boat's configuration" : record_source, hours, "h",
			short_lived);
	} else {
		advice->ends_by = ADVICE_ENDS_AGE;
		advice->change_after_h = age_h;
		give_reason(advice,
			"age ends it first: media, seals and glue age, growth sets in; after months",
			practice_source, age_months, "months", false);
	}
}

static void judge_hose(const struct advice_place *place, struct element_advice *advice)
{
	if (!(place->hose_bore_mm > 0) || !(place->supply_lph > 0)) {
		return;
	}
	advice->hose_velocity_mps = fuel_line_velocity_mps(place->supply_lph, place->hose_bore_mm);
	give_reason(advice,
		advice->hose_velocity_mps > hose_velocity_max_mps
			? "the hose is narrow for this flow, practice is up to 1.2 m/s: speed in it"
			: "speed of the fuel in the hose, within the 1.2 m/s that is practice",
		practice_source, advice->hose_velocity_mps, "m/s", false);
	if (place->hose_length_m > 0 && place->viscosity_mm2s > 0 && place->density_kgl > 0) {
		advice->hose_loss_kpa = fuel_line_loss_kpa(place->supply_lph, place->hose_bore_mm,
			place->hose_length_m, place->viscosity_mm2s, place->density_kgl);
		give_reason(advice, "lost in the hose, which the pump pulls on top of the filter",
			"Hagen and Poiseuille; Darcy and Weisbach", advice->hose_loss_kpa, "kPa", false);
	}
}

static enum advice_verdict verdict(const struct advice_place *place,
	const struct element_advice *advice)
{
	bool last = place->only_filter || place->stage == ADVICE_STAGE_SECONDARY;

	if (advice->flow == ADVICE_FLOW_TOO_SMALL ||
		(advice->grade == ADVICE_GRADE_COARSER && last)) {
		return ADVICE_DOES_NOT_FIT;
	}
	if (advice->flow == ADVICE_FLOW_UNKNOWN || advice->grade == ADVICE_GRADE_UNKNOWN) {
		return ADVICE_UNKNOWN;
	}
	for (size_t i = 0; i < advice->reason_count; i++) {
		if (advice->reasons[i].against) {
			return ADVICE_FITS_WITH_CARE;
		}
	}
	return ADVICE_FITS;
}

void element_advice_judge(const struct advice_place *place, const struct advice_element *element,
	const struct advice_record *record, struct element_advice *ret_advice)
{
	struct cleanliness_catch mine;
	struct cleanliness_catch theirs;

	*ret_advice = (struct element_advice){
		.share = NAN,
		.margin = NAN,
		.practice_micron = NAN,
		.efficiency = NAN,
		.kept_share = NAN,
		.life_l_low = NAN,
		.life_l_mid = NAN,
		.life_l_high = NAN,
		.life_to_present = NAN,
		.change_after_h = NAN,
		.change_after_months = NAN,
		.hose_velocity_mps = NAN,
		.hose_loss_kpa = NAN,
	};
	judge_flow(place, element, ret_advice);
	judge_grade(place, element, ret_advice);
	judge_water(place, element, ret_advice);
	if (element_catch(place, element, &mine)) {
		ret_advice->kept_share = mine.kept_share;
		if (record && record->known && record->life_l_mid > 0 &&
			element_catch(place, &record->element, &theirs)) {
			life_from_record(element, record, &mine, &theirs, ret_advice);
		} else {
			life_from_size(place, element, &mine, ret_advice);
		}
	}
	judge_ending(place, ret_advice);
	judge_hose(place, ret_advice);
	ret_advice->verdict = verdict(place, ret_advice);
}

static unsigned rank(enum advice_verdict verdict)
{
	static const unsigned ranks[] = {
		[ADVICE_FITS] = 0,
		[ADVICE_FITS_WITH_CARE] = 1,
		[ADVICE_UNKNOWN] = 2,
		[ADVICE_DOES_NOT_FIT] = 3,
	};

	return ranks[verdict];
}

int element_advice_compare(const struct element_advice *a, double a_micron,
	const struct element_advice *b, double b_micron)
{
	double a_off = fabs(log(a_micron / a->practice_micron));
	double b_off = fabs(log(b_micron / b->practice_micron));

	if (rank(a->verdict) != rank(b->verdict)) {
		return rank(a->verdict) < rank(b->verdict) ? -1 : 1;
	}
	if (a_off < b_off || b_off < a_off) {
		return a_off < b_off ? -1 : 1;
	}
	/* Of two of one grade the one with more margin: it lasts longer. */
	if (a->margin > b->margin || b->margin > a->margin) {
		return a->margin > b->margin ? -1 : 1;
	}
	return 0;
}
