#include "daemon/page_service.h"

#include <errno.h>
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/commands.h"
#include "daemon/live.h"
#include "daemon/web.h"
#include "daemon/web_api.h"

/* Answers from this size on are given back to the system as soon as they are sent. */
#define LARGE_ANSWER_BYTES 65536

/* A bus as it was last told. */
struct told_bus {
	char interface[32];
	struct bus_status status;
};

struct page_service {
	uv_loop_t *loop;
	struct web *web;
	struct web_api api;
	struct live live;
	int64_t heard_ns;     /* steady time of the last frame that was looked at */
	uint64_t heard_at_ms; /* and the loop's time then */
	char address[96];
	uv_mutex_t buses_mutex; /* buses are told on the loop and read on the worker */
	size_t bus_count;
	struct told_bus buses[FRAME_BUS_MAX];
};

static const struct table_column bus_columns[] = {
	{"bus", TABLE_TEXT, QUANTITY_NONE, 0},
	{"state", TABLE_TEXT, QUANTITY_NONE, 0},
	{"controller", TABLE_TEXT, QUANTITY_NONE, 0},
	{"bit_rate", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"frames", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"dropped", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"error_frames", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"outages", TABLE_INTEGER, QUANTITY_NONE, 0},
	{"last_error", TABLE_TEXT, QUANTITY_NONE, 0},
	{"cause", TABLE_TEXT, QUANTITY_NONE, 0},
};

static void put_buses(void *context, struct table *table)
{
	static const char *const presences[] = {
		[BUS_MISSING] = "missing",
		[BUS_DOWN] = "down",
		[BUS_UNUSABLE] = "unusable",
		[BUS_LISTENING] = "listening",
	};
	struct page_service *service = context;

	table_begin(table, "buses", bus_columns, sizeof(bus_columns) / sizeof(bus_columns[0]));
	uv_mutex_lock(&service->buses_mutex);
	for (size_t i = 0; i < service->bus_count; i++) {
		const struct told_bus *bus = &service->buses[i];
		const struct bus_health *health = &bus->status.health;
		table_put_text(table, bus->interface);
		table_put_text(table, presences[bus->status.presence]);
		table_put_text(table, controller_state_name(bus->status.controller.state));
		if (bus->status.controller.bit_rate > 0) {
			table_put_integer(table, bus->status.controller.bit_rate);
		} else {
			table_put_unknown(table);
		}
		table_put_integer(table, (int64_t)bus->status.frames);
		table_put_integer(table, (int64_t)bus->status.dropped);
		table_put_integer(table, (int64_t)health->frames);
		table_put_integer(table, (int64_t)bus->status.outages);
		table_put_text(table,
			health->has_last_error ? bus_error_text(health->last_error) : NULL);
		table_put_text(table, health->has_last_error && *bus_error_cause(health->last_error) != '\0'
			? bus_error_cause(health->last_error) : NULL);
		table_end_row(table);
	}
	uv_mutex_unlock(&service->buses_mutex);
	table_end(table);
}

void page_service_tell_bus(struct page_service *service, const struct bus_status *status)
{
	size_t i = 0;

	if (service == NULL) {
		return;
	}
	uv_mutex_lock(&service->buses_mutex);
	while (i < service->bus_count &&
		strcmp(service->buses[i].interface, status->interface) != 0) {
		i++;
	}
	if (i < FRAME_BUS_MAX) {
		struct told_bus *bus = &service->buses[i];
		bus->status = *status;
		(void)snprintf(bus->interface, sizeof(bus->interface), "%s", status->interface);
		bus->status.interface = bus->interface;
		service->bus_count = i == service->bus_count ? i + 1 : service->bus_count;
	}
	uv_mutex_unlock(&service->buses_mutex);
}

int page_service_start(struct page_service **ret_service, uv_loop_t *loop,
	const struct settings *settings, const char *log_path, char *ret_error, size_t error_size)
{
	struct page_service *service = calloc(1, sizeof(*service));
	struct command_line *line = calloc(1, sizeof(*line));
	struct web_source source;
	int result = -ENOMEM;

	/* Else the C library learns from the first large answer to keep room for the next. */
	(void)mallopt(M_MMAP_THRESHOLD, LARGE_ANSWER_BYTES);
	if (service == NULL || line == NULL || uv_mutex_init(&service->buses_mutex) != 0) {
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
	service->api.put_buses = put_buses;
	service->api.put_context = service;
	source = web_api_source(&service->api);
	result = web_start(&service->web, loop, &settings->web, &source, ret_error, error_size);
	if (result != 0) {
		uv_mutex_destroy(&service->buses_mutex);
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
	uv_mutex_destroy(&service->buses_mutex);
	free(service);
}

void page_service_stop(struct page_service *service)
{
	if (service != NULL) {
		web_stop(service->web, on_stopped, service);
	}
}
