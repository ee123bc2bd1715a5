/* Several captures as one stream. There are few of them, so the next frame is found by looking at
 * each; one look serves for as many frames as its file may give before another file's turn.
 *
 * Captures that overlap hold the same frames, with the same times and in the same order: as one is
 * given, the others' copies of it stand next, and are passed over. */
#include "replay/capture.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define MERGE_BATCH 512u

struct merge_lane {
	struct capture *capture;
	bool ended;
	size_t at;
	size_t count;
	struct frame frames[MERGE_BATCH];
};

struct capture_merge {
	size_t count;
	struct merge_lane *lanes;
	int error;
	const struct capture *failed;
	uint64_t copies; /* frames passed over, as another capture gave them */
};

int capture_merge_open(struct capture_merge **ret_merge, struct capture **captures, size_t count)
{
	struct capture_merge *merge = calloc(1, sizeof(*merge));

	if (merge == NULL) {
		return -ENOMEM;
	}
	merge->lanes = calloc(count > 0 ? count : 1, sizeof(*merge->lanes));
	if (merge->lanes == NULL) {
		free(merge);
		return -ENOMEM;
	}
	merge->count = count;
	for (size_t i = 0; i < count; i++) {
		merge->lanes[i].capture = captures[i];
	}
	*ret_merge = merge;
	return 0;
}

void capture_merge_close(struct capture_merge *merge)
{
	if (merge == NULL) {
		return;
	}
	for (size_t i = 0; i < merge->count; i++) {
		capture_close(merge->lanes[i].capture);
	}
	free(merge->lanes);
	free(merge);
}

const struct capture *capture_merge_failed(const struct capture_merge *merge)
{
	return merge->failed;
}

uint64_t capture_merge_copies(const struct capture_merge *merge)
{
	return merge->copies;
}

/* Reads on in a lane that has nothing left. False on an error, which is kept. */
static bool lane_fill(struct capture_merge *merge, struct merge_lane *lane)
{
	if (lane->at < lane->count || lane->ended) {
		return true;
	}
	int64_t got = capture_read(lane->capture, lane->frames, MERGE_BATCH);
	lane->at = 0;
	lane->count = got > 0 ? (size_t)got : 0;
	lane->ended = got <= 0;
	if (got < 0) {
		merge->error = (int)got;
		merge->failed = lane->capture;
	}
	return got >= 0;
}

static bool same_frame(const struct frame *a, const struct frame *b)
{
	return a->t_ns == b->t_ns && a->id == b->id && a->kind == b->kind && a->bus == b->bus &&
	       a->len == b->len && memcmp(a->data, b->data, a->len) == 0;
}

/* Passes over the copies of a lane's frame that stand next in other lanes; whether there was one.
 */
static bool pass_copies(
	struct capture_merge *merge, const struct merge_lane *lane, const struct frame *frame)
{
	bool found = false;

	for (size_t i = 0; i < merge->count; i++) {
		struct merge_lane *other = &merge->lanes[i];
		if (other != lane && other->at < other->count &&
			same_frame(&other->frames[other->at], frame)) {
			other->at++;
			merge->copies++;
			found = true;
		}
	}
	return found;
}

/* Copies frames of the lane that has the next one, up to the turn of another lane. */
static size_t take_turn(struct capture_merge *merge, struct merge_lane *lane,
	const struct merge_lane *rival, struct frame *frames, size_t count)
{
	size_t taken = 0;

	while (taken < count && lane->at < lane->count) {
		const struct frame *next = &lane->frames[lane->at];
		int64_t rival_ns = rival != NULL ? rival->frames[rival->at].t_ns : INT64_MAX;
		if (next->t_ns > rival_ns || (next->t_ns == rival_ns && rival < lane)) {
			break;
		}
		frames[taken++] = *next;
		lane->at++;
		if (next->t_ns == rival_ns && pass_copies(merge, lane, next)) {
			break; /* the rival is at another frame now, or has none */
		}
	}
	return taken;
}

int64_t capture_merge_read(struct capture_merge *merge, struct frame *frames, size_t count)
{
	size_t made = 0;

	if (merge->count == 1 && merge->error == 0 && !merge->lanes[0].ended) {
		/* A single capture needs no copy. */
		int64_t got = capture_read(merge->lanes[0].capture, frames, count);
		merge->lanes[0].ended = got < 0;
		merge->failed = got < 0 ? merge->lanes[0].capture : NULL;
		return got;
	}
	while (made < count && merge->error == 0) {
		struct merge_lane *best = NULL;
		struct merge_lane *rival = NULL;
		for (size_t i = 0; i < merge->count; i++) {
			struct merge_lane *lane = &merge->lanes[i];
			if (!lane_fill(merge, lane)) {
				break;
			}
			if (lane->ended) {
				continue;
			}
			int64_t t_ns = lane->frames[lane->at].t_ns;
			if (best == NULL || t_ns < best->frames[best->at].t_ns) {
				rival = best;
				best = lane;
			} else if (rival == NULL || t_ns < rival->frames[rival->at].t_ns) {
				rival = lane;
			}
		}
		if (best == NULL || merge->error != 0) {
			break;
		}
		made += take_turn(merge, best, rival, frames + made, count - made);
	}
	if (made > 0 || merge->error == 0) {
		return (int64_t)made;
	}
	int error = merge->error;
	merge->error = 0;
	return error;
}
