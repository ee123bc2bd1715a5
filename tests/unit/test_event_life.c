#include <string.h>

#include "analysis/event_life.h"
#include "tests/unit/near.h"

#define MINUTE_NS INT64_C(60000000000)

struct heard {
	int count;
	struct fact_event last;
};

static void on_event(void *context, const struct fact_event *event)
{
	struct heard *heard = context;

	heard->count++;
	heard->last = *event;
}

static struct fact_sink sink_of(struct heard *heard)
{
	return (struct fact_sink){.context = heard, .on_event = on_event};
}

static struct event_claim water(uint32_t subject)
{
	return (struct event_claim){
		.kind = EVENT_WATER_IN_FUEL,
		.subject = subject,
		.name = "primary",
		.severity = SEVERITY_CAUTION,
		.value = NAN,
		.limit = NAN,
		.unit = "",
		.basis = "measured",
		.message = "Water in the bowl.",
		.trip = 3,
	};
}

static struct event_moment at(int64_t minutes)
{
	return (struct event_moment){.session = 2, .t_ns = minutes * MINUTE_NS};
}

static void raising_tells_once_and_clearing_ends_it(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(10);

	(void)state;
	event_life_init(&life, 40);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 41);
	assert_int_equal(heard.count, 1);
	assert_int_equal(heard.last.event, 41);
	assert_string_equal(heard.last.kind, "water-in-fuel");
	assert_string_equal(heard.last.subject, "primary");
	assert_string_equal(heard.last.message, "Water in the bowl.");
	assert_int_equal(heard.last.session, 2);
	assert_int_equal(heard.last.raised_ns, 10 * MINUTE_NS);
	assert_int_equal(heard.last.trip, 3);
	assert_false(heard.last.has_cleared);
	now = at(11);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 41);
	assert_int_equal(heard.count, 1);
	now = at(15);
	event_life_clear(&life, &now, &claim, &sink);
	assert_int_equal(heard.count, 2);
	assert_int_equal(heard.last.event, 41);
	assert_true(heard.last.has_cleared);
	assert_int_equal(heard.last.cleared_ns, 15 * MINUTE_NS);
	assert_int_equal(heard.last.raised_ns, 10 * MINUTE_NS);
	event_life_clear(&life, &now, &claim, &sink);
	assert_int_equal(heard.count, 2);
}

static void what_comes_back_at_once_is_the_same_event(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(10);

	(void)state;
	event_life_init(&life, 0);
	(void)event_life_raise(&life, &now, &claim, &sink);
	now = at(12);
	event_life_clear(&life, &now, &claim, &sink);
	now = at(20);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_false(heard.last.has_cleared);
	assert_int_equal(heard.last.raised_ns, 10 * MINUTE_NS);
	now = at(21);
	event_life_clear(&life, &now, &claim, &sink);
	now = at(32);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 2);
	assert_int_equal(heard.last.raised_ns, 32 * MINUTE_NS);
}

static void kinds_and_subjects_have_lives_of_their_own(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim first = water(1);
	struct event_claim second = water(2);
	struct event_moment now = at(0);

	(void)state;
	event_life_init(&life, 0);
	assert_int_equal(event_life_raise(&life, &now, &first, &sink), 1);
	assert_int_equal(event_life_raise(&life, &now, &second, &sink), 2);
	second.kind = EVENT_STARVATION;
	assert_int_equal(event_life_raise(&life, &now, &second, &sink), 3);
	event_life_clear(&life, &now, &first, &sink);
	assert_null(event_life_find(&life, EVENT_WATER_IN_FUEL, 1));
	assert_non_null(event_life_find(&life, EVENT_WATER_IN_FUEL, 2));
	assert_non_null(event_life_find(&life, EVENT_STARVATION, 2));
}

static void a_worse_or_moved_event_is_told_again_under_its_number(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(0);

	(void)state;
	event_life_init(&life, 0);
	claim.value = 10;
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_true(event_life_acknowledge(&life, 1));
	claim.value = 10.9;
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_int_equal(heard.count, 1);
	claim.value = 11.2;
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_int_equal(heard.count, 2);
	near(heard.last.value, 11.2, 0);
	assert_false(event_slot_calls(event_life_find(&life, EVENT_WATER_IN_FUEL, 1), now.t_ns));
	claim.severity = SEVERITY_WARNING;
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_int_equal(heard.count, 3);
	assert_int_equal(heard.last.severity, SEVERITY_WARNING);
	assert_true(event_slot_calls(event_life_find(&life, EVENT_WATER_IN_FUEL, 1), now.t_ns));
	claim.severity = SEVERITY_ADVICE; /* milder again: it has been worse */
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_int_equal(heard.count, 3);
}

static void a_claim_that_says_something_else_is_told_again_and_stays_acknowledged(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(1);

	(void)state;
	event_life_init(&life, 0);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_true(event_life_acknowledge(&life, 1));
	claim.message = "Water, and dirt.";
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_int_equal(heard.count, 1);
	claim.retell = true;
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_int_equal(heard.count, 2);
	assert_string_equal(heard.last.message, "Water, and dirt.");
	assert_false(event_slot_calls(event_life_find(&life, claim.kind, 1), now.t_ns));
}

static void a_care_whose_cause_is_known_is_suppressed(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_claim other = water(2);
	struct event_moment now = at(0);

	(void)state;
	event_life_init(&life, 0);
	(void)event_life_raise(&life, &now, &claim, &sink);
	now = at(1);
	event_life_suppress(&life, &now, &claim, &sink);
	assert_int_equal(heard.count, 2);
	assert_true(heard.last.has_cleared);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 0);
	event_life_suppress(&life, &now, &other, &sink); /* never up: nothing is told */
	assert_int_equal(event_life_raise(&life, &now, &other, &sink), 0);
	assert_int_equal(heard.count, 2);
	now = at(30);
	assert_true(event_life_release(&life, EVENT_WATER_IN_FUEL, 1));
	assert_true(event_life_release(&life, EVENT_WATER_IN_FUEL, 2));
	assert_int_equal(heard.count, 2);
	assert_false(
		event_life_release(&life, EVENT_WATER_IN_FUEL, 1)); /* not suppressed any more */
	assert_false(event_life_release(&life, EVENT_WATER_IN_FUEL, 2));
	assert_false(event_life_release(&life, EVENT_WATER_IN_FUEL, 9)); /* never was */
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 2);
	assert_int_equal(event_life_raise(&life, &now, &other, &sink), 3);
	assert_false(event_life_release(&life, EVENT_WATER_IN_FUEL, 1)); /* up */
	assert_non_null(event_life_find(&life, EVENT_WATER_IN_FUEL, 1));
}

static void shelving_and_acknowledging_change_no_fact(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(0);

	(void)state;
	event_life_init(&life, 0);
	assert_false(event_life_acknowledge(&life, 1));
	assert_false(event_life_shelve(&life, 1, 0));
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_true(event_life_shelve(&life, 1, 60 * MINUTE_NS));
	const struct event_slot *slot = event_life_find(&life, EVENT_WATER_IN_FUEL, 1);
	assert_false(event_slot_calls(slot, 59 * MINUTE_NS));
	assert_true(event_slot_calls(slot, 60 * MINUTE_NS));
	assert_true(event_life_acknowledge(&life, 1));
	assert_false(event_slot_calls(slot, 60 * MINUTE_NS));
	assert_int_equal(heard.count, 1);
}

static void a_full_house_takes_no_more_and_cleared_ones_make_room(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_moment now = at(0);

	(void)state;
	event_life_init(&life, 0);
	for (uint32_t i = 0; i < EVENT_LIFE_MAX; i++) {
		struct event_claim claim = water(i);
		assert_int_equal(event_life_raise(&life, &now, &claim, &sink), i + 1);
	}
	struct event_claim more = water(1000);
	assert_int_equal(event_life_raise(&life, &now, &more, &sink), 0);
	struct event_claim first = water(5);
	event_life_clear(&life, &now, &first, &sink);
	assert_int_equal(event_life_raise(&life, &now, &more, &sink), EVENT_LIFE_MAX + 1);
}

/* A bus can make up as many faults and senders as it likes. */
static void strangers_leave_room_for_what_matters(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_moment now = at(0);
	struct event_claim care = water(1);
	uint32_t taken = 0;

	(void)state;
	event_life_init(&life, 0);
	for (uint32_t i = 0; i < 1000; i++) {
		struct event_claim stranger = water(i);
		stranger.kind = i % 2 == 0 ? EVENT_ENGINE_FAULT : EVENT_SOURCE_LOST;
		taken += event_life_raise(&life, &now, &stranger, &sink) != 0;
	}
	assert_int_equal(taken, EVENT_LIFE_STRANGERS);
	assert_true(event_life_raise(&life, &now, &care, &sink) != 0);
}

/* What is over is not kept for ever: a checkpoint would grow with it. */
static void what_cannot_come_back_makes_room_first(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	size_t used = 0;

	(void)state;
	event_life_init(&life, 0);
	for (uint32_t i = 0; i < 500; i++) {
		struct event_claim claim = water(i);
		struct event_moment now = at(i * 11);
		(void)event_life_raise(&life, &now, &claim, &sink);
		event_life_clear(&life, &now, &claim, &sink);
	}
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		used += life.slots[i].standing != EVENT_FREE;
	}
	assert_in_range(used, 1, 2);
}

static void what_comes_back_worse_is_not_acknowledged(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(0);

	(void)state;
	event_life_init(&life, 0);
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_true(event_life_acknowledge(&life, 1));
	event_life_clear(&life, &now, &claim, &sink);
	now = at(5);
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_true(event_life_find(&life, claim.kind, 1)->acknowledged);
	event_life_clear(&life, &now, &claim, &sink);
	claim.severity = SEVERITY_WARNING;
	assert_int_equal(event_life_raise(&life, &now, &claim, &sink), 1);
	assert_false(event_life_find(&life, claim.kind, 1)->acknowledged);
}

static void long_words_are_cut_and_ended(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_claim claim = water(1);
	struct event_moment now = at(0);
	char text[400];

	(void)state;
	memset(text, 'x', sizeof(text) - 1);
	text[sizeof(text) - 1] = '\0';
	claim.name = text;
	claim.message = text;
	event_life_init(&life, 0);
	(void)event_life_raise(&life, &now, &claim, &sink);
	assert_int_equal(strlen(heard.last.subject), sizeof(heard.last.subject) - 1);
	assert_int_equal(strlen(heard.last.message), sizeof(heard.last.message) - 1);
}

static void the_state_comes_back(void **state)
{
	struct heard heard = {0};
	struct fact_sink sink = sink_of(&heard);
	struct event_life life;
	struct event_life resumed;
	struct event_moment now = at(5);
	uint8_t bytes[1024];
	struct state_writer w;
	struct state_reader r;

	(void)state;
	event_life_init(&life, 7);
	for (uint32_t i = 0; i < 5; i++) {
		struct event_claim claim = water(i);
		claim.value = i * 1.5;
		(void)event_life_raise(&life, &now, &claim, &sink);
	}
	struct event_claim second = water(1);
	event_life_clear(&life, &now, &second, &sink);
	second = water(2);
	event_life_suppress(&life, &now, &second, &sink);
	(void)event_life_shelve(&life, 8, 99);
	state_writer_init(&w, bytes, sizeof(bytes));
	event_life_save(&life, &w);
	assert_false(w.failed);
	memset(&resumed, 0xFF, sizeof(resumed));
	state_reader_init(&r, bytes, w.used);
	event_life_load(&resumed, &r);
	assert_false(r.failed);
	for (size_t i = 0; i < EVENT_LIFE_MAX; i++) {
		const struct event_slot *a = &life.slots[i];
		const struct event_slot *b = &resumed.slots[i];
		assert_int_equal(a->standing, b->standing);
		assert_int_equal(a->event, b->event);
		assert_int_equal(a->subject, b->subject);
		assert_int_equal(a->cleared_ns, b->cleared_ns);
		assert_int_equal(a->shelved_until_ns, b->shelved_until_ns);
		assert_memory_equal(&a->value, &b->value, sizeof(a->value));
	}
	for (size_t cut = 0; cut < w.used; cut++) {
		state_reader_init(&r, bytes, cut);
		event_life_load(&resumed, &r);
		assert_true(r.failed);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(raising_tells_once_and_clearing_ends_it),
		cmocka_unit_test(what_comes_back_at_once_is_the_same_event),
		cmocka_unit_test(kinds_and_subjects_have_lives_of_their_own),
		cmocka_unit_test(a_worse_or_moved_event_is_told_again_under_its_number),
		cmocka_unit_test(
			a_claim_that_says_something_else_is_told_again_and_stays_acknowledged),
		cmocka_unit_test(a_care_whose_cause_is_known_is_suppressed),
		cmocka_unit_test(shelving_and_acknowledging_change_no_fact),
		cmocka_unit_test(a_full_house_takes_no_more_and_cleared_ones_make_room),
		cmocka_unit_test(strangers_leave_room_for_what_matters),
		cmocka_unit_test(what_cannot_come_back_makes_room_first),
		cmocka_unit_test(what_comes_back_worse_is_not_acknowledged),
		cmocka_unit_test(long_words_are_cut_and_ended),
		cmocka_unit_test(the_state_comes_back),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
