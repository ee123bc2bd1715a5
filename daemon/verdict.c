#include "daemon/verdict.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/fact_tables.h"
#include "daemon/log_tables.h"
#include "daemon/overview.h"
#include "daemon/utc_time.h"
#include "decoders/signal.h"

#define DAY_NS (INT64_C(86400) * NS_PER_S)
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

const char *verdict_word_name(enum verdict_word word)
{
	static const char *const names[] = {
		[VERDICT_UNKNOWN] = "unknown",
		[VERDICT_RIGHT] = "right",
		[VERDICT_UNSEEN] = "unseen",
		[VERDICT_NOTE] = "note",
		[VERDICT_LOOK] = "look",
		[VERDICT_ACT] = "act",
	};

	return names[word];
}

const char *verdict_word_text(enum verdict_word word)
{
	static const char *const texts[] = {
		[VERDICT_UNKNOWN] = "Nothing is known of the fuel system yet.",
		[VERDICT_RIGHT] = "The fuel system is all right.",
		[VERDICT_UNSEEN] = "Nothing is wrong, as far as can be seen.",
		[VERDICT_NOTE] = "The fuel system works; something to note.",
		[VERDICT_LOOK] = "The fuel system wants a look soon.",
		[VERDICT_ACT] = "Act on the fuel system now.",
	};

	return texts[word];
}

/* ---- rows ---- */

static double real_of(const json_t *row, const char *column)
{
	const json_t *value = json_object_get(row, column);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

/* NULL where it is not known. */
static const char *text_of(const json_t *row, const char *column)
{
	return json_string_value(json_object_get(row, column));
}

static bool is(const json_t *row, const char *column, const char *text)
{
	const char *own = text_of(row, column);

	return own != NULL && strcmp(own, text) == 0;
}

/* ---- words ---- */

struct judging {
	const struct verdict_rows *rows;
	enum unit_system units;
	struct verdict *verdict;
};

/* The next reason, all unknown; the last place is overwritten when there is none left. */
static struct verdict_reason *reason(struct judging *j, const char *about, const char *basis)
{
	struct verdict *v = j->verdict;
	size_t at = v->count < VERDICT_REASONS_MAX ? v->count++ : VERDICT_REASONS_MAX - 1;
	struct verdict_reason *made = &v->reasons[at];

	*made = (struct verdict_reason){.value = NAN, .limit = NAN};
	(void)snprintf(made->about, sizeof(made->about), "%s", about);
	(void)snprintf(made->basis, sizeof(made->basis), "%s", basis == NULL ? "" : basis);
	return made;
}

/* At most so many bytes of a text, whole characters. */
static int fitting(const char *text, size_t room)
{
	size_t length = strlen(text);

	if (length > room) {
		length = room;
		while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80) {
			length--;
		}
	}
	return (int)length;
}

static void say(struct verdict_reason *r, const char *words)
{
	size_t used = strlen(r->says);

	(void)snprintf(r->says + used, sizeof(r->says) - used, "%.*s",
		fitting(words, sizeof(r->says) - used - 1), words);
}

static void say_amount(struct judging *j, struct verdict_reason *r, enum quantity quantity,
	double value, int decimals)
{
	struct unit_display unit = units_display(quantity, j->units);
	char words[48];

	if (!isfinite(value)) {
		say(r, "–");
		return;
	}
	value = value * unit.factor + unit.offset;
	value = fabs(value) < 0.5 * pow(10, -decimals) ? 0 : value;
	(void)snprintf(words, sizeof(words), "%.*f%s%s", decimals, value,
		unit.unit[0] == '\0' ? "" : " ", unit.unit);
	say(r, words);
}

static void say_plain(struct verdict_reason *r, double value, int decimals, const char *unit)
{
	char words[48];

	(void)snprintf(words, sizeof(words), "%.*f%s", decimals, value, unit);
	say(r, words);
}

/* A time as its day. */
static void say_day(struct verdict_reason *r, const char *utc)
{
	char day[11];

	(void)snprintf(day, sizeof(day), "%.10s", utc);
	say(r, day);
}

static void since(struct verdict_reason *r, const char *utc)
{
	(void)snprintf(r->since_utc, sizeof(r->since_utc), "%s", utc == NULL ? "" : utc);
}

/* ---- what stands ---- */

static const char *const severities[] = {"warning", "caution", "advice"};
static const enum verdict_word words_of[] = {VERDICT_ACT, VERDICT_LOOK, VERDICT_NOTE};

static void worsen(struct judging *j, enum verdict_word word)
{
	if (word > j->verdict->word) {
		j->verdict->word = word;
	}
}

static void judge_standing(struct judging *j)
{
	const json_t *row;
	size_t index;

	for (size_t s = 0; s < COUNT(severities); s++) {
		json_array_foreach(j->rows->standing, index, row) {
			const char *message = text_of(row, "message");
			const char *kind = text_of(row, "kind");
			if (!is(row, "severity", severities[s])) {
				continue;
			}
			struct verdict_reason *r = reason(j, text_of(row, "subject") == NULL
				? "" : text_of(row, "subject"), text_of(row, "basis"));
			(void)snprintf(r->severity, sizeof(r->severity), "%s", severities[s]);
			say(r, message != NULL && *message != '\0' ? message : kind == NULL ? "" : kind);
			size_t length = strlen(r->says);
			if (length > 0 && r->says[length - 1] == '.') {
				r->says[length - 1] = '\0';
			}
			r->value = real_of(row, "value");
			r->limit = real_of(row, "limit");
			(void)snprintf(r->unit, sizeof(r->unit), "%s",
				text_of(row, "unit") == NULL ? "" : text_of(row, "unit"));
			since(r, text_of(row, "raised_utc"));
			worsen(j, words_of[s]);
		}
	}
}

/* Whether an event of one of the kinds stands about a subject (NULL: any). */
static bool stands(const struct judging *j, const char *const *kinds, size_t count,
	const char *subject)
{
	const json_t *row;
	size_t index;

	json_array_foreach(j->rows->standing, index, row) {
		for (size_t i = 0; i < count; i++) {
			if (is(row, "kind", kinds[i]) && (subject == NULL || is(row, "subject", subject))) {
				return true;
			}
		}
	}
	return false;
}

/* Since when no event of the kinds has stood about a subject (NULL: any): the last one's end, else the
 * log's beginning. NULL where that is not known. */
static const char *quiet_since(const struct judging *j, const char *const *kinds, size_t count,
	const char *subject)
{
	const json_t *row = json_array_get(json_object_get(j->rows->overview, "boat"), 0);
	const char *since_utc = text_of(row, "log_start_utc");
	size_t index;

	json_array_foreach(j->rows->events, index, row) {
		const char *cleared = text_of(row, "cleared_utc");
		for (size_t i = 0; cleared != NULL && i < count; i++) {
			if (is(row, "kind", kinds[i]) && (subject == NULL || is(row, "subject", subject)) &&
				(since_utc == NULL || strcmp(cleared, since_utc) > 0)) {
				since_utc = cleared;
			}
		}
	}
	return since_utc;
}

/* ---- filters ---- */

static void say_left(struct judging *j, struct verdict_reason *r, const json_t *row)
{
	double p10 = real_of(row, "left_h_p10"), p50 = real_of(row, "left_h_p50");
	double p90 = real_of(row, "left_h_p90");

	if (isnan(p50)) {
		return;
	}
	if (isnan(p10) || isnan(p90) || p90 - p10 < 0.5) {
		say(r, "; ");
		say_amount(j, r, QUANTITY_HOURS, p50, 0);
		say(r, " left");
		return;
	}
	say(r, "; likely ");
	say_amount(j, r, QUANTITY_HOURS, p50, 0);
	say(r, " left, between ");
	say_plain(r, p10, 0, " and ");
	say_amount(j, r, QUANTITY_HOURS, p90, 0);
	say(r, " in 8 of 10 cases");
}

/* The sensor that the configuration tells for a filter, by its standard's number; NULL: none. */
static const char *sensor_of(const struct judging *j, const char *filter)
{
	static const struct {
		const char *configured;
		const char *words;
	} sensors[] = {{"spn95", "J1939 SPN 95"}, {"spn1382", "J1939 SPN 1382"},
		{"spn1381", "J1939 SPN 1381"}, {"pressure", "NMEA 2000 130314"}};
	const json_t *row;
	size_t index;

	json_array_foreach(json_object_get(j->rows->overview, "filters"), index, row) {
		for (size_t i = 0; i < COUNT(sensors) && is(row, "filter", filter); i++) {
			if (is(row, "sensor", sensors[i].configured)) {
				return sensors[i].words;
			}
		}
	}
	return NULL;
}

/* Is the row's limit the log's own, as this configuration sets none? */
static bool limit_is_the_logs(const struct judging *j, const json_t *row)
{
	const json_t *configured;
	size_t index;

	json_array_foreach(json_object_get(j->rows->overview, "filters"), index, configured) {
		if (is(configured, "filter", text_of(row, "filter"))) {
			return json_is_null(json_object_get(configured, "limit_kpa"));
		}
	}
	return false;
}

static void say_measured(struct judging *j, struct verdict_reason *r, const json_t *row)
{
	r->value = real_of(row, "reference_kpa");
	r->limit = real_of(row, "limit_kpa");
	(void)snprintf(r->unit, sizeof(r->unit), "kPa");
	if (isnan(r->value)) {
		say(r, "its sensor is heard; no steady reading yet");
	} else if (isnan(r->limit)) {
		say_amount(j, r, QUANTITY_RESTRICTION, r->value, 1);
		say(r, " at reference flow; no limit is set for it (limit_kpa in the configuration)");
	} else {
		say_amount(j, r, QUANTITY_RESTRICTION, r->value, 1);
		say(r, " of ");
		say_amount(j, r, QUANTITY_RESTRICTION, r->limit, 1);
		say(r, " at reference flow");
		if (limit_is_the_logs(j, row)) {
			say(r, ", the limit that the log was kept with (none is set in this "
			       "configuration)");
		}
	}
	if (text_of(row, "due_by") != NULL && !is(row, "due_by", "restriction")) {
		say(r, "; its ");
		say(r, text_of(row, "due_by"));
		say(r, " run out first, ");
		say_plain(r, real_of(row, "used_pct"), 0, " % used");
	}
	say_left(j, r, row);
}

static void say_counted(struct judging *j, struct verdict_reason *r, const json_t *row)
{
	const char *due_by = text_of(row, "due_by");
	const char *sensor = sensor_of(j, text_of(row, "filter"));

	if (sensor != NULL) {
		say(r, "its sensor (");
		say(r, sensor);
		say(r, ") tells nothing yet, so hours, litres and age are counted: ");
	} else {
		say(r, "nothing measures it, so hours, litres and age are counted: ");
	}
	if (due_by != NULL) {
		r->value = real_of(row, "used_pct");
		r->limit = 100;
		(void)snprintf(r->unit, sizeof(r->unit), "%%");
		say_plain(r, r->value, 0, " % of its allowed ");
		say(r, due_by);
		say(r, " are used");
		say_left(j, r, row);
		return;
	}
	say_amount(j, r, QUANTITY_HOURS, real_of(row, "engine_h"), 0);
	say(r, " and ");
	say_amount(j, r, QUANTITY_VOLUME, real_of(row, "litres_through"), 0);
	say(r, " so far; no interval is set for it (change_h, change_l or change_months in the "
		"configuration), so nothing says when it is due");
}

/* Returns whether each filter's element is measured. */
static bool judge_filters(struct judging *j)
{
	static const char *const told[] = {"element-due", "restriction-high"};
	const json_t *row;
	size_t index;
	bool measured = true;

	json_array_foreach(j->rows->elements, index, row) {
		const char *filter = text_of(row, "filter");
		char about[64];
		if (text_of(row, "removed_utc") != NULL || filter == NULL) {
			continue;
		}
		(void)snprintf(about, sizeof(about), "filter %s", filter);
		bool own = is(row, "basis", "measured");
		struct verdict_reason *r = reason(j, about, own ? "measured" : "counted");
		measured = measured && own && !isnan(real_of(row, "reference_kpa"));
		if (own) {
			say_measured(j, r, row);
		} else {
			say_counted(j, r, row);
		}
		since(r, text_of(row, "fitted_utc"));
		if (real_of(row, "used_pct") >= 100 && !stands(j, told, COUNT(told), filter)) {
			(void)snprintf(r->severity, sizeof(r->severity), "caution");
			worsen(j, VERDICT_LOOK);
		}
	}
	return measured;
}

/* ---- water, tanks, engines ---- */

static void name_engine(char *name, size_t size, const char *what, const json_t *row)
{
	(void)snprintf(name, size, "%sengine %d", what,
		(int)json_integer_value(json_object_get(row, "engine")));
}

/* What looks for water, by the signal that tells of it. */
static const char *water_by(const char *signal)
{
	if (signal != NULL && strcmp(signal, signal_get(SIGNAL_WATER_IN_FUEL)->name) == 0) {
		return " by the probe in the filter's bowl";
	}
	if (signal != NULL && strcmp(signal, signal_get(SIGNAL_ENGINE_STATUS_1)->name) == 0) {
		return " among the engine's warnings";
	}
	return "";
}

/* Returns whether water is looked for at each engine. */
static bool judge_water(struct judging *j)
{
	static const char *const kinds[] = {"water-in-fuel", "water-recurring"};
	const json_t *row;
	size_t index;
	bool seen = true;

	json_array_foreach(j->rows->coverage, index, row) {
		char about[64], subject[32];
		if (!is(row, "analysis", "water in fuel")) {
			continue;
		}
		name_engine(about, sizeof(about), "water, ", row);
		name_engine(subject, sizeof(subject), "", row);
		bool covered = !is(row, "covered", "no");
		struct verdict_reason *r = reason(j, about, covered ? "measured" : NULL);
		seen = seen && covered;
		if (!covered) {
			say(r, "nothing looks for water in the fuel; ");
			say(r, text_of(row, "supplied_by") == NULL ? "a probe" : text_of(row, "supplied_by"));
			say(r, " would");
		} else if (stands(j, kinds, COUNT(kinds), subject)) {
			say(r, "water is reported, see above");
		} else {
			say(r, "no water is reported");
			say(r, water_by(text_of(row, "by")));
			since(r, quiet_since(j, kinds, COUNT(kinds), subject));
		}
	}
	return seen;
}

static const json_t *range_row(const struct judging *j, const char *name)
{
	const json_t *row;
	size_t index;

	json_array_foreach(json_object_get(j->rows->overview, "range"), index, row) {
		if (is(row, "range", name) && !isnan(real_of(row, "range_h"))) {
			return row;
		}
	}
	return NULL;
}

static void judge_tanks(struct judging *j)
{
	static const struct {
		const char *range;
		const char *words;
	} speeds[] = {{"present", "at the present speed"}, {"economical", "at the most economical speed"},
		{"usual", "as usual of late"}};
	const json_t *row;
	size_t index, tanks = 0;

	json_array_foreach(json_object_get(j->rows->overview, "tanks"), index, row) {
		char about[64];
		double fuel_l = real_of(row, "fuel_l"), sd_l = real_of(row, "fuel_sd_l");
		(void)snprintf(about, sizeof(about), "tank %d",
			(int)json_integer_value(json_object_get(row, "tank")));
		struct verdict_reason *r = reason(j, about, isnan(fuel_l) ? NULL : "measured");
		tanks++;
		if (isnan(fuel_l)) {
			say(r, "what is in it is not known: no level was heard, or its capacity is not told");
			continue;
		}
		say_amount(j, r, QUANTITY_VOLUME, fuel_l, 0);
		if (!isnan(sd_l)) {
			say(r, ", give or take ");
			say_amount(j, r, QUANTITY_VOLUME, 2 * sd_l, 0);
		}
		r->value = fuel_l;
		r->limit = real_of(row, "reserve_l");
		(void)snprintf(r->unit, sizeof(r->unit), "L");
		since(r, text_of(row, "measured_utc"));
		if (fuel_l <= r->limit) {
			say(r, ": at its reserve");
			(void)snprintf(r->severity, sizeof(r->severity), "caution");
			worsen(j, VERDICT_LOOK);
		}
	}
	for (size_t i = 0; i < COUNT(speeds); i++) {
		row = range_row(j, speeds[i].range);
		if (row != NULL) {
			struct verdict_reason *r = reason(j, "range", "estimated");
			if (!isnan(real_of(row, "range_nm"))) {
				say_amount(j, r, QUANTITY_DISTANCE, real_of(row, "range_nm"), 0);
				say(r, " or ");
			}
			say_amount(j, r, QUANTITY_HOURS, real_of(row, "range_h"), 0);
			say(r, " ");
			say(r, speeds[i].words);
			say(r, ", down to ");
			say_amount(j, r, QUANTITY_VOLUME, real_of(row, "reserve_l"), 0);
			r->value = real_of(row, "range_h");
			(void)snprintf(r->unit, sizeof(r->unit), "h");
			return;
		}
	}
	if (tanks == 0) {
		say(reason(j, "tank 0", NULL), "no tank level was heard, and none is configured: what is left, "
			"and how far it goes, is not known");
	}
}

/* What an engine's watched temperatures were when it last turned, and their limits. */
static void judge_temperatures(struct judging *j, const json_t *engine)
{
	struct verdict_reason *r = NULL;
	const json_t *row;
	size_t index;

	json_array_foreach(json_object_get(j->rows->overview, "temperatures"), index, row) {
		double value_c = real_of(row, "value_c"), limit_c = real_of(row, "limit_c");
		double usual_c = real_of(row, "usual_c");
		const char *part = text_of(row, "part");
		if (isnan(value_c) || part == NULL ||
			!json_equal(json_object_get(row, "engine"), json_object_get(engine, "engine"))) {
			continue;
		}
		if (r == NULL) {
			char about[64];
			name_engine(about, sizeof(about), "temperatures, ", row);
			r = reason(j, about, "measured");
			say(r, "when it last turned: ");
		} else {
			say(r, "; ");
		}
		say(r, part);
		say(r, " ");
		say_amount(j, r, QUANTITY_TEMPERATURE, value_c, 0);
		if (!isnan(usual_c)) {
			say(r, ", usual at this load ");
			say_amount(j, r, QUANTITY_TEMPERATURE, usual_c, 0);
		}
		if (!isnan(limit_c)) {
			say(r, ", limit ");
			say_amount(j, r, QUANTITY_TEMPERATURE, limit_c, 0);
		} else if (json_is_true(json_object_get(row, "may_limit"))) {
			say(r, ", no limit is set");
		}
	}
}

/* Burn, starvation, temperatures, faults of each engine: what is watched, and that nothing stands. */
static void judge_engines(struct judging *j)
{
	static const char *const analyses[] = {
		"change of burn", "starvation and air", "engine faults"};
	static const char *const kinds[] = {"burn-high", "burn-low", "starvation", "fuel-pressure-low",
		"temperature-high", "engine-fault"};
	const json_t *row, *other;
	size_t index, inner;

	json_array_foreach(j->rows->coverage, index, row) {
		char about[64];
		size_t watched = 0;
		if (!is(row, "analysis", "change of burn")) {
			continue; /* one row an engine */
		}
		name_engine(about, sizeof(about), "", row);
		struct verdict_reason *r = reason(j, about, "measured");
		json_array_foreach(j->rows->coverage, inner, other) {
			for (size_t i = 0; i < COUNT(analyses); i++) {
				if (is(other, "analysis", analyses[i]) && !is(other, "covered", "no") &&
					json_equal(json_object_get(other, "engine"),
						json_object_get(row, "engine"))) {
					say(r, watched++ > 0 ? ", " : "watched: ");
					say(r, analyses[i]);
				}
			}
		}
		json_array_foreach(json_object_get(j->rows->overview, "temperatures"), inner, other) {
			if (json_equal(json_object_get(other, "engine"), json_object_get(row, "engine"))) {
				say(r, watched++ > 0 ? ", " : "watched: ");
				say(r, text_of(other, "part") == NULL ? "" : text_of(other, "part"));
				say(r, " temperature");
			}
		}
		if (watched == 0) {
			say(r, "nothing watches its burn, fuel pressure, temperatures or faults");
			r->basis[0] = '\0';
		} else if (stands(j, kinds, COUNT(kinds), NULL)) {
			say(r, "; see above for what stands");
		} else {
			say(r, "; nothing stands");
			since(r, quiet_since(j, kinds, COUNT(kinds), NULL));
		}
		judge_temperatures(j, row);
	}
}

/* ---- what falls due, what is not seen ---- */

static void judge_due(struct judging *j)
{
	const json_t *row, *first = NULL;
	size_t index;

	json_array_foreach(j->rows->elements, index, row) {
		const char *due = text_of(row, "due_utc");
		if (text_of(row, "removed_utc") != NULL || text_of(row, "due_by") == NULL) {
			continue;
		}
		const char *first_due = first == NULL ? NULL : text_of(first, "due_utc");
		bool sooner = first == NULL || (due != NULL && first_due == NULL);
		if (due != NULL && first_due != NULL) {
			sooner = strcmp(due, first_due) < 0; /* ISO 8601 sorts as text */
		} else if (due == NULL && first_due == NULL && first != NULL) {
			sooner = real_of(row, "left_h_p50") < real_of(first, "left_h_p50");
		}
		first = sooner ? row : first;
	}
	struct verdict_reason *r = reason(j, "due next", first == NULL ? NULL : text_of(first, "basis"));
	if (first == NULL) {
		say(r, "no limit, change interval or date of fitting is told for any filter, or the log is too "
			"young: nothing says what falls due");
		return;
	}
	say(r, "the ");
	say(r, text_of(first, "filter") == NULL ? "" : text_of(first, "filter"));
	say(r, " element, by ");
	say(r, text_of(first, "due_by"));
	if (real_of(first, "used_pct") >= 100) {
		say(r, ": it is due now");
	} else if (text_of(first, "due_utc") != NULL) {
		say(r, ": ");
		say_day(r, text_of(first, "due_utc"));
	}
	if (text_of(first, "due_utc") == NULL && real_of(first, "used_pct") < 100) {
		say_left(j, r, first);
	}
}

static void judge_coverage(struct judging *j)
{
	const json_t *row;
	size_t index;

	json_array_foreach(j->rows->coverage, index, row) {
		/* Water has its own reason. */
		if (!is(row, "covered", "no") || is(row, "analysis", "water in fuel")) {
			continue;
		}
		struct verdict_reason *r = reason(j, "coverage", NULL);
		say(r, "not seen: ");
		say(r, text_of(row, "analysis") == NULL ? "" : text_of(row, "analysis"));
		if (json_is_integer(json_object_get(row, "engine"))) {
			char engine[32];
			name_engine(engine, sizeof(engine), " of ", row);
			say(r, engine);
		}
		if (text_of(row, "supplied_by") != NULL) {
			say(r, "; it takes ");
			say(r, text_of(row, "supplied_by"));
		}
	}
}

static void judge_log(struct judging *j)
{
	if (j->rows->obstacle != NULL) {
		struct verdict_reason *r = reason(j, "log", NULL);

		say(r, "nothing can be written into it: ");
		say(r, j->rows->obstacle);
		say(r, "; what happens now is not in it yet");
		(void)snprintf(r->severity, sizeof(r->severity), "caution");
	}
}

static void judge_age(struct judging *j)
{
	const json_t *boat = json_array_get(json_object_get(j->rows->overview, "boat"), 0);
	const char *end = text_of(boat, "log_end_utc");
	int64_t end_ns;

	if (end != NULL && utc_parse(end, &end_ns) && j->rows->clock_ns - end_ns > DAY_NS) {
		struct verdict_reason *r = reason(j, "log", NULL);
		say(r, "the log ends on ");
		say_day(r, end);
		say(r, ": what came after is not known");
		since(r, end);
	}
}

void verdict_judge(const struct verdict_rows *rows, enum unit_system units,
	struct verdict *ret_verdict)
{
	struct judging j = {.rows = rows, .units = units, .verdict = ret_verdict};
	const json_t *signals = json_object_get(rows->overview, "signals");

	ret_verdict->word = VERDICT_UNKNOWN;
	ret_verdict->count = 0;
	judge_standing(&j);
	bool silent = json_array_size(signals) == 0 && ret_verdict->count == 0;
	judge_log(&j);
	if (silent) {
		say(reason(&j, "log", NULL), "no signal is in the log");
		return;
	}
	bool measured = judge_filters(&j);
	bool water = judge_water(&j);
	worsen(&j, measured && water && rows->obstacle == NULL ? VERDICT_RIGHT : VERDICT_UNSEEN);
	judge_tanks(&j);
	judge_engines(&j);
	judge_due(&j);
	judge_coverage(&j);
	judge_age(&j);
}

/* ---- of a log ---- */

enum program_exit verdict_of_log(const struct command_line *line, struct log_store *store,
	struct verdict **ret_verdict)
{
	static const struct log_table standing = {"events", fact_table_standing_events};
	const struct log_table *tables[] = {log_table_find("overview", 8), log_table_find("elements", 8),
		&standing, log_table_find("coverage", 8), log_table_find("events", 6)};
	json_t *objects[COUNT(tables)] = {NULL};
	struct command_line *whole = malloc(sizeof(*whole)); /* too large for a worker's stack */
	struct verdict *verdict = malloc(sizeof(*verdict));
	enum program_exit status = EXIT_DONE;

	if (whole == NULL || verdict == NULL) {
		status = command_failed(line, "no memory left");
		goto free_all;
	}
	*whole = *line;
	whole->has_since = false; /* the verdict is of now */
	whole->has_until = false;
	whole->engine = -1;
	for (size_t i = 0; i < COUNT(tables); i++) {
		objects[i] = log_table_json(tables[i], whole, store);
		if (objects[i] == NULL) {
			status = command_failed(line, "cannot read the log for the verdict");
			goto free_all;
		}
	}
	struct verdict_rows rows = {
		.overview = objects[0],
		.elements = json_object_get(objects[1], "elements"),
		.standing = json_object_get(objects[2], "events"),
		.coverage = json_object_get(objects[3], "coverage"),
		.events = json_object_get(objects[4], "events"),
		.clock_ns = overview_clock_ns(),
		.obstacle = line->log_path == NULL ? NULL : log_store_obstacle(line->log_path),
	};
	verdict_judge(&rows, line->settings.units, verdict);
	*ret_verdict = verdict;
	verdict = NULL;
free_all:
	for (size_t i = 0; i < COUNT(objects); i++) {
		json_decref(objects[i]);
	}
	free(verdict);
	free(whole);
	return status;
}

static const struct table_column verdict_columns[] = {
	{"verdict", TABLE_TEXT, QUANTITY_NONE, 0},
	{"says", TABLE_TEXT, QUANTITY_NONE, 0},
};

static const struct table_column reason_columns[] = {
	{"about", TABLE_TEXT, QUANTITY_NONE, 0},
	{"severity", TABLE_TEXT, QUANTITY_NONE, 0},
	{"says", TABLE_TEXT, QUANTITY_NONE, 0},
	{"value", TABLE_REAL, QUANTITY_NONE, 2},
	{"limit", TABLE_REAL, QUANTITY_NONE, 2},
	{"unit", TABLE_TEXT, QUANTITY_NONE, 0},
	{"basis", TABLE_TEXT, QUANTITY_NONE, 0},
	{"since_utc", TABLE_TIME, QUANTITY_NONE, 0},
};

static void put_text(struct table *table, const char *text)
{
	table_put_text(table, text[0] == '\0' ? NULL : text);
}

enum program_exit verdict_table_put(const struct command_line *line, struct table *table,
	struct log_store *store)
{
	struct verdict *verdict;
	enum program_exit status = verdict_of_log(line, store, &verdict);

	if (status != EXIT_DONE) {
		return status;
	}
	table_begin(table, "verdict", verdict_columns, COUNT(verdict_columns));
	table_put_text(table, verdict_word_name(verdict->word));
	table_put_text(table, verdict_word_text(verdict->word));
	table_end_row(table);
	table_end(table);
	table_begin(table, "reasons", reason_columns, COUNT(reason_columns));
	for (size_t i = 0; i < verdict->count; i++) {
		const struct verdict_reason *r = &verdict->reasons[i];
		int64_t since_ns;
		put_text(table, r->about);
		put_text(table, r->severity);
		put_text(table, r->says);
		table_put_real(table, r->value);
		table_put_real(table, r->limit);
		put_text(table, r->unit);
		put_text(table, r->basis);
		if (utc_parse(r->since_utc, &since_ns)) {
			table_put_time(table, since_ns);
		} else {
			table_put_unknown(table);
		}
		table_end_row(table);
	}
	table_end(table);
	free(verdict);
	return EXIT_DONE;
}

void verdict_print(const struct verdict *verdict, FILE *out)
{
	(void)fprintf(out, "%s\n", verdict_word_text(verdict->word)); /* the stream keeps a failure */
	for (size_t i = 0; i < verdict->count; i++) {
		const struct verdict_reason *r = &verdict->reasons[i];
		(void)fprintf(out, "  %s%s%s: %s%s%s%s%.10s%s.\n", r->severity,
			r->severity[0] == '\0' ? "" : ", ", r->about, r->says,
			r->basis[0] == '\0' && r->since_utc[0] == '\0' ? "" : " (", r->basis,
			r->since_utc[0] == '\0' ? ""
			: r->basis[0] == '\0'   ? "since "
						: ", since ", r->since_utc,
			r->basis[0] == '\0' && r->since_utc[0] == '\0' ? "" : ")");
	}
	(void)fputc('\n', out);
}
