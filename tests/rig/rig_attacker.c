/* rig_attacker.c: clients of the page, hostile and good.
 *
 *   rig_attacker attack ADDRESS PORT SECONDS PASSWORD
 *       200 connections at once from 10.9.0.2 to 10.9.0.9, of every kind below; prints what came of it
 *   rig_attacker ask ADDRESS PORT PATH PASSWORD
 *       asks once from 10.9.0.20; prints status, milliseconds, bytes, and the body on standard error
 *
 * The attackers know the password, or guess it: whoever is aboard may be broken or hostile. */
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define CLIENTS   200
#define ADDRESSES 8
#define TEXT_MAX  20000

enum kind {
	ASKER,    /* asks dear questions one after the other, and reads */
	DEAF,     /* asks for much, or for live values, and never reads */
	SLOW,     /* a byte each 300 ms, never done */
	SILENT,   /* connects, and that is all */
	JUNK,     /* malformed, oversized, climbing paths, lies about sizes */
	GUESSER,  /* another wrong password each time */
	HEADERS,  /* headers without end */
	KINDS,
};

static const unsigned counts[KINDS] = {60, 30, 40, 20, 20, 20, 10};
static const char *const names[KINDS] = {
	"askers", "deaf", "slow", "silent", "junk", "guessers", "headers"};

struct client {
	enum kind kind;
	unsigned number;
	unsigned turn;
	int fd; /* -1: not connected */
	int64_t next_ms;
	char text[TEXT_MAX];
	size_t size;
	size_t sent;
};

struct outcome {
	unsigned long tried;   /* connections */
	unsigned long status[6]; /* answers by hundreds */
};

static struct client clients[CLIENTS];
static struct outcome outcomes[KINDS];
static uint64_t random_state = 88172645463325252U;
static struct sockaddr_in server;
static const char *password;

static uint32_t draw(void)
{
	random_state ^= random_state << 13;
	random_state ^= random_state >> 7;
	random_state ^= random_state << 17;
	return (uint32_t)(random_state >> 32);
}

static int64_t now_ms(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_MONOTONIC, &now);
	return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* The Authorization header of RFC 7617. */
static void authorization(char *out, size_t size, const char *word)
{
	static const char letters[] =
		"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
	char plain[96];
	char coded[160] = "";
	size_t length, at = 0;

	(void)snprintf(plain, sizeof(plain), "guest:%s", word);
	length = strlen(plain);
	for (size_t i = 0; i < length; i += 3) {
		uint32_t three = (uint32_t)(unsigned char)plain[i] << 16;
		if (i + 1 < length) {
			three |= (uint32_t)(unsigned char)plain[i + 1] << 8;
		}
		if (i + 2 < length) {
			three |= (uint32_t)(unsigned char)plain[i + 2];
		}
		coded[at++] = letters[three >> 18];
		coded[at++] = letters[three >> 12 & 63];
		coded[at++] = i + 1 < length ? letters[three >> 6 & 63] : '=';
		coded[at++] = i + 2 < length ? letters[three & 63] : '=';
	}
	(void)snprintf(out, size, "Authorization: Basic %s\r\n", coded);
}

static void ask_for(struct client *client, const char *path, const char *word)
{
	char proof[200];

	authorization(proof, sizeof(proof), word);
	client->size = (size_t)snprintf(client->text, sizeof(client->text),
		"GET %s HTTP/1.1\r\nHost: 10.9.0.1\r\n%s\r\n", path, proof);
}

static void make_junk(struct client *client)
{
	static const char *const heads[] = {
		"GET /../../../../etc/passwd HTTP/1.1\r\nHost: 10.9.0.1\r\n\r\n",
		"GET /%2e%2e/%2e%2e/etc/shadow HTTP/1.1\r\nHost: 10.9.0.1\r\n\r\n",
		"POST /api/v1/book HTTP/1.1\r\nHost: 10.9.0.1\r\nContent-Length: 99999999999\r\n\r\n",
		"POST /api/v1/book HTTP/1.1\r\nHost: 10.9.0.1\r\nTransfer-Encoding: chunked\r\n\r\nFFFFFFFFF\r\n",
		"GET / HTTP/9.9\r\nHost: 10.9.0.1\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n",
		"\r\n\r\n\r\n\r\nGET\r\n\r\n",
		"GET /?a=1&a=1&a=1&a=1&a=1&a=1&a=1&a=1&a=1&a=1&a=1 HTTP/1.1\r\nHost: 10.9.0.1\r\n\r\n",
	};
	unsigned which = client->turn % 11;

	if (which < 8) {
		client->size = (size_t)snprintf(client->text, sizeof(client->text), "%s", heads[which]);
	} else if (which == 8) {
		client->size = sizeof(client->text);
		for (size_t i = 0; i < client->size; i++) {
			client->text[i] = (char)draw();
		}
	} else if (which == 9) {
		memset(client->text, 'A', sizeof(client->text));
		memcpy(client->text, "GET /", 5);
		client->size = sizeof(client->text);
	} else {
		client->size = (size_t)snprintf(client->text, sizeof(client->text),
			"GET / HTTP/1.1\r\nHost: 10.9.0.1\r\nContent-Length: -1\r\n\r\n");
	}
}

/* What the client says when it is connected. */
static void make_text(struct client *client)
{
	static const char *const dear[] = {
		"/api/v1/series?since=2000-01-01&until=2060-01-01&points=2000&signals=fuel_rate_lph,"
		"engine_speed_rpm,coolant_temperature_c,oil_pressure_kpa,ground_speed_kn,depth_m,"
		"alternator_v,engine_load_pct",
		"/api/v1/overview", "/api/v1/trips", "/api/v1/coverage.csv", "/metrics",
		"/drawing/burn.svg?engine=0", "/api/v1/events", "/dygraph.min.js",
	};
	char word[32];

	client->sent = 0;
	switch (client->kind) {
	case ASKER:
		ask_for(client, dear[client->turn % 8], password);
		break;
	case DEAF:
		ask_for(client, client->number % 3 == 0 ? "/api/v1/live" : dear[client->turn % 2 * 7],
			password);
		break;
	case SLOW:
		client->size = (size_t)snprintf(client->text, sizeof(client->text),
			"GET / HTTP/1.1\r\nHost: 10.9.0.1\r\nX-Slow: %0500d", 0);
		break;
	case SILENT:
		client->size = 0;
		break;
	case JUNK:
		make_junk(client);
		break;
	case GUESSER:
		(void)snprintf(word, sizeof(word), "guess%u.%u", client->number, client->turn);
		ask_for(client, "/api/v1/overview", word);
		break;
	case HEADERS:
		client->size = (size_t)snprintf(client->text, sizeof(client->text),
			"GET / HTTP/1.1\r\nHost: 10.9.0.1\r\n");
		while (client->size + 40 < sizeof(client->text)) {
			client->size += (size_t)snprintf(client->text + client->size,
				sizeof(client->text) - client->size, "X-Flood-%08x: %08x\r\n",
				(unsigned)draw(), (unsigned)draw());
		}
		break;
	case KINDS:
		break;
	}
}

static int open_from(uint32_t own, bool deaf)
{
	struct sockaddr_in from = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(own)};
	int fd = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
	int little = 2048;

	if (fd < 0 || bind(fd, (struct sockaddr *)&from, sizeof(from)) != 0) {
		perror("rig_attacker");
		exit(1);
	}
	if (deaf) {
		(void)setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &little, sizeof(little)); /* best effort */
	}
	if (connect(fd, (struct sockaddr *)&server, sizeof(server)) != 0 && errno != EINPROGRESS) {
		(void)close(fd); /* try again later */
		return -1;
	}
	return fd;
}

static void hang_up(struct client *client, int64_t again_ms)
{
	(void)close(client->fd); /* nothing waits for what was sent */
	client->fd = -1;
	client->next_ms = again_ms;
}

static void note_answer(struct client *client, const char *text, size_t size)
{
	if (size > 12 && memcmp(text, "HTTP/1.1 ", 9) == 0 && text[9] >= '1' && text[9] <= '5') {
		outcomes[client->kind].status[text[9] - '0']++;
	}
}

/* Sends what is due. */
static void say(struct client *client, int64_t now)
{
	size_t most = client->size - client->sent;
	ssize_t sent;

	if (client->kind == SLOW) {
		if (now < client->next_ms) {
			return;
		}
		client->next_ms = now + 300;
		most = most > 1 ? 1 : most;
	}
	sent = most == 0 ? 0 : send(client->fd, client->text + client->sent, most, MSG_NOSIGNAL);
	if (sent < 0 && errno != EAGAIN && errno != ENOTCONN && errno != EINPROGRESS) {
		hang_up(client, now + 50);
	} else if (sent > 0) {
		client->sent += (size_t)sent;
	}
}

/* Takes what came, unless it is deaf. */
static void hear(struct client *client, int64_t now)
{
	static char text[65536];
	ssize_t size;
	bool first = true;

	if (client->kind == DEAF) {
		return;
	}
	while ((size = recv(client->fd, text, sizeof(text), 0)) > 0) {
		if (first && client->sent > 0) {
			note_answer(client, text, (size_t)size);
		}
		first = false;
		if (client->kind == ASKER) {
			/* The next question on the same connection, a little later. */
			client->turn++;
			client->next_ms = now + 200;
			make_text(client);
		} else {
			client->sent = client->size;
		}
	}
	if (size == 0 || (errno != EAGAIN && errno != ENOTCONN)) {
		hang_up(client, now + 50);
	} else if (!first && (client->kind == JUNK || client->kind == GUESSER)) {
		hang_up(client, now + 50);
	}
}

static int attack(int64_t seconds)
{
	struct pollfd polled[CLIENTS];
	int64_t end_ms = now_ms() + seconds * 1000;
	unsigned made = 0;

	for (unsigned kind = 0; kind < KINDS; kind++) {
		for (unsigned i = 0; i < counts[kind]; i++) {
			clients[made] = (struct client){.kind = (enum kind)kind, .number = made, .fd = -1};
			made++;
		}
	}
	for (int64_t now = now_ms(); now < end_ms; now = now_ms()) {
		for (unsigned i = 0; i < CLIENTS; i++) {
			struct client *client = &clients[i];
			if (client->fd < 0 && now >= client->next_ms) {
				client->fd = open_from(0x0A090002U + i % ADDRESSES, client->kind == DEAF);
				client->next_ms = client->fd < 0 ? now + 50 : now;
				client->turn++;
				outcomes[client->kind].tried++;
				make_text(client);
			}
			polled[i] = (struct pollfd){.fd = client->fd};
			if (client->fd >= 0 && client->kind != DEAF) {
				polled[i].events = POLLIN;
			}
			if (client->fd >= 0 && client->kind != SLOW && client->sent < client->size &&
				now >= client->next_ms) {
				polled[i].events = (short)(polled[i].events | POLLOUT);
			}
		}
		if (poll(polled, CLIENTS, 20) < 0) {
			perror("rig_attacker: poll");
			return 1;
		}
		now = now_ms();
		for (unsigned i = 0; i < CLIENTS; i++) {
			struct client *client = &clients[i];
			if (client->fd >= 0 && (polled[i].revents & (POLLERR | POLLHUP)) != 0) {
				hang_up(client, now + 50);
			}
			if (client->fd >= 0 && ((polled[i].revents & POLLOUT) != 0 || client->kind == SLOW)) {
				say(client, now);
			}
			if (client->fd >= 0 && (polled[i].revents & POLLIN) != 0) {
				hear(client, now);
			}
		}
	}
	for (unsigned kind = 0; kind < KINDS; kind++) {
		(void)printf("%s: %lu connections, answers 2xx %lu, 4xx %lu, 5xx %lu\n", names[kind],
			outcomes[kind].tried, outcomes[kind].status[2], outcomes[kind].status[4],
			outcomes[kind].status[5]);
	}
	return 0; /* the connections end with the program */
}

/* One request of a good client, until the server closes. */
static int ask(const char *path)
{
	static char reply[4 << 20];
	char proof[200], text[1024];
	int64_t start_ms = now_ms();
	int fd = open_from(0x0A090014U, false);
	size_t size = 0, sent = 0, length;
	const char *body;

	authorization(proof, sizeof(proof), password);
	length = (size_t)snprintf(text, sizeof(text),
		"GET %s HTTP/1.1\r\nHost: 10.9.0.1\r\nConnection: close\r\n%s\r\n", path, proof);
	while (fd >= 0 && now_ms() < start_ms + 30000) {
		struct pollfd polled = {.fd = fd, .events = (short)(POLLIN | (sent < length ? POLLOUT : 0))};
		ssize_t got;
		if (poll(&polled, 1, 1000) <= 0) {
			continue;
		}
		if ((polled.revents & POLLOUT) != 0) {
			got = send(fd, text + sent, length - sent, MSG_NOSIGNAL);
			sent += got > 0 ? (size_t)got : 0;
		}
		if ((polled.revents & (POLLIN | POLLHUP | POLLERR)) != 0) {
			got = recv(fd, reply + size, sizeof(reply) - 1 - size, 0);
			if (got == 0 || (got < 0 && errno != EAGAIN)) {
				break;
			}
			size += got > 0 ? (size_t)got : 0;
		}
	}
	reply[size] = '\0';
	body = strstr(reply, "\r\n\r\n");
	(void)printf("%.3s %lld %zu\n", size > 12 ? reply + 9 : "---",
		(long long)(now_ms() - start_ms), size);
	if (body != NULL) {
		(void)fprintf(stderr, "%s", body + 4);
	}
	return size > 12 ? 0 : 1;
}

int main(int argc, char **argv)
{
	if (argc != 6 || inet_pton(AF_INET, argv[2], &server.sin_addr) != 1) {
		(void)fprintf(stderr, "usage: rig_attacker attack|ask ADDRESS PORT SECONDS|PATH PASSWORD\n");
		return 2;
	}
	server.sin_family = AF_INET;
	server.sin_port = htons((uint16_t)strtoul(argv[3], NULL, 10));
	password = argv[5];
	return strcmp(argv[1], "attack") == 0 ? attack(strtoll(argv[4], NULL, 10)) : ask(argv[4]);
}
