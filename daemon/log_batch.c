/* log_batch.c: what a live log's batch file holds, taken over by the log. */
#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/batch_file.h"
#include "daemon/fact_queue.h"
#include "daemon/log_lane.h"
#include "daemon/log_store_parts.h"

#define META_BATCH "batch"

int log_store_batch(struct log_store *store, uint64_t *ret_generation)
{
	sqlite3_stmt *statement = log_statement(store, LOG_GET_META);
	uint64_t generation = 0;
	int result;

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_text(statement, 1, META_BATCH, -1, SQLITE_STATIC);
	result = log_step(store, statement);
	if (result < 0) {
		return result;
	}
	if (result > 0) {
		generation = (uint64_t)sqlite3_column_int64(statement, 0);
		(void)sqlite3_reset(statement);
	}
	*ret_generation = generation;
	return 0;
}

int log_store_put_batch(struct log_store *store, uint64_t generation)
{
	sqlite3_stmt *statement;
	int result = log_begin(store);

	if (result != 0) {
		return result;
	}
	statement = log_statement(store, LOG_PUT_META);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_text(statement, 1, META_BATCH, -1, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 2, (int64_t)generation);
	return log_run(store, statement);
}

int log_store_lane_slots(struct log_store *store, const char *lane,
	void (*on_slot)(void *context, uint16_t lane_slot, uint16_t signal), void *context)
{
	sqlite3_stmt *statement = log_statement(store, LOG_LANE_SIGNALS);
	int result;

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_text(statement, 1, lane, -1, SQLITE_STATIC);
	while ((result = log_step(store, statement)) > 0) {
		const char *name = (const char *)sqlite3_column_text(statement, 1);
		enum signal_id signal;

		if (name != NULL && signal_find(name, &signal)) {
			on_slot(context, (uint16_t)sqlite3_column_int(statement, 0),
				(uint16_t)signal);
		}
	}
	return result;
}

/* The last record's state is the one that counts. */
struct absorption {
	struct log_store *store;
	struct fact_sink sink;
	uint8_t *state;
	size_t state_size;
	int64_t raw_ns;
};

static int on_batch(void *context, const struct batch *batch)
{
	struct absorption *absorption = context;
	uint8_t *state = realloc(absorption->state, batch->state_size + 1);

	if (state == NULL) {
		return -ENOMEM;
	}
	absorption->state = state;
	memcpy(state, batch->state, batch->state_size);
	absorption->state_size = batch->state_size;
	absorption->raw_ns = batch->raw_ns;
	/* A fact that a later version writes otherwise is left out, its record's state counts. */
	(void)fact_queue_play(batch->facts, batch->facts_size, &absorption->sink);
	return absorption->store->failure;
}

static int on_unseen(void *context, const struct batch *batch)
{
	int64_t *raw_ns = context;

	*raw_ns = batch->raw_ns;
	return 0;
}

int log_store_unseen(struct log_store *store, int64_t *ret_raw_ns)
{
	uint64_t generation;
	int64_t raw_ns = 0;
	int result = log_store_batch(store, &generation);

	if (result != 0 || generation == 0) {
		return result;
	}
	result = batch_file_read(store->path, generation + 1, on_unseen, &raw_ns);
	if (result > 0) {
		*ret_raw_ns = raw_ns;
	}
	return result;
}

int log_absorb_batch(struct log_store *store)
{
	struct absorption absorption = {.store = store, .sink = log_store_sink(store)};
	uint64_t generation;
	int result = log_store_batch(store, &generation);

	if (result != 0 || generation == 0) {
		return result;
	}
	result = batch_file_read(store->path, generation + 1, on_batch, &absorption);
	if (result > 0) {
		result = log_store_put_batch(store, generation + 1);
		if (result == 0) {
			result = log_store_commit(store, &(struct log_checkpoint){
				.lane = LANE_MAIN,
				.state = absorption.state,
				.size = absorption.state_size,
				.raw_ns = absorption.raw_ns,
			});
		}
	} else if (result < 0 && store->failure == 0) {
		log_say(store, "log '%s': what was written last cannot be read from '%s-batch': %s",
			store->path, store->path, strerror(-result));
	}
	free(absorption.state);
	return result;
}
