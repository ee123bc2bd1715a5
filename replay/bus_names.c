#include "replay/capture.h"

#include <errno.h>
#include <string.h>

int bus_names_find(struct bus_names *buses, const char *name, size_t length)
{
	if (length >= CAPTURE_BUS_NAME_MAX) {
		length = CAPTURE_BUS_NAME_MAX - 1;
	}
	for (size_t i = 0; i < buses->count; i++) {
		if (strncmp(buses->names[i], name, length) == 0 &&
			buses->names[i][length] == '\0') {
			return (int)i;
		}
	}
	if (buses->count == FRAME_BUS_MAX) {
		return -ENOSPC;
	}
	memcpy(buses->names[buses->count], name, length);
	buses->names[buses->count][length] = '\0';
	return (int)buses->count++;
}
