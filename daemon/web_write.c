#include "daemon/web_write.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "daemon/book_file.h"
#include "daemon/book_store.h"
#include "daemon/overview.h"

static struct log_store *open_beside(const struct command_line *line, struct web_answer *ret_answer)
{
	struct log_store *store = NULL;
	char error[1024];

	if (log_store_open_beside(&store, line->log_path, error, sizeof(error)) != 0) {
		web_answer_error(ret_answer, 503, error);
		return NULL;
	}
	return store;
}

static void answer_number(struct web_answer *ret_answer, const char *name, int64_t number)
{
	json_t *object = json_pack("{s:I}", name, (json_int_t)number);

	*ret_answer = (struct web_answer){.status = 500, .type = "application/json"};
	ret_answer->bytes = object == NULL ? NULL : json_dumps(object, 0);
	json_decref(object);
	if (ret_answer->bytes != NULL) {
		ret_answer->status = 200;
		ret_answer->size = strlen(ret_answer->bytes);
	}
}

static void acknowledge(const struct command_line *line, const struct web_request *request,
	struct web_answer *ret_answer)
{
	json_t *body = json_loadb(request->body, request->body_size, JSON_REJECT_DUPLICATES, NULL);
	const json_t *event = json_object_get(body, "event");
	struct log_store *store;
	int64_t number;
	int result;

	if (!json_is_integer(event)) {
		web_answer_error(ret_answer, 400, "expected {\"event\": NUMBER}");
		json_decref(body);
		return;
	}
	number = json_integer_value(event);
	json_decref(body);
	store = open_beside(line, ret_answer);
	if (store == NULL) {
		return;
	}
	result = book_store_acknowledge(store, number, overview_clock_ns());
	if (result == 0) {
		answer_number(ret_answer, "event", number);
	} else {
		web_answer_error(ret_answer, result == -ENOENT ? 404 : 503,
			result == -ENOENT ? "there is no such event" : log_store_error(store));
	}
	log_store_close(store);
}

/* The engine whose hours an entry is written down with. */
static unsigned engine_of(const struct boat *boat, const struct book_entry *entry)
{
	if ((entry->fields & BOOK_ENGINE) != 0) {
		return entry->engine;
	}
	for (size_t i = 0; (entry->fields & BOOK_FILTER) != 0 && i < boat->filter_count; i++) {
		if (strcmp(boat->filters[i].name, entry->filter) == 0 ||
			strcmp(boat->filters[i].set, entry->filter) == 0) {
			return boat->filters[i].engine;
		}
	}
	for (unsigned i = 0; i < BOAT_ENGINES_MAX; i++) {
		if (boat->engines[i].present) {
			return i;
		}
	}
	return 0;
}

static void write_entry(const struct command_line *line, struct book_entry *entry,
	struct web_answer *ret_answer)
{
	struct log_store *store = open_beside(line, ret_answer);
	int result;

	if (store == NULL) {
		return;
	}
	result = book_store_fill(log_store_db(store), engine_of(&line->settings.boat, entry), entry);
	if (result == 0) {
		result = book_store_put(store, entry, 1);
	}
	if (result == 0) {
		answer_number(ret_answer, "entry", entry->entry);
	} else {
		web_answer_error(ret_answer, 503, log_store_error(store));
	}
	log_store_close(store);
}

static void add_entry(const struct command_line *line, const struct web_request *request,
	struct web_answer *ret_answer)
{
	struct book_entry *entries = NULL;
	size_t count = 0;
	char error[512] = "no memory left";
	char *text = malloc(request->body_size + 1); /* reading a book changes its text */
	int result = -ENOMEM;

	if (text != NULL) {
		memcpy(text, request->body, request->body_size);
		text[request->body_size] = '\0';
		result = text[0] != '{'
			? -EINVAL
			: book_file_read(text, "the entry", &line->settings.boat, overview_clock_ns(),
				  &entries, &count, error, sizeof(error));
	}
	if (text != NULL && text[0] != '{') {
		web_answer_error(ret_answer, 400, "expected {\"book\": [ENTRY]}");
	} else if (result != 0) {
		web_answer_error(ret_answer, result == -EINVAL ? 400 : 503, error);
	} else if (count != 1 || entries[0].entry != 0) {
		web_answer_error(ret_answer, 400, "expected one new entry, without a number");
	} else {
		write_entry(line, &entries[0], ret_answer);
	}
	free(entries);
	free(text);
}

void web_write_answer(const struct command_line *line, const struct web_request *request,
	struct web_answer *ret_answer)
{
	if (strcmp(request->path, "/api/v1/acknowledge") == 0) {
		acknowledge(line, request, ret_answer);
	} else if (strcmp(request->path, "/api/v1/book") == 0) {
		add_entry(line, request, ret_answer);
	} else {
		web_answer_error(ret_answer, 404, "nothing is written there");
	}
}
