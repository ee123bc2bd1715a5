/* log_store.c: opening, locking, transactions, checkpoints.
 *
 * Opening for writing: look at the file's first bytes without touching it, take the lock, open,
 * check again, migrate, switch to WAL. What fails before the lock leaves nothing behind.
 */
#include "daemon/log_store.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "daemon/log_bypass.h"
#include "daemon/log_schema.h"
#include "daemon/log_store_parts.h"

/* WAL pages before SQLite copies them into the file: fewer copies of pages that every commit
 * touches, for 2 MiB of file. */
#define WAL_PAGES "500"
/* The least that a WAL's index has (https://www.sqlite.org/walformat.html, 2.1). */
#define WAL_INDEX_BYTES 32768
#define READER_PATIENCE_MS 5000
/* A replay's transactions last for seconds, a live log's for a moment. */
#define WRITER_PATIENCE_MS 60000
/* Four parts fill a page (LOG_PAGE_BYTES less SQLite's headers). */
#define PART_BYTES 960
#define STATE_MAX  (1 << 20)

static const char *const statement_texts[LOG_STATEMENT_COUNT] = {
#define LOG_STATEMENT_TEXT(id, sql) [LOG_##id] = sql,
	LOG_STATEMENTS(LOG_STATEMENT_TEXT)
#undef LOG_STATEMENT_TEXT
};

void log_say(struct log_store *store, const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	(void)vsnprintf(store->error, sizeof(store->error), format, arguments);
	va_end(arguments);
}

/* The one place where SQLite's codes become errno's. system: errno of the failed call, or 0. */
static int errno_of(int rc, int system)
{
	switch (rc & 0xFF) {
	case SQLITE_OK:
		return 0;
	case SQLITE_BUSY:
	case SQLITE_LOCKED:
		return -EBUSY;
	case SQLITE_NOMEM:
		return -ENOMEM;
	case SQLITE_FULL:
		return -ENOSPC;
	case SQLITE_READONLY:
		return -EROFS;
	case SQLITE_PERM:
	case SQLITE_AUTH:
		return -EACCES;
	case SQLITE_NOTADB:
		return -EMEDIUMTYPE;
	case SQLITE_CORRUPT:
		return -EUCLEAN;
	case SQLITE_CANTOPEN:
	case SQLITE_IOERR:
		if (rc == SQLITE_IOERR_NOMEM) {
			return -ENOMEM;
		}
		return system != 0 ? -system : -EIO;
	default:
		return -EIO;
	}
}

/* SQLite says the same of a file that this user may not write and of a file system that is read-only. */
static bool is_file_system_read_only(const char *path)
{
	struct statvfs status;

	return statvfs(path, &status) == 0 && (status.f_flag & ST_RDONLY) != 0;
}

const char *log_store_obstacle(const char *path)
{
	char folder[1100];
	char *slash;
	struct statvfs status;

	if (statvfs(path, &status) != 0) {
		(void)snprintf(folder, sizeof(folder), "%s", path);
		slash = strrchr(folder, '/');
		if (slash == NULL) {
			(void)snprintf(folder, sizeof(folder), ".");
		} else {
			slash[slash == folder ? 1 : 0] = '\0';
		}
		if (statvfs(folder, &status) != 0) {
			return NULL;
		}
	}
	if ((status.f_flag & ST_RDONLY) != 0) {
		return "its file system is read-only";
	}
	return status.f_blocks > 0 && status.f_bavail == 0 ? "its disk is full" : NULL;
}

int log_sqlite_failure(struct log_store *store, int rc)
{
	int error = errno_of(sqlite3_extended_errcode(store->db), sqlite3_system_errno(store->db));
	int result = error != 0 ? error : errno_of(rc, 0);

	if (result == -EROFS && access(store->path, F_OK) == 0 &&
		!is_file_system_read_only(store->path)) {
		result = -EACCES;
	}
	switch (result) {
	case -ENOSPC:
		log_say(store, "no room left to write log '%s'; nothing after the last commit was kept",
			store->path);
		break;
	case -EUCLEAN:
		log_say(store, "log '%s' is damaged (%s); copy the file away and see docs/log.md, "
			"\"When the file is damaged\"", store->path, sqlite3_errmsg(store->db));
		break;
	case -EROFS:
		log_say(store, "cannot write log '%s': its file system is read-only", store->path);
		break;
	case -EACCES:
	case -EPERM:
		log_say(store, "cannot write log '%s': this user may not write the file or its folder "
			"(%s)", store->path, strerror(-result));
		break;
	case -EBUSY:
		log_say(store, "log '%s' is being changed by another program", store->path);
		break;
	case -ENOMEM:
		log_say(store, "no memory left for log '%s'", store->path);
		break;
	default:
		log_say(store, "log '%s': %s", store->path, sqlite3_errmsg(store->db));
		break;
	}
	if (store->failure == 0) {
		store->failure = result;
	}
	return result;
}

sqlite3_stmt *log_statement(struct log_store *store, enum log_statement id)
{
	if (store->statements[id] == NULL) {
		int rc = sqlite3_prepare_v3(store->db, statement_texts[id], -1,
			SQLITE_PREPARE_PERSISTENT, &store->statements[id], NULL);
		if (rc != SQLITE_OK) {
			(void)log_sqlite_failure(store, rc);
			return NULL;
		}
	}
	(void)sqlite3_reset(store->statements[id]); /* repeats an error that was told already */
	(void)sqlite3_clear_bindings(store->statements[id]);
	return store->statements[id];
}

int log_step(struct log_store *store, sqlite3_stmt *statement)
{
	int rc;

	if (statement == NULL) {
		return store->failure;
	}
	rc = sqlite3_step(statement);
	if (rc == SQLITE_ROW) {
		return 1;
	}
	if (rc != SQLITE_DONE) {
		rc = log_sqlite_failure(store, rc);
		(void)sqlite3_reset(statement); /* the same error again */
		return rc;
	}
	(void)sqlite3_reset(statement);
	return 0;
}

int log_run(struct log_store *store, sqlite3_stmt *statement)
{
	int result = log_step(store, statement);

	assert(result <= 0);
	return result;
}

int log_begin(struct log_store *store)
{
	int result;

	if (store->failure != 0) {
		return store->failure;
	}
	if (store->in_transaction) {
		return 0;
	}
	result = log_run(store, log_statement(store, LOG_BEGIN));
	store->in_transaction = result == 0;
	return result;
}

const char *log_store_error(const struct log_store *store)
{
	return store->error;
}

sqlite3 *log_store_db(struct log_store *store)
{
	return store->db;
}

int log_store_note(struct log_store *store, int rc)
{
	if (store->unread == 0 && rc != SQLITE_OK && rc != SQLITE_ROW && rc != SQLITE_DONE &&
		rc != SQLITE_ERROR) {
		int kind = rc & 0xff; /* without what an extended code adds */

		store->unread = kind == SQLITE_NOMEM      ? -ENOMEM
			      : kind == SQLITE_BUSY      ? -EBUSY
			      : kind == SQLITE_INTERRUPT ? -EINTR
							 : -EIO;
	}
	return rc;
}

int log_store_note_error(struct log_store *store, int result)
{
	store->unread = store->unread == 0 ? result : store->unread;
	return result;
}

int log_store_noted(const struct log_store *store)
{
	return store->unread;
}

void log_store_limit_cache(struct log_store *store, unsigned kib)
{
	char pragma[64];

	(void)snprintf(pragma, sizeof(pragma), "PRAGMA cache_size = -%u", kib);
	(void)sqlite3_exec(store->db, pragma, NULL, NULL, NULL); /* else it has a larger one */
}

/* Bytes of a file beside the log; 0: there is none. */
static int64_t size_beside(const char *path, const char *ending)
{
	char name[1100];
	struct stat status;

	(void)snprintf(name, sizeof(name), "%s%s", path, ending);
	return stat(name, &status) == 0 ? (int64_t)status.st_size : 0;
}

static int tell_unreadable(struct log_store *store, const char *doing, int error)
{
	log_say(store, "cannot %s log '%s': %s", doing, store->path, strerror(error));
	return -error;
}

/* Reads the first bytes of the file. Returns how many, or a negative errno. Through SQLite's own file: were it
 * opened and closed here, every lock that this process holds on it through another connection would be gone
 * (POSIX advisory locks; https://www.sqlite.org/howtocorrupt.html, 2.2), and the next program to close the log
 * would take its write-ahead log away. */
static int read_header(struct log_store *store, uint8_t header[LOG_HEADER_BYTES])
{
	struct stat status;
	sqlite3 *db = NULL;
	sqlite3_file *file = NULL;
	sqlite3_int64 size = 0;
	int result, rc;

	if (stat(store->path, &status) != 0) {
		return tell_unreadable(store, "open", errno);
	}
	if (!S_ISREG(status.st_mode)) {
		log_say(store, "'%s' is %s, not a log", store->path,
			S_ISDIR(status.st_mode) ? "a folder" : "no ordinary file");
		return S_ISDIR(status.st_mode) ? -EISDIR : -EMEDIUMTYPE;
	}
	rc = sqlite3_open_v2(store->path, &db, SQLITE_OPEN_READONLY, NULL);
	if (rc != SQLITE_OK) {
		int error = db == NULL ? ENOMEM : sqlite3_system_errno(db);

		result = tell_unreadable(store, "open", error == 0 ? EIO : error);
		goto close_db;
	}
	rc = sqlite3_file_control(db, "main", SQLITE_FCNTL_FILE_POINTER, &file);
	if (rc == SQLITE_OK && file != NULL && file->pMethods != NULL) {
		rc = file->pMethods->xFileSize(file, &size);
		size = size > LOG_HEADER_BYTES ? LOG_HEADER_BYTES : size;
		if (rc == SQLITE_OK && size > 0) {
			rc = file->pMethods->xRead(file, header, (int)size, 0);
		}
	}
	result = rc == SQLITE_OK ? (int)size : tell_unreadable(store, "read", EIO);
close_db:
	(void)sqlite3_close(db); /* nothing is prepared on it */
	return result;
}

static int refuse_kind(struct log_store *store, enum log_schema_kind kind)
{
	if (kind == LOG_IS_NEWER) {
		log_say(store, "log '%s' was written by a newer version of this program; "
			"it was not touched", store->path);
		return -ENOTSUP;
	}
	if (kind == LOG_IS_FOREIGN) {
		log_say(store, "'%s' is not a log of this program; it was not touched", store->path);
		return -EMEDIUMTYPE;
	}
	return 0;
}

static int run_text(struct log_store *store, const char *sql)
{
	int rc = sqlite3_exec(store->db, sql, NULL, NULL, NULL);

	return rc == SQLITE_OK ? 0 : log_sqlite_failure(store, rc);
}

static int open_database(struct log_store *store, const char *name, int flags)
{
	int rc = sqlite3_open_v2(name, &store->db, flags | SQLITE_OPEN_EXRESCODE, NULL);

	if (store->db == NULL) {
		log_say(store, "no memory left for log '%s'", store->path);
		return -ENOMEM;
	}
	return rc == SQLITE_OK ? 0 : log_sqlite_failure(store, rc);
}

static int create_store(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size)
{
	struct log_store *store = calloc(1, sizeof(*store));

	if (store == NULL) {
		(void)snprintf(ret_error, error_size, "no memory left for log '%s'", path);
		return -ENOMEM;
	}
	store->own_lock = LOG_LOCK_NONE;
	store->minute = -1;
	store->window = -1;
	(void)snprintf(store->lane, sizeof(store->lane), "main");
	(void)snprintf(store->path, sizeof(store->path), "%s", path);
	if (strlen(path) >= sizeof(store->path)) {
		(void)snprintf(ret_error, error_size, "the log's name is too long");
		free(store);
		return -ENAMETOOLONG;
	}
	*ret_store = store;
	return 0;
}

static int open_for_writing(struct log_store *store, struct log_lock *lock)
{
	bool in_memory = strcmp(store->path, LOG_IN_MEMORY) == 0;
	enum log_schema_kind kind;
	int version = 0, result, rc;

	if (!in_memory) {
		uint8_t header[LOG_HEADER_BYTES];
		result = read_header(store, header);
		if (result < 0 && result != -ENOENT) {
			return result;
		}
		/* With a rollback journal beside it, the creation itself was cut: SQLite undoes it. */
		if (result >= 0 && size_beside(store->path, "-journal") == 0) {
			result = refuse_kind(store, log_schema_of_header(header, (size_t)result));
			if (result != 0) {
				return result;
			}
		}
		result = log_lock_take(lock, store->path, store->error, sizeof(store->error));
		if (result != 0) {
			return result;
		}
	}
	result = open_database(store, store->path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE);
	if (result == 0) {
		(void)sqlite3_busy_timeout(store->db, READER_PATIENCE_MS);
		/* Some builds of SQLite overwrite what is deleted: each page that comes free would be
		 * written once more. Nothing in here is secret. */
		result = run_text(store, "PRAGMA page_size = 4096; PRAGMA temp_store = MEMORY; "
					 "PRAGMA secure_delete = OFF");
	}
	if (result != 0) {
		return result;
	}
	rc = log_schema_kind(store->db, &kind, &version);
	if (rc != SQLITE_OK) {
		return log_sqlite_failure(store, rc);
	}
	result = refuse_kind(store, kind);
	if (result != 0) {
		return result;
	}
	/* Durable while it is a rollback journal too: the tables are there whole or not at all. A journal
	 * whose removal was not durable would come back after a power cut and undo the switch to WAL. */
	result = run_text(store, "PRAGMA synchronous = EXTRA");
	if (result != 0) {
		return result;
	}
	rc = log_schema_migrate(store->db, version);
	if (rc != SQLITE_OK) {
		return log_sqlite_failure(store, rc);
	}
	if (!in_memory) {
		result = run_text(store,
			"PRAGMA journal_mode = WAL; PRAGMA wal_autocheckpoint = " WAL_PAGES);
		if (result != 0) {
			return result;
		}
	}
	return log_load_lane_slots(store);
}

/* Opens it while no reader of this process bypasses its locks. */
static int open_locking(struct log_store *store, struct log_lock *lock,
	int (*do_open)(struct log_store *store, struct log_lock *lock))
{
	int result;

	if (!log_bypass_forbid()) {
		log_say(store, "log '%s' is still read as it was where nothing could be written",
			store->path);
		return -EBUSY;
	}
	result = do_open(store, lock);
	log_bypass_allow();
	return result;
}

/* lock: NULL: the store's own. */
static int open_writer(struct log_store **ret_store, const char *path, struct log_lock *lock,
	char *ret_error, size_t error_size)
{
	struct log_store *store;
	int result = create_store(&store, path, ret_error, error_size);

	if (result != 0) {
		return result;
	}
	lock = lock == NULL ? &store->own_lock : lock;
	result = strcmp(path, LOG_IN_MEMORY) == 0 ? open_for_writing(store, lock)
						  : open_locking(store, lock, open_for_writing);
	if (result == 0) {
		result = log_absorb_batch(store);
	}
	if (result != 0) {
		(void)snprintf(ret_error, error_size, "%s", store->error);
		log_store_close(store);
		return result;
	}
	*ret_store = store;
	return 0;
}

int log_store_open(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size)
{
	return open_writer(ret_store, path, NULL, ret_error, error_size);
}

int log_store_open_locked(struct log_store **ret_store, const char *path, struct log_lock *lock,
	char *ret_error, size_t error_size)
{
	return open_writer(ret_store, path, lock, ret_error, error_size);
}

/* A name for SQLite with parameters behind it. */
static char *name_with(const char *path, const char *parameters)
{
	sqlite3_str *name = sqlite3_str_new(NULL);

	sqlite3_str_appendall(name, "file:");
	for (const char *at = path; *at != '\0'; at++) {
		if (strchr("?#%", *at) != NULL) {
			sqlite3_str_appendf(name, "%%%02x", (unsigned char)*at);
		} else {
			sqlite3_str_appendchar(name, 1, *at);
		}
	}
	sqlite3_str_appendall(name, parameters);
	return sqlite3_str_finish(name);
}

/* Reading a log in WAL takes an index of the WAL, FILE-shm, which all who have the log open share.
 * Where none can be made (what a full disk leaves of one is shorter), no writer has the log open
 * either. Without a WAL the file is all there is; with one, an index in memory will do, which
 * SQLite makes for a connection that has the log for itself (https://www.sqlite.org/wal.html, "Use
 * of WAL Without Shared-Memory"). That it has, it is told by a file system that knows no locks, as
 * locks would take the right to write. */
static int open_private(struct log_store *store)
{
	bool has_wal = size_beside(store->path, "-wal") > 0;
	char *name;
	int result;

	/* From here on no writer makes an index either, until this reader is closed. */
	store->bypasses_locks = has_wal && log_bypass_begin();
	if (has_wal && !store->bypasses_locks) {
		log_say(store, "log '%s' is just being opened to be written", store->path);
		return -EBUSY;
	}
	if (has_wal && size_beside(store->path, "-shm") >= WAL_INDEX_BYTES) {
		log_say(store, "log '%s' is in use, and '%s-shm' beside it cannot be read",
			store->path, store->path);
		return -EACCES;
	}
	name = name_with(store->path, has_wal ? "?vfs=unix-none" : "?immutable=1");
	if (name == NULL) {
		return -ENOMEM;
	}
	(void)sqlite3_close(store->db); /* nothing is prepared on it */
	store->db = NULL;
	store->failure = 0;
	store->is_passing = true;
	result = open_database(store, name, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI);
	sqlite3_free(name);
	if (result == 0 && has_wal) {
		(void)sqlite3_db_config(
			store->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, (int *)NULL);
		result = run_text(store, "PRAGMA locking_mode = EXCLUSIVE");
	}
	return result;
}

/* Whether reading failed as an index would fail that cannot be made. */
static bool wants_room(int rc)
{
	return (rc & 0xFF) == SQLITE_CANTOPEN || (rc & 0xFF) == SQLITE_READONLY ||
		(rc & 0xFF) == SQLITE_FULL || (rc & 0xFF) == SQLITE_IOERR;
}

bool log_store_is_passing(const struct log_store *store)
{
	return store->is_passing;
}

/* A log of an older version is read as a copy in memory that is brought to this one: a reader never
 * changes the file, which may lie where it cannot be written. */
static int read_older(struct log_store *store, int version)
{
	sqlite3 *file = store->db;
	sqlite3_backup *backup;
	int result, rc;

	store->db = NULL;
	result = open_database(store, LOG_IN_MEMORY, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE);
	if (result != 0) {
		goto close_file;
	}
	rc = SQLITE_NOMEM;
	backup = sqlite3_backup_init(store->db, "main", file, "main");
	if (backup != NULL) {
		(void)sqlite3_backup_step(backup, -1); /* what goes wrong, finish tells */
		rc = sqlite3_backup_finish(backup);
	}
	if (rc == SQLITE_OK) {
		rc = log_schema_migrate(store->db, version);
	}
	result = rc == SQLITE_OK ? 0 : log_sqlite_failure(store, rc);
	store->older = true;

close_file:
	(void)sqlite3_close(file); /* nothing is prepared on it */
	return result;
}

static int tell_none(struct log_store *store, const char *why)
{
	const char *obstacle = log_store_obstacle(store->path);

	log_say(store, "there is no log '%s'%s%s%s", store->path, why,
		obstacle == NULL ? "" : ", and nothing can be written: ",
		obstacle == NULL ? "" : obstacle);
	return -ENOENT;
}

static int open_for_reading(struct log_store *store, int *ret_version)
{
	uint8_t header[LOG_HEADER_BYTES];
	enum log_schema_kind kind;
	int version, rc;
	int result = read_header(store, header);

	if (result == -ENOENT) {
		return tell_none(store, "");
	}
	if (result < 0) {
		return result;
	}
	kind = log_schema_of_header(header, (size_t)result);
	if (kind == LOG_IS_EMPTY) {
		return tell_none(store, " yet (the file is empty)");
	}
	result = refuse_kind(store, kind);
	if (result != 0) {
		return result;
	}
	/* All connections of a process share the index that the first of them opened: while one is
	 * open from a time when it could only be read, none can write. */
	store->is_passing = is_file_system_read_only(store->path);
	result = open_database(store, store->path, SQLITE_OPEN_READONLY);
	if (result != 0) {
		return result;
	}
	(void)sqlite3_busy_timeout(store->db, READER_PATIENCE_MS);
	rc = log_schema_kind(store->db, &kind, &version);
	if (wants_room(rc)) {
		result = open_private(store);
		if (result != 0) {
			return result;
		}
		rc = log_schema_kind(store->db, &kind, &version);
		if ((rc & 0xFF) == SQLITE_CANTOPEN && size_beside(store->path, "-wal") > 0) {
			log_say(store, "log '%s' lies where nothing can be written, beside changes that "
				"are not in it yet and cannot be read ('%s-wal')", store->path,
				store->path);
			return -EACCES;
		}
	}
	if (rc != SQLITE_OK) {
		return log_sqlite_failure(store, rc);
	}
	result = refuse_kind(store, kind);
	if (result == 0) {
		*ret_version = version;
	}
	return result;
}

/* older: what is done with a log of an older version. */
static int open_reader(struct log_store **ret_store, const char *path,
	int (*older)(struct log_store *store, int version), char *ret_error, size_t error_size)
{
	struct log_store *store;
	int version = 0;
	int result = create_store(&store, path, ret_error, error_size);

	if (result != 0) {
		return result;
	}
	result = open_for_reading(store, &version);
	if (result == 0 && version < LOG_SCHEMA_VERSION && older != NULL) {
		result = older(store, version);
	}
	if (result != 0) {
		(void)snprintf(ret_error, error_size, "%s", store->error);
		log_store_close(store);
		return result;
	}
	*ret_store = store;
	return 0;
}

int log_store_open_reader(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size)
{
	return open_reader(ret_store, path, read_older, ret_error, error_size);
}

int log_open_as_it_is(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size)
{
	return open_reader(ret_store, path, NULL, ret_error, error_size);
}

bool log_is_cut(const char *path)
{
	return size_beside(path, "-journal") > 0;
}

static int open_beside(struct log_store *store, struct log_lock *lock)
{
	enum log_schema_kind kind;
	int version = 0, rc;
	(void)lock; /* it goes beside whoever has it */
	int result = open_database(store, store->path, SQLITE_OPEN_READWRITE);

	if (result != 0) {
		return result;
	}
	(void)sqlite3_busy_timeout(store->db, WRITER_PATIENCE_MS);
	rc = log_schema_kind(store->db, &kind, &version);
	if (rc != SQLITE_OK) {
		return log_sqlite_failure(store, rc);
	}
	result = refuse_kind(store, kind);
	if (result == 0 && version != LOG_SCHEMA_VERSION) {
		log_say(store, "log '%s' was made by an older version of this program", store->path);
		result = -EBUSY; /* has been changed under our hands since it was migrated */
	}
	/* Durable when the commit returns; copying the WAL back is left to the writer. */
	return result != 0 ? result
			   : run_text(store, "PRAGMA temp_store = MEMORY; PRAGMA synchronous = FULL; "
					     "PRAGMA wal_autocheckpoint = " WAL_PAGES);
}

/* Whether the file is a log of this very version, which needs no making and no migration. */
static bool is_current(const char *path)
{
	struct log_store *reader;
	char error[512];
	bool current;

	if (log_store_open_reader(&reader, path, error, sizeof(error)) != 0) {
		return false; /* log_store_open says why, if it is not for want of a log */
	}
	current = !reader->older;
	log_store_close(reader);
	return current;
}

int log_store_open_beside(struct log_store **ret_store, const char *path, char *ret_error,
	size_t error_size)
{
	struct log_store *store;
	int result;

	if (!is_current(path)) {
		result = log_store_open(&store, path, ret_error, error_size);
		if (result != 0) {
			return result;
		}
		log_store_close(store);
	}
	result = create_store(&store, path, ret_error, error_size);
	if (result != 0) {
		return result;
	}
	result = open_locking(store, NULL, open_beside);
	if (result != 0) {
		(void)snprintf(ret_error, error_size, "%s", store->error);
		log_store_close(store);
		return result;
	}
	*ret_store = store;
	return 0;
}

void log_store_close(struct log_store *store)
{
	if (store == NULL) {
		return;
	}
	for (size_t i = 0; i < LOG_STATEMENT_COUNT; i++) {
		(void)sqlite3_finalize(store->statements[i]); /* an error was told when it happened */
	}
	if (store->db != NULL && sqlite3_get_autocommit(store->db) == 0) {
		/* What could not be committed was told; closing would roll back as well. */
		(void)sqlite3_exec(store->db, "ROLLBACK", NULL, NULL, NULL);
	}
	(void)sqlite3_close(store->db);
	if (store->bypasses_locks) {
		log_bypass_end();
	}
	log_lock_release(&store->own_lock);
	free(store);
}

/* Drops a lane's parts from one on. */
static int drop_parts(struct log_store *store, const char *lane, size_t first)
{
	sqlite3_stmt *statement = log_statement(store, LOG_DROP_PARTS);

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_text(statement, 1, lane, -1, SQLITE_STATIC);
	(void)sqlite3_bind_int64(statement, 2, (int64_t)first);
	return log_run(store, statement);
}

static int put_checkpoint(struct log_store *store, const struct log_checkpoint *checkpoint)
{
	size_t parts = 0;

	assert(checkpoint->size <= STATE_MAX);
	for (size_t at = 0; at == 0 || at < checkpoint->size; at += PART_BYTES, parts++) {
		size_t size = checkpoint->size - at < PART_BYTES ? checkpoint->size - at : PART_BYTES;
		const void *bytes = size > 0 ? (const void *)(checkpoint->state + at) : "";
		sqlite3_stmt *statement = log_statement(store,
			at == 0 ? LOG_PUT_FIRST_PART : LOG_PUT_PART);
		if (statement == NULL) {
			return store->failure;
		}
		(void)sqlite3_bind_text(statement, 1, checkpoint->lane, -1, SQLITE_STATIC);
		if (at == 0) {
			(void)sqlite3_bind_blob(statement, 2, bytes, (int)size, SQLITE_STATIC);
			(void)sqlite3_bind_int64(statement, 3, checkpoint->raw_ns);
			(void)sqlite3_bind_int64(statement, 4, checkpoint->capture);
			(void)sqlite3_bind_int64(statement, 5, (int64_t)checkpoint->frames);
			(void)sqlite3_bind_int64(statement, 6, (int64_t)checkpoint->size);
		} else {
			(void)sqlite3_bind_int64(statement, 2, (int64_t)parts);
			(void)sqlite3_bind_blob(statement, 3, bytes, (int)size, SQLITE_STATIC);
		}
		int result = log_run(store, statement);
		if (result != 0) {
			return result;
		}
	}
	return drop_parts(store, checkpoint->lane, parts);
}

int log_store_settle(struct log_store *store)
{
	int result = log_begin(store);

	if (result == 0) {
		result = log_roll_up_minute(store);
	}
	return result == 0 ? log_roll_up_days(store, true) : result;
}

int log_store_commit(struct log_store *store, const struct log_checkpoint *checkpoint)
{
	int result = store->failure;

	if (result == 0 && checkpoint != NULL) {
		result = log_begin(store);
	}
	if (result == 0 && store->in_transaction) {
		result = log_roll_up_minute(store);
	}
	if (result == 0 && store->in_transaction) {
		result = log_roll_up_days(store, false);
	}
	if (result == 0 && checkpoint != NULL) {
		result = put_checkpoint(store, checkpoint);
	}
	if (result == 0 && store->in_transaction) {
		result = log_run(store, log_statement(store, LOG_COMMIT));
		store->in_transaction = result != 0;
	}
	return result;
}

int log_store_checkpoint(struct log_store *store, const char *lane,
	struct log_checkpoint *ret_checkpoint, uint8_t **ret_state)
{
	struct log_checkpoint checkpoint = {.lane = lane};
	sqlite3_stmt *statement = log_statement(store, LOG_PARTS);
	uint8_t *state = NULL;
	size_t used = 0;
	int result;

	if (statement == NULL) {
		return store->failure;
	}
	(void)sqlite3_bind_text(statement, 1, lane, -1, SQLITE_STATIC);
	while ((result = log_step(store, statement)) > 0) {
		if (state == NULL) {
			int64_t told = sqlite3_column_int64(statement, 4);
			checkpoint.raw_ns = sqlite3_column_int64(statement, 1);
			checkpoint.capture = sqlite3_column_int64(statement, 2);
			checkpoint.frames = (uint64_t)sqlite3_column_int64(statement, 3);
			checkpoint.size = told < 0 || told > STATE_MAX ? 0 : (size_t)told;
			state = malloc(checkpoint.size + 1);
			if (state == NULL) {
				result = -ENOMEM;
				break;
			}
		}
		size_t size = (size_t)sqlite3_column_bytes(statement, 0);
		if (size > checkpoint.size - used) {
			break;
		}
		if (size > 0) {
			memcpy(state + used, sqlite3_column_blob(statement, 0), size);
			used += size;
		}
	}
	if (result < 0 || state == NULL) {
		free(state);
		return result < 0 ? result : -ENOENT;
	}
	(void)sqlite3_reset(statement);
	/* Short or over-long parts make a state that cannot be loaded, which is then said. */
	checkpoint.size = used;
	checkpoint.state = state;
	*ret_checkpoint = checkpoint;
	*ret_state = state;
	return 0;
}

int log_store_drop_checkpoint(struct log_store *store, const char *lane)
{
	int result = log_begin(store);

	return result == 0 ? drop_parts(store, lane, 0) : result;
}

int log_store_close_open_facts(struct log_store *store)
{
	int result = log_begin(store);

	if (result == 0) {
		result = log_run(store, log_statement(store, LOG_CLOSE_RUNS));
	}
	return result == 0 ? log_run(store, log_statement(store, LOG_CLOSE_TRIPS)) : result;
}

int log_store_set_lane(struct log_store *store, const char *lane)
{
	assert(strlen(lane) < sizeof(store->lane));
	(void)snprintf(store->lane, sizeof(store->lane), "%s", lane);
	return log_load_lane_slots(store);
}

int log_store_numbers(struct log_store *store, struct pipeline_numbers *ret_numbers)
{
	sqlite3_stmt *statement = log_statement(store, LOG_NUMBERS);
	int result = log_step(store, statement);

	if (result > 0) {
		ret_numbers->session = sqlite3_column_int64(statement, 0);
		ret_numbers->run = sqlite3_column_int64(statement, 1);
		ret_numbers->trip = sqlite3_column_int64(statement, 2);
		ret_numbers->event = sqlite3_column_int64(statement, 3);
		(void)sqlite3_reset(statement);
		result = 0;
	}
	return result;
}
