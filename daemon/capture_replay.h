/* capture_replay.h: captures → the log: recognised, resumed, and only what is new.
 *
 * The captures of one replay are one stream in time order, and known as one (capture_identity.h).
 * The same stream again is refused. One that begins like a known one goes on where that was read to:
 * an interrupted replay, or a capture that has grown since. Of any other, frames from time that the
 * log covers already are skipped; what lies behind the log's end goes to the main lane, what lies
 * before it or in a hole to a lane of its own. docs/log.md has the rules in full.
 */
#ifndef SIGHTBOWL_DAEMON_CAPTURE_REPLAY_H
#define SIGHTBOWL_DAEMON_CAPTURE_REPLAY_H

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "daemon/config.h"
#include "daemon/log_store.h"
#include "decoders/decoder.h"
#include "replay/capture.h"

#define REPLAY_CAPTURES_MAX 256

struct capture_replay_options {
	const char *const *paths; /* borrowed */
	size_t count;             /* 1 .. REPLAY_CAPTURES_MAX */
	bool has_start;           /* time of the first frame of captures without a date */
	int64_t start_ns;
	int64_t commit_ns;        /* what was read is made durable this often; 0: each second */
	struct settings *settings; /* borrowed; its sources get the numbers of their buses */
	struct log_store *store;   /* borrowed; open for writing */
	const volatile sig_atomic_t *stop; /* turns true: commit and end; NULL: never */
};

enum capture_replay_end {
	REPLAY_COMPLETE,
	REPLAY_STOPPED,      /* by *stop; the same replay goes on from here */
	REPLAY_SAME,         /* refused: this stream was replayed already */
	REPLAY_NOTHING_NEW,  /* refused: all of it lies in time that the log covers */
	REPLAY_READ_FAILED,  /* a capture could not be read to its end; what was read is kept */
};

/* What one capture file turned out to be. */
struct replayed_file {
	const char *path;
	char format[32];
	char compression[16];
	struct capture_damage damage;
	uint64_t dropped; /* by the recorder's own account */
	enum capture_clock clock;
};

struct capture_replay {
	enum capture_replay_end end;
	char error[1024]; /* a sentence, when it failed or was refused; what was told in passing */
	size_t file_count;
	struct replayed_file files[REPLAY_CAPTURES_MAX];
	uint64_t frames;       /* of the stream, read so far in all */
	uint64_t copies;       /* passed over: in several of the captures; not among frames */
	uint64_t known;        /* of them, from time that the log covered */
	uint64_t resumed_at;   /* frames read by earlier replays of it */
	bool undated;
	bool rebuilt;          /* the log's checkpoint was not understood; see error */
	int64_t raw_first_ns;
	int64_t raw_last_ns;
	int64_t first_run;     /* least number of the runs that were told; 0: none */
	uint64_t counters[DECODER_COUNTER_COUNT]; /* of the frames that went to a pipeline now */
	double seconds;
};

/* Replays. Returns 0 (see end), or a negative errno with error saying what went wrong: nothing, or
 * all up to the last commit, is then in the log. */
int capture_replay_run(const struct capture_replay_options *options,
	struct capture_replay *ret_replay);

#endif
