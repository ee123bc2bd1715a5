#include "analysis/tank_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

#define AT_REST_KN 0.5

void tank_watch_init(struct tank_watch *t)
{
	memset(t, 0, sizeof(*t));
	tank_init(&t->tank);
	t->mismatch_l = NAN;
	t->mismatch_sd_l = NAN;
}

static struct tank_config config_of(
	const struct tank_watch *t, unsigned number, const struct boat *boat)
{
	const struct boat_tank *tank = &boat->tanks[number];
	bool told = tank->present && tank->capacity_l > 0;

	return (struct tank_config){
		.capacity_l = told ? tank->capacity_l : t->capacity_l,
		.density15_kgm3 = boat->fuel_density_kgl * 1000,
	};
}

static struct window_reading level_of(unsigned number, const struct window_view *view)
{
	struct window_reading level = window_read(view, SIGNAL_TANK_LEVEL, (uint16_t)number);

	if (isnan(level.mean) && number == 0) {
		level = window_read(view, SIGNAL_FUEL_LEVEL_1, 0);
	}
	return level;
}

static void claim_mismatch(unsigned number, const struct window_view *view, enum tank_state state,
	const struct tank_news *news)
{
	char name[16];
	char text[240];
	struct sentence s;
	struct event_claim claim = {
		.kind = EVENT_TANK_MISMATCH,
		.subject = number,
		.name = name,
		.severity = SEVERITY_CAUTION,
		.value = news->mismatch_l,
		.limit = 2 * news->mismatch_sd_l,
		.unit = "L",
		.basis = "measured",
		.message = text,
	};

	sentence_begin(&s, name, sizeof(name));
	sentence_words(&s, "tank ");
	sentence_number(&s, number, 0);
	sentence_begin(&s, text, sizeof(text));
	if (state != TANK_MISMATCH_CLEARED) {
		sentence_words(&s, state == TANK_MISSING
					   ? "The level has fallen by "
					   : "The level has fallen short of the burn by ");
		sentence_number(&s, fabs(news->mismatch_l), 0);
		sentence_words(&s, " ± ");
		sentence_number(&s, 2 * news->mismatch_sd_l, 0);
		sentence_words(&s, state == TANK_MISSING
					   ? " L more than was burned: look for a leak, a transfer "
					     "or a sender that is off."
					   : " L: look at the sender, a transfer, or the burn that "
					     "the engine reports.");
	}
	window_claim(view, &claim, state != TANK_MISMATCH_CLEARED);
}

void tank_watch_window(
	struct tank_watch *t, unsigned number, const struct window_view *view, bool alone)
{
	struct window_reading level = level_of(number, view);
	double capacity_l = window_read(view, SIGNAL_TANK_CAPACITY, (uint16_t)number).last;
	double speed_kn = window_read(view, SIGNAL_GROUND_SPEED, 0).mean;
	double burned_l = 0;
	bool running = false;
	struct tank_news news;

	if (capacity_l > 0) {
		t->capacity_l = capacity_l;
	}
	struct tank_config config = config_of(t, number, view->boat);
	if (isnan(level.mean) || !(config.capacity_l > 0)) {
		return;
	}
	for (size_t i = 0; i < BOAT_ENGINES_MAX; i++) {
		burned_l += engine_log_burn_total(&view->engines[i]);
		running = running || (view->engines[i].running && view->engines[i].on);
	}
	double silent_s = (double)(view->now.t_ns - t->heard_ns) * 1e-9 - WINDOW_S;
	struct tank_window window = {
		.level_pct = level.mean,
		.burned_l = t->begun && alone ? burned_l - t->burned_l : NAN,
		.running = running,
		.at_rest = isnan(speed_kn) ? !running : speed_kn < AT_REST_KN,
		.silent_s = t->begun && silent_s > WINDOW_S ? silent_s : 0,
	};
	t->begun = true;
	t->burned_l = burned_l;
	t->heard_ns = view->now.t_ns;
	enum tank_state state = tank_take(&t->tank, &config, &window, &news);
	t->mismatch_l = news.mismatch_l;
	t->mismatch_sd_l = news.mismatch_sd_l;
	if (state == TANK_REFUELLED && view->sink->on_refuelling != NULL) {
		struct fact_refuelling fact = {
			.tank = number,
			.session = view->now.session,
			.t_ns = view->now.t_ns,
			.litres = news.filled_l,
			.litres_sd = news.filled_sd_l,
		};
		view->sink->on_refuelling(view->sink->context, &fact);
	} else if (state != TANK_QUIET && state != TANK_REFUELLED && alone) {
		claim_mismatch(number, view, state, &news);
	}
}

bool tank_watch_fact(const struct tank_watch *t, unsigned number, const struct boat *boat,
	int64_t session, struct fact_tank *ret_fact)
{
	struct tank_config config = config_of(t, number, boat);

	if (!t->begun) {
		return false;
	}
	*ret_fact = (struct fact_tank){
		.tank = number,
		.session = session,
		.t_ns = t->heard_ns,
		.mismatch_l = t->mismatch_l,
		.mismatch_sd_l = t->mismatch_sd_l,
	};
	ret_fact->volume_l = tank_volume(&t->tank, &config, &ret_fact->volume_sd_l);
	return true;
}

void tank_watch_save(const struct tank_watch *t, struct state_writer *w)
{
	state_put_unsigned(w, t->begun);
	if (t->begun) {
		tank_save(&t->tank, w);
		state_put_double(w, t->capacity_l);
		state_put_double(w, t->burned_l);
		state_put_signed(w, t->heard_ns);
		state_put_double(w, t->mismatch_l);
		state_put_double(w, t->mismatch_sd_l);
	}
}

void tank_watch_load(struct tank_watch *t, struct state_reader *r)
{
	t->begun = state_get_unsigned(r, 1) != 0;
	if (t->begun) {
		tank_load(&t->tank, r);
		t->capacity_l = state_get_double(r);
		t->burned_l = state_get_double(r);
		t->heard_ns = state_get_signed(r);
		t->mismatch_l = state_get_double(r);
		t->mismatch_sd_l = state_get_double(r);
	}
}
