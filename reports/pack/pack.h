/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A pack: one archive that holds a run, everything that was published of it and everything that it rests on, so that a
 * stranger can recompute it (docs/how-to-publish.md). A POSIX tar (ustar, IEEE 1003.1) compressed by Zstandard (RFC
 * 8878), by libarchive. The first file is manifest.json: format, version, run, and name, size and SHA-256 (FIPS 180-4)
 * of every other file in their order.
 *
 * Reading trusts nothing: it writes no file, takes plain files alone whose names, sizes and digests are those of the
 * manifest, and stops at the first byte beyond what the manifest says. */
#ifndef BRIDLE_REPORTS_PACK_PACK_H
#define BRIDLE_REPORTS_PACK_PACK_H

#include "calib/number/err.h"

#include <jansson.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>

#define PACK_FORMAT "bridle pack"
#define PACK_VERSION 1
#define PACK_RUN "run.sqlite" /* the run's rows (logbook/extract.h) */
#define PACK_SAMPLES "samples.csv"
#define PACK_FILES_MAX 200
#define PACK_BYTES_MAX ((size_t)2 << 30) /* of all files together */
#define PACK_NAME_ROOM 100               /* of the ustar format, the end counted */
#define PACK_DIGEST_TEXT 65

struct pack_file {
	char name[PACK_NAME_ROOM];
	char sha256[PACK_DIGEST_TEXT]; /* in hexadecimal */
	uint8_t *bytes;                /* malloc'ed; one more byte, 0, stands behind them */
	size_t n;
};
struct pack {
	json_t *manifest; /* owned */
	size_t n;         /* the manifest not counted */
	struct pack_file file[PACK_FILES_MAX];
};
struct pack *pack_new(void);       /* NULL when out of memory */
void pack_free(struct pack *pack); /* NULL is fine */
/* NULL when there is none of that name. */
const struct pack_file *pack_find(const struct pack *pack, const char *name);

/* A file for a pack that is being made; bytes are copied. Letters, digits, '.', '_', '-' and single '/', no part that
 * begins with a dot. RC_RANGE: no such name, twice the same, too many, too large. */
enum rc pack_add(struct pack *pack, const char *name, const void *bytes, size_t n, struct err *err) MUST_CHECK;

/* Sorts the files by name and writes manifest and files to path: whole or not at all. head is the manifest without
 * "files" (borrowed); times in the archive are all made_at, owners and modes are fixed. RC_IO. */
enum rc pack_write(struct pack *pack, const json_t *head, time_t made_at, const char *path, struct err *err) MUST_CHECK;

/* skip: the file of that name is checked like the others, but its bytes are not kept (NULL); NULL keeps all.
 * *ret given to the caller. RC_ARG, with what, where and what to do: cannot be opened, no pack, of another version,
 * altered, cut short, or nothing that pack_write makes (a path that leads out, a link, a file too many). RC_NOMEM. */
enum rc pack_read(const char *path, const char *skip, struct pack **ret, struct err *err) MUST_CHECK;

#endif
