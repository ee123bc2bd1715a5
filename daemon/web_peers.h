/* web_peers.h: who asks the page, by address, and how much of it each may take.
 *
 * What each address holds of the connections, the waiting questions, the live streams and the bytes
 * of answers is counted here, so that one client, hostile or broken, cannot keep the others out. Guessing the password,
 * which is slow on purpose, is limited by address and for all together. Knows neither sockets nor
 * HTTP; the time comes in.
 */
#ifndef SIGHTBOWL_DAEMON_WEB_PEERS_H
#define SIGHTBOWL_DAEMON_WEB_PEERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

#define WEB_PEERS_MAX 96

#define WEB_PEER_GUESSES      4    /* at once, of one address; then */
#define WEB_PEER_GUESS_MS     5000 /* one in this time */
#define WEB_PEERS_GUESSES     8    /* the same of all addresses together */
#define WEB_PEERS_GUESS_MS    2000

/* Guesses that are left, and how they come back. */
struct web_guesses {
	unsigned used;
	uint64_t since_ms; /* the last one came back, or the first was used */
};

struct web_peer {
	unsigned char address[16];
	unsigned connections; /* 0: nobody is here from there */
	unsigned waiting;     /* questions */
	unsigned streams;
	size_t held;          /* bytes of answers that it has not taken yet */
	struct web_guesses guesses;
	bool known; /* the place in the table is taken */
};

struct web_peers {
	struct web_peer peers[WEB_PEERS_MAX];
	struct web_guesses guesses;
};

/* How many connections the address has. */
unsigned web_peers_connections(const struct web_peers *peers, const struct sockaddr *address);

/* Counts a connection in. The peer stays where it is until the connection is counted out by
 * web_peers_leave. NULL: the table is full of addresses with connections. */
struct web_peer *web_peers_enter(struct web_peers *peers, const struct sockaddr *address);
void web_peers_leave(struct web_peer *peer);

/* Whether somebody who holds so much of something, of which so much is taken and there is so much at
 * most, may have more: no more than is left to others. */
bool web_peers_share(size_t own, size_t taken, size_t most);

/* Whether the peer may guess the password now; a yes counts as a guess. */
bool web_peers_may_guess(struct web_peers *peers, struct web_peer *peer, uint64_t now_ms);
/* The guess was right: it is not counted. */
void web_peers_guessed(struct web_peers *peers, struct web_peer *peer);

#endif
