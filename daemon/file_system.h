/* file_system.h: what the kernel says of the file system that holds a folder (proc(5), mountinfo). */
#ifndef SIGHTBOWL_DAEMON_FILE_SYSTEM_H
#define SIGHTBOWL_DAEMON_FILE_SYSTEM_H

#include <stdbool.h>

struct file_system {
	char type[64];      /* "ext4" */
	char options[1024]; /* its own, whoever mounted it where: "rw,lazytime" */
};

/* False, and *ret_system as it was: there is no such folder, or the kernel does not say. */
bool file_system_of(const char *folder, struct file_system *ret_system);
/* Whether its options have a word. */
bool file_system_has(const struct file_system *system, const char *word);

/* Whether a folder can be written on this machine, but for ever not by this process: a service has its own view
 * of the mounts, made when it started, and what was mounted read-only then stays so in it when the
 * machine's is remounted for writing (mount_namespaces(7): flags of a mount are each namespace's own). */
bool file_system_is_shut_off(const char *folder);

#endif
