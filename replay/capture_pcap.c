/* pcap files (tcpdump.org, pcap-savefile(5)), both byte orders, micro- and nanoseconds, with
 * packets of link type 227:
 *
 *   0 magic | 4 version | 8 zone | 12 accuracy | 16 snap length | 20 link type     file header
 *   0 seconds | 4 fraction | 8 bytes kept | 12 bytes on the wire | 16 packet ...   each record
 *
 * The format is read here and not by libpcap because that costs more a frame than all the decoding
 * behind it; the tests hold both against each other.
 *
 * Happy path: a record is plausible, and so is the one behind it. When the next one is not, either
 * of the two is damaged, so the search for the next plausible pair begins inside the packet of the
 * first. A file header in the place of a record (files put together with cat) starts anew.
 */
#include "replay/capture_format.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "replay/capture_packet.h"

#define MAGIC_US    UINT32_C(0xa1b2c3d4)
#define MAGIC_NS    UINT32_C(0xa1b23c4d)
#define HEADER_SIZE 24u
#define RECORD_SIZE 16u

/* A packet that was cut by a snap length, or came over a stranger interface, may say that there was
 * more of it; but not that there was a gigabyte. */
#define WIRE_SIZE_MAX 65535u

/* When searching, a stamp further away than this from the last good one is no stamp. */
#define SEARCH_SECONDS_MAX (INT64_C(10) * 366 * 86400)

struct pcap_state {
	bool big_endian;
	uint32_t fraction_ns; /* 1 or 1000 */
	uint32_t fraction_limit;
	int bus;
	uint32_t last_seconds;
	bool has_last;
	bool stamps_known;
};

struct record {
	uint32_t seconds;
	uint32_t fraction;
	uint32_t kept;
	uint32_t wire;
};

static inline uint32_t load_4(const uint8_t *p, bool big_endian)
{
	if (big_endian) {
		return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 |
		       (uint32_t)p[3];
	}
	return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static bool is_header(const uint8_t *bytes, size_t size)
{
	if (size < 4) {
		return false;
	}
	uint32_t little = load_4(bytes, false);
	uint32_t big = load_4(bytes, true);

	return little == MAGIC_US || little == MAGIC_NS || big == MAGIC_US || big == MAGIC_NS;
}

/* Takes the file header at bytes, of HEADER_SIZE. Returns the link type. */
static uint32_t take_header(struct pcap_state *state, const uint8_t *bytes)
{
	uint32_t little = load_4(bytes, false);

	state->big_endian = little != MAGIC_US && little != MAGIC_NS;
	bool ns = load_4(bytes, state->big_endian) == MAGIC_NS;
	state->fraction_ns = ns ? 1 : 1000;
	state->fraction_limit = ns ? UINT32_C(1000000000) : UINT32_C(1000000);
	/* The upper bits tell of a frame check sequence. */
	return load_4(bytes + 20, state->big_endian) & UINT32_C(0x0fffffff);
}

static bool pcap_recognise(const uint8_t *bytes, size_t size, bool ended)
{
	(void)ended;
	return is_header(bytes, size);
}

static int pcap_start(void *opaque, struct capture_input *input, char *ret_error, size_t error_size)
{
	struct pcap_state *state = opaque;
	struct byte_source *source = &input->source;

	if (!byte_source_need(source, HEADER_SIZE)) {
		snprintf(ret_error, error_size, "this pcap file ends inside its header");
		return -ENODATA;
	}
	uint32_t link_type = take_header(state, source->at);
	if (link_type != CAPTURE_PACKET_LINK_TYPE) {
		snprintf(ret_error, error_size,
			"this pcap file holds no CAN frames: its link type is %u%s, not %u",
			(unsigned)link_type,
			link_type == 1	   ? " (Ethernet)"
			: link_type == 113 ? " (any interface)"
					   : "",
			(unsigned)CAPTURE_PACKET_LINK_TYPE);
		return -ENOMSG;
	}
	source->at += HEADER_SIZE;
	state->bus = bus_names_find(
		input->buses, CAPTURE_PACKET_BUS "0", strlen(CAPTURE_PACKET_BUS "0"));
	if (state->bus < 0) {
		snprintf(ret_error, error_size, "there are more buses than can be told apart");
		return state->bus;
	}
	return 0;
}

static inline struct record load_record(const struct pcap_state *state, const uint8_t *at)
{
	return (struct record){
		.seconds = load_4(at, state->big_endian),
		.fraction = load_4(at + 4, state->big_endian),
		.kept = load_4(at + 8, state->big_endian),
		.wire = load_4(at + 12, state->big_endian),
	};
}

static inline bool is_plausible(const struct pcap_state *state, const struct record *record)
{
	return record->fraction < state->fraction_limit && record->kept >= CAPTURE_PACKET_LEAST &&
	       record->kept <= CAPTURE_PACKET_MOST && record->kept <= record->wire &&
	       record->wire <= WIRE_SIZE_MAX;
}

/* Whether what stands behind a record can be: another one, a file header, or the end of the file (a
 * record that is cut counts as such). Needs RECORD_SIZE bytes at at, or the end of the stream. */
static inline bool may_follow(const struct pcap_state *state, const uint8_t *at, const uint8_t *end)
{
	if ((size_t)(end - at) < RECORD_SIZE) {
		return true;
	}
	struct record next = load_record(state, at);
	return is_plausible(state, &next) || is_header(at, (size_t)(end - at));
}

/* Takes the file header that stands where a record was looked for. */
static void start_anew(struct pcap_state *state, struct capture_input *input)
{
	struct byte_source *source = &input->source;
	uint64_t offset = byte_source_offset(source, source->at);

	if (!byte_source_need(source, HEADER_SIZE)) {
		capture_input_cut(input, offset, 0, "the last file header is cut");
		source->at = source->end;
		return;
	}
	struct pcap_state next = *state;
	if (take_header(&next, source->at) == CAPTURE_PACKET_LINK_TYPE) {
		*state = next;
	} else {
		capture_input_damaged(input, offset, 0, "a file header of another link type");
	}
	source->at += HEADER_SIZE;
}

/* Moves to the next place that looks like a record with a CAN frame in it and has something fitting
 * behind it, or to the end. */
static void seek_record(struct pcap_state *state, struct capture_input *input)
{
	struct byte_source *source = &input->source;

	for (;; source->at++) {
		(void)byte_source_need(source, RECORD_SIZE + CAPTURE_PACKET_MOST + RECORD_SIZE);
		size_t left = byte_source_left(source);
		if (left >= HEADER_SIZE && is_header(source->at, left)) {
			return;
		}
		if (left < RECORD_SIZE) {
			source->at = source->end;
			return;
		}
		struct record record = load_record(state, source->at);
		if (!is_plausible(state, &record) || left < RECORD_SIZE + record.kept) {
			continue;
		}
		int64_t away_s = (int64_t)record.seconds - (int64_t)state->last_seconds;
		struct frame frame;
		if ((!state->has_last ||
			    (away_s > -SEARCH_SECONDS_MAX && away_s < SEARCH_SECONDS_MAX)) &&
			capture_packet_read(source->at + RECORD_SIZE, record.kept, &frame) ==
				NULL &&
			may_follow(state, source->at + RECORD_SIZE + record.kept, source->end)) {
			return;
		}
	}
}

static const char *take_record(struct pcap_state *state, struct capture_input *input,
	const uint8_t *at, const struct record *record, struct frame *out)
{
	int64_t stamp_ns = (int64_t)record->seconds * NS_PER_S +
			   (int64_t)record->fraction * (int64_t)state->fraction_ns;
	int64_t t_ns = 0;
	const char *wrong = capture_packet_read(at + RECORD_SIZE, record->kept, out);

	if (!state->stamps_known) {
		state->stamps_known = true;
		input->stamps.relative = stamp_ns < CAPTURE_ABSOLUTE_FROM_NS;
	}
	if (wrong == NULL && !capture_stamps_put(&input->stamps, stamp_ns, &t_ns)) {
		wrong = "the time is out of range";
	}
	out->t_ns = t_ns;
	out->bus = (uint8_t)state->bus;
	state->last_seconds = record->seconds;
	state->has_last = true;
	return wrong;
}

static size_t pcap_read(
	void *opaque, struct capture_input *input, struct frame *frames, size_t count)
{
	struct pcap_state *state = opaque;
	struct byte_source *source = &input->source;
	size_t made = 0;

	while (made < count) {
		const uint8_t *at = source->at;
		size_t left = byte_source_left(source);
		struct record record = {0};
		bool whole = false;
		if (left >= RECORD_SIZE) {
			record = load_record(state, at);
			if (!is_plausible(state, &record)) {
				if (is_header(at, left)) {
					start_anew(state, input);
					continue;
				}
				capture_input_damaged(input, byte_source_offset(source, at), 0,
					"the record is damaged");
				source->at++;
				seek_record(state, input);
				continue;
			}
			/* The record behind it has to be seen too, unless there is none. */
			whole = left >= RECORD_SIZE + record.kept + RECORD_SIZE ||
				(source->ended && left >= RECORD_SIZE + record.kept);
		}
		if (!whole) {
			if (made > 0) {
				break;
			}
			if (byte_source_need(source, RECORD_SIZE + record.kept + RECORD_SIZE)) {
				continue;
			}
			left = byte_source_left(source);
			if (left == 0) {
				break;
			}
			if (left < RECORD_SIZE ||
				(record.kept > 0 && left < RECORD_SIZE + record.kept)) {
				capture_input_cut(input, byte_source_offset(source, source->at), 0,
					"the last record is cut");
				/* What looks like a long record may be a damaged one with whole
				 * ones in it. */
				source->at += left < RECORD_SIZE ? left : 1;
				seek_record(state, input);
			}
			continue;
		}
		const uint8_t *next = at + RECORD_SIZE + record.kept;
		const char *wrong = take_record(state, input, at, &record, &frames[made]);
		bool follows = may_follow(state, next, source->end);
		made += wrong == NULL ? 1 : 0;
		if (wrong != NULL || !follows) {
			capture_input_damaged(input, byte_source_offset(source, at), 0,
				wrong != NULL ? wrong
					      : "the record, or the one behind it, is damaged");
		}
		if (follows) {
			source->at = next;
		} else {
			source->at = at + RECORD_SIZE + CAPTURE_PACKET_LEAST;
			seek_record(state, input);
		}
	}
	return made;
}

const struct capture_format capture_pcap = {
	.name = "pcap",
	.state_size = sizeof(struct pcap_state),
	.recognise = pcap_recognise,
	.start = pcap_start,
	.read = pcap_read,
};
