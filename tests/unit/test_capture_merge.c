#include "capture_bytes.h"

#include <errno.h>
#include <sys/socket.h>

#define LANES_MAX 5
#define LINES_MAX 3000

struct lane {
	int fd;
	char path[64];
	size_t count;
	int64_t times_us[LINES_MAX];
};

static struct lane lanes[LANES_MAX];
static uint32_t random_state = 1;

static uint32_t random_below(uint32_t limit)
{
	random_state = random_state * 1664525 + 1013904223;
	return (random_state >> 8) % limit;
}

/* Each frame's data tells its lane and its place in it. */
static void make_lane(struct lane *lane, size_t number, size_t count, bool sorted)
{
	static char text[LINES_MAX * 64];
	size_t at = 0;
	int64_t t_us = INT64_C(1436509053000000);

	lane->count = count;
	for (size_t i = 0; i < count; i++) {
		t_us += random_below(4); /* so that many are equal */
		lane->times_us[i] = sorted ? t_us : t_us + (int64_t)random_below(100) - 50;
		at += (size_t)snprintf(text + at, sizeof(text) - at,
			"(%lld.%06lld) can%zu 18FEDF00#%02zX%06zX\n",
			(long long)(lane->times_us[i] / 1000000),
			(long long)(lane->times_us[i] % 1000000), number, number, i);
	}
	lane->fd = bytes_file(text, at, lane->path, sizeof(lane->path));
}

static struct capture_merge *open_merge(size_t count, struct bus_names *buses)
{
	struct capture *captures[LANES_MAX];
	struct capture_merge *merge = NULL;
	char error[256];

	memset(buses, 0, sizeof(*buses));
	for (size_t i = 0; i < count; i++) {
		assert_int_equal(capture_open(&captures[i], lanes[i].path, buses, NULL, error,
					 sizeof(error)),
			0);
	}
	assert_int_equal(capture_merge_open(&merge, captures, count), 0);
	return merge;
}

/* Checks against the rule in its plainest form: of the next frames, the earliest; of equal ones,
 * that of the first capture. */
static void check_merge(size_t lane_count, size_t batch)
{
	static struct frame frames[LANES_MAX * LINES_MAX + 1];
	struct bus_names buses;
	struct capture_merge *merge = open_merge(lane_count, &buses);
	size_t next[LANES_MAX] = {0};
	size_t total = 0;
	size_t got_count = 0;
	int64_t got = 0;

	while ((got = capture_merge_read(merge, frames + got_count, batch)) > 0) {
		assert_true((size_t)got <= batch);
		got_count += (size_t)got;
	}
	assert_int_equal(got, 0);
	assert_int_equal(capture_merge_read(merge, frames, batch), 0);
	assert_null(capture_merge_failed(merge));
	capture_merge_close(merge);
	for (size_t i = 0; i < lane_count; i++) {
		total += lanes[i].count;
		close(lanes[i].fd);
	}
	assert_int_equal(got_count, total);
	for (size_t n = 0; n < total; n++) {
		size_t best = LANES_MAX;
		for (size_t i = 0; i < lane_count; i++) {
			if (next[i] < lanes[i].count &&
				(best == LANES_MAX || lanes[i].times_us[next[i]] <
							      lanes[best].times_us[next[best]])) {
				best = i;
			}
		}
		const struct frame *f = &frames[n];
		size_t place = (size_t)f->data[1] << 16 | (size_t)f->data[2] << 8 | f->data[3];
		assert_int_equal(f->data[0], best);
		assert_int_equal(place, next[best]);
		assert_true(f->t_ns == lanes[best].times_us[next[best]] * 1000);
		assert_int_equal(buses.names[f->bus][3] - '0', best);
		next[best]++;
	}
}

static void frames_come_in_time_order_and_equal_ones_in_file_order(void **state)
{
	static const size_t batches[] = {1, 7, 512, 100000};

	(void)state;
	for (size_t b = 0; b < 4; b++) {
		for (size_t count = 1; count <= LANES_MAX; count++) {
			for (size_t i = 0; i < count; i++) {
				make_lane(&lanes[i], i, 1 + random_below(LINES_MAX - 1), true);
			}
			check_merge(count, batches[b]);
		}
	}
}

static void the_order_inside_a_file_is_kept(void **state)
{
	(void)state;
	for (size_t i = 0; i < 3; i++) {
		make_lane(&lanes[i], i, 2000, false);
	}
	check_merge(3, 100);
}

static void a_capture_that_fails_is_left_out_and_named(void **state)
{
	static const char text[] = "(1436509053.850870) can1 18FEDF00#0000000000000000\n";
	struct bus_names buses = {0};
	struct capture *captures[2];
	struct capture_merge *merge = NULL;
	struct frame frames[2000];
	char error[256];
	int ends[2];
	int kept = dup(STDIN_FILENO);
	size_t count = 0;
	int64_t got = 0;
	int errors = 0;

	/* A peer that closes with something unread resets the connection: unix(7). */
	(void)state;
	make_lane(&lanes[0], 0, 1000, true);
	assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, ends), 0);
	assert_int_equal(dup2(ends[0], STDIN_FILENO), STDIN_FILENO);
	assert_int_equal(write(ends[1], text, sizeof(text) - 1), (ssize_t)sizeof(text) - 1);
	assert_int_equal(capture_open(&captures[0], "-", &buses, NULL, error, sizeof(error)), 0);
	assert_int_equal(
		capture_open(&captures[1], lanes[0].path, &buses, NULL, error, sizeof(error)), 0);
	assert_int_equal(write(ends[0], "x", 1), 1);
	close(ends[1]);
	assert_int_equal(capture_merge_open(&merge, captures, 2), 0);
	do {
		got = capture_merge_read(merge, frames + count, 100);
		if (got < 0) {
			assert_int_equal(got, -ECONNRESET);
			assert_ptr_equal(capture_merge_failed(merge), captures[0]);
			errors++;
		} else {
			count += (size_t)got;
		}
	} while (got != 0);
	assert_int_equal(errors, 1);
	assert_int_equal(count, 1001);
	capture_merge_close(merge);
	close(lanes[0].fd);
	close(ends[0]);
	assert_int_equal(dup2(kept, STDIN_FILENO), STDIN_FILENO);
	close(kept);
}

/* Lines of one recording, from one to another: at times that often repeat, each third said twice.
 */
static int make_part(char *text, size_t size, int from, int to, char *ret_path, size_t path_size)
{
	size_t at = 0;

	for (int i = from; i < to; i++) {
		at += (size_t)snprintf(text + at, size - at,
			"(1436509053.%06d) can0 18FEDF00#%06X\n", i / 4, i / 3 * 2 + (i % 3 == 2));
	}
	return bytes_file(text, at, ret_path, path_size);
}

static void what_stands_in_several_captures_is_given_once(void **state)
{
	static const int parts[][2] = {{0, 2000}, {1001, 3000}, {0, 3000}, {1502, 1503}};
	static struct frame frames[LINES_MAX + 1];
	static char text[LINES_MAX * 64];
	struct bus_names buses = {0};
	struct capture *captures[4];
	struct capture_merge *merge = NULL;
	char error[256];
	char path[64];
	int files[4];
	size_t count = 0;
	int64_t got = 0;

	(void)state;
	for (size_t i = 0; i < 4; i++) {
		files[i] =
			make_part(text, sizeof(text), parts[i][0], parts[i][1], path, sizeof(path));
		assert_int_equal(
			capture_open(&captures[i], path, &buses, NULL, error, sizeof(error)), 0);
	}
	assert_int_equal(capture_merge_open(&merge, captures, 4), 0);
	while ((got = capture_merge_read(merge, frames + count, 100)) > 0) {
		count += (size_t)got;
		assert_in_range(count, 0, 3000);
	}
	assert_int_equal(got, 0);
	assert_int_equal(count, 3000);
	assert_int_equal(capture_merge_copies(merge), 2000 + 1999 + 1);
	for (int i = 0; i < 3000; i++) {
		int data = i / 3 * 2 + (i % 3 == 2);
		assert_true(frames[i].t_ns == INT64_C(1436509053000000000) + i / 4 * 1000);
		assert_int_equal(
			frames[i].data[0] << 16 | frames[i].data[1] << 8 | frames[i].data[2], data);
	}
	capture_merge_close(merge);
	for (size_t i = 0; i < 4; i++) {
		close(files[i]);
	}
}

static void nothing_merged_is_an_end(void **state)
{
	struct capture_merge *merge = NULL;
	struct frame frame;

	(void)state;
	assert_int_equal(capture_merge_open(&merge, NULL, 0), 0);
	assert_int_equal(capture_merge_read(merge, &frame, 1), 0);
	capture_merge_close(merge);
	capture_merge_close(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_come_in_time_order_and_equal_ones_in_file_order),
		cmocka_unit_test(the_order_inside_a_file_is_kept),
		cmocka_unit_test(a_capture_that_fails_is_left_out_and_named),
		cmocka_unit_test(what_stands_in_several_captures_is_given_once),
		cmocka_unit_test(nothing_merged_is_an_end),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
