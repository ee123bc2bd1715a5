/* fuel_cleanliness.h: how dirty fuel is by ISO 4406, and how much of it an element keeps by ISO 16889.
 *
 * A cleanliness code counts particles; this module turns it into a size distribution (log-log between
 * the three counted sizes), into a mass per litre, and into what an element of a rating and a beta
 * ratio takes out of it. The shape of the beta curve between ratings is an assumption of ours,
 * stated at cleanliness_beta_at.
 */
#ifndef SIGHTBOWL_ANALYSIS_FUEL_CLEANLINESS_H
#define SIGHTBOWL_ANALYSIS_FUEL_CLEANLINESS_H

#include <stdbool.h>

#define CLEANLINESS_CODE_MAX 28

/* ISO 4406: the numbers for particles of at least 4, 6 and 14 µm(c). */
struct cleanliness_code {
	unsigned at_4um;
	unsigned at_6um;
	unsigned at_14um;
};

/* What passes an element's medium, per litre of fuel. */
struct cleanliness_catch {
	double solids_mgl;   /* all suspended solids, mg/L */
	double kept_mgl;     /* what the element keeps, mg/L */
	double kept_share;   /* kept / all, 0 to 1 */
	double kept_surface; /* surface of what is kept, m²/L */
};

/* The greatest count of a code, particles per ml ("up to and including"). The code must not exceed
 * CLEANLINESS_CODE_MAX. */
double cleanliness_count_max(unsigned code);

/* Share of the particles of the beta ratio's size that a medium takes out: (β − 1)/β. 0 below 1. */
double cleanliness_efficiency(double beta);

/* Beta ratio at a size, for a medium whose beta at its rating is known: β(d) − 1 grows with the
 * fourth power of the size (our assumption; multi-pass reports show straight lines of about that
 * slope on log-log paper). */
double cleanliness_beta_at(double size_um, double rating_um, double beta_at_rating);

/* What an element of that rating keeps of fuel of that code. Returns false, and leaves ret_catch
 * alone, when the code is not one (a larger size with more particles, or above the scale), or when
 * rating or beta are not positive numbers (beta: at least 1). */
bool cleanliness_catch(const struct cleanliness_code *code, double rating_um, double beta_at_rating,
	struct cleanliness_catch *ret_catch);

#endif
