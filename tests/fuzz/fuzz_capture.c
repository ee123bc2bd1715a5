/* Any bytes as a capture: it ends, every frame is in range, and how many frames are asked for at a
 * time changes nothing. */
#include "fuzz_input.h"

#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "replay/capture.h"

struct reading {
	int opened;
	uint64_t count;
	uint64_t sum; /* over all bytes of all frames, FNV-1a */
	uint64_t dropped;
	struct capture_damage damage;
	char format[32];
};

static void add_to_sum(struct reading *reading, const struct frame *frame)
{
	const uint8_t *bytes = (const uint8_t *)frame;

	for (size_t i = 0; i < sizeof(*frame); i++) {
		reading->sum = (reading->sum ^ bytes[i]) * UINT64_C(0x100000001b3);
	}
}

static void check_frame(const struct frame *frame, const struct bus_names *buses)
{
	FUZZ_CHECK(frame->kind <= FRAME_OTHER);
	FUZZ_CHECK(frame->bus < buses->count);
	FUZZ_CHECK(frame->len <= FRAME_DATA_MAX);
	FUZZ_CHECK(frame->id <= (frame->kind == FRAME_STANDARD ? 0x7ffu : 0x1fffffffu));
	FUZZ_CHECK(frame->t_ns >= 0);
	FUZZ_CHECK(frame->spare == 0);
	for (size_t i = frame->len; i < FRAME_DATA_MAX; i++) {
		FUZZ_CHECK(frame->data[i] == 0);
	}
}

static struct reading read_all(const uint8_t *bytes, size_t size, size_t batch)
{
	static struct frame frames[1024];
	struct reading reading = {.sum = UINT64_C(0xcbf29ce484222325)};
	struct bus_names buses = {0};
	struct capture *capture = NULL;
	char path[64];
	char error[256] = "";
	int64_t got = 0;
	int fd = memfd_create("fuzz", MFD_CLOEXEC);

	FUZZ_CHECK(fd >= 0 && write(fd, bytes, size) == (ssize_t)size);
	snprintf(path, sizeof(path), "/proc/self/fd/%d", fd);
	reading.opened = capture_open(&capture, path, &buses, NULL, error, sizeof(error));
	if (reading.opened != 0) {
		FUZZ_CHECK(reading.opened < 0 && error[0] != '\0');
		close(fd);
		return reading;
	}
	while ((got = capture_read(capture, frames, batch)) > 0) {
		FUZZ_CHECK((size_t)got <= batch);
		for (int64_t i = 0; i < got; i++) {
			check_frame(&frames[i], &buses);
			add_to_sum(&reading, &frames[i]);
			reading.count++;
		}
	}
	FUZZ_CHECK(got == 0);
	FUZZ_CHECK(capture_position(capture) == size);
	reading.damage = *capture_damage(capture);
	reading.dropped = capture_dropped(capture);
	FUZZ_CHECK((reading.damage.count > 0) == (reading.damage.first_reason[0] != '\0'));
	FUZZ_CHECK(!reading.damage.cut || reading.damage.count > 0);
	snprintf(reading.format, sizeof(reading.format), "%s", capture_format(capture));
	capture_close(capture);
	close(fd);
	return reading;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
	static const char remark[] =
		"# The lines above are read another way when enough text follows "
		"them, so there is enough text here: two remarks.\n# And this is "
		"the second, which makes it more than 128 bytes in all, for sure.\n";
	struct reading one = read_all(bytes, size, 1);
	struct reading many = read_all(bytes, size, 1000);

	FUZZ_CHECK(one.opened == many.opened);
	FUZZ_CHECK(one.count == many.count);
	FUZZ_CHECK(one.sum == many.sum);
	FUZZ_CHECK(one.dropped == many.dropped);
	FUZZ_CHECK(one.damage.count == many.damage.count);
	FUZZ_CHECK(one.damage.first_byte == many.damage.first_byte);
	FUZZ_CHECK(one.damage.first_line == many.damage.first_line);
	if (one.opened == 0 && strcmp(one.format, "candump log") == 0 && size < 100000 &&
		bytes[size - 1] == '\n' && bytes[0] != 0x1f && bytes[0] != 0x28) {
		uint8_t *longer = malloc(size + sizeof(remark) - 1);
		FUZZ_CHECK(longer != NULL);
		memcpy(longer, bytes, size);
		memcpy(longer + size, remark, sizeof(remark) - 1);
		struct reading fast = read_all(longer, size + sizeof(remark) - 1, 1000);
		free(longer);
		FUZZ_CHECK(fast.count == one.count);
		FUZZ_CHECK(fast.sum == one.sum);
		FUZZ_CHECK(fast.damage.count == one.damage.count);
	}
	return 0;
}
