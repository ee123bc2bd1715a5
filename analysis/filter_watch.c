#include "analysis/filter_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"
#include "analysis/supply_pump.h"
#include "analysis/viscosity.h"

/* Pressure sources of NMEA 2000 130314 and temperature sources of 130312. */
#define PRESSURE_ATMOSPHERIC	0
#define PRESSURE_FILTER		5
#define PRESSURE_FUEL		8
#define TEMPERATURE_SEA		0
#define TEMPERATURE_ENGINE_ROOM 3

/* A guess at an element's life, where neither this log nor the configuration knows better. */
#define LIFE_GUESS_H  150.0
#define LIFE_GUESS_SD 1.0
#define LIFE_TOLD_SD  0.8
/* … and where not even a flow is known. */
#define LIFE_GUESS_L 2000.0
/* What flow, zero and temperature leave unknown of a restriction, as a share. */
#define KNOWN_SHARE 0.05
/* restriction-high is told from this share of the limit on: what lies so near is as good as there.
 */
#define HIGH_SHARE 0.98
/* restriction-high clears below this share of the limit. */
#define HIGH_CLEARS_SHARE 0.85
/* How far the loss of a pump that sucks may be off, of itself. */
#define PUMP_LOSS_SD 0.5
/* An engine room beyond these is a sensor out of order. */
#define ROOM_LEAST_C (-30.0)
#define ROOM_MOST_C  100.0
/* A limit is not told by a fit that does not know half of what it says. */
#define VAGUE_SHARE 0.5
/* A step by less of the limit moves the fit, but is not told. */
#define JUMP_TOLD 0.06
/* A step within so many readings (ten minutes) of another sender's first is that sender's. */
#define PROVIDER_NEW 60
/* A jump waits this many windows of running for a like one in another filter. */
#define JUMP_WAITS 24
/* Readings that lie further apart are of two runs, whatever was heard in between. */
#define REST_NS 600e9
/* Factors of two filters that differ by less, in natural logarithm, are alike. */
#define JUMP_ALIKE 0.35

enum {
	CARE_JUMP = 1,
	CARE_RISING = 2,
};

void filter_watch_init(struct filter_watch *f, const struct boat_filter *filter)
{
	const struct restriction_config config = {.reference_lph = filter->reference_lph};

	memset(f, 0, sizeof(*f));
	f->watched = filter->sensor != SENSOR_NONE;
	f->fitted_ns = filter->has_fitted ? filter->fitted_ns : INT64_MIN;
	f->measured_kpa = NAN;
	f->reference_kpa = NAN;
	restriction_init(&f->restriction, &config);
	jump_watch_init(&f->steps);
	dirt_watch_init(&f->dirt);
	mute_sensor_init(&f->mute);
}

static struct restriction_config restriction_of(
	const struct boat *boat, const struct boat_filter *filter)
{
	struct restriction_config config = {
		.reference_lph = filter->reference_lph,
		.density15_kgm3 = boat->fuel_density_kgl * 1000,
		.fuel = viscosity_diesel(),
	};

	if (filter->sensor == SENSOR_SPN1381) {
		config.sense = RESTRICTION_ABSOLUTE;
	} else if (filter->sensor_kind == SENSES_OUTLET_VACUUM) {
		config.sense = RESTRICTION_GAUGE;
	} else {
		config.sense = RESTRICTION_DIFFERENTIAL;
	}
	return config;
}

static struct loading_config loading_of(
	const struct filter_watch *f, const struct boat_filter *filter)
{
	struct loading_config config = {
		.limit_kpa = filter->limit_kpa,
		.life_l = LIFE_GUESS_L,
		.life_log_sd = LIFE_GUESS_SD,
	};
	double flow_lph = restriction_reference_lph(&f->restriction);

	if (filter->change_l > 0) {
		config.life_l = filter->change_l;
		config.life_log_sd = LIFE_TOLD_SD;
	} else if (flow_lph > 0) {
		/* An element lives hours; its litres are what the pump, or the burn alone, moves.
		 */
		config.life_l = LIFE_GUESS_H * flow_lph;
	}
	return config;
}

/* The slot of its sensor's reading; −1: never heard. */
static int slot_of(const struct boat_filter *filter, const struct window_view *view)
{
	uint16_t engine = (uint16_t)filter->engine;

	switch (filter->sensor) {
	case SENSOR_SPN95:
		return source_choice_find(view->sources, SIGNAL_FUEL_FILTER, engine);
	case SENSOR_SPN1382:
		return source_choice_find(view->sources, SIGNAL_SUCTION_FILTER, engine);
	case SENSOR_SPN1381:
		return source_choice_find(view->sources, SIGNAL_FUEL_INTAKE_PRESSURE, engine);
	case SENSOR_PRESSURE:
		return window_find_kind(view, SIGNAL_PRESSURE, filter->pressure_instance,
			PRESSURE_FILTER, PRESSURE_FUEL);
	case SENSOR_NONE:
		break;
	}
	return -1;
}

static void pressure_of(const struct boat_filter *filter, const struct window_view *view,
	struct restriction_window *window)
{
	struct window_reading reading = window_read_slot(view, slot_of(filter, view));

	window->pressure_kpa = reading.mean;
	window->pressure_low_kpa = reading.low;
	window->pressure_high_kpa = reading.high;
	window->pressure_step_kpa = reading.step;
	window->air_kpa = window_read(view, SIGNAL_BAROMETRIC_PRESSURE, 0).mean;
	if (isnan(window->air_kpa)) {
		window->air_kpa =
			window_read_kind(view, SIGNAL_PRESSURE, 0, PRESSURE_ATMOSPHERIC, 0).mean;
	}
}

/* What the filter's sensor says of the suction behind it; NaN: nothing, or it is not ahead of the
 * pump. */
static double suction_of(const struct boat_filter *filter, const struct window_view *view)
{
	struct restriction_window window = {.running = true};

	pressure_of(filter, view, &window);
	if (filter->sensor == SENSOR_SPN1381) {
		double air_kpa = isnan(window.air_kpa) ? SUPPLY_PUMP_AIR_KPA : window.air_kpa;
		return air_kpa - window.pressure_kpa;
	}
	if (filter->sensor_kind == SENSES_OUTLET_VACUUM) {
		return fabs(window.pressure_kpa); /* counted up or down */
	}
	bool ahead = filter->sensor == SENSOR_SPN1382 || strcmp(filter->stage, "primary") == 0;
	return ahead ? window.pressure_kpa : NAN;
}

/* How much of its rating the engine's pump moves, sucking as it does now. */
static double pump_share(unsigned engine, const struct window_view *view)
{
	double suction_kpa = 0;

	for (size_t i = 0; i < view->boat->filter_count; i++) {
		const struct boat_filter *filter = &view->boat->filters[i];
		if (filter->engine == engine && filter->sensor != SENSOR_NONE) {
			suction_kpa = fmax(suction_kpa, suction_of(filter, view));
		}
	}
	return supply_pump_share(suction_kpa);
}

/* share: of the engine's supply that passes this filter. */
static void flow_of(const struct boat_filter *filter, const struct window_view *view, double share,
	struct restriction_window *window)
{
	const struct boat_engine *engine = &view->boat->engines[filter->engine];
	uint16_t number = (uint16_t)filter->engine;
	struct window_reading flow;
	double scale = share;

	if (engine->supply == SUPPLY_PUMP && engine->pump_rpm > 0) {
		double pumped = pump_share(filter->engine, view);
		flow = window_read(view, SIGNAL_ENGINE_SPEED, number);
		scale = share * pumped * engine->pump_lph / engine->pump_rpm;
		window->supply_sd_share = PUMP_LOSS_SD * (1 - pumped);
	} else {
		flow = window_read(view, SIGNAL_FUEL_RATE, number);
	}
	window->supply_lph = flow.mean * scale;
	window->supply_low_lph = flow.low * scale;
	window->supply_high_lph = flow.high * scale;
	window->supply_step_lph = flow.step * scale;
}

static double room_temperature(const struct window_view *view)
{
	double heard_c = window_read_kind(
		view, SIGNAL_TEMPERATURE, 0, TEMPERATURE_ENGINE_ROOM, TEMPERATURE_ENGINE_ROOM)
				 .mean;

	return heard_c >= ROOM_LEAST_C && heard_c <= ROOM_MOST_C ? heard_c : NAN;
}

static void temperature_of(const struct boat_filter *filter, const struct window_view *view,
	struct restriction_window *window)
{
	const struct boat_engine *engine = &view->boat->engines[filter->engine];

	window->fuel_c = window_read(view, SIGNAL_FUEL_TEMPERATURE, (uint16_t)filter->engine).mean;
	window->fuel_sd_c = NAN;
	if (isnan(window->fuel_c)) {
		double sea_c = window_read(view, SIGNAL_SEA_TEMPERATURE, 0).mean;
		double room_c = room_temperature(view);
		if (isnan(sea_c)) {
			sea_c = window_read_kind(
				view, SIGNAL_TEMPERATURE, 0, TEMPERATURE_SEA, TEMPERATURE_SEA)
					.mean;
		}
		restriction_guess_fuel(sea_c, room_c, engine->supply != SUPPLY_PUMP,
			&window->fuel_c, &window->fuel_sd_c);
	}
}

static struct event_claim claim_of(enum event_kind kind, unsigned index,
	const struct boat_filter *filter, enum event_severity severity)
{
	return (struct event_claim){
		.kind = kind,
		.subject = index,
		.name = filter->name,
		.severity = severity,
		.value = NAN,
		.limit = NAN,
		.unit = kind == EVENT_RESTRICTION_RISING ? "kPa/100 L" : "kPa",
		.basis = "measured",
	};
}

static void tell_jump(struct filter_watch *f, unsigned index, const struct window_view *view)
{
	struct event_claim claim = claim_of(
		EVENT_RESTRICTION_JUMP, index, &view->boat->filters[index], SEVERITY_CAUTION);
	char text[240];
	struct sentence s;

	claim.value = f->jump.after;
	claim.limit = f->jump.before;
	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, "Restriction went from ");
	sentence_number(&s, f->jump.before, 1);
	sentence_words(&s, " to ");
	sentence_number(&s, f->jump.after, 1);
	sentence_words(&s, " kPa at reference flow. Look for water or dirt in the bowl, and think "
			   "of the last fuel taken in.");
	claim.message = text;
	window_claim(view, &claim, true);
	f->cares |= CARE_JUMP;
}

/* The refuelling, in litres, that a change found at these litres may come from; 0: none. Where it
 * began is known roughly: what was taken in may lie as far before that as it took to be found, or
 * after it by half of that. */
static double preceding(
	const struct filter_watch *f, const struct loading_change *change, double litres)
{
	double way = litres - change->since_l;

	return dirt_watch_taken_in(&f->dirt, change->since_l - way, change->since_l + 0.5 * way);
}

/* The change in kPa a litre, found when so many litres had passed. filled_l: by the refuelling that
 * it began with; 0: with none that is known. */
static void tell_rising(struct filter_watch *f, unsigned index, const struct window_view *view,
	const struct loading_change *change, double litres, double filled_l)
{
	double taken_l = filled_l > 0 ? filled_l : preceding(f, change, litres);
	struct event_claim claim = claim_of(
		EVENT_RESTRICTION_RISING, index, &view->boat->filters[index], SEVERITY_CAUTION);
	char text[240];
	struct sentence s;

	claim.value = change->after * 100;
	claim.limit = change->before * 100;
	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, "Restriction now rises ");
	sentence_number(&s, change->before > 0 ? change->after / change->before : NAN, 1);
	sentence_words(&s, " times as fast as before");
	if (taken_l > 0) {
		sentence_words(&s, filled_l > 0 ? ", since " : ", after ");
		sentence_number(&s, taken_l, 0);
		sentence_words(&s, " L were taken in. Think of that fuel, and");
	} else {
		sentence_words(&s, ". The forecast counts from here;");
	}
	sentence_words(&s, " have a spare element at hand.");
	claim.message = text;
	window_claim(view, &claim, true);
	f->cares |= CARE_RISING;
}

/* A step up waits, when it is worth telling; a step down ends what was told. */
static void take_jump(struct filter_watch *f, unsigned index, const struct window_view *view,
	enum jump_news news, const struct jump_change *change)
{
	static const enum event_kind kinds[] = {EVENT_RESTRICTION_JUMP, EVENT_RESTRICTION_RISING};

	if (news == JUMP_UP) {
		double before = f->jump_windows > 0 ? f->jump.before : change->before;
		double least = JUMP_TOLD * view->boat->filters[index].limit_kpa;
		bool tells = change->after - before >= least && f->provider_windows >= PROVIDER_NEW;
		f->jump = (struct jump_change){
			.before = before, .after = change->after, .since_l = change->since_l};
		f->jump_windows = tells ? JUMP_WAITS : 0;
		return;
	}
	for (size_t i = 0; i < sizeof(kinds) / sizeof(kinds[0]); i++) {
		struct event_claim claim =
			claim_of(kinds[i], index, &view->boat->filters[index], SEVERITY_CAUTION);
		window_claim(view, &claim, false);
	}
	f->jump_windows = 0;
	f->cares = 0;
}

static void take_news(struct filter_watch *f, unsigned index, const struct window_view *view,
	double litres, enum loading_news news, const struct loading_change *change)
{
	const struct boat_filter *filter = &view->boat->filters[index];
	struct event_claim rising =
		claim_of(EVENT_RESTRICTION_RISING, index, filter, SEVERITY_CAUTION);

	switch (news) {
	case LOADING_FASTER:
		tell_rising(f, index, view, change, litres, 0);
		break;
	case LOADING_SLOWER:
		window_claim(view, &rising, false);
		f->cares &= (uint8_t)~CARE_RISING;
		break;
	case LOADING_QUIET:
		break;
	}
}

/* Has the fuel become dirtier? */
static void watch_dirt(struct filter_watch *f, unsigned index, const struct window_view *view,
	const struct loading_config *loading, double litres,
	const struct restriction_reading *reading, enum jump_news jump,
	const struct jump_change *stepped)
{
	const struct dirt_config config = {
		.limit_kpa = loading->limit_kpa, .life_l = loading->life_l};
	struct dirt_change change;

	dirt_watch_move(&f->dirt, &config, reading->rescale, reading->shift_kpa);
	if (jump == JUMP_DOWN) {
		dirt_watch_renew(
			&f->dirt); /* drained, or a sensor that lies: nothing before it holds */
	} else if (jump == JUMP_UP) {
		/* A step is told as such; what follows it is held against the same slope. */
		dirt_watch_move(&f->dirt, &config, 1, stepped->after - stepped->before);
	}
	if (dirt_watch_take(&f->dirt, &config, litres, reading->reference_kpa, reading->noise_kpa,
		    reading->common_kpa, &change) &&
		(f->cares & CARE_RISING) == 0) {
		const struct loading_change slope = {.before = change.before_kpa_l,
			.after = change.after_kpa_l,
			.since_l = change.since_l};
		tell_rising(f, index, view, &slope, litres, change.filled_l);
	}
}

void filter_watch_filled(struct filter_watch *f, double supply_l, double filled_l)
{
	if (f->begun && f->watched) {
		dirt_watch_filled(&f->dirt, fmax(supply_l - f->litres_before, 0), filled_l);
	}
}

void filter_watch_freed(struct filter_watch *f)
{
	jump_watch_renew(&f->steps);
	f->jump_windows = 0;
	dirt_watch_renew(&f->dirt);
}

void filter_watch_compare(struct filter_watch *filters, const struct boat *boat)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		for (size_t j = i + 1; j < boat->filter_count; j++) {
			struct filter_watch *one = &filters[i];
			struct filter_watch *other = &filters[j];
			double factors = one->jump.after / one->jump.before /
					 (other->jump.after / other->jump.before);
			if (boat->filters[i].engine == boat->filters[j].engine &&
				one->jump_windows > 0 && other->jump_windows > 0 &&
				fabs(log(factors)) < JUMP_ALIKE) {
				one->jump_windows = 0;
				other->jump_windows = 0;
			}
		}
	}
}

/* Does a fit not know half of what it says, where that matters? Near nothing it need not. */
static bool is_vague(double kpa, double sd_kpa, const struct boat_filter *filter)
{
	return !(sd_kpa <= VAGUE_SHARE * fmax(kpa, 0.5 * filter->limit_kpa));
}

static void judge_limit(
	const struct filter_watch *f, unsigned index, const struct window_view *view, double litres)
{
	const struct boat_filter *filter = &view->boat->filters[index];
	struct event_claim high = claim_of(EVENT_RESTRICTION_HIGH, index, filter, SEVERITY_WARNING);
	char text[240];
	struct sentence s;
	bool up = event_life_find(view->events, EVENT_RESTRICTION_HIGH, index) != NULL;
	double fit_sd_kpa;
	double at_kpa = loading_restriction(&f->loading, litres, &fit_sd_kpa);
	double sd_kpa = hypot(fit_sd_kpa, KNOWN_SHARE * at_kpa);

	if (up && at_kpa < HIGH_CLEARS_SHARE * filter->limit_kpa) {
		window_claim(view, &high, false);
	}
	if (!(at_kpa >= HIGH_SHARE * filter->limit_kpa) || is_vague(at_kpa, sd_kpa, filter)) {
		return;
	}
	high.value = at_kpa;
	high.limit = filter->limit_kpa;
	sentence_begin(&s, text, sizeof(text));
	sentence_words(&s, "At ");
	sentence_number(&s, at_kpa, 1);
	sentence_words(&s, " ± ");
	sentence_number(&s, sd_kpa, 1);
	sentence_words(&s, " of ");
	sentence_number(&s, filter->limit_kpa, 1);
	sentence_words(&s, " kPa: the element is loaded. Change it before the engine starves.");
	high.message = text;
	window_claim(view, &high, true);
}

static void watch_sensor(struct filter_watch *f, unsigned index, const struct window_view *view,
	const struct restriction_config *config, const struct restriction_window *window)
{
	const struct boat_filter *filter = &view->boat->filters[index];
	double rpm = window_read(view, SIGNAL_ENGINE_SPEED, (uint16_t)filter->engine).mean;
	struct mute_window reading = {
		.running = window->running && !isnan(rpm),
		.slot = slot_of(filter, view),
		.supply_lph = window->supply_lph,
		.reference_lph = restriction_reference_lph(&f->restriction),
		.above_kpa = restriction_above_zero(&f->restriction, config, window),
		.whole_kpa = restriction_whole(&f->restriction),
	};

	mute_sensor_window(&f->mute, index, view, &reading);
}

/* Another sender may mean another sensor, with another zero. */
static void follow_provider(
	struct filter_watch *f, const struct boat_filter *filter, const struct window_view *view)
{
	const struct slot *slot = &view->sources->slots[slot_of(filter, view)];
	uint32_t provider = (uint32_t)slot->bus << 8 | slot->source;

	if (provider != f->provider) {
		f->provider = provider;
		f->provider_windows = 0;
	}
	f->provider_windows += f->provider_windows < PROVIDER_NEW ? 1 : 0;
}

void filter_watch_window(struct filter_watch *f, unsigned index, const struct window_view *view,
	double share, double engine_h, double supply_l)
{
	const struct boat_filter *filter = &view->boat->filters[index];
	const struct engine_log *engine = &view->engines[filter->engine];
	struct restriction_config config = restriction_of(view->boat, filter);
	struct restriction_window window = {.running = engine->running && engine->on};
	struct restriction_reading reading;

	if (!f->begun) {
		f->begun = true;
		f->litres_before = supply_l;
		f->hours_before = engine_h;
	}
	if (!f->watched || !(share > 0)) {
		return; /* behind a shut valve there is nothing to read */
	}
	if (f->jump_windows > 0 && window.running) {
		f->jump_windows--;
		if (f->jump_windows == 0) {
			tell_jump(f, index, view);
		}
	}
	f->rested = f->rested || !window.running;
	pressure_of(filter, view, &window);
	flow_of(filter, view, share, &window);
	temperature_of(filter, view, &window);
	watch_sensor(f, index, view, &config, &window);
	if (f->mute.state == MUTE_FROZEN) {
		return; /* what it shows is told to be nothing */
	}
	if (restriction_take(&f->restriction, &config, &window, &reading) != RESTRICTION_READ) {
		return;
	}
	if (f->rested || !(fabs((double)(view->now.t_ns - f->read_ns)) < REST_NS)) {
		jump_watch_rested(&f->steps);
		f->rested = false;
	}
	follow_provider(f, filter, view);
	f->measured_kpa = reading.measured_kpa;
	f->reference_kpa = reading.reference_kpa;
	f->read_ns = view->now.t_ns;
	struct loading_config loading = loading_of(f, filter);
	if (!(loading.limit_kpa > 0)) {
		return; /* without a limit there is nothing to foretell */
	}
	if (!(f->loading.fit.scale_kpa > 0)) {
		loading_init(&f->loading, &loading);
	}
	struct loading_change change = {0};
	struct jump_change stepped = {0};
	double litres = fmax(supply_l - f->litres_before, 0);
	if (reading.rescale != 1 || reading.shift_kpa != 0) {
		jump_watch_move(&f->steps, reading.rescale, reading.shift_kpa);
	}
	if (reading.rescale != 1) {
		loading_rescale(&f->loading, reading.rescale);
	}
	if (reading.shift_kpa != 0) {
		loading_shift(&f->loading, reading.shift_kpa);
	}
	enum jump_news jump =
		jump_watch_take(&f->steps, loading.limit_kpa, litres, &reading, &stepped);
	if (jump != JUMP_NONE) {
		loading_step(&f->loading, litres, stepped.after);
		take_jump(f, index, view, jump, &stepped);
	} else {
		loading_hold(&f->loading, jump_watch_doubts(&f->steps));
		enum loading_news news = loading_take(&f->loading, &loading, litres,
			reading.reference_kpa, reading.noise_kpa, reading.common_kpa, &change);
		take_news(f, index, view, litres, news, &change);
	}
	watch_dirt(f, index, view, &loading, litres, &reading, jump, &stepped);
	if (f->loading.batch.minute_count == 0) {
		judge_limit(f, index, view, litres);
	}
}

static void clear_cares(unsigned index, const struct window_view *view)
{
	static const enum event_kind kinds[] = {
		EVENT_RESTRICTION_JUMP, EVENT_RESTRICTION_RISING, EVENT_RESTRICTION_HIGH};

	for (size_t i = 0; i < sizeof(kinds) / sizeof(kinds[0]); i++) {
		struct event_claim claim =
			claim_of(kinds[i], index, &view->boat->filters[index], SEVERITY_ADVICE);
		window_claim(view, &claim, false);
	}
}

void filter_watch_renew(struct filter_watch *f, unsigned index, const struct window_view *view,
	int64_t fitted_ns, double engine_h, double supply_l)
{
	const struct boat_filter *filter = &view->boat->filters[index];
	double litres = supply_l - f->litres_before;

	f->fitted_ns = fitted_ns;
	f->litres_before = supply_l;
	f->hours_before = engine_h;
	f->measured_kpa = NAN;
	f->reference_kpa = NAN;
	f->cares = 0;
	f->jump_windows = 0;
	clear_cares(index, view);
	if (f->begun && f->watched) {
		struct loading_config config = loading_of(f, filter);
		restriction_renew(&f->restriction);
		jump_watch_renew(&f->steps);
		dirt_watch_renew(&f->dirt);
		if (config.limit_kpa > 0 && f->loading.fit.scale_kpa > 0) {
			loading_renew(&f->loading, &config, fmax(litres, 0));
		}
	}
	f->told_revision = f->loading.revision;
}

bool filter_watch_fact(const struct filter_watch *f, unsigned index, const struct boat *boat,
	double engine_h, double supply_l, double use_lph, struct fact_filter *ret_fact)
{
	const struct boat_filter *filter = &boat->filters[index];
	struct loading_config config = loading_of(f, filter);
	struct loading_forecast forecast;
	double litres = supply_l - f->litres_before;

	if (!f->begun) {
		return false;
	}
	*ret_fact = (struct fact_filter){
		.filter = index,
		.t_ns = f->read_ns,
		.fitted_ns = f->fitted_ns,
		.engine_h = engine_h - f->hours_before,
		.litres = litres,
		.restriction_kpa = f->measured_kpa,
		.reference_kpa = f->reference_kpa,
		.reference_sd_kpa = NAN,
		.reference_lph = f->watched ? restriction_reference_lph(&f->restriction) : NAN,
		.limit_kpa = filter->limit_kpa,
		.left_l_p10 = NAN,
		.left_l_p50 = NAN,
		.left_l_p90 = NAN,
		.left_h_p10 = NAN,
		.left_h_p50 = NAN,
		.left_h_p90 = NAN,
	};
	memcpy(ret_fact->name, filter->name, sizeof(ret_fact->name));
	if (f->watched && config.limit_kpa > 0 &&
		loading_forecast(&f->loading, &config, litres > 0 ? litres : 0, &forecast) &&
		!is_vague(forecast.restriction_kpa, forecast.restriction_sd_kpa, filter)) {
		ret_fact->reference_kpa = forecast.restriction_kpa;
		ret_fact->reference_sd_kpa = forecast.restriction_sd_kpa;
		ret_fact->left_l_p10 = forecast.left_l_p10;
		ret_fact->left_l_p50 = forecast.left_l_p50;
		ret_fact->left_l_p90 = forecast.left_l_p90;
		if (use_lph > 0) {
			ret_fact->left_h_p10 = forecast.left_l_p10 / use_lph;
			ret_fact->left_h_p50 = forecast.left_l_p50 / use_lph;
			ret_fact->left_h_p90 = forecast.left_l_p90 / use_lph;
		}
	}
	return true;
}

double filter_watch_share(const struct filter_watch *f, const struct boat_filter *filter)
{
	return f->watched && filter->limit_kpa > 0 ? f->reference_kpa / filter->limit_kpa : NAN;
}

void filter_watch_resume(struct filter_watch *f, const struct filter_watch *kept)
{
	/* Before its engine was heard nothing is kept of it but the fitting. */
	if (f->watched == kept->watched && kept->begun &&
		!(kept->watched && restriction_is_void(&kept->restriction))) {
		*f = *kept;
		return;
	}
	f->begun = kept->begun;
	f->fitted_ns = kept->fitted_ns;
	f->litres_before = kept->litres_before;
	f->hours_before = kept->hours_before;
}

void filter_watch_save(const struct filter_watch *f, struct state_writer *w)
{
	state_put_unsigned(w, f->begun);
	state_put_signed(w, f->fitted_ns);
	if (!f->begun) {
		return;
	}
	state_put_double(w, f->litres_before);
	state_put_double(w, f->hours_before);
	if (!f->watched) {
		return;
	}
	restriction_save(&f->restriction, w);
	mute_sensor_save(&f->mute, w);
	jump_watch_save(&f->steps, w);
	loading_save_batch(&f->loading, w);
	dirt_watch_save(&f->dirt, w);
	state_put_double(w, f->measured_kpa);
	state_put_double(w, f->reference_kpa);
	state_put_signed(w, f->read_ns);
	state_put_unsigned(w, f->rested);
	state_put_unsigned(w, f->cares);
	state_put_unsigned(w, f->provider);
	state_put_unsigned(w, f->provider_windows);
	state_put_unsigned(w, f->jump_windows);
	if (f->jump_windows > 0) {
		state_put_double(w, f->jump.before);
		state_put_double(w, f->jump.after);
		state_put_double(w, f->jump.since_l);
	}
	state_put_unsigned(w, f->told_revision);
}

void filter_watch_load(struct filter_watch *f, struct state_reader *r)
{
	f->measured_kpa = NAN;
	f->reference_kpa = NAN;
	f->begun = state_get_unsigned(r, 1) != 0;
	f->fitted_ns = state_get_signed(r);
	if (!f->begun) {
		return;
	}
	f->litres_before = state_get_double(r);
	f->hours_before = state_get_double(r);
	if (!f->watched) {
		return;
	}
	restriction_load(&f->restriction, r);
	mute_sensor_load(&f->mute, r);
	jump_watch_load(&f->steps, r);
	loading_load_batch(&f->loading, r);
	dirt_watch_load(&f->dirt, r);
	f->measured_kpa = state_get_double(r);
	f->reference_kpa = state_get_double(r);
	f->read_ns = state_get_signed(r);
	f->rested = state_get_unsigned(r, 1) != 0;
	f->cares = (uint8_t)state_get_unsigned(r, 255);
	f->provider = (uint32_t)state_get_unsigned(r, UINT16_MAX);
	f->provider_windows = (uint32_t)state_get_unsigned(r, PROVIDER_NEW);
	f->jump_windows = (uint32_t)state_get_unsigned(r, JUMP_WAITS);
	if (f->jump_windows > 0) {
		f->jump.before = state_get_double(r);
		f->jump.after = state_get_double(r);
		f->jump.since_l = state_get_double(r);
	}
	f->told_revision = (uint32_t)state_get_unsigned(r, UINT32_MAX);
}

void filter_watch_save_fit(const struct filter_watch *f, struct state_writer *w)
{
	if (f->begun && f->watched) {
		loading_save_fit(&f->loading, w);
		dirt_watch_save_line(&f->dirt, w);
	}
}

void filter_watch_load_fit(struct filter_watch *f, struct state_reader *r)
{
	if (f->begun && f->watched) {
		loading_load_fit(&f->loading, r);
		dirt_watch_load_line(&f->dirt, r);
	}
}
