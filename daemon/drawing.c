#include "daemon/drawing.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>
#include <time.h>

#define LEFT   58.0 /* room for the heights' numbers */
#define RIGHT  14.0
#define TOP    26.0 /* room for the key's first line */
#define KEY_LINE 18.0
#define KEY_LEFT 4.0
#define BOTTOM 40.0

void drawing_text(FILE *out, const char *text)
{
	for (const char *at = text == NULL ? "" : text; *at != '\0'; at++) {
		switch (*at) {
		case '&':
			(void)fputs("&amp;", out);
			break;
		case '<':
			(void)fputs("&lt;", out);
			break;
		case '>':
			(void)fputs("&gt;", out);
			break;
		case '"':
			(void)fputs("&quot;", out);
			break;
		case '\'':
			(void)fputs("&#39;", out);
			break;
		default:
			(void)fputc(*at, out);
			break;
		}
	}
}

/* Rough width of a text in the key's size. */
static double key_width(const char *text)
{
	return 7.0 * (double)strlen(text) + 40;
}

/* Where the name of a series stands in the key: the line, counted from the top, and where it begins.
 * All of them stand in the first line, at the right, or in lines below the heights' name. */
static size_t key_place(const struct chart *chart, size_t series, double *ret_x)
{
	double width = 0, at = KEY_LEFT;
	size_t line = 1;

	for (size_t s = 0; s < chart->series_count; s++) {
		width += chart->series[s].name == NULL ? 0 : key_width(chart->series[s].name);
	}
	if (width <= chart->width - RIGHT - LEFT - 40) {
		at = chart->width - RIGHT - width;
		line = 0;
	}
	for (size_t s = 0; s < series; s++) {
		if (chart->series[s].name == NULL) {
			continue;
		}
		at += key_width(chart->series[s].name);
		/* The next one's place: in a new line where it does not fit. */
		for (size_t next = s + 1; line > 0 && next <= series; next++) {
			if (chart->series[next].name != NULL) {
				if (at + key_width(chart->series[next].name) > chart->width) {
					at = KEY_LEFT;
					line++;
				}
				break;
			}
		}
	}
	*ret_x = at;
	return line;
}

/* Where the chart's area begins, below the key. */
static double top_of(const struct chart *chart)
{
	size_t lines = 0;

	for (size_t s = 0; s < chart->series_count; s++) {
		double x;
		size_t line = chart->series[s].name == NULL ? 0 : key_place(chart, s, &x);
		lines = line > lines ? line : lines;
	}
	return TOP + KEY_LINE * (double)lines;
}

static void begin_picture(FILE *out, const char *class, double width, double height,
	const char *title, const char *description)
{
	(void)fprintf(out,
		"<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"drawing %s\" viewBox=\"0 0 %g %g\" "
		"role=\"img\" aria-label=\"",
		class, width, height);
	drawing_text(out, title);
	if (description != NULL) {
		(void)fputs(": ", out);
		drawing_text(out, description);
	}
	(void)fputs("\"><title>", out);
	drawing_text(out, title);
	(void)fputs("</title>", out);
	if (description != NULL) {
		(void)fputs("<desc>", out);
		drawing_text(out, description);
		(void)fputs("</desc>", out);
	}
}

static void put_label(FILE *out, const char *class, double x, double y, const char *anchor,
	const char *text)
{
	(void)fprintf(out, "<text class=\"%s\" x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\">", class, x, y,
		anchor);
	drawing_text(out, text);
	(void)fputs("</text>", out);
}

/* ---- a chart ---- */

void chart_init(struct chart *chart, const char *title)
{
	*chart = (struct chart){
		.title = title,
		.width = 640,
		.height = 260,
		.x_least = NAN,
		.x_most = NAN,
		.y_least = NAN,
		.y_most = NAN,
		.break_after = NAN,
	};
}

struct range {
	double least, most;
};

static void widen(struct range *range, double value)
{
	if (isfinite(value)) {
		range->least = isnan(range->least) || value < range->least ? value : range->least;
		range->most = isnan(range->most) || value > range->most ? value : range->most;
	}
}

static void ranges_of(const struct chart *chart, struct range *x, struct range *y)
{
	*x = (struct range){NAN, NAN};
	*y = (struct range){NAN, NAN};
	for (size_t s = 0; s < chart->series_count; s++) {
		const struct chart_series *series = &chart->series[s];
		for (size_t i = 0; i < series->count; i++) {
			if (!isnan(series->y[i])) {
				widen(x, series->x[i]);
				widen(y, series->y[i]);
			}
			if (series->shape == CHART_BAND) {
				widen(y, series->y2[i]);
			}
		}
	}
	if (isnan(y->least)) {
		return;
	}
	for (size_t m = 0; m < chart->mark_count; m++) {
		widen(y, chart->marks[m].y);
	}
	if (chart->y_from_zero) {
		widen(y, 0);
	}
	x->least = isnan(chart->x_least) ? x->least : chart->x_least;
	x->most = isnan(chart->x_most) ? x->most : chart->x_most;
	y->least = isnan(chart->y_least) ? y->least : chart->y_least;
	y->most = isnan(chart->y_most) ? y->most : chart->y_most;
	if (x->most <= x->least) {
		x->most = x->least + 1;
	}
	if (y->most <= y->least) {
		y->most = y->least + 1;
	}
}

/* The step between marked numbers: 1, 2 or 5 × a power of ten, about wanted of them. */
static double nice_step(double span, double wanted)
{
	double rough = span / wanted;
	double power = pow(10, floor(log10(rough)));
	double share = rough / power;

	return power * (share <= 1 ? 1 : share <= 2 ? 2 : share <= 5 ? 5 : 10);
}

static void number_text(double value, double step, char *out, size_t size)
{
	int decimals = step >= 1 ? 0 : (int)ceil(-log10(step) - 1e-9);

	(void)snprintf(out, size, "%.*f", decimals, fabs(value) < step * 1e-9 ? 0.0 : value);
}

static double time_step(double span)
{
	static const double steps[] = {60, 300, 600, 1800, 3600, 7200, 10800, 21600, 43200, 86400,
		2 * 86400.0, 7 * 86400.0, 14 * 86400.0, 30 * 86400.0, 91 * 86400.0, 365 * 86400.0};
	const size_t count = sizeof(steps) / sizeof(steps[0]);

	for (size_t i = 0; i < count; i++) {
		if (span / steps[i] <= 6) {
			return steps[i];
		}
	}
	return steps[count - 1] * ceil(span / steps[count - 1] / 6);
}

static void time_text(double seconds, double step, char *out, size_t size)
{
	time_t at = (time_t)seconds;
	struct tm utc;

	out[0] = '\0';
	if (gmtime_r(&at, &utc) != NULL) {
		(void)strftime(out, size, step >= 86400 ? "%e %b %Y" : step >= 43200 ? "%e %b %H:%M"
										 : "%H:%M", &utc);
	}
}

static void draw_axes(const struct chart *chart, const struct range *x, const struct range *y,
	FILE *out)
{
	double top = top_of(chart);
	double width = chart->width - LEFT - RIGHT, height = chart->height - top - BOTTOM;
	double step = nice_step(y->most - y->least, 5);
	char text[64];

	for (double at = ceil(y->least / step) * step; at <= y->most + step * 1e-6; at += step) {
		double place = top + height * (1 - (at - y->least) / (y->most - y->least));
		(void)fprintf(out, "<path class=\"grid\" d=\"M%.1f %.1fh%.1f\"/>", LEFT, place, width);
		number_text(at, step, text, sizeof(text));
		put_label(out, "number", LEFT - 6, place + 4, "end", text);
	}
	step = chart->x_scale == CHART_TIME ? time_step(x->most - x->least)
					    : nice_step(x->most - x->least, 6);
	for (double at = ceil(x->least / step) * step; at <= x->most + step * 1e-6; at += step) {
		double place = LEFT + width * (at - x->least) / (x->most - x->least);
		(void)fprintf(out, "<path class=\"grid\" d=\"M%.1f %.1fv5\"/>", place, top + height);
		if (chart->x_scale == CHART_TIME) {
			time_text(at, step, text, sizeof(text));
		} else {
			number_text(at, step, text, sizeof(text));
		}
		put_label(out, "number", place, top + height + 18, "middle", text);
	}
	(void)fprintf(out, "<path class=\"axis\" d=\"M%.1f %.1fv%.1fh%.1f\"/>", LEFT, top, height,
		width);
	put_label(out, "name", LEFT + width / 2, chart->height - 6, "middle", chart->x_name);
	put_label(out, "name", 4, 14, "start", chart->y_name);
}

struct placing {
	double top; /* of the area */
	const struct chart *chart;
	struct range x, y;
};

static double place_x(const struct placing *placing, double x)
{
	double width = placing->chart->width - LEFT - RIGHT;

	return LEFT + width * (x - placing->x.least) / (placing->x.most - placing->x.least);
}

/* Kept inside the picture, so that one wild number does not draw over its surroundings. */
static double place_y(const struct placing *placing, double y)
{
	double height = placing->chart->height - placing->top - BOTTOM;
	double share = (y - placing->y.least) / (placing->y.most - placing->y.least);

	share = share < 0 ? 0 : share > 1 ? 1 : share;
	return placing->top + height * (1 - share);
}

static bool is_inside(const struct placing *placing, double x)
{
	return x >= placing->x.least && x <= placing->x.most;
}

static void draw_line(const struct placing *placing, const struct chart_series *series, FILE *out)
{
	bool down = false;

	(void)fprintf(out, "<path class=\"%s%s\" d=\"", series->class,
		series->shape == CHART_DASHED ? " dashed" : "");
	for (size_t i = 0; i < series->count; i++) {
		if (isnan(series->y[i]) || !is_inside(placing, series->x[i])) {
			down = false;
			continue;
		}
		if (i > 0 && series->x[i] - series->x[i - 1] > placing->chart->break_after) {
			down = false;
		}
		(void)fprintf(out, "%c%.1f %.1f", down ? 'L' : 'M', place_x(placing, series->x[i]),
			place_y(placing, series->y[i]));
		/* A point alone still shows: a round cap on a line of no length. */
		if (!down) {
			(void)fputs("h0", out);
		}
		down = true;
	}
	(void)fputs("\"/>", out);
}

static void draw_band(const struct placing *placing, const struct chart_series *series, FILE *out)
{
	size_t first = 0;

	(void)fprintf(out, "<path class=\"%s\" d=\"", series->class);
	while (first < series->count) {
		size_t last = first;
		if (isnan(series->y[first]) || isnan(series->y2[first]) ||
			!is_inside(placing, series->x[first])) {
			first++;
			continue;
		}
		while (last + 1 < series->count && !isnan(series->y[last + 1]) &&
			!isnan(series->y2[last + 1]) && is_inside(placing, series->x[last + 1]) &&
			!(series->x[last + 1] - series->x[last] > placing->chart->break_after)) {
			last++;
		}
		for (size_t i = first; i <= last; i++) {
			(void)fprintf(out, "%c%.1f %.1f", i == first ? 'M' : 'L',
				place_x(placing, series->x[i]), place_y(placing, series->y[i]));
		}
		for (size_t i = last + 1; i > first; i--) {
			(void)fprintf(out, "L%.1f %.1f", place_x(placing, series->x[i - 1]),
				place_y(placing, series->y2[i - 1]));
		}
		(void)fputc('z', out);
		first = last + 1;
	}
	(void)fputs("\"/>", out);
}

static void draw_points(const struct placing *placing, const struct chart_series *series, FILE *out)
{
	(void)fprintf(out, "<path class=\"%s points\" d=\"", series->class);
	for (size_t i = 0; i < series->count; i++) {
		if (!isnan(series->y[i]) && is_inside(placing, series->x[i])) {
			(void)fprintf(out, "M%.1f %.1fh0", place_x(placing, series->x[i]),
				place_y(placing, series->y[i]));
		}
	}
	(void)fputs("\"/>", out);
}

static void draw_key(const struct chart *chart, FILE *out)
{
	for (size_t s = 0; s < chart->series_count; s++) {
		const struct chart_series *series = &chart->series[s];
		double at, y;
		if (series->name == NULL) {
			continue;
		}
		y = KEY_LINE * (double)key_place(chart, s, &at);
		if (series->shape == CHART_BAND) {
			(void)fprintf(out, "<path class=\"%s\" d=\"M%.1f %.1fh22v9h-22z\"/>",
				series->class, at, y + 6);
		} else if (series->shape == CHART_POINTS) {
			(void)fprintf(out, "<path class=\"%s points\" d=\"M%.1f %.1fh0m9 0h0m9 0h0\"/>",
				series->class, at + 2, y + 10);
		} else {
			(void)fprintf(out, "<path class=\"%s%s\" d=\"M%.1f %.1fh22\"/>", series->class,
				series->shape == CHART_DASHED ? " dashed" : "", at, y + 10);
		}
		put_label(out, "number", at + 27, y + 14, "start", series->name);
	}
}

void chart_draw(const struct chart *chart, FILE *out)
{
	struct placing placing = {.chart = chart, .top = top_of(chart)};

	begin_picture(out, "chart", chart->width, chart->height, chart->title, chart->description);
	ranges_of(chart, &placing.x, &placing.y);
	if (isnan(placing.x.least) || isnan(placing.y.least)) {
		put_label(out, "name", chart->width / 2, chart->height / 2, "middle",
			"Nothing was logged here.");
		(void)fputs("</svg>\n", out);
		return;
	}
	draw_axes(chart, &placing.x, &placing.y, out);
	for (size_t s = 0; s < chart->series_count; s++) {
		switch (chart->series[s].shape) {
		case CHART_LINE:
		case CHART_DASHED:
			draw_line(&placing, &chart->series[s], out);
			break;
		case CHART_POINTS:
			draw_points(&placing, &chart->series[s], out);
			break;
		case CHART_BAND:
			draw_band(&placing, &chart->series[s], out);
			break;
		}
	}
	for (size_t m = 0; m < chart->mark_count; m++) {
		double at = place_y(&placing, chart->marks[m].y);
		(void)fprintf(out, "<path class=\"mark\" d=\"M%.1f %.1fh%.1f\"/>", LEFT, at,
			chart->width - LEFT - RIGHT);
		put_label(out, "mark-name", LEFT + 4, at + 13, "start",
			chart->marks[m].name);
	}
	draw_key(chart, out);
	(void)fputs("</svg>\n", out);
}

/* ---- a filter ---- */

#define BOWL_LEFT   40.0
#define BOWL_WIDTH  80.0
#define BOWL_TOP    46.0
#define BOWL_BOTTOM 176.0
#define RULER_LEFT  16.0
#define RULER_WIDTH 168.0
#define RULER_Y     212.0

/* The inside of the bowl at a height: it narrows towards its bottom. */
static double bowl_half_width(double y)
{
	double share = (y - BOWL_TOP) / (BOWL_BOTTOM - BOWL_TOP);

	return BOWL_WIDTH / 2 * (share < 0.6 ? 1 : sqrt(1 - (share - 0.6) * (share - 0.6) / 0.1995));
}

static void draw_bowl_outline(enum filter_basis basis, double middle, FILE *out)
{
	static const char *const classes[] = {
		[FILTER_UNKNOWN] = "glass not-known",
		[FILTER_MEASURED] = "glass",
		[FILTER_COUNTED] = "glass counted",
		[FILTER_ESTIMATED] = "glass estimated",
	};

	/* The head with the line's two ends, then the glass. */
	(void)fprintf(out, "<path class=\"pipe\" d=\"M2 34H%.1fM%.1f 34H198\"/>",
		middle - BOWL_WIDTH / 2 - 8, middle + BOWL_WIDTH / 2 + 8);
	(void)fprintf(out, "<path class=\"head\" d=\"M%.1f 24h%.1fv22h%.1fz\"/>",
		middle - BOWL_WIDTH / 2 - 8, BOWL_WIDTH + 16, -BOWL_WIDTH - 16);
	(void)fprintf(out, "<path class=\"%s\" d=\"M%.1f %.1f", classes[basis],
		middle - BOWL_WIDTH / 2, BOWL_TOP);
	for (int side = -1; side <= 1; side += 2) {
		for (int i = 0; i <= 32; i++) {
			double y = BOWL_TOP + (BOWL_BOTTOM - BOWL_TOP) * (side < 0 ? i : 32 - i) / 32;
			(void)fprintf(out, "L%.1f %.1f", middle + side * bowl_half_width(y), y);
		}
	}
	(void)fputs("\"/>", out);
}

static void draw_load(double used_pct, double middle, FILE *out)
{
	double share = used_pct < 0 ? 0 : used_pct > 100 ? 1 : used_pct / 100;
	double limit = BOWL_TOP + 14, level = BOWL_BOTTOM - (BOWL_BOTTOM - limit) * share;

	(void)fputs("<path class=\"load\" d=\"", out);
	for (int side = -1; side <= 1; side += 2) {
		for (int i = 0; i <= 24; i++) {
			double down = (side < 0 ? i : 24 - i) / 24.0;
			double y = level + (BOWL_BOTTOM - level) * down;
			(void)fprintf(out, "%c%.1f %.1f", side < 0 && i == 0 ? 'M' : 'L',
				middle + side * bowl_half_width(y), y);
		}
	}
	(void)fputs("z\"/>", out);
	(void)fprintf(out, "<path class=\"mark\" d=\"M%.1f %.1fh%.1f\"/>", middle - BOWL_WIDTH / 2 - 6,
		limit, BOWL_WIDTH + 12);
	put_label(out, "mark-name", middle + BOWL_WIDTH / 2 + 10, limit + 4, "start", "limit");
}

/* A ruler of the hours left: a bar from the early to the late end, a stroke at the middle. */
static void draw_ruler(const struct filter_picture *picture, FILE *out)
{
	bool ranged = !isnan(picture->left_h_p10) && !isnan(picture->left_h_p90);
	double most = (ranged ? picture->left_h_p90 : picture->left_h_p50) * 1.1, step;
	char text[64];

	most = most > 1 ? most : 1;
	step = nice_step(most, 4);
	(void)fprintf(out, "<path class=\"axis\" d=\"M%.1f %.1fh%.1f\"/>", RULER_LEFT, RULER_Y,
		RULER_WIDTH);
	for (double at = 0; at <= most + step * 1e-6; at += step) {
		double x = RULER_LEFT + RULER_WIDTH * at / most;
		(void)fprintf(out, "<path class=\"axis\" d=\"M%.1f %.1fv5\"/>", x, RULER_Y);
		number_text(at, step, text, sizeof(text));
		put_label(out, "number", x, RULER_Y + 18, "middle", text);
	}
	double middle = RULER_LEFT + RULER_WIDTH * picture->left_h_p50 / most;
	if (ranged) {
		double first = RULER_LEFT + RULER_WIDTH * picture->left_h_p10 / most;
		double last = RULER_LEFT + RULER_WIDTH * picture->left_h_p90 / most;
		(void)fprintf(out, "<path class=\"range\" d=\"M%.1f %.1fh%.1fv8h%.1fz\"/>", first, RULER_Y - 10,
			last - first, first - last);
	}
	(void)fprintf(out, "<path class=\"range-middle\" d=\"M%.1f %.1fv14\"/>", middle, RULER_Y - 13);
	put_label(out, "name", RULER_LEFT + RULER_WIDTH / 2, RULER_Y + 32, "middle",
		"engine hours left");
}

void filter_picture_draw(const struct filter_picture *picture, FILE *out)
{
	double middle = 100;
	char text[64];

	begin_picture(out, "filter", 200, 250, picture->name, picture->words);
	put_label(out, "filter-name", middle, 16, "middle", picture->name);
	if (!isnan(picture->used_pct)) {
		draw_load(picture->used_pct, middle, out);
	}
	draw_bowl_outline(picture->basis, middle, out);
	if (isnan(picture->used_pct)) {
		put_label(out, "figure", middle, 112, "middle", "?");
	} else {
		(void)snprintf(text, sizeof(text), "%.0f %%", picture->used_pct);
		put_label(out, "figure", middle, 116, "middle", text);
	}
	if (picture->due) {
		put_label(out, "due", middle, 138, "middle", "change it");
	}
	if (!isnan(picture->left_h_p50)) {
		draw_ruler(picture, out);
	} else if (!picture->due) {
		put_label(out, "name", middle, RULER_Y + 6, "middle", "no forecast");
	}
	(void)fputs("</svg>\n", out);
}

/* ---- a track ---- */

void track_draw(const struct track *track, FILE *out)
{
	struct range north = {NAN, NAN}, east = {NAN, NAN};
	const double pad = 18;
	double shrink, scale, bar_nm, middle_north, middle_east;
	bool down = false;
	char text[64];

	begin_picture(out, "track", track->width, track->height, track->title,
		"The way over ground, north up.");
	for (size_t i = 0; i < track->count; i++) {
		if (!isnan(track->latitude_deg[i]) && !isnan(track->longitude_deg[i])) {
			widen(&north, track->latitude_deg[i]);
			widen(&east, track->longitude_deg[i]);
		}
	}
	if (isnan(north.least) || isnan(east.least)) {
		put_label(out, "name", track->width / 2, track->height / 2, "middle",
			"No position was logged.");
		(void)fputs("</svg>\n", out);
		return;
	}
	/* Miles: a degree of latitude is 60; one of longitude shrinks with the latitude. A track over
	 * the date line is drawn the long way round: a sketch, no chart. */
	middle_north = (north.least + north.most) / 2;
	middle_east = (east.least + east.most) / 2;
	shrink = cos(middle_north * 3.14159265358979 / 180);
	shrink = shrink < 0.01 ? 0.01 : shrink;
	double high_nm = (north.most - north.least) * 60, wide_nm = (east.most - east.least) * 60 * shrink;
	high_nm = high_nm < 0.05 ? 0.05 : high_nm;
	wide_nm = wide_nm < 0.05 ? 0.05 : wide_nm;
	scale = fmin((track->height - 2 * pad - 28) / high_nm, (track->width - 2 * pad) / wide_nm);
	(void)fputs("<path class=\"line-a\" d=\"", out);
	double first_x = NAN, first_y = NAN, last_x = NAN, last_y = NAN;
	for (size_t i = 0; i < track->count; i++) {
		if (isnan(track->latitude_deg[i]) || isnan(track->longitude_deg[i])) {
			down = false;
			continue;
		}
		last_x = track->width / 2 +
			(track->longitude_deg[i] - middle_east) * 60 * shrink * scale;
		last_y = track->height / 2 - (track->latitude_deg[i] - middle_north) * 60 * scale;
		(void)fprintf(out, "%c%.1f %.1f", down ? 'L' : 'M', last_x, last_y);
		if (isnan(first_x)) {
			first_x = last_x;
			first_y = last_y;
		}
		down = true;
	}
	(void)fprintf(out,
		"\"/><circle class=\"track-start\" cx=\"%.1f\" cy=\"%.1f\" r=\"4\"/>"
		"<path class=\"track-end\" d=\"M%.1f %.1fh8v8h-8z\"/>",
		first_x, first_y, last_x - 4, last_y - 4);
	bar_nm = nice_step(track->width / 4 / scale, 1);
	(void)fprintf(out, "<path class=\"axis\" d=\"M%.1f %.1fv5h%.1fv-5\"/>", pad,
		track->height - 11, bar_nm * scale);
	number_text(bar_nm, bar_nm, text, sizeof(text) - 4);
	(void)strcat(text, " nm");
	put_label(out, "number", pad + bar_nm * scale + 6, track->height - 5, "start", text);
	put_label(out, "number", 6, 14, "start", "circle: start, square: end");
	(void)fputs("</svg>\n", out);
}
