#include "decoders/signal.h"

#include <assert.h>
#include <string.h>

static const struct signal signals[SIGNAL_COUNT] = {
#define SIGNAL_ROW(id, name_, unit_, scope_, use_, low_, high_, step)                              \
	[SIGNAL_##id] = {.name = name_,                                                            \
		.unit = unit_,                                                                     \
		.scope = SCOPE_##scope_,                                                           \
		.use = USE_##use_,                                                                 \
		.low = low_,                                                                       \
		.high = high_,                                                                     \
		.log_step = step},
	SIGNALS(SIGNAL_ROW)
#undef SIGNAL_ROW
};

const struct signal *signal_get(enum signal_id id)
{
	assert((unsigned)id < SIGNAL_COUNT);
	return &signals[id];
}

bool signal_find(const char *name, enum signal_id *ret_id)
{
	for (unsigned id = 0; id < SIGNAL_COUNT; id++) {
		if (strcmp(signals[id].name, name) == 0) {
			*ret_id = (enum signal_id)id;
			return true;
		}
	}
	return false;
}
