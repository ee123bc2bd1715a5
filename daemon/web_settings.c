#include "daemon/web_settings.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <stddef.h>

#include "daemon/web_password.h"

void web_settings_init(struct web_settings *settings)
{
	*settings = (struct web_settings){.address = WEB_DEFAULT_ADDRESS, .port = WEB_DEFAULT_PORT};
}

static bool is_loopback(const char *address)
{
	struct in_addr four;
	struct in6_addr six;

	if (inet_pton(AF_INET, address, &four) == 1) {
		return ntohl(four.s_addr) >> 24 == IN_LOOPBACKNET;
	}
	return inet_pton(AF_INET6, address, &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six);
}

const char *web_settings_check(const struct web_settings *settings)
{
	struct in6_addr address;

	if (settings->address[0] == '\0') {
		return NULL;
	}
	if (inet_pton(AF_INET, settings->address, &address) != 1 &&
		inet_pton(AF_INET6, settings->address, &address) != 1) {
		return "the page's address must be a number, as 127.0.0.1 or ::1";
	}
	if (settings->password_hash[0] != '\0' && !web_password_is_hash(settings->password_hash)) {
		return "the page's password must be the line that 'sightbowl password' prints";
	}
	if (settings->password_hash[0] == '\0' && !is_loopback(settings->address)) {
		return "a page for other machines needs a password; 'sightbowl password' makes one";
	}
	return NULL;
}
