/* command.h: what a command of the program is, and the command line that it is given.
 *
 * A command is one row in program.c's table and one file: its name, its words for --help, the options
 * that it takes, and the function that does it. Options that many commands share (the log, the
 * output's format, a range of time, an engine) are parsed here once and in one way.
 */
#ifndef SIGHTBOWL_DAEMON_COMMAND_H
#define SIGHTBOWL_DAEMON_COMMAND_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "daemon/config.h"
#include "daemon/log_store.h"
#include "daemon/print_format.h"
#include "daemon/program.h"
#include "daemon/table.h"

struct command_line;

/* Options that a command shares with others. */
enum command_takes {
	COMMAND_TAKES_LOG = 1,       /* --db FILE */
	COMMAND_TAKES_FORMAT = 2,    /* --json, --csv, --units */
	COMMAND_TAKES_RANGE = 4,     /* --since, --until */
	COMMAND_TAKES_ENGINE = 8,    /* --engine */
	COMMAND_TAKES_CONFIG = 16,   /* --config FILE */
};

struct command_option {
	const char *name;     /* with its dashes */
	const char *argument; /* NULL: takes none */
	const char *help;
};

struct command {
	const char *name;
	const char *summary;   /* one line */
	const char *arguments; /* behind the options: "CAPTURE…"; "" for none */
	size_t arguments_least;
	size_t arguments_most;
	const char *help;      /* what it does, and examples; lines of at most 100 */
	unsigned takes;        /* enum command_takes, or-ed */
	const struct command_option *options; /* of its own; ends with a NULL name; may be NULL */
	enum program_exit (*run)(const struct command_line *line);
};

#define COMMAND_OPTIONS_MAX 64

struct command_line {
	const struct command *command;
	const char *program;      /* as it was called */
	struct settings settings; /* the configuration, the command line's options put over it */
	bool has_config;
	const char *config;       /* its file */
	const char *log_path;     /* --db, else the configuration's; NULL: none named */
	enum table_format format;
	bool has_since, has_until; /* UTC */
	int64_t since_ns, until_ns;
	int engine;               /* -1: all */
	size_t option_count;      /* the command's own, in their order */
	struct {
		const char *name;
		const char *value; /* "" for one without an argument */
	} options[COMMAND_OPTIONS_MAX];
	size_t argument_count;
	const char *const *arguments;
};

/* The value of one of the command's own options; NULL when it was not given. */
const char *command_value(const struct command_line *line, const char *option);

/* Parses what follows the command's name (argument_count words, which stay borrowed); line->program is
 * kept. Returns EXIT_DONE to go on; *ret_help is true when help was asked for; else the message has
 * been printed. */
enum program_exit command_parse(struct command_line *line, const struct command *command,
	size_t argument_count, char **arguments, bool *ret_help);
void command_print_help(const struct command *command, FILE *out);

/* "sightbowl COMMAND: " and the sentence, on standard error; where there is a service manager also to it, as
 * the service's status. Returns EXIT_FAILED. */
PRINT_FORMAT(2, 3)
enum program_exit command_failed(const struct command_line *line, const char *format, ...);
/* The same for what is worth knowing but no failure. */
PRINT_FORMAT(2, 3)
void command_note(const struct command_line *line, const char *format, ...);
/* The same for wrong use: points to --help. Returns EXIT_WRONG_USE. */
PRINT_FORMAT(2, 3)
enum program_exit command_misused(const struct command_line *line, const char *format, ...);

/* Opens the log that the command line names, for reading. Prints what went wrong; returns EXIT_DONE
 * or what to exit with. */
enum program_exit command_open_log(const struct command_line *line, struct log_store **ret_store);

/* Whether all that was to be read of a log could be (log_store_note): EXIT_DONE, or EXIT_FAILED with the
 * message printed. */
enum program_exit command_read(const struct command_line *line, const struct log_store *store);

/* An output on standard output in the wanted format. */
enum program_exit command_open_output(const struct command_line *line, struct table **ret_table);
/* Ends it; a failure of writing it is told. Returns status, or EXIT_FAILED. */
enum program_exit command_close_output(const struct command_line *line, struct table *table,
	enum program_exit status);

#endif
