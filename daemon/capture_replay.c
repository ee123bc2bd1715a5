/* capture_replay.c: as steps: open the captures; read the head; recognise; find the place; feed, lane
 * by lane, committing every second at the end of a window; tell what is open; mark as complete.
 *
 * A commit holds the capture's progress and the lane's state together, so whatever cuts the replay,
 * the next one goes on behind the last frame that was committed.
 */
#include "daemon/book_works.h"
#include "daemon/capture_replay.h"

#include <assert.h>
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/capture_identity.h"
#include "daemon/log_lane.h"
#include "daemon/print_format.h"
#include "daemon/progress.h"

#define BATCH_FRAMES     8192
#define COMMIT_PERIOD_NS INT64_C(1000000000)

struct replay {
	const struct capture_replay_options *options;
	struct capture_replay *report;
	struct progress progress;
	struct bus_names buses;
	size_t capture_count;
	struct capture *captures[REPLAY_CAPTURES_MAX]; /* the merge's, once there is one */
	struct capture_merge *merge;
	uint64_t size; /* bytes of all files; 0: not known */
	bool read_failed;

	struct frame batch[BATCH_FRAMES];
	size_t batch_at;
	size_t batch_count;
	bool ended;

	struct capture_identity identity;
	struct log_capture capture; /* this stream's row */
	bool was_known;
	bool was_complete;
	struct log_stretch *stretches;
	size_t stretch_count;
	size_t stretch; /* the one looked at last */

	struct fact_sink store_sink;
	struct log_lane *lane;
	uint64_t counters_before[DECODER_COUNTER_COUNT]; /* of the lane's decoder, when it was opened */
	uint64_t fed;
	bool commit_due;
	int64_t committed_ns;
};

PRINT_FORMAT(3, 4)
static int fail(struct replay *r, int error, const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	(void)vsnprintf(r->report->error, sizeof(r->report->error), format, arguments);
	va_end(arguments);
	return error;
}

static int store_failed(struct replay *r, int error)
{
	if (error == -ENOMEM) {
		return fail(r, error, "no memory left");
	}
	return fail(r, error, "%s", log_store_error(r->options->store));
}

/* ---- reading ---- */

static void close_captures(struct replay *r)
{
	if (r->merge != NULL) {
		capture_merge_close(r->merge);
	} else {
		for (size_t i = 0; i < r->capture_count; i++) {
			capture_close(r->captures[i]);
		}
	}
	r->merge = NULL;
	r->capture_count = 0;
}

static int open_captures(struct replay *r)
{
	struct capture_options options = {
		.has_start = r->options->has_start,
		.start_ns = r->options->start_ns,
	};
	size_t undated = 0, started = 0;
	int result;

	r->batch_at = r->batch_count = 0;
	r->ended = false;
	r->size = 0;
	for (size_t i = 0; i < r->options->count; i++) {
		char sentence[512] = "";
		result = capture_open(&r->captures[i], r->options->paths[i], &r->buses, &options,
			sentence, sizeof(sentence));
		if (result != 0) {
			return fail(r, result, "%s", sentence);
		}
		r->capture_count = i + 1;
		undated += capture_clock(r->captures[i]) == CAPTURE_CLOCK_UNKNOWN;
		started += capture_clock(r->captures[i]) == CAPTURE_CLOCK_STARTED;
		r->size += capture_size(r->captures[i]);
	}
	for (size_t i = 0; i < r->capture_count; i++) {
		r->size = capture_size(r->captures[i]) == 0 ? 0 : r->size;
	}
	if (r->capture_count > 1 && undated + started > 0) {
		return fail(r, -EINVAL, "a capture without a date among several: their order is not "
			"known; replay it alone, with --start TIME if you know it");
	}
	r->report->undated = undated > 0;
	capture_identity_init(&r->identity, &r->buses, undated + started == 0);
	result = capture_merge_open(&r->merge, r->captures, r->capture_count);
	return result == 0 ? 0 : fail(r, result, "no memory left");
}

static void show_progress(struct replay *r)
{
	uint64_t position = 0;

	for (size_t i = 0; i < r->capture_count && r->size > 0; i++) {
		position += capture_position(r->captures[i]);
	}
	progress_show(&r->progress, r->identity.frames, position, r->size);
}

/* Reads more behind what the batch holds. A capture that cannot be read further is told once. */
static void read_more(struct replay *r)
{
	while (!r->ended && r->batch_count < BATCH_FRAMES) {
		int64_t got = capture_merge_read(r->merge, r->batch + r->batch_count,
			BATCH_FRAMES - r->batch_count);
		if (got == 0) {
			r->ended = true;
		} else if (got < 0) {
			const struct capture *failed = capture_merge_failed(r->merge);
			(void)fail(r, (int)got, "cannot read '%s' further: %s",
				failed == NULL ? "?" : capture_path(failed), strerror((int)-got));
			r->read_failed = true;
		} else {
			r->batch_count += (size_t)got;
			return;
		}
	}
}

/* Makes sure that the batch holds frames; false at the end. */
static bool have_frames(struct replay *r)
{
	if (r->batch_at == r->batch_count) {
		r->batch_at = r->batch_count = 0;
		read_more(r);
	}
	return r->batch_at < r->batch_count;
}

/* Counts frames as read. */
static void consume(struct replay *r, size_t count)
{
	const struct frame *frames = r->batch + r->batch_at;

	capture_identity_add(&r->identity, frames, count);
	if (count > 0) {
		int64_t last_ns = frames[count - 1].t_ns;
		if (r->capture.frames == 0) {
			r->capture.raw_first_ns = frames[0].t_ns;
			r->capture.raw_last_ns = last_ns;
		}
		r->capture.raw_last_ns = last_ns > r->capture.raw_last_ns ? last_ns
									  : r->capture.raw_last_ns;
	}
	r->capture.frames += count;
	r->batch_at += count;
}

/* ---- recognising ---- */

/* The captures that the log knows. */
struct known_captures {
	struct log_capture *rows;
	size_t count;
	size_t size;
	bool no_memory;
};

static bool keep_known(void *context, const struct log_capture *capture)
{
	struct known_captures *known = context;

	if (known->count == known->size) {
		size_t size = known->size == 0 ? 16 : known->size * 2;
		struct log_capture *rows = realloc(known->rows, size * sizeof(*rows));
		if (rows == NULL) {
			known->no_memory = true;
			return false;
		}
		known->rows = rows;
		known->size = size;
	}
	known->rows[known->count++] = *capture;
	return true;
}

static int compare_frames(const void *a, const void *b)
{
	const struct log_capture *first = a, *second = b;

	return (first->frames > second->frames) - (first->frames < second->frames);
}

/* Keeps those that begin like this stream; notes this stream's own head. */
static void match_heads(struct replay *r, struct known_captures *known)
{
	struct capture_identity probe;
	uint8_t digest[CAPTURE_DIGEST_BYTES];
	size_t head, kept = 0;

	while (!r->ended && r->batch_count < CAPTURE_HEAD_FRAMES) {
		read_more(r);
	}
	head = r->batch_count < CAPTURE_HEAD_FRAMES ? r->batch_count : CAPTURE_HEAD_FRAMES;
	for (size_t k = 0; k < known->count; k++) {
		struct log_capture *row = &known->rows[k];
		if (row->head_frames > head) {
			continue;
		}
		capture_identity_init(&probe, &r->buses, r->identity.dated);
		capture_identity_add(&probe, r->batch, (size_t)row->head_frames);
		capture_identity_digest(&probe, digest);
		if (memcmp(digest, row->head_digest, sizeof(digest)) == 0) {
			known->rows[kept++] = *row;
		}
	}
	known->count = kept;
	capture_identity_init(&probe, &r->buses, r->identity.dated);
	capture_identity_add(&probe, r->batch, head);
	capture_identity_digest(&probe, r->capture.head_digest);
	r->capture.head_frames = head;
}

/* Reads, and only counts, up to so many frames; false when the stream ends before. */
static bool read_up_to(struct replay *r, uint64_t frames)
{
	while (r->identity.frames < frames && have_frames(r)) {
		uint64_t wanted = frames - r->identity.frames;
		size_t there = r->batch_count - r->batch_at;
		consume(r, there < wanted ? there : (size_t)wanted);
		show_progress(r);
		if (r->options->stop != NULL && *r->options->stop) {
			break;
		}
	}
	return r->identity.frames == frames;
}

/* Starts reading over, and reads up to so many frames. */
static int read_again(struct replay *r, uint64_t frames)
{
	int result;

	for (size_t i = 0; i < r->options->count; i++) {
		if (strcmp(r->options->paths[i], "-") == 0) {
			return fail(r, -ESPIPE, "standard input begins like a capture that was replayed "
				"but goes on in another way, and cannot be read twice; give the file's "
				"name");
		}
	}
	close_captures(r);
	r->capture.frames = 0;
	result = open_captures(r);
	if (result == 0 && !read_up_to(r, frames)) {
		result = fail(r, -EIO, "a capture changed while it was read");
	}
	return result;
}

/* Finds out whether the log knows this stream, and goes to where it was read to. */
static int recognise(struct replay *r)
{
	struct known_captures known = {NULL, 0, 0, false};
	struct log_capture best = {.capture = 0};
	struct log_capture fresh;
	int result = log_store_captures(r->options->store, keep_known, &known);

	if (result != 0 || known.no_memory) {
		free(known.rows);
		return store_failed(r, result != 0 ? result : -ENOMEM);
	}
	match_heads(r, &known);
	fresh = r->capture;
	if (known.count > 1) {
		qsort(known.rows, known.count, sizeof(*known.rows), compare_frames);
	}
	for (size_t k = 0; k < known.count && read_up_to(r, known.rows[k].frames); k++) {
		uint8_t digest[CAPTURE_DIGEST_BYTES];
		capture_identity_digest(&r->identity, digest);
		if (memcmp(digest, known.rows[k].digest, sizeof(digest)) == 0) {
			best = known.rows[k];
		}
	}
	free(known.rows);
	if (r->options->stop != NULL && *r->options->stop) {
		return 0;
	}
	if (r->identity.frames != best.frames) {
		result = read_again(r, best.frames);
		if (result != 0) {
			return result;
		}
	}
	r->was_known = best.capture != 0;
	r->was_complete = best.complete;
	r->capture = r->was_known ? best : fresh;
	r->report->resumed_at = r->was_known ? best.frames : 0;
	return 0;
}

/* ---- lanes ---- */

static void on_run(void *context, const struct fact_run *run)
{
	struct replay *r = context;

	if (r->report->first_run == 0 || run->run < r->report->first_run) {
		r->report->first_run = run->run;
	}
	r->store_sink.on_run(r->store_sink.context, run);
}

static void on_session(void *context, const struct fact_session *fact)
{
	struct replay *r = context;

	r->store_sink.on_session(r->store_sink.context, fact);
}

static void on_slot(void *context, const struct fact_slot *fact)
{
	struct replay *r = context;

	r->store_sink.on_slot(r->store_sink.context, fact);
}

static void on_window(void *context, const struct fact_window *fact)
{
	struct replay *r = context;

	r->store_sink.on_window(r->store_sink.context, fact);
}

static void on_run_withdrawn(void *context, int64_t run)
{
	struct replay *r = context;

	r->store_sink.on_run_withdrawn(r->store_sink.context, run);
}

static void on_trip(void *context, const struct fact_trip *fact)
{
	struct replay *r = context;

	r->store_sink.on_trip(r->store_sink.context, fact);
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	struct replay *r = context;

	r->store_sink.on_trip_withdrawn(r->store_sink.context, trip);
}

static void on_filter(void *context, const struct fact_filter *fact)
{
	struct replay *r = context;

	r->store_sink.on_filter(r->store_sink.context, fact);
}

static void on_burn(void *context, const struct fact_burn *fact)
{
	struct replay *r = context;

	r->store_sink.on_burn(r->store_sink.context, fact);
}

static void on_tank(void *context, const struct fact_tank *fact)
{
	struct replay *r = context;

	r->store_sink.on_tank(r->store_sink.context, fact);
}

static void on_refuelling(void *context, const struct fact_refuelling *fact)
{
	struct replay *r = context;

	r->store_sink.on_refuelling(r->store_sink.context, fact);
}

static void on_fault(void *context, const struct fact_fault *fact)
{
	struct replay *r = context;

	r->store_sink.on_fault(r->store_sink.context, fact);
}

static void on_event(void *context, const struct fact_event *fact)
{
	struct replay *r = context;

	r->store_sink.on_event(r->store_sink.context, fact);
}

static int commit(struct replay *r)
{
	struct log_store *store = r->options->store;
	int result = log_store_put_buses(store, &r->buses);

	capture_identity_digest(&r->identity, r->capture.digest);
	if (result == 0) {
		result = log_store_put_capture(store, &r->capture);
	}
	if (result == 0) {
		result = log_lane_commit(r->lane, r->capture.capture, r->capture.frames);
	}
	r->commit_due = false;
	r->committed_ns = progress_now_ns();
	return result == 0 ? 0 : store_failed(r, result);
}

static int open_lane(struct replay *r, const char *name)
{
	enum log_lane_opening opening;
	uint64_t frames;
	int result = log_lane_open(r->lane, name, &opening);

	if (result != 0) {
		return store_failed(r, result);
	}
	if (opening == LANE_REBUILT) {
		r->report->rebuilt = true;
		(void)fail(r, 0, "the log's record of what was open could not be understood (another "
			"version wrote it, or it is damaged); everything logged is kept, and a new "
			"session begins");
	}
	if (opening != LANE_RESUMED ||
		log_lane_capture(r->lane, &frames) != r->capture.capture) {
		pipeline_capture_begins(log_lane_pipeline(r->lane), r->capture.undated);
	}
	memcpy(r->counters_before, pipeline_decoder(log_lane_pipeline(r->lane))->counters,
		sizeof(r->counters_before));
	return 0;
}

static void count_lane(struct replay *r)
{
	const uint64_t *now = pipeline_decoder(log_lane_pipeline(r->lane))->counters;

	for (size_t i = 0; i < DECODER_COUNTER_COUNT; i++) {
		r->report->counters[i] += now[i] - r->counters_before[i];
	}
}

/* Frames that the log has come up: what the lane did stands committed, and it is put aside. */
static int leave_lane(struct replay *r)
{
	const char *name = log_lane_name(r->lane);
	int result = 0;

	if (name == NULL) {
		return 0;
	}
	count_lane(r);
	if (strcmp(name, LANE_EARLIER) == 0) {
		result = log_lane_finish(r->lane);
		if (result == 0) {
			result = log_store_withdraw_inferred(r->options->store);
		}
		return result == 0 ? commit(r) : store_failed(r, result);
	}
	pipeline_snapshot(log_lane_pipeline(r->lane));
	result = commit(r);
	log_lane_leave(r->lane);
	return result;
}

/* The lane for a frame that is new. */
static int choose_lane(struct replay *r, int64_t t_ns)
{
	uint64_t frames;
	int result;

	if (log_lane_name(r->lane) != NULL) {
		return 0;
	}
	if (r->capture.undated || t_ns > r->capture.behind_ns) {
		return open_lane(r, LANE_MAIN);
	}
	result = open_lane(r, LANE_EARLIER);
	if (result == 0 && log_lane_capture(r->lane, &frames) != 0 &&
		log_lane_capture(r->lane, &frames) != r->capture.capture) {
		/* Another capture's: nothing more of it will come here. */
		result = log_lane_finish(r->lane);
		if (result != 0) {
			return store_failed(r, result);
		}
		result = open_lane(r, LANE_EARLIER);
	}
	return result;
}

/* ---- what is new ---- */

static int use_present_stretches(struct replay *r)
{
	struct log_store *store = r->options->store;
	size_t kept = 0;
	int result;

	free(r->stretches);
	r->stretches = NULL;
	r->stretch_count = 0;
	r->capture.behind_ns = INT64_MIN;
	if (!r->capture.undated) {
		result = log_store_stretches(store, &r->stretches, &r->stretch_count);
		if (result != 0) {
			return store_failed(r, result);
		}
	}
	if (r->stretch_count > 0) {
		r->capture.behind_ns = r->stretches[r->stretch_count - 1].last_ns;
	}
	for (size_t i = 0; i < r->stretch_count; i++) {
		if (r->stretches[i].last_ns >= r->capture.raw_first_ns) {
			r->stretches[kept++] = r->stretches[i];
		}
	}
	r->stretch_count = kept;
	result = log_store_put_capture_stretches(store, r->capture.capture, r->stretches, kept);
	return result == 0 ? 0 : store_failed(r, result);
}

/* Which lane stands exactly where this capture was read to. */
static int find_lane(struct replay *r, const char **ret_name, bool *ret_untouched)
{
	static const char *const names[] = {LANE_MAIN, LANE_EARLIER};

	*ret_name = NULL;
	*ret_untouched = true;
	for (size_t i = 0; i < 2; i++) {
		struct log_checkpoint checkpoint;
		uint8_t *state;
		int result = log_store_checkpoint(r->options->store, names[i], &checkpoint, &state);
		if (result == -ENOENT) {
			continue;
		}
		if (result != 0) {
			return store_failed(r, result);
		}
		free(state);
		if (checkpoint.capture == r->capture.capture &&
			checkpoint.frames == r->capture.frames) {
			*ret_name = names[i];
		} else if (checkpoint.capture == 0 || checkpoint.capture > r->capture.capture) {
			*ret_untouched = false; /* something else was logged since */
		}
	}
	return 0;
}

static void name_capture(struct replay *r)
{
	if (r->options->count == 1) {
		(void)snprintf(r->capture.name, sizeof(r->capture.name), "%s", r->options->paths[0]);
	} else {
		(void)snprintf(r->capture.name, sizeof(r->capture.name), "%.200s and %zu more",
			r->options->paths[0], r->options->count - 1);
	}
}

/* Prepares the capture's row, what of it is known, and the lane it stands in. */
static int begin(struct replay *r)
{
	const char *lane = NULL;
	bool untouched = false;
	int result;

	result = log_store_put_boat(r->options->store, r->options->settings->boat.name,
		r->options->settings->boat.fuel_density_kgl);
	if (result != 0) {
		return store_failed(r, result);
	}
	if (r->was_known) {
		result = find_lane(r, &lane, &untouched);
		if (result != 0) {
			return result;
		}
	} else {
		name_capture(r);
		r->capture.undated = r->report->undated;
		r->capture.raw_first_ns = r->batch_at < r->batch_count ? r->batch[r->batch_at].t_ns : 0;
		capture_identity_digest(&r->identity, r->capture.digest);
	}
	r->capture.complete = false;
	result = log_store_put_capture(r->options->store, &r->capture);
	if (result != 0) {
		return store_failed(r, result);
	}
	if (r->was_known && (lane != NULL || untouched)) {
		result = log_store_capture_stretches(r->options->store, r->capture.capture,
			&r->stretches, &r->stretch_count);
		if (result != 0) {
			return store_failed(r, result);
		}
	} else {
		result = use_present_stretches(r);
	}
	return result == 0 && lane != NULL ? open_lane(r, lane) : result;
}

/* Whether the log covers a time; *ret_until: up to where the same answer holds. */
static bool covered(struct replay *r, int64_t t_ns, int64_t *ret_from, int64_t *ret_until)
{
	size_t low = 0, high = r->stretch_count;

	/* The first stretch that ends at or behind t. */
	if (r->stretch < high && r->stretches[r->stretch].last_ns >= t_ns &&
		(r->stretch == 0 || r->stretches[r->stretch - 1].last_ns < t_ns)) {
		low = r->stretch;
	} else {
		while (low < high) {
			size_t middle = low + (high - low) / 2;
			if (r->stretches[middle].last_ns < t_ns) {
				low = middle + 1;
			} else {
				high = middle;
			}
		}
		r->stretch = low;
	}
	bool inside = low < r->stretch_count && r->stretches[low].first_ns <= t_ns;
	if (inside) {
		*ret_from = r->stretches[low].first_ns;
		*ret_until = r->stretches[low].last_ns;
	} else {
		*ret_from = low == 0 ? INT64_MIN : r->stretches[low - 1].last_ns + 1;
		*ret_until = low == r->stretch_count ? INT64_MAX : r->stretches[low].first_ns - 1;
	}
	return inside;
}

/* Feeds the lane, to the end of a window when a commit is due. */
static int feed(struct replay *r, size_t count)
{
	struct pipeline *pipeline = log_lane_pipeline(r->lane);
	const struct frame *frames = r->batch + r->batch_at;
	size_t took = count;

	if (r->commit_due) {
		took = pipeline_frames_to_window(pipeline, frames, count);
	} else {
		pipeline_frames(pipeline, frames, count);
	}
	consume(r, took);
	r->fed += took;
	return r->commit_due && took < count ? commit(r) : 0;
}

/* Takes the frames that the batch holds. */
static int take_batch(struct replay *r)
{
	while (r->batch_at < r->batch_count) {
		const struct frame *frames = r->batch + r->batch_at;
		size_t there = r->batch_count - r->batch_at, count = 1;
		int64_t from_ns = INT64_MIN, until_ns = INT64_MAX;
		bool known = r->stretch_count > 0 &&
			covered(r, frames[0].t_ns, &from_ns, &until_ns);
		int result;

		if (r->stretch_count == 0) {
			count = there;
		}
		while (count < there && frames[count].t_ns >= from_ns &&
			frames[count].t_ns <= until_ns) {
			count++;
		}
		if (known) {
			result = leave_lane(r);
			r->capture.known += count;
			consume(r, count);
			if (result == 0 && r->commit_due && r->fed > 0) {
				result = commit(r);
			}
		} else {
			result = choose_lane(r, frames[0].t_ns);
			if (result == 0) {
				result = feed(r, count);
			}
		}
		if (result != 0) {
			return result;
		}
	}
	return 0;
}

/* The end, or a stop: everything is told as it stands. */
static int end_replay(struct replay *r, bool complete)
{
	int result;

	if (log_lane_name(r->lane) != NULL) {
		count_lane(r);
		pipeline_snapshot(log_lane_pipeline(r->lane));
	}
	result = log_store_settle(r->options->store);
	if (result == 0) {
		result = log_store_withdraw_inferred(r->options->store);
	}
	if (result != 0) {
		return store_failed(r, result);
	}
	r->capture.complete = complete;
	return commit(r);
}

static int replay_stream(struct replay *r)
{
	const volatile sig_atomic_t *stop = r->options->stop;
	int64_t period_ns = r->options->commit_ns > 0 ? r->options->commit_ns : COMMIT_PERIOD_NS;
	int result = recognise(r);

	if (result != 0) {
		return result;
	}
	if (stop != NULL && *stop) {
		r->report->end = REPLAY_STOPPED;
		return 0;
	}
	if (r->was_known && r->was_complete && !have_frames(r)) {
		r->report->end = REPLAY_SAME;
		return fail(r, 0, "this was replayed already (%llu frames, as '%s'); nothing was changed",
			(unsigned long long)r->capture.frames, r->capture.name);
	}
	(void)have_frames(r); /* the first one's time is wanted; there may be none */
	result = begin(r);
	while (result == 0 && (stop == NULL || !*stop) && have_frames(r)) {
		result = take_batch(r);
		show_progress(r);
		if (progress_now_ns() - r->committed_ns >= period_ns) {
			r->commit_due = true;
		}
	}
	if (result != 0) {
		return result;
	}
	bool stopped = stop != NULL && *stop && (r->batch_at < r->batch_count || !r->ended);
	if (r->fed == 0 && !stopped && (!r->was_known || r->was_complete)) {
		r->report->end = r->read_failed ? REPLAY_READ_FAILED : REPLAY_NOTHING_NEW;
		if (r->read_failed) {
			return 0;
		}
		return fail(r, 0, r->capture.frames == 0
			? "there is no frame in it; nothing was changed"
			: "all of it lies in time that the log covers already; nothing was changed");
	}
	if (r->fed == 0 && stopped) {
		r->report->end = REPLAY_STOPPED;
		return 0;
	}
	r->report->end = stopped ? REPLAY_STOPPED
		: r->read_failed ? REPLAY_READ_FAILED
				 : REPLAY_COMPLETE;
	return end_replay(r, r->report->end == REPLAY_COMPLETE);
}

static void report_files(struct replay *r)
{
	r->report->file_count = r->capture_count;
	r->report->copies = r->merge != NULL ? capture_merge_copies(r->merge) : 0;
	for (size_t i = 0; i < r->capture_count; i++) {
		struct replayed_file *file = &r->report->files[i];
		const struct capture *capture = r->captures[i];
		file->path = r->options->paths[i];
		(void)snprintf(file->format, sizeof(file->format), "%s", capture_format(capture));
		(void)snprintf(file->compression, sizeof(file->compression), "%s",
			capture_compression(capture));
		file->damage = *capture_damage(capture);
		file->dropped = capture_dropped(capture);
		file->clock = capture_clock(capture);
	}
}

int capture_replay_run(const struct capture_replay_options *options,
	struct capture_replay *ret_replay)
{
	struct replay *r = calloc(1, sizeof(*r));
	struct fact_sink sink;
	int result;

	memset(ret_replay, 0, sizeof(*ret_replay));
	if (r == NULL) {
		(void)snprintf(ret_replay->error, sizeof(ret_replay->error), "no memory left");
		return -ENOMEM;
	}
	assert(options->count >= 1 && options->count <= REPLAY_CAPTURES_MAX);
	r->options = options;
	r->report = ret_replay;
	r->store_sink = log_store_sink(options->store);
	sink = (struct fact_sink){
		.context = r,
		.on_session = on_session,
		.on_slot = on_slot,
		.on_window = on_window,
		.on_run = on_run,
		.on_run_withdrawn = on_run_withdrawn,
		.on_trip = on_trip,
		.on_trip_withdrawn = on_trip_withdrawn,
		.on_event = on_event,
		.on_filter = on_filter,
		.on_burn = on_burn,
		.on_tank = on_tank,
		.on_refuelling = on_refuelling,
		.on_fault = on_fault,
	};
	progress_init(&r->progress, "replay");
	r->committed_ns = progress_now_ns();
	result = log_store_buses(options->store, &r->buses);
	if (result == 0) {
		result = book_works_load(log_store_db(options->store), &options->settings->boat);
	}
	if (result != 0) {
		result = store_failed(r, result);
		goto end;
	}
	settings_number_buses(options->settings, &r->buses);
	result = log_lane_create(&r->lane, options->store, options->settings, &r->buses, &sink);
	if (result != 0) {
		result = fail(r, result, "no memory left");
		goto end;
	}
	result = open_captures(r);
	if (result == 0) {
		result = replay_stream(r);
	}
	report_files(r);
	ret_replay->frames = r->capture.frames;
	ret_replay->known = r->capture.known;
	ret_replay->raw_first_ns = r->capture.raw_first_ns;
	ret_replay->raw_last_ns = r->capture.raw_last_ns;
	ret_replay->seconds = (double)(progress_now_ns() - r->progress.started_ns) * 1e-9;
end:
	progress_clear(&r->progress);
	close_captures(r);
	log_lane_destroy(r->lane);
	free(r->stretches);
	free(r);
	return result;
}
