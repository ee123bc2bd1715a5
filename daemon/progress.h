/* progress.h: one line on a terminal that says how far a long work is; nothing in a pipe or file. */
#ifndef SIGHTBOWL_DAEMON_PROGRESS_H
#define SIGHTBOWL_DAEMON_PROGRESS_H

#include <stdbool.h>
#include <stdint.h>

struct progress {
	bool shown;          /* standard error is a terminal */
	const char *doing;   /* borrowed */
	int64_t started_ns;  /* steady */
	int64_t printed_ns;
	bool printed;
};

/* The machine's steady clock. */
int64_t progress_now_ns(void);

void progress_init(struct progress *progress, const char *doing);
/* frames so far; position of size bytes (size 0: not known). Prints a few times a second at most. */
void progress_show(struct progress *progress, uint64_t frames, uint64_t position, uint64_t size);
/* Wipes the line, so that what is printed next starts on an empty one. */
void progress_clear(struct progress *progress);

#endif
