#include "analysis/engine_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

/* NMEA 2000 127489, status 1. */
#define STATUS_OVER_TEMPERATURE	 0x0002U
#define STATUS_LOW_FUEL_PRESSURE 0x0010U
#define STATUS_WATER_IN_FUEL	 0x0100U

#define COMPANY_SHARE 0.5 /* of this engine's hours: the other one is usually on */

#define LOAD_SWING_PCT 30.0

#define BURN_HOLDS	 6U  /* findings in a row, an hour, until what stands is told anew */
#define BURN_OVER_PCT	 2.0 /* less is as usual: it will be cleared */
#define BURN_MOVED_PCT	 2.0 /* at least, and more than its sign wanders without a change */
#define BURN_MOVED_SHARE 0.25

/* Subjects of temperature-high: engine · 8 + which; 7: the engine's own word. */
#define OWN_WORD 7

struct watched {
	const char *name;
	enum signal_id signal;
};

static const struct watched watched[WATCHED_TEMPERATURES] = {
	[WATCHED_COOLANT] = {"coolant", SIGNAL_COOLANT_TEMPERATURE},
	[WATCHED_OIL] = {"oil", SIGNAL_OIL_TEMPERATURE},
	[WATCHED_EXHAUST] = {"exhaust", SIGNAL_EXHAUST_TEMPERATURE},
	[WATCHED_FUEL] = {"fuel", SIGNAL_FUEL_TEMPERATURE},
};

struct watched_reading engine_watch_reading(
	const struct boat *boat, enum watched_temperature which)
{
	return (struct watched_reading){
		.name = watched[which].name,
		.signal = watched[which].signal,
		.limit_c = which == WATCHED_COOLANT   ? boat->limits.coolant_c
			   : which == WATCHED_OIL     ? boat->limits.oil_c
			   : which == WATCHED_EXHAUST ? boat->limits.exhaust_c
						      : NAN,
		.may_limit = which != WATCHED_FUEL,
	};
}

static struct temperature_config temperature_of(
	const struct boat *boat, enum watched_temperature which)
{
	return (struct temperature_config){
		.limit_c = engine_watch_reading(boat, which).limit_c,
		.hysteresis_c = NAN,
		.hold_s = NAN,
		.drift_c = which == WATCHED_EXHAUST ? 30 : NAN,
		.warm_up_s = NAN,
	};
}

void engine_watch_init(struct engine_watch *w, const struct boat *boat)
{
	memset(w, 0, sizeof(*w));
	burn_init(&w->burn);
	starvation_init(&w->starvation);
	for (size_t i = 0; i < WATER_VOICES; i++) {
		water_init(&w->waters[i]);
	}
	for (int i = 0; i < WATCHED_TEMPERATURES; i++) {
		struct temperature_config config =
			temperature_of(boat, (enum watched_temperature)i);
		temperature_init(&w->temperatures[i], &config);
	}
}

/* The name of a subject: "engine 0" or "engine 0 coolant". */
static void name_engine(char *name, size_t size, unsigned engine, const char *part)
{
	struct sentence s;

	sentence_begin(&s, name, size);
	sentence_words(&s, "engine ");
	sentence_number(&s, engine, 0);
	if (part != NULL) {
		sentence_words(&s, " ");
		sentence_words(&s, part);
	}
}

struct care {
	struct event_claim claim;
	char name[48];
	char text[240];
	struct sentence says;
};

/* A care about an engine, its sentence empty. Not to be copied: the claim points into it. */
static void care_begin(struct care *care, enum event_kind kind, uint32_t subject, unsigned engine,
	const char *part, enum event_severity severity)
{
	name_engine(care->name, sizeof(care->name), engine, part);
	sentence_begin(&care->says, care->text, sizeof(care->text));
	care->claim = (struct event_claim){
		.kind = kind,
		.subject = subject,
		.name = care->name,
		.severity = severity,
		.value = NAN,
		.limit = NAN,
		.unit = "",
		.basis = "measured",
		.message = care->text,
	};
}

static void judge_water(
	unsigned engine, const struct window_view *view, enum water_news news, uint32_t times)
{
	struct care first;
	struct care again;

	if (news == WATER_QUIET) {
		return;
	}
	care_begin(&first, EVENT_WATER_IN_FUEL, engine, engine, NULL, SEVERITY_WARNING);
	care_begin(&again, EVENT_WATER_RECURRING, engine, engine, NULL, SEVERITY_WARNING);
	if (news == WATER_CLEARED) {
		window_claim(view, &first.claim, false);
		window_claim(view, &again.claim, false);
		return;
	}
	struct care *care = news == WATER_RECURRING ? &again : &first;
	care->claim.value = times;
	sentence_words(&care->says, news == WATER_RECURRING
					    ? "Water at the probe again after a drain. "
					    : "Water at the probe for 30 s. ");
	sentence_words(&care->says, water_next_step(news));
	window_claim(view, &care->claim, true);
}

/* Water may be told by two messages, each of which has to stand for itself: what flickers in both together
 * stands in neither, and many an engine sends a status whose bit for water is never set. */
static void take_water(struct engine_watch *w, unsigned engine, const struct window_view *view,
	enum water_voice voice, bool wet)
{
	struct water *own = &w->waters[voice];
	double engine_h = engine_log_hours_total(&view->engines[engine]);
	enum water_news news = water_take(own, view->now.t_ns, wet, engine_h);
	bool other_raised = false;

	w->begun = true;
	for (size_t i = 0; i < WATER_VOICES; i++) {
		struct water *other = &w->waters[i];
		if (i == (size_t)voice) {
			continue;
		}
		other_raised = other_raised || other->raised;
		if (news == WATER_FOUND || news == WATER_RECURRING) {
			other->times = own->times;
			other->drained = own->drained;
		}
	}
	if (!other_raised) {
		judge_water(engine, view, news, own->times);
	}
}

void engine_watch_water(
	struct engine_watch *w, unsigned engine, const struct window_view *view, bool wet)
{
	take_water(w, engine, view, WATER_BY_PROBE, wet);
}

/* What the engine itself reports, by one bit. */
struct own_word {
	unsigned bit;           /* of status 1 */
	uint16_t seen;          /* it was set since the last window ended */
	unsigned quiet_shift;   /* where its windows without are counted, two bits */
	enum event_kind kind;
	uint32_t subject_times; /* subject: engine · times + own */
	uint32_t own;
	unsigned measured;      /* the temperature that shows the same cause */
	const char *part;
	const char *says;
};

#define STATUS_HEARD  0x0080U
#define QUIET_WINDOWS 3U /* in which the engine no longer reports it, until it is over */

static const struct own_word own_words[] = {
	{STATUS_OVER_TEMPERATURE, 0x0020U, 8, EVENT_TEMPERATURE_HIGH, 8, OWN_WORD, WATCHED_COOLANT,
		NULL,
		"The engine itself reports over-temperature. Ease the load; look at the raw-water flow; "
		"follow the engine maker's manual."},
	{STATUS_LOW_FUEL_PRESSURE, 0x0040U, 10, EVENT_FUEL_PRESSURE_LOW, 2, 1, 0, "own report",
		"The engine itself reports low fuel pressure. Look at filters, valves and lift pump."},
};
#define OWN_WORDS (sizeof(own_words) / sizeof(own_words[0]))

static void own_begin(struct care *care, const struct own_word *word, unsigned engine)
{
	care_begin(care, word->kind, engine * word->subject_times + word->own, engine, word->part,
		SEVERITY_WARNING);
	sentence_words(&care->says, word->says);
}

void engine_watch_status(
	struct engine_watch *w, unsigned engine, const struct window_view *view, unsigned status_1)
{
	take_water(w, engine, view, WATER_BY_STATUS, (status_1 & STATUS_WATER_IN_FUEL) != 0);
	w->own_words |= STATUS_HEARD;
	for (size_t i = 0; i < OWN_WORDS; i++) {
		struct care care;
		if ((status_1 & own_words[i].bit) == 0) {
			continue;
		}
		w->own_words |= own_words[i].seen;
		own_begin(&care, &own_words[i], engine);
		window_claim(view, &care.claim, true);
	}
}

/* A word that flickers stands; it is over when it was not said for half a minute in which the engine spoke. */
static void end_own_words(struct engine_watch *w, unsigned engine, const struct window_view *view)
{
	for (size_t i = 0; i < OWN_WORDS; i++) {
		const struct own_word *word = &own_words[i];
		unsigned quiet = (unsigned)w->own_words >> word->quiet_shift & 3U;
		bool seen = (w->own_words & word->seen) != 0;
		bool heard = (w->own_words & STATUS_HEARD) != 0;

		quiet = seen ? 0 : heard && quiet < QUIET_WINDOWS ? quiet + 1 : quiet;
		if (quiet == QUIET_WINDOWS) {
			struct care care;
			own_begin(&care, word, engine);
			window_claim(view, &care.claim, false);
		}
		w->own_words = (uint16_t)((w->own_words & ~(3U << word->quiet_shift)) |
					  quiet << word->quiet_shift);
	}
	w->own_words &= (uint16_t)(3U << own_words[0].quiet_shift | 3U << own_words[1].quiet_shift);
}

/* One event for one cause: while a reading shows it, the engine's own word adds nothing. */
static void explain_own_word(
	unsigned engine, const struct window_view *view, const struct own_word *word, bool measured)
{
	struct care care;

	own_begin(&care, word, engine);
	care.claim.message = "";
	if (measured) {
		event_life_suppress(view->events, &view->now, &care.claim, view->sink);
	} else {
		event_life_release(view->events, word->kind, care.claim.subject);
	}
}

static double first_known(double a, double b)
{
	return isnan(a) ? b : a;
}

static double load_share(const struct engine_watch *w, double load_pct, double rpm)
{
	if (!isnan(load_pct)) {
		return load_pct / 100;
	}
	return w->burn.top_rpm > 0 && !isnan(rpm) ? fmin(rpm / w->burn.top_rpm, 1.2) : NAN;
}

double engine_watch_usual_c(const struct engine_watch *w, enum watched_temperature which, double load_pct,
	double rpm, double sea_c)
{
	return temperature_usual(&w->temperatures[which], load_share(w, load_pct, rpm), sea_c);
}

static void judge_temperature(struct engine_watch *w, unsigned engine,
	const struct window_view *view, enum watched_temperature which)
{
	const struct watched *row = &watched[which];
	struct temperature_config config = temperature_of(view->boat, which);
	struct window_reading t = window_read(view, row->signal, (uint16_t)engine);
	struct batch_change change = {NAN, NAN};
	struct care high;
	struct care drift;

	if (isnan(t.mean)) {
		return;
	}
	w->temperature_heard |= (uint8_t)(1U << which);
	struct temperature_window window = {
		.mean_c = t.mean,
		.low_c = t.low,
		.high_c = t.high,
		.step_c = t.step,
		.load = load_share(w, window_read(view, SIGNAL_ENGINE_LOAD, (uint16_t)engine).mean,
			window_read(view, SIGNAL_ENGINE_SPEED, (uint16_t)engine).mean),
		.sea_c = first_known(window_read(view, SIGNAL_SEA_TEMPERATURE, 0).mean,
			window_read_kind(view, SIGNAL_TEMPERATURE, 0, 0, 0).mean),
		.running_s = w->running_s,
	};
	enum temperature_news news =
		temperature_take(&w->temperatures[which], &config, &window, &change);
	if (news == TEMPERATURE_QUIET) {
		return;
	}
	care_begin(&high, EVENT_TEMPERATURE_HIGH, engine * 8 + (unsigned)which, engine, row->name,
		SEVERITY_WARNING);
	care_begin(&drift, EVENT_TEMPERATURE_HIGH,
		(engine + BOAT_ENGINES_MAX) * 8 + (unsigned)which, engine, row->name,
		SEVERITY_CAUTION);
	high.claim.unit = drift.claim.unit = "°C";
	switch (news) {
	case TEMPERATURE_HIGH:
	case TEMPERATURE_HIGH_CLEARED:
		high.claim.value = t.mean;
		high.claim.limit = config.limit_c;
		sentence_words(&high.says, "At ");
		sentence_number(&high.says, t.mean, 0);
		sentence_words(&high.says, " °C of ");
		sentence_number(&high.says, config.limit_c, 0);
		sentence_words(
			&high.says, " °C. Ease the load and follow the engine maker's manual.");
		window_claim(view, &high.claim, news == TEMPERATURE_HIGH);
		if (which == (enum watched_temperature)own_words[0].measured) {
			explain_own_word(engine, view, &own_words[0], news == TEMPERATURE_HIGH);
		}
		/* One event for one cause: what is beyond its limit is hotter than usual, too. */
		if (news == TEMPERATURE_HIGH) {
			drift.claim.message = "";
			event_life_suppress(view->events, &view->now, &drift.claim, view->sink);
		} else if (event_life_release(view->events, EVENT_TEMPERATURE_HIGH, drift.claim.subject)) {
			batch_watch_lower(&w->temperatures[which].drift); /* it is looked for anew */
		}
		break;
	case TEMPERATURE_HOTTER:
		drift.claim.value = change.shift;
		sentence_number(&drift.says, change.shift, 0);
		sentence_words(&drift.says, " °C hotter than usual at this load for ");
		sentence_number(&drift.says, change.since_h, 1);
		sentence_words(&drift.says,
			" h of steady running. Look at strainer, impeller and heat "
			"exchanger.");
		window_claim(view, &drift.claim, true);
		break;
	case TEMPERATURE_COLDER:
	case TEMPERATURE_USUAL:
		window_claim(view, &drift.claim, false);
		break;
	case TEMPERATURE_QUIET:
		break;
	}
}

/* Speed over ground while the boat moves: at a mooring there is none to learn. */
static double ground_speed(const struct window_view *view)
{
	double speed_kn = window_read(view, SIGNAL_GROUND_SPEED, 0).mean;

	if (isnan(speed_kn)) {
		speed_kn = window_read(view, SIGNAL_WHEEL_SPEED, 0).mean; /* all that J1939 tells */
	}
	return speed_kn >= view->boat->moving_kn ? speed_kn : NAN;
}

/* The transmission's gear (0 ahead, 1 neutral, 2 astern), if it stayed the same for the window. */
static enum burn_gear gear_of(const struct window_view *view, unsigned engine)
{
	struct window_reading gear = window_read(view, SIGNAL_GEAR, (uint16_t)engine);

	if (isnan(gear.mean) || gear.low < gear.high) {
		return BURN_GEAR_UNKNOWN;
	}
	return gear.mean == 0   ? BURN_AHEAD
	       : gear.mean == 1 ? BURN_IN_NEUTRAL
				: BURN_ASTERN;
}

/* Boat, load and burn at an engine speed are others when another engine drives too, or no longer does. One
 * that has run less than half as long as this one is usually off. */
static bool is_odd_company(const struct window_view *view, unsigned engine)
{
	double own_h = engine_log_hours_total(&view->engines[engine]);

	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		const struct engine_log *other = &view->engines[i];
		bool runs = other->running && other->on;
		bool usually = engine_log_hours_total(other) >= COMPANY_SHARE * own_h;
		if (i != engine && other->heard && runs != usually) {
			return true;
		}
	}
	return false;
}

/* Of the battery that the alternator charges. */
static double battery_voltage(const struct window_view *view, uint16_t engine)
{
	double battery_v = window_read(view, SIGNAL_BATTERY_VOLTAGE, 0).mean;

	battery_v = first_known(
		battery_v, window_read(view, SIGNAL_ENGINE_BATTERY_VOLTAGE, engine).mean);
	return first_known(battery_v, window_read(view, SIGNAL_ALTERNATOR_VOLTAGE, engine).mean);
}

/* A load that swings widely within ten seconds of a steady speed is the load of no steady window. */
static double steady_load(const struct window_view *view, uint16_t engine)
{
	struct window_reading load = window_read(view, SIGNAL_ENGINE_LOAD, engine);

	return load.high - load.low > LOAD_SWING_PCT ? (double)NAN : load.mean;
}

/* Is another cause the likely one than was told: alone, where it was told as one of several, or now that what
 * was told has fallen behind? */
static bool is_other_cause(const struct engine_watch *w, const struct burn_verdict *verdict)
{
	bool still = false;

	for (unsigned i = 0; i < verdict->alike; i++) {
		still = still || verdict->causes[i] == w->burn_cause;
	}
	return !still || (verdict->alike == 1 && w->burn_alike > 1);
}

/* Is what stands to be told anew? When for an hour of steady running another cause has come first, or
 * what was alike has been told apart, or its size has been another by more than weather makes of it. */
static bool burn_is_news(struct engine_watch *w, const struct event_slot *standing,
	const struct burn_finding *finding, bool other_cause)
{
	static const enum burn_sign shows[BURN_WATCHES] = {
		[BURN_AT_SPEED] = BURN_SIGN_RATE,
		[BURN_AT_LOAD] = BURN_SIGN_ENGINE,
		[BURN_AT_FACTORS] = BURN_SIGN_FACTORS,
	};
	double wander_pct = finding->sd_pct[shows[finding->watch]];
	double moved_pct = fmax(BURN_MOVED_PCT, BURN_MOVED_SHARE * fabs(standing->value));
	bool differs = other_cause || fabs(finding->change_pct - standing->value) >
					      fmax(moved_pct, 2 * wander_pct);

	w->burn_differs = differs ? w->burn_differs + 1 : 0;
	return w->burn_differs >= BURN_HOLDS;
}

static void say_moved(struct sentence *s, const char *what, double moved_pct)
{
	sentence_words(s, what);
	sentence_words(s, moved_pct < 0 ? "−" : "+");
	sentence_number(s, fabs(moved_pct), 1);
	sentence_words(s, " %");
}

/* What else moved at the same engine speed, where there is room for it. */
static void say_signs(struct care *care, const struct burn_finding *finding)
{
	char text[64];
	struct sentence s;

	sentence_begin(&s, text, sizeof(text));
	double load_pct = finding->off_pct[BURN_SIGN_LOAD];
	double speed_pct = finding->off_pct[BURN_SIGN_SPEED];
	if (!isnan(load_pct)) {
		say_moved(&s, " Load ", load_pct);
	}
	if (!isnan(speed_pct)) {
		say_moved(&s, isnan(load_pct) ? " Speed " : ", speed ", speed_pct);
	}
	if (s.used > 0 && care->says.used + s.used + 1 < care->says.size) {
		sentence_words(&care->says, text);
		sentence_words(&care->says, ".");
	}
}

/* The first one, or those that nothing tells apart yet, and what comes after; three at most. */
static void say_causes(struct care *care, const struct burn_verdict *verdict)
{
	bool alike = verdict->alike > 1;

	sentence_words(&care->says, alike ? " Not told apart yet: " : " Likely: ");
	for (unsigned i = 0; i < verdict->count && i < 3; i++) {
		sentence_words(&care->says, i == 0		       ? ""
					    : i < verdict->alike ? ", or else "
								 : "; ");
		sentence_words(&care->says, burn_cause_text(verdict->causes[i]));
	}
	sentence_words(&care->says, ".");
}

static void judge_burn(struct engine_watch *w, unsigned engine, const struct window_view *view,
	double restriction_share)
{
	uint16_t number = (uint16_t)engine;
	struct window_reading rpm = window_read(view, SIGNAL_ENGINE_SPEED, number);
	struct window_reading rate = window_read(view, SIGNAL_FUEL_RATE, number);
	struct burn_finding finding;
	struct care care;
	struct care other;
	struct burn_window window = {
		.rpm = rpm.mean,
		.rpm_low = rpm.low,
		.rpm_high = rpm.high,
		.rate_lph = rate.mean,
		.rate_step_lph = rate.step,
		.load_pct = steady_load(view, number),
		.water_kn = window_read(view, SIGNAL_WATER_SPEED, 0).mean,
		.ground_kn = ground_speed(view),
		.coolant_c = window_read(view, SIGNAL_COOLANT_TEMPERATURE, number).mean,
		.battery_v = battery_voltage(view, number),
		.battery_a = window_read(view, SIGNAL_BATTERY_CURRENT, 0).mean,
		.gear = gear_of(view, engine),
		.running_s = w->running_s,
		.engine_h = engine_log_hours_total(&view->engines[engine]),
	};
	if (window.gear != BURN_IN_NEUTRAL && window.gear != BURN_ASTERN &&
		is_odd_company(view, engine)) {
		window.gear = BURN_IN_ODD_COMPANY;
	}
	enum burn_news news = burn_take(&w->burn, &window, &finding);

	if (news == BURN_QUIET) {
		return;
	}
	const struct event_slot *standing = event_life_find(view->events, EVENT_BURN_HIGH, engine);
	bool high = news == BURN_STANDS ? standing != NULL : news == BURN_HIGH;
	if (news == BURN_STANDS && standing == NULL) {
		standing = event_life_find(view->events, EVENT_BURN_LOW, engine);
	}
	/* What has turned round is told by its own watch, if it is anything. */
	if (news == BURN_STANDS &&
		(standing == NULL || !(high ? finding.change_pct > BURN_OVER_PCT
					    : finding.change_pct < -BURN_OVER_PCT))) {
		w->burn_differs = 0;
		return;
	}
	bool low = news == BURN_LOW || (news == BURN_STANDS && !high);
	care_begin(&care, low ? EVENT_BURN_LOW : EVENT_BURN_HIGH, engine, engine, NULL,
		SEVERITY_CAUTION);
	care_begin(&other, low ? EVENT_BURN_HIGH : EVENT_BURN_LOW, engine, engine, NULL,
		SEVERITY_CAUTION);
	window_claim(view, &other.claim, false);
	if (news == BURN_CLEARED) {
		window_claim(view, &care.claim, false);
		return;
	}
	struct burn_signs signs = {
		.coolant_drift_c = temperature_drift(&w->temperatures[WATCHED_COOLANT]),
		.exhaust_drift_c =
			isnan(window.load_pct)
				? NAN
				: temperature_drift(&w->temperatures[WATCHED_EXHAUST]),
		.fuel_pressure_pct = starvation_pressure_pct(&w->starvation, rpm.mean,
			window_read(view, SIGNAL_FUEL_PRESSURE, number).mean),
		.restriction_share = restriction_share,
	};
	struct burn_verdict verdict = burn_causes(&finding, &signs, high);
	bool other_cause = news == BURN_STANDS && is_other_cause(w, &verdict);
	if (news == BURN_STANDS && !burn_is_news(w, standing, &finding, other_cause)) {
		return;
	}
	w->burn_cause = verdict.causes[0];
	w->burn_alike = verdict.alike;
	w->burn_differs = 0;
	care.claim.value = finding.change_pct;
	care.claim.unit = "%";
	sentence_words(&care.says, "Burn is ");
	sentence_number(&care.says, fabs(finding.change_pct), 1);
	sentence_words(&care.says, high ? " % above" : " % below");
	sentence_words(&care.says, " this engine's own map for ");
	sentence_number(&care.says, window.engine_h - finding.from_h, 1);
	sentence_words(&care.says, " engine hours.");
	say_causes(&care, &verdict);
	say_signs(&care, &finding);
	care.claim.retell = other_cause;
	window_claim(view, &care.claim, true);
}

/* The evidence that is there: pressure first, then speed. */
static void say_starving(struct care *care, const struct starvation_news *news)
{
	if (news->pressure_kpa < news->usual_kpa) {
		care->claim.value = news->pressure_kpa;
		care->claim.limit = news->usual_kpa;
		care->claim.unit = "kPa";
		sentence_words(&care->says, "Fuel pressure is at ");
		sentence_number(&care->says, news->pressure_kpa, 0);
		sentence_words(&care->says, " kPa instead of ");
		sentence_number(&care->says, news->usual_kpa, 0);
		sentence_words(&care->says, " kPa. ");
	}
	if (news->rpm_sag_share > STARVATION_SAGS) {
		sentence_words(&care->says, "Speed sags by ");
		sentence_number(&care->says, 100 * news->rpm_sag_share, 0);
		sentence_words(&care->says, " % at a steady demand. ");
	} else if (news->rpm_hunt_share > STARVATION_HUNTS) {
		sentence_words(&care->says, "Speed swings by ");
		sentence_number(&care->says, 100 * news->rpm_hunt_share, 0);
		sentence_words(&care->says, " %. ");
	}
}

/* What it was is not known at each speed. sound: it is no longer far below it, but has not been for long. */
static void say_sunk(struct care *care, const struct starvation_news *news, bool sound)
{
	sentence_words(&care->says, sound ? "Fuel pressure was far below what it was, for hours, and is up "
					    "again for less than an hour: now "
					  : "Fuel pressure has sunk: for hours it is far below what it was, "
					    "now ");
	sentence_number(&care->says, news->pressure_kpa, 0);
	if (!isnan(news->once_kpa)) {
		sentence_words(&care->says, " kPa of ");
		sentence_number(&care->says, news->once_kpa, 0);
	}
	sentence_words(&care->says, " kPa at this speed. Look at filters, lift pump and its valves, or at "
				    "the sensor.");
}

/* A filter at its limit explains that the engine lacks fuel: one event for one cause. */
static bool explained_by_filter(unsigned engine, const struct window_view *view)
{
	for (unsigned i = 0; i < view->boat->filter_count; i++) {
		if (view->boat->filters[i].engine == engine &&
			event_life_find(view->events, EVENT_RESTRICTION_HIGH, i) != NULL) {
			return true;
		}
	}
	return false;
}

static void judge_supply(struct engine_watch *w, unsigned engine, const struct window_view *view,
	double restriction_share)
{
	uint16_t number = (uint16_t)engine;
	struct starvation_config config = {
		.pressure_limit_kpa = view->boat->limits.fuel_pressure_kpa};
	struct window_reading rpm = window_read(view, SIGNAL_ENGINE_SPEED, number);
	struct window_reading pressure = window_read(view, SIGNAL_FUEL_PRESSURE, number);
	struct window_reading demand = window_read(view, SIGNAL_PEDAL, number);
	struct starvation_news news;
	struct care starving;
	struct care low;

	if (isnan(demand.mean)) {
		demand = window_read(view, SIGNAL_THROTTLE, number);
	}
	if (isnan(demand.mean)) {
		demand = window_read(view, SIGNAL_DEMAND_TORQUE, number);
	}
	struct starvation_window window = {
		.rpm = rpm.mean,
		.rpm_low = rpm.low,
		.rpm_high = rpm.high,
		.demand_pct = demand.mean,
		.demand_low_pct = demand.low,
		.demand_high_pct = demand.high,
		.pressure_kpa = pressure.mean,
		.pressure_low_kpa = pressure.low,
		.pressure_high_kpa = pressure.high,
		.pressure_step_kpa = pressure.step,
		.restriction_share = restriction_share,
		.running_s = w->running_s,
	};
	(void)starvation_take(&w->starvation, &config, &window, &news); /* the news says it all */
	care_begin(&starving, EVENT_STARVATION, engine, engine, NULL, SEVERITY_WARNING);
	care_begin(&low, EVENT_FUEL_PRESSURE_LOW, engine * 2, engine, NULL, SEVERITY_WARNING);
	if (explained_by_filter(engine, view)) {
		event_life_suppress(view->events, &view->now, &starving.claim, view->sink);
		event_life_suppress(view->events, &view->now, &low.claim, view->sink);
		if (news.pressure_low_cleared) {
			explain_own_word(engine, view, &own_words[1], false);
		}
		return;
	}
	/* What goes on although no filter explains it any more is told after all. What only has not
	 * been over for long enough stays quiet until it is, or comes back. */
	if ((news.starves || !w->starvation.starving) &&
		event_life_release(view->events, EVENT_STARVATION, engine)) {
		news.starving_raised = news.starves;
	}
	if ((news.pressure_lacks || !w->starvation.pressure_low) &&
		event_life_release(view->events, EVENT_FUEL_PRESSURE_LOW, engine * 2)) {
		news.pressure_low_raised = w->starvation.pressure_low;
		news.sunk_raised = w->starvation.sunk && !w->starvation.pressure_low;
	}
	low.claim.value = news.pressure_kpa;
	low.claim.limit = news.pressure_limit_kpa;
	low.claim.unit = "kPa";
	bool lacks = w->starvation.pressure_low || w->starvation.sunk;
	if (news.starving_raised) {
		say_starving(&starving, &news);
		sentence_words(&starving.says,
			news.kind == STARVATION_FILTER
				? "A filter is loaded: change its element."
			: news.kind == STARVATION_AIR
				? "Air gets in: look at hoses, bowl seal and pick-up, then bleed."
				: "Look at filters, valves and hoses for a blockage or for air.");
		window_claim(view, &starving.claim, true);
	}
	if (news.starving_cleared) {
		window_claim(view, &starving.claim, false);
	}
	/* A warning that is over ends as one, also where a pressure that has sunk goes on as a caution: what
	 * is up already would keep the warning's severity. */
	if (news.pressure_low_cleared || (news.sunk_cleared && !lacks)) {
		window_claim(view, &low.claim, false);
	}
	if (news.sunk_raised || (news.pressure_low_cleared && w->starvation.sunk)) {
		low.claim.severity = SEVERITY_CAUTION;
		low.claim.limit = news.once_kpa;
		say_sunk(&low, &news, w->starvation.sound_windows > 0);
		window_claim(view, &low.claim, true);
	}
	if (news.pressure_low_raised) {
		sentence_words(&low.says, "Fuel pressure at ");
		sentence_number(&low.says, news.pressure_kpa, 0);
		sentence_words(&low.says, " kPa, limit ");
		sentence_number(&low.says, news.pressure_limit_kpa, 0);
		sentence_words(&low.says, " kPa. Look at filters, valves and lift pump.");
		window_claim(view, &low.claim, true);
	}
	if (news.pressure_low_raised || news.pressure_low_cleared) {
		explain_own_word(engine, view, &own_words[1], news.pressure_low_raised);
	}
}

void engine_watch_window(struct engine_watch *w, unsigned engine, const struct window_view *view,
	double restriction_share)
{
	const struct engine_log *log = &view->engines[engine];
	bool running = log->running && log->on;

	w->begun = w->begun || log->heard;
	w->running_s = running ? w->running_s + WINDOW_S : 0;
	if (!w->begun) {
		return;
	}
	for (int i = 0; i < WATCHED_TEMPERATURES; i++) {
		judge_temperature(w, engine, view, (enum watched_temperature)i);
	}
	end_own_words(w, engine, view);
	if (running) {
		judge_burn(w, engine, view, restriction_share);
		judge_supply(w, engine, view, restriction_share);
	}
}

void engine_watch_drained(struct engine_watch *w, unsigned engine, const struct window_view *view)
{
	w->begun = true;
	for (size_t i = 0; i < WATER_VOICES; i++) {
		water_drained(&w->waters[i], engine_log_hours_total(&view->engines[engine]));
	}
	judge_water(engine, view, WATER_CLEARED, w->waters[0].times);
}

void engine_watch_reset_burn(
	struct engine_watch *w, unsigned engine, const struct window_view *view)
{
	struct care high;
	struct care low;

	w->begun = true;
	engine_watch_tell_map(w, engine, view->sink); /* it stands until another is known */
	burn_reset(&w->burn);
	care_begin(&high, EVENT_BURN_HIGH, engine, engine, NULL, SEVERITY_CAUTION);
	care_begin(&low, EVENT_BURN_LOW, engine, engine, NULL, SEVERITY_CAUTION);
	window_claim(view, &high.claim, false);
	window_claim(view, &low.claim, false);
}

#define MAP_FROM_RPM 600.0
#define MAP_STEP_RPM 200.0

void engine_watch_tell_map(struct engine_watch *w, unsigned engine, const struct fact_sink *sink)
{
	if (sink->on_burn == NULL || w->burn.map.revision == w->told_revision) {
		return;
	}
	w->told_revision = w->burn.map.revision;
	for (double rpm = MAP_FROM_RPM; rpm <= w->burn.top_rpm + MAP_STEP_RPM;
		rpm += MAP_STEP_RPM) {
		struct fact_burn fact = {
			.engine = engine, .version = w->burn.map.version, .rpm = rpm};
		fact.rate_lph = burn_map_at(&w->burn, BURN_RATE, rpm, &fact.rate_sd_share);
		if (isnan(fact.rate_lph)) {
			continue;
		}
		fact.rate_minutes = floor(burn_map_minutes(&w->burn, BURN_RATE, rpm));
		fact.speed_kn = burn_map_at(&w->burn, BURN_SPEED, rpm, NULL);
		fact.speed_minutes = floor(burn_map_minutes(&w->burn, BURN_SPEED, rpm));
		fact.ground_kn = state_single(burn_map_at(&w->burn, BURN_GROUND, rpm, NULL));
		fact.ground_minutes = floor(burn_map_minutes(&w->burn, BURN_GROUND, rpm));
		fact.load_pct = burn_map_at(&w->burn, BURN_LOAD, rpm, NULL);
		sink->on_burn(sink->context, &fact);
	}
}

void engine_watch_save(const struct engine_watch *w, struct state_writer *writer)
{
	state_put_unsigned(writer, w->begun);
	if (!w->begun) {
		return;
	}
	burn_save(&w->burn, writer);
	starvation_save(&w->starvation, writer);
	state_put_unsigned(writer, w->temperature_heard);
	for (unsigned i = 0; i < WATCHED_TEMPERATURES; i++) {
		if ((w->temperature_heard & 1U << i) != 0) {
			temperature_save(&w->temperatures[i], writer);
		}
	}
	for (size_t i = 0; i < WATER_VOICES; i++) {
		water_save(&w->waters[i], writer);
	}
	state_put_unsigned(writer, w->own_words);
	state_put_double(writer, w->running_s);
	state_put_unsigned(writer, w->burn_cause);
	state_put_unsigned(writer, w->burn_alike);
	state_put_unsigned(writer, w->burn_differs);
	state_put_unsigned(writer, w->told_revision);
}

void engine_watch_load(struct engine_watch *w, struct state_reader *reader)
{
	w->begun = state_get_unsigned(reader, 1) != 0;
	if (!w->begun) {
		return;
	}
	burn_load(&w->burn, reader);
	starvation_load(&w->starvation, reader);
	w->temperature_heard =
		(uint8_t)state_get_unsigned(reader, (1U << WATCHED_TEMPERATURES) - 1);
	for (unsigned i = 0; i < WATCHED_TEMPERATURES; i++) {
		if ((w->temperature_heard & 1U << i) != 0) {
			temperature_load(&w->temperatures[i], reader);
		}
	}
	for (size_t i = 0; i < WATER_VOICES; i++) {
		water_load(&w->waters[i], reader);
	}
	w->own_words = (uint16_t)state_get_unsigned(reader, UINT16_MAX);
	w->running_s = state_get_double(reader);
	w->burn_cause = (enum burn_cause)state_get_unsigned(reader, BURN_CAUSES - 1);
	w->burn_alike = (uint32_t)state_get_unsigned(reader, BURN_CAUSES);
	w->burn_differs = (uint32_t)state_get_unsigned(reader, BURN_HOLDS);
	w->told_revision = (uint32_t)state_get_unsigned(reader, UINT32_MAX);
}

void engine_watch_save_map(const struct engine_watch *w, struct state_writer *writer)
{
	if (w->begun) {
		burn_save_map(&w->burn, writer);
	}
}

void engine_watch_load_map(struct engine_watch *w, struct state_reader *reader)
{
	if (w->begun) {
		burn_load_map(&w->burn, reader);
	}
}
