#include "daemon/web_password.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include <sodium.h>

#define PASSES       5
#define MEMORY_BYTES ((size_t)7 * 1024 * 1024)
/* A hash from elsewhere must not be able to take all memory. */
#define MEMORY_MOST_KIB 1048576UL
#define PASSES_MOST     100UL

static_assert(WEB_PASSWORD_HASH_MAX >= crypto_pwhash_STRBYTES, "a hash must fit");
static_assert(WEB_PASSWORD_KEY <= crypto_generichash_KEYBYTES_MAX, "a key must be one");
static_assert(WEB_PASSWORD_PROOF <= crypto_generichash_BYTES_MAX, "a proof must be a digest");

int web_password_hash(const char *password, char ret_hash[WEB_PASSWORD_HASH_MAX])
{
	size_t length = strlen(password);

	if (length == 0 || length > WEB_PASSWORD_MAX) {
		return -EINVAL;
	}
	if (sodium_init() < 0) {
		return -ENOMEM;
	}
	return crypto_pwhash_str(ret_hash, password, length, PASSES, MEMORY_BYTES) == 0 ? 0 : -ENOMEM;
}

bool web_password_is_hash(const char *hash)
{
	static const char start[] = "$argon2id$v=19$m=";
	char *end;
	unsigned long memory, passes;

	if (strncmp(hash, start, sizeof(start) - 1) != 0 || strlen(hash) >= WEB_PASSWORD_HASH_MAX) {
		return false;
	}
	memory = strtoul(hash + sizeof(start) - 1, &end, 10);
	if (strncmp(end, ",t=", 3) != 0) {
		return false;
	}
	passes = strtoul(end + 3, &end, 10);
	/* What libsodium does not take for one of its own strings cannot be asked about: -1. */
	return strncmp(end, ",p=1$", 5) == 0 && memory > 0 && memory <= MEMORY_MOST_KIB &&
		passes > 0 && passes <= PASSES_MOST &&
		crypto_pwhash_str_needs_rehash(hash, PASSES, MEMORY_BYTES) >= 0;
}

bool web_password_matches(const char *hash, const char *password)
{
	size_t length = strlen(password);

	return length > 0 && length <= WEB_PASSWORD_MAX && sodium_init() >= 0 &&
		crypto_pwhash_str_verify(hash, password, length) == 0;
}

bool web_password_draw_key(unsigned char ret_key[WEB_PASSWORD_KEY])
{
	if (sodium_init() < 0) {
		return false;
	}
	randombytes_buf(ret_key, WEB_PASSWORD_KEY);
	return true;
}

void web_password_proof(const unsigned char key[WEB_PASSWORD_KEY], const char *password,
	unsigned char ret_proof[WEB_PASSWORD_PROOF])
{
	(void)crypto_generichash(ret_proof, WEB_PASSWORD_PROOF, (const unsigned char *)password,
		strlen(password), key, WEB_PASSWORD_KEY); /* fails only for wrong sizes */
}

bool web_password_proof_equal(const unsigned char a[WEB_PASSWORD_PROOF],
	const unsigned char b[WEB_PASSWORD_PROOF])
{
	return sodium_memcmp(a, b, WEB_PASSWORD_PROOF) == 0;
}
