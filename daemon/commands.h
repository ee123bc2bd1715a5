/* commands.h: every command of the program; each is defined in the file of its family. */
#ifndef SIGHTBOWL_DAEMON_COMMANDS_H
#define SIGHTBOWL_DAEMON_COMMANDS_H

#include "daemon/command.h"

/* demo_command.c */
extern const struct command command_demo;
/* replay_command.c */
extern const struct command command_replay;
/* listen_command.c */
extern const struct command command_listen;
/* status_command.c */
extern const struct command command_status;
/* fact_commands.c */
extern const struct command command_runs;
extern const struct command command_trips;
/* element_commands.c */
extern const struct command command_elements;
/* event_commands.c */
extern const struct command command_events;
/* book_commands.c */
extern const struct command command_book;
/* spare_commands.c */
extern const struct command command_spares;
extern const struct command command_waste;
/* advise_command.c */
extern const struct command command_advise;
/* steps_command.c */
extern const struct command command_steps;
/* export_command.c */
extern const struct command command_export;
/* check_command.c */
extern const struct command command_check;

/* page_command.c */
extern const struct command command_page;
extern const struct command command_password;
/* report_command.c */
extern const struct command command_report;

/* watch_command.c */
extern const struct command command_watch;

#endif
