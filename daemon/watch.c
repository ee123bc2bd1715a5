/* watch.c: the happy path:
 *   1. open the log, or look at it, resume the analysis where it stood, open the buses, say READY
 *   2. frames: look at the clocks, analyse; the facts are queued in live_log
 *   3. each LIVE_LOG_KEEP_MS a worker writes what is new into the batch file; each
 *      LIVE_LOG_COMMIT_MS, or when somebody opens the log to read it, into the log
 *   4. SIGTERM: drain the buses, commit, end
 * What can go wrong:
 *   - a bus: bus_watch waits for it
 *   - the disk, from the start or later: live_log holds the facts in memory and tries again each
 *     LIVE_LOG_KEEP_MS
 *   - the log turns out to be another than the one that was begun with: it ends, to begin anew
 *   - the wall clock is set: the analysis is told (clock_watch)
 *   - the page: cannot be served: the log goes on without it, and it is tried again each
 *     CONTROLLER_MS; is asked too much: the log goes on
 *   - a configuration at SIGHUP that is wrong or cannot be followed: told, the old one
 *     stays as a whole
 *   - the loop hangs: the service manager's watchdog restarts the program
 */
#include "daemon/watch.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <malloc.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/inotify.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <uv.h>

#include "analysis/pipeline.h"
#include "daemon/book_store.h"
#include "daemon/book_works.h"
#include "daemon/bus_watch.h"
#include "daemon/clock_watch.h"
#include "daemon/file_system.h"
#include "daemon/live_log.h"
#include "daemon/log_store.h"
#include "daemon/notify.h"
#include "daemon/page_service.h"
#include "daemon/recorder.h"
#include "daemon/service_notice.h"
#include "daemon/watch_facts.h"
#include "daemon/watch_parts.h"
#include "daemon/watch_reread.h"

#define READER_PAUSE_MS	 27000 /* readers that come and go make one commit in this time */
#define CONTROLLER_MS	 30000 /* how often the controllers are asked */
#define TROUBLE_AGAIN_MS (3600 * 1000)
#define CLOCK_LOOK_MS	 1000
#define BOOK_CACHE_KIB	 128

void watch_say(const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	(void)fputs("sightbowl watch: ", stderr);
	(void)vfprintf(stderr, format, arguments);
	(void)fputc('\n', stderr);
	va_end(arguments);
}

void watch_tell_manager(const struct watch *w, const char *more)
{
	char text[800];

	(void)snprintf(text, sizeof(text), "%sSTATUS=%s%s%s%s", more,
		w->told_trouble[0] == '\0' ? "logging"
					   : "the log cannot be written; facts wait in memory",
		w->refused[0] == '\0' ? "" : "; ", w->refused,
		w->refused[0] == '\0' ? "" : "; the old configuration stays");
	(void)service_notice(text); /* without a manager there is nobody to tell */
}

/* ---- the log's jobs ---- */

static void watch_readers(struct watch *w);
static void stop(struct watch *w);

static void tell_trouble(struct watch *w)
{
	const char *trouble = live_log_trouble(w->log);
	uint64_t now_ms = uv_now(&w->loop);
	uint64_t dropped = live_log_dropped(w->log);

	if (trouble[0] == '\0') {
		if (w->told_trouble[0] != '\0') {
			watch_say("the log is written again; nothing waits any more");
			w->told_trouble[0] = '\0';
			watch_tell_manager(w, "");
		}
	} else if (strcmp(trouble, w->told_trouble) != 0 ||
		   now_ms - w->told_trouble_ms >= TROUBLE_AGAIN_MS) {
		watch_say("%s; it goes on watching, %zu kB wait in memory", trouble,
			live_log_waiting(w->log) / 1000);
		(void)snprintf(w->told_trouble, sizeof(w->told_trouble), "%s", trouble);
		w->told_trouble_ms = now_ms;
		watch_tell_manager(w, "");
	}
	if (dropped != w->told_dropped && w->told_dropped == 0) {
		watch_say("too much waits in memory: the oldest 10 s windows are given up from now "
			  "on");
	}
	w->told_dropped = dropped;
}

static void do_job(uv_work_t *work)
{
	struct watch *w = work->data;

	live_log_do(w->log);
}

static bool is_shut_off(const char *log_path)
{
	char folder[sizeof(((struct settings *)NULL)->log_path)];
	const char *slash = strrchr(log_path, '/');

	if (slash == NULL) {
		return file_system_is_shut_off(".");
	}
	/* With its slash the root's folder needs no case of its own. */
	(void)snprintf(folder, sizeof(folder), "%.*s", (int)(slash - log_path) + 1, log_path);
	return file_system_is_shut_off(folder);
}

static void on_job_done(uv_work_t *work, int status)
{
	struct watch *w = work->data;

	assert(status == 0); /* jobs are never cancelled */
	(void)status;
	(void)live_log_done(w->log); /* tell_trouble tells */
	tell_trouble(w);
	if (live_log_is_lost(w->log)) {
		stop(w); /* started again, it goes on from what the log says */
	}
	if (live_log_is_waiting(w->log) && !w->stopping && is_shut_off(w->settings.log_path)) {
		watch_say("the log's disk can be written, but not by this process: a service that "
			  "was "
			  "started before it could be is started anew; one that says so again must "
			  "be "
			  "allowed to write there (ReadWritePaths= in its unit)");
		stop(w);
	}
	if (w->log_inotify < 0 && !live_log_is_waiting(w->log) && !w->closed) {
		watch_readers(w); /* there may have been no log to watch */
	}
	w->want_commit |= live_log_wants_commit_now(w->log);
	watch_next_job(w);
}

static void begin_job(struct watch *w)
{
	w->log_work.data = w;
	if (uv_queue_work(&w->loop, &w->log_work, do_job, on_job_done) != 0) {
		/* Without a worker the loop does it itself. */
		live_log_do(w->log);
		on_job_done(&w->log_work, 0);
	}
}

static void finish(struct watch *w);

void watch_next_job(struct watch *w)
{
	if (live_log_is_busy(w->log)) {
		return;
	}
	if (w->want_commit) {
		w->want_commit = false;
		if (live_log_commit(w->log, w->pipeline)) {
			begin_job(w);
			return;
		}
	}
	if (w->want_keep) {
		w->want_keep = false;
		if (live_log_keep(w->log, w->pipeline)) {
			begin_job(w);
			return;
		}
	}
	if (w->stopping) {
		finish(w);
	}
}

static void on_keep(uv_timer_t *timer)
{
	struct watch *w = timer->data;

	/* On a slow disk this waits until the job under way is done. */
	w->want_keep = true;
	w->want_commit |= live_log_wants_commit(w->log);
	watch_next_job(w);
}

/* Opens the log to read the service book, through a connection of its own, which waits for nobody.
 */
static bool open_book(struct watch *w)
{
	char error[600];

	/* Opened once, where it may stay: each opening of the log calls for a commit (see below).
	 */
	if (w->book == NULL) {
		if (log_store_open_reader(&w->book, w->settings.log_path, error, sizeof(error)) !=
			0) {
			w->book = NULL;
			return false;
		}
		log_store_limit_cache(w->book, BOOK_CACHE_KIB);
	}
	return true;
}

static void leave_book(struct watch *w)
{
	if (log_store_is_passing(w->book)) {
		log_store_close(w->book);
		w->book = NULL;
	}
}

void watch_read_book(struct watch *w)
{
	if (!open_book(w)) {
		return;
	}
	if (book_works_load(log_store_db(w->book), &w->settings.boat) == 0) {
		pipeline_tell_works(
			w->pipeline, w->settings.boat.works, w->settings.boat.work_count);
	}
	/* What cannot be read leaves the shelf as it was. */
	(void)book_store_shelved(log_store_db(w->book), clock_watch_now().wall_ns, w->shelved,
		WATCH_SHELF_MAX, &w->shelved_count);
	leave_book(w);
}

static void on_commit(uv_timer_t *timer)
{
	struct watch *w = timer->data;

	watch_read_book(w);
	w->want_commit = true;
	watch_next_job(w);
}

/* ---- readers of the log: what they are about to read is made complete ---- */

static void on_reader_pause(uv_timer_t *timer)
{
	(void)timer; /* only its being active counts */
}

static void on_log_opened(uv_poll_t *poll, int status, int events)
{
	_Alignas(struct inotify_event) char buffer[4096];
	struct watch *w = poll->data;

	(void)status;
	(void)events;
	while (read(w->log_inotify, buffer, sizeof(buffer)) > 0) {
		/* That the file was opened is all there is to know. */
	}
	/* A commit's own opening of the log is one, too. Behind any other job the commit comes
	 * next. */
	if (!live_log_is_committing(w->log) && !uv_is_active((const uv_handle_t *)&w->reader)) {
		(void)uv_timer_start(&w->reader, on_reader_pause, READER_PAUSE_MS, 0);
		w->want_commit = true;
		watch_next_job(w);
	}
}

static void watch_readers(struct watch *w)
{
	w->log_inotify = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
	if (w->log_inotify < 0) {
		return; /* readers then see the last commit */
	}
	if (inotify_add_watch(w->log_inotify, w->settings.log_path, IN_OPEN) < 0 ||
		uv_poll_init(&w->loop, &w->log_poll, w->log_inotify) != 0) {
		(void)close(w->log_inotify);
		w->log_inotify = -1;
		return;
	}
	w->log_poll.data = w;
	(void)uv_poll_start(&w->log_poll, UV_READABLE, on_log_opened);
}

/* ---- the buses ---- */

static void do_record(uv_work_t *work)
{
	struct watch *w = work->data;

	recorder_do(w->recorder);
}

static void end_recording(struct watch *w)
{
	const char *news = recorder_done(w->recorder);

	w->recording = false;
	if (news != NULL) {
		watch_say("%s", news);
	}
	if (recorder_is_over(w->recorder)) {
		news = recorder_losses(w->recorder, true);
		if (news != NULL) {
			watch_say("%s", news);
		}
		recorder_close(w->recorder);
		w->recorder = NULL;
	}
}

static void on_record_done(uv_work_t *work, int status)
{
	struct watch *w = work->data;

	(void)status; /* never cancelled */
	end_recording(w);
	if (w->stopping) {
		finish(w);
	}
}

void watch_record(struct watch *w, bool now)
{
	if (w->recorder != NULL && !w->recording && recorder_prepare(w->recorder, now)) {
		w->record_work.data = w;
		w->recording =
			uv_queue_work(&w->loop, &w->record_work, do_record, on_record_done) == 0;
		if (!w->recording) {
			recorder_do(w->recorder);
			end_recording(w);
		}
	}
}

static void tell_notify(struct watch *w)
{
	const char *news = notify_news(w->notify);

	if (news != NULL) {
		watch_say("%s", news);
	}
}

static void tell_losses(struct watch *w, bool now)
{
	const char *news = w->recorder == NULL ? NULL : recorder_losses(w->recorder, now);

	if (news != NULL) {
		watch_say("%s", news);
	}
}

static void look_at_clocks(struct watch *w, struct frame *frames, size_t count)
{
	int64_t step_ns = clock_watch_look(&w->clock, clock_watch_now(), frames, count);

	if (step_ns != 0) {
		pipeline_clock_stepped(w->pipeline, step_ns);
		watch_say("this machine's clock was set by %+.1f s", (double)step_ns * 1e-9);
	}
}

static void on_frames(void *context, const struct frame *frames, size_t count)
{
	struct watch *w = context;
	struct frame put_right[BUS_BATCH];

	assert(count <= BUS_BATCH);
	if (w->recorder != NULL) {
		recorder_put(w->recorder, frames, count);
		watch_record(w, false);
	}
	memcpy(put_right, frames, count * sizeof(*frames));
	look_at_clocks(w, put_right, count);
	pipeline_frames(w->pipeline, put_right, count);
}

static void on_news(void *context, const struct bus_status *status, const char *sentence)
{
	(void)context;
	watch_say("%s: %s", status->interface, sentence);
}

static void on_look(uv_timer_t *timer)
{
	/* A bus that is silent does not hide a step of the clock. */
	struct watch *w = timer->data;

	look_at_clocks(w, NULL, 0);
	if (w->recorder != NULL) {
		recorder_tell_bus_time(w->recorder, w->has_bus_time, w->bus_ahead_ns);
	}
	watch_record(w, true);
	tell_losses(w, false);
	tell_notify(w);
	page_service_look(w->page, w->pipeline);
	int64_t wall_ns = clock_watch_now().wall_ns;
	for (size_t i = 0; w->buses != NULL && i < bus_watch_count(w->buses); i++) {
		const struct bus_status *status = bus_watch_status(w->buses, i);

		page_service_tell_bus(w->page, status);
		pipeline_bus_word(
			w->pipeline, status->number, bus_watch_trouble(w->buses, i), wall_ns);
	}
}

static void on_ask(uv_timer_t *timer)
{
	struct watch *w = timer->data;

	if (w->buses != NULL) {
		bus_watch_ask(w->buses);
	}
	if (w->page == NULL && !w->stopping) {
		watch_open_page(w, true);
	}
}

static void on_watchdog(uv_timer_t *timer)
{
	(void)timer;
	(void)service_notice("WATCHDOG=1"); /* when it does not arrive, the watchdog acts */
}

size_t watch_wanted_buses(const struct watch_options *options, const struct settings *settings,
	const char *names[FRAME_BUS_MAX])
{
	size_t count = options->bus_count;

	for (size_t i = 0; i < count; i++) {
		names[i] = options->buses[i];
	}
	for (size_t i = 0; count == 0 && i < settings->bus_count; i++) {
		names[i] = settings->buses[i].name;
	}
	if (count == 0) {
		count = settings->bus_count;
	}
	if (count == 0) {
		names[0] = "can0";
		count = 1;
	}
	return count;
}

static const struct bus_setting *setting_of(const struct settings *settings, const char *name)
{
	for (size_t i = 0; i < settings->bus_count; i++) {
		if (strcmp(settings->buses[i].name, name) == 0) {
			return &settings->buses[i];
		}
	}
	return NULL;
}

int watch_number_buses(
	struct bus_names *numbers, const char *const *names, size_t count, char *error, size_t size)
{
	for (size_t i = 0; i < count; i++) {
		int used;

		if (bus_names_find(numbers, names[i], strlen(names[i])) >= 0) {
			continue;
		}
		used = snprintf(error, size,
			"bus '%s' cannot be logged: a log holds at most %d buses, "
			"told apart by their names; it has",
			names[i], FRAME_BUS_MAX);
		for (size_t j = 0; j < numbers->count && used > 0 && (size_t)used < size; j++) {
			used += snprintf(error + used, size - (size_t)used, "%s %s",
				j == 0 ? "" : ",", numbers->names[j]);
		}
		return -ENOSPC;
	}
	return 0;
}

/* The wanted buses with their numbers, which they have. Returns how many. */
static size_t want_buses(const struct watch *w, const struct settings *settings,
	struct bus_names *numbers, struct bus_watch_want wants[FRAME_BUS_MAX])
{
	const char *names[FRAME_BUS_MAX];
	size_t count = watch_wanted_buses(w->options, settings, names);

	for (size_t i = 0; i < count; i++) {
		const struct bus_setting *setting = setting_of(settings, names[i]);
		int number = bus_names_find(numbers, names[i], strlen(names[i]));

		assert(number >= 0);
		wants[i] = (struct bus_watch_want){
			.interface = names[i],
			.number = (unsigned)number,
			.restart_ms = setting == NULL ? 0 : (uint64_t)(setting->restart_s * 1000),
		};
	}
	return count;
}

/* The recorder keeps what the bus carried, whatever it was. */
static enum bus_filter wanted_filter(const struct settings *settings)
{
	return settings->log.capture_folder[0] != '\0' ? BUS_ALL_FRAMES : BUS_EXTENDED_FRAMES;
}

static int open_buses(struct watch *w)
{
	struct bus_watch_want wants[FRAME_BUS_MAX];
	size_t count = want_buses(w, &w->settings, &w->names, wants);

	return bus_watch_open(&w->buses, &w->loop, wants, count, wanted_filter(&w->settings),
		&(struct bus_watch_listener){w, on_frames, on_news});
}

int watch_change_buses(struct watch *w, const struct settings *settings, struct bus_names *numbers)
{
	struct bus_watch_want wants[FRAME_BUS_MAX];
	size_t count = want_buses(w, settings, numbers, wants);

	return bus_watch_change(w->buses, wants, count, wanted_filter(settings));
}

static const char *on_bus_name(void *context, unsigned bus)
{
	const struct watch *w = context;

	return bus < w->names.count ? w->names.names[bus] : NULL;
}

void watch_name_and_limit_buses(
	struct watch *w, struct pipeline *pipeline, const struct settings *settings)
{
	pipeline_name_buses(pipeline, &(struct bus_namer){w, on_bus_name});
	for (size_t i = 0; i < w->names.count; i++) {
		const struct bus_setting *setting = setting_of(settings, w->names.names[i]);

		pipeline_limit(pipeline, (unsigned)i,
			setting == NULL ? DECODE_BOTH : (enum decoder_protocol)setting->protocol);
	}
}

uint64_t watch_capture_bytes(const struct log_settings *settings)
{
	return (uint64_t)(settings->capture_mb * 1e6);
}

int64_t watch_capture_age_s(const struct log_settings *settings)
{
	return (int64_t)(settings->capture_days * 86400);
}

static void open_recorder(struct watch *w)
{
	const struct log_settings *log = &w->settings.log;
	const char *news;
	int result;

	if (log->capture_folder[0] == '\0') {
		return;
	}
	result = recorder_open(&w->recorder, log->capture_folder, &w->names,
		watch_capture_bytes(log), watch_capture_age_s(log));
	if (result != 0) {
		watch_say("raw frames are not kept: %s", strerror(-result));
		w->recorder = NULL;
		return;
	}
	news = recorder_prepare_folder(w->recorder);
	if (news != NULL) {
		watch_say("%s", news); /* the log is worth more than the captures */
	}
}

/* What stood before was told before. */
static void know_standing(struct watch *w)
{
	int64_t standing[WATCH_SHELF_MAX];
	size_t count = 0;

	watch_read_book(w);
	if (!open_book(w)) {
		return;
	}
	if (book_store_standing(log_store_db(w->book), standing, WATCH_SHELF_MAX, &count) == 0) {
		for (size_t i = count; i > 0; i--) {
			notify_known(w->notify, standing[i - 1]);
		}
	}
	leave_book(w);
}

static void open_notify(struct watch *w)
{
	struct notify_limits limits = notify_limits_default();
	int result;

	if (w->settings.notify_command[0] == '\0') {
		return;
	}
	result = notify_open(&w->notify, &w->loop, w->settings.notify_command,
		(enum event_severity)w->settings.notify_severity, &limits);
	if (result != 0) {
		w->notify = NULL;
		watch_say("[notify] command cannot be run: %s", strerror(-result));
		return;
	}
	know_standing(w);
}

static void close_notify(struct watch *w)
{
	tell_notify(w);
	if (notify_waiting(w->notify) > 0) {
		watch_say("[notify] %zu messages were not told", notify_waiting(w->notify));
	}
	notify_close(w->notify);
	w->notify = NULL;
}

void watch_change_notify(struct watch *w)
{
	if (w->notify == NULL || w->settings.notify_command[0] == '\0') {
		close_notify(w);
		open_notify(w);
		return;
	}
	int result = notify_change(w->notify, w->settings.notify_command,
		(enum event_severity)w->settings.notify_severity);
	if (result != 0) {
		watch_say(
			"[notify] command cannot be run: %s; the old one stays", strerror(-result));
		return;
	}
	know_standing(w);
}

void watch_open_page(struct watch *w, bool again)
{
	char error[512];

	if (w->settings.web.address[0] == '\0') {
		return;
	}
	if (page_service_start(&w->page, &w->loop, &w->settings, w->settings.log_path, error,
		    sizeof(error)) != 0) {
		w->page = NULL;
		if (!again) {
			watch_say("%s; it goes on without the page, and tries again", error);
		}
		return;
	}
	watch_say("the boat's page is at %s", page_service_address(w->page));
}

/* ---- beginning and ending ---- */

static void stop(struct watch *w)
{
	if (w->stopping) {
		return;
	}
	(void)service_notice("STOPPING=1");
	if (w->buses != NULL) {
		bus_watch_drain(w->buses);
	}
	w->stopping = true;
	w->want_commit = true;
	(void)uv_timer_stop(&w->keep);
	(void)uv_timer_stop(&w->commit);
	(void)uv_timer_stop(&w->look);
	(void)uv_timer_stop(&w->reread);
	watch_record(w, true);
	watch_next_job(w);
}

static void on_signal(uv_signal_t *handle, int number)
{
	struct watch *w = handle->data;

	(void)number;
	stop(w);
}

static void on_hang_up(uv_poll_t *poll, int status, int events)
{
	struct watch *w = poll->data;
	struct signalfd_siginfo one;
	bool any = false;

	(void)status;
	(void)events;
	while (read(w->hang_ups, &one, sizeof(one)) == (ssize_t)sizeof(one)) {
		any = true;
	}
	if (any) {
		watch_reread_want(w);
	}
}

static int await_hang_ups(struct watch *w, const sigset_t *signals)
{
	int result;

	w->hang_ups = signalfd(-1, signals, SFD_NONBLOCK | SFD_CLOEXEC);
	if (w->hang_ups < 0) {
		return -errno;
	}
	result = uv_poll_init(&w->loop, &w->hang_up_poll, w->hang_ups);
	if (result != 0) {
		(void)close(w->hang_ups); /* nothing is written through it */
		w->hang_ups = -1;
		return result;
	}
	w->hang_up_poll.data = w;
	return uv_poll_start(&w->hang_up_poll, UV_READABLE, on_hang_up);
}

/* Closes all handles once nothing is under way; the loop then runs out. */
static void finish(struct watch *w)
{
	if (w->closed || w->recording || live_log_is_busy(w->log)) {
		return;
	}
	w->closed = true;
	bus_watch_close(w->buses);
	close_notify(w);
	page_service_stop(w->page);
	w->page = NULL;
	for (size_t i = 0; i < 2; i++) {
		uv_close((uv_handle_t *)&w->signals[i], NULL);
	}
	if (w->hang_ups >= 0) {
		uv_close((uv_handle_t *)&w->hang_up_poll, NULL);
		(void)close(w->hang_ups); /* nothing is written through it */
	}
	uv_close((uv_handle_t *)&w->keep, NULL);
	uv_close((uv_handle_t *)&w->commit, NULL);
	uv_close((uv_handle_t *)&w->ask, NULL);
	uv_close((uv_handle_t *)&w->look, NULL);
	uv_close((uv_handle_t *)&w->watchdog, NULL);
	uv_close((uv_handle_t *)&w->reader, NULL);
	uv_close((uv_handle_t *)&w->reread, NULL);
	if (w->log_inotify >= 0) {
		uv_close((uv_handle_t *)&w->log_poll, NULL);
		(void)close(w->log_inotify); /* nothing is written through it */
	}
}

static void start_timer(struct watch *w, uv_timer_t *timer, uv_timer_cb on_time, uint64_t ms)
{
	(void)uv_timer_init(&w->loop, timer); /* cannot fail: it only fills in the handle */
	timer->data = w;
	if (ms > 0) {
		(void)uv_timer_start(timer, on_time, ms, ms);
	}
}

static int start_handles(struct watch *w, const sigset_t *hang_ups)
{
	static const int numbers[2] = {SIGTERM, SIGINT};
	int result = 0;

	start_timer(w, &w->keep, on_keep, LIVE_LOG_KEEP_MS);
	start_timer(w, &w->commit, on_commit, LIVE_LOG_COMMIT_MS);
	start_timer(w, &w->ask, on_ask, CONTROLLER_MS);
	start_timer(w, &w->look, on_look, CLOCK_LOOK_MS);
	start_timer(w, &w->watchdog, on_watchdog, service_notice_watchdog_ms());
	start_timer(w, &w->reader, on_reader_pause, 0);
	start_timer(w, &w->reread, NULL, 0); /* watch_reread_want says what it calls */
	for (size_t i = 0; i < 2; i++) {
		(void)uv_signal_init(&w->loop, &w->signals[i]); /* fails only without a loop */
		w->signals[i].data = w;
		if (result == 0) {
			result = uv_signal_start(&w->signals[i], on_signal, numbers[i]);
		}
	}
	if (result == 0) {
		result = await_hang_ups(w, hang_ups);
	}
	watch_readers(w);
	return result;
}

static int open_log(struct watch *w)
{
	const char *names[FRAME_BUS_MAX];
	char error[600] = "";
	size_t count = watch_wanted_buses(w->options, &w->settings, names);
	bool rebuilt = false;
	int result = live_log_open(&w->log, w->settings.log_path, error, sizeof(error));

	if (result == 0) {
		result = live_log_begin(w->log, &w->settings, names, count, &w->names, &rebuilt);
		if (result == -ENOSPC) {
			(void)watch_number_buses(&w->names, names, count, error, sizeof(error));
		} else if (result != 0 && live_log_trouble(w->log)[0] != '\0') {
			(void)snprintf(error, sizeof(error), "%s", live_log_trouble(w->log));
		} else if (result != 0) {
			(void)snprintf(error, sizeof(error), "log '%.300s': %s",
				w->settings.log_path, strerror(-result));
		}
	}
	if (result != 0) {
		watch_say("%s", error);
		(void)service_notice_status(error);
	}
	if (rebuilt) {
		watch_say("the state that the log holds is of another version: what was open is "
			  "closed, "
			  "counting begins anew behind it");
	}
	if (result == 0 && live_log_is_waiting(w->log)) {
		tell_trouble(w);
	}
	return result;
}

static int resume(struct watch *w)
{
	struct fact_sink sink = watch_facts_sink(w);
	int result;

	w->queue_sink = live_log_sink(w->log);
	w->pipeline = malloc(pipeline_size());
	if (w->pipeline == NULL) {
		return -ENOMEM;
	}
	pipeline_init(w->pipeline, &w->settings.boat, &sink);
	result = live_log_resume(w->log, w->pipeline);
	watch_name_and_limit_buses(w, w->pipeline, &w->settings);
	watch_read_book(w);
	return result;
}

/* The workers allocate little and seldom; with a heap for each, as glibc has it by default, their
 * memory would only lie there. */
static void share_heap(void)
{
#ifdef M_ARENA_MAX
	(void)mallopt(M_ARENA_MAX, 1); /* else it takes more memory */
#endif
}

/* SIGHUP only ever waits until it is read: from before there is a loop to read it until behind the
 * loop's end, and in every thread, as those that are begun later take this over. Commands that are
 * run do not (uv_spawn). */
static void keep_from_hanging_up(sigset_t *ret_signals)
{
	(void)sigemptyset(ret_signals); /* none of these can fail with these arguments */
	(void)sigaddset(ret_signals, SIGHUP);
	(void)sigprocmask(SIG_BLOCK, ret_signals, NULL);
}

int watch_run(const struct watch_options *options)
{
	struct watch *w = calloc(1, sizeof(*w));
	const char *news;
	sigset_t hang_ups;
	int result;

	if (w == NULL) {
		watch_say("no memory");
		return -ENOMEM;
	}
	share_heap();
	(void)signal(
		SIGPIPE, SIG_IGN); /* a reader of the messages that has gone is no reason to end */
	keep_from_hanging_up(&hang_ups);
	w->options = options;
	w->settings = *options->settings;
	w->log_inotify = -1;
	w->hang_ups = -1;
	result = uv_loop_init(&w->loop);
	if (result != 0) {
		watch_say("cannot begin: %s", strerror(-result));
		free(w);
		return result;
	}
	result = open_log(w);
	if (result != 0) {
		goto close_log; /* it may be open, and what it had to hold first have failed */
	}
	result = resume(w);
	if (result != 0) {
		watch_say("cannot begin: %s", strerror(-result));
		goto close_log;
	}
	(void)clock_watch_look(&w->clock, clock_watch_now(), NULL, 0);
	open_recorder(w);
	open_notify(w);
	watch_open_page(w, false);
	result = start_handles(w, &hang_ups);
	if (result == 0) {
		result = open_buses(w);
	}
	if (result != 0) {
		watch_say("cannot begin: %s", strerror(-result));
		finish(w);
	} else {
		watch_tell_manager(w, "READY=1\n");
	}
	(void)uv_run(&w->loop, UV_RUN_DEFAULT);
	tell_losses(w, true);
	news = recorder_finish(w->recorder);
	if (news != NULL) {
		watch_say("%s", news);
	}
	recorder_close(w->recorder);
	if (result == 0 && live_log_trouble(w->log)[0] != '\0') {
		watch_say("ended without a complete log: %s", live_log_trouble(w->log));
		result = -EIO;
	}

close_log:
	log_store_close(w->book);
	live_log_close(w->log);
	free(w->pipeline);
	(void)uv_loop_close(&w->loop); /* every handle has been closed */
	free(w);
	return result;
}
