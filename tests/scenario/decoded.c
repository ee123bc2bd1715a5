#include "decoded.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

void decoded_run(struct decoded *d, const struct scenario_options *options, decoded_reader *reader,
	void *context)
{
	static struct frame frames[512];
	size_t n;

	memset(d, 0, sizeof(*d));
	decoder_init(&d->decoder);
	assert_null(scenario_options_check(options));
	assert_int_equal(scenario_create(&d->scenario, options), 0);
	while ((n = scenario_next(d->scenario, frames, 512)) > 0) {
		for (size_t i = 0; i < n; i++) {
			struct observation out[OBSERVATIONS_MAX];
			struct message message;

			d->frames++;
			d->back += frames[i].t_ns < d->last_ns[frames[i].bus];
			d->last_ns[frames[i].bus] = frames[i].t_ns;
			if (!decoder_accept(&d->decoder, &frames[i], &message)) {
				continue;
			}
			size_t count = decoder_read(&d->decoder, &message, out, OBSERVATIONS_MAX);
			for (size_t k = 0; reader != NULL && k < count; k++) {
				reader(context, &out[k]);
			}
		}
	}
}
