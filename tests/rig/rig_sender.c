/* rig_sender.c: the tests' own sender; the program itself never sends.
 *
 *   rig_sender full INTERFACE RATE SECONDS       a full bus: frames of a busy NMEA 2000 network
 *   rig_sender claims INTERFACE RATE SECONDS     a storm of address claims from all addresses
 *   rig_sender babble INTERFACE RATE SECONDS     random identifiers, lengths and bytes, RTR and 11-bit too
 *   rig_sender liar INTERFACE RATE SECONDS       one source, every known message, random bytes
 *   rig_sender onebabbler INTERFACE RATE SECONDS one source, one message, over and over
 *   rig_sender stuff INTERFACE RATE SECONDS      error frames that say "stuff error"
 *   rig_sender busoff INTERFACE RATE SECONDS     error frames that say "bus-off"
 *   rig_sender restarted INTERFACE RATE SECONDS  error frames that say "restarted"
 *   rig_sender errors INTERFACE RATE SECONDS     error frames of every class
 *   rig_sender log INTERFACE FACTOR FILE         a candump log's frames of can0, FACTOR times faster
 *
 * RATE is frames a second. Frames go out at their own time by an absolute schedule; a late one follows at
 * once, so that the mean rate holds. */
#include <errno.h>
#include <inttypes.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "replay/capture.h"

#define NS INT64_C(1000000000)

static uint64_t random_state = 88172645463325252U;

/* xorshift64: the same storm each time. */
static uint32_t draw(void)
{
	random_state ^= random_state << 13;
	random_state ^= random_state >> 7;
	random_state ^= random_state << 17;
	return (uint32_t)(random_state >> 32);
}

static void random_bytes(struct can_frame *frame)
{
	for (size_t i = 0; i < sizeof(frame->data); i++) {
		frame->data[i] = (uint8_t)draw();
	}
}

static uint32_t n2k_id(uint32_t priority, uint32_t pgn, uint32_t source)
{
	return priority << 26 | pgn << 8 | source | CAN_EFF_FLAG;
}

/* The traffic of a busy bus: two thirds known messages that the analysis uses (engine speed, boost
 * and trim; rate and temperatures by fast packet; depth, speed, position), one third unknown ones. */
static void full_frame(struct can_frame *frame, uint64_t number)
{
	static const uint32_t pgns[] = {127488, 128267, 128259, 129025, 129026, 130312, 130314};

	frame->len = 8;
	random_bytes(frame);
	if (number % 3 == 2) {
		frame->can_id = n2k_id(6, 0x1FF00 | (draw() & 0x3F), 40 + draw() % 20);
		return;
	}
	if (number % 3 == 1) {
		/* 127489 in 26 bytes is four frames: engine 0, oil, temperatures, rate, hours … */
		uint64_t part = number / 3 % 4;
		static const uint8_t parts[4][8] = {
			{0, 26, 0, 0x10, 0x27, 0x00, 0x0B, 0x60},
			{1, 0x8C, 0x46, 0x05, 0x2C, 0x00, 0x80, 0x96},
			{2, 0x98, 0x00, 0xFF, 0x7F, 0xFF, 0x7F, 0xFF},
			{3, 0x00, 0x00, 0x00, 0x00, 0x40, 0x40, 0xFF},
		};
		memcpy(frame->data, parts[part], 8);
		frame->data[0] = (uint8_t)(frame->data[0] | (number / 12 % 8) << 5);
		frame->can_id = n2k_id(6, 127489, 0);
		return;
	}
	frame->can_id = n2k_id(2, pgns[number / 3 % (sizeof(pgns) / sizeof(pgns[0]))],
		number / 3 % 7 == 0 ? 0 : 35);
	if (number / 3 % 7 == 0) {
		const uint8_t speed[8] = {0, 0x80, 0x1C, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF};
		memcpy(frame->data, speed, 8);
	}
}

static void claim_frame(struct can_frame *frame, uint64_t number)
{
	frame->len = 8;
	random_bytes(frame);
	frame->can_id = n2k_id(6, 0xEEFF, (uint32_t)(number % 254));
}

static void babble_frame(struct can_frame *frame, uint64_t number)
{
	(void)number;
	random_bytes(frame);
	frame->len = (uint8_t)(draw() % 9);
	frame->can_id = draw() & CAN_EFF_MASK;
	if (draw() % 4 == 0) {
		frame->can_id &= CAN_SFF_MASK;
	} else {
		frame->can_id |= CAN_EFF_FLAG;
	}
	if (draw() % 16 == 0) {
		frame->can_id |= CAN_RTR_FLAG;
	}
}

static void liar_frame(struct can_frame *frame, uint64_t number)
{
	static const uint32_t pgns[] = {127488, 127489, 127493, 127496, 127497, 127498, 127505,
		127508, 127245, 128259, 128267, 129025, 129026, 129029, 129033, 130310, 130311,
		130312, 130314, 130316, 126992, 126993, 126996, 61444, 61443, 65253, 65257, 65266,
		64777, 65262, 65263, 65243, 65270, 65271, 65269, 65244, 65276, 65130, 65279, 65265,
		65226, 65227, 60416, 60160};

	(void)number;
	frame->len = 8;
	random_bytes(frame);
	frame->can_id = n2k_id(3, pgns[draw() % (sizeof(pgns) / sizeof(pgns[0]))], 99);
	if ((frame->can_id & 0xFF0000) < 0xF00000) {
		frame->can_id |= 0xFF00; /* to all */
	}
}

static void error_frame(struct can_frame *frame, uint64_t number)
{
	(void)number;
	random_bytes(frame);
	frame->len = 8;
	frame->can_id = (draw() & 0x3FF) | CAN_ERR_FLAG;
}

/* What a driver tells (linux/can/error.h). */
static void stuff_frame(struct can_frame *frame, uint64_t number)
{
	(void)number;
	frame->len = CAN_ERR_DLC;
	frame->can_id = CAN_ERR_FLAG | CAN_ERR_PROT | CAN_ERR_BUSERROR;
	frame->data[2] = CAN_ERR_PROT_STUFF;
}

static void busoff_frame(struct can_frame *frame, uint64_t number)
{
	(void)number;
	frame->len = CAN_ERR_DLC;
	frame->can_id = CAN_ERR_FLAG | CAN_ERR_BUSOFF;
}

static void restarted_frame(struct can_frame *frame, uint64_t number)
{
	(void)number;
	frame->len = CAN_ERR_DLC;
	frame->can_id = CAN_ERR_FLAG | CAN_ERR_RESTARTED;
}

static void onebabbler_frame(struct can_frame *frame, uint64_t number)
{
	frame->len = 8;
	memcpy(frame->data, &number, sizeof(number));
	frame->can_id = n2k_id(6, 0x1FF42, 119);
}

static const struct {
	const char *name;
	void (*make)(struct can_frame *frame, uint64_t number);
} kinds[] = {
	{"full", full_frame},
	{"claims", claim_frame},
	{"babble", babble_frame},
	{"liar", liar_frame},
	{"errors", error_frame},
	{"stuff", stuff_frame},
	{"busoff", busoff_frame},
	{"restarted", restarted_frame},
	{"onebabbler", onebabbler_frame},
};

static int64_t now_ns(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_MONOTONIC, &now);
	return (int64_t)now.tv_sec * NS + now.tv_nsec;
}

static void wait_until(int64_t at_ns)
{
	struct timespec at = {.tv_sec = (time_t)(at_ns / NS), .tv_nsec = (long)(at_ns % NS)};

	while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &at, NULL) == EINTR) {
	}
}

static int open_interface(const char *interface)
{
	struct sockaddr_can address = {.can_family = AF_CAN};
	int fd = socket(PF_CAN, SOCK_RAW, CAN_RAW);

	address.can_ifindex = (int)if_nametoindex(interface);
	if (fd < 0 || address.can_ifindex == 0 ||
		bind(fd, (const struct sockaddr *)&address, sizeof(address)) != 0) {
		perror(interface);
		exit(1);
	}
	return fd;
}

static void send_frame(int fd, const struct can_frame *frame)
{
	while (write(fd, frame, sizeof(*frame)) != (ssize_t)sizeof(*frame)) {
		if (errno != ENOBUFS && errno != EAGAIN) {
			perror("rig_sender: write");
			exit(1);
		}
		wait_until(now_ns() + NS / 1000);
	}
}

static void send_kind(int fd, size_t kind, double rate, double seconds)
{
	uint64_t total = (uint64_t)(rate * seconds);
	int64_t start_ns = now_ns();

	for (uint64_t i = 0; i < total; i++) {
		struct can_frame frame;

		memset(&frame, 0, sizeof(frame));
		kinds[kind].make(&frame, i);
		/* In small groups: waking up for each frame would load the guest more than the bus does. */
		if (i % 8 == 0) {
			wait_until(start_ns + (int64_t)((double)i / rate * 1e9));
		}
		send_frame(fd, &frame);
	}
	(void)printf("sent %" PRIu64 "\n", total);
}

static int send_log(int fd, double factor, const char *path)
{
	static struct frame frames[1024];
	struct bus_names buses = {.count = 1, .names = {"can0"}};
	struct capture *capture;
	char error[300];
	int64_t start_ns = 0;
	int64_t first_ns = 0;
	uint64_t total = 0;
	int64_t count;

	if (capture_open(&capture, path, &buses, NULL, error, sizeof(error)) != 0) {
		(void)fprintf(stderr, "%s\n", error);
		return 1;
	}
	while ((count = capture_read(capture, frames, 1024)) > 0) {
		for (int64_t i = 0; i < count; i++) {
			struct can_frame frame;

			if (frames[i].bus != 0 || frames[i].kind != FRAME_EXTENDED) {
				continue;
			}
			if (total == 0) {
				first_ns = frames[i].t_ns;
				start_ns = now_ns();
			}
			memset(&frame, 0, sizeof(frame));
			frame.can_id = frames[i].id | CAN_EFF_FLAG;
			frame.len = frames[i].len;
			memcpy(frame.data, frames[i].data, 8);
			wait_until(start_ns + (int64_t)((double)(frames[i].t_ns - first_ns) / factor));
			send_frame(fd, &frame);
			total++;
		}
	}
	capture_close(capture);
	(void)printf("sent %" PRIu64 "\n", total);
	return 0;
}

int main(int argc, char **argv)
{
	int fd;

	if (argc != 5) {
		(void)fprintf(stderr, "usage: rig_sender KIND INTERFACE RATE SECONDS\n");
		return 2;
	}
	fd = open_interface(argv[2]);
	if (strcmp(argv[1], "log") == 0) {
		return send_log(fd, strtod(argv[3], NULL), argv[4]);
	}
	for (size_t i = 0; i < sizeof(kinds) / sizeof(kinds[0]); i++) {
		if (strcmp(kinds[i].name, argv[1]) == 0) {
			send_kind(fd, i, strtod(argv[3], NULL), strtod(argv[4], NULL));
			return 0;
		}
	}
	return 2;
}
