/* absorb.c: opens a log as the daemon does when it starts, which takes over what the batch file
 * holds, brings the day up to date, as a replay does at its end, and closes it.
 *
 *   absorb LOG
 *
 * Prints the recorder's time of the last frame that the log then knows (ns; 0: none). Exit status 1
 * with a sentence when it cannot be opened. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "daemon/log_lane.h"
#include "daemon/log_store.h"

int main(int argc, char **argv)
{
	struct log_checkpoint checkpoint;
	struct log_store *store;
	uint8_t *state = NULL;
	char error[512];
	int64_t raw_ns = 0;

	if (argc != 2) {
		return 2;
	}
	if (log_store_open(&store, argv[1], error, sizeof(error)) != 0) {
		(void)fprintf(stderr, "%s\n", error);
		return 1;
	}
	if (log_store_checkpoint(store, LANE_MAIN, &checkpoint, &state) == 0) {
		raw_ns = checkpoint.raw_ns;
	}
	free(state);
	if (log_store_settle(store) != 0 || log_store_commit(store, NULL) != 0) {
		(void)fprintf(stderr, "%s\n", log_store_error(store));
		log_store_close(store);
		return 1;
	}
	log_store_close(store);
	(void)printf("%" PRId64 "\n", raw_ns);
	return 0;
}
