#include "replay/capture_format.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct capture_format *const formats[] = {
	&capture_pcap,
	&capture_pcapng,
	&capture_candump_log,
	&capture_candump_text,
};

struct capture {
	struct capture_input input;
	const struct capture_format *format;
	void *state;
	char *path;
	bool at_end;
};

void capture_input_damaged(
	struct capture_input *input, uint64_t offset, uint64_t line, const char *reason)
{
	struct capture_damage *damage = &input->damage;

	/* The byte source is ahead of the format: what it has met first may lie behind this. */
	if (damage->count++ == 0 || offset < damage->first_byte ||
		(offset == damage->first_byte && damage->first_line == 0)) {
		damage->first_byte = offset;
		damage->first_line = line;
		snprintf(damage->first_reason, sizeof(damage->first_reason), "%s", reason);
	}
}

void capture_input_cut(
	struct capture_input *input, uint64_t offset, uint64_t line, const char *reason)
{
	input->damage.cut = true;
	capture_input_damaged(
		input, offset, line, input->source.cut ? "the compressed data is cut" : reason);
}

/* Brings what the byte source has met into the damage of the capture. */
static void take_over_damage(struct capture_input *input)
{
	struct byte_source *source = &input->source;
	struct capture_damage *damage = &input->damage;

	if (source->damaged > 0) {
		if (damage->count == 0 || damage->first_byte > source->damaged_offset) {
			damage->first_byte = source->damaged_offset;
			damage->first_line = 0;
			memcpy(damage->first_reason, source->damaged_reason,
				sizeof(damage->first_reason));
		}
		damage->count += source->damaged;
		source->damaged = 0;
	}
}

static const struct capture_format *recognise(struct byte_source *source)
{
	for (;;) {
		for (size_t i = 0; i < sizeof(formats) / sizeof(formats[0]); i++) {
			if (formats[i]->recognise(
				    source->at, byte_source_left(source), source->ended)) {
				return formats[i];
			}
		}
		/* More may tell more; a pipe gives little at a time. */
		if (!byte_source_need(source, byte_source_left(source) + 1)) {
			return NULL;
		}
	}
}

int capture_open(struct capture **ret_capture, const char *path, struct bus_names *buses,
	const struct capture_options *options, char *ret_error, size_t error_size)
{
	struct capture *capture = calloc(1, sizeof(*capture));
	char words[160] = "out of memory";
	int status = -ENOMEM;

	if (capture == NULL) {
		goto say_why;
	}
	capture->path = malloc(strlen(path) + 1);
	if (capture->path == NULL) {
		goto free_capture;
	}
	strcpy(capture->path, path);
	struct capture_input *input = &capture->input;
	input->buses = buses;
	if (options != NULL && options->has_start) {
		input->stamps.has_start = true;
		input->stamps.start_ns = options->start_ns;
	}
	status = byte_source_open(&input->source, path);
	if (status == -EISDIR) {
		snprintf(words, sizeof(words), "this is a directory, not a capture");
		goto free_path;
	}
	if (status < 0) {
		snprintf(words, sizeof(words), "cannot be read: %s", strerror(-status));
		goto free_path;
	}
	(void)byte_source_need(&input->source, 1);
	if (input->source.error < 0) {
		status = input->source.error;
		snprintf(words, sizeof(words), "cannot be read: %s", strerror(-status));
		goto close_source;
	}
	if (byte_source_left(&input->source) == 0) {
		const char *compression = byte_source_compression(&input->source);
		status = -ENODATA;
		if (*compression == '\0') {
			snprintf(words, sizeof(words), "the file is empty");
		} else {
			snprintf(words, sizeof(words), "nothing can be read from the %s data%s",
				compression,
				input->source.cut	    ? ": it is cut"
				: input->source.damaged > 0 ? ": it is damaged"
							    : ": it is empty");
		}
		goto close_source;
	}
	capture->format = recognise(&input->source);
	if (capture->format == NULL) {
		char seen[120];
		status = -ENOMSG;
		capture_describe_stranger(
			input->source.at, byte_source_left(&input->source), seen, sizeof(seen));
		snprintf(words, sizeof(words), "this is no CAN capture: %s", seen);
		goto close_source;
	}
	capture->state = calloc(1, capture->format->state_size);
	if (capture->state == NULL) {
		status = -ENOMEM;
		goto close_source;
	}
	status = capture->format->start(capture->state, input, words, sizeof(words));
	if (status < 0) {
		goto free_state;
	}
	*ret_capture = capture;
	return 0;

free_state:
	free(capture->state);
close_source:
	byte_source_close(&input->source);
free_path:
	free(capture->path);
free_capture:
	free(capture);
say_why:
	snprintf(ret_error, error_size, "%s: %s", strcmp(path, "-") == 0 ? "standard input" : path,
		words);
	return status;
}

void capture_close(struct capture *capture)
{
	if (capture == NULL) {
		return;
	}
	free(capture->state);
	byte_source_close(&capture->input.source);
	free(capture->path);
	free(capture);
}

int64_t capture_read(struct capture *capture, struct frame *frames, size_t count)
{
	struct capture_input *input = &capture->input;

	if (count == 0 || capture->at_end) {
		return 0;
	}
	size_t made = capture->format->read(capture->state, input, frames, count);
	take_over_damage(input);
	if (made > 0) {
		return (int64_t)made;
	}
	capture->at_end = true;
	if (input->source.cut && !input->damage.cut) {
		capture_input_cut(
			input, byte_source_offset(&input->source, input->source.end), 0, "");
	}
	return input->source.error;
}

const char *capture_path(const struct capture *capture)
{
	return capture->path;
}

const char *capture_format(const struct capture *capture)
{
	return capture->format->name;
}

const char *capture_compression(const struct capture *capture)
{
	return byte_source_compression(&capture->input.source);
}

enum capture_clock capture_clock(const struct capture *capture)
{
	const struct capture_stamps *stamps = &capture->input.stamps;

	if (!stamps->relative) {
		return CAPTURE_CLOCK_ABSOLUTE;
	}
	return stamps->has_start ? CAPTURE_CLOCK_STARTED : CAPTURE_CLOCK_UNKNOWN;
}

const struct capture_damage *capture_damage(const struct capture *capture)
{
	return &capture->input.damage;
}

uint64_t capture_position(const struct capture *capture)
{
	return byte_source_file_read(&capture->input.source);
}

uint64_t capture_size(const struct capture *capture)
{
	return byte_source_file_size(&capture->input.source);
}

uint64_t capture_dropped(const struct capture *capture)
{
	return capture->input.dropped;
}
