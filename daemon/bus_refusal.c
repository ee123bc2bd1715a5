#include "daemon/bus_refusal.h"

#include <errno.h>
#include <string.h>

const char *bus_refusal(int error)
{
	switch (error) {
	case -EAFNOSUPPORT:
	case -EPROTONOSUPPORT:
		return "this kernel has no CAN: load it as root ('modprobe can_raw'); where no "
		       "such module is "
		       "found, run a kernel that was built with CONFIG_CAN and CONFIG_CAN_RAW";
	case -ENOTSUP:
		return "it is no CAN interface";
	default:
		return strerror(-error);
	}
}
