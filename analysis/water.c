#include "analysis/water.h"

#include <math.h>

#define SECOND_NS   INT64_C(1000000000)
#define STEADY_NS   (30 * SECOND_NS)
#define PERIOD_MOST (12 * SECOND_NS) /* SPN 97 comes every 10 s */
#define SILENCE_NS  (25 * SECOND_NS) /* a longer gap between readings proves nothing about it */
#define DRAINED_NS  (60 * SECOND_NS) /* dry for so long after a drain: it is out */
#define CLEAR_NS \
	(1800 * SECOND_NS) /* dry for so long without one: it was carried away, or pumped */
#define RECURRING_H 100.0
#define TIMES_CAP   100000

void water_init(struct water *w)
{
	*w = (struct water){.last_ns = INT64_MIN, .wet_ns = INT64_MIN, .drained_h = NAN};
}

static enum water_news take_wet(struct water *w, int64_t t_ns, double engine_h)
{
	w->dry_ns = 0;
	if (w->wet_ns == INT64_MIN) {
		w->wet_ns = t_ns;
	}
	/* A slow sender's fourth reading may come a little early; nothing shorter than 30 s can
	 * show four. */
	int64_t early = w->period_ns / 2 < 5 * SECOND_NS ? w->period_ns / 2 : 5 * SECOND_NS;
	if (w->raised || t_ns - w->wet_ns < STEADY_NS - early) {
		return WATER_QUIET;
	}
	bool recurring = w->drained && engine_h - w->drained_h <= RECURRING_H;
	w->raised = true;
	w->drained = false;
	if (w->times < TIMES_CAP) {
		w->times++;
	}
	return recurring ? WATER_RECURRING : WATER_FOUND;
}

enum water_news water_take(struct water *w, int64_t t_ns, bool wet, double engine_h)
{
	int64_t gap = w->last_ns == INT64_MIN ? INT64_MAX : t_ns - w->last_ns;

	w->last_ns = t_ns;
	if (gap > SILENCE_NS) {
		w->wet_ns = INT64_MIN; /* what happened in between is not known */
		gap = 0;
	} else if (gap <= PERIOD_MOST) {
		w->period_ns = w->period_ns == 0 ? gap : w->period_ns + (gap - w->period_ns) / 4;
	}
	if (wet) {
		return take_wet(w, t_ns, engine_h);
	}
	w->wet_ns = INT64_MIN;
	w->dry_ns += gap;
	if (!w->raised || w->dry_ns < (w->drained ? DRAINED_NS : CLEAR_NS)) {
		return WATER_QUIET;
	}
	w->raised = false;
	return WATER_CLEARED;
}

void water_drained(struct water *w, double engine_h)
{
	if (w->times > 0) {
		w->drained = true;
		w->drained_h = state_single(engine_h);
	}
	w->dry_ns = 0;
}

const char *water_next_step(enum water_news news)
{
	switch (news) {
	case WATER_FOUND:
		return "Stop the engine as soon as it is safe, drain the bowl, and note how much "
		       "came out.";
	case WATER_RECURRING:
		return "Drain it again, then look for the way in: tank bottom, filler cap, vent, "
		       "the last "
		       "fuel taken. Water that keeps coming ruins the injection.";
	case WATER_CLEARED:
		return "The bowl reads dry. Drain a sample to see that it is.";
	case WATER_QUIET:
		break;
	}
	return "";
}

void water_save(const struct water *w, struct state_writer *writer)
{
	state_put_signed(writer, w->last_ns);
	/* Times near each other are short as differences. */
	state_put_unsigned(writer, w->wet_ns != INT64_MIN);
	state_put_signed(writer, w->wet_ns != INT64_MIN ? w->last_ns - w->wet_ns : 0);
	state_put_signed(writer, w->dry_ns);
	state_put_signed(writer, w->period_ns);
	state_put_unsigned(writer, w->raised);
	state_put_unsigned(writer, w->drained);
	state_put_unsigned(writer, w->times);
	state_put_float(writer, (float)w->drained_h);
}

void water_load(struct water *w, struct state_reader *reader)
{
	w->last_ns = state_get_signed(reader);
	bool is_wet = state_get_unsigned(reader, 1) != 0;
	int64_t wet_for = state_get_signed(reader);
	if (is_wet && (wet_for < 0 || w->last_ns < INT64_MIN / 2 || wet_for > INT64_MAX / 2)) {
		reader->failed = true;
		is_wet = false;
	}
	w->wet_ns = is_wet ? w->last_ns - wet_for : INT64_MIN;
	w->dry_ns = state_get_signed(reader);
	w->period_ns = state_get_signed(reader);
	if (w->dry_ns < 0 || w->period_ns < 0 || w->period_ns > PERIOD_MOST ||
		w->dry_ns > INT64_MAX / 2) {
		reader->failed = true;
		w->dry_ns = 0;
		w->period_ns = 0;
	}
	w->raised = state_get_unsigned(reader, 1) != 0;
	w->drained = state_get_unsigned(reader, 1) != 0;
	w->times = (uint32_t)state_get_unsigned(reader, TIMES_CAP);
	w->drained_h = (double)state_get_float(reader);
}
