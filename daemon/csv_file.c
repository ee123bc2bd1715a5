#include "daemon/csv_file.h"

#include <errno.h>
#include <string.h>

void csv_start(struct csv_reader *reader, char *text)
{
	reader->at = strncmp(text, "\xEF\xBB\xBF", 3) == 0 ? text + 3 : text;
	reader->line = 1;
}

/* Takes a quoted field, at behind its opening quote. Returns what follows the closing one, NULL when
 * there is none. */
static char *take_quoted(struct csv_reader *reader, char *at)
{
	char *out = at;

	for (; *at != '\0'; at++) {
		if (*at == '"') {
			if (at[1] != '"') {
				*out = '\0';
				return at + 1;
			}
			at++;
		}
		reader->line += *at == '\n';
		*out++ = *at;
	}
	return NULL;
}

int csv_next(struct csv_reader *reader, struct csv_record *ret_record)
{
	char *at = reader->at;

	while (*at == '\n' || (*at == '\r' && at[1] == '\n')) {
		reader->line += *at == '\n';
		at++;
	}
	reader->at = at;
	if (*at == '\0') {
		return 0;
	}
	ret_record->line = reader->line;
	ret_record->count = 0;
	for (;;) {
		char ending;

		if (ret_record->count == CSV_FIELDS_MAX) {
			return -EINVAL;
		}
		if (*at == '"') {
			ret_record->fields[ret_record->count++] = at + 1;
			at = take_quoted(reader, at + 1);
			if (!at) {
				return -EINVAL;
			}
		} else {
			ret_record->fields[ret_record->count++] = at;
			at += strcspn(at, ",\r\n\"");
		}
		ending = *at;
		if (ending == '\r' && at[1] == '\n') {
			*at++ = '\0';
			ending = '\n';
		}
		if (ending != ',' && ending != '\n' && ending != '\0') {
			return -EINVAL;
		}
		if (ending == '\0') {
			reader->at = at;
			return 1;
		}
		*at++ = '\0';
		if (ending == '\n') {
			reader->line++;
			reader->at = at;
			return 1;
		}
	}
}
