/* web.h: the page's HTTP server.
 *
 * Knows HTTP and who may ask: libmicrohttpd, driven by the loop that it is given. Files of the page
 * are answered at once; what needs the log is answered by a source on a worker thread, one question
 * at a time, so that the loop never waits for a disk. Connections, sizes and times are bounded, and
 * so is what a client that does not read, or does not finish asking, can hold; no address can take
 * all of it (web_peers.h).
 */
#ifndef SIGHTBOWL_DAEMON_WEB_H
#define SIGHTBOWL_DAEMON_WEB_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <uv.h>

#include "daemon/web_request.h"
#include "daemon/web_settings.h"

#define WEB_CONNECTIONS_MAX 64
#define WEB_STREAMS_MAX     16 /* of them, those that are sent live values */
#define WEB_QUESTIONS_MAX   32 /* waiting for the worker */
#define WEB_HELD_MAX        1048576 /* bytes of answers that clients have not taken yet */
/* An address may have of each of these no more than it leaves to others, so that there is always a
 * place for somebody new: one address half of it, two a third each, eight a ninth each. Not 127.0.0.1
 * and ::1: everybody comes from there behind a server that speaks TLS. */

struct web_source {
	void *context;
	/* Answers what is not a file of the page, or carries out a POST, which only comes when the
	 * settings allow writing. Called on a worker thread, never two at a time. */
	void (*answer)(void *context, const struct web_request *request,
		struct web_answer *ret_answer);
	/* Writes, as one JSON object, the live values that changed after *sequence (0: all), and puts
	 * *sequence up. Returns the bytes written, 0 when nothing changed. Called on the loop. */
	size_t (*live)(void *context, uint64_t *sequence, char *out, size_t size);
};

struct web; /* opaque; heap */

/* Starts serving. The source's context must live until on_stopped. Returns 0 or a negative errno
 * (-EADDRINUSE, -EADDRNOTAVAIL, -EACCES …) with a sentence in ret_error. */
int web_start(struct web **ret_web, uv_loop_t *loop, const struct web_settings *settings,
	const struct web_source *source, char *ret_error, size_t error_size);

/* The port that it listens on. */
unsigned web_port(const struct web *web);

/* Whether somebody watches live values just now. */
bool web_is_watched(const struct web *web);

/* Ends every connection and frees; on_stopped (may be NULL) is called from the loop when nothing of
 * it is left. NULL is fine: on_stopped is then called at once. */
void web_stop(struct web *web, void (*on_stopped)(void *context), void *context);

#endif
