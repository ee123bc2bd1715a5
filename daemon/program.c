#include "daemon/program.h"

#include <stdio.h>
#include <string.h>

int program_main(int argc, char **argv)
{
	if (argc == 2 && strcmp(argv[1], "--version") == 0) {
		printf("sightbowl %s\n", SIGHTBOWL_VERSION);
		return EXIT_DONE;
	}
	fprintf(stderr, "sightbowl: name a command\n");
	return EXIT_WRONG_USE;
}
