/* Error frames as the kernel writes them; bit meanings: linux/can/error.h. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analysis/bus_health.h"

static struct frame error_frame(uint32_t class_bits, const char *data)
{
	struct frame frame = {.t_ns = 1000, .id = class_bits, .kind = FRAME_ERROR, .len = 8};

	memcpy(frame.data, data, 8);
	return frame;
}

/* Two lines of a published candump log: "can0 20000004 [8] 00 08 00 00 00 00 60 00" and
 * "can0 20000004 [8] 00 20 00 00 00 00 80 00": send counter at warning, then at passive. */
static void published_lines_raise_warning_then_passive(void **state)
{
	struct bus_health health;
	struct frame warning = error_frame(0x004, "\0\x08\0\0\0\0\x60\0");
	struct frame passive = error_frame(0x004, "\0\x20\0\0\0\0\x80\0");

	(void)state;
	bus_health_init(&health);
	assert_true(bus_health_accept(&health, &warning));
	assert_int_equal(health.condition, BUS_CONDITION_WARNING);
	/* Without the class bit for counters the bytes mean nothing certain. */
	assert_false(health.has_counters);
	assert_true(bus_health_accept(&health, &passive));
	assert_int_equal(health.condition, BUS_CONDITION_PASSIVE);
	assert_false(bus_health_accept(&health, &passive));
}

static void counters_are_read_when_the_frame_has_them(void **state)
{
	struct bus_health health;
	struct frame frame = error_frame(0x204, "\0\x04\0\0\0\0\x10\x60");

	(void)state;
	bus_health_init(&health);
	(void)bus_health_accept(&health, &frame);
	assert_true(health.has_counters);
	assert_int_equal(health.send_errors, 16);
	assert_int_equal(health.receive_errors, 96);
}

static void bus_off_and_restart_are_conditions(void **state)
{
	struct bus_health health;
	struct frame off = error_frame(0x040, "\0\0\0\0\0\0\0\0");
	struct frame back = error_frame(0x100, "\0\0\0\0\0\0\0\0");

	(void)state;
	bus_health_init(&health);
	assert_true(bus_health_accept(&health, &off));
	assert_int_equal(health.condition, BUS_CONDITION_OFF);
	assert_true(bus_health_accept(&health, &back));
	assert_int_equal(health.condition, BUS_CONDITION_ACTIVE);
	assert_int_equal(health.restarts, 1);
}

static void active_bit_ends_a_warning(void **state)
{
	struct bus_health health;
	struct frame warning = error_frame(0x004, "\0\x04\0\0\0\0\0\0");
	struct frame active = error_frame(0x004, "\0\x40\0\0\0\0\0\0");

	(void)state;
	bus_health_init(&health);
	(void)bus_health_accept(&health, &warning);
	assert_true(bus_health_accept(&health, &active));
	assert_int_equal(health.condition, BUS_CONDITION_ACTIVE);
}

static void protocol_errors_are_told_apart(void **state)
{
	static const struct {
		const char *data;
		enum bus_error error;
	} cases[] = {
		{"\0\0\x01\0\0\0\0\0", BUS_ERROR_BIT},
		{"\0\0\x08\0\0\0\0\0", BUS_ERROR_BIT},
		{"\0\0\x10\0\0\0\0\0", BUS_ERROR_BIT},
		{"\0\0\x02\0\0\0\0\0", BUS_ERROR_FORM},
		{"\0\0\x04\0\0\0\0\0", BUS_ERROR_STUFF},
		{"\0\0\x20\0\0\0\0\0", BUS_ERROR_OVERLOAD},
		{"\0\0\0\x08\0\0\0\0", BUS_ERROR_CRC},
		{"\0\0\0\x18\0\0\0\0", BUS_ERROR_CRC},
		{"\0\0\0\x19\0\0\0\0", BUS_ERROR_NO_ACK},
		{"\0\0\0\0\0\0\0\0", BUS_ERROR_OTHER_PROTOCOL},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct frame frame = error_frame(0x088, cases[i].data);
		struct bus_health health;
		uint64_t sum = 0;

		bus_health_init(&health);
		assert_false(bus_health_accept(&health, &frame));
		for (size_t k = 0; k < BUS_ERROR_COUNT; k++) {
			sum += health.counts[k];
		}
		assert_int_equal(health.counts[cases[i].error], 1);
		assert_int_equal(sum, 1);
	}
}

static void missing_acknowledge_is_counted_once(void **state)
{
	struct bus_health health;
	struct frame frame = error_frame(0x028, "\0\0\0\x19\0\0\0\0");

	(void)state;
	bus_health_init(&health);
	(void)bus_health_accept(&health, &frame);
	assert_int_equal(health.counts[BUS_ERROR_NO_ACK], 1);
}

static void every_class_is_survived_and_counted(void **state)
{
	struct bus_health health;
	uint32_t seed = 1;

	(void)state;
	bus_health_init(&health);
	for (uint32_t i = 0; i < 200000; i++) {
		struct frame frame = {.kind = FRAME_ERROR, .len = 8};

		seed = seed * 1664525 + 1013904223;
		frame.id = seed >> 3;
		for (size_t k = 0; k < 8; k++) {
			seed = seed * 1664525 + 1013904223;
			frame.data[k] = (uint8_t)(seed >> 24);
		}
		(void)bus_health_accept(&health, &frame);
	}
	assert_int_equal(health.frames, 200000);
	for (size_t k = 0; k < BUS_ERROR_COUNT; k++) {
		assert_true(k == BUS_ERROR_BUS_ERROR || health.counts[k] > 0);
	}
}

static void description_names_the_commonest_error_and_its_cause(void **state)
{
	struct bus_health health;
	struct frame no_ack = error_frame(0x024, "\0\x20\0\0\0\0\0\0");
	char text[200];

	(void)state;
	bus_health_init(&health);
	bus_health_describe(&health, text, sizeof(text));
	assert_string_equal(text, "error-active");
	(void)bus_health_accept(&health, &no_ack);
	bus_health_describe(&health, text, sizeof(text));
	assert_string_equal(text, "error-passive, 1 error frame, mostly: no node acknowledges "
				  "(nothing else is on the bus, or it is not powered)");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(published_lines_raise_warning_then_passive),
		cmocka_unit_test(counters_are_read_when_the_frame_has_them),
		cmocka_unit_test(bus_off_and_restart_are_conditions),
		cmocka_unit_test(active_bit_ends_a_warning),
		cmocka_unit_test(protocol_errors_are_told_apart),
		cmocka_unit_test(missing_acknowledge_is_counted_once),
		cmocka_unit_test(every_class_is_survived_and_counted),
		cmocka_unit_test(description_names_the_commonest_error_and_its_cause),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
