/* print_format.h: lets the compiler check a function's format against its arguments. */
#ifndef SIGHTBOWL_DAEMON_PRINT_FORMAT_H
#define SIGHTBOWL_DAEMON_PRINT_FORMAT_H

/* Numbers of the format (text) and of its first argument, from 1. */
#define PRINT_FORMAT(text, first) __attribute__((format(printf, text, first)))

#endif
