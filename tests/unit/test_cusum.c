#include <gsl/gsl_cdf.h>
#include <gsl/gsl_linalg.h>
#include <string.h>

#include "analysis/cusum.h"
#include "replay/scenario_random.h"
#include "tests/unit/near.h"

/* NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3: target 325, k 0.3175, h 4.1959. */
static void nist_example_signals_at_group_14(void **state)
{
	static const double x[] = {324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125,
		324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500,
		326.675, 327.775, 326.875, 328.350};
	static const double high[] = {0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45,
		10.63, 11.99, 14.44, 16.00, 19.04};
	static const double low[] = {
		0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0};
	const struct cusum_config config = {.slack = 0.3175, .limit = 4.1959};
	struct cusum c;

	(void)state;
	cusum_init(&c, &config);
	for (size_t i = 0; i < 20; i++) {
		enum cusum_signal signal = cusum_add(&c, &config, x[i] - 325);
		near(c.up, high[i], 0.006);
		near(c.down, low[i], 0.006);
		assert_int_equal(signal, i >= 13 ? CUSUM_UP : CUSUM_NONE);
	}
}

/* Montgomery, Introduction to Statistical Quality Control, example 9.1. */
static void montgomery_example_signals_at_29_and_estimates_the_mean(void **state)
{
	static const double x[] = {9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
		9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33,
		12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52};
	static const double high[] = {0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0,
		0, 0, 0.12, 0, 0, 0.34, 0.74, 0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30};
	const struct cusum_config config = {.slack = 0.5, .limit = 5};
	struct cusum c;

	(void)state;
	cusum_init(&c, &config);
	for (size_t i = 0; i < 30; i++) {
		enum cusum_signal signal = cusum_add(&c, &config, x[i] - 10);
		near(c.up, high[i], 0.006);
		assert_int_equal(signal, i >= 28 ? CUSUM_UP : CUSUM_NONE);
		if (i == 28) {
			assert_int_equal(c.up_count, 7);
			near(10 + cusum_shift(&c, &config), 11.25, 0.01);
		}
	}
}

/* Lucas and Crosier (1982), table 1 (h = 4), and the values commonly tabled for h = 5. */
static void run_lengths_are_the_published_ones(void **state)
{
	static const double shift[] = {0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5};
	static const double four[] = {
		168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31};
	static const double fast[] = {
		149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07, 1.01};
	static const double five[] = {
		465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01, 1.69};
	struct cusum_config config = {.slack = 0.5, .limit = 4};
	struct cusum_config head = {.slack = 0.5, .limit = 4, .head_start = 0.5};

	(void)state;
	for (size_t i = 0; i < 11; i++) {
		config.limit = 4;
		near(cusum_run_length(&config, shift[i]) / four[i], 1, 0.004);
		near(cusum_run_length(&head, shift[i]) / fast[i], 1, 0.005);
		config.limit = 5;
		near(cusum_run_length(&config, shift[i]) / five[i], 1, 0.004);
	}
	/* NIST/SEMATECH e-Handbook 6.3.2.3.1, one side, from memory: 336 and 930; the exact values
	 * are 335.37 and 930.89. */
	config.limit = 4;
	near(cusum_run_length_upper(&config, 0), 336, 1);
	config.limit = 5;
	near(cusum_run_length_upper(&config, 0), 930, 1);
	/* Brook and Evans (1972), one side: k 0.5, h 3. */
	config.limit = 3;
	near(cusum_run_length_upper(&config, 0), 117.59, 0.05);
	near(cusum_run_length_upper(&config, 1.5), 3.75, 0.005);
}

/* With a slack of 3 and no room for a sum each value is judged alone, as on a control chart of 3σ:
 * 1 / (Φ(δ - 3) + Φ(-δ - 3)), in any textbook 370.4, 155.22, 43.89, 6.30, 2.00. */
static void without_a_sum_it_is_the_control_chart_of_three_sigma(void **state)
{
	static const double shift[] = {0, 0.5, 1, 2, 3};
	static const double tabled[] = {370.4, 155.22, 43.89, 6.30, 2.00};
	const struct cusum_config config = {.slack = 3, .limit = 1e-9};

	(void)state;
	for (size_t i = 0; i < 5; i++) {
		near(cusum_run_length(&config, shift[i]) / tabled[i], 1, 0.001);
	}
}

/* The same against the GNU Scientific Library's normal tail, down to 1e-9. */
static void judging_each_value_alone_it_is_the_normal_tail_of_gsl(void **state)
{
	static const double sigmas[] = {0.5, 1, 2, 3, 4, 4.5};

	(void)state;
	for (size_t i = 0; i < sizeof(sigmas) / sizeof(sigmas[0]); i++) {
		const struct cusum_config config = {.slack = sigmas[i], .limit = 1e-9};
		for (double shift = -1.5; shift <= 3; shift += 0.5) {
			double upper = gsl_cdf_ugaussian_Q(sigmas[i] - shift);
			double lower = gsl_cdf_ugaussian_Q(sigmas[i] + shift);
			near(cusum_run_length_upper(&config, shift) * upper, 1, 1e-6);
			near(cusum_run_length(&config, shift) * (upper + lower), 1, 1e-6);
		}
	}
}

/* Brook and Evans (1972): the sum as a Markov chain of so many states, each 2h / (2 states - 1)
 * wide but the lowest, which takes all below half of that. Returns the run length from state from.
 */
static double chain_run_length(double slack, double limit, double shift, size_t states, size_t from)
{
	double width = 2 * limit / (2 * (double)states - 1);
	gsl_matrix *leaves = gsl_matrix_alloc(states, states);
	gsl_permutation *order = gsl_permutation_alloc(states);
	gsl_vector *ones = gsl_vector_alloc(states);
	gsl_vector *lengths = gsl_vector_alloc(states);
	int sign;

	for (size_t i = 0; i < states; i++) {
		for (size_t j = 0; j < states; j++) {
			double middle = ((double)j - (double)i) * width + slack - shift;
			double below = j == 0 ? 0 : gsl_cdf_ugaussian_P(middle - width / 2);
			double chance = gsl_cdf_ugaussian_P(middle + width / 2) - below;
			gsl_matrix_set(leaves, i, j, (i == j ? 1 : 0) - chance);
		}
	}
	gsl_vector_set_all(ones, 1);
	assert_int_equal(gsl_linalg_LU_decomp(leaves, order, &sign), 0);
	assert_int_equal(gsl_linalg_LU_solve(leaves, order, ones, lengths), 0);
	double length = gsl_vector_get(lengths, from);
	gsl_vector_free(lengths);
	gsl_vector_free(ones);
	gsl_permutation_free(order);
	gsl_matrix_free(leaves);
	return length;
}

/* The chain errs by the square of its states' width, so that two chains, one three times as fine,
 * tell the limit. Their states share the head start: 41 of the coarse ones are
 * 123 of the fine ones. */
static void a_markov_chain_solved_by_gsl_runs_as_long(void **state)
{
	static const struct {
		double slack;
		double limit;
	} charts[] = {{0.25, 8}, {0.5, 3}, {0.5, 4}, {0.5, 5}, {1, 2.5}, {1.5, 1.61}};
	static const double shifts[] = {-0.5, 0, 0.5, 1, 2, 3};

	(void)state;
	for (size_t i = 0; i < sizeof(charts) / sizeof(charts[0]); i++) {
		for (size_t j = 0; j < sizeof(shifts) / sizeof(shifts[0]); j++) {
			for (size_t from = 0; from <= 41; from += 41) {
				const struct cusum_config config = {.slack = charts[i].slack,
					.limit = charts[i].limit,
					.head_start = 2 * (double)from / 165};
				double coarse = chain_run_length(
					config.slack, config.limit, shifts[j], 83, from);
				double fine = chain_run_length(
					config.slack, config.limit, shifts[j], 248, 3 * from);
				double length = (9 * fine - coarse) / 8;
				near(cusum_run_length_upper(&config, shifts[j]) / length, 1, 1e-5);
			}
		}
	}
}

/* A statistics manual prints 4.1500836225 for k 0.25, h 8, shift 2.5; a separate solution by
 * Simpson's rule on 400 intervals gives 4.1500837256. */
static void the_integral_equation_agrees_to_seven_digits(void **state)
{
	const struct cusum_config config = {.slack = 0.25, .limit = 8};

	(void)state;
	near(cusum_run_length_upper(&config, 2.5), 4.1500836225, 2e-7);
	near(cusum_run_length_upper(&config, 2.5), 4.1500837256, 1e-9);
}

/* Siegmund: within 1 % of the commonly tabled 168 and 465, and at one deviation. */
static void siegmund_is_close(void **state)
{
	(void)state;
	near(cusum_run_length_siegmund(0.5, 4, 0), 169.05, 0.05);
	near(cusum_run_length_siegmund(0.5, 5, 0), 469.11, 0.05);
	near(cusum_run_length_siegmund(0.5, 4, 1), 8.34, 0.01);
	near(cusum_run_length_siegmund(0.5, 5, 1), 10.34, 0.01);
}

/* Limits for a run length of 370, published with a statistics package. */
static void limits_come_back_from_run_lengths(void **state)
{
	static const double slack[] = {0.25, 0.5, 0.75, 1, 1.25, 1.5};
	static const double limit[] = {8.01, 4.77, 3.34, 2.52, 1.99, 1.61};

	(void)state;
	for (size_t i = 0; i < 6; i++) {
		near(cusum_limit(slack[i], 370), limit[i], 0.011);
	}
}

/* The tables hold for what cusum_add does: 4,000 simulated runs, one deviation of their mean is 1.6
 * %. */
static void simulated_run_lengths_agree(void **state)
{
	const struct cusum_config config = {.slack = 0.5, .limit = 4};
	struct scenario_random random;

	(void)state;
	scenario_random_init(&random, 42, 0);
	double total = 0;
	for (int run = 0; run < 4000; run++) {
		struct cusum c;
		cusum_init(&c, &config);
		do {
			total++;
		} while (cusum_add(&c, &config, scenario_random_normal(&random)) == CUSUM_NONE);
	}
	near(total / 4000 / 167.684, 1, 0.06);
}

static void a_resumed_sum_goes_on_bit_for_bit(void **state)
{
	const struct cusum_config config = {.slack = 0.5, .limit = 4, .head_start = 0.5};
	struct scenario_random random;
	struct cusum whole;
	struct cusum resumed;

	(void)state;
	scenario_random_init(&random, 1, 0);
	cusum_init(&whole, &config);
	cusum_init(&resumed, &config);
	for (int i = 0; i < 500; i++) {
		uint8_t bytes[32];
		struct state_writer w;
		struct state_reader r;
		double x = scenario_random_normal(&random);
		assert_int_equal(cusum_add(&whole, &config, x), cusum_add(&resumed, &config, x));
		state_writer_init(&w, bytes, sizeof(bytes));
		cusum_save(&resumed, &w);
		assert_false(w.failed);
		memset(&resumed, 0, sizeof(resumed));
		state_reader_init(&r, bytes, w.used);
		cusum_load(&resumed, &r);
		assert_false(r.failed);
		assert_memory_equal(&whole, &resumed, sizeof(whole));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(nist_example_signals_at_group_14),
		cmocka_unit_test(montgomery_example_signals_at_29_and_estimates_the_mean),
		cmocka_unit_test(run_lengths_are_the_published_ones),
		cmocka_unit_test(without_a_sum_it_is_the_control_chart_of_three_sigma),
		cmocka_unit_test(judging_each_value_alone_it_is_the_normal_tail_of_gsl),
		cmocka_unit_test(a_markov_chain_solved_by_gsl_runs_as_long),
		cmocka_unit_test(the_integral_equation_agrees_to_seven_digits),
		cmocka_unit_test(siegmund_is_close),
		cmocka_unit_test(limits_come_back_from_run_lengths),
		cmocka_unit_test(simulated_run_lengths_agree),
		cmocka_unit_test(a_resumed_sum_goes_on_bit_for_bit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
