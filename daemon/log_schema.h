/* log_schema.h: the log's tables and views, and the way from each released version to the next.
 *
 * Migrations go forward only. docs/log.md describes the views; the tables are log_store's own.
 */
#ifndef SIGHTBOWL_DAEMON_LOG_SCHEMA_H
#define SIGHTBOWL_DAEMON_LOG_SCHEMA_H

#include <stddef.h>
#include <stdint.h>

#include <sqlite3.h>

#define LOG_APPLICATION_ID 0x53624C67 /* "SbLg" in the file's header */
#define LOG_SCHEMA_VERSION 5
#define LOG_PAGE_BYTES     4096 /* a block of the file system; a dozen windows fill one */

enum log_schema_kind {
	LOG_IS_EMPTY, /* a new database */
	LOG_IS_OURS,
	LOG_IS_NEWER,
	LOG_IS_FOREIGN,
};

/* Tells from the first bytes of a file, without opening it as a database, what it is. size: how many
 * of LOG_HEADER_BYTES there are. */
#define LOG_HEADER_BYTES 100
enum log_schema_kind log_schema_of_header(const uint8_t *header, size_t size);

/* The same of an open database. Returns an SQLite result code. */
int log_schema_kind(sqlite3 *db, enum log_schema_kind *ret_kind, int *ret_version);

/* Brings the database from its version (0: empty) to LOG_SCHEMA_VERSION, in one transaction. Returns
 * an SQLite result code. */
int log_schema_migrate(sqlite3 *db, int from_version);

#endif
