/* element_due.h: when an element falls due, by whatever comes first: restriction, hours, litres,
 * age.
 *
 * Puts what is counted (element_account.h) and what is forecast from the restriction (loading.h)
 * together. Without a forecast it is the count alone, and says so. Times are UTC.
 */
#ifndef SIGHTBOWL_ANALYSIS_ELEMENT_DUE_H
#define SIGHTBOWL_ANALYSIS_ELEMENT_DUE_H

#include "analysis/element_account.h"
#include "analysis/loading.h"

/* What the restriction says of an element; a forecast made earlier, with what passed since. */
struct element_restriction {
	bool known;             /* a sensor measures it, and enough has been read */
	double restriction_kpa; /* reference restriction, as fitted */
	double limit_kpa;
	double litres;     /* through the element when it was made */
	double left_l_p10; /* litres to the limit at that moment */
	double left_l_p50;
	double left_l_p90;
};

struct element_due {
	const char *due_by; /* "restriction", "hours", "litres", "months"; NULL: nothing to go by */
	const char *basis;  /* "measured", "counted"; NULL: neither */
	double used_pct;    /* of the criterion that comes first; NaN: not known */
	double left_h_p10;  /* engine hours; NaN: not known */
	double left_h_p50;
	double left_h_p90;
	bool has_due;
	int64_t due_ns;
};

/* counted: of the same element and moment. passed_l: through the element by now (NaN: as when the
 * forecast was made). restriction may be NULL. */
void element_due_judge(const struct element_account *counted,
	const struct element_restriction *restriction, double passed_l,
	const struct element_use *use, int64_t now_ns, struct element_due *ret_due);

/* What to say of it, in plain words: what measures the element, or that nothing does. Static. */
const char *element_due_text(const struct element_due *due);

#endif
