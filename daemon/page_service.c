#include "daemon/page_service.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/commands.h"
#include "daemon/live.h"
#include "daemon/web.h"
#include "daemon/web_api.h"

struct page_service {
	uv_loop_t *loop;
	struct web *web;
	struct web_api api;
	struct live live;
	int64_t heard_ns;     /* steady time of the last frame that was looked at */
	uint64_t heard_at_ms; /* and the loop's time then */
	char address[96];
};

int page_service_start(struct page_service **ret_service, uv_loop_t *loop,
	const struct settings *settings, const char *log_path, char *ret_error, size_t error_size)
{
	struct page_service *service = calloc(1, sizeof(*service));
	struct command_line *line = calloc(1, sizeof(*line));
	struct web_source source;
	int result = -ENOMEM;

	if (service == NULL || line == NULL) {
		(void)snprintf(ret_error, error_size, "no memory left for the page");
		goto free_both;
	}
	line->command = &command_page;
	line->settings = *settings;
	line->log_path = log_path;
	line->engine = -1;
	service->loop = loop;
	service->heard_ns = INT64_MIN;
	live_init(&service->live);
	web_api_init(&service->api, line, &service->live);
	source = web_api_source(&service->api);
	result = web_start(&service->web, loop, &settings->web, &source, ret_error, error_size);
	if (result != 0) {
		goto free_both;
	}
	(void)snprintf(service->address, sizeof(service->address),
		strchr(settings->web.address, ':') == NULL ? "http://%s:%u/" : "http://[%s]:%u/",
		settings->web.address, web_port(service->web));
	free(line); /* the api has its copy */
	*ret_service = service;
	return 0;
free_both:
	free(line);
	free(service);
	return result;
}

const char *page_service_address(const struct page_service *service)
{
	return service->address;
}

void page_service_look(struct page_service *service, const struct pipeline *pipeline)
{
	int64_t heard_ns;

	if (service == NULL || !web_is_watched(service->web)) {
		return;
	}
	/* Steady time stands still while nothing is heard: the loop's time tells for how long. */
	heard_ns = pipeline_steady_ns(pipeline);
	if (heard_ns == INT64_MIN) {
		return;
	}
	if (heard_ns != service->heard_ns) {
		service->heard_ns = heard_ns;
		service->heard_at_ms = uv_now(service->loop);
	}
	live_update(&service->live, pipeline,
		heard_ns + (int64_t)(uv_now(service->loop) - service->heard_at_ms) * 1000000);
}

static void on_stopped(void *context)
{
	struct page_service *service = context;

	web_api_finish(&service->api);
	free(service);
}

void page_service_stop(struct page_service *service)
{
	if (service != NULL) {
		web_stop(service->web, on_stopped, service);
	}
}
