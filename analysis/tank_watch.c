#include "analysis/tank_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/sentence.h"

#define AT_REST_KN 0.5
#define UNFUELLED_S 60.0 /* a run that has told no litre for so long burns nobody knows how much */

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
	const struct boat_tank *tank = boat_tank(boat, number);
	double capacity_l = boat_tank_capacity(tank);
	struct tank_config config = {
		.capacity_l = capacity_l > 0 ? capacity_l : t->capacity_l,
		.density15_kgm3 = boat->fuel_density_kgl * 1000,
	};

	if (tank != NULL) {
		config.strapping = tank->strapping;
	}
	return config;
}

static struct window_reading level_of(unsigned number, const struct window_view *view)
{
	struct window_reading level = window_read(view, SIGNAL_TANK_LEVEL, (uint16_t)number);

	if (isnan(level.mean) && number < 2) {
		level = window_read(view, number == 0 ? SIGNAL_FUEL_LEVEL_1 : SIGNAL_FUEL_LEVEL_2, 0);
	}
	return level;
}

/* What the engines that draw from this tank have burned and whether one runs, and the temperature of
 * the fuel that they draw. */
struct draw {
	bool known; /* each engine's tank is known, and what each burns */
	bool running;
	double burned_l;
	double fuel_c;
};

static struct draw draw_of(unsigned number, const struct window_view *view, unsigned heard)
{
	struct draw draw = {.known = true, .fuel_c = NAN};

	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		const struct engine_log *engine = &view->engines[i];
		int told = view->boat->engines[i].tank;
		if (!engine->heard) {
			continue;
		}
		draw.known = draw.known && (told >= 0 || heard < 2);
		if (told >= 0 && (unsigned)told != number) {
			continue;
		}
		if (engine->running && engine->run.engine_s > UNFUELLED_S &&
			isnan(fuel_run_litres(&engine->fuel.run))) {
			draw.known = false;
		}
		draw.burned_l += engine_log_burn_total(engine);
		draw.running = draw.running || (engine->running && engine->on);
		if (isnan(draw.fuel_c)) {
			draw.fuel_c = window_read(view, SIGNAL_FUEL_TEMPERATURE, (uint16_t)i).mean;
		}
	}
	return draw;
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
	if (state == TANK_LEAPS) {
		claim.value = NAN;
		claim.limit = NAN;
		sentence_words(&s, "The level has fallen by a quarter of the tank within seconds, more than "
				   "once, as no fuel does: look at the sender, its plug, wire and earth.");
	} else if (state != TANK_MISMATCH_CLEARED) {
		sentence_words(&s, state == TANK_MISSING
					   ? "The level has fallen by "
					   : "The level has fallen short of the burn by ");
		sentence_number(&s, fabs(news->mismatch_l), 0);
		sentence_words(&s, " ± ");
		sentence_number(&s, 2 * news->mismatch_sd_l, 0);
		sentence_words(&s, state == TANK_MISSING
					   ? " L more than was burned: look for a leak, a "
					     "transfer, the sender, or the burn that the "
					     "engine reports."
					   : " L: look at the sender, a transfer, or the burn that "
					     "the engine reports.");
	}
	window_claim(view, &claim, state != TANK_MISMATCH_CLEARED);
}

double tank_watch_window(
	struct tank_watch *t, unsigned number, const struct window_view *view, unsigned heard)
{
	struct window_reading level = level_of(number, view);
	double capacity_l = window_read(view, SIGNAL_TANK_CAPACITY, (uint16_t)number).last;
	double speed_kn = window_read(view, SIGNAL_GROUND_SPEED, 0).mean;
	struct tank_news news;

	if (capacity_l > 0) {
		t->capacity_l = capacity_l;
	}
	struct tank_config config = config_of(t, number, view->boat);
	if (isnan(level.mean) || !(config.capacity_l > 0)) {
		return 0;
	}
	struct draw draw = draw_of(number, view, heard);
	double burned_l = draw.burned_l - t->burned_l;
	double silent_s = (double)(view->now.t_ns - t->heard_ns) * 1e-9 - WINDOW_S;
	struct tank_window window = {
		.level_pct = level.mean,
		/* Another configuration than before counts other engines: that is no burn. */
		.burned_l = t->begun && draw.known && burned_l >= 0 && burned_l <= config.capacity_l
				    ? burned_l
				    : NAN,
		.running = draw.running,
		.at_rest = isnan(speed_kn) ? !draw.running : speed_kn < AT_REST_KN,
		.silent_s = t->begun && silent_s > WINDOW_S ? silent_s : 0,
		.fuel_c = draw.fuel_c,
	};
	t->begun = true;
	t->burned_l = draw.known ? draw.burned_l : NAN;
	t->heard_ns = view->now.t_ns;
	enum tank_state state = tank_take(&t->tank, &config, &window, &news);
	t->mismatch_l = draw.known ? news.mismatch_l : NAN;
	t->mismatch_sd_l = draw.known ? news.mismatch_sd_l : NAN;
	if (state == TANK_REFUELLED && view->sink->on_refuelling != NULL) {
		struct fact_refuelling fact = {
			.tank = number,
			.session = view->now.session,
			.t_ns = view->now.t_ns,
			.litres = news.filled_l,
			.litres_sd = news.filled_sd_l,
		};
		view->sink->on_refuelling(view->sink->context, &fact);
	} else if (state != TANK_QUIET && state != TANK_REFUELLED && draw.known) {
		claim_mismatch(number, view, state, &news);
	}
	return state == TANK_REFUELLED ? news.filled_l : 0;
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
	ret_fact->volume_15_l = tank_volume15(&config, ret_fact->volume_l, t->tank.fuel_c);
	ret_fact->fuel_c = t->tank.fuel_c;
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
