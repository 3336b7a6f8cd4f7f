/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_private.h"

#include <archive.h>
#include <archive_entry.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PATH_ROOM 1200

static enum rc fail(struct archive *a, const char *path, struct err *err)
{
	return err_set(err, RC_IO, archive_errno(a), "%s could not be written: %s; make room or name another file",
		       path, archive_error_string(a));
}

static enum rc put(struct archive *a, const char *path, const char *name, const void *bytes, size_t n, time_t when,
		   struct err *err)
{
	struct archive_entry *e = archive_entry_new();

	if (e == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", path);
	archive_entry_set_pathname(e, name);
	archive_entry_set_size(e, (la_int64_t)n);
	archive_entry_set_filetype(e, AE_IFREG);
	archive_entry_set_perm(e, 0644);
	archive_entry_set_mtime(e, when, 0);
	bool good = archive_write_header(a, e) == ARCHIVE_OK && archive_write_data(a, bytes, n) == (la_ssize_t)n;
	archive_entry_free(e);
	return good ? RC_OK : fail(a, path, err);
}

static int by_name(const void *a, const void *b)
{
	return strcmp(((const struct pack_file *)a)->name, ((const struct pack_file *)b)->name);
}

static char *manifest_text(const struct pack *pack, const json_t *head)
{
	json_t *doc = json_copy((json_t *)(uintptr_t)head), *files = json_array();

	json_object_set_new(doc, "format", json_string(PACK_FORMAT));
	json_object_set_new(doc, "version", json_integer(PACK_VERSION));
	for (size_t i = 0; i < pack->n; i++) {
		const struct pack_file *f = &pack->file[i];
		json_array_append_new(files, json_pack("{s:s, s:I, s:s}", "name", f->name, "bytes", (json_int_t)f->n,
						       "sha256", f->sha256));
	}
	json_object_set_new(doc, "files", files);
	char *text = json_dumps(doc, JSON_INDENT(1) | JSON_SORT_KEYS);
	json_decref(doc);
	return text;
}

static enum rc put_all(struct archive *a, const struct pack *pack, const char *manifest, time_t when, const char *path,
		       struct err *err)
{
	enum rc rc = put(a, path, "manifest.json", manifest, strlen(manifest), when, err);

	for (size_t i = 0; i < pack->n && rc == RC_OK; i++)
		rc = put(a, path, pack->file[i].name, pack->file[i].bytes, pack->file[i].n, when, err);
	return rc;
}

static enum rc write_to(const struct pack *pack, const char *manifest, time_t when, const char *path, struct err *err)
{
	int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
	struct archive *a = fd >= 0 ? archive_write_new() : NULL;
	enum rc rc = RC_OK;

	if (fd < 0)
		return err_set(err, RC_IO, errno, "%s cannot be written: %s", path, strerror(errno));
	if (a == NULL) {
		close(fd);
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", path);
	}
	if (archive_write_set_format_ustar(a) != ARCHIVE_OK || archive_write_add_filter_zstd(a) != ARCHIVE_OK ||
	    archive_write_open_fd(a, fd) != ARCHIVE_OK)
		rc = fail(a, path, err);
	if (rc == RC_OK)
		rc = put_all(a, pack, manifest, when, path, err);
	if (archive_write_close(a) != ARCHIVE_OK && rc == RC_OK)
		rc = fail(a, path, err);
	archive_write_free(a);
	if (close(fd) != 0 && rc == RC_OK)
		rc = err_set(err, RC_IO, errno, "%s could not be written whole: %s", path, strerror(errno));
	return rc;
}

enum rc pack_write(struct pack *pack, const json_t *head, time_t made_at, const char *path, struct err *err)
{
	char partial[PATH_ROOM];

	if (snprintf(partial, sizeof partial, "%s.part-%d", path, (int)getpid()) >= PATH_ROOM)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", path);
	qsort(pack->file, pack->n, sizeof pack->file[0], by_name);
	char *manifest = manifest_text(pack, head);
	if (manifest == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", path);
	enum rc rc = write_to(pack, manifest, made_at, partial, err);
	free(manifest);
	if (rc == RC_OK && rename(partial, path) != 0)
		rc = err_set(err, RC_IO, errno, "%s cannot be written: %s", path, strerror(errno));
	if (rc != RC_OK)
		unlink(partial);
	return rc;
}
