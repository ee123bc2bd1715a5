/* Any bytes as a file of the service book: it is read whole or refused with a sentence, and what is read
 * stands up to the book's own check. */
#include "fuzz_input.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/book_file.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
	struct boat boat;
	struct book_entry *entries = NULL;
	size_t count = 0;
	char error[512] = "";
	char *text = malloc(size + 1);
	int result;

	FUZZ_CHECK(text != NULL);
	memcpy(text, bytes, size);
	text[size] = '\0';
	boat_init(&boat);
	result = book_file_read(text, "book", &boat, 0, &entries, &count, error, sizeof(error));
	FUZZ_CHECK(result == 0 ? error[0] == '\0' : error[0] != '\0');
	for (size_t i = 0; i < count; i++) {
		FUZZ_CHECK(service_book_check(&entries[i], &boat, NULL) == NULL);
		FUZZ_CHECK(entries[i].entry >= 0 && entries[i].revision >= 1);
		FUZZ_CHECK(memchr(entries[i].reason, '\0', sizeof(entries[i].reason)) != NULL);
	}
	free(entries);
	free(text);
	return 0;
}
