/* Plays files back into a fuzz target: those named, and those in folders named. Each input is also
 * cut at several places, and has several of its bytes changed, so that a corpus does a little of
 * what the fuzzer does, the same each time. */
#include <dirent.h>
#include <errno.h>
#include <string.h>
#include <sys/stat.h>

#include "fuzz_input.h"

#define INPUT_MAX (1024u * 1024u)
#define CUTS	  64u
#define CHANGES	  256u

static size_t played;

static void play(const uint8_t *bytes, size_t size)
{
	/* In memory of just that size, so that a sanitizer sees the first byte too far. */
	uint8_t *copy = malloc(size > 0 ? size : 1);

	FUZZ_CHECK(copy != NULL);
	memcpy(copy, bytes, size);
	(void)LLVMFuzzerTestOneInput(copy, size); /* Always 0; what is wrong aborts. */
	free(copy);
}

static int play_file(const char *path)
{
	FILE *file = fopen(path, "rb");
	uint8_t *bytes = malloc(INPUT_MAX);
	uint32_t random_state = 1;
	int status = 1;

	if (file == NULL || bytes == NULL) {
		fprintf(stderr, "%s: %s\n", path, strerror(errno));
		goto free_bytes;
	}
	size_t size = fread(bytes, 1, INPUT_MAX, file);
	play(bytes, size);
	for (size_t i = 0; i < CUTS && size > 0; i++) {
		play(bytes, size * i / CUTS);
	}
	for (size_t i = 0; i < CHANGES && size > 0; i++) {
		random_state = random_state * 1664525 + 1013904223;
		size_t at = (random_state >> 8) % size;
		uint8_t kept = bytes[at];
		uint32_t changed = i % 2 == 0 ? kept ^ 1u << (random_state >> 5 & 7) : random_state;
		bytes[at] = (uint8_t)(changed & 0xFF);
		play(bytes, size);
		bytes[at] = kept;
	}
	played++;
	status = 0;

free_bytes:
	free(bytes);
	if (file != NULL) {
		(void)fclose(file); /* Only read from. */
	}
	return status;
}

static int play_folder(const char *path)
{
	DIR *folder = opendir(path);
	int status = 0;

	if (folder == NULL) {
		fprintf(stderr, "%s: %s\n", path, strerror(errno));
		return 1;
	}
	for (const struct dirent *entry = readdir(folder); entry != NULL; entry = readdir(folder)) {
		char file[4096];
		if (entry->d_name[0] != '.') {
			snprintf(file, sizeof(file), "%s/%s", path, entry->d_name);
			status |= play_file(file);
		}
	}
	closedir(folder);
	return status;
}

int main(int argc, char **argv)
{
	int status = 0;

	for (int i = 1; i < argc; i++) {
		struct stat info;
		if (stat(argv[i], &info) == 0 && S_ISDIR(info.st_mode)) {
			status |= play_folder(argv[i]);
		} else {
			status |= play_file(argv[i]);
		}
	}
	printf("%zu inputs played\n", played);
	/* A corpus that has gone missing is no success. */
	return status != 0 || played == 0 ? 1 : 0;
}
