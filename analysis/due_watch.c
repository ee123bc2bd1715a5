#include "analysis/due_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

#define DAY_NS       86400e9
#define MONTH_DAYS   (146097.0 / 4800) /* a mean month of the Gregorian calendar */
#define WEEK_DAYS    7.0
#define NOTICE_H     20.0 /* told when so near, … */
#define EARLY_H      10.0 /* … or the restriction's early end so near, … */
#define RISE_SHARE   0.15 /* … once the restriction has risen by so much of the way to its limit */
#define NOTICE_DAYS  14.0
#define NOTICE_SHARE 0.2 /* … but never before so little of the allowance is left */
#define FAR_AGAIN    1.5 /* no longer told when that much further off */
#define USE_LEAST_H  1.0 /* of engine, before litres an hour are known */

void due_watch_init(struct due_watch *d)
{
	*d = (struct due_watch){.first_ns = INT64_MIN};
}

void due_watch_forecast(struct due_watch *d, const struct fact_filter *fact)
{
	if (isnan(fact->left_l_p50)) {
		return;
	}
	d->reference_kpa = state_single(fact->reference_kpa);
	d->clean_kpa = d->forecast ? fmin(d->clean_kpa, d->reference_kpa) : d->reference_kpa;
	d->forecast = true;
	d->litres = state_single(fact->litres);
	d->left_l_p10 = state_single(fact->left_l_p10);
	d->left_l_p50 = state_single(fact->left_l_p50);
	d->left_l_p90 = state_single(fact->left_l_p90);
}

static struct event_claim claim_of(unsigned index, const struct boat_filter *filter)
{
	return (struct event_claim){
		.kind = EVENT_ELEMENT_DUE,
		.subject = index,
		.name = filter->name,
		.severity = SEVERITY_ADVICE,
		.value = NAN,
		.limit = 100,
		.unit = "%",
		.basis = "counted",
		.message = "",
	};
}

static struct element_use use_of(
	const struct due_watch *d, const struct window_view *view, const struct due_count *count)
{
	struct element_use use = {.h_per_day = NAN, .litres_per_h = NAN};

	if (count->engine_h >= USE_LEAST_H && count->supply_l > 0) {
		use.litres_per_h = count->supply_l / count->engine_h;
		use.litres_per_h *= count->share > 0 ? count->share : 1; /* as if it were in use */
	}
	if (count->dated && d->first_ns != INT64_MIN) {
		double days = (double)(view->utc_ns - d->first_ns) / DAY_NS;
		use.h_per_day = count->engine_h / fmax(days, WEEK_DAYS);
	}
	return use;
}

/* Is the limit near by the restriction? Before it has risen, a forecast is the guess that it began with. */
static bool is_loaded(const struct due_watch *d, const struct boat_filter *filter,
	const struct due_count *count, const struct element_use *use, double further)
{
	double since_l = fmax(count->element_l - d->litres, 0);
	double rise_kpa = d->reference_kpa - d->clean_kpa;

	if (!d->forecast || !(filter->limit_kpa > 0)) {
		return false;
	}
	if (d->reference_kpa < filter->limit_kpa &&
		rise_kpa < RISE_SHARE * (filter->limit_kpa - d->clean_kpa)) {
		return false;
	}
	return (d->left_l_p50 - since_l) / use->litres_per_h <= NOTICE_H * further ||
	       (d->left_l_p10 - since_l) / use->litres_per_h <= EARLY_H * further;
}

/* Is its restriction measured, and even its early end far? Then a count that comes nearer is no news
 * yet: what it allows was set for elements that nobody measures. */
static bool is_clear(const struct due_watch *d, const struct boat_filter *filter,
	const struct due_count *count, const struct element_use *use, double further)
{
	double early_l = d->left_l_p10 - fmax(count->element_l - d->litres, 0);

	return d->forecast && filter->limit_kpa > 0 &&
	       early_l / use->litres_per_h > NOTICE_H * further;
}

/* Is any of its ends near? further: how much more than near still counts. */
static bool is_near(const struct due_watch *d, const struct boat_filter *filter,
	const struct window_view *view, const struct due_count *count,
	const struct element_use *use, double further)
{
	double hours = NOTICE_H * further;
	double share = NOTICE_SHARE * further;
	double left_h = filter->change_h - count->element_h;
	double left_l = filter->change_l - count->element_l;

	if (is_loaded(d, filter, count, use, further)) {
		return true;
	}
	if (left_h <= 0 || left_l <= 0) {
		return true;
	}
	bool counted = left_h <= fmin(hours, share * filter->change_h) ||
		       (left_l / use->litres_per_h <= hours && left_l <= share * filter->change_l);
	if (counted && !is_clear(d, filter, count, use, further)) {
		return true;
	}
	if (count->dated && count->has_fitted && filter->change_months > 0) {
		double allowed = filter->change_months * MONTH_DAYS;
		double left = allowed - (double)(view->utc_ns - count->fitted_ns) / DAY_NS;
		return left <= fmin(NOTICE_DAYS * further, share * allowed);
	}
	return false;
}

static void say_of(struct sentence *s, double used, double allowed, unsigned decimals, const char *unit)
{
	sentence_number(s, used, decimals);
	sentence_words(s, " of ");
	sentence_number(s, allowed, decimals);
	sentence_words(s, unit);
}

/* Ten hours and more as whole ones. */
static void say_hours(struct sentence *s, double hours)
{
	sentence_number(s, hours, hours < 9.95 ? 1 : 0);
}

static void say_left(struct sentence *s, bool over, double hours)
{
	if (over) {
		sentence_words(s, " it is due");
		return;
	}
	sentence_words(s, " it is due in ");
	say_hours(s, hours);
	sentence_words(s, " engine hours");
}

static void say(struct sentence *s, const struct boat_filter *filter, const struct window_view *view,
	const struct due_count *count, const struct element_due *due, bool over)
{
	if (strcmp(due->due_by, "restriction") == 0) {
		sentence_words(s, "By its restriction it ");
		sentence_words(s, over ? "is due now." : "may be due in ");
		if (!over) {
			say_hours(s, due->left_h_p10);
			sentence_words(s, " engine hours (likely ");
			say_hours(s, due->left_h_p50);
			sentence_words(s, ").");
		}
	} else if (strcmp(due->due_by, "hours") == 0) {
		sentence_words(s, "By hours");
		say_left(s, over, due->left_h_p50);
		sentence_words(s, ": ");
		say_of(s, count->element_h, filter->change_h, filter->change_h < 100 ? 1 : 0, " h are run.");
	} else if (strcmp(due->due_by, "litres") == 0) {
		sentence_words(s, "By litres");
		say_left(s, over, due->left_h_p50);
		sentence_words(s, ": ");
		say_of(s, count->element_l, filter->change_l, 0, " L have passed.");
	} else {
		double age_days = (double)(view->utc_ns - count->fitted_ns) / DAY_NS;
		sentence_words(s, "By age it is due");
		if (!over) {
			sentence_words(s, " in ");
			sentence_number(s, filter->change_months * MONTH_DAYS - age_days, 0);
			sentence_words(s, " days");
		}
		sentence_words(s, ": ");
		say_of(s, age_days / MONTH_DAYS, filter->change_months, 1, " months have passed.");
	}
	if (strcmp(due->due_by, "restriction") == 0) {
		return;
	}
	bool silent = strcmp(due->basis, "counted") == 0 && filter->sensor != SENSOR_NONE;
	sentence_words(s, " ");
	sentence_words(s, silent ? "Its sensor gives no forecast." : element_due_text(due));
}

void due_watch_window(struct due_watch *d, unsigned index, const struct window_view *view,
	const struct due_count *count)
{
	struct boat_filter filter = view->boat->filters[index];
	char text[240];
	struct sentence s;

	if (count->dated && d->first_ns == INT64_MIN) {
		d->first_ns = view->utc_ns;
	}
	if (!count->dated) {
		filter.change_months = NAN; /* nobody knows how old it is */
	}
	struct element_use use = use_of(d, view, count);
	bool up = event_life_find(view->events, EVENT_ELEMENT_DUE, index) != NULL;
	struct event_claim claim = claim_of(index, &filter);
	if (!is_near(d, &filter, view, count, &use, up ? FAR_AGAIN : 1)) {
		if (up) {
			window_claim(view, &claim, false);
		}
		return;
	}
	struct element_fitting fitting = {
		.filter = index,
		.has_fitted = count->has_fitted,
		.fitted_ns = count->fitted_ns,
		.litres = count->element_l,
		.engine_h = count->element_h,
	};
	struct element_restriction restriction = {
		.known = d->forecast && filter.limit_kpa > 0,
		.restriction_kpa = d->reference_kpa,
		.limit_kpa = filter.limit_kpa,
		.litres = d->litres,
		.left_l_p10 = d->left_l_p10,
		.left_l_p50 = d->left_l_p50,
		.left_l_p90 = d->left_l_p90,
	};
	struct element_account account;
	struct element_due due;
	element_account_judge(&filter, &fitting, &use, view->utc_ns, &account);
	element_due_judge(&account, &restriction, count->element_l, &use, view->utc_ns, &due);
	/* A filter that is loaded has its own, worse event. */
	bool high = event_life_find(view->events, EVENT_RESTRICTION_HIGH, index) != NULL;
	if (due.due_by == NULL) {
		return;
	}
	if (high && strcmp(due.due_by, "restriction") == 0) {
		window_claim(view, &claim, false);
		return;
	}
	bool over = due.used_pct >= 100 || due.left_h_p50 <= 0;
	claim.severity = over ? SEVERITY_CAUTION : SEVERITY_ADVICE;
	claim.value = due.used_pct;
	claim.basis = due.basis;
	sentence_begin(&s, text, sizeof(text));
	say(&s, &filter, view, count, &due, over);
	claim.message = text;
	window_claim(view, &claim, true);
}

void due_watch_redate(struct due_watch *d, int64_t from_ns, int64_t until_ns, int64_t by_ns)
{
	if (d->first_ns != INT64_MIN && d->first_ns >= from_ns && d->first_ns <= until_ns) {
		d->first_ns += by_ns;
	}
}

void due_watch_renew(struct due_watch *d, unsigned index, const struct window_view *view)
{
	struct event_claim claim = claim_of(index, &view->boat->filters[index]);

	d->forecast = false;
	window_claim(view, &claim, false);
}

void due_watch_save(const struct due_watch *d, struct state_writer *w)
{
	state_put_signed(w, d->first_ns);
	state_put_unsigned(w, d->forecast);
	if (d->forecast) {
		state_put_float(w, (float)d->litres);
		state_put_float(w, (float)d->reference_kpa);
		state_put_float(w, (float)d->clean_kpa);
		state_put_float(w, (float)d->left_l_p10);
		state_put_float(w, (float)d->left_l_p50);
		state_put_float(w, (float)d->left_l_p90);
	}
}

void due_watch_load(struct due_watch *d, struct state_reader *r)
{
	due_watch_init(d);
	d->first_ns = state_get_signed(r);
	d->forecast = state_get_unsigned(r, 1) != 0;
	if (d->forecast) {
		d->litres = (double)state_get_float(r);
		d->reference_kpa = (double)state_get_float(r);
		d->clean_kpa = (double)state_get_float(r);
		d->left_l_p10 = (double)state_get_float(r);
		d->left_l_p50 = (double)state_get_float(r);
		d->left_l_p90 = (double)state_get_float(r);
	}
}
