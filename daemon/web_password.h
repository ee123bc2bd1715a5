/* web_password.h: the page's password: its Argon2 hash, and proving a guess against it.
 *
 * Argon2id by libsodium, 7 MiB and five passes: the least memory of the settings that the OWASP
 * password storage guideline names, because the machine is small.
 */
#ifndef SIGHTBOWL_DAEMON_WEB_PASSWORD_H
#define SIGHTBOWL_DAEMON_WEB_PASSWORD_H

#include <stdbool.h>
#include <stddef.h>

#define WEB_PASSWORD_HASH_MAX 128 /* with the zero behind it */
#define WEB_PASSWORD_MAX      128 /* bytes of a password, without it */
#define WEB_PASSWORD_PROOF    32

/* Hashes a password of 1 to WEB_PASSWORD_MAX bytes. Slow on purpose. Returns 0, -EINVAL or -ENOMEM. */
int web_password_hash(const char *password, char ret_hash[WEB_PASSWORD_HASH_MAX]);

/* Whether it looks like such a hash, and asks for no more than 1 GiB. */
bool web_password_is_hash(const char *hash);

/* Slow on purpose: call it on a worker. */
bool web_password_matches(const char *hash, const char *password);

/* A keyed digest by which a password that was proved right is known again without the slow way. The
 * key is drawn anew for each server and never stored. Compare with web_password_proof_equal. Drawing
 * fails where the kernel gives no random numbers. */
#define WEB_PASSWORD_KEY 32
bool web_password_draw_key(unsigned char ret_key[WEB_PASSWORD_KEY]);
void web_password_proof(const unsigned char key[WEB_PASSWORD_KEY], const char *password,
	unsigned char ret_proof[WEB_PASSWORD_PROOF]);
bool web_password_proof_equal(const unsigned char a[WEB_PASSWORD_PROOF],
	const unsigned char b[WEB_PASSWORD_PROOF]);

#endif
