/* notify.c
 *
 * The happy path: notify_event queues a sentence → start_next takes it when a token is there and
 * nothing runs → uv_spawn → on_exit → start_next again.
 * Failure modes: the command cannot be started (its message waits and is tried again after
 * retry_ms; notify_news tells of a change); it fails or takes too long (on_patience_over ends its
 * process group, first politely; notify_news); too many at once (dropped, counted, told in the next
 * sentence).
 */
#include "daemon/notify.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "daemon/print_format.h"

#define QUEUE_MAX    16
#define KNOWN_MAX    128
#define SENTENCE_MAX 400
#define VALUE_MAX    320
#define ENV_MAX      16

#define TOOK_TOO_LONG 1000 /* in place of a status, which is smaller */

enum told { TOLD_NOTHING, TOLD_RAISED, TOLD_CLEARED };

struct known_event {
	int64_t event;
	enum told told;
	uint64_t used; /* when it was last seen, in calls: the oldest makes room */
};

struct message {
	bool cleared;
	int64_t event;
	char kind[48];
	char subject[48];
	const char *severity;
	char value[64];
	char text[VALUE_MAX];
};

struct notify {
	uv_loop_t *loop;
	char **words;
	size_t word_count;
	enum event_severity least;
	struct notify_limits limits;
	struct notify_counts counts;
	unsigned tokens;
	bool running;
	bool closing;
	bool asked_to_end;
	bool resting;    /* it could not be started: until patience is over */
	int told_result; /* of starting it, when that was told last … */
	int told_status; /* … and what it ended with */
	bool has_news;
	char news[320];
	unsigned handles; /* open ones: the memory goes with the last */
	uv_process_t process;
	uv_timer_t patience;
	uv_timer_t refill;
	bool refilling;
	size_t queued;
	struct message queue[QUEUE_MAX];
	uint64_t dropped_untold;
	struct known_event known[KNOWN_MAX];
	uint64_t calls;
};

static const char *const severity_words[] = {
	[SEVERITY_ADVICE] = "advice",
	[SEVERITY_CAUTION] = "caution",
	[SEVERITY_WARNING] = "warning",
};

static void start_next(struct notify *notify);

struct notify_limits notify_limits_default(void)
{
	return (struct notify_limits){
		.burst = 6,
		.refill_ms = 100000,
		.patience_ms = 30000,
		.grace_ms = 5000,
		.retry_ms = 10000,
	};
}

PRINT_FORMAT(2, 3) static void put_news(struct notify *notify, const char *format, ...)
{
	int used = snprintf(
		notify->news, sizeof(notify->news), "[notify] '%.150s' ", notify->words[0]);
	va_list arguments;

	va_start(arguments, format);
	(void)vsnprintf(
		notify->news + used, sizeof(notify->news) - (size_t)used, format, arguments);
	va_end(arguments);
	notify->has_news = true;
}

/* Copies one word to out (NULL: only counts). Returns what follows it, or NULL for an open quote. */
static const char *take_word(const char *at, char *out, size_t *ret_length)
{
	bool quoted = false;
	size_t length = 0;

	while (*at != '\0' && (quoted || (*at != ' ' && *at != '\t'))) {
		if (*at == '"') {
			quoted = !quoted;
			at++;
			continue;
		}
		if (quoted && *at == '\\' && (at[1] == '"' || at[1] == '\\')) {
			at++;
		}
		if (out) {
			out[length] = *at;
		}
		length++;
		at++;
	}
	if (out) {
		out[length] = '\0';
	}
	*ret_length = length;
	return quoted ? NULL : at;
}

char **notify_words(const char *command)
{
	size_t count = 0;
	size_t bytes = 0;
	char **words;
	char *out;

	for (const char *at = command + strspn(command, " \t"); *at != '\0';
		at += strspn(at, " \t")) {
		size_t length;

		at = take_word(at, NULL, &length);
		if (!at) {
			return NULL;
		}
		count++;
		bytes += length + 1;
	}
	if (count == 0) {
		return NULL;
	}
	words = malloc((count + 1) * sizeof(*words) + bytes);
	if (!words) {
		return NULL;
	}
	out = (char *)(words + count + 1);
	count = 0;
	for (const char *at = command + strspn(command, " \t"); *at != '\0';
		at += strspn(at, " \t")) {
		size_t length;

		words[count++] = out;
		at = take_word(at, out, &length);
		out += length + 1;
	}
	words[count] = NULL;
	return words;
}

static void on_closed(uv_handle_t *handle)
{
	struct notify *notify = handle->data;

	assert(notify->handles > 0);
	notify->handles--;
	if (notify->handles == 0) {
		free(notify->words);
		free(notify);
	}
}

int notify_open(struct notify **ret_notify, uv_loop_t *loop, const char *command,
	enum event_severity least, const struct notify_limits *limits)
{
	struct notify *notify = calloc(1, sizeof(*notify));

	if (!notify) {
		return -ENOMEM;
	}
	notify->words = notify_words(command);
	if (!notify->words || notify->words[0][0] == '\0') {
		free(notify->words);
		free(notify);
		return -EINVAL;
	}
	while (notify->words[notify->word_count]) {
		notify->word_count++;
	}
	notify->loop = loop;
	notify->least = least;
	notify->limits = *limits;
	notify->tokens = limits->burst;
	(void)uv_timer_init(loop, &notify->patience); /* cannot fail */
	(void)uv_timer_init(loop, &notify->refill);
	notify->patience.data = notify;
	notify->refill.data = notify;
	notify->handles = 2;
	*ret_notify = notify;
	return 0;
}

int notify_change(struct notify *notify, const char *command, enum event_severity least)
{
	char **words = notify_words(command);

	if (!words || words[0][0] == '\0') {
		free(words);
		return -EINVAL;
	}
	free(notify->words);
	notify->words = words;
	notify->word_count = 0;
	while (words[notify->word_count]) {
		notify->word_count++;
	}
	notify->least = least;
	notify->told_result = 0;
	notify->told_status = 0;
	return 0;
}

static struct known_event *known_of(struct notify *notify, int64_t event)
{
	struct known_event *oldest = &notify->known[0];

	notify->calls++;
	for (size_t i = 0; i < KNOWN_MAX; i++) {
		struct known_event *known = &notify->known[i];

		if (known->used > 0 && known->event == event) {
			known->used = notify->calls;
			return known;
		}
		if (known->used < oldest->used) {
			oldest = known;
		}
	}
	*oldest = (struct known_event){.event = event, .used = notify->calls};
	return oldest;
}

void notify_known(struct notify *notify, int64_t event)
{
	struct known_event *known = known_of(notify, event);

	/* Of one that it heard of itself it knows more than the log does. */
	if (known->told == TOLD_NOTHING) {
		known->told = TOLD_RAISED;
	}
}

/* Copies text as one line: whatever is no printable character becomes a blank. */
static void copy_line(char *out, size_t size, const char *text)
{
	size_t used = 0;

	for (; text && *text != '\0' && used + 1 < size; text++) {
		unsigned char c = (unsigned char)*text;

		out[used++] = c < 0x20 || c == 0x7F ? ' ' : (char)c;
	}
	/* A character of several bytes is not left cut. */
	while (text && *text != '\0' && used > 0 && ((unsigned char)*text & 0xC0) == 0x80) {
		text--;
		used--;
	}
	out[used] = '\0';
}

static void queue_message(struct notify *notify, const struct fact_event *event, bool cleared)
{
	struct message *message;

	if (notify->queued == QUEUE_MAX) {
		memmove(&notify->queue[0], &notify->queue[1],
			(QUEUE_MAX - 1) * sizeof(notify->queue[0]));
		notify->queued--;
		notify->counts.dropped++;
		notify->dropped_untold++;
	}
	message = &notify->queue[notify->queued++];
	memset(message, 0, sizeof(*message));
	message->cleared = cleared;
	message->event = event->event;
	message->severity = severity_words[event->severity];
	copy_line(message->kind, sizeof(message->kind), event->kind);
	copy_line(message->subject, sizeof(message->subject), event->subject);
	copy_line(message->text, sizeof(message->text), event->message);
	if (event->value == event->value) {
		(void)snprintf(message->value, sizeof(message->value), "%.6g%s%s", event->value,
			event->unit && event->unit[0] != '\0' ? " " : "",
			event->unit ? event->unit : "");
	}
}

void notify_event(struct notify *notify, const struct fact_event *event, bool shelved)
{
	struct known_event *known;

	if (notify->closing || event->severity < notify->least) {
		return;
	}
	known = known_of(notify, event->event);
	if (shelved) {
		if (event->has_cleared) {
			known->told = TOLD_CLEARED; /* over while nobody was to be told */
		}
		return;
	}
	if (known->told == TOLD_NOTHING) {
		/* Raised and cleared since it was last looked at: both are told, in order. */
		queue_message(notify, event, false);
		known->told = TOLD_RAISED;
	}
	if (known->told == TOLD_RAISED && event->has_cleared) {
		queue_message(notify, event, true);
		known->told = TOLD_CLEARED;
	}
	start_next(notify);
}

static void end_process(struct notify *notify, int signal_number)
{
	/* The command leads a process group of its own: what it started ends with it. One that has
	 * just ended by itself is not there any more, which is as good. */
	(void)kill(-notify->process.pid, signal_number);
}

static void on_patience_over(uv_timer_t *timer)
{
	struct notify *notify = timer->data;

	if (notify->resting) {
		notify->resting = false;
		start_next(notify);
		return;
	}
	if (!notify->running) {
		return;
	}
	if (!notify->asked_to_end) {
		notify->asked_to_end = true;
		notify->counts.ended++;
		end_process(notify, SIGTERM);
		(void)uv_timer_start(timer, on_patience_over, notify->limits.grace_ms, 0);
	} else {
		end_process(notify, SIGKILL);
	}
}

static void on_process_closed(uv_handle_t *handle)
{
	struct notify *notify = handle->data;

	notify->running = false;
	if (!notify->closing) {
		start_next(notify);
	}
	on_closed(handle);
}

static void close_timers(struct notify *notify)
{
	uv_close((uv_handle_t *)&notify->patience, on_closed);
	uv_close((uv_handle_t *)&notify->refill, on_closed);
}

/* Told when it is another than the last one's. */
static void tell_end(struct notify *notify, int status)
{
	if (status == notify->told_status || notify->closing) {
		return;
	}
	notify->told_status = status;
	if (status == TOOK_TOO_LONG) {
		put_news(notify, "took more than %" PRIu64 " s and was made to end",
			notify->limits.patience_ms / 1000);
	} else if (status < 0) {
		put_news(notify, "was ended by signal %d", -status);
	} else if (status > 0) {
		put_news(notify, "ended with status %d", status);
	}
}

static void on_exit_of_process(uv_process_t *process, int64_t status, int signal_number)
{
	struct notify *notify = process->data;

	(void)uv_timer_stop(&notify->patience);
	/* What it left behind in its group goes too. */
	end_process(notify, SIGKILL);
	if ((status != 0 || signal_number != 0) && !notify->asked_to_end) {
		notify->counts.failed++;
	}
	tell_end(notify, notify->asked_to_end ? TOOK_TOO_LONG
			 : signal_number != 0 ? -signal_number
					      : (int)status);
	uv_close((uv_handle_t *)process, on_process_closed);
	if (notify->closing) {
		close_timers(notify);
	}
}

static void on_refill(uv_timer_t *timer)
{
	struct notify *notify = timer->data;

	notify->tokens++;
	if (notify->tokens >= notify->limits.burst) {
		(void)uv_timer_stop(timer);
		notify->refilling = false;
	}
	start_next(notify);
}

static void take_token(struct notify *notify)
{
	notify->tokens--;
	if (!notify->refilling) {
		notify->refilling = true;
		(void)uv_timer_start(&notify->refill, on_refill, notify->limits.refill_ms,
			notify->limits.refill_ms);
		/* Waiting for tokens keeps no program alive. */
		uv_unref((uv_handle_t *)&notify->refill);
	}
}

/* The command's environment: texts and the list of them, ended by NULL. */
struct environment {
	size_t count;
	char texts[ENV_MAX][VALUE_MAX + 32];
	char *list[ENV_MAX + 1];
};

static void put_env(struct environment *env, const char *name, const char *value)
{
	assert(env->count < ENV_MAX);
	(void)snprintf(env->texts[env->count], sizeof(env->texts[0]), "%s=%s", name, value);
	env->list[env->count] = env->texts[env->count];
	env->count++;
	env->list[env->count] = NULL;
}

static void fill_environment(struct environment *env, const struct message *message)
{
	static const char *const kept[] = {"PATH", "HOME", "LANG", "LC_ALL", "TZ",
		"DBUS_SESSION_BUS_ADDRESS", "XDG_RUNTIME_DIR"};
	char number[24];

	env->count = 0;
	for (size_t i = 0; i < sizeof(kept) / sizeof(kept[0]); i++) {
		const char *value = getenv(kept[i]);

		if (value && strlen(value) < VALUE_MAX) {
			put_env(env, kept[i], value);
		}
	}
	(void)snprintf(number, sizeof(number), "%" PRId64, message->event);
	put_env(env, "SIGHTBOWL_STATE", message->cleared ? "cleared" : "raised");
	put_env(env, "SIGHTBOWL_EVENT", number);
	put_env(env, "SIGHTBOWL_KIND", message->kind);
	put_env(env, "SIGHTBOWL_SUBJECT", message->subject);
	put_env(env, "SIGHTBOWL_SEVERITY", message->severity);
	put_env(env, "SIGHTBOWL_VALUE", message->value);
	put_env(env, "SIGHTBOWL_MESSAGE", message->text);
}

static void write_sentence(char *out, size_t size, const struct message *message, uint64_t untold)
{
	char more[64] = "";

	if (untold > 0) {
		(void)snprintf(more, sizeof(more), " (%" PRIu64 " more were not told)", untold);
	}
	(void)snprintf(out, size, "%s: %s: %s%s%s%s%s", message->severity, message->subject,
		message->cleared ? "over: " : "", message->kind,
		message->text[0] == '\0' ? "" : ": ", message->text, more);
}

/* Starts the command for one message. Returns 0 or a libuv error. */
static int start(struct notify *notify, const struct message *message)
{
	struct environment env;
	char sentence[SENTENCE_MAX + 128];
	char *state = message->cleared ? "cleared" : "raised";
	char **words = calloc(notify->word_count + 3, sizeof(*words));
	uv_stdio_container_t stdio[3] = {
		{.flags = UV_IGNORE},
		{.flags = UV_INHERIT_FD, .data.fd = STDERR_FILENO},
		{.flags = UV_INHERIT_FD, .data.fd = STDERR_FILENO},
	};
	uv_process_options_t options = {
		.exit_cb = on_exit_of_process,
		.file = notify->words[0],
		.args = words,
		.env = env.list,
		.flags = UV_PROCESS_DETACHED, /* a group of its own */
		.stdio_count = 3,
		.stdio = stdio,
	};
	int result;

	if (!words) {
		return UV_ENOMEM;
	}
	fill_environment(&env, message);
	write_sentence(sentence, sizeof(sentence), message, notify->dropped_untold);
	memcpy(words, notify->words, notify->word_count * sizeof(*words));
	words[notify->word_count] = state;
	words[notify->word_count + 1] = sentence;
	notify->process.data = notify;
	notify->asked_to_end = false;
	result = uv_spawn(notify->loop, &notify->process, &options);
	notify->handles++;
	notify->running = true;
	free(words);
	if (result != 0) {
		/* The handle was initialised all the same and has to be closed. */
		notify->counts.failed++;
		uv_close((uv_handle_t *)&notify->process, on_process_closed);
		return result;
	}
	notify->counts.started++;
	notify->dropped_untold = 0;
	(void)uv_timer_start(&notify->patience, on_patience_over, notify->limits.patience_ms, 0);
	return 0;
}

static void tell_start(struct notify *notify, int result)
{
	if (result != 0 && result != notify->told_result) {
		put_news(notify, "cannot be run: %s; %zu messages wait, trying again",
			uv_strerror(result), notify->queued);
	} else if (result == 0 && notify->told_result != 0) {
		put_news(notify, "can be run again");
	}
	notify->told_result = result;
}

static void start_next(struct notify *notify)
{
	int result;

	if (notify->running || notify->resting || notify->queued == 0 || notify->tokens == 0) {
		return;
	}
	result = start(notify, &notify->queue[0]);
	tell_start(notify, result);
	if (result != 0) {
		notify->resting = true;
		(void)uv_timer_start(
			&notify->patience, on_patience_over, notify->limits.retry_ms, 0);
		/* Waiting for the next try keeps no program alive. */
		uv_unref((uv_handle_t *)&notify->patience);
		return;
	}
	uv_ref((uv_handle_t *)&notify->patience);
	notify->queued--;
	memmove(&notify->queue[0], &notify->queue[1], notify->queued * sizeof(notify->queue[0]));
	take_token(notify);
}

const char *notify_news(struct notify *notify)
{
	if (!notify || !notify->has_news) {
		return NULL;
	}
	notify->has_news = false;
	return notify->news;
}

size_t notify_waiting(const struct notify *notify)
{
	return notify ? notify->queued : 0;
}

struct notify_counts notify_counts(const struct notify *notify)
{
	return notify->counts;
}

void notify_close(struct notify *notify)
{
	if (!notify || notify->closing) {
		return;
	}
	notify->closing = true;
	notify->resting = false;
	notify->queued = 0;
	uv_ref((uv_handle_t *)&notify->patience);
	if (!notify->running || uv_is_closing((uv_handle_t *)&notify->process)) {
		close_timers(notify);
		return;
	}
	if (!notify->asked_to_end) {
		notify->asked_to_end = true;
		end_process(notify, SIGTERM);
	}
	(void)uv_timer_start(&notify->patience, on_patience_over, notify->limits.grace_ms, 0);
}
