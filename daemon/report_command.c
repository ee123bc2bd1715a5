/* report_command.c: the printable report. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/commands.h"
#include "daemon/report.h"
#include "daemon/utc_time.h"

/* "primary" or "primary@2026-05-01" into the scope; name holds the filter's name. */
static enum program_exit read_element(const struct command_line *line, const char *text, char *name,
	size_t size, struct report_scope *scope)
{
	const char *at = strrchr(text, '@');
	size_t length = at == NULL ? strlen(text) : (size_t)(at - text);

	if (length == 0 || length >= size) {
		return command_misused(line, "--element: expected a filter's name, such as primary");
	}
	memcpy(name, text, length);
	name[length] = '\0';
	scope->element = name;
	if (at != NULL && !utc_parse(at + 1, &scope->element_at_ns)) {
		return command_misused(line, "--element: '%s' is no time; expected FILTER@2026-06-01",
			at + 1);
	}
	return EXIT_DONE;
}

static enum program_exit run_report(const struct command_line *line)
{
	const char *trip = command_value(line, "--trip");
	const char *element = command_value(line, "--element");
	const char *path = command_value(line, "--output");
	struct report_scope scope = {.trip = 0};
	struct log_store *store = NULL;
	char name[BOAT_NAME_MAX];
	enum program_exit status = EXIT_DONE;

	if (trip != NULL) {
		char *end;
		errno = 0;
		scope.trip = strtoll(trip, &end, 10);
		if (*trip < '0' || *trip > '9' || *end != '\0' || errno != 0 || scope.trip == 0) {
			return command_misused(line, "--trip: expected a trip's number; got '%s'", trip);
		}
	}
	if (element != NULL) {
		status = read_element(line, element, name, sizeof(name), &scope);
	}
	if (status == EXIT_DONE &&
		(trip != NULL) + (element != NULL) + (line->has_since || line->has_until) > 1) {
		status = command_misused(line,
			"--trip, --element and a range of time exclude each other");
	}
	if (status == EXIT_DONE) {
		status = command_open_log(line, &store);
	}
	if (status != EXIT_DONE) {
		return status;
	}
	status = path == NULL ? report_write(line, store, &scope, stdout)
			      : report_write_file(line, store, &scope, path);
	if (path == NULL && status == EXIT_DONE && fflush(stdout) != 0 && errno != EPIPE) {
		status = command_failed(line, "cannot write the report: %s", strerror(errno));
	}
	log_store_close(store);
	return status;
}

static const struct command_option report_options[] = {
	{"--trip", "N", "of one trip"},
	{"--element", "FILTER", "of the element in this filter; FILTER@TIME: of the one there at that time"},
	{"--output", "FILE", "write it there instead of to standard output"},
	{"--units", "SYSTEM", "metric, or us (US gallons, inHg, psi, °F)"},
	{NULL, NULL, NULL},
};

const struct command command_report = {
	.name = "report",
	.summary = "a printable report of a season, a trip or an element",
	.arguments = "",
	.help = "Writes one HTML file that needs nothing else: figures with their uncertainty, filters with their\n"
		"evidence, events, burn, charts, trips. Open it in any browser, without a network, and print it\n"
		"on A4 or Letter from there. Without a choice it is of the whole log.\n\n"
		"  sightbowl report --db boat.db --output season.html\n"
		"  sightbowl report --db boat.db --since 2026-05-01 --until 2026-10-01 --output season.html\n"
		"  sightbowl report --db boat.db --trip 12 --output trip.html\n"
		"  sightbowl report --db boat.db --config boat.conf --element primary --output element.html",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG | COMMAND_TAKES_RANGE,
	.options = report_options,
	.run = run_report,
};
