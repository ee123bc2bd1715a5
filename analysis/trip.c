#include "analysis/trip.h"

#include <math.h>
#include <string.h>

#define HOUR_NS	 3.6e12
#define WINDOW_H (10.0 / 3600)

/* Windows in a row that must move before movement alone opens or keeps a trip: a minute. */
#define MOVING_WINDOWS 6
/* Below this a speed is the noise of a receiver at anchor and adds no distance. */
#define DISTANCE_LEAST_KN 0.5
/* Windows without a speed that are bridged by the speeds on both sides: two minutes. */
#define BRIDGE_WINDOWS 12

void trip_log_init(struct trip_log *t, const struct boat *boat, const struct fact_sink *sink)
{
	memset(t, 0, sizeof(*t));
	t->boat = boat;
	t->sink = sink;
}

static void tell(const struct trip_log *t, const struct trip_part *part, bool open)
{
	struct fact_trip fact = {
		.trip = part->trip,
		.start_session = part->start_session,
		.end_session = part->end_session,
		.start_ns = part->start_ns,
		.end_ns = part->end_ns,
		.open = open,
		.distance_nm = part->has_distance ? part->distance_nm : NAN,
	};

	if (t->sink->on_trip != NULL) {
		t->sink->on_trip(t->sink->context, &fact);
	}
}

static int64_t pause_ns(const struct trip_log *t)
{
	return (int64_t)(t->boat->trip_pause_h * HOUR_NS);
}

static void close_trip(struct trip_log *t)
{
	tell(t, &t->now, false);
	t->open = false;
}

int64_t trip_log_active(struct trip_log *t, int64_t t_ns)
{
	if (t->open && t_ns - t->now.active_ns > pause_ns(t)) {
		close_trip(t);
	}
	if (!t->open) {
		t->now = (struct trip_part){
			.trip = ++t->last_trip,
			.start_session = t->session,
			.start_ns = t_ns,
			.has_distance = t->speed_heard,
		};
		t->open = true;
	}
	t->now.active_ns = t_ns;
	t->now.end_ns = t_ns;
	t->now.end_session = t->session;
	return t->now.trip;
}

static void add_distance(struct trip_log *t, int64_t window, double speed_kn)
{
	int64_t missed = t->speed_heard ? window - t->speed_window - 1 : 0;
	double nm = speed_kn >= DISTANCE_LEAST_KN ? speed_kn * WINDOW_H : 0;

	if (missed > 0 && missed <= BRIDGE_WINDOWS && speed_kn >= DISTANCE_LEAST_KN &&
		t->speed_kn >= DISTANCE_LEAST_KN) {
		nm += (speed_kn + t->speed_kn) / 2 * WINDOW_H * (double)missed;
	}
	if (t->open) {
		t->now.distance_nm += nm;
		t->now.has_distance = true;
	} else if (t->moving_windows > 0) {
		t->moving_nm += nm;
	}
}

void trip_log_window(struct trip_log *t, int64_t window, double speed_kn)
{
	int64_t start_ns = window * WINDOW_NS;
	int64_t end_ns = start_ns + WINDOW_NS;

	if (!isnan(speed_kn)) {
		if (speed_kn < t->boat->moving_kn) {
			t->moving_windows = 0;
		} else if (t->moving_windows++ == 0) {
			t->moving_since_ns = start_ns;
			t->moving_nm = 0;
		}
		add_distance(t, window, speed_kn);
		t->speed_heard = true;
		t->speed_kn = speed_kn;
		t->speed_window = window;
		if (t->moving_windows >= MOVING_WINDOWS) {
			bool was_open = t->open;
			(void)trip_log_active(t, was_open ? end_ns : t->moving_since_ns);
			if (!was_open) {
				t->now.distance_nm = t->moving_nm;
				t->now.has_distance = true;
				(void)trip_log_active(t, end_ns);
			}
		}
	}
	if (t->open && end_ns - t->now.active_ns > pause_ns(t)) {
		close_trip(t);
	}
}

void trip_log_session(struct trip_log *t, int64_t session, int64_t first_ns)
{
	(void)first_ns;
	if (t->open && !t->held_open) {
		t->held = t->now;
		t->held_open = true;
		t->open = false;
	}
	t->session = session;
	t->moving_windows = 0;
	t->speed_heard = false;
}

int64_t trip_log_settle(
	struct trip_log *t, int64_t last_ns, int64_t first_ns, int64_t gap_ns, int64_t *ret_into)
{
	if (!t->held_open) {
		return 0;
	}
	t->held_open = false;
	/* The last activity before the seam, put on the present session's time scale. */
	int64_t active_ns = first_ns - gap_ns - (last_ns - t->held.active_ns);
	if (!t->open) {
		t->now = t->held;
		t->now.active_ns = active_ns;
		t->open = true;
		return 0;
	}
	if (t->now.start_ns - active_ns > pause_ns(t)) {
		tell(t, &t->held, false);
		return 0;
	}
	int64_t withdrawn = t->now.trip;
	t->now.trip = t->held.trip;
	t->now.start_session = t->held.start_session;
	t->now.start_ns = t->held.start_ns;
	t->now.distance_nm += t->held.distance_nm;
	t->now.has_distance = t->now.has_distance || t->held.has_distance;
	if (t->last_trip == withdrawn) {
		t->last_trip--;
	}
	if (t->sink->on_trip_withdrawn != NULL) {
		t->sink->on_trip_withdrawn(t->sink->context, withdrawn);
	}
	tell(t, &t->now, true);
	*ret_into = t->now.trip;
	return withdrawn;
}

int64_t trip_log_unseen(struct trip_log *t, int64_t start_session, int64_t start_ns,
	int64_t end_session, int64_t end_ns)
{
	struct trip_part part = {
		.trip = ++t->last_trip,
		.start_session = start_session,
		.start_ns = start_ns,
		.end_session = end_session,
		.end_ns = end_ns,
	};

	tell(t, &part, false);
	return part.trip;
}

void trip_log_snapshot(const struct trip_log *t)
{
	if (t->held_open) {
		tell(t, &t->held, true);
	}
	if (t->open) {
		tell(t, &t->now, true);
	}
}

void trip_log_finish(struct trip_log *t)
{
	if (t->held_open) {
		tell(t, &t->held, false);
		t->held_open = false;
	}
	if (t->open) {
		close_trip(t);
	}
}

static void save_part(const struct trip_part *part, struct state_writer *w)
{
	state_put_signed(w, part->trip);
	state_put_signed(w, part->start_session);
	state_put_signed(w, part->start_ns);
	state_put_signed(w, part->end_session);
	state_put_signed(w, part->end_ns);
	state_put_signed(w, part->active_ns);
	state_put_double(w, part->distance_nm);
	state_put_unsigned(w, part->has_distance);
}

static void load_part(struct trip_part *part, struct state_reader *r)
{
	part->trip = state_get_signed(r);
	part->start_session = state_get_signed(r);
	part->start_ns = state_get_signed(r);
	part->end_session = state_get_signed(r);
	part->end_ns = state_get_signed(r);
	part->active_ns = state_get_signed(r);
	part->distance_nm = state_get_double(r);
	part->has_distance = state_get_unsigned(r, 1) != 0;
}

void trip_log_save(const struct trip_log *t, struct state_writer *w)
{
	state_put_signed(w, t->last_trip);
	state_put_unsigned(
		w, (t->open ? 1U : 0) | (t->held_open ? 2U : 0) | (t->speed_heard ? 4U : 0));
	if (t->open) {
		save_part(&t->now, w);
	}
	if (t->held_open) {
		save_part(&t->held, w);
	}
	state_put_signed(w, t->session);
	state_put_unsigned(w, t->moving_windows);
	if (t->moving_windows > 0) {
		state_put_signed(w, t->moving_since_ns);
		state_put_double(w, t->moving_nm);
	}
	if (t->speed_heard) {
		state_put_double(w, t->speed_kn);
		state_put_signed(w, t->speed_window);
	}
}

void trip_log_load(struct trip_log *t, struct state_reader *r)
{
	trip_log_init(t, t->boat, t->sink);
	t->last_trip = state_get_signed(r);
	uint64_t flags = state_get_unsigned(r, 7);
	t->open = (flags & 1) != 0;
	t->held_open = (flags & 2) != 0;
	t->speed_heard = (flags & 4) != 0;
	if (t->open) {
		load_part(&t->now, r);
	}
	if (t->held_open) {
		load_part(&t->held, r);
	}
	t->session = state_get_signed(r);
	t->moving_windows = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	if (t->moving_windows > 0) {
		t->moving_since_ns = state_get_signed(r);
		t->moving_nm = state_get_double(r);
	}
	if (t->speed_heard) {
		t->speed_kn = state_get_double(r);
		t->speed_window = state_get_signed(r);
	}
}
