/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_private.h"

#include <archive.h>
#include <archive_entry.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MANIFEST_MAX ((size_t)1 << 20)
#define BLOCK ((size_t)1 << 16)

struct reader {
	struct archive *a;
	const char *path, *skip;
	struct err *err;
};

static enum rc no_pack(const struct reader *r, const char *why)
{
	return err_set(r->err, RC_ARG, 0, "%s is not a pack: %s; bridle pack RUN makes one", r->path, why);
}

static enum rc damaged(const struct reader *r)
{
	return err_set(r->err, RC_ARG, 0, "%s is cut short or damaged (%.120s); ask for the pack again", r->path,
		       archive_error_string(r->a) ? archive_error_string(r->a) : "its end is missing");
}

static enum rc altered(const struct reader *r, const char *name, const char *how)
{
	return err_set(r->err, RC_ARG, 0, "%s was altered: %.100s %s; ask for the pack again", r->path, name, how);
}

/* The next file, which must be of that name. RC_OK with *ret_size, or what is wrong. */
static enum rc next_file(const struct reader *r, const char *name, size_t most, size_t *ret_size)
{
	struct archive_entry *e;
	int code = archive_read_next_header(r->a, &e);

	if (code == ARCHIVE_EOF)
		return altered(r, name, "is missing");
	if (code != ARCHIVE_OK)
		return damaged(r);
	const char *found = archive_entry_pathname(e);
	if (found == NULL || strcmp(found, name) != 0)
		return err_set(r->err, RC_ARG, 0,
			       "%s was altered: it holds \"%.60s\" where %s is expected; ask for the "
			       "pack again",
			       r->path, found ? found : "", name);
	if (archive_entry_filetype(e) != AE_IFREG || archive_entry_hardlink(e) || archive_entry_symlink(e))
		return altered(r, name, "is a link or a device, expected a plain file");
	if (!archive_entry_size_is_set(e) || archive_entry_size(e) < 0 || (uint64_t)archive_entry_size(e) > most)
		return altered(r, name, "is larger than it says");
	*ret_size = (size_t)archive_entry_size(e);
	return RC_OK;
}

/* Room grows with what really comes, not with what a header claims. */
static enum rc read_bytes(const struct reader *r, size_t size, uint8_t **ret)
{
	size_t room = size < BLOCK ? size + 1 : BLOCK, n = 0;
	uint8_t *bytes = malloc(room);

	while (bytes != NULL && n < size) {
		la_ssize_t got = archive_read_data(r->a, bytes + n, room - 1 - n);
		if (got <= 0) {
			free(bytes);
			return damaged(r);
		}
		n += (size_t)got;
		if (n == room - 1 && n < size) {
			room = size / 2 < n ? size + 1 : 2 * room;
			uint8_t *more = realloc(bytes, room);
			if (more == NULL)
				free(bytes);
			bytes = more;
		}
	}
	if (bytes == NULL)
		return err_set(r->err, RC_NOMEM, 0, "out of memory for %s", r->path);
	bytes[n] = 0;
	*ret = bytes;
	return RC_OK;
}

static enum rc digest_only(const struct reader *r, size_t size, char ret[PACK_DIGEST_TEXT])
{
	struct sha256_ctx h;
	uint8_t *block = malloc(BLOCK);
	size_t n = 0;

	if (block == NULL)
		return err_set(r->err, RC_NOMEM, 0, "out of memory for %s", r->path);
	sha256_init(&h);
	while (n < size) {
		la_ssize_t got = archive_read_data(r->a, block, BLOCK);
		if (got <= 0)
			break;
		sha256_update(&h, (size_t)got, block);
		n += (size_t)got;
	}
	free(block);
	pack_digest_text(&h, ret);
	return n == size ? RC_OK : damaged(r);
}

static enum rc check_version(const struct reader *r, const json_t *manifest)
{
	const char *format = json_string_value(json_object_get(manifest, "format")),
		   *program = json_string_value(json_object_get(manifest, "program"));
	json_int_t version = json_integer_value(json_object_get(manifest, "version"));

	if (format == NULL || strcmp(format, PACK_FORMAT) != 0)
		return no_pack(r, "its manifest names another format");
	if (version != PACK_VERSION)
		return err_set(
			r->err, RC_ARG, 0,
			"%s is a pack of version %lld made by bridle %.20s; this program reads version %d: use that "
			"program",
			r->path, (long long)version, program ? program : "of an unknown version", PACK_VERSION);
	return RC_OK;
}

static enum rc read_manifest(const struct reader *r, struct pack *p)
{
	struct archive_entry *e;
	uint8_t *text = NULL;
	int code = archive_read_next_header(r->a, &e);

	if (code == ARCHIVE_EOF)
		return no_pack(r, "it is empty");
	if (code != ARCHIVE_OK)
		return no_pack(r, "no tar archive compressed by Zstandard, or one that was cut short");
	const char *name = archive_entry_pathname(e);
	if (name == NULL || strcmp(name, "manifest.json") != 0 || archive_entry_filetype(e) != AE_IFREG)
		return no_pack(r, "its first file is not manifest.json");
	if (archive_entry_size(e) < 1 || (uint64_t)archive_entry_size(e) > MANIFEST_MAX)
		return no_pack(r, "its manifest is empty or larger than 1 MiB");
	enum rc rc = read_bytes(r, (size_t)archive_entry_size(e), &text);
	if (rc != RC_OK)
		return rc;
	p->manifest = json_loadb((const char *)text, (size_t)archive_entry_size(e), JSON_REJECT_DUPLICATES, NULL);
	free(text);
	return p->manifest ? check_version(r, p->manifest) : no_pack(r, "its manifest is no JSON");
}

static enum rc read_file(const struct reader *r, struct pack *p, const json_t *said, size_t *left)
{
	const char *name = json_string_value(json_object_get(said, "name")),
		   *sha256 = json_string_value(json_object_get(said, "sha256"));
	json_int_t bytes = json_integer_value(json_object_get(said, "bytes"));
	struct pack_file *f = &p->file[p->n];
	size_t size = 0;

	if (name == NULL || sha256 == NULL || bytes < 0 || !pack_name_fits(name) || pack_find(p, name) != NULL)
		return altered(r, "its manifest", "names a file that no pack holds");
	if ((uint64_t)bytes > *left)
		return altered(r, name, "is too large for a pack");
	enum rc rc = next_file(r, name, *left, &size);
	if (rc == RC_OK && size != (size_t)bytes)
		rc = altered(r, name, "has another size than its manifest says");
	bool kept = r->skip == NULL || strcmp(name, r->skip) != 0;
	if (rc == RC_OK)
		rc = kept ? read_bytes(r, size, &f->bytes) : digest_only(r, size, f->sha256);
	if (rc != RC_OK)
		return rc;
	f->n = size;
	*left -= size;
	strcpy(f->name, name); /* pack_name_fits */
	p->n++;
	if (kept)
		pack_digest(f->bytes, f->n, f->sha256);
	return strcmp(f->sha256, sha256) == 0 ? RC_OK : altered(r, name, "has another digest than its manifest says");
}

static enum rc read_all(const struct reader *r, struct pack *p)
{
	struct archive_entry *e;
	size_t left = PACK_BYTES_MAX, i;
	json_t *said;
	enum rc rc = read_manifest(r, p);

	if (rc != RC_OK)
		return rc;
	json_t *files = json_object_get(p->manifest, "files");
	if (json_array_size(files) < 1 || json_array_size(files) > PACK_FILES_MAX)
		return altered(r, "its manifest", "lists no files, or too many");
	json_array_foreach(files, i, said)
	{
		rc = read_file(r, p, said, &left);
		if (rc != RC_OK)
			return rc;
	}
	int code = archive_read_next_header(r->a, &e);
	if (code == ARCHIVE_OK)
		return altered(r, archive_entry_pathname(e) ? archive_entry_pathname(e) : "a file",
			       "is not in its manifest");
	return code == ARCHIVE_EOF ? RC_OK : damaged(r);
}

enum rc pack_read(const char *path, const char *skip, struct pack **ret, struct err *err)
{
	if (access(path, R_OK) != 0)
		return err_set(err, RC_ARG, errno, "%s cannot be read: %s; expected a pack of bridle pack", path,
			       strerror(errno));
	struct reader r = { archive_read_new(), path, skip, err };
	struct pack *p = pack_new();
	enum rc rc = RC_OK;

	if (r.a == NULL || p == NULL)
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %s", path);
	else if (archive_read_support_filter_zstd(r.a) != ARCHIVE_OK ||
		 archive_read_support_format_tar(r.a) != ARCHIVE_OK)
		rc = err_set(err, RC_IO, 0, "libarchive has no tar with Zstandard: %s", archive_error_string(r.a));
	else if (archive_read_open_filename(r.a, path, BLOCK) != ARCHIVE_OK)
		rc = no_pack(&r, "no tar archive compressed by Zstandard, or one that was cut short");
	if (rc == RC_OK)
		rc = read_all(&r, p);
	if (r.a)
		archive_read_free(r.a);
	if (rc == RC_OK)
		*ret = p;
	else
		pack_free(p);
	return rc;
}
