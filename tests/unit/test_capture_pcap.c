/* pcap and pcapng. The second opinion on both is libpcap (Debian's libpcap-dev), which reads what
 * is written here and writes what is read here. */
#include "capture_bytes.h"

#include <errno.h>
#include <pcap/pcap.h>

#include "replay/capture_writer.h"

#define DLT_CAN_227 227 /* LINKTYPE_CAN_SOCKETCAN, tcpdump.org */

static const struct bus_names one_bus = {.count = 1, .names = {"can0"}};

/* Writes with libpcap into memory; returns the size. */
static size_t libpcap_write(const struct pcap_pkthdr *headers, uint8_t (*packets)[24], size_t count,
	int link_type, int precision, uint8_t *ret_bytes, size_t size)
{
	char *memory = NULL;
	size_t memory_size = 0;
	FILE *file = open_memstream(&memory, &memory_size);
	pcap_t *pcap = pcap_open_dead_with_tstamp_precision(link_type, 262144, (u_int)precision);

	assert_non_null(file);
	assert_non_null(pcap);
	pcap_dumper_t *dumper = pcap_dump_fopen(pcap, file);
	assert_non_null(dumper);
	for (size_t i = 0; i < count; i++) {
		pcap_dump((u_char *)dumper, &headers[i], packets[i]);
	}
	assert_int_equal(pcap_dump_flush(dumper), 0);
	assert_true(memory_size <= size);
	memcpy(ret_bytes, memory, memory_size);
	size_t written = memory_size;
	pcap_dump_close(dumper);
	pcap_close(pcap);
	free(memory);
	return written;
}

/* Reads pcap or pcapng with libpcap and compares with frames, by the words of the link type's page.
 */
static void libpcap_check(const void *bytes, size_t size, const struct frame *frames, size_t count)
{
	char error[PCAP_ERRBUF_SIZE];
	FILE *file = fmemopen((void *)(uintptr_t)bytes, size, "rb");
	pcap_t *pcap =
		pcap_fopen_offline_with_tstamp_precision(file, PCAP_TSTAMP_PRECISION_NANO, error);
	struct pcap_pkthdr *header = NULL;
	const u_char *packet = NULL;

	assert_non_null(pcap);
	assert_int_equal(pcap_datalink(pcap), DLT_CAN_227);
	for (size_t i = 0; i < count; i++) {
		assert_int_equal(pcap_next_ex(pcap, &header, &packet), 1);
		/* tv_usec holds nanoseconds with this precision. */
		assert_true((int64_t)header->ts.tv_sec * 1000000000 + header->ts.tv_usec ==
			    frames[i].t_ns);
		assert_true(header->caplen >= 8u + frames[i].len);
		uint32_t id = (uint32_t)packet[0] << 24 | (uint32_t)packet[1] << 16 |
			      (uint32_t)packet[2] << 8 | (uint32_t)packet[3];
		assert_int_equal(id & 0x1fffffff, frames[i].id);
		assert_int_equal(
			id >> 31, frames[i].kind == FRAME_EXTENDED || frames[i].id > 0x7ff);
		assert_int_equal(id >> 30 & 1, frames[i].kind == FRAME_REMOTE);
		assert_int_equal(packet[4], frames[i].len);
		assert_memory_equal(packet + 8, frames[i].data, frames[i].len);
	}
	assert_int_equal(pcap_next_ex(pcap, &header, &packet), PCAP_ERROR_BREAK);
	pcap_close(pcap);
}

static struct frame frames[2000];
static uint8_t bytes[256 * 1024];

static void make_frames(size_t count)
{
	uint64_t state = 5;

	for (size_t i = 0; i < count; i++) {
		state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
		frames[i] = (struct frame){
			.t_ns = INT64_C(1669809629672944000) + (int64_t)i * 1000001,
			.id = (uint32_t)(state >> 35),
			.kind = FRAME_EXTENDED,
			.len = (uint8_t)(state >> 20 & 7) + 1,
		};
		if (i % 7 == 0) {
			frames[i].kind = FRAME_STANDARD;
			frames[i].id &= 0x7ff;
		}
		for (size_t b = 0; b < frames[i].len; b++) {
			frames[i].data[b] = (uint8_t)(state >> b * 7);
		}
	}
}

static size_t write_with(enum capture_writer_format format, size_t count)
{
	struct capture_writer *writer = NULL;
	int fd = memfd_create("written", MFD_CLOEXEC);

	assert_int_equal(capture_writer_open_fd(&writer, fd, format, WRITE_PLAIN, &one_bus), 0);
	for (size_t i = 0; i < count; i++) {
		assert_int_equal(capture_writer_put(writer, &frames[i]), 0);
	}
	assert_int_equal(capture_writer_close(writer), 0);
	ssize_t size = pread(fd, bytes, sizeof(bytes), 0);
	close(fd);
	assert_true(size > 0 && (size_t)size < sizeof(bytes));
	return (size_t)size;
}

static void libpcap_reads_what_is_written(void **state)
{
	(void)state;
	make_frames(2000);
	libpcap_check(bytes, write_with(WRITE_PCAP, 2000), frames, 2000);
	libpcap_check(bytes, write_with(WRITE_PCAPNG, 2000), frames, 2000);
}

/* A real packet: NMEA 2000 product information, from samples/can0-1.pcap of the public PGN table
 * project, 16 bytes at 1669809629.672944. */
static const uint8_t real_packet[16] = {0x99, 0xf0, 0x14, 0x2b, 0x08, 0x00, 0x00, 0x00, 0x0f, 0x37,
	0x37, 0x31, 0x38, 0x31, 0x20, 0x20};

static void what_libpcap_writes_is_read(void **state)
{
	static struct pcap_pkthdr headers[1000];
	static uint8_t packets[1000][24];

	(void)state;
	make_frames(1000);
	for (int ns = 0; ns < 2; ns++) {
		for (size_t i = 0; i < 1000; i++) {
			struct frame *f = &frames[i];
			uint32_t word = f->id | (f->kind == FRAME_EXTENDED ? 0x80000000u : 0);
			if (ns == 0) {
				f->t_ns = f->t_ns / 1000 * 1000;
			}
			headers[i].ts.tv_sec = f->t_ns / 1000000000;
			headers[i].ts.tv_usec = f->t_ns % 1000000000 / (ns == 1 ? 1 : 1000);
			/* Padding behind the data may be there or not; both occur. */
			headers[i].caplen = i % 3 == 0 ? 8u + f->len : i % 3 == 1 ? 16 : 20;
			headers[i].len = headers[i].caplen;
			memset(packets[i], 0, 24);
			for (int b = 0; b < 4; b++) {
				packets[i][b] = (uint8_t)(word >> (24 - 8 * b));
			}
			packets[i][4] = f->len;
			memcpy(packets[i] + 8, f->data, f->len);
		}
		size_t size = libpcap_write(headers, packets, 1000, DLT_CAN_227,
			ns == 1 ? PCAP_TSTAMP_PRECISION_NANO : PCAP_TSTAMP_PRECISION_MICRO, bytes,
			sizeof(bytes));
		struct bytes_result *r = bytes_read(bytes, size, NULL, 77);
		assert_string_equal(r->format, "pcap");
		assert_int_equal(r->count, 1000);
		assert_int_equal(r->damage.count, 0);
		for (size_t i = 0; i < 1000; i++) {
			assert_memory_equal(&r->frames[i], &frames[i], sizeof(struct frame));
		}
	}
}

static void a_real_packet_has_its_identifier_big_endian_in_a_little_endian_file(void **state)
{
	static uint8_t packets[1][24];
	struct pcap_pkthdr header = {.ts = {1669809629, 672944}, .caplen = 16, .len = 16};

	(void)state;
	memcpy(packets[0], real_packet, 16);
	size_t size = libpcap_write(&header, packets, 1, DLT_CAN_227, PCAP_TSTAMP_PRECISION_MICRO,
		bytes, sizeof(bytes));
	struct bytes_result *r = bytes_read(bytes, size, NULL, 10);
	assert_int_equal(r->count, 1);
	assert_string_equal(bytes_show_frame(r, 0),
		"can0 1669809629.672944000 ext 19F0142B 8 0F37373138312020");
}

/* Turns the byte order of a file made by write_with. */
static void swap_4(uint8_t *p)
{
	uint8_t swapped[4] = {p[3], p[2], p[1], p[0]};

	memcpy(p, swapped, 4);
}

static void swap_2(uint8_t *p)
{
	uint8_t swapped[2] = {p[1], p[0]};

	memcpy(p, swapped, 2);
}

static void swap_pcap(uint8_t *at, size_t size)
{
	const uint8_t *end = at + size;

	swap_4(at);
	swap_2(at + 4);
	swap_2(at + 6);
	swap_4(at + 16);
	swap_4(at + 20);
	for (at += 24; at < end;) {
		size_t kept = at[8];
		for (size_t i = 0; i < 16; i += 4) {
			swap_4(at + i);
		}
		at += 16 + kept;
	}
}

/* Knows the blocks that the writer makes. */
static void swap_pcapng(uint8_t *at, size_t size)
{
	const uint8_t *end = at + size;

	while (at < end) {
		uint8_t type = at[0];
		size_t block = (size_t)at[4] | (size_t)at[5] << 8;
		swap_4(at);
		swap_4(at + 4);
		swap_4(at + block - 4);
		if (type == 0x0a) {
			swap_4(at + 8);
			swap_2(at + 12);
			swap_2(at + 14);
		} else if (type == 1) {
			swap_2(at + 8);
			swap_4(at + 12);
			for (uint8_t *o = at + 16; o < at + block - 4;) {
				size_t length = o[2];
				swap_2(o);
				swap_2(o + 2);
				o += 4 + (length + 3) / 4 * 4;
			}
		} else {
			for (size_t i = 8; i < 28; i += 4) {
				swap_4(at + i);
			}
		}
		at += block;
	}
}

static void both_byte_orders_are_read(void **state)
{
	(void)state;
	make_frames(500);
	for (int ng = 0; ng < 2; ng++) {
		size_t size = write_with(ng == 1 ? WRITE_PCAPNG : WRITE_PCAP, 500);
		(ng == 1 ? swap_pcapng : swap_pcap)(bytes, size);
		libpcap_check(bytes, size, frames, 500); /* so the turning is right */
		struct bytes_result *r = bytes_read(bytes, size, NULL, 100);
		assert_int_equal(r->count, 500);
		assert_int_equal(r->damage.count, 0);
		for (size_t i = 0; i < 500; i++) {
			assert_memory_equal(&r->frames[i], &frames[i], sizeof(struct frame));
		}
	}
}

static void files_put_behind_each_other_are_read_through(void **state)
{
	static uint8_t joined[2 * sizeof(bytes)];

	(void)state;
	make_frames(600);
	for (int ng = 0; ng < 2; ng++) {
		/* Little-endian, then big-endian, then little-endian again. */
		size_t size = write_with(ng == 1 ? WRITE_PCAPNG : WRITE_PCAP, 200);
		memcpy(joined, bytes, size);
		memcpy(joined + 2 * size, bytes, size);
		(ng == 1 ? swap_pcapng : swap_pcap)(bytes, size);
		memcpy(joined + size, bytes, size);
		struct bytes_result *r = bytes_read(joined, 3 * size, NULL, 100);
		assert_int_equal(r->count, 600);
		assert_int_equal(r->damage.count, 0);
		for (size_t i = 0; i < 600; i++) {
			assert_memory_equal(&r->frames[i], &frames[i % 200], sizeof(struct frame));
		}
	}
}

/* Whether the frames read are those of the array, in order, but for one gap of at most gap_max
 * frames, and at most as many wrong ones in its place. */
static void check_with_gap(
	const struct bytes_result *r, size_t count, size_t gap_max, const char *what, size_t place)
{
	size_t head = 0;
	size_t tail = 0;

	while (head < r->count && head < count &&
		memcmp(&r->frames[head], &frames[head], sizeof(frames[0])) == 0) {
		head++;
	}
	while (tail < r->count - head && tail < count - head &&
		memcmp(&r->frames[r->count - 1 - tail], &frames[count - 1 - tail],
			sizeof(frames[0])) == 0) {
		tail++;
	}
	if (count - head - tail > gap_max || r->count - head - tail > gap_max) {
		fail_msg(
			"%s at byte %zu: %zu frames before the gap, %zu behind it, %zu read of %zu",
			what, place, head, tail, r->count, count);
	}
}

static void a_damaged_byte_loses_no_more_than_the_frame_it_is_in_and_one_beside_it(void **state)
{
	enum { COUNT = 40 };
	static const uint8_t damages[] = {0x01, 0x80, 0xff};
	size_t noticed = 0;

	(void)state;
	make_frames(COUNT);
	for (int ng = 0; ng < 2; ng++) {
		size_t size = write_with(ng == 1 ? WRITE_PCAPNG : WRITE_PCAP, COUNT);
		/* Behind the headers of the file, which hold what nothing else can replace. */
		size_t first = ng == 1 ? 28 + 48 : 24;
		for (size_t place = first; place < size; place++) {
			for (size_t d = 0; d < sizeof(damages); d++) {
				bytes[place] ^= damages[d];
				struct bytes_result *r = bytes_read(bytes, size, NULL, 100);
				bytes[place] ^= damages[d];
				assert_int_equal(r->opened, 0);
				/* A wrong stamp, identifier or data byte cannot be told from a
				 * right one. */
				check_with_gap(r, COUNT, 2, ng == 1 ? "pcapng" : "pcap", place);
				noticed += r->damage.count > 0 ? 1 : 0;
				assert_true(r->damage.count == 0 || r->damage.first_byte <= place);
				assert_int_equal(r->damage.first_line, 0);
			}
		}
	}
	assert_true(noticed > 100);
}

static void bytes_lost_or_put_in_lose_no_more_than_what_they_touch(void **state)
{
	enum { COUNT = 40 };
	static uint8_t changed[sizeof(bytes) + 5000];
	static const size_t amounts[] = {1, 2, 3, 4, 7, 16, 31};

	(void)state;
	make_frames(COUNT);
	for (int ng = 0; ng < 2; ng++) {
		size_t size = write_with(ng == 1 ? WRITE_PCAPNG : WRITE_PCAP, COUNT);
		size_t first = ng == 1 ? 28 + 48 : 24;
		for (size_t a = 0; a < sizeof(amounts) / sizeof(amounts[0]); a++) {
			for (size_t place = first; place + amounts[a] < size; place++) {
				memcpy(changed, bytes, place);
				memcpy(changed + place, bytes + place + amounts[a],
					size - place - amounts[a]);
				struct bytes_result *r =
					bytes_read(changed, size - amounts[a], NULL, 100);
				check_with_gap(r, COUNT, 3, "lost", place);
				assert_true(r->damage.count >= 1 || r->count == COUNT - 1);

				memset(changed + place, 0xa5, amounts[a]);
				memcpy(changed + place + amounts[a], bytes + place, size - place);
				r = bytes_read(changed, size + amounts[a], NULL, 100);
				check_with_gap(r, COUNT, 2, "put in", place);
				assert_true(r->damage.count >= 1);
			}
		}
		/* A page of zeros, as a power cut leaves. */
		memcpy(changed, bytes, size / 2);
		memset(changed + size / 2, 0, 4096);
		memcpy(changed + size / 2 + 4096, bytes + size / 2, size - size / 2);
		check_with_gap(
			bytes_read(changed, size + 4096, NULL, 100), COUNT, 2, "zeros", size / 2);
	}
}

/* ---- pcapng, block by block ---- */

struct blocks {
	size_t size;
	bool big_endian;
	uint8_t bytes[4096];
};

static void add_number(struct blocks *b, uint64_t value, size_t size)
{
	for (size_t i = 0; i < size; i++) {
		size_t shift = b->big_endian ? 8 * (size - 1 - i) : 8 * i;
		b->bytes[b->size++] = (uint8_t)(value >> shift);
	}
}

/* A block of 4-byte words and then bytes, padded. */
static void add_block(struct blocks *b, uint32_t type, const uint32_t *words, size_t word_count,
	const void *rest, size_t rest_size)
{
	size_t total = 12 + 4 * word_count + (rest_size + 3) / 4 * 4;

	add_number(b, type, 4);
	add_number(b, total, 4);
	for (size_t i = 0; i < word_count; i++) {
		add_number(b, words[i], 4);
	}
	memcpy(b->bytes + b->size, rest, rest_size);
	b->size += rest_size;
	while (b->size % 4 != 0) {
		b->bytes[b->size++] = 0;
	}
	add_number(b, total, 4);
}

static void add_section(struct blocks *b, bool big_endian)
{
	b->big_endian = big_endian;
	add_number(b, 0x0a0d0d0a, 4);
	add_number(b, 28, 4);
	add_number(b, 0x1a2b3c4d, 4);
	add_number(b, 1, 2);
	add_number(b, 0, 2);
	add_number(b, UINT64_MAX, 8);
	add_number(b, 28, 4);
}

struct interface_case {
	uint32_t link_type;
	const char *name;
	int resolution; /* -1: no option */
	bool has_offset;
	int64_t offset_s;
};

static void add_interface(struct blocks *b, const struct interface_case *c)
{
	struct blocks body = {.big_endian = b->big_endian};

	add_number(&body, c->link_type, 2);
	add_number(&body, 0, 2);
	add_number(&body, 0, 4);
	if (c->name != NULL) {
		add_number(&body, 2, 2);
		add_number(&body, strlen(c->name), 2);
		for (size_t i = 0; i < (strlen(c->name) + 3) / 4 * 4; i++) {
			body.bytes[body.size++] = i < strlen(c->name) ? (uint8_t)c->name[i] : 0;
		}
	}
	if (c->resolution >= 0) {
		add_number(&body, 9, 2);
		add_number(&body, 1, 2);
		body.bytes[body.size++] = (uint8_t)c->resolution;
		add_number(&body, 0, 3);
	}
	if (c->has_offset) {
		add_number(&body, 14, 2);
		add_number(&body, 8, 2);
		add_number(&body, (uint64_t)c->offset_s, 8);
	}
	add_number(&body, 0, 4);
	add_block(b, 1, NULL, 0, body.bytes, body.size);
}

static void add_packet(struct blocks *b, uint32_t interface, uint64_t stamp)
{
	uint32_t words[] = {interface, (uint32_t)(stamp >> 32), (uint32_t)stamp, 16, 16};

	add_block(b, 6, words, 5, real_packet, 16);
}

#define REAL_FRAME "ext 19F0142B 8 0F37373138312020"

static void a_record_that_claims_what_is_behind_it_loses_nothing(void **state)
{
	enum { COUNT = 20 };

	(void)state;
	make_frames(COUNT);
	size_t size = write_with(WRITE_PCAP, COUNT);
	for (size_t i = 0; i + 2 < COUNT; i++) {
		uint8_t *record = bytes + 24 + i * 32;
		record[8] = 40; /* kept and on the wire: 40 bytes, not 16 */
		record[12] = 40;
		struct bytes_result *r = bytes_read(bytes, size, NULL, 100);
		record[8] = 16;
		record[12] = 16;
		assert_int_equal(r->count, COUNT);
		assert_int_equal(r->damage.count, 1);
		assert_int_equal(r->damage.first_byte, 24 + i * 32);
		check_with_gap(r, COUNT, 0, "claimed", i);
	}
}

static void a_damaged_interface_does_not_move_the_numbers_of_the_others(void **state)
{
	struct blocks b = {0};

	(void)state;
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){227, "port", -1, false, 0});
	b.bytes[b.size - 1] ^= 1;
	add_interface(&b, &(struct interface_case){227, "starboard", -1, false, 0});
	add_packet(&b, 0, UINT64_C(1669809629500001));
	add_packet(&b, 1, UINT64_C(1669809629500002));
	struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->count, 1);
	assert_string_equal(bytes_show_frame(r, 0), "starboard 1669809629.500002000 " REAL_FRAME);
	assert_int_equal(r->damage.count, 2);
}

static void every_unit_of_time_gives_the_same_time(void **state)
{
	/* 1669809629.5 s in each unit: the draft's if_tsresol, decimal and binary. */
	static const struct {
		int resolution;
		uint64_t stamp;
	} cases[] = {
		{-1, UINT64_C(1669809629500000)},
		{6, UINT64_C(1669809629500000)},
		{1, UINT64_C(16698096295)},
		{3, UINT64_C(1669809629500)},
		{9, UINT64_C(1669809629500000000)},
		{10, UINT64_C(16698096295000000000)},
		{0x80 | 1, UINT64_C(3339619259)},
		{0x80 | 20, UINT64_C(3339619259) << 19},
		{0x80 | 32, UINT64_C(3339619259) << 31},
		{0x80 | 33, UINT64_C(3339619259) << 32},
	};

	(void)state;
	for (int big_endian = 0; big_endian < 2; big_endian++) {
		for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
			struct blocks b = {0};
			add_section(&b, big_endian == 1);
			add_interface(&b, &(struct interface_case){
						  227, "eng", cases[i].resolution, false, 0});
			add_packet(&b, 0, cases[i].stamp);
			struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
			assert_int_equal(r->count, 1);
			assert_string_equal(
				bytes_show_frame(r, 0), "eng 1669809629.500000000 " REAL_FRAME);
		}
	}
}

static void an_offset_of_stamps_is_added(void **state)
{
	struct blocks b = {0};

	(void)state;
	add_section(&b, true);
	add_interface(&b, &(struct interface_case){227, NULL, 9, true, 1600000000});
	add_interface(&b, &(struct interface_case){227, NULL, 9, true, -1000});
	add_packet(&b, 0, UINT64_C(69809629500000000));
	add_packet(&b, 1, UINT64_C(1669810629500000000));
	struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->count, 2);
	assert_string_equal(bytes_show_frame(r, 0), "can0 1669809629.500000000 " REAL_FRAME);
	assert_string_equal(bytes_show_frame(r, 1), "can1 1669809629.500000000 " REAL_FRAME);
}

static void interfaces_belong_to_their_section(void **state)
{
	struct blocks b = {0};

	(void)state;
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){1, "eth0", -1, false, 0});
	add_interface(&b, &(struct interface_case){227, "port", -1, false, 0});
	add_packet(&b, 0, UINT64_C(1669809629500000)); /* Ethernet: none of ours, and no damage */
	add_packet(&b, 1, UINT64_C(1669809629500001));
	add_section(&b, true);
	add_interface(&b, &(struct interface_case){227, "starboard", 9, false, 0});
	add_packet(&b, 0, UINT64_C(1669809629500002000));
	add_packet(&b, 1, UINT64_C(1669809629500003000)); /* not described in this section */
	add_packet(&b, 0, UINT64_C(1669809629500004000));
	struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->count, 3);
	assert_string_equal(bytes_show_frame(r, 0), "port 1669809629.500001000 " REAL_FRAME);
	assert_string_equal(bytes_show_frame(r, 1), "starboard 1669809629.500002000 " REAL_FRAME);
	assert_string_equal(bytes_show_frame(r, 2), "starboard 1669809629.500004000 " REAL_FRAME);
	assert_int_equal(r->damage.count, 1);
}

static void other_blocks_and_simple_and_old_packets_are_understood(void **state)
{
	static const uint8_t noise[100] = {1, 2, 3};
	struct blocks b = {0};
	uint32_t words[8] = {0};

	(void)state;
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){227, "port", -1, false, 0});
	words[0] = 16; /* a simple packet before any time is known */
	add_block(&b, 3, words, 1, real_packet, 16);
	add_packet(&b, 0, UINT64_C(1669809629500001));
	add_block(&b, 3, words, 1, real_packet, 16);
	add_block(&b, 4, words, 0, noise, 100);
	add_block(&b, 0x12345678, words, 0, noise, 99);
	words[0] = 0; /* an old packet: interface 0, drops 0 */
	words[1] = (uint32_t)(UINT64_C(1669809629500002) >> 32);
	words[2] = (uint32_t)UINT64_C(1669809629500002);
	words[3] = 16;
	words[4] = 16;
	add_block(&b, 2, words, 5, real_packet, 16);
	struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->count, 3);
	assert_string_equal(bytes_show_frame(r, 0), "port 1669809629.500001000 " REAL_FRAME);
	assert_string_equal(bytes_show_frame(r, 1), "port 1669809629.500001000 " REAL_FRAME);
	assert_string_equal(bytes_show_frame(r, 2), "port 1669809629.500002000 " REAL_FRAME);
	assert_int_equal(r->damage.count, 1);
}

static void drops_noted_twice_count_once(void **state)
{
	struct blocks b = {0};
	uint8_t packet_and_option[16 + 16] = {0};
	uint32_t words[] = {0, (uint32_t)(UINT64_C(1669809629500002) >> 32),
		(uint32_t)UINT64_C(1669809629500002), 16, 16};
	/* Interface, stamp, then isb_ifdrop = 12. */
	uint32_t statistics[] = {0, 0, 0, 5 | 8 << 16, 12, 0, 0};

	(void)state;
	memcpy(packet_and_option, real_packet, 16);
	packet_and_option[16] = 4; /* epb_dropcount, 8 bytes, 7 */
	packet_and_option[18] = 8;
	packet_and_option[20] = 7;
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){227, "port", -1, false, 0});
	add_block(&b, 6, words, 5, packet_and_option, sizeof(packet_and_option));
	struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->dropped, 7);
	add_block(&b, 5, statistics, 7, "", 0);
	r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->dropped, 12);
	assert_int_equal(r->count, 1);
	assert_int_equal(r->damage.count, 0);
}

static void a_large_block_of_another_kind_is_stepped_over(void **state)
{
	struct blocks b = {0};
	size_t large = 3 * 1024 * 1024;
	uint8_t *whole = calloc(1, large + 8192);

	(void)state;
	assert_non_null(whole);
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){227, "port", -1, false, 0});
	add_packet(&b, 0, UINT64_C(1669809629500001));
	memcpy(whole, b.bytes, b.size);
	size_t at = b.size;
	whole[at] = 10; /* decryption secrets */
	for (size_t i = 0; i < 4; i++) {
		whole[at + 4 + i] = (uint8_t)(large >> 8 * i);
		whole[at + large - 4 + i] = (uint8_t)(large >> 8 * i);
	}
	at += large;
	b.size = 0;
	add_packet(&b, 0, UINT64_C(1669809629500002));
	memcpy(whole + at, b.bytes, b.size);
	struct bytes_result *r = bytes_read(whole, at + b.size, NULL, 100);
	assert_int_equal(r->count, 2);
	assert_int_equal(r->damage.count, 0);
	r = bytes_read(whole, at - 100, NULL, 100);
	assert_int_equal(r->count, 1);
	assert_true(r->damage.cut);
	free(whole);
}

static void times_out_of_range_are_damage(void **state)
{
	struct blocks b = {0};

	(void)state;
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){227, "a", 9, false, 0});
	add_interface(&b, &(struct interface_case){227, "a", 0, false, 0});
	add_interface(&b, &(struct interface_case){227, "a", 9, true, INT64_MIN});
	add_interface(&b, &(struct interface_case){227, "a", 9, true, INT64_MAX});
	add_interface(&b, &(struct interface_case){227, "a", 0x80, true, INT64_MAX});
	add_packet(&b, 0, UINT64_MAX);
	add_packet(&b, 1, UINT64_MAX);
	add_packet(&b, 2, UINT64_C(1669809629500001000));
	add_packet(&b, 3, UINT64_C(1669809629500001000));
	add_packet(&b, 4, UINT64_MAX);
	add_packet(&b, 0, UINT64_C(1669809629500001000));
	struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
	assert_int_equal(r->count, 1);
	assert_int_equal(r->damage.count, 5);
}

/* ---- what a packet may hold ---- */

static void each_kind_of_packet_is_told(void **state)
{
	/* LINKTYPE_CAN_SOCKETCAN: flags in the identifier; byte 4 length, 5 CAN FD flags; XL: 0x80
	 * in 4. */
	static const struct {
		uint8_t head[8];
		size_t size;
		const char *frame; /* NULL: damage */
	} cases[] = {
		{{0x80, 0, 0, 1, 2}, 16, "ext 1 2 0102"},
		{{0x00, 0, 0, 1, 2}, 16, "std 1 2 0102"},
		{{0x00, 0, 0, 1, 2}, 10, "std 1 2 0102"},
		{{0x00, 0, 0, 1, 0}, 8, "std 1 0 "},
		{{0xc0, 0, 0, 1, 2}, 16, "remote 1 0 "},
		{{0x40, 0, 0, 1, 8}, 8, "remote 1 0 "},
		{{0x20, 0, 0, 4, 8}, 16, "error 4 8 0102030405060708"},
		{{0x80, 0, 0, 1, 8, 4}, 72, "other 1 8 0102030405060708"},
		{{0x80, 0, 0, 1, 64, 5}, 72, "other 1 8 0102030405060708"},
		{{0x80, 0, 0, 1, 3}, 72, "other 1 3 010203"},
		{{0x80, 0, 0, 1, 12}, 20, "other 1 8 0102030405060708"},
		{{0x00, 0, 0, 1, 0x80}, 20, "other 1 0 "},
		{{0x00, 0, 0, 1, 2}, 9, NULL},
		{{0x00, 0, 8, 0, 2}, 16, NULL},
		{{0x80, 0, 0, 1, 65, 4}, 80, NULL},
		{{0x80, 0, 0, 1, 12}, 16, NULL},
		{{0x00, 0, 0, 1, 0x80}, 12, NULL},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct blocks b = {0};
		uint8_t packet[128];
		uint64_t stamp = UINT64_C(1669809629500001);
		uint32_t words[] = {0, (uint32_t)(stamp >> 32), (uint32_t)stamp,
			(uint32_t)cases[i].size, (uint32_t)cases[i].size};
		char expected[128];

		memset(packet, 0, sizeof(packet));
		memcpy(packet, cases[i].head, 8);
		for (size_t d = 8; d < sizeof(packet); d++) {
			packet[d] = (uint8_t)(d - 7);
		}
		add_section(&b, false);
		add_interface(&b, &(struct interface_case){227, "can7", -1, false, 0});
		add_block(&b, 6, words, 5, packet, cases[i].size);
		struct bytes_result *r = bytes_read(b.bytes, b.size, NULL, 100);
		if (cases[i].frame == NULL) {
			assert_int_equal(r->count, 0);
			assert_int_equal(r->damage.count, 1);
			continue;
		}
		assert_int_equal(r->damage.count, 0);
		assert_int_equal(r->count, 1);
		snprintf(
			expected, sizeof(expected), "can7 1669809629.500001000 %s", cases[i].frame);
		assert_string_equal(bytes_show_frame(r, 0), expected);
	}
}

static void files_of_other_networks_are_refused_by_name(void **state)
{
	static uint8_t packets[1][24];
	struct pcap_pkthdr header = {.ts = {1669809629, 672944}, .caplen = 16, .len = 16};
	struct blocks b = {0};

	(void)state;
	size_t size = libpcap_write(
		&header, packets, 1, DLT_EN10MB, PCAP_TSTAMP_PRECISION_MICRO, bytes, sizeof(bytes));
	struct bytes_result *r = bytes_read(bytes, size, NULL, 10);
	assert_int_equal(r->opened, -ENOMSG);
	assert_non_null(strstr(r->error, "Ethernet"));
	add_section(&b, false);
	add_interface(&b, &(struct interface_case){1, "eth0", -1, false, 0});
	add_packet(&b, 0, 1);
	r = bytes_read(b.bytes, b.size, NULL, 10);
	assert_int_equal(r->opened, -ENOMSG);
	assert_non_null(strstr(r->error, "Ethernet"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(libpcap_reads_what_is_written),
		cmocka_unit_test(what_libpcap_writes_is_read),
		cmocka_unit_test(
			a_real_packet_has_its_identifier_big_endian_in_a_little_endian_file),
		cmocka_unit_test(both_byte_orders_are_read),
		cmocka_unit_test(files_put_behind_each_other_are_read_through),
		cmocka_unit_test(
			a_damaged_byte_loses_no_more_than_the_frame_it_is_in_and_one_beside_it),
		cmocka_unit_test(bytes_lost_or_put_in_lose_no_more_than_what_they_touch),
		cmocka_unit_test(a_record_that_claims_what_is_behind_it_loses_nothing),
		cmocka_unit_test(a_damaged_interface_does_not_move_the_numbers_of_the_others),
		cmocka_unit_test(every_unit_of_time_gives_the_same_time),
		cmocka_unit_test(an_offset_of_stamps_is_added),
		cmocka_unit_test(interfaces_belong_to_their_section),
		cmocka_unit_test(other_blocks_and_simple_and_old_packets_are_understood),
		cmocka_unit_test(drops_noted_twice_count_once),
		cmocka_unit_test(a_large_block_of_another_kind_is_stepped_over),
		cmocka_unit_test(times_out_of_range_are_damage),
		cmocka_unit_test(each_kind_of_packet_is_told),
		cmocka_unit_test(files_of_other_networks_are_refused_by_name),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
