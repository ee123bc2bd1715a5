#include "daemon/file_system.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/sysmacros.h>

#define LINE_BYTES 2048

bool file_system_of(const char *folder, struct file_system *ret_system)
{
	struct stat status;
	char line[LINE_BYTES];
	bool found = false;
	FILE *mounts;

	if (stat(folder, &status) != 0) {
		return false;
	}
	mounts = fopen("/proc/self/mountinfo", "re");
	if (mounts == NULL) {
		return false;
	}
	while (!found && fgets(line, sizeof(line), mounts) != NULL) {
		struct file_system system = {"", ""};
		unsigned major_number, minor_number;
		const char *tail = strstr(line, " - ");

		if (sscanf(line, "%*u %*u %u:%u", &major_number, &minor_number) == 2 &&
			makedev(major_number, minor_number) == status.st_dev && tail != NULL &&
			sscanf(tail, " - %63s %*s %1023s", system.type, system.options) == 2) {
			*ret_system = system;
			found = true;
		}
	}
	(void)fclose(mounts); /* it was only read */
	return found;
}

bool file_system_has(const struct file_system *system, const char *word)
{
	size_t length = strlen(word);

	for (const char *at = system->options; at != NULL; at = strchr(at, ',')) {
		at += *at == ',';
		if (strncmp(at, word, length) == 0 && (at[length] == ',' || at[length] == '\0')) {
			return true;
		}
		if (*at == '\0') {
			break;
		}
	}
	return false;
}

bool file_system_is_shut_off(const char *folder)
{
	struct file_system system;
	struct statvfs here;

	/* Of the mount that the folder is reached through, or of its file system as a whole. */
	return statvfs(folder, &here) == 0 && (here.f_flag & ST_RDONLY) != 0 &&
		file_system_of(folder, &system) && file_system_has(&system, "rw");
}
