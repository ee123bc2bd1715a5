/* verdict.h: is the fuel system all right, and why we think so; in plain words, in one place.
 *
 * Judged from the same tables that are shown, so that a reason and a row never differ. The words go to
 * status, the page, the report and programs alike. Amounts in the words are in a person's units; value
 * and limit beside them are in the contract's.
 */
#ifndef SIGHTBOWL_DAEMON_VERDICT_H
#define SIGHTBOWL_DAEMON_VERDICT_H

#include <stdint.h>

#include <jansson.h>

#include "daemon/command.h"

enum verdict_word {
	VERDICT_UNKNOWN, /* nothing is in the log */
	VERDICT_RIGHT,   /* each filter and water are measured, and nothing is wrong */
	VERDICT_UNSEEN,  /* nothing is wrong, as far as can be seen */
	VERDICT_NOTE,    /* advice stands */
	VERDICT_LOOK,    /* a caution stands, or an element is overdue */
	VERDICT_ACT,     /* a warning stands */
};

const char *verdict_word_name(enum verdict_word word); /* unknown, right, unseen, note, look, act */
const char *verdict_word_text(enum verdict_word word); /* a sentence */

#define VERDICT_REASONS_MAX 64

struct verdict_reason {
	char about[64];     /* "filter primary", "water, engine 0", "tank 0", "engine 0",
			     * "temperatures, engine 0", "due next",
			     * "coverage", "log" */
	char severity[12];  /* of what is wrong: warning, caution, advice; "": all right, or a fact */
	char says[400];     /* without a full stop at its end */
	double value;       /* NaN: none (so limit) */
	double limit;
	char unit[16];
	char basis[16];     /* measured, counted, estimated; "": none */
	char since_utc[24]; /* ISO 8601; "": not known */
};

struct verdict {
	enum verdict_word word;
	size_t count;
	struct verdict_reason reasons[VERDICT_REASONS_MAX]; /* what is wrong first */
};

/* Rows as their tables have them (NULL: none): of "overview" all tables, else the array. */
struct verdict_rows {
	const json_t *overview;
	const json_t *elements;
	const json_t *events;   /* all */
	const json_t *standing; /* those that stand */
	const json_t *coverage;
	int64_t clock_ns;       /* UTC now */
	const char *obstacle;   /* why nothing can be written into the log now; NULL: nothing is */
};

void verdict_judge(const struct verdict_rows *rows, enum unit_system units,
	struct verdict *ret_verdict);

/* Reads the tables of a log and judges. The caller frees *ret_verdict. Prints what goes wrong. */
enum program_exit verdict_of_log(const struct command_line *line, struct log_store *store,
	struct verdict **ret_verdict);

/* Writes the tables verdict (one row) and reasons. Prints what goes wrong. */
enum program_exit verdict_table_put(const struct command_line *line, struct table *table,
	struct log_store *store);

/* The same for a person to read, a line each. */
void verdict_print(const struct verdict *verdict, FILE *out);

#endif
