/* batch_watch.h: has the mean of a residual moved? A CUSUM that the residual's memory does not
 * fool.
 *
 * Minutes go into batches of ten; batches are standardised by their long-run deviation and summed.
 * That comes from their variance and correlation, or from the variance of means over three hours,
 * whichever is more: weather lasts longer than a correlation from batch to batch can show. The
 * slack is half the change that matters, the limit that of a known run length. Residuals in any
 * unit.
 */
#ifndef SIGHTBOWL_ANALYSIS_BATCH_WATCH_H
#define SIGHTBOWL_ANALYSIS_BATCH_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/cusum.h"
#include "decoders/state_codec.h"

#define BATCH_WATCH_MINUTES 10
#define BATCH_WATCH_HOUR    6 /* batches an hour */
#define BATCH_WATCH_CREEPS  24 /* batches until a creeping change can be told from scatter */

struct batch_watch_config {
	double change;   /* the shift that matters */
	double first_sd; /* of a batch, before it is known */
	double most;     /* a minute's residual counts no more than this */
	double least_sd; /* of a batch: calmer ones are not trusted to be so; 0: they are */
	bool creeps; /* a slow rise is looked for: scatter is what differs from hour to hour, and
			low */
};

struct batch_watch {
	double sum; /* of the batch so far, weighted */
	double weight;
	double variance; /* of batches, and of a batch with the one before */
	double cross;
	double last;
	double block_sum;      /* of the batches of these three hours */
	double block_variance; /* of means over three hours, times their batches */
	double block_last;     /* sum of the three hours before */
	uint32_t block_count;
	uint32_t blocks;  /* capped */
	double mean;      /* of the last hour or so */
	uint32_t batches; /* capped */
	uint32_t calm;    /* batches in a row back at the usual */
	int32_t raised;   /* 1 up, -1 down, 0 neither */
	struct cusum cusum;
};

enum batch_news { BATCH_QUIET, BATCH_UP, BATCH_DOWN, BATCH_CLEARED };

struct batch_change {
	double shift;   /* estimate of the mean since the sum left zero */
	double since_h; /* hours of watched minutes since then */
};

void batch_watch_init(struct batch_watch *watch, const struct batch_watch_config *config);

/* Adds a minute. own_variance: what its sensor's step alone makes it scatter; such minutes count
 * for less. With BATCH_UP and BATCH_DOWN *ret_change is filled. */
enum batch_news batch_watch_minute(struct batch_watch *watch,
	const struct batch_watch_config *config, double residual, double own_variance,
	struct batch_change *ret_change);

/* Takes back what it raised, as not confirmed; nothing is told. */
void batch_watch_lower(struct batch_watch *watch);

/* Deviation of a batch as sums of many feel it. */
double batch_watch_sd(const struct batch_watch *watch);

void batch_watch_save(const struct batch_watch *watch, struct state_writer *w);
void batch_watch_load(struct batch_watch *watch, struct state_reader *r);

#endif
