/* batch_file.h: what the log does not hold yet, safe on the disk.
 *
 * A commit to the SQLite log costs some 36 KiB on the device (write-ahead log, its index, the file
 * system's own journal), too much for an SD card each half minute. So the facts of each half minute
 * and the analysis' state go into this small file first: one 4 KiB block, rewritten in place in a
 * file that never changes its size. The log takes them over once an hour, in one transaction
 * that also names the generation of the batch file that it has absorbed; after a power cut the log's
 * next opening does.
 *
 * The file FILE-batch is BATCH_FILE_BLOCKS blocks. A record is a header, then a zstd frame, compressed
 * against the record before it, then zeroes to the end of its last block. Records of one generation
 * follow each other from the file's start; what is behind them is of older generations.
 */
#ifndef SIGHTBOWL_DAEMON_BATCH_FILE_H
#define SIGHTBOWL_DAEMON_BATCH_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BATCH_FILE_BLOCK  4096
#define BATCH_FILE_BLOCKS 256

struct batch_file; /* opaque; heap */

/* One record's content. */
struct batch {
	const uint8_t *facts; /* fact_queue.h's bytes */
	size_t facts_size;
	const uint8_t *state; /* pipeline_save's bytes */
	size_t state_size;
	int64_t raw_ns;       /* recorder's time of the last frame */
};

/* Opens or makes the file of the log at log_path, to write the generation given. Returns 0 or a
 * negative errno. */
int batch_file_open(struct batch_file **ret_file, const char *log_path, uint64_t generation);
/* NULL is fine. The file stays. */
void batch_file_close(struct batch_file *file);

/* Adds a record: durable when it returns 0. -EFBIG: it does not fit any more; else the write's error.
 * After an error the same generation goes on with the next call. Blocks for the disk. */
int batch_file_append(struct batch_file *file, const struct batch *batch);

/* The log has absorbed all of it: the next record opens this generation. */
void batch_file_restart(struct batch_file *file, uint64_t generation);

/* Whether the log should absorb it soon: less than an eighth is free. */
bool batch_file_is_filling(const struct batch_file *file);
/* Whether it holds a record of the present generation. */
bool batch_file_has_records(const struct batch_file *file);
/* Bytes written since it was opened. */
uint64_t batch_file_written(const struct batch_file *file);

/* Reads the whole records of a generation in their order; the content is borrowed for the call, and
 * reading stops when on_batch returns other than 0. Returns how many records were read (0: none, or
 * no file), on_batch's result, or a negative errno when the file cannot be read. */
int batch_file_read(const char *log_path, uint64_t generation,
	int (*on_batch)(void *context, const struct batch *batch), void *context);

#endif
