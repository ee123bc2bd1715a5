/* event_answer.h: which work in the service book answers which event.
 *
 * An event is answered by the first entry in force, done after it was raised, whose kind is a remedy
 * for it and which concerns its subject (a filter, an engine, a tank). Struck entries answer nothing,
 * so an answer that was a mistake takes itself back.
 */
#ifndef SIGHTBOWL_ANALYSIS_EVENT_ANSWER_H
#define SIGHTBOWL_ANALYSIS_EVENT_ANSWER_H

#include <stddef.h>
#include <stdint.h>

#include "analysis/boat.h"
#include "analysis/service_book.h"

/* entries: those in force, by when the work was done. subject as facts.h has it: a filter's name, or
 * "engine N", "tank N"; more may follow after a blank. Returns the entry, or NULL. */
const struct book_entry *event_answer(const struct boat *boat, const struct book_entry *entries,
	size_t count, const char *kind, const char *subject, int64_t raised_utc_ns);

/* Bits (1 << enum book_kind) of the work that answers a kind of event; 0: none. */
unsigned event_answer_kinds(const char *kind);

#endif
