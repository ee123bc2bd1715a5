/* One walk over all message tables: what must hold of every row and field. That every row has a
 * vector is tests/golden/test_messages.c's to check. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/decoder.h"

static void rows_stand_by_ascending_pgn(void **state)
{
	(void)state;
	for (size_t i = 1; i < message_row_count(); i++) {
		assert_true(message_row_get(i - 1)->pgn < message_row_get(i)->pgn);
	}
	assert_true(message_row_count() < UINT8_MAX); /* struct observation's message */
	assert_true(message_row_count() <= DECODER_ROWS_MAX);
}

static void every_row_is_found_and_nothing_else(void **state)
{
	size_t found = 0;

	(void)state;
	for (uint32_t pgn = 0; pgn <= PGN_MAX + 2; pgn++) {
		int row = message_row_find(pgn);
		if (row >= 0) {
			assert_int_equal(message_row_get((size_t)row)->pgn, pgn);
			found++;
		}
	}
	assert_int_equal(found, message_row_count());
}

/* The list of messages that the program promises to know. */
static void every_promised_message_has_a_row(void **state)
{
	static const uint32_t promised[] = {127488, 127489, 127493, 127496, 127497, 127498, 127505,
		127508, 127245, 128259, 128267, 129025, 129026, 129029, 129033, 130310, 130311,
		130312, 130314, 130316, 126992, 126993, 126996, 60928, 61444, 61443, 65253, 65257,
		65266, 64777, 65262, 65263, 65243, 65270, 65271, 65269, 65244, 65276, 65130, 65279,
		65265, 65226, 65227};

	(void)state;
	for (size_t i = 0; i < sizeof(promised) / sizeof(promised[0]); i++) {
		assert_true(message_row_find(promised[i]) >= 0);
	}
}

static void rows_say_what_they_are_and_where_from(void **state)
{
	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);

		assert_non_null(row->name);
		assert_non_null(row->abbreviation);
		assert_true(row->name[0] != '\0');
		assert_non_null(row->source);
		assert_true(strlen(row->source) > 8);
		assert_true(row->field_count > 0);
		assert_true(row->pgn <= PGN_MAX);
		/* A destination is no part of a PGN. */
		assert_true((row->pgn >> 8 & 0xFF) >= 240 || (row->pgn & 0xFF) == 0);
		assert_int_equal(row->family == FAMILY_NMEA2000, row->pgn > UINT16_MAX);
		for (size_t j = 0; j < i; j++) {
			assert_string_not_equal(row->name, message_row_get(j)->name);
			assert_true(
				row->abbreviation[0] == '\0' ||
				strcmp(row->abbreviation, message_row_get(j)->abbreviation) != 0);
		}
	}
}

static void fields_have_names_of_their_own_and_do_not_overlap(void **state)
{
	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);

		for (size_t f = 0; f < row->field_count; f++) {
			const struct field_row *field = &row->fields[f];

			assert_true(field->name[0] != '\0');
			assert_true(field->bits > 0);
			for (size_t g = f + 1; g < row->field_count; g++) {
				const struct field_row *other = &row->fields[g];

				assert_string_not_equal(field->name, other->name);
				/* In payload order, each after the end of the one before. */
				assert_true(other->first_bit >= field->first_bit + field->bits);
			}
		}
	}
}

static void fields_fit_their_message(void **state)
{
	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);
		size_t most = row->length > 0		     ? row->length
			      : row->travels == TRAVELS_FAST ? FAST_PACKET_LENGTH_MAX
							     : MESSAGE_LENGTH_MAX;

		assert_true(row->travels == TRAVELS_FAST ? most <= FAST_PACKET_LENGTH_MAX
							 : most <= 8 || row->length == 0);
		for (size_t f = 0; f < row->field_count; f++) {
			const struct field_row *field = &row->fields[f];

			assert_true((size_t)(field->first_bit + field->bits) <= most * 8);
			if (field->kind == FIELD_TEXT) {
				assert_int_equal(field->first_bit % 8, 0);
				assert_int_equal(field->bits % 8, 0);
			} else {
				assert_true(field->bits <= 64);
				/* The reader takes eight bytes from the field's first. */
				assert_true(field->first_bit % 8 + field->bits <= 64);
			}
		}
		if (row->instance_rule == INSTANCE_BYTE) {
			assert_true(row->instance_byte < most);
		}
		if (row->instance_rule == INSTANCE_SOURCE_KIND) {
			assert_true(row->instance_byte + 1U < most);
		}
	}
}

static void kinds_agree_with_what_they_need(void **state)
{
	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);

		for (size_t f = 0; f < row->field_count; f++) {
			const struct field_row *field = &row->fields[f];
			bool is_own = field->kind == FIELD_OWN;

			assert_int_equal(field->read != NULL, is_own);
			assert_int_equal(field->write != NULL, is_own);
			assert_true(!is_own || field->feeds);
			assert_true(field->kind != FIELD_TEXT || !field->feeds);
			assert_true(field->kind != FIELD_SIGNED || row->family == FAMILY_NMEA2000);
			if (field->kind == FIELD_STATE || field->kind == FIELD_BITS) {
				assert_true(fabs(field->scale) <= 0 && fabs(field->offset) <= 0);
			}
			if (field->kind == FIELD_UNSIGNED && field->feeds) {
				assert_true(field->bits < 64);
			}
			assert_true(field->spn == 0 || row->family == FAMILY_J1939);
		}
	}
}

static void feeding_fields_suit_their_signal(void **state)
{
	bool fed[SIGNAL_COUNT] = {false};

	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);
		size_t feeding = 0;

		for (size_t f = 0; f < row->field_count; f++) {
			const struct field_row *field = &row->fields[f];

			if (!field->feeds) {
				continue;
			}
			assert_true(field->signal < SIGNAL_COUNT);
			assert_null(field->unit); /* the signal's */
			const struct signal *signal = signal_get((enum signal_id)field->signal);
			bool is_state = field->kind == FIELD_STATE || field->kind == FIELD_BITS;

			feeding++;
			fed[field->signal] = true;
			if (field->kind != FIELD_OWN) {
				assert_int_equal(signal->use == USE_STATE, is_state);
				/* At least a hundred steps of the coding (or all its states) lie in
				 * the plausible range: a scale in the wrong unit would not. */
				double least =
					signal->low > field->offset ? signal->low : field->offset;
				double scale = is_state ? 1 : field->scale;
				assert_true(scale > 0);
				assert_true(signal->high - least >= (is_state ? 1 : 100 * scale));
			}
		}
		assert_true(feeding < OBSERVATIONS_MAX);
	}
	for (unsigned id = 0; id < SIGNAL_COUNT; id++) {
		if (!fed[id]) {
			fail_msg("no message feeds %s", signal_get((enum signal_id)id)->name);
		}
	}
}

static void engine_signals_come_with_an_engine(void **state)
{
	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);

		for (size_t f = 0; f < row->field_count; f++) {
			if (!row->fields[f].feeds) {
				continue;
			}
			switch (signal_get((enum signal_id)row->fields[f].signal)->scope) {
			case SCOPE_ENGINE:
				assert_int_equal(row->instance_rule, row->family == FAMILY_J1939
									     ? INSTANCE_SOURCE
									     : INSTANCE_BYTE);
				break;
			case SCOPE_TANK:
			case SCOPE_BATTERY:
				assert_int_equal(row->instance_rule, INSTANCE_BYTE);
				break;
			case SCOPE_PRESSURE:
				assert_int_equal(row->instance_rule, INSTANCE_SOURCE_KIND);
				break;
			case SCOPE_TEMPERATURE:
				assert_true(row->instance_rule == INSTANCE_SOURCE_KIND ||
					    row->instance_rule == INSTANCE_KIND);
				break;
			case SCOPE_VESSEL:
				break;
			}
		}
	}
}

/* Two public libraries' lists agree on these. */
static void rows_travel_as_the_published_lists_say(void **state)
{
	static const uint32_t fast[] = {126996, 126998, 127489, 127496, 127497, 127498, 129029};
	static const uint32_t single[] = {126992, 126993, 127488, 127493, 127501, 127502, 127505,
		127508, 128259, 129025, 129026, 130312, 130314, 130316, 60928};

	(void)state;
	for (size_t i = 0; i < sizeof(fast) / sizeof(fast[0]); i++) {
		assert_true(pgn_travels_fast(fast[i]));
	}
	for (size_t i = 0; i < sizeof(single) / sizeof(single[0]); i++) {
		assert_false(pgn_travels_fast(single[i]));
	}
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);
		assert_int_equal(pgn_travels_fast(row->pgn), row->travels == TRAVELS_FAST);
	}
}

/* Documentation of a public library's fast-packet module: below 0x10000 single, 0x10000 to 0x1EFFF
 * fast, from 0x1F000 mixed; 129540 is carried by transport in a published test but fast by the
 * lists; from 130816 on a maker's own, fast. */
static void pgns_without_a_row_travel_by_their_range(void **state)
{
	(void)state;
	assert_false(pgn_travels_fast(0));
	assert_false(pgn_travels_fast(0xFFFF));
	assert_true(pgn_travels_fast(0x10000));
	assert_true(pgn_travels_fast(0x1EFFF));
	assert_true(pgn_travels_fast(129540));
	assert_true(pgn_travels_fast(130816));
	assert_false(pgn_travels_fast(0x1FFFF));
	assert_false(pgn_travels_fast(0x20000));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(rows_stand_by_ascending_pgn),
		cmocka_unit_test(every_row_is_found_and_nothing_else),
		cmocka_unit_test(every_promised_message_has_a_row),
		cmocka_unit_test(rows_say_what_they_are_and_where_from),
		cmocka_unit_test(fields_have_names_of_their_own_and_do_not_overlap),
		cmocka_unit_test(fields_fit_their_message),
		cmocka_unit_test(kinds_agree_with_what_they_need),
		cmocka_unit_test(feeding_fields_suit_their_signal),
		cmocka_unit_test(engine_signals_come_with_an_engine),
		cmocka_unit_test(rows_travel_as_the_published_lists_say),
		cmocka_unit_test(pgns_without_a_row_travel_by_their_range),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
