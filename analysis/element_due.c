#include "analysis/element_due.h"

#include <math.h>
#include <string.h>

#define DAY_NS 86400e9
#define FAR_NS (50 * 365.2425 * DAY_NS) /* a date further off is none */

static void by_count(const struct element_account *counted, struct element_due *due)
{
	*due = (struct element_due){
		.due_by = element_criterion_name(counted->due_by),
		.basis = counted->due_by != ELEMENT_BY_NOTHING ? "counted" : NULL,
		.used_pct = counted->used_pct,
		.left_h_p10 = counted->left_h,
		.left_h_p50 = counted->left_h,
		.left_h_p90 = counted->left_h,
		.has_due = counted->has_due,
		.due_ns = counted->due_ns,
	};
}

void element_due_judge(const struct element_account *counted,
	const struct element_restriction *restriction, double passed_l,
	const struct element_use *use, int64_t now_ns, struct element_due *ret_due)
{
	by_count(counted, ret_due);
	if (restriction == NULL || !restriction->known) {
		return;
	}
	double since_l = isnan(passed_l) ? 0 : fmax(passed_l - restriction->litres, 0);
	double left_l[] = {
		restriction->left_l_p10, restriction->left_l_p50, restriction->left_l_p90};
	double left_h[3];
	for (size_t i = 0; i < 3; i++) {
		left_l[i] = fmax(left_l[i] - since_l, 0);
		left_h[i] = left_l[i] == 0          ? 0
			    : use->litres_per_h > 0 ? left_l[i] / use->litres_per_h
						    : NAN;
	}
	double litres = restriction->litres + since_l;
	double used_pct = litres + left_l[1] > 0 ? 100 * litres / (litres + left_l[1]) : NAN;
	if (restriction->restriction_kpa >= restriction->limit_kpa) {
		used_pct = fmax(used_pct, 100);
	}
	double left_ns = left_h[1] == 0       ? 0
			 : use->h_per_day > 0 ? left_h[1] / use->h_per_day * DAY_NS
					      : NAN;

	/* The restriction comes first by hours, else by date, else by what is used up. */
	bool first;
	if (counted->due_by == ELEMENT_BY_NOTHING) {
		first = true;
	} else if (!isnan(left_h[1]) && !isnan(counted->left_h)) {
		first = left_h[1] <= counted->left_h;
	} else if (!isnan(left_ns) && counted->has_due) {
		first = (double)now_ns + left_ns <= (double)counted->due_ns;
	} else {
		first = used_pct >= counted->used_pct;
	}
	/* What is counted cuts the forecast off, also where it does not come first. */
	if (!isnan(left_h[1])) {
		ret_due->left_h_p10 = fmin(left_h[0], counted->left_h);
		ret_due->left_h_p50 = fmin(left_h[1], counted->left_h);
		ret_due->left_h_p90 = fmin(left_h[2], counted->left_h);
	}
	ret_due->basis = "measured";
	if (!first) {
		return;
	}
	ret_due->due_by = "restriction";
	ret_due->used_pct = used_pct;
	ret_due->has_due = left_ns < FAR_NS;
	ret_due->due_ns = ret_due->has_due ? now_ns + (int64_t)left_ns : 0;
}

const char *element_due_text(const struct element_due *due)
{
	if (due->basis == NULL) {
		return "Nothing measures this element, and nothing to count against is configured.";
	}
	if (strcmp(due->basis, "counted") == 0) {
		return "Nothing measures this element: hours, litres and age are counted.";
	}
	if (strcmp(due->due_by, "restriction") == 0) {
		return "By its measured restriction.";
	}
	return "By the count; its measured restriction would allow longer.";
}
