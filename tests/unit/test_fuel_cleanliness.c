#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "analysis/fuel_cleanliness.h"

/* The Worldwide Fuel Charter's code for diesel fuel (from memory). */
static const struct cleanliness_code charter = {18, 16, 13};

/* ISO 4406, as reprinted in a filter maker's catalogue and in a trade magazine: code 7 is more than
 * 0.64 up to 1.3 particles/ml, 13 is 40–80, 14 is 80–160, 17 is 640–1300, 28 is 1.3–2.5 million. */
static void codes_have_their_published_counts(void **state)
{
	(void)state;
	assert_true(cleanliness_count_max(7) == 1.3 && cleanliness_count_max(6) == 0.64);
	assert_true(cleanliness_count_max(13) == 80 && cleanliness_count_max(12) == 40);
	assert_true(cleanliness_count_max(14) == 160);
	assert_true(cleanliness_count_max(17) == 1300 && cleanliness_count_max(16) == 640);
	assert_true(cleanliness_count_max(28) == 2.5e6 && cleanliness_count_max(27) == 1.3e6);
}

static void each_code_is_about_twice_the_one_before(void **state)
{
	(void)state;
	for (unsigned code = 1; code <= CLEANLINESS_CODE_MAX; code++) {
		double ratio = cleanliness_count_max(code) / cleanliness_count_max(code - 1);

		assert_true(ratio > 1.9 && ratio < 2.1);
	}
}

/* ISO 16889: (β − 1)/β. β75 is 98.7 % in a published hydraulics glossary, β10 is 90 %. */
static void beta_gives_its_published_efficiency(void **state)
{
	const double published[][2] = {{2, 50}, {10, 90}, {20, 95}, {50, 98}, {75, 98.667}, {100, 99},
		{200, 99.5}, {1000, 99.9}, {2000, 99.95}};

	(void)state;
	for (size_t i = 0; i < sizeof(published) / sizeof(published[0]); i++) {
		assert_true(
			fabs(cleanliness_efficiency(published[i][0]) * 100 - published[i][1]) < 5e-4);
	}
	assert_true(cleanliness_efficiency(1) == 0 && cleanliness_efficiency(0.5) == 0);
}

/* Volume between two sizes of a distribution N(> d) = n (d/d0)^-s, by its antiderivative. */
static double closed_um3(double n, double d0, double s, double from, double to)
{
	return 3.14159265358979 / 6 * n * pow(d0, s) * s * (pow(to, 3 - s) - pow(from, 3 - s)) /
		(3 - s);
}

static void the_mass_is_that_of_the_closed_form(void **state)
{
	struct cleanliness_catch all;
	double fine = log(2500.0 / 640.0) / log(6.0 / 4.0);
	double coarse = log(640.0 / 80.0) / log(14.0 / 6.0);
	double um3 = closed_um3(640, 6, fine, 1, 6) + closed_um3(640, 6, coarse, 6, 40);

	(void)state;
	assert_true(cleanliness_catch(&charter, 2, 1000, &all));
	assert_true(fabs(all.solids_mgl / (um3 * 1e-6 * 2.65) - 1) < 2e-3);
	/* Some mg/L: a fraction of EN 590's limit of 24 mg/kg, as a clean fuel has. */
	assert_true(all.solids_mgl > 1 && all.solids_mgl < 5);
}

static void a_finer_or_better_medium_keeps_more(void **state)
{
	struct cleanliness_catch before = {0};

	(void)state;
	for (double rating = 50; rating >= 1; rating /= 1.3) {
		struct cleanliness_catch now;

		assert_true(cleanliness_catch(&charter, rating, 75, &now));
		assert_true(now.kept_share > before.kept_share && now.kept_share <= 1);
		assert_true(now.kept_surface > before.kept_surface);
		before = now;
	}
	before.kept_share = 0;
	for (double beta = 1.5; beta < 2000; beta *= 2) {
		struct cleanliness_catch now;

		assert_true(cleanliness_catch(&charter, 10, beta, &now));
		assert_true(now.kept_share > before.kept_share);
		before = now;
	}
}

static void beta_is_the_told_one_at_the_rating(void **state)
{
	(void)state;
	assert_true(fabs(cleanliness_beta_at(10, 10, 200) - 200) < 1e-9);
	assert_true(cleanliness_beta_at(5, 10, 200) < 200 && cleanliness_beta_at(5, 10, 200) > 1);
	assert_true(cleanliness_beta_at(10, 10, 1) == 1);
}

static void what_is_no_code_or_rating_is_refused(void **state)
{
	struct cleanliness_code rising = {13, 16, 18};
	struct cleanliness_code off_scale = {29, 16, 13};
	struct cleanliness_catch kept = {.solids_mgl = -1};

	(void)state;
	assert_false(cleanliness_catch(&rising, 10, 75, &kept));
	assert_false(cleanliness_catch(&off_scale, 10, 75, &kept));
	assert_false(cleanliness_catch(&charter, NAN, 75, &kept));
	assert_false(cleanliness_catch(&charter, 0, 75, &kept));
	assert_false(cleanliness_catch(&charter, 10, 0.5, &kept));
	assert_false(cleanliness_catch(&charter, 10, NAN, &kept));
	assert_true(kept.solids_mgl == -1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(codes_have_their_published_counts),
		cmocka_unit_test(each_code_is_about_twice_the_one_before),
		cmocka_unit_test(beta_gives_its_published_efficiency),
		cmocka_unit_test(the_mass_is_that_of_the_closed_form),
		cmocka_unit_test(a_finer_or_better_medium_keeps_more),
		cmocka_unit_test(beta_is_the_told_one_at_the_rating),
		cmocka_unit_test(what_is_no_code_or_rating_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
