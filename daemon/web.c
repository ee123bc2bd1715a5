/* web.c: connections, requests, the worker, the streams.
 *
 * A request, step by step: its head is read (on_request, first call) and looked at (inspect); its
 * body, if any, is gathered; whoever must prove a password waits while the worker does the slow part;
 * a file of the page is answered at once, a question waits in the queue while its connection sleeps
 * (MHD_suspend_connection), the worker answers it, and the connection is woken to send.
 *
 * Failure modes: a head or body that does not arrive, or an answer that is not taken, in its time:
 * the connection is shut (sweep), sooner when places or bytes are short. More questions than the
 * queue, or the address's share of it, holds: 503. Whoever went away meanwhile is not answered. More
 * guesses of the password than allowed: 429, and nothing is reckoned. A client of a stream that does
 * not read: it holds one buffer, and libmicrohttpd's timeout ends it. The log's writer is never waited
 * for.
 */
#include "daemon/web.h"

#include <arpa/inet.h>
#include <assert.h>
#include <errno.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>

#include <jansson.h>
#include <microhttpd.h>

#include "daemon/page_asset.h"
#include "daemon/web_password.h"
#include "daemon/web_peers.h"

#define TICK_MS           1000
#define ASK_SECONDS       15  /* for a request to arrive whole, or the next to begin */
#define ASK_SECONDS_BUSY  3   /* the same when more than half of the connections are taken */
#define ASK_SECONDS_FULL  1   /* or nearly all */
#define SEND_SECONDS      120 /* for an answer to be taken */
#define SEND_SECONDS_BUSY 20  /* the same when more than half of the connections are taken */
#define SEND_SECONDS_FULL 5   /* or nearly all */
#define SEND_SECONDS_HELD 2   /* the same when others wait for the bytes */
#define SILENT_SECONDS    20  /* nothing moves on a connection */
#define HEARTBEAT_TICKS   10  /* a stream says something at least this often */
#define CONNECTION_MEMORY 8192
#define STREAM_BYTES      4096
#define WRONG_MAX         8
#define SEND_BUFFER_BYTES 65536 /* in the kernel, for each connection */

#define POLICY                                                                                     \
	"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src "   \
	"'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

enum link_phase {
	LINK_ASKING,
	LINK_WAITING, /* for the worker */
	LINK_ANSWERED,
	LINK_STREAMING,
};

/* A connection. */
struct link {
	struct link *next;
	struct link *previous;
	int fd;
	enum link_phase phase;
	uint64_t since_ms; /* in this phase */
	struct web_peer *peer;
	bool shares; /* the peer's share binds it */
};

enum question_kind {
	QUESTION_PASSWORD,
	QUESTION_ANSWER,
};

enum password_state {
	PASSWORD_NOT_ASKED,
	PASSWORD_RIGHT,
	PASSWORD_WRONG,
	PASSWORD_TOO_OFTEN, /* it is not looked at now */
};

struct question {
	struct web *web;
	struct link *link;
	struct MHD_Connection *connection;
	struct question *next; /* in the queue */
	bool inspected;
	unsigned refused; /* status of a request that is not taken; 0: taken */
	bool too_many_arguments;
	enum question_kind kind;
	enum password_state password_state;
	char password[WEB_PASSWORD_MAX + 1];
	bool waits;  /* in the queue or with the worker */
	bool gone;   /* whoever asked it is */
	bool is_answered;
	size_t held; /* bytes of its answer that are on their way */
	struct web_request request;
	struct web_answer answer;
};

struct stream {
	struct stream *next;
	struct stream *previous;
	struct web *web;
	struct link *link;
	struct web_peer *peer;
	struct MHD_Connection *connection;
	uint64_t sequence;
	unsigned quiet_ticks;
	bool asleep;
	bool gone; /* whoever watched it is */
	size_t at; /* sent of text */
	size_t size;
	char text[STREAM_BYTES];
};

struct web {
	uv_loop_t *loop;
	struct web_settings settings;
	struct web_source source;
	struct MHD_Daemon *daemon;
	uv_poll_t poll;
	uv_timer_t timer; /* when libmicrohttpd wants to be run */
	uv_timer_t tick;
	uv_work_t work;
	int open_handles;
	bool stopping;
	void (*on_stopped)(void *context);
	void *on_stopped_context;
	struct link *links;
	unsigned link_count;
	struct stream *streams;
	unsigned stream_count;
	struct question *first; /* waits for the worker */
	struct question *last;
	unsigned waiting;
	struct question *asked; /* is with the worker */
	size_t held; /* bytes of answers that are on their way */
	struct web_peers peers;
	unsigned char proof_key[WEB_PASSWORD_KEY];
	bool has_proof;
	unsigned char proof[WEB_PASSWORD_PROOF]; /* of the right password */
	/* Of wrong ones that came lately: a browser sends its own with each request. */
	size_t wrong_count;
	unsigned char wrong[WRONG_MAX][WEB_PASSWORD_PROOF];
};

static void run(struct web *web);

/* ---- requests and answers ---- */

const char *web_request_argument(const struct web_request *request, const char *name)
{
	for (size_t i = 0; i < request->argument_count; i++) {
		if (strcmp(request->arguments[i].name, name) == 0) {
			return request->arguments[i].value;
		}
	}
	return NULL;
}

void web_answer_error(struct web_answer *ret_answer, unsigned status, const char *message)
{
	json_t *object = json_pack("{s:s}", "error", message);

	free(ret_answer->bytes);
	*ret_answer = (struct web_answer){.status = 500, .type = "application/json"};
	if (object == NULL) {
		return;
	}
	ret_answer->bytes = json_dumps(object, 0);
	json_decref(object);
	if (ret_answer->bytes != NULL) {
		ret_answer->status = status;
		ret_answer->size = strlen(ret_answer->bytes);
	}
}

static void set_phase(struct web *web, struct link *link, enum link_phase phase)
{
	link->phase = phase;
	link->since_ms = uv_now(web->loop);
}

/* Adds what every answer carries. Fails only for want of memory; then the header is missing, which
 * must not happen for the policy: false. */
static bool add_headers(struct MHD_Response *response, const char *type, const char *cache)
{
	return MHD_add_response_header(response, "Content-Type", type) == MHD_YES &&
		MHD_add_response_header(response, "Cache-Control", cache) == MHD_YES &&
		MHD_add_response_header(response, "Content-Security-Policy", POLICY) == MHD_YES &&
		MHD_add_response_header(response, "X-Content-Type-Options", "nosniff") == MHD_YES &&
		MHD_add_response_header(response, "Referrer-Policy", "no-referrer") == MHD_YES &&
		MHD_add_response_header(response, "Cross-Origin-Resource-Policy", "same-origin") ==
			MHD_YES;
}

static bool is_busy(const struct web *web)
{
	return web->link_count > WEB_CONNECTIONS_MAX / 2;
}

/* Queues the response and lets go of it. */
static enum MHD_Result send_response(struct question *question, unsigned status,
	struct MHD_Response *response)
{
	enum MHD_Result result;

	if (is_busy(question->web)) {
		/* One request each, so that others get their turn. Without memory it stays open. */
		(void)MHD_add_response_header(response, "Connection", "close");
	}
	result = MHD_queue_response(question->connection, status, response);
	MHD_destroy_response(response);
	set_phase(question->web, question->link, LINK_ANSWERED);
	return result;
}

static enum MHD_Result send_answer(struct question *question)
{
	struct web_answer *answer = &question->answer;
	char disposition[96];
	struct MHD_Response *response;

	response = answer->bytes == NULL
		? MHD_create_response_from_buffer(0, NULL, MHD_RESPMEM_PERSISTENT)
		: MHD_create_response_from_buffer_with_free_callback(answer->size, answer->bytes, free);
	if (response == NULL) {
		return MHD_NO; /* no memory: the connection is closed, the bytes are the question's */
	}
	answer->bytes = NULL;
	if (!add_headers(response, answer->type, "no-store")) {
		goto no_headers;
	}
	if (answer->filename[0] != '\0') {
		(void)snprintf(disposition, sizeof(disposition), "attachment; filename=\"%s\"",
			answer->filename);
		if (MHD_add_response_header(response, "Content-Disposition", disposition) != MHD_YES) {
			goto no_headers;
		}
	}
	if (answer->status == 405 &&
		MHD_add_response_header(response, "Allow", "GET, HEAD") != MHD_YES) {
		goto no_headers;
	}
	if ((answer->status == 503 || answer->status == 429) &&
		MHD_add_response_header(response, "Retry-After", answer->status == 503 ? "2" : "5") !=
			MHD_YES) {
		goto no_headers;
	}
	if (answer->status == 401 &&
		MHD_add_response_header(response, "WWW-Authenticate",
			"Basic realm=\"Sightbowl\", charset=\"UTF-8\"") != MHD_YES) {
		goto no_headers;
	}
	return send_response(question, answer->status, response);
no_headers:
	MHD_destroy_response(response);
	return MHD_NO;
}

static enum MHD_Result refuse(struct question *question, unsigned status, const char *message)
{
	web_answer_error(&question->answer, status, message);
	return send_answer(question);
}

static enum MHD_Result send_asset(struct question *question, const struct page_asset *asset)
{
	const char *known = MHD_lookup_connection_value(question->connection, MHD_HEADER_KIND,
		"If-None-Match");
	bool unchanged = known != NULL && strstr(known, asset->etag) != NULL;
	struct MHD_Response *response = MHD_create_response_from_buffer(
		unchanged ? 0 : asset->size, (void *)(uintptr_t)asset->bytes, MHD_RESPMEM_PERSISTENT);

	if (response == NULL) {
		return MHD_NO;
	}
	if (!add_headers(response, asset->type, "no-cache") ||
		MHD_add_response_header(response, "ETag", asset->etag) != MHD_YES) {
		MHD_destroy_response(response);
		return MHD_NO;
	}
	return send_response(question, unchanged ? 304 : 200, response);
}

/* ---- the worker ---- */

/* On the worker's thread: touches the question, the source and the settings, nothing else. */
static void work(uv_work_t *request)
{
	struct web *web = request->data;
	struct question *question = web->asked;

	if (question->kind == QUESTION_PASSWORD) {
		question->password_state =
			web_password_matches(web->settings.password_hash, question->password)
			? PASSWORD_RIGHT
			: PASSWORD_WRONG;
	} else {
		web->source.answer(web->source.context, &question->request, &question->answer);
		question->is_answered = true;
	}
}

static void on_worked(uv_work_t *request, int status);

/* Takes the first question off the queue. */
static struct question *take_first(struct web *web)
{
	struct question *question = web->first;

	web->first = question->next;
	if (web->first == NULL) {
		web->last = NULL;
	}
	web->waiting--;
	return question;
}

/* Wakes the question's connection. */
static void wake(struct question *question)
{
	question->waits = false;
	question->link->peer->waiting--;
	MHD_resume_connection(question->connection);
}

/* Whether the other side has hung up. Its connection sleeps, so libmicrohttpd does not look. */
static bool is_gone(const struct link *link)
{
	struct pollfd looked = {.fd = link->fd, .events = POLLRDHUP};

	return poll(&looked, 1, 0) > 0 && (looked.revents & (POLLRDHUP | POLLHUP | POLLERR)) != 0;
}

/* Whether a connection's address may have more of something. */
static bool has_share(const struct link *link, size_t own, size_t taken, size_t most)
{
	return link->shares ? web_peers_share(own, taken, most) : taken < most;
}

/* Hands the next question to the worker, when it is free and there is room for the answer. */
static void give_work(struct web *web)
{
	while (web->asked == NULL && web->first != NULL && web->held < WEB_HELD_MAX) {
		struct question *question = take_first(web);
		if (is_gone(question->link)) {
			question->gone = true;
			wake(question);
			continue;
		}
		if (!has_share(question->link, question->link->peer->held, web->held, WEB_HELD_MAX)) {
			question->refused = 503;
			wake(question);
			continue;
		}
		web->asked = question;
		web->work.data = web;
		if (uv_queue_work(web->loop, &web->work, work, on_worked) != 0) {
			web->asked = NULL;
			question->refused = 503;
			wake(question);
		}
	}
}

static void finish_stopping(struct web *web);

/* Remembers how the password turned out, so that the same one need not be looked at again. */
static void note_password(struct web *web, const struct question *question)
{
	bool right = question->password_state == PASSWORD_RIGHT;
	unsigned char *proof = right ? web->proof : web->wrong[web->wrong_count++ % WRONG_MAX];

	web_password_proof(web->proof_key, question->password, proof);
	if (right) {
		web->has_proof = true;
		web_peers_guessed(&web->peers, question->link->peer);
	}
}

static void on_worked(uv_work_t *request, int status)
{
	struct web *web = request->data;
	struct question *question = web->asked;

	(void)status; /* never cancelled: stopping waits for it */
	web->asked = NULL;
	if (question->kind == QUESTION_PASSWORD) {
		note_password(web, question);
	} else {
		question->held = question->answer.size;
		web->held += question->held;
		question->link->peer->held += question->held;
	}
	wake(question);
	if (web->stopping) {
		finish_stopping(web);
		return;
	}
	give_work(web);
	run(web);
}

/* Puts the question into the queue and lets its connection sleep. False: there is no place for it. */
static bool ask_worker(struct question *question, enum question_kind kind)
{
	struct web *web = question->web;
	struct link *link = question->link;

	if (!has_share(link, link->peer->waiting, web->waiting, WEB_QUESTIONS_MAX)) {
		return false;
	}
	link->peer->waiting++;
	question->waits = true;
	question->kind = kind;
	question->next = NULL;
	if (web->last == NULL) {
		web->first = question;
	} else {
		web->last->next = question;
	}
	web->last = question;
	web->waiting++;
	set_phase(web, link, LINK_WAITING);
	MHD_suspend_connection(question->connection);
	give_work(web);
	return true;
}

/* ---- streams of live values ---- */

/* Fills an empty buffer with the next thing to send. False: there is nothing. */
static bool fill_stream(struct stream *stream)
{
	static const char head[] = "data: ", tail[] = "\n\n";
	struct web *web = stream->web;
	size_t size = web->source.live(web->source.context, &stream->sequence,
		stream->text + sizeof(head) - 1, sizeof(stream->text) - sizeof(head) - sizeof(tail));

	stream->at = 0;
	stream->size = 0;
	if (size > 0) {
		memcpy(stream->text, head, sizeof(head) - 1);
		memcpy(stream->text + sizeof(head) - 1 + size, tail, sizeof(tail) - 1);
		stream->size = sizeof(head) - 1 + size + sizeof(tail) - 1;
	} else if (stream->quiet_ticks >= HEARTBEAT_TICKS) {
		memcpy(stream->text, ":\n\n", 3);
		stream->size = 3;
	}
	if (stream->size > 0) {
		stream->quiet_ticks = 0;
	}
	return stream->size > 0;
}

static ssize_t on_stream_read(void *context, uint64_t position, char *out, size_t size)
{
	struct stream *stream = context;

	(void)position;
	if (stream->web->stopping) {
		return MHD_CONTENT_READER_END_OF_STREAM;
	}
	if (stream->gone) {
		return MHD_CONTENT_READER_END_WITH_ERROR;
	}
	if (stream->at == stream->size && !fill_stream(stream)) {
		stream->asleep = true;
		MHD_suspend_connection(stream->connection);
		return 0;
	}
	if (size > stream->size - stream->at) {
		size = stream->size - stream->at;
	}
	memcpy(out, stream->text + stream->at, size);
	stream->at += size;
	return (ssize_t)size;
}

static void on_stream_gone(void *context)
{
	struct stream *stream = context;

	if (stream->previous == NULL) {
		stream->web->streams = stream->next;
	} else {
		stream->previous->next = stream->next;
	}
	if (stream->next != NULL) {
		stream->next->previous = stream->previous;
	}
	stream->web->stream_count--;
	stream->peer->streams--;
	free(stream);
}

static enum MHD_Result begin_stream(struct question *question)
{
	struct web *web = question->web;
	struct MHD_Response *response;
	struct stream *stream;
	enum MHD_Result result;

	if (!has_share(question->link, question->link->peer->streams, web->stream_count,
		    WEB_STREAMS_MAX)) {
		return refuse(question, 503, "too many watch the live values already");
	}
	stream = calloc(1, sizeof(*stream));
	if (stream == NULL) {
		return MHD_NO;
	}
	response = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, 4096, on_stream_read, stream,
		on_stream_gone);
	if (response == NULL) {
		free(stream);
		return MHD_NO;
	}
	stream->web = web;
	stream->link = question->link;
	stream->peer = question->link->peer;
	stream->peer->streams++;
	stream->connection = question->connection;
	stream->quiet_ticks = HEARTBEAT_TICKS; /* says something at once */
	stream->next = web->streams;
	if (stream->next != NULL) {
		stream->next->previous = stream;
	}
	web->streams = stream;
	web->stream_count++;
	if (!add_headers(response, "text/event-stream", "no-store")) {
		MHD_destroy_response(response); /* ends the stream too */
		return MHD_NO;
	}
	result = send_response(question, 200, response);
	set_phase(web, question->link, LINK_STREAMING);
	return result;
}

bool web_is_watched(const struct web *web)
{
	return web != NULL && web->stream_count > 0;
}

/* ---- requests ---- */

struct argument_gathering {
	struct web_request *request;
	bool too_many;
};

static enum MHD_Result on_argument(void *context, enum MHD_ValueKind kind, const char *name,
	const char *value)
{
	struct argument_gathering *gathering = context;
	struct web_request *request = gathering->request;
	struct web_argument *argument = &request->arguments[request->argument_count];

	(void)kind;
	if (request->argument_count == WEB_ARGUMENTS_MAX || strlen(name) >= sizeof(argument->name) ||
		(value != NULL && strlen(value) >= sizeof(argument->value))) {
		gathering->too_many = true;
		return MHD_NO;
	}
	(void)snprintf(argument->name, sizeof(argument->name), "%s", name);
	(void)snprintf(argument->value, sizeof(argument->value), "%s", value == NULL ? "" : value);
	request->argument_count++;
	return MHD_YES;
}

/* Whether the Host header's name (its port cut off) is one that this page goes by. A foreign name
 * that leads here is how a strange web page would read the boat's (DNS rebinding). */
static bool host_is_ours(const struct web_settings *settings, const char *host)
{
	char name[256];
	struct in6_addr address;
	size_t length;

	if (host == NULL || strlen(host) >= sizeof(name)) {
		return false;
	}
	if (host[0] == '[') {
		length = strcspn(host, "]");
		(void)snprintf(name, sizeof(name), "%.*s", (int)(length - 1), host + 1);
		return inet_pton(AF_INET6, name, &address) == 1;
	}
	length = strcspn(host, ":");
	(void)snprintf(name, sizeof(name), "%.*s", (int)length, host);
	if (inet_pton(AF_INET, name, &address) == 1 || strcasecmp(name, "localhost") == 0) {
		return true;
	}
	for (const char *at = settings->names; *at != '\0';) {
		size_t span = strcspn(at, " ");
		if (span > 0 && span == strlen(name) && strncasecmp(at, name, span) == 0) {
			return true;
		}
		at += span + (at[span] == ' ');
	}
	return false;
}

/* Looks at a request's head. Returns the status with which it is refused, 0 when it is taken. */
static unsigned inspect(struct question *question, const char *url, const char *method)
{
	struct web *web = question->web;
	struct argument_gathering gathering = {.request = &question->request};
	const char *length = MHD_lookup_connection_value(question->connection, MHD_HEADER_KIND,
		"Content-Length");
	bool get = strcmp(method, "GET") == 0 || strcmp(method, "HEAD") == 0;

	if (!host_is_ours(&web->settings, MHD_lookup_connection_value(question->connection,
		    MHD_HEADER_KIND, "Host"))) {
		return 421;
	}
	if (!get && strcmp(method, "POST") != 0) {
		return 405;
	}
	if (!get && !web->settings.write) {
		return 405;
	}
	/* A page from elsewhere can make a browser send a form here, but not with this header. */
	if (!get && MHD_lookup_connection_value(question->connection, MHD_HEADER_KIND,
			    "Sightbowl-Page") == NULL) {
		return 403;
	}
	if (length != NULL && strtoull(length, NULL, 10) > (get ? 0 : WEB_BODY_MAX)) {
		return 413;
	}
	if (strlen(url) >= sizeof(question->request.path)) {
		return 414;
	}
	(void)snprintf(question->request.path, sizeof(question->request.path), "%s", url);
	question->request.post = !get;
	if (!get) {
		question->request.body = calloc(1, WEB_BODY_MAX + 1);
		if (question->request.body == NULL) {
			return 503;
		}
	}
	(void)MHD_get_connection_values(question->connection, MHD_GET_ARGUMENT_KIND, on_argument,
		&gathering);
	return gathering.too_many ? 414 : 0;
}

static const char *refusal(unsigned status)
{
	switch (status) {
	case 403:
		return "writing needs the header Sightbowl-Page";
	case 405:
		return "this page can only be read";
	case 413:
		return "too much was sent";
	case 414:
		return "too much is asked at once";
	case 503:
		return "busy; ask again";
	case 421:
		return "this page does not go by that name; see names under [web]";
	default:
		return "refused";
	}
}

/* The password that came with the request. False: none, or none that could be right. */
static bool password_of(struct question *question)
{
	char *password = NULL;
	char *user = MHD_basic_auth_get_username_password(question->connection, &password);
	bool fits = password != NULL && strlen(password) <= WEB_PASSWORD_MAX;

	if (fits) {
		memcpy(question->password, password, strlen(password) + 1);
	}
	MHD_free(user);
	MHD_free(password);
	return fits;
}

/* Whether the client may go on: PASSWORD_NOT_ASKED while the worker looks. */
static enum password_state prove(struct question *question)
{
	struct web *web = question->web;
	unsigned char proof[WEB_PASSWORD_PROOF];

	if (web->settings.password_hash[0] == '\0' ||
		question->password_state != PASSWORD_NOT_ASKED) {
		return web->settings.password_hash[0] == '\0' ? PASSWORD_RIGHT
							      : question->password_state;
	}
	if (!password_of(question)) {
		return PASSWORD_WRONG;
	}
	web_password_proof(web->proof_key, question->password, proof);
	if (web->has_proof && web_password_proof_equal(proof, web->proof)) {
		question->password_state = PASSWORD_RIGHT;
		return PASSWORD_RIGHT;
	}
	for (size_t i = 0; i < WRONG_MAX && i < web->wrong_count; i++) {
		if (web_password_proof_equal(proof, web->wrong[i])) {
			return PASSWORD_WRONG;
		}
	}
	return web_peers_may_guess(&web->peers, question->link->peer, uv_now(web->loop))
		? PASSWORD_NOT_ASKED
		: PASSWORD_TOO_OFTEN;
}

static enum MHD_Result answer_question(struct question *question)
{
	const struct page_asset *asset;

	if (question->gone) {
		return MHD_NO;
	}
	switch (prove(question)) {
	case PASSWORD_RIGHT:
		break;
	case PASSWORD_WRONG:
		return refuse(question, 401, "a password is needed");
	case PASSWORD_TOO_OFTEN:
		return refuse(question, 429, "the password was guessed too often; wait a little");
	case PASSWORD_NOT_ASKED:
		if (!ask_worker(question, QUESTION_PASSWORD)) {
			return refuse(question, 503, "busy; ask again");
		}
		return MHD_YES;
	}
	if (question->is_answered) {
		return send_answer(question);
	}
	asset = page_asset_find(question->request.path);
	if (asset != NULL && !question->request.post) {
		return send_asset(question, asset);
	}
	if (strcmp(question->request.path, "/api/v1/live") == 0 && !question->request.post) {
		return begin_stream(question);
	}
	if (!ask_worker(question, QUESTION_ANSWER)) {
		return refuse(question, 503, "busy; ask again");
	}
	return MHD_YES;
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *connection,
	const char *url, const char *method, const char *version, const char *upload,
	size_t *upload_size, void **request_context)
{
	struct web *web = context;
	struct question *question = *request_context;

	(void)version;
	if (question == NULL) {
		const union MHD_ConnectionInfo *info =
			MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
		question = calloc(1, sizeof(*question));
		if (question == NULL || info == NULL || info->socket_context == NULL) {
			free(question);
			return MHD_NO;
		}
		question->web = web;
		question->connection = connection;
		question->link = info->socket_context;
		*request_context = question;
		question->refused = inspect(question, url, method);
		/* One too large is not even read; the others are answered after their body. */
		return question->refused == 413 ? refuse(question, 413, refusal(413)) : MHD_YES;
	}
	if (*upload_size > 0) {
		struct web_request *request = &question->request;
		if (*upload_size > WEB_BODY_MAX - request->body_size) {
			question->refused = 413; /* chunked: its length was not told */
		} else if (request->post) {
			memcpy(request->body + request->body_size, upload, *upload_size);
			request->body_size += *upload_size;
		}
		*upload_size = 0;
		return question->refused == 413 ? MHD_NO : MHD_YES;
	}
	if (question->refused != 0) {
		return refuse(question, question->refused, refusal(question->refused));
	}
	return answer_question(question);
}

static void on_request_over(void *context, struct MHD_Connection *connection,
	void **request_context, enum MHD_RequestTerminationCode code)
{
	struct web *web = context;
	struct question *question = *request_context;

	(void)connection;
	(void)code;
	if (question == NULL) {
		return;
	}
	set_phase(web, question->link, LINK_ASKING);
	web->held -= question->held;
	question->link->peer->held -= question->held;
	free(question->answer.bytes);
	free(question->request.body);
	free(question);
	*request_context = NULL;
	if (!web->stopping) {
		give_work(web); /* there may be room now */
	}
}

/* ---- connections ---- */

/* Everybody comes from there behind a server that speaks TLS. */
static bool is_own_address(const struct sockaddr *address)
{
	struct sockaddr_in four;
	struct sockaddr_in6 six;

	if (address->sa_family == AF_INET) {
		memcpy(&four, address, sizeof(four));
		return ntohl(four.sin_addr.s_addr) == INADDR_LOOPBACK;
	}
	if (address->sa_family != AF_INET6) {
		return false;
	}
	memcpy(&six, address, sizeof(six));
	return IN6_IS_ADDR_LOOPBACK(&six.sin6_addr);
}

/* Whether one more connection from there is taken. */
static enum MHD_Result on_door(void *context, const struct sockaddr *address, socklen_t size)
{
	const struct web *web = context;

	(void)size;
	return is_own_address(address) ||
			web_peers_share(web_peers_connections(&web->peers, address), web->link_count,
				WEB_CONNECTIONS_MAX)
		? MHD_YES
		: MHD_NO;
}

static void on_connection(void *context, struct MHD_Connection *connection,
	void **socket_context, enum MHD_ConnectionNotificationCode code)
{
	struct web *web = context;
	struct link *link = *socket_context;

	if (code == MHD_CONNECTION_NOTIFY_STARTED) {
		const union MHD_ConnectionInfo *info =
			MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
		const union MHD_ConnectionInfo *from =
			MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
		link = calloc(1, sizeof(*link));
		if (link == NULL || info == NULL || from == NULL ||
			(link->peer = web_peers_enter(&web->peers, from->client_addr)) == NULL) {
			free(link);
			return; /* its requests are refused */
		}
		link->fd = info->connect_fd;
		link->shares = !is_own_address(from->client_addr);
		set_phase(web, link, LINK_ASKING);
		link->next = web->links;
		if (link->next != NULL) {
			link->next->previous = link;
		}
		web->links = link;
		web->link_count++;
		*socket_context = link;
	} else if (link != NULL) {
		if (link->previous == NULL) {
			web->links = link->next;
		} else {
			link->previous->next = link->next;
		}
		if (link->next != NULL) {
			link->next->previous = link->previous;
		}
		web->link_count--;
		web_peers_leave(link->peer);
		free(link);
		*socket_context = NULL;
	}
}

/* How long a connection may stay as it is, in seconds; 0: as long as it likes. */
static unsigned patience(const struct web *web, enum link_phase phase)
{
	bool full = web->link_count > WEB_CONNECTIONS_MAX * 7 / 8;

	switch (phase) {
	case LINK_ASKING:
		return full ? ASK_SECONDS_FULL : is_busy(web) ? ASK_SECONDS_BUSY : ASK_SECONDS;
	case LINK_ANSWERED:
		if (web->held >= WEB_HELD_MAX && web->first != NULL) {
			return SEND_SECONDS_HELD;
		}
		return full ? SEND_SECONDS_FULL : is_busy(web) ? SEND_SECONDS_BUSY : SEND_SECONDS;
	case LINK_WAITING:   /* the worker's time is bounded, and so is the queue */
	case LINK_STREAMING: /* libmicrohttpd ends those on which nothing moves */
		break;
	}
	return 0;
}

/* Shuts connections whose time is over; libmicrohttpd then ends them. */
static void sweep(struct web *web)
{
	uint64_t now_ms = uv_now(web->loop);

	for (struct link *link = web->links; link != NULL; link = link->next) {
		uint64_t most_ms = 1000 * (uint64_t)patience(web, link->phase);
		if (most_ms > 0 && now_ms - link->since_ms > most_ms) {
			(void)shutdown(link->fd, SHUT_RDWR); /* it may be gone already */
		}
	}
}

/* ---- the loop ---- */

static void on_timer(uv_timer_t *timer)
{
	run(timer->data);
}

static void on_poll(uv_poll_t *poll, int status, int events)
{
	(void)status; /* libmicrohttpd finds out itself */
	(void)events;
	run(poll->data);
}

/* Runs what libmicrohttpd can do now; its work each time is bounded by its connections. */
static void run(struct web *web)
{
	MHD_UNSIGNED_LONG_LONG timeout_ms;

	if (web->daemon == NULL) {
		return;
	}
	(void)MHD_run(web->daemon); /* fails only when not driven from outside */
	if (MHD_get_timeout(web->daemon, &timeout_ms) == MHD_YES) {
		(void)uv_timer_start(&web->timer, on_timer, timeout_ms, 0);
	} else {
		(void)uv_timer_stop(&web->timer);
	}
}

static void on_tick(uv_timer_t *timer)
{
	struct web *web = timer->data;

	sweep(web);
	for (struct stream *stream = web->streams; stream != NULL; stream = stream->next) {
		stream->quiet_ticks++;
		/* A place is not kept for one who left: what is sent to nobody fails only in the end. */
		stream->gone = stream->gone || (stream->asleep && is_gone(stream->link));
		if (stream->asleep && (stream->gone || fill_stream(stream))) {
			stream->asleep = false;
			MHD_resume_connection(stream->connection);
		}
	}
	run(web);
}

/* ---- start and stop ---- */

/* Opens the socket itself, so that what fails has a name. Returns it or a negative errno. */
static int open_socket(const struct web_settings *settings)
{
	struct sockaddr_in four = {.sin_family = AF_INET, .sin_port = htons((uint16_t)settings->port)};
	struct sockaddr_in6 six = {
		.sin6_family = AF_INET6, .sin6_port = htons((uint16_t)settings->port)};
	bool is_four = inet_pton(AF_INET, settings->address, &four.sin_addr) == 1;
	int on = 1, buffer = SEND_BUFFER_BYTES, fd, result;

	if (!is_four && inet_pton(AF_INET6, settings->address, &six.sin6_addr) != 1) {
		return -EINVAL;
	}
	fd = socket(is_four ? AF_INET : AF_INET6, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
	if (fd < 0) {
		return -errno;
	}
	if (setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof(on)) != 0 ||
		/* Those that are accepted take it over. */
		setsockopt(fd, SOL_SOCKET, SO_SNDBUF, &buffer, sizeof(buffer)) != 0 ||
		bind(fd, is_four ? (struct sockaddr *)&four : (struct sockaddr *)&six,
			is_four ? sizeof(four) : sizeof(six)) != 0 ||
		listen(fd, WEB_CONNECTIONS_MAX) != 0) {
		result = -errno;
		(void)close(fd); /* nothing was sent */
		return result;
	}
	return fd;
}

static void on_closed(uv_handle_t *handle)
{
	struct web *web = handle->data;

	web->open_handles--;
	if (web->stopping) {
		finish_stopping(web);
	} else if (web->open_handles == 0) {
		free(web); /* it did not even start */
	}
}

static void close_handles(struct web *web)
{
	uv_close((uv_handle_t *)&web->poll, on_closed);
	uv_close((uv_handle_t *)&web->timer, on_closed);
	uv_close((uv_handle_t *)&web->tick, on_closed);
}

int web_start(struct web **ret_web, uv_loop_t *loop, const struct web_settings *settings,
	const struct web_source *source, char *ret_error, size_t error_size)
{
	const char *wrong = web_settings_check(settings);
	const union MHD_DaemonInfo *info;
	struct web *web;
	int fd, result;

	if (wrong != NULL) {
		(void)snprintf(ret_error, error_size, "%s", wrong);
		return -EINVAL;
	}
	web = calloc(1, sizeof(*web));
	if (web == NULL) {
		(void)snprintf(ret_error, error_size, "no memory left for the page");
		return -ENOMEM;
	}
	web->loop = loop;
	web->settings = *settings;
	web->source = *source;
	if (!web_password_draw_key(web->proof_key)) {
		(void)snprintf(ret_error, error_size, "the kernel gives no random numbers");
		result = -EIO;
		goto free_web;
	}
	fd = open_socket(settings);
	if (fd < 0) {
		result = fd;
		(void)snprintf(ret_error, error_size, "cannot serve the page at %s port %u: %s",
			settings->address, settings->port, strerror(-result));
		goto free_web;
	}
	web->daemon = MHD_start_daemon(MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME, 0, on_door, web,
		on_request, web, MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_CONNECTION_LIMIT,
		(unsigned)WEB_CONNECTIONS_MAX, MHD_OPTION_CONNECTION_MEMORY_LIMIT,
		(size_t)CONNECTION_MEMORY, MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)SILENT_SECONDS,
		MHD_OPTION_STRICT_FOR_CLIENT, 1, MHD_OPTION_NOTIFY_COMPLETED, on_request_over, web,
		MHD_OPTION_NOTIFY_CONNECTION, on_connection, web, MHD_OPTION_END);
	if (web->daemon == NULL) {
		(void)snprintf(ret_error, error_size, "cannot start the page's server");
		result = -ENOMEM;
		(void)close(fd); /* nothing was sent */
		goto free_web;
	}
	info = MHD_get_daemon_info(web->daemon, MHD_DAEMON_INFO_EPOLL_FD);
	assert(info != NULL);
	web->poll.data = web;
	web->timer.data = web;
	web->tick.data = web;
	result = uv_poll_init(loop, &web->poll, info->epoll_fd);
	if (result != 0) {
		(void)snprintf(ret_error, error_size, "cannot watch the page's server: %s",
			uv_strerror(result));
		MHD_stop_daemon(web->daemon);
		goto free_web;
	}
	(void)uv_timer_init(loop, &web->timer); /* these two cannot fail */
	(void)uv_timer_init(loop, &web->tick);
	web->open_handles = 3;
	result = uv_poll_start(&web->poll, UV_READABLE, on_poll);
	if (result != 0) {
		(void)snprintf(ret_error, error_size, "cannot watch the page's server: %s",
			uv_strerror(result));
		MHD_stop_daemon(web->daemon);
		web->daemon = NULL;
		close_handles(web);
		return result;
	}
	(void)uv_timer_start(&web->tick, on_tick, TICK_MS, TICK_MS);
	*ret_web = web;
	return 0;
free_web:
	free(web);
	return result;
}

unsigned web_port(const struct web *web)
{
	const union MHD_DaemonInfo *info =
		MHD_get_daemon_info(web->daemon, MHD_DAEMON_INFO_LISTEN_FD);
	struct sockaddr_in6 address;
	socklen_t size = sizeof(address);

	if (info == NULL || getsockname(info->listen_fd, (struct sockaddr *)&address, &size) != 0) {
		return 0;
	}
	/* The port lies at the same place in both families' addresses. */
	return ntohs(address.sin6_port);
}

/* Goes on when the worker is done and the handles are closed, in whatever order. */
static void finish_stopping(struct web *web)
{
	if (web->asked != NULL || web->open_handles > 0) {
		return;
	}
	/* No connection may sleep while the server stops. */
	for (struct question *question = web->first; question != NULL; question = question->next) {
		wake(question);
	}
	for (struct stream *stream = web->streams; stream != NULL; stream = stream->next) {
		if (stream->asleep) {
			stream->asleep = false;
			MHD_resume_connection(stream->connection);
		}
	}
	MHD_stop_daemon(web->daemon);
	if (web->on_stopped != NULL) {
		web->on_stopped(web->on_stopped_context);
	}
	free(web);
}

void web_stop(struct web *web, void (*on_stopped)(void *context), void *context)
{
	if (web == NULL) {
		if (on_stopped != NULL) {
			on_stopped(context);
		}
		return;
	}
	/* The address is free from now on, for whoever serves next. */
	MHD_socket door = MHD_quiesce_daemon(web->daemon);
	if (door != MHD_INVALID_SOCKET) {
		(void)close(door); /* nothing was sent through it */
	}
	web->stopping = true;
	web->on_stopped = on_stopped;
	web->on_stopped_context = context;
	close_handles(web);
}
