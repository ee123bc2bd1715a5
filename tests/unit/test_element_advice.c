#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/element_advice.h"

static const double us_gal_l = 3.785411784; /* NIST SP 811, B.8; exact */

static struct advice_place sailing_place(void)
{
	struct advice_place place = {
		.use = BOAT_USE_SAILING,
		.stage = ADVICE_STAGE_PRIMARY,
		.burn_lph = us_gal_l,
		.supply_lph = us_gal_l,
		.supply_mean_lph = us_gal_l,
		.hours_a_year = 100,
		.age_limit_months = 12,
		.change_h = NAN,
		.upstream_micron = NAN,
		.downstream_micron = NAN,
		.hose_bore_mm = NAN,
		.hose_length_m = NAN,
		.viscosity_mm2s = 3.0,
		.density_kgl = 0.845,
		.fuel = {18, 16, 13},
	};

	return place;
}

static struct advice_element element_of(double micron, double rated_lph)
{
	struct advice_element element = {
		.micron = micron,
		.beta = NAN,
		.rated_lph = rated_lph,
		.separates_water = true,
	};

	return element;
}

/* The worked example (common practice, no source): rated 60 US gal/h, burning about 1 US gal/h. */
static void two_micron_fits_a_slow_sailing_boat_until_its_age_limit(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(2, 60 * us_gal_l);
	struct element_advice advice;

	(void)state;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_true(advice.share < 0.02 && fabs(advice.share - 1.0 / 60) < 1e-12);
	assert_int_equal(advice.flow, ADVICE_FLOW_AMPLE);
	assert_true(advice.practice_micron == 2);
	assert_int_equal(advice.verdict, ADVICE_FITS);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_AGE);
	assert_true(advice.change_after_months == 12);
	assert_true(advice.life_l_low > 100 * us_gal_l); /* even its low end outlasts the year */
}

static void a_planing_boat_is_served_with_ten_micron(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element two = element_of(2, 60 * us_gal_l);
	struct advice_element ten = element_of(10, 60 * us_gal_l);
	struct element_advice of_two;
	struct element_advice of_ten;

	(void)state;
	place.use = BOAT_USE_PLANING;
	place.burn_lph = 15 * us_gal_l;
	place.supply_lph = 35 * us_gal_l;
	place.supply_mean_lph = 30 * us_gal_l;
	element_advice_judge(&place, &two, NULL, &of_two);
	element_advice_judge(&place, &ten, NULL, &of_ten);
	assert_true(of_ten.practice_micron == 10);
	assert_int_equal(of_ten.verdict, ADVICE_FITS);
	assert_int_equal(of_two.grade, ADVICE_GRADE_FINER);
	assert_int_equal(of_two.verdict, ADVICE_FITS_WITH_CARE);
	assert_true(element_advice_compare(&of_ten, 10, &of_two, 2) < 0);
	assert_true(element_advice_compare(&of_two, 2, &of_ten, 10) > 0);
	assert_true(of_two.life_l_mid < of_ten.life_l_mid);
}

static void an_element_that_the_pump_outruns_does_not_fit(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(10, 60);
	struct element_advice advice;

	(void)state;
	place.supply_lph = 60.5;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.flow, ADVICE_FLOW_TOO_SMALL);
	assert_int_equal(advice.verdict, ADVICE_DOES_NOT_FIT);
	place.supply_lph = 60;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.flow, ADVICE_FLOW_TIGHT);
	assert_int_equal(advice.verdict, ADVICE_FITS_WITH_CARE);
	place.supply_lph = 48;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.flow, ADVICE_FLOW_FITS);
	assert_true(fabs(advice.margin - 1.25) < 1e-12);
}

static void the_last_element_must_not_be_coarse(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(30, 200);
	struct element_advice advice;

	(void)state;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_FITS);
	place.only_filter = true;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_DOES_NOT_FIT);
	place.only_filter = false;
	place.stage = ADVICE_STAGE_SECONDARY;
	element.micron = 10;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_FITS);
	place.injection = INJECTION_COMMON_RAIL;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_DOES_NOT_FIT);
}

static void a_line_without_a_separator_is_told_so(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(2, 200);
	struct element_advice advice;

	(void)state;
	element.separates_water = false;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_FITS_WITH_CARE);
	place.has_water_separator = true;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_FITS);
}

/* The record of the element that is fitted now gives back its own life when the same is asked for. */
static void the_same_element_has_the_life_of_the_record(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(10, 200);
	struct advice_record record = {
		.known = true,
		.element = element,
		.life_l_low = 800,
		.life_l_mid = 1000,
		.life_l_high = 1300,
		.clean_share = 0.2,
	};
	struct element_advice advice;

	(void)state;
	element_advice_judge(&place, &element, &record, &advice);
	assert_true(advice.from_record);
	assert_true(fabs(advice.life_l_low - 800) < 1e-9);
	assert_true(fabs(advice.life_l_mid - 1000) < 1e-9);
	assert_true(fabs(advice.life_l_high - 1300) < 1e-9);
	assert_true(fabs(advice.life_to_present - 1) < 1e-12);
}

/* Litres to the limit of a cake at constant flow, by adding it up in small steps: Darcy's law with
 * resistance = clean + growth × litres / area (a general-purpose textbook relation). */
static double cake_litres(double area, double clean_kpa, double limit_kpa)
{
	double litres = 0;

	while ((clean_kpa + litres * 0.01 / area) / area < limit_kpa) {
		litres += 0.01;
	}
	return litres;
}

static void a_larger_element_lasts_as_darcys_law_has_it(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_record record = {
		.known = true,
		.element = element_of(10, 100),
		.clean_share = 0.25,
	};

	(void)state;
	/* Steps of 0.01 L, scaled by at most 20: the sums agree to 0.3 L of 15 to 300 L. */
	record.life_l_low = record.life_l_mid = record.life_l_high = cake_litres(1, 5, 20);
	for (double area = 0.5; area <= 4; area += 0.5) {
		struct advice_element element = element_of(10, 100 * area);
		struct element_advice advice;
		double cake = cake_litres(area, 5, 20);
		double depth = record.life_l_mid * area;

		element_advice_judge(&place, &element, &record, &advice);
		assert_true(fabs(advice.life_l_low - fmin(cake, depth)) < 0.3);
		assert_true(fabs(advice.life_l_high - fmax(cake, depth)) < 0.3);
	}
}

static void a_finer_element_costs_life_and_says_how_much(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_record record = {
		.known = true,
		.element = element_of(10, 200),
		.life_l_low = 800,
		.life_l_mid = 1000,
		.life_l_high = 1300,
		.clean_share = NAN,
	};
	double before = INFINITY;
	bool told = false;

	(void)state;
	for (double micron = 30; micron >= 1; micron /= 1.5) {
		struct advice_element element = element_of(micron, 200);
		struct element_advice advice;

		element_advice_judge(&place, &element, &record, &advice);
		assert_true(advice.life_to_present < before);
		assert_true(advice.life_l_low <= advice.life_l_mid);
		assert_true(advice.life_l_mid <= advice.life_l_high);
		before = advice.life_to_present;
		for (size_t i = 0; i < advice.reason_count; i++) {
			if (micron < 10 && strstr(advice.reasons[i].text, "finer than the present")) {
				assert_true(advice.reasons[i].value == advice.life_to_present);
				told = true;
			}
		}
	}
	assert_true(told);
}

static void the_interval_ends_it_when_it_comes_first(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(2, 200);
	struct element_advice advice;

	(void)state;
	place.hours_a_year = 600;
	place.change_h = 100;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_HOURS);
	assert_true(fabs(advice.change_after_months - 2) < 1e-9);
	assert_true(fabs(advice.change_after_h - 100) < 1e-9);
}

static void loading_ends_it_when_the_record_says_so(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(10, 200);
	struct advice_record record = {
		.known = true,
		.element = element,
		.life_l_low = 200,
		.life_l_mid = 300,
		.life_l_high = 400,
		.clean_share = 0.2,
	};
	struct element_advice advice;

	(void)state;
	place.supply_mean_lph = 4;
	element_advice_judge(&place, &element, &record, &advice);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_LOADING);
	assert_true(fabs(advice.change_after_h - 50) < 1e-9);   /* 200 L at 4 L/h */
	assert_true(fabs(advice.change_after_months - 6) < 1e-9); /* of 100 h a year */
	assert_int_equal(advice.verdict, ADVICE_FITS);
	/* A tenth of the year's 100 h are 40 L. */
	record.life_l_low = 41;
	element_advice_judge(&place, &element, &record, &advice);
	assert_int_equal(advice.verdict, ADVICE_FITS);
	record.life_l_low = 39;
	element_advice_judge(&place, &element, &record, &advice);
	assert_int_equal(advice.verdict, ADVICE_FITS_WITH_CARE);
}

/* An estimate may show that age or hours come first; a date of loading it never gives. */
static void an_estimate_never_dates_the_loading(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(2, 200);
	struct element_advice advice;

	(void)state;
	place.supply_lph = 100;
	place.supply_mean_lph = 100;
	place.hours_a_year = 40; /* 4000 L a year: between the estimate's ends */
	element_advice_judge(&place, &element, NULL, &advice);
	assert_true(advice.life_l_low < 4000 && advice.life_l_high > 4000);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_UNKNOWN);
	assert_true(isnan(advice.change_after_h) && advice.change_after_months == 12);
	place.hours_a_year = 4000; /* 400 000 L a year: beyond both */
	element_advice_judge(&place, &element, NULL, &advice);
	assert_true(advice.life_l_high < 400000);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_LOADING);
	assert_true(isnan(advice.change_after_h));
	place.change_h = 5; /* 500 L: before both */
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_HOURS);
	assert_true(advice.change_after_h == 5);
}

static void what_is_not_told_is_not_known(void **state)
{
	struct advice_place place = sailing_place();
	struct advice_element element = element_of(NAN, 200);
	struct element_advice advice;

	(void)state;
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_UNKNOWN);
	assert_true(isnan(advice.life_l_mid) && isnan(advice.kept_share));
	element = element_of(10, NAN);
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_UNKNOWN);
	assert_true(isnan(advice.share) && isnan(advice.life_l_mid));
	place.supply_lph = NAN;
	place.supply_mean_lph = NAN;
	element = element_of(10, 200);
	element_advice_judge(&place, &element, NULL, &advice);
	assert_int_equal(advice.verdict, ADVICE_UNKNOWN);
	assert_int_equal(advice.ends_by, ADVICE_ENDS_UNKNOWN);
	assert_true(isnan(advice.change_after_h));
	assert_true(advice.change_after_months == 12);
}

/* Every combination of place and element: the reasons fit, each has a text, a figure has a unit, a
 * rule has a source, and a doubt is among the reasons whenever the verdict is not a plain yes. */
static void every_advice_gives_its_reasons(void **state)
{
	const double microns[] = {NAN, 1, 2, 5, 10, 30, 60};
	const double flows[] = {NAN, 0.5, 4, 60, 150, 400};

	(void)state;
	for (unsigned mask = 0; mask < 3 * 2 * 3 * 2 * 2 * 2; mask++) {
		unsigned rest = mask;
		struct advice_place place = sailing_place();

		place.use = (enum boat_use)(rest % 3);
		rest /= 3;
		place.stage = (enum advice_stage)(rest % 2);
		rest /= 2;
		place.injection = (enum injection_kind)(rest % 3);
		rest /= 3;
		place.only_filter = rest % 2;
		rest /= 2;
		place.has_water_separator = rest % 2;
		rest /= 2;
		if (rest % 2) {
			place.hose_bore_mm = 6;
			place.hose_length_m = 3;
			place.upstream_micron = place.downstream_micron = 5;
		}
		for (size_t i = 0; i < 7; i++) {
			for (size_t k = 0; k < 36; k++) {
				struct advice_element element = element_of(microns[i], flows[k % 6]);
				struct element_advice advice;
				bool doubted = false;

				element.beta = k % 2 ? 75 : NAN;
				place.supply_lph = place.supply_mean_lph = flows[k / 6];
				element_advice_judge(&place, &element, NULL, &advice);
				assert_true(advice.reason_count > 0);
				for (size_t r = 0; r < advice.reason_count; r++) {
					const struct advice_reason *reason = &advice.reasons[r];

					assert_non_null(reason->text);
					assert_non_null(reason->unit);
					assert_true(isnan(reason->value) == (reason->unit[0] == '\0'));
					assert_true(reason->source || reason->against);
					doubted = doubted || reason->against;
				}
				assert_true((advice.verdict == ADVICE_FITS) == !doubted);
			}
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(two_micron_fits_a_slow_sailing_boat_until_its_age_limit),
		cmocka_unit_test(a_planing_boat_is_served_with_ten_micron),
		cmocka_unit_test(an_element_that_the_pump_outruns_does_not_fit),
		cmocka_unit_test(the_last_element_must_not_be_coarse),
		cmocka_unit_test(a_line_without_a_separator_is_told_so),
		cmocka_unit_test(the_same_element_has_the_life_of_the_record),
		cmocka_unit_test(a_larger_element_lasts_as_darcys_law_has_it),
		cmocka_unit_test(a_finer_element_costs_life_and_says_how_much),
		cmocka_unit_test(the_interval_ends_it_when_it_comes_first),
		cmocka_unit_test(loading_ends_it_when_the_record_says_so),
		cmocka_unit_test(an_estimate_never_dates_the_loading),
		cmocka_unit_test(what_is_not_told_is_not_known),
		cmocka_unit_test(every_advice_gives_its_reasons),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
