/* season_draw.h: the scoreboard's seasons: a boat, a climate, a use and what goes wrong, by number.
 *
 * Even numbers are healthy seasons. Odd ones have one fault each, the kinds in turn. The same
 * number gives the same season.
 */
#ifndef SIGHTBOWL_TESTS_SEASON_DRAW_H
#define SIGHTBOWL_TESTS_SEASON_DRAW_H

#include "replay/scenario.h"

/* Fills options, and the boat as its skipper would configure it. */
void season_draw(uint64_t number, struct scenario_options *ret_options, struct boat *ret_boat);

#endif
