#include "replay/capture_format.h"

bool capture_stamps_put(struct capture_stamps *stamps, int64_t stamp_ns, int64_t *out_ns)
{
	if (!stamps->relative) {
		*out_ns = stamp_ns;
		return true;
	}
	if (stamps->delta) {
		if (stamp_ns > INT64_MAX - stamps->sum_ns) {
			return false;
		}
		stamps->sum_ns += stamp_ns;
		stamp_ns = stamps->sum_ns;
	} else if (stamp_ns >= CAPTURE_ABSOLUTE_FROM_NS) {
		*out_ns = stamp_ns;
		return true;
	}
	if (!stamps->started) {
		stamps->started = true;
		stamps->offset_ns = stamps->has_start ? stamps->start_ns - stamp_ns : 0;
	}
	if (stamps->offset_ns > 0 && stamp_ns > INT64_MAX - stamps->offset_ns) {
		return false;
	}
	*out_ns = stamp_ns + stamps->offset_ns;
	return true;
}
