/* utc_time.h: ns since 1970-01-01 UTC ↔ ISO 8601 text in UTC. */
#ifndef SIGHTBOWL_DAEMON_UTC_TIME_H
#define SIGHTBOWL_DAEMON_UTC_TIME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define UTC_TEXT_MAX 32
#define NS_PER_S     INT64_C(1000000000)

/* Writes "2026-06-01T08:30:00Z", rounded down to the second. Always terminates. */
void utc_format(int64_t utc_ns, char ret_text[UTC_TEXT_MAX]);

/* Reads 2026-06-01, 2026-06-01T08:30, 2026-06-01T08:30:05.25, each with nothing, Z or ±hh:mm behind
 * a time; a blank may stand for the T. Without a zone it is UTC. Years 1970 to 2261. Returns false
 * for anything else. */
bool utc_parse(const char *text, int64_t *ret_utc_ns);

#endif
