#include <string.h>

#include "daemon/commands.h"
#include "daemon/link_watch.h"
#include "daemon/watch.h"

static bool is_named(const struct watch_options *options, const char *bus)
{
	for (size_t i = 0; i < options->bus_count; i++) {
		if (strcmp(options->buses[i], bus) == 0) {
			return true;
		}
	}
	return false;
}

static enum program_exit run_watch(const struct command_line *line)
{
	struct watch_options options = {.settings = &line->settings, .config = line->config};
	struct settings settings = line->settings;

	for (size_t i = 0; i < line->option_count; i++) {
		if (strcmp(line->options[i].name, "--bus") != 0) {
			continue;
		}
		if (options.bus_count == FRAME_BUS_MAX) {
			return command_misused(line, "at most %d buses", FRAME_BUS_MAX);
		}
		if (strlen(line->options[i].value) >= LINK_NAME_MAX) {
			return command_misused(line, "--bus: expected an interface's name of at most %d bytes",
				LINK_NAME_MAX - 1);
		}
		if (is_named(&options, line->options[i].value)) {
			continue;
		}
		options.buses[options.bus_count++] = line->options[i].value;
	}
	if (line->log_path == NULL) {
		return command_misused(line, "name the log: --db FILE, or path in the configuration's [log]");
	}
	if (strcmp(line->log_path, LOG_IN_MEMORY) == 0 ||
		strlen(line->log_path) >= sizeof(settings.log_path)) {
		return command_misused(line, "the log must be a file with a shorter name");
	}
	memcpy(settings.log_path, line->log_path, strlen(line->log_path) + 1);
	options.settings = &settings;
	options.log_named = line->log_path != line->settings.log_path;
	return watch_run(&options) == 0 ? EXIT_DONE : EXIT_FAILED;
}

static const struct command_option options[] = {
	{"--bus", "NAME", "a CAN interface to listen to; may be given several times (else the\n"
		"configuration's [bus NAME], else can0)"},
	{NULL, NULL, NULL},
};

const struct command command_watch = {
	.name = "watch",
	.summary = "the daemon: logs the live bus, unattended",
	.arguments = "",
	.help = "Listens to the boat's CAN buses and logs what the engine burns, until it is told to end\n"
		"(SIGTERM, Ctrl-C). It never sends on a bus. A bus that is down or missing is waited for. At a\n"
		"power cut at most the last 30 s are lost. SIGHUP rereads the configuration.\n\n"
		"  sightbowl watch --db boat.db\n"
		"  sightbowl watch --db boat.db --bus can0 --bus can1\n"
		"  sightbowl watch --config /etc/sightbowl.conf",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG,
	.options = options,
	.run = run_watch,
};
