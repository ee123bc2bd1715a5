#include "analysis/element_account.h"

#include <math.h>

#define DAY_NS   86400e9
/* A mean month of the Gregorian calendar: 146 097 days in 4800 months. */
#define MONTH_NS (146097.0 / 4800 * DAY_NS)
#define WEEK_NS  (7 * DAY_NS)
/* A date further off than this is none. */
#define FAR_NS   (50 * 365.2425 * DAY_NS)

const char *element_criterion_name(enum element_criterion criterion)
{
	static const char *const names[] = {
		[ELEMENT_BY_NOTHING] = NULL,
		[ELEMENT_BY_HOURS] = "hours",
		[ELEMENT_BY_LITRES] = "litres",
		[ELEMENT_BY_MONTHS] = "months",
	};

	return names[criterion];
}

struct element_use element_use_of(const struct supply_portion *portions, size_t count,
	unsigned engine, int64_t log_first_ns, int64_t now_ns)
{
	double span_ns = (double)now_ns - (double)log_first_ns;
	double hours = 0, litres = 0, litres_h = 0;

	if (span_ns > ELEMENT_USE_DAYS * DAY_NS) {
		span_ns = ELEMENT_USE_DAYS * DAY_NS;
	}
	if (span_ns < WEEK_NS) {
		span_ns = WEEK_NS;
	}
	for (size_t i = 0; i < count; i++) {
		if (portions[i].engine != engine || !portions[i].dated) {
			continue;
		}
		if ((double)portions[i].start_ns >= (double)now_ns - span_ns &&
			portions[i].start_ns <= now_ns) {
			hours += portions[i].engine_h;
		}
		if (!isnan(portions[i].supply_l)) {
			litres += portions[i].supply_l;
			litres_h += portions[i].engine_h;
		}
	}
	return (struct element_use){
		.h_per_day = hours / (span_ns / DAY_NS),
		.litres_per_h = litres_h > 0 ? litres / litres_h : NAN,
	};
}

/* One criterion: what is used of what is allowed, and how long the rest lasts. */
struct criterion_state {
	enum element_criterion criterion;
	double used;
	double left_ns; /* NaN: not known; below 0: overdue since */
};

static struct criterion_state by_hours(const struct boat_filter *filter,
	const struct element_fitting *fitting, const struct element_use *use)
{
	double left_h = filter->change_h - fitting->engine_h;

	return (struct criterion_state){
		.criterion = ELEMENT_BY_HOURS,
		.used = fitting->engine_h / filter->change_h,
		.left_ns = left_h <= 0 ? 0
			: use->h_per_day > 0 ? left_h / use->h_per_day * DAY_NS
					     : NAN,
	};
}

static struct criterion_state by_litres(const struct boat_filter *filter,
	const struct element_fitting *fitting, const struct element_use *use)
{
	double left_l = filter->change_l - fitting->litres;
	double per_day_l = use->h_per_day * use->litres_per_h;

	return (struct criterion_state){
		.criterion = ELEMENT_BY_LITRES,
		.used = fitting->litres / filter->change_l,
		.left_ns = left_l <= 0 ? 0 : per_day_l > 0 ? left_l / per_day_l * DAY_NS : NAN,
	};
}

static struct criterion_state by_months(const struct boat_filter *filter,
	const struct element_fitting *fitting, int64_t now_ns)
{
	double age_ns = (double)now_ns - (double)fitting->fitted_ns;

	return (struct criterion_state){
		.criterion = ELEMENT_BY_MONTHS,
		.used = age_ns / (filter->change_months * MONTH_NS),
		.left_ns = filter->change_months * MONTH_NS - age_ns,
	};
}

static bool comes_before(const struct criterion_state *a, const struct criterion_state *b)
{
	if (b->criterion == ELEMENT_BY_NOTHING) {
		return true;
	}
	if (isnan(a->left_ns) != isnan(b->left_ns)) {
		/* One without a date comes first only when it is nearer its end. */
		return a->used > b->used;
	}
	if (isnan(a->left_ns) || (a->left_ns <= 0 && b->left_ns <= 0)) {
		return a->used > b->used;
	}
	return a->left_ns < b->left_ns;
}

void element_account_judge(const struct boat_filter *filter, const struct element_fitting *fitting,
	const struct element_use *use, int64_t now_ns, struct element_account *ret_account)
{
	struct criterion_state states[3], first = {.criterion = ELEMENT_BY_NOTHING};
	size_t count = 0;

	*ret_account = (struct element_account){.used_pct = NAN, .left_h = NAN};
	if (filter->change_h > 0) {
		states[count++] = by_hours(filter, fitting, use);
	}
	if (filter->change_l > 0) {
		states[count++] = by_litres(filter, fitting, use);
	}
	if (filter->change_months > 0 && fitting->has_fitted) {
		states[count++] = by_months(filter, fitting, now_ns);
	}
	for (size_t i = 0; i < count; i++) {
		if (comes_before(&states[i], &first)) {
			first = states[i];
		}
	}
	ret_account->due_by = first.criterion;
	if (first.criterion == ELEMENT_BY_NOTHING) {
		return;
	}
	ret_account->used_pct = first.used * 100;
	if (first.criterion == ELEMENT_BY_HOURS) {
		ret_account->left_h = fmax(0, filter->change_h - fitting->engine_h);
	} else if (first.criterion == ELEMENT_BY_LITRES) {
		double left_l = fmax(0, filter->change_l - fitting->litres);
		ret_account->left_h = left_l == 0 ? 0 : left_l / use->litres_per_h;
	} else if (use->h_per_day > 0) {
		ret_account->left_h = fmax(0, first.left_ns) / DAY_NS * use->h_per_day;
	}
	if (first.left_ns < FAR_NS) {
		ret_account->has_due = true;
		ret_account->due_ns = now_ns + (int64_t)first.left_ns;
	}
}
