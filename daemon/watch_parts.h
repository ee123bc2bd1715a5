/* watch_parts.h: what the files of watch share among themselves; nobody else includes it.
 *
 * All of it belongs to the loop's thread. What a worker has in hand meanwhile, live_log and
 * recorder say of themselves.
 */
#ifndef SIGHTBOWL_DAEMON_WATCH_PARTS_H
#define SIGHTBOWL_DAEMON_WATCH_PARTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <uv.h>

#include "analysis/facts.h"
#include "analysis/pipeline.h"
#include "daemon/bus_watch.h"
#include "daemon/clock_watch.h"
#include "daemon/live_log.h"
#include "daemon/log_store.h"
#include "daemon/notify.h"
#include "daemon/page_service.h"
#include "daemon/print_format.h"
#include "daemon/recorder.h"
#include "daemon/watch.h"

#define WATCH_SHELF_MAX 64

struct watch {
	uv_loop_t loop;
	const struct watch_options *options;
	struct settings settings;
	struct bus_names names;
	struct fact_sink queue_sink;
	struct live_log *log;
	struct pipeline *pipeline;
	struct recorder *recorder;
	struct notify *notify;
	int64_t shelved[WATCH_SHELF_MAX]; /* events of which nothing is to be told now */
	size_t shelved_count;
	struct page_service *page; /* NULL: none is served */
	struct log_store *book;	   /* a reader of the service book; NULL: not open yet */
	struct bus_watch *buses;
	struct clock_watch clock;
	int64_t session;      /* of the log, the last one heard of … */
	bool has_bus_time;    /* … in which the bus told the time, and that was … */
	int64_t bus_ahead_ns; /* … so far ahead of the machine's clock */
	uv_signal_t signals[2];
	uv_poll_t hang_up_poll;
	int hang_ups; /* signalfd(2) of SIGHUP; -1: none */
	uv_timer_t keep;
	uv_timer_t commit;
	uv_timer_t ask;
	uv_timer_t look;
	uv_timer_t watchdog;
	uv_timer_t reader;
	uv_timer_t reread;
	uv_poll_t log_poll;
	int log_inotify; /* -1: none */
	uv_work_t log_work;
	uv_work_t record_work;
	bool want_keep;
	bool want_commit;
	bool recording; /* record_work is under way */
	bool stopping;
	bool closed;
	bool reread_wanted;	  /* the configuration is to be reread … */
	uint64_t reread_since_ms; /* … since this time of the loop */
	uint64_t reread_ms;	  /* and was last then; 0: never */
	char refused[600]; /* why the configuration that was to be taken was not; "": it was */
	char told_trouble[600];
	uint64_t told_trouble_ms;
	uint64_t told_dropped;
};

/* A sentence to standard error, with whose it is. */
PRINT_FORMAT(1, 2) void watch_say(const char *format, ...);
/* What the service manager shows of it, behind more: whole lines that it is to know too, or "". */
void watch_tell_manager(const struct watch *w, const char *more);

/* Begins what is wanted of the log (want_commit, want_keep), when no job is under way. */
void watch_next_job(struct watch *w);
/* Takes the works and the shelf from the service book into settings.boat, the pipeline and shelved.
 * A log that cannot be read now leaves them as they are, and is read next time. */
void watch_read_book(struct watch *w);

/* The interfaces to watch, from the command line, the configuration, or the usual one; the names
 * are those of options and settings. Returns how many. */
size_t watch_wanted_buses(const struct watch_options *options, const struct settings *settings,
	const char *names[FRAME_BUS_MAX]);
/* Numbers the wanted buses. Returns 0, or -ENOSPC with the sentence in error when none is left for
 * one. */
int watch_number_buses(struct bus_names *numbers, const char *const *names, size_t count,
	char *error, size_t size);
/* Watches the buses that settings want, which have their numbers, instead of those watched till
 * now. Returns as bus_watch_change does. */
int watch_change_buses(struct watch *w, const struct settings *settings, struct bus_names *numbers);
/* Tells the pipeline the names of the log's buses, and which protocol settings limit each to. */
void watch_name_and_limit_buses(
	struct watch *w, struct pipeline *pipeline, const struct settings *settings);

/* Lets the recorder's worker write what waits, when there is a recorder and it is idle; now: also
 * what would wait longer. */
void watch_record(struct watch *w, bool now);
/* How much the recorder may keep, and how long. */
uint64_t watch_capture_bytes(const struct log_settings *settings);
int64_t watch_capture_age_s(const struct log_settings *settings);

/* Follows settings: another command, one more, or none any more. What fails is told. */
void watch_change_notify(struct watch *w);
/* Serves the page that settings want, if any; what fails is told, unless again: after a try that
 * failed, which was told. */
void watch_open_page(struct watch *w, bool again);

#endif
