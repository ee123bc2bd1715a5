#include "analysis/event_answer.h"

#include <stdbool.h>
#include <string.h>

#define BIT(kind) (1U << (kind))

static const struct {
	const char *kind;
	unsigned answers;
} rows[] = {
	{"restriction-rising", BIT(BOOK_CHANGE)},
	{"restriction-jump", BIT(BOOK_CHANGE)},
	{"restriction-high", BIT(BOOK_CHANGE)},
	{"element-due", BIT(BOOK_CHANGE)},
	{"water-in-fuel", BIT(BOOK_DRAIN) | BIT(BOOK_CHANGE)},
	{"water-recurring", BIT(BOOK_DRAIN) | BIT(BOOK_CHANGE) | BIT(BOOK_TANK_CLEANING)},
	{"burn-high", BIT(BOOK_ENGINE_WORK) | BIT(BOOK_BURN_RESET)},
	{"burn-low", BIT(BOOK_ENGINE_WORK) | BIT(BOOK_BURN_RESET)},
	{"starvation", BIT(BOOK_CHANGE) | BIT(BOOK_BLEED)},
	{"fuel-pressure-low", BIT(BOOK_CHANGE) | BIT(BOOK_BLEED) | BIT(BOOK_ENGINE_WORK)},
	{"temperature-high", BIT(BOOK_ENGINE_WORK)},
	{"engine-fault", BIT(BOOK_ENGINE_WORK)},
	{"tank-mismatch", BIT(BOOK_TANK_CLEANING) | BIT(BOOK_REFUEL)},
};

unsigned event_answer_kinds(const char *kind)
{
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		if (strcmp(rows[i].kind, kind) == 0) {
			return rows[i].answers;
		}
	}
	return 0;
}

/* Reads "engine 1" or "tank 0", with or without more behind a blank. */
static bool numbered_subject(const char *subject, const char *word, unsigned *ret_number)
{
	size_t length = strlen(word);
	unsigned number = 0;
	const char *at;

	if (strncmp(subject, word, length) != 0 || subject[length] != ' ') {
		return false;
	}
	at = subject + length + 1;
	if (*at < '0' || *at > '9') {
		return false;
	}
	while (*at >= '0' && *at <= '9' && number < 1000) {
		number = number * 10 + (unsigned)(*at++ - '0');
	}
	*ret_number = number;
	return *at == '\0' || *at == ' ';
}

static const struct boat_filter *filter_of(const struct boat *boat, const char *name)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(boat->filters[i].name, name) == 0) {
			return &boat->filters[i];
		}
	}
	return NULL;
}

/* Work that names neither filter, engine nor tank is taken to concern the subject. */
static bool concerns(const struct boat *boat, const struct book_entry *entry, const char *subject)
{
	const struct boat_filter *subject_filter = filter_of(boat, subject);
	const struct boat_filter *entry_filter =
		(entry->fields & BOOK_FILTER) != 0 ? filter_of(boat, entry->filter) : NULL;
	unsigned number;

	if (subject_filter) {
		return entry_filter ? entry_filter == subject_filter
			: (entry->fields & BOOK_ENGINE) != 0
			? entry->engine == subject_filter->engine
			: true;
	}
	if (numbered_subject(subject, "engine", &number)) {
		return entry_filter ? entry_filter->engine == number
			: (entry->fields & BOOK_ENGINE) != 0 ? entry->engine == number
							     : true;
	}
	if (numbered_subject(subject, "tank", &number)) {
		return (entry->fields & BOOK_TANK) != 0 ? entry->tank == number : true;
	}
	return false;
}

const struct book_entry *event_answer(const struct boat *boat, const struct book_entry *entries,
	size_t count, const char *kind, const char *subject, int64_t raised_utc_ns)
{
	unsigned kinds = event_answer_kinds(kind);

	for (size_t i = 0; i < count; i++) {
		if (entries[i].done_ns >= raised_utc_ns && (kinds & BIT(entries[i].kind)) != 0 &&
			concerns(boat, &entries[i], subject)) {
			return &entries[i];
		}
	}
	return NULL;
}
