/* filter_pass.h: what has passed a filter, of what its engine's supply was.
 *
 * Filters of one engine are in series: each passes all of it. Filters that share a set are in
 * parallel behind a change-over valve: the one in use passes it, at first the set's first one, later
 * what the service book's switches say; all of them in equal parts when the whole set is in use
 * (service_ledger.h has the same rule for the book's own account).
 */
#ifndef SIGHTBOWL_ANALYSIS_FILTER_PASS_H
#define SIGHTBOWL_ANALYSIS_FILTER_PASS_H

#include "analysis/boat.h"
#include "decoders/state_codec.h"

struct filter_pass {
	double share;        /* of the supply, now: 1, 0, or a part of 1 */
	int64_t switched_ns; /* UTC of the last switch that was gone by; INT64_MIN: none */
	double engine_h;     /* its engine's account when it was looked at last */
	double supply_l;
	double missed_h;     /* of that account, what did not pass this filter */
	double missed_l;
};

/* index: of the filter in the boat. */
void filter_pass_init(struct filter_pass *pass, const struct boat *boat, size_t index);

/* The engine's account so far; to be called before a switch, and whenever the account has moved. */
void filter_pass_take(struct filter_pass *pass, double engine_h, double supply_l);

/* The service book: filter `to` of the boat, or all of its set (whole), is in use from utc_ns on. What is
 * older than a switch gone by already, or of another set, changes nothing. */
void filter_pass_switch(struct filter_pass *pass, const struct boat *boat, size_t index, size_t to,
	bool whole, int64_t utc_ns);

/* Engine hours in use, and litres passed, of those accounts. */
double filter_pass_hours(const struct filter_pass *pass, double engine_h);
double filter_pass_litres(const struct filter_pass *pass, double supply_l);

/* Whether there is anything to save: a filter that is in no set always passes all. */
bool filter_pass_is_plain(const struct filter_pass *pass);
void filter_pass_save(const struct filter_pass *pass, struct state_writer *w);
void filter_pass_load(struct filter_pass *pass, struct state_reader *r);

#endif
