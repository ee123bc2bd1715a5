/* log_folder.h: a folder for a test's logs, with the fixtures that make, empty and remove it. */
#ifndef SIGHTBOWL_TESTS_LOG_FOLDER_H
#define SIGHTBOWL_TESTS_LOG_FOLDER_H

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

static char folder[] = "/tmp/sightbowl-log-XXXXXX";
static char path[64]; /* of the log in it */

static int make_folder(void **state)
{
	(void)state;
	if (mkdtemp(folder) == NULL) {
		return -1;
	}
	(void)snprintf(path, sizeof(path), "%s/boat.db", folder);
	return 0;
}

static int empty_folder(void **state)
{
	static const char *const endings[] = {"", "-wal", "-shm", "-journal", ".lock"};

	(void)state;
	for (size_t i = 0; i < sizeof(endings) / sizeof(endings[0]); i++) {
		char name[96];

		(void)snprintf(name, sizeof(name), "%s%s", path, endings[i]);
		(void)unlink(name);
	}
	return 0;
}

static int remove_folder(void **state)
{
	(void)empty_folder(state);
	return rmdir(folder);
}

#endif
