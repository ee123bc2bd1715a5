#include "daemon/book_works.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/book_store.h"

static bool filter_of(const struct boat *boat, const struct book_entry *entry, uint8_t *ret_place)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (strcmp(boat->filters[i].name, entry->filter) == 0) {
			*ret_place = (uint8_t)i;
			return true;
		}
	}
	return false;
}

/* Any filter of the set that an entry names. */
static bool set_of(const struct boat *boat, const struct book_entry *entry, uint8_t *ret_place)
{
	for (size_t i = 0; i < boat->filter_count; i++) {
		if (boat->filters[i].set[0] != '\0' && strcmp(boat->filters[i].set, entry->filter) == 0) {
			*ret_place = (uint8_t)i;
			return true;
		}
	}
	return false;
}

/* Returns false when the analysis has no use for the entry. */
static bool work_of(
	const struct boat *boat, const struct book_entry *entry, struct boat_work *ret_work)
{
	ret_work->utc_ns = entry->done_ns;
	switch (entry->kind) {
	case BOOK_CHANGE:
		ret_work->kind = WORK_ELEMENT;
		return filter_of(boat, entry, &ret_work->place);
	case BOOK_DRAIN:
		ret_work->kind = WORK_DRAIN;
		return filter_of(boat, entry, &ret_work->place);
	case BOOK_SWITCH:
		ret_work->kind = WORK_SWITCH;
		if (filter_of(boat, entry, &ret_work->place)) {
			return boat->filters[ret_work->place].set[0] != '\0';
		}
		ret_work->kind = WORK_SWITCH_ALL;
		return set_of(boat, entry, &ret_work->place);
	case BOOK_BURN_RESET:
		ret_work->kind = WORK_BURN;
		ret_work->place = (uint8_t)entry->engine;
		return entry->engine < BOAT_ENGINES_MAX;
	default:
		return false;
	}
}

int book_works_load(sqlite3 *db, struct boat *boat)
{
	struct book_entry *entries;
	size_t count;
	int result = book_store_entries(db, &entries, &count);

	if (result != 0) {
		return result;
	}
	boat->work_count = 0;
	for (size_t i = 0; i < count; i++) {
		struct boat_work work;
		if (!work_of(boat, &entries[i], &work)) {
			continue;
		}
		if (boat->work_count == BOAT_WORKS_MAX) {
			memmove(boat->works, boat->works + 1,
				(BOAT_WORKS_MAX - 1) * sizeof(boat->works[0]));
			boat->work_count--;
		}
		boat->works[boat->work_count++] = work;
	}
	free(entries);
	return 0;
}
