#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/drawing.h"

static char *drawn;
static size_t drawn_size;

static FILE *begin_drawing(void)
{
	free(drawn);
	drawn = NULL;
	FILE *out = open_memstream(&drawn, &drawn_size);
	assert_non_null(out);
	return out;
}

static const char *end_drawing(FILE *out)
{
	assert_int_equal(fclose(out), 0);
	return drawn;
}

static int forget(void **state)
{
	(void)state;
	free(drawn);
	drawn = NULL;
	return 0;
}

static void text_cannot_become_markup(void **state)
{
	FILE *out = begin_drawing();

	(void)state;
	drawing_text(out, "<a href=\"x\">'&'</a>");
	assert_string_equal(end_drawing(out),
		"&lt;a href=&quot;x&quot;&gt;&#39;&amp;&#39;&lt;/a&gt;");
	struct filter_picture picture = {.name = "<script>", .words = "\"><script>", .used_pct = NAN,
		.left_h_p10 = NAN, .left_h_p50 = NAN, .left_h_p90 = NAN};
	out = begin_drawing();
	filter_picture_draw(&picture, out);
	assert_null(strstr(end_drawing(out), "<script"));
}

static void a_filter_of_which_nothing_is_known_shows_no_load(void **state)
{
	struct filter_picture picture = {.name = "primary", .words = "nothing", .used_pct = NAN,
		.left_h_p10 = NAN, .left_h_p50 = NAN, .left_h_p90 = NAN};
	FILE *out = begin_drawing();

	(void)state;
	filter_picture_draw(&picture, out);
	(void)end_drawing(out);
	assert_non_null(strstr(drawn, ">?</text>"));
	assert_null(strstr(drawn, "class=\"load\""));
	assert_null(strstr(drawn, "nan"));
	assert_non_null(strstr(drawn, "no forecast"));
}

/* The top of the load in the bowl, in the drawing's units. */
static double load_top(double used_pct)
{
	struct filter_picture picture = {.name = "primary", .words = "", .used_pct = used_pct,
		.basis = FILTER_MEASURED, .left_h_p10 = 20, .left_h_p50 = 40, .left_h_p90 = 80};
	FILE *out = begin_drawing();
	double x, y;

	filter_picture_draw(&picture, out);
	const char *at = strstr(end_drawing(out), "class=\"load\" d=\"M");
	assert_non_null(at);
	assert_int_equal(sscanf(at, "class=\"load\" d=\"M%lf %lf", &x, &y), 2);
	return y;
}

static void the_load_stands_as_high_as_its_share_of_the_limit(void **state)
{
	double empty = load_top(0), half = load_top(50), full = load_top(100);

	(void)state;
	assert_true(empty > half && half > full);
	assert_true(fabs((empty - half) - (half - full)) < 0.2);
	/* Beyond the limit the bowl is full, and the figure says by how much. */
	assert_true(load_top(140) == full);
	assert_non_null(strstr(drawn, "140 %"));
	assert_non_null(strstr(drawn, "class=\"range\""));
	assert_non_null(strstr(drawn, "class=\"range-middle\""));
}

static void the_basis_shows_without_colour(void **state)
{
	static const struct {
		enum filter_basis basis;
		const char *class;
	} cases[] = {{FILTER_MEASURED, "class=\"glass\""}, {FILTER_COUNTED, "glass counted"},
		{FILTER_ESTIMATED, "glass estimated"}};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct filter_picture picture = {.name = "x", .words = "", .used_pct = 10,
			.basis = cases[i].basis, .left_h_p10 = NAN, .left_h_p50 = NAN,
			.left_h_p90 = NAN};
		FILE *out = begin_drawing();
		filter_picture_draw(&picture, out);
		assert_non_null(strstr(end_drawing(out), cases[i].class));
	}
}

static void a_chart_of_nothing_says_so(void **state)
{
	const double x[] = {1, 2}, y[] = {NAN, NAN};
	struct chart chart;
	FILE *out = begin_drawing();

	(void)state;
	chart_init(&chart, "Empty");
	chart.series_count = 1;
	chart.series[0] = (struct chart_series){"a", "line-a", CHART_LINE, 2, x, y, NULL};
	chart_draw(&chart, out);
	assert_non_null(strstr(end_drawing(out), "Nothing was logged here."));
	assert_null(strstr(drawn, "nan"));
}

static void a_line_breaks_where_numbers_are_missing_or_far_apart(void **state)
{
	const double x[] = {0, 1, 2, 3, 10, 11}, y[] = {1, 2, NAN, 4, 5, 6};
	struct chart chart;
	FILE *out = begin_drawing();
	int pieces = 0;

	(void)state;
	chart_init(&chart, "Broken");
	chart.break_after = 2;
	chart.series_count = 1;
	chart.series[0] = (struct chart_series){"a", "line-a", CHART_LINE, 6, x, y, NULL};
	chart_draw(&chart, out);
	const char *at = strstr(end_drawing(out), "class=\"line-a\" d=\"");
	assert_non_null(at);
	for (at += strlen("class=\"line-a\" d=\""); *at != '"'; at++) {
		pieces += *at == 'M';
	}
	assert_int_equal(pieces, 3);
}

static void equal_and_single_numbers_can_be_drawn(void **state)
{
	const double x[] = {5}, y[] = {0};
	struct chart chart;
	FILE *out = begin_drawing();

	(void)state;
	chart_init(&chart, "One");
	chart.y_from_zero = true;
	chart.series_count = 1;
	chart.series[0] = (struct chart_series){"a", "line-a", CHART_LINE, 1, x, y, NULL};
	chart_draw(&chart, out);
	assert_null(strstr(end_drawing(out), "nan"));
	assert_null(strstr(drawn, "inf"));
}

static void a_track_keeps_its_shape_and_north_up(void **state)
{
	/* From south-west to north-east at 60° north, where a degree of longitude is half as long. */
	const double latitude[] = {60, 60.5}, longitude[] = {10, 11};
	struct track track = {.title = "Track", .count = 2, .latitude_deg = latitude,
		.longitude_deg = longitude, .width = 320, .height = 260};
	FILE *out = begin_drawing();
	double x1, y1, x2, y2;

	(void)state;
	track_draw(&track, out);
	const char *at = strstr(end_drawing(out), "class=\"line-a\" d=\"M");
	assert_non_null(at);
	assert_int_equal(sscanf(at, "class=\"line-a\" d=\"M%lf %lfL%lf %lf", &x1, &y1, &x2, &y2), 4);
	assert_true(x2 > x1 && y2 < y1);
	assert_true(fabs((x2 - x1) / (y1 - y2) - 1) < 0.02);
	track.count = 0;
	out = begin_drawing();
	track_draw(&track, out);
	assert_non_null(strstr(end_drawing(out), "No position was logged."));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(text_cannot_become_markup),
		cmocka_unit_test(a_filter_of_which_nothing_is_known_shows_no_load),
		cmocka_unit_test(the_load_stands_as_high_as_its_share_of_the_limit),
		cmocka_unit_test(the_basis_shows_without_colour),
		cmocka_unit_test(a_chart_of_nothing_says_so),
		cmocka_unit_test(a_line_breaks_where_numbers_are_missing_or_far_apart),
		cmocka_unit_test(equal_and_single_numbers_can_be_drawn),
		cmocka_unit_test(a_track_keeps_its_shape_and_north_up),
	};

	return cmocka_run_group_tests(tests, NULL, forget);
}
