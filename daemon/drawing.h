/* drawing.h: pictures of the figures, as SVG text: the same on the page and on paper.
 *
 * A picture carries its meaning in words (title and description) and in shapes; its colours come from
 * the classes of drawing.css alone. Text goes out escaped. Functions write to a stream; what fails
 * there, its owner finds at the stream's end.
 */
#ifndef SIGHTBOWL_DAEMON_DRAWING_H
#define SIGHTBOWL_DAEMON_DRAWING_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* Text of HTML or SVG with & < > " ' escaped. NULL writes nothing. */
void drawing_text(FILE *out, const char *text);

/* ---- a chart of lines ---- */

enum chart_scale {
	CHART_NUMBER,
	CHART_TIME, /* x is UTC seconds */
};

enum chart_shape {
	CHART_LINE,
	CHART_DASHED,
	CHART_POINTS,
	CHART_BAND, /* between y and y2 */
};

struct chart_series {
	const char *name;  /* in the key; NULL: not in it */
	const char *class; /* of drawing.css: "line-a", "line-b", "line-c", "band-a" … */
	enum chart_shape shape;
	size_t count;
	const double *x;
	const double *y;  /* NaN breaks the line */
	const double *y2; /* of a band */
};

/* A line across the chart at one height, with its name. */
struct chart_mark {
	const char *name;
	double y;
};

#define CHART_SERIES_MAX 8
#define CHART_MARKS_MAX  4

struct chart {
	const char *title;       /* its meaning, for whoever cannot see it */
	const char *description; /* in a sentence or two; may be NULL */
	double width, height;    /* user units; 640 × 260 is usual */
	enum chart_scale x_scale;
	const char *x_name;
	const char *y_name;      /* with the unit */
	bool y_from_zero;
	double x_least, x_most;  /* NaN: as the data is */
	double y_least, y_most;
	double break_after;      /* a line breaks where x jumps by more; NaN: never */
	size_t series_count;
	struct chart_series series[CHART_SERIES_MAX];
	size_t mark_count;
	struct chart_mark marks[CHART_MARKS_MAX];
};

/* An 640 × 260 chart of nothing. */
void chart_init(struct chart *chart, const char *title);
/* Draws it; without any number it says so in words. */
void chart_draw(const struct chart *chart, FILE *out);

/* ---- a filter ---- */

enum filter_basis {
	FILTER_UNKNOWN,   /* nothing is known of it */
	FILTER_MEASURED,
	FILTER_COUNTED,   /* hours, litres, age */
	FILTER_ESTIMATED,
};

struct filter_picture {
	const char *name;
	const char *words;   /* the state in a sentence: description of the picture */
	double used_pct;     /* of its limit; NaN: not known */
	enum filter_basis basis;
	double left_h_p10;   /* NaN: not known (so the next) */
	double left_h_p50;
	double left_h_p90;
	bool due;            /* at or past its limit */
};

/* A glass bowl: the load stands in it against its limit, a ruler of engine hours below shows the range
 * that is left. */
void filter_picture_draw(const struct filter_picture *picture, FILE *out);

/* ---- a track ---- */

struct track {
	const char *title;
	size_t count;
	const double *latitude_deg; /* NaN breaks the line */
	const double *longitude_deg;
	double width, height;
};

/* The way over ground, north up, equal scales both ways, with a bar for its scale. */
void track_draw(const struct track *track, FILE *out);

#endif
