/* loading.h: how an element fills, and how many litres it has left.
 *
 * Reference restriction P against litres V through the element, by the blocking laws dP/dV = K·(P −
 * F)ⁿ: cake (n = 0; 1/2 where it gives way), intermediate (1), standard (3/2), complete (2); F is
 * what ports, fittings and hose lose, which do not load. A bank of small Kalman filters, one for
 * each law, with and without such a part, and for each way in which dirt may arrive (evenly, by the
 * load, erratically), is weighed by how well each foretold what came; the forecast is their
 * mixture, with what earlier elements lived. Changes of slope restart the fit, steps (jump_watch.h)
 * go on from the new restriction. Bounded state, constant work a reading. Restrictions in kPa.
 */
#ifndef SIGHTBOWL_ANALYSIS_LOADING_H
#define SIGHTBOWL_ANALYSIS_LOADING_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "decoders/state_codec.h"

enum loading_law {
	LOADING_CAKE,
	LOADING_INTERMEDIATE,
	LOADING_STANDARD,
	LOADING_COMPLETE,
	LOADING_LAWS,
};

#define LOADING_COURSES 8 /* cake stiff and soft; the others with and without a fixed part */
#define LOADING_PACES	3
#define LOADING_BANK	(LOADING_COURSES * LOADING_PACES)

struct loading_config {
	double limit_kpa; /* > 0 */
	double life_l; /* > 0: what elements live here: geometric mean of earlier ones, or a guess
			*/
	double life_log_sd; /* its spread in natural logarithm, 0.2 at least; 0.8 for a mere guess
			     */
	uint32_t minute;    /* readings a minute; 0: 6, for windows of 10 s */
	uint32_t batch;     /* least minutes a batch; 0: 30 */
};

/* One filter of the bank, on the axis where its law is a straight line: y = g(P / scale), slope k.
 */
struct loading_track {
	double y;
	double k;
	double yy;
	double yk;
	double kk;
	double log_weight;
};

/* What the batches taught; changes once a batch (half an engine hour or more). */
struct loading_fit {
	double scale_kpa;
	double base_kpa; /* the element's first restriction */
	double v_l;    /* litres at the last batch */
	double life_l; /* litres of life expected, and litres at which to ask again */
	double asked_l;
	double lives_log; /* what elements live here, ln(litres): mean, and variance of that mean */
	double lives_log_var;
	double law_log[LOADING_LAWS]; /* what is thought of the laws beforehand, ln */
	double start_l;               /* litres at the last change of slope */
	double noise_var;             /* of a batch about its prediction, kPa² */
	double lag_var; /* products of residuals of a batch with itself and with the one before */
	double lag_cross;
	double last_kpa; /* residual of the last batch */
	double faster;   /* sums of the slope watch, in deviations */
	double slower;
	double watch_l; /* where the present sum left zero: litres, restriction, slope */
	double watch_kpa;
	double watch_slope;
	uint32_t batches; /* since the restart, capped */
	struct loading_track tracks[LOADING_BANK];
};

/* What is being gathered; changes with each reading. */
struct loading_batch {
	uint32_t count;
	double v_l; /* means of the batch so far */
	double p_kpa;
	uint32_t
		scatter_minutes; /* minutes of the batch, their mean, and sum of squares about it */
	double scatter_kpa;
	double square_kpa2;
	double noise_kpa;
	double common_kpa;
	uint32_t minute_count;
	double minute_kpa;
	bool held;
};

struct loading {
	struct loading_fit fit;
	struct loading_batch batch;
	uint32_t revision; /* counts the changes of fit */
};

enum loading_news {
	LOADING_QUIET,
	LOADING_FASTER, /* it has been rising faster than the fit said */
	LOADING_SLOWER,
};

struct loading_change {
	double before; /* slopes, kPa a litre */
	double after;
	double since_l; /* litres through the element where it began */
};

struct loading_forecast {
	double restriction_kpa; /* as fitted, now */
	double restriction_sd_kpa;
	double slope_kpa_l; /* rise a litre, now */
	double left_l_p10;  /* litres to the limit; 0 at or above it */
	double left_l_p50;
	double left_l_p90;
	double law_weight[LOADING_LAWS]; /* sum 1 */
};

/* The law of a track, 0 to LOADING_BANK - 1. The tracks of a course lie together, a pace each. */
enum loading_law loading_track_law(size_t track);

/* n of its course, which is straight on the axis (p^(1-n) - 1) / (1 - n), or ln p for n = 1. */
double loading_track_exponent(size_t track);

void loading_init(struct loading *l, const struct loading_config *config);

/* The element has been changed after litres: what it lived, or would have lived, and by which law,
 * is thought of the next one beforehand; all else starts anew. */
void loading_renew(struct loading *l, const struct loading_config *config, double litres);

/* Takes one steady reading. litres: through the element so far; must not fall. noise: standard
 * deviation of this reading alone; common: what the readings of these days share. *ret_change is
 * filled unless the news is LOADING_QUIET. */
enum loading_news loading_take(struct loading *l, const struct loading_config *config,
	double litres, double reference_kpa, double noise_kpa, double common_kpa,
	struct loading_change *ret_change);

/* Holds the batch open, and lets go: what is read may soon be told to be a step (jump_watch.h). */
void loading_hold(struct loading *l, bool hold);

/* The restriction has stepped to kpa: the fit goes on from there, what is being gathered is
 * dropped. */
void loading_step(struct loading *l, double litres, double kpa);

/* The reference condition has moved: what was read before is to be multiplied by factor (> 0). */
void loading_rescale(struct loading *l, double factor);

/* The sensor's zero is better known: delta is to be added to what was read before. */
void loading_shift(struct loading *l, double delta_kpa);

/* Returns false, and leaves *ret_forecast, while there is no batch yet. */
bool loading_forecast(const struct loading *l, const struct loading_config *config, double litres,
	struct loading_forecast *ret_forecast);

/* The fitted restriction at these litres alone, which is cheap; NaN while there is no batch yet. */
double loading_restriction(const struct loading *l, double litres, double *ret_sd_kpa);

/* The fit need only be saved when revision has changed; the batch with every checkpoint. The loads
 * fill their part, or put the reader into its failed state. */
void loading_save_fit(const struct loading *l, struct state_writer *w);
void loading_load_fit(struct loading *l, struct state_reader *r);
void loading_save_batch(const struct loading *l, struct state_writer *w);
void loading_load_batch(struct loading *l, struct state_reader *r);

#endif
