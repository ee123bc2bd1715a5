/* page_asset.h: the files of the page, held in the program.
 *
 * The build writes the table from daemon/page and the packaged chart library. Nothing is read from
 * disk at run time.
 */
#ifndef SIGHTBOWL_DAEMON_PAGE_ASSET_H
#define SIGHTBOWL_DAEMON_PAGE_ASSET_H

#include <stddef.h>

struct page_asset {
	const char *path; /* as asked for: "/page.css" */
	const char *type; /* media type */
	const char *etag; /* in its quotes; changes with the bytes */
	size_t size;
	const unsigned char *bytes; /* a zero follows the last */
};

extern const struct page_asset page_assets[];
extern const size_t page_asset_count;

/* NULL when there is none of that path. */
const struct page_asset *page_asset_find(const char *path);

#endif
