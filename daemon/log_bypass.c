#include "daemon/log_bypass.h"

#include <stdatomic.h>

#include <sqlite3.h>

#define PATIENCE_MS 3000
#define PAUSE_MS    10

/* Of the process, as the locks are: readers that bypass them, or, below zero, writers that are
 * being opened. */
static atomic_int open_now;

bool log_bypass_begin(void)
{
	int now = atomic_load(&open_now);

	while (now >= 0) {
		if (atomic_compare_exchange_weak(&open_now, &now, now + 1)) {
			return true;
		}
	}
	return false;
}

void log_bypass_end(void)
{
	(void)atomic_fetch_sub(&open_now, 1);
}

static bool forbid_now(void)
{
	int now = atomic_load(&open_now);

	while (now <= 0) {
		if (atomic_compare_exchange_weak(&open_now, &now, now - 1)) {
			return true;
		}
	}
	return false;
}

bool log_bypass_forbid(void)
{
	for (int waited_ms = 0; !forbid_now(); waited_ms += PAUSE_MS) {
		if (waited_ms >= PATIENCE_MS) {
			return false;
		}
		(void)sqlite3_sleep(PAUSE_MS);
	}
	return true;
}

void log_bypass_allow(void)
{
	(void)atomic_fetch_add(&open_now, 1);
}
