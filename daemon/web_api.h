/* web_api.h: what the page and other programs can ask of the log over HTTP.
 *
 * /api/v1/NAME gives the same rows as the command NAME --json, and /api/v1/NAME.csv as NAME --csv,
 * because both come from the same functions. docs/page.md tells them all. Reads through a connection
 * of its own, opened when first needed and again after a failure; a question that takes longer than
 * WEB_API_PATIENCE_MS is given up.
 */
#ifndef SIGHTBOWL_DAEMON_WEB_API_H
#define SIGHTBOWL_DAEMON_WEB_API_H

#include <stdint.h>

#include "daemon/command.h"
#include "daemon/live.h"
#include "daemon/web.h"

#define WEB_API_PATIENCE_MS 3000

/* Writes the table "buses", or another of what is known only now; on the worker's thread. */
typedef void web_api_put_fn(void *context, struct table *table);

struct web_api {
	struct command_line line; /* of the command that serves; its log, settings, units */
	const struct live *live;  /* NULL: nothing is heard live */
	web_api_put_fn *put_buses; /* NULL: no bus is listened to */
	void *put_context;
	struct log_store *store;  /* NULL: not open */
	uint64_t opened_ms;       /* when store was opened */
	uint64_t deadline_ms;     /* of the present question */
};

/* line and live are the caller's; line is copied, what it points to must stay. */
void web_api_init(struct web_api *api, const struct command_line *line, const struct live *live);
/* Closes its connection. No question may be with it. */
void web_api_finish(struct web_api *api);

/* Answers one question. On any thread, one at a time. */
void web_api_answer(struct web_api *api, const struct web_request *request,
	struct web_answer *ret_answer);

/* The source of a server (web.h). */
struct web_source web_api_source(struct web_api *api);

#endif
