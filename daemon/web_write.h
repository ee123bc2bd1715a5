/* web_write.h: what may be written through the page, where the settings allow it: events are
 * acknowledged, the service book gets new entries. Nothing that is in the log is changed.
 */
#ifndef SIGHTBOWL_DAEMON_WEB_WRITE_H
#define SIGHTBOWL_DAEMON_WEB_WRITE_H

#include "daemon/command.h"
#include "daemon/web_request.h"

/* Carries out a POST: /api/v1/acknowledge with {"event": N}, or /api/v1/book with {"book": [row]}, a
 * row with the columns of the book's own export and no number. Opens the log beside its writer for as
 * long as that takes. */
void web_write_answer(const struct command_line *line, const struct web_request *request,
	struct web_answer *ret_answer);

#endif
