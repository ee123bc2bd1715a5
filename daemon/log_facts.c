/* log_facts.c: the sink: each fact is one row, put in or replaced.
 *
 * A window's row is found by its time and session; the minute that it belongs to is rolled up when
 * the next minute begins, and at the latest when the transaction ends.
 */
#include <math.h>
#include <string.h>

#include "analysis/fault_text.h"
#include "daemon/log_store_parts.h"

#define NS INT64_C(1000000000)
#define WINDOW_S 10
#define MINUTE_S 60

static void bind_real(sqlite3_stmt *statement, int place, double value)
{
	if (isfinite(value)) {
		(void)sqlite3_bind_double(statement, place, value);
	} else {
		(void)sqlite3_bind_null(statement, place);
	}
}

static void bind_text(sqlite3_stmt *statement, int place, const char *text)
{
	(void)sqlite3_bind_text(statement, place, text, -1, SQLITE_STATIC);
}

/* A statement inside the transaction; NULL when anything failed before or now. */
static sqlite3_stmt *fact_statement(struct log_store *store, enum log_statement id)
{
	return log_begin(store) == 0 ? log_statement(store, id) : NULL;
}

int log_load_lane_slots(struct log_store *store)
{
	sqlite3_stmt *statement = log_statement(store, LOG_LANE_SLOTS);
	int result;

	memset(store->slots, 0, sizeof(store->slots));
	if (statement == NULL) {
		return store->failure;
	}
	bind_text(statement, 1, store->lane);
	while ((result = log_step(store, statement)) > 0) {
		int64_t lane_slot = sqlite3_column_int64(statement, 0);
		int64_t slot = sqlite3_column_int64(statement, 1);
		double step = sqlite3_column_double(statement, 2);
		if (lane_slot >= 0 && lane_slot < LOG_SLOTS_MAX && slot >= 0 &&
			slot < LOG_SLOTS_MAX && step > 0) {
			store->slots[lane_slot] = (struct lane_slot){
				.known = true,
				.slot = (uint16_t)slot,
				.step = step,
			};
		}
	}
	return result;
}

/* The log's slot for a signal and instance, made when it is new. Returns -1 after a failure. */
static int64_t find_slot(struct log_store *store, const struct signal *signal, uint16_t instance)
{
	sqlite3_stmt *statement = fact_statement(store, LOG_FIND_SLOT);
	int64_t slot;
	int result;

	if (statement == NULL) {
		return -1;
	}
	bind_text(statement, 1, signal->name);
	(void)sqlite3_bind_int64(statement, 2, instance);
	result = log_step(store, statement);
	if (result == 0) {
		statement = log_statement(store, LOG_ADD_SLOT);
		if (statement == NULL) {
			return -1;
		}
		bind_text(statement, 1, signal->name);
		(void)sqlite3_bind_int64(statement, 2, instance);
		bind_text(statement, 3, signal->unit);
		(void)sqlite3_bind_double(statement, 4, signal->log_step);
		result = log_step(store, statement);
	}
	if (result <= 0) {
		return -1;
	}
	slot = sqlite3_column_int64(statement, 0);
	(void)sqlite3_reset(statement);
	return slot;
}

static void on_slot(void *context, const struct fact_slot *fact)
{
	struct log_store *store = context;
	const struct signal *signal;
	sqlite3_stmt *statement;
	int64_t slot;

	if (fact->slot >= LOG_SLOTS_MAX || fact->signal >= SIGNAL_COUNT) {
		return; /* more slots than a row can hold: the reading is not kept */
	}
	signal = signal_get((enum signal_id)fact->signal);
	slot = find_slot(store, signal, fact->instance);
	if (slot < 0 || slot >= LOG_SLOTS_MAX) {
		return;
	}
	statement = log_statement(store, LOG_PUT_LANE_SLOT);
	if (statement == NULL) {
		return;
	}
	bind_text(statement, 1, store->lane);
	(void)sqlite3_bind_int64(statement, 2, fact->slot);
	(void)sqlite3_bind_int64(statement, 3, slot);
	if (log_run(store, statement) == 0) {
		store->slots[fact->slot] = (struct lane_slot){
			.known = true,
			.slot = (uint16_t)slot,
			.step = signal->log_step,
		};
	}
}

/* When a session becomes known or its offset to UTC changes, its minutes belong to other days. */
static void mark_days_of_session(struct log_store *store, int64_t session, int64_t first_ns,
	int64_t last_ns, int64_t offset_ns)
{
	sqlite3_stmt *statement = fact_statement(store, LOG_STALE_RANGE);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, session);
	(void)sqlite3_bind_int64(statement, 2, offset_ns / NS);
	(void)sqlite3_bind_int64(statement, 3, first_ns / NS - MINUTE_S);
	(void)sqlite3_bind_int64(statement, 4, last_ns / NS + MINUTE_S);
	(void)log_run(store, statement);
}

static void on_session(void *context, const struct fact_session *fact)
{
	struct log_store *store = context;
	sqlite3_stmt *statement = fact_statement(store, LOG_GET_SESSION);
	bool dated = fact->basis != CLOCK_UNDATED;
	bool moved = true, was_dated = false;
	int64_t first_ns = 0, last_ns = 0, offset_ns = 0;
	int result;

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->session);
	result = log_step(store, statement);
	if (result < 0) {
		return;
	}
	if (result > 0) {
		first_ns = sqlite3_column_int64(statement, 0);
		last_ns = sqlite3_column_int64(statement, 1);
		offset_ns = sqlite3_column_int64(statement, 2);
		was_dated = sqlite3_column_int(statement, 3) != CLOCK_UNDATED;
		moved = offset_ns != fact->utc_offset_ns || was_dated != dated;
		(void)sqlite3_reset(statement);
	}
	if (moved) {
		/* The minute in hand belongs to the days to be marked. */
		(void)log_roll_up_minute(store);
		if (was_dated) {
			mark_days_of_session(store, fact->session, first_ns, last_ns, offset_ns);
		}
		if (dated) {
			mark_days_of_session(store, fact->session, fact->first_ns, fact->last_ns,
				fact->utc_offset_ns);
		}
	}
	statement = fact_statement(store, LOG_PUT_SESSION);
	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->session);
	(void)sqlite3_bind_int64(statement, 2, fact->first_ns);
	(void)sqlite3_bind_int64(statement, 3, fact->last_ns);
	(void)sqlite3_bind_int64(statement, 4, fact->utc_offset_ns);
	(void)sqlite3_bind_int64(statement, 5, fact->raw_first_ns);
	(void)sqlite3_bind_int64(statement, 6, fact->raw_last_ns);
	(void)sqlite3_bind_int64(statement, 7, fact->basis);
	(void)log_run(store, statement);
	if (store->session == fact->session) {
		store->session = 0; /* read again when it is next needed */
	}
}

/* The key of a session's row in a span of seconds: its own, else the first that is free. Returns -1
 * after a failure. */
static int64_t find_key(struct log_store *store, enum log_statement id, int64_t first_s,
	int64_t span_s, int64_t session)
{
	sqlite3_stmt *statement = log_statement(store, id);
	int64_t key = first_s;
	int result;

	if (statement == NULL) {
		return -1;
	}
	(void)sqlite3_bind_int64(statement, 1, first_s);
	(void)sqlite3_bind_int64(statement, 2, first_s + span_s - 1);
	while ((result = log_step(store, statement)) > 0) {
		key = sqlite3_column_int64(statement, 0);
		if (sqlite3_column_int64(statement, 1) == session) {
			(void)sqlite3_reset(statement);
			return key;
		}
		/* Rows come by key; more sessions in ten seconds than keys share the last one. */
		key += key < first_s + span_s - 1;
	}
	return result < 0 ? -1 : key;
}

static void on_window(void *context, const struct fact_window *fact)
{
	struct log_store *store = context;
	int64_t start_s = fact->window * WINDOW_S;
	int64_t minute = start_s / MINUTE_S - (start_s % MINUTE_S < 0);
	size_t size = 0;

	if (log_begin(store) != 0) {
		return;
	}
	if (store->minute >= 0 &&
		(store->minute != minute || store->minute_session != fact->session)) {
		(void)log_roll_up_minute(store);
	}
	for (size_t i = 0; i < fact->count; i++) {
		const struct fact_reading *reading = &fact->readings[i];
		if (reading->slot >= LOG_SLOTS_MAX || !store->slots[reading->slot].known) {
			continue;
		}
		const struct lane_slot *slot = &store->slots[reading->slot];
		size_t at = (size_t)slot->slot * LOG_ENTRY_BYTES;
		struct log_entry entry = log_entry_make(reading->count, reading->mean, reading->low,
			reading->high, slot->step);
		if (entry.count == 0) {
			continue;
		}
		if (at >= size) {
			memset(store->row + size, 0, at - size);
			size = at + LOG_ENTRY_BYTES;
		}
		log_entry_write(&entry, store->row + at, LOG_ENTRY_BYTES);
	}
	if (store->window != fact->window || store->window_session != fact->session) {
		store->window_key = find_key(store, LOG_FIND_WINDOWS, start_s, WINDOW_S,
			fact->session);
		store->window = fact->window;
		store->window_session = fact->session;
	}
	sqlite3_stmt *statement = store->window_key < 0 ? NULL
							: fact_statement(store, LOG_PUT_WINDOW);
	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, store->window_key);
	(void)sqlite3_bind_int64(statement, 2, fact->session);
	(void)sqlite3_bind_blob(statement, 3, store->row, (int)size, SQLITE_STATIC);
	(void)log_run(store, statement);
	store->minute = minute;
	store->minute_session = fact->session;
}

static int load_session(struct log_store *store, int64_t session)
{
	sqlite3_stmt *statement;
	int result;

	if (store->session == session) {
		return 0;
	}
	statement = log_statement(store, LOG_GET_SESSION);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, session);
	result = log_step(store, statement);
	if (result <= 0) {
		store->session_dated = false; /* its days are marked when it becomes known */
		store->session = 0;
		return result;
	}
	store->session_offset_ns = sqlite3_column_int64(statement, 2);
	store->session_dated = sqlite3_column_int(statement, 3) != CLOCK_UNDATED;
	store->session = session;
	(void)sqlite3_reset(statement);
	return 0;
}

int log_roll_up_minute(struct log_store *store)
{
	int64_t start_s = store->minute * MINUTE_S;
	int64_t session = store->minute_session;
	sqlite3_stmt *statement;
	int result;

	if (store->failure != 0 || store->minute < 0) {
		return store->failure;
	}
	store->minute = -1;
	statement = log_statement(store, LOG_WINDOWS_OF_MINUTE);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, start_s);
	(void)sqlite3_bind_int64(statement, 2, session);
	log_rollup_init(&store->rollup);
	while ((result = log_step(store, statement)) > 0) {
		log_rollup_add(&store->rollup, sqlite3_column_blob(statement, 0),
			(size_t)sqlite3_column_bytes(statement, 0));
	}
	if (result < 0) {
		return result;
	}
	size_t size = log_rollup_write(&store->rollup, store->row, LOG_ENTRY_BYTES);
	int64_t key = find_key(store, LOG_FIND_MINUTES, start_s, MINUTE_S, session);
	statement = key < 0 ? NULL : fact_statement(store, LOG_PUT_MINUTE);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, key);
	(void)sqlite3_bind_int64(statement, 2, session);
	(void)sqlite3_bind_blob(statement, 3, store->row, (int)size, SQLITE_STATIC);
	result = log_run(store, statement);
	if (result == 0) {
		result = load_session(store, session);
	}
	if (result != 0 || !store->session_dated) {
		return result;
	}
	statement = fact_statement(store, LOG_ADD_STALE_DAY);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1,
		(start_s + store->session_offset_ns / NS) / 86400 * 86400);
	return log_run(store, statement);
}

static int roll_up_day(struct log_store *store, int64_t day_s)
{
	sqlite3_stmt *statement = log_statement(store, LOG_MINUTES_OF_DAY);
	int result;

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, day_s);
	log_rollup_init(&store->rollup);
	while ((result = log_step(store, statement)) > 0) {
		log_rollup_add(&store->rollup, sqlite3_column_blob(statement, 0),
			(size_t)sqlite3_column_bytes(statement, 0));
	}
	if (result < 0) {
		return result;
	}
	size_t size = log_rollup_write(&store->rollup, store->row, LOG_DAY_ENTRY_BYTES);
	statement = fact_statement(store, size > 0 ? LOG_PUT_DAY : LOG_DROP_DAY);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, day_s);
	if (size > 0) {
		(void)sqlite3_bind_blob(statement, 2, store->row, (int)size, SQLITE_STATIC);
	}
	result = log_run(store, statement);
	if (result != 0) {
		return result;
	}
	statement = fact_statement(store, LOG_DROP_STALE_DAY);
	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_int64(statement, 1, day_s);
	return log_run(store, statement);
}

int log_roll_up_days(struct log_store *store, bool all)
{
	for (;;) {
		sqlite3_stmt *statement = log_statement(store, LOG_STALE_DAYS);
		if (statement == NULL) {
			return store->failure;
		}
		(void)sqlite3_bind_int64(statement, 1, all ? INT64_MAX : INT64_MIN);
		int result = log_step(store, statement);
		if (result <= 0) {
			return result;
		}
		int64_t day_s = sqlite3_column_int64(statement, 0);
		(void)sqlite3_reset(statement);
		result = roll_up_day(store, day_s);
		if (result != 0) {
			return result;
		}
	}
}

static void on_run(void *context, const struct fact_run *fact)
{
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_RUN);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->run);
	(void)sqlite3_bind_int64(statement, 2, fact->trip);
	(void)sqlite3_bind_int64(statement, 3, fact->engine);
	(void)sqlite3_bind_int64(statement, 4, fact->start_session);
	(void)sqlite3_bind_int64(statement, 5, fact->end_session);
	(void)sqlite3_bind_int64(statement, 6, fact->start_ns);
	(void)sqlite3_bind_int64(statement, 7, fact->end_ns);
	(void)sqlite3_bind_int64(statement, 8, fact->open);
	bind_real(statement, 9, fact->engine_h);
	bind_real(statement, 10, fact->idle_h);
	bind_real(statement, 11, fact->unobserved_h);
	bind_real(statement, 12, fact->fuel_l);
	bind_real(statement, 13, fact->fuel_estimated_l);
	bind_real(statement, 14, fact->fuel_uncertainty_l);
	bind_real(statement, 15, fact->fuel_unknown_h);
	bind_real(statement, 16, fact->supply_l);
	bind_real(statement, 17, fact->mean_lph);
	bind_real(statement, 18, fact->max_lph);
	bind_real(statement, 19, fact->max_coolant_c);
	(void)log_run(context, statement);
}

static void drop(struct log_store *store, enum log_statement id, int64_t number)
{
	sqlite3_stmt *statement = fact_statement(store, id);

	if (statement != NULL) {
		(void)sqlite3_bind_int64(statement, 1, number);
		(void)log_run(store, statement);
	}
}

static void on_run_withdrawn(void *context, int64_t run)
{
	drop(context, LOG_DROP_RUN, run);
}

static void on_trip(void *context, const struct fact_trip *fact)
{
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_TRIP);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->trip);
	(void)sqlite3_bind_int64(statement, 2, fact->start_session);
	(void)sqlite3_bind_int64(statement, 3, fact->end_session);
	(void)sqlite3_bind_int64(statement, 4, fact->start_ns);
	(void)sqlite3_bind_int64(statement, 5, fact->end_ns);
	(void)sqlite3_bind_int64(statement, 6, fact->open);
	bind_real(statement, 7, fact->distance_nm);
	(void)log_run(context, statement);
}

static void on_trip_withdrawn(void *context, int64_t trip)
{
	drop(context, LOG_DROP_TRIP, trip);
}

static void on_event(void *context, const struct fact_event *fact)
{
	static const char *const severities[] = {
		[SEVERITY_ADVICE] = "advice",
		[SEVERITY_CAUTION] = "caution",
		[SEVERITY_WARNING] = "warning",
	};
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_EVENT);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->event);
	bind_text(statement, 2, fact->kind);
	bind_text(statement, 3, fact->subject);
	bind_text(statement, 4, severities[fact->severity]);
	(void)sqlite3_bind_int64(statement, 5, fact->session);
	(void)sqlite3_bind_int64(statement, 6, fact->raised_ns);
	if (fact->has_cleared) {
		(void)sqlite3_bind_int64(statement, 7, fact->cleared_session);
		(void)sqlite3_bind_int64(statement, 8, fact->cleared_ns);
	}
	if (fact->trip != 0) {
		(void)sqlite3_bind_int64(statement, 9, fact->trip);
	}
	bind_real(statement, 10, fact->value);
	bind_real(statement, 11, fact->limit);
	bind_text(statement, 12, fact->unit);
	bind_text(statement, 13, fact->basis);
	bind_text(statement, 14, fact->message);
	(void)log_run(context, statement);
}

/* The log's number of a filter: by its name, made when that is new; a new log's filters have the numbers of
 * their places, and so have an older one's, which knew no names. Returns -1 after a failure. */
static int64_t filter_number(struct log_store *store, const struct fact_filter *fact)
{
	static const enum log_statement ways[] = {LOG_FIND_FILTER, LOG_ADD_FILTER};

	if (fact->name[0] == '\0') {
		return fact->filter;
	}
	for (size_t i = 0; i < 2; i++) {
		sqlite3_stmt *statement = fact_statement(store, ways[i]);
		if (statement == NULL) {
			return -1;
		}
		bind_text(statement, 1, fact->name);
		if (ways[i] == LOG_ADD_FILTER) {
			(void)sqlite3_bind_int64(statement, 2, fact->filter);
		}
		int result = log_step(store, statement);
		if (result > 0) {
			int64_t number = sqlite3_column_int64(statement, 0);
			(void)sqlite3_reset(statement);
			return number;
		}
		if (result < 0) {
			return -1;
		}
	}
	return -1;
}

static void put_course(struct log_store *store, int64_t number, const struct fact_filter *fact)
{
	sqlite3_stmt *statement = fact_statement(store, LOG_PUT_FILTER_COURSE);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, number);
	(void)sqlite3_bind_int64(statement, 2, fact->session);
	(void)sqlite3_bind_int64(statement, 3, fact->t_ns);
	if (fact->fitted_ns != INT64_MIN) {
		(void)sqlite3_bind_int64(statement, 4, fact->fitted_ns);
	}
	bind_real(statement, 5, fact->engine_h);
	bind_real(statement, 6, fact->litres);
	bind_real(statement, 7, fact->restriction_kpa);
	bind_real(statement, 8, fact->reference_kpa);
	bind_real(statement, 9, fact->reference_sd_kpa);
	bind_real(statement, 10, fact->limit_kpa);
	bind_real(statement, 11, fact->left_l_p10);
	bind_real(statement, 12, fact->left_l_p50);
	bind_real(statement, 13, fact->left_l_p90);
	(void)log_run(store, statement);
}

static void on_filter(void *context, const struct fact_filter *fact)
{
	int64_t number = filter_number(context, fact);
	sqlite3_stmt *statement = number < 0 ? NULL : fact_statement(context, LOG_PUT_FILTER);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, number);
	if (fact->fitted_ns != INT64_MIN) {
		(void)sqlite3_bind_int64(statement, 2, fact->fitted_ns);
	}
	(void)sqlite3_bind_int64(statement, 3, fact->session);
	(void)sqlite3_bind_int64(statement, 4, fact->t_ns);
	bind_real(statement, 5, fact->engine_h);
	bind_real(statement, 6, fact->litres);
	bind_real(statement, 7, fact->restriction_kpa);
	bind_real(statement, 8, fact->reference_kpa);
	bind_real(statement, 9, fact->reference_sd_kpa);
	bind_real(statement, 10, fact->reference_lph);
	bind_real(statement, 11, fact->limit_kpa);
	bind_real(statement, 12, fact->left_l_p10);
	bind_real(statement, 13, fact->left_l_p50);
	bind_real(statement, 14, fact->left_l_p90);
	bind_real(statement, 15, fact->left_h_p10);
	bind_real(statement, 16, fact->left_h_p50);
	bind_real(statement, 17, fact->left_h_p90);
	(void)log_run(context, statement);
	if (fact->milestone) {
		put_course(context, number, fact);
	}
}

static void on_burn(void *context, const struct fact_burn *fact)
{
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_BURN);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->engine);
	bind_real(statement, 2, fact->rpm);
	(void)sqlite3_bind_int64(statement, 3, fact->version);
	bind_real(statement, 4, fact->rate_lph);
	bind_real(statement, 5, fact->rate_sd_share);
	bind_real(statement, 6, fact->speed_kn);
	bind_real(statement, 7, fact->load_pct);
	bind_real(statement, 8, fact->rate_minutes);
	bind_real(statement, 9, fact->speed_minutes);
	bind_real(statement, 10, fact->ground_kn);
	bind_real(statement, 11, fact->ground_minutes);
	(void)log_run(context, statement);
}

static void on_tank(void *context, const struct fact_tank *fact)
{
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_TANK);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->tank);
	(void)sqlite3_bind_int64(statement, 2, fact->session);
	(void)sqlite3_bind_int64(statement, 3, fact->t_ns);
	bind_real(statement, 4, fact->volume_l);
	bind_real(statement, 5, fact->volume_sd_l);
	bind_real(statement, 6, fact->mismatch_l);
	bind_real(statement, 7, fact->mismatch_sd_l);
	bind_real(statement, 8, fact->volume_15_l);
	bind_real(statement, 9, fact->fuel_c);
	(void)log_run(context, statement);
}

static void on_refuelling(void *context, const struct fact_refuelling *fact)
{
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_REFUELLING);

	if (statement == NULL) {
		return;
	}
	(void)sqlite3_bind_int64(statement, 1, fact->tank);
	(void)sqlite3_bind_int64(statement, 2, fact->session);
	(void)sqlite3_bind_int64(statement, 3, fact->t_ns);
	bind_real(statement, 4, fact->litres);
	bind_real(statement, 5, fact->litres_sd);
	(void)log_run(context, statement);
}

static void on_fault(void *context, const struct fact_fault *fact)
{
	static const char *const standings[] = {
		[FAULT_ACTIVE] = "active",
		[FAULT_PAST] = "past",
		[FAULT_GONE] = "gone",
	};
	sqlite3_stmt *statement = fact_statement(context, LOG_PUT_FAULT);
	char says[160];

	if (statement == NULL) {
		return;
	}
	(void)fault_text_describe(fact->spn, fact->fmi, fact->conversion, says, sizeof(says));
	(void)sqlite3_bind_int64(statement, 1, fact->engine);
	(void)sqlite3_bind_int64(statement, 2, fact->bus);
	(void)sqlite3_bind_int64(statement, 3, fact->source);
	(void)sqlite3_bind_int64(statement, 4, fact->spn);
	(void)sqlite3_bind_int64(statement, 5, fact->fmi);
	(void)sqlite3_bind_int64(statement, 6, fact->conversion);
	if (fact->occurrences >= 0) {
		(void)sqlite3_bind_int64(statement, 7, fact->occurrences);
	}
	bind_text(statement, 8, standings[fact->standing]);
	if (fact->lamps != FAULT_LAMPS_UNKNOWN) {
		(void)sqlite3_bind_int64(statement, 9, fact->lamps);
	}
	(void)sqlite3_bind_int64(statement, 10, fact->first_session);
	(void)sqlite3_bind_int64(statement, 11, fact->first_ns);
	(void)sqlite3_bind_int64(statement, 12, fact->session);
	(void)sqlite3_bind_int64(statement, 13, fact->t_ns);
	bind_text(statement, 14, says);
	(void)log_run(context, statement);
}

struct fact_sink log_store_sink(struct log_store *store)
{
	return (struct fact_sink){
		.context = store,
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
}
