/* config.h: the configuration file → the boat and the program's settings.
 *
 * One INI file in which everything is optional. A wrong section, key, value or unit stops with the
 * file, the line and what was expected. Options of the command line are put over the settings
 * afterwards by whoever read them.
 */
#ifndef SIGHTBOWL_DAEMON_CONFIG_H
#define SIGHTBOWL_DAEMON_CONFIG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/boat.h"
#include "daemon/link_watch.h"
#include "daemon/units.h"
#include "daemon/web_settings.h"
#include "decoders/frame.h"
#include "replay/capture.h"

#define SETTINGS_PATH_MAX 1024

/* One bus of the boat. */
struct bus_setting {
	char name[LINK_NAME_MAX]; /* its network interface, or its name in captures */
	uint8_t protocol;         /* enum decoder_protocol */
	double restart_s;         /* restart its controller so long after bus-off; 0: never */
};

/* How long what is kept, and whether raw frames are. */
struct log_settings {
	double size_mb;         /* of the log file; the oldest windows go first */
	double windows_months;  /* how long the 10 s windows are kept */
	double minutes_months;  /* and the minutes */
	char capture_folder[SETTINGS_PATH_MAX]; /* "": raw frames are not kept */
	double capture_mb;      /* of all captures in it */
	double capture_days;
};

struct settings {
	struct boat boat;
	char pin_bus[BOAT_PINS_MAX][32]; /* name of the bus of each of boat.pins, "": any */
	enum unit_system units;
	char log_path[SETTINGS_PATH_MAX]; /* "": not told */
	bool played; /* no setting of the file: the log holds an invented season, which has a time of its own */
	size_t bus_count;
	struct bus_setting buses[FRAME_BUS_MAX];
	struct log_settings log;
	struct web_settings web;
	char notify_command[SETTINGS_PATH_MAX]; /* "": none */
	unsigned notify_severity;               /* enum event_severity: this or worse */
};

void settings_init(struct settings *settings);

/* Reads path over settings made by settings_init. Returns 0 or a negative errno (-EINVAL: what it
 * says is wrong) with a sentence in ret_error; the settings are then of no use. */
int config_read(struct settings *settings, const char *path, char *ret_error, size_t error_size);

/* Puts numbers to the configured buses and those of the boat's pinned sources, by their names; a name
 * that is new takes a number, and one for which none is left is never heard. */
void settings_number_buses(struct settings *settings, struct bus_names *buses);

#endif
