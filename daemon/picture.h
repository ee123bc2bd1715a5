/* picture.h: which figures of the log go into which drawing.
 *
 * One function a picture, each used by the page and by the report. What a picture is of comes by name
 * (a trip, a filter, an engine).
 */
#ifndef SIGHTBOWL_DAEMON_PICTURE_H
#define SIGHTBOWL_DAEMON_PICTURE_H

#include <stddef.h>
#include <stdio.h>

#include "daemon/command.h"

/* Gives the argument of that name, NULL when there is none. */
typedef const char *picture_argument_fn(void *context, const char *name);

struct picture {
	const char *name;
	/* Draws. Returns 0, -ENOENT (there is no such trip, filter, engine), -EINTR, -ENOMEM or another
	 * negative errno. */
	int (*draw)(const struct command_line *line, struct log_store *store,
		picture_argument_fn *argument, void *context, FILE *out);
};

extern const struct picture pictures[];
extern const size_t picture_count;

/* name need not be terminated. NULL when there is none. */
const struct picture *picture_find(const char *name, size_t length);

#endif
