/* watch_reread.c: the happy path:
 *   1. watch_reread_want: RELOADING=1; it waits until the file has lain untouched for a moment
 *   2. it is read and judged by itself
 *   3. what can fail is changed, in an order in which it can be undone
 *   4. the rest is changed, told, READY=1
 * What can go wrong:
 *   - the file is written while it is read: it is read again, as long as patience lasts
 *   - it is wrong, empty, gone, or cannot be followed: told, the old one stays as a whole
 *   - the notify command cannot be run: told, the old command stays
 */
#include "daemon/watch_reread.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "daemon/service_notice.h"
#include "daemon/watch_facts.h"
#include "daemon/watch_parts.h"

#define REREAD_PAUSE_MS	   50	/* between two readings of the configuration */
#define REREAD_SETTLE_MS   500	/* its file must have lain untouched so long … */
#define REREAD_PATIENCE_MS 5000 /* … but is not waited for longer than this */
#define NS		   INT64_C(1000000000)

/* The analysis as it stands, under another description of the boat. NULL: no memory, or it cannot
 * go on so. */
static struct pipeline *another_boat(struct watch *w, const struct settings *settings)
{
	struct fact_sink sink = watch_facts_sink(w);
	struct pipeline *changed = malloc(pipeline_size());
	uint8_t *state = malloc(PIPELINE_STATE_MAX);
	struct state_writer writer;
	struct state_reader reader;
	bool loaded = false;

	if (changed != NULL && state != NULL) {
		state_writer_init(&writer, state, PIPELINE_STATE_MAX);
		pipeline_save(w->pipeline, &writer);
		state_reader_init(&reader, state, writer.used);
		pipeline_init(changed, &settings->boat, &sink);
		loaded = pipeline_load(changed, &reader) == 0;
	}
	free(state);
	if (!loaded) {
		free(changed);
		return NULL;
	}
	watch_name_and_limit_buses(w, changed, settings);
	return changed;
}

static void refuse(struct watch *w, const char *why)
{
	watch_say("%s; the old configuration stays", why);
	(void)snprintf(w->refused, sizeof(w->refused), "%s", why);
}

/* What only a restart takes. */
static void tell_restarts(const struct watch *w, const struct settings *settings)
{
	if (!w->options->log_named && strcmp(settings->log_path, w->settings.log_path) != 0) {
		watch_say("[log] path needs a restart; '%s' stays the log", w->settings.log_path);
	}
}

/* The configuration as it is in its file now, as far as it can be judged by itself. */
static int read_anew(const struct watch *w, struct settings *ret_settings, struct bus_names *names,
	char *error, size_t size)
{
	const char *wanted[FRAME_BUS_MAX];
	char **words;
	int result;

	settings_init(ret_settings);
	result = config_read(ret_settings, w->options->config, error, size);
	if (result == 0) {
		result = watch_number_buses(names, wanted,
			watch_wanted_buses(w->options, ret_settings, wanted), error, size);
	}
	if (result == 0 && ret_settings->notify_command[0] != '\0') {
		words = notify_words(ret_settings->notify_command);
		if (words == NULL || words[0][0] == '\0') {
			result = -EINVAL;
			(void)snprintf(error, size,
				"[notify] command: expected a program and its words, each quote "
				"closed");
		}
		free(words);
	}
	/* One that fails already is tried again anyway. */
	if (result == 0 && ret_settings->log.capture_folder[0] != '\0' &&
		strcmp(ret_settings->log.capture_folder, w->settings.log.capture_folder) != 0) {
		result = recorder_try_folder(ret_settings->log.capture_folder);
		if (result != 0) {
			(void)snprintf(error, size,
				"[log] capture_folder: raw frames cannot be kept in "
				"'%.300s': %s",
				ret_settings->log.capture_folder, strerror(-result));
		}
	}
	return result;
}

static bool is_patient(const struct watch *w)
{
	return uv_now(&w->loop) - w->reread_since_ms < REREAD_PATIENCE_MS;
}

/* How long the configuration is better not read yet. Signals that come thick are answered by one
 * reading; a file that was written a moment ago may be half of what it is going to be. */
static uint64_t reread_wait_ms(const struct watch *w)
{
	uint64_t since_ms = uv_now(&w->loop) - w->reread_ms;
	struct stat file;
	int64_t age_ns;

	if (w->reread_ms != 0 && since_ms < REREAD_PAUSE_MS) {
		return REREAD_PAUSE_MS - since_ms;
	}
	if (w->options->config == NULL || stat(w->options->config, &file) != 0) {
		return 0;
	}
	age_ns = clock_watch_now().wall_ns - (file.st_mtim.tv_sec * NS + file.st_mtim.tv_nsec);
	return age_ns >= 0 && age_ns < REREAD_SETTLE_MS * INT64_C(1000000) && is_patient(w)
		       ? REREAD_SETTLE_MS
		       : 0;
}

static bool was_written_since(const struct watch *w, const struct stat *before)
{
	struct stat file;

	return is_patient(w) && stat(w->options->config, &file) == 0 &&
	       (file.st_mtim.tv_sec != before->st_mtim.tv_sec ||
		       file.st_mtim.tv_nsec != before->st_mtim.tv_nsec ||
		       file.st_size != before->st_size || file.st_ino != before->st_ino);
}

static bool same_address(const struct web_settings *one, const struct web_settings *other)
{
	return strcmp(one->address, other->address) == 0 && one->port == other->port;
}

/* What can fail, in an order in which it can be undone. What waits on the buses is counted under
 * the old configuration. Returns 0, or a negative errno with a sentence and everything as it was.
 */
static int change_what_can_fail(struct watch *w, const struct settings *settings,
	struct bus_names *names, struct page_service **ret_page, char *error, size_t size)
{
	struct pipeline *before = w->pipeline;
	struct page_service *page = NULL;
	struct recorder *opened = NULL;
	bool stopped = false;
	int result = 0;

	if (settings->web.address[0] != '\0' && !same_address(&settings->web, &w->settings.web)) {
		/* One address may take in the other, so that both cannot be served on one port. */
		stopped = w->page != NULL && settings->web.port == w->settings.web.port;
		if (stopped) {
			page_service_stop(w->page);
			w->page = NULL;
		}
		result = page_service_start(
			&page, &w->loop, settings, w->settings.log_path, error, size);
		if (result != 0) {
			page = NULL;
			goto take_page_back;
		}
	}
	if (settings->log.capture_folder[0] != '\0' && w->recorder == NULL) {
		result = recorder_open(&opened, settings->log.capture_folder, &w->names,
			watch_capture_bytes(&settings->log), watch_capture_age_s(&settings->log));
		if (result != 0) {
			opened = NULL;
			(void)snprintf(
				error, size, "raw frames cannot be kept: %s", strerror(-result));
			goto take_page_back;
		}
	}
	bus_watch_drain(w->buses);
	w->pipeline = another_boat(w, settings);
	if (w->pipeline == NULL) {
		result = -ENOMEM;
		(void)snprintf(error, size, "the boat cannot be changed while it is watched");
		goto take_back;
	}
	result = watch_change_buses(w, settings, names);
	if (result != 0) {
		(void)snprintf(error, size, "cannot watch the buses: %s", strerror(-result));
		free(w->pipeline);
		goto take_back;
	}
	free(before);
	w->recorder = opened != NULL ? opened : w->recorder;
	*ret_page = page;
	return 0;

take_back:
	w->pipeline = before;
	recorder_close(opened); /* nothing was put into it */
take_page_back:
	page_service_stop(page);
	if (stopped) {
		watch_open_page(w, false);
	}
	return result;
}

/* A bus that is not watched any more has no trouble that anybody could mend. */
static void excuse_old_buses(struct watch *w, const struct settings *before)
{
	const char *names[FRAME_BUS_MAX];
	size_t count = watch_wanted_buses(w->options, before, names);

	for (size_t i = 0; i < count; i++) {
		int number = bus_names_find(&w->names, names[i], strlen(names[i]));
		bool watched = false;

		for (size_t k = 0; k < bus_watch_count(w->buses); k++) {
			watched |= strcmp(bus_watch_status(w->buses, k)->interface, names[i]) == 0;
		}
		if (number >= 0 && !watched) {
			pipeline_bus_word(w->pipeline, (unsigned)number, BUS_TROUBLE_NONE,
				clock_watch_now().wall_ns);
		}
	}
}

static void change_page(struct watch *w, const struct settings *before, struct page_service *page)
{
	if (page == NULL && memcmp(before, &w->settings, sizeof(*before)) == 0 && w->page != NULL) {
		return; /* whoever looks at it goes on looking */
	}
	page_service_stop(w->page);
	w->page = page;
	if (page == NULL) {
		watch_open_page(w, false);
	} else {
		watch_say("the boat's page is at %s", page_service_address(page));
	}
}

/* Takes the configuration as it is in its file now; false when it is just being written. */
static bool take_configuration(struct watch *w)
{
	struct stat file = {0};
	struct settings before, settings;
	struct bus_names names = w->names;
	struct page_service *page = NULL;
	char error[600];
	int result;

	(void)stat(w->options->config, &file); /* when it cannot be read, that is told */
	result = read_anew(w, &settings, &names, error, sizeof(error));
	if (was_written_since(w, &file)) {
		return false;
	}
	if (result == 0 && file.st_size == 0) {
		result = -EINVAL;
		(void)snprintf(
			error, sizeof(error), "configuration '%s' is empty", w->options->config);
	}
	watch_read_book(w);
	before = w->settings;
	if (result == 0) {
		tell_restarts(w, &settings);
		/* These are the log's and the service book's, not the file's. */
		memcpy(settings.log_path, before.log_path, sizeof(settings.log_path));
		memcpy(settings.boat.works, before.boat.works, sizeof(settings.boat.works));
		settings.boat.work_count = before.boat.work_count;
		settings_number_buses(&settings, &names);
		result = change_what_can_fail(w, &settings, &names, &page, error, sizeof(error));
	}
	if (result != 0) {
		refuse(w, error);
		return true;
	}
	w->settings = settings;
	w->names = names;
	watch_name_and_limit_buses(w, w->pipeline, &w->settings);
	excuse_old_buses(w, &before);
	if (w->recorder != NULL) {
		recorder_change(w->recorder, settings.log.capture_folder,
			watch_capture_bytes(&settings.log), watch_capture_age_s(&settings.log));
		watch_record(w, false);
	}
	live_log_describe(w->log, &settings, &w->names);
	w->want_commit |= live_log_wants_commit_now(w->log);
	watch_next_job(w);
	change_page(w, &before, page);
	watch_change_notify(w);
	w->refused[0] = '\0';
	watch_say("the configuration was reread");
	return true;
}

static void on_reread(uv_timer_t *timer)
{
	struct watch *w = timer->data;
	uint64_t wait_ms = reread_wait_ms(w);

	if (wait_ms == 0 && w->options->config == NULL) {
		watch_say("there is no configuration to reread");
	} else if (wait_ms == 0 && !take_configuration(w)) {
		wait_ms = REREAD_SETTLE_MS;
	}
	if (wait_ms > 0) {
		(void)uv_timer_start(timer, on_reread, wait_ms, 0);
		return;
	}
	w->reread_wanted = false;
	w->reread_ms = uv_now(&w->loop);
	watch_tell_manager(w, "READY=1\n");
}

void watch_reread_want(struct watch *w)
{
	if (w->stopping || w->reread_wanted) {
		return; /* the one to come reads what is new by then */
	}
	(void)service_notice("RELOADING=1");
	w->reread_wanted = true;
	w->reread_since_ms = uv_now(&w->loop);
	on_reread(&w->reread);
}
