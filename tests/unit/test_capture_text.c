/* The text forms of can-utils, line by line. The examples marked (lib.h) are can-utils'
 * own, in part quoted from memory; the others are written after its sprint_canframe() and
 * sprint_long_canframe().
 */
#include "capture_bytes.h"

#include <errno.h>
#include <zlib.h>

struct line_case {
	const char *line;
	const char *frame; /* as bytes_show_frame, or NULL: the line is damaged and gives none */
};

static const struct line_case log_cases[] = {
	{"(1436509053.850870) vcan0 1CEBFF03#014E4F5300000000",
		"vcan0 1436509053.850870000 ext 1CEBFF03 8 014E4F5300000000"},
	{"(1436509053.850870) vcan0 12345678#112233", /* (lib.h) */
		"vcan0 1436509053.850870000 ext 12345678 3 112233"},
	{"(1436509053.850870) vcan0 12345678#", "vcan0 1436509053.850870000 ext 12345678 0 "},
	{"(1436509053.850870123) can1 12345678#11", "can1 1436509053.850870123 ext 12345678 1 11"},
	{"(1436509053.850870) can1 12345678#1122334455667788 R",
		"can1 1436509053.850870000 ext 12345678 8 1122334455667788"},
	{"(1436509053.850870) can1 12345678#112233 T",
		"can1 1436509053.850870000 ext 12345678 3 112233"},
	{"(1436509053.850870)   can1 12345678#112233",
		"can1 1436509053.850870000 ext 12345678 3 112233"},
	{"  (1436509053.850870) can1 12345678#112233",
		"can1 1436509053.850870000 ext 12345678 3 112233"},
	{"(1436509053.850870) can1 1cebff03#0a1b2c3d4e5f6a7b",
		"can1 1436509053.850870000 ext 1CEBFF03 8 0A1B2C3D4E5F6A7B"},
	{"(1436509053.850870) can1 123#", "can1 1436509053.850870000 std 123 0 "}, /* (lib.h) */
	{"(1436509053.850870) can1 123#1122334455667788",			   /* (lib.h) */
		"can1 1436509053.850870000 std 123 8 1122334455667788"},
	{"(1436509053.850870) can1 5A1#11.22.33.44.55.66.77.88", /* (lib.h) */
		"can1 1436509053.850870000 std 5A1 8 1122334455667788"},
	{"(1436509053.850870) can1 123#11.2233.44", "can1 1436509053.850870000 std 123 4 11223344"},
	{"(1436509053.850870) can1 123#1122334455667788_E", /* (lib.h) */
		"can1 1436509053.850870000 std 123 8 1122334455667788"},
	{"(1436509053.850870) can1 123#R", "can1 1436509053.850870000 remote 123 0 "},
	{"(1436509053.850870) can1 00000123#R3",
		"can1 1436509053.850870000 remote 123 0 "}, /* (lib.h) */
	{"(1436509053.850870) can1 123#R8_9", "can1 1436509053.850870000 remote 123 0 "},
	{"(1436509053.850870) can1 123#R R", "can1 1436509053.850870000 remote 123 0 "},
	{"(1436509053.850870) can1 32345678#112233", /* (lib.h): an error frame */
		"can1 1436509053.850870000 error 12345678 3 112233"},
	{"(1436509053.850870) can1 20000004#0008000000006000",
		"can1 1436509053.850870000 error 4 8 0008000000006000"},
	{"(1436509053.850870) can1 213##311",
		"can1 1436509053.850870000 other 213 1 11"}, /* (lib.h) */
	{"(1436509053.850870) can1 1F334455##1112233445566778899AABBCC",
		"can1 1436509053.850870000 other 1F334455 8 1122334455667788"},
	{"(1436509053.850870) can1 45123#81:00:12345678#11223344.556677", /* (lib.h) */
		"can1 1436509053.850870000 other 123 7 11223344556677"},
	{"(0436509053.850870) can1 123#", "can1 436509053.850870000 std 123 0 "},
	{"(9223372035.999999999) can1 123#", "can1 9223372035.999999999 std 123 0 "},
	{"(1436509053.8) can1 123#", "can1 1436509053.800000000 std 123 0 "},
	/* Wrong ones. */
	{"(1436509053.850870) can1 123", NULL},
	{"(1436509053.850870) can1 12#11", NULL},
	{"(1436509053.850870) can1 1234#11", NULL},
	{"(1436509053.850870) can1 123456789#11", NULL},
	{"(1436509053.850870) can1 800#11", NULL},
	{"(1436509053.850870) can1 92345678#11", NULL},
	{"(1436509053.850870) can1 F2345678#11", NULL},
	{"(1436509053.850870) can1 12345678#1", NULL},
	{"(1436509053.850870) can1 12345678#112", NULL},
	{"(1436509053.850870) can1 12345678#11223344556677889", NULL},
	{"(1436509053.850870) can1 12345678#112233445566778899", NULL},
	{"(1436509053.850870) can1 12345678#1G", NULL},
	{"(1436509053.850870) can1 1234567G#11", NULL},
	{"(1436509053.850870) can1 12345678#11;", NULL},
	{"(1436509053.850870) can1 12345678#11..22", NULL},
	{"(1436509053.850870) can1 12345678#.11", NULL},
	{"(1436509053.850870) can1 12345678#11_9", NULL},
	{"(1436509053.850870) can1 12345678#1122334455667788_8", NULL},
	{"(1436509053.850870) can1 12345678#R9", NULL},
	{"(1436509053.850870) can1 12345678##", NULL},
	{"(1436509053.850870) 12345678#11", NULL},
	{"(1436509053.850870)can1 12345678#11", NULL},
	{"(1436509053.850870 can1 12345678#11", NULL},
	{"(1436509053) can1 12345678#11", NULL},
	{"(1436509053.) can1 12345678#11", NULL},
	{"(1436509053.1234567890) can1 12345678#11", NULL},
	{"(.850870) can1 12345678#11", NULL},
	{"(14365o9053.850870) can1 12345678#11", NULL},
	{"(-436509053.850870) can1 12345678#11", NULL},
	{"(9223372036.000000) can1 12345678#11", NULL},
	{"(99999999999999999999999999.000000) can1 12345678#11", NULL},
	{"(1436509053.850870) a-bus-name-that-is-longer-than-any 12345678#11", NULL},
	{"(1436509053.850870) c\x01n1 12345678#11", NULL},
	{"garbage", NULL},
};

static const struct line_case screen_cases[] = {
	{" (1436509053.850870)  can0  18FEDF00   [8]  8A A0 28 7D 7D FF FF F5",
		"can0 1436509053.850870000 ext 18FEDF00 8 8AA0287D7DFFFFF5"},
	{" (1436509053.850870)  can0  18FEDF00   [0] ",
		"can0 1436509053.850870000 ext 18FEDF00 0 "},
	{" (1436509053.850870)  can0  123   [2]  11 22",
		"can0 1436509053.850870000 std 123 2 1122"},
	{" (1436509053.850870)  can0       123   [2]  11 22",
		"can0 1436509053.850870000 std 123 2 1122"},
	{" (1436509053.850870123)  can0  123   [2]  11 22",
		"can0 1436509053.850870123 std 123 2 1122"},
	{" (1436509053.850870)  can0  RX - -  123   [2]  11 22",
		"can0 1436509053.850870000 std 123 2 1122"},
	{" (1436509053.850870)  can0  TX B E  18FEDF00   [2]  11 22",
		"can0 1436509053.850870000 ext 18FEDF00 2 1122"},
	{" (1436509053.850870)  can0  123   [0]  remote request",
		"can0 1436509053.850870000 remote 123 0 "},
	{" (1436509053.850870)  can0  123   [5]  remote request",
		"can0 1436509053.850870000 remote 123 0 "},
	{" (1436509053.850870)  can0  123   {E}  11 22 33 44 55 66 77 88",
		"can0 1436509053.850870000 std 123 8 1122334455667788"},
	{" (1436509053.850870)  can0  123   [3]  41 42 43                   'ABC'",
		"can0 1436509053.850870000 std 123 3 414243"},
	{" (1436509053.850870)  can0  123   [2]  00010001 11111111",
		"can0 1436509053.850870000 std 123 2 11FF"},
	{" (1436509053.850870)  can0  123   [3]  33`22`11",
		"can0 1436509053.850870000 std 123 3 112233"},
	{" (1436509053.850870)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME",
		"can0 1436509053.850870000 error 4 8 0008000000006000"},
	{" (1436509053.850870)  can0  123  [12]  11 22 33 44 55 66 77 88 99 AA BB CC",
		"can0 1436509053.850870000 other 123 8 1122334455667788"},
	{" (2015-07-10 06:17:33.850870)  can0  123   [2]  11 22",
		"can0 1436509053.850870000 std 123 2 1122"},
	{" (2024-02-29 23:59:59.999999)  can0  123   [0] ", "can0 1709251199.999999000 std 123 0 "},
	{" (2000-03-01 00:00:00.000000)  can0  123   [0] ", "can0 951868800.000000000 std 123 0 "},
	/* Wrong ones. */
	{" (1436509053.850870)  can0  123   [9]  11 22 33 44 55 66 77 88 99", NULL},
	{" (1436509053.850870)  can0  123   [3]  11 22", NULL},
	{" (1436509053.850870)  can0  123   [2]  11 22 33", NULL},
	{" (1436509053.850870)  can0  123   [2]  11 2", NULL},
	{" (1436509053.850870)  can0  123   [2]  11 2G", NULL},
	{" (1436509053.850870)  can0  123   2  11 22", NULL},
	{" (1436509053.850870)  can0  123   []  11 22", NULL},
	{" (1436509053.850870)  can0  1234   [2]  11 22", NULL},
	{" (1436509053.850870)  can0  812   [2]  11 22", NULL},
	{" (1436509053.850870)  can0  F2345678   [2]  11 22", NULL},
	{" (2015-13-10 06:17:33.850870)  can0  123   [2]  11 22", NULL},
	{" (2015-00-10 06:17:33.850870)  can0  123   [2]  11 22", NULL},
	{" (9999-01-10 06:17:33.850870)  can0  123   [2]  11 22", NULL},
};

/* Each line three times: among lines that open the file (careful reader), then far from the end of
 * the window once its bus is known (fast reader), then as the last one. */
static void check_lines(const struct line_case *cases, size_t count, const char *good)
{
	static char text[64 * 1024];

	for (size_t i = 0; i < count; i++) {
		const struct line_case *c = &cases[i];
		size_t at = (size_t)snprintf(
			text, sizeof(text), "%s\n%s\n%s\n", good, c->line, c->line);
		for (int n = 0; n < 8; n++) {
			at += (size_t)snprintf(text + at, sizeof(text) - at, "%s\n", good);
		}
		at += (size_t)snprintf(
			text + at, sizeof(text) - at, "%s\r\n%s\n", c->line, c->line);
		struct bytes_result *r = bytes_read(text, at, NULL, 1000);
		assert_int_equal(r->opened, 0);
		if (c->frame == NULL) {
			if (r->count != 9 || r->damage.count != 4 || r->damage.first_line != 2) {
				fail_msg("not seen as damaged: %s", c->line);
			}
			assert_int_equal(r->damage.first_byte, strlen(good) + 1);
			assert_true(r->damage.first_reason[0] != '\0');
			assert_false(r->damage.cut);
			continue;
		}
		if (r->count != 13 || r->damage.count != 0) {
			fail_msg("%s: %s", c->line, r->damage.first_reason);
		}
		assert_string_equal(bytes_show_frame(r, 1), c->frame);
		assert_string_equal(bytes_show_frame(r, 2), c->frame);
		assert_string_equal(bytes_show_frame(r, 11), c->frame);
		assert_string_equal(bytes_show_frame(r, 12), c->frame);
	}
}

static void each_log_line_means_what_the_format_says(void **state)
{
	(void)state;
	check_lines(log_cases, sizeof(log_cases) / sizeof(log_cases[0]),
		"(1436509053.850869) can1 18FEDF00#8AA0287D7DFFFFF5");
}

static void each_screen_line_means_what_the_format_says(void **state)
{
	(void)state;
	check_lines(screen_cases, sizeof(screen_cases) / sizeof(screen_cases[0]),
		" (1436509053.850869)  can0  18FEDF00   [8]  8A A0 28 7D 7D FF FF F5");
}

static void the_format_is_told_from_the_content(void **state)
{
	(void)state;
	struct bytes_result *r =
		bytes_read_text("(1436509053.850869) can1 18FEDF00#8AA0287D7DFFFFF5\n");
	assert_string_equal(r->format, "candump log");
	assert_string_equal(r->compression, "");
	assert_int_equal(r->clock, CAPTURE_CLOCK_ABSOLUTE);
	r = bytes_read_text(" (1436509053.850869)  can1  18FEDF00   [1]  8A\n");
	assert_string_equal(r->format, "candump text");
	r = bytes_read_text("\xef\xbb\xbf(1436509053.850869) can1 18FEDF00#8AA0287D7DFFFFF5\r\n");
	assert_int_equal(r->count, 1);
	assert_int_equal(r->damage.count, 0);
}

static void remarks_are_no_damage_and_drop_notes_are_summed(void **state)
{
	(void)state;
	struct bytes_result *r = bytes_read_text(
		"# a comment\n"
		"\n"
		"; another\r\n"
		"(1436509053.1) can1 18FEDF00#8A\n"
		"DROPCOUNT: dropped 1 CAN frame on 'can1' socket (total drops 1)\n"
		"   \n"
		"(1436509053.2) can1 18FEDF00#8B\n"
		"DROPCOUNT: dropped 41 CAN frames on 'can1' socket (total drops 42)\n");
	assert_int_equal(r->count, 2);
	assert_int_equal(r->damage.count, 0);
	assert_int_equal(r->dropped, 42);

	r = bytes_read_text(
		" (1436509053.1)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME\n"
		"\tcontroller-problem{tx-error-warning}\n"
		"\terror-counter-tx-rx{{96}{0}}\n"
		" (1436509053.2)  can0  123   [0] \n");
	assert_int_equal(r->count, 2);
	assert_int_equal(r->damage.count, 0);
}

static void a_line_behind_a_broken_one_is_kept(void **state)
{
	(void)state;
	struct bytes_result *r =
		bytes_read_text("(1436509053.1) can1 18FEDF00#8A\n"
				"(1436509053.2) can1 18FE(1436509053.3) can1 18FEDF00#8B\n"
				"(1436509053.4) can1 18FEDF00#8C\n");
	assert_int_equal(r->count, 3);
	assert_string_equal(bytes_show_frame(r, 1), "can1 1436509053.300000000 ext 18FEDF00 1 8B");
	assert_int_equal(r->damage.count, 1);
	assert_int_equal(r->damage.first_line, 2);
}

static void the_last_line_counts_only_when_nothing_of_it_can_be_missing(void **state)
{
	(void)state;
	struct bytes_result *r = bytes_read_text("(1436509053.1) can1 18FEDF00#8A\n"
						 "(1436509053.2) can1 18FEDF00#1122334455667788");
	assert_int_equal(r->count, 2);
	assert_int_equal(r->damage.count, 0);
	r = bytes_read_text("(1436509053.1) can1 18FEDF00#8A\n(1436509053.2) can1 18FEDF00#112233");
	assert_int_equal(r->count, 1);
	assert_int_equal(r->damage.count, 1);
	assert_int_equal(r->damage.first_line, 2);
	assert_true(r->damage.cut);
	r = bytes_read_text(" (1436509053.1)  can1  18FEDF00   [1]  8A\n"
			    " (1436509053.1)  can1  18FEDF00   [1]  8B");
	assert_int_equal(r->count, 2);
	r = bytes_read_text(" (1436509053.1)  can1  18FEDF00   [1]  8A\n"
			    " (1436509053.1)  can1  18FEDF00   [2]  8B");
	assert_int_equal(r->count, 1);
	assert_true(r->damage.cut);
}

static void zero_bytes_and_endless_lines_lose_only_themselves(void **state)
{
	static const size_t sizes[] = {
		1, 100, 1023, 1024, 16 * 1024, 16 * 1024 + 1, 255 * 1024, 256 * 1024, 1024 * 1024};
	static const char fills[] = {'\0', 'x', '(', '\x7f'};
	static const char first[] = "(1436509053.1) can1 18FEDF00#1122334455667788\n";
	static const char last[] = "(1436509053.2) can1 18FEDF00#8877665544332211\n";
	char *bytes = malloc(2 * 1024 * 1024);

	(void)state;
	assert_non_null(bytes);
	for (size_t s = 0; s < sizeof(sizes) / sizeof(sizes[0]); s++) {
		for (size_t f = 0; f < sizeof(fills); f++) {
			for (int with_end = 0; with_end < 2; with_end++) {
				size_t at = sizeof(first) - 1;
				memcpy(bytes, first, at);
				memset(bytes + at, fills[f], sizes[s]);
				at += sizes[s];
				if (with_end == 1) {
					bytes[at++] = '\n';
				}
				memcpy(bytes + at, last, sizeof(last) - 1);
				at += sizeof(last) - 1;
				struct bytes_result *r = bytes_read(bytes, at, NULL, 1000);
				assert_int_equal(r->opened, 0);
				assert_int_equal(r->count, 2);
				assert_string_equal(
					bytes_show_frame(r, 1), "can1 1436509053.200000000 ext "
								"18FEDF00 8 8877665544332211");
				assert_int_equal(r->damage.count, 1);
				assert_int_equal(r->damage.first_line, 2);
				assert_int_equal(r->damage.first_byte, sizeof(first) - 1);

				/* And at the end of the file. */
				r = bytes_read(bytes, at - (sizeof(last) - 1), NULL, 1000);
				assert_int_equal(r->count, 1);
				assert_int_equal(r->damage.count, 1);
				assert_true(r->damage.cut == (with_end == 0));
			}
		}
	}
	free(bytes);
}

static void buses_beyond_the_eighth_are_counted_as_damage(void **state)
{
	char text[1024];
	size_t at = 0;

	(void)state;
	for (int i = 0; i < 10; i++) {
		at += (size_t)snprintf(
			text + at, sizeof(text) - at, "(1436509053.%d) can%d 18FEDF00#11\n", i, i);
	}
	struct bytes_result *r = bytes_read(text, at, NULL, 1000);
	assert_int_equal(r->count, 8);
	assert_int_equal(r->damage.count, 2);
	assert_int_equal(r->damage.first_line, 9);
}

static void buses_of_a_padded_log_keep_apart(void **state)
{
	char text[8192];
	size_t at = 0;

	(void)state;
	for (int i = 0; i < 60; i++) {
		at += (size_t)snprintf(text + at, sizeof(text) - at,
			"(1436509053.%06d) %8s 18FEDF00#11223344\n", i,
			i % 3 == 0   ? "can1"
			: i % 3 == 1 ? "can10"
				     : "longcan0");
	}
	struct bytes_result *r = bytes_read(text, at, NULL, 1000);
	assert_int_equal(r->count, 60);
	assert_int_equal(r->buses.count, 3);
	assert_string_equal(r->buses.names[0], "can1");
	assert_string_equal(r->buses.names[1], "can10");
	assert_string_equal(r->buses.names[2], "longcan0");
	for (int i = 0; i < 60; i++) {
		assert_int_equal(r->frames[i].bus, i % 3);
	}
}

/* ---- what stamps count from ---- */

#define START_NS INT64_C(1700000000000000000)

static const struct capture_options with_start = {.has_start = true, .start_ns = START_NS};

static void check_times(const char *text, const struct capture_options *options,
	enum capture_clock clock, const int64_t *times_ns, size_t count)
{
	struct bytes_result *r = bytes_read(text, strlen(text), options, 1);

	assert_int_equal(r->opened, 0);
	assert_int_equal(r->clock, clock);
	assert_int_equal(r->damage.count, 0);
	assert_int_equal(r->count, count);
	for (size_t i = 0; i < count; i++) {
		if (r->frames[i].t_ns != times_ns[i]) {
			fail_msg("frame %zu: %lld", i, (long long)r->frames[i].t_ns);
		}
	}
}

static const char zero_text[] = " (000.000000)  can0  123   [0] \n"
				" (000.500000)  can0  123   [0] \n"
				" (001.000000)  can0  123   [0] \n"
				" (061.000000)  can0  123   [0] \n";
static const char delta_text[] = " (000.000000)  can0  123   [0] \n"
				 " (000.500000)  can0  123   [0] \n"
				 " (000.400000)  can0  123   [0] \n"
				 " (000.100000)  can0  123   [0] \n"
				 " (002.000000)  can0  123   [0] \n";

static void relative_times_count_from_the_start_given(void **state)
{
	static const int64_t zero_ns[] = {0, 500000000, 1000000000, 61000000000};
	static const int64_t delta_ns[] = {0, 500000000, 900000000, 1000000000, 3000000000};
	int64_t started_ns[5];

	(void)state;
	check_times(zero_text, NULL, CAPTURE_CLOCK_UNKNOWN, zero_ns, 4);
	check_times(delta_text, NULL, CAPTURE_CLOCK_UNKNOWN, delta_ns, 5);
	for (size_t i = 0; i < 4; i++) {
		started_ns[i] = START_NS + zero_ns[i];
	}
	check_times(zero_text, &with_start, CAPTURE_CLOCK_STARTED, started_ns, 4);
	for (size_t i = 0; i < 5; i++) {
		started_ns[i] = START_NS + delta_ns[i];
	}
	check_times(delta_text, &with_start, CAPTURE_CLOCK_STARTED, started_ns, 5);
}

static void a_start_is_the_time_of_the_first_frame(void **state)
{
	static const int64_t times_ns[] = {START_NS, START_NS + 2000000000};

	(void)state;
	check_times("(0000000100.000000) can0 123#\n(0000000102.000000) can0 123#\n", &with_start,
		CAPTURE_CLOCK_STARTED, times_ns, 2);
}

static void absolute_times_ignore_a_start(void **state)
{
	static const int64_t times_ns[] = {
		INT64_C(1436509053850870000), INT64_C(1436509052850870000)};

	(void)state;
	check_times("(1436509053.850870) can0 123#\n(1436509052.850870) can0 123#\n", &with_start,
		CAPTURE_CLOCK_ABSOLUTE, times_ns, 2);
	check_times(
		" (1436509053.850870)  can0  123   [0] \n (1436509052.850870)  can0  123   [0] \n",
		&with_start, CAPTURE_CLOCK_ABSOLUTE, times_ns, 2);
}

static void a_clock_set_while_recording_is_kept(void **state)
{
	static const char text[] = "(0000000050.000000) can0 123#\n"
				   "(0000000051.000000) can0 123#\n"
				   "(1436509053.850870) can0 123#\n";
	static const int64_t times_ns[] = {50000000000, 51000000000, INT64_C(1436509053850870000)};
	static const int64_t started_ns[] = {START_NS, START_NS + 1000000000,
		INT64_C(1436509053850870000)};

	(void)state;
	check_times(text, NULL, CAPTURE_CLOCK_UNKNOWN, times_ns, 3);
	check_times(text, &with_start, CAPTURE_CLOCK_STARTED, started_ns, 3);
}

static void one_restart_of_the_recorder_does_not_make_times_deltas(void **state)
{
	char text[8192];
	size_t at = 0;

	(void)state;
	for (int i = 0; i < 40; i++) {
		at += (size_t)snprintf(text + at, sizeof(text) - at,
			" (%03d.000000)  can0  123   [0] \n", i < 20 ? i : i - 20);
	}
	struct bytes_result *r = bytes_read(text, at, NULL, 1000);
	assert_int_equal(r->count, 40);
	assert_int_equal(r->frames[39].t_ns, INT64_C(19000000000));
}

/* Wrong bits in the middle of a gzip member decode to something: here thousands of lines of it, of
 * which a few even look like frames. The next member begins anew. */
static void broken_compression_is_left_at_its_first_dozens_of_damaged_lines(void **state)
{
	static char text[2000 * 64];
	static uint8_t packed[2 * sizeof(text)];
	size_t at = 0;
	size_t size = 0;
	uint32_t random_state = 1;

	(void)state;
	for (int i = 0; i < 2000; i++) {
		random_state = random_state * 1664525 + 1013904223;
		at += (size_t)snprintf(text + at, sizeof(text) - at,
			"(14365090%02d.%06d) can0 18FEDF00#%08X%08X\n", i / 100, i % 100 * 10000,
			(unsigned)random_state, (unsigned)(random_state * 77));
	}
	for (int member = 0; member < 2; member++) {
		z_stream z = {0};
		assert_int_equal(
			deflateInit2(&z, 6, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY), Z_OK);
		z.next_in = (Bytef *)text;
		z.avail_in = (uInt)at;
		z.next_out = packed + size;
		z.avail_out = (uInt)(sizeof(packed) - size);
		assert_int_equal(deflate(&z, Z_FINISH), Z_STREAM_END);
		size_t half = (sizeof(packed) - size - z.avail_out) / 2;
		if (member == 0) {
			packed[size + half] ^= 0x5a;
			packed[size + half + 1] ^= 0x5a;
		}
		size = sizeof(packed) - z.avail_out;
		deflateEnd(&z);
	}
	struct bytes_result *r = bytes_read(packed, size, NULL, 1000);
	/* Half of the first member, give or take what of it the damage reaches back to, and the
	 * second one whole. */
	assert_in_range(r->count, 2000 + 900, 2000 + 1100);
	assert_in_range(r->damage.count, 1, 120);
	for (size_t i = 0; i < 2000; i++) {
		assert_true(r->frames[r->count - 2000 + i].t_ns / 1000000000 ==
			    INT64_C(1436509000) + (int64_t)i / 100);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_log_line_means_what_the_format_says),
		cmocka_unit_test(each_screen_line_means_what_the_format_says),
		cmocka_unit_test(the_format_is_told_from_the_content),
		cmocka_unit_test(remarks_are_no_damage_and_drop_notes_are_summed),
		cmocka_unit_test(a_line_behind_a_broken_one_is_kept),
		cmocka_unit_test(the_last_line_counts_only_when_nothing_of_it_can_be_missing),
		cmocka_unit_test(zero_bytes_and_endless_lines_lose_only_themselves),
		cmocka_unit_test(buses_beyond_the_eighth_are_counted_as_damage),
		cmocka_unit_test(buses_of_a_padded_log_keep_apart),
		cmocka_unit_test(relative_times_count_from_the_start_given),
		cmocka_unit_test(a_start_is_the_time_of_the_first_frame),
		cmocka_unit_test(absolute_times_ignore_a_start),
		cmocka_unit_test(a_clock_set_while_recording_is_kept),
		cmocka_unit_test(one_restart_of_the_recorder_does_not_make_times_deltas),
		cmocka_unit_test(broken_compression_is_left_at_its_first_dozens_of_damaged_lines),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
