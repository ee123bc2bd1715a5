#include "daemon/program.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commands.h"

/* In the order in which a newcomer meets them. */
static const struct command *const commands[] = {
	&command_demo,
	&command_replay,
	&command_listen,
	&command_status,
	&command_runs,
	&command_trips,
	&command_elements,
	&command_events,
	&command_book,
	&command_spares,
	&command_waste,
	&command_advise,
	&command_steps,
	&command_watch,
	&command_report,
	&command_page,
	&command_password,
	&command_export,
	&command_check,
};
#define COMMANDS (sizeof(commands) / sizeof(commands[0]))

static void print_help(void)
{
	(void)printf("usage: sightbowl COMMAND [OPTION…] …\n\n"
		     "Sightbowl listens to a boat's engine on its CAN bus (NMEA 2000, SAE J1939), accounts for\n"
		     "every litre, and says how loaded each fuel filter element is. It never transmits on the bus.\n"
		     "It gives evidence; the engine maker's manual comes first.\n\ncommands:\n");
	for (size_t i = 0; i < COMMANDS; i++) {
		(void)printf("  %-10s%s\n", commands[i]->name, commands[i]->summary);
	}
	(void)printf("\noptions:\n"
		     "  --help      this text; sightbowl COMMAND --help for a command\n"
		     "  --version   the program's version\n\n"
		     "A log (FILE.db) is an SQLite database that any SQLite tool can read. Unknown values are a dash\n"
		     "in tables, null in JSON, empty in CSV. Exit status: 0 done, 1 failed, 2 wrong use.\n");
}

int program_main(int argc, char **argv)
{
	struct command_line line = {.program = argc > 0 ? argv[0] : "sightbowl"};
	bool help;

	if (argc < 2) {
		(void)fprintf(stderr, "sightbowl: name a command (see sightbowl --help)\n");
		return EXIT_WRONG_USE;
	}
	if (strcmp(argv[1], "--version") == 0) {
		(void)printf("sightbowl %s\n", SIGHTBOWL_VERSION);
		return EXIT_DONE;
	}
	if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0) {
		print_help();
		return EXIT_DONE;
	}
	for (size_t i = 0; i < COMMANDS; i++) {
		if (strcmp(commands[i]->name, argv[1]) != 0) {
			continue;
		}
		enum program_exit status = command_parse(&line, commands[i], (size_t)argc - 2,
			argv + 2, &help);
		if (status != EXIT_DONE) {
			return (int)status;
		}
		if (help) {
			command_print_help(commands[i], stdout);
			return EXIT_DONE;
		}
		status = commands[i]->run(&line);
		/* What a command said of what it did was to be read. EPIPE: whoever read it has had enough. */
		if (status == EXIT_DONE && (fflush(stdout) != 0 || ferror(stdout) != 0) && errno != EPIPE) {
			status = command_failed(&line, "cannot write the output: %s", strerror(errno));
		}
		return (int)status;
	}
	(void)fprintf(stderr, "sightbowl: no such command '%s' (see sightbowl --help)\n", argv[1]);
	return EXIT_WRONG_USE;
}
