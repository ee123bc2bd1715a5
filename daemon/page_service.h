/* page_service.h: the boat's page on somebody's loop: its server, its answers, its live values. */
#ifndef SIGHTBOWL_DAEMON_PAGE_SERVICE_H
#define SIGHTBOWL_DAEMON_PAGE_SERVICE_H

#include <stddef.h>

#include <uv.h>

#include "analysis/pipeline.h"
#include "daemon/bus_watch.h"
#include "daemon/config.h"

struct page_service; /* opaque; heap */

/* Serves the page of a log where the settings' [web] says; its address must not be "". settings are
 * copied; log_path stays borrowed. Returns 0 or a negative errno with a sentence in ret_error. */
int page_service_start(struct page_service **ret_service, uv_loop_t *loop,
	const struct settings *settings, const char *log_path, char *ret_error, size_t error_size);

/* "http://127.0.0.1:8790/". Borrowed until it stops. */
const char *page_service_address(const struct page_service *service);

/* Hands on what the pipeline last heard, to whoever watches; call it about each second. NULL is fine. */
void page_service_look(struct page_service *service, const struct pipeline *pipeline);

/* Tells the page how a bus is; call it about each second too. NULL is fine. */
void page_service_tell_bus(struct page_service *service, const struct bus_status *status);

/* Stops serving and frees; what is left is done by the loop. NULL is fine. */
void page_service_stop(struct page_service *service);

#endif
