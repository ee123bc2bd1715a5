#include "daemon/page_asset.h"

#include <string.h>

const struct page_asset *page_asset_find(const char *path)
{
	for (size_t i = 0; i < page_asset_count; i++) {
		if (strcmp(page_assets[i].path, path) == 0) {
			return &page_assets[i];
		}
	}
	return NULL;
}
