#include "analysis/burn_map.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#define LEAST_RPM          350.0
#define NODE_STEP          0.055 /* of ln(rpm): 5.5 % from node to node, up to some 7200 rpm */
#define SPREAD_SHARE       0.04  /* engine speed within a steady window */
#define SPREAD_RPM         20.0
#define DRIFT_SHARE        0.015 /* from a steady window to the next */
#define DRIFT_RPM          8.0
#define MINUTE_WINDOWS     6
#define WARM_C             60.0
#define WARM_S             600.0 /* where no coolant temperature is heard */
#define WARM_BELOW_C       8.0   /* below its usual temperature the engine is not warm yet */
#define READY_LEAST        15.0  /* minutes behind the map before a residual counts, … */
#define READY              60.0
#define READY_SD           0.012 /* … fewer than READY only if it is known this well */
#define FROZEN             360.0 /* minutes: from here on the map no longer follows */
#define HUBER              3.0   /* of the deviation of minutes */
#define MINUTE_SD          0.06  /* before it is known */
#define DRIFT_MINUTES      30
#define DRIFT_LEAST        10    /* minutes, before a sign counts */
#define DRIFT_GAP_H        3.0   /* engine hours without a minute */
#define SQUARE_FIRST       60    /* minutes that the first guess at a sign's wander counts for */
#define SQUARE_MINUTES     600   /* that its wander is learned from, … */
#define SQUARE_FROZEN      6000  /* … and minutes by which it follows later */
#define HELPED             0.15 /* less load than usual by more than this: something else drives the boat */
#define ODD_LOAD           0.15 /* load and friction moved further than this against the map, … */
#define ODD_SHARE          0.3  /* … and the burn by less than this of it: the load is no measure */
#define LOAD_ZERO          20.0 /* % of load: friction and pumping, before it is known */
#define LOAD_ZERO_SD       8.0
#define LOAD_ZERO_SD_LEAST 0.5
#define LOAD_ZERO_LEAST    4.0
#define LOAD_ZERO_MOST     60.0
#define LOAD_ZERO_FAR      0.25
#define LOAD_ZERO_RANGE    4.0  /* by which friction differs with speed and temperature */
#define DOUBT_MOST         0.03 /* of burn, from friction: more teaches nothing */
#define CONFIRM_RUNS       2
#define CONFIRM_EXPLAINED  5
#define EXPLAINED_SHARE	   0.3 /* of the change that matters: no more than that is left over */
#define CONFIRM_MINUTES    20 /* that a run must bring to confirm */
#define CONFIRM_MOST       100000
#define CONFIRM_SHARE      0.5  /* of the change that matters */
#define ENGINE_SD          0.1  /* of a minute beside its load; minutes hang together */
#define WILD_PCT           40.0 /* no engine burns so much more or less beside its load; its sensor does … */
#define WILD_SPEED_PCT     150.0 /* … or at a speed: a tow, or a line in the propeller, may double it */
#define DRIVING_SHARE	   0.65 /* of the highest speed: friction and alternator rule below */
#define FACTORS_SD	   0.0155 /* of batches: what the factors leave over must be as little, … */
#define FACTORS_SD_RUN	   0.0205 /* … or as this, where a run confirms it */
#define IDLE_SHARE         0.45 /* of the highest speed in the map: at or below, the lowest speeds */

static const struct batch_watch_config watch_config = {
	.change = 0.05, /* in natural logarithm: 5 % */
	.first_sd = 0.035,
	.most = 0.15,
};

/* Beside its load the burn hardly scatters; what little is left may hang together unseen. */
static const struct batch_watch_config load_config = {
	.change = 0.05,
	.first_sd = 0.015,
	.most = 0.15,
	.least_sd = 0.01,
	.creeps = true,
};

/* What no factor explains is little; but one that is not on the bus may come and go. */
static const struct batch_watch_config factors_config = {
	.change = 0.05,
	.first_sd = 0.012,
	.most = 0.1,
	.least_sd = 0.01,
	.creeps = true,
};

static const struct batch_watch_config *config_of(enum burn_watch_kind watch)
{
	return watch == BURN_AT_FACTORS ? &factors_config
	       : watch == BURN_AT_LOAD	? &load_config
					: &watch_config;
}

/* How far the last half hour of a sign wanders, before that is known. */
static const double first_wander[BURN_SIGNS] = {0.04, 0.06, 0.03, 0.015, 0.04, 0.02};

/* Slopes of ln(quantity) over ln(rpm) by which a first reading is put to its nodes: near what a
 * propeller asks. */
static const double first_slope[BURN_QUANTITIES] = {2.5, 1.8, 0.9, 0.9, 1.2, 1.0};

void burn_init(struct burn *b)
{
	memset(b, 0, sizeof(*b));
	b->last_rpm = -1;
	burn_factors_init(&b->factors);
	b->load_zero = LOAD_ZERO;
	b->load_zero_var = LOAD_ZERO_SD * LOAD_ZERO_SD;
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		batch_watch_init(&b->watches[i], config_of((enum burn_watch_kind)i));
	}
	for (size_t i = 0; i < BURN_SIGNS; i++) {
		b->drifts[i].square = state_single(first_wander[i] * first_wander[i]);
	}
}

void burn_reset(struct burn *b)
{
	uint32_t version = b->map.version + 1;
	uint32_t revision = b->map.revision + 1;

	burn_init(b);
	b->map.version = version;
	b->map.revision = revision;
}

/* The node below a speed and the share of the node above; false outside the map. */
static bool place(double rpm, size_t *ret_node, double *ret_share)
{
	double at = log(rpm / LEAST_RPM) / NODE_STEP;

	if (!(at >= 0 && at < BURN_NODES - 1)) {
		return false;
	}
	*ret_node = (size_t)at;
	*ret_share = at - (double)*ret_node;
	return true;
}

/* The map's value and the minutes behind it; 0 minutes: not known. */
static double look_up(const struct burn_map *map, size_t quantity, double rpm, double *ret_minutes)
{
	size_t node;
	double share;

	*ret_minutes = 0;
	if (!place(rpm, &node, &share)) {
		return 0;
	}
	const double *value = map->value[quantity];
	const double *weight = map->weight[quantity];
	if (weight[node] > 0 && weight[node + 1] > 0) {
		double low = 1 - share;
		/* Variance of the interpolation, in units of a minute's. */
		*ret_minutes = 1 / (low * low / weight[node] + share * share / weight[node + 1]);
		return low * value[node] + share * value[node + 1];
	}
	return 0;
}

static void learn(struct burn_map *map, size_t quantity, double rpm, double value, double sd)
{
	size_t node;
	double share;

	if (!place(rpm, &node, &share)) {
		return;
	}
	for (size_t side = 0; side < 2; side++) {
		double *at = &map->value[quantity][node + side];
		double *weight = &map->weight[quantity][node + side];
		if (*weight == 0) {
			double off = ((double)side - share) * NODE_STEP;
			*at = state_single(value + first_slope[quantity] * off);
			*weight = state_single(0.01);
		}
	}
	double minutes;
	double residual = value - look_up(map, quantity, rpm, &minutes);
	double most = minutes < 5 ? INFINITY : HUBER * sd;
	residual = fmin(fmax(residual, -most), most);
	bool changed = false;
	for (size_t side = 0; side < 2; side++) {
		double *at = &map->value[quantity][node + side];
		double *weight = &map->weight[quantity][node + side];
		double hat = side == 0 ? 1 - share : share;
		if (*weight >= FROZEN) {
			continue;
		}
		changed = true;
		*weight = state_single(*weight + hat * hat);
		*at = state_single(*at + fmin(hat / *weight, 1) * residual);
	}
	map->revision += changed ? 1 : 0;
}

double burn_map_at(
	const struct burn *b, enum burn_quantity quantity, double rpm, double *ret_share_sd)
{
	double minutes;
	double value = look_up(&b->map, quantity, rpm, &minutes);

	if (minutes < 5) {
		return NAN;
	}
	if (ret_share_sd != NULL) {
		/* A minute scatters as √10 batches do, when minutes hang together. */
		*ret_share_sd =
			sqrt(b->watches[BURN_AT_SPEED].variance * BATCH_WATCH_MINUTES / minutes);
	}
	return exp(value);
}

double burn_map_minutes(const struct burn *b, enum burn_quantity quantity, double rpm)
{
	double minutes;

	(void)look_up(&b->map, quantity, rpm, &minutes); /* only what stands behind it is asked */
	return minutes;
}

/* Is what was found being told? Then it must not become the usual. */
static bool told(const struct burn *b)
{
	return b->watches[BURN_AT_SPEED].raised != 0 || b->watches[BURN_AT_LOAD].raised != 0 ||
	       b->watches[BURN_AT_FACTORS].raised != 0;
}

/* A sign of which nothing was heard for some hours starts anew: of late is of late. */
static void follow_drift(struct burn *b, enum burn_sign sign, double residual, double engine_h)
{
	struct burn_drift *drift = &b->drifts[sign];
	double held = fmin(fmax(residual, -0.5), 0.5);

	drift->minutes = engine_h - drift->at_h > DRIFT_GAP_H ? 0 : drift->minutes;
	drift->at_h = state_single(engine_h);
	drift->minutes += drift->minutes < DRIFT_MINUTES ? 1 : 0;
	drift->mean = state_single(drift->mean + (held - drift->mean) / drift->minutes);
	if (drift->minutes >= DRIFT_LEAST && !told(b)) {
		/* What creeps in later must not become the usual. */
		double share = drift->known < SQUARE_MINUTES ? 1.0 / (drift->known + SQUARE_FIRST)
							     : 1.0 / SQUARE_FROZEN;
		double off = drift->mean * drift->mean - drift->square;
		drift->square = state_single(drift->square + share * off);
		drift->known += drift->known < SQUARE_MINUTES ? 1 : 0;
	}
}

struct burn_finding burn_find(const struct burn *b)
{
	const struct batch_watch *at_speed = &b->watches[BURN_AT_SPEED];
	const struct batch_watch *at_load = &b->watches[BURN_AT_LOAD];
	const struct batch_watch *at_factors = &b->watches[BURN_AT_FACTORS];
	enum burn_watch_kind watch = at_factors->raised != 0 ? BURN_AT_FACTORS
				     : at_speed->raised == 0 && at_load->raised != 0
					     ? BURN_AT_LOAD
					     : BURN_AT_SPEED;
	struct burn_finding finding = {
		.watch = watch,
		.change_pct =
			b->watches[watch].batches > 0 ? 100 * expm1(b->watches[watch].mean) : NAN,
		.since_h = NAN,
		.from_h = NAN,
	};

	for (size_t i = 0; i < BURN_SIGNS; i++) {
		const struct burn_drift *drift = &b->drifts[i];
		bool known = drift->minutes >= DRIFT_LEAST &&
			     (i != BURN_SIGN_FACTORS || burn_factors_see_advance(&b->factors));
		finding.off_pct[i] = known ? 100 * expm1(drift->mean) : NAN;
		finding.sd_pct[i] = known ? 100 * sqrt(drift->square) : NAN;
		finding.at_h[i] = drift->at_h;
	}
	return finding;
}

static enum burn_news burn_news_of(enum batch_news news)
{
	switch (news) {
	case BATCH_UP:
		return BURN_HIGH;
	case BATCH_DOWN:
		return BURN_LOW;
	case BATCH_CLEARED:
		return BURN_CLEARED;
	case BATCH_QUIET:
		break;
	}
	return BURN_QUIET;
}

/* What a watch has told; a change that waits to be confirmed has not been. */
static int32_t has_told(const struct burn *b, enum burn_watch_kind watch)
{
	bool waits = (watch == BURN_AT_SPEED && b->pending != 0) ||
		     (watch == BURN_AT_FACTORS && b->waits);

	return waits ? 0 : b->watches[watch].raised;
}

/* One cause, one piece of news: another watch may have told it, or may still hold it up. */
static bool spoken_for(const struct burn *b, enum burn_watch_kind speaker, enum burn_news news)
{
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		int32_t other = has_told(b, (enum burn_watch_kind)i);
		if (i == (size_t)speaker || other == 0) {
			continue;
		}
		if (news == BURN_CLEARED || other == b->watches[speaker].raised) {
			return true;
		}
	}
	return false;
}

/* Burn at a speed follows the load and what friction takes: rate ∝ load + zero (Willans' line). The
 * zero is learned from how the residual leans on the load; the map moves with it. */
static void learn_zero(struct burn *b, double residual, double load, double usual_load)
{
	double lever = 1 / (usual_load + b->load_zero) - 1 / (load + b->load_zero);
	double off = residual - b->watches[BURN_AT_LOAD].mean;

	if (fabs(off) > LOAD_ZERO_FAR || b->watches[BURN_AT_LOAD].raised != 0) {
		return;
	}
	double gain = b->load_zero_var * lever /
		      (ENGINE_SD * ENGINE_SD + lever * lever * b->load_zero_var);
	double before = b->load_zero;
	double after = fmin(fmax(before - gain * off, LOAD_ZERO_LEAST), LOAD_ZERO_MOST);
	double left = b->load_zero_var * (1 - gain * lever);
	b->load_zero = state_single(after);
	b->map.revision++;
	b->load_zero_var = state_single(fmax(left, LOAD_ZERO_SD_LEAST * LOAD_ZERO_SD_LEAST));
	for (size_t i = 0; i < BURN_NODES; i++) {
		if (b->map.weight[BURN_EFFORT][i] > 0) {
			double at = b->map.weight[BURN_LOAD][i] > 0
					    ? exp(b->map.value[BURN_LOAD][i])
					    : usual_load;
			double *value = &b->map.value[BURN_EFFORT][i];
			*value = state_single(*value - log((at + b->load_zero) / (at + before)));
		}
	}
}

static bool is_ready(const struct burn *b, enum burn_watch_kind watch, double minutes)
{
	double sd = batch_watch_sd(&b->watches[watch]);

	return minutes >= READY ||
	       (minutes >= READY_LEAST && sd * sqrt(BATCH_WATCH_MINUTES / minutes) <= READY_SD);
}

/* Where a sum lies at zero when a batch ends, what it may yet find begins. */
static void follow_start(struct burn *b, enum burn_watch_kind kind, double engine_h)
{
	const struct batch_watch *watch = &b->watches[kind];

	if (watch->weight == 0 && watch->cusum.up_count == 0) {
		b->from_h[kind][0] = state_single(engine_h);
	}
	if (watch->weight == 0 && watch->cusum.down_count == 0) {
		b->from_h[kind][1] = state_single(engine_h);
	}
}

/* The engine itself: burn beside its load, in any gear. *ret_off: how far this minute lies off;
 * NaN: not known. */
static enum burn_news watch_engine(
	struct burn *b, double quantum, struct batch_change *ret_change, double *ret_off)
{
	double load = b->minute[BURN_LOAD];
	double value = log(b->minute[BURN_RATE] / (load + b->load_zero));
	double minutes;
	double load_minutes;
	double residual = value - look_up(&b->map, BURN_EFFORT, b->minute_rpm, &minutes);
	double usual_load = exp(look_up(&b->map, BURN_LOAD, b->minute_rpm, &load_minutes));
	/* Far from the usual load, as in neutral at a speed that also drives, friction decides. */
	double lever = load_minutes >= READY_LEAST
			       ? 1 / (usual_load + b->load_zero) - 1 / (load + b->load_zero)
			       : 0;
	double doubt = fabs(lever) * sqrt(b->load_zero_var + LOAD_ZERO_RANGE * LOAD_ZERO_RANGE);

	bool idles = b->minute_rpm <= IDLE_SHARE * b->top_rpm || b->top_rpm == 0;
	bool compares = load_minutes >= READY_LEAST && doubt <= DOUBT_MOST;

	*ret_off = NAN;
	/* In neutral at a speed that also drives. */
	if (b->minute_gear == BURN_IN_NEUTRAL && !idles && !compares) {
		return BURN_QUIET;
	}
	if (!told(b) && doubt <= DOUBT_MOST) {
		learn(&b->map, BURN_EFFORT, b->minute_rpm, value, MINUTE_SD);
	}
	if (!told(b)) {
		if (minutes >= READY_LEAST && load_minutes >= READY_LEAST) {
			learn_zero(b, residual, load, usual_load);
		}
	}
	if (!is_ready(b, BURN_AT_LOAD, minutes)) {
		return BURN_QUIET;
	}
	*ret_off = residual;
	double both = hypot(quantum, 1 / (load + b->load_zero)); /* load steps by 1 % */
	return burn_news_of(batch_watch_minute(&b->watches[BURN_AT_LOAD], &load_config, residual,
		both * both / 12 + doubt * doubt, ret_change));
}

/* In neutral: has the burn at idle moved? beside_load: by what it lies off its load; NaN: not
 * heard. */
static void follow_neutral(struct burn *b, double beside_load, double engine_h)
{
	double minutes;
	double value = log(b->minute[BURN_RATE]);
	double residual = value - look_up(&b->map, BURN_NEUTRAL, b->minute_rpm, &minutes);

	if (!isnan(beside_load)) {
		follow_drift(b, BURN_SIGN_IDLE, beside_load, engine_h);
	} else if (minutes >= READY_LEAST && b->minute_counts[BURN_LOAD] == 0) {
		follow_drift(b, BURN_SIGN_IDLE, residual, engine_h);
	}
	if (!told(b)) {
		learn(&b->map, BURN_NEUTRAL, b->minute_rpm, value, MINUTE_SD);
	}
}

/* Driving: burn, load and boat speed at this engine speed. beside_load: as above. */
static enum burn_news watch_driving(struct burn *b, double quantum, double beside_load,
	double engine_h, struct batch_change *ret_change)
{
	static const enum burn_sign signs[BURN_NEUTRAL] = {
		[BURN_RATE] = BURN_SIGN_RATE,
		[BURN_LOAD] = BURN_SIGN_LOAD,
		[BURN_SPEED] = BURN_SIGN_SPEED,
		[BURN_GROUND] = BURN_SIGNS,
	};
	double rpm = b->minute_rpm;
	double residual[BURN_NEUTRAL];
	bool heard[BURN_NEUTRAL];
	bool ready[BURN_NEUTRAL];

	b->top_rpm = state_single(fmax(b->top_rpm, rpm));
	for (size_t q = 0; q < BURN_NEUTRAL; q++) {
		double minutes;
		double usual = look_up(&b->map, q, rpm, &minutes);
		heard[q] = b->minute_counts[q] >= MINUTE_WINDOWS && b->minute[q] > 0;
		residual[q] = heard[q] ? log(b->minute[q]) - usual : 0;
		ready[q] = heard[q] && is_ready(b, BURN_AT_SPEED, minutes);
	}
	/* Sails, surf or a stern wind: far less load than this speed asks for. Such minutes are no
	 * part of the map, and no sign of a change either. */
	enum burn_quantity by = ready[BURN_LOAD] ? BURN_LOAD : BURN_RATE;
	if (ready[by] && residual[by] < -HELPED) {
		return BURN_QUIET;
	}
	for (size_t q = 0; q < BURN_NEUTRAL; q++) {
		if (heard[q] && !told(b)) {
			learn(&b->map, q, rpm, log(b->minute[q]), MINUTE_SD);
		}
		if (ready[q] && signs[q] < BURN_SIGNS) {
			follow_drift(b, signs[q], residual[q], engine_h);
		}
	}
	if (!isnan(beside_load) && rpm >= DRIVING_SHARE * b->top_rpm) {
		follow_drift(b, BURN_SIGN_ENGINE, beside_load, engine_h);
	}
	if (!ready[BURN_RATE]) {
		return BURN_QUIET;
	}
	if (b->minute_gear == BURN_GEAR_UNKNOWN && rpm <= IDLE_SHARE * b->top_rpm) {
		/* In gear: what the load takes there is no sign of the engine's own. */
		double load = b->minute[BURN_LOAD];
		double usual_load = load * exp(-residual[BURN_LOAD]);
		double by_load = ready[BURN_LOAD]
					 ? log((load + b->load_zero) / (usual_load + b->load_zero))
					 : 0;
		follow_drift(b, BURN_SIGN_IDLE, residual[BURN_RATE] - by_load, engine_h);
	}
	if (b->pending != 0 && b->run_minutes < CONFIRM_MOST) {
		b->pending_minutes += b->pending_minutes < CONFIRM_MOST ? 1 : 0;
		b->run_minutes++;
		b->run_mean = state_single(
			b->run_mean + (residual[BURN_RATE] - b->run_mean) / b->run_minutes);
	}
	return burn_news_of(batch_watch_minute(&b->watches[BURN_AT_SPEED], &watch_config,
		residual[BURN_RATE], quantum * quantum / 12, ret_change));
}

static void wait_for_run(struct burn *b, bool waits)
{
	b->waits = waits;
	b->wait_minutes = 0;
	b->wait_mean = 0;
}

/* Driving: burn beside engine speed, advance and charge. */
static enum burn_news watch_factors(
	struct burn *b, double quantum, double engine_h, struct batch_change *ret_change)
{
	struct batch_watch *watch = &b->watches[BURN_AT_FACTORS];
	double sd = fmax(batch_watch_sd(watch), factors_config.least_sd);
	const struct burn_factors_minute minute = {
		.rate_lph = b->minute[BURN_RATE],
		.rpm = b->minute_rpm,
		.water_kn = b->minute_counts[BURN_SPEED] >= MINUTE_WINDOWS ? b->minute[BURN_SPEED]
									   : NAN,
		.ground_kn = b->minute_counts[BURN_GROUND] >= MINUTE_WINDOWS
				     ? b->minute[BURN_GROUND]
				     : NAN,
		.battery_v = b->last_battery_v,
		.battery_a = b->last_battery_a,
		.running_s = b->last_running_s,
	};
	struct burn_residual residual;
	uint32_t learned = b->factors.minutes;

	if (b->minute_rpm < DRIVING_SHARE * b->top_rpm ||
		!burn_factors_take(
			&b->factors, &minute, !told(b), BATCH_WATCH_MINUTES * sd * sd, &residual)) {
		return BURN_QUIET;
	}
	if (b->factors.minutes != learned) {
		b->map.revision++;
	}
	if (residual.sd > READY_SD || b->factors.minutes < READY ||
		(!burn_factors_see_advance(&b->factors) && residual.off < -HELPED)) {
		return BURN_QUIET;
	}
	follow_drift(b, BURN_SIGN_FACTORS, residual.off, engine_h);
	enum batch_news news = batch_watch_minute(
		watch, &factors_config, residual.off, quantum * quantum / 12, ret_change);
	bool long_seen = watch->batches >= BATCH_WATCH_CREEPS;
	bool explained = long_seen && batch_watch_sd(watch) <= FACTORS_SD;
	/* Where no load is heard, burn at a speed is told as soon. */
	bool nearly = long_seen && b->minute_counts[BURN_LOAD] >= MINUTE_WINDOWS &&
		      batch_watch_sd(watch) <= FACTORS_SD_RUN;
	if (b->waits && b->wait_minutes < CONFIRM_MOST) {
		double held = fmin(fmax(residual.off, -factors_config.most), factors_config.most);
		b->wait_minutes++;
		b->wait_mean = state_single(
			b->wait_mean + (held - b->wait_mean) / b->wait_minutes);
	}
	if (news == BATCH_DOWN || (news == BATCH_UP && !explained && !nearly)) {
		/* Low: a log that reads low, or sails that it does not show. High while much stays
		 * unexplained: weather. Neither is the engine's or the propeller's change. */
		batch_watch_lower(watch);
		return BURN_QUIET;
	}
	if (news == BATCH_UP && !explained) {
		wait_for_run(b, true);
		return BURN_QUIET;
	}
	if (news == BATCH_CLEARED && b->waits) {
		wait_for_run(b, false);
		return BURN_QUIET;
	}
	return burn_news_of(news);
}

/* Later runs that have to confirm burn at a speed: more while weather and battery explain it so
 * far. */
static uint32_t runs_needed(const struct burn *b)
{
	const struct batch_watch *factors = &b->watches[BURN_AT_FACTORS];
	bool explained = factors->batches >= BATCH_WATCH_CREEPS &&
			 b->pending * factors->mean < EXPLAINED_SHARE * factors_config.change;

	return explained ? CONFIRM_EXPLAINED : CONFIRM_RUNS;
}

/* The run is over: does it confirm what the factors leave over? */
static enum burn_news close_factors_run(struct burn *b, struct burn_finding *ret_finding)
{
	struct batch_watch *watch = &b->watches[BURN_AT_FACTORS];

	if (!b->waits || b->wait_minutes < CONFIRM_MINUTES) {
		return BURN_QUIET;
	}
	bool holds = b->wait_mean >= CONFIRM_SHARE * factors_config.change;
	bool spoken = spoken_for(b, BURN_AT_FACTORS, BURN_HIGH);
	wait_for_run(b, false);
	if (!holds) {
		batch_watch_lower(watch);
	}
	if (!holds || spoken) {
		return BURN_QUIET;
	}
	b->pending = b->pending > 0 ? 0 : b->pending;
	*ret_finding = burn_find(b);
	ret_finding->watch = BURN_AT_FACTORS;
	ret_finding->from_h = b->from_h[BURN_AT_FACTORS][0];
	/* Its steady hours at least: the sum's own count, and what came after. */
	ret_finding->since_h = watch->cusum.up_count / (double)BATCH_WATCH_HOUR;
	return BURN_HIGH;
}

/* The run is over, or has brought enough: does it confirm what an earlier one raised? */
static enum burn_news close_run(struct burn *b, struct burn_finding *ret_finding)
{
	struct batch_watch *watch = &b->watches[BURN_AT_SPEED];
	double off = b->pending * b->run_mean;
	bool speaks = b->run_minutes >= CONFIRM_MINUTES;
	enum burn_news news = BURN_QUIET;

	if (b->pending == 0 || !speaks) {
		return BURN_QUIET;
	}
	b->run_minutes = 0;
	b->run_mean = 0;
	if (off < CONFIRM_SHARE * watch_config.change) {
		b->pending = 0;
		batch_watch_lower(watch);
		return BURN_QUIET;
	}
	b->confirmed++;
	if (b->confirmed >= runs_needed(b)) {
		news = b->pending > 0 ? BURN_HIGH : BURN_LOW;
		b->pending = 0;
		*ret_finding = burn_find(b);
		ret_finding->watch = BURN_AT_SPEED;
		ret_finding->since_h = b->pending_h + b->pending_minutes / 60.0;
		ret_finding->from_h = b->told_from_h;
	}
	return news;
}

/* How far this minute lies off the map, in percent: what the watches clip. */
static double minute_pct(const struct burn *b, enum burn_watch_kind speaker)
{
	bool beside_load = speaker == BURN_AT_LOAD;
	double beside = beside_load ? b->minute[BURN_LOAD] + b->load_zero : 1;
	double minutes;
	double usual =
		look_up(&b->map, beside_load ? BURN_EFFORT : BURN_RATE, b->minute_rpm, &minutes);

	return minutes > 0 ? 100 * expm1(log(b->minute[BURN_RATE] / beside) - usual) : 0;
}

static bool is_wild(enum burn_watch_kind speaker, double change_pct)
{
	double most = speaker == BURN_AT_LOAD ? WILD_PCT : WILD_SPEED_PCT;

	return change_pct > most || change_pct < -100 * most / (100 + most);
}

bool burn_is_wild(const struct burn_finding *finding)
{
	return is_wild(finding->watch, finding->change_pct);
}

static void tell_since(struct burn *b, const struct burn_finding *finding)
{
	b->stood_minutes = (uint32_t)fmin(fmax(60 * finding->since_h, 0), CONFIRM_MOST);
	b->told_from_h = finding->from_h;
}

/* What has been told stands, while none tells anything new: its size and signs of late. */
static enum burn_news stand(struct burn *b, struct burn_finding *ret_finding)
{
	enum burn_watch_kind speaker = BURN_WATCHES;

	for (size_t i = 0; i < BURN_WATCHES; i++) {
		if (has_told(b, (enum burn_watch_kind)i) != 0) {
			speaker = (enum burn_watch_kind)i;
		}
	}
	if (speaker == BURN_WATCHES) {
		return BURN_QUIET;
	}
	b->stood_minutes += b->stood_minutes < CONFIRM_MOST ? 1 : 0;
	if (b->stood_minutes % BATCH_WATCH_MINUTES != 0) {
		return BURN_QUIET;
	}
	double now_pct = minute_pct(b, speaker);
	*ret_finding = burn_find(b);
	ret_finding->watch = speaker;
	ret_finding->change_pct =
		is_wild(speaker, now_pct) ? now_pct : 100 * expm1(b->watches[speaker].mean);
	ret_finding->since_h = b->stood_minutes / 60.0;
	ret_finding->from_h = b->told_from_h;
	return BURN_STANDS;
}

/* Has the load moved far and the burn hardly, against what both are at this speed? Then the load is no measure
 * of this minute. What an engine burns too much is never seen so: it moves the burn and not the load. */
static bool load_is_odd(const struct burn *b)
{
	double rate = burn_map_at(b, BURN_RATE, b->minute_rpm, NULL);
	double load = burn_map_at(b, BURN_LOAD, b->minute_rpm, NULL);

	if (b->minute_gear == BURN_IN_NEUTRAL || isnan(rate) || isnan(load)) {
		return false;
	}
	double moved = log((b->minute[BURN_LOAD] + b->load_zero) / (load + b->load_zero));
	double burned = log(b->minute[BURN_RATE] / rate);
	return fabs(moved) > ODD_LOAD && burned / moved < ODD_SHARE;
}

/* A steady minute is full. */
static enum burn_news close_minute(
	struct burn *b, double rate_step, double engine_h, struct burn_finding *ret_finding)
{
	double quantum = rate_step / b->minute[BURN_RATE];
	struct batch_change change = {0};
	enum burn_watch_kind speaker = BURN_AT_LOAD;
	enum burn_news news = BURN_QUIET;
	bool both = false; /* in the same minute */
	double beside_load = NAN;

	if (b->minute_counts[BURN_LOAD] >= MINUTE_WINDOWS && load_is_odd(b)) {
		b->minute_counts[BURN_LOAD] = 0;
	}
	if (b->minute_counts[BURN_LOAD] >= MINUTE_WINDOWS) {
		news = watch_engine(b, quantum, &change, &beside_load);
	}
	if (b->minute_gear == BURN_IN_NEUTRAL) {
		follow_neutral(b, beside_load, engine_h);
	} else if (b->minute_gear != BURN_IN_ODD_COMPANY) {
		struct batch_change other = {0};
		enum burn_news more = watch_driving(b, quantum, beside_load, engine_h, &other);
		both = more != BURN_QUIET && more == news;
		if (news == BURN_QUIET) {
			news = more;
			change = other;
			speaker = BURN_AT_SPEED;
		}
		more = watch_factors(b, quantum, engine_h, &other);
		both = both || (more != BURN_QUIET && more == news);
		if (news == BURN_QUIET) {
			news = more;
			change = other;
			speaker = BURN_AT_FACTORS;
		}
	}
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		follow_start(b, (enum burn_watch_kind)i, engine_h);
	}
	if (news == BURN_CLEARED && speaker == BURN_AT_SPEED && b->pending != 0) {
		b->pending = 0;
		return BURN_QUIET;
	}
	if (news == BURN_QUIET || (!both && spoken_for(b, speaker, news))) {
		return BURN_QUIET;
	}
	if (news != BURN_CLEARED && speaker == BURN_AT_SPEED &&
		b->minute_counts[BURN_LOAD] >= MINUTE_WINDOWS) {
		b->pending = news == BURN_HIGH ? 1 : -1;
		b->pending_h = state_single(change.since_h);
		b->told_from_h = b->from_h[BURN_AT_SPEED][news == BURN_HIGH ? 0 : 1];
		b->pending_minutes = 0;
		b->confirmed = 0;
		b->run_minutes = 0;
		b->run_mean = 0;
		return BURN_QUIET;
	}
	/* The engine beside its load has told what burn at a speed was waiting for. */
	if (news != BURN_CLEARED && b->pending == (news == BURN_HIGH ? 1 : -1)) {
		b->pending = 0;
	}
	*ret_finding = burn_find(b);
	ret_finding->watch = speaker;
	if (news != BURN_CLEARED) {
		double now_pct = minute_pct(b, speaker);
		bool same_way = now_pct > 0 ? news == BURN_HIGH : news == BURN_LOW;
		ret_finding->change_pct =
			same_way && is_wild(speaker, now_pct) ? now_pct : 100 * expm1(change.shift);
		ret_finding->since_h = change.since_h;
		ret_finding->from_h = b->from_h[speaker][news == BURN_HIGH ? 0 : 1];
	}
	return news;
}

static void clear_minute(struct burn *b)
{
	b->minute_windows = 0;
	b->minute_rpm = 0;
	for (size_t q = 0; q < BURN_QUANTITIES; q++) {
		b->minute[q] = 0;
		b->minute_counts[q] = 0;
	}
}

static bool warm(struct burn *b, const struct burn_window *window)
{
	if (isnan(window->coolant_c)) {
		return window->running_s >= WARM_S;
	}
	if (window->coolant_c < WARM_C) {
		return false;
	}
	if (window->running_s >= 2 * WARM_S) {
		double gain = b->warm_c == 0 ? 1 : 0.002;
		b->warm_c = state_single(b->warm_c + gain * (window->coolant_c - b->warm_c));
	}
	/* An engine that runs colder for good must be heard too, so half an hour is always warm. */
	return b->warm_c == 0 || window->coolant_c >= b->warm_c - WARM_BELOW_C ||
	       window->running_s >= 3 * WARM_S;
}

enum burn_news burn_take(
	struct burn *b, const struct burn_window *window, struct burn_finding *ret_finding)
{
	bool new_run = window->running_s < b->last_running_s;
	b->last_running_s = state_single(window->running_s);
	if (new_run) {
		clear_minute(b);
		enum burn_news news = close_factors_run(b, ret_finding);
		news = news == BURN_QUIET ? close_run(b, ret_finding) : news;
		b->run_minutes = 0;
		b->run_mean = 0;
		b->wait_minutes = 0;
		b->wait_mean = 0;
		if (news != BURN_QUIET) {
			tell_since(b, ret_finding);
			return news;
		}
	}
	double rpm = window->rpm;
	bool calm = window->rpm_high - window->rpm_low <= SPREAD_SHARE * rpm + SPREAD_RPM;
	bool same = fabs(rpm - b->last_rpm) <= DRIFT_SHARE * rpm + DRIFT_RPM;

	b->last_rpm = state_single(isnan(rpm) ? -1 : rpm);
	bool counts =
		rpm > 0 && calm && same && window->rate_lph > 0 && window->gear != BURN_ASTERN;
	if (!counts || !warm(b, window)) {
		clear_minute(b);
		return BURN_QUIET;
	}
	if (b->minute_windows > 0 && window->gear != b->minute_gear) {
		clear_minute(b);
	}
	b->minute_gear = window->gear;
	b->last_battery_v = state_single(window->battery_v);
	b->last_battery_a = state_single(window->battery_a);
	const double values[BURN_QUANTITIES] = {
		window->rate_lph, window->load_pct, window->water_kn, window->ground_kn, NAN, NAN};
	b->minute_windows++;
	b->minute_rpm = state_single(b->minute_rpm + (rpm - b->minute_rpm) / b->minute_windows);
	for (size_t q = 0; q < BURN_QUANTITIES; q++) {
		if (!isnan(values[q])) {
			b->minute_counts[q]++;
			b->minute[q] = state_single(
				b->minute[q] + (values[q] - b->minute[q]) / b->minute_counts[q]);
		}
	}
	if (b->minute_windows < MINUTE_WINDOWS) {
		return BURN_QUIET;
	}
	double step = isnan(window->rate_step_lph) ? 0 : window->rate_step_lph;
	enum burn_news news = close_minute(b, step, window->engine_h, ret_finding);
	if (news == BURN_HIGH || news == BURN_LOW) {
		tell_since(b, ret_finding);
	} else if (news == BURN_QUIET) {
		news = stand(b, ret_finding);
	}
	clear_minute(b);
	return news;
}

void burn_save_map(const struct burn *b, struct state_writer *w)
{
	const struct burn_map *map = &b->map;

	state_put_unsigned(w, map->version);
	state_put_unsigned(w, map->revision);
	burn_factors_save(&b->factors, w);
	for (size_t q = 0; q < BURN_QUANTITIES; q++) {
		uint64_t count = 0;
		for (size_t i = 0; i < BURN_NODES; i++) {
			count += map->weight[q][i] > 0;
		}
		state_put_unsigned(w, count);
		for (size_t i = 0; i < BURN_NODES; i++) {
			if (map->weight[q][i] > 0) {
				state_put_unsigned(w, i);
				state_put_float(w, (float)map->value[q][i]);
				state_put_float(w, (float)map->weight[q][i]);
			}
		}
	}
}

void burn_load_map(struct burn *b, struct state_reader *r)
{
	struct burn_map *map = &b->map;

	memset(map, 0, sizeof(*map));
	map->version = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	map->revision = (uint32_t)state_get_unsigned(r, UINT32_MAX);
	burn_factors_load(&b->factors, r);
	for (size_t q = 0; q < BURN_QUANTITIES; q++) {
		uint64_t count = state_get_unsigned(r, BURN_NODES);
		for (uint64_t i = 0; i < count; i++) {
			size_t node = (size_t)state_get_unsigned(r, BURN_NODES - 1);
			map->value[q][node] = (double)state_get_float(r);
			map->weight[q][node] = (double)state_get_float(r);
		}
	}
}

void burn_save(const struct burn *b, struct state_writer *w)
{
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		batch_watch_save(&b->watches[i], w);
	}
	for (size_t q = 0; q < BURN_QUANTITIES; q++) {
		state_put_float(w, (float)b->minute[q]);
		state_put_unsigned(w, b->minute_counts[q]);
	}
	for (size_t i = 0; i < BURN_SIGNS; i++) {
		state_put_float(w, (float)b->drifts[i].mean);
		state_put_float(w, (float)b->drifts[i].square);
		state_put_float(w, (float)b->drifts[i].at_h);
		state_put_unsigned(w, b->drifts[i].minutes);
		state_put_unsigned(w, b->drifts[i].known);
	}
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		state_put_float(w, (float)b->from_h[i][0]);
		state_put_float(w, (float)b->from_h[i][1]);
	}
	const double fields[] = {b->minute_rpm, b->last_rpm, b->load_zero, b->load_zero_var,
		b->told_from_h, b->warm_c, b->top_rpm, b->pending_h, b->run_mean, b->last_running_s,
		b->last_battery_v, b->last_battery_a};
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		state_put_float(w, (float)fields[i]);
	}
	state_put_unsigned(w, b->minute_windows);
	state_put_unsigned(w, b->minute_gear);
	state_put_signed(w, b->pending);
	state_put_unsigned(w, b->pending_minutes);
	state_put_unsigned(w, b->confirmed);
	state_put_unsigned(w, b->run_minutes);
	state_put_unsigned(w, b->stood_minutes);
	state_put_unsigned(w, b->waits);
	if (b->waits) {
		state_put_unsigned(w, b->wait_minutes);
		state_put_float(w, (float)b->wait_mean);
	}
}

void burn_load(struct burn *b, struct state_reader *r)
{
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		batch_watch_load(&b->watches[i], r);
	}
	for (size_t q = 0; q < BURN_QUANTITIES; q++) {
		b->minute[q] = (double)state_get_float(r);
		b->minute_counts[q] = (uint32_t)state_get_unsigned(r, MINUTE_WINDOWS);
	}
	for (size_t i = 0; i < BURN_SIGNS; i++) {
		b->drifts[i].mean = (double)state_get_float(r);
		b->drifts[i].square = (double)state_get_float(r);
		b->drifts[i].at_h = (double)state_get_float(r);
		b->drifts[i].minutes = (uint32_t)state_get_unsigned(r, DRIFT_MINUTES);
		b->drifts[i].known = (uint32_t)state_get_unsigned(r, SQUARE_MINUTES);
	}
	for (size_t i = 0; i < BURN_WATCHES; i++) {
		b->from_h[i][0] = (double)state_get_float(r);
		b->from_h[i][1] = (double)state_get_float(r);
	}
	double *fields[] = {&b->minute_rpm, &b->last_rpm, &b->load_zero, &b->load_zero_var,
		&b->told_from_h, &b->warm_c, &b->top_rpm, &b->pending_h, &b->run_mean,
		&b->last_running_s, &b->last_battery_v, &b->last_battery_a};
	for (size_t i = 0; i < sizeof(fields) / sizeof(fields[0]); i++) {
		*fields[i] = (double)state_get_float(r);
	}
	b->minute_windows = (uint32_t)state_get_unsigned(r, MINUTE_WINDOWS);
	b->minute_gear = (enum burn_gear)state_get_unsigned(r, BURN_IN_ODD_COMPANY);
	int64_t pending = state_get_signed(r);
	if (pending < -1 || pending > 1) {
		r->failed = true;
		pending = 0;
	}
	b->pending = (int32_t)pending;
	b->pending_minutes = (uint32_t)state_get_unsigned(r, CONFIRM_MOST);
	b->confirmed = (uint32_t)state_get_unsigned(r, CONFIRM_EXPLAINED);
	b->run_minutes = (uint32_t)state_get_unsigned(r, CONFIRM_MOST);
	b->stood_minutes = (uint32_t)state_get_unsigned(r, CONFIRM_MOST);
	b->waits = state_get_unsigned(r, 1) != 0;
	b->wait_minutes = b->waits ? (uint32_t)state_get_unsigned(r, CONFIRM_MOST) : 0;
	b->wait_mean = b->waits ? (double)state_get_float(r) : 0;
}
