#include "analysis/frozen_speed.h"

#include <math.h>

#include "analysis/sentence.h"

#define STILL_WINDOWS 30
#define RATE_RATIO    1.5
#define RATE_LPH      1.5
#define COUNT_CAP     100000

void frozen_speed_init(struct frozen_speed *f)
{
	*f = (struct frozen_speed){.low_lph = NAN, .high_lph = NAN};
}

static void tell(const struct frozen_speed *f, unsigned engine, const struct window_view *view)
{
	char name[48];
	char text[240];
	struct sentence s;
	struct event_claim claim = {
		.kind = EVENT_SOURCE_LOST,
		.subject = FROZEN_SPEED_SUBJECT + engine,
		.name = name,
		.severity = SEVERITY_CAUTION,
		.value = f->windows * WINDOW_S,
		.limit = NAN,
		.unit = "s",
		.basis = "measured",
		.message = text,
	};

	sentence_begin(&s, name, sizeof(name));
	sentence_words(&s, "engine ");
	sentence_number(&s, engine, 0);
	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, "The engine speed has stood at ");
	sentence_number(&s, f->rpm, 0);
	sentence_words(&s, " rpm while the fuel rate went from ");
	sentence_number(&s, f->low_lph, 1);
	sentence_words(&s, " to ");
	sentence_number(&s, f->high_lph, 1);
	sentence_words(&s,
		" L/h. Look at its sender. Until it moves again engine hours may be wrong, and "
		"nothing is judged by the speed.");
	window_claim(view, &claim, f->frozen);
}

bool frozen_speed_window(struct frozen_speed *f, unsigned engine, const struct window_view *view)
{
	uint16_t number = (uint16_t)engine;
	int found = source_choice_find(view->sources, SIGNAL_ENGINE_SPEED, number);
	struct window_reading rpm = window_read_slot(view, found);
	double rate_lph = window_read(view, SIGNAL_FUEL_RATE, number).mean;

	if (isnan(rpm.mean) || (f->frozen && !(rpm.low > 0))) {
		return f->frozen; /* an engine that is off does not show that its speed moves */
	}
	if (rpm.low < rpm.high || rpm.low < f->rpm || rpm.high > f->rpm) {
		bool was_frozen = f->frozen;
		frozen_speed_init(f);
		if (rpm.low >= rpm.high) {
			f->rpm = rpm.low;
		}
		if (was_frozen) {
			tell(f, engine, view);
		}
	}
	if (!(f->rpm > 0)) {
		return false;
	}
	f->windows += f->windows < COUNT_CAP ? 1 : 0;
	f->low_lph = fmin(f->low_lph, rate_lph); /* the number where the other is NaN */
	f->high_lph = fmax(f->high_lph, rate_lph);
	if (!f->frozen && f->windows >= STILL_WINDOWS && f->high_lph >= RATE_RATIO * f->low_lph &&
		f->high_lph - f->low_lph >= RATE_LPH) {
		f->frozen = true;
		tell(f, engine, view);
	}
	return f->frozen;
}

void frozen_speed_save(const struct frozen_speed *f, struct state_writer *w)
{
	state_put_unsigned(w, f->rpm > 0);
	if (f->rpm > 0) {
		state_put_double(w, f->rpm);
		state_put_double(w, f->low_lph);
		state_put_double(w, f->high_lph);
		state_put_unsigned(w, f->windows);
		state_put_unsigned(w, f->frozen);
	}
}

void frozen_speed_load(struct frozen_speed *f, struct state_reader *r)
{
	frozen_speed_init(f);
	if (state_get_unsigned(r, 1) != 0) {
		f->rpm = state_get_double(r);
		f->low_lph = state_get_double(r);
		f->high_lph = state_get_double(r);
		f->windows = (uint32_t)state_get_unsigned(r, COUNT_CAP);
		f->frozen = state_get_unsigned(r, 1) != 0;
	}
}
