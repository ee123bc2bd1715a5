/* The engines' trouble codes: active ones as events, past ones as facts. */
#include "analysis/fault_watch.h"
#include "decoders/fault_code.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/boat_windows.h"

#define SECOND INT64_C(1000000000)

static struct boat_windows boat;
static struct fault_watch watch;
static struct fact_fault facts[256];
static size_t told;

static void on_fault(void *context, const struct fact_fault *fact)
{
	(void)context;
	assert_true(told < sizeof(facts) / sizeof(facts[0]));
	facts[told++] = *fact;
}

/* One code of a message; spn 0: the message's word that there is none. */
static void hear(enum signal_id list, uint8_t source, uint32_t spn, uint8_t fmi, uint8_t count,
	uint8_t lamps)
{
	struct fault_code code = {.spn = spn, .fmi = fmi, .count = count};
	struct observation o = {
		.t_ns = boat.view.now.t_ns,
		.signal = (uint16_t)list,
		.source = source,
		.value = spn == 0 ? 0 : fault_code_value(&code),
	};

	fault_watch_take(&watch, &boat.view, &o, lamps);
}

#define LAMPS_OFF      0x00
#define LAMPS_RED_STOP 0x10

static void begin(void)
{
	boat_windows_init(&boat);
	boat.sink.on_fault = on_fault;
	told = 0;
	fault_watch_init(&watch);
}

static void hear_fault(uint32_t spn, uint8_t fmi, uint8_t lamps)
{
	hear(SIGNAL_ACTIVE_FAULT, 0, spn, fmi, 1, lamps);
}

static void a_trouble_code_is_told_in_words_with_what_to_do(void **state)
{
	(void)state;
	begin();
	hear_fault(100, 1, FAULT_LAMPS_UNKNOWN);
	assert_string_equal(boat.last.message,
		"Engine oil pressure: far too low (SPN 100, FMI 1). Ease the engine and read its "
		"own gauges; stop it as soon as it is safe if they agree. See the engine maker's "
		"manual.");
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
	assert_true(boat.last.value == 100);
	hear_fault(174, 15, LAMPS_OFF);
	assert_string_equal(boat.last.message,
		"Fuel temperature: somewhat too high (SPN 174, FMI 15). Read the engine's own "
		"gauges and look for the cause before it grows. See the engine maker's manual.");
	assert_int_equal(boat.last.severity, SEVERITY_ADVICE);
}

static void a_trouble_code_that_no_list_has_is_told_by_its_numbers(void **state)
{
	(void)state;
	begin();
	hear_fault(524286, 27, FAULT_LAMPS_UNKNOWN);
	assert_string_equal(boat.last.message,
		"Fault of the engine: reserved failure mode (SPN 524286, FMI 27). Look the code "
		"up: it alone does not say where to look. See the engine maker's manual.");
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
}

static void a_red_stop_lamp_makes_a_code_a_warning_also_later(void **state)
{
	(void)state;
	begin();
	hear_fault(94, 17, LAMPS_OFF);
	assert_int_equal(boat.last.severity, SEVERITY_ADVICE);
	int64_t event = boat.last.event;
	hear_fault(94, 17, LAMPS_RED_STOP);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 2);
	assert_int_equal(boat.last.event, event);
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
	assert_non_null(strstr(boat.last.message, "Fuel delivery pressure: somewhat too low"));
	/* Neither the lamp's going out nor its staying on is news. */
	hear_fault(94, 17, LAMPS_OFF);
	hear_fault(94, 17, LAMPS_RED_STOP);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 2);
	hear_fault(97, 31, LAMPS_RED_STOP);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 3);
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
}

static void codes_beyond_the_eighth_are_one_word_as_bad_as_the_worst(void **state)
{
	(void)state;
	begin();
	for (uint32_t spn = 1; spn <= FAULT_EVENTS_MAX; spn++) {
		hear_fault(spn, 15, LAMPS_OFF);
		assert_int_equal(boat.last.severity, SEVERITY_ADVICE);
	}
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], FAULT_EVENTS_MAX);
	hear_fault(190, 15, LAMPS_OFF);
	hear_fault(191, 15, LAMPS_OFF);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], FAULT_EVENTS_MAX + 1);
	assert_non_null(strstr(boat.last.message, "More trouble codes are active than the 8"));
	assert_int_equal(boat.last.severity, SEVERITY_CAUTION);
	hear_fault(100, 1, LAMPS_OFF);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], FAULT_EVENTS_MAX + 2);
	assert_non_null(strstr(boat.last.message, "More trouble codes"));
	assert_int_equal(boat.last.severity, SEVERITY_WARNING);
}

static void no_sentence_about_a_code_is_cut(void **state)
{
	static const char end[] = " See the engine maker's manual.";
	unsigned sentences = 0;

	(void)state;
	for (uint32_t spn = 1; spn < FAULT_CODE_SPN_NONE; spn++) {
		if (fault_text_spn(spn) == NULL && spn != FAULT_CODE_SPN_NONE - 1) {
			continue;
		}
		for (uint8_t fmi = 0; fmi < 32; fmi++) {
			begin();
			hear_fault(spn, fmi, FAULT_LAMPS_UNKNOWN);
			size_t length = strlen(boat.last.message);
			assert_true(length > sizeof(end));
			assert_string_equal(boat.last.message + length - (sizeof(end) - 1), end);
			sentences++;
		}
	}
	assert_true(sentences > 100 * 32);
}

/* Ends the window in which that was heard. */
static void end_window(void)
{
	boat_windows_next(&boat);
	fault_watch_window(&watch, &boat.view);
}

/* A sender's list of active codes each second for half a minute, with one code or none. */
static void list_active(uint8_t source, uint32_t spn)
{
	for (int i = 0; i < 3; i++) {
		for (int s = 0; s < 10; s++) {
			hear(SIGNAL_ACTIVE_FAULT, source, spn, 1, 3, LAMPS_OFF);
			boat.view.now.t_ns += SECOND;
		}
		boat.view.now.t_ns -= 10 * SECOND;
		end_window();
	}
}

static void a_code_that_was_is_a_fact_and_no_event(void **state)
{
	(void)state;
	begin();
	hear(SIGNAL_PAST_FAULT, 0, 97, 31, 5, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 0);
	assert_int_equal(told, 1);
	assert_int_equal(facts[0].spn, 97);
	assert_int_equal(facts[0].fmi, 31);
	assert_int_equal(facts[0].occurrences, 5);
	assert_int_equal(facts[0].standing, FAULT_PAST);
	/* The same list again is no news; another count is. */
	hear(SIGNAL_PAST_FAULT, 0, 97, 31, 5, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(told, 1);
	hear(SIGNAL_PAST_FAULT, 0, 97, 31, 6, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(told, 2);
	assert_int_equal(facts[1].occurrences, 6);
	assert_int_equal(facts[1].first_ns, facts[0].first_ns);
	/* A count of 127 is "not available". */
	hear(SIGNAL_PAST_FAULT, 0, 98, 18, 127, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(facts[2].standing, FAULT_GONE); /* this list has the other one only */
	assert_int_equal(facts[3].occurrences, -1);
}

static void a_code_that_moves_to_the_past_is_the_same_fact(void **state)
{
	(void)state;
	begin();
	list_active(0, 100);
	assert_int_equal(told, 1);
	assert_int_equal(facts[0].standing, FAULT_ACTIVE);
	assert_int_equal(facts[0].lamps, LAMPS_OFF);
	/* A lamp that comes on is news of it. */
	hear(SIGNAL_ACTIVE_FAULT, 0, 100, 1, 3, LAMPS_RED_STOP);
	end_window();
	assert_int_equal(told, 2);
	assert_int_equal(facts[1].lamps, LAMPS_RED_STOP);
	told = 1;
	/* Many an engine keeps in its memory what is active, too. */
	hear(SIGNAL_PAST_FAULT, 0, 100, 1, 3, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(told, 1);
	list_active(0, 0);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 1);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 1);
	assert_int_equal(told, 2);
	assert_int_equal(facts[1].standing, FAULT_PAST);
	hear(SIGNAL_PAST_FAULT, 0, 100, 1, 3, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(told, 2);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 1);
	/* Somebody cleared the engine's memory. */
	hear(SIGNAL_PAST_FAULT, 0, 0, 0, 0, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(told, 3);
	assert_int_equal(facts[2].standing, FAULT_GONE);
	/* And it came back. */
	list_active(0, 100);
	assert_int_equal(told, 4);
	assert_int_equal(facts[3].standing, FAULT_ACTIVE);
	assert_int_equal(facts[3].first_ns, facts[0].first_ns);
}

static void what_one_sender_no_longer_lists_another_may(void **state)
{
	(void)state;
	begin();
	hear(SIGNAL_ACTIVE_FAULT, 3, 100, 1, 1, LAMPS_OFF);
	list_active(0, 100);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 1); /* one event, two facts */
	assert_int_equal(told, 2);
	/* Sender 3 fell silent: its code is not over because another one lists none. */
	list_active(0, 0);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 0);
	list_active(3, 0);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 1);
	/* Nor is one sender's memory another's. */
	hear(SIGNAL_PAST_FAULT, 0, 0, 0, 0, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(facts[told - 1].source, 0);
	assert_int_equal(facts[told - 1].standing, FAULT_GONE);
	hear(SIGNAL_PAST_FAULT, 3, 0, 0, 0, FAULT_LAMPS_UNKNOWN);
	end_window();
	assert_int_equal(facts[told - 1].source, 3);
	assert_int_equal(facts[told - 1].standing, FAULT_GONE);
}

/* As a checkpoint of the first version has it, which did not keep who listed the code. */
static void forget_sender(void)
{
	watch.places[0].bus = FAULT_BUS_UNKNOWN;
	watch.places[0].source = 0;
	watch.places[0].told = true;
	told = 0;
}

static void an_old_checkpoint_s_code_is_over_when_nobody_lists_it(void **state)
{
	(void)state;
	begin();
	list_active(3, 100);
	forget_sender();
	list_active(5, 98);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 1);
	assert_int_equal(told, 1); /* that of sender 5 */
	assert_int_equal(facts[0].source, 5);
	assert_int_equal(facts[0].spn, 98);
}

static void an_old_checkpoint_s_code_is_that_of_who_lists_it_next(void **state)
{
	(void)state;
	begin();
	list_active(3, 100);
	forget_sender();
	hear(SIGNAL_PAST_FAULT, 0, 100, 1, 3, FAULT_LAMPS_UNKNOWN);
	list_active(3, 100);
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], 1);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 0);
	assert_int_equal(told, 1);
	assert_int_equal(facts[0].source, 3);
	assert_int_equal(facts[0].standing, FAULT_ACTIVE);
	list_active(0, 0);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 0);
	list_active(3, 0);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], 1);
	assert_int_equal(facts[1].standing, FAULT_PAST);
}

static void a_sender_of_endless_codes_fills_no_log(void **state)
{
	(void)state;
	begin();
	for (uint32_t i = 0; i < 2000; i++) {
		for (uint32_t k = 0; k < 60; k++) {
			hear(SIGNAL_PAST_FAULT, 0, 1 + i * 60 + k, 31, 1, FAULT_LAMPS_UNKNOWN);
		}
		if (i == 3) {
			told = 0; /* the first ones are told, and that they are gone */
		}
		end_window();
		told = told > 200 ? 200 : told;
	}
	assert_true(told <= 2 * FAULT_CODES_MAX);
}

static void save_and_load(void)
{
	static uint8_t bytes[8192];
	struct state_writer w;
	struct state_reader r;

	state_writer_init(&w, bytes, sizeof(bytes));
	fault_watch_save(&watch, &w);
	assert_false(w.failed);
	memset(&watch, 0x55, sizeof(watch));
	state_reader_init(&r, bytes, w.used);
	fault_watch_load(&watch, &r);
	assert_false(r.failed);
	assert_int_equal(r.used, r.size);
}

static void what_is_resumed_tells_what_an_unbroken_one_does(void **state)
{
	struct fact_fault unbroken[256];
	size_t unbroken_count = 0;
	int raised = 0;
	int cleared = 0;

	(void)state;
	for (int way = 0; way < 2; way++) {
		begin();
		for (uint32_t i = 0; i < 400; i++) {
			uint32_t spn = 90 + i / 16 % 12;
			hear(i % 3 == 0 ? SIGNAL_PAST_FAULT : SIGNAL_ACTIVE_FAULT,
				(uint8_t)(i / 50 % 2), i % 5 == 0 ? 0 : spn, 1, (uint8_t)(i / 40),
				i % 70 == 0 ? LAMPS_RED_STOP : LAMPS_OFF);
			if (i % 4 == 0) {
				end_window();
			}
			if (way == 1) {
				save_and_load();
			}
		}
		if (way == 0) {
			memcpy(unbroken, facts, sizeof(facts));
			unbroken_count = told;
			raised = boat.raised[EVENT_ENGINE_FAULT];
			cleared = boat.cleared[EVENT_ENGINE_FAULT];
		}
	}
	assert_true(unbroken_count > 20 && raised > 3 && cleared > 3);
	assert_int_equal(told, unbroken_count);
	for (size_t i = 0; i < told; i++) {
		const struct fact_fault *a = &facts[i];
		const struct fact_fault *b = &unbroken[i];
		assert_true(a->source == b->source && a->spn == b->spn && a->fmi == b->fmi &&
			    a->occurrences == b->occurrences && a->standing == b->standing &&
			    a->lamps == b->lamps && a->first_ns == b->first_ns &&
			    a->t_ns == b->t_ns);
	}
	assert_int_equal(boat.raised[EVENT_ENGINE_FAULT], raised);
	assert_int_equal(boat.cleared[EVENT_ENGINE_FAULT], cleared);
}

static void a_number_in_an_older_layout_gets_no_words(void **state)
{
	struct fault_code code = {.spn = 100, .fmi = 1, .count = 1, .conversion = 1};
	struct observation o = {.signal = SIGNAL_ACTIVE_FAULT, .value = fault_code_value(&code)};

	(void)state;
	begin();
	fault_watch_take(&watch, &boat.view, &o, LAMPS_OFF);
	assert_string_equal(boat.last.message,
		"Trouble code in an older layout: far too low (SPN 100 if it were today's, FMI 1). "
		"Ease the engine and read its own gauges; stop it as soon as it is safe if they "
		"agree. See the engine maker's manual.");
	end_window();
	assert_int_equal(facts[0].conversion, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_trouble_code_is_told_in_words_with_what_to_do),
		cmocka_unit_test(a_trouble_code_that_no_list_has_is_told_by_its_numbers),
		cmocka_unit_test(a_red_stop_lamp_makes_a_code_a_warning_also_later),
		cmocka_unit_test(codes_beyond_the_eighth_are_one_word_as_bad_as_the_worst),
		cmocka_unit_test(no_sentence_about_a_code_is_cut),
		cmocka_unit_test(a_code_that_was_is_a_fact_and_no_event),
		cmocka_unit_test(a_code_that_moves_to_the_past_is_the_same_fact),
		cmocka_unit_test(what_one_sender_no_longer_lists_another_may),
		cmocka_unit_test(an_old_checkpoint_s_code_is_over_when_nobody_lists_it),
		cmocka_unit_test(an_old_checkpoint_s_code_is_that_of_who_lists_it_next),
		cmocka_unit_test(a_sender_of_endless_codes_fills_no_log),
		cmocka_unit_test(what_is_resumed_tells_what_an_unbroken_one_does),
		cmocka_unit_test(a_number_in_an_older_layout_gets_no_words),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
