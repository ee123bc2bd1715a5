#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "decoders/message.h"

struct identifier {
	uint32_t id;
	uint32_t pgn;
	uint8_t priority;
	uint8_t destination;
	uint8_t source;
	const char *from;
};

static const struct identifier published[] = {
	{0x0CF00400, 61444, 3, 255, 0, "open NMEA 2000 definition database, J1939 test"},
	{0x18FEF200, 65266, 6, 255, 0, "open NMEA 2000 definition database, J1939 test"},
	{0x18FECA00, 65226, 6, 255, 0, "pretty_j1939 and ETI j1939-84 tests"},
	{0x1823FF40, 0x02300, 6, 0xFF, 0x40, "can-utils kickstart guide to the kernel's J1939"},
	{0x18234140, 0x02300, 6, 0x41, 0x40, "can-utils kickstart guide"},
	{0x1923FF80, 0x12300, 6, 0xFF, 0x80, "can-utils kickstart guide"},
	{0x19234080, 0x12300, 6, 0x40, 0x80, "can-utils kickstart guide"},
	{0x1B21FF80, 0x32100, 6, 0xFF, 0x80, "can-utils kickstart guide"},
	{0x1BFFFF80, 0x3FFFF, 6, 0xFF, 0x80, "can-utils kickstart guide"},
	{0x1801FF80, 0x00100, 6, 0xFF, 0x80, "can-utils kickstart guide"},
	{0x0C02FF80, 0x00200, 3, 0xFF, 0x80, "can-utils kickstart guide"},
	{0x09F20101, 127489, 2, 255, 1, "frame published, taken apart here by hand"},
	{0x19F0142B, 126996, 6, 255, 0x2B, "frame published, taken apart here by hand"},
};

static void published_identifiers_come_apart(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof(published) / sizeof(published[0]); i++) {
		const struct identifier *p = &published[i];

		assert_int_equal(identifier_pgn(p->id), p->pgn);
		assert_int_equal(identifier_priority(p->id), p->priority);
		assert_int_equal(identifier_destination(p->id), p->destination);
		assert_int_equal(identifier_source(p->id), p->source);
	}
}

static void published_identifiers_come_together(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof(published) / sizeof(published[0]); i++) {
		const struct identifier *p = &published[i];

		assert_int_equal(
			identifier_build(p->priority, p->pgn, p->destination, p->source), p->id);
	}
}

static void every_identifier_comes_back(void **state)
{
	(void)state;
	/* Every PGN, with one source address each. */
	for (uint32_t id = 0x40; id < UINT32_C(1) << 29; id += 0x101) {
		assert_int_equal(identifier_build(identifier_priority(id), identifier_pgn(id),
					 identifier_destination(id), identifier_source(id)),
			id);
	}
}

static void numbers_that_are_no_pgn_have_no_row_and_are_not_fast(void **state)
{
	/* Open NMEA 2000 definition database, test of invalid PGNs. */
	static const uint32_t bad[] = {393216, 524287, 1000000, 16777215};

	(void)state;
	for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
		assert_int_equal(message_row_find(bad[i]), -1);
		assert_false(pgn_travels_fast(bad[i]));
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(published_identifiers_come_apart),
		cmocka_unit_test(published_identifiers_come_together),
		cmocka_unit_test(every_identifier_comes_back),
		cmocka_unit_test(numbers_that_are_no_pgn_have_no_row_and_are_not_fast),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
