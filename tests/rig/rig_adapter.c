/* rig_adapter.c: a CAN adapter on USB, plugged into the kernel that it runs on (USB/IP, driver
 * vhci_hcd).
 *
 *   rig_adapter restarting PORT INTERFACE    for the driver usb_8dev: leaves the bus at bus-off
 * until it is restarted, counts errors rig_adapter stamping PORT INTERFACE      for the driver
 * gs_usb: tells when it received each frame, by a clock of its own, and hands it on up to 20 ms
 * later
 *
 * PORT is the virtual host controller's, from 0. The adapter's bus is INTERFACE, a virtual one:
 * what is sent there is what it hears; an error frame there is what befalls it. Killing it unplugs
 * it.
 *
 * Protocols: Linux's Documentation/usb/usbip_protocol.rst; drivers/net/can/usb/usb_8dev.c,
 * gs_usb.c. The two are told apart by enum kind; what they share is USB itself. */
#include <endian.h>
#include <errno.h>
#include <inttypes.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <linux/usb/ch9.h>
#include <net/if.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define NS	     INT64_C(1000000000)
#define DEVICE	     1U /* its number in each packet */
#define PENDING_MOST 256
#define QUEUE_MOST   4096
#define DATA_MOST    4096

enum kind {
	KIND_RESTARTING,
	KIND_STAMPING,
};

/* struct usbip_header; all big-endian but setup. */
enum {
	CMD_SUBMIT = 1,
	CMD_UNLINK = 2,
	RET_SUBMIT = 3,
	RET_UNLINK = 4,
};

struct packet {
	uint32_t command, sequence, device, direction, endpoint;
	union {
		struct {
			uint32_t flags, length, start_frame, packets, interval;
			struct usb_ctrlrequest setup;
		} submit;
		struct {
			uint32_t status, length, start_frame, packets, errors, spare[2];
		} returned;
		struct {
			uint32_t sequence, spare[6];
		} unlink;
	} is;
};
_Static_assert(sizeof(struct packet) == 48, "as on the wire");

/* Endpoints; usb_8dev has these numbers built in. */
enum {
	FRAMES_IN = 1,
	FRAMES_OUT = 2,
	ANSWERS_IN = 3,
	COMMANDS_OUT = 4,
	ENDPOINTS,
};

/* What the adapter will hand to the host, when. */
struct message {
	int64_t due_ns;
	uint8_t bytes[24];
	uint32_t size;
};

static struct {
	enum kind kind;
	int host, bus;
	bool on;	 /* the bus is heard */
	bool off;	 /* bus-off: until it is opened again */
	unsigned errors; /* the receive error counter */
	uint32_t pending[ENDPOINTS]
			[PENDING_MOST]; /* sequence numbers of what the host waits to read */
	size_t pending_count[ENDPOINTS];
	struct message queue[QUEUE_MOST];
	size_t first, count;
	uint8_t answer[16];
	bool answer_waits;
} adapter;

static void fail(const char *what)
{
	(void)fprintf(stderr, "rig_adapter: %s: %s\n", what, strerror(errno));
	exit(1);
}

static int64_t now_ns(void)
{
	struct timespec now;

	(void)clock_gettime(CLOCK_MONOTONIC, &now);
	return (int64_t)now.tv_sec * NS + now.tv_nsec;
}

/* The adapter's own clock: another zero, and 30 ppm fast. */
static uint32_t stamp_us(int64_t at_ns)
{
	return (uint32_t)((at_ns + at_ns / 1000000 * 30) / 1000 + 123456789);
}

static void get_all(void *bytes, size_t size)
{
	for (size_t got = 0; got < size;) {
		ssize_t part = read(adapter.host, (uint8_t *)bytes + got, size - got);

		if (part == 0) {
			exit(0);
		}
		if (part < 0 && errno != EINTR) {
			fail("read");
		}
		got += part > 0 ? (size_t)part : 0;
	}
}

static void put_all(const void *bytes, size_t size)
{
	for (size_t put = 0; put < size;) {
		ssize_t part = write(adapter.host, (const uint8_t *)bytes + put, size - put);

		if (part < 0 && errno != EINTR) {
			fail("write");
		}
		put += part > 0 ? (size_t)part : 0;
	}
}

/* The end of a transfer: status 0 or a negative errno; bytes are what the host reads. */
static void finish(uint32_t sequence, int status, uint32_t length, const void *bytes)
{
	struct packet packet;

	memset(&packet, 0, sizeof(packet));
	packet.command = htobe32(RET_SUBMIT);
	packet.sequence = htobe32(sequence);
	packet.is.returned.status = htobe32((uint32_t)status);
	packet.is.returned.length = htobe32(length);
	put_all(&packet, sizeof(packet));
	if (bytes != NULL) {
		put_all(bytes, length);
	}
}

static void unlink_transfer(const struct packet *packet)
{
	uint32_t wanted = be32toh(packet->is.unlink.sequence);
	struct packet reply;

	memset(&reply, 0, sizeof(reply));
	reply.command = htobe32(RET_UNLINK);
	reply.sequence = packet->sequence;
	for (size_t e = 0; e < ENDPOINTS; e++) {
		for (size_t i = 0; i < adapter.pending_count[e]; i++) {
			if (adapter.pending[e][i] == wanted) {
				adapter.pending_count[e]--;
				memmove(&adapter.pending[e][i], &adapter.pending[e][i + 1],
					(adapter.pending_count[e] - i) * sizeof(uint32_t));
				reply.is.returned.status = htobe32((uint32_t)-ECONNRESET);
			}
		}
	}
	put_all(&reply, sizeof(reply));
}

static uint32_t take_pending(size_t endpoint)
{
	uint32_t sequence = adapter.pending[endpoint][0];

	adapter.pending_count[endpoint]--;
	memmove(&adapter.pending[endpoint][0], &adapter.pending[endpoint][1],
		adapter.pending_count[endpoint] * sizeof(uint32_t));
	return sequence;
}

/* Hands on what is due and waited for. */
static void hand_on(void)
{
	while (adapter.count > 0 && adapter.pending_count[FRAMES_IN] > 0 &&
		adapter.queue[adapter.first].due_ns <= now_ns()) {
		const struct message *message = &adapter.queue[adapter.first];

		finish(take_pending(FRAMES_IN), 0, message->size, message->bytes);
		adapter.first = (adapter.first + 1) % QUEUE_MOST;
		adapter.count--;
	}
	if (adapter.answer_waits && adapter.pending_count[ANSWERS_IN] > 0) {
		adapter.answer_waits = false;
		finish(take_pending(ANSWERS_IN), 0, sizeof(adapter.answer), adapter.answer);
	}
}

static struct message *queue_message(uint32_t size)
{
	struct message *message = &adapter.queue[(adapter.first + adapter.count) % QUEUE_MOST];

	if (adapter.count == QUEUE_MOST) {
		errno = ENOBUFS;
		fail("the host does not read");
	}
	adapter.count++;
	memset(message, 0, sizeof(*message));
	message->size = size;
	return message;
}

/* What usb_8dev is told of the controller: its state (0 well, 2 warning, 3 passive, 4 bus-off, 0x20
 * a stuff error) and its counters. */
static void tell_state(uint8_t state)
{
	struct message *message = queue_message(21);
	uint8_t *to = message->bytes;

	to[0] = 0x55;
	to[1] = 3;
	to[2] = 4;
	to[8] = state;
	to[9] = (uint8_t)(adapter.errors < 0x7F ? adapter.errors : 0x7F);
	to[20] = 0xAA;
}

/* ISO 11898-1: an error seen counts 1 here, a good frame takes 1 off; 96 warns, 128 is passive. */
static void count_error(bool error)
{
	unsigned before = adapter.errors;

	if (error && adapter.errors < 1000) {
		adapter.errors++;
	} else if (!error && adapter.errors > 0) {
		adapter.errors--;
	}
	/* The driver takes a stuff error for a warning, so that the state is told instead where it is worse. */
	uint8_t state = adapter.errors >= 128 ? 3 : adapter.errors >= 96 ? 2 : 0;
	if (error) {
		tell_state(state != 0 ? state : 0x20);
	} else if ((before >= 128) != (adapter.errors >= 128) ||
		(before >= 96) != (adapter.errors >= 96)) {
		tell_state(state);
	}
}

static void hear_restarting(const struct can_frame *frame)
{
	struct message *message;
	uint32_t id = htobe32(frame->can_id & CAN_EFF_MASK);

	if (adapter.off) {
		return;
	}
	if ((frame->can_id & CAN_ERR_FLAG) != 0) {
		if ((frame->can_id & CAN_ERR_BUSOFF) != 0) {
			adapter.off = true;
			tell_state(4);
		} else {
			count_error(true);
		}
		return;
	}
	count_error(false);
	message = queue_message(21);
	message->bytes[0] = 0x55;
	message->bytes[2] = (uint8_t)(((frame->can_id & CAN_EFF_FLAG) != 0 ? 1 : 0) |
				      ((frame->can_id & CAN_RTR_FLAG) != 0 ? 2 : 0));
	memcpy(message->bytes + 3, &id, sizeof(id));
	message->bytes[7] = frame->len;
	memcpy(message->bytes + 8, frame->data, sizeof(frame->data));
	message->bytes[20] = 0xAA;
}

static void hear_stamping(const struct can_frame *frame, int64_t heard_ns)
{
	static uint32_t draws = 1;
	static int64_t last_due_ns;
	struct message *message = queue_message(24);
	const uint32_t received = 0xFFFFFFFF;
	uint32_t id = htole32(frame->can_id);
	uint32_t stamp = htole32(stamp_us(heard_ns));

	memcpy(message->bytes, &received, sizeof(received));
	memcpy(message->bytes + 4, &id, sizeof(id));
	message->bytes[8] = frame->len;
	memcpy(message->bytes + 12, frame->data, sizeof(frame->data));
	memcpy(message->bytes + 20, &stamp, sizeof(stamp));
	/* Up to 20 ms late, each time another, in order. */
	draws = draws * 1664525 + 1013904223;
	message->due_ns = heard_ns + (int64_t)(draws >> 12) % 20000 * 1000;
	if (message->due_ns < last_due_ns) {
		message->due_ns = last_due_ns;
	}
	last_due_ns = message->due_ns;
}

/* Reads the bus; when it is not on, what is there is not heard. */
static void hear(void)
{
	struct can_frame frame;

	while (recv(adapter.bus, &frame, sizeof(frame), MSG_DONTWAIT) == (ssize_t)sizeof(frame)) {
		if (!adapter.on) {
			continue;
		}
		if (adapter.kind == KIND_RESTARTING) {
			hear_restarting(&frame);
		} else {
			hear_stamping(&frame, now_ns());
		}
	}
}

static void set_on(bool on)
{
	hear(); /* what came until now belongs to before */
	adapter.on = on;
	adapter.off = false;
	adapter.errors = 0;
	adapter.count = 0;
}

/* A command of usb_8dev: 2 open, 3 close; the others are answered alike. */
static void obey(const uint8_t *command)
{
	if (command[2] == 2 || command[2] == 3) {
		set_on(command[2] == 2);
	}
	memset(adapter.answer, 0, sizeof(adapter.answer));
	adapter.answer[0] = 0x11;
	adapter.answer[2] = command[2];
	adapter.answer[15] = 0x22;
	adapter.answer_waits = true;
}

static const struct usb_endpoint_descriptor *endpoint_descriptor(size_t number)
{
	static struct usb_endpoint_descriptor endpoint;

	memset(&endpoint, 0, sizeof(endpoint));
	endpoint.bLength = USB_DT_ENDPOINT_SIZE;
	endpoint.bDescriptorType = USB_DT_ENDPOINT;
	endpoint.bEndpointAddress =
		(uint8_t)(number | (number % 2 == 1 ? USB_DIR_IN : USB_DIR_OUT));
	endpoint.bmAttributes = USB_ENDPOINT_XFER_BULK;
	endpoint.wMaxPacketSize = htole16(512);
	return &endpoint;
}

/* Returns the size of a descriptor put into bytes; 0: there is none. */
static uint32_t describe(unsigned type, uint8_t *bytes)
{
	bool stamping = adapter.kind == KIND_STAMPING;
	struct usb_device_descriptor device = {
		.bLength = USB_DT_DEVICE_SIZE,
		.bDescriptorType = USB_DT_DEVICE,
		.bcdUSB = htole16(0x0200),
		.bDeviceClass = USB_CLASS_VENDOR_SPEC,
		.bMaxPacketSize0 = 64,
		/* What the drivers look for. */
		.idVendor = htole16(stamping ? 0x1D50 : 0x0483),
		.idProduct = htole16(stamping ? 0x606F : 0x1234),
		.bNumConfigurations = 1,
	};
	struct usb_config_descriptor config = {
		.bLength = USB_DT_CONFIG_SIZE,
		.bDescriptorType = USB_DT_CONFIG,
		.bNumInterfaces = 1,
		.bConfigurationValue = 1,
		.bmAttributes = USB_CONFIG_ATT_ONE,
		.bMaxPower = 50,
	};
	struct usb_interface_descriptor interface = {
		.bLength = USB_DT_INTERFACE_SIZE,
		.bDescriptorType = USB_DT_INTERFACE,
		.bNumEndpoints = stamping ? 2 : 4,
		.bInterfaceClass = USB_CLASS_VENDOR_SPEC,
	};
	uint32_t size = USB_DT_CONFIG_SIZE;

	if (type == USB_DT_DEVICE) {
		memcpy(bytes, &device, USB_DT_DEVICE_SIZE);
		return USB_DT_DEVICE_SIZE;
	}
	if (type != USB_DT_CONFIG) {
		return 0;
	}
	memcpy(bytes + size, &interface, USB_DT_INTERFACE_SIZE);
	size += USB_DT_INTERFACE_SIZE;
	for (size_t i = 1; i <= interface.bNumEndpoints; i++) {
		memcpy(bytes + size, endpoint_descriptor(i), USB_DT_ENDPOINT_SIZE);
		size += USB_DT_ENDPOINT_SIZE;
	}
	config.wTotalLength = htole16((uint16_t)size);
	memcpy(bytes, &config, USB_DT_CONFIG_SIZE);
	return size;
}

static void put_le32(uint8_t *to, uint32_t value)
{
	value = htole32(value);
	memcpy(to, &value, sizeof(value));
}

/* A request of gs_usb. Returns how many bytes it reads. */
static uint32_t ask_stamping(unsigned request, const uint8_t *sent, uint8_t *bytes)
{
	/* features listen-only and stamps; 48 MHz; the limits of the bit timing */
	static const uint32_t timing[] = {1 << 0 | 1 << 4, 48000000, 1, 16, 1, 8, 4, 1, 1024, 1};

	switch (request) {
	case 2: /* mode: 0 reset, 1 start */
		set_on(sent[0] == 1);
		return 0;
	case 4:
		for (size_t i = 0; i < sizeof(timing) / sizeof(timing[0]); i++) {
			put_le32(bytes + 4 * i, timing[i]);
		}
		return sizeof(timing);
	case 5: /* one channel, versions */
		memset(bytes, 0, 12);
		put_le32(bytes + 4, 2);
		put_le32(bytes + 8, 1);
		return 12;
	case 6:
		put_le32(bytes, stamp_us(now_ns()));
		return 4;
	default: /* the format of the host, the bit timing */
		return 0;
	}
}

static void control(uint32_t sequence, const struct usb_ctrlrequest *setup, const uint8_t *sent,
	uint32_t length)
{
	uint8_t bytes[512] = {0};
	uint32_t size = 0;

	if ((setup->bRequestType & USB_TYPE_MASK) == USB_TYPE_VENDOR) {
		size = ask_stamping(setup->bRequest, sent, bytes);
	} else if (setup->bRequest == USB_REQ_GET_DESCRIPTOR) {
		size = describe(le16toh(setup->wValue) >> 8, bytes);
		if (size == 0) {
			finish(sequence, -EPIPE, 0, NULL);
			return;
		}
	} else if (setup->bRequest == USB_REQ_GET_STATUS) {
		size = 2;
	}
	if ((setup->bRequestType & USB_DIR_IN) == 0) {
		finish(sequence, 0, length, NULL);
		return;
	}
	finish(sequence, 0, size < length ? size : length, bytes);
}

static void serve(void)
{
	static uint8_t sent[DATA_MOST];
	struct packet packet;

	get_all(&packet, sizeof(packet));
	if (be32toh(packet.command) == CMD_UNLINK) {
		unlink_transfer(&packet);
		return;
	}
	uint32_t sequence = be32toh(packet.sequence);
	uint32_t endpoint = be32toh(packet.endpoint);
	uint32_t length = be32toh(packet.is.submit.length);
	bool in = be32toh(packet.direction) == 1;

	if (length > DATA_MOST || endpoint >= ENDPOINTS) {
		errno = EPROTO;
		fail("a transfer that no adapter like this has");
	}
	if (!in) {
		get_all(sent, length);
	}
	if (endpoint == 0) {
		control(sequence, &packet.is.submit.setup, sent, length);
	} else if (in && adapter.pending_count[endpoint] < PENDING_MOST) {
		adapter.pending[endpoint][adapter.pending_count[endpoint]++] = sequence;
	} else {
		if (endpoint == COMMANDS_OUT) {
			obey(sent);
		} else {
			(void)printf("the host sent a frame\n");
			(void)fflush(stdout);
		}
		finish(sequence, 0, length, NULL);
	}
}

static void plug_in(unsigned port)
{
	int ends[2];
	FILE *attach = fopen("/sys/devices/platform/vhci_hcd.0/attach", "w");

	if (attach == NULL || socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) {
		fail("vhci_hcd");
	}
	(void)fprintf(attach, "%u %d %u %d", port, ends[1], DEVICE, USB_SPEED_HIGH);
	if (fclose(attach) != 0) {
		fail("attach");
	}
	(void)close(ends[1]); /* the kernel has it */
	adapter.host = ends[0];
}

static void open_bus(const char *interface)
{
	struct sockaddr_can address = {.can_family = AF_CAN};
	can_err_mask_t all = CAN_ERR_MASK;

	adapter.bus = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC, CAN_RAW);
	address.can_ifindex = (int)if_nametoindex(interface);
	if (adapter.bus < 0 || address.can_ifindex == 0 ||
		setsockopt(adapter.bus, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &all, sizeof(all)) != 0 ||
		bind(adapter.bus, (const struct sockaddr *)&address, sizeof(address)) != 0) {
		fail(interface);
	}
}

int main(int argc, char **argv)
{
	if (argc != 4) {
		(void)fprintf(stderr, "usage: rig_adapter restarting|stamping PORT INTERFACE\n");
		return 2;
	}
	adapter.kind = strcmp(argv[1], "stamping") == 0 ? KIND_STAMPING : KIND_RESTARTING;
	open_bus(argv[3]);
	plug_in((unsigned)strtoul(argv[2], NULL, 10));
	for (;;) {
		struct pollfd ready[] = {
			{.fd = adapter.host, .events = POLLIN},
			{.fd = adapter.bus, .events = POLLIN},
		};
		struct timespec wait = {0};
		bool timed = adapter.count > 0 && adapter.pending_count[FRAMES_IN] > 0;

		if (timed) {
			int64_t left_ns = adapter.queue[adapter.first].due_ns - now_ns();

			wait.tv_nsec = (long)(left_ns < 0 ? 0 : left_ns);
		}
		if (ppoll(ready, 2, timed ? &wait : NULL, NULL) < 0 && errno != EINTR) {
			fail("poll");
		}
		if (ready[1].revents != 0) {
			hear();
		}
		if (ready[0].revents != 0) {
			serve();
		}
		hand_on();
	}
}
