#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/notify.h"

/* Each test has a folder; its command is a script there that writes what it was given into "out". */
static char folder[64];
static uv_loop_t loop;

static void path_of(char *out, size_t size, const char *name)
{
	(void)snprintf(out, size, "%s/%s", folder, name);
}

static void write_script(const char *body)
{
	char path[128];
	FILE *file;

	path_of(path, sizeof(path), "tell it");
	file = fopen(path, "we");
	assert_non_null(file);
	(void)fprintf(file, "#!/bin/sh\ncd '%s'\n%s\n", folder, body);
	assert_int_equal(fclose(file), 0);
	assert_int_equal(chmod(path, 0700), 0);
}

static const char *command(const char *more)
{
	static char text[160];

	(void)snprintf(text, sizeof(text), "\"%s/tell it\"%s", folder, more);
	return text;
}

static const char *output(void)
{
	static char text[8192];
	char path[128];
	size_t used = 0;
	FILE *file;

	path_of(path, sizeof(path), "out");
	file = fopen(path, "re");
	if (file) {
		used = fread(text, 1, sizeof(text) - 1, file);
		(void)fclose(file);
	}
	text[used] = '\0';
	return text;
}

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof(folder), "/tmp/test_notify.XXXXXX");
	if (!mkdtemp(folder)) {
		return -1;
	}
	return uv_loop_init(&loop);
}

static int tear_down(void **state)
{
	char path[128];

	(void)state;
	path_of(path, sizeof(path), "tell it");
	(void)unlink(path);
	path_of(path, sizeof(path), "out");
	(void)unlink(path);
	if (rmdir(folder) != 0) {
		return -1;
	}
	return uv_loop_close(&loop);
}

static struct fact_event event_of(int64_t number, const char *message)
{
	struct fact_event event = {
		.event = number,
		.kind = "water-in-fuel",
		.subject = "primary",
		.severity = SEVERITY_WARNING,
		.value = 1.5,
		.limit = NAN,
		.unit = "kPa",
		.basis = "measured",
	};

	(void)snprintf(event.message, sizeof(event.message), "%s", message);
	return event;
}

static struct notify *open_with(const char *text, struct notify_limits limits)
{
	struct notify *notify = NULL;

	assert_int_equal(notify_open(&notify, &loop, text, SEVERITY_CAUTION, &limits), 0);
	return notify;
}

static void run_out(struct notify *notify)
{
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	notify_close(notify);
	(void)uv_run(&loop, UV_RUN_DEFAULT);
}

static void on_late(uv_timer_t *timer)
{
	(void)timer;
	fail_msg("the commands did not come");
}

static unsigned lines_of(const char *text)
{
	unsigned lines = 0;

	for (; *text != '\0'; text++) {
		lines += *text == '\n';
	}
	return lines;
}

static void words_are_split_at_blanks_and_held_by_quotes(void **state)
{
	char **words = notify_words("  beep  -n \"two words\" \"a \\\"b\\\" \\\\c\" x\"y z\" ");

	(void)state;
	assert_non_null(words);
	assert_string_equal(words[0], "beep");
	assert_string_equal(words[1], "-n");
	assert_string_equal(words[2], "two words");
	assert_string_equal(words[3], "a \"b\" \\c");
	assert_string_equal(words[4], "xy z");
	assert_null(words[5]);
	free(words);
	assert_null(notify_words(""));
	assert_null(notify_words(" \t"));
	assert_null(notify_words("beep \"open"));
}

static void an_event_is_told_once_when_raised_and_once_when_cleared(void **state)
{
	struct notify *notify;
	struct fact_event event = event_of(7, "water at the probe");

	(void)state;
	write_script("printf '%s|' \"$@\" \"$SIGHTBOWL_EVENT\" \"$SIGHTBOWL_VALUE\" >> out; echo >> out");
	notify = open_with(command(" first"), notify_limits_default());
	for (int i = 0; i < 5; i++) {
		notify_event(notify, &event, false);
		(void)uv_run(&loop, UV_RUN_DEFAULT);
	}
	event.has_cleared = true;
	for (int i = 0; i < 5; i++) {
		notify_event(notify, &event, false);
		(void)uv_run(&loop, UV_RUN_DEFAULT);
	}
	assert_int_equal(notify_counts(notify).started, 2);
	assert_int_equal(notify_counts(notify).failed, 0);
	run_out(notify);
	assert_string_equal(output(),
		"first|raised|warning: primary: water-in-fuel: water at the probe|7|1.5 kPa|\n"
		"first|cleared|warning: primary: over: water-in-fuel: water at the probe|7|1.5 kPa|\n");
}

static void what_an_event_says_is_never_run_or_split(void **state)
{
	struct notify *notify;
	struct fact_event event = event_of(1, "$(touch out2) `id`; rm -rf . \" ' \\ \n--help %s%n");

	(void)state;
	(void)snprintf(event.subject, sizeof(event.subject), "--option\t$HOME");
	write_script("echo $# >> out; printf '%s\\n' \"$2\" >> out");
	notify = open_with(command(""), notify_limits_default());
	notify_event(notify, &event, false);
	run_out(notify);
	assert_string_equal(output(), "2\nwarning: --option $HOME: water-in-fuel: $(touch out2) `id`; "
		"rm -rf . \" ' \\  --help %s%n\n");
}

static void small_shelved_and_known_events_are_not_told(void **state)
{
	struct notify *notify;
	struct fact_event event = event_of(1, "a");

	(void)state;
	write_script("echo \"$1 $SIGHTBOWL_EVENT\" >> out");
	notify = open_with(command(""), notify_limits_default());
	event.severity = SEVERITY_ADVICE;
	notify_event(notify, &event, false);
	event = event_of(2, "b");
	notify_event(notify, &event, true);
	event = event_of(3, "c");
	notify_known(notify, 3);
	notify_event(notify, &event, false);
	event.has_cleared = true;
	notify_event(notify, &event, false);
	event = event_of(4, "raised and over on the shelf");
	notify_event(notify, &event, true);
	event.has_cleared = true;
	notify_event(notify, &event, true);
	notify_event(notify, &event, false);
	run_out(notify);
	assert_string_equal(output(), "cleared 3\n");
}

static void what_the_log_says_late_does_not_tell_an_end_again(void **state)
{
	struct notify *notify;
	struct fact_event event = event_of(1, "a");

	(void)state;
	write_script("echo \"$1 $SIGHTBOWL_EVENT\" >> out");
	notify = open_with(command(""), notify_limits_default());
	notify_event(notify, &event, false);
	event.has_cleared = true;
	notify_event(notify, &event, false);
	notify_known(notify, 1); /* in the log it still stands, as the last commit left it */
	notify_event(notify, &event, false);
	run_out(notify);
	assert_string_equal(output(), "raised 1\ncleared 1\n");
}

/* A zombie that nobody has reaped here yet is not alive. */
static bool is_alive(long process)
{
	char path[64], status[128] = "";
	FILE *file;

	if (kill((pid_t)process, 0) != 0) {
		assert_int_equal(errno, ESRCH);
		return false;
	}
	(void)snprintf(path, sizeof(path), "/proc/%ld/stat", process);
	file = fopen(path, "re");
	if (file) {
		status[fread(status, 1, sizeof(status) - 1, file)] = '\0';
		(void)fclose(file);
	}
	return strstr(status, ") Z") == NULL;
}

static void a_command_that_hangs_is_ended_with_what_it_started(void **state)
{
	struct notify_limits limits = notify_limits_default();
	struct notify *notify;
	struct fact_event event = event_of(1, "a");
	struct notify_counts counts;
	long child;

	(void)state;
	limits.patience_ms = 100;
	limits.grace_ms = 100;
	/* It ignores the polite request, and so does its child. */
	write_script("trap '' TERM\n(trap '' TERM; while :; do sleep 1; done) &\necho $! > out\nwait");
	notify = open_with(command(""), limits);
	notify_event(notify, &event, false);
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	counts = notify_counts(notify);
	assert_int_equal(counts.started, 1);
	assert_int_equal(counts.ended, 1);
	run_out(notify);
	child = strtol(output(), NULL, 10);
	assert_true(child > 1);
	for (int tries = 0; is_alive(child); tries++) {
		assert_true(tries < 5000); /* a signal takes a moment to arrive */
		(void)usleep(1000);
	}
}

static void too_many_at_once_are_held_back_and_counted(void **state)
{
	struct notify_limits limits = {.burst = 2, .refill_ms = 3600000, .patience_ms = 10000,
		.grace_ms = 1000};
	struct notify *notify;

	(void)state;
	write_script("echo \"$SIGHTBOWL_EVENT\" >> out");
	notify = open_with(command(""), limits);
	for (int i = 1; i <= 40; i++) {
		struct fact_event event = event_of(i, "a");

		notify_event(notify, &event, false);
	}
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	assert_int_equal(notify_counts(notify).started, 2);
	/* 1 runs, 16 wait: 23 of the older ones made room. */
	assert_int_equal(notify_counts(notify).dropped, 23);
	run_out(notify);
	assert_int_equal(lines_of(output()), 2);
}

static void what_waited_is_told_when_a_token_comes_and_says_what_is_missing(void **state)
{
	struct notify_limits limits = {.burst = 1, .refill_ms = 20, .patience_ms = 10000,
		.grace_ms = 1000};
	struct notify *notify;
	uv_timer_t keeps_running;

	(void)state;
	write_script("echo \"$2\" >> out");
	notify = open_with(command(""), limits);
	for (int i = 1; i <= 20; i++) {
		struct fact_event event = event_of(i, "a");

		notify_event(notify, &event, false);
	}
	assert_int_equal(notify_counts(notify).dropped, 3);
	assert_int_equal(uv_timer_init(&loop, &keeps_running), 0);
	assert_int_equal(uv_timer_start(&keeps_running, on_late, 60000, 0), 0);
	while (notify_counts(notify).started < 17) {
		(void)uv_run(&loop, UV_RUN_ONCE);
	}
	uv_close((uv_handle_t *)&keeps_running, NULL);
	run_out(notify);
	assert_int_equal(lines_of(output()), 17);
	assert_non_null(strstr(output(), "(3 more were not told)"));
}

static void what_waits_when_the_command_is_changed_is_told_by_the_new_one(void **state)
{
	struct notify_limits limits = {.burst = 1, .refill_ms = 20, .patience_ms = 10000,
		.grace_ms = 1000, .retry_ms = 1000};
	struct notify *notify;
	uv_timer_t keeps_running;

	(void)state;
	write_script("echo \"$1 $SIGHTBOWL_EVENT\" >> out");
	notify = open_with(command(" old"), limits);
	for (int i = 1; i <= 3; i++) {
		struct fact_event event = event_of(i, "a");

		notify_event(notify, &event, false);
	}
	assert_int_equal(notify_change(notify, "\"open", SEVERITY_CAUTION), -EINVAL);
	assert_int_equal(notify_change(notify, "\"\"", SEVERITY_CAUTION), -EINVAL);
	assert_int_equal(notify_change(notify, command(" new"), SEVERITY_WARNING), 0);
	for (int i = 2; i <= 4; i++) {
		struct fact_event event = event_of(i, "a"); /* 2 and 3 were told */

		event.severity = i == 4 ? SEVERITY_CAUTION : SEVERITY_WARNING; /* too small */
		notify_event(notify, &event, false);
	}
	assert_int_equal(uv_timer_init(&loop, &keeps_running), 0);
	assert_int_equal(uv_timer_start(&keeps_running, on_late, 60000, 0), 0);
	while (notify_counts(notify).started < 3) {
		(void)uv_run(&loop, UV_RUN_ONCE);
	}
	uv_close((uv_handle_t *)&keeps_running, NULL);
	run_out(notify);
	assert_string_equal(output(), "old 1\nnew 2\nnew 3\n");
}

static void a_command_that_is_not_there_or_fails_is_counted(void **state)
{
	struct notify *notify = open_with("/no/such/command", notify_limits_default());
	struct fact_event event = event_of(1, "a");

	(void)state;
	notify_event(notify, &event, false);
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	assert_int_equal(notify_counts(notify).failed, 1);
	assert_int_equal(notify_counts(notify).started, 0);
	run_out(notify);
	write_script("exit 3");
	notify = open_with(command(""), notify_limits_default());
	notify_event(notify, &event, false);
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	assert_int_equal(notify_counts(notify).failed, 1);
	assert_int_equal(notify_counts(notify).started, 1);
	run_out(notify);
	assert_int_equal(notify_open(&notify, &loop, " ", SEVERITY_ADVICE, &(struct notify_limits){0}),
		-EINVAL);
}

static void a_message_waits_until_the_command_can_be_started(void **state)
{
	struct notify_limits limits = notify_limits_default();
	struct fact_event event = event_of(1, "a");
	struct notify *notify;
	const char *news;
	uv_timer_t keeps_running;

	(void)state;
	limits.burst = 1; /* what could not be started costs nothing of it */
	limits.retry_ms = 20;
	notify = open_with(command(""), limits);
	assert_null(notify_news(notify));
	notify_event(notify, &event, false);
	event.has_cleared = true;
	notify_event(notify, &event, false);
	news = notify_news(notify);
	assert_non_null(news);
	assert_non_null(strstr(news, "cannot be run: no such file or directory; 1 messages wait"));
	assert_null(notify_news(notify));
	assert_int_equal(notify_waiting(notify), 2);
	assert_int_equal(uv_timer_init(&loop, &keeps_running), 0);
	assert_int_equal(uv_timer_start(&keeps_running, on_late, 60000, 0), 0);
	while (notify_counts(notify).failed < 3) {
		(void)uv_run(&loop, UV_RUN_ONCE);
	}
	assert_null(notify_news(notify)); /* the same once more is no news */
	write_script("echo \"$1 $SIGHTBOWL_EVENT\" >> out");
	while (notify_counts(notify).started < 1) {
		(void)uv_run(&loop, UV_RUN_ONCE);
	}
	uv_close((uv_handle_t *)&keeps_running, NULL);
	news = notify_news(notify);
	assert_non_null(news);
	assert_non_null(strstr(news, "can be run again"));
	assert_int_equal(notify_waiting(notify), 1); /* for a token */
	run_out(notify);
	assert_string_equal(output(), "raised 1\n");
}

static void how_a_command_ended_is_told_when_it_changes(void **state)
{
	struct notify_limits limits = notify_limits_default();
	struct notify *notify;
	static const char *const bodies[] = {
		"exit 3", "exit 3", "kill -9 $$", "exit 0", "sleep 60"};
	static const char *const told[] = {
		"ended with status 3", NULL, "ended by signal 9", NULL, "took more than 1 s"};

	(void)state;
	limits.patience_ms = 1000;
	notify = open_with(command(""), limits);
	for (int i = 0; i < 5; i++) {
		struct fact_event event = event_of(i + 1, "a");
		const char *news;

		write_script(bodies[i]);
		notify_event(notify, &event, false);
		(void)uv_run(&loop, UV_RUN_DEFAULT);
		news = notify_news(notify);
		assert_int_equal(news != NULL, told[i] != NULL);
		if (told[i] != NULL) {
			assert_non_null(strstr(news, told[i]));
		}
	}
	run_out(notify);
}

static void closing_ends_a_running_command(void **state)
{
	struct notify_limits limits = notify_limits_default();
	struct notify *notify;
	struct fact_event event = event_of(1, "a");

	(void)state;
	limits.grace_ms = 100;
	write_script("trap '' TERM\nwhile :; do sleep 1; done");
	notify = open_with(command(""), limits);
	notify_event(notify, &event, false);
	notify_close(notify);
	(void)uv_run(&loop, UV_RUN_DEFAULT);
	notify_close(NULL);
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
	const struct CMUnitTest tests[] = {
		CASE(words_are_split_at_blanks_and_held_by_quotes),
		CASE(an_event_is_told_once_when_raised_and_once_when_cleared),
		CASE(what_an_event_says_is_never_run_or_split),
		CASE(small_shelved_and_known_events_are_not_told),
		CASE(what_the_log_says_late_does_not_tell_an_end_again),
		CASE(a_command_that_hangs_is_ended_with_what_it_started),
		CASE(too_many_at_once_are_held_back_and_counted),
		CASE(what_waited_is_told_when_a_token_comes_and_says_what_is_missing),
		CASE(what_waits_when_the_command_is_changed_is_told_by_the_new_one),
		CASE(a_command_that_is_not_there_or_fails_is_counted),
		CASE(a_message_waits_until_the_command_can_be_started),
		CASE(how_a_command_ended_is_told_when_it_changes),
		CASE(closing_ends_a_running_command),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
