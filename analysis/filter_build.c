#include "analysis/filter_build.h"

#include <assert.h>
#include <math.h>

static const char *const bowl_names[] = {"unknown", "clear", "metal", "none"};
static const char *const drain_names[] = {"unknown", "tap", "none"};
static const char *const loading_names[] = {"unknown", "top", "bottom", "spin-on"};
static const char *const height_names[] = {"unknown", "above-tank", "below-tank"};
static const char *const priming_names[] = {
	"unknown", "hand-pump", "lever", "bulb", "electric", "none"};
static const char *const has_names[] = {"unknown", "yes", "no"};

#define NAMES(list) .names = (list), .count = sizeof(list) / sizeof((list)[0])

static const struct filter_build_property properties[] = {
	{.key = "bowl", NAMES(bowl_names)},
	{.key = "drain", NAMES(drain_names)},
	{.key = "loading", NAMES(loading_names)},
	{.key = "height", NAMES(height_names)},
	{.key = "priming", NAMES(priming_names)},
	{.key = "shut_off", NAMES(has_names)},
	{.key = "vent", NAMES(has_names)},
	{.key = "probe", NAMES(has_names)},
};

size_t filter_build_properties(const struct filter_build_property **ret_properties)
{
	*ret_properties = properties;
	return sizeof(properties) / sizeof(properties[0]);
}

void filter_build_init(struct filter_build *build)
{
	*build = (struct filter_build){.volume_l = NAN};
}

unsigned filter_build_get(const struct filter_build *build, size_t property)
{
	const unsigned values[] = {build->bowl, build->drain, build->loading, build->height,
		build->priming, build->shut_off, build->vent, build->probe};

	assert(property < sizeof(values) / sizeof(values[0]));
	return values[property];
}

void filter_build_set(struct filter_build *build, size_t property, unsigned value)
{
	assert(property < sizeof(properties) / sizeof(properties[0]));
	assert(value < properties[property].count);
	switch (property) {
	case 0:
		build->bowl = (enum filter_bowl)value;
		break;
	case 1:
		build->drain = (enum filter_drain)value;
		break;
	case 2:
		build->loading = (enum filter_loading)value;
		break;
	case 3:
		build->height = (enum filter_height)value;
		break;
	case 4:
		build->priming = (enum filter_priming)value;
		break;
	case 5:
		build->shut_off = (enum filter_has)value;
		break;
	case 6:
		build->vent = (enum filter_has)value;
		break;
	default:
		build->probe = (enum filter_has)value;
		break;
	}
}
