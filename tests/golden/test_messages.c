/* Frames in messages/NAME.log against what messages/NAME.expected says of them.
 *
 * .log: candump's log lines. .expected, line by line, '#' being the provenance of what follows:
 *   message PGN from SOURCE [length N] [to DESTINATION]   the next message that is not unknown
 *   data HEX                      its payload (also lets it be one without a row)
 *   SIGNAL INSTANCE VALUE         the next observation of the signal; VALUE is a number,
 *                                 not-available, error, reserved, implausible, or
 * SPN/FMI/COUNT/CONVERSION no SIGNAL                     no further observation of it field NAME =
 * VALUE            a field by its name, whether it feeds a signal or not text NAME = TEXT a text
 * field counter NAME N                after all frames Nothing here is drawn from the decoder's own
 * output.
 */
#include <dirent.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "decoders/decoder.h"
#include "decoders/fault_code.h"

#define LINE_MAX_BYTES 2048
#define MESSAGES_MAX   64

struct heard {
	struct message message;
	uint8_t data[MESSAGE_LENGTH_MAX];
	struct observation observations[OBSERVATIONS_MAX];
	bool used[OBSERVATIONS_MAX];
	size_t count;
};

static struct decoder decoder;
static struct heard heard[MESSAGES_MAX];
static size_t heard_count;

static void read_log(const char *path)
{
	FILE *file = fopen(path, "r");
	char line[LINE_MAX_BYTES];

	assert_non_null(file);
	decoder_init(&decoder);
	heard_count = 0;
	while (fgets(line, sizeof(line), file) != NULL) {
		struct frame frame = {.kind = FRAME_EXTENDED};
		double seconds;
		unsigned id;
		char text[32] = "";

		assert_true(sscanf(line, "(%lf) can0 %8x#%16s", &seconds, &id, text) >= 2);
		frame.t_ns = (int64_t)llround(seconds * 1e6) * 1000;
		frame.id = id;
		frame.len = (uint8_t)(strlen(text) / 2);
		for (size_t i = 0; i < frame.len; i++) {
			unsigned byte;
			assert_int_equal(sscanf(text + 2 * i, "%2x", &byte), 1);
			frame.data[i] = (uint8_t)byte;
		}
		assert_true(heard_count < MESSAGES_MAX);
		struct heard *h = &heard[heard_count];
		memset(h, 0, sizeof(*h));
		if (decoder_accept(&decoder, &frame, &h->message)) {
			memcpy(h->data, h->message.data, h->message.length);
			h->count = decoder_read(
				&decoder, &h->message, h->observations, OBSERVATIONS_MAX);
			heard_count++;
		}
	}
	fclose(file);
}

static const char *const state_names[] = {
	"valid", "not-available", "error", "reserved", "implausible"};

/* The state a word names, READING_VALID when it is a number. */
static enum reading_state state_named(const char *word)
{
	for (unsigned state = READING_NOT_AVAILABLE; state <= READING_IMPLAUSIBLE; state++) {
		if (strcmp(word, state_names[state]) == 0) {
			return (enum reading_state)state;
		}
	}
	return READING_VALID;
}

static void check_value(const char *where, const char *word, enum reading_state state, double value)
{
	enum reading_state expected = state_named(word);
	struct fault_code code = {.spn = 0};
	unsigned spn;
	unsigned fmi;
	unsigned count;
	unsigned conversion;

	if (expected != state) {
		fail_msg("%s: expected %s, got state %s, value %.12g", where, word,
			state_names[state], value);
	}
	if (expected != READING_VALID) {
		return;
	}
	if (sscanf(word, "%u/%u/%u/%u", &spn, &fmi, &count, &conversion) == 4) {
		assert_true(fault_code_from_value(value, &code));
		if (code.spn != spn || code.fmi != fmi || code.count != count ||
			code.conversion != conversion) {
			fail_msg("%s: expected %s, got %u/%u/%u/%u", where, word,
				(unsigned)code.spn, code.fmi, code.count, code.conversion);
		}
		return;
	}
	char *end;
	double number = strtod(word, &end);
	assert_true(*word != '\0' && *end == '\0');
	if (!(fabs(value - number) <= 2e-9 * fmax(1, fabs(number)))) {
		fail_msg("%s: expected %s, got %.12g", where, word, value);
	}
}

static const struct field_row *field_named(const struct message_row *row, const char *name)
{
	for (size_t i = 0; i < row->field_count; i++) {
		if (strcmp(row->fields[i].name, name) == 0) {
			return &row->fields[i];
		}
	}
	fail_msg("message %u has no field '%s'", (unsigned)row->pgn, name);
	return NULL;
}

static void check_field(const char *where, const struct heard *h, char *text)
{
	char *value = strstr(text, " = ");
	struct field_reading reading;

	assert_non_null(value);
	*value = '\0';
	value += 3;
	const struct message_row *row = message_row_get((size_t)h->message.row);
	const struct field_row *field = field_named(row, text);
	assert_true(field_read(row, field, h->data, h->message.length, &reading));
	check_value(where, value, reading.state, reading.value);
}

static void check_text(const char *where, const struct heard *h, char *text)
{
	char *value = strstr(text, " = ");
	char found[256];

	assert_non_null(value);
	*value = '\0';
	value += 3;
	const struct message_row *row = message_row_get((size_t)h->message.row);
	(void)field_text(field_named(row, text), h->data, h->message.length, found, sizeof(found));
	if (strcmp(found, value) != 0) {
		fail_msg("%s: expected '%s', got '%s'", where, value, found);
	}
}

static void check_data(const char *where, const struct heard *h, const char *hex)
{
	for (size_t i = 0; i < h->message.length; i++) {
		unsigned byte;
		if (sscanf(hex + 2 * i, "%2x", &byte) != 1 || byte != h->data[i]) {
			fail_msg("%s: byte %zu is %02X", where, i, h->data[i]);
		}
	}
	assert_int_equal(strlen(hex), 2 * (size_t)h->message.length);
}

static size_t next_of(const struct heard *h, enum signal_id signal)
{
	size_t i = 0;

	while (i < h->count && (h->used[i] || h->observations[i].signal != signal)) {
		i++;
	}
	return i;
}

static void check_observation(const char *where, struct heard *h, const char *line)
{
	char name[64];
	char word[64];
	unsigned instance;
	enum signal_id signal = SIGNAL_COUNT;

	if (sscanf(line, "%63s %u %63s", name, &instance, word) != 3 ||
		!signal_find(name, &signal)) {
		fail_msg("%s: what is '%s'?", where, line);
	}
	size_t i = next_of(h, signal);
	if (i == h->count) {
		fail_msg("%s: %s was not given", where, name);
	}
	h->used[i] = true;
	const struct observation *o = &h->observations[i];
	if (o->instance != instance) {
		fail_msg("%s: instance is %u", where, o->instance);
	}
	assert_int_equal(o->source, h->message.source);
	assert_int_equal(o->message, h->message.row);
	assert_true(o->t_ns == h->message.t_ns);
	check_value(where, word, (enum reading_state)o->state, o->value);
}

static size_t check_message(const char *where, const char *line, size_t next)
{
	unsigned pgn = 0;
	unsigned source = 0;
	unsigned length = 0;
	unsigned destination = ADDRESS_GLOBAL;
	const char *to = strstr(line, " to ");

	if (next >= heard_count) {
		fail_msg("%s: no such message came", where);
	}
	const struct message *m = &heard[next].message;
	int found = sscanf(line, "message %u from %u length %u", &pgn, &source, &length);
	assert_true(found >= 2);
	if (to != NULL) {
		assert_int_equal(sscanf(to, " to %u", &destination), 1);
	}
	if (m->pgn != pgn || m->source != source || (found == 3 && m->length != length) ||
		m->destination != destination) {
		fail_msg("%s: message %u from %u length %u to %u came", where, (unsigned)m->pgn,
			m->source, m->length, m->destination);
	}
	return next + 1;
}

static void check_counter(const char *where, const char *line)
{
	char name[64];
	unsigned long long expected;

	assert_int_equal(sscanf(line, "counter %63s %llu", name, &expected), 2);
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		if (strcmp(decoder_counter_name((enum decoder_counter)i), name) == 0) {
			if (decoder.counters[i] != expected) {
				fail_msg("%s: it is %llu", where,
					(unsigned long long)decoder.counters[i]);
			}
			return;
		}
	}
	fail_msg("%s: no such counter", where);
}

static void check_file(const char *path)
{
	FILE *file = fopen(path, "r");
	char line[LINE_MAX_BYTES];
	char where[LINE_MAX_BYTES + 256];
	size_t next = 0;
	bool has_provenance = false;
	unsigned checks = 0;

	assert_non_null(file);
	while (fgets(line, sizeof(line), file) != NULL) {
		struct heard *h = next > 0 ? &heard[next - 1] : NULL;
		enum signal_id signal;

		line[strcspn(line, "\n")] = '\0';
		snprintf(where, sizeof(where), "%s: %s", strrchr(path, '/') + 1, line);
		if (line[0] == '#') {
			has_provenance = true;
			continue;
		}
		if (line[0] == '\0') {
			has_provenance = false;
			continue;
		}
		checks++;
		if (!has_provenance) {
			fail_msg("%s: without provenance", where);
		}
		if (strncmp(line, "message ", 8) == 0) {
			next = check_message(where, line, next);
		} else if (strncmp(line, "counter ", 8) == 0) {
			check_counter(where, line);
		} else if (h == NULL) {
			fail_msg("%s: before any message", where);
		} else if (strncmp(line, "data ", 5) == 0) {
			check_data(where, h, line + 5);
		} else if (strncmp(line, "field ", 6) == 0) {
			check_field(where, h, line + 6);
		} else if (strncmp(line, "text ", 5) == 0) {
			check_text(where, h, line + 5);
		} else if (strncmp(line, "no ", 3) == 0) {
			assert_true(signal_find(line + 3, &signal));
			if (next_of(h, signal) != h->count) {
				fail_msg("%s: it was given", where);
			}
		} else {
			check_observation(where, h, line);
		}
	}
	fclose(file);
	assert_true(checks > 0);
	if (next != heard_count) {
		fail_msg("%s: %zu messages came, %zu were expected", path, heard_count, next);
	}
}

static void check_case(const char *name)
{
	char path[1024];

	snprintf(path, sizeof(path), "%s/messages/%s.log", TEST_SOURCE_DIR, name);
	read_log(path);
	snprintf(path, sizeof(path), "%s/messages/%s.expected", TEST_SOURCE_DIR, name);
	check_file(path);
}

static void every_message_of_the_tables_reads_its_vectors(void **state)
{
	char name[16];

	(void)state;
	for (size_t i = 0; i < message_row_count(); i++) {
		snprintf(name, sizeof(name), "%u", (unsigned)message_row_get(i)->pgn);
		check_case(name);
	}
}

static void published_transport_sessions_come_out_whole(void **state)
{
	(void)state;
	check_case("transport");
}

static void a_short_first_frame_is_not_read_beyond_its_end(void **state)
{
	(void)state;
	check_case("fast_packet");
}

static void no_vector_lies_unread(void **state)
{
	char path[1024];
	size_t logs = 0;
	struct dirent *entry;

	(void)state;
	snprintf(path, sizeof(path), "%s/messages", TEST_SOURCE_DIR);
	DIR *folder = opendir(path);
	assert_non_null(folder);
	while ((entry = readdir(folder)) != NULL) {
		const char *dot = strrchr(entry->d_name, '.');
		logs += dot != NULL && strcmp(dot, ".log") == 0;
	}
	closedir(folder);
	assert_int_equal(logs, message_row_count() + 2);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_message_of_the_tables_reads_its_vectors),
		cmocka_unit_test(published_transport_sessions_come_out_whole),
		cmocka_unit_test(a_short_first_frame_is_not_read_beyond_its_end),
		cmocka_unit_test(no_vector_lies_unread),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
