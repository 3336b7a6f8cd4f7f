/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A text in a file of its own, for readers that take a path. After stdio.h, stdlib.h, string.h, unistd.h, cmocka.h. */
#ifndef BRIDLE_TESTS_SCRATCH_FILE_H
#define BRIDLE_TESTS_SCRATCH_FILE_H

/* path: of at least 40 bytes, filled in; unlink it. */
static void scratch_file(char *path, const char *text)
{
	strcpy(path, "scratch-file-XXXXXX"); /* in the current folder */
	int fd = mkstemp(path);

	assert_true(fd >= 0);
	FILE *f = fdopen(fd, "w");

	assert_non_null(f);
	assert_true(fputs(text, f) >= 0);
	assert_int_equal(fclose(f), 0);
}

#endif
