#include "analysis/filter_pass.h"

#include <math.h>
#include <string.h>

static bool same_set(const struct boat_filter *a, const struct boat_filter *b)
{
	return a->set[0] != '\0' && a->engine == b->engine && strcmp(a->set, b->set) == 0;
}

/* Members of a filter's set; 0: it is in none. */
static size_t members(const struct boat *boat, size_t index, size_t *ret_first)
{
	size_t count = 0;

	for (size_t i = boat->filter_count; i > 0; i--) {
		if (same_set(&boat->filters[i - 1], &boat->filters[index])) {
			*ret_first = i - 1;
			count++;
		}
	}
	return count;
}

void filter_pass_init(struct filter_pass *pass, const struct boat *boat, size_t index)
{
	size_t first = index;

	*pass = (struct filter_pass){.share = 1, .switched_ns = INT64_MIN};
	if (members(boat, index, &first) > 0 && first != index) {
		pass->share = 0;
	}
}

void filter_pass_take(struct filter_pass *pass, double engine_h, double supply_l)
{
	if (pass->share < 1) {
		pass->missed_h += pass->share > 0 ? 0 : engine_h - pass->engine_h;
		pass->missed_l += (1 - pass->share) * (supply_l - pass->supply_l);
	}
	pass->engine_h = engine_h;
	pass->supply_l = supply_l;
}

void filter_pass_switch(struct filter_pass *pass, const struct boat *boat, size_t index, size_t to,
	bool whole, int64_t utc_ns)
{
	size_t first;

	if (utc_ns <= pass->switched_ns ||
		!same_set(&boat->filters[index], &boat->filters[to])) {
		return;
	}
	pass->switched_ns = utc_ns;
	if (whole) {
		pass->share = 1.0 / (double)members(boat, index, &first);
	} else {
		pass->share = index == to ? 1 : 0;
	}
}

double filter_pass_hours(const struct filter_pass *pass, double engine_h)
{
	return engine_h - pass->missed_h;
}

double filter_pass_litres(const struct filter_pass *pass, double supply_l)
{
	return supply_l - pass->missed_l;
}

bool filter_pass_is_plain(const struct filter_pass *pass)
{
	return pass->share == 1 && pass->switched_ns == INT64_MIN && pass->missed_l == 0 &&
	       pass->missed_h == 0;
}

void filter_pass_save(const struct filter_pass *pass, struct state_writer *w)
{
	state_put_double(w, pass->share);
	state_put_signed(w, pass->switched_ns);
	state_put_double(w, pass->engine_h);
	state_put_double(w, pass->supply_l);
	state_put_double(w, pass->missed_h);
	state_put_double(w, pass->missed_l);
}

void filter_pass_load(struct filter_pass *pass, struct state_reader *r)
{
	pass->share = state_get_double(r);
	pass->switched_ns = state_get_signed(r);
	pass->engine_h = state_get_double(r);
	pass->supply_l = state_get_double(r);
	pass->missed_h = state_get_double(r);
	pass->missed_l = state_get_double(r);
}
