/* web_settings.h: where the page is served, and to whom. */
#ifndef SIGHTBOWL_DAEMON_WEB_SETTINGS_H
#define SIGHTBOWL_DAEMON_WEB_SETTINGS_H

#include <stdbool.h>

#define WEB_DEFAULT_ADDRESS "127.0.0.1"
#define WEB_DEFAULT_PORT    8790

struct web_settings {
	char address[64]; /* numeric, IPv4 or IPv6; "": no page */
	unsigned port;    /* 0: any free one */
	char password_hash[128]; /* Argon2, as web_password_hash makes it; "": none is asked */
	bool write;       /* acknowledging events and writing into the service book */
	char names[256];  /* host names besides numbers and localhost, separated by spaces */
};

/* Loopback, no password, nothing can be written. */
void web_settings_init(struct web_settings *settings);

/* NULL when the settings are fit for use, else a sentence: an address that is no number, one beyond
 * this machine without a password, a password that is no Argon2 hash. Static text. */
const char *web_settings_check(const struct web_settings *settings);

#endif
