/* pcapng files (draft-ietf-opsawg-pcapng), sections of either byte order, with packets of link type
 * 227. Each block is
 *
 *   0 type | 4 length of the whole block | 8 body ... | length again
 *
 * A section header block sets the byte order and forgets the interfaces before it; an interface
 * description block gives link type, name and the unit of time; enhanced, simple and (obsolete)
 * plain packet blocks hold packets; all other blocks are stepped over. A simple packet block has no
 * time of its own: it takes the time of the packet before it.
 *
 * A block counts when both its lengths agree. When they do not, the next place is sought where a
 * block of a known type has two lengths that agree, byte by byte.
 */
#include "replay/capture_format.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "replay/capture_packet.h"

#define BLOCK_SECTION	 UINT32_C(0x0a0d0d0a)
#define BLOCK_INTERFACE	 UINT32_C(1)
#define BLOCK_OLD_PACKET UINT32_C(2)
#define BLOCK_SIMPLE	 UINT32_C(3)
#define BLOCK_NAMES	 UINT32_C(4)
#define BLOCK_STATISTICS UINT32_C(5)
#define BLOCK_PACKET	 UINT32_C(6)
#define BLOCK_JOURNAL	 UINT32_C(9)
#define BLOCK_SECRETS	 UINT32_C(10)
#define BLOCK_CUSTOM	 UINT32_C(0x00000bad)
#define BLOCK_CUSTOM_2	 UINT32_C(0x40000bad)

#define ORDER_MAGIC UINT32_C(0x1a2b3c4d)

#define OPTION_END	       0u
#define OPTION_IF_NAME	       2u
#define OPTION_PACKET_DROPS    4u /* epb_dropcount: lost between the packet before and this one */
#define OPTION_INTERFACE_DROPS 5u /* isb_ifdrop: lost since the start of the recording */
#define OPTION_IF_TSRESOL      9u
#define OPTION_IF_TSOFFSET     14u

#define HEAD_SIZE	   8u
#define FRAME_SIZE	   12u /* head and second length, the least block */
#define SECTION_SIZE_LEAST 28u
#define WINDOW_BLOCK_MAX   (128u * 1024u) /* a block to be looked into has to fit into the window */
#define SKIPPED_BLOCK_MAX  (16u * 1024u * 1024u)
#define INTERFACE_MAX	   64u

struct interface {
	bool usable;  /* of link type 227, and wholly described */
	bool damaged; /* it is not known what it is */
	int bus;      /* < 0: there are too many */
	uint32_t snap_length;
	bool binary; /* stamps count 2^-resolution s, else 10^-resolution s */
	uint8_t resolution;
	int64_t offset_s;
	uint64_t noted_drops;	/* sum of the packets' own notes */
	uint64_t counted_drops; /* latest statistics */
};

struct pcapng_state {
	bool big_endian;
	size_t interface_count;
	struct interface interfaces[INTERFACE_MAX];
	bool has_time;
	int64_t last_stamp_ns;
	uint64_t skip; /* bytes of a large block that are still to be stepped over */
};

struct block {
	uint32_t type;
	uint32_t size;
	bool big_endian; /* of the section that it begins, or is in */
};

static inline uint32_t load_4(const uint8_t *p, bool big_endian)
{
	if (big_endian) {
		return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 |
		       (uint32_t)p[3];
	}
	return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static inline uint32_t load_2(const uint8_t *p, bool big_endian)
{
	return big_endian ? (uint32_t)p[0] << 8 | (uint32_t)p[1]
			  : (uint32_t)p[0] | (uint32_t)p[1] << 8;
}

static uint64_t load_8(const uint8_t *p, bool big_endian)
{
	uint64_t first = load_4(p, big_endian);
	uint64_t second = load_4(p + 4, big_endian);

	return big_endian ? first << 32 | second : second << 32 | first;
}

/* ---- blocks ---- */

static bool is_known_type(uint32_t type)
{
	switch (type) {
	case BLOCK_SECTION:
	case BLOCK_INTERFACE:
	case BLOCK_OLD_PACKET:
	case BLOCK_SIMPLE:
	case BLOCK_NAMES:
	case BLOCK_STATISTICS:
	case BLOCK_PACKET:
	case BLOCK_JOURNAL:
	case BLOCK_SECRETS:
	case BLOCK_CUSTOM:
	case BLOCK_CUSTOM_2:
		return true;
	default:
		return false;
	}
}

static bool may_be_large(uint32_t type)
{
	return type == BLOCK_NAMES || type == BLOCK_JOURNAL || type == BLOCK_SECRETS ||
	       type == BLOCK_CUSTOM || type == BLOCK_CUSTOM_2;
}

/* Reads the head of a block, of which FRAME_SIZE bytes are there. Returns whether it can be one. */
static inline bool load_block(
	const struct pcapng_state *state, const uint8_t *at, struct block *out)
{
	out->big_endian = state->big_endian;
	out->type = load_4(at, out->big_endian);
	if (out->type == BLOCK_SECTION) { /* reads the same in both orders */
		out->big_endian = load_4(at + 8, true) == ORDER_MAGIC;
		if (!out->big_endian && load_4(at + 8, false) != ORDER_MAGIC) {
			return false;
		}
	}
	out->size = load_4(at + 4, out->big_endian);
	return out->size % 4 == 0 &&
	       out->size >= (out->type == BLOCK_SECTION ? SECTION_SIZE_LEAST : FRAME_SIZE) &&
	       out->size <= (may_be_large(out->type) ? SKIPPED_BLOCK_MAX : WINDOW_BLOCK_MAX);
}

/* Whether the second length, at the end of a block that is there as a whole, agrees. */
static inline bool ends_well(const struct block *block, const uint8_t *at)
{
	return load_4(at + block->size - 4, block->big_endian) == block->size;
}

/* Moves to the next place where a block of a known type is whole, or to the end. */
static void seek_block(const struct pcapng_state *state, struct capture_input *input)
{
	struct byte_source *source = &input->source;
	struct block block;

	for (;; source->at++) {
		if (byte_source_left(source) < FRAME_SIZE &&
			!byte_source_need(source, FRAME_SIZE)) {
			source->at = source->end;
			return;
		}
		if (load_block(state, source->at, &block) && is_known_type(block.type) &&
			block.size <= WINDOW_BLOCK_MAX && byte_source_need(source, block.size) &&
			ends_well(&block, source->at)) {
			return;
		}
	}
}

/* Goes through the options in [*at, end). False at their end. */
static bool next_option(const uint8_t **at, const uint8_t *end, bool big_endian, uint32_t *out_code,
	const uint8_t **out_value, size_t *out_size)
{
	if (end - *at < 4) {
		return false;
	}
	uint32_t code = load_2(*at, big_endian);
	size_t size = load_2(*at + 2, big_endian);
	size_t padded = (size + 3) / 4 * 4;
	if (code == OPTION_END || (size_t)(end - *at) - 4 < padded) {
		return false;
	}
	*out_code = code;
	*out_value = *at + 4;
	*out_size = size;
	*at += 4 + padded;
	return true;
}

/* ---- time ---- */

static const uint64_t powers_of_ten[] = {UINT64_C(1), UINT64_C(10), UINT64_C(100), UINT64_C(1000),
	UINT64_C(10000), UINT64_C(100000), UINT64_C(1000000), UINT64_C(10000000),
	UINT64_C(100000000), UINT64_C(1000000000)};

/* Nanoseconds since 1970; false when they are out of range. */
static bool stamp_ns(const struct interface *interface, uint64_t count, int64_t *out_ns)
{
	uint64_t seconds = 0;
	uint64_t rest_ns = 0;
	uint8_t n = interface->resolution;

	if (interface->binary) {
		seconds = count >> n;
		uint64_t rest = count - (seconds << n);
		if (n > 32) {
			rest >>= n - 32;
			n = 32;
		}
		rest_ns = rest * (uint64_t)NS_PER_S >> n;
	} else if (n <= 9) {
		seconds = count / powers_of_ten[n];
		rest_ns = count % powers_of_ten[n] * powers_of_ten[9 - n];
	} else {
		uint64_t ns = count / powers_of_ten[n - 9];
		seconds = ns / (uint64_t)NS_PER_S;
		rest_ns = ns % (uint64_t)NS_PER_S;
	}
	if (seconds >= (uint64_t)(INT64_MAX / NS_PER_S)) {
		return false;
	}
	int64_t moved_s = (int64_t)seconds;
	if (interface->offset_s > INT64_MAX / NS_PER_S - moved_s ||
		interface->offset_s < -moved_s) {
		return false;
	}
	moved_s += interface->offset_s;
	if (moved_s >= INT64_MAX / NS_PER_S) {
		return false;
	}
	*out_ns = moved_s * NS_PER_S + (int64_t)rest_ns;
	return true;
}

/* ---- what blocks hold ---- */

/* Fills in interface from the body of its description block; number gives a bus without a name one.
 */
static const char *describe_interface(const struct block *block, const uint8_t *at, size_t number,
	struct capture_input *input, struct interface *out)
{
	const uint8_t *end = at + block->size - 4;
	const uint8_t *option = at + HEAD_SIZE + 8;
	const uint8_t *value = NULL;
	size_t size = 0;
	uint32_t code = 0;
	char name[CAPTURE_BUS_NAME_MAX];

	if (block->size < FRAME_SIZE + 8) {
		out->damaged = true;
		return "an interface description that is too short";
	}
	out->resolution = 6;
	out->snap_length = load_4(at + HEAD_SIZE + 4, block->big_endian);
	out->usable = load_2(at + HEAD_SIZE, block->big_endian) == CAPTURE_PACKET_LINK_TYPE;
	if (!out->usable) {
		return NULL; /* a capture may hold other networks too */
	}
	snprintf(name, sizeof(name), CAPTURE_PACKET_BUS "%zu", number);
	while (next_option(&option, end, block->big_endian, &code, &value, &size)) {
		if (code == OPTION_IF_NAME) {
			size_t length = 0;
			while (length < size && length < sizeof(name) - 1 && value[length] > ' ' &&
				value[length] < 0x7f) {
				name[length] = (char)value[length];
				length++;
			}
			if (length > 0) {
				name[length] = '\0';
			}
		} else if (code == OPTION_IF_TSRESOL && size >= 1) {
			out->binary = (value[0] & 0x80) != 0;
			out->resolution = value[0] & 0x7f;
		} else if (code == OPTION_IF_TSOFFSET && size >= 8) {
			/* Two's complement, whatever the machine's own way. */
			uint64_t offset = load_8(value, block->big_endian);
			out->offset_s =
				offset <= INT64_MAX ? (int64_t)offset : -(int64_t)~offset - 1;
		}
	}
	if (out->resolution > (out->binary ? 63 : 18)) {
		out->usable = false;
		out->damaged = true;
		return "an interface with a unit of time out of range";
	}
	out->bus = bus_names_find(input->buses, name, strlen(name));
	return NULL;
}

static const char *take_interface(struct pcapng_state *state, struct capture_input *input,
	const struct block *block, const uint8_t *at)
{
	if (state->interface_count == INTERFACE_MAX) {
		return "more interfaces than can be told apart";
	}
	size_t number = state->interface_count++;
	state->interfaces[number] = (struct interface){0};
	return describe_interface(block, at, number, input, &state->interfaces[number]);
}

/* Two accounts of the same losses: the higher one counts. */
static void count_drops(
	struct capture_input *input, struct interface *interface, uint64_t noted, uint64_t counted)
{
	uint64_t before = interface->noted_drops > interface->counted_drops
				  ? interface->noted_drops
				  : interface->counted_drops;
	uint64_t after = noted > counted ? noted : counted;

	interface->noted_drops = noted;
	interface->counted_drops = counted;
	input->dropped += after > before ? after - before : 0;
}

/* The last drop count among the options; false when there is none. */
static bool find_drops(const uint8_t *option, const uint8_t *end, bool big_endian, uint32_t wanted,
	uint64_t *out_drops)
{
	const uint8_t *value = NULL;
	size_t size = 0;
	uint32_t code = 0;
	bool found = false;

	while (next_option(&option, end, big_endian, &code, &value, &size)) {
		if (code == wanted && size == 8) {
			*out_drops = load_8(value, big_endian);
			found = *out_drops <= UINT64_C(1) << 48; /* more cannot have been */
		}
	}
	return found;
}

static void take_statistics(struct pcapng_state *state, struct capture_input *input,
	const struct block *block, const uint8_t *at)
{
	uint64_t drops = 0;

	if (block->size < FRAME_SIZE + 12) {
		return;
	}
	uint32_t number = load_4(at + HEAD_SIZE, block->big_endian);
	if (number < state->interface_count &&
		find_drops(at + HEAD_SIZE + 12, at + block->size - 4, block->big_endian,
			OPTION_INTERFACE_DROPS, &drops)) {
		struct interface *interface = &state->interfaces[number];
		count_drops(input, interface, interface->noted_drops, drops);
	}
}

/* One packet out of a block of any kind. */
static const char *take_packet(struct pcapng_state *state, struct capture_input *input,
	uint32_t number, bool has_stamp, uint64_t stamp, const uint8_t *packet, size_t size,
	struct frame *out, bool *ret_made)
{
	int64_t t_ns = 0;

	if (number >= state->interface_count || state->interfaces[number].damaged) {
		return "a packet of an interface that is not described";
	}
	const struct interface *interface = &state->interfaces[number];
	if (!interface->usable) {
		return NULL;
	}
	if (has_stamp) {
		int64_t ns = 0;
		if (!stamp_ns(interface, stamp, &ns)) {
			return "the time is out of range";
		}
		if (!state->has_time) {
			input->stamps.relative = ns < CAPTURE_ABSOLUTE_FROM_NS;
		}
		state->has_time = true;
		state->last_stamp_ns = ns;
	}
	if (!state->has_time) {
		return "a packet without a time";
	}
	if (interface->bus < 0) {
		return "more buses than can be told apart";
	}
	const char *wrong = capture_packet_read(packet, size, out);
	if (wrong != NULL) {
		return wrong;
	}
	if (!capture_stamps_put(&input->stamps, state->last_stamp_ns, &t_ns)) {
		return "the time is out of range";
	}
	out->t_ns = t_ns;
	out->bus = (uint8_t)interface->bus;
	*ret_made = true;
	return NULL;
}

/* Enhanced (type 6) and old (type 2) packet blocks:
 *   8 interface (old: 8 interface of 2 bytes, 10 drops) | 12 stamp, high | 16 low | 20 kept | 24
 * wire | 28 packet */
static const char *take_stamped(struct pcapng_state *state, struct capture_input *input,
	const struct block *block, const uint8_t *at, struct frame *out, bool *ret_made)
{
	if (block->size < FRAME_SIZE + 20) {
		return "a packet block that is too short";
	}
	uint32_t number = block->type == BLOCK_PACKET ? load_4(at + 8, block->big_endian)
						      : load_2(at + 8, block->big_endian);
	uint64_t stamp = (uint64_t)load_4(at + 12, block->big_endian) << 32 |
			 load_4(at + 16, block->big_endian);
	uint32_t kept = load_4(at + 20, block->big_endian);
	if (kept > block->size - FRAME_SIZE - 20) {
		return "a packet longer than its block";
	}
	const uint8_t *options = at + 28 + (kept + 3) / 4 * 4;
	const uint8_t *end = at + block->size - 4;
	uint64_t drops = 0;
	if (options + 4 <= end && block->type == BLOCK_PACKET && number < state->interface_count &&
		find_drops(options, end, block->big_endian, OPTION_PACKET_DROPS, &drops)) {
		struct interface *interface = &state->interfaces[number];
		count_drops(
			input, interface, interface->noted_drops + drops, interface->counted_drops);
	}
	return take_packet(state, input, number, true, stamp, at + 28, kept, out, ret_made);
}

static const char *take_simple(struct pcapng_state *state, struct capture_input *input,
	const struct block *block, const uint8_t *at, struct frame *out, bool *ret_made)
{
	if (block->size < FRAME_SIZE + 4) {
		return "a packet block that is too short";
	}
	uint32_t size = load_4(at + 8, block->big_endian);
	uint32_t most = block->size - FRAME_SIZE - 4;
	if (state->interface_count > 0 && state->interfaces[0].snap_length != 0 &&
		most > state->interfaces[0].snap_length) {
		most = state->interfaces[0].snap_length;
	}
	return take_packet(
		state, input, 0, false, 0, at + 12, size < most ? size : most, out, ret_made);
}

/* Takes a whole block; sets ret_made when it gave a frame. Returns NULL, or what is wrong. */
static const char *take_block(struct pcapng_state *state, struct capture_input *input,
	const struct block *block, const uint8_t *at, struct frame *out, bool *ret_made)
{
	switch (block->type) {
	case BLOCK_PACKET:
	case BLOCK_OLD_PACKET:
		return take_stamped(state, input, block, at, out, ret_made);
	case BLOCK_SIMPLE:
		return take_simple(state, input, block, at, out, ret_made);
	case BLOCK_INTERFACE:
		return take_interface(state, input, block, at);
	case BLOCK_STATISTICS:
		take_statistics(state, input, block, at);
		return NULL;
	case BLOCK_SECTION:
		state->big_endian = block->big_endian;
		state->interface_count = 0;
		if (load_2(at + 12, block->big_endian) != 1) {
			return "a section of an unknown version";
		}
		return NULL;
	default:
		return NULL;
	}
}

/* ---- the format ---- */

static bool pcapng_recognise(const uint8_t *bytes, size_t size, bool ended)
{
	struct pcapng_state none = {0};
	struct block block;

	(void)ended;
	return size >= FRAME_SIZE && load_4(bytes, false) == BLOCK_SECTION &&
	       load_block(&none, bytes, &block);
}

static int pcapng_start(
	void *opaque, struct capture_input *input, char *ret_error, size_t error_size)
{
	struct pcapng_state *state = opaque;
	struct byte_source *source = &input->source;
	struct pcapng_state seen = {0};
	struct block block;
	uint32_t other_type = 0;
	bool other = false;

	(void)state;
	/* Looks ahead, as far as the window reaches, for a file of other networks only. */
	for (const uint8_t *at = source->at;
		(size_t)(source->end - at) >= FRAME_SIZE && load_block(&seen, at, &block) &&
		block.size <= (size_t)(source->end - at) && ends_well(&block, at);
		at += block.size) {
		if (block.type == BLOCK_SECTION) {
			seen.big_endian = block.big_endian;
		} else if (block.type == BLOCK_INTERFACE && block.size >= FRAME_SIZE + 8) {
			uint32_t link_type = load_2(at + HEAD_SIZE, block.big_endian);
			if (link_type == CAPTURE_PACKET_LINK_TYPE) {
				return 0;
			}
			other_type = link_type;
			other = true;
		} else if (block.type == BLOCK_PACKET || block.type == BLOCK_SIMPLE) {
			break;
		}
	}
	if (other) {
		snprintf(ret_error, error_size,
			"this pcapng file has no CAN interface: its link type is %u%s, not %u",
			(unsigned)other_type, other_type == 1 ? " (Ethernet)" : "",
			(unsigned)CAPTURE_PACKET_LINK_TYPE);
		return -ENOMSG;
	}
	return 0;
}

/* A block that cannot be: notes it, and moves to the next that can. */
static void step_over_damage(
	struct pcapng_state *state, struct capture_input *input, uint32_t type, bool cut)
{
	struct byte_source *source = &input->source;
	uint64_t offset = byte_source_offset(source, source->at);

	if (type == BLOCK_INTERFACE && state->interface_count < INTERFACE_MAX) {
		/* The numbers of those behind it must not slip. */
		state->interfaces[state->interface_count++] = (struct interface){.damaged = true};
	}
	if (cut) {
		capture_input_cut(input, offset, 0, "the last block is cut");
	} else {
		capture_input_damaged(input, offset, 0, "the block is damaged");
	}
	source->at++;
	seek_block(state, input);
}

static size_t pcapng_read(
	void *opaque, struct capture_input *input, struct frame *frames, size_t count)
{
	struct pcapng_state *state = opaque;
	struct byte_source *source = &input->source;
	size_t made = 0;

	while (made < count) {
		size_t left = byte_source_left(source);
		if (state->skip > 0) {
			size_t step = state->skip < left ? (size_t)state->skip : left;
			source->at += step;
			state->skip -= step;
			if (state->skip > 0 && (made > 0 || !byte_source_need(source, 1))) {
				if (made == 0) {
					capture_input_cut(input,
						byte_source_offset(source, source->end), 0,
						"the last block is cut");
				}
				break;
			}
			continue;
		}
		if (left < FRAME_SIZE) {
			if (made > 0) {
				break;
			}
			if (byte_source_need(source, FRAME_SIZE)) {
				continue;
			}
			if (byte_source_left(source) > 0) {
				step_over_damage(state, input, 0, true);
			}
			break;
		}
		struct block block;
		if (!load_block(state, source->at, &block)) {
			step_over_damage(state, input, block.type, false);
			continue;
		}
		if (block.size > WINDOW_BLOCK_MAX) {
			state->skip = block.size;
			continue;
		}
		if (left < block.size) {
			if (made > 0) {
				break;
			}
			if (!byte_source_need(source, block.size)) {
				step_over_damage(state, input, 0, true);
			}
			continue;
		}
		if (!ends_well(&block, source->at)) {
			step_over_damage(state, input, block.type, false);
			continue;
		}
		bool has_frame = false;
		const char *wrong =
			take_block(state, input, &block, source->at, &frames[made], &has_frame);
		if (wrong != NULL) {
			capture_input_damaged(
				input, byte_source_offset(source, source->at), 0, wrong);
		}
		source->at += block.size;
		made += has_frame ? 1 : 0;
	}
	return made;
}

const struct capture_format capture_pcapng = {
	.name = "pcapng",
	.state_size = sizeof(struct pcapng_state),
	.recognise = pcapng_recognise,
	.start = pcapng_start,
	.read = pcapng_read,
};
