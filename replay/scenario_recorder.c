#include "replay/scenario_recorder.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define LATE_MOST_NS INT64_C(1000000000)

#define NS	  INT64_C(1000000000)
#define EPOCH_NS  (1550000000 * NS) /* an old date to start from, with SCENARIO_CLOCK_EPOCH */
#define BOOT_NS	  (8 * NS)	    /* from the clock's start to the first frame */
#define MIRROR_NS 40000

static int compare_times(const void *a, const void *b)
{
	int64_t x = *(const int64_t *)a;
	int64_t y = *(const int64_t *)b;

	return (x > y) - (x < y);
}

/* Moments at which power is lost, evenly over the time that engines run. */
static void plan_cuts(
	struct scenario_recorder *r, const struct scenario_plan *plan, int64_t *cuts, size_t count)
{
	int64_t run_ns = 0;

	for (size_t i = 0; i < plan->leg_count; i++) {
		if (scenario_leg_runs(plan->legs[i].kind)) {
			run_ns += plan->legs[i].end_ns - plan->legs[i].start_ns;
		}
	}
	for (size_t c = 0; c < count; c++) {
		int64_t into_ns = (int64_t)(scenario_random_share(&r->random) * (double)run_ns);

		cuts[c] = INT64_MAX;
		for (size_t i = 0; i < plan->leg_count && cuts[c] == INT64_MAX; i++) {
			const struct scenario_leg *leg = &plan->legs[i];
			int64_t length_ns = leg->end_ns - leg->start_ns;

			if (scenario_leg_runs(leg->kind)) {
				if (into_ns < length_ns) {
					cuts[c] = leg->start_ns + into_ns;
				}
				into_ns -= length_ns;
			}
		}
	}
	qsort(cuts, count, sizeof(*cuts), compare_times);
}

static void add_session(struct scenario_recorder *r, int64_t on_ns, int64_t off_ns, bool lost_power)
{
	const struct scenario_session *before =
		r->session_count > 0 ? &r->sessions[r->session_count - 1] : NULL;
	struct scenario_session *s = &r->sessions[r->session_count++];
	int64_t clock_ns = EPOCH_NS;

	*s = (struct scenario_session){
		.on_ns = on_ns,
		.off_ns = off_ns,
		.set_ns = INT64_MAX,
		.lost_power = lost_power,
	};
	if (r->disturb.clock == SCENARIO_CLOCK_RIGHT) {
		s->set_ns = on_ns;
		return;
	}
	if (r->disturb.clock == SCENARIO_CLOCK_RESUMED && before != NULL) {
		clock_ns = before->off_ns +
			   (before->set_ns == INT64_MAX ? before->clock_offset_ns : 0);
	}
	s->clock_offset_ns = clock_ns + BOOT_NS - on_ns;
	s->clock_offset_ns -= s->clock_offset_ns % 1000;
	if (r->disturb.clock_set_after_s > 0) {
		int64_t set_ns =
			on_ns + (int64_t)(r->disturb.clock_set_after_s *
					  scenario_random_between(&r->random, 0.5, 1.5) * 1e9);

		s->set_ns = set_ns < off_ns ? set_ns : INT64_MAX;
	}
}

/* One stretch with the boat's instruments on, less what the power cuts take. */
static void add_sessions(struct scenario_recorder *r, int64_t wake_ns, int64_t sleep_ns,
	const int64_t *cuts, size_t cut_count)
{
	int64_t on_ns =
		wake_ns + BOOT_NS + (int64_t)(scenario_random_between(&r->random, 5, 30) * 1e9);

	on_ns -= on_ns % 1000;
	for (size_t i = 0; i < cut_count; i++) {
		double away_s =
			scenario_random_exponential(&r->random, r->disturb.power_cycle_mean_s);

		if (cuts[i] > on_ns && cuts[i] < sleep_ns) {
			int64_t cut_ns = cuts[i] - cuts[i] % 1000;

			add_session(r, on_ns, cut_ns, true);
			on_ns = cut_ns + BOOT_NS + (int64_t)(away_s * 1e6) * 1000;
		}
	}
	if (on_ns < sleep_ns) {
		add_session(r, on_ns, sleep_ns, false);
	}
}

int scenario_recorder_init(struct scenario_recorder *r, const struct scenario_options *options,
	const struct scenario_plan *plan, uint8_t mirror_bus)
{
	size_t cut_count = options->disturb.power_cycles;
	int64_t *cuts = calloc(cut_count + 1, sizeof(*cuts));
	int64_t wake_ns = INT64_MAX;
	int result = 0;

	*r = (struct scenario_recorder){.disturb = options->disturb, .mirror_bus = mirror_bus};
	scenario_random_init(&r->random, options->seed, 5);
	r->sessions = calloc(plan->leg_count + cut_count + 1, sizeof(*r->sessions));
	if (cuts == NULL || r->sessions == NULL) {
		result = -ENOMEM;
		goto free_cuts;
	}
	plan_cuts(r, plan, cuts, cut_count);
	for (size_t i = 0; i < plan->leg_count; i++) {
		const struct scenario_leg *leg = &plan->legs[i];

		if (leg->kind != LEG_ASLEEP && wake_ns == INT64_MAX) {
			wake_ns = leg->start_ns;
		}
		if (wake_ns != INT64_MAX && (leg->kind == LEG_ASLEEP || i + 1 == plan->leg_count)) {
			add_sessions(r, wake_ns,
				leg->kind == LEG_ASLEEP ? leg->start_ns : leg->end_ns, cuts,
				cut_count);
			wake_ns = INT64_MAX;
		}
	}
free_cuts:
	free(cuts);
	if (result < 0) {
		scenario_recorder_finish(r);
	}
	return result;
}

void scenario_recorder_finish(struct scenario_recorder *r)
{
	free(r->sessions);
	r->sessions = NULL;
}

bool scenario_recorder_on(struct scenario_recorder *r, int64_t true_ns)
{
	while (r->session < r->session_count && true_ns >= r->sessions[r->session].off_ns) {
		r->session++;
	}
	return r->session < r->session_count && true_ns >= r->sessions[r->session].on_ns;
}

static void push(struct scenario_recorder *r, const struct frame *frame)
{
	r->queue[(r->queue_head + r->queue_count) % RECORDER_QUEUE] = *frame;
	r->queue_count++;
}

/* Lets go of held frames whose turn has come. */
static void release(struct scenario_recorder *r, bool all)
{
	for (unsigned i = 0; i < RECORDER_HELD && r->held_count > 0; i++) {
		if (r->held_for[i] > 0 && (all || --r->held_for[i] == 0)) {
			r->held_for[i] = 0;
			r->held_count--;
			push(r, &r->held[i]);
		}
	}
}

/* Lets go of held frames that would come more than a second late: no queue aboard is that long. */
static void release_old(struct scenario_recorder *r, int64_t t_ns)
{
	for (unsigned i = 0; i < RECORDER_HELD && r->held_count > 0; i++) {
		if (r->held_for[i] > 0 && t_ns - r->held[i].t_ns > LATE_MOST_NS) {
			r->held_for[i] = 0;
			r->held_count--;
			push(r, &r->held[i]);
		}
	}
}

static bool hold(struct scenario_recorder *r, const struct frame *frame)
{
	if (r->disturb.reorder <= 0 || r->held_count == RECORDER_HELD ||
		scenario_random_share(&r->random) >= r->disturb.reorder) {
		return false;
	}
	for (unsigned i = 0; i < RECORDER_HELD; i++) {
		if (r->held_for[i] == 0) {
			r->held[i] = *frame;
			r->held_for[i] = 1 + (unsigned)(scenario_random_bits(&r->random) % 3);
			r->held_count++;
			r->reordered++;
			break;
		}
	}
	return true;
}

static bool loses(struct scenario_recorder *r, unsigned bus)
{
	double burst = r->disturb.loss_burst > 1 ? r->disturb.loss_burst : 1;
	double share = scenario_random_share(&r->random);

	if (r->disturb.loss <= 0) {
		return false;
	}
	/* A two-state chain: its mean stay in the bad state is a burst, its long-run share the
	 * loss. */
	if (burst == 1) {
		return share < r->disturb.loss;
	}
	r->bursting[bus] = r->bursting[bus]
				   ? share < 1 - 1 / burst
				   : share < r->disturb.loss / (burst * (1 - r->disturb.loss));
	return r->bursting[bus];
}

static void record(struct scenario_recorder *r, const struct frame *frame, bool on)
{
	const struct scenario_session *s = &r->sessions[r->session];
	struct frame heard = *frame;

	r->sent++;
	if (!on) {
		r->unheard++;
		return;
	}
	if (loses(r, frame->bus)) {
		r->lost++;
		return;
	}
	if (frame->t_ns < s->set_ns) {
		heard.t_ns += s->clock_offset_ns;
	}
	release_old(r, heard.t_ns);
	if (!hold(r, &heard)) {
		push(r, &heard);
		release(r, false);
	}
}

void scenario_recorder_take(struct scenario_recorder *r, const struct frame *frame)
{
	size_t session = r->session;
	bool on = scenario_recorder_on(r, frame->t_ns);

	if (session != r->session) {
		release(r, true);
	}
	record(r, frame, on);
	if (r->disturb.mirror && frame->bus == 0) {
		struct frame again = *frame;

		again.bus = r->mirror_bus;
		again.t_ns += MIRROR_NS;
		record(r, &again, on);
	}
}

void scenario_recorder_flush(struct scenario_recorder *r)
{
	release(r, true);
}

bool scenario_recorder_give(struct scenario_recorder *r, struct frame *ret_frame)
{
	if (r->queue_count == 0) {
		return false;
	}
	*ret_frame = r->queue[r->queue_head];
	r->queue_head = (r->queue_head + 1) % RECORDER_QUEUE;
	r->queue_count--;
	return true;
}
