#include "analysis/state_version_1.h"

#include <math.h>

#define QUANTITIES   3      /* rate, load, speed */
#define COUNT_MOST   100000 /* more than any count was allowed */
#define CODE_MOST    0xFFFFFFU
#define STATE_VERSION_1_FAULTS 8 /* of an engine */
#define GUESS_VAR    0.6  /* of what elements live, ln(litres): before any has been seen */
#define LIFE_VAR     0.04 /* what one element tells of it */
#define JUMP_MINUTES 5

static void skip_floats(struct state_reader *r, int count)
{
	for (int i = 0; i < count; i++) {
		(void)state_get_float(r);
	}
}

static double get_float(struct state_reader *r)
{
	return (double)state_get_float(r);
}

static uint32_t get_count(struct state_reader *r, uint32_t most)
{
	return (uint32_t)state_get_unsigned(r, most);
}

/* ret_watch has been initialised; how its means scatter over three hours starts from there. */
static void load_watch(struct batch_watch *ret_watch, struct state_reader *r)
{
	struct batch_watch watch = *ret_watch;

	watch.sum = get_float(r);
	watch.weight = get_float(r);
	watch.variance = get_float(r);
	watch.cross = get_float(r);
	watch.last = get_float(r);
	watch.mean = get_float(r);
	watch.batches = get_count(r, UINT32_MAX);
	watch.calm = get_count(r, COUNT_MOST);
	int64_t raised = state_get_signed(r);
	cusum_load(&watch.cusum, r);
	if (raised < -1 || raised > 1 || !(watch.variance > 0)) {
		r->failed = true;
		return;
	}
	watch.raised = (int32_t)raised;
	*ret_watch = watch;
}

static void load_burn(struct burn *b, double engine_h, struct state_reader *r)
{
	struct batch_watch at_load = b->watches[BURN_AT_LOAD];

	load_watch(&b->watches[BURN_AT_SPEED], r);
	/* It watched another quantity: it goes on from nothing. */
	load_watch(&at_load, r);
	for (size_t q = 0; q < QUANTITIES; q++) {
		b->minute[q] = get_float(r);
		b->minute_counts[q] = get_count(r, COUNT_MOST);
		skip_floats(r, 1); /* what it drifted of late is found anew */
		(void)get_count(r, COUNT_MOST);
		/* The minute that was being gathered is given up. */
		b->minute[q] = 0;
		b->minute_counts[q] = 0;
	}
	(void)get_float(r); /* the minute's speed */
	b->last_rpm = get_float(r);
	skip_floats(r, 3); /* how burn followed load */
	skip_floats(r, 1);
	b->warm_c = get_float(r);
	b->top_rpm = get_float(r);
	(void)get_count(r, COUNT_MOST); /* the minute's windows */
	(void)get_count(r, COUNT_MOST);
	/* When a change began was not kept. It counts from here, so that none is told as older than it is;
	 * one that was under way would else count from the log's beginning. */
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		b->from_h[i][0] = state_single(engine_h);
		b->from_h[i][1] = state_single(engine_h);
	}
	b->told_from_h = state_single(engine_h);
}

static void load_map(struct burn_map *map, struct state_reader *r)
{
	map->version = get_count(r, UINT32_MAX);
	map->revision = get_count(r, UINT32_MAX);
	for (size_t q = 0; q < QUANTITIES; q++) {
		uint32_t count = get_count(r, BURN_NODES);
		for (uint32_t i = 0; i < count; i++) {
			size_t node = get_count(r, BURN_NODES - 1);
			map->value[q][node] = get_float(r);
			map->weight[q][node] = get_float(r);
		}
	}
}

static void load_temperature(struct temperature_watch *t, struct state_reader *r)
{
	double *fields[] = {&t->sea_slope, &t->sea_square, &t->sea_product, &t->sea_mean,
		&t->minute_c, &t->quick_c, &t->slow_c, &t->minute_load, &t->last_load};

	for (size_t i = 0; i < TEMPERATURE_BINS; i++) {
		if (state_get_unsigned(r, 1) != 0) {
			t->value[i] = get_float(r);
			t->load[i] = get_float(r);
			t->weight[i] = get_float(r);
		}
	}
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = get_float(r);
	}
	t->sea_count = get_count(r, COUNT_MOST);
	t->minute_windows = get_count(r, COUNT_MOST);
	t->settled = get_count(r, COUNT_MOST);
	t->above_s = get_count(r, COUNT_MOST);
	t->high = state_get_unsigned(r, 1) != 0;
	t->revision = get_count(r, UINT32_MAX);
	load_watch(&t->drift, r);
}

/* The highest usual pressures were not kept: those of that moment stand for them. */
static void load_starvation(struct starvation *s, struct state_reader *r)
{
	for (size_t i = 0; i < STARVATION_BINS; i++) {
		if (state_get_unsigned(r, 1) != 0) {
			s->usual_kpa[i] = get_float(r);
			s->weight[i] = get_float(r);
			s->once_kpa[i] = s->usual_kpa[i];
		}
	}
	s->usual_hunt = get_float(r);
	s->hunt_windows = get_count(r, COUNT_MOST);
	s->level_rpm = get_float(r);
	s->level_demand = get_float(r);
	s->level_windows = get_count(r, 60);
	s->history = state_get_unsigned(r, UINT64_MAX);
	s->calm = get_count(r, COUNT_MOST);
	s->low_windows = get_count(r, COUNT_MOST);
	uint64_t flags = state_get_unsigned(r, 3);
	s->starving = (flags & 1) != 0;
	s->pressure_low = (flags & 2) != 0;
}

/* Who listed them was not kept. */
static void load_faults(struct fault_watch *faults, unsigned engine, struct state_reader *r)
{
	int64_t list_ns = state_get_signed(r);

	for (unsigned i = 0; i < STATE_VERSION_1_FAULTS; i++) {
		uint32_t code = get_count(r, CODE_MOST);
		if (code == 0) {
			continue;
		}
		int64_t heard_ns = state_get_signed(r);
		faults->places[engine * STATE_VERSION_1_FAULTS + i] = (struct fault_place){
			.code = code,
			.engine = (uint8_t)engine,
			.bus = FAULT_BUS_UNKNOWN,
			.standing = FAULT_ACTIVE,
			.count = FAULT_CODE_COUNT_UNKNOWN,
			.lamps = FAULT_LAMPS_UNKNOWN,
			.is_event = true,
			.told = true, /* when it is known whose it is */
			.first_ns = heard_ns,
			.heard_ns = heard_ns,
			.list_ns = list_ns,
		};
	}
}

void state_version_1_engine(struct engine_watch *w, struct fault_watch *faults, unsigned engine,
	double engine_h, struct state_reader *r)
{
	w->begun = state_get_unsigned(r, 1) != 0;
	if (!w->begun) {
		return;
	}
	load_burn(&w->burn, engine_h, r);
	load_map(&w->burn.map, r);
	load_starvation(&w->starvation, r);
	w->temperature_heard = (uint8_t)get_count(r, (1U << WATCHED_TEMPERATURES) - 1);
	for (unsigned i = 0; i < WATCHED_TEMPERATURES; i++) {
		if ((w->temperature_heard & 1U << i) != 0) {
			load_temperature(&w->temperatures[i], r);
		}
	}
	water_load(&w->waters[WATER_BY_PROBE], r); /* whichever it was */
	(void)get_count(r, UINT16_MAX); /* status bits as last heard: they will be heard again */
	load_faults(faults, engine, r);
	w->running_s = state_get_double(r);
	w->told_revision = get_count(r, UINT32_MAX);
}

/* Only the reference flow, to which the element's course belongs, and the gauge's sign: zero, element
 * and fittings are told apart anew by the next readings. */
static void load_restriction(struct restriction *restriction, struct state_reader *r)
{
	*restriction = (struct restriction){.last_lph = NAN, .held_kpa = NAN, .laminar_kpa = -1};
	restriction->reference_lph = get_float(r);
	(void)get_float(r); /* zero */
	(void)get_count(r, COUNT_MOST);
	(void)get_count(r, COUNT_MOST);
	(void)state_get_unsigned(r, 1);
	int64_t sign = state_get_signed(r);
	if (sign < -50 || sign > 50) {
		r->failed = true;
		sign = 0;
	}
	restriction->sign = (int32_t)sign;
	skip_floats(r, 2); /* last flow, least flow */
	(void)get_count(r, COUNT_MOST);
	skip_floats(r, 5); /* element, fittings, their variances */
	(void)get_count(r, COUNT_MOST);
	(void)get_float(r); /* held value */
	(void)get_count(r, COUNT_MOST);
	skip_floats(r, 2);
}

/* The batch that was being gathered is given up, and the level by which jumps were found, which
 * said nothing of the flow. */
static void skip_batch(struct state_reader *r)
{
	for (int i = 0; i < 3; i++) {
		(void)get_count(r, UINT32_MAX);
	}
	(void)get_count(r, JUMP_MINUTES);
	skip_floats(r, 10);
}

/* Puts a stiff cake's track on the axis of a soft one's exponent n: same place, same slope. */
static void bend_cake(struct loading_track *t, double n)
{
	double p = fmax(1 + t->y, 0.01);
	double stretch = pow(p, -n);

	t->y = state_single((pow(p, 1 - n) - 1) / (1 - n));
	t->k = state_single(t->k * stretch);
	t->yy = state_single(t->yy * stretch * stretch);
	t->yk = state_single(t->yk * stretch * stretch);
	t->kk = state_single(t->kk * stretch * stretch);
}

static void load_fit(struct loading *l, struct state_reader *r)
{
	/* Liquid filters bend upward: the straight law is less likely beforehand. */
	static const double law_log[LOADING_LAWS] = {-1, 0, 0, 0};
	struct loading_fit *fit = &l->fit;
	double *fields[] = {&fit->scale_kpa, &fit->v_l, &fit->life_l, &fit->asked_l, &fit->start_l,
		&fit->noise_var, &fit->lag_var, &fit->lag_cross, &fit->last_kpa, &fit->faster,
		&fit->slower, &fit->watch_l, &fit->watch_kpa, &fit->watch_slope};

	l->revision = get_count(r, UINT32_MAX);
	fit->batches = get_count(r, UINT32_MAX);
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = get_float(r);
	}
	/* A law had one course. Without a first restriction nothing of it is fixed, and the courses of a
	 * law are the same, but for the cake's. */
	struct loading_track tracks[LOADING_LAWS * LOADING_PACES];
	for (size_t i = 0; i < LOADING_LAWS * LOADING_PACES; i++) {
		struct loading_track *t = &tracks[i];
		double *parts[] = {&t->y, &t->k, &t->yy, &t->yk, &t->kk, &t->log_weight};
		for (size_t j = 0; j < sizeof(parts) / sizeof(parts[0]); j++) {
			*parts[j] = get_float(r);
		}
	}
	size_t courses[LOADING_LAWS] = {0};
	for (size_t i = 0; i < LOADING_BANK; i += LOADING_PACES) {
		courses[loading_track_law(i)]++;
	}
	for (size_t i = 0; i < LOADING_BANK; i++) {
		size_t law = loading_track_law(i);
		fit->tracks[i] = tracks[law * LOADING_PACES + i % LOADING_PACES];
		if (law == LOADING_CAKE && loading_track_exponent(i) > 0) {
			bend_cake(&fit->tracks[i], loading_track_exponent(i));
		}
		fit->tracks[i].log_weight -= log((double)courses[law]);
		fit->tracks[i].log_weight = state_single(fit->tracks[i].log_weight);
	}
	for (size_t i = 0; i < LOADING_LAWS; i++) {
		fit->law_log[i] = law_log[i];
	}
}

void state_version_1_filter(struct filter_watch *f, struct state_reader *r)
{
	f->measured_kpa = NAN;
	f->reference_kpa = NAN;
	f->begun = state_get_unsigned(r, 1) != 0;
	f->fitted_ns = state_get_signed(r);
	if (!f->begun) {
		return;
	}
	f->litres_before = state_get_double(r);
	f->hours_before = state_get_double(r);
	if (!f->watched) {
		return;
	}
	load_restriction(&f->restriction, r);
	mute_sensor_init(&f->mute);
	dirt_watch_init(&f->dirt);
	jump_watch_init(&f->steps);
	f->loading.batch = (struct loading_batch){0};
	skip_batch(r);
	load_fit(&f->loading, r);
	double life_log_sum = state_get_double(r);
	(void)state_get_double(r); /* sum of squares */
	uint32_t lives = get_count(r, UINT32_MAX);
	f->measured_kpa = state_get_double(r);
	f->reference_kpa = state_get_double(r);
	f->read_ns = state_get_signed(r);
	f->cares = (uint8_t)get_count(r, UINT8_MAX);
	f->told_revision = get_count(r, UINT32_MAX);
	struct loading_fit *fit = &f->loading.fit;
	if (fit->life_l > 0) {
		double mean = lives > 0 ? life_log_sum / lives : log(fit->life_l);
		fit->lives_log = state_single(mean);
		fit->lives_log_var = state_single(1 / (1 / GUESS_VAR + lives / LIFE_VAR));
	}
}

void state_version_1_tank(struct tank_watch *watch, struct state_reader *r)
{
	struct tank *t = &watch->tank;
	double *fields[] = {&t->level_l, &t->fast_l, &t->slosh_l2, &t->burned_l, &t->base_l,
		&t->recent_l, &t->rest_share, &t->base_rest, &t->base_weight, &t->fill_from_l,
		&t->fill_burned_l, &t->fill_last_l};
	uint32_t *counts[] = {&t->count, &t->away, &t->settled, &t->wake, &t->doubt};

	watch->begun = state_get_unsigned(r, 1) != 0;
	if (!watch->begun) {
		return;
	}
	t->fuel_c = NAN; /* that version did not follow it */
	t->last_l = NAN;
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = get_float(r);
	}
	for (size_t i = 0; i < sizeof(counts) / sizeof(counts[0]); i++) {
		*counts[i] = get_count(r, UINT32_MAX);
	}
	uint32_t flags = get_count(r, 11);
	t->filling = (flags & 1) != 0;
	t->was_at_rest = (flags & 2) != 0;
	t->mismatch = (int32_t)(flags >> 2) - 1;
	watch->capacity_l = state_get_double(r);
	watch->burned_l = state_get_double(r);
	watch->heard_ns = state_get_signed(r);
	watch->mismatch_l = state_get_double(r);
	watch->mismatch_sd_l = state_get_double(r);
}
