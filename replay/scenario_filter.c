#include "replay/scenario_filter.h"

#include <math.h>
#include <string.h>

/* All invented. */
#define FITTINGS_SHARE 0.15 /* of a new element's loss */
#define CAKE_PRESS_KPA 4.0  /* at which the cake's resistance has risen by 2^CAKE_POWER */
#define CAKE_POWER     0.45
#define PASS_SHARE     0.002 /* dirt is spread in portions of this share of a life */
#define OPEN_LEAST     1e-3  /* some seepage always stays */

/* Which mechanism gets which share of the dirt. */
struct mechanism {
	double complete;
	double intermediate;
	double standard;
	double cake;
	bool cake_gives; /* compresses under pressure */
	bool many_pores;
};

static const struct mechanism mechanisms[] = {
	[SCENARIO_MIXED] = {0.10, 0.25, 0.25, 0.40, true, true},
	[SCENARIO_COMPLETE] = {1, 0, 0, 0, false, false},
	[SCENARIO_STANDARD] = {0, 0, 1, 0, false, false},
	[SCENARIO_INTERMEDIATE] = {0, 1, 0, 0, false, false},
	[SCENARIO_CAKE] = {0, 0, 0, 1, false, false},
	[SCENARIO_COMPRESSIBLE_CAKE] = {0, 0, 0, 1, true, false},
};

/* Bores of the classes, relative, and their number; conductance goes by number × bore^4, area by
 * number × bore^2. */
static const double bore[SCENARIO_PORES_MAX] = {0.55, 0.75, 0.95, 1.2, 1.5, 1.9};
static const double number[SCENARIO_PORES_MAX] = {0.14, 0.24, 0.26, 0.2, 0.11, 0.05};

static double cake_factor(const struct scenario_element_state *e, const struct mechanism *m)
{
	return m->cake_gives ? pow(1 + e->cake_press_kpa / CAKE_PRESS_KPA, CAKE_POWER) : 1;
}

static double pore_conductance(const struct scenario_pores *p, double cake)
{
	double medium = p->share * p->open * p->bore2 * p->bore2;

	return medium / (1 + cake * p->cake * medium / p->area);
}

static void sum_conductance(struct scenario_element_state *e, const struct mechanism *m)
{
	double cake = cake_factor(e, m);
	double sum = 0;

	for (unsigned i = 0; i < e->pore_count; i++) {
		sum += pore_conductance(&e->pores[i], cake);
	}
	e->conductance = sum;
}

void scenario_element_new(
	struct scenario_element_state *e, const struct scenario_media *media, double variation)
{
	const struct mechanism *m = &mechanisms[media->blocking];
	double conductance = 0;
	double area = 0;

	memset(e, 0, sizeof(*e));
	e->pore_count = m->many_pores ? SCENARIO_PORES_MAX : 1;
	for (unsigned i = 0; i < e->pore_count; i++) {
		double square = bore[i] * bore[i];

		conductance += number[i] * square * square;
		area += number[i] * square;
	}
	for (unsigned i = 0; i < e->pore_count; i++) {
		double square = bore[i] * bore[i];

		e->pores[i] = (struct scenario_pores){
			.share = variation * number[i] * square * square / conductance,
			.area = number[i] * square / area,
			.open = 1,
			.bore2 = 1,
		};
	}
	sum_conductance(e, m);
}

/* Spreads dirt (litres of the usual fuel, scaled) over the classes as the flow carries it. */
static void spread(struct scenario_element_state *e, const struct mechanism *m, double dirt,
	double pressed_kpa)
{
	double cake = cake_factor(e, m);
	double sum = e->conductance;

	for (unsigned i = 0; i < e->pore_count; i++) {
		struct scenario_pores *p = &e->pores[i];
		double arrived = dirt * pore_conductance(p, cake) / sum;
		double per_area = arrived / p->area;

		p->open -= m->complete * per_area + m->intermediate * per_area * p->open;
		p->open = p->open < OPEN_LEAST ? OPEN_LEAST : p->open;
		p->bore2 -= m->standard * per_area / 2;
		p->bore2 = p->bore2 < OPEN_LEAST ? OPEN_LEAST : p->bore2;
		p->cake += m->cake * arrived;
	}
	if (m->cake_gives && pressed_kpa > e->cake_press_kpa) {
		/* It gives way slowly: a share of the way each portion. */
		e->cake_press_kpa += 0.2 * (pressed_kpa - e->cake_press_kpa);
	}
	sum_conductance(e, m);
}

static double medium_loss_kpa(const struct scenario_element_state *e,
	const struct scenario_media *media, double flow_lph, const struct scenario_fuel *fuel)
{
	double flow = flow_lph / media->reference_lph;
	double thick = fuel->dynamic_mpas / media->reference_mpas;
	double loss = 0;

	if (flow <= 0) {
		return 0;
	}
	if (fuel->wax_k > 0) {
		/* Crystals thicken it, less so the faster it is sheared, and hold a pressure of
		 * their own before anything moves. */
		double grade = fuel->wax_k > 12 ? 1 : fuel->wax_k / 12;

		thick *= (1 + 0.9 * grade) * pow(flow, -0.25 * grade);
		loss = 0.4 * grade * (1 - exp(-flow / 0.1));
	}
	return loss + media->medium_kpa * thick * flow * (1 + e->wax) / e->conductance;
}

void scenario_element_pass(struct scenario_element_state *e, const struct scenario_media *media,
	double litres, double dirt, double flow_lph, const struct scenario_fuel *fuel)
{
	e->litres += litres;
	e->dirt += litres * dirt;
	e->dirt_waiting += litres * dirt;
	if (fuel->wax_k > 0) {
		e->wax += litres / media->life_l * 6 * fuel->wax_k;
		e->wax = e->wax > 2 ? 2 : e->wax;
	} else {
		e->wax -= e->wax * litres / (0.01 * media->life_l + litres);
	}
	if (e->dirt_waiting >= PASS_SHARE * media->life_l) {
		spread(e, &mechanisms[media->blocking], e->dirt_waiting * media->dirt_scale,
			medium_loss_kpa(e, media, flow_lph, fuel));
		e->dirt_waiting = 0;
	}
}

void scenario_element_foul(struct scenario_element_state *e, const struct scenario_media *media,
	double dirt, double flow_lph, const struct scenario_fuel *fuel)
{
	e->dirt += dirt;
	spread(e, &mechanisms[media->blocking], dirt * media->dirt_scale,
		medium_loss_kpa(e, media, flow_lph, fuel));
}

double scenario_element_loss_kpa(const struct scenario_element_state *e,
	const struct scenario_media *media, double flow_lph, const struct scenario_fuel *fuel)
{
	double flow = flow_lph / media->reference_lph;

	return medium_loss_kpa(e, media, flow_lph, fuel) +
	       media->fittings_kpa * flow * flow * fuel->density_kgl / media->reference_kgl;
}

double scenario_line_loss_kpa(
	const struct scenario_media *media, double flow_lph, const struct scenario_fuel *fuel)
{
	double flow = flow_lph / media->reference_lph;

	return media->line_kpa * flow * fuel->dynamic_mpas / media->reference_mpas *
	       (1 + 0.1 * (fuel->wax_k > 10 ? 10 : fuel->wax_k));
}

double scenario_element_reference_kpa(
	const struct scenario_element_state *e, const struct scenario_media *media)
{
	return media->medium_kpa / e->conductance + media->fittings_kpa + media->line_kpa;
}

double scenario_element_limit_l(
	const struct scenario_element_state *e, const struct scenario_media *media)
{
	const struct scenario_fuel fuel = {
		.dynamic_mpas = media->reference_mpas,
		.density_kgl = media->reference_kgl,
	};
	struct scenario_element_state on = *e;

	while (scenario_element_reference_kpa(&on, media) < media->limit_kpa) {
		if (on.litres > 20 * media->life_l) {
			return NAN;
		}
		scenario_element_pass(
			&on, media, PASS_SHARE * media->life_l, 1, media->reference_lph, &fuel);
	}
	return on.litres;
}

void scenario_media_init(struct scenario_media *media, const struct scenario_filter *filter,
	double reference_lph, double reference_mpas, double reference_kgl)
{
	bool vacuum =
		filter->sensor_kind == SENSES_OUTLET_VACUUM || filter->sensor == SENSOR_SPN1381;
	struct scenario_element_state e;
	double low = 0;
	double high;

	*media = (struct scenario_media){
		.blocking = filter->blocking,
		.reference_lph = reference_lph,
		.reference_mpas = reference_mpas,
		.reference_kgl = reference_kgl,
		.medium_kpa = filter->clean_kpa * (1 - FITTINGS_SHARE),
		.fittings_kpa = filter->clean_kpa * FITTINGS_SHARE,
		.line_kpa = vacuum ? 0.25 * filter->clean_kpa : 0,
		.limit_kpa = filter->limit_kpa,
		.life_l = filter->life_l,
	};
	/* No mechanism needs more than 20 + limit over clean times the dirt that fills the pores.
	 */
	high = (20 + filter->limit_kpa / filter->clean_kpa) / filter->life_l;
	for (unsigned i = 0; i < 50; i++) {
		double limit_l;

		media->dirt_scale = (low + high) / 2;
		scenario_element_new(&e, media, 1);
		limit_l = scenario_element_limit_l(&e, media);
		if (limit_l < media->life_l) {
			high = media->dirt_scale;
		} else {
			low = media->dirt_scale;
		}
	}
	media->dirt_scale = high;
}
