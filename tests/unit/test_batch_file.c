#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "daemon/batch_file.h"

static char folder[] = "/tmp/test_batch_file.XXXXXX";
static char log_path[100];
static char batch_path[120];

static int make_folder(void **state)
{
	(void)state;
	if (mkdtemp(folder) == NULL) {
		return -1;
	}
	(void)snprintf(log_path, sizeof(log_path), "%s/boat.db", folder);
	(void)snprintf(batch_path, sizeof(batch_path), "%s-batch", log_path);
	return 0;
}

static int remove_folder(void **state)
{
	(void)state;
	(void)unlink(batch_path);
	return rmdir(folder);
}

static int forget_file(void **state)
{
	(void)state;
	(void)unlink(batch_path);
	return 0;
}

/* Content that is told apart by its number and is hard to compress where noise is asked for. */
static void fill(uint8_t *bytes, size_t size, uint32_t number, bool noise)
{
	for (size_t i = 0; i < size; i++) {
		number = noise ? number * 1664525 + 1013904223 : number;
		bytes[i] = (uint8_t)(number >> 16 ^ i);
	}
}

static int append(struct batch_file *file, uint32_t number, size_t facts_size, size_t state_size,
	bool noise)
{
	uint8_t *facts = malloc(facts_size + 1);
	uint8_t *analysis = malloc(state_size + 1);
	int result;

	assert_non_null(facts);
	assert_non_null(analysis);
	fill(facts, facts_size, number, noise);
	fill(analysis, state_size, number + 1, noise);
	result = batch_file_append(file, &(struct batch){facts, facts_size, analysis, state_size,
		(int64_t)number * 1000});
	free(facts);
	free(analysis);
	return result;
}

struct seen {
	uint32_t first;
	uint32_t count;
	size_t facts_size;
	size_t state_size;
	bool noise;
	int stop_at;
};

static int on_batch(void *context, const struct batch *batch)
{
	struct seen *seen = context;
	uint32_t number = seen->first + seen->count;
	uint8_t *wanted = malloc(seen->facts_size + seen->state_size + 1);

	assert_non_null(wanted);
	assert_int_equal(batch->facts_size, seen->facts_size);
	assert_int_equal(batch->state_size, seen->state_size);
	assert_int_equal(batch->raw_ns, (int64_t)number * 1000);
	fill(wanted, seen->facts_size, number, seen->noise);
	fill(wanted + seen->facts_size, seen->state_size, number + 1, seen->noise);
	assert_memory_equal(batch->facts, wanted, seen->facts_size);
	assert_memory_equal(batch->state, wanted + seen->facts_size, seen->state_size);
	free(wanted);
	seen->count++;
	return seen->stop_at != 0 && (int)seen->count == seen->stop_at ? -ECANCELED : 0;
}

static void records_come_back_in_order(void **state)
{
	struct batch_file *file;
	struct seen seen = {.first = 100, .facts_size = 900, .state_size = 1800, .noise = true};

	(void)state;
	assert_int_equal(batch_file_open(&file, log_path, 7), 0);
	assert_false(batch_file_has_records(file));
	for (uint32_t i = 0; i < 20; i++) {
		assert_int_equal(append(file, 100 + i, 900, 1800, true), 0);
	}
	assert_true(batch_file_has_records(file));
	batch_file_close(file);
	assert_int_equal(batch_file_read(log_path, 7, on_batch, &seen), 20);
	assert_int_equal(seen.count, 20);
	assert_int_equal(batch_file_read(log_path, 6, on_batch, &seen), 0);
	seen = (struct seen){.first = 100, .facts_size = 900, .state_size = 1800, .noise = true,
		.stop_at = 3};
	assert_int_equal(batch_file_read(log_path, 7, on_batch, &seen), -ECANCELED);
}

static void missing_file_holds_nothing(void **state)
{
	struct seen seen = {0};

	(void)state;
	assert_int_equal(batch_file_read(log_path, 0, on_batch, &seen), 0);
}

static void usual_record_takes_one_block_and_the_file_keeps_its_size(void **state)
{
	struct batch_file *file;
	struct stat status;
	uint64_t before;

	(void)state;
	assert_int_equal(batch_file_open(&file, log_path, 1), 0);
	before = batch_file_written(file);
	assert_int_equal(append(file, 1, 900, 1800, true), 0);
	assert_int_equal(batch_file_written(file) - before, BATCH_FILE_BLOCK);
	assert_int_equal(stat(batch_path, &status), 0);
	assert_int_equal(status.st_size, BATCH_FILE_BLOCK * BATCH_FILE_BLOCKS);
	batch_file_close(file);
}

static void new_generation_hides_the_old_one(void **state)
{
	struct batch_file *file;
	struct seen seen = {.first = 1, .facts_size = 10, .state_size = 10};

	(void)state;
	assert_int_equal(batch_file_open(&file, log_path, 1), 0);
	for (uint32_t i = 0; i < 5; i++) {
		assert_int_equal(append(file, 1 + i, 10, 10, false), 0);
	}
	batch_file_restart(file, 2);
	assert_false(batch_file_has_records(file));
	assert_int_equal(batch_file_read(log_path, 2, on_batch, &seen), 0);
	assert_int_equal(append(file, 1, 10, 10, false), 0);
	assert_int_equal(batch_file_read(log_path, 2, on_batch, &seen), 1);
	/* What is left of the old one begins in its middle, so it is none. */
	assert_int_equal(batch_file_read(log_path, 1, on_batch, &seen), 0);
	batch_file_close(file);
}

static void full_file_refuses_and_a_restart_frees_it(void **state)
{
	struct batch_file *file;
	uint32_t count = 0;
	struct seen seen = {.first = 0, .facts_size = 6000, .state_size = 100, .noise = true};

	(void)state;
	assert_int_equal(batch_file_open(&file, log_path, 1), 0);
	while (append(file, count, 6000, 100, true) == 0) {
		count++;
		assert_true(count <= BATCH_FILE_BLOCKS / 2);
	}
	assert_int_equal(count, BATCH_FILE_BLOCKS / 2);
	assert_true(batch_file_is_filling(file));
	assert_int_equal(append(file, count, 6000, 100, true), -EFBIG);
	assert_int_equal(batch_file_read(log_path, 1, on_batch, &seen), (int)count);
	batch_file_restart(file, 2);
	assert_false(batch_file_is_filling(file));
	assert_int_equal(append(file, 0, 6000, 100, true), 0);
	assert_int_equal(append(file, 0, BATCH_FILE_BLOCK * BATCH_FILE_BLOCKS, 0, true), -EFBIG);
	batch_file_close(file);
}

/* Any block of the last record torn or any byte of the file wrong: the records before are whole. */
static void damage_costs_only_what_comes_behind_it(void **state)
{
	struct batch_file *file;
	uint8_t whole[6 * BATCH_FILE_BLOCK];
	int fd;

	(void)state;
	assert_int_equal(batch_file_open(&file, log_path, 3), 0);
	for (uint32_t i = 0; i < 6; i++) {
		assert_int_equal(append(file, 50 + i, 300, 700, true), 0);
	}
	batch_file_close(file);
	fd = open(batch_path, O_RDWR);
	assert_true(fd >= 0);
	assert_int_equal(pread(fd, whole, sizeof(whole), 0), sizeof(whole));
	for (size_t at = 0; at < sizeof(whole); at += 7) {
		struct seen seen = {.first = 50, .facts_size = 300, .state_size = 700, .noise = true};
		uint8_t wrong = (uint8_t)(whole[at] + 1);
		int got;

		assert_int_equal(pwrite(fd, &wrong, 1, (off_t)at), 1);
		got = batch_file_read(log_path, 3, on_batch, &seen);
		/* Behind a record's frame there are zeroes that nobody reads. */
		assert_true(got == (int)(at / BATCH_FILE_BLOCK) || (got == 6 && whole[at] == 0));
		assert_int_equal(pwrite(fd, &whole[at], 1, (off_t)at), 1);
	}
	for (off_t size = 0; size < (off_t)sizeof(whole); size += 509) {
		struct seen seen = {.first = 50, .facts_size = 300, .state_size = 700, .noise = true};
		int got;

		assert_int_equal(ftruncate(fd, size), 0);
		got = batch_file_read(log_path, 3, on_batch, &seen);
		assert_true(got >= (int)(size / BATCH_FILE_BLOCK) && got <= 6);
		assert_int_equal(pwrite(fd, whole, sizeof(whole), 0), sizeof(whole));
	}
	assert_int_equal(close(fd), 0);
}

static void file_of_another_size_is_made_whole(void **state)
{
	struct batch_file *file;
	struct stat status;
	FILE *short_file = fopen(batch_path, "w");

	(void)state;
	assert_non_null(short_file);
	assert_int_equal(fclose(short_file), 0);
	assert_int_equal(batch_file_open(&file, log_path, 1), 0);
	batch_file_close(file);
	assert_int_equal(stat(batch_path, &status), 0);
	assert_int_equal(status.st_size, BATCH_FILE_BLOCK * BATCH_FILE_BLOCKS);
}

static void folder_that_is_not_there_is_an_error(void **state)
{
	struct batch_file *file;

	(void)state;
	assert_int_equal(batch_file_open(&file, "/nowhere/boat.db", 1), -ENOENT);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_teardown(records_come_back_in_order, forget_file),
		cmocka_unit_test_teardown(missing_file_holds_nothing, forget_file),
		cmocka_unit_test_teardown(
			usual_record_takes_one_block_and_the_file_keeps_its_size, forget_file),
		cmocka_unit_test_teardown(new_generation_hides_the_old_one, forget_file),
		cmocka_unit_test_teardown(full_file_refuses_and_a_restart_frees_it, forget_file),
		cmocka_unit_test_teardown(damage_costs_only_what_comes_behind_it, forget_file),
		cmocka_unit_test_teardown(file_of_another_size_is_made_whole, forget_file),
		cmocka_unit_test(folder_that_is_not_there_is_an_error),
	};

	return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
