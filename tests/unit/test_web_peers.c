/* Shares by address, and how often the password may be guessed. Times are the test's own. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdio.h>
#include <string.h>

#include "daemon/web_peers.h"

static struct web_peers peers;

static int forget(void **state)
{
	(void)state;
	memset(&peers, 0, sizeof(peers));
	return 0;
}

/* The peer behind an address, counted in once more. */
static struct web_peer *enter(const char *text)
{
	struct sockaddr_in four = {.sin_family = AF_INET};
	struct sockaddr_in6 six = {.sin6_family = AF_INET6};

	if (inet_pton(AF_INET, text, &four.sin_addr) == 1) {
		return web_peers_enter(&peers, (struct sockaddr *)&four);
	}
	assert_int_equal(inet_pton(AF_INET6, text, &six.sin6_addr), 1);
	return web_peers_enter(&peers, (struct sockaddr *)&six);
}

static void connections_are_counted_by_address(void **state)
{
	struct sockaddr_in four = {.sin_family = AF_INET, .sin_port = htons(1)};
	struct web_peer *first = enter("192.0.2.7");

	(void)state;
	assert_ptr_equal(enter("192.0.2.7"), first);
	assert_ptr_not_equal(enter("192.0.2.8"), first);
	assert_ptr_not_equal(enter("2001:db8::7"), first);
	assert_ptr_equal(enter("::ffff:192.0.2.7"), first); /* the same machine */
	assert_int_equal(inet_pton(AF_INET, "192.0.2.7", &four.sin_addr), 1);
	assert_int_equal(web_peers_connections(&peers, (struct sockaddr *)&four), 3);
	web_peers_leave(first);
	web_peers_leave(first);
	web_peers_leave(first);
	assert_int_equal(web_peers_connections(&peers, (struct sockaddr *)&four), 0);
}

/* However many grab what they can, something is left for one more. */
static void nobody_takes_what_others_need(void **state)
{
	(void)state;
	for (size_t greedy = 1; greedy <= 30; greedy++) {
		size_t own[31] = {0}, taken = 0;
		for (size_t turn = 0; turn < 1000; turn++) {
			for (size_t i = 0; i < greedy; i++) {
				if (web_peers_share(own[i], taken, 64)) {
					own[i]++;
					taken++;
				}
			}
		}
		assert_true(web_peers_share(0, taken, 64));
		assert_true(taken >= 32);
		assert_in_range(own[0], 64 / (greedy + 1), 64 / (greedy + 1) + 1);
	}
	assert_false(web_peers_share(0, 64, 64));
	assert_false(web_peers_share(0, 70, 64));
}

static void an_address_guesses_a_few_times_then_slowly(void **state)
{
	struct web_peer *peer = enter("192.0.2.7");
	uint64_t now_ms = 1000000;

	(void)state;
	for (int i = 0; i < WEB_PEER_GUESSES; i++) {
		assert_true(web_peers_may_guess(&peers, peer, now_ms));
	}
	assert_false(web_peers_may_guess(&peers, peer, now_ms));
	assert_false(web_peers_may_guess(&peers, peer, now_ms + WEB_PEER_GUESS_MS - 1));
	assert_true(web_peers_may_guess(&peers, peer, now_ms + WEB_PEER_GUESS_MS));
	assert_false(web_peers_may_guess(&peers, peer, now_ms + WEB_PEER_GUESS_MS));
	/* Within an hour of trying each millisecond: one each five seconds. */
	int taken = 0;
	for (uint64_t t = 0; t < 3600000; t += 10) {
		taken += web_peers_may_guess(&peers, peer, now_ms + 2 * WEB_PEER_GUESS_MS + t);
	}
	assert_int_equal(taken, 3600000 / WEB_PEER_GUESS_MS);
}

static void hanging_up_brings_no_new_guesses(void **state)
{
	(void)state;
	for (int i = 0; i < WEB_PEER_GUESSES; i++) {
		struct web_peer *peer = enter("192.0.2.7");
		assert_true(web_peers_may_guess(&peers, peer, 5000));
		web_peers_leave(peer);
	}
	assert_false(web_peers_may_guess(&peers, enter("192.0.2.7"), 5000));
	assert_true(web_peers_may_guess(&peers, enter("192.0.2.8"), 5000));
}

static void many_addresses_together_guess_slowly_too(void **state)
{
	int taken = 0;

	(void)state;
	for (int second = 0; second < 600; second++) {
		for (int i = 0; i < 50; i++) {
			char text[32];
			(void)snprintf(text, sizeof(text), "192.0.2.%d", i);
			struct web_peer *peer = enter(text);
			taken += web_peers_may_guess(&peers, peer, 1000 * (uint64_t)second);
			web_peers_leave(peer);
		}
	}
	assert_in_range(taken, 600000 / WEB_PEERS_GUESS_MS, 600000 / WEB_PEERS_GUESS_MS + WEB_PEERS_GUESSES);
}

static void a_right_guess_is_not_counted(void **state)
{
	struct web_peer *peer = enter("192.0.2.7");

	(void)state;
	for (int i = 0; i < 100; i++) {
		assert_true(web_peers_may_guess(&peers, peer, 0));
		web_peers_guessed(&peers, peer);
	}
}

static void the_table_has_a_place_while_not_all_are_here(void **state)
{
	(void)state;
	for (int i = 0; i < 1000; i++) { /* passers-by who guessed once */
		char text[32];
		(void)snprintf(text, sizeof(text), "10.0.%d.%d", i / 250, i % 250);
		struct web_peer *peer = enter(text);
		assert_non_null(peer);
		(void)web_peers_may_guess(&peers, peer, 10000 * (uint64_t)i);
		web_peers_leave(peer);
	}
	for (int i = 0; i < WEB_PEERS_MAX; i++) {
		char text[32];
		(void)snprintf(text, sizeof(text), "10.1.%d.%d", i / 250, i % 250);
		assert_non_null(enter(text));
	}
	assert_null(enter("10.2.0.1"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup(connections_are_counted_by_address, forget),
		cmocka_unit_test_setup(nobody_takes_what_others_need, forget),
		cmocka_unit_test_setup(an_address_guesses_a_few_times_then_slowly, forget),
		cmocka_unit_test_setup(hanging_up_brings_no_new_guesses, forget),
		cmocka_unit_test_setup(many_addresses_together_guess_slowly_too, forget),
		cmocka_unit_test_setup(a_right_guess_is_not_counted, forget),
		cmocka_unit_test_setup(the_table_has_a_place_while_not_all_are_here, forget),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
