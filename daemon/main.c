/* main.c: one call, so that the tests can link everything else. */
#include "daemon/program.h"

int main(int argc, char **argv)
{
	return program_main(argc, argv);
}
