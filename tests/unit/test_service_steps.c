#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/service_steps.h"

/* The oracle reads the words that a person reads, not the table's own marks. */
enum word {
	DEFERS,
	STOPS,
	BATTERY_OFF,
	FIRE,
	VAPOUR,
	SKIN,
	HOT,
	HIGH_PRESSURE,
	PADS,
	BILGE_OFF,
	BILGE_ON,
	CONTAINER,
	EXTINGUISHER,
	FUEL_OUT,     /* opens something that fuel comes out of */
	OPENS_FILTER, /* opens the housing */
	MOPS,
	POWER,        /* something is switched on or started */
	MOVING,
	LABEL_OFF,
	LEAKS,
	WASTE,
	BOOK,
	NEW_ELEMENT,
	DRAIN_TAP,
	VALVE_CLOSE,
	VALVE_OPEN,
	CLAMP_ON,
	CLAMP_OFF,
	VENT_SCREW,
	LID,
	CAN,
	BOWL,
	HAND_PUMP,
	LEVER,
	BULB,
	ELECTRIC,
	NOTHING_PUMPS,
	PROBE_OUT,
	PROBE_IN,
	FALLS_BACK,
	BELOW_LEVEL,
	SET,
	COMMON_RAIL,
	INJECTION_POINT,
	PUMPS,
	JAR,
	WORD_COUNT
};

static const char *const words[WORD_COUNT][6] = {
	[DEFERS] = {"manuals, local codes"},
	[STOPS] = {"Stop the engine"},
	[BATTERY_OFF] = {"start battery off"},
	[FIRE] = {"Fire: no flame"},
	[VAPOUR] = {"Vapour: open the hatches"},
	[SKIN] = {"Skin and eyes: wear"},
	[HOT] = {"Hot engine: let it cool"},
	[HIGH_PRESSURE] = {"High-pressure injection: do not open"},
	[PADS] = {"Lay pads"},
	[BILGE_OFF] = {"bilge pump off"},
	[BILGE_ON] = {"bilge pump on again"},
	[CONTAINER] = {"Put the container under"},
	[EXTINGUISHER] = {"fire extinguisher for burning liquids"},
	[FUEL_OUT] = {"pen the drain", "Slacken", "slacken", "Undo", "Unscrew the can", "pen the lid"},
	[OPENS_FILTER] = {"Undo the bowl", "undo it", "Unscrew the can", "pen the lid",
		"Take the lid off", "Open the filter"},
	[MOPS] = {"Mop up", "mop up"},
	[POWER] = {"Switch the battery on", "switch the battery on", "electric lift pump and"},
	[MOVING] = {"Moving parts:"},
	[LABEL_OFF] = {"Take the label off"},
	[LEAKS] = {"Go round every joint"},
	[WASTE] = {"reception point for oily waste"},
	[BOOK] = {"Write it in the service book"},
	[NEW_ELEMENT] = {"Put the new element in", "and the new element.", "Fit the can empty",
		"Fill the can", "fit the new element"},
	[DRAIN_TAP] = {"drain tap"},
	[VALVE_CLOSE] = {"Close the shut-off valve"},
	[VALVE_OPEN] = {"Open the shut-off valve"},
	[CLAMP_ON] = {"Clamp the soft hose", "Stop the flow from the tank:"},
	[CLAMP_OFF] = {"Take the clamp off", "take off any clamp"},
	[VENT_SCREW] = {"vent screw"},
	[LID] = {"the lid", "The lid"},
	[CAN] = {"the can", "The can"},
	[BOWL] = {"the bowl", "the bowl.", "Wipe bowl", "between bowl"},
	[HAND_PUMP] = {"Work the hand pump"},
	[LEVER] = {"lever of the lift pump"},
	[BULB] = {"squeeze bulb"},
	[ELECTRIC] = {"the electric lift pump run"},
	[NOTHING_PUMPS] = {"Nothing pumps here", "Wait: the tank's level"},
	[PROBE_OUT] = {"Unplug the water probe"},
	[PROBE_IN] = {"Plug the water probe in"},
	[FALLS_BACK] = {"the filter is above the tank's level"},
	[BELOW_LEVEL] = {"This filter is below the tank's level", "the tank's level keeps"},
	[SET] = {"set's handle", "filter of the set"},
	[COMMON_RAIL] = {"common-rail"},
	[INJECTION_POINT] = {"low-pressure point"},
	[PUMPS] = {"Work the hand pump", "lever of the lift pump", "squeeze bulb",
		"electric lift pump run", "Pump with what the line has"},
	[JAR] = {"clear jar"},
};

/* Marks of a text, remembered by its address: there are few texts and many plans. */
static uint64_t marks(const char *text)
{
	static struct {
		const char *text;
		uint64_t marks;
	} seen[1024];
	size_t slot = ((uintptr_t)text >> 2) % 1024;
	uint64_t found = 0;

	while (seen[slot].text && seen[slot].text != text) {
		slot = (slot + 1) % 1024;
	}
	if (seen[slot].text) {
		return seen[slot].marks;
	}
	for (size_t w = 0; w < WORD_COUNT; w++) {
		for (size_t i = 0; i < 6 && words[w][i]; i++) {
			if (strstr(text, words[w][i])) {
				found |= UINT64_C(1) << w;
			}
		}
	}
	seen[slot].text = text;
	seen[slot].marks = found;
	return found;
}

struct reading {
	unsigned count[WORD_COUNT];
	int first[WORD_COUNT]; /* line of the first one; -1: none */
	int last[WORD_COUNT];
};

static void read_plan(const struct service_plan *plan, struct reading *reading)
{
	memset(reading, 0, sizeof(*reading));
	for (size_t w = 0; w < WORD_COUNT; w++) {
		reading->first[w] = reading->last[w] = -1;
	}
	for (size_t i = 0; i < plan->count; i++) {
		uint64_t found = marks(plan->lines[i].text);

		for (size_t w = 0; found != 0; w++, found >>= 1) {
			if (found & 1) {
				reading->count[w]++;
				reading->last[w] = (int)i;
				if (reading->first[w] < 0) {
					reading->first[w] = (int)i;
				}
			}
		}
	}
}

typedef void checker(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *reading);

static void for_filters(checker *check, bool every)
{
	const struct filter_build_property *properties;
	size_t count = filter_build_properties(&properties);
	size_t combinations = 16;

	for (size_t p = 0; p < count; p++) {
		combinations *= properties[p].count;
	}
	for (size_t c = 0; c < combinations; c++) {
		struct service_subject subject;
		size_t rest = c / 16;

		filter_build_init(&subject.build);
		subject.suction_side = c & 1;
		subject.last = c & 2;
		subject.change_over = c & 4;
		subject.common_rail = c & 8;
		for (size_t p = 0; p < count; p++) {
			filter_build_set(&subject.build, p,
				(unsigned)(rest % properties[p].count));
			rest /= properties[p].count;
		}
		if (!every && (subject.build.bowl != FILTER_BOWL_UNKNOWN || subject.change_over ||
				      subject.build.probe != FILTER_HAS_UNKNOWN)) {
			continue;
		}
		for (unsigned job = 0; job < SERVICE_JOB_COUNT; job++) {
			struct service_plan plan;
			struct reading reading;

			service_steps_plan((enum service_job)job, &subject, &plan);
			read_plan(&plan, &reading);
			check((enum service_job)job, &subject, &plan, &reading);
		}
	}
}

static void for_every_filter(checker *check)
{
	for_filters(check, true);
}

/* Filters that differ in what has to do with fuel and air: not in bowl, probe and change-over. */
static void for_every_flow(checker *check)
{
	for_filters(check, false);
}

static void check_complete(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	static const enum word once[] = {DEFERS, STOPS, BATTERY_OFF, FIRE, VAPOUR, SKIN, HOT,
		HIGH_PRESSURE, PADS, BILGE_OFF, BILGE_ON, CONTAINER, EXTINGUISHER, MOVING, LABEL_OFF,
		LEAKS, WASTE, BOOK};

	for (size_t i = 0; i < sizeof(once) / sizeof(once[0]); i++) {
		assert_int_equal(r->count[once[i]], 1);
	}
	assert_int_equal(r->first[DEFERS], 0);
	assert_true(r->count[MOPS] >= 1);
	assert_int_equal(r->count[NEW_ELEMENT] > 0, job == SERVICE_CHANGE);
	assert_int_equal(r->count[JAR], job != SERVICE_BLEED);
	/* Every line is primed by exactly one thing, or said to have none. */
	assert_int_equal(r->count[PUMPS] + r->count[NOTHING_PUMPS], 1);
	if (job != SERVICE_DRAIN) {
		assert_int_equal(r->count[INJECTION_POINT], subject->common_rail ? 0 : 1);
	}
	if (job == SERVICE_CHANGE) {
		assert_true(r->count[OPENS_FILTER] >= 1);
		assert_true(r->first[NEW_ELEMENT] >= r->first[OPENS_FILTER]);
	}
	assert_true(plan->catch_l > 0 && plan->catch_estimated);
}

static void every_plan_is_complete(void **state)
{
	(void)state;
	for_every_filter(check_complete);
}

static void check_cautions(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	static const enum word before_fuel[] = {STOPS, BATTERY_OFF, FIRE, VAPOUR, SKIN, HOT,
		HIGH_PRESSURE, PADS, BILGE_OFF, CONTAINER};
	static const enum word before_power[] = {MOPS, FIRE, VAPOUR};
	int fuel = r->first[FUEL_OUT];
	int opened = r->first[OPENS_FILTER];
	unsigned given = 0;

	(void)job;
	(void)subject;
	for (size_t i = 0; i < sizeof(before_fuel) / sizeof(before_fuel[0]); i++) {
		assert_true(fuel < 0 || r->first[before_fuel[i]] < fuel);
		assert_true(opened < 0 || r->first[before_fuel[i]] < opened);
	}
	for (size_t i = 0; i < sizeof(before_power) / sizeof(before_power[0]); i++) {
		assert_true(r->first[POWER] > r->first[before_power[i]]);
	}
	assert_true(r->first[STOPS] < r->first[BATTERY_OFF]);
	/* The engine starts after the last thing that lets fuel out, mopped up in between. */
	assert_true(r->last[POWER] > r->last[FUEL_OUT] && r->last[POWER] > r->last[OPENS_FILTER]);
	assert_true(r->last[MOPS] > r->last[FUEL_OUT] && r->last[MOPS] > r->last[OPENS_FILTER]);
	assert_true(r->last[MOPS] < r->last[POWER] && r->first[MOVING] < r->first[LABEL_OFF]);
	assert_true(r->first[BILGE_ON] > r->last[MOPS]);
	/* And by the table's own marks. */
	for (size_t i = 0; i < plan->count; i++) {
		assert_int_equal(plan->lines[i].needs & ~given, 0);
		given |= plan->lines[i].gives;
	}
}

static void cautions_stand_before_the_dangerous_step(void **state)
{
	(void)state;
	for_every_filter(check_cautions);
}

static void check_no_contradiction(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	const struct filter_build *b = &subject->build;

	(void)plan;
	assert_true(r->count[DRAIN_TAP] == 0 || b->drain == FILTER_DRAIN_TAP);
	assert_true(r->count[VALVE_CLOSE] == 0 || b->shut_off == FILTER_HAS);
	assert_true(r->count[VALVE_OPEN] == 0 || b->shut_off == FILTER_HAS);
	assert_true(r->count[CLAMP_ON] == 0 || b->shut_off != FILTER_HAS);
	assert_true(r->count[VENT_SCREW] == 0 || b->vent == FILTER_HAS);
	assert_true(r->count[LID] == 0 || b->loading == FILTER_LOADING_TOP);
	assert_true(r->count[CAN] == 0 || b->loading == FILTER_LOADING_SPIN_ON);
	assert_true(r->count[BOWL] == 0 || b->bowl == FILTER_BOWL_CLEAR ||
		b->bowl == FILTER_BOWL_METAL || b->loading == FILTER_LOADING_BOTTOM);
	assert_true(r->count[HAND_PUMP] == (b->priming == FILTER_PRIMING_HAND_PUMP));
	assert_true(r->count[LEVER] == (b->priming == FILTER_PRIMING_LEVER));
	assert_true(r->count[BULB] == (b->priming == FILTER_PRIMING_BULB));
	assert_true(r->count[ELECTRIC] == (b->priming == FILTER_PRIMING_ELECTRIC));
	assert_true(r->count[NOTHING_PUMPS] == (b->priming == FILTER_PRIMING_NONE));
	assert_true(r->count[PROBE_OUT] == 0 || b->probe == FILTER_HAS);
	assert_true(r->count[FALLS_BACK] == 0 || b->height == FILTER_HEIGHT_ABOVE);
	assert_true(r->count[BELOW_LEVEL] == 0 || b->height == FILTER_HEIGHT_BELOW);
	assert_true((r->count[SET] > 0) == subject->change_over);
	assert_true((r->count[COMMON_RAIL] > 0) == subject->common_rail);
	if (job != SERVICE_CHANGE) {
		assert_int_equal(r->count[NEW_ELEMENT], 0);
	}
}

static void no_step_contradicts_the_description(void **state)
{
	(void)state;
	for_every_filter(check_no_contradiction);
}

static void check_closed_again(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	unsigned section = SERVICE_SECTION_FIRST;

	(void)subject;
	for (size_t i = 0; i < plan->count; i++) {
		assert_true(plan->lines[i].section >= section);
		section = plan->lines[i].section;
		for (size_t k = 0; k < i; k++) {
			assert_ptr_not_equal(plan->lines[i].text, plan->lines[k].text);
		}
	}
	if (job == SERVICE_BLEED) {
		assert_int_equal(r->count[VALVE_CLOSE] + r->count[CLAMP_ON], 0);
		return;
	}
	assert_int_equal(r->count[VALVE_CLOSE], r->count[VALVE_OPEN]);
	assert_int_equal(r->count[CLAMP_ON], r->count[CLAMP_OFF]);
	assert_int_equal(r->count[PROBE_OUT], r->count[PROBE_IN]);
	assert_true(r->count[VALVE_OPEN] == 0 || r->first[VALVE_OPEN] > r->first[VALVE_CLOSE]);
	assert_true(r->count[PROBE_IN] == 0 || r->first[PROBE_IN] > r->first[PROBE_OUT]);
	/* The inflow is stopped before the housing is opened. */
	if (r->count[OPENS_FILTER] > 0) {
		assert_int_equal(r->count[VALVE_CLOSE] + r->count[CLAMP_ON] + r->count[FALLS_BACK], 1);
	}
}

static void what_is_opened_is_closed_again_and_sections_follow_the_work(void **state)
{
	(void)state;
	for_every_filter(check_closed_again);
}

/* Whether a line of a section holds a text. */
static bool says(const struct service_plan *plan, enum service_section section, const char *text)
{
	for (size_t i = 0; i < plan->count; i++) {
		if (plan->lines[i].section == section && strstr(plan->lines[i].text, text)) {
			return true;
		}
	}
	return false;
}

/* A lift pump behind the filter draws air in at a vent that is open; and where nothing pumps, no fuel
 * comes up to a vent that the tank does not reach. */
static void check_vent(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	const struct filter_build *b = &subject->build;
	bool below = b->height == FILTER_HEIGHT_BELOW;
	bool opened = says(plan, SERVICE_SECTION_BLEED, "lacken");
	bool draws = b->priming == FILTER_PRIMING_LEVER && subject->suction_side;

	(void)job;
	(void)r;
	assert_int_equal(opened, says(plan, SERVICE_SECTION_BLEED, "Tighten"));
	if (draws && b->vent != FILTER_HAS_NOT) {
		assert_int_equal(opened, below && b->vent == FILTER_HAS);
		assert_true(says(plan, SERVICE_SECTION_BLEED, "would draw air in"));
	}
	if (draws && opened) {
		assert_true(says(plan, SERVICE_SECTION_BLEED, "before you pump"));
	}
	if (b->priming == FILTER_PRIMING_NONE && b->height == FILTER_HEIGHT_ABOVE) {
		assert_false(opened);
	}
	if (b->vent == FILTER_HAS_NOT) {
		assert_false(opened);
	}
}

static void no_pump_draws_air_in_at_a_vent(void **state)
{
	(void)state;
	for_every_flow(check_vent);
}

/* What was emptied and fills by nothing is filled by hand, with the fuel for it at hand. */
static void check_filled(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	const struct filter_build *b = &subject->build;
	bool poured = says(plan, SERVICE_SECTION_FILL, "clean fuel");

	(void)r;
	if (b->priming == FILTER_PRIMING_NONE && b->height == FILTER_HEIGHT_ABOVE) {
		assert_true(poured || (b->loading == FILTER_LOADING_SPIN_ON && subject->last &&
					      job != SERVICE_BLEED));
	}
	if (poured) {
		assert_true(says(plan, SERVICE_SECTION_AT_HAND, "Clean fuel"));
	}
	assert_int_equal(job == SERVICE_CHANGE && subject->last && subject->common_rail &&
				 b->loading != FILTER_LOADING_SPIN_ON,
		says(plan, SERVICE_SECTION_FILL, "forbid to pour"));
}

static void what_fills_by_nothing_is_filled_by_hand(void **state)
{
	(void)state;
	for_every_flow(check_filled);
}

/* Water is looked for once, and only in a jar into which something went. */
static void check_jar(enum service_job job, const struct service_subject *subject,
	const struct service_plan *plan, const struct reading *r)
{
	unsigned looked = 0;
	bool filled = false;

	(void)subject;
	(void)r;
	for (size_t i = 0; i < plan->count; i++) {
		const char *text = plan->lines[i].text;
		if (strstr(text, "over the jar") || strstr(text, "into the jar") ||
			strstr(text, "in the jar")) {
			filled = true;
		}
		if (strstr(text, "for some minutes") && plan->lines[i].section < SERVICE_SECTION_LEAKS) {
			assert_true(filled);
			looked++;
		}
	}
	assert_int_equal(looked, job != SERVICE_BLEED);
}

static void water_is_looked_for_where_something_was_caught(void **state)
{
	(void)state;
	for_every_flow(check_jar);
}

static void the_catch_follows_the_volume(void **state)
{
	struct service_subject subject = {.build = {.volume_l = 0.8}};
	struct service_plan plan;

	(void)state;
	service_steps_plan(SERVICE_CHANGE, &subject, &plan);
	assert_true(fabs(plan.catch_l - 1.6) < 1e-12 && !plan.catch_estimated);
	service_steps_plan(SERVICE_DRAIN, &subject, &plan);
	assert_true(fabs(plan.catch_l - 1.2) < 1e-12);
	subject.build.volume_l = NAN;
	service_steps_plan(SERVICE_CHANGE, &subject, &plan);
	assert_true(fabs(plan.catch_l - 2) < 1e-12 && plan.catch_estimated);
}

static void properties_are_read_as_they_were_set(void **state)
{
	const struct filter_build_property *properties;
	size_t count = filter_build_properties(&properties);
	struct filter_build build;

	(void)state;
	for (size_t p = 0; p < count; p++) {
		for (unsigned value = 0; value < properties[p].count; value++) {
			filter_build_init(&build);
			filter_build_set(&build, p, value);
			for (size_t q = 0; q < count; q++) {
				assert_int_equal(filter_build_get(&build, q), q == p ? value : 0);
			}
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_plan_is_complete),
		cmocka_unit_test(cautions_stand_before_the_dangerous_step),
		cmocka_unit_test(no_step_contradicts_the_description),
		cmocka_unit_test(what_is_opened_is_closed_again_and_sections_follow_the_work),
		cmocka_unit_test(no_pump_draws_air_in_at_a_vent),
		cmocka_unit_test(what_fills_by_nothing_is_filled_by_hand),
		cmocka_unit_test(water_is_looked_for_where_something_was_caught),
		cmocka_unit_test(the_catch_follows_the_volume),
		cmocka_unit_test(properties_are_read_as_they_were_set),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
