/* service_steps.h: the steps for draining, changing and bleeding one filter, made from its build.
 *
 * Rows of a table, picked by the job and the filter's properties; cautions are rows too and stand
 * before the step that they belong to. Nothing here replaces the engine maker's manual, local codes or
 * a licensed technician, and every plan says so first.
 */
#ifndef SIGHTBOWL_ANALYSIS_SERVICE_STEPS_H
#define SIGHTBOWL_ANALYSIS_SERVICE_STEPS_H

#include <stddef.h>

#include "analysis/filter_build.h"

#define SERVICE_STEPS_MAX 80

enum service_job { SERVICE_DRAIN, SERVICE_CHANGE, SERVICE_BLEED, SERVICE_JOB_COUNT };

/* In the order in which they come. */
enum service_section {
	SERVICE_SECTION_FIRST,   /* what goes before these steps */
	SERVICE_SECTION_AT_HAND, /* what to have at hand */
	SERVICE_SECTION_SAFE,    /* make safe */
	SERVICE_SECTION_CLOSE,   /* take the filter out of the line */
	SERVICE_SECTION_EMPTY,   /* drain */
	SERVICE_SECTION_ELEMENT, /* change the element */
	SERVICE_SECTION_FILL,    /* refill so that no air is left */
	SERVICE_SECTION_BLEED,
	SERVICE_SECTION_LEAKS,
	SERVICE_SECTION_WASTE,
	SERVICE_SECTION_RECORD,
	SERVICE_SECTION_COUNT
};

enum service_kind {
	SERVICE_DEFERS,  /* to the manual, codes, licensed practice */
	SERVICE_ITEM,    /* a thing to have at hand */
	SERVICE_CAUTION, /* what can hurt, and how it does not */
	SERVICE_STEP,
	SERVICE_CHECK,   /* look, and what to do when it is not so */
};

/* Cautions and states of safety that a row gives, and that another row needs to have been given. */
enum service_safety {
	SERVICE_SAFE_DEFERRED = 1 << 0,
	SERVICE_SAFE_STOPPED = 1 << 1,     /* engine stopped, nobody can start it */
	SERVICE_SAFE_BATTERY = 1 << 2,     /* start battery off */
	SERVICE_SAFE_FIRE = 1 << 3,        /* flames, sparks, extinguisher */
	SERVICE_SAFE_AIR = 1 << 4,         /* ventilation */
	SERVICE_SAFE_SKIN = 1 << 5,        /* gloves, eyes */
	SERVICE_SAFE_SPILL = 1 << 6,       /* spill kit laid out, bilge pump off */
	SERVICE_SAFE_COOL = 1 << 7,        /* hot parts */
	SERVICE_SAFE_PRESSURE = 1 << 8,    /* high-pressure side */
	SERVICE_SAFE_CATCH = 1 << 9,       /* container below */
	SERVICE_SAFE_CLOSED = 1 << 10,     /* the inflow is stopped */
	SERVICE_SAFE_MOPPED = 1 << 11,     /* spilled fuel is gone before anything sparks */
	SERVICE_SAFE_MOVING = 1 << 12,     /* moving parts of a running engine */
};

struct service_line {
	enum service_section section;
	enum service_kind kind;
	const char *text;  /* static */
	unsigned gives;    /* bits of enum service_safety */
	unsigned needs;
};

struct service_plan {
	double catch_l;      /* size of the container to have; an estimate when the volume is not told */
	bool catch_estimated;
	size_t count;
	struct service_line lines[SERVICE_STEPS_MAX];
};

struct service_subject {
	struct filter_build build;
	bool suction_side; /* before the supply pump (primary) */
	bool last;         /* the last filter before the injection pump */
	bool change_over;  /* one of a set of which another can be put in use */
	bool common_rail;
};

void service_steps_plan(enum service_job job, const struct service_subject *subject,
	struct service_plan *ret_plan);

/* Title of a section for a job; static. */
const char *service_steps_title(enum service_section section);

#endif
