/* web_request.h: what a client of the page asks, and what it is answered. */
#ifndef SIGHTBOWL_DAEMON_WEB_REQUEST_H
#define SIGHTBOWL_DAEMON_WEB_REQUEST_H

#include <stdbool.h>
#include <stddef.h>

#define WEB_PATH_MAX      96
#define WEB_ARGUMENTS_MAX 8
#define WEB_ARGUMENT_MAX  256
#define WEB_BODY_MAX      8192

struct web_argument {
	char name[32];
	char value[WEB_ARGUMENT_MAX];
};

struct web_request {
	char path[WEB_PATH_MAX];
	bool post;
	size_t argument_count;
	struct web_argument arguments[WEB_ARGUMENTS_MAX];
	size_t body_size;
	char *body; /* of a POST, heap, a zero follows; else NULL */
};

struct web_answer {
	unsigned status;     /* HTTP's */
	const char *type;    /* media type; static */
	char filename[64];   /* "": not a download */
	char *bytes;         /* heap; whoever has the answer frees it */
	size_t size;
};

/* The argument's value, or NULL. */
const char *web_request_argument(const struct web_request *request, const char *name);

/* An answer of one JSON object, {"error": message}. Keeps status 500 and no bytes when there is no
 * memory. */
void web_answer_error(struct web_answer *ret_answer, unsigned status, const char *message);

#endif
