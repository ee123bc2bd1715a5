/* table.h: rows and columns → a table for people, JSON, or CSV.
 *
 * An output holds one or more tables. For people: aligned columns in their display units, a dash for
 * what is not known. JSON: one object, each table's name → an array of rows. CSV (RFC 4180): a
 * header row, then the rows, lines ended by CR LF; a second table follows after an empty line.
 * JSON and CSV always hold the contract's units. Values are written in column order; a row's cells
 * that were not written are not known.
 */
#ifndef SIGHTBOWL_DAEMON_TABLE_H
#define SIGHTBOWL_DAEMON_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "daemon/units.h"

enum table_format {
	TABLE_PEOPLE,
	TABLE_JSON,
	TABLE_CSV,
};

enum table_type {
	TABLE_INTEGER,
	TABLE_REAL,
	TABLE_TEXT,
	TABLE_TIME, /* ISO 8601 UTC */
	TABLE_FLAG, /* true or false; yes or no to people */
};

struct table_column {
	const char *name; /* the contract's; ends in its unit's suffix where it has one */
	enum table_type type;
	enum quantity quantity; /* of TABLE_REAL */
	int decimals;           /* for people */
};

struct table; /* opaque; heap */

/* Starts an output. out is borrowed until table_close. Returns 0 or -ENOMEM. */
int table_open(struct table **ret_table, FILE *out, enum table_format format,
	enum unit_system units);

/* Starts the next table. name, columns: borrowed until table_end. */
void table_begin(struct table *table, const char *name, const struct table_column *columns,
	size_t count);
void table_put_integer(struct table *table, int64_t value);
void table_put_real(struct table *table, double value); /* not finite: not known */
void table_put_text(struct table *table, const char *text); /* UTF-8; NULL: not known */
void table_put_time(struct table *table, int64_t utc_ns);
void table_put_flag(struct table *table, bool value);
void table_put_unknown(struct table *table);
void table_end_row(struct table *table);
/* Ends the table. People see a line saying so when it has no rows. */
void table_end(struct table *table);

/* Ends the output and frees. NULL is fine. Returns 0, -ENOMEM, or the error of writing to out. */
int table_close(struct table *table);

#endif
