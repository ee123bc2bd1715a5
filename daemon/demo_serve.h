/* demo_serve.h: plays an invented season on the page, faster than life. */
#ifndef SIGHTBOWL_DAEMON_DEMO_SERVE_H
#define SIGHTBOWL_DAEMON_DEMO_SERVE_H

#include "daemon/command.h"
#include "replay/scenario.h"

struct demo_serve {
	const struct command_line *line;
	const struct scenario_options *options;
	const struct settings *settings; /* of the invented boat */
	const char *log;                 /* the log that the season is written into */
	double speed;                    /* times life; stretches without traffic are skipped */
	/* Called once, when the season is over and the log complete. */
	void (*on_over)(void *context, struct log_store *store);
	void *context;
};

/* Serves and plays until SIGINT or SIGTERM; the page stays when the season is over. */
enum program_exit demo_serve_run(const struct demo_serve *wanted);

#endif
