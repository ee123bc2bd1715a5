/* steps_command.c: the steps for draining, changing and bleeding a filter, on the terminal or to print. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analysis/service_steps.h"
#include "daemon/commands.h"

#define WIDTH 78

static const char *const job_names[SERVICE_JOB_COUNT] = {
	[SERVICE_DRAIN] = "drain",
	[SERVICE_CHANGE] = "change",
	[SERVICE_BLEED] = "bleed",
};

static const char *const job_titles[SERVICE_JOB_COUNT] = {
	[SERVICE_DRAIN] = "Drain water off",
	[SERVICE_CHANGE] = "Change the element of",
	[SERVICE_BLEED] = "Bleed",
};

static const char *const kind_names[] = {
	[SERVICE_DEFERS] = "defers",
	[SERVICE_ITEM] = "item",
	[SERVICE_CAUTION] = "caution",
	[SERVICE_STEP] = "step",
	[SERVICE_CHECK] = "check",
};

/* Prints text wrapped at WIDTH behind a lead; the lines after the first are set in by as much. */
static void print_wrapped(const char *lead, const char *text)
{
	int indent = 0;
	int column;

	for (const char *at = lead; *at != '\0'; at++) {
		indent += ((unsigned char)*at & 0xC0) != 0x80;
	}
	(void)printf("%s", lead);
	column = indent;
	while (*text != '\0') {
		size_t bytes = strcspn(text, " ");
		int width = 0;

		for (size_t i = 0; i < bytes; i++) {
			width += ((unsigned char)text[i] & 0xC0) != 0x80;
		}
		if (column > indent && column + 1 + width > WIDTH) {
			(void)printf("\n%*s", indent, "");
			column = indent;
		}
		(void)printf("%s%.*s", column > indent ? " " : "", (int)bytes, text);
		column += width + (column > indent);
		text += bytes + strspn(text + bytes, " ");
	}
	(void)printf("\n");
}

static void describe_catch(const struct command_line *line, const struct service_plan *plan,
	char *ret_text, size_t size)
{
	struct unit_display shown = units_display(QUANTITY_VOLUME, line->settings.units);

	(void)snprintf(ret_text, size, "Container: at least %.1f %s%s", plan->catch_l * shown.factor,
		shown.unit,
		plan->catch_estimated ? " (taking the filter to hold a litre: its volume_l is not told)"
				      : "");
}

/* What is known of the filter, in the words of the configuration. */
static void describe_filter(const struct filter_build *build, char *ret_text, size_t size)
{
	const struct filter_build_property *properties;
	size_t count = filter_build_properties(&properties);
	size_t used = 0;

	ret_text[0] = '\0';
	for (size_t p = 0; p < count; p++) {
		unsigned value = filter_build_get(build, p);

		if (value != 0 && used < size) {
			used += (size_t)snprintf(ret_text + used, size - used, "%s%s %s",
				used == 0 ? "" : ", ", properties[p].key, properties[p].names[value]);
		}
	}
	if (used == 0) {
		(void)snprintf(ret_text, size, "nothing is told of how it is built (bowl, drain, loading, "
			"height, priming …), so both ways are said");
	}
}

static void print_plain(const struct command_line *line, enum service_job job, const char *filter,
	const struct service_subject *subject, const struct service_plan *plan)
{
	enum service_section section = SERVICE_SECTION_COUNT;
	char text[512];
	unsigned number = 0;

	(void)printf("%s the filter '%s'\n", job_titles[job], filter);
	describe_filter(&subject->build, text, sizeof(text));
	print_wrapped("  As described: ", text);
	describe_catch(line, plan, text, sizeof(text));
	print_wrapped("  ", text);
	for (size_t i = 0; i < plan->count; i++) {
		const struct service_line *row = &plan->lines[i];
		char lead[16];

		if (row->section != section) {
			section = row->section;
			(void)printf("\n%s\n", service_steps_title(section));
		}
		switch (row->kind) {
		case SERVICE_STEP:
			(void)snprintf(lead, sizeof(lead), " %2u. [ ] ", ++number);
			break;
		case SERVICE_ITEM:
			(void)snprintf(lead, sizeof(lead), "     [ ] ");
			break;
		case SERVICE_CAUTION:
			(void)snprintf(lead, sizeof(lead), "     !!! ");
			break;
		case SERVICE_CHECK:
			(void)snprintf(lead, sizeof(lead), "     (?) ");
			break;
		case SERVICE_DEFERS:
			(void)snprintf(lead, sizeof(lead), "     !!! ");
			break;
		}
		print_wrapped(lead, row->text);
	}
	(void)printf("\n     sightbowl book add %s --filter '%s' …\n", job_names[job], filter);
}

static void print_escaped(const char *text)
{
	for (; *text != '\0'; text++) {
		switch (*text) {
		case '<':
			(void)printf("&lt;");
			break;
		case '>':
			(void)printf("&gt;");
			break;
		case '&':
			(void)printf("&amp;");
			break;
		case '"':
			(void)printf("&quot;");
			break;
		default:
			(void)putchar(*text);
			break;
		}
	}
}

/* One page that needs nothing else, for a printer and dirty hands: large type, boxes to tick. */
static void print_html(const struct command_line *line, enum service_job job, const char *filter,
	const struct service_subject *subject, const struct service_plan *plan)
{
	static const char style[] =
		"body{font:12pt/1.35 sans-serif;max-width:42em;margin:1em auto;padding:0 1em;color:#000}"
		"h1{font-size:1.4em}h2{font-size:1.05em;margin:1em 0 .3em;border-bottom:1px solid #000;"
		"break-after:avoid}ul{list-style:none;margin:0;padding:0}"
		"li{padding:.2em 0 .2em 2.6em;position:relative;break-inside:avoid}"
		"li::before{position:absolute;left:0;top:.2em}"
		".step::before,.item::before{content:'\\2610';font-size:1.2em}"
		".check::before{content:'?';font-weight:bold;left:.3em}"
		".caution,.defers{border:2px solid #000;margin:.3em 0;font-weight:bold}"
		".caution::before,.defers::before{content:'!';left:1em}"
		"@page{margin:15mm}";
	enum service_section section = SERVICE_SECTION_COUNT;
	char text[512];

	(void)printf("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
		     "<meta name=\"viewport\" content=\"width=device-width\">\n<title>%s the filter ",
		job_titles[job]);
	print_escaped(filter);
	(void)printf("</title>\n<style>%s</style>\n</head>\n<body>\n<h1>%s the filter ", style,
		job_titles[job]);
	print_escaped(filter);
	(void)printf("</h1>\n<p>As described: ");
	describe_filter(&subject->build, text, sizeof(text));
	print_escaped(text);
	(void)printf(".<br>");
	describe_catch(line, plan, text, sizeof(text));
	print_escaped(text);
	(void)printf(".</p>\n");
	for (size_t i = 0; i < plan->count; i++) {
		const struct service_line *row = &plan->lines[i];

		if (row->section != section) {
			(void)printf("%s<h2>%s</h2>\n<ul>\n",
				section == SERVICE_SECTION_COUNT ? "" : "</ul>\n",
				service_steps_title(row->section));
			section = row->section;
		}
		(void)printf("<li class=\"%s\">", kind_names[row->kind]);
		print_escaped(row->text);
		(void)printf("</li>\n");
	}
	(void)printf("</ul>\n</body>\n</html>\n");
}

static void put_table(struct table *table, enum service_job job, const char *filter,
	const struct service_plan *plan)
{
	static const struct table_column columns[] = {
		{"number", TABLE_INTEGER, QUANTITY_NONE, 0},
		{"job", TABLE_TEXT, QUANTITY_NONE, 0},
		{"filter", TABLE_TEXT, QUANTITY_NONE, 0},
		{"section", TABLE_TEXT, QUANTITY_NONE, 0},
		{"kind", TABLE_TEXT, QUANTITY_NONE, 0},
		{"text", TABLE_TEXT, QUANTITY_NONE, 0},
		{"container_l", TABLE_REAL, QUANTITY_VOLUME, 1},
	};

	table_begin(table, "steps", columns, sizeof(columns) / sizeof(columns[0]));
	for (size_t i = 0; i < plan->count; i++) {
		const struct service_line *row = &plan->lines[i];

		table_put_integer(table, (int64_t)i + 1);
		table_put_text(table, job_names[job]);
		table_put_text(table, filter);
		table_put_text(table, service_steps_title(row->section));
		table_put_text(table, kind_names[row->kind]);
		table_put_text(table, row->text);
		table_put_real(table, plan->catch_l);
		table_end_row(table);
	}
	table_end(table);
}

/* The filter that is meant, or NULL after saying why not. */
static const struct boat_filter *find_filter(const struct command_line *line)
{
	const struct boat *boat = &line->settings.boat;
	const char *name = command_value(line, "--filter");
	char names[512] = "";

	if (!name && boat->filter_count > 0) {
		return &boat->filters[0];
	}
	for (size_t i = 0; i < boat->filter_count; i++) {
		size_t used = strlen(names);

		if (strcmp(boat->filters[i].name, name) == 0) {
			return &boat->filters[i];
		}
		(void)snprintf(names + used, sizeof(names) - used, "%s%s", i == 0 ? "" : ", ",
			boat->filters[i].name);
	}
	(void)command_misused(line, "--filter: there is no filter '%s'; the boat's filters are: %s",
		name ? name : "", names);
	return NULL;
}

/* The last before the injection pump: a secondary, or the only one of its engine's line. */
static bool is_last(const struct boat *boat, const struct boat_filter *filter)
{
	size_t others = 0;

	for (size_t i = 0; i < boat->filter_count; i++) {
		const struct boat_filter *other = &boat->filters[i];
		bool same_place = other == filter ||
			(filter->set[0] != '\0' && strcmp(filter->set, other->set) == 0);

		others += other->engine == filter->engine && !same_place;
	}
	return others == 0 || strcmp(filter->stage, "primary") != 0;
}

/* --bowl clear and the like, over what the configuration tells. */
static enum program_exit take_build(const struct command_line *line, struct filter_build *build)
{
	const struct filter_build_property *properties;
	size_t count = filter_build_properties(&properties);
	const char *volume = command_value(line, "--volume");
	char expected[256];

	for (size_t p = 0; p < count; p++) {
		char option[32];
		char words[128] = "";
		const char *value;
		bool found = false;

		(void)snprintf(option, sizeof(option), "--%s", properties[p].key);
		if (strchr(option, '_')) {
			*strchr(option, '_') = '-';
		}
		value = command_value(line, option);
		for (unsigned i = 0; value && !found && i < properties[p].count; i++) {
			size_t used = strlen(words);

			found = strcmp(value, properties[p].names[i]) == 0;
			if (found) {
				filter_build_set(build, p, i);
			}
			(void)snprintf(words + used, sizeof(words) - used, "%s%s", i == 0 ? "" : ", ",
				properties[p].names[i]);
		}
		if (value && !found) {
			return command_misused(line, "%s: expected one of %s; got '%s'", option, words,
				value);
		}
	}
	if (volume && (units_parse(QUANTITY_VOLUME, volume, &build->volume_l, expected,
			       sizeof(expected)) != 0 ||
			      !(build->volume_l > 0 && build->volume_l <= 1000))) {
		return command_misused(line, "--volume: expected litres, up to 1000; got '%s'", volume);
	}
	return EXIT_DONE;
}

static enum program_exit run_steps(const struct command_line *line)
{
	const struct boat *boat = &line->settings.boat;
	const struct boat_filter *filter;
	struct service_subject subject;
	struct service_plan plan;
	struct table *table;
	unsigned job = 0;
	enum program_exit status;

	while (job < SERVICE_JOB_COUNT && strcmp(line->arguments[0], job_names[job]) != 0) {
		job++;
	}
	if (job == SERVICE_JOB_COUNT) {
		return command_misused(line, "'%s' is no such work; expected drain, change or bleed",
			line->arguments[0]);
	}
	filter = find_filter(line);
	if (!filter) {
		return EXIT_WRONG_USE;
	}
	subject = (struct service_subject){
		.build = filter->build,
		.suction_side = strcmp(filter->stage, "secondary") != 0,
		.last = is_last(boat, filter),
		.change_over = filter->set[0] != '\0',
		.common_rail = boat->engines[filter->engine].injection == INJECTION_COMMON_RAIL,
	};
	status = take_build(line, &subject.build);
	if (status != EXIT_DONE) {
		return status;
	}
	service_steps_plan((enum service_job)job, &subject, &plan);
	if (line->format != TABLE_PEOPLE) {
		status = command_open_output(line, &table);
		if (status == EXIT_DONE) {
			put_table(table, (enum service_job)job, filter->name, &plan);
			status = command_close_output(line, table, status);
		}
		return status;
	}
	if (command_value(line, "--html")) {
		print_html(line, (enum service_job)job, filter->name, &subject, &plan);
	} else {
		print_plain(line, (enum service_job)job, filter->name, &subject, &plan);
	}
	return fflush(stdout) == 0 ? EXIT_DONE : command_failed(line, "cannot write the output");
}

static const struct command_option step_options[] = {
	{"--filter", "NAME", "which filter (else the first)"},
	{"--html", NULL, "one page to print"},
	{"--bowl", "KIND", "clear (see-through), metal or none; over the configuration, as all below"},
	{"--drain", "KIND", "tap or none"},
	{"--loading", "KIND", "top, bottom or spin-on"},
	{"--height", "WHERE", "above-tank or below-tank (the tank's fuel level)"},
	{"--priming", "KIND", "hand-pump, lever, bulb, electric or none"},
	{"--shut-off", "yes|no", "is there a shut-off valve before it?"},
	{"--vent", "yes|no", "has it a vent screw at the top?"},
	{"--probe", "yes|no", "has it a water probe?"},
	{"--volume", "VOLUME", "what it holds, for the size of the container"},
	{NULL, NULL, NULL},
};

const struct command command_steps = {
	.name = "steps",
	.summary = "how to drain, change and bleed a filter, safely",
	.arguments = "drain | change | bleed",
	.arguments_least = 1,
	.arguments_most = 1,
	.help = "Says what to have at hand and what to do, in order, for the filter as it is described in the\n"
		"configuration or by options: with the cautions where they belong, how to refill so that no air\n"
		"is left, the leak check, and what to do with the waste. The engine maker's manual, local codes\n"
		"and licensed practice go before it.\n\n"
		"  sightbowl steps change --filter primary --config boat.conf\n"
		"  sightbowl steps drain --bowl clear --drain tap --height below-tank\n"
		"  sightbowl steps change --loading spin-on --priming lever --html > change.html",
	.takes = COMMAND_TAKES_CONFIG | COMMAND_TAKES_FORMAT,
	.options = step_options,
	.run = run_steps,
};
