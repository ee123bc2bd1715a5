/* program.h: the command line: which command, its options, its exit status. */
#ifndef SIGHTBOWL_DAEMON_PROGRAM_H
#define SIGHTBOWL_DAEMON_PROGRAM_H

enum program_exit {
	EXIT_DONE = 0,
	EXIT_FAILED = 1,
	EXIT_WRONG_USE = 2,
};

/* Runs the program; returns an enum program_exit. */
int program_main(int argc, char **argv);

#endif
