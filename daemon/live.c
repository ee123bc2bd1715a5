#include "daemon/live.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "decoders/signal.h"

void live_init(struct live *live)
{
	*live = (struct live){0};
}

void live_put(struct live *live, uint16_t signal, uint16_t instance, double value,
	int64_t heard_ns, int64_t now_ns)
{
	bool stale = now_ns - heard_ns > LIVE_STALE_NS;
	struct live_value *own = NULL;

	for (size_t i = 0; i < live->count && own == NULL; i++) {
		if (live->values[i].signal == signal && live->values[i].instance == instance) {
			own = &live->values[i];
		}
	}
	if (own == NULL) {
		if (live->count == LIVE_VALUES_MAX || stale) {
			return;
		}
		own = &live->values[live->count++];
		*own = (struct live_value){.signal = signal, .instance = instance, .value = NAN};
	}
	if (own->stale != stale || (!stale && own->value != value)) {
		own->changed = ++live->changes;
	}
	own->stale = stale;
	own->value = value;
	own->heard_ns = heard_ns;
}

struct taking {
	struct live *live;
	int64_t now_ns;
};

static void on_value(void *context, uint16_t signal, uint16_t instance, double value,
	int64_t heard_ns)
{
	struct taking *taking = context;

	live_put(taking->live, signal, instance, value, heard_ns, taking->now_ns);
}

void live_update(struct live *live, const struct pipeline *pipeline, int64_t now_ns)
{
	struct taking taking = {.live = live, .now_ns = now_ns};

	pipeline_latest(pipeline, &taking, on_value);
}

/* Decimals that show one log step. */
static int decimals_of(const struct signal *signal)
{
	int decimals = 0;

	for (double step = signal->log_step; step < 0.999 && decimals < 6; step *= 10) {
		decimals++;
	}
	return decimals;
}

/* The least change that was not written yet and lies above after; NULL when there is none. */
static const struct live_value *next_change(const struct live *live, uint64_t after)
{
	const struct live_value *next = NULL;

	for (size_t i = 0; i < live->count; i++) {
		const struct live_value *value = &live->values[i];
		if (value->changed > after && (next == NULL || value->changed < next->changed)) {
			next = value;
		}
	}
	return next;
}

size_t live_write(const struct live *live, uint64_t *sequence, char *out, size_t size)
{
	const struct live_value *value;
	uint64_t written = *sequence;
	size_t at = 0;

	while ((value = next_change(live, written)) != NULL) {
		const struct signal *signal = signal_get((enum signal_id)value->signal);
		char piece[128];
		int length = value->stale
			? snprintf(piece, sizeof(piece), "%s\"%s:%u\":null", at == 0 ? "{" : ",",
				  signal->name, (unsigned)value->instance)
			: snprintf(piece, sizeof(piece), "%s\"%s:%u\":%.*f", at == 0 ? "{" : ",",
				  signal->name, (unsigned)value->instance, decimals_of(signal),
				  value->value);
		if (at + (size_t)length + 1 >= size) {
			break;
		}
		memcpy(out + at, piece, (size_t)length);
		at += (size_t)length;
		written = value->changed;
	}
	if (at == 0) {
		return 0;
	}
	out[at++] = '}';
	*sequence = written;
	return at;
}
