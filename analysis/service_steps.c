#include "analysis/service_steps.h"

#include <assert.h>
#include <math.h>
#include <stdbool.h>

/* One line of a plan and when it belongs there: the jobs, and for each property the values for which it
 * holds, as bits (0: whatever it is). The rows stand in the order of the work. */
struct step_row {
	enum service_section section;
	enum service_kind kind;
	unsigned jobs;
	unsigned bowl;
	unsigned drain;
	unsigned loading;
	unsigned height;
	unsigned priming;
	unsigned shut_off;
	unsigned vent;
	unsigned probe;
	unsigned suction_side;
	unsigned last;
	unsigned change_over;
	unsigned common_rail;
	unsigned gives;
	unsigned needs;
	const char *text;
};

#define IS(value) (1U << (value))
#define YES       IS(1)
#define NO        IS(0)

#define DRAIN    IS(SERVICE_DRAIN)
#define CHANGE   IS(SERVICE_CHANGE)
#define BLEED    IS(SERVICE_BLEED)
#define ALL_JOBS (DRAIN | CHANGE | BLEED)

#define CLEAR        IS(FILTER_BOWL_CLEAR)
#define METAL        IS(FILTER_BOWL_METAL)
#define BOWL_UNTOLD  IS(FILTER_BOWL_UNKNOWN)
#define TAP          IS(FILTER_DRAIN_TAP)
#define NO_TAP       IS(FILTER_DRAIN_NONE)
#define TAP_UNTOLD   IS(FILTER_DRAIN_UNKNOWN)
#define TOP          IS(FILTER_LOADING_TOP)
#define BOTTOM       IS(FILTER_LOADING_BOTTOM)
#define SPIN_ON      IS(FILTER_LOADING_SPIN_ON)
#define LOAD_UNTOLD  IS(FILTER_LOADING_UNKNOWN)
#define ABOVE        IS(FILTER_HEIGHT_ABOVE)
#define BELOW        IS(FILTER_HEIGHT_BELOW)
#define LEVEL_UNTOLD IS(FILTER_HEIGHT_UNKNOWN)
#define HAND_PUMP    IS(FILTER_PRIMING_HAND_PUMP)
#define LEVER        IS(FILTER_PRIMING_LEVER)
#define BULB         IS(FILTER_PRIMING_BULB)
#define ELECTRIC     IS(FILTER_PRIMING_ELECTRIC)
#define NO_PUMP      IS(FILTER_PRIMING_NONE)
#define PUMP_UNTOLD  IS(FILTER_PRIMING_UNKNOWN)
#define HAS          IS(FILTER_HAS)
#define HAS_NOT      IS(FILTER_HAS_NOT)
#define HAS_UNTOLD   IS(FILTER_HAS_UNKNOWN)

/* Before fuel can come out, and before the filter's housing is opened. */
#define NEEDS_FUEL_OUT                                                                             \
	(SERVICE_SAFE_DEFERRED | SERVICE_SAFE_STOPPED | SERVICE_SAFE_BATTERY | SERVICE_SAFE_FIRE | \
		SERVICE_SAFE_AIR | SERVICE_SAFE_SKIN | SERVICE_SAFE_SPILL | SERVICE_SAFE_COOL |    \
		SERVICE_SAFE_CATCH)
#define NEEDS_OPEN (NEEDS_FUEL_OUT | SERVICE_SAFE_CLOSED)

/* Said in several rows that exclude each other. */
static const char clean_fuel[] = "Clean fuel to top the filter up with, strained, in a clean can";
static const char slacken_vent[] =
	"Slacken the vent screw at the top of the filter by one turn, with a rag round it.";
static const char slacken_any[] =
	"If there is a screw at the top that lets air out, slacken it by one turn, with a rag round it.";
static const char tighten_vent[] = "Tighten the vent screw, with its new washer, while fuel without "
				   "bubbles comes out; wipe it dry.";
static const char tighten_any[] =
	"Tighten that screw again while fuel without bubbles comes out; wipe it dry.";
static const char put_back[] = "Nothing will fill this filter by itself: put in as much clean fuel as is "
			       "missing, where fuel comes in, at its top or by taking its lower part off.";
static const char put_back_if[] = "If the tank is not above this filter, nothing will fill it by itself: put "
				  "in as much clean fuel as is missing, where fuel comes in, at its top or by "
				  "taking its lower part off.";

static const struct step_row rows[] = {
	/* what goes before */
	{
		.section = SERVICE_SECTION_FIRST,
		.kind = SERVICE_DEFERS,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_DEFERRED,
		.text = "The engine maker's and the filter maker's manuals, local codes and a licensed "
			"technician's advice go before these steps. Where they differ, follow them.",
	},
	{
		.section = SERVICE_SECTION_FIRST,
		.kind = SERVICE_DEFERS,
		.jobs = ALL_JOBS,
		.common_rail = YES,
		.text = "A common-rail engine is bled as its manual says and in no other way; some "
			"need a workshop's tool. Do not open anything after the injection pump.",
	},

	/* at hand */
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = ALL_JOBS,
		.text = "A container for the fuel, with a lid, of the size given above",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN | CHANGE,
		.text = "A clear jar, to see what comes out, and a torch",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = ALL_JOBS,
		.text = "The spill kit: absorbent pads, rags, a bag that fuel does not go through",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = ALL_JOBS,
		.text = "Gloves that fuel does not go through, eye protection, soap and water",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = ALL_JOBS,
		.text = "A fire extinguisher for burning liquids (class B)",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = ALL_JOBS,
		.text = "A label for the helm: do not start, fuel system open",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.text = "The new element: compare its number and its micron rating with the old one's",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.text = "New seals for the joints that you will open",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = TOP,
		.text = "The new seals of the lid and of its screw",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = BOTTOM,
		.text = "The new seals between bowl and head",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.text = "The can's new seal, and a strap wrench that fits the can",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.bowl = CLEAR | METAL,
		.text = "The new seal between bowl and can",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = LOAD_UNTOLD,
		.text = "All new seals that come with the element, and the tool that opens the filter",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = SPIN_ON,
		.text = "A strap wrench that fits the can",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN | CHANGE,
		.drain = NO_TAP,
		.loading = TOP,
		.text = "A hand suction pump with a thin hose that reaches the bottom of the filter",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = TOP | BOTTOM | LOAD_UNTOLD,
		.text = "Clean fuel to fill the filter with, strained, in a clean can",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.last = NO,
		.text = "Clean fuel to fill the filter with, strained, in a clean can",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN | BLEED,
		.loading = TOP,
		.text = clean_fuel,
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.text = clean_fuel,
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN,
		.drain = TAP | TAP_UNTOLD,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.height = ABOVE | LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.text = clean_fuel,
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = BLEED,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.height = ABOVE | LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.text = clean_fuel,
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = ALL_JOBS,
		.vent = HAS,
		.text = "A spanner for the vent screw, and its new sealing washer",
	},
	{
		.section = SERVICE_SECTION_AT_HAND,
		.kind = SERVICE_ITEM,
		.jobs = DRAIN | CHANGE,
		.shut_off = HAS_NOT,
		.height = BELOW | LEVEL_UNTOLD,
		.text = "A flat-jawed clamp for the hose from the tank, or a plug for its end",
	},

	/* make safe */
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.change_over = NO,
		.text = "See that the boat can do without its engine: moored, at anchor, or with sea "
			"room under sail.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.change_over = YES,
		.text = "See that the boat can do without its engine. If it cannot, put the other "
			"filter of the set in use and do this work later.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_STOPPED,
		.text = "Stop the engine, take the key away and hang the label at the helm.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_BATTERY,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Switch the start battery off.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_FIRE,
		.text = "Fire: no flame, no smoking, cooker and heater off, nothing that sparks; keep "
			"the extinguisher within reach.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_AIR,
		.text = "Vapour: open the hatches and air the engine space well, now and while you "
			"work. Fuel vapour makes ill and can burn.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_COOL,
		.text = "Hot engine: let it cool. Hot parts burn skin and light fuel that drips on them.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_SKIN,
		.text = "Skin and eyes: wear the gloves and the eye protection; wash fuel off at once "
			"with soap and water.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_PRESSURE,
		.text = "High-pressure injection: do not open the lines between injection pump and "
			"injectors. A jet goes through skin; that is an emergency, go to hospital at "
			"once.",
	},
	{
		.section = SERVICE_SECTION_SAFE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_SPILL,
		.text = "Lay pads below the filter and switch the automatic bilge pump off, so that no "
			"fuel goes overboard.",
	},

	/* out of the line */
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN | CHANGE,
		.change_over = YES,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Turn the set's handle right over to the other filter. It may not close "
			"tight: treat this filter as still joined to the line.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.shut_off = HAS,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Close the shut-off valve between tank and filter.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS,
		.drain = TAP,
		.height = ABOVE | LEVEL_UNTOLD,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Close the shut-off valve between tank and filter.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS,
		.drain = NO_TAP | TAP_UNTOLD,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Close the shut-off valve between tank and filter.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN | CHANGE,
		.shut_off = HAS_UNTOLD,
		.height = ABOVE | LEVEL_UNTOLD,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Stop the flow from the tank: close the valve at the tank or in the line if "
			"there is one, else clamp the hose.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.shut_off = HAS_UNTOLD,
		.height = BELOW,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Stop the flow from the tank: close the valve at the tank or in the line if "
			"there is one, else clamp the hose. This filter is below the tank's level: "
			"without that the tank runs out.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_UNTOLD,
		.drain = NO_TAP | TAP_UNTOLD,
		.height = BELOW,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Stop the flow from the tank: close the valve at the tank or in the line if "
			"there is one, else clamp the hose. This filter is below the tank's level: "
			"without that the tank runs out.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN | CHANGE,
		.shut_off = HAS_NOT,
		.height = ABOVE,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "There is nothing to close: the filter is above the tank's level, and fuel "
			"falls back to the tank when air gets in.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.shut_off = HAS_NOT,
		.height = BELOW | LEVEL_UNTOLD,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Clamp the soft hose from the tank, or take its end off, hold it above the "
			"tank's level and plug it. Without that a tank above the filter runs out.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_NOT,
		.height = LEVEL_UNTOLD,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Clamp the soft hose from the tank, or take its end off, hold it above the "
			"tank's level and plug it. Without that a tank above the filter runs out.",
	},
	{
		.section = SERVICE_SECTION_CLOSE,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_NOT,
		.drain = NO_TAP | TAP_UNTOLD,
		.height = BELOW,
		.gives = SERVICE_SAFE_CLOSED,
		.needs = SERVICE_SAFE_STOPPED,
		.text = "Clamp the soft hose from the tank, or take its end off, hold it above the "
			"tank's level and plug it. Without that a tank above the filter runs out.",
	},

	/* drain */
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN | CHANGE,
		.gives = SERVICE_SAFE_CATCH,
		.text = "Put the container under the filter.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_CHECK,
		.jobs = DRAIN | CHANGE,
		.bowl = CLEAR,
		.text = "Look through the bowl with the torch: water lies under the fuel with a sharp "
			"line; slime is growth, dark specks are rust or tank dirt.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP,
		.height = BELOW,
		.needs = NEEDS_FUEL_OUT,
		.text = "Open the drain tap slowly over the jar and stay at it: the tank's level keeps "
			"it running. Let it run until only clean fuel comes, then close it.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP,
		.height = ABOVE | LEVEL_UNTOLD,
		.vent = HAS,
		.needs = NEEDS_OPEN,
		.text = "Slacken the vent screw so that air gets in, then open the drain tap slowly "
			"over the jar until only clean fuel comes, and close both.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP,
		.height = ABOVE | LEVEL_UNTOLD,
		.loading = TOP,
		.vent = HAS_NOT | HAS_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Slacken the lid so that air gets in, then open the drain tap slowly over the "
			"jar until only clean fuel comes, and close it.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP,
		.height = ABOVE | LEVEL_UNTOLD,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.vent = HAS_NOT | HAS_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Open the drain tap slowly over the jar until only clean fuel comes, then "
			"close it. If nothing comes, no air gets in at the top: slacken the highest "
			"joint of the filter a little.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.drain = TAP,
		.vent = HAS,
		.needs = NEEDS_OPEN,
		.text = "Slacken the vent screw so that air gets in, open the drain tap slowly over "
			"the jar, let the filter run empty, and close both.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.drain = TAP,
		.loading = TOP,
		.vent = HAS_NOT | HAS_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Slacken the lid so that air gets in, open the drain tap slowly over the jar, "
			"let the filter run half empty, and close it.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.drain = TAP,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.vent = HAS_NOT | HAS_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Open the drain tap slowly over the jar and let the filter run empty, then "
			"close it. If nothing comes, no air gets in at the top: slacken the highest "
			"joint of the filter a little.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN | CHANGE,
		.drain = TAP_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "If the filter has a drain, let air in at the top, open it slowly over the jar "
			"until only clean fuel comes, and close it. If it has none, water is taken out "
			"with the element.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = TOP,
		.needs = NEEDS_OPEN,
		.text = "Open the lid, lift the element just enough, and suck the water from the "
			"bottom with the hand suction pump into the jar.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = BOTTOM,
		.probe = HAS,
		.text = "Unplug the water probe.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = SPIN_ON,
		.probe = HAS,
		.text = "Unplug the water probe.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = BOTTOM,
		.needs = NEEDS_OPEN,
		.text = "Undo the bowl, lower it upright, and pour it into the jar.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = SPIN_ON,
		.needs = NEEDS_OPEN,
		.text = "Unscrew the can, keep it upright, and pour it into the jar. If it held much "
			"water, fit a new one.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = LOAD_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Open the filter as its maker says and empty its lowest part into the jar.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_CHECK,
		.jobs = CHANGE,
		.drain = TAP,
		.height = BELOW | LEVEL_UNTOLD,
		.text = "If fuel keeps running, the flow from the tank is not stopped: close the drain "
			"tap and see to that first.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_CHECK,
		.jobs = DRAIN,
		.text = "Let the jar stand for some minutes: water sinks. Note how much there was and "
			"how it looked. Water again soon after means water in the tank: drain its "
			"lowest point and find where it comes in.",
	},
	{
		.section = SERVICE_SECTION_EMPTY,
		.kind = SERVICE_CHECK,
		.jobs = CHANGE,
		.drain = TAP | TAP_UNTOLD,
		.text = "Let the jar stand for some minutes: water sinks. Note how much there was and "
			"how it looked. Water again soon after means water in the tank: drain its "
			"lowest point and find where it comes in.",
	},

	/* the element */
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_CHECK,
		.jobs = CHANGE,
		.drain = NO_TAP,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.text = "When you pour it out, catch the last of it in the jar: water lies lowest. "
			"Let it stand for some minutes; note how much water there was and how it "
			"looked. Water again soon after means water in the tank: drain its lowest "
			"point and find where it comes in.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = TOP,
		.needs = NEEDS_OPEN,
		.text = "Take the lid off. Lift the old element slowly, let it drip into the filter, "
			"and put it in the bag.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.drain = NO_TAP,
		.loading = TOP,
		.needs = NEEDS_OPEN,
		.text = "Suck what lies at the bottom of the filter into the jar with the hand "
			"suction pump, and let it stand for some minutes: water sinks. Note how much "
			"there was. Water again soon after means water in the tank: drain its lowest "
			"point and find where it comes in.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = TOP,
		.text = "Wipe the inside with a clean rag that leaves no lint. Put the new element in "
			"the right way up until it seats.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = BOTTOM | SPIN_ON,
		.probe = HAS,
		.text = "Unplug the water probe.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = BOTTOM | SPIN_ON,
		.probe = HAS_UNTOLD,
		.text = "If there is a plug with a cable at the bottom, unplug it.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = BOTTOM,
		.needs = NEEDS_OPEN,
		.text = "Hold the bowl, undo it, and lower it upright with the old element in it. Pour "
			"the fuel into the container; put the element in the bag.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = BOTTOM,
		.text = "Wipe bowl and head with a clean rag that leaves no lint. Fit the new seals, "
			"wetted with fuel, and the new element.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.needs = NEEDS_OPEN,
		.text = "Unscrew the can with the strap wrench, keep it upright, pour it into the "
			"container; put it in the bag.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.bowl = CLEAR | METAL,
		.text = "Unscrew the bowl from the old can, wipe it, and screw it hand-tight on the "
			"new can with its new seal.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.bowl = BOWL_UNTOLD,
		.text = "If a bowl is screwed on the old can, wipe it and screw it hand-tight on the "
			"new one with its new seal.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_CHECK,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.text = "See that the old seal has not stayed on the head: two seals leak. Wipe the "
			"head and wet the new seal with fuel.",
	},
	{
		.section = SERVICE_SECTION_ELEMENT,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = LOAD_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Open the filter as its maker says, keep what holds fuel upright, and put the "
			"old element in the bag. Wipe the inside with a clean rag that leaves no lint; "
			"fit the new element with all its new seals, wetted with fuel.",
	},

	/* refill */
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = BLEED,
		.gives = SERVICE_SAFE_CATCH,
		.text = "Put the container under the filter.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_CHECK,
		.jobs = BLEED,
		.text = "See that there is fuel in the tank, well above its outlet, and find out where "
			"the air came in: the line run dry, a loose clip, a seal, an empty tank.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_CAUTION,
		.jobs = CHANGE,
		.loading = TOP | BOTTOM | LOAD_UNTOLD,
		.last = YES,
		.common_rail = YES,
		.text = "This is the last filter before a common-rail pump: many engine makers forbid "
			"to pour fuel into it. Where the manual says so, fit it empty and let the "
			"pump fill it.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = TOP,
		.needs = NEEDS_OPEN,
		.text = "Fill the filter to the brim with clean fuel, poured round the element and "
			"never into its middle. Let it soak for a minute, top up, and close the lid "
			"with its new seals.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP | TAP_UNTOLD,
		.loading = TOP,
		.needs = NEEDS_OPEN,
		.text = "Fill the filter to the brim with clean fuel, poured round the element and "
			"never into its middle, and close the lid.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP,
		.height = ABOVE | LEVEL_UNTOLD,
		.loading = TOP,
		.needs = NEEDS_OPEN,
		.text = "Fill the filter to the brim with clean fuel, poured round the element and "
			"never into its middle, and close the lid.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = BLEED,
		.loading = TOP,
		.height = ABOVE | LEVEL_UNTOLD,
		.needs = NEEDS_FUEL_OUT,
		.text = "Open the lid, fill the filter to the brim with clean fuel, poured round the "
			"element and never into its middle, and close the lid.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = BOTTOM,
		.needs = NEEDS_OPEN,
		.text = "Fill the bowl with clean fuel round the element, lift it, and tighten it as "
			"its maker says.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = BOTTOM,
		.needs = NEEDS_OPEN,
		.text = "Wipe the bowl, fill it with clean fuel round the element, fit it again with its "
			"new seals, and tighten it as its maker says.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.last = NO,
		.needs = NEEDS_OPEN,
		.text = "Fill the can with clean fuel through its outer holes only. Screw it on by "
			"hand until the seal touches, then as far as is printed on it.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = SPIN_ON,
		.last = YES,
		.needs = NEEDS_OPEN,
		.text = "Fit the can empty: fuel poured into the last filter reaches the injection "
			"pump unfiltered. Screw it on by hand until the seal touches, then as far as is "
			"printed on it.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = SPIN_ON,
		.last = NO,
		.needs = NEEDS_OPEN,
		.text = "Fill it again with clean fuel through its outer holes only, wet the seal "
			"with fuel, and screw the can on by hand until the seal touches, then as far "
			"as is printed on it.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = SPIN_ON,
		.last = YES,
		.needs = NEEDS_OPEN,
		.text = "Wet the seal with fuel and screw the can on, empty, by hand until the seal "
			"touches, then as far as is printed on it.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = LOAD_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Fill it with clean fuel on the side where fuel comes in, never on the clean "
			"side, and close it as its maker says.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = LOAD_UNTOLD,
		.needs = NEEDS_OPEN,
		.text = "Fill it with clean fuel on the side where fuel comes in, never on the clean "
			"side, and close it as its maker says, with new seals.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP | TAP_UNTOLD,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.height = ABOVE,
		.priming = NO_PUMP,
		.needs = NEEDS_OPEN,
		.text = put_back,
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = BLEED,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.height = ABOVE,
		.priming = NO_PUMP,
		.needs = NEEDS_FUEL_OUT,
		.text = put_back,
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = TAP | TAP_UNTOLD,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.height = LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.needs = NEEDS_OPEN,
		.text = put_back_if,
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = BLEED,
		.loading = BOTTOM | SPIN_ON | LOAD_UNTOLD,
		.height = LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.needs = NEEDS_FUEL_OUT,
		.text = put_back_if,
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.loading = BOTTOM | SPIN_ON,
		.probe = HAS,
		.text = "Plug the water probe in again.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.drain = NO_TAP,
		.loading = BOTTOM | SPIN_ON,
		.probe = HAS,
		.text = "Plug the water probe in again.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE | BLEED,
		.shut_off = HAS,
		.text = "Open the shut-off valve between tank and filter.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS,
		.drain = NO_TAP | TAP_UNTOLD,
		.text = "Open the shut-off valve between tank and filter.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS,
		.drain = TAP,
		.height = ABOVE | LEVEL_UNTOLD,
		.text = "Open the shut-off valve between tank and filter.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE | BLEED,
		.shut_off = HAS_UNTOLD,
		.text = "Open all valves between tank and filter and take off any clamp.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_UNTOLD,
		.height = ABOVE | LEVEL_UNTOLD,
		.text = "Open all valves between tank and filter and take off any clamp.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_UNTOLD,
		.drain = NO_TAP | TAP_UNTOLD,
		.height = BELOW,
		.text = "Open all valves between tank and filter and take off any clamp.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = CHANGE,
		.shut_off = HAS_NOT,
		.height = BELOW | LEVEL_UNTOLD,
		.text = "Take the clamp off the hose, or fit its end again and tighten its clips.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_NOT,
		.height = LEVEL_UNTOLD,
		.text = "Take the clamp off the hose, or fit its end again and tighten its clips.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = DRAIN,
		.shut_off = HAS_NOT,
		.drain = NO_TAP | TAP_UNTOLD,
		.height = BELOW,
		.text = "Take the clamp off the hose, or fit its end again and tighten its clips.",
	},
	{
		.section = SERVICE_SECTION_FILL,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.change_over = YES,
		.text = "Turn the set's handle to this filter again for as long as you bleed it.",
	},

	/* bleed */
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_CHECK,
		.jobs = DRAIN,
		.drain = TAP,
		.height = BELOW,
		.text = "No air got in if the fuel ran to the end. If it stopped by itself, bleed the "
			"filter as follows; else leave this out.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = ELECTRIC | PUMP_UNTOLD,
		.gives = SERVICE_SAFE_MOPPED,
		.text = "Mop up all spilled fuel, put the pads in the bag, and air the space again "
			"before you switch anything on.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_CHECK,
		.jobs = ALL_JOBS,
		.priming = ELECTRIC | PUMP_UNTOLD,
		.vent = HAS,
		.suction_side = YES,
		.text = "If the lift pump sits between this filter and the engine, it would draw air "
			"in at the vent screw: leave that shut then, and let air out at the next "
			"point after the pump.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_CHECK,
		.jobs = ALL_JOBS,
		.priming = ELECTRIC | PUMP_UNTOLD,
		.vent = HAS_UNTOLD,
		.suction_side = YES,
		.text = "If the lift pump sits between this filter and the engine, it would draw air "
			"in at a screw at the top: leave that shut then, and let air out at the next "
			"point after the pump.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = HAND_PUMP | BULB | ELECTRIC | PUMP_UNTOLD,
		.vent = HAS,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = slacken_vent,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = LEVER,
		.vent = HAS,
		.suction_side = NO,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = slacken_vent,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.height = BELOW | LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.vent = HAS,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = slacken_vent,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.height = BELOW,
		.priming = LEVER,
		.vent = HAS,
		.suction_side = YES,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = "Slacken the vent screw at the top of the filter by one turn, with a rag "
			"round it: the tank's level fills the filter. Tighten it, with its new "
			"washer, when fuel without bubbles comes, before you pump: the lift pump is "
			"behind this filter and would draw air in there.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.height = ABOVE | LEVEL_UNTOLD,
		.priming = LEVER,
		.vent = HAS,
		.suction_side = YES,
		.text = "Leave the vent screw shut: the lift pump is behind this filter and would "
			"draw air in there. What air is left comes out at the next point.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = LEVER,
		.vent = HAS_UNTOLD,
		.suction_side = YES,
		.text = "Leave a screw at the top shut, if there is one: the lift pump is behind this "
			"filter and would draw air in there. What air is left comes out at the next "
			"point.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = HAND_PUMP | BULB | ELECTRIC | PUMP_UNTOLD,
		.vent = HAS_UNTOLD,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = slacken_any,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = LEVER,
		.vent = HAS_UNTOLD,
		.suction_side = NO,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = slacken_any,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.height = BELOW | LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.vent = HAS_UNTOLD,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = slacken_any,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = HAND_PUMP,
		.needs = NEEDS_FUEL_OUT,
		.text = "Work the hand pump on the filter until fuel comes without bubbles or the pump "
			"goes hard.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = LEVER,
		.needs = NEEDS_FUEL_OUT,
		.text = "Work the hand lever of the lift pump until fuel comes without bubbles, or the "
			"lever goes hard or loose and moves no more. If it has no stroke, its cam holds "
			"it: turn the engine half a turn by hand.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = BULB,
		.needs = NEEDS_FUEL_OUT,
		.text = "Hold the squeeze bulb with its arrow up and squeeze until fuel comes without "
			"bubbles or the bulb goes hard.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = ELECTRIC,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_MOPPED,
		.text = "Switch the battery on and let the electric lift pump run, without starting, "
			"until fuel comes without bubbles; switch it off again.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = PUMP_UNTOLD,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_MOPPED,
		.text = "Pump with what the line has, by hand or with its electric lift pump and "
			"without starting, until fuel comes without bubbles.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = NO_PUMP,
		.height = BELOW,
		.needs = NEEDS_FUEL_OUT,
		.text = "Wait: the tank's level fills the filter by itself. Fuel without bubbles says "
			"that it is full.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = NO_PUMP,
		.height = ABOVE,
		.needs = NEEDS_FUEL_OUT,
		.text = "Nothing pumps here: the filter must be full by pouring. What air is left goes "
			"to the next point that can be bled, or through the engine's own feed pump.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = NO_PUMP,
		.height = LEVEL_UNTOLD,
		.needs = NEEDS_FUEL_OUT,
		.text = "Nothing pumps here: a tank above the filter fills it by itself; one below "
			"does not, and then the filter must be full by pouring.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = HAND_PUMP | BULB | ELECTRIC | PUMP_UNTOLD,
		.vent = HAS,
		.text = tighten_vent,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = LEVER,
		.vent = HAS,
		.suction_side = NO,
		.text = tighten_vent,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.height = BELOW | LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.vent = HAS,
		.text = tighten_vent,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = HAND_PUMP | BULB | ELECTRIC | PUMP_UNTOLD,
		.vent = HAS_UNTOLD,
		.text = tighten_any,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.priming = LEVER,
		.vent = HAS_UNTOLD,
		.suction_side = NO,
		.text = tighten_any,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.height = BELOW | LEVEL_UNTOLD,
		.priming = NO_PUMP,
		.vent = HAS_UNTOLD,
		.text = tighten_any,
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = CHANGE | BLEED,
		.last = NO,
		.common_rail = NO,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = "Go on from the tank towards the engine, one point at a time: the next filter, "
			"then the low-pressure point that the engine's manual names on the injection "
			"pump. No further.",
	},
	{
		.section = SERVICE_SECTION_BLEED,
		.kind = SERVICE_STEP,
		.jobs = CHANGE | BLEED,
		.last = YES,
		.common_rail = NO,
		.needs = NEEDS_FUEL_OUT | SERVICE_SAFE_PRESSURE,
		.text = "Then the low-pressure point that the engine's manual names on the injection "
			"pump. No further.",
	},

	/* leaks */
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_MOPPED,
		.text = "Wipe every joint dry, mop up all spilled fuel, put the pads in the bag and air "
			"the space again.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.gives = SERVICE_SAFE_MOVING,
		.text = "Moving parts: once the engine turns, keep hands, hair and sleeves from belts "
			"and shafts.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CAUTION,
		.jobs = ALL_JOBS,
		.text = "Starter and exhaust: turn the engine for no more than 10 s at a time, with "
			"pauses. A wet exhaust fills with water when an engine is turned long without "
			"firing: do what its manual says about that.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.needs = SERVICE_SAFE_MOPPED | SERVICE_SAFE_MOVING | SERVICE_SAFE_FIRE |
			SERVICE_SAFE_AIR,
		.text = "Take the label off, switch the battery on, start, and let the engine run "
			"faster than idle for some minutes.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CHECK,
		.jobs = ALL_JOBS,
		.suction_side = NO,
		.text = "Go round every joint that was open with a torch and a dry tissue, idle and "
			"faster. A drop: stop, switch off, and do that joint again.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CHECK,
		.jobs = ALL_JOBS,
		.suction_side = YES,
		.text = "Go round every joint that was open with a torch and a dry tissue, stopped and "
			"running. A leak before the supply pump draws air in and may show no drop: an "
			"engine that hunts or dies is a sign of it. Stop, switch off, and do that joint "
			"again.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CHECK,
		.jobs = ALL_JOBS,
		.bowl = CLEAR,
		.text = "Bubbles that go on in the bowl mean that air still comes in.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CHECK,
		.jobs = DRAIN,
		.text = "An engine that will not start, hunts or dies after this has air in its fuel: "
			"bleed from this filter on towards the engine, as 'steps bleed' says.",
	},
	{
		.section = SERVICE_SECTION_LEAKS,
		.kind = SERVICE_CHECK,
		.jobs = ALL_JOBS,
		.text = "Look again after an hour's running, and the next day.",
	},

	/* waste */
	{
		.section = SERVICE_SECTION_WASTE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.text = "Close and mark the container. Keep it and the bag away from heat, and hand "
			"both in at a reception point for oily waste: nothing overboard, nothing in the "
			"bin.",
	},
	{
		.section = SERVICE_SECTION_WASTE,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.text = "When the bilge is free of fuel, switch the automatic bilge pump on again. "
			"Wash your hands; change clothes that fuel got on.",
	},

	/* record */
	{
		.section = SERVICE_SECTION_RECORD,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.text = "Write it in the service book, with the fuel and the elements that are now "
			"waste.",
	},
	{
		.section = SERVICE_SECTION_RECORD,
		.kind = SERVICE_STEP,
		.jobs = ALL_JOBS,
		.change_over = YES,
		.text = "Turn the set's handle to the filter that is to be in use, and write that in "
			"the book too.",
	},
};

static bool holds(unsigned values, unsigned value)
{
	return values == 0 || (values & IS(value)) != 0;
}

static bool row_applies(const struct step_row *row, enum service_job job,
	const struct service_subject *subject)
{
	const struct filter_build *build = &subject->build;

	return holds(row->jobs, job) && holds(row->bowl, build->bowl) &&
		holds(row->drain, build->drain) && holds(row->loading, build->loading) &&
		holds(row->height, build->height) && holds(row->priming, build->priming) &&
		holds(row->shut_off, build->shut_off) && holds(row->vent, build->vent) &&
		holds(row->probe, build->probe) && holds(row->suction_side, subject->suction_side) &&
		holds(row->last, subject->last) && holds(row->change_over, subject->change_over) &&
		holds(row->common_rail, subject->common_rail);
}

/* Twice the filter's fuel for a change (it and what runs back from the hoses), once and a half for a
 * drain, a little for bleeding; a litre where the volume is not told. Common practice, no source. */
static double catch_size_l(enum service_job job, double volume_l)
{
	static const double filters[SERVICE_JOB_COUNT] = {
		[SERVICE_DRAIN] = 1.5,
		[SERVICE_CHANGE] = 2.0,
		[SERVICE_BLEED] = 0.5,
	};

	return filters[job] * (volume_l > 0 ? volume_l : 1.0);
}

void service_steps_plan(enum service_job job, const struct service_subject *subject,
	struct service_plan *ret_plan)
{
	assert(job < SERVICE_JOB_COUNT);
	ret_plan->count = 0;
	ret_plan->catch_l = catch_size_l(job, subject->build.volume_l);
	ret_plan->catch_estimated = !(subject->build.volume_l > 0);
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		const struct step_row *row = &rows[i];

		if (row_applies(row, job, subject)) {
			assert(ret_plan->count < SERVICE_STEPS_MAX);
			ret_plan->lines[ret_plan->count++] = (struct service_line){
				.section = row->section,
				.kind = row->kind,
				.text = row->text,
				.gives = row->gives,
				.needs = row->needs,
			};
		}
	}
}

const char *service_steps_title(enum service_section section)
{
	static const char *const titles[SERVICE_SECTION_COUNT] = {
		[SERVICE_SECTION_FIRST] = "Before these steps",
		[SERVICE_SECTION_AT_HAND] = "Have at hand",
		[SERVICE_SECTION_SAFE] = "Make safe",
		[SERVICE_SECTION_CLOSE] = "Take the filter out of the line",
		[SERVICE_SECTION_EMPTY] = "Drain",
		[SERVICE_SECTION_ELEMENT] = "Change the element",
		[SERVICE_SECTION_FILL] = "Refill so that no air is left",
		[SERVICE_SECTION_BLEED] = "Bleed",
		[SERVICE_SECTION_LEAKS] = "Look for leaks",
		[SERVICE_SECTION_WASTE] = "Waste",
		[SERVICE_SECTION_RECORD] = "Write it down",
	};

	assert(section < SERVICE_SECTION_COUNT);
	return titles[section];
}
