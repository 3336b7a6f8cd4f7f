/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a pack from somebody else. The first says how: m = what follows is a manifest and, behind the first 0,
 * the bytes of a file "a", put into a whole archive here, so that what is inside is reached; else: the archive itself.
 * Never a crash; a refusal has a sentence; what is taken has the names, sizes and digests of its manifest. */
#include "reports/pack/pack.h"

#include <archive.h>
#include <archive_entry.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void put(struct archive *a, const char *name, const uint8_t *bytes, size_t n)
{
	struct archive_entry *e = archive_entry_new();

	archive_entry_set_pathname(e, name);
	archive_entry_set_size(e, (la_int64_t)n);
	archive_entry_set_filetype(e, AE_IFREG);
	archive_entry_set_perm(e, 0644);
	if (archive_write_header(a, e) == ARCHIVE_OK)
		(void)archive_write_data(a, bytes, n);
	archive_entry_free(e);
}

static void put_all(int fd, const uint8_t *data, size_t n)
{
	const uint8_t *zero = n > 0 ? memchr(data, 0, n) : NULL;
	size_t manifest = zero ? (size_t)(zero - data) : n;
	struct archive *a = archive_write_new();

	archive_write_set_format_ustar(a);
	archive_write_add_filter_zstd(a);
	if (archive_write_open_fd(a, fd) == ARCHIVE_OK) {
		put(a, "manifest.json", data, manifest);
		if (zero)
			put(a, "a", zero + 1, n - manifest - 1);
	}
	archive_write_free(a);
}

static void read_back(const char *path)
{
	struct pack *pack = NULL;
	struct err err = { 0 };

	if (pack_read(path, NULL, &pack, &err) != RC_OK) {
		if (!err.what[0] || pack)
			abort();
		return;
	}
	for (size_t i = 0; i < pack->n; i++)
		if (pack_find(pack, pack->file[i].name) != &pack->file[i] || pack->file[i].bytes[pack->file[i].n] != 0)
			abort();
	pack_free(pack);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char path[] = "/tmp/bridle-entry-XXXXXX";
	int fd = n > 0 ? mkstemp(path) : -1;

	if (fd < 0)
		return 0;
	if (data[0] == 'm')
		put_all(fd, data + 1, n - 1);
	else if (write(fd, data, n) != (ssize_t)n)
		abort();
	close(fd);
	read_back(path);
	unlink(path);
	return 0;
}
