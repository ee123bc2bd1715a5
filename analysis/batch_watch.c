#include "analysis/batch_watch.h"

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

#define LAG_FIRST     0.4 /* correlation of batches before it is known */
#define LAG_MOST      0.85
#define FIRST_WEIGHT  10  /* batches that the first guess counts for */
#define VARIANCE_CAP  150 /* batches that the variance averages over */
#define BATCHES_READY 8   /* before anything is told */
#define SLACK_LEAST   0.5 /* in long-run deviations */
#define LIMIT_LEAST   3.0
#define RUN_LENGTH    12000.0 /* batches between false alarms, by the tables */
#define CLEAR_SHARE   0.4     /* of the change: back within */
#define CLEAR_BATCHES 9
#define BLOCK         18 /* batches: three hours */
#define BLOCK_CAP     30
#define BLOCK_WEIGHT  3 /* blocks that the first guess counts for */
#define COUNT_CAP     1000000

void batch_watch_init(struct batch_watch *watch, const struct batch_watch_config *config)
{
	double variance = config->first_sd * config->first_sd;

	*watch = (struct batch_watch){
		.variance = state_single(variance),
		.cross = state_single(LAG_FIRST * variance),
		.block_variance = state_single(variance),
	};
}

void batch_watch_lower(struct batch_watch *watch)
{
	watch->raised = 0;
	watch->calm = 0;
	watch->cusum = (struct cusum){0};
}

double batch_watch_sd(const struct batch_watch *watch)
{
	double lag = fmin(fmax(watch->cross / watch->variance, 0), LAG_MOST);

	return sqrt(fmax(watch->variance * (1 + lag) / (1 - lag), watch->block_variance));
}

/* Slack and limit in long-run deviations. */
static struct cusum_config scheme(double change, double sd)
{
	struct cusum_config config = {.slack = fmax(change / 2 / sd, SLACK_LEAST)};
	double low = 0;
	double high = 30;

	for (int i = 0; i < 30; i++) {
		config.limit = (low + high) / 2;
		if (cusum_run_length_siegmund(config.slack, config.limit, 0) < RUN_LENGTH) {
			low = config.limit;
		} else {
			high = config.limit;
		}
	}
	config.limit = fmax(config.limit, LIMIT_LEAST);
	return config;
}

/* A change that creeps in must not pass for scatter: then batches are held against the last hour
 * (usual, else 0), and each block against the one before (half of the square: two blocks scatter).
 */
static void learn_scatter(struct batch_watch *watch, double batch, double usual, bool creeps)
{
	double mean = batch - usual;
	double most = 3 * sqrt(watch->variance);
	double held = fmin(fmax(mean, -most), most);

	if (watch->batches < COUNT_CAP) {
		watch->batches++;
	}
	double gain = 1.0 / (fmin(watch->batches, VARIANCE_CAP) + FIRST_WEIGHT);
	watch->variance = state_single(watch->variance + gain * (held * held - watch->variance));
	watch->cross = state_single(watch->cross + gain * (held * watch->last - watch->cross));
	watch->last = state_single(held);
	watch->block_sum = state_single(watch->block_sum + (creeps ? batch : held));
	watch->block_count++;
	if (watch->block_count == BLOCK) {
		double apart = watch->block_sum - watch->block_last;
		double square = (creeps && watch->blocks > 0 ? apart * apart / 2
					: creeps	     ? watch->block_variance * BLOCK
						 : watch->block_sum * watch->block_sum) /
				BLOCK;
		watch->block_last = watch->block_sum;
		watch->blocks = watch->blocks < BLOCK_CAP ? watch->blocks + 1 : BLOCK_CAP;
		double share = 1.0 / (watch->blocks + BLOCK_WEIGHT);
		watch->block_variance = state_single(
			watch->block_variance + share * (square - watch->block_variance));
		watch->block_count = 0;
		watch->block_sum = 0;
	}
}

/* A batch is full. */
static enum batch_news judge(struct batch_watch *watch, const struct batch_watch_config *settings,
	struct batch_change *ret_change)
{
	double mean = watch->sum / watch->weight;
	double sd = fmax(batch_watch_sd(watch), settings->least_sd);
	struct cusum_config config = scheme(settings->change, sd);
	double last_hour = watch->mean;

	watch->sum = 0;
	watch->weight = 0;
	watch->mean = state_single(watch->mean + (mean - watch->mean) / BATCH_WATCH_HOUR);
	if (watch->raised != 0) {
		double back = watch->raised * watch->mean;
		watch->calm = back < CLEAR_SHARE * settings->change ? watch->calm + 1 : 0;
		if (watch->calm < CLEAR_BATCHES) {
			return BATCH_QUIET;
		}
		watch->raised = 0;
		watch->calm = 0;
		cusum_init(&watch->cusum, &config);
		return BATCH_CLEARED;
	}
	/* While something builds up, its batches do not widen what is usual. What only ever raises
	 * shows in high batches alone: then the low ones tell how they scatter. */
	bool builds_up = settings->creeps
				 ? mean > settings->change / 2
				 : fmax(watch->cusum.up, watch->cusum.down) >= config.limit / 2;
	uint32_t ready = settings->creeps ? BATCH_WATCH_CREEPS : BATCHES_READY;
	if (!builds_up || watch->batches < ready) {
		learn_scatter(watch, mean, settings->creeps ? last_hour : 0, settings->creeps);
	}
	if (watch->batches < BATCHES_READY) {
		return BATCH_QUIET;
	}
	enum cusum_signal signal = cusum_add(&watch->cusum, &config, mean / sd);
	if (signal == CUSUM_NONE) {
		return BATCH_QUIET;
	}
	bool up = signal == CUSUM_UP;
	double count = up ? watch->cusum.up_count : watch->cusum.down_count;
	ret_change->shift = sd * cusum_shift(&watch->cusum, &config);
	ret_change->since_h = count / BATCH_WATCH_HOUR;
	watch->raised = up ? 1 : -1;
	watch->calm = 0;
	watch->mean = state_single(ret_change->shift);
	return up ? BATCH_UP : BATCH_DOWN;
}

enum batch_news batch_watch_minute(struct batch_watch *watch,
	const struct batch_watch_config *config, double residual, double own_variance,
	struct batch_change *ret_change)
{
	double weight = watch->variance / (watch->variance + own_variance);
	double most = fmax(5 * sqrt(watch->variance), config->most);
	double held = fmin(fmax(residual, -most), most);

	watch->sum = state_single(watch->sum + weight * held);
	watch->weight = state_single(watch->weight + weight);
	return watch->weight >= BATCH_WATCH_MINUTES - 0.01 ? judge(watch, config, ret_change)
							   : BATCH_QUIET;
}

void batch_watch_save(const struct batch_watch *watch, struct state_writer *w)
{
	const double fields[] = {watch->sum, watch->weight, watch->variance, watch->cross,
		watch->last, watch->block_sum, watch->block_variance, watch->block_last,
		watch->mean};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
	state_put_unsigned(w, watch->block_count);
	state_put_unsigned(w, watch->blocks);
	state_put_unsigned(w, watch->batches);
	state_put_unsigned(w, watch->calm);
	state_put_signed(w, watch->raised);
	cusum_save(&watch->cusum, w);
}

void batch_watch_load(struct batch_watch *watch, struct state_reader *r)
{
	double *fields[] = {&watch->sum, &watch->weight, &watch->variance, &watch->cross,
		&watch->last, &watch->block_sum, &watch->block_variance, &watch->block_last,
		&watch->mean};

	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
	watch->block_count = (uint32_t)state_get_unsigned(r, BLOCK - 1);
	watch->blocks = (uint32_t)state_get_unsigned(r, BLOCK_CAP);
	watch->batches = (uint32_t)state_get_unsigned(r, COUNT_CAP);
	watch->calm = (uint32_t)state_get_unsigned(r, CLEAR_BATCHES);
	int64_t raised = state_get_signed(r);
	if (raised < -1 || raised > 1 || !(watch->variance > 0)) {
		r->failed = true;
		raised = 0;
	}
	watch->raised = (int32_t)raised;
	cusum_load(&watch->cusum, r);
}
