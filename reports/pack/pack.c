/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct pack *pack_new(void)
{
	return calloc(1, sizeof(struct pack));
}

void pack_free(struct pack *pack)
{
	if (pack == NULL)
		return;
	for (size_t i = 0; i < pack->n; i++)
		free(pack->file[i].bytes);
	json_decref(pack->manifest);
	free(pack);
}

const struct pack_file *pack_find(const struct pack *pack, const char *name)
{
	for (size_t i = 0; i < pack->n; i++)
		if (strcmp(pack->file[i].name, name) == 0)
			return &pack->file[i];
	return NULL;
}

bool pack_name_fits(const char *name)
{
	static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-/";
	size_t n = strlen(name);

	if (n == 0 || n >= PACK_NAME_ROOM || strspn(name, letters) != n || name[n - 1] == '/')
		return false;
	for (size_t i = 0; i < n; i++)
		if ((i == 0 || name[i - 1] == '/') && (name[i] == '.' || name[i] == '/'))
			return false;
	return true;
}

void pack_digest_text(struct sha256_ctx *h, char ret[PACK_DIGEST_TEXT])
{
	uint8_t digest[SHA256_DIGEST_SIZE];

	sha256_digest(h, sizeof digest, digest);
	for (size_t i = 0; i < sizeof digest; i++)
		snprintf(ret + 2 * i, 3, "%02x", digest[i]);
}

void pack_digest(const void *bytes, size_t n, char ret[PACK_DIGEST_TEXT])
{
	struct sha256_ctx h;

	sha256_init(&h);
	sha256_update(&h, n, bytes);
	pack_digest_text(&h, ret);
}

enum rc pack_add(struct pack *pack, const char *name, const void *bytes, size_t n, struct err *err)
{
	size_t held = 0;

	for (size_t i = 0; i < pack->n; i++)
		held += pack->file[i].n;
	if (!pack_name_fits(name))
		return err_set(err, RC_RANGE, 0, "a pack cannot hold a file with the name \"%.60s\"", name);
	if (pack_find(pack, name) != NULL)
		return err_set(err, RC_RANGE, 0, "a pack cannot hold %s twice", name);
	if (pack->n == PACK_FILES_MAX || n > PACK_BYTES_MAX || held > PACK_BYTES_MAX - n)
		return err_set(err, RC_RANGE, 0, "a pack holds at most %d files and %zu MiB; %s is too much for it",
			       PACK_FILES_MAX, PACK_BYTES_MAX >> 20, name);
	struct pack_file *f = &pack->file[pack->n];
	f->bytes = malloc(n + 1);
	if (f->bytes == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", name);
	memcpy(f->bytes, bytes, n);
	f->bytes[n] = 0;
	f->n = n;
	snprintf(f->name, sizeof f->name, "%s", name);
	pack_digest(bytes, n, f->sha256);
	pack->n++;
	return RC_OK;
}
