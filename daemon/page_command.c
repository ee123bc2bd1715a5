/* page_command.c: the page over a log that is there, without a bus; and the page's password. */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "daemon/commands.h"
#include "daemon/page_service.h"
#include "daemon/web_password.h"

struct page {
	uv_loop_t loop;
	uv_signal_t interrupt;
	uv_signal_t terminate;
	struct page_service *service;
};

static void on_signal(uv_signal_t *handle, int number)
{
	struct page *page = handle->data;

	(void)number;
	page_service_stop(page->service);
	uv_close((uv_handle_t *)&page->interrupt, NULL);
	uv_close((uv_handle_t *)&page->terminate, NULL);
}

/* The command line's port over the settings'. */
static enum program_exit choose_port(const struct command_line *line, struct settings *settings)
{
	const char *port = command_value(line, "--port");
	char *end;
	unsigned long number;

	if (port != NULL) {
		number = strtoul(port, &end, 10);
		if (*port < '0' || *port > '9' || *end != '\0' || number > 65535) {
			return command_misused(line, "--port: expected 0 to 65535; got '%s'", port);
		}
		settings->web.port = (unsigned)number;
	}
	if (settings->web.address[0] == '\0') {
		return command_failed(line, "the configuration's [web] listen is none");
	}
	return EXIT_DONE;
}

static enum program_exit run_page(const struct command_line *line)
{
	struct log_store *store = NULL;
	struct settings settings = line->settings;
	struct page page = {.service = NULL};
	char error[512];
	int result;
	enum program_exit status = command_open_log(line, &store);

	if (status != EXIT_DONE) {
		return status; /* said before anything is served */
	}
	log_store_close(store);
	status = choose_port(line, &settings);
	if (status != EXIT_DONE) {
		return status;
	}
	result = uv_loop_init(&page.loop);
	if (result != 0) {
		return command_failed(line, "cannot start: %s", uv_strerror(result));
	}
	result = page_service_start(&page.service, &page.loop, &settings, line->log_path, error,
		sizeof(error));
	if (result == 0) {
		page.interrupt.data = &page;
		page.terminate.data = &page;
		/* These cannot fail for signals that can be caught. */
		(void)uv_signal_init(&page.loop, &page.interrupt);
		(void)uv_signal_init(&page.loop, &page.terminate);
		(void)uv_signal_start(&page.interrupt, on_signal, SIGINT);
		(void)uv_signal_start(&page.terminate, on_signal, SIGTERM);
		(void)printf("%s\n", page_service_address(page.service));
		(void)fflush(stdout); /* whoever reads the address must not wait */
	} else {
		status = command_failed(line, "%s", error);
	}
	(void)uv_run(&page.loop, UV_RUN_DEFAULT);
	(void)uv_loop_close(&page.loop); /* every handle has been closed */
	return status;
}

static const struct command_option page_options[] = {
	{"--port", "N", "instead of the configuration's; 0 takes any free one"},
	{NULL, NULL, NULL},
};

const struct command command_page = {
	.name = "page",
	.summary = "the boat's page over a log, in a browser",
	.arguments = "",
	.help = "Serves the boat's page over a log that is there, without listening to a bus: for a laptop, or\n"
		"to look at a log that was brought home. Prints its address and runs until it is stopped.\n"
		"Only this machine can open it unless [web] in the configuration says otherwise; watch serves\n"
		"the same page with live values.\n\n"
		"  sightbowl page --db boat.db\n"
		"  sightbowl page --db boat.db --port 0",
	.takes = COMMAND_TAKES_LOG | COMMAND_TAKES_CONFIG,
	.options = page_options,
	.run = run_page,
};

/* Reads a line from standard input, without showing it on a terminal. False: none. */
static bool read_password(char *ret_password, size_t size)
{
	struct termios shown;
	bool terminal = tcgetattr(STDIN_FILENO, &shown) == 0;
	bool read;

	if (terminal) {
		struct termios hidden = shown;
		hidden.c_lflag &= ~(tcflag_t)ECHO;
		(void)fputs("Password for the page: ", stderr);
		(void)tcsetattr(STDIN_FILENO, TCSAFLUSH, &hidden); /* else it is shown, no more */
	}
	read = fgets(ret_password, (int)size, stdin) != NULL;
	if (terminal) {
		(void)tcsetattr(STDIN_FILENO, TCSAFLUSH, &shown);
		(void)fputc('\n', stderr);
	}
	if (read) {
		ret_password[strcspn(ret_password, "\r\n")] = '\0';
	}
	return read && ret_password[0] != '\0';
}

static enum program_exit run_password(const struct command_line *line)
{
	char password[WEB_PASSWORD_MAX + 2], hash[WEB_PASSWORD_HASH_MAX];
	int result;

	if (!read_password(password, sizeof(password))) {
		return command_failed(line, "expected a password on standard input");
	}
	if (strlen(password) > WEB_PASSWORD_MAX) {
		return command_failed(line, "expected at most %d bytes", WEB_PASSWORD_MAX);
	}
	result = web_password_hash(password, hash);
	if (result != 0) {
		return command_failed(line, "cannot hash it: %s", strerror(-result));
	}
	(void)printf("password = %s\n", hash);
	return EXIT_DONE;
}

const struct command command_password = {
	.name = "password",
	.summary = "makes the [web] password line",
	.arguments = "",
	.help = "Reads a password from standard input (a terminal does not show it) and prints the line for\n"
		"[web] in the configuration: an Argon2 hash, from which nobody gets the password back.\n\n"
		"  sightbowl password\n"
		"  echo 'grey heron at anchor' | sightbowl password",
	.takes = 0,
	.run = run_password,
};
