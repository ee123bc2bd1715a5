#include "decoders/message.h"

#include <assert.h>

size_t message_row_count(void)
{
	return message_j1939_row_count + message_nmea2000_row_count;
}

const struct message_row *message_row_get(size_t index)
{
	assert(index < message_row_count());
	return index < message_j1939_row_count
		       ? &message_j1939_rows[index]
		       : &message_nmea2000_rows[index - message_j1939_row_count];
}

int message_row_find(uint32_t pgn)
{
	size_t low = 0;
	size_t high = message_row_count();

	while (low < high) {
		size_t middle = low + (high - low) / 2;

		if (message_row_get(middle)->pgn < pgn) {
			low = middle + 1;
		} else {
			high = middle;
		}
	}
	return low < message_row_count() && message_row_get(low)->pgn == pgn ? (int)low : -1;
}

/* From 126976 to 131070 single and fast messages are mixed. These are the fast ones by public
 * lists; ranges include their ends. From 130816 on, all are a maker's own. */
static const struct {
	uint32_t first;
	uint32_t last;
} mixed_fast[] = {
	{126983, 126988},
	{126996, 126996},
	{126998, 126998},
	{127233, 127233},
	{127237, 127237},
	{127489, 127491},
	{127494, 127498},
	{127503, 127504},
	{127506, 127507},
	{127509, 127514},
	{128275, 128275},
	{128520, 128520},
	{128538, 128538},
	{129029, 129029},
	{129038, 129041},
	{129044, 129045},
	{129284, 129285},
	{129301, 129302},
	{129538, 129538},
	{129540, 129542},
	{129545, 129545},
	{129547, 129547},
	{129549, 129549},
	{129551, 129551},
	{129556, 129556},
	{129792, 129810},
	{130052, 130054},
	{130060, 130061},
	{130064, 130074},
	{130320, 130324},
	{130329, 130330},
	{130561, 130567},
	{130569, 130574},
	{130577, 130578},
	{130580, 130581},
	{130583, 130584},
	{130586, 130586},
	{130816, 131070},
};

#define FIRST_FAST  UINT32_C(65536)
#define FIRST_MIXED UINT32_C(126976)
#define LAST_MIXED  UINT32_C(131070)

bool pgn_travels_fast(uint32_t pgn)
{
	if (pgn < FIRST_MIXED || pgn > LAST_MIXED) {
		return pgn >= FIRST_FAST && pgn < FIRST_MIXED;
	}
	for (size_t i = 0; i < sizeof(mixed_fast) / sizeof(mixed_fast[0]); i++) {
		if (pgn <= mixed_fast[i].last) {
			return pgn >= mixed_fast[i].first;
		}
	}
	return false;
}
