#include "daemon/web_peers.h"

#include <assert.h>
#include <netinet/in.h>
#include <string.h>

/* IPv4 as IPv6 maps it. */
static void address_bytes(const struct sockaddr *address, unsigned char out[16])
{
	static const unsigned char mapped[12] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF};
	struct sockaddr_in four;
	struct sockaddr_in6 six;

	memset(out, 0, 16);
	if (address->sa_family == AF_INET) {
		memcpy(&four, address, sizeof(four));
		memcpy(out, mapped, sizeof(mapped));
		memcpy(out + sizeof(mapped), &four.sin_addr, 4);
	} else if (address->sa_family == AF_INET6) {
		memcpy(&six, address, sizeof(six));
		memcpy(out, &six.sin6_addr, 16);
	}
}

static const struct web_peer *find(const struct web_peers *peers, const unsigned char bytes[16])
{
	for (size_t i = 0; i < WEB_PEERS_MAX; i++) {
		if (peers->peers[i].known && memcmp(peers->peers[i].address, bytes, 16) == 0) {
			return &peers->peers[i];
		}
	}
	return NULL;
}

unsigned web_peers_connections(const struct web_peers *peers, const struct sockaddr *address)
{
	unsigned char bytes[16];
	const struct web_peer *peer;

	address_bytes(address, bytes);
	peer = find(peers, bytes);
	return peer == NULL ? 0 : peer->connections;
}

/* A free place, else that of whoever is not here and guessed longest ago. */
static struct web_peer *place(struct web_peers *peers)
{
	struct web_peer *best = NULL;

	for (size_t i = 0; i < WEB_PEERS_MAX; i++) {
		struct web_peer *peer = &peers->peers[i];
		if (!peer->known) {
			return peer;
		}
		if (peer->connections == 0 &&
			(best == NULL || peer->guesses.since_ms < best->guesses.since_ms)) {
			best = peer;
		}
	}
	return best;
}

struct web_peer *web_peers_enter(struct web_peers *peers, const struct sockaddr *address)
{
	unsigned char bytes[16];
	const struct web_peer *known;
	struct web_peer *peer;

	address_bytes(address, bytes);
	known = find(peers, bytes);
	peer = known == NULL ? place(peers) : &peers->peers[known - peers->peers];
	if (peer == NULL) {
		return NULL;
	}
	if (known == NULL) {
		*peer = (struct web_peer){.known = true};
		memcpy(peer->address, bytes, sizeof(bytes));
	}
	peer->connections++;
	return peer;
}

void web_peers_leave(struct web_peer *peer)
{
	assert(peer->connections > 0);
	peer->connections--;
	/* Its guesses are remembered. */
	peer->known = peer->connections > 0 || peer->guesses.used > 0;
}

bool web_peers_share(size_t own, size_t taken, size_t most)
{
	return taken < most && own < most - taken;
}

/* Gives back what the time that went by gives back. */
static void refill(struct web_guesses *guesses, unsigned each_ms, uint64_t now_ms)
{
	uint64_t back = (now_ms - guesses->since_ms) / each_ms;

	if (back >= guesses->used) {
		*guesses = (struct web_guesses){.used = 0, .since_ms = now_ms};
	} else {
		guesses->used -= (unsigned)back;
		guesses->since_ms += back * each_ms;
	}
}

bool web_peers_may_guess(struct web_peers *peers, struct web_peer *peer, uint64_t now_ms)
{
	refill(&peers->guesses, WEB_PEERS_GUESS_MS, now_ms);
	refill(&peer->guesses, WEB_PEER_GUESS_MS, now_ms);
	if (peer->guesses.used >= WEB_PEER_GUESSES || peers->guesses.used >= WEB_PEERS_GUESSES) {
		return false;
	}
	peer->guesses.used++;
	peers->guesses.used++;
	return true;
}

void web_peers_guessed(struct web_peers *peers, struct web_peer *peer)
{
	peer->guesses.used -= peer->guesses.used > 0;
	peers->guesses.used -= peers->guesses.used > 0;
}
