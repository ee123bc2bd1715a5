#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <string.h>

#include "daemon/live.h"
#include "decoders/signal.h"

#define SECOND INT64_C(1000000000)

static void a_client_is_first_sent_everything_then_what_changed(void **state)
{
	struct live live;
	uint64_t sequence = 0;
	char text[256];
	size_t size;

	(void)state;
	live_init(&live);
	assert_int_equal(live_write(&live, &sequence, text, sizeof(text)), 0);
	live_put(&live, SIGNAL_FUEL_RATE, 0, 3.25, SECOND, SECOND);
	live_put(&live, SIGNAL_ENGINE_SPEED, 1, 1800, SECOND, SECOND);
	size = live_write(&live, &sequence, text, sizeof(text));
	text[size] = '\0';
	assert_string_equal(text, "{\"fuel_rate_lph:0\":3.250,\"engine_speed_rpm:1\":1800.0}");
	assert_int_equal(live_write(&live, &sequence, text, sizeof(text)), 0);
	live_put(&live, SIGNAL_FUEL_RATE, 0, 3.25, 2 * SECOND, 2 * SECOND);
	live_put(&live, SIGNAL_ENGINE_SPEED, 1, 1900, 2 * SECOND, 2 * SECOND);
	size = live_write(&live, &sequence, text, sizeof(text));
	text[size] = '\0';
	assert_string_equal(text, "{\"engine_speed_rpm:1\":1900.0}");
}

static void a_value_not_heard_for_long_is_unknown(void **state)
{
	struct live live;
	uint64_t sequence = 0;
	char text[256];
	size_t size;

	(void)state;
	live_init(&live);
	live_put(&live, SIGNAL_FUEL_RATE, 0, 3.25, SECOND, SECOND);
	(void)live_write(&live, &sequence, text, sizeof(text));
	live_put(&live, SIGNAL_FUEL_RATE, 0, 3.25, SECOND, SECOND + LIVE_STALE_NS);
	assert_int_equal(live_write(&live, &sequence, text, sizeof(text)), 0);
	live_put(&live, SIGNAL_FUEL_RATE, 0, 3.25, SECOND, SECOND + LIVE_STALE_NS + 1);
	size = live_write(&live, &sequence, text, sizeof(text));
	text[size] = '\0';
	assert_string_equal(text, "{\"fuel_rate_lph:0\":null}");
}

static void what_does_not_fit_comes_next_time(void **state)
{
	struct live live;
	uint64_t sequence = 0;
	char text[40];
	size_t pieces = 0;

	(void)state;
	live_init(&live);
	for (uint16_t i = 0; i < 8; i++) {
		live_put(&live, SIGNAL_FUEL_RATE, i, i, SECOND, SECOND);
	}
	for (size_t size; (size = live_write(&live, &sequence, text, sizeof(text))) > 0; pieces++) {
		assert_true(size < sizeof(text));
		assert_int_equal(text[0], '{');
		assert_int_equal(text[size - 1], '}');
	}
	assert_int_equal(pieces, 8);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_client_is_first_sent_everything_then_what_changed),
		cmocka_unit_test(a_value_not_heard_for_long_is_unknown),
		cmocka_unit_test(what_does_not_fit_comes_next_time),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
