#include "daemon/command.h"

#include <assert.h>
#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/service_notice.h"
#include "daemon/utc_time.h"

static const struct {
	struct command_option option;
	unsigned takes;
} shared_options[] = {
	{{"--db", "FILE", "the log (else the configuration's [log] path)"}, COMMAND_TAKES_LOG},
	{{"--config", "FILE", "the configuration (else the file that SIGHTBOWL_CONFIG names)"},
		COMMAND_TAKES_CONFIG},
	{{"--since", "TIME", "from this time on: 2026-06-01, 2026-06-01T08:30Z …"},
		COMMAND_TAKES_RANGE},
	{{"--until", "TIME", "before this time"}, COMMAND_TAKES_RANGE},
	{{"--engine", "N", "this engine only"}, COMMAND_TAKES_ENGINE},
	{{"--json", NULL, "for programs: one JSON object, each table an array of rows"},
		COMMAND_TAKES_FORMAT},
	{{"--csv", NULL, "for programs: CSV (RFC 4180) with a header row"}, COMMAND_TAKES_FORMAT},
	{{"--units", "SYSTEM", "of tables for people: metric, or us (US gallons, inHg, psi, °F)"},
		COMMAND_TAKES_FORMAT},
};
#define SHARED_OPTIONS (sizeof(shared_options) / sizeof(shared_options[0]))

const char *command_value(const struct command_line *line, const char *option)
{
	const char *value = NULL;

	for (size_t i = 0; i < line->option_count; i++) {
		if (strcmp(line->options[i].name, option) == 0) {
			value = line->options[i].value; /* the last one counts */
		}
	}
	return value;
}

static void print_message(const struct command_line *line, const char *format, va_list arguments)
{
	(void)fprintf(stderr, "sightbowl %s: ", line->command->name);
	(void)vfprintf(stderr, format, arguments);
}

enum program_exit command_failed(const struct command_line *line, const char *format, ...)
{
	char sentence[1024];
	va_list arguments;

	va_start(arguments, format);
	(void)vsnprintf(sentence, sizeof(sentence), format, arguments);
	va_end(arguments);
	command_note(line, "%s", sentence);
	(void)service_notice_status(sentence); /* without a manager there is nobody to tell */
	return EXIT_FAILED;
}

void command_note(const struct command_line *line, const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	print_message(line, format, arguments);
	va_end(arguments);
	(void)fputc('\n', stderr);
}

enum program_exit command_misused(const struct command_line *line, const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	print_message(line, format, arguments);
	va_end(arguments);
	(void)fprintf(stderr, " (see sightbowl %s --help)\n", line->command->name);
	return EXIT_WRONG_USE;
}

static const struct command_option *find_option(const struct command *command, const char *name,
	size_t length)
{
	for (size_t i = 0; i < SHARED_OPTIONS; i++) {
		const struct command_option *option = &shared_options[i].option;
		if ((command->takes & shared_options[i].takes) != 0 &&
			strlen(option->name) == length && strncmp(option->name, name, length) == 0) {
			return option;
		}
	}
	for (const struct command_option *option = command->options;
		option != NULL && option->name != NULL; option++) {
		if (strlen(option->name) == length && strncmp(option->name, name, length) == 0) {
			return option;
		}
	}
	return NULL;
}

static bool parse_engine(const char *text, int *ret_engine)
{
	if (strlen(text) != 1 || text[0] < '0' || text[0] >= '0' + BOAT_ENGINES_MAX) {
		return false;
	}
	*ret_engine = text[0] - '0';
	return true;
}

/* Puts a shared option's value in its place, or keeps one of the command's own. */
static enum program_exit take_option(struct command_line *line, const char *name,
	const char *value, const char **ret_units)
{
	if (strcmp(name, "--db") == 0) {
		line->log_path = value;
	} else if (strcmp(name, "--config") == 0) {
		line->config = value;
	} else if (strcmp(name, "--json") == 0) {
		line->format = TABLE_JSON;
	} else if (strcmp(name, "--csv") == 0) {
		line->format = TABLE_CSV;
	} else if (strcmp(name, "--units") == 0) {
		*ret_units = value;
	} else if (strcmp(name, "--since") == 0) {
		line->has_since = utc_parse(value, &line->since_ns);
		if (!line->has_since) {
			return command_misused(line, "--since: '%s' is no time; expected 2026-06-01 "
				"or 2026-06-01T08:30Z", value);
		}
	} else if (strcmp(name, "--until") == 0) {
		line->has_until = utc_parse(value, &line->until_ns);
		if (!line->has_until) {
			return command_misused(line, "--until: '%s' is no time; expected 2026-06-01 "
				"or 2026-06-01T08:30Z", value);
		}
	} else if (strcmp(name, "--engine") == 0) {
		if (!parse_engine(value, &line->engine)) {
			return command_misused(line, "--engine: expected 0 to %d; got '%s'",
				BOAT_ENGINES_MAX - 1, value);
		}
	} else if (line->option_count == COMMAND_OPTIONS_MAX) {
		return command_misused(line, "more than %d options", COMMAND_OPTIONS_MAX);
	} else {
		line->options[line->option_count].name = name;
		line->options[line->option_count++].value = value;
	}
	return EXIT_DONE;
}

/* One option, at arguments[*at]; moves *at past its value. */
static enum program_exit parse_option(struct command_line *line, size_t argument_count,
	char **arguments, size_t *at, const char **ret_units)
{
	const char *word = arguments[*at];
	size_t length = strcspn(word, "=");
	const struct command_option *option = find_option(line->command, word, length);
	const char *value = "";

	if (option == NULL) {
		return command_misused(line, "no such option '%.*s'", (int)length, word);
	}
	if (option->argument == NULL) {
		if (word[length] != '\0') {
			return command_misused(line, "%s takes no value", option->name);
		}
	} else if (word[length] == '=') {
		value = word + length + 1;
	} else if (*at + 1 < argument_count) {
		value = arguments[++*at];
	} else {
		return command_misused(line, "%s: expected %s behind it", option->name,
			option->argument);
	}
	return take_option(line, option->name, value, ret_units);
}

static enum program_exit read_settings(struct command_line *line, const char *units)
{
	char error[512];

	if (line->config == NULL && (line->command->takes & COMMAND_TAKES_CONFIG) != 0) {
		const char *named = getenv("SIGHTBOWL_CONFIG");
		line->config = named != NULL && *named != '\0' ? named : NULL;
	}
	if (line->config != NULL) {
		if (config_read(&line->settings, line->config, error, sizeof(error)) != 0) {
			return command_failed(line, "%s", error);
		}
		line->has_config = true;
	}
	if (line->log_path == NULL && line->settings.log_path[0] != '\0') {
		line->log_path = line->settings.log_path;
	}
	if (units != NULL && !units_parse_system(units, &line->settings.units)) {
		return command_misused(line, "--units: expected metric or us; got '%s'", units);
	}
	return EXIT_DONE;
}

enum program_exit command_parse(struct command_line *line, const struct command *command,
	size_t argument_count, char **arguments, bool *ret_help)
{
	const char *units = NULL;
	size_t words = 0;
	bool options_end = false;

	const char *program = line->program;
	memset(line, 0, sizeof(*line));
	line->program = program;
	settings_init(&line->settings);
	line->command = command;
	line->engine = -1;
	line->format = TABLE_PEOPLE;
	*ret_help = false;
	for (size_t i = 0; i < argument_count; i++) {
		const char *word = arguments[i];
		if (!options_end && strcmp(word, "--") == 0) {
			options_end = true;
		} else if (!options_end && (strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0)) {
			*ret_help = true;
			return EXIT_DONE;
		} else if (!options_end && word[0] == '-' && word[1] != '\0') {
			enum program_exit status = parse_option(line, argument_count, arguments, &i,
				&units);
			if (status != EXIT_DONE) {
				return status;
			}
		} else {
			arguments[words++] = arguments[i]; /* words move to the front, in order */
		}
	}
	line->argument_count = words;
	line->arguments = (const char *const *)arguments;
	if (words < command->arguments_least) {
		return command_misused(line, "expected %s", command->arguments);
	}
	if (words > command->arguments_most) {
		return command_misused(line, "does not take '%s'",
			line->arguments[command->arguments_most]);
	}
	return read_settings(line, units);
}

#define HELP_COLUMN 22

static void print_option(const struct command_option *option, FILE *out)
{
	int used = fprintf(out, "  %s%s%s", option->name, option->argument == NULL ? "" : " ",
		option->argument == NULL ? "" : option->argument);

	(void)fprintf(out, "%*s", used < HELP_COLUMN ? HELP_COLUMN - used : 1, "");
	for (const char *at = option->help; *at != '\0'; at++) {
		(void)fputc(*at, out);
		if (*at == '\n') {
			(void)fprintf(out, "%*s", HELP_COLUMN, "");
		}
	}
	(void)fputc('\n', out);
}

void command_print_help(const struct command *command, FILE *out)
{
	(void)fprintf(out, "usage: sightbowl %s [OPTION…]%s%s\n\n%s\n\noptions:\n", command->name,
		command->arguments[0] == '\0' ? "" : " ", command->arguments, command->help);
	for (const struct command_option *option = command->options;
		option != NULL && option->name != NULL; option++) {
		print_option(option, out);
	}
	for (size_t i = 0; i < SHARED_OPTIONS; i++) {
		if ((command->takes & shared_options[i].takes) != 0) {
			print_option(&shared_options[i].option, out);
		}
	}
	print_option(&(struct command_option){"--help", NULL, "this text"}, out);
}

/* Where the log cannot be written, nobody takes over what the batch file holds. */
static void tell_unseen(const struct command_line *line, struct log_store *store)
{
	const char *obstacle = log_store_obstacle(line->log_path);
	char stamp[UTC_TEXT_MAX];
	int64_t raw_ns;

	if (obstacle != NULL && log_store_unseen(store, &raw_ns) > 0) {
		utc_format(raw_ns, stamp);
		(void)fprintf(stderr,
			"sightbowl %s: what was kept last, up to %s, is in '%s-batch' and not yet in the "
			"log: %s\n", line->command->name, stamp, line->log_path, obstacle);
	}
}

enum program_exit command_open_log(const struct command_line *line, struct log_store **ret_store)
{
	char error[1024];

	if (line->log_path == NULL) {
		return command_misused(line, "name the log: --db FILE");
	}
	if (log_store_open_reader(ret_store, line->log_path, error, sizeof(error)) != 0) {
		return command_failed(line, "%s", error);
	}
	tell_unseen(line, *ret_store);
	return EXIT_DONE;
}

enum program_exit command_open_output(const struct command_line *line, struct table **ret_table)
{
	if (table_open(ret_table, stdout, line->format, line->settings.units) != 0) {
		return command_failed(line, "no memory left");
	}
	return EXIT_DONE;
}

enum program_exit command_read(const struct command_line *line, const struct log_store *store)
{
	int result = log_store_noted(store);

	return result == 0 ? EXIT_DONE
			   : command_failed(line, "cannot read the log: %s", strerror(-result));
}

enum program_exit command_close_output(const struct command_line *line, struct table *table,
	enum program_exit status)
{
	int result = table_close(table);

	if (result == -EPIPE) {
		return status; /* whoever read it has had enough */
	}
	if (result != 0) {
		return command_failed(line, "cannot write the output: %s", strerror(-result));
	}
	return status;
}
