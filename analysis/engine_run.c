#include "analysis/engine_run.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/clock.h"

#define SECOND_NS INT64_C(1000000000)
#define HOUR_S	  3600.0

#define ON_RPM 300.0
/* A starter turns a diesel faster than this (common practice: 100 to 250 rpm); below it the engine
 * stands, whatever a sender goes on to say of its rate. */
#define TURNS_RPM 50.0
/* Off for this long ends the run. */
#define QUIET_NS (30 * SECOND_NS)
/* Not a word of the engine for this long is a silence. */
#define SILENCE_NS (10 * SECOND_NS)
/* A silence up to this long is bridged where no hour meter can tell. */
#define BRIDGE_NS (120 * SECOND_NS)
/* An engine that begins when another falls silent, and the other way round, within this. */
#define MOVED_NS (15 * SECOND_NS)
/* How long the engine's meters are waited for after a silence. */
#define METERS_NS (15 * SECOND_NS)
/* A run whose engine has been silent this long is over. */
#define LOST_NS (3600 * SECOND_NS)
/* Gear readings older than this say nothing. */
#define GEAR_NS (10 * SECOND_NS)
/* Behind a gap of doubtful length the hour meter is believed up to this. */
#define DOUBTFUL_MOST_H 100.0
/* Up to this much of it belongs to the run before. */
#define RAN_ON_H 0.1
/* Engine time that ran unseen must be at least this much to become a run. */
#define UNSEEN_LEAST_H 0.02
#define METER_OLD_H 0.1 /* so much was seen since: its reading is an old one, … */
#define METER_SHARE 0.02 /* … and may be off from the time that was seen by this share */
/* Standard uncertainty of the burn to expect while nobody listens, as a share. */
#define UNSEEN_SHARE 0.4
/* No small-boat diesel burns more: a counter that says so was replaced. */
#define BURN_MOST_LPH 400.0

void engine_log_init(struct engine_log *e, unsigned engine, const struct boat *boat,
	const struct fact_sink *sink, struct trip_log *trips, int64_t *last_run)
{
	memset(e, 0, sizeof(*e));
	e->engine = engine;
	e->boat = boat;
	e->sink = sink;
	e->trips = trips;
	e->last_run = last_run;
	e->rpm = NAN;
	e->off_ns = CLOCK_NONE;
	fuel_account_init(&e->fuel);
}

/* Adds to a gap, which is never longer than a century. */
static int64_t longer(int64_t gap_ns, int64_t by_ns)
{
	int64_t most_ns = 100 * 366 * INT64_C(86400) * SECOND_NS;

	return by_ns > most_ns - gap_ns ? most_ns : gap_ns + by_ns;
}

static double supply_l(const struct engine_log *e, const struct run_part *part, double fuel_l)
{
	return e->boat->engines[e->engine].supply == SUPPLY_PUMP ? part->pump_l : fuel_l;
}

static double known(double litres)
{
	return isnan(litres) ? 0 : litres;
}

static void tell(const struct engine_log *e, const struct run_part *part, bool open)
{
	double engine_h = part->engine_s / HOUR_S;
	double fuel_l = fuel_run_litres(&part->fuel);
	struct fact_run fact = {
		.run = part->run,
		.trip = part->trip,
		.engine = e->engine,
		.start_session = part->start_session,
		.end_session = part->end_session,
		.start_ns = part->start_ns,
		.end_ns = part->end_ns,
		.open = open,
		.engine_h = engine_h,
		.idle_h = part->idle_s / HOUR_S,
		.unobserved_h = part->unobserved_s / HOUR_S,
		.fuel_l = fuel_l,
		.fuel_estimated_l = part->fuel.estimated_l,
		.fuel_uncertainty_l = fuel_run_uncertainty(&part->fuel),
		.fuel_unknown_h = part->fuel.unknown_s / HOUR_S,
		.supply_l = supply_l(e, part, fuel_l),
		.mean_lph = engine_h > 0 ? fuel_l / engine_h : NAN,
		.max_lph = part->fuel.max_lph >= 0 ? part->fuel.max_lph : NAN,
		.max_coolant_c = part->max_coolant_c,
	};

	if (e->sink->on_run != NULL) {
		e->sink->on_run(e->sink->context, &fact);
	}
}

static void withdraw(const struct engine_log *e, int64_t run)
{
	if (*e->last_run == run) {
		(*e->last_run)--;
	}
	if (e->sink->on_run_withdrawn != NULL) {
		e->sink->on_run_withdrawn(e->sink->context, run);
	}
}

static void begin_run(struct engine_log *e, int64_t t_ns)
{
	fuel_account_start(&e->fuel);
	e->running = true;
	e->off_ns = CLOCK_NONE;
	e->run = (struct run_part){
		.run = ++*e->last_run,
		.trip = trip_log_active(e->trips, t_ns),
		.start_session = e->session,
		.start_ns = t_ns,
		.end_session = e->session,
		.end_ns = t_ns,
		.max_coolant_c = NAN,
	};
}

/* Completes a part's litres by what was learned and tells it as final. */
static void close_part(struct engine_log *e, struct run_part *part)
{
	struct fuel_account account = e->fuel;

	account.run = part->fuel;
	account.has_rate = false;
	fuel_account_end(&account, part->engine_s);
	part->fuel = account.run;
	e->closed_h += part->engine_s / HOUR_S;
	e->closed_supply_l += known(supply_l(e, part, fuel_run_litres(&part->fuel)));
	e->closed_burn_l += known(fuel_run_litres(&part->fuel));
	tell(e, part, false);
}

double engine_log_burn_total(const struct engine_log *e)
{
	double litres = e->closed_burn_l;

	litres += e->held_open ? known(fuel_run_litres(&e->held.fuel)) : 0;
	litres += e->running ? known(fuel_run_litres(&e->fuel.run)) : 0;
	return litres;
}

double engine_log_hours_total(const struct engine_log *e)
{
	double engine_s =
		(e->held_open ? e->held.engine_s : 0) + (e->running ? e->run.engine_s : 0);

	return e->closed_h + engine_s / HOUR_S;
}

double engine_log_supply_total(const struct engine_log *e)
{
	double litres = e->closed_supply_l;

	if (e->held_open) {
		litres += known(supply_l(e, &e->held, fuel_run_litres(&e->held.fuel)));
	}
	if (e->running) {
		litres += known(supply_l(e, &e->run, fuel_run_litres(&e->fuel.run)));
	}
	return litres;
}

/* The run in the account becomes a part of its own, and the account is ready for the next. */
static void set_down(struct engine_log *e, struct run_part *ret_part)
{
	fuel_account_end_stretch(&e->fuel);
	fuel_account_learn(&e->fuel);
	*ret_part = e->run;
	ret_part->fuel = e->fuel.run;
	e->running = false;
	fuel_account_begin(&e->fuel);
}

static void end_run(struct engine_log *e)
{
	struct run_part part;

	set_down(e, &part);
	close_part(e, &part);
}

/* Was this engine heard under another's number meanwhile? A sender whose instance or address changes is heard as
 * another engine, which begins as this one falls silent and falls silent as this one is heard again. */
static bool was_elsewhere(const struct engine_log *e, int64_t from_ns, int64_t until_ns)
{
	for (unsigned i = 0; i < BOAT_ENGINES_MAX && e->all != NULL; i++) {
		const struct engine_log *other = &e->all[i];
		if (other != e && other->has_evidence && other->on && e->on &&
			until_ns - from_ns > 2 * MOVED_NS &&
			llabs(other->began_ns - from_ns) <= MOVED_NS &&
			llabs(other->evidence_ns - until_ns) <= MOVED_NS) {
			return true;
		}
	}
	return false;
}

/* Does this engine's meter go on from another's, which fell silent as this one was heard again? Then both are
 * one, and what the meter counted meanwhile was counted there. Of two engines that run, both are heard. */
static bool has_another_s_meter(const struct engine_log *e)
{
	const struct engine_silence *s = &e->silence;

	for (unsigned i = 0; i < BOAT_ENGINES_MAX && e->all != NULL && s->hours_after_known; i++) {
		const struct engine_log *other = &e->all[i];
		int64_t since_ns = s->since_ns - other->evidence_ns;
		if (other != e && other->has_evidence && other->on && other->has_hours &&
			since_ns > 0 && since_ns <= MOVED_NS &&
			fabs(s->hours_after_h - other->hours_h) <= 2 * other->hours_step_h) {
			return true;
		}
	}
	return false;
}

/* What the hour meter should read by now: it may be heard as seldom as somebody asks for it, and what was
 * seen meanwhile is not unseen. */
static double seen_since_meter(const struct engine_log *e)
{
	return e->seen_h > METER_OLD_H ? e->seen_h : 0;
}

static void open_silence(struct engine_log *e, int64_t anchor_ns, int64_t gap_ns, bool gap_known)
{
	e->silence = (struct engine_silence){
		.open = true,
		.gap_known = gap_known,
		.gap_ns = gap_ns,
		.anchor_ns = anchor_ns,
		.since_ns = anchor_ns,
		.before_ns = e->heard_ns,
		.before_session = e->session,
		.hours_before_known = e->has_hours,
		.hours_before_h = e->hours_h + seen_since_meter(e),
		.hours_step_before_h = e->hours_step_h + METER_SHARE * seen_since_meter(e),
		.rpm_before = e->rpm,
	};
	if (e->running) {
		set_down(e, &e->held);
		e->held_open = true;
	}
	e->silence.litres_before_known = fuel_account_expected(
		&e->fuel, &e->silence.litres_before_l, &e->silence.litres_before_variance_l2);
	e->has_evidence = false;
	e->has_speed = false;
	e->gear_heard = false;
	e->fuel.has_rate = false;
}

/* What the silence was, by the meters. */
struct silence_verdict {
	double gap_s;
	bool hours_known;
	double hours_h;
	double step_h;	   /* the coarser of the hour meters on both sides */
	bool litres_known; /* by the counter, as the two below */
	double litres_l;
	double litres_variance_l2;
	bool ran_through;
	bool same_run;
};

static struct silence_verdict judge(const struct engine_log *e)
{
	const struct engine_silence *s = &e->silence;
	double gap_h = (double)s->gap_ns * 1e-9 / HOUR_S;
	double step_h = fmax(e->hours_step_h, s->hours_step_before_h);
	struct silence_verdict v = {.gap_s = (double)s->gap_ns * 1e-9, .step_h = step_h};

	if (s->elsewhere || has_another_s_meter(e)) {
		return v;
	}
	if (s->hours_before_known && s->hours_after_known) {
		v.hours_h = s->hours_after_h - s->hours_before_h;
		if (s->gap_doubtful && v.hours_h > gap_h + step_h && v.hours_h <= DOUBTFUL_MOST_H) {
			gap_h = v.hours_h;
			v.gap_s = gap_h * HOUR_S;
		}
		/* A meter that went back, or on by more than the gap, was replaced. */
		v.hours_known = v.hours_h >= 0 && v.hours_h <= gap_h * 1.01 + 2 * step_h + 0.02;
	}
	if (s->litres_before_known && s->litres_after_known) {
		double step_l = e->fuel.counter_step_l;
		v.litres_l = s->litres_after_l - s->litres_before_l;
		v.litres_variance_l2 = s->litres_before_variance_l2 + step_l * step_l / 12;
		v.litres_known = v.litres_l >= -1.5 * step_l &&
				 v.litres_l <= BURN_MOST_LPH * gap_h + 2 * step_l;
	}
	int64_t gap_ns = (int64_t)(v.gap_s * 1e9);
	bool fine = v.hours_known && step_h * HOUR_S <= 10;
	if (fine) {
		v.ran_through = v.hours_h * HOUR_S >= 0.8 * v.gap_s - step_h * HOUR_S - 2;
		v.same_run = v.ran_through || gap_ns <= QUIET_NS;
	} else if (gap_ns <= BRIDGE_NS) {
		v.ran_through = true;
		v.same_run = true;
	} else if (v.hours_known) {
		v.ran_through = v.hours_h >= 0.8 * gap_h - step_h / 2;
		v.same_run = v.ran_through;
	}
	return v;
}

/* Litres for engine time that nobody saw: what was learned, and what the counter says. */
static void fill_unseen(
	const struct silence_verdict *v, struct fuel_run *run, double expected_lph, double engine_s)
{
	double litres = expected_lph * engine_s / HOUR_S;
	double doubt_l = UNSEEN_SHARE * litres;
	double variance_l2 = doubt_l * doubt_l;

	if (isnan(litres) && !v->litres_known) {
		return; /* left uncovered, and told so at the end */
	}
	if (isnan(litres)) {
		litres = v->litres_l;
		variance_l2 = v->litres_variance_l2;
	} else if (v->litres_known) {
		fuel_combine(&litres, &variance_l2, v->litres_l, v->litres_variance_l2);
	}
	fuel_run_fill(run, litres > 0 ? litres : 0, variance_l2, engine_s);
}

/* A silence lies between two readings of any kind, engine time is booked from one evidence to the next: what
 * lies between the evidence and the silence on its two sides, where the engine turned. */
static double edges_s(const struct engine_log *e)
{
	const struct engine_silence *s = &e->silence;
	int64_t before_ns = s->before_ns - e->held.end_ns;
	int64_t after_ns = e->run.start_ns - s->since_ns;
	double edges = 0;

	if (e->held.end_session == s->before_session && s->rpm_before >= ON_RPM &&
		before_ns > 0 && before_ns <= SILENCE_NS) {
		edges += (double)before_ns * 1e-9;
	}
	if (e->run.start_session == e->session && after_ns > 0 && after_ns <= SILENCE_NS) {
		edges += (double)after_ns * 1e-9;
	}
	return edges;
}

/* The held part and the run since are one: the gap is engine time that nobody saw. */
static void join(struct engine_log *e, const struct silence_verdict *v)
{
	struct run_part *run = &e->run;
	const struct run_part *held = &e->held;
	double gap_s = (v->ran_through ? v->gap_s : 0) + edges_s(e);

	withdraw(e, run->run);
	run->run = held->run;
	run->trip = held->trip;
	run->start_session = held->start_session;
	run->start_ns = held->start_ns;
	if (held->engine_s > 0) {
		run->pump_l += held->pump_l * (1 + gap_s / held->engine_s);
	}
	run->engine_s += held->engine_s + gap_s;
	run->unobserved_s += held->unobserved_s + gap_s;
	run->idle_s += held->idle_s;
	if (isnan(run->max_coolant_c) || held->max_coolant_c > run->max_coolant_c) {
		run->max_coolant_c = held->max_coolant_c;
	}
	fuel_run_join(&e->fuel.run, &held->fuel);
	if (gap_s > 0) {
		double before_lph = fuel_account_expectation(&e->fuel, e->silence.rpm_before);
		double after_lph = fuel_account_expectation(&e->fuel, e->rpm);
		fill_unseen(v, &e->fuel.run, (before_lph + after_lph) / 2, gap_s);
	}
	e->held_open = false;
	tell(e, run, true);
}

/* The engine ran while nobody listened: a run of its own. */
static void tell_unseen(struct engine_log *e, const struct silence_verdict *v)
{
	const struct engine_silence *s = &e->silence;
	struct run_part part = {
		.run = ++*e->last_run,
		.start_session = s->before_session,
		.start_ns = s->before_ns,
		.end_session = e->session,
		.end_ns = s->since_ns,
		.max_coolant_c = NAN,
	};
	double learned_lph = fuel_account_learned(&e->fuel);

	part.fuel.max_lph = -1;
	if (v->hours_known && v->hours_h > 0) {
		part.engine_s = v->hours_h * HOUR_S;
	} else if (!isnan(learned_lph) && learned_lph > 0) {
		part.engine_s = fmin(v->litres_l / learned_lph * HOUR_S, v->gap_s);
	}
	if (!s->hours_after_known) {
		e->seen_h += part.engine_s / HOUR_S;
	}
	part.unobserved_s = part.engine_s;
	if (part.engine_s > 0 || v->litres_known) {
		fill_unseen(v, &part.fuel,
			v->hours_known && v->hours_h > v->step_h ? learned_lph : NAN,
			part.engine_s > 0 ? part.engine_s : 1);
	}
	if (e->held_open && part.engine_s <= RAN_ON_H * HOUR_S) {
		/* It ran on a little after it was heard last: until then its time is accounted for, should
		 * another capture tell of it later. */
		int64_t ran_on_ns = (int64_t)(part.engine_s * 1e9);
		e->held.end_ns = s->before_ns + (ran_on_ns < s->gap_ns ? ran_on_ns : s->gap_ns);
		e->held.engine_s += part.engine_s;
		e->held.unobserved_s += part.engine_s;
		fuel_run_join(&e->held.fuel, &part.fuel);
		(*e->last_run)--;
		return;
	}
	bool within = (double)s->gap_ns <= e->boat->trip_pause_h * HOUR_S * 1e9 && e->trips->open;
	part.trip = within ? e->trips->now.trip
			   : trip_log_unseen(e->trips, part.start_session, part.start_ns,
				     part.end_session, part.end_ns);
	close_part(e, &part);
}

static void settle_silence(struct engine_log *e)
{
	struct engine_silence *s = &e->silence;
	struct silence_verdict v = judge(e);
	double doubt_l = 3 * sqrt(v.litres_variance_l2) + e->fuel.counter_step_l / 2;
	bool burned = v.litres_known && v.litres_l > doubt_l;
	bool turned = v.hours_known && v.hours_h - v.step_h > UNSEEN_LEAST_H;
	bool accounted = false;

	if (e->held_open && e->running && v.same_run) {
		join(e, &v);
		accounted = true;
	} else {
		if (turned || burned) {
			tell_unseen(e, &v);
			accounted = true;
		}
		if (e->held_open) {
			close_part(e, &e->held);
			e->held_open = false;
		}
	}
	if (s->litres_after_known) {
		enum fuel_counter kind = (enum fuel_counter)e->fuel.counter;
		if (accounted || burned || !v.litres_known) {
			fuel_account_reseat(&e->fuel, s->reading_ns, kind, s->reading_l,
				e->fuel.counter_step_l);
		} else {
			e->fuel.counter_l = s->reading_l;
			e->fuel.counter_ns = s->reading_ns;
		}
	} else if (accounted) {
		e->fuel.counter_fresh = false; /* its offset is of before */
	}
	s->open = false;
}

void engine_log_tick(struct engine_log *e, int64_t t_ns)
{
	const struct engine_silence *s = &e->silence;

	if (s->open && s->heard_since && s->gap_known) {
		bool hours = !s->hours_before_known || s->hours_after_known;
		bool litres = !s->litres_before_known || s->litres_after_known;
		/* Wait for the speed too: whether it runs now decides whether the run went on. */
		if ((hours && litres && e->has_evidence) || t_ns - s->since_ns > METERS_NS) {
			settle_silence(e);
		}
	}
	if (e->held_open && !s->heard_since && t_ns - s->anchor_ns > LOST_NS) {
		close_part(e, &e->held);
		e->held_open = false;
	}
	if (e->running && !s->open && t_ns - e->heard_ns > LOST_NS) {
		end_run(e);
		e->has_evidence = false;
		e->fuel.has_rate = false;
	}
}

void engine_log_hear(struct engine_log *e, int64_t t_ns)
{
	struct engine_silence *s = &e->silence;

	if (s->open && !s->heard_since) {
		s->heard_since = true;
		s->gap_ns = longer(s->gap_ns, t_ns - s->anchor_ns);
		s->since_ns = t_ns;
	} else if (e->heard && t_ns - e->heard_ns > SILENCE_NS) {
		if (s->open) {
			settle_silence(e);
		}
		bool elsewhere = was_elsewhere(e, e->heard_ns, t_ns);
		open_silence(e, t_ns, t_ns - e->heard_ns, true);
		s->heard_since = true;
		s->elsewhere = elsewhere;
	}
	e->heard = true;
	e->heard_ns = t_ns;
	if (s->open) {
		engine_log_tick(e, t_ns);
	}
}

static bool idling(const struct engine_log *e, int64_t t_ns)
{
	if (e->gear_heard && t_ns - e->gear_ns <= GEAR_NS) {
		return e->neutral;
	}
	return !isnan(e->rpm) && e->rpm <= e->boat->engines[e->engine].idle_rpm;
}

/* Books the time since the last evidence, by whether it turned on both sides of it. */
static void book_time(struct engine_log *e, int64_t t_ns, bool on, double rpm, int64_t gap_ns)
{
	double dt_s = (double)(t_ns - e->evidence_ns) * 1e-9;
	bool observed = t_ns - e->evidence_ns <= gap_ns;
	const struct boat_engine *boat = &e->boat->engines[e->engine];

	if (!e->has_evidence || !(e->on || on) || (!observed && !(e->on && on))) {
		return;
	}
	if (!observed && was_elsewhere(e, e->evidence_ns, t_ns)) {
		return;
	}
	double share = e->on && on ? 1 : 0.5;
	e->run.engine_s += share * dt_s;
	e->seen_h += share * dt_s / HOUR_S;
	fuel_account_speed(&e->fuel, t_ns, share * dt_s, observed ? rpm : NAN);
	if (!observed) {
		e->run.unobserved_s += dt_s;
	} else if (idling(e, t_ns)) {
		e->run.idle_s += share * dt_s;
	}
	if (boat->supply == SUPPLY_PUMP && boat->pump_rpm > 0 && !isnan(rpm) && !isnan(e->rpm)) {
		e->run.pump_l +=
			boat->pump_lph * (rpm + e->rpm) / 2 / boat->pump_rpm * dt_s / HOUR_S;
	}
}

static void take_evidence(struct engine_log *e, int64_t t_ns, bool on, double rpm, int64_t gap_ns)
{
	if (on && !e->running) {
		begin_run(e, t_ns);
	}
	if (e->running) {
		if (e->off_ns != CLOCK_NONE && on) {
			e->off_ns = CLOCK_NONE; /* restarted within the run */
		}
		book_time(e, t_ns, on, rpm, gap_ns);
		if (on) {
			e->run.end_ns = t_ns;
			e->run.end_session = e->session;
			(void)trip_log_active(e->trips, t_ns);
		} else if (e->off_ns == CLOCK_NONE) {
			e->off_ns = t_ns;
		}
	}
	if (!e->has_evidence || t_ns - e->evidence_ns > gap_ns) {
		e->began_ns = t_ns;
	}
	e->has_evidence = true;
	e->on = on;
	e->rpm = rpm;
	e->evidence_ns = t_ns;
	if (e->running && !on && t_ns - e->off_ns >= QUIET_NS) {
		if (e->silence.open) {
			if (!e->silence.gap_known) {
				return; /* the seam must be settled first */
			}
			settle_silence(e);
		}
		end_run(e);
	}
}

void engine_log_speed(struct engine_log *e, int64_t t_ns, double rpm, int64_t gap_ns)
{
	e->has_speed = true;
	e->speed_ns = t_ns;
	take_evidence(e, t_ns, rpm >= ON_RPM, rpm, gap_ns);
}

/* Whose the litres of the interval are that ends with a reading of the rate now. */
static enum fuel_share share_of(const struct engine_log *e, int64_t t_ns)
{
	if (e->running && e->off_ns == CLOCK_NONE) {
		return FUEL_RUNS;
	}
	if (e->has_evidence && e->rpm >= TURNS_RPM && t_ns - e->evidence_ns <= SILENCE_NS) {
		return FUEL_CRANKS;
	}
	/* The interval in which the engine stopped. */
	return e->running && e->fuel.rate_ns <= e->off_ns ? FUEL_CRANKS : FUEL_STANDS;
}

void engine_log_rate(
	struct engine_log *e, int64_t t_ns, double lph, double resolution, int64_t gap_ns)
{
	if (!e->has_speed || t_ns - e->speed_ns > SILENCE_NS) {
		take_evidence(e, t_ns, lph > 0, NAN, gap_ns);
	}
	fuel_account_rate(&e->fuel, t_ns, lph, resolution, gap_ns, share_of(e, t_ns));
}

void engine_log_counter(
	struct engine_log *e, int64_t t_ns, enum fuel_counter kind, double litres, double step_l)
{
	struct engine_silence *s = &e->silence;

	if (!s->open || e->fuel.counter == COUNTER_NONE) {
		fuel_account_counter(
			&e->fuel, t_ns, kind, litres, step_l, e->running ? e->run.engine_s : 0);
		return;
	}
	if (kind == e->fuel.counter && step_l == e->fuel.counter_step_l && !s->litres_after_known) {
		s->litres_after_known = true;
		s->reading_l = litres;
		s->reading_ns = t_ns;
		s->litres_after_l =
			litres + step_l / 2 - e->fuel.run.observed_l - e->fuel.run.error_l;
		engine_log_tick(e, t_ns);
	}
}

void engine_log_hours(struct engine_log *e, int64_t t_ns, double hours_h, double step_h)
{
	struct engine_silence *s = &e->silence;

	e->has_hours = true;
	e->hours_h = hours_h;
	e->hours_step_h = step_h;
	e->seen_h = 0;
	if (s->open && !s->hours_after_known) {
		s->hours_after_known = true;
		s->hours_after_h = hours_h;
		engine_log_tick(e, t_ns);
	}
}

void engine_log_gear(struct engine_log *e, int64_t t_ns, bool neutral)
{
	e->gear_heard = true;
	e->neutral = neutral;
	e->gear_ns = t_ns;
}

void engine_log_coolant(struct engine_log *e, double celsius)
{
	if (e->running && !(celsius <= e->run.max_coolant_c)) {
		e->run.max_coolant_c = celsius;
	}
}

void engine_log_session(struct engine_log *e, int64_t session, int64_t last_ns, int64_t first_ns)
{
	struct engine_silence *s = &e->silence;

	if (e->heard && s->open && s->heard_since) {
		settle_silence(e);
	}
	if (e->heard && s->open) {
		s->gap_ns = longer(s->gap_ns, last_ns - s->anchor_ns);
		s->anchor_ns = first_ns;
		s->gap_known = false;
	} else if (e->heard) {
		open_silence(e, first_ns, last_ns - e->heard_ns, false);
	}
	e->session = session;
}

int64_t engine_log_witness(const struct engine_log *e)
{
	const struct engine_silence *s = &e->silence;

	if (!s->open || s->gap_known || !e->held_open || !e->running ||
		e->run.start_ns - s->anchor_ns > SILENCE_NS) {
		return -1;
	}
	if (s->hours_before_known && s->hours_after_known) {
		double gap_h = s->hours_after_h - s->hours_before_h;
		double step_h = fmax(e->hours_step_h, s->hours_step_before_h);
		if (gap_h < 0 || gap_h > DOUBTFUL_MOST_H) {
			return -1;
		}
		return gap_h <= step_h ? 0 : (int64_t)(gap_h * HOUR_S * 1e9);
	}
	if (s->litres_before_known && s->litres_after_known) {
		double litres = s->litres_after_l - s->litres_before_l;
		double lph = fuel_account_expectation(&e->fuel, s->rpm_before);
		double step_l = e->fuel.counter_step_l;
		if (litres < -1.5 * step_l || !(lph > 0) || litres / lph > DOUBTFUL_MOST_H) {
			return -1;
		}
		return litres <= 1.5 * step_l ? 0 : (int64_t)(litres / lph * HOUR_S * 1e9);
	}
	return -1;
}

void engine_log_settle(struct engine_log *e, int64_t t_ns, int64_t gap_ns, bool sure)
{
	struct engine_silence *s = &e->silence;

	if (s->open && !s->gap_known) {
		s->gap_known = true;
		s->gap_doubtful = s->gap_doubtful || !sure;
		s->gap_ns = longer(s->gap_ns, gap_ns);
		engine_log_tick(e, t_ns);
		if (e->running && !e->on && e->off_ns != CLOCK_NONE &&
			t_ns - e->off_ns >= QUIET_NS) {
			settle_silence(e);
			end_run(e);
		}
	}
}

void engine_log_retrip(struct engine_log *e, int64_t from, int64_t into)
{
	if (e->running && e->run.trip == from) {
		e->run.trip = into;
	}
	if (e->held_open && e->held.trip == from) {
		e->held.trip = into;
	}
}

void engine_log_snapshot(const struct engine_log *e)
{
	if (e->held_open) {
		struct engine_log copy = *e;
		struct fuel_account account = e->fuel;
		account.run = copy.held.fuel;
		account.has_rate = false;
		fuel_account_end(&account, copy.held.engine_s);
		copy.held.fuel = account.run;
		tell(e, &copy.held, true);
	}
	if (e->running) {
		struct fuel_account account = e->fuel;
		struct run_part part = e->run;
		fuel_account_end(&account, part.engine_s);
		part.fuel = account.run;
		tell(e, &part, true);
	}
}

void engine_log_finish(struct engine_log *e)
{
	if (e->silence.open) {
		settle_silence(e);
	}
	if (e->held_open) {
		close_part(e, &e->held);
		e->held_open = false;
	}
	if (e->running) {
		end_run(e);
	}
}

static void save_part(const struct run_part *p, bool with_fuel, struct state_writer *w)
{
	state_put_signed(w, p->run);
	state_put_signed(w, p->trip);
	state_put_signed(w, p->start_session);
	state_put_signed(w, p->start_ns);
	state_put_signed(w, p->end_session);
	state_put_signed(w, p->end_ns - p->start_ns);
	state_put_double(w, p->engine_s);
	state_put_double(w, p->idle_s);
	state_put_double(w, p->unobserved_s);
	state_put_double(w, p->pump_l);
	state_put_double(w, p->max_coolant_c);
	if (with_fuel) {
		fuel_run_save(&p->fuel, w);
	}
}

static void load_part(struct run_part *p, bool with_fuel, struct state_reader *r)
{
	p->run = state_get_signed(r);
	p->trip = state_get_signed(r);
	p->start_session = state_get_signed(r);
	p->start_ns = state_get_signed(r);
	p->end_session = state_get_signed(r);
	p->end_ns = p->start_ns + state_get_signed(r);
	p->engine_s = state_get_double(r);
	p->idle_s = state_get_double(r);
	p->unobserved_s = state_get_double(r);
	p->pump_l = state_get_double(r);
	p->max_coolant_c = state_get_double(r);
	if (with_fuel) {
		fuel_run_load(&p->fuel, r);
	}
}

static void save_silence(const struct engine_silence *s, struct state_writer *w)
{
	state_put_unsigned(w,
		(s->elsewhere ? 128U : 0) | (s->gap_doubtful ? 64U : 0) |
			(s->heard_since ? 32U : 0) | (s->gap_known ? 1U : 0) |
			(s->hours_before_known ? 2U : 0) | (s->hours_after_known ? 4U : 0) |
			(s->litres_before_known ? 8U : 0) | (s->litres_after_known ? 16U : 0));
	state_put_signed(w, s->gap_ns);
	state_put_signed(w, s->anchor_ns);
	state_put_signed(w, s->since_ns);
	state_put_signed(w, s->before_ns);
	state_put_signed(w, s->before_session);
	state_put_double(w, s->hours_before_h);
	state_put_double(w, s->hours_step_before_h);
	state_put_double(w, s->rpm_before);
	state_put_double(w, s->hours_after_h);
	state_put_double(w, s->litres_before_l);
	state_put_double(w, s->litres_before_variance_l2);
	state_put_double(w, s->litres_after_l);
	state_put_double(w, s->reading_l);
	state_put_signed(w, s->reading_ns);
}

static void load_silence(struct engine_silence *s, struct state_reader *r)
{
	uint64_t flags = state_get_unsigned(r, 255);

	s->open = true;
	s->elsewhere = (flags & 128) != 0;
	s->gap_doubtful = (flags & 64) != 0;
	s->heard_since = (flags & 32) != 0;
	s->gap_known = (flags & 1) != 0;
	s->hours_before_known = (flags & 2) != 0;
	s->hours_after_known = (flags & 4) != 0;
	s->litres_before_known = (flags & 8) != 0;
	s->litres_after_known = (flags & 16) != 0;
	s->gap_ns = state_get_signed(r);
	s->anchor_ns = state_get_signed(r);
	s->since_ns = state_get_signed(r);
	s->before_ns = state_get_signed(r);
	s->before_session = state_get_signed(r);
	s->hours_before_h = state_get_double(r);
	s->hours_step_before_h = state_get_double(r);
	s->rpm_before = state_get_double(r);
	s->hours_after_h = state_get_double(r);
	s->litres_before_l = state_get_double(r);
	s->litres_before_variance_l2 = state_get_double(r);
	s->litres_after_l = state_get_double(r);
	s->reading_l = state_get_double(r);
	s->reading_ns = state_get_signed(r);
}

void engine_log_save(const struct engine_log *e, struct state_writer *w)
{
	state_put_unsigned(w, (e->has_evidence ? 1U : 0) | (e->on ? 2U : 0) |
				      (e->has_speed ? 4U : 0) | (e->gear_heard ? 8U : 0) |
				      (e->neutral ? 16U : 0) | (e->has_hours ? 32U : 0) |
				      (e->running ? 64U : 0) | (e->held_open ? 128U : 0) |
				      (e->silence.open ? 256U : 0) | (e->seen_h > 0 ? 512U : 0) |
				      1024U);
	state_put_signed(w, e->session);
	state_put_signed(w, e->heard_ns);
	state_put_signed(w, e->evidence_ns);
	state_put_double(w, e->rpm);
	state_put_signed(w, e->speed_ns);
	state_put_signed(w, e->gear_ns);
	state_put_double(w, e->hours_h);
	state_put_double(w, e->hours_step_h);
	if (e->seen_h > 0) {
		state_put_double(w, e->seen_h);
	}
	state_put_signed(w, e->began_ns);
	fuel_account_save(&e->fuel, w);
	state_put_double(w, e->closed_h);
	state_put_double(w, e->closed_supply_l);
	state_put_double(w, e->closed_burn_l);
	if (e->running) {
		state_put_signed(w, e->off_ns);
		save_part(&e->run, false, w);
	}
	if (e->held_open) {
		save_part(&e->held, true, w);
	}
	if (e->silence.open) {
		save_silence(&e->silence, w);
	}
}

void engine_log_load(struct engine_log *e, struct state_reader *r)
{
	const struct engine_log *all = e->all;

	engine_log_init(e, e->engine, e->boat, e->sink, e->trips, e->last_run);
	e->all = all;
	uint64_t flags = state_get_unsigned(r, 2047);
	e->heard = true;
	e->has_evidence = (flags & 1) != 0;
	e->on = (flags & 2) != 0;
	e->has_speed = (flags & 4) != 0;
	e->gear_heard = (flags & 8) != 0;
	e->neutral = (flags & 16) != 0;
	e->has_hours = (flags & 32) != 0;
	e->running = (flags & 64) != 0;
	e->held_open = (flags & 128) != 0;
	e->session = state_get_signed(r);
	e->heard_ns = state_get_signed(r);
	e->evidence_ns = state_get_signed(r);
	e->rpm = state_get_double(r);
	e->speed_ns = state_get_signed(r);
	e->gear_ns = state_get_signed(r);
	e->hours_h = state_get_double(r);
	e->hours_step_h = state_get_double(r);
	e->seen_h = (flags & 512) != 0 ? state_get_double(r) : 0;
	e->began_ns = (flags & 1024) != 0 ? state_get_signed(r) : 0; /* version 1 kept none */
	fuel_account_load(&e->fuel, r);
	e->closed_h = state_get_double(r);
	e->closed_supply_l = state_get_double(r);
	e->closed_burn_l = state_get_double(r);
	if (e->running) {
		e->off_ns = state_get_signed(r);
		load_part(&e->run, false, r);
	}
	if (e->held_open) {
		load_part(&e->held, true, r);
	}
	if ((flags & 256) != 0) {
		load_silence(&e->silence, r);
	}
}
