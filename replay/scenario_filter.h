/* scenario_filter.h: one filter of the invented boat: the element's pores, the dirt in them, the
 * restriction that results, and the sensor that reads it.
 *
 * Knows flow, viscosity and dirt as they come; nothing of time's course or of the bus. The blocking
 * of pores is solved on parallel classes of pores, not by a closed law (docs/scenario.md).
 */
#ifndef SIGHTBOWL_REPLAY_SCENARIO_FILTER_H
#define SIGHTBOWL_REPLAY_SCENARIO_FILTER_H

#include "replay/scenario.h"

#define SCENARIO_PORES_MAX 6

/* The fuel as it passes. */
struct scenario_fuel {
	double dynamic_mpas; /* viscosity by temperature, without wax */
	double density_kgl;
	double wax_k; /* kelvin below the cloud point, 0 above it */
};

struct scenario_pores {
	double share; /* of the new element's conductance */
	double area;  /* of the element's area */
	double open;  /* share not covered, 1 .. 0 */
	double bore2; /* bore's square, 1 .. 0 */
	double cake;  /* dirt on top, per area */
};

struct scenario_element_state {
	unsigned pore_count;
	struct scenario_pores pores[SCENARIO_PORES_MAX];
	double cake_press_kpa; /* greatest pressure that the cake has borne */
	double dirt_waiting;   /* dirt not yet spread, in litres of the usual fuel */
	double conductance;    /* 1 when new */
	double litres;	       /* through it */
	double dirt;	       /* come in so far, in litres of the usual fuel */
	double engine_h;
	double wax; /* reversible share of resistance by wax */
};

struct scenario_media {
	enum scenario_blocking blocking;
	double reference_lph;
	double reference_mpas; /* dynamic viscosity at 40 °C of the usual fuel */
	double reference_kgl;
	double medium_kpa;   /* new medium alone, at reference */
	double fittings_kpa; /* housing, at reference flow */
	double line_kpa;     /* suction line ahead of an outlet-vacuum sensor, at reference */
	double dirt_scale;   /* calibrated so that the usual fuel reaches the limit at life_l */
	double limit_kpa;
	double life_l;
};

/* Fits the dirt's effect to the life asked for. line_kpa is part of the limit. */
void scenario_media_init(struct scenario_media *media, const struct scenario_filter *filter,
	double reference_lph, double reference_mpas, double reference_kgl);

void scenario_element_new(
	struct scenario_element_state *e, const struct scenario_media *media, double variation);

/* Passes litres that carry dirt (1: the usual) at a flow; a perfect element keeps all of it. */
void scenario_element_pass(struct scenario_element_state *e, const struct scenario_media *media,
	double litres, double dirt, double flow_lph, const struct scenario_fuel *fuel);

/* Dirt that comes without fuel to speak of, in litres of the usual. */
void scenario_element_foul(struct scenario_element_state *e, const struct scenario_media *media,
	double dirt, double flow_lph, const struct scenario_fuel *fuel);

/* Pressure lost over element and housing, kPa. */
double scenario_element_loss_kpa(const struct scenario_element_state *e,
	const struct scenario_media *media, double flow_lph, const struct scenario_fuel *fuel);
/* The line ahead of the filter. */
double scenario_line_loss_kpa(
	const struct scenario_media *media, double flow_lph, const struct scenario_fuel *fuel);

/* What a perfect sensor would give at reference flow and viscosity, without wax. */
double scenario_element_reference_kpa(
	const struct scenario_element_state *e, const struct scenario_media *media);

/* Litres at which the limit is reached if it goes on with the usual fuel at reference flow; NaN
 * when not within 20 lives. */
double scenario_element_limit_l(
	const struct scenario_element_state *e, const struct scenario_media *media);

#endif
