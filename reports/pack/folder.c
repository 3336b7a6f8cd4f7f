/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/folder.h"

#include <dirent.h>
#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PATH_ROOM (FOLDER_ROOM + 300)

enum rc folder_make(char ret[FOLDER_ROOM], struct err *err)
{
	const char *tmp = getenv("TMPDIR");

	if (snprintf(ret, FOLDER_ROOM, "%s/bridle-XXXXXX", tmp && *tmp ? tmp : "/tmp") >= FOLDER_ROOM)
		return err_set(err, RC_RANGE, 0, "TMPDIR is too long a path");
	if (mkdtemp(ret) == NULL)
		return err_set(err, RC_IO, errno,
			       "a folder for a while cannot be made at %s: %s; set TMPDIR to one that "
			       "can be written",
			       ret, strerror(errno));
	return RC_OK;
}

static int is_file(const struct dirent *e)
{
	return e->d_name[0] != '.';
}

enum rc folder_list(const char *folder, char ***ret, size_t *ret_n, struct err *err)
{
	struct dirent **entries = NULL;
	int n = scandir(folder, &entries, is_file, NULL);
	char **names = n < 0 ? NULL : calloc((size_t)n + 1, sizeof *names);
	enum rc rc = names ? RC_OK : err_set(err, RC_IO, errno, "%s cannot be read: %s", folder, strerror(errno));

	for (int i = 0; i < n; i++) {
		if (names && (names[i] = strdup(entries[i]->d_name)) == NULL)
			rc = err_set(err, RC_NOMEM, 0, "out of memory");
		free(entries[i]);
	}
	free(entries);
	if (rc == RC_OK) {
		*ret = names;
		*ret_n = (size_t)n;
	} else if (names) {
		folder_list_free(names, (size_t)n);
	}
	return rc;
}

void folder_list_free(char **names, size_t n)
{
	for (size_t i = 0; i < n; i++)
		free(names[i]);
	free(names);
}

void folder_remove(const char *folder)
{
	char path[PATH_ROOM], **names = NULL;
	size_t n = 0;

	if (folder_list(folder, &names, &n, NULL) != RC_OK)
		return;
	for (size_t i = 0; i < n; i++)
		if (snprintf(path, sizeof path, "%s/%s", folder, names[i]) < PATH_ROOM)
			unlink(path);
	folder_list_free(names, n);
	rmdir(folder);
}

static enum rc open_in(const char *folder, const char *name, const char *mode, FILE **ret, struct err *err)
{
	char path[PATH_ROOM];

	if (snprintf(path, sizeof path, "%s/%s", folder, name) >= PATH_ROOM)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", folder);
	*ret = fopen(path, mode);
	return *ret ? RC_OK : err_set(err, RC_IO, errno, "%s cannot be opened: %s", path, strerror(errno));
}

enum rc folder_read(const char *folder, const char *name, uint8_t **ret, size_t *ret_n, struct err *err)
{
	FILE *f = NULL;
	enum rc rc = open_in(folder, name, "r", &f, err);

	if (rc != RC_OK)
		return rc;
	long size = fseek(f, 0, SEEK_END) == 0 ? ftell(f) : -1;
	uint8_t *bytes = size >= 0 ? malloc((size_t)size + 1) : NULL;
	rewind(f);
	if (bytes == NULL || fread(bytes, 1, (size_t)size, f) != (size_t)size)
		rc = err_set(err, RC_IO, errno, "%s/%s cannot be read", folder, name);
	fclose(f);
	if (rc != RC_OK) {
		free(bytes);
		return rc;
	}
	bytes[size] = 0;
	*ret = bytes;
	*ret_n = (size_t)size;
	return RC_OK;
}

enum rc folder_write(const char *folder, const char *name, const uint8_t *bytes, size_t n, struct err *err)
{
	FILE *f = NULL;
	enum rc rc = open_in(folder, name, "w", &f, err);

	if (rc != RC_OK)
		return rc;
	bool good = fwrite(bytes, 1, n, f) == n;
	if (fclose(f) != 0 || !good)
		return err_set(err, RC_IO, errno, "%s/%s could not be written: %s", folder, name, strerror(errno));
	return RC_OK;
}
